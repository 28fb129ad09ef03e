//! The engine behind the decoder, beside the decoder alone: what one core does in a second.

use std::hint::black_box;

use coldbrake_engine::{Policy, VehicleState};
use coldbrake_proto::{codec::decode, v1::SampleBatch};
use coldbrake_tests::{
    case::Case,
    disturb::{Disturbance, disturb},
    log,
    wire::encoded,
};

use super::row::{Aim, Row, in_turn};

/// Samples of a message.
const LENGTH: usize = 300;

pub(crate) fn rows() -> Vec<Row> {
    let cases = ["r02_6km_6pct_30kmh", "r07_creep"].map(Case::load);
    let opening = log::opening();
    let messages: Vec<Vec<SampleBatch>> = cases
        .iter()
        .map(|case| encoded(&disturb(&case.log, &Disturbance::default(), 1), &opening, LENGTH))
        .collect();
    let samples: usize = messages
        .iter()
        .flatten()
        .map(|m| decode(m, opening.brake_kind).unwrap().len())
        .sum();
    let policy = Policy::default();
    let mut state_bytes = 0;
    let whole = || {
        for (case, messages) in cases.iter().zip(&messages) {
            let mut vehicle = VehicleState::new("bench-01", opening.clone());
            for message in messages {
                let batch = decode(message, opening.brake_kind).unwrap();
                black_box(vehicle.apply(&batch, &case.class, &policy));
            }
            state_bytes = state_bytes.max(vehicle.to_bytes().len());
        }
    };
    let decoding = || {
        for message in messages.iter().flatten() {
            black_box(decode(message, opening.brake_kind).unwrap());
        }
    };
    let (with, without) = in_turn(15, whole, decoding);
    let rate = |seconds: f64| samples as f64 / seconds;
    vec![
        Row {
            what: "decode and engine, one core".to_owned(),
            unit: "samples/s",
            ours: rate(with),
            beside: Some(("decode alone", rate(without))),
            aim: Aim::RatioAtLeast(0.35),
        },
        Row {
            what: "state of a vehicle, the largest seen".to_owned(),
            unit: "bytes",
            ours: state_bytes as f64,
            beside: None,
            aim: Aim::AtMost(2048.0),
        },
    ]
}
