//! A fixed piece of work for an instruction counter: `instructions decode|engine TIMES`. Prints the number of samples.
//!
//! What it costs is counted as the difference of two runs, so that reading the case does not count.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a tool of the checks: a panic is how it reports a mistake"
)]

use std::hint::black_box;

use coldbrake_engine::{Policy, VehicleState};
use coldbrake_proto::codec::decode;
use coldbrake_tests::{
    case::Case,
    disturb::{Disturbance, disturb},
    log,
    wire::encoded,
};

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, what, times] = arguments.as_slice() else {
        panic!("instructions decode|engine TIMES");
    };
    let case = Case::load("r02_6km_6pct_30kmh");
    let opening = log::opening();
    let messages = encoded(&disturb(&case.log, &Disturbance::default(), 1), &opening, 300);
    let mut samples = 0;
    for _ in 0..times.parse::<u32>().unwrap() {
        let mut vehicle = VehicleState::new("unit-1", opening.clone());
        for message in &messages {
            let batch = black_box(decode(message, opening.brake_kind).unwrap());
            samples += batch.len();
            match what.as_str() {
                "decode" => {}
                "engine" => drop(black_box(vehicle.apply(&batch, &case.class, &Policy::default()))),
                other => panic!("`{other}` is neither decode nor engine"),
            }
        }
    }
    println!("{samples}");
}
