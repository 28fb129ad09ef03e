//! Recognising a grade among a thousand and among ten thousand.

use std::{hint::black_box, time::Instant};

use coldbrake_engine::{
    ProfilePoint,
    grade::{Catalogue, DescentShape, Grade, GradeProfile},
};
use coldbrake_tests::disturb::normal;
use fastrand::Rng;

use super::row::{Aim, Row, median};

const GRADES: [usize; 2] = [1_000, 10_000];
/// Descents that are looked up.
const DESCENTS: usize = 400;

pub(crate) fn rows() -> Vec<Row> {
    GRADES.into_iter().flat_map(among).collect()
}

fn among(count: usize) -> Vec<Row> {
    let mut rng = Rng::with_seed(11);
    let roads: Vec<Vec<(f64, f64)>> = (0..count).map(|_| road(&mut rng)).collect();
    let grades = roads
        .iter()
        .zip(0..)
        .map(|(points, k)| Grade {
            grade: format!("grade-{k:05}"),
            display_name: String::new(),
            profile: GradeProfile::from_points(points).unwrap(),
            top: None,
            bottom: None,
        })
        .collect();
    let catalogue = Catalogue::new(grades).unwrap();
    let mut rows = Vec::new();
    for (name, share) in [("whole descents", 1.0), ("descents of 70 % of a grade", 0.7)] {
        let mut right = 0;
        let (mut took, mut by_all) = (Vec::new(), Vec::new());
        for descent in 0..DESCENTS {
            let k = rng.usize(..count);
            let shape = driven(&roads[k], share, &mut rng);
            let begin = Instant::now();
            let found = black_box(catalogue.matches(&shape));
            took.push(begin.elapsed().as_secs_f64() * 1e6);
            right += usize::from(found.grade() == Some(format!("grade-{k:05}").as_str()));
            if descent % 8 == 0 {
                let begin = Instant::now();
                black_box(catalogue.matches_by_all(&shape));
                by_all.push(begin.elapsed().as_secs_f64() * 1e6);
            }
        }
        rows.push(Row {
            what: format!(
                "match among {count} grades, {name}, half of them within ({:.1} % recognised)",
                100.0 * right as f64 / DESCENTS as f64
            ),
            unit: "µs",
            ours: median(&mut took),
            beside: Some(("a look at every grade", median(&mut by_all))),
            aim: Aim::AtMost(50.0),
        });
    }
    rows
}

/// A road of 2 to 12 km whose gradient changes every 150 to 450 m by chance.
fn road(rng: &mut Rng) -> Vec<(f64, f64)> {
    let length = 2_000.0 + 10_000.0 * rng.f64();
    let mean = 0.045 + 0.035 * rng.f64();
    let (mut at, mut height) = (0.0, 1_300.0 + 2_000.0 * rng.f64());
    let mut points = vec![(0.0, height)];
    let mut gradient = mean;
    while at < length {
        let next = (mean + 0.025 * normal(rng)).clamp(-0.01, 0.15);
        let piece = 150.0 + 300.0 * rng.f64();
        let steps = (piece / 10.0) as u32;
        for step in 1..=steps {
            let part = f64::from(step) / f64::from(steps);
            height -= 10.0 * (gradient + (next - gradient) * part);
            at += 10.0;
            points.push((at, height));
        }
        gradient = next;
    }
    points
}

/// The middle of a road as a vehicle records it: altitude off by up to 30 m, distance by up to 3 %, 1.5 m of noise in a sample.
fn driven(road: &[(f64, f64)], share: f64, rng: &mut Rng) -> DescentShape {
    let skipped = ((1.0 - share) * 0.5 * road.len() as f64) as usize;
    let part = &road[skipped..road.len() - skipped];
    let (first_at, first_height) = part[0];
    let offset = 60.0 * rng.f64() - 30.0;
    let scale = 0.97 + 0.06 * rng.f64();
    let points: Vec<ProfilePoint> = part
        .iter()
        .skip(5)
        .step_by(5)
        .map(|(at, height)| ProfilePoint {
            distance_m: ((at - first_at) * scale) as f32,
            // The filter of the altitude leaves a fraction of what the samples have.
            altitude_m: (height + offset + 0.4 * normal(rng)) as f32,
            friction_w: None,
            recovery_w: 0.0,
            speed_mps: 14.0,
            brake_temperature_c: None,
        })
        .collect();
    DescentShape::new(first_height + offset, &points, None, None).unwrap()
}
