//! `coldbrake demo`: a server in this process, a simulated fleet that streams to it, and what its users look for.

mod check;
mod findings;
mod fleet;
mod report;
mod trends;

use std::{net::SocketAddr, path::PathBuf};

use coldbrake_server::{Config, ServerHandle, StartError};

use crate::{
    args::Global,
    connect::Server,
    demo::Scenario,
    exit::{Code, Failure, Outcome},
    printer::{Format, Printer},
};

/// Arguments of `demo`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "\
Examples:
  coldbrake demo
  coldbrake demo --keep --port 7450         then ask it from another terminal
  coldbrake demo --vehicles 60 --days 28 --data fleet-data")]
pub struct DemoArgs {
    /// Keep the store in this directory [default: a temporary one, gone at the end]
    #[arg(long, value_name = "DIR")]
    pub data: Option<PathBuf>,
    /// Go on serving until Ctrl-C
    #[arg(long)]
    pub keep: bool,
    /// Number that all chance follows from: the same one gives the same samples
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub seed: u64,
    /// Number of vehicles
    #[arg(long, value_name = "COUNT", default_value_t = 24, value_parser = clap::value_parser!(u32).range(6..=480))]
    pub vehicles: u32,
    /// Number of days that they drive
    #[arg(long, value_name = "COUNT", default_value_t = 42, value_parser = clap::value_parser!(u32).range(1..=90))]
    pub days: u32,
    /// Port to serve on, loopback only [default: a free one]
    #[arg(long, value_name = "PORT")]
    pub port: Option<u16>,
}

/// Runs the demonstration. It hears Ctrl-C itself, so that the server ends in order.
pub async fn run(args: DemoArgs, global: &Global, printer: &mut Printer) -> Outcome {
    if printer.format != Format::Table {
        return Err(Failure::new(Code::Usage, "the demonstration is for people: it has no json and no csv").help(
            "keep it serving and ask it: coldbrake demo --keep, then coldbrake descents list --all --format json",
        ));
    }
    let temporary = match &args.data {
        Some(_) => None,
        None => Some(tempfile::tempdir().map_err(|e| {
            Failure::new(Code::Partial, format!("cannot make a temporary directory: {e}"))
                .help("name one with --data DIR")
        })?),
    };
    let of_temporary = temporary.as_ref().map(|t| t.path().to_owned());
    let directory = args.data.clone().or(of_temporary).unwrap_or_default();
    let mut config = Config::in_process().with_directory(directory);
    config.listen = SocketAddr::from(([127, 0, 0, 1], args.port.unwrap_or(0)));
    let server = ServerHandle::start(config).await.map_err(cannot_start)?;
    let uri = server.uri();

    let outcome = tokio::select! {
        outcome = demonstrate(&args, &uri, global, printer) => outcome,
        () = interrupted() => Err(Failure::new(Code::Interrupted, "interrupted")),
    };
    if outcome.is_ok() && args.keep {
        printer.flush()?;
        printer.say(&format!("serving on {uri} until Ctrl-C"));
        interrupted().await;
        printer.say("shutting down");
    }
    let ended = server.shutdown().await;
    outcome?;
    match ended.store_failure {
        Some(reason) => Err(Failure::new(Code::Partial, format!("the store failed: {reason}"))),
        None => Ok(()),
    }
}

fn cannot_start(error: StartError) -> Failure {
    match error {
        StartError::Listen { address, source } => {
            Failure::new(Code::Partial, format!("cannot listen on {address}: {source}"))
                .help("another server may run there: name another --port, or none for a free one")
        }
        other => Failure::new(Code::Partial, other.to_string()),
    }
}

async fn interrupted() {
    if tokio::signal::ctrl_c().await.is_err() {
        // Without signals there is nothing to hear: the other end of the select decides.
        std::future::pending::<()>().await;
    }
}

async fn demonstrate(args: &DemoArgs, uri: &str, global: &Global, printer: &mut Printer) -> Outcome {
    let server = Server::connect(uri, global.timeout()).await?;
    let scenario = Scenario {
        seed: args.seed,
        vehicles: args.vehicles,
        days: args.days,
    };
    let before = report::status(&server).await?;
    fleet::register(&server).await?;
    fleet::survey(&server).await?;
    printer.say(&format!(
        "{} simulated vehicles stream {} to a server on {uri}, as fast as it takes them",
        args.vehicles,
        if args.days == 1 {
            "a day".to_owned()
        } else {
            format!("{} days", args.days)
        },
    ));
    let streamed = fleet::stream(&server, scenario, printer).await?;
    let facts = report::gather(&server).await?;
    let found = findings::gather(&server, &scenario).await?;
    let check = check::compare(&streamed.driven, &facts.descents);
    let verdicts = findings::judge(args, &scenario, &streamed, &facts.descents, &found);
    report::introduce(args, printer)?;
    report::print(&facts, &found, &streamed, &server, printer).await?;
    findings::print_verdicts(&verdicts, printer)?;
    report::section(printer, "Against the truth")?;
    let [first, second] = check.to_lines();
    printer.line(&first)?;
    printer.wrapped("", &second)?;
    if before.descent_count > 0 {
        printer.wrapped(
            "",
            &format!(
                "The store already held {} when the demonstration began; what had been streamed before counts once.",
                crate::show::count(before.descent_count.unsigned_abs(), "descent", "descents")
            ),
        )?;
    }
    report::how_to_ask(args, uri, facts.descents.first(), printer)?;
    let missed = findings::missed(&verdicts);
    if !check.holds() {
        Err(Failure::new(Code::Unmet, "the server's descents differ from what was simulated")
            .note(first)
            .note(second)
            .help("a store that holds other samples of the same vehicles does that: name an empty directory with --data"))
    } else if missed.is_empty() {
        Ok(())
    } else {
        Err(Failure::new(
            Code::Unmet,
            format!("the server did not tell apart: {}", missed.join(", ")),
        ))
    }
}

#[cfg(test)]
mod tests;
