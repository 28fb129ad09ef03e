//! What is recorded does not depend on how samples were cut into batches, on lost connections, or on what was sent twice.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use std::sync::{
    OnceLock,
    atomic::{AtomicU32, Ordering::Relaxed},
};

use coldbrake_engine::Batch;
use coldbrake_proto::{
    convert,
    v1::{GetServerStatusRequest, GetVehicleRequest, Vehicle, stream_samples_request::Message as Up},
};
use coldbrake_server::Config;
use coldbrake_tests::{
    case::Case,
    disturb::{Disturbance, disturb},
    log,
    wire::{Wire, numbered},
};
use proptest::prelude::*;
use tokio::runtime::Runtime;

/// What a vehicle has on the server, without its name.
#[derive(Debug, PartialEq)]
struct Record {
    descents: Vec<String>,
    friction_total_j: Option<f64>,
    distance_total_m: f64,
    last_sample_time_ms: Option<i64>,
}

async fn record(wire: &Wire, name: &str) -> Record {
    let mut descents = Vec::new();
    for mut d in wire.descents_of(name).await {
        d.descent.as_mut().unwrap().vehicle.clear();
        // Debug output of a double is its shortest form that reads back the same: equal text is equal bits.
        descents.push(format!("{d:?}"));
    }
    let request = GetVehicleRequest {
        vehicle: name.to_owned(),
    };
    let vehicle: Vehicle = wire
        .fleet()
        .get_vehicle(request)
        .await
        .unwrap()
        .into_inner()
        .vehicle
        .unwrap();
    Record {
        descents,
        friction_total_j: vehicle.friction_total_j,
        distance_total_m: vehicle.distance_total_m,
        last_sample_time_ms: vehicle.last_sample_time_ms,
    }
}

fn cut(log: &Batch, at: &[usize]) -> Vec<Batch> {
    let mut ends: Vec<usize> = at
        .iter()
        .map(|i| 1 + i % (log.len() - 1))
        .chain([log.len()])
        .collect();
    ends.sort_unstable();
    ends.dedup();
    let mut from = 0;
    ends.into_iter()
        .map(|to| {
            let batch = log::select(log, from..to);
            from = to;
            batch
        })
        .collect()
}

/// One connection: how many batches before the durable ones are sent again, how many messages are sent in all, and whether
/// the vehicle waits for an answer before it is cut off.
#[derive(Clone, Debug)]
struct Connection {
    again: i64,
    messages: i64,
    waits: bool,
}

fn connection() -> impl Strategy<Value = Connection> {
    (0_i64..4, 1_i64..20, any::<bool>()).prop_map(|(again, messages, waits)| Connection {
        again,
        messages,
        waits,
    })
}

struct World {
    runtime: Runtime,
    wire: Wire,
    case: Case,
    log: Batch,
    expected: Record,
    next: AtomicU32,
}

/// One server for all draws, and what a vehicle with a perfect connection gets.
fn world() -> &'static World {
    static WORLD: OnceLock<World> = OnceLock::new();
    WORLD.get_or_init(|| {
        let runtime = Runtime::new().unwrap();
        let case = Case::load("r06_rolling");
        let log = disturb(&case.log, &Disturbance::default(), 3);
        let (wire, expected) = runtime.block_on(async {
            let wire = Wire::start().await;
            wire.register(&case.class).await;
            let refused = wire
                .drive("steady", &case.class.vehicle_class, &log::opening(), &log, 4096)
                .await;
            assert!(refused.is_empty(), "{refused:?}");
            let expected = record(&wire, "steady").await;
            (wire, expected)
        });
        assert_eq!(expected.descents.len(), 5, "five waves");
        World {
            runtime,
            wire,
            case,
            log,
            expected,
            next: AtomicU32::new(0),
        }
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn splits_reconnects_and_duplicates_change_nothing(
        cuts in prop::collection::vec(any::<usize>(), 0..60),
        connections in prop::collection::vec(connection(), 0..5),
    ) {
        let world = world();
        let name = format!("shaky-{}", world.next.fetch_add(1, Relaxed));
        let batches = numbered(&cut(&world.log, &cuts), &log::opening());
        let open = convert::opening_to_wire(&name, &world.case.class.vehicle_class, &log::opening());
        world.runtime.block_on(async {
            for connection in &connections {
                let mut stream = world.wire.open(open.clone()).await.unwrap();
                let from = (stream.opened.durable_through - connection.again).max(0);
                for batch in batches.iter().skip(from as usize).take(connection.messages as usize) {
                    stream.send(Up::Batch(Box::new(batch.clone()))).await;
                }
                if connection.waits && stream.opened.durable_through < batches.len() as i64 {
                    let _ = stream.next().await;
                }
                // Dropped: to the server a connection that was lost.
            }
            let mut stream = world.wire.open(open).await.unwrap();
            let refused = stream.deliver(&batches).await.unwrap();
            assert!(refused.is_empty(), "{refused:?}");
            assert_eq!(record(&world.wire, &name).await, world.expected);
        });
    }
}

#[tokio::test]
async fn a_batch_that_comes_twice_is_counted_as_such_and_once() {
    let wire = Wire::start().await;
    let case = Case::load("r05_power_limited");
    wire.register(&case.class).await;
    let batches = numbered(&log::batches(&case.log, 100), &log::opening());
    let open = convert::opening_to_wire("twice", &case.class.vehicle_class, &log::opening());
    let mut stream = wire.open(open).await.unwrap();
    for _ in 0..3 {
        stream.send(Up::Batch(Box::new(batches[0].clone()))).await;
    }
    stream.deliver(&batches).await.unwrap();
    let status = wire
        .fleet()
        .get_server_status(GetServerStatusRequest {})
        .await
        .unwrap()
        .into_inner();
    // Sent by hand three times and once more by `deliver`: three of the four are duplicates.
    assert_eq!(status.duplicate_batch_count, 3);
    assert_eq!(status.accepted_sample_count, case.log.len() as i64);
    assert_eq!(wire.descents_of("twice").await.len(), 1);
}

#[tokio::test]
async fn a_missing_batch_is_asked_for() {
    let wire = Wire::start().await;
    let case = Case::load("r05_power_limited");
    wire.register(&case.class).await;
    let batches = numbered(&log::batches(&case.log, 100), &log::opening());
    let open = |name: &str| convert::opening_to_wire(name, &case.class.vehicle_class, &log::opening());
    wire.open(open("whole"))
        .await
        .unwrap()
        .deliver(&batches)
        .await
        .unwrap();

    let mut stream = wire.open(open("hole")).await.unwrap();
    stream.send(Up::Batch(Box::new(batches[2].clone()))).await;
    let asked = loop {
        match stream.next().await.unwrap() {
            Some(coldbrake_proto::v1::stream_samples_response::Message::Rewind(r)) => {
                break r.expected_sequence;
            }
            Some(_) => {}
            None => panic!("the stream ended"),
        }
    };
    assert_eq!(asked, 1);
    stream.deliver(&batches).await.unwrap();
    assert_eq!(record(&wire, "hole").await, record(&wire, "whole").await);
}

#[tokio::test]
async fn a_server_that_is_stopped_in_the_middle_goes_on_where_it_was() {
    let directory = tempfile::tempdir().unwrap();
    let case = Case::load("r03_stop_and_go");
    let batches = numbered(&log::batches(&case.log, 50), &log::opening());
    let open = |name: &str| convert::opening_to_wire(name, &case.class.vehicle_class, &log::opening());
    let config = || Config::in_process().with_directory(directory.path());

    let wire = Wire::with(config()).await;
    wire.register(&case.class).await;
    wire.open(open("whole"))
        .await
        .unwrap()
        .deliver(&batches)
        .await
        .unwrap();
    let mut stream = wire.open(open("halved")).await.unwrap();
    for batch in &batches[..12] {
        stream.send(Up::Batch(Box::new(batch.clone()))).await;
    }
    // At least something must be durable before the server goes.
    let acknowledged = loop {
        if let Some(coldbrake_proto::v1::stream_samples_response::Message::Ack(ack)) =
            stream.next().await.unwrap()
        {
            break ack.durable_through;
        }
    };
    drop(stream);
    let whole = record(&wire, "whole").await;
    let report = wire.server.shutdown().await;
    assert!(report.is_clean(), "{report:?}");

    let wire = Wire::with(config()).await;
    let mut stream = wire.open(open("halved")).await.unwrap();
    assert!(
        stream.opened.durable_through >= acknowledged,
        "what was acknowledged is still there"
    );
    assert!(stream.opened.durable_through <= 12);
    stream.deliver(&batches).await.unwrap();
    assert_eq!(record(&wire, "halved").await, whole);
    assert_eq!(
        record(&wire, "whole").await,
        whole,
        "the class and the descents came back too"
    );
    assert!(wire.server.shutdown().await.is_clean());
}
