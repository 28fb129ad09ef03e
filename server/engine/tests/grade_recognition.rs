//! How many descents find their grade among a thousand, how many a wrong one, and how long it takes.

#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]

mod common;
mod grade_road;

use coldbrake_engine::grade::Catalogue;
use common::Noise;
use grade_road::{Instruments, PARTS, Tally, grades, name, resampled, roads, shape, worked_s};

#[test]
fn descents_find_their_grade_among_a_thousand() {
    let mut n = Noise(11);
    let known = roads(&mut n, 1000);
    let catalogue = Catalogue::new(grades(&known)).unwrap();
    let mut all = Tally::default();
    for (what, part) in PARTS {
        let mut tally = Tally::default();
        let mut coverage_error: f64 = 0.0;
        let mut spent = 0.0;
        for (i, (road, from, to)) in known.iter().enumerate() {
            let (a, b) = part(*from, *to, &mut n);
            let driven = shape(&resampled(road, a, b, Instruments::random(&mut n), &mut n));
            let begin = worked_s();
            let verdict = catalogue.matches(&driven);
            spent += worked_s() - begin;
            tally.add(&verdict, &name(i));
            all.add(&verdict, &name(i));
            if let coldbrake_engine::grade::Match::Found(fit) = &verdict {
                let covered = (b.min(*to) - a.max(*from)) / (to - from);
                coverage_error = coverage_error.max((fit.coverage - covered).abs());
            }
        }
        println!(
            "{what}: {tally}; coverage off by at most {coverage_error:.3}; {:.1} us each",
            spent * 1e3
        );
    }
    println!("all: {all}");
    assert!(all.recall() >= 0.99, "{all}");
    assert!(all.wrong_share() <= 0.001, "{all}");
}

#[test]
fn unknown_roads_find_none() {
    let mut n = Noise(12);
    let catalogue = Catalogue::new(grades(&roads(&mut n, 1000))).unwrap();
    let mut tally = Tally::default();
    let mut spent = 0.0;
    let count = 5000;
    for (road, from, to) in roads(&mut n, count) {
        let driven = shape(&resampled(&road, from, to, Instruments::random(&mut n), &mut n));
        let begin = worked_s();
        let verdict = catalogue.matches(&driven);
        spent += worked_s() - begin;
        tally.add(&verdict, "no grade");
    }
    println!("unknown: {tally}; {:.1} us each", spent * 1e6 / count as f64);
    assert!(tally.wrong_share() <= 0.001, "{tally}");
}

#[test]
fn time_spent_among_ten_thousand() {
    let mut n = Noise(13);
    // Times say something only when optimised: otherwise a smaller catalogue shows that it works.
    let count = if cfg!(debug_assertions) { 1_000 } else { 10_000 };
    let known = roads(&mut n, count);
    let begin = worked_s();
    let catalogue = Catalogue::new(grades(&known)).unwrap();
    println!("built in {:.0} ms", (worked_s() - begin) * 1e3);
    for (what, part) in PARTS {
        let mut tally = Tally::default();
        let driven: Vec<_> = known
            .iter()
            .enumerate()
            .step_by(10)
            .map(|(i, (road, from, to))| {
                let (a, b) = part(*from, *to, &mut n);
                (
                    name(i),
                    shape(&resampled(road, a, b, Instruments::random(&mut n), &mut n)),
                )
            })
            .collect();
        let mut verdicts = Vec::new();
        let mut spent = f64::INFINITY;
        for _ in 0..2 {
            let begin = worked_s();
            verdicts = driven.iter().map(|(_, d)| catalogue.matches(d)).collect();
            spent = spent.min((worked_s() - begin) * 1e6 / driven.len() as f64);
        }
        let few: Vec<_> = driven.iter().step_by(20).collect();
        let begin = worked_s();
        for (_, d) in &few {
            std::hint::black_box(catalogue.matches_by_all(d));
        }
        let by_all = (worked_s() - begin) * 1e6 / few.len() as f64;
        for ((name, _), verdict) in driven.iter().zip(&verdicts) {
            tally.add(verdict, name);
        }
        println!(
            "{what}, of {count} grades: {tally}; {spent:.1} us each, by a look at every grade {by_all:.0}"
        );
        assert!(tally.wrong_share() <= 0.001 && tally.recall() >= 0.9, "{tally}");
    }
}
