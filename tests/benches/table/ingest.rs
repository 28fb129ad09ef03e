//! Durable ingest over loopback, beside the same messages through a service that does nothing.

use std::time::Instant;

use coldbrake_proto::{
    convert,
    v1::{
        SampleBatch, StreamSamplesRequest, stream_samples_request::Message as Up,
        stream_samples_response::Message as Down, telemetry_service_client::TelemetryServiceClient,
    },
};
use coldbrake_server::{Config, ServerHandle};
use coldbrake_tests::{
    case::Case,
    disturb::{Disturbance, disturb},
    load::bare,
    log,
    wire::{Wire, encoded},
};
use tokio::{sync::mpsc, task::JoinSet};
use tokio_stream::wrappers::ReceiverStream;
use tonic::transport::Channel;

use super::row::{Aim, Row, median};

/// Streams at the same time, each on a connection of its own.
const STREAMS: u32 = 32;
/// Drives of each stream, one after the other in one session: opening it must not weigh.
const DRIVES: i64 = 12;
/// From the beginning of one drive to that of the next, ms: longer than any of them.
const APART_MS: i64 = 3_600_000;
/// Times that all is measured.
const ROUNDS: usize = 5;
/// Batches on their way without an acknowledgement.
const CREDIT: i64 = 32;

pub(crate) fn rows() -> Vec<Row> {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    [50, 300]
        .into_iter()
        .map(|length| runtime.block_on(row(length)))
        .collect()
}

async fn row(length: usize) -> Row {
    let case = Case::load("r02_6km_6pct_30kmh");
    let drive_once = disturb(&case.log, &Disturbance::default(), 2);
    let each = encoded(&drive_once, &log::opening(), length);
    let messages: Vec<SampleBatch> = (0..DRIVES)
        .flat_map(|drive| {
            let before = drive * each.len() as i64;
            each.iter().map(move |message| SampleBatch {
                sequence: message.sequence + before,
                start_time_ms: message.start_time_ms + drive * APART_MS,
                ..message.clone()
            })
        })
        .collect();
    let samples = f64::from(STREAMS) * DRIVES as f64 * drive_once.len() as f64;
    let (mut ours, mut bare) = (Vec::new(), Vec::new());
    for round in 0..ROUNDS {
        let directory = tempfile::tempdir().unwrap();
        let config = Config::in_process().with_directory(directory.path());
        let wire = Wire::with(config.clone()).await;
        wire.register(&case.class).await;
        let uri = wire.server.uri();
        ours.push(samples / drive(&uri, &case.class.vehicle_class, &messages).await);
        end(wire.server).await;
        let (address, task) = bare::serve(config.limits, None).await;
        bare.push(samples / drive(&format!("http://{address}"), "any", &messages).await);
        task.abort();
        if round == 0 {
            // It warmed caches up.
            ours.clear();
            bare.clear();
        }
    }
    Row {
        what: format!("durable ingest, {STREAMS} streams, {length} samples a message"),
        unit: "samples/s",
        ours: median(&mut ours),
        beside: Some(("a service that does nothing", median(&mut bare))),
        aim: Aim::RatioAtLeast(0.7),
    }
}

async fn end(server: ServerHandle) {
    assert!(server.shutdown().await.is_clean());
}

/// Streams the messages as many vehicles and returns how long it took until all were acknowledged, s.
async fn drive(uri: &str, class: &str, messages: &[SampleBatch]) -> f64 {
    let begun = Instant::now();
    let mut streams = JoinSet::new();
    for k in 0..STREAMS {
        let (uri, class, messages) = (uri.to_owned(), class.to_owned(), messages.to_vec());
        streams.spawn(async move { one(&uri, &class, k, messages).await });
    }
    while let Some(done) = streams.join_next().await {
        done.unwrap();
    }
    begun.elapsed().as_secs_f64()
}

async fn one(uri: &str, class: &str, number: u32, messages: Vec<SampleBatch>) {
    let channel = Channel::from_shared(uri.to_owned())
        .unwrap()
        .connect()
        .await
        .unwrap();
    let (up, outbox) = mpsc::channel(CREDIT as usize);
    let say = |message| StreamSamplesRequest {
        message: Some(message),
    };
    let open = convert::opening_to_wire(&format!("bench-{number}"), class, &log::opening());
    up.send(say(Up::Open(open))).await.unwrap();
    let mut down = TelemetryServiceClient::new(channel)
        .stream_samples(ReceiverStream::new(outbox))
        .await
        .unwrap()
        .into_inner();
    let last = messages.len() as i64;
    let mut durable = 0;
    let mut sent = 0;
    let mut waiting = messages.into_iter();
    while durable < last {
        while sent < last && sent - durable < CREDIT {
            let Some(batch) = waiting.next() else { break };
            sent = batch.sequence;
            up.send(say(Up::Batch(Box::new(batch)))).await.unwrap();
        }
        match down.message().await.unwrap().and_then(|m| m.message) {
            Some(Down::Ack(ack)) => durable = ack.durable_through,
            Some(Down::Opened(_)) => {}
            other => panic!("an acknowledgement expected, got {other:?}"),
        }
    }
}
