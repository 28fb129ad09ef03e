//! When a server dies, and what its death leaves.

use std::time::Duration;

use coldbrake_server::fault::Point;
use fastrand::Rng;

/// The moment of a death.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// Some time after the process was started, or after it began to serve.
    After {
        /// Whether time counts from the start of the process.
        start: bool,
        /// How long it lives.
        time: Duration,
    },
    /// When it comes to a point for the time with this number, counted from 1.
    At(Point, u64),
    /// As soon as every vehicle has heard that all it was let send is durable.
    Heard,
}

/// What is on the disk after a death.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Left {
    /// Everything that was written: the machine goes on.
    All,
    /// Only what was synced, as after a loss of power.
    Synced,
    /// What was synced, and of the journal the first half of what was not.
    Torn,
    /// What was synced, and of the index some of the blocks that were not.
    Mixed,
}

/// How a life of the server ends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fate {
    /// When.
    pub when: When,
    /// What is left.
    pub left: Left,
    /// Length of the journal's segments in this life: short ones are turned often.
    pub segment_bytes: u64,
}

impl Fate {
    /// Returns whether the point is one that a server only comes to when it is asked to end.
    pub fn is_at_the_end(&self) -> bool {
        matches!(self.when, When::At(Point::EndIndexSynced, _))
    }
}

/// Length of segments of which a short life turns some, bytes.
pub const SHORT_SEGMENT: u64 = 15_000;

/// Draws deaths: every point once, in any order, among others at points and at random times.
pub fn draw(number: usize, keeps_journal: bool, seed: u64) -> Vec<Fate> {
    let mut rng = Rng::with_seed(seed);
    let mut whens: Vec<When> = Point::ALL.iter().map(|point| When::At(*point, 1)).collect();
    while whens.len() < number {
        whens.push(if rng.bool() {
            let point = Point::ALL[rng.usize(..Point::ALL.len())];
            When::At(point, rng.u64(1..=most_times(point)))
        } else {
            let start = rng.u8(..4) == 0;
            let longest = if start { 150 } else { 350 };
            When::After {
                start,
                time: Duration::from_millis(rng.u64(..longest)),
            }
        });
    }
    rng.shuffle(&mut whens);
    whens.truncate(number);
    whens
        .into_iter()
        .map(|when| Fate {
            when,
            left: match rng.u8(..8) {
                // Here a part of a record can be on the disk.
                0..6 if matches!(when, When::At(Point::JournalAppended, _)) => Left::Torn,
                0..4 => Left::All,
                4 | 5 => Left::Synced,
                6 => Left::Torn,
                // Without the whole journal an index in pieces asks for a backup.
                _ if keeps_journal => Left::Mixed,
                _ => Left::Synced,
            },
            segment_bytes: if is_turn(when) {
                SHORT_SEGMENT
            } else {
                rng.u64(SHORT_SEGMENT..150_000)
            },
        })
        .collect()
}

fn is_turn(when: When) -> bool {
    use Point::{TurnBegun, TurnCheckpointed, TurnIndexSynced, TurnPruned, TurnRotated};
    matches!(
        when,
        When::At(
            TurnBegun | TurnIndexSynced | TurnRotated | TurnCheckpointed | TurnPruned,
            _
        )
    )
}

/// Returns how often a short life surely comes to a point.
fn most_times(point: Point) -> u64 {
    match point {
        Point::StartFound
        | Point::StartReplayed
        | Point::StartResumed
        | Point::EndIndexSynced
        | Point::TurnBegun
        | Point::TurnIndexSynced
        | Point::TurnRotated
        | Point::TurnCheckpointed
        | Point::TurnPruned => 1,
        Point::Acknowledging | Point::Acknowledged => 20,
        Point::Gathered
        | Point::JournalAppend
        | Point::JournalAppended
        | Point::JournalSynced
        | Point::IndexApplying
        | Point::IndexApplied
        | Point::Committed
        | Point::Told => 6,
    }
}

/// Returns deaths that show whether anything was acknowledged before it was synced: each loses what was not synced at the
/// moment when all that was sent has been acknowledged, before anything else can be written behind it.
pub fn when_heard(number: usize) -> Vec<Fate> {
    let fate = Fate {
        when: When::Heard,
        left: Left::Synced,
        segment_bytes: 8 << 20,
    };
    vec![fate; number]
}
