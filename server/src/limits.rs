//! The one table of limits: what is seen of each, and what happens beyond it.
//!
//! A limit has a key with its default and flag in [`crate::config::KEYS`]; here stand its metrics and its refusal. The same
//! table stands in `deploy/README.md`; tests keep them alike, and try every limit on a running server.

use std::fmt::Write as _;

use crate::config::{Config, KEYS};

/// A limit.
#[derive(Clone, Copy, Debug)]
pub struct Limit {
    /// Name of its key.
    pub key: &'static str,
    /// Where the metrics tell how much is used, or how often it was reached.
    pub metric: &'static str,
    /// What happens beyond it.
    pub beyond: Beyond,
}

/// What happens beyond a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beyond {
    /// A status with this reason, whose text names the key.
    Refused(&'static str),
    /// The batch is refused and the stream goes on; the violation names the key.
    BatchRefused,
    /// The connection is closed: there is no call yet that could be answered. Counted under this reason.
    Closed(&'static str),
    /// The peer is taken for dead, and its connection is closed.
    Dead,
    /// Whoever asks waits; nothing is lost.
    Waits,
    /// A watcher is told how many descents it missed.
    Skips,
}

/// Every limit, in the order of the keys.
pub const LIMITS: &[Limit] = &[
    limit(
        "limits.connections",
        "connections",
        Beyond::Closed("CONNECTION_LIMIT_REACHED"),
    ),
    limit(
        "limits.handshakes",
        "handshakes_failed_total",
        Beyond::Closed("HANDSHAKE_LIMIT_REACHED"),
    ),
    limit(
        "limits.handshake_timeout",
        "handshakes_failed_total",
        Beyond::Closed("HANDSHAKE_TIMEOUT"),
    ),
    limit(
        "limits.streams",
        "streams",
        Beyond::Refused("STREAM_LIMIT_REACHED"),
    ),
    limit(
        "limits.calls_per_connection",
        "calls_started_total",
        Beyond::Waits,
    ),
    limit(
        "limits.streams_per_identity",
        "streams_refused_total",
        Beyond::Refused("IDENTITY_STREAM_LIMIT_REACHED"),
    ),
    limit(
        "limits.vehicles",
        "vehicles",
        Beyond::Refused("VEHICLE_LIMIT_REACHED"),
    ),
    limit(
        "limits.message_bytes",
        "streams_refused_total",
        Beyond::Refused("MESSAGE_TOO_LARGE"),
    ),
    limit("limits.batch_samples", "batches_total", Beyond::BatchRefused),
    limit(
        "limits.credit",
        "streams_refused_total",
        Beyond::Refused("CREDIT_EXCEEDED"),
    ),
    limit(
        "limits.open_timeout",
        "streams_refused_total",
        Beyond::Refused("OPEN_TIMEOUT"),
    ),
    limit(
        "limits.idle_timeout",
        "streams_refused_total",
        Beyond::Refused("STREAM_IDLE"),
    ),
    limit("limits.stream_window", "resident_memory_bytes", Beyond::Waits),
    limit("limits.connection_window", "resident_memory_bytes", Beyond::Waits),
    limit("limits.keep_alive_interval", "streams_lost_total", Beyond::Dead),
    limit("limits.keep_alive_timeout", "streams_lost_total", Beyond::Dead),
    limit("limits.shard_queue", "shard_queue_messages", Beyond::Waits),
    limit("limits.queries", "queries", Beyond::Waits),
    limit(
        "limits.watchers",
        "watchers",
        Beyond::Refused("WATCHER_LIMIT_REACHED"),
    ),
    limit("limits.watch_backlog", "descents_skipped_total", Beyond::Skips),
];

const fn limit(key: &'static str, metric: &'static str, beyond: Beyond) -> Limit {
    Limit { key, metric, beyond }
}

/// Returns the table as Markdown.
pub fn markdown() -> String {
    let config = Config::default();
    let mut text =
        String::from("| key | default | what | seen in | beyond it |\n| --- | --: | --- | --- | --- |\n");
    for limit in LIMITS {
        let Some(key) = KEYS.iter().find(|key| key.name == limit.key) else {
            continue;
        };
        let beyond = match limit.beyond {
            Beyond::Refused(reason) => format!("refused: `{reason}`"),
            Beyond::BatchRefused => "the batch is refused, the stream goes on".to_owned(),
            Beyond::Closed(reason) => format!("the connection is closed: `{reason}`"),
            Beyond::Dead => "the peer is taken for dead".to_owned(),
            Beyond::Waits => "waits".to_owned(),
            Beyond::Skips => "the watcher is told how many it missed".to_owned(),
        };
        let _ = writeln!(
            text,
            "| `{}` | {} | {} | `coldbrake_{}` | {beyond} |",
            limit.key,
            (key.show)(&config),
            key.help,
            limit.metric
        );
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_limit_stands_in_the_table_once() {
        let keys: Vec<_> = KEYS
            .iter()
            .map(|key| key.name)
            .filter(|name| name.starts_with("limits."))
            .collect();
        let rows: Vec<_> = LIMITS.iter().map(|limit| limit.key).collect();
        assert_eq!(
            rows, keys,
            "add the row to LIMITS in limits.rs, and its trial to tests/tests/every_limit.rs"
        );
    }

    /// Where the table stands for readers. `COLDBRAKE_WRITE_TABLES=1` writes it anew.
    #[test]
    fn the_documentation_holds_the_same_table() {
        const BEGIN: &str = "<!-- limits: made from server/src/limits.rs -->\n";
        const END: &str = "<!-- end of limits -->";
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/README.md");
        let text = std::fs::read_to_string(&path).unwrap();
        let (before, rest) = text.split_once(BEGIN).expect("the mark before the table");
        let (table, after) = rest.split_once(END).expect("the mark after the table");
        if std::env::var_os("COLDBRAKE_WRITE_TABLES").is_some() {
            std::fs::write(&path, format!("{before}{BEGIN}{}{END}{after}", markdown())).unwrap();
            return;
        }
        assert!(
            table == markdown(),
            "deploy/README.md holds another table: write it anew with COLDBRAKE_WRITE_TABLES=1 cargo test -p \
             coldbrake-server --lib the_documentation_holds"
        );
    }
}
