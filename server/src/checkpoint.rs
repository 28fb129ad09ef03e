//! Group commit: one writer thread gathers changes, makes them durable together, and only then tells how far.
//!
//! The state of a vehicle carries its watermark, and travels in one [`CommitBatch`] with the descents that its batches
//! closed: after a crash either both are there or neither.

mod group;

use std::{
    panic::{AssertUnwindSafe, catch_unwind},
    sync::Arc,
    time::Instant,
};

use coldbrake_engine::{FinishedDescent, VehicleClass};
use tokio::{
    runtime::Handle,
    sync::{mpsc, oneshot, watch},
    time::timeout,
};

use self::group::Group;
use crate::{
    shared::{Counters, Shared},
    status::Refusal,
    store::{AuditRecord, CommitBatch, VehicleRecord},
};

/// How far a vehicle's session is durable. Shared by its shard, the writer and its stream.
#[derive(Debug)]
pub(crate) struct Mark {
    durable: watch::Sender<Durable>,
}

/// What is durable of a vehicle.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Durable {
    /// Highest sequence number of the session that is durable.
    pub(crate) through: i64,
    /// Version of the state in memory that is durable.
    pub(crate) version: u64,
}

impl Mark {
    /// Begins a session, or takes up one that is durable up to a number.
    pub(crate) fn new(durable: Durable) -> Arc<Self> {
        Arc::new(Self {
            durable: watch::Sender::new(durable),
        })
    }

    /// Returns what is durable.
    pub(crate) fn get(&self) -> Durable {
        *self.durable.borrow()
    }

    /// Returns a receiver that is told of every advance.
    pub(crate) fn watch(&self) -> watch::Receiver<Durable> {
        self.durable.subscribe()
    }

    fn advance(&self, to: Durable) {
        self.durable.send_if_modified(|known| {
            let advanced = to.version > known.version;
            if advanced {
                *known = to;
            }
            advanced
        });
    }
}

/// A vehicle as it is after some batches, with what those brought about.
#[derive(Debug)]
pub(crate) struct Change {
    pub(crate) record: VehicleRecord,
    pub(crate) state: Vec<u8>,
    pub(crate) descents: Vec<FinishedDescent>,
    pub(crate) mark: Arc<Mark>,
    /// What is durable once this is.
    pub(crate) durable: Durable,
}

/// A class to register.
#[derive(Debug)]
pub(crate) struct Registration {
    pub(crate) class: VehicleClass,
    pub(crate) audit: AuditRecord,
    pub(crate) reply: oneshot::Sender<Result<(), Refusal>>,
}

/// What the writer is asked to make durable.
#[derive(Debug)]
pub(crate) enum Request {
    Vehicle(Box<Change>),
    Class(Box<Registration>),
}

/// The way to the writer, and the sign that it has ended.
#[derive(Debug)]
pub(crate) struct Writer {
    pub(crate) requests: mpsc::Sender<Request>,
    /// Resolves when all senders are gone and everything asked for is durable.
    pub(crate) ended: oneshot::Receiver<()>,
}

/// Starts the writer thread.
pub(crate) fn start(shared: Arc<Shared>) -> std::io::Result<Writer> {
    let (requests, inbox) = mpsc::channel(shared.config.commit.queue);
    let (done, ended) = oneshot::channel();
    let runtime = Handle::current();
    std::thread::Builder::new()
        .name("coldbrake-writer".to_owned())
        .spawn(move || {
            run(&shared, inbox, &runtime);
            drop(shared);
            let _ = done.send(());
        })?;
    Ok(Writer { requests, ended })
}

fn run(shared: &Shared, mut inbox: mpsc::Receiver<Request>, runtime: &Handle) {
    let limits = shared.config.commit;
    let mut held = None;
    let mut last_commit = Instant::now()
        .checked_sub(limits.linger)
        .unwrap_or_else(Instant::now);
    while let Some(first) = held.take().or_else(|| inbox.blocking_recv()) {
        let mut group = Group::new(limits);
        // The first always fits: a change beyond the limits goes alone.
        group.add(first);
        held = gather(&mut group, &mut inbox, runtime, last_commit);
        last_commit = Instant::now();
        commit(shared, group);
    }
}

/// Takes what waits, and waits for more as long as the last commit is too recent. Returns the request that did not fit.
fn gather(
    group: &mut Group,
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
        group.add(next);
    }
}

fn commit(shared: &Shared, group: Group) {
    let Group {
        batch,
        marks,
        registrations,
        ..
    } = group;
    let failed = shared.store_failure.borrow().clone();
    let outcome = match failed {
        Some(reason) => Err(reason.to_string()),
        None => write(shared, &batch),
    };
    if let Err(reason) = outcome {
        shared.fail(&reason);
        for (_, reply) in registrations {
            let _ = reply.send(Err(Refusal::StoreFailed(reason.clone())));
        }
        return;
    }
    Counters::add(&shared.counters.commits);
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

fn write(shared: &Shared, batch: &CommitBatch) -> Result<(), String> {
    // A store must not panic; if one does, the server says so instead of hanging every stream.
    match catch_unwind(AssertUnwindSafe(|| shared.store.commit(batch))) {
        Ok(result) => result.map_err(|e| e.to_string()),
        Err(_) => Err("the store stopped in the middle of a write".to_owned()),
    }
}
