//! Puts a server under load and measures it, or tries what it bears. Talks to this machine only, and ends by itself.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a program of the tests: a panic is how it reports, and tables belong on its output"
)]

use std::{path::PathBuf, sync::Arc, time::Duration};

use clap::{Args, Parser, Subcommand};
use coldbrake_server::{
    Config, ServerHandle,
    cli::{self, Request},
    config::text,
    files, telemetry,
};
use coldbrake_tests::{
    load::{
        bare,
        child::{self, Server},
        fleet::Plan,
        growth,
        hold::{self, Hold},
        restart::{self, Restart},
        slow::SlowStore,
        steady,
        trials::{self, Ground},
    },
    program,
    report::Report,
};

/// Files that the service which does nothing may open: as many as the system lets it.
const BARE_FILES: u64 = 1 << 20;

#[derive(Parser)]
#[command(about, disable_help_subcommand = true)]
struct Arguments {
    #[command(subcommand)]
    command: What,
}

#[derive(Subcommand)]
enum What {
    /// A fleet at a steady rate: samples acknowledged, how late, memory, processor time
    Steady(Steady),
    /// Fleets of several sizes, one after the other: what a vehicle costs in each
    Growth(GrowthArguments),
    /// Many streams: memory of each, ten losses of all connections, time to end with all open
    Hold(HoldArguments),
    /// A server that knows many vehicles: ended, started, killed, started
    Restart(RestartArguments),
    /// What the server must bear; without a name everything
    Try(TryArguments),
    /// A server whose disk can be slow, for the trials
    #[command(hide = true)]
    Server(ServerArguments),
    /// A service that does nothing, to measure beside; ends with its input
    #[command(hide = true)]
    Bare(BareArguments),
}

#[derive(Args)]
struct Steady {
    /// Vehicles
    #[arg(long, default_value_t = 1_000)]
    vehicles: usize,
    /// Vehicles that share a connection; 1: each has its own
    #[arg(long, default_value_t = 1_000)]
    per_connection: usize,
    /// Samples a second
    #[arg(long, default_value_t = 10.0)]
    rate: f64,
    /// Time that a message covers, s
    #[arg(long, default_value_t = 5.0)]
    message: f64,
    /// Time to measure, s
    #[arg(long, default_value_t = 30.0)]
    seconds: f64,
    /// Server on this machine, http://127.0.0.1:PORT, instead of one that is started
    #[arg(long)]
    server: Option<String>,
    /// Process of that server, to see what it uses
    #[arg(long)]
    pid: Option<u32>,
    /// Program to start instead of the one of this workspace
    #[arg(long)]
    program: Option<PathBuf>,
    /// Directory for the store of the server that is started; a new one goes at the end
    #[arg(long)]
    directory: Option<PathBuf>,
    /// File for the figures as JSON
    #[arg(long)]
    json: Option<PathBuf>,
    /// Flags for the server that is started
    #[arg(last = true)]
    flags: Vec<String>,
}

#[derive(Args)]
struct GrowthArguments {
    /// Sizes of the fleets
    #[arg(long, value_delimiter = ',', default_values_t = [1_000, 10_000, 100_000])]
    vehicles: Vec<usize>,
    /// Time to measure each, s
    #[arg(long, default_value_t = 120.0)]
    seconds: f64,
    /// Program to start instead of the one of this workspace
    #[arg(long)]
    program: Option<PathBuf>,
    /// File for the figures as JSON
    #[arg(long)]
    json: Option<PathBuf>,
}

#[derive(Args)]
struct HoldArguments {
    /// Streams
    #[arg(long, default_value_t = 5_000)]
    streams: usize,
    /// Streams that share a connection; 1: each has its own
    #[arg(long, default_value_t = 1)]
    per_connection: usize,
    /// Time of driving before memory is looked at, s
    #[arg(long, default_value_t = 20.0)]
    seconds: f64,
    /// Most memory of a stream that has sent nothing, KiB
    #[arg(long, default_value_t = 64.0)]
    idle_kib: f64,
    /// Most memory of a stream that drives, KiB
    #[arg(long, default_value_t = 96.0)]
    driving_kib: f64,
    /// Program to start instead of the one of this workspace
    #[arg(long)]
    program: Option<PathBuf>,
    /// File for the figures as JSON
    #[arg(long)]
    json: Option<PathBuf>,
}

#[derive(Args)]
struct RestartArguments {
    /// Vehicles
    #[arg(long, default_value_t = 100_000)]
    vehicles: usize,
    /// Vehicles that stream at a time, the last ones when the server ends
    #[arg(long, default_value_t = 5_000)]
    streams: usize,
    /// Vehicles that share a connection
    #[arg(long, default_value_t = 500)]
    per_connection: usize,
    /// Time from one message of a vehicle to the next, s
    #[arg(long, default_value_t = 4.0)]
    period: f64,
    /// Program to start instead of the one of this workspace
    #[arg(long)]
    program: Option<PathBuf>,
}

#[derive(Args)]
struct TryArguments {
    /// Trials
    #[arg(value_parser = clap::builder::PossibleValuesParser::new(trials::NAMES))]
    names: Vec<String>,
    /// Peers at a time
    #[arg(long, default_value_t = 5_000)]
    size: usize,
    /// Program to start instead of the one of this workspace
    #[arg(long)]
    program: Option<PathBuf>,
}

#[derive(Args)]
struct ServerArguments {
    #[arg(long, value_parser = text::parse_duration)]
    commit_time: Duration,
    #[arg(long)]
    held_by: PathBuf,
    #[arg(last = true)]
    flags: Vec<String>,
}

#[derive(Args)]
struct BareArguments {
    /// Directory of certificates; without one there is no TLS
    #[arg(long)]
    certificates: Option<PathBuf>,
}

fn main() {
    let arguments = Arguments::parse();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .unwrap();
    if let What::Server(server) = arguments.command {
        runtime.block_on(serve(server));
        return;
    }
    runtime.block_on(async {
        match arguments.command {
            What::Steady(steady) => run_steady(steady).await,
            What::Growth(growth) => run_growth(growth).await,
            What::Hold(hold) => run_hold(hold).await,
            What::Restart(restart) => run_restart(restart).await,
            What::Try(trial) => run_trials(trial).await,
            What::Bare(BareArguments { certificates }) => {
                let config = Config::default();
                files::raise(BARE_FILES);
                bare::serve_as_child(config.limits, certificates).await;
            }
            What::Server(_) => unreachable!("handled above"),
        }
    });
    runtime.shutdown_background();
}

/// Raises the number of files, and says when that is not enough.
fn room(connections: usize) {
    let wanted = connections as u64 + 256;
    let allowed = files::raise(wanted);
    if allowed < wanted {
        eprintln!(
            "only {allowed} files may be open, and {wanted} are needed: raise the hard limit (ulimit -Hn), or let more \
             vehicles share a connection"
        );
    }
}

async fn run_steady(steady: Steady) {
    room(steady.vehicles / steady.per_connection.max(1));
    let directory = tempfile::tempdir().unwrap();
    let (server, uri, pid) = if let Some(uri) = steady.server {
        let local = ["http://127.0.0.1:", "http://localhost:", "http://[::1]:"];
        assert!(
            local.iter().any(|l| uri.starts_with(l)),
            "the load talks to this machine only, not to {uri}"
        );
        child::register(&uri).await;
        (None, uri, steady.pid)
    } else {
        let place = steady.directory.as_deref().unwrap_or(directory.path());
        let mut flags = growth::flags(steady.vehicles, steady.per_connection);
        flags.extend(steady.flags);
        let program = steady.program.unwrap_or_else(|| program::server().to_owned());
        let server = Server::start(&program, place, flags).await;
        let (uri, pid) = (server.uri(), server.pid());
        (Some(server), uri, Some(pid))
    };
    let plan = Plan {
        rate_hz: steady.rate,
        message_s: steady.message,
        period: Duration::from_secs_f64(steady.message),
        ..Plan::new(uri, steady.vehicles, steady.per_connection)
    };
    let measured = steady::measure(&plan, steady.seconds, pid).await;
    println!("{}", measured.table);
    if let Some(file) = steady.json {
        std::fs::write(file, format!("{:#}\n", measured.json)).unwrap();
    }
    if let Some(mut server) = server {
        server.terminate();
        let ended = server.ended(Duration::from_secs(60)).await;
        println!(
            "the server ended with {:?} after {:.2} s",
            ended.code,
            ended.took.as_secs_f64()
        );
    }
}

async fn run_growth(arguments: GrowthArguments) {
    room(1_000);
    let program = arguments.program.unwrap_or_else(|| program::server().to_owned());
    let grown = growth::grow(&program, &arguments.vehicles, arguments.seconds, |vehicles| {
        eprintln!("{vehicles} vehicles …");
    })
    .await;
    print!("{}", grown.table);
    if let Some(file) = arguments.json {
        std::fs::write(file, format!("{:#}\n", grown.json)).unwrap();
    }
}

async fn run_hold(arguments: HoldArguments) {
    room(arguments.streams / arguments.per_connection.max(1));
    let program = arguments.program.unwrap_or_else(|| program::server().to_owned());
    let mut report = Report::new("streams held");
    let hold = Hold {
        streams: arguments.streams,
        per_connection: arguments.per_connection,
        drive_s: arguments.seconds,
        most_idle_kib: arguments.idle_kib,
        most_active_kib: arguments.driving_kib,
    };
    let json = hold::hold(&program, hold, &mut report).await;
    println!("{json:#}");
    if let Some(file) = arguments.json {
        std::fs::write(file, format!("{json:#}\n")).unwrap();
    }
    report.close();
}

async fn run_restart(arguments: RestartArguments) {
    room(arguments.streams / arguments.per_connection.max(1));
    let program = arguments.program.unwrap_or_else(|| program::server().to_owned());
    let mut report = Report::new("restart");
    let of = Restart {
        vehicles: arguments.vehicles,
        streams: arguments.streams.max(1),
        per_connection: arguments.per_connection,
        period: Duration::from_secs_f64(arguments.period),
    };
    let json = restart::restart(&program, of, &mut report).await;
    println!("{json:#}");
    report.close();
}

async fn run_trials(arguments: TryArguments) {
    room(arguments.size);
    let ground = Ground {
        server: arguments.program.unwrap_or_else(|| program::server().to_owned()),
        load: std::env::current_exe().unwrap(),
        size: arguments.size,
    };
    let names: Vec<&str> = if arguments.names.is_empty() {
        trials::NAMES.to_vec()
    } else {
        arguments.names.iter().map(String::as_str).collect()
    };
    let mut report = Report::new("what the server bears");
    for name in names {
        eprintln!("{name} ...");
        trials::run(name, &ground, &mut report).await;
    }
    report.close();
}

/// Serves from a slow store until it is asked to end.
async fn serve(arguments: ServerArguments) {
    let flags = std::iter::once("coldbrake-server".to_owned()).chain(arguments.flags);
    let Ok(Request::Serve(loaded)) = cli::read(flags.map(Into::into), std::iter::empty().collect()) else {
        panic!("flags of the server are expected");
    };
    let config: Config = loaded.config.clone();
    telemetry::begin(&config.log).unwrap();
    files::make_room(&config);
    let store = Arc::new(SlowStore::new(arguments.commit_time, arguments.held_by));
    let server = ServerHandle::start_with_store(config, store).await.unwrap();
    let mut end = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()).unwrap();
    end.recv().await;
    server.shutdown().await;
}
