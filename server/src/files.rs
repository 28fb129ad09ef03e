//! How many files and connections this process may have open.

use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

use crate::config::Config;

/// Files that are open beside connections: the store, the log, metrics.
const OTHER_FILES: u64 = 256;

/// Raises the number of files that this process may open, as far as the system lets it. Returns what it is then.
///
/// Many systems begin every process with 1024, and allow far more to whoever asks.
pub fn raise(wanted: u64) -> u64 {
    let known = getrlimit(Resource::Nofile);
    let current = known.current.unwrap_or(u64::MAX);
    let possible = wanted.min(known.maximum.unwrap_or(u64::MAX));
    if current >= possible {
        return current;
    }
    let raised = Rlimit {
        current: Some(possible),
        maximum: known.maximum,
    };
    match setrlimit(Resource::Nofile, raised) {
        Ok(()) => possible,
        Err(_) => current,
    }
}

/// Makes room for the connections that the configuration allows; says in the log when there is less.
pub fn make_room(config: &Config) {
    let wanted = config.limits.connections as u64 + OTHER_FILES;
    let allowed = raise(wanted);
    if allowed < wanted {
        tracing::warn!(
            allowed,
            wanted,
            "fewer files may be open than limits.connections needs: raise the hard limit (LimitNOFILE= of the service, \
             ulimit -Hn), or lower limits.connections"
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn asking_never_takes_anything_away() {
        let before = getrlimit(Resource::Nofile).current.unwrap_or(u64::MAX);
        assert_eq!(raise(1), before);
        assert!(raise(before.saturating_add(1)) >= before);
    }
}
