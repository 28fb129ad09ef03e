//! The simulated fleet on the wire: one stream per vehicle, all of them on the same day of the scenario.

use std::{
    collections::BTreeSet,
    sync::{Arc, Mutex, PoisonError},
    time::{Duration, Instant},
};

use coldbrake_engine::Batch;
use coldbrake_proto::v1::{
    CreateGradeRequest, GradePoint, GradeSurvey, PutVehicleClassRequest, create_grade_request::Source,
};
use indicatif::ProgressBar;
use tokio::{
    sync::{mpsc, watch},
    task::JoinSet,
};
use tokio_stream::wrappers::ReceiverStream;

use crate::{
    command::grades,
    connect::{Server, refused},
    demo::{
        Scenario, ScenarioError,
        scenario::{Kind, Member, Part, Told},
        sensors::cut,
        survey::surveys,
    },
    exit::{Code, Failure, Outcome},
    printer::Printer,
    show,
    stream::{SourceError, StreamClient, StreamError, StreamTotals},
};

/// Samples in a batch: a minute.
const BATCH_SAMPLES: usize = 120;
/// Connections that the vehicles share.
const CONNECTIONS: usize = 32;
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

/// Makes the surveyed grades known. One that is known already stays as it is.
pub(super) async fn survey(server: &Server) -> Outcome {
    let known: BTreeSet<String> = grades::list(server).await?.into_iter().map(|g| g.grade).collect();
    for survey in surveys().iter().filter(|s| !known.contains(&s.grade)) {
        let points = survey
            .points
            .iter()
            .map(|&(distance_m, altitude_m)| GradePoint {
                distance_m,
                altitude_m,
            })
            .collect();
        let request = CreateGradeRequest {
            grade: survey.grade.clone(),
            display_name: survey.display_name.clone(),
            source: Some(Source::Survey(GradeSurvey {
                points,
                form: "survey of the scenario".to_owned(),
                ..GradeSurvey::default()
            })),
        };
        grades::create(server, request).await?;
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
    let mut connections = Vec::new();
    for _ in 0..CONNECTIONS.min(members.len()) {
        connections.push(Server::connect(&server.uri, server.timeout).await?);
    }
    let gate = Gate::new(members.len());
    let (days, mut driven_days) = mpsc::unbounded_channel();
    let mut tasks = JoinSet::new();
    for (place, (member, connection)) in members.into_iter().zip(connections.iter().cycle()).enumerate() {
        let pass = Pass {
            place,
            gate: Arc::clone(&gate),
            days: days.clone(),
        };
        tasks.spawn(stream_one(connection.clone(), scenario, member, pass));
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

/// Keeps all vehicles on the same day, as they are in life: alarms hear of the fleet in the order of time.
struct Gate {
    /// Days that each vehicle has driven.
    driven: Mutex<Vec<u32>>,
    /// Days that all have driven.
    open: watch::Sender<u32>,
}

impl Gate {
    fn new(vehicles: usize) -> Arc<Self> {
        Arc::new(Self {
            driven: Mutex::new(vec![0; vehicles]),
            open: watch::Sender::new(0),
        })
    }

    /// Waits until all vehicles have driven the days before this one.
    async fn wait(&self, day: u32) {
        // The sender lives as long as this.
        let _ = self.open.subscribe().wait_for(|open| *open >= day).await;
    }

    fn drove(&self, place: usize, days: u32) {
        let mut driven = self.driven.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(of_vehicle) = driven.get_mut(place) {
            *of_vehicle = days;
        }
        let all = driven.iter().copied().min().unwrap_or(days);
        self.open
            .send_if_modified(|open| std::mem::replace(open, all) != all);
    }
}

/// What a vehicle needs to drive with the others.
#[derive(Clone)]
struct Pass {
    place: usize,
    gate: Arc<Gate>,
    days: mpsc::UnboundedSender<DayDriven>,
}

fn broke_off(error: &tokio::task::JoinError) -> Failure {
    Failure::new(Code::Partial, format!("a simulated vehicle broke down: {error}"))
}

async fn stream_one(
    server: Server,
    scenario: Scenario,
    member: Member,
    pass: Pass,
) -> Result<(StreamTotals, Vec<Driven>), Failure> {
    let mut totals = StreamTotals::default();
    let mut driven = Vec::new();
    for part in scenario.parts(&member) {
        let opening = scenario.opening(&member, &part);
        let client = StreamClient::new(server.channel(), &member.vehicle, member.kind.class(), opening);
        let (batches, source) = mpsc::channel(WAITING);
        let feeder = tokio::spawn(feed(scenario, member.clone(), part, batches, pass.clone()));
        let streamed = client
            .run(ReceiverStream::new(source), |_, _| ())
            .await
            .map_err(failed)?;
        driven.extend(feeder.await.map_err(|e| broke_off(&e))??);
        totals.samples += streamed.samples;
        totals.sent += streamed.sent;
        totals.durable_before += streamed.durable_before;
        totals.resent += streamed.resent;
        totals.rejected += streamed.rejected;
    }
    Ok((totals, driven))
}

/// Drives day after day and hands the samples over. A receiver that has gone away ends it.
async fn feed(
    scenario: Scenario,
    member: Member,
    part: Part,
    batches: mpsc::Sender<Result<Batch, SourceError>>,
    pass: Pass,
) -> Result<Vec<Driven>, Failure> {
    let mut driven = Vec::new();
    for number in part.days {
        pass.gate.wait(number).await;
        let of_day = member.clone();
        // Simulating is work for a processor: it must not hold up the streams.
        let day = tokio::task::spawn_blocking(move || scenario.day(&of_day, number))
            .await
            .map_err(|e| broke_off(&e))?
            .map_err(|e: ScenarioError| Failure::new(Code::Partial, e.to_string()))?;
        for batch in cut(&day.samples, BATCH_SAMPLES) {
            if batches.send(Ok(batch)).await.is_err() {
                return Ok(driven);
            }
        }
        driven.extend(day.descents.into_iter().map(|told| Driven {
            vehicle: member.vehicle.clone(),
            told,
        }));
        pass.gate.drove(pass.place, number + 1);
        let _ = pass.days.send(DayDriven);
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
