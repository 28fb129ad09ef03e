//! What a process uses, as the kernel tells it.

use std::{fs, io, time::Duration};

/// What a process uses at a moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Usage {
    /// Memory that it occupies, bytes.
    pub resident_bytes: u64,
    /// The most that it occupied so far, bytes.
    pub peak_bytes: u64,
    /// Processor time since it began, s.
    pub cpu_s: f64,
    /// Bytes that it had written to disks since it began; 0 where the kernel does not tell.
    pub written_bytes: u64,
    /// Open files and connections.
    pub files: u64,
    /// Threads.
    pub threads: u64,
}

/// Returns what a process uses.
pub fn usage(pid: u32) -> io::Result<Usage> {
    let status = fs::read_to_string(format!("/proc/{pid}/status"))?;
    let stat = fs::read_to_string(format!("/proc/{pid}/stat"))?;
    Ok(Usage {
        resident_bytes: field(&status, "VmRSS:") * 1_024,
        peak_bytes: field(&status, "VmHWM:") * 1_024,
        cpu_s: cpu_ticks(&stat) as f64 / rustix::param::clock_ticks_per_second() as f64,
        written_bytes: fs::read_to_string(format!("/proc/{pid}/io"))
            .map_or(0, |io| field(&io, "write_bytes:")),
        files: fs::read_dir(format!("/proc/{pid}/fd"))?.count() as u64,
        threads: field(&status, "Threads:"),
    })
}

/// Returns what this process uses.
pub fn own() -> Usage {
    usage(std::process::id()).unwrap_or_default()
}

fn field(status: &str, name: &str) -> u64 {
    status
        .lines()
        .find_map(|line| line.strip_prefix(name))
        .and_then(|rest| rest.split_whitespace().next())
        .and_then(|n| n.parse().ok())
        .unwrap_or(0)
}

/// User and system time of `/proc/PID/stat`: fields 14 and 15, counted behind the name, which may hold anything.
fn cpu_ticks(stat: &str) -> u64 {
    let after = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
    after
        .split_whitespace()
        .skip(11)
        .take(2)
        .filter_map(|n| n.parse::<u64>().ok())
        .sum()
}

/// Returns a time as text with a fitting unit.
pub fn time(t: Duration) -> String {
    if t < Duration::from_secs(1) {
        format!("{:.1} ms", t.as_secs_f64() * 1e3)
    } else {
        format!("{:.2} s", t.as_secs_f64())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_with_anything_in_it_does_not_shift_the_fields() {
        assert_eq!(
            cpu_ticks("7 (a ) b (c) S 1 7 7 0 -1 4194560 120 0 0 0 31 11 0 0 20 0 3"),
            42
        );
        assert_eq!(cpu_ticks("rubbish"), 0);
    }

    #[test]
    fn this_process_uses_something() {
        let own = own();
        assert!(own.resident_bytes > 1 << 20 && own.peak_bytes >= own.resident_bytes / 2);
        assert!(own.files >= 3 && own.threads >= 1);
    }
}
