//! Segmentation of two surveyed elevation profiles against descents on which two independent methods agree.
//!
//! Source: `reference/terrain`; see `reference/README.md`. The vectors hold three of the simulated roads as well.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use std::collections::BTreeMap;

use coldbrake_engine::Policy;
use coldbrake_tests::{case::reference, log, profile::drive, report::Report};
use serde::Deserialize;

#[derive(Deserialize)]
struct Expected {
    descents: Vec<Found>,
    count: usize,
    two_methods_agree: bool,
}

#[derive(Deserialize)]
#[expect(clippy::struct_field_names, reason = "the names of the vectors' file")]
struct Found {
    start_m: f64,
    end_m: f64,
    drop_m: f64,
}

#[derive(Deserialize)]
struct Point {
    distance_m: f64,
    altitude_m: f64,
}

/// The engine looks at the road every 10 m or at the next point after that: that is how far an end may be off, and the
/// road's height with it.
const PLACE_M: f64 = 16.0;
const HEIGHT_M: f64 = 1.5;
/// Of points that differ by less than this the engine takes the last for the top and the first for the bottom, the vectors
/// the first for both: a level summit has no single top.
const SAME_HEIGHT_M: f64 = 0.15;

#[test]
fn surveyed_profiles_are_cut_where_two_other_methods_cut_them() {
    const SPEED: f64 = 10.0;
    let vectors: BTreeMap<String, BTreeMap<String, Expected>> = serde_json::from_str(
        &std::fs::read_to_string(reference("terrain/segmentation_vectors.json")).unwrap(),
    )
    .unwrap();
    let class = coldbrake_tests::case::class("van_2500kg");
    let mut report = Report::new("surveyed profiles, hysteresis on altitude");
    let mut compared = 0;
    for (file, sets) in &vectors {
        let mut reader = csv::Reader::from_path(reference(&format!("terrain/{file}"))).unwrap();
        let mut points: Vec<(f64, f64)> = reader
            .deserialize()
            .map(|point: Result<Point, _>| point.map(|p| (p.distance_m, p.altitude_m)).unwrap())
            .collect();
        // Two points within a millisecond of each other are one.
        points.dedup_by(|b, a| b.0 - a.0 < 0.02);
        for (name, expected) in sets {
            assert!(expected.two_methods_agree);
            let climb: f64 = name.split('_').nth(1).unwrap().parse().unwrap();
            let policy = Policy {
                entry_gradient: 0.0,
                confirm_drop_m: 30.0,
                end_climb_m: climb,
                end_level_m: 1e6,
                altitude_noise_m: Some(0.0),
                ..Policy::default()
            };
            let found = log::run(&drive(&points, SPEED), &class, log::opening(), &policy);
            let subject = format!(
                "{} {climb} m",
                file.trim_start_matches("../cases/").get(..9).unwrap()
            );
            report.holds(
                &subject,
                &format!("{} descents, found {}", expected.count, found.len()),
                found.len() == expected.count,
            );
            for (f, e) in found.iter().zip(&expected.descents) {
                let d = &f.descent;
                let at = |ms: i64| points[0].0 + (ms - coldbrake_tests::case::START_MS) as f64 * 1e-3 * SPEED;
                let height =
                    |at: f64| points[points.partition_point(|p| p.0 < at - 0.1).min(points.len() - 1)].1;
                for (what, found, expected) in [
                    ("start", at(d.start_time_ms), e.start_m),
                    ("end", at(d.end_time_ms), e.end_m),
                ] {
                    let off = found - expected;
                    let higher = height(found) - height(expected);
                    let same = off.abs() <= PLACE_M || higher.abs() <= SAME_HEIGHT_M;
                    report.holds(&subject, &format!("{what} {off:+.1} m, {higher:+.2} m up"), same);
                }
                report.within(&subject, "drop, m", d.drop_m - e.drop_m, HEIGHT_M);
                compared += 1;
            }
        }
    }
    report.holds("all", &format!("{compared} descents compared"), compared >= 16);
    report.close();
}
