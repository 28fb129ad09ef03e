//! Logs: structured lines to stderr, under the same field names everywhere (`vehicle`, `stream`, `session`, `sequence`,
//! `descent`, `reason`).

use std::{
    io::{self, IsTerminal as _},
    sync::{Mutex, PoisonError},
    time::{Duration, Instant},
};

use tracing_subscriber::{EnvFilter, fmt, layer::SubscriberExt as _, util::SubscriberInitExt as _};

use crate::config::{LogConfig, LogFormat};

/// Begins to write logs for the whole process. Once only: fails when something else logs already.
pub fn begin(config: &LogConfig) -> Result<(), TelemetryError> {
    let filter = EnvFilter::try_new(&config.filter).map_err(|e| TelemetryError(e.to_string()))?;
    let registry = tracing_subscriber::registry().with(filter);
    match config.format {
        LogFormat::Text => {
            // Colour in a log file is noise, and NO_COLOR is the user's word.
            let colour =
                io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
            registry
                .with(fmt::layer().with_ansi(colour).with_writer(io::stderr))
                .try_init()
        }
        LogFormat::Json => registry
            .with(fmt::layer().json().flatten_event(true).with_writer(io::stderr))
            .try_init(),
    }
    .map_err(|e| TelemetryError(e.to_string()))
}

/// Logs cannot be set up.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("logs cannot be set up: {0}")]
pub struct TelemetryError(String);

/// Lets a number of lines a second through and counts the others.
#[derive(Debug)]
pub(crate) struct LineLimit {
    per_second: u32,
    state: Mutex<LineLimitState>,
}

#[derive(Debug, Default)]
struct LineLimitState {
    second: Option<Instant>,
    written: u32,
    left_out: u64,
}

impl Default for LineLimit {
    fn default() -> Self {
        Self {
            per_second: 10,
            state: Mutex::default(),
        }
    }
}

impl LineLimit {
    /// Returns how many lines were left out since the last one when this one may be written, else `None`.
    pub(crate) fn pass(&self) -> Option<u64> {
        self.pass_at(Instant::now())
    }

    fn pass_at(&self, now: Instant) -> Option<u64> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state
            .second
            .is_none_or(|second| now.duration_since(second) >= Duration::from_secs(1))
        {
            state.second = Some(now);
            state.written = 0;
        }
        if state.written == self.per_second {
            state.left_out += 1;
            return None;
        }
        state.written += 1;
        Some(std::mem::take(&mut state.left_out))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_beyond_the_rate_are_counted_and_told_later() {
        let limit = LineLimit {
            per_second: 2,
            state: Mutex::default(),
        };
        let t0 = Instant::now();
        assert_eq!(
            [(); 5].map(|()| limit.pass_at(t0)),
            [Some(0), Some(0), None, None, None]
        );
        assert_eq!(limit.pass_at(t0 + Duration::from_secs(1)), Some(3));
    }
}
