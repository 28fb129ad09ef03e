//! The list of metrics: name, meaning, value.

use std::{
    fmt,
    sync::{Arc, OnceLock, atomic::Ordering::Relaxed},
};

use prometheus_client::{
    collector::Collector,
    encoding::{DescriptorEncoder, EncodeCounterValue, EncodeGaugeValue, EncodeMetric, NoLabelSet},
    metrics::MetricType,
    registry::Unit,
};
use tokio::sync::mpsc::WeakSender;

use super::{Source, process};
use crate::shared::{Counters, Shared};

/// Reads the figures of the service when somebody asks.
pub(super) struct Service(pub(super) Arc<OnceLock<Source>>);

impl fmt::Debug for Service {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Service")
    }
}

impl Collector for Service {
    fn encode(&self, encoder: DescriptorEncoder<'_>) -> fmt::Result {
        let mut sheet = Sheet(encoder);
        sheet.info(
            "build",
            "The running version.",
            &[("version", env!("CARGO_PKG_VERSION"))],
        )?;
        if let Some(bytes) = process::resident_bytes() {
            sheet.gauge(
                "resident_memory",
                "Memory that the process occupies.",
                Some(&Unit::Bytes),
                bytes,
            )?;
        }
        if let Some(files) = process::open_files() {
            sheet.gauge(
                "open_files",
                "Open files and connections of the process.",
                None,
                files,
            )?;
        }
        let service = self.0.get().and_then(|s| Some((s, s.service()?)));
        let ready = service
            .as_ref()
            .is_some_and(|(_, shared)| shared.closed().is_none());
        sheet.gauge(
            "ready",
            "Whether streams are taken: 0 while starting, shutting down, or after the store failed.",
            None,
            u64::from(ready),
        )?;
        let Some((source, shared)) = service else {
            return Ok(());
        };
        streams(&mut sheet, &shared)?;
        certificates(&mut sheet, source, &shared)?;
        alarms(&mut sheet, &shared)?;
        traces(&mut sheet, &shared)?;
        writing(&mut sheet, source, &shared)?;
        store(&mut sheet, source, &shared)
    }
}

fn streams(sheet: &mut Sheet<'_>, shared: &Shared) -> fmt::Result {
    let (counters, limits) = (&shared.counters, &shared.config.limits);
    sheet.gauge(
        "start_timestamp",
        "When the server started, since 1970.",
        Some(&Unit::Seconds),
        seconds(shared.start_time_ms),
    )?;
    connections(sheet, shared)?;
    sheet.gauge(
        "streams",
        "Open streams of vehicles.",
        None,
        count(&counters.open_streams),
    )?;
    sheet.gauge(
        "streams_limit",
        "Most streams at a time (limits.streams).",
        None,
        limits.streams as u64,
    )?;
    sheet.counter(
        "streams_opened",
        "Streams begun.",
        count(&counters.opened_streams),
    )?;
    sheet.counter(
        "streams_lost",
        "Streams that ended without `finish`: the client went away, or was found dead.",
        count(&counters.lost_streams),
    )?;
    sheet.metric(
        "streams_refused",
        "Streams that ended with a refusal, by reason.",
        &shared.meters.refused_streams,
    )?;
    sheet.metric(
        "calls_refused",
        "Calls that were refused before they reached a service, by reason.",
        &shared.meters.refused_calls,
    )?;
    let calls = &shared.meters.calls;
    sheet.metric("calls_started", "Calls begun, by method.", &calls.started)?;
    sheet.metric(
        "calls_ended",
        "Calls ended, by method and gRPC status code; CANCELLED: the caller had gone.",
        &calls.ended,
    )?;
    sheet.metric_in(
        "call_duration",
        "Time from the begin of a call to its end, by method. Streams last as long as they are open.",
        &Unit::Seconds,
        &calls.seconds,
    )?;
    sheet.counters(
        "batches",
        "Batches by what became of them: taken, sent twice and left out, or refused for what they hold.",
        "result",
        &[
            ("accepted", count(&counters.accepted_batches)),
            ("duplicate", count(&counters.duplicate_batches)),
            ("refused", count(&counters.refused_batches)),
        ],
    )?;
    sheet.counter(
        "accepted_samples",
        "Samples taken.",
        count(&counters.accepted_samples),
    )?;
    sheet.counter(
        "rewinds",
        "Times that a vehicle was asked to send again from an earlier batch.",
        count(&counters.rewinds),
    )?;
    sheet.gauge(
        "watchers",
        "Watchers of descents.",
        None,
        shared.recorded.receiver_count() as u64,
    )?;
    sheet.gauge(
        "watchers_limit",
        "Most watchers (limits.watchers).",
        None,
        limits.watchers as u64,
    )?;
    sheet.counter(
        "descents_skipped",
        "Descents that a watcher fell too far behind to see (limits.watch_backlog).",
        count(&counters.skipped_descents),
    )
}

fn connections(sheet: &mut Sheet<'_>, shared: &Shared) -> fmt::Result {
    let (counters, limits) = (&shared.counters, &shared.config.limits);
    sheet.gauge(
        "connections",
        "Open connections.",
        None,
        count(&counters.open_connections),
    )?;
    sheet.gauge(
        "connections_limit",
        "Most connections (limits.connections).",
        None,
        limits.connections as u64,
    )?;
    sheet.metric(
        "connections_refused",
        "Connections that were closed before their first call, by reason.",
        &shared.meters.refused_connections,
    )?;
    sheet.gauge(
        "queries",
        "Queries that read the store.",
        None,
        limits.queries.saturating_sub(shared.queries.available_permits()) as u64,
    )?;
    sheet.gauge(
        "queries_limit",
        "Most queries at the same time (limits.queries); others wait.",
        None,
        limits.queries as u64,
    )
}

fn certificates(sheet: &mut Sheet<'_>, source: &Source, shared: &Shared) -> fmt::Result {
    sheet.gauge(
        "tls",
        "Whether connections need TLS and a certificate.",
        None,
        u64::from(source.tls.is_some()),
    )?;
    let Some(keeper) = &source.tls else {
        return Ok(());
    };
    sheet.metric(
        "handshakes_failed",
        "Connections that ended before their first call, by reason.",
        &shared.meters.failed_handshakes,
    )?;
    let (material, now) = (keeper.material(), jiff::Timestamp::now().as_second());
    sheet.gauge(
        "certificate_remaining",
        "Time until the first certificate of the server's chain expires; below 0 after that.",
        Some(&Unit::Seconds),
        material.certificate_expiry.saturating_sub(now),
    )?;
    sheet.gauge(
        "client_authorities_remaining",
        "Time until the first of the authorities of clients expires; below 0 after that.",
        Some(&Unit::Seconds),
        material.authority_expiry.saturating_sub(now),
    )?;
    sheet.counters(
        "certificate_readings",
        "Times that changed certificates were read, by whether they were taken or refused.",
        "result",
        &[
            ("taken", keeper.taken.load(Relaxed)),
            ("refused", keeper.refused.load(Relaxed)),
        ],
    )
}

fn alarms(sheet: &mut Sheet<'_>, shared: &Shared) -> fmt::Result {
    let stand = &shared.alarms;
    sheet.gauge(
        "alarms_open",
        "Alarms that are not closed, without planning messages.",
        None,
        stand.open.load(Relaxed),
    )?;
    sheet.gauge(
        "planning_messages_open",
        "Planning messages that are not closed.",
        None,
        stand.planning.load(Relaxed),
    )?;
    sheet.gauge(
        "webhook_waiting_events",
        "Events of alarms that wait for delivery to the webhook; 0 without one.",
        None,
        stand.waiting(),
    )?;
    sheet.counters(
        "webhook_events",
        "Events of alarms by what became of them: delivered, or given up.",
        "result",
        &[
            ("delivered", stand.delivered.load(Relaxed)),
            ("given_up", stand.given_up.load(Relaxed)),
        ],
    )?;
    sheet.counter(
        "webhook_failed_attempts",
        "Attempts to deliver an event of an alarm that failed.",
        stand.failed.load(Relaxed),
    )
}

fn traces(sheet: &mut Sheet<'_>, shared: &Shared) -> fmt::Result {
    let Some(traces) = &shared.traces else {
        return Ok(());
    };
    let tally = traces.tally();
    sheet.counters(
        "trace_spans",
        "Spans by what became of them: sent to the collector, or lost. Without what the queue did not take.",
        "result",
        &[
            ("sent", tally.sent.load(Relaxed)),
            ("lost", tally.lost.load(Relaxed)),
        ],
    )
}

fn writing(sheet: &mut Sheet<'_>, source: &Source, shared: &Shared) -> fmt::Result {
    let meters = &shared.meters;
    sheet.counter(
        "commits",
        "Commits that are durable.",
        count(&shared.counters.commits),
    )?;
    sheet.metric_in(
        "commit_duration",
        "Time that a commit took until it was durable.",
        &Unit::Seconds,
        &meters.commit_seconds,
    )?;
    sheet.metric_in(
        "commit_size",
        "Size of a commit, about, as it counts against commit.bytes.",
        &Unit::Bytes,
        &meters.commit_bytes,
    )?;
    sheet.gauge(
        "last_commit_timestamp",
        "When the last commit became durable, since 1970; 0 before the first.",
        Some(&Unit::Seconds),
        seconds(meters.last_commit_ms.get()),
    )?;
    if let Some((waiting, room)) = queue(&source.writer) {
        sheet.gauge(
            "writer_queue_changes",
            "Changes that wait for the writer.",
            None,
            waiting,
        )?;
        sheet.gauge(
            "writer_queue_limit",
            "Most changes that wait (commit.queue).",
            None,
            room,
        )?;
    }
    if let Some((waiting, room)) = source.shards.iter().filter_map(queue).max() {
        sheet.gauge(
            "shard_queue_messages",
            "Messages that wait in the fullest shard.",
            None,
            waiting,
        )?;
        sheet.gauge(
            "shard_queue_limit",
            "Most messages that wait (limits.shard_queue).",
            None,
            room,
        )?;
    }
    Ok(())
}

fn store(sheet: &mut Sheet<'_>, source: &Source, shared: &Shared) -> fmt::Result {
    sheet.gauge(
        "store_failed",
        "Whether a write failed: nothing is accepted until the server starts again.",
        None,
        u64::from(shared.store_failure.borrow().is_some()),
    )?;
    sheet.gauge(
        "store_disk_low",
        "Whether nothing is accepted because the disk of the store is nearly full.",
        None,
        u64::from(shared.disk_low.borrow().is_some()),
    )?;
    sheet.gauge(
        "store_free_floor",
        "Free disk space below which nothing is accepted (store.free_floor); 0: no check.",
        Some(&Unit::Bytes),
        shared.config.store.free_floor_bytes,
    )?;
    let counters = &shared.counters;
    sheet.counters(
        "retention_removed",
        "What has gone because of its age.",
        "what",
        &[
            ("descent", count(&counters.removed_descents)),
            ("profile", count(&counters.removed_profiles)),
        ],
    )?;
    sheet.counter(
        "retention_sweeps",
        "Times that everything too old has gone.",
        count(&counters.retention_sweeps),
    )?;
    sheet.gauge(
        "vehicle_classes",
        "Registered classes of vehicles.",
        None,
        shared.classes.load().len() as u64,
    )?;
    sheet.gauge(
        "vehicles_limit",
        "Most vehicles known (limits.vehicles).",
        None,
        shared.config.limits.vehicles,
    )?;
    if let Some(stats) = source.stats() {
        sheet.gauge("vehicles", "Vehicles known.", None, stats.held.vehicles)?;
        sheet.gauge("descents", "Descents stored.", None, stats.held.descents)?;
        sheet.gauge("histograms", "Histograms stored.", None, stats.held.histograms)?;
        sheet.gauge(
            "store_size",
            "Size of the store.",
            Some(&Unit::Bytes),
            stats.held.size_bytes,
        )?;
        if let Some(free) = stats.free_bytes {
            sheet.gauge(
                "store_free",
                "What is left on the file system of the store.",
                Some(&Unit::Bytes),
                free,
            )?;
        }
        sheet.gauge(
            "store_stats_timestamp",
            "When the store was last asked what it holds, since 1970.",
            Some(&Unit::Seconds),
            seconds(stats.time_ms),
        )?;
    }
    let Some(opened) = &source.opened else {
        return Ok(());
    };
    let lost: u64 = opened
        .lost_records
        .iter()
        .map(|(first, last)| last.saturating_sub(*first).saturating_add(1))
        .sum();
    sheet.gauge(
        "store_opening_replayed_commits",
        "Commits applied again when the store was opened.",
        None,
        opened.replayed,
    )?;
    sheet.gauge(
        "store_opening_torn",
        "Incomplete commit cut off the journal when the store was opened.",
        Some(&Unit::Bytes),
        opened.torn_bytes,
    )?;
    sheet.gauge(
        "store_opening_lost_records",
        "Damaged or missing records of the journal that were not needed when the store was opened.",
        None,
        lost,
    )?;
    sheet.gauge(
        "store_opening_quarantined",
        "Damaged parts put aside when the store was opened.",
        None,
        opened.put_aside.len() as u64,
    )?;
    sheet.gauge(
        "store_opening_rebuilt",
        "Whether the index was built anew when the store was opened.",
        None,
        u64::from(opened.rebuilt_because.is_some()),
    )
}

fn count(counter: &std::sync::atomic::AtomicU64) -> u64 {
    Counters::get(counter).unsigned_abs()
}

fn seconds(time_ms: i64) -> f64 {
    time_ms as f64 / 1e3
}

/// Returns how many wait, and for how many there is room; nothing once the other end is gone.
fn queue<T>(way: &WeakSender<T>) -> Option<(u64, u64)> {
    let way = way.upgrade()?;
    let room = way.max_capacity();
    Some((room.saturating_sub(way.capacity()) as u64, room as u64))
}

/// Writes one metric after the other.
struct Sheet<'a>(DescriptorEncoder<'a>);

impl Sheet<'_> {
    fn info(&mut self, name: &str, help: &str, labels: &[(&str, &str); 1]) -> fmt::Result {
        self.0
            .encode_descriptor(name, help, None, MetricType::Info)?
            .encode_info(labels)
    }

    fn gauge(
        &mut self,
        name: &str,
        help: &str,
        unit: Option<&Unit>,
        value: impl EncodeGaugeValue + Copy,
    ) -> fmt::Result {
        self.0
            .encode_descriptor(name, help, unit, MetricType::Gauge)?
            .encode_gauge(&value)
    }

    fn counter(&mut self, name: &str, help: &str, value: impl EncodeCounterValue + Copy) -> fmt::Result {
        self.0
            .encode_descriptor(name, help, None, MetricType::Counter)?
            .encode_counter::<NoLabelSet, _, u64>(&value, None)
    }

    fn counters(&mut self, name: &str, help: &str, label: &str, values: &[(&str, u64)]) -> fmt::Result {
        let mut metric = self.0.encode_descriptor(name, help, None, MetricType::Counter)?;
        values.iter().try_for_each(|(which, value)| {
            metric
                .encode_family(&[(label, *which)])?
                .encode_counter::<NoLabelSet, _, u64>(value, None)
        })
    }

    fn metric(&mut self, name: &str, help: &str, metric: &impl EncodeMetric) -> fmt::Result {
        metric.encode(self.0.encode_descriptor(name, help, None, metric.metric_type())?)
    }

    fn metric_in(&mut self, name: &str, help: &str, unit: &Unit, metric: &impl EncodeMetric) -> fmt::Result {
        metric.encode(
            self.0
                .encode_descriptor(name, help, Some(unit), metric.metric_type())?,
        )
    }
}
