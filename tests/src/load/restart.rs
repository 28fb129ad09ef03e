//! A server that knows many vehicles ends while some thousand of them stream, starts again, is killed, starts again: how
//! long that takes, what it occupies, and that nothing acknowledged is gone.

use std::{collections::BTreeMap, path::Path, time::Duration};

use coldbrake_proto::v1::{
    GetServerStatusRequest, ListVehiclesRequest, fleet_service_client::FleetServiceClient,
};
use serde_json::{Value, json};
use tokio::time::{Instant, sleep};

use super::{
    child::Server,
    fleet::{Fleet, Plan},
    probe::Usage,
    road,
};
use crate::report::Report;

/// Longest wait for all streams, and for every vehicle to have something durable.
const PATIENCE: Duration = Duration::from_secs(600);
/// Time of driving before the end and before the kill.
const DRIVE: Duration = Duration::from_secs(2);
/// Longest time that a server may take to end.
const END: f64 = 10.0;

/// What is known when the server starts again.
#[derive(Clone, Copy, Debug)]
pub struct Restart {
    /// Vehicles.
    pub vehicles: usize,
    /// Of these, those that stream at a time: the last ones do when the server ends.
    pub streams: usize,
    /// Vehicles that share a connection.
    pub per_connection: usize,
    /// Time from one message of a vehicle to the next.
    pub period: Duration,
}

/// Starts the server three times and tells what that costs.
pub async fn restart(program: &Path, of: Restart, report: &mut Report) -> Value {
    let directory = tempfile::tempdir().unwrap();
    let n = of.vehicles;
    let subject = format!("{n} vehicles");

    let mut server = start(program, directory.path(), of).await;
    // They come in turn: what is wanted is a store that knows them all, not as many streams.
    let mut first = 0;
    let fleet = loop {
        let fleet = streaming(&server, of, first).await;
        let filled = fleet
            .until(PATIENCE, |_| fleet.durable().iter().all(|through| *through > 0))
            .await;
        assert!(
            filled.is_some(),
            "not every vehicle was acknowledged: {:?}\n{}",
            fleet.counts(),
            server.log()
        );
        if first + of.streams >= n {
            break fleet;
        }
        assert!(fleet.settle(PATIENCE).await.is_some(), "{:?}", fleet.counts());
        let _ = fleet.end().await;
        first += of.streams;
    };
    let known = list(&server).await;
    report.between(
        &subject,
        "listed before the end",
        known.len() as f64,
        n as f64,
        n as f64,
    );
    sleep(DRIVE).await;
    server.terminate();
    let ended = server.ended(Duration::from_secs(30)).await;
    let end = ended.took.as_secs_f64();
    report.holds(&subject, "exit code 0", ended.code == Some(0));
    report.between(&subject, "end with all streaming, s", end, 0.0, END);
    let drains = fleet.counts().drains;
    report.holds(
        &subject,
        "every stream was asked to go",
        drains >= (n - first) as u64,
    );
    let acknowledged = heard(fleet).await;

    let server = start(program, directory.path(), of).await;
    let orderly = look(&server, &known, first, "after an orderly end", report).await;
    let fleet = streaming(&server, of, first).await;
    check_durable(&fleet, &acknowledged, "after an orderly end", report);
    sleep(DRIVE).await;
    // Nothing is settled: messages are on their way, commits under way.
    server.kill();
    let acknowledged = heard(fleet).await;
    drop(server);

    let server = start(program, directory.path(), of).await;
    let killed = look(&server, &known, first, "after a kill", report).await;
    let fleet = streaming(&server, of, first).await;
    check_durable(&fleet, &acknowledged, "after a kill", report);
    let counts = fleet.end().await;
    report.holds(&subject, "no batch refused", counts.rejected == 0);
    json!({
        "vehicles": n,
        "streams_at_the_end": n - first,
        "store_bytes": size_of(directory.path()),
        "end_s": end,
        "exit_code": ended.code,
        "after_an_orderly_end": orderly,
        "after_a_kill": killed,
    })
}

async fn start(program: &Path, directory: &Path, of: Restart) -> Server {
    let many = (of.vehicles + 1_000).to_string();
    let calls = of.per_connection.max(16).to_string();
    Server::start(
        program,
        directory,
        [
            "--limits-streams",
            &many,
            "--limits-connections",
            &many,
            "--limits-vehicles",
            &many,
            "--limits-calls-per-connection",
            &calls,
        ],
    )
    .await
}

/// Returns a fleet of which every vehicle streams.
async fn streaming(server: &Server, of: Restart, first: usize) -> Fleet {
    let vehicles = of.streams.min(of.vehicles - first);
    let fleet = Fleet::start(&Plan {
        period: of.period,
        first,
        ..Plan::new(server.uri(), vehicles, of.per_connection)
    });
    let opened = fleet.all_open(0, PATIENCE).await;
    assert!(
        opened.is_some(),
        "not all streams open: {:?}\n{}",
        fleet.counts(),
        server.log()
    );
    fleet.drive(true);
    fleet
}

/// Returns what every vehicle knows to be durable, after the end of its server.
async fn heard(fleet: Fleet) -> Vec<i64> {
    // What had arrived has to be read.
    sleep(Duration::from_millis(500)).await;
    let durable = fleet.durable();
    let _ = fleet.end().await;
    durable
}

/// Measures a server that has just started, and compares its vehicles with those `known` before: those below `first` have
/// sent nothing since.
async fn look(
    server: &Server,
    known: &BTreeMap<String, Option<i64>>,
    first: usize,
    when: &str,
    report: &mut Report,
) -> Value {
    let Usage {
        resident_bytes,
        peak_bytes,
        ..
    } = server.usage();
    let mut service = FleetServiceClient::connect(server.uri()).await.unwrap();
    let status = service
        .get_server_status(GetServerStatusRequest {})
        .await
        .unwrap();
    let n = known.len() as f64;
    report.between(
        when,
        "vehicles counted",
        status.into_inner().vehicle_count as f64,
        n,
        n,
    );
    let began = Instant::now();
    let listed = list(server).await;
    let listed_after = began.elapsed();
    let names = |of: &BTreeMap<String, Option<i64>>| of.keys().cloned().collect::<Vec<_>>();
    report.holds(
        when,
        "every vehicle is listed, no other",
        names(&listed) == names(known),
    );
    let less = (0..known.len())
        .map(road::name)
        .enumerate()
        .filter(|(number, name)| {
            let (now, then) = (listed.get(name), known.get(name));
            now < then || (*number < first && now != then)
        });
    report.between(when, "vehicles listed with less", less.count() as f64, 0.0, 0.0);
    json!({
        "ready_after_s": server.ready_after.as_secs_f64(),
        "resident_bytes": resident_bytes,
        "peak_bytes": peak_bytes,
        "all_listed_after_s": listed_after.as_secs_f64(),
    })
}

/// Returns all vehicles with the time of their last sample.
async fn list(server: &Server) -> BTreeMap<String, Option<i64>> {
    let mut service = FleetServiceClient::connect(server.uri()).await.unwrap();
    let mut listed = BTreeMap::new();
    let mut page_token = String::new();
    loop {
        let request = ListVehiclesRequest {
            page_size: 1_000,
            page_token,
            vehicle_class: None,
        };
        let page = service.list_vehicles(request).await.unwrap().into_inner();
        listed.extend(
            page.vehicles
                .into_iter()
                .map(|v| (v.vehicle, v.last_sample_time_ms)),
        );
        page_token = page.next_page_token;
        if page_token.is_empty() {
            return listed;
        }
    }
}

/// Every vehicle must have been answered with at least what it knew to be durable.
fn check_durable(fleet: &Fleet, acknowledged: &[i64], when: &str, report: &mut Report) {
    let less = fleet
        .durable()
        .iter()
        .zip(acknowledged)
        .filter(|(now, then)| now < then)
        .count();
    report.between(when, "vehicles that lost something", less as f64, 0.0, 0.0);
}

fn size_of(directory: &Path) -> u64 {
    std::fs::read_dir(directory)
        .unwrap()
        .flatten()
        .map(|entry| match entry.metadata() {
            Ok(data) if data.is_dir() => size_of(&entry.path()),
            Ok(data) => data.len(),
            Err(_) => 0,
        })
        .sum()
}
