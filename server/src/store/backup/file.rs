//! A backup as a file that has its name only when it is whole, durable and has been read again.

use std::{
    fs::{self, File},
    io::{self, BufReader},
    path::{Path, PathBuf},
};

use super::{BackupReader, BackupSummary};
use crate::store::{SledStore, StoreError};

/// Writes a backup of a store into a new file.
///
/// # Errors
/// Those of [`SledStore::export`], and [`StoreError::Io`] when the file exists already. Nothing is left behind then;
/// a process that is killed leaves a file with `.part-` in its name, which can go.
pub fn write(store: &SledStore, path: &Path) -> Result<BackupSummary, StoreError> {
    if path.symlink_metadata().is_ok() {
        return Err(failed("create", path, io::ErrorKind::AlreadyExists.into()));
    }
    let part = part(path)?;
    let written = write_part(store, &part).and_then(|summary| {
        fs::rename(&part, path).map_err(|e| failed("create", path, e))?;
        Ok(summary)
    });
    if written.is_err() {
        // It may never have been made.
        let _ = fs::remove_file(&part);
    }
    let summary = written?;
    let above = above(path);
    File::open(above)
        .and_then(|dir| dir.sync_all())
        .map_err(|e| failed("sync", above, e))?;
    Ok(summary)
}

fn write_part(store: &SledStore, part: &Path) -> Result<BackupSummary, StoreError> {
    let file = File::create(part).map_err(|e| failed("create", part, e))?;
    let (written, file) = store.export(file, part)?;
    file.sync_all().map_err(|e| failed("sync", part, e))?;
    let read = check(part)?;
    if read != written {
        return Err(StoreError::Damaged {
            what: format!("backup {}", part.display()),
            reason: "it is not what was written: check the disk".to_owned(),
        });
    }
    Ok(read)
}

/// Reads a backup from end to end.
pub fn check(path: &Path) -> Result<BackupSummary, StoreError> {
    let mut reader = open(path)?;
    let steps = super::migrate::way_here(reader.head().format_major)?;
    while let Some(record) = reader.next_record()? {
        super::migrate::take_along(&steps, record)?;
    }
    reader.finish()
}

/// Opens a backup.
pub fn open(path: &Path) -> Result<BackupReader<BufReader<File>>, StoreError> {
    let file = File::open(path).map_err(|e| failed("open", path, e))?;
    BackupReader::new(BufReader::new(file), path)
}

fn part(path: &Path) -> Result<PathBuf, StoreError> {
    let name = path
        .file_name()
        .ok_or_else(|| failed("create", path, io::ErrorKind::InvalidInput.into()))?;
    let mut part = name.to_owned();
    part.push(format!(".part-{}", std::process::id()));
    Ok(path.with_file_name(part))
}

/// Returns the directory that a path stands in.
pub(crate) fn above(path: &Path) -> &Path {
    match path.parent() {
        Some(above) if !above.as_os_str().is_empty() => above,
        _ => Path::new("."),
    }
}

fn failed(action: &'static str, path: &Path, source: io::Error) -> StoreError {
    StoreError::Io {
        action,
        path: path.to_owned(),
        source,
    }
}
