//! What a server must bear: slow disks, slow and dead peers, peers that say nothing or everything at once.
//!
//! Each trial takes the number of peers, so that the short form of a test and the long form of the command are the same.

use std::{
    path::{Path, PathBuf},
    process::Command,
    time::Duration,
};

use coldbrake_proto::v1::{StreamSamplesRequest, telemetry_service_client::TelemetryServiceClient};
use prost::Message as _;
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::{TcpListener, TcpStream},
    sync::mpsc,
    task::JoinSet,
    time::{Instant, sleep},
};
use tokio_stream::wrappers::ReceiverStream;
use tonic::transport::Endpoint;

use super::{
    child::Server,
    fleet::{Fleet, Plan},
    peer::{self, Peer},
    road::{self, Road},
};
use crate::report::Report;

/// Longest wait for anything.
const PATIENCE: Duration = Duration::from_secs(120);
/// Memory that a server takes for other reasons than streams while something is tried, KiB.
const SLACK_KIB: f64 = 96.0 * 1_024.0;
/// A server that notices quickly.
const QUICK: [&str; 8] = [
    "--limits-open-timeout",
    "1s",
    "--limits-idle-timeout",
    "4s",
    "--limits-keep-alive-interval",
    "500ms",
    "--limits-keep-alive-timeout",
    "500ms",
];

/// Programs under trial.
#[derive(Clone, Debug)]
pub struct Ground {
    /// `coldbrake-server`.
    pub server: PathBuf,
    /// The load itself: its `server` has a disk that can be slow.
    pub load: PathBuf,
    /// Peers at a time.
    pub size: usize,
}

impl Ground {
    async fn quick(&self, directory: &Path) -> Server {
        Server::start(&self.server, directory, QUICK).await
    }

    async fn with_slow_disk(&self, directory: &Path, commit_time: &str) -> Server {
        let mut command = Command::new(&self.load);
        command
            .arg("server")
            .args(["--commit-time", commit_time, "--held-by"])
            .arg(directory.join("held"))
            .arg("--");
        Server::spawn(command, directory, ["--limits-idle-timeout", "5s"]).await
    }

    fn fleet(&self, server: &Server) -> Plan {
        Plan::new(server.uri(), self.size, self.size.div_ceil(20))
    }
}

/// Every trial with its name.
pub const NAMES: [&str; 8] = [
    "slow-disk",
    "flood",
    "slow-reader",
    "dead-peers",
    "silence",
    "trickle",
    "bytewise",
    "second-signal",
];

/// Runs a trial by its name.
pub async fn run(name: &str, ground: &Ground, report: &mut Report) {
    match name {
        "slow-disk" => slow_disk(ground, report).await,
        "flood" => flood(ground, report).await,
        "slow-reader" => slow_reader(ground, report).await,
        "dead-peers" => dead_peers(ground, report).await,
        "silence" => silence(ground, report).await,
        "trickle" => trickle(ground, report).await,
        "bytewise" => bytewise(ground, report).await,
        "second-signal" => second_signal(ground, report).await,
        other => panic!("no trial `{other}`: one of {NAMES:?}"),
    }
}

/// A disk that takes 0.3 s for every commit, then does not answer for longer than a stream may be silent, then does again:
/// vehicles wait within their credit, memory does not grow, and nothing is lost.
async fn slow_disk(ground: &Ground, report: &mut Report) {
    let subject = format!("slow disk, {} vehicles", ground.size);
    let directory = tempfile::tempdir().unwrap();
    let held = directory.path().join("held");
    let server = ground.with_slow_disk(directory.path(), "300ms").await;
    let plan = Plan {
        // Far more than such a disk can take.
        period: Duration::from_millis(100),
        // As gateways do, and in short messages: many small frames that nobody reads are what the transport takes for an
        // attack, and ends the connection.
        per_connection: ground.size.min(1_000),
        message_s: 2.0,
        ..ground.fleet(&server)
    };
    let fleet = Fleet::start(&plan);
    assert!(
        fleet.all_open(0, PATIENCE).await.is_some(),
        "{:?}\n{}",
        fleet.counts(),
        server.log()
    );
    let before = server.usage().resident_bytes;
    fleet.drive(true);
    sleep(Duration::from_secs(5)).await;
    let slow = server.usage().resident_bytes;
    std::fs::write(&held, "").unwrap();
    let all = (ground.size * 32) as u64;
    let full = fleet.until(PATIENCE, |c| c.sent - c.acknowledged == all).await;
    report.holds(&subject, "all wait with their credit used", full.is_some());
    let stuck = server.usage().resident_bytes;
    // Longer than limits.idle_timeout: a vehicle that may not send is not silent.
    sleep(Duration::from_secs(7)).await;
    let later = server.usage().resident_bytes;
    std::fs::remove_file(&held).unwrap();
    report.holds(
        &subject,
        "all acknowledged afterwards",
        fleet.settle(PATIENCE).await.is_some(),
    );
    let counts = fleet.end().await;
    let each = |bytes: u64| (bytes as f64 - before as f64) / 1_024.0;
    let (_, message_bytes) = (plan.message_s, 400.0);
    // What is on its way is held once as it came and once decoded, which is up to ten times as large.
    let bound = SLACK_KIB + ground.size as f64 * 32.0 * message_bytes * 11.0 / 1_024.0;
    report.between(
        &subject,
        "memory grew by, KiB: slow",
        each(slow),
        -SLACK_KIB,
        bound,
    );
    report.between(
        &subject,
        "memory grew by, KiB: stuck",
        each(stuck),
        -SLACK_KIB,
        bound,
    );
    report.between(
        &subject,
        "and in 7 s of that, KiB",
        each(later) - each(stuck),
        -SLACK_KIB,
        8_192.0,
    );
    report.holds(&subject, "no stream lost", counts.losses.is_empty());
    if !counts.losses.is_empty() {
        report.holds(&format!("{:?}", counts.losses), "", false);
    }
    report.holds(&subject, "credit kept to", counts.most_on_their_way <= 32);
    report.holds(
        &subject,
        "nothing refused or forgotten",
        counts.rejected + counts.forgotten == 0,
    );
}

/// Peers that send a megabyte each without waiting for anything, at a disk that does not answer: what is not read stays
/// with them.
async fn flood(ground: &Ground, report: &mut Report) {
    const EACH: usize = 1 << 20;
    let subject = format!("flood, {} peers", ground.size);
    let directory = tempfile::tempdir().unwrap();
    let held = directory.path().join("held");
    let server = ground.with_slow_disk(directory.path(), "0s").await;
    std::fs::write(&held, "").unwrap();
    let road = std::sync::Arc::new(Road::new(10.0, 5.0));
    let before = server.usage().resident_bytes;
    let mut peers = JoinSet::new();
    for index in 0..ground.size {
        let (address, road) = (server.address.clone(), std::sync::Arc::clone(&road));
        peers.spawn(async move {
            let mut peer = Peer::call(&address).await.unwrap();
            let mut bytes = peer::message(&road::open_message(index));
            for sequence in 1.. {
                bytes.extend(peer::message(&road.message(index, sequence)));
                if bytes.len() >= EACH {
                    break;
                }
            }
            let taken = peer.push(&bytes, Duration::from_secs(3)).await;
            (peer, taken)
        });
    }
    let held_open: Vec<_> = peers.join_all().await;
    let usage = server.usage().resident_bytes;
    let grown = (usage as f64 - before as f64) / 1_024.0;
    // A stream's window of 64 KiB, what was read within the credit, and what a stream costs anyway.
    let bound = SLACK_KIB + ground.size as f64 * (64.0 + 150.0);
    report.between(&subject, "memory grew by, KiB", grown, 0.0, bound);
    report.holds(
        &subject,
        "more was offered than the bound",
        (ground.size * EACH / 1_024) as f64 > bound || ground.size < 200,
    );
    let refused = server
        .metric("coldbrake_streams_refused_total{reason=\"CREDIT_EXCEEDED\"}")
        .await;
    report.holds(
        &subject,
        "some were told of their credit",
        refused.unwrap_or(0.0) >= 1.0,
    );
    drop(held_open);
    std::fs::remove_file(&held).unwrap();
    empty(&server, report, &subject).await;
}

/// Vehicles that take none of what the server says: their streams end by name, and cost little until then.
async fn slow_reader(ground: &Ground, report: &mut Report) {
    let subject = format!("slow reader, {}", ground.size);
    let directory = tempfile::tempdir().unwrap();
    let server = ground.quick(directory.path()).await;
    let road = Road::new(10.0, 5.0);
    let before = server.usage().resident_bytes;
    let mut held = Vec::new();
    for index in 0..ground.size {
        // Room for the answer to `open` and a word more.
        let channel = Endpoint::from_shared(server.uri())
            .unwrap()
            .initial_stream_window_size(48)
            .connect()
            .await
            .unwrap();
        let (up, outbox) = mpsc::channel(64);
        let send = |message: &[u8]| StreamSamplesRequest::decode(message).unwrap();
        up.send(send(&road::open_message(index))).await.unwrap();
        let down = TelemetryServiceClient::new(channel)
            .stream_samples(ReceiverStream::new(outbox))
            .await
            .unwrap()
            .into_inner();
        for sequence in 1..=32 {
            let _ = up.try_send(send(&road.message(index, sequence)));
        }
        held.push((up, down));
    }
    // They send on as long as they may and longer. Each ends by name: for what is not read, or for its credit.
    let began = Instant::now();
    let (mut sequence, mut most, mut told) = (33, 0, 0.0);
    while told < ground.size as f64 && began.elapsed() < PATIENCE {
        for (index, (up, _)) in held.iter().enumerate() {
            let message = road.message(index, sequence);
            let _ = up.try_send(StreamSamplesRequest::decode(message).unwrap());
        }
        sequence += 1;
        sleep(Duration::from_millis(250)).await;
        most = most.max(server.usage().resident_bytes);
        let text = server.metrics().await;
        told = ["READER_STALLED", "CREDIT_EXCEEDED"]
            .map(|reason| format!("coldbrake_streams_refused_total{{reason=\"{reason}\"}}"))
            .iter()
            .filter_map(|name| super::child::metric(&text, name))
            .sum();
    }
    report.between(
        &subject,
        "told that they do not read",
        told,
        ground.size as f64,
        ground.size as f64,
    );
    let grown = (most as f64 - before as f64) / 1_024.0;
    report.between(
        &subject,
        "memory grew by, KiB",
        grown,
        0.0,
        SLACK_KIB + ground.size as f64 * 200.0,
    );
    drop(held);
    empty(&server, report, &subject).await;
}

/// Peers that open their stream and then are gone without a word, as when a tunnel takes the signal: nothing is read,
/// nothing is answered, and the connection stays.
async fn dead_peers(ground: &Ground, report: &mut Report) {
    let subject = format!("dead peers, {}", ground.size);
    let directory = tempfile::tempdir().unwrap();
    // Silence alone must not end them here.
    let flags = QUICK.map(|flag| match flag {
        "4s" => "1h",
        // A machine with much to do must not take the living for dead.
        "500ms" => "3s",
        other => other,
    });
    let server = Server::start(&ground.server, directory.path(), flags).await;
    let road = Road::new(10.0, 5.0);
    let mut held = Vec::new();
    for index in 0..ground.size {
        let mut peer = Peer::call(&server.address).await.unwrap();
        let mut bytes = peer::message(&road::open_message(index));
        for sequence in 1..=4 {
            bytes.extend(peer::message(&road.message(index, sequence)));
        }
        peer.write(&bytes).await.unwrap();
        held.push(peer);
    }
    reaches(
        &server,
        report,
        &subject,
        "coldbrake_streams_opened_total",
        ground.size,
    )
    .await;
    empty(&server, report, &subject).await;
    let lost = server.metric("coldbrake_streams_lost_total").await.unwrap_or(0.0);
    report.between(
        &subject,
        "streams found dead",
        lost,
        ground.size as f64,
        ground.size as f64,
    );
    drop(held);
}

/// Connections that say nothing, streams that do not open, and streams that open and say nothing more.
async fn silence(ground: &Ground, report: &mut Report) {
    let subject = format!("silence, {} of each", ground.size);
    let directory = tempfile::tempdir().unwrap();
    let server = ground.quick(directory.path()).await;
    let mut mute = Vec::new();
    for _ in 0..ground.size {
        mute.push(Peer::connect(&server.address).await.unwrap());
    }
    let mut closed = 0;
    for peer in &mut mute {
        closed += usize::from(peer.closed(PATIENCE).await.is_some());
    }
    report.holds(&subject, "mute connections are closed", closed == ground.size);
    let size = ground.size as f64;
    let what = "connections_refused_total{reason=\"OPEN_TIMEOUT\"}";
    let known = server.metric(&format!("coldbrake_{what}")).await.unwrap_or(0.0);
    report.between(&subject, what, known, 0.5 * size, 1.5 * size);

    let mut streams = Vec::new();
    let channel = Endpoint::from_shared(server.uri())
        .unwrap()
        .connect()
        .await
        .unwrap();
    for _ in 0..ground.size {
        let (up, outbox) = mpsc::channel::<StreamSamplesRequest>(1);
        let down = TelemetryServiceClient::new(channel.clone())
            .stream_samples(ReceiverStream::new(outbox))
            .await
            .unwrap();
        streams.push((up, down));
    }
    let refused = "coldbrake_streams_refused_total{reason=\"OPEN_TIMEOUT\"}";
    reaches(&server, report, &subject, refused, ground.size).await;
    streams.clear();
    let fleet = Fleet::start(&ground.fleet(&server));
    let idle = "coldbrake_streams_refused_total{reason=\"STREAM_IDLE\"}";
    reaches(&server, report, &subject, idle, ground.size).await;
    fleet.end().await;
    drop(channel);
    empty(&server, report, &subject).await;
}

/// Peers that send a byte now and then: not enough to begin, and not enough to end a message.
async fn trickle(ground: &Ground, report: &mut Report) {
    let subject = format!("trickle, {} peers", ground.size);
    let directory = tempfile::tempdir().unwrap();
    let server = ground.quick(directory.path()).await;
    let message = peer::message(&road::open_message(0));
    let mut peers = JoinSet::new();
    for index in 0..ground.size {
        let (address, message) = (server.address.clone(), message.clone());
        peers.spawn(async move {
            let (mut peer, bytes) = if index % 2 == 0 {
                (Peer::connect(&address).await.unwrap(), peer::PREFACE.to_vec())
            } else {
                (Peer::call(&address).await.unwrap(), message)
            };
            for byte in bytes {
                if peer.write(&[byte]).await.is_err() {
                    break;
                }
                sleep(Duration::from_millis(150)).await;
            }
            peer.closed(PATIENCE).await
        });
    }
    let closed = peers.join_all().await.iter().flatten().count();
    report.holds(&subject, "all are closed by the server", closed == ground.size);
    empty(&server, report, &subject).await;
    // On a machine that stands still for a moment a connection may be closed for another reason first.
    let half = ground.size as f64 / 2.0;
    for (what, most) in [
        ("connections_refused_total{reason=\"OPEN_TIMEOUT\"}", 1.5 * half),
        ("streams_opened_total", half),
    ] {
        let known = server.metric(&format!("coldbrake_{what}")).await.unwrap_or(0.0);
        report.between(&subject, what, known, 0.5 * half, most);
    }
}

/// Honest vehicles over a line that hands on a byte at a time: all is understood.
async fn bytewise(_: &Ground, report: &mut Report) {
    const VEHICLES: usize = 3;
    const MESSAGES: u64 = 40;
    let subject = "a byte at a time";
    let directory = tempfile::tempdir().unwrap();
    let program = crate::program::server();
    let server = Server::start(program, directory.path(), ["--log-filter", "info"]).await;
    let line = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let uri = format!("http://{}", line.local_addr().unwrap());
    let address = server.address.clone();
    let slow_line = tokio::spawn(async move {
        let mut ways = JoinSet::new();
        while let Ok((near, _)) = line.accept().await {
            let far = TcpStream::connect(&address).await.unwrap();
            near.set_nodelay(true).unwrap();
            far.set_nodelay(true).unwrap();
            let (near_in, near_out) = near.into_split();
            let (far_in, far_out) = far.into_split();
            for (mut from, mut to) in [(near_in, far_out), (far_in, near_out)] {
                ways.spawn(async move {
                    let mut byte = [0];
                    while matches!(from.read(&mut byte).await, Ok(1)) {
                        if to.write_all(&byte).await.is_err() {
                            break;
                        }
                    }
                });
            }
        }
    });
    let plan = Plan {
        period: Duration::from_millis(20),
        ..Plan::new(uri, VEHICLES, VEHICLES)
    };
    let fleet = Fleet::start(&plan);
    fleet.drive(true);
    let sent = fleet
        .until(PATIENCE, |c| c.acknowledged >= MESSAGES * VEHICLES as u64)
        .await;
    report.holds(subject, "all understood and acknowledged", sent.is_some());
    let counts = fleet.end().await;
    report.holds(
        subject,
        "none refused or lost",
        counts.rejected == 0 && counts.losses.is_empty(),
    );
    slow_line.abort();
}

/// Dead peers hold up an orderly end for a moment; a second signal does not wait for it.
async fn second_signal(ground: &Ground, report: &mut Report) {
    let subject = "second signal";
    let directory = tempfile::tempdir().unwrap();
    let mut server = Server::start(&ground.server, directory.path(), ["--limits-open-timeout", "60s"]).await;
    let mut held = Vec::new();
    for index in 0..ground.size.min(50) {
        let mut peer = Peer::call(&server.address).await.unwrap();
        peer.write(&peer::message(&road::open_message(index)))
            .await
            .unwrap();
        held.push(peer);
    }
    reaches(&server, report, subject, "coldbrake_streams", held.len()).await;
    server.terminate();
    let began = Instant::now();
    while !server.log().contains("shutting down") && began.elapsed() < PATIENCE {
        sleep(Duration::from_millis(5)).await;
    }
    server.terminate();
    let ended = server.ended(Duration::from_secs(30)).await;
    report.holds(subject, "exit code 130", ended.code == Some(130));
    report.between(subject, "time to the end, s", ended.took.as_secs_f64(), 0.0, 1.0);
    report.holds(subject, "the log says so", ended.log.contains("second signal"));
}

/// Waits until a metric is there.
async fn reaches(server: &Server, report: &mut Report, subject: &str, name: &str, value: usize) {
    let began = Instant::now();
    let mut known = 0.0;
    while began.elapsed() < PATIENCE {
        known = server.metric(name).await.unwrap_or(0.0);
        if known >= value as f64 {
            break;
        }
        sleep(Duration::from_millis(100)).await;
    }
    let what = name.trim_start_matches("coldbrake_");
    report.between(subject, what, known, value as f64, value as f64 * 1.5);
}

/// Waits until no stream and no connection is left.
async fn empty(server: &Server, report: &mut Report, subject: &str) {
    let began = Instant::now();
    let mut left = (1.0, 1.0);
    while began.elapsed() < PATIENCE && left != (0.0, 0.0) {
        let text = server.metrics().await;
        let value = |name: &str| super::child::metric(&text, name).unwrap_or(f64::NAN);
        left = (value("coldbrake_streams"), value("coldbrake_connections"));
        sleep(Duration::from_millis(100)).await;
    }
    report.holds(subject, "no stream and no connection is left", left == (0.0, 0.0));
}
