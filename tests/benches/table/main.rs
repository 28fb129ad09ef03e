//! What Coldbrake costs, each figure beside the limit of the machine or beside what one would do instead, measured in the
//! same run: the ratio says more than the figure. `./tests/bench` runs it; `./tests/bench --help` tells what it takes.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a measurement: a panic is how it reports a mistake, figures belong on its output"
)]

mod disk;
mod echo;
mod engine;
mod fleet;
mod grades;
mod ingest;
mod machine;
mod row;
mod wire;

use std::path::PathBuf;

use clap::Parser;

use self::row::Row;

/// Measures what Coldbrake costs beside the limits of this machine
#[derive(Debug, Parser)]
#[command(name = "tests/bench")]
struct Args {
    /// Only rows whose name contains this
    #[arg(long, value_name = "TEXT")]
    only: Option<String>,
    /// Vehicles and descents of the stores that are opened and asked: 10000 and ten times as many in a short run
    #[arg(long, value_name = "COUNT", default_value_t = 10_000)]
    vehicles: u32,
    /// Write the figures here as JSON
    #[arg(long, value_name = "FILE", default_value = "target/bench.json")]
    json: PathBuf,
    /// What cargo adds
    #[arg(long, hide = true)]
    bench: bool,
}

type Measure = fn(&Args) -> Vec<Row>;

/// The groups of rows, each measured on its own.
const GROUPS: &[(&str, Measure)] = &[
    ("engine", |_| engine::rows()),
    ("wire", |_| wire::rows()),
    ("ingest", |_| ingest::rows()),
    ("commit", |_| disk::rows()),
    ("fleet", |args| fleet::rows(args.vehicles)),
    ("grades", |_| grades::rows()),
];

fn main() {
    let args = Args::parse();
    let machine = machine::facts();
    println!("{machine}\n");
    let mut rows = Vec::new();
    for (group, measure) in GROUPS {
        if args.only.as_deref().is_some_and(|only| !group.contains(only)) {
            continue;
        }
        eprintln!("measuring {group} …");
        rows.extend(measure(&args));
    }
    println!("{}", row::table(&rows));
    let missed = rows.iter().filter(|r| r.holds() == Some(false)).count();
    println!("{} figures, {missed} short of their aim", rows.len());
    let json = serde_json::json!({ "machine": machine.to_json(), "rows": rows.iter().map(Row::to_json).collect::<Vec<_>>() });
    if let Some(above) = args.json.parent() {
        std::fs::create_dir_all(above).unwrap();
    }
    std::fs::write(&args.json, serde_json::to_string_pretty(&json).unwrap()).unwrap();
    println!("written to {}", args.json.display());
}
