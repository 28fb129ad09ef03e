//! A running server: how its parts are started, and in which order they end.

use std::{fmt, io, net::SocketAddr, path::PathBuf, sync::Arc};

use coldbrake_proto::{
    DESCRIPTORS,
    v1::{
        alarm_service_server::AlarmServiceServer, brake_service_server::BrakeServiceServer,
        comparison_service_server::ComparisonServiceServer, descent_service_server::DescentServiceServer,
        fleet_service_server::FleetServiceServer, grade_service_server::GradeServiceServer,
        operations_service_server::OperationsServiceServer, telemetry_service_server::TelemetryServiceServer,
        trend_service_server::TrendServiceServer,
    },
};
use tokio::{
    sync::{mpsc, oneshot},
    task::{JoinHandle, JoinSet},
    time::{Instant, timeout_at},
};
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::{sync::CancellationToken, task::TaskTracker};
use tonic::{codec::CompressionEncoding, server::NamedService, service::Routes};
use tonic_health::{ServingStatus, server::HealthReporter};

use crate::{
    admin::Admin,
    alarms::{self, Alarms, Delivery, Webhook},
    calls::CallLayer,
    checkpoint,
    config::{Config, StoreKind},
    disk_floor,
    grades::Curator,
    identity::{TlsError, guard::GuardLayer, tls},
    ingest::Ingest,
    listen::{self, Door},
    metrics::Source,
    operations::Operations,
    query::{Brakes, Comparisons, Descents, FleetQueries, Reader, Trends},
    retention,
    shards::Shards,
    shared::Shared,
    store::{MemoryStore, SledOptions, SledStore, Store, StoreError, sled::OpenReport},
    traces::Traces,
};

/// Largest request of a call that is no stream: class files and the like are far below it.
const REQUEST_BYTES: usize = 384 << 10;
/// Part of the time to end in that is kept for the last commit.
const LAST_COMMIT_SHARE: u32 = 4;

/// A server cannot start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The configuration does not hold.
    #[error("`{key}` {description}")]
    Config {
        /// Name of the key.
        key: String,
        /// What is wrong and what to do.
        description: String,
    },
    /// The store cannot be opened or read.
    #[error("the store in {directory} cannot be used: {source}{}", advice(.source), directory = directory.display())]
    Store {
        /// Its directory.
        directory: PathBuf,
        /// Why.
        source: StoreError,
    },
    /// The address cannot be listened on.
    #[error(
        "cannot listen on {address}: {source}: is another server running there? choose another one with --listen"
    )]
    Listen {
        /// The address.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// The address of metrics and probes cannot be listened on.
    #[error(
        "cannot serve metrics on {address}: {source}: is another server running there? choose another address with \
         --admin-listen, or none with --admin-listen \"\""
    )]
    AdminListen {
        /// The address.
        address: SocketAddr,
        /// Why.
        source: io::Error,
    },
    /// The certificates cannot be used.
    #[error("the certificates cannot be used: {0}")]
    Certificates(#[from] TlsError),
    /// Something that should always work did not.
    #[error("cannot start {what}: {reason}")]
    Part {
        /// Which part.
        what: &'static str,
        /// Why.
        reason: String,
    },
}

/// Says what to do about a store where its error does not.
fn advice(error: &StoreError) -> &'static str {
    use io::ErrorKind::{FileTooLarge, PermissionDenied, QuotaExceeded, ReadOnlyFilesystem, StorageFull};
    match error {
        StoreError::Damaged { reason, .. } if !reason.contains("backup") => {
            ": restore a backup from before, and keep this directory as it is until that is done"
        }
        StoreError::Io { source, .. } => match source.kind() {
            StorageFull | QuotaExceeded | FileTooLarge => {
                ": make room on its disk, or raise what this process may write, and start again"
            }
            ReadOnlyFilesystem | PermissionDenied => {
                ": the server must be able to write there, or be told another directory with --store-directory"
            }
            _ => "",
        },
        _ => "",
    }
}

/// How a server ended.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ShutdownReport {
    /// What did not end in time; empty when all did.
    pub left_open: Vec<&'static str>,
    /// Why the store had failed before, if it had.
    pub store_failure: Option<String>,
}

impl ShutdownReport {
    /// Returns whether everything was made durable and closed in time.
    pub fn is_clean(&self) -> bool {
        self.left_open.is_empty() && self.store_failure.is_none()
    }
}

/// A running server. Dropped without [`ServerHandle::shutdown`], it ends at once: what was not acknowledged is lost, and
/// the vehicles send it again.
pub struct ServerHandle {
    address: SocketAddr,
    admin: Option<Admin>,
    /// Certificates; `None` without TLS.
    keeper: Option<Arc<tls::Keeper>>,
    shared: Arc<Shared>,
    health: HealthReporter,
    streams: TaskTracker,
    /// Ends streams at once.
    cut: CancellationToken,
    /// Closes connections at once.
    sever: CancellationToken,
    owners: JoinSet<()>,
    writer_ended: Option<oneshot::Receiver<()>>,
    background: Vec<JoinHandle<()>>,
    serving: Option<JoinHandle<Result<(), tonic::transport::Error>>>,
}

impl fmt::Debug for ServerHandle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ServerHandle")
            .field("address", &self.address)
            .finish_non_exhaustive()
    }
}

impl ServerHandle {
    /// Opens the store that the configuration names and starts a server on the current runtime.
    pub async fn start(config: Config) -> Result<Self, StartError> {
        let prepared = prepare(&config).await?;
        let options = config.store.clone();
        let (store, opened) = tokio::task::spawn_blocking(move || open_store(&options))
            .await
            .map_err(|e| StartError::Part {
                what: "the store",
                reason: e.to_string(),
            })??;
        Self::start_all(config, store, opened, prepared).await
    }

    /// Starts a server on a store that is open already.
    pub async fn start_with_store(config: Config, store: Arc<dyn Store>) -> Result<Self, StartError> {
        let prepared = prepare(&config).await?;
        Self::start_all(config, store, None, prepared).await
    }

    async fn start_all(
        config: Config,
        store: Arc<dyn Store>,
        opened: Option<OpenReport>,
        prepared: Prepared,
    ) -> Result<Self, StartError> {
        let Prepared {
            admin,
            tls,
            webhook,
            traces,
        } = prepared;
        let (listener, address) = listen::bind(config.listen)
            .await
            .map_err(|source| StartError::Listen {
                address: config.listen,
                source,
            })?;
        let directory = config.store.directory.clone();
        let (shared, desk) = tokio::task::spawn_blocking(move || {
            let desk = checkpoint::Desk::load(&*store)?;
            let alarms = desk.alarms.stand();
            Ok((Shared::load(config, store, alarms, traces)?, desk))
        })
        .await
        .map_err(|e| StartError::Part {
            what: "the service",
            reason: e.to_string(),
        })?
        .map_err(|source: StoreError| StartError::Store { directory, source })?;
        let shared = Arc::new(shared);

        let writer = checkpoint::start(Arc::clone(&shared), desk).map_err(|e| StartError::Part {
            what: "the writer thread",
            reason: e.to_string(),
        })?;
        let mut owners = JoinSet::new();
        let shards = Shards::start(&shared, &writer.requests, &mut owners);
        let keeper = tls.as_ref().map(|(keeper, _)| Arc::clone(keeper));
        let source = Source::new(
            &shared,
            opened,
            keeper.clone(),
            writer.requests.downgrade(),
            shards.inboxes(),
        );
        let (streams, cut, sever) = (
            TaskTracker::new(),
            CancellationToken::new(),
            CancellationToken::new(),
        );
        let edits = writer.requests.downgrade();
        let (delivery, replays) = match webhook {
            None => (None, None),
            Some(webhook) => {
                let (replays, wishes) = mpsc::channel(4);
                let delivery = Delivery::new(&shared, edits.clone(), webhook, wishes);
                (Some(delivery), Some(replays))
            }
        };
        let (health, routes) = routes(&shared, shards, writer.requests, replays, &streams, &cut).await?;

        let (accepted, connections) = mpsc::channel(16);
        let limits = shared.config.limits;
        let acceptor = Door::new(&shared, keeper.clone(), accepted, sever.clone()).serve(listener);
        let transport = tonic::transport::Server::builder()
            .initial_stream_window_size(window(limits.stream_window))
            .initial_connection_window_size(window(limits.connection_window))
            .max_concurrent_streams(limits.calls_per_connection)
            .http2_keepalive_interval(Some(limits.keep_alive_interval))
            .http2_keepalive_timeout(Some(limits.keep_alive_timeout))
            .layer(CallLayer::new(
                Arc::clone(&shared.meters.calls),
                shared.traces.clone(),
            ))
            .layer(GuardLayer::new(&shared))
            .add_routes(routes)
            .serve_with_incoming_shutdown(
                ReceiverStream::new(connections),
                shared.draining.clone().cancelled_owned(),
            );
        let mut background = vec![
            tokio::spawn(acceptor),
            tokio::spawn(watch_store(Arc::clone(&shared), health.clone())),
            tokio::spawn(disk_floor::watch(Arc::clone(&shared))),
            tokio::spawn(retention::run(Arc::clone(&shared), edits)),
        ];
        if let Some(delivery) = delivery {
            background.push(tokio::spawn(delivery.run()));
        }
        if let Some((keeper, seen)) = tls {
            background.push(tokio::spawn(keeper.watch(seen)));
        }
        if let Some(admin) = &admin {
            admin.attach(source);
        }
        tracing::info!(%address, tls = keeper.is_some(), version = env!("CARGO_PKG_VERSION"), "serving");
        Ok(Self {
            address,
            admin,
            keeper,
            shared,
            health,
            streams,
            cut,
            sever,
            owners,
            writer_ended: Some(writer.ended),
            background,
            serving: Some(tokio::spawn(transport)),
        })
    }

    /// Returns the address that the server listens on.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Returns the address of metrics and probes, if they are served.
    pub fn admin_address(&self) -> Option<SocketAddr> {
        self.admin.as_ref().map(Admin::address)
    }

    /// Returns the address as clients take it.
    pub fn uri(&self) -> String {
        let scheme = if self.keeper.is_some() { "https" } else { "http" };
        format!("{scheme}://{}", self.address)
    }

    /// Has the certificates read now. What is wrong with them is told in the log, and the old ones stay in use.
    pub fn read_certificates(&self) {
        if let Some(keeper) = &self.keeper {
            keeper.ask();
        } else {
            tracing::info!("there are no certificates to read: the server speaks without TLS");
        }
    }

    /// Returns the store, for checks beside the service.
    pub fn store(&self) -> Arc<dyn Store> {
        Arc::clone(&self.shared.store)
    }

    /// Resolves when the store has failed, with the reason: the server then answers queries only.
    pub async fn store_failed(&self) -> String {
        let mut failure = self.shared.store_failure.subscribe();
        match failure.wait_for(Option::is_some).await {
            Ok(reason) => reason.as_deref().unwrap_or_default().to_owned(),
            Err(_) => String::new(),
        }
    }

    /// Ends the server: nothing new is accepted, what is on its way is made durable and acknowledged, streams end with a
    /// status that says to connect again. Takes at most `shutdown_grace`.
    pub async fn shutdown(mut self) -> ShutdownReport {
        let begun = Instant::now();
        let grace = self.shared.config.shutdown_grace;
        let deadline = begun + grace;
        let mut report = ShutdownReport::default();
        tracing::info!(streams = self.streams.len(), "shutting down");

        for &service in SERVICES {
            self.health
                .set_service_status(service, ServingStatus::NotServing)
                .await;
        }
        self.shared.draining.cancel();
        self.streams.close();
        if timeout_at(deadline - grace / LAST_COMMIT_SHARE, self.streams.wait())
            .await
            .is_err()
        {
            report.left_open.push("streams");
            self.cut.cancel();
            // They only say their last word now.
            let _ = timeout_at(
                Instant::now() + grace / (2 * LAST_COMMIT_SHARE),
                self.streams.wait(),
            )
            .await;
        }
        // Connections that stay open after their last call hold the ways to the shards and to the writer.
        let mut serving = self.serving.take();
        if let Some(task) = &mut serving {
            let patience = (Instant::now() + grace / 10).min(deadline);
            let ended = if let Ok(ended) = timeout_at(patience, &mut *task).await {
                Some(ended)
            } else {
                self.sever.cancel();
                timeout_at(Instant::now() + grace / 10, task).await.ok()
            };
            match ended {
                Some(Ok(Ok(()))) => {}
                Some(Ok(Err(error))) => tracing::warn!(%error, "the transport ended with an error"),
                Some(Err(error)) => tracing::error!(%error, "the transport broke down"),
                None => report.left_open.push("connections"),
            }
        }
        let drained = async { while self.owners.join_next().await.is_some() {} };
        if timeout_at(deadline, drained).await.is_err() {
            report.left_open.push("shards");
            self.owners.abort_all();
        }
        if let Some(ended) = self.writer_ended.take()
            && timeout_at(deadline, ended).await.is_err()
        {
            report.left_open.push("the last commit");
        }
        for task in self.background.drain(..) {
            task.abort();
            // So that nothing holds the store when this returns.
            let _ = task.await;
        }
        if let Some(admin) = self.admin.take() {
            admin.end().await;
        }
        if let Some(traces) = &self.shared.traces {
            // What no collector takes is no reason to leave something else open.
            let left = deadline.saturating_duration_since(Instant::now());
            traces.end(left.min(grace / LAST_COMMIT_SHARE)).await;
        }
        report.store_failure = self.shared.store_failure.borrow().as_deref().map(str::to_owned);
        tracing::info!(left_open = ?report.left_open, took_ms = begun.elapsed().as_millis() as u64, "shut down");
        report
    }
}

impl Drop for ServerHandle {
    fn drop(&mut self) {
        self.shared.draining.cancel();
        self.cut.cancel();
        self.sever.cancel();
        self.background.drain(..).for_each(|task| task.abort());
    }
}

/// What stands before anything that may take long.
struct Prepared {
    admin: Option<Admin>,
    tls: Certificates,
    webhook: Option<Webhook>,
    traces: Option<Traces>,
}

/// Checks the configuration and the certificates and begins to tell how the server is.
async fn prepare(config: &Config) -> Result<Prepared, StartError> {
    if let Some((key, description)) = config.problems().into_iter().next() {
        return Err(StartError::Config { key, description });
    }
    let tls = load_certificates(config).await?;
    let webhook = load_webhook(config).await?;
    let traces = begin_traces(config).await?;
    let admin = match config.admin_listen {
        None => None,
        Some(address) => Admin::begin(address)
            .await
            .map(Some)
            .map_err(|source| StartError::AdminListen { address, source })?,
    };
    Ok(Prepared {
        admin,
        tls,
        webhook,
        traces,
    })
}

type Certificates = Option<(Arc<tls::Keeper>, tls::Seen)>;

/// Reads the certificates, if there is TLS.
async fn load_certificates(config: &Config) -> Result<Certificates, StartError> {
    if !config.tls.is_on() {
        return Ok(None);
    }
    let paths = config.tls.clone();
    let (keeper, seen) = tokio::task::spawn_blocking(move || tls::Keeper::load(&paths))
        .await
        .map_err(|e| StartError::Part {
            what: "TLS",
            reason: e.to_string(),
        })??;
    Ok(Some((Arc::new(keeper), seen)))
}

/// Reads what the delivery of alarms needs, if there is a webhook.
async fn load_webhook(config: &Config) -> Result<Option<Webhook>, StartError> {
    let config = config.webhook.clone();
    tokio::task::spawn_blocking(move || Webhook::load(&config))
        .await
        .map_err(|e| StartError::Part {
            what: "the delivery of alarms",
            reason: e.to_string(),
        })?
        .map_err(|(key, description)| StartError::Config {
            key: key.to_owned(),
            description,
        })
}

/// Begins traces, if they are wanted.
async fn begin_traces(config: &Config) -> Result<Option<Traces>, StartError> {
    let config = config.traces.clone();
    tokio::task::spawn_blocking(move || Traces::begin(&config))
        .await
        .map_err(|e| StartError::Part {
            what: "traces",
            reason: e.to_string(),
        })?
        .map_err(|(key, description)| StartError::Config {
            key: key.to_owned(),
            description,
        })
}

/// Names under which health is told; the empty one is the whole server.
const SERVICES: &[&str] = &[
    "",
    TelemetryServiceServer::<Ingest>::NAME,
    FleetServiceServer::<FleetQueries>::NAME,
    DescentServiceServer::<Descents>::NAME,
    GradeServiceServer::<Curator>::NAME,
    OperationsServiceServer::<Operations>::NAME,
    AlarmServiceServer::<Alarms>::NAME,
    ComparisonServiceServer::<Comparisons>::NAME,
    TrendServiceServer::<Trends>::NAME,
    BrakeServiceServer::<Brakes>::NAME,
];

async fn routes(
    shared: &Arc<Shared>,
    shards: Shards,
    writer: mpsc::Sender<checkpoint::Request>,
    replays: Option<mpsc::Sender<alarms::delivery::Replay>>,
    streams: &TaskTracker,
    cut: &CancellationToken,
) -> Result<(HealthReporter, Routes), StartError> {
    let reader = Reader::new(shared);
    let operations = Operations::new(Arc::clone(shared), reader.clone(), writer.clone());
    let alarms = Alarms::new(Arc::clone(shared), reader.clone(), writer.clone(), replays);
    let grades = Curator::new(Arc::clone(shared), reader.clone(), writer.downgrade());
    let brakes = Brakes::new(Arc::clone(shared), reader.clone(), shards.clone());
    let ingest = Ingest::new(Arc::clone(shared), shards, streams.clone(), cut.clone());
    let fleet = FleetQueries::new(Arc::clone(shared), reader.clone(), writer);
    let comparisons = Comparisons::new(reader.clone());
    let trends = Trends::new(reader.clone());
    let descents = Descents::new(Arc::clone(shared), reader);
    let (health, health_service) = tonic_health::server::health_reporter();
    for &service in SERVICES {
        health.set_service_status(service, ServingStatus::Serving).await;
    }
    let (gzip, zstd) = (CompressionEncoding::Gzip, CompressionEncoding::Zstd);
    let mut routes = Routes::builder();
    routes
        .add_service(
            TelemetryServiceServer::new(ingest)
                .max_decoding_message_size(shared.config.limits.message_bytes)
                .accept_compressed(gzip)
                .accept_compressed(zstd),
        )
        .add_service(
            FleetServiceServer::new(fleet)
                .max_decoding_message_size(REQUEST_BYTES)
                .accept_compressed(gzip)
                .accept_compressed(zstd)
                .send_compressed(zstd)
                .send_compressed(gzip),
        )
        .add_service(
            GradeServiceServer::new(grades)
                .accept_compressed(gzip)
                .accept_compressed(zstd)
                .send_compressed(zstd)
                .send_compressed(gzip),
        )
        .add_service(
            DescentServiceServer::new(descents)
                .max_decoding_message_size(REQUEST_BYTES)
                .accept_compressed(gzip)
                .accept_compressed(zstd)
                .send_compressed(zstd)
                .send_compressed(gzip),
        )
        .add_service(OperationsServiceServer::new(operations))
        .add_service(
            AlarmServiceServer::new(alarms)
                .accept_compressed(gzip)
                .accept_compressed(zstd)
                .send_compressed(zstd)
                .send_compressed(gzip),
        )
        .add_service(
            ComparisonServiceServer::new(comparisons)
                .accept_compressed(gzip)
                .accept_compressed(zstd)
                .send_compressed(zstd)
                .send_compressed(gzip),
        )
        .add_service(
            TrendServiceServer::new(trends)
                .accept_compressed(gzip)
                .accept_compressed(zstd)
                .send_compressed(zstd)
                .send_compressed(gzip),
        )
        .add_service(
            BrakeServiceServer::new(brakes)
                .accept_compressed(gzip)
                .accept_compressed(zstd)
                .send_compressed(zstd)
                .send_compressed(gzip),
        )
        .add_service(health_service);
    if shared.config.reflection {
        let reflection = tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(DESCRIPTORS)
            .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
            .build_v1()
            .map_err(|e| StartError::Part {
                what: "reflection",
                reason: e.to_string(),
            })?;
        routes.add_service(reflection);
    }
    Ok((health, routes.routes()))
}

/// Tells health checks when the store takes nothing more. Queries go on.
async fn watch_store(shared: Arc<Shared>, health: HealthReporter) {
    let mut failure = shared.store_failure.subscribe();
    if failure.wait_for(Option::is_some).await.is_ok() {
        for service in ["", TelemetryServiceServer::<Ingest>::NAME] {
            health
                .set_service_status(service, ServingStatus::NotServing)
                .await;
        }
    }
}

/// The keys allow no more than fits.
fn window(bytes: usize) -> u32 {
    u32::try_from(bytes).unwrap_or(u32::MAX)
}

type Opened = (Arc<dyn Store>, Option<OpenReport>);

fn open_store(config: &crate::config::StoreConfig) -> Result<Opened, StartError> {
    match config.kind {
        StoreKind::Memory => Ok((Arc::new(MemoryStore::new()), None)),
        StoreKind::Sled => {
            let options = SledOptions {
                cache_bytes: config.cache_bytes,
            };
            let store = SledStore::open(&config.directory, &options).map_err(|source| StartError::Store {
                directory: config.directory.clone(),
                source,
            })?;
            let opened = store.open_report().clone();
            Ok((Arc::new(store), Some(opened)))
        }
    }
}
