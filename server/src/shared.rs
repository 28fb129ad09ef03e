//! What the parts of the service have in common.

use std::{
    collections::{BTreeMap, HashMap},
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicU64, Ordering::Relaxed},
    },
};

use arc_swap::ArcSwap;
use coldbrake_engine::{Descent, VehicleClass};
use tokio::sync::{Semaphore, broadcast, watch};
use tokio_util::sync::CancellationToken;

use crate::{
    alarms::Stand,
    config::Config,
    disk_floor::DiskLow,
    metrics::Meters,
    status::Refusal,
    store::{Store, StoreError},
    telemetry::LineLimit,
    traces::Traces,
};

/// Classes by identifier.
pub(crate) type Classes = BTreeMap<String, Arc<VehicleClass>>;

/// Shared by streams, shards, the writer and queries.
pub(crate) struct Shared {
    pub(crate) config: Config,
    pub(crate) store: Arc<dyn Store>,
    pub(crate) classes: ArcSwap<Classes>,
    pub(crate) counters: Counters,
    pub(crate) meters: Meters,
    pub(crate) fleet: Fleet,
    /// Descents as they become durable.
    pub(crate) recorded: broadcast::Sender<Arc<Descent>>,
    /// How the alarms stand.
    pub(crate) alarms: Arc<Stand>,
    /// Places for queries that read the store.
    pub(crate) queries: Arc<Semaphore>,
    /// Why the store takes nothing more; `None` while it does.
    pub(crate) store_failure: watch::Sender<Option<Arc<str>>>,
    /// What is left on the disk while that is too little.
    pub(crate) disk_low: watch::Sender<Option<DiskLow>>,
    /// Cancelled when the server begins to shut down.
    pub(crate) draining: CancellationToken,
    /// Keeps lines about refused batches from filling the log.
    pub(crate) refused_lines: LineLimit,
    /// The same for lines about refused streams.
    pub(crate) ended_lines: LineLimit,
    pub(crate) start_time_ms: i64,
    /// Traces, where they are wanted.
    pub(crate) traces: Option<Arc<Traces>>,
}

impl Shared {
    /// Reads what must be known before the first call. Blocks.
    pub(crate) fn load(
        config: Config,
        store: Arc<dyn Store>,
        alarms: Arc<Stand>,
        traces: Option<Traces>,
    ) -> Result<Self, StoreError> {
        let classes = store
            .classes()?
            .into_iter()
            .map(|c| (c.vehicle_class.clone(), Arc::new(c)))
            .collect();
        let fleet = Fleet::load(&*store)?;
        Ok(Self {
            classes: ArcSwap::from_pointee(classes),
            counters: Counters::default(),
            meters: Meters::default(),
            fleet,
            recorded: broadcast::channel(config.limits.watch_backlog).0,
            alarms,
            queries: Arc::new(Semaphore::new(config.limits.queries)),
            store_failure: watch::Sender::new(None),
            disk_low: watch::Sender::new(None),
            draining: CancellationToken::new(),
            refused_lines: LineLimit::default(),
            ended_lines: LineLimit::default(),
            start_time_ms: jiff::Timestamp::now().as_millisecond(),
            traces: traces.map(Arc::new),
            config,
            store,
        })
    }

    /// Returns the class of that name.
    pub(crate) fn class(&self, name: &str) -> Option<Arc<VehicleClass>> {
        self.classes.load().get(name).cloned()
    }

    /// Returns why nothing is accepted; `None` while it is.
    pub(crate) fn closed(&self) -> Option<Refusal> {
        if let Some(reason) = self.store_failure.borrow().as_deref() {
            return Some(Refusal::StoreFailed(reason.to_owned()));
        }
        if self.draining.is_cancelled() {
            return Some(Refusal::Draining);
        }
        self.disk_low.borrow().map(Refusal::from)
    }

    /// Stops accepting for good: a store that failed once must be opened again.
    pub(crate) fn fail(&self, reason: &str) {
        self.store_failure.send_if_modified(|known| {
            let first = known.is_none();
            if first {
                tracing::error!(
                    reason,
                    "the store failed: nothing more is accepted until the server starts again"
                );
                *known = Some(Arc::from(reason));
            }
            first
        });
    }
}

/// What has happened since the start.
#[derive(Debug, Default)]
pub(crate) struct Counters {
    pub(crate) accepted_samples: AtomicU64,
    pub(crate) accepted_batches: AtomicU64,
    pub(crate) duplicate_batches: AtomicU64,
    pub(crate) refused_batches: AtomicU64,
    pub(crate) rewinds: AtomicU64,
    pub(crate) commits: AtomicU64,
    pub(crate) open_streams: AtomicU64,
    pub(crate) opened_streams: AtomicU64,
    pub(crate) removed_descents: AtomicU64,
    pub(crate) removed_profiles: AtomicU64,
    pub(crate) retention_sweeps: AtomicU64,
    /// Streams whose client went away without a word.
    pub(crate) lost_streams: AtomicU64,
    pub(crate) open_connections: AtomicU64,
    /// Descents that slow watchers did not see.
    pub(crate) skipped_descents: AtomicU64,
}

impl Counters {
    /// Adds one.
    pub(crate) fn add(counter: &AtomicU64) {
        counter.fetch_add(1, Relaxed);
    }

    /// Returns the value as it stands in a message.
    pub(crate) fn get(counter: &AtomicU64) -> i64 {
        i64::try_from(counter.load(Relaxed)).unwrap_or(i64::MAX)
    }
}

/// Which vehicles are known, of which class, and which are connected. Touched when a stream opens or ends, never per batch.
#[derive(Debug, Default)]
pub(crate) struct Fleet {
    inner: Mutex<FleetInner>,
}

#[derive(Debug, Default)]
struct FleetInner {
    vehicles: u64,
    by_class: HashMap<String, u64>,
    /// Stream by vehicle.
    connected: HashMap<Arc<str>, u64>,
}

/// Vehicles read at once when the fleet is counted.
const LOAD_PAGE: usize = 1_000;

impl Fleet {
    fn load(store: &dyn Store) -> Result<Self, StoreError> {
        let mut inner = FleetInner::default();
        let mut cursor = None;
        loop {
            let page = store.vehicles(cursor.as_deref(), LOAD_PAGE)?;
            for vehicle in page.rows {
                inner.vehicles += 1;
                *inner.by_class.entry(vehicle.vehicle_class).or_default() += 1;
            }
            cursor = page.next;
            if cursor.is_none() {
                return Ok(Self {
                    inner: Mutex::new(inner),
                });
            }
        }
    }

    /// Makes room for a vehicle that was not known; false when there is none.
    #[must_use]
    pub(crate) fn admit(&self, class: &str, limit: u64) -> bool {
        let mut inner = self.lock();
        if inner.vehicles >= limit {
            return false;
        }
        inner.vehicles += 1;
        *inner.by_class.entry(class.to_owned()).or_default() += 1;
        true
    }

    /// Counts a vehicle under another class than before.
    pub(crate) fn change_class(&self, before: &str, now: &str) {
        if before == now {
            return;
        }
        let mut inner = self.lock();
        if let Some(n) = inner.by_class.get_mut(before) {
            *n = n.saturating_sub(1);
        }
        *inner.by_class.entry(now.to_owned()).or_default() += 1;
    }

    /// Returns the number of vehicles of a class.
    pub(crate) fn of_class(&self, class: &str) -> u64 {
        self.lock().by_class.get(class).copied().unwrap_or(0)
    }

    /// Notes the stream of a vehicle.
    pub(crate) fn connect(&self, vehicle: &Arc<str>, stream: u64) {
        self.lock().connected.insert(Arc::clone(vehicle), stream);
    }

    /// Forgets the stream of a vehicle, unless a newer one took over.
    pub(crate) fn disconnect(&self, vehicle: &str, stream: u64) {
        let mut inner = self.lock();
        if inner.connected.get(vehicle) == Some(&stream) {
            inner.connected.remove(vehicle);
        }
    }

    /// Returns whether a vehicle has a stream.
    pub(crate) fn is_connected(&self, vehicle: &str) -> bool {
        self.lock().connected.contains_key(vehicle)
    }

    fn lock(&self) -> MutexGuard<'_, FleetInner> {
        // Every change is a single step: what a panic elsewhere left is whole.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
