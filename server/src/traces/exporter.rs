//! Counts what became of spans, and tells in the log when that changes: once, not with every message.

use std::sync::{
    Arc,
    atomic::{AtomicBool, AtomicU64, Ordering::Relaxed},
};

use opentelemetry_sdk::{
    Resource,
    error::OTelSdkResult,
    trace::{SpanData, SpanExporter},
};

/// What became of spans.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    /// Spans that a collector has taken.
    pub(crate) sent: AtomicU64,
    /// Spans that no collector took.
    pub(crate) lost: AtomicU64,
    /// Whether the last message was lost.
    is_losing: AtomicBool,
}

impl Tally {
    fn note(&self, spans: usize, outcome: &OTelSdkResult) {
        let spans = spans as u64;
        match outcome {
            Ok(()) => {
                self.sent.fetch_add(spans, Relaxed);
                if self.is_losing.swap(false, Relaxed) {
                    tracing::info!("the collector takes traces again");
                }
            }
            Err(error) => {
                self.lost.fetch_add(spans, Relaxed);
                if !self.is_losing.swap(true, Relaxed) {
                    tracing::warn!(
                        %error, spans,
                        "traces do not reach the collector of traces.endpoint: they are thrown away until they do"
                    );
                }
            }
        }
    }
}

/// Sends spans by another exporter and counts them.
#[derive(Debug)]
pub(super) struct Counted<E> {
    inner: E,
    tally: Arc<Tally>,
}

impl<E> Counted<E> {
    pub(super) fn new(inner: E, tally: Arc<Tally>) -> Self {
        Self { inner, tally }
    }
}

impl<E: SpanExporter> SpanExporter for Counted<E> {
    async fn export(&self, batch: Vec<SpanData>) -> OTelSdkResult {
        let spans = batch.len();
        let outcome = self.inner.export(batch).await;
        self.tally.note(spans, &outcome);
        outcome
    }

    fn shutdown_with_timeout(&self, timeout: std::time::Duration) -> OTelSdkResult {
        self.inner.shutdown_with_timeout(timeout)
    }

    fn force_flush(&self) -> OTelSdkResult {
        self.inner.force_flush()
    }

    fn set_resource(&mut self, resource: &Resource) {
        self.inner.set_resource(resource);
    }
}

#[cfg(test)]
mod tests {
    use opentelemetry_sdk::error::OTelSdkError;

    use super::*;

    #[test]
    fn spans_are_counted_by_what_became_of_them() {
        let tally = Tally::default();
        tally.note(3, &Ok(()));
        tally.note(2, &Err(OTelSdkError::AlreadyShutdown));
        tally.note(1, &Err(OTelSdkError::AlreadyShutdown));
        assert_eq!((tally.sent.load(Relaxed), tally.lost.load(Relaxed)), (3, 3));
        assert!(tally.is_losing.load(Relaxed));
        tally.note(1, &Ok(()));
        assert!(!tally.is_losing.load(Relaxed));
    }
}
