//! `coldbrake send`: a log file as a stream of samples, as its vehicle would have sent them.
//!
//! The session is derived from the vehicle, the bytes of the file and everything that decides how they are read: the
//! same command again is the same session. A run that was interrupted therefore goes on where the server stands, and
//! what was sent to its end counts once however often it is sent.

use std::{
    io::Read as _,
    path::Path,
    time::{Duration, Instant},
};

use coldbrake_engine::{Batch, Opening, Session};
use coldbrake_proto::v1::GetVehicleRequest;
use indicatif::ProgressBar;
use serde_json::json;
use sha2::{Digest as _, Sha256};
use tonic::Code as GrpcCode;

use super::analyse::{identifier, mass, say_what_was_read, software, unusable};
use crate::{
    args::Global,
    connect::{self, Server},
    convert::rfc3339,
    exit::{Code, Failure, Outcome},
    import::{ImportArgs, ImportOptions, ImportReport, LogReader},
    printer::{Format, Printer},
    stream::{BATCH_SAMPLES, SourceError, StreamClient, StreamError, StreamEvent, StreamTotals},
};

const EXAMPLES: &str = "\
Examples:
  coldbrake send trip.csv --vehicle van-07 --class van --software 4.2.0 --current charge-positive
  coldbrake send trip.csv --vehicle van-07 --class van --software 4.2.0 --current discharge-positive \\
      --start 2026-03-12T07:15:00Z --columns time=t:s,speed=v:km/h,altitude=h,brake=p_front:bar,current=i_batt";

/// Time between two lines of progress where no bar can be drawn.
const LINE_EVERY: Duration = Duration::from_secs(5);

/// Arguments of `send`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct SendArgs {
    /// The log
    #[command(flatten)]
    pub import: ImportArgs,

    /// Vehicle that drove it
    #[arg(long, value_name = "VEHICLE", value_parser = identifier)]
    pub vehicle: String,

    /// Class of the vehicle, as registered with the server
    #[arg(long, value_name = "CLASS", value_parser = identifier)]
    pub class: String,

    /// Software version of the vehicle
    #[arg(long, value_name = "VERSION", value_parser = software)]
    pub software: String,

    /// Gross mass on this trip, kg [default: that of the class]
    #[arg(long, value_name = "KG", value_parser = mass)]
    pub mass: Option<f64>,

    /// Send it although the server has later samples of the vehicle
    #[arg(long)]
    pub again: bool,

    /// Give up when nothing moves on for this long, seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 60, value_parser = clap::value_parser!(u64).range(1..=86_400))]
    pub patience: u64,
}

/// Runs the command.
pub async fn run(args: SendArgs, global: &Global, printer: &mut Printer) -> Outcome {
    let options = args
        .import
        .options()
        .map_err(|wrong| Failure::new(Code::Usage, wrong))?;
    // The whole file is read once before the first sample leaves: a session is never left in the middle of a file that
    // turns out to be broken.
    let checked = {
        let (args, options) = (args.clone(), options.clone());
        let work = tokio::task::spawn_blocking(move || check(&args, &options));
        work.await
            .map_err(|e| Failure::new(Code::Partial, format!("the check of the log broke off: {e}")))??
    };
    if checked.report.start_assumed {
        return Err(Failure::new(
            Code::BadInput,
            format!(
                "{}: the log counts the time from its start, and when that was is not known",
                args.import.file.display()
            ),
        )
        .help("give the time of day of its first row: --start 2026-03-12T07:15:00Z"));
    }
    say_what_was_read(&checked.report, printer);
    let server = Server::connect(&global.server, global.timeout()).await?;
    let has_later = has_later_samples(&server, &args.vehicle, &checked, printer).await?;
    let mut client = StreamClient::new(
        server.channel(),
        &args.vehicle,
        &args.class,
        checked.opening.clone(),
    )
    .patience(Duration::from_secs(args.patience));
    if has_later.is_some() && !args.again {
        client = client.only_resume();
    }
    let source = LogReader::open(&args.import.file, &options).map_err(|e| unusable(&e))?;
    let mut progress = Progress::new(printer, checked.batches);
    let totals = client
        .run(batches(source), |event, totals| progress.show(event, totals))
        .await;
    progress.end();
    let totals = totals.map_err(|e| failed(e, &args, has_later))?;
    summary(&args, &checked, &totals, printer)
}

/// What a log file holds, known before anything is sent.
#[derive(Clone, Debug)]
struct Checked {
    opening: Opening,
    batches: u64,
    report: ImportReport,
}

fn check(args: &SendArgs, options: &ImportOptions) -> Result<Checked, Failure> {
    let path = &args.import.file;
    let mut reader = LogReader::open(path, options).map_err(|e| unusable(&e))?;
    let mut batches = 0;
    while reader
        .next_batch(BATCH_SAMPLES)
        .map_err(|e| unusable(&e))?
        .is_some()
    {
        batches += 1;
    }
    let opening = Opening {
        session: session(path, args, options)?,
        software_version: args.software.clone(),
        brake_kind: reader.brake_kind(),
        current_sign: reader.current_sign(),
        declared_mass_kg: args.mass,
        declared_mass_uncertainty: None,
    };
    Ok(Checked {
        opening,
        batches,
        report: reader.report().clone(),
    })
}

/// Derives the session: SHA-256 over the vehicle, the way of reading and the bytes of the file, its first 16 bytes.
fn session(path: &Path, args: &SendArgs, options: &ImportOptions) -> Result<Session, Failure> {
    let mut hash = Sha256::new();
    // The debug form of the options names every one of them, and begins and ends unmistakably.
    hash.update(format!(
        "coldbrake session 1\0{}\0{BATCH_SAMPLES}\0{options:?}\0",
        args.vehicle
    ));
    let cannot_read = |e| Failure::new(Code::BadInput, format!("{}: cannot be read: {e}", path.display()));
    let mut file = std::fs::File::open(path).map_err(cannot_read)?;
    let mut buffer = vec![0; 1 << 16];
    loop {
        let n = file.read(&mut buffer).map_err(cannot_read)?;
        if n == 0 {
            break;
        }
        hash.update(&buffer[..n]);
    }
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&hash.finalize()[..16]);
    Ok(Session(bytes))
}

/// Returns the time of the vehicle's last sample when it lies within or after the log: then the log, or a later one,
/// may have been sent already.
async fn has_later_samples(
    server: &Server,
    vehicle: &str,
    checked: &Checked,
    printer: &mut Printer,
) -> Result<Option<i64>, Failure> {
    let request = GetVehicleRequest {
        vehicle: vehicle.to_owned(),
    };
    let last = match server.fleet().get_vehicle(request).await {
        Ok(answer) => answer.into_inner().vehicle.and_then(|v| v.last_sample_time_ms),
        Err(status) if status.code() == GrpcCode::NotFound => None,
        // A vehicle reads nothing, not even of itself.
        Err(status) if status.code() == GrpcCode::PermissionDenied => {
            printer.say(
                "note: the certificate of a vehicle may not ask what was sent before: do not send a log twice with other logs between",
            );
            None
        }
        Err(status) => return Err(connect::refused(&status)),
    };
    let first = checked.report.time_ms.map(|(first, _)| first);
    Ok(last.filter(|last| first.is_some_and(|first| *last >= first)))
}

fn batches(mut reader: LogReader) -> impl tokio_stream::Stream<Item = Result<Batch, SourceError>> + Send {
    // A batch is some 10 KiB of text: reading it holds up nobody.
    tokio_stream::iter(std::iter::from_fn(move || {
        reader
            .next_batch(BATCH_SAMPLES)
            .map_err(SourceError::from)
            .transpose()
    }))
}

fn failed(error: StreamError, args: &SendArgs, has_later: Option<i64>) -> Failure {
    match error {
        StreamError::Refused(status) => connect::refused(&status),
        StreamError::GaveUp { .. } => Failure::new(Code::Unreachable, error.to_string())
            .help("run the same command again: it goes on where the server stands, and counts nothing twice"),
        StreamError::NotResumed => {
            let until = has_later.map_or_else(String::new, |t| format!(" up to {}", rfc3339(t)));
            Failure::new(
                Code::BadInput,
                format!(
                    "the server has samples of `{}`{until} already, and {} begins before that",
                    args.vehicle,
                    args.import.file.display()
                ),
            )
            .note("it may have been sent before, or a later log was; sent again, its descents would count twice")
            .help("send logs of a vehicle in the order of time; to send this one all the same: --again")
        }
        StreamError::Source(_) => Failure::new(Code::BadInput, error.to_string())
            .help("the file changed while it was sent: send it again when it is complete"),
        StreamError::BatchTooLong { .. } => Failure::new(Code::BadInput, error.to_string()),
    }
}

fn summary(args: &SendArgs, checked: &Checked, totals: &StreamTotals, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => printer.json(&json!({
            "format": "coldbrake.send/1",
            "vehicle": args.vehicle,
            "session": checked.opening.session.to_string(),
            "samples": totals.samples,
            "batches": totals.batches,
            "durable_before": totals.durable_before,
            "sent": totals.sent,
            "resent": totals.resent,
            "rejected": totals.rejected,
            "reconnects": totals.reconnects,
            "skipped_rows": checked.report.skipped,
        }))?,
        Format::Csv => {
            let header = [
                "vehicle",
                "samples",
                "batches",
                "durable_before",
                "sent",
                "resent",
                "rejected",
                "reconnects",
            ];
            let numbers = [
                totals.samples,
                totals.batches,
                totals.durable_before,
                totals.sent,
                totals.resent,
                totals.rejected,
                totals.reconnects,
            ];
            let row = std::iter::once(args.vehicle.clone())
                .chain(numbers.map(|n| n.to_string()))
                .collect();
            printer.csv(&header, [row])?;
        }
        Format::Table => {
            for line in summary_lines(args, totals) {
                printer.line(&line)?;
            }
        }
    }
    for rejection in &totals.rejections {
        for v in &rejection.violations {
            printer.say(&format!(
                "batch {} refused: `{}` {}",
                rejection.sequence, v.field, v.description
            ));
        }
    }
    if totals.rejected > 0 {
        return Err(Failure::new(
            Code::Partial,
            format!("{} of {} batches were refused and will not be counted", totals.rejected, totals.batches),
        )
        .help("the reasons stand above; a wrong unit or sign is the usual one: `coldbrake analyse` tells without a server"));
    }
    printer.say(&format!(
        "next: coldbrake descents list --vehicle {}",
        args.vehicle
    ));
    Ok(())
}

fn summary_lines(args: &SendArgs, totals: &StreamTotals) -> Vec<String> {
    let mut lines = vec![format!(
        "{}: {} samples in {} batches, all durable",
        args.vehicle, totals.samples, totals.batches
    )];
    if totals.sent == 0 && totals.batches > 0 {
        lines.push("  all of it had been sent before: nothing counts twice".to_owned());
    } else if totals.durable_before > 0 {
        lines.push(format!(
            "  {} had been sent before, {} now",
            totals.durable_before, totals.sent
        ));
    }
    for (count, what) in [
        (totals.resent, "sent again after a lost connection or a rewind"),
        (totals.rejected, "refused"),
    ] {
        if count > 0 {
            lines.push(format!("  {count} {what}"));
        }
    }
    if totals.reconnects > 0 {
        lines.push(format!("  connected again {} times", totals.reconnects));
    }
    lines
}

/// A bar on a terminal, else a line now and then.
struct Progress<'a> {
    bar: Option<ProgressBar>,
    printer: &'a mut Printer,
    total: u64,
    last_line: Instant,
}

impl<'a> Progress<'a> {
    fn new(printer: &'a mut Printer, total: u64) -> Self {
        let bar = printer.progress_bar("{bar:30} {pos} of {len} batches durable, {elapsed}  {msg}", total);
        Self {
            bar,
            printer,
            total,
            last_line: Instant::now(),
        }
    }

    fn show(&mut self, event: StreamEvent<'_>, totals: &StreamTotals) {
        // The end of the session has a number too.
        let durable = u64::try_from(totals.durable_through).unwrap_or(0).min(self.total);
        let news = match event {
            StreamEvent::Opened { durable_through: 0 } | StreamEvent::Durable => None,
            StreamEvent::Opened { .. } if totals.reconnects > 0 => Some("connected again".to_owned()),
            StreamEvent::Opened { .. } => Some(format!("going on after batch {durable}")),
            StreamEvent::Rejected { sequence, .. } => Some(format!("batch {sequence} refused")),
            StreamEvent::Gap { first, last } => Some(format!(
                "the server lost batches {first} to {last} after acknowledging them: declared as a gap"
            )),
            StreamEvent::Reconnecting { delay, why } => {
                Some(format!("{why}: connecting again in {:.1} s", delay.as_secs_f64()))
            }
        };
        if let Some(bar) = &self.bar {
            bar.set_position(durable);
            if let Some(news) = news {
                bar.set_message(news);
            } else {
                bar.set_message("");
            }
        } else if let Some(news) = news {
            self.printer.say(&news);
        } else if self.last_line.elapsed() >= LINE_EVERY {
            self.last_line = Instant::now();
            self.printer
                .say(&format!("{durable} of {} batches durable", self.total));
        }
    }

    fn end(self) {
        if let Some(bar) = self.bar {
            bar.finish_and_clear();
        }
    }
}

#[cfg(test)]
mod tests;
