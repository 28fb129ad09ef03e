//! A store whose disk is slow, or does not answer at all: every commit takes its time, or waits for a file to appear.

use std::{
    path::{Path, PathBuf},
    thread::sleep,
    time::Duration,
};

use coldbrake_engine::{Descent, ProfilePoint, VehicleClass};
use coldbrake_server::store::{
    AuditRecord, BackupSummary, CommitBatch, DescentFilter, Grouping, Groups, HistogramQuery, Kept,
    MemoryStore, MergedHistogram, Page, Shelf, Shelved, Store, StoreError, StoreStats, VehicleRecord,
};

/// A store in memory that takes its time.
#[derive(Debug)]
pub struct SlowStore {
    inner: MemoryStore,
    commit_time: Duration,
    /// While this file is there, no commit ends.
    held_by: PathBuf,
}

impl SlowStore {
    /// Returns a store whose commits take this long, and do not end while the file is there.
    pub fn new(commit_time: Duration, held_by: impl Into<PathBuf>) -> Self {
        Self {
            inner: MemoryStore::new(),
            commit_time,
            held_by: held_by.into(),
        }
    }
}

impl Store for SlowStore {
    fn commit(&self, batch: &CommitBatch) -> Result<(), StoreError> {
        sleep(self.commit_time);
        while self.held_by.exists() {
            sleep(Duration::from_millis(20));
        }
        self.inner.commit(batch)
    }

    fn vehicle_state(&self, vehicle: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.inner.vehicle_state(vehicle)
    }

    fn vehicle(&self, vehicle: &str) -> Result<Option<VehicleRecord>, StoreError> {
        self.inner.vehicle(vehicle)
    }

    fn vehicles(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<VehicleRecord>, StoreError> {
        self.inner.vehicles(cursor, limit)
    }

    fn classes(&self) -> Result<Vec<VehicleClass>, StoreError> {
        self.inner.classes()
    }

    fn descents(
        &self,
        filter: &DescentFilter,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Descent>, StoreError> {
        self.inner.descents(filter, cursor, limit)
    }

    fn descent(
        &self,
        vehicle: &str,
        descent: &str,
    ) -> Result<Option<(Descent, Vec<ProfilePoint>)>, StoreError> {
        self.inner.descent(vehicle, descent)
    }

    fn histogram(&self, query: &HistogramQuery) -> Result<MergedHistogram, StoreError> {
        self.inner.histogram(query)
    }

    fn histogram_groups(
        &self,
        query: &HistogramQuery,
        by: Grouping,
        most: usize,
    ) -> Result<Groups, StoreError> {
        self.inner.histogram_groups(query, by, most)
    }

    fn audit(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<AuditRecord>, StoreError> {
        self.inner.audit(cursor, limit)
    }

    fn shelved(&self, shelf: Shelf, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.inner.shelved(shelf, name)
    }

    fn shelf(
        &self,
        shelf: Shelf,
        start: &str,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Shelved>, StoreError> {
        self.inner.shelf(shelf, start, cursor, limit)
    }

    fn kept(&self) -> Result<Kept, StoreError> {
        self.inner.kept()
    }

    fn back_up(&self, file: &Path) -> Result<BackupSummary, StoreError> {
        self.inner.back_up(file)
    }

    fn stats(&self) -> Result<StoreStats, StoreError> {
        self.inner.stats()
    }
}
