//! Starting a server on a store with a fleet in it, as an orderly end left it and as a kill left it, beside reading its files.

use std::{fs, io::Read as _, path::Path, time::Instant};

use coldbrake_proto::v1::{GetServerStatusRequest, fleet_service_client::FleetServiceClient};
use coldbrake_tests::{
    load::{
        child::Server,
        fleet::{Fleet, Plan},
    },
    program,
};
use tokio::time::{Duration, sleep};

use super::{
    row::{Aim, Row, median},
    stock::Stock,
};

/// Starts of either kind.
const STARTS: usize = 3;
/// Vehicles that stream when the server is killed, and those that share a connection.
const STREAMS: usize = 1_000;
const PER_CONNECTION: usize = 50;
/// Time of streaming before a kill.
const DRIVE: Duration = Duration::from_secs(3);
const PATIENCE: Duration = Duration::from_secs(60);

pub(crate) async fn rows(stock: &Stock) -> Vec<Row> {
    let (mut orderly, mut killed) = (Vec::new(), Vec::new());
    let (mut read_orderly, mut read_killed) = (Vec::new(), Vec::new());
    for start in 1..=STARTS {
        eprintln!("  start {start} after an orderly end …");
        read_orderly.push(read_all(stock.path()));
        let (mut server, took) = answering(stock).await;
        orderly.push(took);
        server.terminate();
        let ended = server.ended(PATIENCE).await;
        assert_eq!(ended.code, Some(0), "{}", ended.log);
    }
    let (mut server, _) = answering(stock).await;
    for start in 1..=STARTS {
        stream_and_kill(&mut server).await;
        eprintln!("  start {start} after a kill …");
        read_killed.push(read_all(stock.path()));
        let took;
        (server, took) = answering(stock).await;
        killed.push(took);
    }
    server.terminate();
    let ended = server.ended(PATIENCE).await;
    assert_eq!(ended.code, Some(0), "{}", ended.log);
    let of = format!("{} vehicles and {} descents", stock.vehicles, stock.held.descents);
    let row = |what: String, took: &mut [f64], read: &mut [f64]| Row {
        what,
        unit: "s",
        ours: median(took),
        beside: Some(("reading its files", median(read))),
        aim: Aim::BothAtMost(3.0, 3.0),
    };
    vec![
        row(
            format!("a server with {of} answers, ended in order before"),
            &mut orderly,
            &mut read_orderly,
        ),
        row(
            format!("the same, killed while {STREAMS} vehicles streamed"),
            &mut killed,
            &mut read_killed,
        ),
    ]
}

/// Starts a server and returns it with the time from the start of the process to its first answer, s.
pub(crate) async fn answering(stock: &Stock) -> (Server, f64) {
    let many = (stock.vehicles as usize + 100_000).to_string();
    let flags = ["--limits-vehicles", &many, "--limits-streams", &many];
    let server = Server::start(program::server(), stock.path(), flags).await;
    let begin = Instant::now();
    let mut service = FleetServiceClient::connect(server.uri()).await.unwrap();
    let status = service
        .get_server_status(GetServerStatusRequest {})
        .await
        .unwrap()
        .into_inner();
    let took = server.ready_after + begin.elapsed();
    assert!(status.vehicle_count >= i64::from(stock.vehicles), "{status:?}");
    (server, took.as_secs_f64())
}

/// Kills a server with messages on their way and commits under way.
async fn stream_and_kill(server: &mut Server) {
    let fleet = Fleet::start(&Plan {
        period: Duration::from_millis(500),
        ..Plan::new(server.uri(), STREAMS, PER_CONNECTION)
    });
    let opened = fleet.all_open(0, PATIENCE).await;
    assert!(opened.is_some(), "not all streams open: {:?}", fleet.counts());
    fleet.drive(true);
    sleep(DRIVE).await;
    server.kill();
    let ended = server.ended(PATIENCE).await;
    assert_eq!(ended.code, None, "{}", ended.log);
    let counts = fleet.end().await;
    assert!(counts.acknowledged > 0, "nothing was streamed: {counts:?}");
}

/// Reads all files of a directory and returns how long that took, s.
fn read_all(directory: &Path) -> f64 {
    let begin = Instant::now();
    read_into(directory, &mut vec![0; 1 << 20]);
    begin.elapsed().as_secs_f64()
}

fn read_into(directory: &Path, buffer: &mut [u8]) {
    for entry in fs::read_dir(directory).unwrap().flatten() {
        if entry.file_type().unwrap().is_dir() {
            read_into(&entry.path(), buffer);
        } else {
            let mut file = fs::File::open(entry.path()).unwrap();
            while file.read(buffer).unwrap() > 0 {}
        }
    }
}
