//! Sends what happens to alarms to the webhook, in order, each at least once.
//!
//! The events stand in the store; how far the delivery is stands beside them. What does not come through is tried again,
//! later and later, without end; what the receiver refuses is given up after some attempts, so that it does not hold up
//! the rest. Whatever was given up or lost on the way can be delivered again.

use std::{
    hash::{BuildHasher as _, Hasher as _, RandomState},
    sync::{Arc, atomic::Ordering::Relaxed},
    time::Duration,
};

use coldbrake_engine::alarm::{
    Event,
    watch::{decode, encode},
};
use tokio::{
    sync::{mpsc, oneshot},
    time::sleep,
};

use super::{
    keeper::DELIVERED,
    service::{change, kept, now_ms},
    webhook::{Sent, Webhook},
};
use crate::{
    checkpoint,
    query::Reader,
    shared::Shared,
    status::Refusal,
    store::{CommitBatch, Shelf, ShelfChange},
};

/// First and longest wait between two attempts.
const FIRST_WAIT: Duration = Duration::from_secs(1);
const LONGEST_WAIT: Duration = Duration::from_mins(5);
/// Attempts after which a message that the receiver refuses is given up.
const REFUSED_ATTEMPTS: u32 = 5;

/// A wish to deliver again from a position on; the answer is how many events that are.
#[derive(Debug)]
pub(crate) struct Replay {
    pub(crate) from: u64,
    pub(crate) reply: oneshot::Sender<u64>,
}

/// The delivery to one webhook.
pub(crate) struct Delivery {
    shared: Arc<Shared>,
    reader: Reader,
    writer: mpsc::WeakSender<checkpoint::Request>,
    webhook: Webhook,
    replays: mpsc::Receiver<Replay>,
    /// Position through which everything is delivered, or given up.
    through: u64,
}

/// Why a step ended before its work was done.
enum Stop {
    /// Somebody wants other events delivered.
    Turned,
    /// The server ends, or cannot store how far it is.
    Ended,
}

impl Delivery {
    pub(crate) fn new(
        shared: &Arc<Shared>,
        writer: mpsc::WeakSender<checkpoint::Request>,
        webhook: Webhook,
        replays: mpsc::Receiver<Replay>,
    ) -> Self {
        shared.alarms.webhook.store(1, Relaxed);
        Self {
            reader: Reader::new(shared),
            shared: Arc::clone(shared),
            writer,
            webhook,
            replays,
            through: 0,
        }
    }

    /// Delivers until the server ends.
    pub(crate) async fn run(mut self) {
        let mut position = self.shared.alarms.position.subscribe();
        match self.begin().await {
            Ok(through) => self.pass(through),
            Err(refusal) => {
                tracing::error!(%refusal, "alarms are not delivered until the server starts again");
                return;
            }
        }
        loop {
            let last = *position.borrow_and_update();
            let stop = if self.through < last {
                self.deliver_next(last).await
            } else {
                tokio::select! {
                    biased;
                    () = self.shared.draining.cancelled() => Err(Stop::Ended),
                    replay = self.replays.recv() => self.turn(replay).await,
                    changed = position.changed() => changed.map_err(|_| Stop::Ended),
                }
            };
            if matches!(stop, Err(Stop::Ended)) {
                return;
            }
        }
    }

    /// Returns how far the delivery is. A webhook that is new begins with what happens from now on.
    async fn begin(&self) -> Result<u64, Refusal> {
        let stored = self
            .reader
            .read(|store, _| Ok(store.shelved(Shelf::Outbox, DELIVERED)?))
            .await?;
        // A record that cannot be read is as good as none.
        if let Some(through) = stored.and_then(|bytes| decode::<u64>(&bytes).ok()) {
            return Ok(through.min(self.shared.alarms.last_position()));
        }
        let through = self.shared.alarms.last_position();
        self.store(through).await?;
        Ok(through)
    }

    async fn deliver_next(&mut self, last: u64) -> Result<(), Stop> {
        let stand = Arc::clone(&self.shared.alarms);
        let (event, missing) = match kept(&self.reader, self.through + 1, last).await {
            Ok(found) => found,
            Err(refusal) => {
                tracing::error!(%refusal, "an event of an alarm cannot be read: it is not delivered");
                stand.given_up.fetch_add(1, Relaxed);
                return self.advance(self.through + 1).await;
            }
        };
        stand.given_up.fetch_add(missing, Relaxed);
        let Some(event) = event else {
            return self.advance(last).await;
        };
        let mut attempt = 0;
        loop {
            attempt += 1;
            match self.webhook.send(&event, now_ms().div_euclid(1_000)).await {
                Sent::Delivered => {
                    stand.delivered.fetch_add(1, Relaxed);
                    stand.note_failure("");
                    return self.advance(event.position).await;
                }
                Sent::Refused(why) if attempt >= REFUSED_ATTEMPTS => {
                    stand.failed.fetch_add(1, Relaxed);
                    stand.given_up.fetch_add(1, Relaxed);
                    stand.note_failure(&why);
                    tracing::error!(
                        position = event.position,
                        why,
                        "the webhook refuses an event of an alarm: given up"
                    );
                    return self.advance(event.position).await;
                }
                Sent::Refused(why) | Sent::Failed(why) => {
                    stand.failed.fetch_add(1, Relaxed);
                    stand.note_failure(&why);
                    self.wait(&event, attempt, &why).await?;
                }
            }
        }
    }

    /// Waits before the next attempt.
    async fn wait(&mut self, event: &Event, attempt: u32, why: &str) -> Result<(), Stop> {
        let wait = backoff(attempt, RandomState::new().build_hasher().finish());
        tracing::warn!(
            position = event.position,
            attempt,
            why,
            wait_ms = wait.as_millis() as u64,
            "an event of an alarm did not come through: it is tried again"
        );
        tokio::select! {
            biased;
            () = self.shared.draining.cancelled() => Err(Stop::Ended),
            replay = self.replays.recv() => self.turn(replay).await.and(Err(Stop::Turned)),
            () = sleep(wait) => Ok(()),
        }
    }

    /// Goes back to where somebody wants to begin again.
    async fn turn(&mut self, replay: Option<Replay>) -> Result<(), Stop> {
        let Some(replay) = replay else {
            return Err(Stop::Ended);
        };
        let last = self.shared.alarms.last_position();
        self.advance(replay.from.saturating_sub(1).min(last)).await?;
        // Whoever asked may have gone.
        let _ = replay.reply.send(last - self.through);
        Ok(())
    }

    async fn advance(&mut self, through: u64) -> Result<(), Stop> {
        match self.store(through).await {
            Ok(()) => {
                self.pass(through);
                Ok(())
            }
            Err(refusal) => {
                tracing::warn!(%refusal, "how far the delivery of alarms is cannot be stored: the last one comes again");
                Err(Stop::Ended)
            }
        }
    }

    fn pass(&mut self, through: u64) {
        self.through = through;
        self.shared.alarms.delivered_through.store(through, Relaxed);
    }

    async fn store(&self, through: u64) -> Result<(), Refusal> {
        let writer = self.writer.upgrade().ok_or(Refusal::Draining)?;
        change(&writer, move |_| {
            Ok(CommitBatch {
                shelved: vec![ShelfChange {
                    shelf: Shelf::Outbox,
                    name: DELIVERED.to_owned(),
                    bytes: Some(encode(&through)),
                }],
                ..CommitBatch::default()
            })
        })
        .await
    }
}

/// Returns the wait after so many attempts: twice as long each time up to [`LONGEST_WAIT`], of that a share from a half to
/// the whole, by `random`.
fn backoff(attempt: u32, random: u64) -> Duration {
    let full = FIRST_WAIT
        .saturating_mul(1 << attempt.saturating_sub(1).min(16))
        .min(LONGEST_WAIT);
    full.mul_f64(0.5 + 0.5 * (random >> 11) as f64 / (1_u64 << 53) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_stay_bounded() {
        assert_eq!(backoff(1, 0), Duration::from_millis(500));
        assert_eq!(backoff(3, 0), Duration::from_secs(2));
        for attempt in 0..200 {
            for random in [0, u64::MAX / 3, u64::MAX] {
                let wait = backoff(attempt, random);
                assert!(
                    wait >= FIRST_WAIT / 2 && wait <= LONGEST_WAIT,
                    "{attempt} {wait:?}"
                );
            }
        }
        assert!(backoff(40, u64::MAX) > LONGEST_WAIT.mul_f64(0.99));
    }
}
