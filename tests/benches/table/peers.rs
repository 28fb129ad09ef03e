//! What one would use instead, as `tests/peers/run` measures it: engines for tables on a whole log, and a database that keeps
//! every sample. They run first, then our server is measured with as much work.

use std::{fs, path::Path, process::Command, time::Duration};

use coldbrake::{command::descents::fetch, connect::Server as Connection};
use coldbrake_proto::v1::DescentFilter;
use coldbrake_tests::{
    load::{
        child::Server,
        fleet::{Fleet, Plan},
    },
    program,
};
use serde::{Deserialize, de::DeserializeOwned};

use super::row::{Aim, Row};

const OURS: &str = "coldbrake";
/// Vehicles of our part, and those that share a connection.
const VEHICLES: usize = 500;
const PER_CONNECTION: usize = 50;
/// Time from one message of five seconds to the next: 50,000 samples a second in all.
const PERIOD: Duration = Duration::from_millis(500);
/// Messages of each vehicle: more than a round of the road, so that each has driven a descent.
const MESSAGES: i64 = 320;
const PATIENCE: Duration = Duration::from_secs(300);

/// What `tests/peers/whole_file.py` writes.
#[derive(Deserialize)]
struct WholeFile {
    samples: f64,
    rows: Vec<Timed>,
}

/// A program on a form of the file.
#[derive(Deserialize)]
struct Timed {
    program: String,
    file: String,
    wall_s: f64,
}

/// What `tests/peers/database.py` writes.
#[derive(Deserialize)]
struct Database {
    ingest_cpu_s_per_million: f64,
    query_cpu_s_per_million: f64,
}

pub(crate) async fn rows(samples: u64) -> Vec<Row> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    eprintln!("  the peers on {samples} samples …");
    let status = Command::new(root.join("tests/peers/run"))
        .arg(samples.to_string())
        // Their output is not part of the table.
        .stdout(std::io::stderr())
        .status()
        .unwrap();
    assert!(status.success(), "tests/peers/run failed: it says why above");
    let whole: WholeFile = read(&root.join("target/peers_whole_file.json"));
    let database: Database = read(&root.join("target/peers_database.json"));
    let mut rows: Vec<Row> = ["CSV", "Parquet"]
        .into_iter()
        .filter_map(|form| whole_file(&whole, form))
        .collect();
    eprintln!("  our server with {VEHICLES} vehicles …");
    rows.push(fleet(&database).await);
    rows
}

fn read<T: DeserializeOwned>(path: &Path) -> T {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// A whole log in a form, beside the fastest of the others. `None`, with a line that says so, where a side is missing.
fn whole_file(whole: &WholeFile, form: &str) -> Option<Row> {
    let fastest = |ours: bool| {
        whole
            .rows
            .iter()
            .filter(|row| row.file.eq_ignore_ascii_case(form) && (row.program == OURS) == ours)
            .map(|row| row.wall_s)
            .min_by(f64::total_cmp)
    };
    let (Some(ours), Some(others)) = (fastest(true), fastest(false)) else {
        eprintln!("  no row for a whole {form} file: tests/peers/run measured one side only");
        return None;
    };
    Some(Row {
        what: format!("a whole {form} file of {:.0} samples", whole.samples),
        unit: "samples/s",
        ours: whole.samples / ours,
        beside: Some(("the faster of two engines for tables", whole.samples / others)),
        aim: Aim::RatioAtLeast(3.0),
    })
}

/// Processor time of a server that takes a fleet's samples and then tells the energies of all its descents.
async fn fleet(database: &Database) -> Row {
    let directory = tempfile::tempdir().unwrap();
    let nothing: [&str; 0] = [];
    let mut server = Server::start(program::server(), directory.path(), nothing).await;
    let fleet = Fleet::start(&Plan {
        period: PERIOD,
        ..Plan::new(server.uri(), VEHICLES, PER_CONNECTION)
    });
    let opened = fleet.all_open(0, PATIENCE).await;
    assert!(opened.is_some(), "not all streams open: {:?}", fleet.counts());
    let before = server.usage().cpu_s;
    fleet.drive(true);
    let all = fleet
        .until(PATIENCE, |_| {
            fleet.durable().iter().all(|through| *through >= MESSAGES)
        })
        .await;
    assert!(all.is_some(), "not all was acknowledged: {:?}", fleet.counts());
    assert!(fleet.settle(PATIENCE).await.is_some(), "{:?}", fleet.counts());
    let connection = Connection::connect(&server.uri(), PATIENCE).await.unwrap();
    let (descents, _) = fetch(&connection, DescentFilter::default(), usize::MAX)
        .await
        .unwrap();
    let used = server.usage().cpu_s - before;
    let samples = fleet.counts().acknowledged as f64 * fleet.message().0 as f64;
    let _ = fleet.end().await;
    server.terminate();
    let ended = server.ended(PATIENCE).await;
    assert_eq!(ended.code, Some(0), "{}", ended.log);
    assert!(descents.len() >= VEHICLES / 2, "only {} descents", descents.len());
    Row {
        what: format!(
            "processor time a million samples: {:.1} M taken in, then the energies of {} descents",
            samples / 1e6,
            descents.len()
        ),
        unit: "s",
        ours: used / (samples / 1e6),
        beside: Some((
            "a database that keeps the samples",
            database.ingest_cpu_s_per_million + database.query_cpu_s_per_million,
        )),
        aim: Aim::RatioAtMost(0.1),
    }
}
