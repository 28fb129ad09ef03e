//! Many vehicles, and the connections that they share.

use std::{
    collections::BTreeMap,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering::Relaxed},
    },
    time::Duration,
};

use hdrhistogram::Histogram;
use tokio::{
    sync::{Semaphore, watch},
    time::{Instant, sleep},
};
use tokio_util::{sync::CancellationToken, task::TaskTracker};
use tonic::transport::{Channel, ClientTlsConfig, Endpoint};

use super::{pki::Pki, road::Road, vehicle::Vehicle};

/// Histograms of latencies: vehicles share them, so that few wait for one another.
const LATENCY_PARTS: usize = 32;

/// Microseconds up to an hour, to three digits. It does not grow: what is later counts as an hour.
fn latencies() -> Histogram<u64> {
    Histogram::new_with_bounds(1, 3_600_000_000, 3).unwrap()
}

/// What a fleet does.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Where the server is.
    pub uri: String,
    /// Number of the first vehicle.
    pub first: usize,
    /// Number of vehicles.
    pub vehicles: usize,
    /// Vehicles that share a connection.
    pub per_connection: usize,
    /// Samples a second of each.
    pub rate_hz: f64,
    /// Time that a message covers, s.
    pub message_s: f64,
    /// Time from one message to the next; that which it covers unless the fleet hurries.
    pub period: Duration,
    /// Vehicles that open their stream at the same time.
    pub openings: usize,
    /// Certificates, for a server with TLS. A connection speaks for one vehicle then.
    pub pki: Option<Arc<Pki>>,
}

impl Plan {
    /// Returns a fleet with messages of five seconds at 10 Hz.
    pub fn new(uri: impl Into<String>, vehicles: usize, per_connection: usize) -> Self {
        Self {
            uri: uri.into(),
            first: 0,
            vehicles,
            per_connection: per_connection.max(1),
            rate_hz: 10.0,
            message_s: 5.0,
            period: Duration::from_secs(5),
            openings: 64,
            pki: None,
        }
    }
}

/// What the vehicles are told.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Order {
    /// Connections of an earlier epoch are dropped.
    pub(super) epoch: u64,
    /// Since when they drive; not at all when `None`.
    pub(super) drive_since: Option<Instant>,
}

/// What the vehicles of a fleet have in common.
pub(super) struct Common {
    pub(super) road: Road,
    pub(super) first: usize,
    pub(super) vehicles: usize,
    pub(super) period: Duration,
    pub(super) tally: Tally,
    pub(super) orders: watch::Sender<Order>,
    pub(super) turns: Semaphore,
    pub(super) over: CancellationToken,
}

/// What has happened, for all vehicles together.
#[derive(Default)]
pub(super) struct Tally {
    pub(super) open: AtomicU64,
    pub(super) opened: AtomicU64,
    pub(super) sent: AtomicU64,
    pub(super) sent_again: AtomicU64,
    pub(super) acknowledged: AtomicU64,
    pub(super) rewinds: AtomicU64,
    pub(super) rejected: AtomicU64,
    pub(super) drains: AtomicU64,
    pub(super) forgotten: AtomicU64,
    pub(super) most_on_their_way: AtomicU64,
    pub(super) recording: AtomicBool,
    /// Highest number of each vehicle that is known to be durable.
    pub(super) durable: Vec<AtomicI64>,
    losses: Mutex<BTreeMap<String, u64>>,
    latencies: Vec<Mutex<Histogram<u64>>>,
}

impl Tally {
    fn new(vehicles: usize) -> Self {
        Self {
            durable: (0..vehicles).map(|_| AtomicI64::new(0)).collect(),
            latencies: (0..LATENCY_PARTS).map(|_| Mutex::new(latencies())).collect(),
            ..Self::default()
        }
    }

    pub(super) fn lost(&self, reason: String) {
        *lock(&self.losses).entry(reason).or_default() += 1;
    }

    pub(super) fn latencies(&self, index: usize) -> MutexGuard<'_, Histogram<u64>> {
        lock(&self.latencies[index % LATENCY_PARTS])
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A connection that some vehicles share.
#[derive(Debug)]
pub(super) struct Gateway {
    uri: String,
    tls: Option<ClientTlsConfig>,
    known: tokio::sync::Mutex<Option<(u64, Channel)>>,
}

impl Gateway {
    /// Returns the connection of an epoch; the first who asks makes it.
    pub(super) async fn channel(&self, epoch: u64) -> Result<Channel, String> {
        let mut known = self.known.lock().await;
        if let Some((_, channel)) = known.as_ref().filter(|(made, _)| *made >= epoch) {
            return Ok(channel.clone());
        }
        let mut endpoint = Endpoint::from_shared(self.uri.clone())
            .map_err(|e| e.to_string())?
            .tcp_nodelay(true);
        if let Some(tls) = &self.tls {
            endpoint = endpoint.tls_config(tls.clone()).map_err(|e| root(&e))?;
        }
        let channel = endpoint
            .connect()
            .await
            .map_err(|e| format!("no connection: {}", root(&e)))?;
        *known = Some((epoch, channel.clone()));
        Ok(channel)
    }
}

/// Returns what the innermost cause says.
pub(super) fn root(error: &dyn std::error::Error) -> String {
    let mut last = error;
    while let Some(source) = last.source() {
        last = source;
    }
    last.to_string()
}

/// What has happened so far.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Streams that are open.
    pub open: u64,
    /// Streams opened.
    pub opened: u64,
    /// Messages sent, each once.
    pub sent: u64,
    /// Messages sent once more, after a connection was lost.
    pub sent_again: u64,
    /// Messages acknowledged.
    pub acknowledged: u64,
    /// Times that the server asked for an earlier message.
    pub rewinds: u64,
    /// Messages refused for what they hold.
    pub rejected: u64,
    /// Times that the server asked to connect elsewhere.
    pub drains: u64,
    /// Times that the server knew less than it had acknowledged: must be 0.
    pub forgotten: u64,
    /// Most messages of a vehicle without an acknowledgement.
    pub most_on_their_way: u64,
    /// Streams lost and connections refused, by reason.
    pub losses: BTreeMap<String, u64>,
}

/// A fleet that streams. Dropped, it ends.
pub struct Fleet {
    common: Arc<Common>,
    tasks: TaskTracker,
}

impl std::fmt::Debug for Fleet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Fleet")
            .field("counts", &self.counts())
            .finish_non_exhaustive()
    }
}

impl Fleet {
    /// Lets all vehicles open their streams; they send nothing until [`Fleet::drive`].
    pub fn start(plan: &Plan) -> Self {
        assert!(
            plan.pki.is_none() || plan.per_connection == 1,
            "with TLS each vehicle has a connection of its own"
        );
        let common = Arc::new(Common {
            road: Road::new(plan.rate_hz, plan.message_s),
            first: plan.first,
            vehicles: plan.vehicles,
            period: plan.period,
            tally: Tally::new(plan.vehicles),
            orders: watch::Sender::new(Order::default()),
            turns: Semaphore::new(plan.openings),
            over: CancellationToken::new(),
        });
        let tasks = TaskTracker::new();
        let mut gateway = None;
        for index in 0..plan.vehicles {
            if index % plan.per_connection == 0 {
                gateway = Some(Arc::new(Gateway {
                    uri: plan.uri.clone(),
                    tls: plan.pki.as_ref().map(|pki| pki.vehicle(plan.first + index)),
                    known: tokio::sync::Mutex::default(),
                }));
            }
            if let Some(gateway) = &gateway {
                let number = plan.first + index;
                tasks.spawn(Vehicle::new(Arc::clone(&common), Arc::clone(gateway), number).run());
            }
        }
        Self { common, tasks }
    }

    /// Lets the vehicles send from now on, or stop sending.
    pub fn drive(&self, on: bool) {
        self.common
            .orders
            .send_modify(|order| order.drive_since = on.then(Instant::now));
    }

    /// Cuts every connection; the vehicles come back at once.
    pub fn cut(&self) {
        self.common.orders.send_modify(|order| order.epoch += 1);
    }

    /// Begins to note how long acknowledgements take, from nothing.
    pub fn record(&self) {
        for part in &self.common.tally.latencies {
            lock(part).reset();
        }
        self.common.tally.recording.store(true, Relaxed);
    }

    /// Returns the times from when a message was due to its acknowledgement, in microseconds, and begins anew.
    pub fn recorded(&self) -> Histogram<u64> {
        self.common.tally.recording.store(false, Relaxed);
        let mut all = latencies();
        for part in &self.common.tally.latencies {
            all.add(&*lock(part)).unwrap();
        }
        all
    }

    /// Returns the samples of a message, and its mean size in bytes.
    pub fn message(&self) -> (usize, usize) {
        (self.common.road.samples(), self.common.road.message_bytes())
    }

    /// Returns what has happened so far.
    pub fn counts(&self) -> Counts {
        let tally = &self.common.tally;
        // Acknowledged before sent: never more acknowledged than sent.
        let acknowledged = tally.acknowledged.load(Relaxed);
        Counts {
            open: tally.open.load(Relaxed),
            opened: tally.opened.load(Relaxed),
            sent: tally.sent.load(Relaxed),
            sent_again: tally.sent_again.load(Relaxed),
            acknowledged,
            rewinds: tally.rewinds.load(Relaxed),
            rejected: tally.rejected.load(Relaxed),
            drains: tally.drains.load(Relaxed),
            forgotten: tally.forgotten.load(Relaxed),
            most_on_their_way: tally.most_on_their_way.load(Relaxed),
            losses: lock(&tally.losses).clone(),
        }
    }

    /// Returns the highest number of each vehicle that the server has told to be durable.
    pub fn durable(&self) -> Vec<i64> {
        let durable = &self.common.tally.durable;
        durable.iter().map(|through| through.load(Relaxed)).collect()
    }

    /// Waits until something holds of the counts, at most so long. Returns how long it took, or `None`.
    pub async fn until(&self, patience: Duration, holds: impl Fn(&Counts) -> bool) -> Option<Duration> {
        let began = Instant::now();
        while !holds(&self.counts()) {
            if began.elapsed() > patience {
                return None;
            }
            sleep(Duration::from_millis(20)).await;
        }
        Some(began.elapsed())
    }

    /// Waits until all vehicles have opened a stream since `before`.
    pub async fn all_open(&self, before: u64, patience: Duration) -> Option<Duration> {
        let all = self.common.vehicles as u64;
        self.until(patience, |c| c.open == all && c.opened >= before + all)
            .await
    }

    /// Stops sending and waits until everything sent is acknowledged.
    pub async fn settle(&self, patience: Duration) -> Option<Duration> {
        self.drive(false);
        self.until(patience, |c| c.acknowledged >= c.sent).await
    }

    /// Ends all streams, without finishing the sessions.
    pub async fn end(self) -> Counts {
        self.common.over.cancel();
        self.tasks.close();
        self.tasks.wait().await;
        self.counts()
    }
}

impl Drop for Fleet {
    fn drop(&mut self) {
        self.common.over.cancel();
    }
}
