//! Many streams on one server: memory of each, all connections lost ten times, and the end with all of them open.

use std::{path::Path, time::Duration};

use serde_json::{Value, json};
use tokio::time::sleep;

use super::{
    child::Server,
    fleet::{Fleet, Plan},
    probe,
};
use crate::report::Report;

/// Longest wait for all streams.
const PATIENCE: Duration = Duration::from_secs(180);
/// Times that all connections are lost.
const STORMS: usize = 10;
/// Longest time that a server may take to end.
const END: f64 = 10.0;

/// What is held, and for how long it drives.
#[derive(Clone, Copy, Debug)]
pub struct Hold {
    /// Streams.
    pub streams: usize,
    /// Streams that share a connection.
    pub per_connection: usize,
    /// Time of driving before memory is looked at, s.
    pub drive_s: f64,
    /// Most memory of a stream that has sent nothing, KiB.
    pub most_idle_kib: f64,
    /// Most memory of a stream that drives, KiB.
    pub most_active_kib: f64,
}

/// Holds the streams and tells what that costs.
pub async fn hold(program: &Path, hold: Hold, report: &mut Report) -> Value {
    let directory = tempfile::tempdir().unwrap();
    // The server's own limits are above what is tried here.
    let more = [
        "--limits-streams",
        "200000",
        "--limits-connections",
        "200000",
        "--limits-vehicles",
        "1000000",
    ];
    let calls = hold.per_connection.max(16).to_string();
    let mut server = Server::start(
        program,
        directory.path(),
        more.into_iter().chain(["--limits-calls-per-connection", &calls]),
    )
    .await;
    let n = hold.streams;
    let subject = format!("{n} streams");
    let each = |bytes: u64, before: u64| (bytes as f64 - before as f64) / 1_024.0 / n as f64;
    let before = server.usage();
    let fleet = Fleet::start(&Plan::new(server.uri(), n, hold.per_connection));
    let opened = fleet.all_open(0, PATIENCE).await;
    assert!(
        opened.is_some(),
        "not all streams open: {:?}\n{}",
        fleet.counts(),
        server.log()
    );
    sleep(Duration::from_secs(2)).await;
    let idle = server.usage();
    report.between(
        &subject,
        "memory when idle, KiB",
        each(idle.resident_bytes, before.resident_bytes),
        0.0,
        hold.most_idle_kib,
    );

    fleet.drive(true);
    sleep(Duration::from_secs_f64(hold.drive_s)).await;
    let active = server.usage();
    report.between(
        &subject,
        "memory when driving, KiB",
        each(active.resident_bytes, before.resident_bytes),
        0.0,
        hold.most_active_kib,
    );

    // They drive on while their connections go, all of them at once, again and again.
    let mut reopened = Vec::new();
    for _ in 0..STORMS {
        let opened_before = fleet.counts().opened;
        fleet.cut();
        let took = fleet.all_open(opened_before, PATIENCE).await;
        assert!(
            took.is_some(),
            "not all came back: {:?}\n{}",
            fleet.counts(),
            server.log()
        );
        reopened.push(took.unwrap_or_default().as_secs_f64());
    }
    let slowest = reopened.iter().copied().fold(0.0, f64::max);
    let stormed = server.usage();
    report.between(
        &subject,
        "peak memory of 10 losses, KiB",
        each(stormed.peak_bytes, before.resident_bytes),
        0.0,
        2.0 * hold.most_active_kib,
    );
    report.holds(&subject, "all came back ten times", true);
    let settled = fleet.settle(PATIENCE).await;
    let counts = fleet.counts();
    report.holds(&subject, "all sent is acknowledged", settled.is_some());
    report.holds(
        &subject,
        "nothing acknowledged is forgotten",
        counts.forgotten == 0,
    );
    report.holds(&subject, "no batch refused", counts.rejected == 0);
    report.holds(&subject, "credit kept to", counts.most_on_their_way <= 32);
    let after = server.usage();

    fleet.drive(true);
    sleep(Duration::from_secs(2)).await;
    server.terminate();
    let ended = server.ended(Duration::from_secs(30)).await;
    let drains = fleet.counts().drains;
    report.holds(&subject, "exit code 0", ended.code == Some(0));
    report.between(
        &subject,
        "end with all of them open, s",
        ended.took.as_secs_f64(),
        0.0,
        END,
    );
    report.holds(&subject, "every stream was asked to go", drains >= n as u64);
    let counts = fleet.end().await;
    json!({
        "streams": n,
        "streams_per_connection": hold.per_connection,
        "opened_after_s": opened.map(|t| t.as_secs_f64()),
        "resident_before_bytes": before.resident_bytes,
        "idle_kib_per_stream": each(idle.resident_bytes, before.resident_bytes),
        "driving_kib_per_stream": each(active.resident_bytes, before.resident_bytes),
        "storm": {
            "reopened_after_s": reopened,
            "slowest_s": slowest,
            "peak_kib_per_stream": each(stormed.peak_bytes, before.resident_bytes),
            "after_kib_per_stream": each(after.resident_bytes, before.resident_bytes),
            "sent_again": counts.sent_again,
        },
        "files": active.files,
        "drain_s": ended.took.as_secs_f64(),
        "exit_code": ended.code,
        "losses": counts.losses,
        "generator_resident_bytes": probe::own().resident_bytes,
    })
}
