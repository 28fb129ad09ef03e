//! What Coldbrake costs, each figure beside the limit of the machine or beside what one would do instead, measured in the
//! same run: the ratio says more than the figure. `./tests/bench` runs it; `./tests/bench --help` tells what it takes.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::exit,
    reason = "a measurement: a panic is how it reports a mistake, figures belong on its output"
)]

mod alarms;
mod disk;
mod engine;
mod grades;
mod ingest;
mod machine;
mod memory;
mod peers;
mod queries;
mod restart;
mod row;
mod stock;
mod store;
mod wire;

use std::{cell::OnceCell, path::PathBuf, time::Instant};

use clap::Parser;
use tokio::runtime::Runtime;

use self::{row::Row, stock::Stock};

/// Measures what Coldbrake costs beside the limits of this machine
#[derive(Debug, Parser)]
#[command(
    name = "tests/bench",
    bin_name = "./tests/bench",
    after_help = "Groups: engine, wire, ingest, commit, alarms, grades, memory, store, restart, queries, peers.\n\nExamples:\n  \
                  ./tests/bench                             all but the peers, in some minutes\n  ./tests/bench --only restart\n  \
                  ./tests/bench --only store,restart,queries --vehicles 100000    needs 9 GB of disk and ten minutes\n  ./tests/bench --only \
                  peers --peers 5000000"
)]
struct Args {
    /// Only these groups of rows
    #[arg(long, value_name = "GROUP,...", value_delimiter = ',')]
    only: Vec<String>,
    /// Vehicles in the store that is filled, started on and asked; each has ten descents
    #[arg(long, value_name = "COUNT", default_value_t = 10_000, value_parser = clap::value_parser!(u32).range(100..=900_000))]
    vehicles: u32,
    /// Streams whose memory is measured; a fifth as many with TLS
    #[arg(long, value_name = "COUNT", default_value_t = 10_000)]
    streams: usize,
    /// Run tests/peers/run on so many samples first, and add the rows that stand beside it; it installs what it needs
    #[arg(long, value_name = "SAMPLES", value_parser = clap::value_parser!(u64).range(100_000..))]
    peers: Option<u64>,
    /// Write the figures here as JSON
    #[arg(long, value_name = "FILE", default_value = "target/bench.json")]
    json: PathBuf,
    /// What cargo adds
    #[arg(long, hide = true)]
    bench: bool,
}

/// What the groups share.
struct Bench {
    args: Args,
    runtime: Runtime,
    stock: OnceCell<Stock>,
}

impl Bench {
    /// Returns the store with a fleet in it; the first who asks fills it.
    fn stock(&self) -> &Stock {
        self.stock.get_or_init(|| {
            eprintln!("  filling a store with {} vehicles …", self.args.vehicles);
            Stock::fill(self.args.vehicles)
        })
    }
}

type Measure = fn(&Bench) -> Vec<Row>;

/// The groups of rows, each measured on its own.
const GROUPS: &[(&str, Measure)] = &[
    ("engine", |_| engine::rows()),
    ("wire", |_| wire::rows()),
    ("ingest", |_| ingest::rows()),
    ("commit", |_| disk::rows()),
    ("alarms", |_| alarms::rows()),
    ("grades", |_| grades::rows()),
    ("memory", |b| b.runtime.block_on(memory::rows(b.args.streams))),
    // The store as it was filled: the groups after it let servers change it.
    ("store", |b| store::rows(b.stock())),
    ("restart", |b| b.runtime.block_on(restart::rows(b.stock()))),
    ("queries", |b| b.runtime.block_on(queries::rows(b.stock()))),
    ("peers", |b| {
        let Some(samples) = b.args.peers else {
            println!(
                "left out: rows beside engines for tables and a database; ./tests/bench --peers 5000000 installs and runs them\n"
            );
            return Vec::new();
        };
        b.runtime.block_on(peers::rows(samples))
    }),
];

fn main() {
    let args = Args::parse();
    let chosen: Vec<_> = GROUPS
        .iter()
        .filter(|(group, _)| args.only.is_empty() || args.only.iter().any(|only| only == group))
        .collect();
    let names: Vec<_> = GROUPS.iter().map(|(group, _)| *group).collect();
    if let Some(unknown) = args.only.iter().find(|only| !names.contains(&only.as_str())) {
        eprintln!(
            "--only: there is no group of rows `{unknown}`: give one of {}",
            names.join(", ")
        );
        std::process::exit(2);
    }
    let bench = Bench {
        args,
        runtime: Runtime::new().unwrap(),
        stock: OnceCell::new(),
    };
    // Cargo runs it elsewhere; paths are meant from the top of the project, where the script is.
    std::env::set_current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/..")).unwrap();
    let machine = machine::facts();
    println!("{machine}\n");
    let mut rows = Vec::new();
    for (group, measure) in chosen {
        let begun = Instant::now();
        eprintln!("measuring {group} …");
        rows.extend(measure(&bench));
        eprintln!("{group} took {:.0} s", begun.elapsed().as_secs_f64());
    }
    let args = &bench.args;
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
