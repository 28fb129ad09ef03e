//! Alarms: kept by the writer thread ([`Keeper`]), told by [`service`], sent to other systems by [`delivery`].

pub(crate) mod delivery;
pub(crate) mod keeper;
pub(crate) mod preview;
pub(crate) mod select;
pub(crate) mod service;
mod signature;
pub(crate) mod webhook;

use std::sync::{
    Mutex, PoisonError,
    atomic::{AtomicU64, Ordering::Relaxed},
};

use tokio::sync::watch;

pub(crate) use self::{delivery::Delivery, keeper::Keeper, service::Alarms, webhook::Webhook};

/// How the alarms stand, for those who do not write.
#[derive(Debug)]
pub(crate) struct Stand {
    /// Position of the last durable event.
    pub(crate) position: watch::Sender<u64>,
    /// Open alarms, without planning messages.
    pub(crate) open: AtomicU64,
    /// Open planning messages.
    pub(crate) planning: AtomicU64,
    /// Whether there is a webhook.
    pub(crate) webhook: AtomicU64,
    /// Position through which everything is delivered, or given up.
    pub(crate) delivered_through: AtomicU64,
    /// Deliveries that succeeded.
    pub(crate) delivered: AtomicU64,
    /// Attempts that failed.
    pub(crate) failed: AtomicU64,
    /// Events given up.
    pub(crate) given_up: AtomicU64,
    last_failure: Mutex<String>,
}

impl Default for Stand {
    fn default() -> Self {
        Self {
            position: watch::Sender::new(0),
            open: AtomicU64::default(),
            planning: AtomicU64::default(),
            webhook: AtomicU64::default(),
            delivered_through: AtomicU64::default(),
            delivered: AtomicU64::default(),
            failed: AtomicU64::default(),
            given_up: AtomicU64::default(),
            last_failure: Mutex::default(),
        }
    }
}

impl Stand {
    /// Returns the position of the last durable event.
    pub(crate) fn last_position(&self) -> u64 {
        *self.position.borrow()
    }

    /// Returns how many events wait for delivery.
    pub(crate) fn waiting(&self) -> u64 {
        if self.webhook.load(Relaxed) == 0 {
            return 0;
        }
        self.last_position()
            .saturating_sub(self.delivered_through.load(Relaxed))
    }

    /// Notes why an attempt failed; empty when it did not.
    pub(crate) fn note_failure(&self, why: &str) {
        let mut last = self.last_failure.lock().unwrap_or_else(PoisonError::into_inner);
        why.clone_into(&mut last);
    }

    /// Returns why the last attempt failed; empty when it did not.
    pub(crate) fn last_failure(&self) -> String {
        self.last_failure
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}
