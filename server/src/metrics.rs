//! What the server tells of itself in numbers: base units, one prefix, no label that grows with the fleet.
//!
//! Nothing is counted for the metrics' sake where samples pass: the counters that are there anyway are read when
//! somebody asks. What is measured besides is measured once a commit or once a stream.

pub(crate) mod calls;
mod process;
mod sheet;

use std::{
    fmt,
    path::PathBuf,
    sync::{Arc, Mutex, OnceLock, PoisonError, Weak},
    time::Duration,
};

use prometheus_client::{
    encoding::{EncodeLabelSet, prometheus_text, text},
    metrics::{
        counter::Counter,
        family::Family,
        gauge::Gauge,
        histogram::{Histogram, exponential_buckets},
    },
    registry::Registry,
};
use tokio::sync::{Semaphore, mpsc::WeakSender};

use self::{calls::CallMeters, sheet::Service};
use crate::{
    checkpoint::Request,
    identity::tls,
    shards::Command,
    shared::Shared,
    store::{StoreStats, sled::OpenReport},
};

/// What the names begin with.
const PREFIX: &str = "coldbrake";
/// How long an answer waits for what the store holds; then the last known figures stand.
const STATS_PATIENCE: Duration = Duration::from_secs(1);
/// Bounds of the time of a commit, s: from a fast disk to one that is broken.
const COMMIT_SECONDS: [f64; 12] = [
    0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0,
];

/// What is measured beside the counters that everyone reads.
#[derive(Debug)]
pub(crate) struct Meters {
    commit_seconds: Histogram,
    commit_bytes: Histogram,
    last_commit_ms: Gauge,
    refused_streams: Family<ByReason, Counter>,
    refused_calls: Family<ByReason, Counter>,
    failed_handshakes: Family<ByReason, Counter>,
    /// Calls, for the layer that counts them.
    pub(crate) calls: Arc<CallMeters>,
    refused_connections: Family<ByReason, Counter>,
}

impl Default for Meters {
    fn default() -> Self {
        Self {
            commit_seconds: Histogram::new(COMMIT_SECONDS),
            commit_bytes: Histogram::new(exponential_buckets(1_024.0, 4.0, 7)),
            last_commit_ms: Gauge::default(),
            refused_streams: Family::default(),
            refused_calls: Family::default(),
            calls: Arc::default(),
            failed_handshakes: Family::default(),
            refused_connections: Family::default(),
        }
    }
}

/// Reasons are a closed list: those of refusals.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct ByReason {
    reason: &'static str,
}

impl Meters {
    /// Notes a commit that is durable.
    pub(crate) fn committed(&self, took: Duration, bytes: usize) {
        self.commit_seconds.observe(took.as_secs_f64());
        self.commit_bytes.observe(bytes as f64);
        self.last_commit_ms.set(jiff::Timestamp::now().as_millisecond());
    }

    /// Notes a stream that was ended with a refusal, or was not begun.
    pub(crate) fn refused_stream(&self, reason: &'static str) {
        self.refused_streams.get_or_create(&ByReason { reason }).inc();
    }

    /// Notes a connection that ended before its first call.
    pub(crate) fn failed_handshake(&self, reason: &'static str) {
        self.failed_handshakes.get_or_create(&ByReason { reason }).inc();
    }

    /// Notes a connection that was closed before its first call.
    pub(crate) fn refused_connection(&self, reason: &'static str) {
        self.refused_connections.get_or_create(&ByReason { reason }).inc();
    }

    /// Notes a call that the caller may not make.
    pub(crate) fn refused_call(&self, reason: &'static str) {
        self.refused_calls.get_or_create(&ByReason { reason }).inc();
    }
}

/// Form in which metrics are told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Format {
    /// OpenMetrics 1.0.
    OpenMetrics,
    /// The older text format, version 0.0.4, for readers that ask for it.
    Text,
}

impl Format {
    /// Returns the media type.
    pub(crate) fn media_type(self) -> &'static str {
        match self {
            Self::OpenMetrics => "application/openmetrics-text; version=1.0.0; charset=utf-8",
            Self::Text => prometheus_text::CONTENT_TYPE,
        }
    }
}

/// Where the figures of a running service come from. Holds nothing that would keep the service from ending.
pub(crate) struct Source {
    shared: Weak<Shared>,
    opened: Option<OpenReport>,
    /// Certificates; `None` without TLS.
    tls: Option<Arc<tls::Keeper>>,
    writer: WeakSender<Request>,
    shards: Vec<WeakSender<Command>>,
    /// Directory of the store on disk.
    directory: Option<PathBuf>,
    stats: Arc<Mutex<Option<Stats>>>,
    /// One look at the store at a time, however many ask.
    looking: Arc<Semaphore>,
}

/// What the store held, and when.
#[derive(Clone, Copy)]
struct Stats {
    held: StoreStats,
    free_bytes: Option<u64>,
    time_ms: i64,
}

impl Source {
    /// Looks at a service that has begun.
    pub(crate) fn new(
        shared: &Arc<Shared>,
        opened: Option<OpenReport>,
        tls: Option<Arc<tls::Keeper>>,
        writer: WeakSender<Request>,
        shards: Vec<WeakSender<Command>>,
    ) -> Self {
        let store = &shared.config.store;
        Self {
            shared: Arc::downgrade(shared),
            opened,
            tls,
            writer,
            shards,
            directory: (store.kind == crate::config::StoreKind::Sled).then(|| store.directory.clone()),
            stats: Arc::default(),
            looking: Arc::new(Semaphore::new(1)),
        }
    }

    /// Returns the service, unless it has ended.
    pub(crate) fn service(&self) -> Option<Arc<Shared>> {
        self.shared.upgrade()
    }

    /// Asks the store what it holds. A store that does not answer in time does not hold up the answer.
    async fn look(&self) {
        let (Some(shared), Ok(place)) = (self.service(), Arc::clone(&self.looking).try_acquire_owned())
        else {
            return;
        };
        let (stats, directory) = (Arc::clone(&self.stats), self.directory.clone());
        let task = tokio::task::spawn_blocking(move || {
            // The place is given back last, when nothing holds the store any more.
            let place = place;
            match shared.store.stats() {
                Ok(held) => {
                    let now = Stats {
                        held,
                        free_bytes: directory.as_deref().and_then(process::free_bytes),
                        time_ms: jiff::Timestamp::now().as_millisecond(),
                    };
                    *stats.lock().unwrap_or_else(PoisonError::into_inner) = Some(now);
                }
                Err(error) => tracing::debug!(%error, "the store does not say what it holds"),
            }
            drop(shared);
            drop(place);
        });
        let _ = tokio::time::timeout(STATS_PATIENCE, task).await;
    }

    fn stats(&self) -> Option<Stats> {
        *self.stats.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The metrics of a server: while it starts only what is known by then.
pub(crate) struct Metrics {
    registry: Registry,
    source: Arc<OnceLock<Source>>,
}

impl fmt::Debug for Metrics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Metrics").finish_non_exhaustive()
    }
}

impl Default for Metrics {
    fn default() -> Self {
        let source = Arc::new(OnceLock::new());
        let mut registry = Registry::with_prefix(PREFIX);
        registry.register_collector(Box::new(Service(Arc::clone(&source))));
        Self { registry, source }
    }
}

impl Metrics {
    /// From now on the figures come from this service. Once only.
    pub(crate) fn attach(&self, source: Source) {
        let _ = self.source.set(source);
    }

    /// Returns the service, once it has begun.
    pub(crate) fn source(&self) -> Option<&Source> {
        self.source.get()
    }

    /// Returns all figures as text.
    pub(crate) async fn tell(&self, format: Format) -> Result<String, fmt::Error> {
        if let Some(source) = self.source() {
            source.look().await;
        }
        let mut text = String::with_capacity(16 << 10);
        match format {
            Format::OpenMetrics => text::encode(&mut text, &self.registry)?,
            Format::Text => prometheus_text::encode(&mut text, &self.registry)?,
        }
        Ok(text)
    }

    /// Waits until no look at the store is on its way, a moment at most: whoever opens it next must not be kept out.
    pub(crate) async fn settle(&self) {
        if let Some(source) = self.source() {
            let _ = tokio::time::timeout(STATS_PATIENCE, source.looking.acquire()).await;
        }
    }
}
