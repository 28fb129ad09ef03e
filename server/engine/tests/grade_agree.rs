//! The look-up through the index and a look at every grade come to the same verdict.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

mod common;
mod grade_road;

use coldbrake_engine::grade::{Catalogue, DescentShape, Fit, Grade, Match};
use common::Noise;
use grade_road::{Instruments, PARTS, Road, grades, resampled, roads, shape};

/// What counts of a verdict: all but the bound on chance, which may be looser.
fn told(verdict: &Match) -> (String, Vec<Fit>) {
    let exact = |fit: &Fit| Fit {
        chance: 0.0,
        ..fit.clone()
    };
    match verdict {
        Match::Found(fit) => ("found".to_owned(), vec![exact(fit)]),
        Match::Ambiguous { first, second } => ("ambiguous".to_owned(), vec![exact(first), exact(second)]),
        // Which grade came closest without fitting is told but decides nothing: one that fits must be there.
        Match::None { best, reason } => {
            let fitting = best.iter().filter(|fit| fit.score >= 0.5).map(exact).collect();
            (reason.name().to_owned(), fitting)
        }
    }
}

/// Counts verdicts that differ, and names some of them.
#[derive(Default)]
struct Compared {
    cases: u32,
    differ: u32,
    closest_differ: u32,
}

impl Compared {
    fn add(&mut self, catalogue: &Catalogue, shape: &DescentShape, what: &str) {
        let (fast, all) = (catalogue.matches(shape), catalogue.matches_by_all(shape));
        self.cases += 1;
        if told(&fast) != told(&all) {
            self.differ += 1;
            if self.differ <= 20 {
                println!("{what}, {:.0} m: {fast:?}\n    by all: {all:?}", shape.length_m());
            }
        }
        if let (Match::None { best: a, .. }, Match::None { best: b, .. }) = (&fast, &all) {
            self.closest_differ += u32::from(a.as_ref().map(|f| &f.grade) != b.as_ref().map(|f| &f.grade));
        }
    }

    fn check(&self, what: &str) {
        println!(
            "{what}: {} cases, {} verdicts differ; of those without a grade {} name another as the closest",
            self.cases, self.differ, self.closest_differ
        );
        assert!(self.cases > 0);
        assert_eq!(self.differ, 0, "{what}");
    }
}

#[test]
fn among_roads_of_all_kinds() {
    let mut n = Noise(41);
    let mut compared = Compared::default();
    for _ in 0..2 {
        let known = roads(&mut n, 1000);
        let catalogue = Catalogue::new(grades(&known)).unwrap();
        for (what, part) in PARTS {
            for (road, from, to) in &known {
                let (a, b) = part(*from, *to, &mut n);
                // Some instruments are worse than they should be: verdicts near the limits count as well.
                let mut with = Instruments::random(&mut n);
                if n.uniform() < 0.3 {
                    with.offset_m *= 2.1;
                    with.scale = 1.0 + 1.7 * (with.scale - 1.0);
                    with.noise_m *= 1.6;
                }
                compared.add(&catalogue, &shape(&resampled(road, a, b, with, &mut n)), what);
            }
        }
        for (road, from, to) in roads(&mut n, 500) {
            let driven = resampled(&road, from, to, Instruments::random(&mut n), &mut n);
            compared.add(&catalogue, &shape(&driven), "unknown");
        }
    }
    compared.check("roads of all kinds");
}

/// Short, plain, very long and coarsely surveyed grades, and twins.
#[test]
fn among_unusual_roads() {
    let mut n = Noise(42);
    let mut roads: Vec<Road> = Vec::new();
    // More than a look at each would be taken for.
    for _ in 0..500 {
        let length = 500.0 * (n.uniform() * 80.0_f64.ln()).exp();
        let bottom = 100.0 + 600.0 * n.uniform();
        let road = Road::random(&mut n, length, bottom);
        let by = 20.0 * n.uniform();
        let middle = 0.5 * road.length();
        let twin = road
            .0
            .iter()
            .map(|(s, h)| (*s, h - by * (1.0 - (s - middle).abs() / 400.0).max(0.0)));
        let twin = Road(twin.collect());
        let steep = 0.03 + 0.06 * n.uniform();
        let plain = (0..=100).map(|k| f64::from(k) * 0.01 * length);
        let plain = Road(plain.map(|s| (s, bottom + steep * (length - s))).collect());
        roads.extend(
            [plain, road, twin]
                .into_iter()
                .filter(|r| r.altitude(0.0) - r.altitude(r.length()) > 25.0),
        );
    }
    let grades: Vec<Grade> = roads
        .iter()
        .enumerate()
        .map(|(i, road)| {
            let sparse = if i % 5 == 4 { 40 } else { 1 };
            let mut points: Vec<_> = road.0.iter().copied().step_by(sparse).collect();
            points.push(*road.0.last().unwrap());
            Road(points).grade(&format!("grade-{i:04}"), 0.0, road.length())
        })
        .collect();
    let catalogue = Catalogue::new(grades).unwrap();
    let mut compared = Compared::default();
    for (what, part) in PARTS {
        for road in &roads {
            let (a, b) = part(0.0, road.length(), &mut n);
            let (a, b) = (a.max(0.0), b.min(road.length()));
            let driven = resampled(road, a, b, Instruments::random(&mut n), &mut n);
            compared.add(&catalogue, &shape(&driven), what);
        }
    }
    compared.check("unusual roads");
}
