//! What one finished descent costs the alarms: the decision with its memory, apart from any store.

use std::{hint::black_box, time::Instant};

use coldbrake_engine::{Descent, alarm::Watch};
use fastrand::Rng;

use super::{
    row::{Aim, Row, median},
    stock::{self, Pattern},
};

/// Vehicles and grades of the fleet, and the software versions that drive in it.
const VEHICLES: u32 = 1_000;
const GRADES: u32 = 40;
/// Descents of the fleet in a day.
const A_DAY: u32 = 500;
/// Descents until every baseline is full and every memory has its size.
const LEARNT: u32 = 40_000;
/// Descents that are timed.
const TIMED: u32 = 20_000;

pub(crate) fn rows() -> Vec<Row> {
    let pattern = Pattern::load();
    let class = stock::class();
    let mut watch = Watch::default();
    let mut rng = Rng::with_seed(5);
    let mut decided = Vec::new();
    let mut written = Vec::new();
    let mut alarms = 0;
    for number in 0..LEARNT + TIMED {
        let finished = pattern.driven(rng.u32(..VEHICLES), number / A_DAY, number % GRADES, &mut rng);
        let d: &Descent = &finished.descent;
        let begin = Instant::now();
        watch.observe(d, Some(&class), &finished.facts);
        let observed = begin.elapsed();
        let begin = Instant::now();
        black_box(watch.changes());
        let encoded = begin.elapsed();
        let begin = Instant::now();
        watch.settle();
        let settled = begin.elapsed();
        if number >= LEARNT {
            decided.push((observed + settled).as_secs_f64() * 1e6);
            written.push((observed + encoded + settled).as_secs_f64() * 1e6);
        }
        alarms = watch.open().count();
    }
    vec![
        Row {
            what: format!(
                "alarms: a finished descent, {VEHICLES} vehicles on {GRADES} grades, {alarms} alarms open"
            ),
            unit: "µs",
            ours: median(&mut decided),
            beside: None,
            aim: Aim::AtMost(5.0),
        },
        Row {
            what: "the same with its memory written as bytes for the store".to_owned(),
            unit: "µs",
            ours: median(&mut written),
            beside: None,
            aim: Aim::None,
        },
    ]
}
