//! The few things that the store asks of a file system, as a trait: so that tests can lose what was not synced, fail
//! or fill up at any single operation.

use std::{
    fs::{self, File, OpenOptions},
    io::{self, Write},
    path::Path,
};

/// A file system.
pub trait Disk: Send + Sync + std::fmt::Debug {
    /// Makes a directory and all above it.
    fn create_dir(&self, dir: &Path) -> io::Result<()>;

    /// Makes a new file. A file that exists is an error.
    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;

    /// Opens a file that exists, to write at its end.
    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;

    /// Returns all bytes of a file.
    fn read(&self, path: &Path) -> io::Result<Vec<u8>>;

    /// Returns the names of what is in a directory, in no order.
    fn list(&self, dir: &Path) -> io::Result<Vec<String>>;

    /// Gives a file or a directory another name.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;

    /// Removes a file.
    fn remove(&self, path: &Path) -> io::Result<()>;

    /// Makes the names in a directory durable.
    fn sync_dir(&self, dir: &Path) -> io::Result<()>;

    /// Makes durable what anyone in this process has written into a file.
    fn sync_file(&self, path: &Path) -> io::Result<()>;
}

/// A file that is written at its end.
pub trait DiskFile: Send + std::fmt::Debug {
    /// Writes all bytes.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Makes everything written durable, and the length.
    fn sync(&mut self) -> io::Result<()>;

    /// Cuts the file off.
    fn truncate(&mut self, length: u64) -> io::Result<()>;
}

/// The file system of the machine.
#[derive(Clone, Copy, Debug, Default)]
pub struct RealDisk;

impl Disk for RealDisk {
    fn create_dir(&self, dir: &Path) -> io::Result<()> {
        fs::create_dir_all(dir)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(
            OpenOptions::new().append(true).create_new(true).open(path)?,
        ))
    }

    fn append(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(OpenOptions::new().append(true).open(path)?))
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        fs::read(path)
    }

    fn list(&self, dir: &Path) -> io::Result<Vec<String>> {
        // A name that is not UTF-8 is none of ours.
        fs::read_dir(dir)?
            .filter_map(|entry| entry.map(|e| e.file_name().into_string().ok()).transpose())
            .collect()
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn sync_dir(&self, dir: &Path) -> io::Result<()> {
        File::open(dir)?.sync_all()
    }

    fn sync_file(&self, path: &Path) -> io::Result<()> {
        // Syncing works on the file, whoever wrote it through whichever handle.
        OpenOptions::new().read(true).write(true).open(path)?.sync_data()
    }
}

impl DiskFile for File {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.sync_data()
    }

    fn truncate(&mut self, length: u64) -> io::Result<()> {
        self.set_len(length)
    }
}
