//! Grades that are hard to tell apart: twins that differ only in their middle, nested ones, neighbours on one road; and
//! positions, which tell them apart.

#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]

mod common;
mod grade_road;

use coldbrake_engine::ProfilePoint;
use coldbrake_engine::grade::{Catalogue, DescentShape, Grade, Match, Position, Unmatched};
use common::Noise;
use grade_road::{Driven, Instruments, Road, Tally, resampled};

fn shape(d: &Driven) -> DescentShape {
    DescentShape::new(d.top_m, &d.points, None, None).unwrap()
}

/// The same road with its middle, 800 m long, lower by up to `by` metres.
fn twin(road: &Road, by: f64) -> Road {
    let middle = 0.5 * road.length();
    let points = road
        .0
        .iter()
        .map(|(s, h)| {
            let near = 1.0 - (s - middle).abs() / 400.0;
            (*s, h - by * near.max(0.0))
        })
        .collect();
    Road(points)
}

#[test]
fn twins_are_told_apart_or_called_ambiguous() {
    let mut n = Noise(31);
    println!("middle lower by: descents");
    for (by, least_right) in [
        (0.0, 0.0),
        (1.0, 0.0),
        (2.0, 0.0),
        (4.0, 0.2),
        (8.0, 0.9),
        (16.0, 0.97),
    ] {
        let pairs: Vec<(Road, Road)> = (0..100)
            .map(|_| {
                let length = 3000.0 + 5000.0 * n.uniform();
                let bottom = 100.0 + 1200.0 * n.uniform();
                let road = Road::random(&mut n, length, bottom);
                let other = twin(&road, by);
                (road, other)
            })
            .collect();
        let grades = pairs
            .iter()
            .enumerate()
            .flat_map(|(i, (a, b))| {
                [
                    a.grade(&format!("pair-{i:03}-a"), 0.0, a.length()),
                    b.grade(&format!("pair-{i:03}-b"), 0.0, b.length()),
                ]
            })
            .collect();
        let catalogue = Catalogue::new(grades).unwrap();
        let mut tally = Tally::default();
        for _ in 0..5 {
            for (i, (a, b)) in pairs.iter().enumerate() {
                for (road, which) in [(a, "a"), (b, "b")] {
                    let d = resampled(road, 0.0, road.length(), Instruments::random(&mut n), &mut n);
                    let verdict = catalogue.matches(&shape(&d));
                    if let Match::Ambiguous { first, second } = &verdict {
                        let pair = format!("pair-{i:03}-");
                        assert!(
                            first.grade.starts_with(&pair) && second.grade.starts_with(&pair),
                            "{verdict}"
                        );
                        assert!(verdict.to_string().contains(&second.grade), "{verdict}");
                    }
                    tally.add(&verdict, &format!("pair-{i:03}-{which}"));
                }
            }
        }
        println!("{by:>4} m: {tally}");
        assert!(tally.wrong_share() <= 0.001, "{by} m: {tally}");
        assert!(tally.recall() >= least_right, "{by} m: {tally}");
        assert!(
            f64::from(tally.right + tally.ambiguous) >= 0.99 * f64::from(tally.total()),
            "{by} m: {tally}"
        );
    }
}

fn passage() -> (Road, Noise) {
    let mut n = Noise(32);
    (Road::random(&mut n, 9000.0, 700.0), n)
}

const GOOD: Instruments = Instruments {
    offset_m: 12.0,
    scale: 1.01,
    noise_m: 1.0,
};

#[test]
fn of_nested_grades_the_one_driven_is_found() {
    let (road, mut n) = passage();
    let catalogue = Catalogue::new(vec![
        road.grade("all", 0.0, 9000.0),
        road.grade("upper", 0.0, 5000.0),
        road.grade("lower", 4500.0, 9000.0),
    ])
    .unwrap();
    for (name, from, to) in [
        ("all", 0.0, 9000.0),
        ("upper", 0.0, 5000.0),
        ("lower", 4500.0, 9000.0),
    ] {
        let verdict = catalogue.matches(&shape(&resampled(&road, from, to, GOOD, &mut n)));
        assert_eq!(verdict.grade(), Some(name), "{verdict}");
    }
}

#[test]
fn one_grade_under_two_names_is_ambiguous() {
    let (road, mut n) = passage();
    let catalogue = Catalogue::new(vec![
        road.grade("one", 0.0, 6000.0),
        road.grade("same-again", 20.0, 6030.0),
    ])
    .unwrap();
    let verdict = catalogue.matches(&shape(&resampled(&road, 0.0, 6000.0, GOOD, &mut n)));
    assert!(matches!(verdict, Match::Ambiguous { .. }), "{verdict}");
    assert_eq!(verdict.grade(), None);
}

#[test]
fn the_share_covered_is_told() {
    let (road, mut n) = passage();
    let catalogue = Catalogue::new(vec![road.grade("middle", 2000.0, 7000.0)]).unwrap();
    let mut fit = |from, to| match catalogue.matches(&shape(&resampled(&road, from, to, GOOD, &mut n))) {
        Match::Found(fit) => fit,
        other => panic!("{other}"),
    };
    let upper = fit(2000.0, 5000.0);
    assert!(
        (upper.coverage - 0.6).abs() < 0.02 && upper.inside > 0.98,
        "{upper:?}"
    );
    assert!(
        (upper.offset_m - 12.0).abs() < 1.5 && (upper.scale - 1.01).abs() < 0.008,
        "{upper:?}"
    );
    let long = fit(1000.0, 8500.0);
    assert!(
        long.coverage > 0.99 && (long.inside - 5.0 / 7.5).abs() < 0.02,
        "{long:?}"
    );
    assert!((long.shift_m + 1000.0).abs() < 40.0, "{long:?}");
    // Too little of it is no match.
    let little = catalogue.matches(&shape(&resampled(&road, 2000.0, 4000.0, GOOD, &mut n)));
    assert_eq!(little.grade(), None, "{little}");
}

#[test]
fn uphill_is_another_direction() {
    let (road, mut n) = passage();
    // A road that loses height either way: over a crest in the middle.
    let points = road.0.iter().map(|(s, h)| {
        (
            *s,
            if *s < 4500.0 {
                2.0 * road.altitude(4500.0) - h
            } else {
                *h
            },
        )
    });
    let over = Road(points.collect());
    let back = over.reversed();
    let catalogue = Catalogue::new(vec![over.grade("south", 4500.0, 9000.0)]).unwrap();
    let north = catalogue.matches(&shape(&resampled(&back, 4500.0, 9000.0, GOOD, &mut n)));
    assert_eq!(north.grade(), None, "{north}");
    let south = catalogue.matches(&shape(&resampled(&over, 4500.0, 9000.0, GOOD, &mut n)));
    assert_eq!(south.grade(), Some("south"), "{south}");
}

fn place(longitude_deg: f64) -> Position {
    Position {
        latitude_deg: 46.0,
        longitude_deg,
    }
}

#[test]
fn positions_tell_twins_apart_and_rule_out_other_places() {
    let (road, mut n) = passage();
    let there = |id: &str, at: f64| Grade {
        top: Some(place(at)),
        bottom: Some(place(at + 0.05)),
        ..road.grade(id, 0.0, 6000.0)
    };
    let catalogue = Catalogue::new(vec![there("east", 8.0), there("west", 5.0)]).unwrap();
    let d = resampled(&road, 0.0, 6000.0, GOOD, &mut n);
    let at = |start: f64| {
        let shape = DescentShape::new(d.top_m, &d.points, Some(place(start)), Some(place(start + 0.05)));
        catalogue.matches(&shape.unwrap())
    };
    match at(8.0) {
        Match::Found(fit) => assert!(fit.by_position && fit.grade == "east", "{fit:?}"),
        other => panic!("{other}"),
    }
    assert_eq!(at(5.0005).grade(), Some("west"));
    let elsewhere = at(6.5);
    assert!(
        matches!(
            elsewhere,
            Match::None {
                reason: Unmatched::Elsewhere,
                ..
            }
        ),
        "{elsewhere}"
    );
    let nowhere = catalogue.matches(&shape(&d));
    assert!(matches!(nowhere, Match::Ambiguous { .. }), "{nowhere}");
}

#[test]
fn a_short_plain_descent_is_not_guessed_unless_positions_say_so() {
    let mut n = Noise(33);
    let road = Road(
        (0..=120)
            .map(|k| f64::from(k) * 10.0)
            .map(|s| (s, 700.0 - 0.06 * s))
            .collect(),
    );
    let mut grade = road.grade("plain", 0.0, 850.0);
    grade.top = Some(place(8.0));
    let mut grades: Vec<Grade> = (0..500)
        .map(|i| {
            let bottom = 500.0 + 250.0 * n.uniform();
            Road::random(&mut n, 1600.0, bottom).grade(&format!("other-{i:03}"), 0.0, 1600.0)
        })
        .collect();
    grades.push(grade);
    let catalogue = Catalogue::new(grades).unwrap();
    let d = resampled(&road, 0.0, 1200.0, Instruments { noise_m: 3.0, ..GOOD }, &mut n);
    let verdict = catalogue.matches(&shape(&d));
    assert!(
        matches!(
            verdict,
            Match::None {
                reason: Unmatched::TooPlain,
                ..
            }
        ),
        "{verdict}"
    );
    let there = DescentShape::new(d.top_m, &d.points, Some(place(8.001)), None).unwrap();
    assert_eq!(catalogue.matches(&there).grade(), Some("plain"));
}

#[test]
fn whatever_shape_comes_is_answered_within_bounds() {
    let mut n = Noise(34);
    let (road, _) = passage();
    let mut grades = vec![road.grade("all", 0.0, 9000.0), road.grade("short", 0.0, 600.0)];
    grades.push(Grade {
        top: Some(place(8.0)),
        ..road.grade("placed", 3000.0, 9000.0)
    });
    let catalogue = Catalogue::new(grades).unwrap();
    for _ in 0..3000 {
        let count = 2 + (80.0 * n.uniform()) as usize;
        let (reach, height) = (10.0_f64.powf(4.0 * n.uniform()), 10.0_f64.powf(4.0 * n.uniform()));
        let mut at = 0.0;
        let points: Vec<ProfilePoint> = (0..count)
            .map(|_| {
                at += reach * n.uniform();
                ProfilePoint {
                    distance_m: at as f32,
                    altitude_m: (1200.0 + height * (n.uniform() - 0.5)) as f32,
                    ..ProfilePoint::default()
                }
            })
            .collect();
        let Some(shape) = DescentShape::new(1200.0, &points, Some(place(360.0 * n.uniform() - 180.0)), None)
        else {
            continue;
        };
        let fits = match catalogue.matches(&shape) {
            Match::Found(fit) => vec![fit],
            Match::Ambiguous { first, second } => vec![first, second],
            Match::None { best, .. } => best.into_iter().collect(),
        };
        for fit in fits {
            assert!(
                (0.0..=1.0).contains(&fit.score) && (0.0..=1.0).contains(&fit.coverage),
                "{fit:?}"
            );
            assert!(
                (0.0..=1.0).contains(&fit.inside) && fit.chance >= 0.0 && fit.misfit_m.is_finite(),
                "{fit:?}"
            );
        }
    }
}

#[test]
fn altitudes_that_differ_too_much_are_no_match_though_the_road_is_the_same() {
    let (road, mut n) = passage();
    let catalogue = Catalogue::new(vec![road.grade("all", 0.0, 6000.0)]).unwrap();
    let mut with_noise = |noise_m| {
        let d = resampled(&road, 0.0, 6000.0, Instruments { noise_m, ..GOOD }, &mut n);
        catalogue.matches(&shape(&d))
    };
    assert_eq!(with_noise(3.0).grade(), Some("all"));
    match with_noise(7.0) {
        Match::None {
            best: Some(fit),
            reason: Unmatched::NothingClose,
        } => assert!(fit.grade == "all" && (0.0..0.5).contains(&fit.score), "{fit:?}"),
        other => panic!("{other}"),
    }
}
