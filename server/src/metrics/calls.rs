//! Calls by method, how they ended, and how long they took.

use std::time::Duration;

use prometheus_client::{
    encoding::EncodeLabelSet,
    metrics::{counter::Counter, family::Family, histogram::Histogram},
};

/// Bounds of the time of a call, s: from a look into memory to a query over everything. Streams last longer than all.
const SECONDS: [f64; 12] = [
    0.001, 0.002, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 5.0, 30.0,
];

/// Methods are a closed list: those of the table of calls.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct ByMethod {
    method: &'static str,
}

/// Codes are a closed list: those of gRPC.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
pub(super) struct ByEnd {
    method: &'static str,
    code: &'static str,
}

/// Counts calls.
#[derive(Debug)]
pub(crate) struct CallMeters {
    pub(super) started: Family<ByMethod, Counter>,
    pub(super) ended: Family<ByEnd, Counter>,
    pub(super) seconds: Family<ByMethod, Histogram>,
}

impl Default for CallMeters {
    fn default() -> Self {
        Self {
            started: Family::default(),
            ended: Family::default(),
            seconds: Family::new_with_constructor(|| Histogram::new(SECONDS)),
        }
    }
}

impl CallMeters {
    /// Tells a method from the begin, at zero: a rate needs a first value.
    pub(crate) fn know(&self, method: &'static str) {
        drop(self.started.get_or_create(&ByMethod { method }));
        drop(self.ended.get_or_create(&ByEnd { method, code: "OK" }));
    }

    /// Notes a call that begins.
    pub(crate) fn started(&self, method: &'static str) {
        self.started.get_or_create(&ByMethod { method }).inc();
    }

    /// Notes a call that ended.
    pub(crate) fn ended(&self, method: &'static str, code: &'static str, took: Duration) {
        self.ended.get_or_create(&ByEnd { method, code }).inc();
        self.seconds
            .get_or_create(&ByMethod { method })
            .observe(took.as_secs_f64());
    }

    /// Returns how many calls of a method ended with a code.
    #[cfg(test)]
    pub(crate) fn count(&self, method: &'static str, code: &'static str) -> u64 {
        self.ended.get_or_create(&ByEnd { method, code }).get()
    }
}
