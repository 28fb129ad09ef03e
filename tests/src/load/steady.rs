//! A fleet at a steady rate for some time: what arrives, how late it is acknowledged, what the server uses.

use std::{fmt::Write as _, time::Duration};

use serde_json::{Value, json};
use tokio::time::{Instant, sleep};

use super::{
    fleet::{Fleet, Plan},
    probe::{self, Usage},
};

/// Longest wait for all streams to be open, and for the last acknowledgements.
const PATIENCE: Duration = Duration::from_secs(300);
/// Lines of the table.
const LINES: usize = 12;

/// What was measured.
#[derive(Clone, Debug)]
pub struct Measured {
    /// For people.
    pub table: String,
    /// For programs.
    pub json: Value,
}

/// What was so far at a moment of the run.
struct Moment {
    t: f64,
    sent: u64,
    acknowledged: u64,
    usage: Usage,
}

/// Drives a fleet for some time and measures it. The server is the process `pid`, if it runs on this machine.
pub async fn measure(plan: &Plan, seconds: f64, pid: Option<u32>) -> Measured {
    let look = || pid.and_then(|pid| probe::usage(pid).ok()).unwrap_or_default();
    let before = look();
    let fleet = Fleet::start(plan);
    let opening = fleet.all_open(0, PATIENCE).await;
    assert!(opening.is_some(), "not all streams open: {:?}", fleet.counts());
    let idle = look();
    fleet.drive(true);
    // Until every vehicle has sent its first message, and some have been heard.
    sleep(plan.period + Duration::from_secs(2)).await;
    fleet.record();
    let began = Instant::now();
    let own_before = probe::own();
    let step = Duration::from_secs_f64((seconds / 120.0).clamp(0.5, 10.0));
    let mut moments = Vec::new();
    loop {
        let counts = fleet.counts();
        moments.push(Moment {
            t: began.elapsed().as_secs_f64(),
            sent: counts.sent,
            acknowledged: counts.acknowledged,
            usage: look(),
        });
        let left = seconds - began.elapsed().as_secs_f64();
        if left <= 0.0 {
            break;
        }
        sleep(step.min(Duration::from_secs_f64(left))).await;
    }
    let latencies = fleet.recorded();
    let own = probe::own();
    let settled = fleet.settle(PATIENCE).await;
    assert!(
        !latencies.is_empty(),
        "nothing was acknowledged: {:?}",
        fleet.counts()
    );
    let (samples, bytes) = fleet.message();
    let counts = fleet.end().await;

    let (first, last) = (&moments[0], &moments[moments.len() - 1]);
    let span = (last.t - first.t).max(1e-9);
    let rate = |of: fn(&Moment) -> u64| (of(last) - of(first)) as f64 * samples as f64 / span;
    let (sent, acknowledged) = (rate(|m| m.sent), rate(|m| m.acknowledged));
    let wanted = plan.vehicles as f64 * samples as f64 / plan.period.as_secs_f64();
    let cpu = last.usage.cpu_s - first.usage.cpu_s;
    let written = last.usage.written_bytes - first.usage.written_bytes;
    let per_million = cpu / (acknowledged * span / 1e6);
    let ms = |q: f64| latencies.value_at_quantile(q) as f64 / 1e3;
    let mib = |b: u64| b as f64 / f64::from(1 << 20);
    let kib_each = |a: u64, b: u64| (a as f64 - b as f64) / 1_024.0 / plan.vehicles as f64;

    let mut table = String::new();
    let mut row = |what: &str, value: String| {
        let _ = writeln!(table, "{what:44} {value}");
    };
    row(
        "vehicles, and those that share a connection",
        format!("{}, {}", plan.vehicles, plan.per_connection),
    );
    row("samples and bytes of a message", format!("{samples}, {bytes}"));
    row(
        "all streams open after",
        opening.map_or("-".to_owned(), probe::time),
    );
    row("wanted, samples/s", format!("{wanted:.0}"));
    row("sent, samples/s", format!("{sent:.0}"));
    row("acknowledged as durable, samples/s", format!("{acknowledged:.0}"));
    row(
        "due to acknowledged, ms: p50, p99, max",
        format!("{:.1}, {:.1}, {:.1}", ms(0.5), ms(0.99), ms(1.0)),
    );
    row(
        "all acknowledged after",
        settled.map_or("not".to_owned(), probe::time),
    );
    if pid.is_some() {
        row(
            "server memory, MiB: before, idle, driving",
            format!(
                "{:.1}, {:.1}, {:.1}",
                mib(before.resident_bytes),
                mib(idle.resident_bytes),
                mib(last.usage.resident_bytes)
            ),
        );
        row(
            "server memory of a stream, KiB: idle, driving",
            format!(
                "{:.1}, {:.1}",
                kib_each(idle.resident_bytes, before.resident_bytes),
                kib_each(last.usage.resident_bytes, before.resident_bytes)
            ),
        );
        row("server open files", last.usage.files.to_string());
        row(
            "server writes to disk, MB/s",
            format!("{:.2}", written as f64 / span / 1e6),
        );
        row("server CPU, cores", format!("{:.2}", cpu / span));
        row("server CPU, s a million samples", format!("{per_million:.3}"));
    }
    row(
        "generator CPU, cores",
        format!("{:.2}", (own.cpu_s - own_before.cpu_s) / span),
    );
    row(
        "sent again, rewinds, refused, forgotten",
        format!(
            "{}, {}, {}, {}",
            counts.sent_again, counts.rewinds, counts.rejected, counts.forgotten
        ),
    );
    row("streams lost", format!("{:?}", counts.losses));
    if pid.is_some() {
        let _ = writeln!(
            table,
            "\n{:>8} {:>14} {:>12} {:>10}",
            "t, s", "acknowledged", "memory, MiB", "CPU, s"
        );
        for m in moments.iter().step_by(moments.len().div_ceil(LINES)) {
            let _ = writeln!(
                table,
                "{:8.1} {:14} {:12.1} {:10.2}",
                m.t,
                m.acknowledged,
                mib(m.usage.resident_bytes),
                m.usage.cpu_s
            );
        }
    }
    let json = json!({
        "vehicles": plan.vehicles,
        "vehicles_per_connection": plan.per_connection,
        "rate_hz": plan.rate_hz,
        "message_s": plan.message_s,
        "message_bytes": bytes,
        "seconds": span,
        "cores": std::thread::available_parallelism().map_or(0, std::num::NonZero::get),
        "opened_after_s": opening.map(|t| t.as_secs_f64()),
        "wanted_samples_per_s": wanted,
        "sent_samples_per_s": sent,
        "acknowledged_samples_per_s": acknowledged,
        "latency_ms": { "p50": ms(0.5), "p90": ms(0.9), "p99": ms(0.99), "p999": ms(0.999), "max": ms(1.0) },
        "settled_after_s": settled.map(|t| t.as_secs_f64()),
        "server": {
            "resident_before_bytes": before.resident_bytes,
            "resident_idle_bytes": idle.resident_bytes,
            "resident_driving_bytes": last.usage.resident_bytes,
            "resident_peak_bytes": last.usage.peak_bytes,
            "files": last.usage.files,
            "cpu_s": cpu,
            "written_bytes": written,
            "cpu_s_per_million_samples": per_million,
        },
        "generator_cpu_s": own.cpu_s - own_before.cpu_s,
        "sent_again": counts.sent_again,
        "rewinds": counts.rewinds,
        "rejected": counts.rejected,
        "forgotten": counts.forgotten,
        "losses": counts.losses,
        "timeline": moments.iter().map(|m| json!({
            "t_s": m.t,
            "sent": m.sent,
            "acknowledged": m.acknowledged,
            "resident_bytes": m.usage.resident_bytes,
            "cpu_s": m.usage.cpu_s,
            "written_bytes": m.usage.written_bytes,
            "files": m.usage.files,
        })).collect::<Vec<_>>(),
    });
    Measured { table, json }
}
