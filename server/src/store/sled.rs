//! The durable store.

mod index;
mod query;
mod resolve;

use std::{
    path::{Path, PathBuf},
    sync::{Mutex, PoisonError, RwLock},
};

use coldbrake_engine::{Descent, ProfilePoint, VehicleClass};

use self::index::Index;
use super::{
    AuditRecord, CommitBatch, DescentFilter, HistogramQuery, MergedHistogram, Page, Store, StoreError,
    StoreStats, VehicleRecord, keys::Key, records,
};

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

/// A store in a directory.
#[derive(Debug)]
pub struct SledStore {
    dir: PathBuf,
    index: Index,
    /// Held for writing while a commit becomes visible.
    view: RwLock<()>,
    writer: Mutex<u64>,
}

impl SledStore {
    /// Opens the store in a directory, which is made when it is missing.
    pub fn open(dir: &Path, options: &SledOptions) -> Result<Self, StoreError> {
        std::fs::create_dir_all(dir).map_err(|source| StoreError::Io {
            action: "create",
            path: dir.to_owned(),
            source,
        })?;
        let index_dir = dir.join("index");
        let db = ::sled::Config::new()
            .path(&index_dir)
            .cache_capacity(options.cache_bytes)
            .flush_every_ms(Some(500))
            .open()
            .map_err(|e| index::failed("open", &index_dir, e))?;
        Ok(Self {
            dir: dir.to_owned(),
            index: Index::new(db, index_dir),
            view: RwLock::new(()),
            writer: Mutex::new(0),
        })
    }

    fn read<T>(&self, read: impl FnOnce(&Index) -> Result<T, StoreError>) -> Result<T, StoreError> {
        let _view = self.view.read().unwrap_or_else(PoisonError::into_inner);
        read(&self.index)
    }
}

impl Store for SledStore {
    fn commit(&self, batch: &CommitBatch) -> Result<(), StoreError> {
        records::check(batch)?;
        if batch.is_empty() {
            return Ok(());
        }
        let mut writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
        *writer += 1;
        let changes = resolve::resolve(&self.index, batch, *writer)?;
        let _view = self.view.write().unwrap_or_else(PoisonError::into_inner);
        let key = Key::meta("applied");
        self.index
            .apply(&changes, &(key.piece(0), Some(writer.to_be_bytes().to_vec())))?;
        self.index.flush()
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
        let mut sum = query::Sum::new(query);
        while !self.read(|index| sum.step(index))? {}
        Ok(sum.finish())
    }

    fn audit(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<AuditRecord>, StoreError> {
        self.read(|index| query::audit(index, cursor, limit))
    }

    fn stats(&self) -> Result<StoreStats, StoreError> {
        let counts = self.read(resolve::read_counts)?;
        Ok(StoreStats {
            vehicles: counts.vehicles,
            descents: counts.descents,
            histograms: counts.histograms,
            size_bytes: 0,
        })
    }
}
