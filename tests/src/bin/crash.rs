//! The long forms of the crash checks, with their figures. `crash --help` says what there is.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a check: a panic is how it reports, figures belong on its output"
)]

use std::{
    path::{Path, PathBuf},
    process::ExitCode,
};

use clap::{Parser, Subcommand};
use coldbrake_server::fault::Point;
use coldbrake_tests::{
    crash::{Campaign, Outcome, fate},
    program,
};

/// Checks what becomes of the server when it is killed.
#[derive(Parser)]
struct Arguments {
    /// Program of the server, with the feature `faults`; without one it is built in the profile of this program.
    #[arg(long, global = true)]
    program: Option<PathBuf>,
    #[command(subcommand)]
    check: Check,
}

#[derive(Subcommand)]
enum Check {
    /// Kills the server under a streaming fleet and compares all records with those of one that was never killed.
    Kill {
        /// Times that it is killed, at every point among them.
        #[arg(long, default_value_t = 200)]
        kills: usize,
        /// Vehicles that stream.
        #[arg(long, default_value_t = 12)]
        vehicles: usize,
        /// Seed of what is driven and when it is killed; without one a new one is drawn, and printed.
        #[arg(long)]
        seed: Option<u64>,
        /// Lets the server acknowledge before it syncs: the check must fail then.
        #[arg(long)]
        acknowledge_early: bool,
    },
}

fn main() -> ExitCode {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .unwrap();
    let arguments = Arguments::parse();
    let program = arguments
        .program
        .unwrap_or_else(|| program::server_with_faults().to_owned());
    let findings = match arguments.check {
        Check::Kill {
            kills,
            vehicles,
            seed,
            acknowledge_early,
        } => {
            let seed = seed.unwrap_or_else(|| fastrand::u64(..1 << 32));
            println!("seed {seed}");
            runtime.block_on(kill(&program, kills, vehicles, seed, acknowledge_early))
        }
    };
    for finding in &findings {
        eprintln!("finding: {finding}");
    }
    if findings.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// Two campaigns: one that keeps the whole journal and may lose its index, one whose old segments go.
async fn kill(
    program: &Path,
    kills: usize,
    vehicles: usize,
    seed: u64,
    acknowledges_early: bool,
) -> Vec<String> {
    let mut sum = Outcome::default();
    for keeps_journal in [true, false] {
        let share = if keeps_journal {
            kills.div_ceil(2)
        } else {
            kills / 2
        };
        let campaign = Campaign {
            program: program.to_owned(),
            fates: if acknowledges_early {
                fate::when_heard(share)
            } else {
                fate::draw(share, keeps_journal, seed + u64::from(keeps_journal))
            },
            vehicles,
            seed,
            keeps_journal,
            acknowledges_early,
        };
        let done = sum.kills();
        let outcome = campaign
            .run(|number, so_far| {
                if number % 20 == 0 {
                    eprintln!("{} kills, {} findings", done + number, so_far.findings.len());
                }
            })
            .await;
        sum.add(outcome);
    }
    println!(
        "{} kills in {:.0} s: {} at {} of {} points, {} at random times; {} of them lost what was not synced",
        sum.kills(),
        sum.took.as_secs_f64(),
        sum.point_kills.values().sum::<usize>(),
        sum.point_kills.len(),
        Point::ALL.len(),
        sum.random_kills,
        sum.power_losses,
    );
    println!(
        "{} starts applied the journal again, {} cut off a torn commit, {} made the index anew",
        sum.replayed, sum.torn, sum.rebuilt
    );
    println!(
        "{} batches sent, {} of them again, {} reconnections; {} descents, {} records compared byte for byte",
        sum.batches, sum.resent, sum.reconnects, sum.descents, sum.records
    );
    for (point, kills) in &sum.point_kills {
        println!("  {kills:4} at {point}");
    }
    println!("{} findings", sum.findings.len());
    sum.findings
}
