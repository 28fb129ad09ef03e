//! Group commit: one writer thread gathers changes, makes them durable together, and only then tells how far.
//!
//! The state of a vehicle carries its watermark, and travels in one [`CommitBatch`] with the descents that its batches
//! closed: after a crash either both are there or neither.

mod desk;
mod group;

use std::{
    collections::HashMap,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::Arc,
    time::Instant,
};

use coldbrake_engine::{FinishedDescent, VehicleClass, wear::Recorded};
use tokio::{
    runtime::Handle,
    sync::{mpsc, oneshot, watch},
    time::timeout,
};

pub(crate) use self::desk::{Desk, Edit};
use self::group::{Group, Split};
use crate::{
    fault::{self, Point},
    shared::{Counters, Shared},
    status::Refusal,
    store::{AuditRecord, CommitBatch, ShelfChange, StoreError, VehicleRecord},
};

/// How far a vehicle's session is durable. Shared by its shard, the writer and its stream.
#[derive(Debug)]
pub(crate) struct Mark {
    progress: watch::Sender<Progress>,
}

/// What is durable of a vehicle.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Durable {
    /// Highest sequence number of the session that is durable.
    pub(crate) through: i64,
    /// Version of the state in memory that is durable.
    pub(crate) version: u64,
}

/// What a stream hears of the vehicle's session.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Progress {
    /// What is durable.
    pub(crate) durable: Durable,
    /// Why nothing more of this vehicle can become durable.
    pub(crate) refused: Option<Arc<str>>,
}

impl Mark {
    /// Begins a session, or takes up one that is durable up to a number.
    pub(crate) fn new(durable: Durable) -> Arc<Self> {
        Arc::new(Self {
            progress: watch::Sender::new(Progress {
                durable,
                refused: None,
            }),
        })
    }

    /// Returns the version of the state that is durable.
    pub(crate) fn version(&self) -> u64 {
        self.progress.borrow().durable.version
    }

    /// Returns whether nothing more of the vehicle can become durable.
    pub(crate) fn is_refused(&self) -> bool {
        self.progress.borrow().refused.is_some()
    }

    /// Returns a receiver that is told of every advance.
    pub(crate) fn watch(&self) -> watch::Receiver<Progress> {
        self.progress.subscribe()
    }

    fn advance(&self, to: Durable) {
        self.progress.send_if_modified(|known| {
            let advanced = to.version > known.durable.version;
            if advanced {
                known.durable = to;
            }
            advanced
        });
    }

    fn refuse(&self, reason: &Arc<str>) {
        self.progress
            .send_modify(|known| known.refused = Some(Arc::clone(reason)));
    }
}

/// A vehicle as it is after some batches, with what those brought about.
#[derive(Debug)]
pub(crate) struct Change {
    pub(crate) record: VehicleRecord,
    pub(crate) state: Vec<u8>,
    pub(crate) descents: Vec<FinishedDescent>,
    /// Services of the brakes that are in the state.
    pub(crate) services: Vec<Entry>,
    pub(crate) mark: Arc<Mark>,
    /// What is durable once this is.
    pub(crate) durable: Durable,
}

/// A service of the brakes that the state of a vehicle holds: its history becomes durable with that state, and whoever
/// told of it hears when it is.
#[derive(Debug)]
pub(crate) struct Entry {
    /// What is written beside the state; `None` when the very same was recorded before.
    pub(crate) history: Option<(ShelfChange, AuditRecord)>,
    pub(crate) recorded: Recorded,
    pub(crate) reply: oneshot::Sender<Result<Recorded, Refusal>>,
}

/// The way back to whoever waits for a change to become durable.
pub(crate) type Reply = oneshot::Sender<Result<(), Refusal>>;

/// A class to register.
#[derive(Debug)]
pub(crate) struct Registration {
    pub(crate) class: VehicleClass,
    pub(crate) audit: AuditRecord,
    pub(crate) reply: Reply,
}

/// What the writer is asked to make durable.
#[derive(Debug)]
pub(crate) enum Request {
    Vehicle(Box<Change>),
    Class(Box<Registration>),
    Edit(Edit),
}

/// The way to the writer, and the sign that it has ended.
#[derive(Debug)]
pub(crate) struct Writer {
    pub(crate) requests: mpsc::Sender<Request>,
    /// Resolves when all senders are gone and everything asked for is durable.
    pub(crate) ended: oneshot::Receiver<()>,
}

/// Starts the writer thread.
pub(crate) fn start(shared: Arc<Shared>, desk: Desk) -> std::io::Result<Writer> {
    let (requests, inbox) = mpsc::channel(shared.config.commit.queue);
    let (done, ended) = oneshot::channel();
    let runtime = Handle::current();
    std::thread::Builder::new()
        .name("coldbrake-writer".to_owned())
        .spawn(move || {
            run(&shared, desk, inbox, &runtime);
            drop(shared);
            let _ = done.send(());
        })?;
    Ok(Writer { requests, ended })
}

fn run(shared: &Shared, mut desk: Desk, mut inbox: mpsc::Receiver<Request>, runtime: &Handle) {
    let limits = shared.config.commit;
    let mut refused = Refused::default();
    let mut held = None;
    let mut last_commit = Instant::now()
        .checked_sub(limits.linger)
        .unwrap_or_else(Instant::now);
    while let Some(first) = held.take().or_else(|| inbox.blocking_recv()) {
        let first = match first {
            Request::Edit(change) => {
                edit(shared, &mut desk, change);
                continue;
            }
            other => other,
        };
        let mut group = Group::new(limits);
        // The first always fits: a change beyond the limits goes alone.
        refused.add(&mut group, first);
        held = gather(&mut group, &refused, &mut inbox, runtime, last_commit);
        last_commit = Instant::now();
        commit(shared, &mut desk, &mut refused, group);
    }
}

/// Vehicles of which the store refused a change, and why. What they bring later builds upon what is lost: it must not
/// become durable. A restart takes them up from what is.
#[derive(Debug, Default)]
struct Refused(HashMap<String, Arc<str>>);

impl Refused {
    fn add(&self, group: &mut Group, request: Request) {
        match request {
            Request::Vehicle(change) if self.0.contains_key(&change.record.vehicle) => {
                if let Some(reason) = self.0.get(&change.record.vehicle) {
                    change.mark.refuse(reason);
                }
                for entry in change.services {
                    let fault = Refusal::VehicleFault(change.record.vehicle.clone());
                    let _ = entry.reply.send(Err(fault));
                }
            }
            request => group.add(request),
        }
    }
}

/// Takes what waits, and waits for more as long as the last commit is too recent. Returns the request that did not fit.
fn gather(
    group: &mut Group,
    refused: &Refused,
    inbox: &mut mpsc::Receiver<Request>,
    runtime: &Handle,
    last_commit: Instant,
) -> Option<Request> {
    let until = last_commit + group.limits().linger;
    loop {
        let next = match inbox.try_recv() {
            Ok(request) => request,
            Err(mpsc::error::TryRecvError::Disconnected) => return None,
            Err(mpsc::error::TryRecvError::Empty) => {
                let left = until.saturating_duration_since(Instant::now());
                if left.is_zero() {
                    return None;
                }
                match runtime.block_on(async { timeout(left, inbox.recv()).await }) {
                    Ok(Some(request)) => request,
                    Ok(None) | Err(_) => return None,
                }
            }
        };
        if !group.fits(&next) {
            return Some(next);
        }
        refused.add(group, next);
    }
}

/// Makes a group durable and tells everyone concerned.
fn commit(shared: &Shared, desk: &mut Desk, refused: &mut Refused, mut group: Group) {
    if group.batch.is_empty() {
        return;
    }
    let failed = shared.store_failure.borrow().clone();
    if let Some(reason) = failed {
        group.refuse_callers(&Refusal::StoreFailed(reason.to_string()));
        return;
    }
    let begun = Instant::now();
    desk.prepare(&mut group.batch);
    group.put_services();
    fault::reach(Point::Gathered);
    let span = shared.traces.as_ref().map(|traces| {
        traces.commit(
            group.batch.states.len(),
            group.batch.descents.len(),
            group.bytes(),
        )
    });
    let written = write(shared, &group.batch);
    if let Some(span) = span {
        span.end(written.is_ok());
    }
    match written {
        Ok(()) => {
            fault::reach(Point::Committed);
            desk.written();
            Counters::add(&shared.counters.commits);
            shared.meters.committed(begun.elapsed(), group.bytes());
            tell(shared, group);
            fault::reach(Point::Told);
        }
        // Nothing was written. One member is at fault: the others must not suffer from it.
        Err(Failure::Refused(reason)) => match withdrawn(desk, group).split() {
            Split::Alone(mut group) => {
                group.refuse_callers(&Refusal::TooLarge(reason.clone()));
                let reason: Arc<str> = Arc::from(reason);
                for (vehicle, _) in &group.batch.states {
                    tracing::error!(
                        vehicle,
                        reason = &*reason,
                        "the store refuses this vehicle: it is put aside"
                    );
                    refused.0.insert(vehicle.clone(), Arc::clone(&reason));
                }
                group.marks.iter().for_each(|(mark, _)| mark.refuse(&reason));
            }
            Split::Parts(parts) => parts
                .into_iter()
                .for_each(|part| commit(shared, desk, refused, part)),
        },
        Err(Failure::Broken(reason)) => {
            desk.refused();
            shared.fail(&reason);
            group.refuse_callers(&Refusal::StoreFailed(reason));
        }
    }
}

/// Takes out of a group what the desk has added, because it is not written as a whole.
fn withdrawn(desk: &mut Desk, mut group: Group) -> Group {
    desk.refused();
    group.batch.shelved.clear();
    group.take_services_back();
    group
}

/// Decides what a person asked for, and makes it durable in a commit of its own.
fn edit(shared: &Shared, desk: &mut Desk, edit: Edit) {
    let failed = shared.store_failure.borrow().clone();
    if let Some(reason) = failed {
        let _ = edit.reply.send(Err(Refusal::StoreFailed(reason.to_string())));
        return;
    }
    let (decided, reply) = edit.decide(desk);
    let outcome = decided.and_then(|batch| {
        write(shared, &batch).map_err(|failure| match failure {
            Failure::Refused(reason) => Refusal::TooLarge(reason),
            Failure::Broken(reason) => {
                shared.fail(&reason);
                Refusal::StoreFailed(reason)
            }
        })
    });
    if outcome.is_ok() {
        desk.written();
        Counters::add(&shared.counters.commits);
    } else {
        desk.refused();
    }
    // Whoever asked may have gone.
    let _ = reply.send(outcome);
}

fn tell(shared: &Shared, group: Group) {
    let Group {
        batch,
        marks,
        registrations,
        services,
        ..
    } = group;
    if !registrations.is_empty() {
        let mut classes = shared.classes.load_full().as_ref().clone();
        for (class, _) in &registrations {
            classes.insert(class.vehicle_class.clone(), Arc::clone(class));
        }
        shared.classes.store(Arc::new(classes));
    }
    for (mark, durable) in marks {
        mark.advance(durable);
    }
    for (_, reply) in registrations {
        let _ = reply.send(Ok(()));
    }
    for (_, entry) in services {
        let _ = entry.reply.send(Ok(entry.recorded));
    }
    for finished in batch.descents {
        tracing::debug!(
            vehicle = finished.descent.vehicle,
            descent = finished.descent.descent,
            "descent recorded"
        );
        // Nobody watching is no failure.
        let _ = shared.recorded.send(Arc::new(finished.descent));
    }
}

enum Failure {
    /// The batch holds something that can never be stored; nothing was written.
    Refused(String),
    /// The store takes nothing more.
    Broken(String),
}

fn write(shared: &Shared, batch: &CommitBatch) -> Result<(), Failure> {
    // A store must not panic; if one does, the server says so instead of hanging every stream.
    match catch_unwind(AssertUnwindSafe(|| shared.store.commit(batch))) {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error @ (StoreError::TooLarge { .. } | StoreError::BadKey { .. }))) => {
            Err(Failure::Refused(error.to_string()))
        }
        Ok(Err(error)) => Err(Failure::Broken(error.to_string())),
        Err(_) => Err(Failure::Broken(
            "the store stopped in the middle of a write".to_owned(),
        )),
    }
}
