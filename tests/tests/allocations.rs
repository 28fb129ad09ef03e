//! What a batch costs in allocations: none from the wire to the engine, hardly any in the engine while a vehicle drives.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use allocation_counter::measure;
use coldbrake_engine::{Batch, Policy, VehicleState};
use coldbrake_proto::{
    codec::{decode, decode_into},
    transport::{keep, read_message},
    v1::{StreamSamplesRequest, stream_samples_request::Message as Up},
};
use coldbrake_tests::{case::Case, log, wire::encoded};
use prost::Message as _;

/// Allocations of the engine that a descent may take: buffers that grow by doubling while it lasts, and its record.
const OF_A_DESCENT: u64 = 20;
/// Share of the batches that may come upon a buffer that has to grow.
const SHARE: f64 = 0.05;

#[test]
fn the_engine_takes_hardly_a_batch_with_an_allocation() {
    let policy = Policy::default();
    let opening = log::opening();
    for name in ["r02_6km_6pct_30kmh", "r03_stop_and_go", "r09_repeat_grade"] {
        let case = Case::load(name);
        let mut vehicle = VehicleState::new("unit-1", opening.clone());
        let (mut batches, mut with, mut allocations, mut descents) = (0_u32, 0_u32, 0, 0);
        for batch in log::batches(&case.log, 10) {
            let mut finished = 0;
            let counted = measure(|| finished = vehicle.apply(&batch, &case.class, &policy).finished.len());
            batches += 1;
            with += u32::from(counted.count_total > 0);
            allocations += counted.count_total;
            descents += finished as u64;
        }
        println!("{name}: {allocations} allocations in {with} of {batches} batches, {descents} descents");
        assert!(f64::from(with) <= SHARE * f64::from(batches));
        assert!(allocations <= OF_A_DESCENT * (descents + 1));
    }
}

#[test]
fn the_decoder_allocates_by_columns_and_not_by_samples() {
    let case = Case::load("r02_6km_6pct_30kmh");
    let opening = log::opening();
    let count = |length: usize| {
        let message = encoded(&case.log, &opening, length).remove(3);
        measure(|| drop(decode(&message, opening.brake_kind).unwrap())).count_total
    };
    let (short, long) = (count(50), count(600));
    println!("{short} allocations for 50 samples, {long} for 600");
    assert_eq!(short, long);
    assert!(long <= 16, "{long}: one for each column and the time");
}

#[test]
fn nothing_is_allocated_between_the_wire_and_the_engine() {
    let case = Case::load("r02_6km_6pct_30kmh");
    let opening = log::opening();
    let bytes: Vec<Vec<u8>> = encoded(&case.log, &opening, 50)
        .into_iter()
        .map(|batch| {
            let message = Some(Up::Batch(Box::new(batch)));
            StreamSamplesRequest { message }.encode_to_vec()
        })
        .collect();
    let mut room = Batch::default();
    let mut take = |bytes: &[u8]| {
        let request: StreamSamplesRequest = read_message(&mut &*bytes).unwrap();
        let Some(Up::Batch(message)) = request.message else {
            panic!("no batch")
        };
        decode_into(&message, opening.brake_kind, &mut room).unwrap();
        keep(message);
    };
    // The first message makes the room; it grows by doubling, and these are equally long.
    take(&bytes[0]);
    let counted = measure(|| bytes.iter().for_each(|message| take(message)));
    assert_eq!(counted.count_total, 0, "in {} messages", bytes.len());
}
