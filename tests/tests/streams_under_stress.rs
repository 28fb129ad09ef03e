//! Short forms of what `load try` and `load hold` do with thousands: a real server, watched from outside.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "test code: a panic is how it reports"
)]

use std::{path::Path, time::Duration};

use coldbrake_server::files;
use coldbrake_tests::{
    load::{
        hold::{self, Hold},
        restart::{self, Restart},
        trials::{self, Ground},
    },
    program,
    report::Report,
};
use tokio::sync::{Mutex, MutexGuard};

const SIZE: usize = 300;

/// One trial at a time: each fills the machine.
static TURN: Mutex<()> = Mutex::const_new(());

async fn turn() -> MutexGuard<'static, ()> {
    let turn = TURN.lock().await;
    files::raise(4_096);
    turn
}

async fn trial(name: &str) {
    let _turn = turn().await;
    let ground = Ground {
        server: program::server().to_owned(),
        load: Path::new(env!("CARGO_BIN_EXE_load")).to_owned(),
        size: SIZE,
    };
    let mut report = Report::new(name);
    trials::run(name, &ground, &mut report).await;
    report.close();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_slow_disk_slows_the_vehicles_and_fills_no_memory() {
    trial("slow-disk").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_flood_stays_with_those_who_send_it() {
    trial("flood").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn vehicles_that_do_not_listen_are_told_and_ended() {
    trial("slow-reader").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn dead_peers_are_found() {
    trial("dead-peers").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn silence_ends_connections_and_streams() {
    trial("silence").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn peers_that_trickle_are_found() {
    trial("trickle").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_byte_at_a_time_is_understood() {
    trial("bytewise").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_second_signal_is_followed_at_once() {
    trial("second-signal").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn streams_are_held_lost_ten_times_and_ended_in_order() {
    let _turn = turn().await;
    for per_connection in [1, 100] {
        let mut report = Report::new("streams held");
        let hold = Hold {
            streams: SIZE,
            per_connection,
            drive_s: 6.0,
            // Few streams: what the server takes once weighs more on each.
            most_idle_kib: 160.0,
            most_active_kib: 240.0,
        };
        hold::hold(program::server(), hold, &mut report).await;
        report.close();
    }
}

/// Ends with half of them streaming, starts, is killed, starts: every vehicle is known, nothing acknowledged is gone.
#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_starts_again_knows_every_vehicle() {
    let _turn = turn().await;
    let mut report = Report::new("restart");
    let of = Restart {
        vehicles: 2_000,
        streams: 1_000,
        per_connection: 100,
        period: Duration::from_secs(2),
    };
    restart::restart(program::server(), of, &mut report).await;
    report.close();
}
