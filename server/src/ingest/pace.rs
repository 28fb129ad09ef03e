//! When to acknowledge: seldom, but at once when the client waits for it.

use std::time::Duration;

use tokio::time::Instant;

/// Shortest time between two acknowledgements that nobody waits for: five a second.
const INTERVAL: Duration = Duration::from_millis(200);

/// What is known when the question comes up.
#[derive(Clone, Copy, Debug)]
pub(super) struct Facts {
    /// Whether an acknowledgement would tell anything.
    pub(super) owes: bool,
    /// Messages that became durable and are not acknowledged.
    pub(super) owed: usize,
    /// Whether the client may send nothing more before it hears.
    pub(super) used_up: bool,
    /// Whether the stream ends once this is told.
    pub(super) ending: bool,
    /// Messages granted.
    pub(super) credit: usize,
}

/// When to acknowledge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum When {
    /// At once.
    Now,
    /// Then, if nothing more urgent comes up.
    At(Instant),
    /// There is nothing to tell.
    Never,
}

/// Decides when to acknowledge; `last` is when it was done last.
pub(super) fn when(facts: Facts, now: Instant, last: Option<Instant>) -> When {
    if !facts.owes {
        return When::Never;
    }
    let half = facts.credit.div_ceil(2);
    // With a window of one or two the half is used by every message: such a client goes at the pace of the timer.
    let waited_for = facts.owed > 0 && (facts.used_up || (facts.owed >= half && half > 1));
    let due = last.map_or(now, |last| last + INTERVAL);
    if facts.ending || waited_for || due <= now {
        When::Now
    } else {
        When::At(due)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CALM: Facts = Facts {
        owes: true,
        owed: 1,
        used_up: false,
        ending: false,
        credit: 32,
    };

    #[test]
    fn calm_acknowledgements_come_five_times_a_second() {
        let t0 = Instant::now();
        assert_eq!(when(CALM, t0, None), When::Now);
        assert_eq!(when(CALM, t0, Some(t0)), When::At(t0 + INTERVAL));
        assert_eq!(when(CALM, t0 + INTERVAL, Some(t0)), When::Now);
    }

    #[test]
    fn a_client_that_waits_is_told_at_once() {
        let t0 = Instant::now();
        for facts in [
            Facts { owed: 16, ..CALM },
            Facts {
                used_up: true,
                ..CALM
            },
            Facts { ending: true, ..CALM },
        ] {
            assert_eq!(when(facts, t0, Some(t0)), When::Now, "{facts:?}");
        }
    }

    #[test]
    fn nothing_is_told_twice() {
        let facts = Facts {
            owes: false,
            owed: 0,
            used_up: true,
            ending: true,
            credit: 32,
        };
        assert_eq!(when(facts, Instant::now(), None), When::Never);
    }
}
