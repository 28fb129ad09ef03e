//! Streams: resume, duplicates, rewind, gaps, refusals, finish, newest wins.

use std::sync::Arc;

use coldbrake_proto::v1::{
    DeclareGap, stream_samples_request::Message as In, stream_samples_response::Message as Out,
};
use coldbrake_server::Config;
use tonic::Code;

use super::support::{
    Mood, MoodyStore, Vehicle, channel, drive, expected, listed, messages, open, serve, serve_on, session,
    status, unlabelled, until,
};

#[tokio::test(flavor = "multi_thread")]
async fn a_drive_gives_the_descents_that_the_engine_finds() {
    let directory = tempfile::tempdir().unwrap();
    for config in [
        Config::in_process(),
        Config::in_process().with_directory(directory.path()),
    ] {
        let server = serve(config).await;
        let batches = messages(&drive(3, 40));
        let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
            .await
            .unwrap();
        assert_eq!(
            (opened.durable_through, opened.credit, opened.max_batch_samples),
            (0, 32, 4096)
        );
        assert!(van.deliver(&batches).await.is_empty());

        let want = expected("van-1", session(1), &batches);
        assert_eq!(want.len(), 3, "the drive has three descents");
        assert_eq!(unlabelled(&server, "van-1").await, want);
        let counted = status(&server).await;
        assert_eq!(counted.accepted_batch_count, batches.len() as i64);
        assert_eq!(counted.accepted_sample_count, 900);
        assert_eq!((counted.descent_count, counted.vehicle_count), (3, 1));
        assert!(server.shutdown().await.is_clean());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stream_that_comes_back_goes_on_where_it_was() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(2, 40));
    let mut from = 0;
    // Lost inside the first descent, and between the two.
    for to in [3, 9, batches.len()] {
        let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
            .await
            .unwrap();
        assert_eq!(opened.durable_through, from as i64);
        if to == batches.len() {
            van.deliver(&batches[from..]).await;
        } else {
            van.send_all(&batches[from..to]).await;
            van.acknowledged(to as i64).await;
        }
        from = to;
    }
    assert_eq!(
        unlabelled(&server, "van-1").await,
        expected("van-1", session(1), &batches)
    );
    assert_eq!(status(&server).await.duplicate_batch_count, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_applied_before_is_dropped_counted_and_acknowledged_again() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(1, 40));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[..5]).await;
    van.acknowledged(5).await;
    van.send_all(&batches[..5]).await;
    van.acknowledged(5).await;
    van.deliver(&batches[5..]).await;
    assert_eq!(
        unlabelled(&server, "van-1").await,
        expected("van-1", session(1), &batches)
    );
    assert_eq!(status(&server).await.duplicate_batch_count, 5);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_missing_batch_is_asked_for_once() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(1, 20));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[..2]).await;
    van.send_all(&batches[3..10]).await;
    let heard = van.acknowledged(2).await;
    let mut rewinds: Vec<_> = heard
        .into_iter()
        .filter(|m| matches!(m, Out::Rewind(_)))
        .collect();
    van.send_all(&batches[2..4]).await;
    rewinds.extend(van.acknowledged(4).await);
    assert_eq!(rewinds.len(), 1, "{rewinds:?}");
    assert!(
        matches!(&rewinds[0], Out::Rewind(r) if r.expected_sequence == 3),
        "{rewinds:?}"
    );
    assert!(van.deliver(&batches[4..]).await.is_empty());
    assert_eq!(
        unlabelled(&server, "van-1").await,
        expected("van-1", session(1), &batches)
    );
    assert_eq!(status(&server).await.rewind_count, 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_declared_loss_is_gone_over() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(1, 20));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[..2]).await;
    van.send(In::DeclareGap(DeclareGap {
        first_sequence: 3,
        last_sequence: 4,
    }))
    .await;
    let heard = van.acknowledged(4).await;
    assert!(heard.is_empty(), "{heard:?}");
    assert!(van.deliver(&batches[4..]).await.is_empty());
    assert_eq!(
        status(&server).await.accepted_batch_count,
        batches.len() as i64 - 2
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_batch_is_explained_and_the_stream_goes_on() {
    let server = serve(Config::in_process()).await;
    let mut batches = messages(&drive(1, 40));
    batches[1].speed_cm_per_s[7] = 9_000_000;
    batches[2].brake.pop();
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    let heard = van.deliver(&batches).await;
    let rejected: Vec<_> = heard
        .iter()
        .map(|m| match m {
            Out::Rejected(r) => (r.sequence, r.violations[0].field.as_str()),
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(rejected, [(2, "speed_cm_per_s[7]"), (3, "brake")]);
    let counted = status(&server).await;
    assert_eq!(
        (counted.refused_batch_count, counted.accepted_batch_count),
        (2, batches.len() as i64 - 2)
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_finished_session_stays_finished() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(1, 40));
    let last = batches.len() as i64 + 1;
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.deliver(&batches).await;
    // Its last acknowledgement was lost: the vehicle comes back and finishes again.
    let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.durable_through, last);
    van.finish(last).await;
    van.acknowledged(last).await;
    assert!(van.hear().await.unwrap().is_none());
    assert_eq!(listed(&server, "van-1").await.len(), 1);
    // A number that contradicts what was sent.
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.finish(2).await;
    assert_eq!(van.last_word().await.code(), Code::InvalidArgument);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_end_of_stream_is_not_the_end_of_the_session() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(1, 40));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    // Inside the descent.
    van.send_all(&batches[..4]).await;
    van.requests = None;
    // What is on its way is still acknowledged.
    van.acknowledged(4).await;
    assert!(van.hear().await.unwrap().is_none());
    assert!(
        listed(&server, "van-1").await.is_empty(),
        "the descent was closed by a lost connection"
    );
    let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.durable_through, 4);
    van.deliver(&batches[4..]).await;
    assert_eq!(
        unlabelled(&server, "van-1").await,
        expected("van-1", session(1), &batches)
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_new_session_begins_at_one_and_ends_the_one_before() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(1, 40));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[..5]).await;
    van.acknowledged(5).await;
    let (_van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(2)))
        .await
        .unwrap();
    assert_eq!(opened.durable_through, 0);
    until("the open descent of the session before is recorded", async || {
        listed(&server, "van-1").await.len() == 1
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_newest_stream_of_a_vehicle_wins() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(1, 40));
    let (mut old, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    old.send_all(&batches[..3]).await;
    old.acknowledged(3).await;
    let (mut new, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.durable_through, 3);
    let status = old.last_word().await;
    assert_eq!(status.code(), Code::Aborted, "{status}");
    // The old one is not listened to any more.
    old.send_all(&batches[3..5]).await;
    new.deliver(&batches[3..]).await;
    assert_eq!(
        unlabelled(&server, "van-1").await,
        expected("van-1", session(1), &batches)
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_acknowledged_before_it_is_durable() {
    let store = Arc::new(MoodyStore::default());
    let server = serve_on(Config::in_process(), store.clone()).await;
    let batches = messages(&drive(2, 20));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    store.set(Mood::Held);
    van.send_all(&batches[..10]).await;
    until("the batches are applied", async || {
        status(&server).await.accepted_batch_count == 10
    })
    .await;
    let silence = tokio::time::timeout(std::time::Duration::from_millis(400), van.hear()).await;
    assert!(silence.is_err(), "heard {silence:?}");
    // A stream that comes back is told the same: what is durable, not what is applied.
    let (mut van, opened) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.durable_through, 0);
    van.send_all(&batches[..12]).await;
    store.set(Mood::Fine);
    van.acknowledged(12).await;
    van.deliver(&batches[12..]).await;
    assert_eq!(
        unlabelled(&server, "van-1").await,
        expected("van-1", session(1), &batches)
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn acknowledgements_are_gathered() {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(3, 5));
    assert_eq!(batches.len(), 180);
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    let began = std::time::Instant::now();
    let (mut acks, mut through, mut sent) = (0, 0, 0);
    while through < 180 {
        while sent < 180 && (sent as i64) < through + 32 {
            van.send_all(&batches[sent..=sent]).await;
            sent += 1;
        }
        match van.hear().await.unwrap() {
            Some(Out::Ack(ack)) => {
                acks += 1;
                assert!(ack.durable_through > through, "told twice");
                through = ack.durable_through;
            }
            other => panic!("{other:?}"),
        }
    }
    // Half a window each at the least, or five a second.
    let most = 180 / 16 + 2 + began.elapsed().as_secs() * 5;
    assert!(acks <= most, "{acks} acknowledgements, at most {most} expected");
}

#[tokio::test(flavor = "multi_thread")]
async fn many_vehicles_at_once() {
    const VEHICLES: usize = 150;
    let directory = tempfile::tempdir().unwrap();
    let server = serve(Config::in_process().with_directory(directory.path())).await;
    let batches = messages(&drive(2, 30));
    // Several connections: one is limited by its single lock.
    let mut channels = Vec::new();
    for _ in 0..4 {
        channels.push(channel(&server).await);
    }
    let streams: Vec<_> = (0..VEHICLES)
        .map(|i| {
            let (channel, batches) = (channels[i % 4].clone(), batches.clone());
            tokio::spawn(async move {
                let (mut van, _) = Vehicle::open(channel, open(&format!("van-{i}"), session(i as u8)))
                    .await
                    .unwrap();
                van.deliver(&batches).await
            })
        })
        .collect();
    for stream in streams {
        assert!(stream.await.unwrap().is_empty());
    }
    for i in [0, 77, VEHICLES - 1] {
        let name = format!("van-{i}");
        assert_eq!(
            unlabelled(&server, &name).await,
            expected(&name, session(i as u8), &batches)
        );
    }
    let counted = status(&server).await;
    assert_eq!(counted.vehicle_count, VEHICLES as i64);
    assert_eq!(counted.descent_count, 2 * VEHICLES as i64);
    assert_eq!(counted.accepted_batch_count, (VEHICLES * batches.len()) as i64);
    assert!(
        counted.commit_count < counted.accepted_batch_count,
        "{} commits for {} batches: nothing was gathered",
        counted.commit_count,
        counted.accepted_batch_count
    );
    assert!(server.shutdown().await.is_clean());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_slow_disk_slows_the_vehicles_and_loses_nothing() {
    let store = Arc::new(MoodyStore::default());
    let mut config = Config::in_process();
    // Every queue is as short as it can be: all that waits, waits at the vehicles.
    config.limits.shard_queue = 1;
    config.commit.queue = 1;
    config.commit.keys = 40;
    let server = serve_on(config, store.clone()).await;
    store.set(Mood::Slow(std::time::Duration::from_millis(10)));
    let batches = messages(&drive(1, 25));
    let channel = channel(&server).await;
    let streams: Vec<_> = (0..20)
        .map(|i| {
            let (channel, batches) = (channel.clone(), batches.clone());
            tokio::spawn(async move {
                let (mut van, _) = Vehicle::open(channel, open(&format!("van-{i}"), session(1)))
                    .await
                    .unwrap();
                van.deliver(&batches).await
            })
        })
        .collect();
    for stream in streams {
        assert!(stream.await.unwrap().is_empty());
    }
    assert_eq!(status(&server).await.descent_count, 20);
}

#[tokio::test(flavor = "multi_thread")]
async fn small_messages_do_not_kill_a_connection_that_waits() {
    let store = Arc::new(MoodyStore::default());
    let server = serve_on(Config::in_process(), store.clone()).await;
    let channel = channel(&server).await;
    // Single samples: far below the 256 bytes from which the transport counts a frame as small.
    let batches = messages(&drive(1, 1));
    let mut vans = Vec::new();
    for i in 0..20 {
        vans.push(
            Vehicle::open(channel.clone(), open(&format!("van-{i}"), session(1)))
                .await
                .unwrap()
                .0,
        );
    }
    store.set(Mood::Held);
    for van in &vans {
        van.send_all(&batches[..32]).await;
    }
    until("all are applied", async || {
        status(&server).await.accepted_batch_count == 20 * 32
    })
    .await;
    store.set(Mood::Fine);
    for van in &mut vans {
        assert!(van.acknowledged(32).await.is_empty());
        van.send_all(&batches[32..64]).await;
        assert!(van.acknowledged(64).await.is_empty());
    }
}
