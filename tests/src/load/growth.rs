//! How the cost of a vehicle grows with the size of the fleet: the same drive by fleets of several sizes.

use std::{fmt::Write as _, path::Path, time::Duration};

use serde_json::{Value, json};

use super::{
    child::Server,
    fleet::Plan,
    steady::{self, Measured},
};

/// Vehicles that share a connection.
const PER_CONNECTION: usize = 2_000;
/// Width of the longest bar.
const WIDTH: f64 = 40.0;

/// Flags for a server that takes so many vehicles.
pub fn flags(vehicles: usize, per_connection: usize) -> Vec<String> {
    let many = (vehicles + 1_000).to_string();
    let calls = per_connection.max(1_024);
    let each = calls.to_string();
    // What their credit lets them have on their way: see the default of the server.
    let window = (calls * 32 * 512).to_string();
    [
        ("--limits-streams", &many),
        ("--limits-vehicles", &many),
        ("--limits-connections", &many),
        ("--limits-calls-per-connection", &each),
        ("--limits-connection-window", &window),
    ]
    .into_iter()
    .flat_map(|(flag, value)| [flag.to_owned(), value.clone()])
    .collect()
}

/// Drives fleets of these sizes for some time each, each against a server and a store of its own; `begin` is told of each.
pub async fn grow(program: &Path, sizes: &[usize], seconds: f64, begin: impl Fn(usize)) -> Measured {
    let mut found = Vec::new();
    for vehicles in sizes.iter().copied() {
        begin(vehicles);
        let directory = tempfile::tempdir().unwrap();
        let per_connection = vehicles.min(PER_CONNECTION);
        let mut server = Server::start(program, directory.path(), flags(vehicles, per_connection)).await;
        let plan = Plan::new(server.uri(), vehicles, per_connection);
        let measured = steady::measure(&plan, seconds, Some(server.pid())).await;
        server.terminate();
        server.ended(Duration::from_secs(60)).await;
        found.push(measured.json);
    }
    Measured {
        table: text(&found),
        json: json!(found),
    }
}

fn text(found: &[Value]) -> String {
    let number = |v: &Value, path: &str| v.pointer(path).and_then(Value::as_f64).unwrap_or(f64::NAN);
    let vehicles = |v: &Value| number(v, "/vehicles");
    let mut text = format!(
        "{:>9} {:>12} {:>12} {:>9} {:>9} {:>12} {:>12} {:>14}\n",
        "vehicles",
        "wanted, /s",
        "durable, /s",
        "p50, ms",
        "p99, ms",
        "CPU, cores",
        "memory, MiB",
        "written, MB/s"
    );
    for v in found {
        let seconds = number(v, "/seconds");
        let _ = writeln!(
            text,
            "{:>9} {:>12.0} {:>12.0} {:>9.1} {:>9.1} {:>12.3} {:>12.1} {:>14.2}",
            vehicles(v),
            number(v, "/wanted_samples_per_s"),
            number(v, "/acknowledged_samples_per_s"),
            number(v, "/latency_ms/p50"),
            number(v, "/latency_ms/p99"),
            number(v, "/server/cpu_s") / seconds,
            number(v, "/server/resident_driving_bytes") / f64::from(1 << 20),
            number(v, "/server/written_bytes") / seconds / 1e6,
        );
    }
    let minutes = |v: &Value| number(v, "/seconds") / 60.0;
    let cpu = |v: &Value| number(v, "/server/cpu_s") * 1e3 / minutes(v) / vehicles(v);
    let memory = |v: &Value| {
        let grown = number(v, "/server/resident_driving_bytes") - number(v, "/server/resident_before_bytes");
        grown / 1_024.0 / vehicles(v)
    };
    let written = |v: &Value| number(v, "/server/written_bytes") / 1e3 / minutes(v) / vehicles(v);
    bars(&mut text, "processor time of a vehicle, ms a minute", found, &cpu);
    bars(&mut text, "memory of a vehicle, KiB", found, &memory);
    bars(&mut text, "written for a vehicle, kB a minute", found, &written);
    text
}

fn bars(text: &mut String, title: &str, found: &[Value], of: &dyn Fn(&Value) -> f64) {
    let most = found.iter().map(of).fold(f64::MIN_POSITIVE, f64::max);
    let _ = writeln!(text, "\n{title}");
    for v in found {
        let value = of(v);
        let length = (WIDTH * value / most).round().max(0.0) as usize;
        let _ = writeln!(
            text,
            "{:>9}  {:<40}  {value:.2}",
            v["vehicles"].to_string(),
            "█".repeat(length)
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_show_cost_of_a_vehicle() {
        let run = |vehicles: u32, cpu_s: f64| {
            json!({
                "vehicles": vehicles, "seconds": 60.0, "wanted_samples_per_s": 1.0, "acknowledged_samples_per_s": 1.0,
                "latency_ms": { "p50": 1.0, "p99": 2.0 },
                "server": {
                    "cpu_s": cpu_s, "written_bytes": f64::from(vehicles) * 5e3,
                    "resident_before_bytes": 0, "resident_driving_bytes": vehicles * 2_048,
                },
            })
        };
        let text = text(&[run(1_000, 2.0), run(10_000, 10.0)]);
        let bar = |n: usize| "█".repeat(n);
        assert!(text.contains(&format!("     1000  {}  2.00", bar(40))), "{text}");
        assert!(
            text.contains(&format!("    10000  {:<40}  1.00", bar(20))),
            "{text}"
        );
        assert!(text.contains(&format!("    10000  {}  5.00", bar(40))), "{text}");
    }
}
