//! Out of a store and into a new one.

use std::{
    fs, io,
    io::{Read, Write},
    ops::Bound,
    path::Path,
    sync::{Arc, PoisonError},
    time::SystemTime,
};

use super::{
    SledOptions, SledStore, Tuning, guard,
    index::APPLIED,
    opening::{self, FORMAT, Layout},
    resolve::read_counts,
};
use crate::store::{
    StoreError,
    backup::{self, BackupHead, BackupReader, BackupSummary, BackupWriter, file::above, migrate},
    disk::{Disk, RealDisk},
    envelope,
    journal::{Journal, frame::Change},
    keys::{self, Key, Kind},
};

/// Keys that are written at once while a store is built.
const MAX_KEYS: usize = 400;

impl SledStore {
    /// Writes everything that is committed as a backup: one state of the store, that after the last commit.
    ///
    /// Commits wait until it is written; queries do not. A damaged record ends it with an error. `path` is what errors
    /// name.
    pub fn export<W: Write>(&self, out: W, path: &Path) -> Result<(BackupSummary, W), StoreError> {
        let writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(reason) = &writer.poison {
            return Err(StoreError::Poisoned(reason.clone()));
        }
        guard::catch("export", || {
            let head = BackupHead {
                format_major: FORMAT.0,
                format_minor: FORMAT.1,
                program: env!("CARGO_PKG_VERSION").to_owned(),
                created_ms: now_ms(),
                last_commit: self.index.applied()?,
                counts: read_counts(&self.index)?,
            };
            let mut backup = BackupWriter::new(out, path, head)?;
            let applied = Key::meta(APPLIED);
            for row in self.index.rows(&[], Bound::Included(keys::of_kind(Kind::Meta))) {
                let row = row?;
                // The head has that already.
                if row.key != applied {
                    backup.push(&row.key, row.schema, &row.record)?;
                }
            }
            backup.finish()
        })
    }

    /// Returns what the store takes on the disk.
    pub fn used(&self) -> Used {
        Used::of(&self.layout)
    }

    /// Makes a store of a backup in a directory that does not exist or is empty.
    ///
    /// The store is built beside it, checked from end to end and only then given its name: whatever happens, there is
    /// the whole store or none. A process that is killed leaves a directory with `.restoring-` in its name, which can
    /// go.
    pub fn restore(file: &Path, dir: &Path, options: &SledOptions) -> Result<BackupSummary, StoreError> {
        let reader = backup::file::open(file)?;
        check_free(dir)?;
        let name = dir
            .file_name()
            .ok_or_else(|| opening::failed("create", dir, io::ErrorKind::InvalidInput.into()))?;
        let mut building = name.to_owned();
        building.push(format!(".restoring-{}", std::process::id()));
        let building = dir.with_file_name(building);
        fs::create_dir_all(above(dir)).map_err(|e| opening::failed("create", above(dir), e))?;
        fs::create_dir(&building).map_err(|e| opening::failed("create", &building, e))?;
        let made = build_checked(reader, &building, options).and_then(|summary| {
            fs::rename(&building, dir).map_err(|e| opening::failed("create", dir, e))?;
            Ok(summary)
        });
        if made.is_err() {
            // Half a store is of no use to anyone; the error says what happened.
            let _ = fs::remove_dir_all(&building);
        }
        let summary = made?;
        RealDisk
            .sync_dir(above(dir))
            .map_err(|e| opening::failed("sync", above(dir), e))?;
        Ok(summary)
    }
}

/// Returns an error unless a directory is missing or empty.
pub fn check_free(dir: &Path) -> Result<(), StoreError> {
    match fs::read_dir(dir).map(|mut entries| entries.next().is_some()) {
        Ok(false) => Ok(()),
        Ok(true) => Err(opening::failed(
            "restore into",
            dir,
            io::ErrorKind::DirectoryNotEmpty.into(),
        )),
        Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(e) => Err(opening::failed("list", dir, e)),
    }
}

/// Builds a store in an empty directory and checks it from end to end.
pub(super) fn build_checked<R: Read>(
    reader: BackupReader<R>,
    dir: &Path,
    options: &SledOptions,
) -> Result<BackupSummary, StoreError> {
    let summary = build(reader, dir, options)?;
    let report = SledStore::verify_dir(dir, options)?;
    if let Some(finding) = report.findings.first() {
        let more = report.findings.len() as u64 + report.more_findings - 1;
        return Err(StoreError::Damaged {
            what: "the store that the backup makes".to_owned(),
            reason: format!("{finding}, and {more} more findings"),
        });
    }
    Ok(summary)
}

fn build<R: Read>(
    mut reader: BackupReader<R>,
    dir: &Path,
    options: &SledOptions,
) -> Result<BackupSummary, StoreError> {
    let disk: Arc<dyn Disk> = Arc::new(RealDisk);
    let layout = Layout { dir: dir.to_owned() };
    let steps = migrate::way_here(reader.head().format_major)?;
    let last_commit = reader.head().last_commit;
    RealDisk
        .create_dir(dir)
        .map_err(|e| opening::failed("create", dir, e))?;
    let index = opening::open_new(&layout.index(), options)?;
    guard::catch("build", || {
        let mut changes: Vec<Change> = Vec::new();
        while let Some(record) = reader.next_record()? {
            let Some(record) = migrate::take_along(&steps, record)? else {
                continue;
            };
            let sealed = envelope::seal(&record.key, record.schema, &record.bytes)?;
            changes.extend(sealed.into_iter().map(|(key, value)| (key, Some(value))));
            if changes.len() >= MAX_KEYS {
                index.apply(&std::mem::take(&mut changes), last_commit)?;
            }
        }
        // The last one also for a backup of nothing.
        index.apply(&changes, last_commit)?;
        index.flush()
    })?;
    let index_dir = index.dir().to_owned();
    drop(index);
    opening::sync_index(&disk, &index_dir)?;
    // Numbers go on where they ended: those of the audit log must not come twice.
    Journal::create_after(&disk, &layout.journal(), Tuning::default().journal(), last_commit)?;
    opening::sync_dir(&disk, dir)?;
    reader.finish()
}

fn now_ms() -> i64 {
    SystemTime::now()
        .duration_since(SystemTime::UNIX_EPOCH)
        .map_or(0, |d| i64::try_from(d.as_millis()).unwrap_or(i64::MAX))
}

/// Bytes that a store takes on the disk.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Used {
    /// The index.
    pub index_bytes: u64,
    /// The journal.
    pub journal_bytes: u64,
    /// What has been put aside or is kept from before.
    pub other_bytes: u64,
}

impl Used {
    pub(super) fn of(layout: &Layout) -> Self {
        let [index_bytes, journal_bytes, all] =
            [&layout.index(), &layout.journal(), &layout.dir].map(|dir| super::size_of(dir));
        Self {
            index_bytes,
            journal_bytes,
            other_bytes: all.saturating_sub(index_bytes + journal_bytes),
        }
    }

    /// Returns what is needed to run.
    pub(super) fn in_use(self) -> u64 {
        self.index_bytes + self.journal_bytes
    }
}
