//! How it ends: on request, on restart, with a store that fails, with clients that do not care.

use std::{
    sync::Arc,
    time::{Duration, Instant},
};

use coldbrake_engine::Metric;
use coldbrake_proto::v1::{
    CreateBackupRequest, PutVehicleClassRequest, operations_service_client::OperationsServiceClient,
    stream_samples_response::Message as Out,
};
use coldbrake_server::{
    Config, ServerHandle,
    store::{HistogramQuery, SledOptions, SledStore},
};
use tonic::Code;
use tonic_types::StatusExt as _;

use super::support::{
    CLASS, Mood, MoodyStore, Vehicle, channel, drive, expected, fleet, listed, messages, open, register,
    serve, serve_on, session, status, unlabelled, until,
};

#[tokio::test(flavor = "multi_thread")]
async fn a_graceful_end_acknowledges_what_is_durable_and_a_restart_goes_on() {
    let directory = tempfile::tempdir().unwrap();
    let config = Config::in_process().with_directory(directory.path());
    let batches = messages(&drive(2, 20));
    let server = serve(config.clone()).await;
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    let (mut idle, _) = Vehicle::open(channel(&server).await, open("van-2", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[..11]).await;
    until("the batches are applied", async || {
        status(&server).await.accepted_batch_count == 11
    })
    .await;
    let ending = tokio::spawn(server.shutdown());

    let (mut drained, mut through) = (false, 0);
    let last_word = loop {
        match van.hear().await {
            Ok(Some(Out::Drain(drain))) => drained = drain.reconnect_delay_ms > 0,
            Ok(Some(Out::Ack(ack))) => through = ack.durable_through,
            Ok(Some(_)) => {}
            Ok(None) => panic!("the stream ended as if all were well"),
            Err(status) => break status,
        }
    };
    assert!(drained, "no drain was sent");
    assert_eq!((last_word.code(), through), (Code::Unavailable, 11));
    assert_eq!(idle.last_word().await.code(), Code::Unavailable);
    let report = ending.await.unwrap();
    assert!(report.is_clean(), "{report:?}");

    let server = ServerHandle::start(config).await.unwrap();
    let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.durable_through, 11);
    van.deliver(&batches[11..]).await;
    assert_eq!(
        unlabelled(&server, "van-1").await,
        expected("van-1", session(1), &batches)
    );
    assert_eq!(status(&server).await.vehicle_count, 2);
    assert!(server.shutdown().await.is_clean());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_is_dropped_loses_nothing_that_was_acknowledged() {
    let directory = tempfile::tempdir().unwrap();
    let config = Config::in_process().with_directory(directory.path());
    let batches = messages(&drive(2, 20));
    let mut from = 0;
    for to in [7, 16, batches.len()] {
        let server = serve_when_free(config.clone()).await;
        let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
            .await
            .unwrap();
        assert_eq!(opened.durable_through, from as i64);
        if to == batches.len() {
            van.deliver(&batches[from..]).await;
            assert_eq!(
                unlabelled(&server, "van-1").await,
                expected("van-1", session(1), &batches)
            );
        } else {
            van.send_all(&batches[from..to]).await;
            van.acknowledged(to as i64).await;
        }
        from = to;
        drop(server);
    }
}

/// Serves as soon as the server before has let go of the directory.
async fn serve_when_free(config: Config) -> ServerHandle {
    let began = Instant::now();
    loop {
        match ServerHandle::start(config.clone()).await {
            Ok(server) => {
                register(&server).await;
                return server;
            }
            Err(error) => {
                assert!(error.to_string().contains("in use"), "{error}");
                assert!(
                    began.elapsed() < Duration::from_secs(20),
                    "the store is never let go: {error}"
                );
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn clients_that_do_not_care_do_not_hold_up_the_end() {
    let store = Arc::new(MoodyStore::default());
    let config = Config {
        shutdown_grace: Duration::from_secs(2),
        ..Config::in_process()
    };
    let server = serve_on(config, store.clone()).await;
    let batches = messages(&drive(1, 20));
    // One that never reads, one that never opens, one whose commit hangs.
    let (reader, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    let _silent = Vehicle::call(channel(&server).await).await.unwrap();
    reader.send_all(&batches[..3]).await;
    until("the batches are applied", async || {
        status(&server).await.accepted_batch_count == 3
    })
    .await;
    store.set(Mood::Held);
    let (hanging, _) = Vehicle::open(channel(&server).await, open("van-2", session(1)))
        .await
        .unwrap();
    hanging.send_all(&batches[..3]).await;
    until("the batches are applied", async || {
        status(&server).await.accepted_batch_count == 6
    })
    .await;
    let began = Instant::now();
    let report = server.shutdown().await;
    assert!(
        began.elapsed() < Duration::from_secs(4),
        "took {:?}",
        began.elapsed()
    );
    assert!(!report.is_clean(), "a hanging commit was reported as clean");
    store.set(Mood::Fine);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_store_that_fails_stops_the_intake_and_not_the_queries() {
    for mood in [Mood::Failing, Mood::Panicking] {
        let store = Arc::new(MoodyStore::default());
        let server = serve_on(Config::in_process(), store.clone()).await;
        let batches = messages(&drive(1, 40));
        let (mut other, _) = Vehicle::open(channel(&server).await, open("van-2", session(1)))
            .await
            .unwrap();
        let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
            .await
            .unwrap();
        van.send_all(&batches[..3]).await;
        van.acknowledged(3).await;
        store.set(mood);
        van.send_all(&batches[3..4]).await;
        for vehicle in [&mut van, &mut other] {
            let refusal = vehicle.last_word().await;
            assert_eq!(refusal.code(), Code::Unavailable, "{refusal}");
        }
        assert!(!server.store_failed().await.is_empty());
        let Err(refusal) = Vehicle::open(channel(&server).await, open("van-1", session(1))).await else {
            panic!("accepted")
        };
        assert!(refusal.message().contains("cannot store"), "{refusal}");
        let put = PutVehicleClassRequest {
            document_toml: CLASS.to_owned(),
        };
        assert_eq!(
            fleet(&server)
                .await
                .put_vehicle_class(put)
                .await
                .unwrap_err()
                .code(),
            Code::Unavailable
        );

        let mut health = tonic_health::pb::health_client::HealthClient::new(channel(&server).await);
        let mut serving = async |service: &str| {
            let request = tonic_health::pb::HealthCheckRequest {
                service: service.to_owned(),
            };
            health.check(request).await.unwrap().into_inner().status == 1
        };
        until("readiness is down", async || !serving("").await).await;
        assert!(!serving("coldbrake.v1.TelemetryService").await);
        assert!(serving("coldbrake.v1.DescentService").await);
        assert_eq!(listed(&server, "van-1").await.len(), 0);
        let report = server.shutdown().await;
        assert!(
            report.left_open.is_empty() && report.store_failure.is_some(),
            "{report:?}"
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_vehicle_that_cannot_be_stored_harms_no_other() {
    let store = Arc::new(MoodyStore::default());
    let server = serve_on(Config::in_process(), store.clone()).await;
    let batches = messages(&drive(1, 40));
    let (mut bad, _) = Vehicle::open(channel(&server).await, open("van-bad", session(1)))
        .await
        .unwrap();
    let (mut good, _) = Vehicle::open(channel(&server).await, open("van-good", session(1)))
        .await
        .unwrap();
    store.set(Mood::TooLarge("van-bad"));
    bad.send_all(&batches[..3]).await;
    good.deliver(&batches).await;
    let refusal = bad.last_word().await;
    assert!(refusal.message().contains("state of van-bad"), "{refusal}");
    // What it brings later builds upon what was lost: it stays aside even when the store would take it.
    store.set(Mood::Fine);
    let Err(refusal) = Vehicle::open(channel(&server).await, open("van-bad", session(1))).await else {
        panic!("accepted")
    };
    assert_eq!(refusal.code(), Code::Internal, "{refusal}");
    assert_eq!(
        unlabelled(&server, "van-good").await,
        expected("van-good", session(1), &batches)
    );
    assert!(server.shutdown().await.is_clean());
}

#[tokio::test(flavor = "multi_thread")]
async fn vehicles_that_left_are_forgotten_and_remembered() {
    let config = Config {
        resident_vehicles: 0,
        ..Config::in_process()
    };
    let server = serve(config).await;
    let batches = messages(&drive(2, 20));
    let names: Vec<String> = (0..8).map(|i| format!("van-{i}")).collect();
    let mut from = 0;
    for to in [9, 17, batches.len()] {
        for name in &names {
            let (mut van, opened) = Vehicle::open(channel(&server).await, open(name, session(1)))
                .await
                .unwrap();
            assert_eq!(opened.durable_through, from as i64, "{name}");
            if to == batches.len() {
                van.deliver(&batches[from..]).await;
            } else {
                van.send_all(&batches[from..to]).await;
                van.acknowledged(to as i64).await;
            }
        }
        from = to;
    }
    for name in &names {
        assert_eq!(
            unlabelled(&server, name).await,
            expected(name, session(1), &batches)
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn two_servers_on_one_address_are_told() {
    let server = serve(Config::in_process()).await;
    let config = Config {
        listen: server.address(),
        ..Config::in_process()
    };
    let error = ServerHandle::start(config).await.unwrap_err().to_string();
    assert!(
        error.contains(&server.address().to_string()) && error.contains("--listen"),
        "{error}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_nearly_full_disk_stops_the_intake_before_a_commit_fails_and_lets_it_go_on() {
    const FLOOR: u64 = 1 << 30;
    let store = Arc::new(MoodyStore::default());
    let mut config = Config::in_process();
    config.store.free_floor_bytes = FLOOR;
    let server = serve_on(config, store.clone()).await;
    let batches = messages(&drive(1, 40));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[..3]).await;
    store.leave(FLOOR - 1);
    let refusal = van.last_word().await;
    assert_eq!(refusal.code(), Code::Unavailable, "{refusal}");
    assert!(refusal.message().contains("store.free_floor"), "{refusal}");
    assert!(refusal.get_error_details().retry_info().is_some());
    // What was taken is durable: nothing of it is asked for again.
    assert_eq!(status(&server).await.accepted_batch_count, 3);
    let Err(refusal) = Vehicle::open(channel(&server).await, open("van-2", session(1))).await else {
        panic!("accepted")
    };
    let reason = refusal.get_error_details().error_info().map(|i| i.reason.clone());
    assert_eq!(reason.as_deref(), Some("DISK_LOW"), "{refusal}");
    store.leave(2 * FLOOR);
    until("streams are taken again", async || {
        match Vehicle::open(channel(&server).await, open("van-1", session(1))).await {
            Ok((mut van, opened)) => {
                assert_eq!(opened.durable_through, 3);
                van.send_all(&batches[3..4]).await;
                van.acknowledged(4).await;
                true
            }
            Err(_) => false,
        }
    })
    .await;
    assert!(server.shutdown().await.is_clean());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_backup_is_written_while_vehicles_stream_and_makes_the_same_store() {
    let directory = tempfile::tempdir().unwrap();
    let backups = directory.path().join("backups");
    std::fs::create_dir(&backups).unwrap();
    let mut config = Config::in_process().with_directory(directory.path().join("store"));
    config.store.backup_directory.clone_from(&backups);
    let server = serve(config).await;
    let batches = messages(&drive(2, 20));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    let half = batches.len() / 2;
    van.send_all(&batches[..half]).await;
    van.acknowledged(half as i64).await;
    let mut operations = OperationsServiceClient::new(channel(&server).await);
    let mut back_up = async |name: &str| {
        let file_name = name.to_owned();
        operations.create_backup(CreateBackupRequest { file_name }).await
    };
    van.send_all(&batches[half..]).await;
    let made = back_up("one.backup").await.unwrap().into_inner();
    assert_eq!(made.vehicle_count, 1);
    van.acknowledged(batches.len() as i64).await;
    for (name, code) in [
        ("one.backup", Code::FailedPrecondition),
        ("../two.backup", Code::InvalidArgument),
        (".two", Code::InvalidArgument),
        ("", Code::InvalidArgument),
    ] {
        assert_eq!(back_up(name).await.unwrap_err().code(), code, "{name}");
    }
    let last = back_up("two.backup").await.unwrap().into_inner();
    assert_eq!(last.descent_count, 2);
    let log = server.store().audit(None, 9).unwrap().rows;
    assert_eq!(
        (log[0].action.as_str(), log[0].subject.as_str()),
        ("CreateBackup", last.path.as_str())
    );
    let served = listed(&server, "van-1").await;
    assert!(server.shutdown().await.is_clean());
    let restored = directory.path().join("restored");
    SledStore::restore(&backups.join("two.backup"), &restored, &SledOptions::default()).unwrap();
    let server = ServerHandle::start(Config::in_process().with_directory(restored))
        .await
        .unwrap();
    assert_eq!(listed(&server, "van-1").await, served);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_without_a_backup_directory_or_a_disk_says_so() {
    for directory in ["", "somewhere"] {
        let mut config = Config::in_process();
        config.store.backup_directory = directory.into();
        let server = serve(config).await;
        let file_name = "one".to_owned();
        let refusal = OperationsServiceClient::new(channel(&server).await)
            .create_backup(CreateBackupRequest { file_name })
            .await
            .unwrap_err();
        assert_eq!(refusal.code(), Code::FailedPrecondition);
        assert!(refusal.message().contains("store."), "{refusal}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_too_old_goes_while_the_server_runs_and_histograms_keep_it() {
    let directory = tempfile::tempdir().unwrap();
    let config = Config::in_process().with_directory(directory.path());
    let server = serve(config.clone()).await;
    let batches = messages(&drive(3, 40));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches).await;
    van.acknowledged(batches.len() as i64).await;
    let before = listed(&server, "van-1").await;
    assert!(before.len() >= 2, "{}", before.len());
    assert!(server.shutdown().await.is_clean());
    // The drive is years ago: first its profiles go, then all of it.
    for (descents, profiles) in [(0, 1), (1, 1)] {
        let mut config = config.clone();
        config.retention.descent_days = descents;
        config.retention.profile_days = profiles;
        let server = ServerHandle::start(config).await.unwrap();
        let store = server.store();
        let first = &before[0];
        until("the old goes", async || {
            match store.descent("van-1", &first.descent).unwrap() {
                Some((_, profile)) => descents == 0 && profile.is_empty(),
                None => true,
            }
        })
        .await;
        until("all of it", async || {
            store.kept().unwrap().profiles_gone_before_day > 0
        })
        .await;
        let left = listed(&server, "van-1").await;
        assert_eq!(left.len(), if descents == 0 { before.len() } else { 0 });
        let query = HistogramQuery {
            metric: Metric::Drop,
            vehicle_class: None,
            software_version: None,
            grade: None,
            first_day: None,
            last_day: None,
        };
        let counted = store.histogram(&query).unwrap().histogram.count();
        assert_eq!(counted, before.len() as u64);
        drop(store);
        assert!(server.shutdown().await.is_clean());
    }
    let report = SledStore::verify_dir(directory.path(), &SledOptions::default()).unwrap();
    assert!(report.is_sound(), "{:?}", report.findings);
}
