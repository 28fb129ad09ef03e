//! A fleet that streams through the real client and never loses patience.

use std::{
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering::Relaxed},
    },
    time::Duration,
};

use coldbrake::stream::{SourceError, StreamClient, StreamEvent};
use coldbrake_engine::{Batch, Opening, Session};
use tokio::{sync::watch, task::JoinSet};
use tokio_stream::StreamExt as _;

use super::dial::Dial;
use crate::{
    case::Case,
    disturb::{Disturbance, disturb},
    log,
};

/// Cases with descents that end within one log, short ones: many sessions, many descents.
const CASES: [&str; 3] = ["r06_rolling", "r05_power_limited", "r03_stop_and_go"];

/// Samples in a batch.
const BATCH: usize = 60;

/// Time from the beginning of a session of a vehicle to the next.
const SESSION_MS: i64 = 7 * 3_600_000;

/// How long a vehicle tries without any progress.
const PATIENCE: Duration = Duration::from_secs(120);

/// What vehicles drive. The same numbers give the same fleet.
#[derive(Debug)]
pub struct Fleet {
    vehicles: Vec<Arc<Vehicle>>,
    classes: Vec<String>,
}

#[derive(Debug)]
struct Vehicle {
    name: String,
    class: String,
    sessions: Vec<(Opening, Vec<Batch>)>,
}

impl Fleet {
    /// Draws a fleet in which every vehicle has at least a number of batches.
    pub fn new(vehicles: usize, batches: usize, seed: u64) -> Self {
        let cases = CASES.map(Case::load);
        let mut classes: Vec<String> = cases.iter().map(|c| toml::to_string(&c.class).unwrap()).collect();
        classes.dedup();
        let vehicles = (0..vehicles)
            .map(|k| {
                let case = &cases[k % cases.len()];
                let mut sessions = Vec::new();
                let mut drawn = 0;
                while drawn < batches {
                    let number = sessions.len();
                    let session = one_session(case, k, number, seed);
                    drawn += session.1.len();
                    sessions.push(session);
                }
                Arc::new(Vehicle {
                    name: format!("unit-{k:02}"),
                    class: case.class.vehicle_class.clone(),
                    sessions,
                })
            })
            .collect();
        Self { vehicles, classes }
    }

    /// Returns the classes of the vehicles, as documents.
    pub fn classes(&self) -> Vec<String> {
        self.classes.clone()
    }

    /// Returns whether a session of any vehicle ends with its batch of this number, counted from 1 over all its sessions.
    pub fn ends_a_session(&self, batch: usize) -> bool {
        self.vehicles.iter().any(|vehicle| {
            let mut end = 0;
            vehicle.sessions.iter().any(|(_, batches)| {
                end += batches.len();
                end == batch
            })
        })
    }

    /// Lets every vehicle begin to stream, as far as [`Streams::release`] lets it.
    pub fn begin(&self, dial: &Dial) -> Streams {
        let released = watch::Sender::new(0);
        let mut tasks = JoinSet::new();
        let mut heard = Vec::new();
        for vehicle in &self.vehicles {
            let durable = Arc::new(AtomicUsize::new(0));
            heard.push(Arc::clone(&durable));
            tasks.spawn(drive(
                Arc::clone(vehicle),
                dial.clone(),
                released.subscribe(),
                durable,
            ));
        }
        Streams {
            released,
            heard,
            tasks,
        }
    }
}

fn one_session(case: &Case, vehicle: usize, number: usize, seed: u64) -> (Opening, Vec<Batch>) {
    let mut log = disturb(
        &case.log,
        &Disturbance::default(),
        seed ^ ((vehicle as u64) << 32) ^ number as u64,
    );
    for time_ms in &mut log.time_ms {
        *time_ms += number as i64 * SESSION_MS;
    }
    let mut session = [0; 16];
    session[..8].copy_from_slice(&(vehicle as u64 + 1).to_be_bytes());
    session[8..].copy_from_slice(&(number as u64).to_be_bytes());
    let opening = Opening {
        session: Session(session),
        software_version: format!("2.{}.0", (vehicle + number) % 3),
        ..log::opening()
    };
    (opening, log::batches(&log, BATCH))
}

/// What became of the streams.
#[derive(Clone, Debug, Default)]
pub struct Driven {
    /// Batches sent for the first time.
    pub sent: u64,
    /// Batches sent again.
    pub resent: u64,
    /// Times that a vehicle connected again.
    pub reconnects: u64,
    /// What should not have happened.
    pub findings: Vec<String>,
}

/// Streams under way.
#[derive(Debug)]
pub struct Streams {
    released: watch::Sender<usize>,
    /// Batches that each vehicle has heard to be durable.
    heard: Vec<Arc<AtomicUsize>>,
    tasks: JoinSet<Driven>,
}

impl Streams {
    /// Lets every vehicle send its first batches up to a number.
    pub fn release(&self, batches: usize) {
        self.released.send_if_modified(|known| {
            let is_more = batches > *known;
            *known = batches.max(*known);
            is_more
        });
    }

    /// Returns how many of its first batches every vehicle has heard to be durable.
    pub fn heard(&self) -> usize {
        self.heard.iter().map(|n| n.load(Relaxed)).min().unwrap_or(0)
    }

    /// Waits until everything is durable.
    pub async fn end(mut self) -> Driven {
        let mut sum = Driven::default();
        while let Some(driven) = self.tasks.join_next().await {
            let driven = driven.unwrap();
            sum.sent += driven.sent;
            sum.resent += driven.resent;
            sum.reconnects += driven.reconnects;
            sum.findings.extend(driven.findings);
        }
        sum
    }
}

/// Streams all sessions of a vehicle.
async fn drive(
    vehicle: Arc<Vehicle>,
    dial: Dial,
    released: watch::Receiver<usize>,
    heard: Arc<AtomicUsize>,
) -> Driven {
    let mut driven = Driven::default();
    let mut first = 0;
    for (opening, batches) in &vehicle.sessions {
        let mut findings = Vec::new();
        let mut acknowledged = 0;
        let name = &vehicle.name;
        // The end of a session has a number too, behind its batches.
        let note = |through: i64| {
            let batches = usize::try_from(through).unwrap_or(0).min(batches.len());
            heard.fetch_max(first + batches, Relaxed);
        };
        let hear = |event: StreamEvent<'_>, totals: &coldbrake::stream::StreamTotals| match event {
            StreamEvent::Opened { durable_through } => {
                if durable_through < acknowledged {
                    findings.push(format!(
                        "{name}: batch {acknowledged} was acknowledged, and now only {durable_through} is durable"
                    ));
                }
                note(durable_through);
            }
            StreamEvent::Durable => {
                acknowledged = acknowledged.max(totals.durable_through);
                note(acknowledged);
            }
            StreamEvent::Rejected { sequence, violations } => {
                findings.push(format!("{name}: batch {sequence} was refused: {violations:?}"));
            }
            StreamEvent::Gap { first, last } => {
                findings.push(format!("{name}: batches {first} to {last} are lost"));
            }
            StreamEvent::Reconnecting { .. } => {}
        };
        let source = tokio_stream::iter(batches.clone().into_iter().zip(first..)).then(|(batch, number)| {
            let mut released = released.clone();
            async move {
                let open = released.wait_for(|until| *until > number).await;
                open.map(|_| batch).map_err(SourceError::from)
            }
        });
        let totals = StreamClient::new(dial.channel(), name, &vehicle.class, opening.clone())
            .first_delay(Duration::from_millis(10))
            .patience(PATIENCE)
            .run(source, hear)
            .await;
        driven.findings.append(&mut findings);
        match totals {
            Ok(totals) => {
                driven.sent += totals.sent;
                driven.resent += totals.resent;
                driven.reconnects += totals.reconnects;
            }
            Err(error) => {
                driven.findings.push(format!("{name}: {error}"));
                return driven;
            }
        }
        first += batches.len();
    }
    driven
}
