//! The durable store: a commit journal of our own, and an embedded database as the index over it.
//!
//! A commit is resolved into absolute changes of keys, written to the journal, synced, and only then applied to the
//! index. The database does not sync when it says so; here it does not have to, because everything since the last
//! checkpoint is applied again when the store is opened.

mod compact;
mod export;
mod guard;
mod index;
mod opening;
mod query;
mod resolve;
mod verify;

use std::{
    path::Path,
    sync::{Arc, Mutex, PoisonError, RwLock},
};

use coldbrake_engine::{Descent, ProfilePoint, VehicleClass};

pub use self::{
    compact::CompactReport,
    export::{Used, check_free},
    opening::{FORMAT, OpenReport},
    verify::{Finding, MAX_FINDINGS, VerifyReport},
};
use self::{index::Index, opening::Layout};
use super::{
    AuditRecord, BackupSummary, CommitBatch, DescentFilter, Grouping, Groups, HistogramQuery, Kept,
    MergedHistogram, Page, Shelf, Shelved, Store, StoreError, StoreStats, VehicleRecord, backup,
    disk::{Disk, RealDisk},
    journal::{self, Journal, JournalOptions},
    records,
    tally::Tally,
};
use crate::fault::{self, Point};

/// How a [`SledStore`] is run.
#[derive(Clone, Debug)]
pub struct SledOptions {
    /// Memory for pages of the index, bytes.
    pub cache_bytes: u64,
}

impl Default for SledOptions {
    fn default() -> Self {
        Self {
            cache_bytes: 64 << 20,
        }
    }
}

/// What of a [`SledStore`] is set by tests only: the defaults are meant for everyone.
#[derive(Clone, Debug)]
pub struct Tuning {
    /// Length of a segment of the journal, bytes. At its end the index is made durable; at most this much is applied
    /// again after a crash.
    pub segment_bytes: u64,
    /// Journal that is kept even when the index no longer needs it, bytes. A store that has not written more than
    /// this can build its index anew.
    pub keep_bytes: u64,
    /// Whether every record of the index is read when the store was not closed properly.
    pub check_after_crash: bool,
    /// Where the files of the journal are.
    pub disk: Arc<dyn Disk>,
}

impl Default for Tuning {
    fn default() -> Self {
        Self {
            segment_bytes: 8 << 20,
            keep_bytes: 256 << 20,
            check_after_crash: true,
            disk: Arc::new(RealDisk),
        }
    }
}

impl Tuning {
    fn journal(&self) -> JournalOptions {
        JournalOptions {
            segment_bytes: self.segment_bytes,
            keep_bytes: self.keep_bytes,
        }
    }
}

/// A store in a directory.
#[derive(Debug)]
pub struct SledStore {
    // Fields are dropped in this order: the lock goes last.
    index: Index,
    /// Held for writing while a commit becomes visible.
    view: RwLock<()>,
    writer: Mutex<Writer>,
    report: OpenReport,
    disk: Arc<dyn Disk>,
    layout: Layout,
    lock: std::fs::File,
}

#[derive(Debug)]
struct Writer {
    journal: Journal,
    /// Why nothing more is accepted.
    poison: Option<String>,
}

impl SledStore {
    /// Opens the store in a directory, which is made when it is missing.
    ///
    /// Brings the index up to the end of the journal. An index that is damaged is moved to a `quarantine-…` directory
    /// beside it and built anew when the journal reaches back to the beginning.
    ///
    /// # Errors
    /// [`StoreError::InUse`], [`StoreError::Newer`], [`StoreError::Io`]; [`StoreError::Damaged`] when only a backup
    /// helps.
    pub fn open(dir: &Path, options: &SledOptions) -> Result<Self, StoreError> {
        Self::open_tuned(dir, options, &fault::tuned(Tuning::default()))
    }

    /// Opens the store with a journal as tests want it. See [`SledStore::open`].
    pub fn open_tuned(dir: &Path, options: &SledOptions, tuning: &Tuning) -> Result<Self, StoreError> {
        let disk = Arc::clone(&tuning.disk);
        disk.create_dir(dir)
            .map_err(|e| opening::failed("create", dir, e))?;
        let layout = Layout { dir: dir.to_owned() };
        let lock = opening::lock(&layout)?;
        compact::finish_swap(&layout, &disk)?;
        let (index, journal, report) = opening::open(&layout, options, tuning)?;
        if report != OpenReport::default() {
            tracing::info!(dir = %dir.display(), ?report, "opened the store");
        }
        let writer = Mutex::new(Writer {
            journal,
            poison: None,
        });
        Ok(Self {
            index,
            view: RwLock::new(()),
            writer,
            report,
            disk,
            layout,
            lock,
        })
    }

    /// Returns what opening came upon.
    pub fn open_report(&self) -> &OpenReport {
        &self.report
    }

    /// Opens the store in a directory, checks it from end to end and closes it.
    pub fn verify_dir(dir: &Path, options: &SledOptions) -> Result<VerifyReport, StoreError> {
        let store = Self::open(dir, options)?;
        let report = store.verify()?;
        store.close()?;
        Ok(report)
    }

    /// Checks the store from end to end: every checksum in index and journal, everything that belongs together, and
    /// all histograms against a new count of the descents. Commits wait meanwhile.
    pub fn verify(&self) -> Result<VerifyReport, StoreError> {
        let _writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
        let mut report = VerifyReport::default();
        match journal::find(&self.disk, &self.layout.journal()) {
            Ok(Some(found)) => {
                report.journal_records = found.segments().iter().map(|s| s.records.len() as u64).sum();
                report.journal_is_complete = found.plan().complete;
                for (first, end) in &found.plan().harmless_holes {
                    // What was removed at the beginning is no damage.
                    if *first > 1 {
                        report.find(
                            "journal",
                            format!("records {first} to {} are damaged or missing", end - 1),
                        );
                    }
                }
            }
            Ok(None) => report.find("journal", "it is missing"),
            Err(StoreError::Damaged { what, reason }) => report.find(what, reason),
            Err(other) => return Err(other),
        }
        guard::catch("verify", || {
            verify::check_records(&self.index, &mut report);
            verify::check_histograms(&self.index, &mut report);
            Ok(())
        })
        .inspect_err(|error| self.suspect(error))?;
        if let Some(found) = report.findings.iter().find(|f| !f.what.starts_with("journal")) {
            self.suspect(&StoreError::Damaged {
                what: found.what.clone(),
                reason: found.reason.clone(),
            });
        }
        Ok(report)
    }

    /// Makes the index durable, so that nothing has to be applied again at the next start, and closes the store.
    /// Dropping the store does the same, but says nothing about a failure.
    pub fn close(self) -> Result<(), StoreError> {
        self.settle()
    }

    fn settle(&self) -> Result<(), StoreError> {
        let mut writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
        if writer.poison.is_some() || writer.journal.is_covered() {
            return Ok(());
        }
        let settled = self.sync_index().and_then(|()| {
            fault::reach(Point::EndIndexSynced);
            writer.journal.checkpoint()
        });
        settled.inspect_err(|e| writer.poison = Some(e.to_string()))
    }

    fn sync_index(&self) -> Result<(), StoreError> {
        guard::catch("flush", || self.index.flush())?;
        opening::sync_index(&self.disk, self.index.dir())
    }

    fn read<T>(&self, read: impl FnOnce(&Index) -> Result<T, StoreError>) -> Result<T, StoreError> {
        let _view = self.view.read().unwrap_or_else(PoisonError::into_inner);
        guard::catch("read", || read(&self.index)).inspect_err(|error| self.suspect(error))
    }

    /// Notes that the index is damaged, so that the next start reads all of it and, if it can, builds it anew.
    fn suspect(&self, error: &StoreError) {
        if matches!(error, StoreError::Damaged { .. })
            && let Err(error) = std::fs::write(self.layout.suspect(), b"")
        {
            tracing::warn!(%error, "cannot note that the index is damaged: the next start may not look for it");
        }
    }

    /// Makes everything durable in the index, begins a new segment and lets old ones go.
    fn turn_segment(&self, journal: &mut Journal) -> Result<(), StoreError> {
        fault::reach(Point::TurnBegun);
        self.sync_index()?;
        fault::reach(Point::TurnIndexSynced);
        journal.rotate()?;
        fault::reach(Point::TurnRotated);
        journal.checkpoint()?;
        fault::reach(Point::TurnCheckpointed);
        journal.prune()?;
        fault::reach(Point::TurnPruned);
        Ok(())
    }
}

impl Drop for SledStore {
    fn drop(&mut self) {
        if let Err(error) = self.settle() {
            tracing::error!(%error, "the store was not closed properly: the next start applies the journal again");
        }
    }
}

impl Store for SledStore {
    fn commit(&self, batch: &CommitBatch) -> Result<(), StoreError> {
        records::check(batch)?;
        if batch.is_empty() {
            return Ok(());
        }
        let mut writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
        let Writer { journal, poison } = &mut *writer;
        if let Some(reason) = poison {
            return Err(StoreError::Poisoned(reason.clone()));
        }
        let lsn = journal.next_lsn();
        let changes = guard::catch("read", || resolve::resolve(&self.index, batch, lsn))
            .inspect_err(|error| self.suspect(error))?;
        match journal.commit(&changes) {
            Ok(()) => {}
            // Nothing has been written.
            Err(error @ StoreError::TooLarge { .. }) => return Err(error),
            Err(error) => {
                *poison = Some(error.to_string());
                return Err(error);
            }
        }
        let applied = {
            let _view = self.view.write().unwrap_or_else(PoisonError::into_inner);
            guard::catch("write", || self.index.apply(&changes, lsn))
        };
        applied.inspect_err(|e| *poison = Some(e.to_string()))?;
        fault::reach(Point::IndexApplied);
        if journal.is_full()
            && let Err(error) = self.turn_segment(journal)
        {
            // This commit is durable and visible; only the next one cannot be.
            tracing::error!(%error, "the store stops: the index cannot be made durable");
            *poison = Some(error.to_string());
        }
        Ok(())
    }

    fn vehicle_state(&self, vehicle: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.read(|index| query::vehicle_state(index, vehicle))
    }

    fn vehicle(&self, vehicle: &str) -> Result<Option<VehicleRecord>, StoreError> {
        self.read(|index| query::vehicle(index, vehicle))
    }

    fn vehicles(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<VehicleRecord>, StoreError> {
        self.read(|index| query::vehicles(index, cursor, limit))
    }

    fn classes(&self) -> Result<Vec<VehicleClass>, StoreError> {
        self.read(query::classes)
    }

    fn descents(
        &self,
        filter: &DescentFilter,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Descent>, StoreError> {
        self.read(|index| query::descents(index, filter, cursor, limit))
    }

    fn descent(
        &self,
        vehicle: &str,
        descent: &str,
    ) -> Result<Option<(Descent, Vec<ProfilePoint>)>, StoreError> {
        self.read(|index| query::descent(index, vehicle, descent))
    }

    fn histogram(&self, query: &HistogramQuery) -> Result<MergedHistogram, StoreError> {
        let mut walk = query::Walk::new(query);
        let (mut sum, mut merged) = (Tally::new(query.metric), 0);
        while !self.read(|index| {
            walk.step(index, |_, tally| {
                sum.merge_sparse(tally);
                merged += 1;
            })
        })? {}
        Ok(sum.into_merged(merged))
    }

    fn histogram_groups(
        &self,
        query: &HistogramQuery,
        grouping: Grouping,
        most: usize,
    ) -> Result<Groups, StoreError> {
        let mut walk = query::Walk::new(query);
        let mut groups = Groups::new(query.metric, grouping);
        while groups.len() <= most
            && !self.read(|index| walk.step(index, |slot, tally| groups.add(slot, tally)))?
        {}
        Ok(groups)
    }

    fn audit(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<AuditRecord>, StoreError> {
        self.read(|index| query::audit(index, cursor, limit))
    }

    fn shelved(&self, shelf: Shelf, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.read(|index| query::shelved(index, shelf, name))
    }

    fn shelf(
        &self,
        shelf: Shelf,
        start: &str,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Shelved>, StoreError> {
        self.read(|index| query::shelf(index, shelf, start, cursor, limit))
    }

    fn kept(&self) -> Result<Kept, StoreError> {
        self.read(resolve::read_kept)
    }

    fn back_up(&self, file: &Path) -> Result<BackupSummary, StoreError> {
        backup::file::write(self, file)
    }

    fn free_bytes(&self) -> Option<u64> {
        let left = rustix::fs::statvfs(&self.layout.dir).ok()?;
        Some(left.f_bavail.saturating_mul(left.f_frsize))
    }

    fn stats(&self) -> Result<StoreStats, StoreError> {
        let counts = self.read(resolve::read_counts)?;
        Ok(StoreStats {
            vehicles: counts.vehicles,
            descents: counts.descents,
            histograms: counts.histograms,
            size_bytes: size_of(&self.layout.dir),
        })
    }
}

/// Returns the bytes of all files in a directory and below. What goes away meanwhile counts as nothing.
fn size_of(dir: &Path) -> u64 {
    let Ok(entries) = std::fs::read_dir(dir) else {
        return 0;
    };
    entries
        .flatten()
        .map(|entry| match entry.metadata() {
            Ok(data) if data.is_dir() => size_of(&entry.path()),
            Ok(data) => data.len(),
            Err(_) => 0,
        })
        .sum()
}
