//! Making a store small: the embedded database never gives back what it has taken, so a new one is made.
//!
//! The new store is built and checked in `compacting` inside the directory of the old one, and then gets the name
//! `compacted-N`: from there on there is no way back, and a start that finds this name brings to an end what was
//! interrupted. What was there before is kept in `before-compact-N`.

use std::{
    fs,
    path::{Path, PathBuf},
    sync::Arc,
};

use super::{
    SledOptions, SledStore, export,
    opening::{self, Layout},
};
use crate::store::{StoreError, backup, disk::Disk};

const BUILDING: &str = "compacting";
const COMPACTED: &str = "compacted-";
const KEPT: &str = "before-compact-";

/// What compacting a store came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CompactReport {
    /// Bytes of index and journal before.
    pub before_bytes: u64,
    /// Bytes of index and journal after.
    pub after_bytes: u64,
    /// Records in the store.
    pub records: u64,
    /// Where the old store is kept.
    pub kept: PathBuf,
}

impl SledStore {
    /// Builds the store in a directory anew, so that it takes no more room than it needs, and keeps the old one.
    ///
    /// # Errors
    /// Those of [`SledStore::open`], [`SledStore::export`] and [`SledStore::verify`]. The old store is what it was
    /// then; an error while the stores change places is mended by the next start.
    pub fn compact(dir: &Path, options: &SledOptions) -> Result<CompactReport, StoreError> {
        let store = Self::open(dir, options)?;
        let (layout, disk) = (store.layout.clone(), Arc::clone(&store.disk));
        store.settle()?;
        let before_bytes = export::Used::of(&layout).in_use();
        let building = layout.dir.join(BUILDING);
        // Left by a process that was killed: no store has ever been opened in it but to check it.
        remove(&building)?;
        fs::create_dir(&building).map_err(|e| opening::failed("create", &building, e))?;
        let (file, made) = (building.join("export"), building.join("store"));
        let built = backup::file::write(&store, &file)
            .and_then(|_| export::build_checked(backup::file::open(&file)?, &made, options));
        let summary = match built {
            Ok(summary) => summary,
            Err(error) => {
                let _ = fs::remove_dir_all(&building);
                return Err(error);
            }
        };
        let number = next_number(&layout, &disk)?;
        // Nobody may come in between: this handle keeps the lock when the store has closed its own.
        let _lock = store
            .lock
            .try_clone()
            .map_err(|e| opening::failed("lock", &layout.lock(), e))?;
        store.close()?;
        for index in [layout.index(), made.join("index")] {
            opening::wait_until_closed(&index)?;
        }
        let compacted = layout.dir.join(format!("{COMPACTED}{number}"));
        opening::sync_dir(&disk, &made)?;
        opening::rename(&disk, &made, &compacted)?;
        opening::sync_dir(&disk, &layout.dir)?;
        remove(&building)?;
        finish_swap(&layout, &disk)?;
        Ok(CompactReport {
            before_bytes,
            after_bytes: export::Used::of(&layout).in_use(),
            records: summary.records,
            kept: layout.dir.join(format!("{KEPT}{number}")),
        })
    }
}

/// Puts a compacted store into the place of the old one, from wherever that was interrupted.
pub(super) fn finish_swap(layout: &Layout, disk: &Arc<dyn Disk>) -> Result<(), StoreError> {
    let names = list(&layout.dir, disk)?;
    let Some(number) = names.iter().filter_map(|n| number_of(n, COMPACTED)).max() else {
        return Ok(());
    };
    let new = layout.dir.join(format!("{COMPACTED}{number}"));
    let kept = layout.dir.join(format!("{KEPT}{number}"));
    disk.create_dir(&kept)
        .map_err(|e| opening::failed("create", &kept, e))?;
    for part in ["journal", "index"] {
        if !opening::exists(disk, &new, part)? {
            continue;
        }
        let place = layout.dir.join(part);
        if opening::exists(disk, &layout.dir, part)? {
            opening::rename(disk, &place, &kept.join(part))?;
            opening::sync_dir(disk, &kept)?;
            opening::sync_dir(disk, &layout.dir)?;
        }
        opening::rename(disk, &new.join(part), &place)?;
        opening::sync_dir(disk, &new)?;
        opening::sync_dir(disk, &layout.dir)?;
    }
    // All that is left in it is the file of its lock.
    remove(&new)?;
    opening::sync_dir(disk, &layout.dir)
}

fn next_number(layout: &Layout, disk: &Arc<dyn Disk>) -> Result<u64, StoreError> {
    let names = list(&layout.dir, disk)?;
    let taken = names
        .iter()
        .filter_map(|n| number_of(n, KEPT).or_else(|| number_of(n, COMPACTED)));
    Ok(taken.max().unwrap_or(0) + 1)
}

fn number_of(name: &str, prefix: &str) -> Option<u64> {
    name.strip_prefix(prefix)?.parse().ok()
}

fn list(dir: &Path, disk: &Arc<dyn Disk>) -> Result<Vec<String>, StoreError> {
    disk.list(dir).map_err(|e| opening::failed("list", dir, e))
}

/// Removes a directory that may not be there.
fn remove(dir: &Path) -> Result<(), StoreError> {
    match fs::remove_dir_all(dir) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(opening::failed("remove", dir, e)),
        Ok(()) | Err(_) => Ok(()),
    }
}
