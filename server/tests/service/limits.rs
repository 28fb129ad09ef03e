//! What is refused, and whether the refusal names what to do.

use std::{sync::Arc, time::Duration};

use coldbrake_proto::v1::{OpenStream, stream_samples_request::Message as In};
use coldbrake_server::Config;
use tonic::{Code, Status};
use tonic_types::StatusExt as _;

use super::support::{
    Mood, MoodyStore, Vehicle, channel, drive, messages, open, serve, serve_on, session, status, until,
};

fn reason(status: &Status) -> String {
    status
        .get_error_details()
        .error_info()
        .map(|i| i.reason.clone())
        .unwrap_or_default()
}

#[tokio::test(flavor = "multi_thread")]
async fn an_unknown_class_is_refused_with_the_way_to_register_it() {
    let server = serve(Config::in_process()).await;
    let opening = OpenStream {
        vehicle_class: "lorry".to_owned(),
        ..open("van-1", session(1))
    };
    let Err(status) = Vehicle::open(channel(&server).await, opening).await else {
        panic!("accepted")
    };
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::FailedPrecondition, "VEHICLE_CLASS_UNKNOWN")
    );
    assert!(
        status.message().contains("`lorry`") && status.message().contains("PutVehicleClass"),
        "{status}"
    );
    let details = status.get_error_details();
    assert_eq!(
        details.bad_request().unwrap().field_violations[0].field,
        "open.vehicle_class"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn mistakes_in_open_are_told_at_once_by_field() {
    let server = serve(Config::in_process()).await;
    let opening = OpenStream {
        vehicle: "Van 1".to_owned(),
        session: vec![1, 2],
        brake_kind: 0,
        current_sign: 77,
        ..open("van-1", session(1))
    };
    let Err(status) = Vehicle::open(channel(&server).await, opening).await else {
        panic!("accepted")
    };
    assert_eq!(status.code(), Code::InvalidArgument);
    let details = status.get_error_details();
    let fields: Vec<_> = details
        .bad_request()
        .unwrap()
        .field_violations
        .iter()
        .map(|v| v.field.as_str())
        .collect();
    assert_eq!(
        fields,
        [
            "open.vehicle",
            "open.session",
            "open.brake_kind",
            "open.current_sign"
        ]
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn the_order_of_messages_is_kept_to() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(1, 40));
    let mut van = Vehicle::call(channel(&server).await).await.unwrap();
    van.send(In::Batch(Box::new(batches[0].clone()))).await;
    assert_eq!(reason(&van.last_word().await), "OPEN_EXPECTED");

    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send(In::Open(open("van-1", session(1)))).await;
    assert_eq!(reason(&van.last_word().await), "OPENED_TWICE");

    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send(In::Batch(Box::new(coldbrake_proto::v1::SampleBatch {
        sequence: 0,
        ..batches[0].clone()
    })))
    .await;
    let status = van.last_word().await;
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::InvalidArgument, "SEQUENCE_INVALID")
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn silence_ends_a_stream() {
    let mut config = Config::in_process();
    config.limits.open_timeout = Duration::from_millis(150);
    config.limits.idle_timeout = Duration::from_millis(400);
    let server = serve(config).await;
    let mut van = Vehicle::call(channel(&server).await).await.unwrap();
    let status = van.last_word().await;
    assert_eq!(reason(&status), "OPEN_TIMEOUT");
    assert!(
        status.message().contains("150ms") && status.message().contains("limits.open_timeout"),
        "{status}"
    );

    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    let status = van.last_word().await;
    assert_eq!(reason(&status), "STREAM_IDLE");
    assert!(status.message().contains("limits.idle_timeout"), "{status}");
    until("both places are free", async || {
        super::support::status(&server).await.open_stream_count == 0
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn more_than_the_credit_is_refused() {
    let store = Arc::new(MoodyStore::default());
    let mut config = Config::in_process();
    config.limits.credit = 4;
    let server = serve_on(config, store.clone()).await;
    let batches = messages(&drive(1, 40));
    let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.credit, 4);
    store.set(Mood::Held);
    van.send_all(&batches[..5]).await;
    let refusal = van.last_word().await;
    assert_eq!(
        (refusal.code(), reason(&refusal).as_str()),
        (Code::ResourceExhausted, "CREDIT_EXCEEDED")
    );
    assert!(refusal.message().contains("more than 4 batches"), "{refusal}");
    store.set(Mood::Fine);
    // The four within the credit are not lost.
    until("four are durable", async || {
        let opened = Vehicle::open(channel(&server).await, open("van-1", session(1))).await;
        opened.unwrap().1.durable_through == 4
    })
    .await;
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[4..8]).await;
    van.acknowledged(8).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn streams_and_vehicles_are_limited() {
    let mut config = Config::in_process();
    config.limits.streams = 2;
    config.limits.vehicles = 3;
    let server = serve(config).await;
    let first = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    let _second = Vehicle::open(channel(&server).await, open("van-2", session(1)))
        .await
        .unwrap();
    let Err(refusal) = Vehicle::open(channel(&server).await, open("van-3", session(1))).await else {
        panic!("accepted")
    };
    assert_eq!(
        (refusal.code(), reason(&refusal).as_str()),
        (Code::ResourceExhausted, "STREAM_LIMIT_REACHED")
    );
    assert!(refusal.message().contains("limits.streams"), "{refusal}");

    drop(first);
    until("the place is free", async || {
        status(&server).await.open_stream_count == 1
    })
    .await;
    drop(
        Vehicle::open(channel(&server).await, open("van-3", session(1)))
            .await
            .unwrap(),
    );
    until("the place is free", async || {
        status(&server).await.open_stream_count == 1
    })
    .await;
    let Err(refusal) = Vehicle::open(channel(&server).await, open("van-4", session(1))).await else {
        panic!("accepted")
    };
    assert_eq!(reason(&refusal), "VEHICLE_LIMIT_REACHED");
    // One that is known comes back.
    until("the place is free", async || {
        status(&server).await.open_stream_count == 1
    })
    .await;
    Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn large_messages_and_long_batches_are_refused_by_name() {
    let mut config = Config::in_process();
    config.limits.message_bytes = 1 << 10;
    config.limits.batch_samples = 30;
    let server = serve(config).await;
    let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.max_batch_samples, 30);
    van.send_all(&messages(&drive(1, 31))[..1]).await;
    let heard = van.acknowledged(1).await;
    assert!(
        format!("{heard:?}").contains("send at most 30 (limits.batch_samples)"),
        "{heard:?}"
    );

    van.send(In::Batch(Box::new(coldbrake_proto::v1::SampleBatch {
        sequence: 2,
        ..messages(&drive(1, 300))[0].clone()
    })))
    .await;
    let refusal = van.last_word().await;
    assert_eq!(
        (refusal.code(), reason(&refusal).as_str()),
        (Code::OutOfRange, "MESSAGE_TOO_LARGE")
    );
    assert!(refusal.message().contains("limits.message_bytes"), "{refusal}");
}

#[tokio::test(flavor = "multi_thread")]
async fn connections_are_limited() {
    let mut config = Config::in_process();
    config.limits.connections = 2;
    let server = coldbrake_server::ServerHandle::start(config).await.unwrap();
    let first = channel(&server).await;
    let mut held = super::support::fleet(&server).await;
    held.get_server_status(coldbrake_proto::v1::GetServerStatusRequest {})
        .await
        .unwrap();
    let refused = tonic::transport::Channel::from_shared(server.uri())
        .unwrap()
        .connect()
        .await;
    let refused = match refused {
        Err(_) => true,
        Ok(channel) => {
            let mut client = coldbrake_proto::v1::fleet_service_client::FleetServiceClient::new(channel);
            client
                .get_server_status(coldbrake_proto::v1::GetServerStatusRequest {})
                .await
                .is_err()
        }
    };
    assert!(refused, "a third connection was served");
    drop(first);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_address_that_others_reach_needs_a_word() {
    let config = Config {
        listen: "0.0.0.0:0".parse().unwrap(),
        ..Config::in_process()
    };
    let error = coldbrake_server::ServerHandle::start(config)
        .await
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("`listen`") && error.contains("insecure_without_tls"),
        "{error}"
    );
}
