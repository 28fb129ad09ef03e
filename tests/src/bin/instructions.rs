//! A fixed piece of work for an instruction counter: `instructions decode|engine TIMES`. Prints the number of samples.
//!
//! What it costs is counted as the difference of two runs, so that reading the case does not count.
//!
//! `instructions digest` prints instead what the engine makes of trips of every kind, as checksums: a change that is only meant
//! to make it faster leaves every line as it was, on the same machine.
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
    log, trips,
    wire::encoded,
};

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let [_, "digest"] = arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        print_digests();
        return;
    }
    let [_, what, times] = arguments.as_slice() else {
        panic!("instructions decode|engine TIMES, or instructions digest");
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

/// Any way of cutting a trip must give the same, which is looked at on the way.
fn print_digests() {
    for trip in trips::all() {
        let (found, state, digest) = trips::run(&trip, 300);
        println!(
            "{:<45} {:5} {:3} {:08x} {:08x}",
            trip.name,
            trip.log.len(),
            digest.descents,
            digest.states,
            digest.records
        );
        if trip.loses_a_batch {
            continue;
        }
        for length in [1, 7, 4096] {
            let (again, other, _) = trips::run(&trip, length);
            // Equal text is equal bits.
            assert_eq!(
                format!("{found:?}"),
                format!("{again:?}"),
                "{}: batches of {length}",
                trip.name
            );
            let bytes = |mut state: VehicleState| {
                // The number of batches differs, and nothing else.
                state.declare_gap(1_000_000, &trip.class, &trip.policy);
                state.to_bytes()
            };
            assert!(
                bytes(state.clone()) == bytes(other),
                "{}: batches of {length}",
                trip.name
            );
        }
    }
}
