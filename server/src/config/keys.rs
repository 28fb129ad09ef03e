//! The table of keys: name, help, how a text becomes a value and back.

use std::{net::SocketAddr, path::PathBuf, str::FromStr, time::Duration};

use super::{Config, LogFormat, StoreKind, text};

/// One thing that can be set.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// Name in the file: tables and dots. The flag is `--limits-streams`, the variable `COLDBRAKE_SERVER_LIMITS_STREAMS`.
    pub name: &'static str,
    /// What it is, for people.
    pub help: &'static str,
    /// Whether it is yes or no: its flag then needs no value.
    pub switch: bool,
    /// Whether the file writes the value in quotes.
    pub quoted: bool,
    /// Puts a value in; what to do is in the error.
    pub set: fn(&mut Config, &str) -> Result<(), String>,
    /// Returns the value as text.
    pub show: fn(&Config) -> String,
}

impl Key {
    /// Returns the name of the flag without dashes in front.
    pub fn flag(&self) -> String {
        self.name.replace(['.', '_'], "-")
    }

    /// Returns the name of the environment variable.
    pub fn variable(&self) -> String {
        format!(
            "{}{}",
            super::ENVIRONMENT_PREFIX,
            self.name.replace('.', "_").to_uppercase()
        )
    }

    /// Returns the value as it stands in the file.
    pub fn literal(&self, config: &Config) -> String {
        let value = (self.show)(config);
        if self.quoted {
            toml::Value::String(value).to_string()
        } else {
            value
        }
    }
}

macro_rules! key {
    ($name:literal, $help:literal, $kind:ident, $($path:ident).+ $(, $low:expr, $high:expr)?) => {
        Key {
            name: $name,
            help: $help,
            switch: key!(@switch $kind),
            quoted: key!(@quoted $kind),
            set: |config, text| {
                config.$($path).+ = $kind(text $(, $low, $high)?)?;
                Ok(())
            },
            show: |config| key!(@show $kind config.$($path).+),
        }
    };
    (@show size $value:expr) => { text::bytes($value as u64) };
    (@show $other:ident $value:expr) => { Show::show(&$value) };
    (@switch switch) => { true };
    (@switch $other:ident) => { false };
    (@quoted switch) => { false };
    (@quoted count) => { false };
    (@quoted decimal) => { false };
    (@quoted $other:ident) => { true };
}

/// Every key, in the order of the dump.
pub const KEYS: &[Key] = &[
    key!(
        "listen",
        "Address and port to listen on; port 0 takes a free one",
        address,
        listen
    ),
    key!(
        "admin_listen",
        "Address and port of metrics, liveness and readiness over HTTP; empty: off",
        address_or_none,
        admin_listen
    ),
    key!(
        "insecure_without_tls",
        "Listen beyond loopback without TLS: whoever reaches the port may do everything",
        switch,
        insecure_without_tls
    ),
    key!(
        "insecure_admin_without_tls",
        "Serve metrics and probes beyond loopback; they are always without TLS",
        switch,
        insecure_admin_without_tls
    ),
    key!(
        "reflection",
        "Serve the schema to tools (gRPC reflection)",
        switch,
        reflection
    ),
    key!(
        "shards",
        "Tasks that vehicles are spread over; 0: one per core",
        count,
        shards,
        0,
        1_024
    ),
    key!(
        "resident_vehicles",
        "Vehicles without a stream kept in memory",
        count,
        resident_vehicles,
        0,
        10_000_000
    ),
    key!(
        "shutdown_grace",
        "Longest time to end in after a request to stop",
        span,
        shutdown_grace,
        "100ms",
        "10m"
    ),
    key!(
        "tls.certificate",
        "PEM file: certificate of this server, then those of its issuers; empty: no TLS",
        path_or_none,
        tls.certificate
    ),
    key!(
        "tls.key",
        "PEM file: private key of that certificate",
        path_or_none,
        tls.key
    ),
    key!(
        "tls.client_authorities",
        "PEM file: authorities that certificates of vehicles and persons must come from",
        path_or_none,
        tls.client_authorities
    ),
    key!(
        "tls.trust_domain",
        "SPIFFE trust domain of the identities in those certificates, `fleet.example`",
        text_or_none,
        tls.trust_domain
    ),
    key!(
        "tls.check_interval",
        "How often those files are looked at for a change; SIGHUP has them read at once",
        span,
        tls.check_interval,
        "100ms",
        "24h"
    ),
    key!(
        "store.kind",
        "Where durable things go: sled (on disk) or memory (gone at the end)",
        store,
        store.kind
    ),
    key!(
        "store.directory",
        "Directory of the store on disk",
        path,
        store.directory
    ),
    key!(
        "store.cache",
        "Cache of the store on disk",
        size,
        store.cache_bytes,
        "1MiB",
        "16GiB"
    ),
    key!(
        "store.free_floor",
        "Free disk space below which nothing more is accepted; 0: no check",
        size,
        store.free_floor_bytes,
        "0",
        "1024GiB"
    ),
    key!(
        "store.backup_directory",
        "Directory that backups go to while the server runs; empty: none",
        path_or_none,
        store.backup_directory
    ),
    key!(
        "retention.descent_days",
        "Days that descents are kept; their histograms stay; 0: for ever",
        count,
        retention.descent_days,
        0,
        36_500
    ),
    key!(
        "retention.profile_days",
        "Days that profiles of descents are kept; 0: for ever",
        count,
        retention.profile_days,
        0,
        36_500
    ),
    key!(
        "commit.linger",
        "Shortest time between two commits under load",
        span,
        commit.linger,
        "0s",
        "1s"
    ),
    key!(
        "commit.keys",
        "Most store keys in one commit",
        count,
        commit.keys,
        40,
        500
    ),
    key!(
        "commit.bytes",
        "Most bytes in one commit, about",
        size,
        commit.bytes,
        "64KiB",
        "64MiB"
    ),
    key!(
        "commit.queue",
        "Changes that may wait for the writer",
        count,
        commit.queue,
        1,
        100_000
    ),
    key!(
        "limits.connections",
        "Connections, with those whose handshake is under way",
        count,
        limits.connections,
        1,
        1_000_000
    ),
    key!(
        "limits.handshakes",
        "TLS handshakes at the same time",
        count,
        limits.handshakes,
        1,
        100_000
    ),
    key!(
        "limits.handshake_timeout",
        "Longest time from a connection to the end of its TLS handshake",
        span,
        limits.handshake_timeout,
        "50ms",
        "10m"
    ),
    key!(
        "limits.streams",
        "Streams of vehicles",
        count,
        limits.streams,
        1,
        1_000_000
    ),
    key!(
        "limits.calls_per_connection",
        "Calls at a time on one connection",
        count,
        limits.calls_per_connection,
        1,
        100_000
    ),
    key!(
        "limits.streams_per_identity",
        "Streams of one vehicle's certificate",
        count,
        limits.streams_per_identity,
        1,
        100_000
    ),
    key!(
        "limits.vehicles",
        "Vehicles known",
        count,
        limits.vehicles,
        1,
        100_000_000
    ),
    key!(
        "limits.message_bytes",
        "Bytes of one message of a stream",
        size,
        limits.message_bytes,
        "1KiB",
        "4MiB"
    ),
    key!(
        "limits.batch_samples",
        "Samples of one batch",
        count,
        limits.batch_samples,
        1,
        4_096
    ),
    key!(
        "limits.credit",
        "Batches of a stream without an acknowledgement",
        count,
        limits.credit,
        1,
        1_024
    ),
    key!(
        "limits.open_timeout",
        "Time to the first bytes of a connection, and to the first message of a stream",
        span,
        limits.open_timeout,
        "10ms",
        "10m"
    ),
    key!(
        "limits.idle_timeout",
        "Time without a message after which a stream ends",
        span,
        limits.idle_timeout,
        "50ms",
        "24h"
    ),
    key!(
        "limits.stream_window",
        "Bytes of a stream on their way without being read",
        size,
        limits.stream_window,
        "1KiB",
        "16MiB"
    ),
    key!(
        "limits.connection_window",
        "Bytes of a connection on their way without being read",
        size,
        limits.connection_window,
        "64KiB",
        "64MiB"
    ),
    key!(
        "limits.keep_alive_interval",
        "How often a silent connection is asked whether its peer lives",
        span,
        limits.keep_alive_interval,
        "100ms",
        "1h"
    ),
    key!(
        "limits.keep_alive_timeout",
        "How long the peer may take to answer",
        span,
        limits.keep_alive_timeout,
        "50ms",
        "10m"
    ),
    key!(
        "limits.shard_queue",
        "Messages that may wait for one shard",
        count,
        limits.shard_queue,
        1,
        100_000
    ),
    key!(
        "limits.queries",
        "Queries that read the store at the same time",
        count,
        limits.queries,
        1,
        512
    ),
    key!(
        "limits.watchers",
        "Watchers of descents",
        count,
        limits.watchers,
        0,
        100_000
    ),
    key!(
        "limits.watch_backlog",
        "Descents a watcher may fall behind",
        count,
        limits.watch_backlog,
        1,
        1_000_000
    ),
    key!(
        "webhook.url",
        "Address that alarms are sent to; empty: nowhere",
        text_or_none,
        webhook.url
    ),
    key!(
        "webhook.secret_file",
        "File with the secret that these messages are signed with, `whsec_` and base64",
        path_or_none,
        webhook.secret_file
    ),
    key!(
        "webhook.authorities",
        "PEM file: authorities that the receiver's certificate must come from",
        path_or_none,
        webhook.authorities
    ),
    key!(
        "webhook.timeout",
        "Longest time of one attempt to send an alarm",
        span,
        webhook.timeout,
        "100ms",
        "5m"
    ),
    key!(
        "log.filter",
        "Which log lines are written, `info` or `warn,coldbrake_server=debug`",
        filter,
        log.filter
    ),
    key!(
        "log.format",
        "Form of the log lines: text or json",
        format,
        log.format
    ),
    key!(
        "traces.endpoint",
        "gRPC address of an OpenTelemetry collector that traces are sent to; empty: none",
        text_or_none,
        traces.endpoint
    ),
    key!(
        "traces.authorities",
        "PEM file: authorities that the certificate of an https collector must come from",
        path_or_none,
        traces.authorities
    ),
    key!(
        "traces.share",
        "Share of the calls and commits that are traced, 0.0 to 1.0",
        decimal,
        traces.share
    ),
    key!(
        "policy.entry_gradient",
        "Gradient at which a descent is entered, negative",
        decimal,
        policy.entry_gradient
    ),
    key!(
        "policy.confirm_drop_m",
        "Drop that confirms a descent, m",
        decimal,
        policy.confirm_drop_m
    ),
    key!(
        "policy.end_climb_m",
        "Climb above the lowest point that ends it, m",
        decimal,
        policy.end_climb_m
    ),
    key!(
        "policy.end_level_m",
        "Distance without going lower that ends it, m",
        decimal,
        policy.end_level_m
    ),
    key!(
        "policy.end_standstill_s",
        "Standing time that ends it, s",
        decimal,
        policy.end_standstill_s
    ),
    key!(
        "policy.bridge_time_s",
        "Longest gap in time that is bridged, s",
        decimal,
        policy.bridge_time_s
    ),
    key!(
        "policy.bridge_distance_m",
        "Longest gap in distance that is bridged, m",
        decimal,
        policy.bridge_distance_m
    ),
    key!(
        "policy.confidence",
        "Probability that an interval covers the true value",
        decimal,
        policy.confidence
    ),
];

/// A value as text that reads back.
trait Show {
    fn show(&self) -> String;
}

macro_rules! show_plainly {
    ($($type:ty),+) => { $(impl Show for $type { fn show(&self) -> String { self.to_string() } })+ };
}
show_plainly!(bool, u32, SocketAddr, String);

impl Show for Option<SocketAddr> {
    fn show(&self) -> String {
        self.map(|a| a.to_string()).unwrap_or_default()
    }
}

impl Show for u64 {
    fn show(&self) -> String {
        self.to_string()
    }
}

impl Show for usize {
    fn show(&self) -> String {
        self.to_string()
    }
}

impl Show for f64 {
    fn show(&self) -> String {
        format!("{self:?}")
    }
}

impl Show for PathBuf {
    fn show(&self) -> String {
        self.display().to_string()
    }
}

impl Show for Duration {
    fn show(&self) -> String {
        text::duration(*self)
    }
}

impl Show for StoreKind {
    fn show(&self) -> String {
        match self {
            Self::Sled => "sled",
            Self::Memory => "memory",
        }
        .to_owned()
    }
}

impl Show for LogFormat {
    fn show(&self) -> String {
        match self {
            Self::Text => "text",
            Self::Json => "json",
        }
        .to_owned()
    }
}

fn address(text: &str) -> Result<SocketAddr, String> {
    text.parse().map_err(|_| {
        format!("is `{text}`: give an address with a port, for example 127.0.0.1:7450 or [::1]:7450")
    })
}

fn address_or_none(text: &str) -> Result<Option<SocketAddr>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    text.parse().map(Some).map_err(|_| {
        format!(
            "is `{text}`: give an address with a port, for example 127.0.0.1:7451, or nothing to serve none"
        )
    })
}

fn switch(text: &str) -> Result<bool, String> {
    match text {
        "true" => Ok(true),
        "false" => Ok(false),
        _ => Err(format!("is `{text}`: give true or false")),
    }
}

fn count<T: FromStr + TryFrom<u64>>(text: &str, low: u64, high: u64) -> Result<T, String> {
    let bad = || format!("is `{text}`: give a whole number from {low} to {high}");
    let n: u64 = text.parse().map_err(|_| bad())?;
    if !(low..=high).contains(&n) {
        return Err(bad());
    }
    T::try_from(n).map_err(|_| bad())
}

fn decimal(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|v: &f64| v.is_finite())
        .ok_or_else(|| format!("is `{text}`: give a number, for example 50.0"))
}

fn span(text: &str, low: &str, high: &str) -> Result<Duration, String> {
    let value = text::parse_duration(text)?;
    let range = text::parse_duration(low)?..=text::parse_duration(high)?;
    if range.contains(&value) {
        Ok(value)
    } else {
        Err(format!("is {text}: give a time from {low} to {high}"))
    }
}

fn size<T: TryFrom<u64>>(text: &str, low: &str, high: &str) -> Result<T, String> {
    let bad = || format!("is {text}: give a size from {low} to {high}");
    let value = text::parse_bytes(text)?;
    if !(text::parse_bytes(low)?..=text::parse_bytes(high)?).contains(&value) {
        return Err(bad());
    }
    T::try_from(value).map_err(|_| bad())
}

fn path(text: &str) -> Result<PathBuf, String> {
    if text.is_empty() {
        Err("is empty: give a directory".to_owned())
    } else {
        Ok(PathBuf::from(text))
    }
}

#[expect(
    clippy::unnecessary_wraps,
    reason = "it stands in the table of keys beside those that fail"
)]
fn path_or_none(text: &str) -> Result<PathBuf, String> {
    Ok(PathBuf::from(text))
}

#[expect(
    clippy::unnecessary_wraps,
    reason = "it stands in the table of keys beside those that fail"
)]
fn text_or_none(text: &str) -> Result<String, String> {
    Ok(text.to_owned())
}

fn store(text: &str) -> Result<StoreKind, String> {
    match text {
        "sled" => Ok(StoreKind::Sled),
        "memory" => Ok(StoreKind::Memory),
        _ => Err(format!("is `{text}`: give sled or memory")),
    }
}

fn format(text: &str) -> Result<LogFormat, String> {
    match text {
        "text" => Ok(LogFormat::Text),
        "json" => Ok(LogFormat::Json),
        _ => Err(format!("is `{text}`: give text or json")),
    }
}

fn filter(text: &str) -> Result<String, String> {
    match tracing_subscriber::EnvFilter::try_new(text) {
        Ok(_) => Ok(text.to_owned()),
        Err(e) => Err(format!(
            "is `{text}`: give for example info or warn,coldbrake_server=debug ({e})"
        )),
    }
}
