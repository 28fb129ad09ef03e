//! What is watched of a connection: that it is counted as long as it lives, and that it begins to speak.

use std::{
    fmt,
    future::Future as _,
    pin::Pin,
    sync::{Arc, atomic::Ordering::Relaxed},
    task::Context,
};

use tokio::time::{Sleep, sleep};

use crate::shared::{Counters, Shared};

/// What opens every HTTP/2 connection: 24 bytes, then the head of a SETTINGS frame (RFC 9113, 3.4 and 4.1).
const PREFACE_BYTES: usize = 24 + 9;

/// Counts a connection and gives it `limits.open_timeout` to begin: the transport itself asks a peer whether it lives
/// only once it has begun to speak.
pub(crate) struct Vigil {
    shared: Arc<Shared>,
    /// What is still missing; the deadline goes once it is there.
    missing: usize,
    deadline: Option<Pin<Box<Sleep>>>,
}

impl Vigil {
    pub(crate) fn new(shared: &Arc<Shared>) -> Self {
        Counters::add(&shared.counters.open_connections);
        Self {
            missing: PREFACE_BYTES,
            deadline: Some(Box::pin(sleep(shared.config.limits.open_timeout))),
            shared: Arc::clone(shared),
        }
    }

    /// Returns whether the peer has not begun in time. Asked before every read.
    pub(crate) fn is_overdue(&mut self, cx: &mut Context<'_>) -> bool {
        let overdue = self
            .deadline
            .as_mut()
            .is_some_and(|deadline| deadline.as_mut().poll(cx).is_ready());
        if overdue {
            self.deadline = None;
            self.shared.meters.refused_connection("OPEN_TIMEOUT");
        }
        overdue
    }

    /// Notes that bytes came.
    pub(crate) fn heard(&mut self, bytes: usize) {
        if self.deadline.is_some() {
            self.missing = self.missing.saturating_sub(bytes);
            if self.missing == 0 {
                self.deadline = None;
            }
        }
    }
}

impl fmt::Debug for Vigil {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Vigil")
            .field("missing", &self.missing)
            .finish_non_exhaustive()
    }
}

impl Drop for Vigil {
    fn drop(&mut self) {
        self.shared.counters.open_connections.fetch_sub(1, Relaxed);
    }
}
