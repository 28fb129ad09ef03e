//! Named points where a test lets the process die, and disks that forget, fail or take their time.
//!
//! Without the feature `faults`, which no build for use has, every point is an empty function and the disk is the
//! machine's. With it, the program `coldbrake-server-faults` reads from one variable what is to go wrong.

#[cfg(feature = "faults")]
pub mod disk;
#[cfg(feature = "faults")]
pub mod plan;

use crate::store::sled::Tuning;

/// Variable that says what goes wrong, in a build with the feature `faults`.
pub const VARIABLE: &str = "COLDBRAKE_FAULTS";

/// A place on the way of the data where a process can be made to die.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Point {
    /// A group of changes is complete; nothing of it is written.
    Gathered,
    /// A record is about to be appended to the journal.
    JournalAppend,
    /// It is appended and not synced.
    JournalAppended,
    /// It is synced; the index does not have it.
    JournalSynced,
    /// The index has a part of the commit, or nothing of it.
    IndexApplying,
    /// The index has the commit; nobody has been told.
    IndexApplied,
    /// A segment of the journal is full.
    TurnBegun,
    /// The index is synced; the full segment is still the last.
    TurnIndexSynced,
    /// The next segment has begun.
    TurnRotated,
    /// The checkpoint stands in it.
    TurnCheckpointed,
    /// Old segments are gone.
    TurnPruned,
    /// The commit is durable; the streams do not know.
    Committed,
    /// The streams know.
    Told,
    /// An acknowledgement is about to be sent.
    Acknowledging,
    /// It is handed to the transport.
    Acknowledged,
    /// At the start: the journal has been read, nothing is changed.
    StartFound,
    /// At the start: the index has what the journal has.
    StartReplayed,
    /// At the start: the end of the journal is cut and synced.
    StartResumed,
    /// At the end: the index is synced, the checkpoint not written.
    EndIndexSynced,
}

impl Point {
    /// All points, in the order of the way.
    pub const ALL: [Self; 19] = [
        Self::Gathered,
        Self::JournalAppend,
        Self::JournalAppended,
        Self::JournalSynced,
        Self::IndexApplying,
        Self::IndexApplied,
        Self::TurnBegun,
        Self::TurnIndexSynced,
        Self::TurnRotated,
        Self::TurnCheckpointed,
        Self::TurnPruned,
        Self::Committed,
        Self::Told,
        Self::Acknowledging,
        Self::Acknowledged,
        Self::StartFound,
        Self::StartReplayed,
        Self::StartResumed,
        Self::EndIndexSynced,
    ];

    /// Returns its name.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Gathered => "gathered",
            Self::JournalAppend => "journal-append",
            Self::JournalAppended => "journal-appended",
            Self::JournalSynced => "journal-synced",
            Self::IndexApplying => "index-applying",
            Self::IndexApplied => "index-applied",
            Self::TurnBegun => "turn-begun",
            Self::TurnIndexSynced => "turn-index-synced",
            Self::TurnRotated => "turn-rotated",
            Self::TurnCheckpointed => "turn-checkpointed",
            Self::TurnPruned => "turn-pruned",
            Self::Committed => "committed",
            Self::Told => "told",
            Self::Acknowledging => "acknowledging",
            Self::Acknowledged => "acknowledged",
            Self::StartFound => "start-found",
            Self::StartReplayed => "start-replayed",
            Self::StartResumed => "start-resumed",
            Self::EndIndexSynced => "end-index-synced",
        }
    }
}

/// Says that the process has come to a point. It dies there if that was asked for.
#[cfg(not(feature = "faults"))]
#[inline]
pub(crate) const fn reach(_point: Point) {}

#[cfg(feature = "faults")]
pub(crate) fn reach(point: Point) {
    if let Some(plan) = plan::current() {
        plan.reach(point);
    }
}

/// Returns whether a commit counts as durable before it is synced: the mistake that the crash check must find.
#[cfg(not(feature = "faults"))]
#[inline]
pub(crate) const fn acknowledges_early() -> bool {
    false
}

#[cfg(feature = "faults")]
pub(crate) fn acknowledges_early() -> bool {
    plan::current().is_some_and(|plan| plan.acknowledge_early)
}

/// Returns the tuning of a store with the faults that were asked for.
#[cfg(not(feature = "faults"))]
#[inline]
pub(crate) const fn tuned(tuning: Tuning) -> Tuning {
    tuning
}

#[cfg(feature = "faults")]
pub(crate) fn tuned(tuning: Tuning) -> Tuning {
    match plan::current() {
        Some(plan) => plan.tuned(tuning),
        None => tuning,
    }
}
