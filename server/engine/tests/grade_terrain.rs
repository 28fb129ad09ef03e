//! Windows of two surveyed elevation profiles as grades, hidden among a thousand others. Sources: `data/README.md`.

#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]

mod common;
mod grade_road;

use coldbrake_engine::grade::{Catalogue, DescentShape, Grade, Match};
use common::Noise;
use grade_road::{Instruments, Road, Tally, resampled, worked_s};

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
    let mut spent = 0.0;
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
            let begin = worked_s();
            let verdict = catalogue.matches(&shape);
            spent += worked_s() - begin;
            tally.add(&verdict, &format!("survey-{i:02}"));
        }
    }
    let each = spent * 1e6 / f64::from(tally.total());
    println!("surveyed windows, {}: {tally}; {each:.1} us each", windows.len());
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

/// The road with the middle of a window, 800 m long, lower by up to `by` metres.
fn twin(road: &Road, from: f64, by: f64) -> Road {
    let middle = from + 0.5 * WINDOW_M;
    let points = road.0.iter().map(|(s, h)| {
        let near = 1.0 - (s - middle).abs() / 400.0;
        (*s, h - by * near.max(0.0))
    });
    Road(points.collect())
}

/// Each window has a twin that differs only in its middle: told apart, or called ambiguous, never mistaken.
#[test]
fn surveyed_twins_are_told_apart_or_called_ambiguous_among_a_thousand() {
    let mut n = Noise(24);
    for (by, least_right) in [(2.0, 0.0), (4.0, 0.0), (8.0, 0.9), (16.0, 0.99)] {
        let pairs: Vec<[Road; 2]> = windows()
            .iter()
            .map(|(road, from)| [road.clone(), twin(road, *from, by)])
            .collect();
        let windows = windows();
        let mut grades = filler(&mut n, 1000 - 2 * windows.len());
        for (i, (pair, (_, from))) in pairs.iter().zip(&windows).enumerate() {
            for (road, which) in pair.iter().zip(["a", "b"]) {
                grades.push(road.grade(&format!("survey-{i:02}-{which}"), *from, from + WINDOW_M));
            }
        }
        let catalogue = Catalogue::new(grades).unwrap();
        let mut tally = Tally::default();
        for _ in 0..40 {
            for (i, (pair, (_, from))) in pairs.iter().zip(&windows).enumerate() {
                for (road, which) in pair.iter().zip(["a", "b"]) {
                    let d = resampled(road, *from, from + WINDOW_M, Instruments::random(&mut n), &mut n);
                    let shape = DescentShape::new(d.top_m, &d.points, None, None).unwrap();
                    tally.add(&catalogue.matches(&shape), &format!("survey-{i:02}-{which}"));
                }
            }
        }
        println!("surveyed twins, middle lower by {by} m: {tally}");
        assert!(tally.wrong_share() <= 0.001, "{by} m: {tally}");
        assert!(tally.recall() >= least_right, "{by} m: {tally}");
        let told = f64::from(tally.right + tally.ambiguous) / f64::from(tally.total());
        assert!(told >= 0.99, "{by} m: {tally}");
    }
}
