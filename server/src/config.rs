//! Configuration: defaults, then a TOML file, then the environment, then flags. All mistakes are told at once.

mod keys;
mod layers;
pub mod text;

use std::{net::SocketAddr, path::PathBuf, time::Duration};

use coldbrake_engine::{Policy, sample::MAX_BATCH_SAMPLES};

pub use keys::{KEYS, Key};
pub use layers::{CONFIG_VARIABLE, ENVIRONMENT_PREFIX, Loaded, Mistake, Mistakes, Origin, Sources, load};

/// Where Debian and its relatives keep the authorities that the system trusts.
const SYSTEM_AUTHORITIES: &str = "/etc/ssl/certs/ca-certificates.crt";

/// Where the server keeps what is durable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StoreKind {
    /// On disk, in `store.directory`.
    Sled,
    /// In memory: gone when the server stops. For tests and trials.
    Memory,
}

/// Form of the log lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogFormat {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

/// Everything that can be set.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// Address to listen on. Port 0 takes a free one.
    pub listen: SocketAddr,
    /// Address of metrics and of whether the server lives and is ready; `None` serves neither. Port 0 takes a free one.
    pub admin_listen: Option<SocketAddr>,
    /// Allows listening beyond loopback without TLS.
    pub insecure_without_tls: bool,
    /// Allows metrics and probes beyond loopback: they are always without TLS.
    pub insecure_admin_without_tls: bool,
    /// Whether the schema is served to tools.
    pub reflection: bool,
    /// Number of single-owner tasks that vehicles are spread over; 0 means one per core.
    pub shards: usize,
    /// Most vehicles without a stream that are kept in memory.
    pub resident_vehicles: usize,
    /// Longest time to end in after a request to stop.
    pub shutdown_grace: Duration,
    /// Certificates: who the server is, and who may come.
    pub tls: TlsConfig,
    /// Where durable things go.
    pub store: StoreConfig,
    /// How long things are kept.
    pub retention: RetentionConfig,
    /// Group commit.
    pub commit: CommitConfig,
    /// Where alarms are sent.
    pub webhook: WebhookConfig,
    /// Limits.
    pub limits: Limits,
    /// Logs.
    pub log: LogConfig,
    /// Traces.
    pub traces: TracesConfig,
    /// Rules of segmentation and of intervals.
    pub policy: Policy,
}

/// Certificates: who the server is, and who may come. Without any the server speaks without TLS.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TlsConfig {
    /// PEM file with the certificate of this server, then those of its issuers; empty without TLS.
    pub certificate: PathBuf,
    /// PEM file with the private key of that certificate.
    pub key: PathBuf,
    /// PEM file with the authorities that certificates of clients must come from.
    pub client_authorities: PathBuf,
    /// SPIFFE trust domain that identities must be of.
    pub trust_domain: String,
    /// How often the files are looked at for a change.
    pub check_interval: Duration,
}

impl TlsConfig {
    /// Returns whether TLS is spoken.
    pub fn is_on(&self) -> bool {
        !self.certificate.as_os_str().is_empty()
    }
}

/// Where alarms are sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WebhookConfig {
    /// Address; empty: nowhere.
    pub url: String,
    /// File with the secret that messages are signed with.
    pub secret_file: PathBuf,
    /// PEM file with the authorities that the receiver's certificate must come from.
    pub authorities: PathBuf,
    /// Longest time of one attempt.
    pub timeout: Duration,
}

/// Where durable things go.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreConfig {
    /// Kind of store.
    pub kind: StoreKind,
    /// Directory of the store on disk.
    pub directory: PathBuf,
    /// Cache of the store on disk, bytes.
    pub cache_bytes: u64,
    /// Free disk space below which nothing more is accepted, bytes; 0 switches the check off.
    pub free_floor_bytes: u64,
    /// Directory that backups go to while the server runs; empty: none are made.
    pub backup_directory: PathBuf,
}

/// How long things are kept. Days count from the start of a descent; 0 keeps for ever.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RetentionConfig {
    /// Days that descents are kept.
    pub descent_days: u32,
    /// Days that profiles of descents are kept.
    pub profile_days: u32,
}

/// How changes are gathered into one durable write.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CommitConfig {
    /// Shortest time from one commit to the next while there is load. An idle server commits at once.
    pub linger: Duration,
    /// Most store keys in a commit.
    pub keys: usize,
    /// Most bytes in a commit, about.
    pub bytes: usize,
    /// Most changes that wait for the writer; then shards wait, then streams.
    pub queue: usize,
}

/// What a caller may use up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Connections, with those whose handshake is under way.
    pub connections: usize,
    /// TLS handshakes at the same time.
    pub handshakes: usize,
    /// Longest time from a connection to the end of its TLS handshake.
    pub handshake_timeout: Duration,
    /// Streams of vehicles.
    pub streams: usize,
    /// Calls at the same time on one connection.
    pub calls_per_connection: u32,
    /// Streams of one vehicle's certificate: the one that streams, and those that it takes over from.
    pub streams_per_identity: usize,
    /// Vehicles known.
    pub vehicles: u64,
    /// Bytes of one message of a stream.
    pub message_bytes: usize,
    /// Samples of one batch.
    pub batch_samples: usize,
    /// Batches of a stream without an acknowledgement.
    pub credit: usize,
    /// Time to the first message of a stream.
    pub open_timeout: Duration,
    /// Time without a message, after which a stream ends.
    pub idle_timeout: Duration,
    /// Bytes of a stream that may be on their way without being read.
    pub stream_window: usize,
    /// The same for all streams of a connection together.
    pub connection_window: usize,
    /// How often a silent connection is asked whether its peer lives.
    pub keep_alive_interval: Duration,
    /// How long the peer may take to answer.
    pub keep_alive_timeout: Duration,
    /// Messages that wait for one shard.
    pub shard_queue: usize,
    /// Queries that read the store at the same time.
    pub queries: usize,
    /// Watchers of descents.
    pub watchers: usize,
    /// Descents that a slow watcher may fall behind before it loses some.
    pub watch_backlog: usize,
}

/// Logs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogConfig {
    /// Which lines are written, `info` or `warn,coldbrake_server=debug`.
    pub filter: String,
    /// Form of the lines.
    pub format: LogFormat,
}

/// Traces: where spans of calls and commits are sent.
#[derive(Clone, Debug, PartialEq)]
pub struct TracesConfig {
    /// gRPC address of an OpenTelemetry collector; empty: no traces.
    pub endpoint: String,
    /// PEM file with the authorities that an https collector's certificate must come from.
    pub authorities: PathBuf,
    /// Share of the calls and commits that are traced, 0 to 1.
    pub share: f64,
}

impl Default for Config {
    fn default() -> Self {
        Self {
            listen: SocketAddr::from(([127, 0, 0, 1], 7450)),
            admin_listen: Some(SocketAddr::from(([127, 0, 0, 1], 7451))),
            insecure_without_tls: false,
            insecure_admin_without_tls: false,
            reflection: true,
            shards: 0,
            resident_vehicles: 10_000,
            shutdown_grace: Duration::from_secs(10),
            tls: TlsConfig {
                certificate: PathBuf::new(),
                key: PathBuf::new(),
                client_authorities: PathBuf::new(),
                trust_domain: String::new(),
                check_interval: Duration::from_secs(30),
            },
            store: StoreConfig {
                kind: StoreKind::Sled,
                directory: PathBuf::from("coldbrake-data"),
                cache_bytes: 64 << 20,
                free_floor_bytes: 512 << 20,
                backup_directory: PathBuf::new(),
            },
            retention: RetentionConfig::default(),
            commit: CommitConfig {
                linger: Duration::from_millis(20),
                keys: 480,
                bytes: 1 << 20,
                queue: 256,
            },
            webhook: WebhookConfig {
                url: String::new(),
                secret_file: PathBuf::new(),
                authorities: PathBuf::from(SYSTEM_AUTHORITIES),
                timeout: Duration::from_secs(10),
            },
            limits: Limits {
                connections: 10_000,
                handshakes: 512,
                handshake_timeout: Duration::from_secs(10),
                streams: 10_000,
                calls_per_connection: 1_024,
                // A vehicle has one stream; those that a newer one takes over from take a moment to end.
                streams_per_identity: 8,
                vehicles: 100_000,
                // A batch of 4096 samples with all 18 columns at five bytes a value still fits.
                message_bytes: 384 << 10,
                batch_samples: MAX_BATCH_SAMPLES,
                credit: 32,
                open_timeout: Duration::from_secs(10),
                idle_timeout: Duration::from_secs(90),
                // What a stream may send without being read is memory that it can take: credit times a usual message.
                stream_window: 64 << 10,
                // The transport ends a connection whose unread frames fall short of 256 bytes by more than half of this
                // all together: 1024 calls with 32 short messages each, which is what they may have on their way.
                connection_window: 16 << 20,
                keep_alive_interval: Duration::from_secs(30),
                keep_alive_timeout: Duration::from_secs(20),
                shard_queue: 512,
                queries: 16,
                watchers: 64,
                watch_backlog: 1_024,
            },
            log: LogConfig {
                filter: "info".to_owned(),
                format: LogFormat::Text,
            },
            traces: TracesConfig {
                endpoint: String::new(),
                authorities: PathBuf::from(SYSTEM_AUTHORITIES),
                share: 1.0,
            },
            policy: Policy::default(),
        }
    }
}

impl Config {
    /// Returns a configuration for a server inside another program or a test: a free loopback port, a store in memory,
    /// no metrics.
    pub fn in_process() -> Self {
        let mut config = Self {
            listen: SocketAddr::from(([127, 0, 0, 1], 0)),
            admin_listen: None,
            ..Self::default()
        };
        config.store.kind = StoreKind::Memory;
        config
    }

    /// Returns the same with the store on disk in `directory`.
    #[must_use]
    pub fn with_directory(mut self, directory: impl Into<PathBuf>) -> Self {
        self.store.kind = StoreKind::Sled;
        self.store.directory = directory.into();
        self
    }

    /// Returns what is wrong across keys, as (key, what to do); each key alone is checked where it is read.
    pub fn problems(&self) -> Vec<(String, String)> {
        let mut found: Vec<(String, String)> = self
            .policy
            .problems()
            .into_iter()
            .map(|(field, text)| (format!("policy.{field}"), text))
            .collect();
        found.extend(self.tls_problems());
        found.extend(self.webhook_problem());
        found.extend(self.traces_problems());
        if !self.listen.ip().is_loopback() && !self.tls.is_on() && !self.insecure_without_tls {
            found.push((
                "listen".to_owned(),
                format!(
                    "is {}, which others can reach, and there is no TLS: set tls.certificate and the keys beside it, \
                     listen on 127.0.0.1, or set insecure_without_tls if something in front protects it",
                    self.listen
                ),
            ));
        }
        if let Some(admin) = self.admin_listen.filter(|a| !a.ip().is_loopback())
            && !self.insecure_admin_without_tls
        {
            found.push((
                "admin_listen".to_owned(),
                format!(
                    "is {admin}, which others can reach, and metrics are served without TLS: listen on 127.0.0.1, or \
                     set insecure_admin_without_tls if something in front protects them"
                ),
            ));
        }
        found
    }

    /// A webhook has a secret, and TLS where others could listen.
    fn webhook_problem(&self) -> Option<(String, String)> {
        let webhook = &self.webhook;
        if webhook.url.is_empty() {
            return None;
        }
        let problem = |key: &str, text: String| Some((key.to_owned(), text));
        let (host, secure) = match crate::alarms::webhook::read_url(&webhook.url) {
            Ok((_, host, _, secure)) => (host, secure),
            Err(text) => return problem("webhook.url", text),
        };
        if !secure && !is_near(&host) {
            let text = format!(
                "is {}, which goes over the network without TLS: give an https address, or one on this machine",
                webhook.url
            );
            return problem("webhook.url", text);
        }
        if webhook.secret_file.as_os_str().is_empty() {
            let text = "is empty: name a file with the secret that messages are signed with".to_owned();
            return problem("webhook.secret_file", text);
        }
        None
    }

    /// A collector has an address, and TLS where others could listen.
    fn traces_problems(&self) -> Vec<(String, String)> {
        let traces = &self.traces;
        let mut found = Vec::new();
        if !(0.0..=1.0).contains(&traces.share) {
            let text = format!(
                "is {}: give the share of calls to trace, from 0.0 to 1.0",
                traces.share
            );
            found.push(("traces.share".to_owned(), text));
        }
        if !traces.endpoint.is_empty() {
            match crate::traces::read_endpoint(&traces.endpoint) {
                Ok((host, secure)) if !secure && !is_near(&host) => {
                    let text = format!(
                        "is {}, which goes over the network without TLS: give an https address, or one on this machine",
                        traces.endpoint
                    );
                    found.push(("traces.endpoint".to_owned(), text));
                }
                Ok(_) => {}
                Err(text) => found.push(("traces.endpoint".to_owned(), text)),
            }
        }
        found
    }

    /// TLS is on with all of its keys, or off with none of them: a half of it must not pass for the whole.
    fn tls_problems(&self) -> Vec<(String, String)> {
        let tls = &self.tls;
        let keys = [
            ("tls.certificate", tls.certificate.as_os_str().is_empty()),
            ("tls.key", tls.key.as_os_str().is_empty()),
            (
                "tls.client_authorities",
                tls.client_authorities.as_os_str().is_empty(),
            ),
            ("tls.trust_domain", tls.trust_domain.is_empty()),
        ];
        if keys.iter().all(|(_, empty)| *empty) {
            return Vec::new();
        }
        let mut found: Vec<(String, String)> = keys
            .iter()
            .filter(|(_, empty)| *empty)
            .map(|(key, _)| {
                let names = keys.map(|(name, _)| name).join(", ");
                (
                    (*key).to_owned(),
                    format!("is empty, and TLS needs all of {names}: set them all, or none"),
                )
            })
            .collect();
        if !tls.trust_domain.is_empty()
            && let Err(rule) = crate::identity::spiffe::trust_domain_rule(&tls.trust_domain)
        {
            found.push((
                "tls.trust_domain".to_owned(),
                format!("is `{}`: {rule}, for example fleet.example", tls.trust_domain),
            ));
        }
        found
    }

    /// Returns the number of shards: what is set, or the number of cores.
    pub fn shard_count(&self) -> usize {
        match self.shards {
            0 => std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
            n => n,
        }
    }
}

/// Returns whether a host is this machine.
fn is_near(host: &str) -> bool {
    host == "localhost"
        || host
            .parse::<std::net::IpAddr>()
            .is_ok_and(|ip| ip.to_canonical().is_loopback())
}
