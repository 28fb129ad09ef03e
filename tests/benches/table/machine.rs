//! What the figures were measured on.

use std::fmt;

/// Facts of the machine.
#[derive(Clone, Debug)]
pub(crate) struct Machine {
    processor: String,
    cores: usize,
    memory_gib: f64,
    kernel: String,
}

/// Reads the facts of this machine; what cannot be read is said to be unknown.
pub(crate) fn facts() -> Machine {
    let read = |path: &str| std::fs::read_to_string(path).unwrap_or_default();
    let field = |text: &str, name: &str| {
        text.lines().find_map(|line| {
            line.strip_prefix(name)?
                .split_once(':')
                .map(|(_, v)| v.trim().to_owned())
        })
    };
    let kib =
        field(&read("/proc/meminfo"), "MemTotal").and_then(|v| v.split(' ').next()?.parse::<f64>().ok());
    Machine {
        processor: field(&read("/proc/cpuinfo"), "model name")
            .unwrap_or_else(|| "unknown processor".to_owned()),
        cores: std::thread::available_parallelism().map_or(1, Into::into),
        memory_gib: kib.unwrap_or(f64::NAN) / f64::from(1 << 20),
        kernel: read("/proc/sys/kernel/osrelease").trim().to_owned(),
    }
}

impl fmt::Display for Machine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}, {} cores, {:.0} GiB of memory, Linux {}",
            self.processor, self.cores, self.memory_gib, self.kernel
        )
    }
}

impl Machine {
    pub(crate) fn to_json(&self) -> serde_json::Value {
        serde_json::json!({
            "processor": self.processor, "cores": self.cores, "memory_gib": self.memory_gib, "kernel": self.kernel,
        })
    }
}
