//! The simulated fleet on the wire: one connection and one stream per vehicle.

use std::{
    sync::Arc,
    time::{Duration, Instant},
};

use coldbrake_engine::Batch;
use coldbrake_proto::v1::PutVehicleClassRequest;
use indicatif::ProgressBar;
use tokio::{
    sync::{Semaphore, mpsc},
    task::JoinSet,
};
use tokio_stream::wrappers::ReceiverStream;

use crate::{
    connect::{Server, refused},
    demo::{
        Scenario, ScenarioError,
        scenario::{Kind, Member, Part, Told},
        sensors::cut,
    },
    exit::{Code, Failure},
    printer::Printer,
    show,
    stream::{SourceError, StreamClient, StreamError, StreamTotals},
};

/// Samples in a batch: a minute.
const BATCH_SAMPLES: usize = 120;
/// Vehicles that stream at the same time.
const AT_ONCE: usize = 64;
/// Batches of a vehicle that wait to be sent.
const WAITING: usize = 8;

/// A descent as it was driven, with its vehicle.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Driven {
    pub(super) vehicle: String,
    pub(super) told: Told,
}

/// What the whole fleet streamed.
#[derive(Clone, Debug, Default)]
pub(super) struct Streamed {
    pub(super) driven: Vec<Driven>,
    pub(super) samples: u64,
    pub(super) sent: u64,
    pub(super) durable_before: u64,
    pub(super) resent: u64,
    pub(super) rejected: u64,
    pub(super) took: Duration,
}

impl Streamed {
    fn add(&mut self, totals: &StreamTotals, driven: Vec<Driven>) {
        self.driven.extend(driven);
        self.samples += totals.samples;
        self.sent += totals.sent;
        self.durable_before += totals.durable_before;
        self.resent += totals.resent;
        self.rejected += totals.rejected;
    }
}

/// A vehicle has driven another day.
struct DayDriven;

/// Registers the classes of the fleet.
pub(super) async fn register(server: &Server) -> Result<(), Failure> {
    for kind in Kind::ALL {
        let request = PutVehicleClassRequest {
            document_toml: kind.document().to_owned(),
        };
        server
            .fleet()
            .put_vehicle_class(request)
            .await
            .map_err(|e| refused(&e))?;
    }
    Ok(())
}

/// Streams every vehicle and returns when all of it is durable.
pub(super) async fn stream(
    server: &Server,
    scenario: Scenario,
    printer: &mut Printer,
) -> Result<Streamed, Failure> {
    let begun = Instant::now();
    let members = scenario.fleet();
    let places = Arc::new(Semaphore::new(AT_ONCE));
    let (days, mut driven_days) = mpsc::unbounded_channel();
    let mut tasks = JoinSet::new();
    for member in members {
        let (places, days, uri, timeout) = (
            Arc::clone(&places),
            days.clone(),
            server.uri.clone(),
            server.timeout,
        );
        tasks.spawn(async move {
            let _place = places.acquire_owned().await;
            stream_one(&uri, timeout, scenario, member, days).await
        });
    }
    drop(days);
    let mut progress = Progress::new(printer, u64::from(scenario.vehicles) * u64::from(scenario.days));
    let mut streamed = Streamed::default();
    loop {
        tokio::select! {
            Some(DayDriven) = driven_days.recv() => progress.step(),
            Some(done) = tasks.join_next() => {
                let (totals, driven) = done.map_err(|e| broke_off(&e))??;
                streamed.add(&totals, driven);
            }
            else => break,
        }
    }
    progress.end();
    // Vehicles end in any order; what is shown must not depend on it.
    streamed.driven.sort_by(|a, b| {
        (&a.vehicle, a.told.truth.start_time_ms).cmp(&(&b.vehicle, b.told.truth.start_time_ms))
    });
    streamed.took = begun.elapsed();
    Ok(streamed)
}

fn broke_off(error: &tokio::task::JoinError) -> Failure {
    Failure::new(Code::Partial, format!("a simulated vehicle broke down: {error}"))
}

async fn stream_one(
    uri: &str,
    timeout: Duration,
    scenario: Scenario,
    member: Member,
    days: mpsc::UnboundedSender<DayDriven>,
) -> Result<(StreamTotals, Vec<Driven>), Failure> {
    let server = Server::connect(uri, timeout).await?;
    let mut totals = StreamTotals::default();
    let mut driven = Vec::new();
    for part in scenario.parts(&member) {
        let opening = scenario.opening(&member, &part);
        let client = StreamClient::new(server.channel(), &member.vehicle, member.kind.class(), opening);
        let (batches, source) = mpsc::channel(WAITING);
        let (member, days) = (member.clone(), days.clone());
        // Simulating is work for a processor: it must not hold up the streams.
        let simulation =
            tokio::task::spawn_blocking(move || simulate(scenario, &member, &part, &batches, &days));
        let streamed = client
            .run(ReceiverStream::new(source), |_, _| ())
            .await
            .map_err(failed)?;
        let part_driven = simulation.await.map_err(|e| broke_off(&e))?;
        driven.extend(part_driven.map_err(|e| Failure::new(Code::Partial, e.to_string()))?);
        totals.samples += streamed.samples;
        totals.sent += streamed.sent;
        totals.durable_before += streamed.durable_before;
        totals.resent += streamed.resent;
        totals.rejected += streamed.rejected;
    }
    Ok((totals, driven))
}

/// Drives day after day and hands the samples over. A receiver that has gone away ends it.
fn simulate(
    scenario: Scenario,
    member: &Member,
    part: &Part,
    batches: &mpsc::Sender<Result<Batch, SourceError>>,
    days: &mpsc::UnboundedSender<DayDriven>,
) -> Result<Vec<Driven>, ScenarioError> {
    let mut driven = Vec::new();
    for day in part.days.clone() {
        let day = scenario.day(member, day)?;
        for batch in cut(&day.samples, BATCH_SAMPLES) {
            if batches.blocking_send(Ok(batch)).is_err() {
                return Ok(driven);
            }
        }
        driven.extend(day.descents.into_iter().map(|told| Driven {
            vehicle: member.vehicle.clone(),
            told,
        }));
        let _ = days.send(DayDriven);
    }
    Ok(driven)
}

fn failed(error: StreamError) -> Failure {
    match error {
        StreamError::Refused(status) => refused(&status),
        other => Failure::new(
            Code::Partial,
            format!("a simulated vehicle cannot stream: {other}"),
        ),
    }
}

/// A bar on a terminal, else a line every quarter.
struct Progress<'a> {
    bar: Option<ProgressBar>,
    printer: &'a mut Printer,
    total: u64,
    done: u64,
}

impl<'a> Progress<'a> {
    fn new(printer: &'a mut Printer, total: u64) -> Self {
        let bar = printer.progress_bar("streaming {bar:30} {pos} of {len} days driven, {elapsed}", total);
        Self {
            bar,
            printer,
            total,
            done: 0,
        }
    }

    fn step(&mut self) {
        self.done += 1;
        if let Some(bar) = &self.bar {
            bar.set_position(self.done);
        } else if self.done * 4 / self.total.max(1) > (self.done - 1) * 4 / self.total.max(1) {
            let days = show::count(self.total, "day", "days");
            self.printer
                .say(&format!("streaming: {} of {days} driven", self.done));
        }
    }

    fn end(self) {
        if let Some(bar) = self.bar {
            bar.finish_and_clear();
        }
    }
}
