//! Stops taking samples before the disk of the store is full: a full disk would fail a commit, and after a failed
//! commit only a restart helps.

use std::{sync::Arc, time::Duration};

use crate::{shared::Shared, status::Refusal};

/// How often the disk is looked at. At ten times the rate that one machine can journal, this lets through far less
/// than the smallest sensible floor.
const EVERY: Duration = Duration::from_secs(1);

/// The disk while it has too little left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct DiskLow {
    free_bytes: u64,
    floor_bytes: u64,
}

impl From<DiskLow> for Refusal {
    fn from(low: DiskLow) -> Self {
        Self::DiskLow {
            free_bytes: low.free_bytes,
            floor_bytes: low.floor_bytes,
        }
    }
}

/// Returns whether there is too little: below the floor, or, once it was, less than a tenth above it, so that what a
/// restarted stream writes does not end it again at once.
fn judge(free_bytes: u64, floor_bytes: u64, was_low: bool) -> Option<DiskLow> {
    let needed = if was_low {
        floor_bytes.saturating_add(floor_bytes / 10)
    } else {
        floor_bytes
    };
    (free_bytes < needed).then_some(DiskLow {
        free_bytes,
        floor_bytes,
    })
}

/// Looks at the disk for as long as the server runs.
pub(crate) async fn watch(shared: Arc<Shared>) {
    let floor_bytes = shared.config.store.free_floor_bytes;
    if floor_bytes == 0 {
        return;
    }
    let mut tick = tokio::time::interval(EVERY);
    tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    loop {
        tick.tick().await;
        let store = Arc::clone(&shared.store);
        // A network file system may take its time to answer.
        let Ok(Some(free_bytes)) = tokio::task::spawn_blocking(move || store.free_bytes()).await else {
            continue;
        };
        shared.disk_low.send_if_modified(|low| {
            let now = judge(free_bytes, floor_bytes, low.is_some());
            let turned = now.is_some() != low.is_some();
            if turned {
                if now.is_some() {
                    tracing::error!(
                        free_bytes,
                        floor_bytes,
                        "the disk of the store is nearly full: nothing more is accepted until there is room"
                    );
                } else {
                    tracing::info!(free_bytes, "there is room on the disk of the store again");
                }
            }
            *low = now;
            turned
        });
    }
}

#[cfg(test)]
mod tests {
    use super::judge;

    #[test]
    fn it_stops_below_the_floor_and_goes_on_a_tenth_above_it() {
        let is_low = |free, was_low| judge(free, 1_000, was_low).is_some();
        assert_eq!([is_low(1_000, false), is_low(999, false)], [false, true]);
        assert_eq!([is_low(1_099, true), is_low(1_100, true)], [true, false]);
        assert!(judge(u64::MAX, u64::MAX, true).is_none());
        assert!(judge(0, 0, true).is_none());
    }
}
