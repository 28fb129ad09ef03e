//! A disk that a test can pull the plug of: it knows what was synced, and fails at the operation that it is told to.

#![allow(dead_code, unreachable_pub, reason = "every test file uses its own part")]

use std::{
    collections::{BTreeMap, BTreeSet},
    fs, io,
    path::{Path, PathBuf},
    sync::{Arc, Mutex},
};

use coldbrake_server::store::disk::{Disk, DiskFile, RealDisk};

/// What goes wrong at the operation that is to fail, and at every later one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// An input or output error: nothing is done.
    Error,
    /// No space left: half of the bytes are written.
    Full,
}

/// The disk. Journal files pass through it; the index is a directory that is copied when its file is synced.
#[derive(Clone, Debug)]
pub struct SimDisk(Arc<Mutex<State>>);

#[derive(Debug, Default)]
struct State {
    operations: usize,
    fault: Option<(usize, Fault)>,
    /// What of every file is durable.
    contents: BTreeMap<PathBuf, Vec<u8>>,
    /// Names that are durable, by directory.
    names: BTreeMap<PathBuf, BTreeSet<String>>,
    /// Copy of the index as of its last sync.
    index: Option<tempfile::TempDir>,
}

impl SimDisk {
    pub fn new() -> Self {
        Self(Arc::new(Mutex::new(State::default())))
    }

    /// Makes the operation with this number, and all later ones, fail.
    pub fn fail_at(&self, operation: usize, fault: Fault) {
        self.0.lock().unwrap().fault = Some((operation, fault));
    }

    /// Returns how many operations there were.
    pub fn operations(&self) -> usize {
        self.0.lock().unwrap().operations
    }

    /// Takes what is on the real disk under `dir` for durable.
    pub fn adopt(&self, dir: &Path) {
        let mut state = self.0.lock().unwrap();
        let journal = dir.join("journal");
        let mut names = BTreeSet::new();
        for entry in fs::read_dir(&journal).unwrap().flatten() {
            names.insert(entry.file_name().into_string().unwrap());
            state
                .contents
                .insert(entry.path(), fs::read(entry.path()).unwrap());
        }
        state.names.insert(journal, names);
        state.keep_index(&dir.join("index"));
    }

    /// Makes `to` what is left of the store in `from` after a loss of power: of the journal what was synced, and of
    /// what was not the first `torn` bytes; of the index what it was at its last sync.
    pub fn crash(&self, from: &Path, to: &Path, torn: usize) {
        let state = self.0.lock().unwrap();
        if let Some(index) = &state.index {
            copy_dir(index.path(), &to.join("index"));
        }
        let journal = from.join("journal");
        for name in state.names.get(&journal).into_iter().flatten() {
            let path = journal.join(name);
            let mut bytes = state.contents.get(&path).cloned().unwrap_or_default();
            if let Ok(now) = fs::read(&path) {
                bytes.extend(now.get(bytes.len()..).unwrap_or_default().iter().take(torn));
            }
            fs::create_dir_all(to.join("journal")).unwrap();
            fs::write(to.join("journal").join(name), bytes).unwrap();
        }
    }

    fn step(&self) -> Result<(), Fault> {
        let mut state = self.0.lock().unwrap();
        let number = state.operations;
        state.operations += 1;
        match state.fault {
            Some((at, fault)) if number >= at => Err(fault),
            _ => Ok(()),
        }
    }
}

impl State {
    fn keep_index(&mut self, index: &Path) {
        let copy = tempfile::tempdir().unwrap();
        copy_dir(index, copy.path());
        self.index = Some(copy);
    }
}

pub fn copy_dir(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().flatten() {
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_dir(&entry.path(), &to);
        } else {
            fs::copy(entry.path(), to).unwrap();
        }
    }
}

fn error(fault: Fault) -> io::Error {
    match fault {
        Fault::Error => io::Error::other("simulated error of the device"),
        Fault::Full => io::Error::from(io::ErrorKind::StorageFull),
    }
}

impl Disk for SimDisk {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        self.step().map_err(error)?;
        RealDisk.create_dir(dir)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.step().map_err(error)?;
        let file = RealDisk.create(path)?;
        Ok(Box::new(SimFile {
            file,
            path: path.to_owned(),
            disk: self.clone(),
        }))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.step().map_err(error)?;
        let file = RealDisk.append(path)?;
        Ok(Box::new(SimFile {
            file,
            path: path.to_owned(),
            disk: self.clone(),
        }))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        RealDisk.read(path)
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        RealDisk.list(dir)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.step().map_err(error)?;
        RealDisk.rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.step().map_err(error)?;
        RealDisk.remove(path)
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        self.step().map_err(error)?;
        let names = RealDisk.list(dir)?.into_iter().collect();
        self.0.lock().unwrap().names.insert(dir.to_owned(), names);
        Ok(())
    }

    fn sync_file(&self, path: &Path) -> io::Result<()> {
        self.step().map_err(error)?;
        let is_index = path
            .parent()
            .and_then(Path::file_name)
            .is_some_and(|n| n == "index");
        if is_index && let Some(index) = path.parent() {
            self.0.lock().unwrap().keep_index(index);
        }
        RealDisk.sync_file(path)
    }
}

#[derive(Debug)]
struct SimFile {
    file: Box<dyn DiskFile>,
    path: PathBuf,
    disk: SimDisk,
}

impl DiskFile for SimFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self.disk.step() {
            Ok(()) => self.file.write(bytes),
            Err(fault) => {
                if fault == Fault::Full {
                    self.file.write(&bytes[..bytes.len() / 2])?;
                }
                Err(error(fault))
            }
        }
    }

    fn sync(&mut self) -> io::Result<()> {
        self.disk.step().map_err(error)?;
        let now = fs::read(&self.path)?;
        self.disk
            .0
            .lock()
            .unwrap()
            .contents
            .insert(self.path.clone(), now);
        Ok(())
    }

    fn truncate(&mut self, length: u64) -> io::Result<()> {
        self.disk.step().map_err(error)?;
        self.file.truncate(length)
    }
}
