//! Where everything durable lives. Nothing above this trait knows which store runs.

use std::path::Path;

use coldbrake_engine::{
    Descent, FinishedDescent, Metric, MetricHistogram, ProfilePoint, VehicleClass, wear::BrakeAccount,
};
use serde::{Deserialize, Serialize};

pub mod backup;
pub mod cursor;
pub mod disk;
pub mod envelope;
pub mod groups;
pub mod journal;
pub mod keys;
pub mod memory;
pub mod records;
pub mod relabel;
pub mod retention;
pub mod shelf;
pub mod sled;
pub mod tally;

pub use backup::BackupSummary;
pub use groups::{Group, Grouping, Groups};
pub use memory::MemoryStore;
pub use relabel::Relabel;
pub use retention::{Kept, Removal, Removed};
pub use shelf::{Shelf, ShelfChange, Shelved};
pub use sled::{SledOptions, SledStore};

/// What is known of a vehicle beside its engine state, for listings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VehicleRecord {
    /// Identifier.
    pub vehicle: String,
    /// Class that it opened its last stream with.
    pub vehicle_class: String,
    /// Software version that it opened its last stream with.
    pub software_version: String,
    /// What its brake column carries.
    pub brake_kind: coldbrake_engine::BrakeKind,
    /// Time of its last sample, ms since the Unix epoch, UTC.
    pub last_sample_time_ms: Option<i64>,
    /// Descents recorded.
    pub descent_count: u64,
    /// Whether a descent is under way.
    pub descending: bool,
    /// Batches refused.
    pub refused_batch_count: u64,
    /// Friction work since the vehicle is known, J at the wheels; `None` without a brake signal that allows it.
    pub friction_total_j: Option<f64>,
    /// Distance since the vehicle is known, m.
    pub distance_total_m: f64,
    /// Account of its brakes.
    pub brakes: BrakeAccount,
}

/// A change made by a person, for the audit log.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct AuditRecord {
    /// When, ms since the Unix epoch, UTC.
    pub time_ms: i64,
    /// Who: the identity of the caller, or `local` without one.
    pub who: String,
    /// What was called, for example `PutVehicleClass`.
    pub action: String,
    /// On what, for example the class.
    pub subject: String,
}

/// Everything that becomes durable together.
///
/// Histogram increments are not part of it: the store derives them from `descents` and `relabels`, one increment for every
/// metric that a descent has, so that they can never disagree.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CommitBatch {
    /// Engine state of vehicles as bytes, watermark inside, by vehicle.
    pub states: Vec<(String, Vec<u8>)>,
    /// Records of vehicles, for listings.
    pub vehicles: Vec<VehicleRecord>,
    /// Descents that ended.
    pub descents: Vec<FinishedDescent>,
    /// Classes registered or replaced.
    pub classes: Vec<VehicleClass>,
    /// Audit log entries.
    pub audit: Vec<AuditRecord>,
    /// Changes of named records. Of two for the same record the last counts.
    pub shelved: Vec<ShelfChange>,
    /// Descents of which something goes away. They must not be among `descents`; one that is not there is passed over.
    pub removals: Vec<Removal>,
    /// Descents whose known grade changes. Histograms lose and gain what the descents are counted with. They must not be
    /// among `descents` or `removals`; one that is not there is passed over. Of two for the same descent the last counts.
    pub relabels: Vec<Relabel>,
    /// From which day on everything is kept, when that changes.
    pub kept: Option<Kept>,
}

impl CommitBatch {
    /// Returns whether there is nothing to write.
    pub fn is_empty(&self) -> bool {
        self.states.is_empty()
            && self.vehicles.is_empty()
            && self.descents.is_empty()
            && self.classes.is_empty()
            && self.audit.is_empty()
            && self.shelved.is_empty()
            && self.removals.is_empty()
            && self.relabels.is_empty()
            && self.kept.is_none()
    }
}

/// Which descents are meant. Every field present must hold.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DescentFilter {
    /// Vehicle.
    pub vehicle: Option<String>,
    /// Class.
    pub vehicle_class: Option<String>,
    /// Software version.
    pub software_version: Option<String>,
    /// Known grade.
    pub grade: Option<String>,
    /// Not before this time, ms since the Unix epoch, UTC.
    pub start_time_ms: Option<i64>,
    /// Before this time, ms since the Unix epoch, UTC.
    pub end_time_ms: Option<i64>,
    /// Drop of at least this, m.
    pub min_drop_m: Option<f64>,
}

impl DescentFilter {
    /// Returns whether a descent is meant.
    pub fn matches(&self, d: &Descent) -> bool {
        let same = |want: &Option<String>, have: &str| want.as_deref().is_none_or(|w| w == have);
        same(&self.vehicle, &d.vehicle)
            && same(&self.vehicle_class, &d.vehicle_class)
            && same(&self.software_version, &d.software_version)
            && self
                .grade
                .as_deref()
                .is_none_or(|w| d.grade.as_deref().unwrap_or("-") == w)
            && self.start_time_ms.is_none_or(|t| d.start_time_ms >= t)
            && self.end_time_ms.is_none_or(|t| d.start_time_ms < t)
            && self.min_drop_m.is_none_or(|m| d.drop_m >= m)
    }
}

/// A page of a listing.
#[derive(Clone, Debug, PartialEq)]
pub struct Page<T> {
    /// Rows.
    pub rows: Vec<T>,
    /// Where the next page begins: opaque to everyone but the store. `None` on the last page.
    pub next: Option<Vec<u8>>,
}

/// Which stored histograms are merged. Every field present must hold.
#[derive(Clone, Debug, PartialEq)]
pub struct HistogramQuery {
    /// Metric.
    pub metric: Metric,
    /// Class.
    pub vehicle_class: Option<String>,
    /// Software version.
    pub software_version: Option<String>,
    /// Known grade; `-` means not matched to any.
    pub grade: Option<String>,
    /// First UTC day, days since 1970-01-01.
    pub first_day: Option<i32>,
    /// Last UTC day, inclusive.
    pub last_day: Option<i32>,
}

/// What a histogram query found.
#[derive(Clone, Debug, PartialEq)]
pub struct MergedHistogram {
    /// Sum of the histograms.
    pub histogram: MetricHistogram,
    /// How many stored histograms were added.
    pub merged: u32,
    /// How many of the values were above the metric's range and count as its largest.
    pub clamped: u64,
}

/// Size and contents of a store.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct StoreStats {
    /// Vehicles with state.
    pub vehicles: u64,
    /// Descents.
    pub descents: u64,
    /// Histograms.
    pub histograms: u64,
    /// Bytes on disk; 0 for a store in memory.
    pub size_bytes: u64,
}

/// A problem of a store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The operating system refused: the disk is full, read-only or broken.
    #[error("cannot {action} {path}: {source}")]
    Io {
        /// What was tried, a verb.
        action: &'static str,
        /// On which file.
        path: std::path::PathBuf,
        /// Why it failed.
        source: std::io::Error,
    },
    /// Stored bytes are not what was written.
    #[error("{what} is damaged: {reason}")]
    Damaged {
        /// Which record or file.
        what: String,
        /// What is wrong.
        reason: String,
    },
    /// The store was written by a newer program.
    #[error(
        "the store has format {found}, this program reads up to {known}: start the newer program, or restore a backup made by this one"
    )]
    Newer {
        /// Format of the store.
        found: u32,
        /// Newest format known.
        known: u32,
    },
    /// The store was written by an older program, and this one does not know how to read it.
    #[error(
        "the store has format {found}, this program reads {known}: make a backup with the program that wrote it, and restore that with this one"
    )]
    Older {
        /// Format of the store.
        found: u32,
        /// Format that this program reads.
        known: u32,
    },
    /// One record is of a version that this program does not know.
    #[error(
        "{what} has version {found}, this program reads up to {known}: start the newer program that wrote it; if there is none, the record is damaged: restore a backup from before"
    )]
    NewerRecord {
        /// Which record.
        what: String,
        /// Its version.
        found: u32,
        /// Newest version known.
        known: u32,
    },
    /// A backup was written by a newer program.
    #[error(
        "backup {path} has version {found}, this program reads up to {known}: restore it with the newer program"
    )]
    NewerBackup {
        /// The file.
        path: std::path::PathBuf,
        /// Its version.
        found: u32,
        /// Newest version known.
        known: u32,
    },
    /// Another process has the store open.
    #[error("{path} is in use by another process: stop that one first")]
    InUse {
        /// Directory of the store.
        path: std::path::PathBuf,
    },
    /// A value is larger than the store takes.
    #[error("{what} has {bytes} bytes, more than the {limit} that a record may have")]
    TooLarge {
        /// Which record.
        what: String,
        /// Its size.
        bytes: usize,
        /// The limit.
        limit: usize,
    },
    /// What this kind of store cannot do.
    #[error("{0}")]
    Unsupported(&'static str),
    /// An identifier that cannot be stored.
    #[error("{what} cannot be stored: {problem}")]
    BadKey {
        /// Which identifier.
        what: String,
        /// What is wrong with it.
        problem: &'static str,
    },
    /// A page token that this store did not give.
    #[error("the page token is not one of this listing: start again without it")]
    BadCursor,
    /// An earlier write failed: nothing more is accepted until the store is opened again.
    #[error("the store stopped after a failed write: restart the server ({0})")]
    Poisoned(String),
}

/// A durable store.
///
/// # Contract
/// * `commit` is atomic: after a crash all of a batch is there or nothing. It is durable against loss of power when
///   it returns: the caller acknowledges vehicles on its return.
/// * A descent committed twice (same vehicle and identifier) is stored and counted once.
/// * Commits become visible to readers in the order of the calls, and only once durable.
/// * A batch with a record that is too large or an identifier that cannot be a key is refused as a whole before
///   anything is written: [`StoreError::TooLarge`], [`StoreError::BadKey`].
/// * Listings are in a stable order; a page token continues where the page before ended even if rows were added. A
///   limit of 0 counts as 1.
/// * No call panics on what is on disk. After a failed write the store answers [`StoreError::Poisoned`].
/// * Calls block: use them from a thread that may block. One caller of `commit` at a time.
pub trait Store: Send + Sync + 'static {
    /// Makes the batch durable.
    fn commit(&self, batch: &CommitBatch) -> Result<(), StoreError>;

    /// Returns the engine state of a vehicle as bytes.
    fn vehicle_state(&self, vehicle: &str) -> Result<Option<Vec<u8>>, StoreError>;

    /// Returns the record of a vehicle.
    fn vehicle(&self, vehicle: &str) -> Result<Option<VehicleRecord>, StoreError>;

    /// Lists vehicles by identifier.
    fn vehicles(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<VehicleRecord>, StoreError>;

    /// Returns all classes by identifier. There are few.
    fn classes(&self) -> Result<Vec<VehicleClass>, StoreError>;

    /// Lists descents, the latest start first. Looks at a bounded number of rows: a page may be shorter than `limit`,
    /// even empty, and still have a next one.
    fn descents(
        &self,
        filter: &DescentFilter,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Descent>, StoreError>;

    /// Returns one descent with its profile.
    fn descent(
        &self,
        vehicle: &str,
        descent: &str,
    ) -> Result<Option<(Descent, Vec<ProfilePoint>)>, StoreError>;

    /// Returns the sum of the histograms that the query means; an empty one when there are none.
    fn histogram(&self, query: &HistogramQuery) -> Result<MergedHistogram, StoreError>;

    /// Returns the histograms that the query means, summed up by group. May stop once there are more than `most` groups:
    /// then what it returns is of no use but for saying so.
    fn histogram_groups(
        &self,
        query: &HistogramQuery,
        grouping: Grouping,
        most: usize,
    ) -> Result<Groups, StoreError>;

    /// Lists the audit log, the latest entry first.
    fn audit(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<AuditRecord>, StoreError>;

    /// Returns a named record.
    fn shelved(&self, shelf: Shelf, name: &str) -> Result<Option<Vec<u8>>, StoreError>;

    /// Lists the named records of a shelf whose names begin with `start`, in the order of their names.
    fn shelf(
        &self,
        shelf: Shelf,
        start: &str,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Shelved>, StoreError>;

    /// Returns from which day on everything is kept.
    fn kept(&self) -> Result<Kept, StoreError>;

    /// Writes everything that is committed into a new file, durable and read again before it has its name. Commits wait
    /// while it is written, queries do not.
    fn back_up(&self, file: &Path) -> Result<BackupSummary, StoreError>;

    /// Returns what is left on the file system of the store, bytes; `None` for a store that has none.
    fn free_bytes(&self) -> Option<u64> {
        None
    }

    /// Returns what the store holds.
    fn stats(&self) -> Result<StoreStats, StoreError>;
}
