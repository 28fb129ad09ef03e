//! Windows of two surveyed elevation profiles as grades, hidden among a thousand others. Sources: `data/README.md`.

#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]

mod common;
mod grade_road;

use coldbrake_engine::grade::{Catalogue, DescentShape, Grade, Match};
use common::Noise;
use grade_road::{Instruments, Road, Tally, resampled};

/// Length of a window, m: the profiles hold a dozen of them that go down.
const WINDOW_M: f64 = 2500.0;

/// Windows of the profiles, driven either way, that lose at least 60 m: the road with where the window begins.
fn windows() -> Vec<(Road, f64)> {
    let a = Road::from_csv(include_str!("data/profile_a.csv"));
    let b = Road::from_csv(include_str!("data/profile_b.csv"));
    let mut found = Vec::new();
    for road in [a.reversed(), b.reversed(), a, b] {
        let mut from = 0.0;
        while from + WINDOW_M <= road.length() {
            if road.altitude(from) - road.altitude(from + WINDOW_M) >= 60.0 {
                found.push((road.clone(), from));
                from += WINDOW_M;
            } else {
                from += 250.0;
            }
        }
    }
    found
}

fn filler(n: &mut Noise, count: usize) -> Vec<Grade> {
    (0..count)
        .map(|i| {
            let length = 3000.0 * (n.uniform() * 5.0_f64.ln()).exp();
            let bottom = 100.0 + 1200.0 * n.uniform();
            Road::random(n, length, bottom).grade(&format!("other-{i:04}"), 0.0, length)
        })
        .collect()
}

#[test]
fn surveyed_roads_are_known_again_among_a_thousand() {
    let mut n = Noise(21);
    let windows = windows();
    assert!(windows.len() >= 9, "{}", windows.len());
    let mut grades = filler(&mut n, 1000 - windows.len());
    for (i, (road, from)) in windows.iter().enumerate() {
        grades.push(road.grade(&format!("survey-{i:02}"), *from, from + WINDOW_M));
    }
    let catalogue = Catalogue::new(grades).unwrap();
    let mut tally = Tally::default();
    for round in 0..100 {
        for (i, (road, from)) in windows.iter().enumerate() {
            // Every other descent covers only a part of the window.
            let (a, b) = if round % 2 == 0 {
                (from + 60.0 * n.uniform(), from + WINDOW_M - 60.0 * n.uniform())
            } else {
                let share = 0.6 + 0.35 * n.uniform();
                let a = from + (1.0 - share) * n.uniform() * WINDOW_M;
                (a, a + share * WINDOW_M)
            };
            let d = resampled(road, a, b, Instruments::random(&mut n), &mut n);
            let shape = DescentShape::new(d.top_m, &d.points, None, None).unwrap();
            tally.add(&catalogue.matches(&shape), &format!("survey-{i:02}"));
        }
    }
    println!("surveyed windows, {}: {tally}", windows.len());
    assert!(tally.recall() >= 0.99, "{tally}");
    assert!(tally.wrong_share() <= 0.001, "{tally}");
}

#[test]
fn surveyed_roads_that_are_not_in_the_catalogue_find_none() {
    let mut n = Noise(22);
    let catalogue = Catalogue::new(filler(&mut n, 1000)).unwrap();
    let mut tally = Tally::default();
    for _ in 0..100 {
        for (road, from) in windows() {
            let d = resampled(&road, from, from + WINDOW_M, Instruments::random(&mut n), &mut n);
            let shape = DescentShape::new(d.top_m, &d.points, None, None).unwrap();
            tally.add(&catalogue.matches(&shape), "no grade");
        }
    }
    println!("surveyed, unknown: {tally}");
    assert!(tally.wrong_share() <= 0.001, "{tally}");
}

/// That the figures above can be bad: a catalogue in which the surveyed grades carry each other's names.
#[test]
fn exchanged_names_are_seen() {
    let mut n = Noise(23);
    let windows = windows();
    let grades = windows
        .iter()
        .enumerate()
        .map(|(i, (road, from))| {
            road.grade(
                &format!("survey-{:02}", (i + 1) % windows.len()),
                *from,
                from + WINDOW_M,
            )
        })
        .collect();
    let catalogue = Catalogue::new(grades).unwrap();
    let mut tally = Tally::default();
    for (i, (road, from)) in windows.iter().enumerate() {
        let d = resampled(road, *from, from + WINDOW_M, Instruments::random(&mut n), &mut n);
        let shape = DescentShape::new(d.top_m, &d.points, None, None).unwrap();
        let verdict = catalogue.matches(&shape);
        assert!(matches!(verdict, Match::Found(_)), "{verdict}");
        tally.add(&verdict, &format!("survey-{i:02}"));
    }
    assert_eq!(tally.right, 0, "{tally}");
    assert!(tally.wrong_share() > 0.99, "{tally}");
}
