//! Disks with a fault, around another one.

use std::{
    collections::{BTreeMap, BTreeSet},
    ffi::OsString,
    fs::{self, File, OpenOptions},
    io::{self, Write as _},
    path::{Path, PathBuf},
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicU64, Ordering::Relaxed},
    },
    time::Duration,
};

use crate::store::disk::{Disk, DiskFile, RealDisk};

/// A disk that keeps what is not synced in the memory of this process, where a kill takes it away: bytes of files, names
/// of new files and removals.
///
/// The embedded database does not write through here. What of it is durable is a copy of its directory, made whenever
/// its file is synced; whoever kills the process puts that copy in the place of the directory.
#[derive(Clone, Debug)]
pub struct ForgetfulDisk {
    synced: PathBuf,
    unsynced: Arc<Mutex<Unsynced>>,
}

#[derive(Debug, Default)]
struct Unsynced {
    bytes: BTreeMap<PathBuf, Vec<u8>>,
    /// New files whose names are not durable. They stand under another name until then.
    unnamed: BTreeSet<PathBuf>,
    removed: BTreeSet<PathBuf>,
}

impl Unsynced {
    /// Returns where a file really is.
    fn place(&self, path: &Path) -> PathBuf {
        if self.unnamed.contains(path) {
            hidden(path)
        } else {
            path.to_owned()
        }
    }
}

const HIDDEN: &str = ".unnamed";

fn hidden(path: &Path) -> PathBuf {
    let mut name = OsString::from(path);
    name.push(HIDDEN);
    PathBuf::from(name)
}

impl ForgetfulDisk {
    /// Returns a disk that keeps copies of databases as of their last sync in a directory.
    pub(super) fn new(synced: &Path) -> Self {
        Self {
            synced: synced.to_owned(),
            unsynced: Arc::default(),
        }
    }

    /// Lets the first half of what is not synced get onto the disk.
    pub(super) fn tear(&self) {
        let unsynced = self.lock();
        for (path, bytes) in &unsynced.bytes {
            let half = bytes.get(..bytes.len() / 2).unwrap_or_default();
            let file = OpenOptions::new().append(true).open(unsynced.place(path));
            let _ = file.and_then(|mut file| file.write_all(half));
        }
    }

    fn lock(&self) -> MutexGuard<'_, Unsynced> {
        self.unsynced.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn open(&self, path: &Path, file: File) -> Box<dyn DiskFile> {
        Box::new(ForgetfulFile {
            disk: self.clone(),
            path: path.to_owned(),
            file,
        })
    }
}

impl Disk for ForgetfulDisk {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        RealDisk.create_dir(dir)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut unsynced = self.lock();
        if unsynced.unnamed.contains(path) || (path.exists() && !unsynced.removed.contains(path)) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        // One that a killed process left has no name: it is not there.
        let _ = fs::remove_file(hidden(path));
        let file = OpenOptions::new()
            .append(true)
            .create_new(true)
            .open(hidden(path))?;
        unsynced.unnamed.insert(path.to_owned());
        drop(unsynced);
        Ok(self.open(path, file))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let place = self.lock().place(path);
        Ok(self.open(path, OpenOptions::new().append(true).open(place)?))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        let unsynced = self.lock();
        let mut bytes = fs::read(unsynced.place(path))?;
        bytes.extend(unsynced.bytes.get(path).into_iter().flatten());
        Ok(bytes)
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        let mut names = RealDisk.list(dir)?;
        let unsynced = self.lock();
        names.retain(|name| !name.ends_with(HIDDEN) && !unsynced.removed.contains(&dir.join(name)));
        let new = unsynced.unnamed.iter().filter(|path| path.parent() == Some(dir));
        names.extend(new.filter_map(|path| Some(path.file_name()?.to_str()?.to_owned())));
        Ok(names)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        RealDisk.rename(from, to)?;
        // The copy of a database goes along, or goes away with it.
        if let Some(kept) = from.file_name().map(|name| self.synced.join(name))
            && kept.exists()
        {
            let new = self.synced.join(to.file_name().unwrap_or_default());
            if to.parent() == from.parent() {
                let _ = fs::remove_dir_all(&new);
                fs::rename(kept, new)?;
            } else {
                fs::remove_dir_all(kept)?;
            }
        }
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.lock().removed.insert(path.to_owned());
        Ok(())
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        let mut unsynced = self.lock();
        let is_here = |path: &PathBuf| path.parent() == Some(dir);
        for path in unsynced.removed.extract_if(.., is_here) {
            fs::remove_file(path)?;
        }
        for path in unsynced.unnamed.extract_if(.., is_here) {
            fs::rename(hidden(&path), path)?;
        }
        Ok(())
    }

    fn sync_file(&self, path: &Path) -> io::Result<()> {
        let Some((dir, name)) = path.parent().and_then(|dir| Some((dir, dir.file_name()?))) else {
            return Ok(());
        };
        // Killed in between, the copy before is still whole.
        let (new, kept) = (self.synced.join("new"), self.synced.join(name));
        let _ = fs::remove_dir_all(&new);
        copy_dir(dir, &new)?;
        let _ = fs::remove_dir_all(&kept);
        fs::rename(new, kept)
    }
}

fn copy_dir(from: &Path, to: &Path) -> io::Result<()> {
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        let to = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            copy_dir(&entry.path(), &to)?;
        } else {
            fs::copy(entry.path(), to)?;
        }
    }
    Ok(())
}

#[derive(Debug)]
struct ForgetfulFile {
    disk: ForgetfulDisk,
    path: PathBuf,
    file: File,
}

impl DiskFile for ForgetfulFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut unsynced = self.disk.lock();
        unsynced
            .bytes
            .entry(self.path.clone())
            .or_default()
            .extend_from_slice(bytes);
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        let bytes = self.disk.lock().bytes.remove(&self.path).unwrap_or_default();
        self.file.write_all(&bytes)
    }

    fn truncate(&mut self, length: u64) -> io::Result<()> {
        self.disk.lock().bytes.remove(&self.path);
        self.file.set_len(length)
    }
}

/// A disk whose syncs take their time, and that fails at some operation and every later one. Reading goes on.
#[derive(Clone, Debug)]
pub struct FaultyDisk {
    inner: Arc<dyn Disk>,
    sync: Duration,
    fail: Option<(io::ErrorKind, Arc<AtomicU64>)>,
}

impl FaultyDisk {
    /// Returns a disk with syncs that last `sync` longer, and of which the operation with a number, counted from 1, is
    /// the first to fail.
    pub(super) fn new(inner: Arc<dyn Disk>, sync: Duration, fail: Option<(io::ErrorKind, u64)>) -> Self {
        Self {
            inner,
            sync,
            fail: fail.map(|(kind, number)| (kind, Arc::new(AtomicU64::new(number)))),
        }
    }

    fn before_write(&self) -> io::Result<()> {
        if let Some((kind, left)) = &self.fail {
            let before = left.fetch_update(Relaxed, Relaxed, |left| Some(left.saturating_sub(1)));
            if before.unwrap_or(0) <= 1 {
                return Err(io::Error::from(*kind));
            }
        }
        Ok(())
    }

    fn before_sync(&self) -> io::Result<()> {
        std::thread::sleep(self.sync);
        self.before_write()
    }

    fn around(&self, file: Box<dyn DiskFile>) -> Box<dyn DiskFile> {
        Box::new(FaultyFile {
            disk: self.clone(),
            file,
        })
    }
}

impl Disk for FaultyDisk {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        self.before_write()?;
        self.inner.create_dir(dir)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.before_write()?;
        Ok(self.around(self.inner.create(path)?))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.before_write()?;
        Ok(self.around(self.inner.append(path)?))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        self.inner.read(path)
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        self.inner.list(dir)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.before_write()?;
        self.inner.rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.before_write()?;
        self.inner.remove(path)
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        self.before_sync()?;
        self.inner.sync_dir(dir)
    }

    fn sync_file(&self, path: &Path) -> io::Result<()> {
        self.before_sync()?;
        self.inner.sync_file(path)
    }
}

#[derive(Debug)]
struct FaultyFile {
    disk: FaultyDisk,
    file: Box<dyn DiskFile>,
}

impl DiskFile for FaultyFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.disk.before_write()?;
        self.file.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.disk.before_sync()?;
        self.file.sync()
    }

    fn truncate(&mut self, length: u64) -> io::Result<()> {
        self.disk.before_write()?;
        self.file.truncate(length)
    }
}
