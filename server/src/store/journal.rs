//! The commit journal: what is in it is durable, whatever the index has made of it so far.
//!
//! Records are numbered from 1 without gaps and stand in segment files that are named by their first number. A record
//! is written by one append and one sync; only then may the caller tell anyone. A segment goes away when everything
//! in it is durable in the index and enough newer ones are kept.

pub mod frame;
pub mod survey;

use std::{
    io,
    path::{Path, PathBuf},
    sync::Arc,
};

use self::{
    frame::{Change, RecordKind},
    survey::{Plan, Segment},
};
use super::{
    StoreError,
    disk::{Disk, DiskFile},
};
use crate::fault::{self, Point};

const SUFFIX: &str = ".journal";

/// A journal, ready to take records.
#[derive(Debug)]
pub struct Journal {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    /// First number and length of every segment but the one being written, ascending.
    older: Vec<(u64, u64)>,
    current: Current,
    next_lsn: u64,
    last_commit: u64,
    /// Whether nothing has been committed since the last checkpoint.
    is_covered: bool,
    options: JournalOptions,
}

#[derive(Debug)]
struct Current {
    first_lsn: u64,
    length: u64,
    path: PathBuf,
    file: Box<dyn DiskFile>,
}

/// Sizes of a journal.
#[derive(Clone, Copy, Debug)]
pub struct JournalOptions {
    /// A segment that has reached this length is not written any more, bytes.
    pub segment_bytes: u64,
    /// Segments are kept up to this size all together even when the index no longer needs them, bytes.
    pub keep_bytes: u64,
}

/// What was found in the directory of a journal. Nothing has been changed so far.
#[derive(Debug)]
pub struct Found {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    segments: Vec<Segment>,
    plan: Plan,
}

/// Reads all segments. `None` when there is no journal.
pub fn find(disk: &Arc<dyn Disk>, dir: &Path) -> Result<Option<Found>, StoreError> {
    let names = match disk.list(dir) {
        Ok(names) => names,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(failed("list", dir, source)),
    };
    let mut numbers: Vec<u64> = names
        .iter()
        .filter_map(|n| n.strip_suffix(SUFFIX)?.parse().ok())
        .collect();
    numbers.sort_unstable();
    if numbers.is_empty() {
        return Ok(None);
    }
    let segments = numbers
        .into_iter()
        .map(|first_lsn| {
            let path = segment_path(dir, first_lsn);
            let bytes = disk.read(&path).map_err(|e| failed("read", &path, e))?;
            survey::scan(first_lsn, &bytes).map_err(|survey::NewerSegment(found)| StoreError::Newer {
                found,
                known: frame::VERSION,
            })
        })
        .collect::<Result<Vec<_>, _>>()?;
    let plan = survey::plan(&segments).map_err(|gap| StoreError::Damaged {
        what: format!("journal {}", dir.display()),
        reason: format!(
            "records {} to {} are damaged or missing, and the index does not surely have them: restore a backup of \
             the store's directory",
            gap.first, gap.last
        ),
    })?;
    Ok(Some(Found {
        disk: Arc::clone(disk),
        dir: dir.to_owned(),
        segments,
        plan,
    }))
}

impl Found {
    /// Returns what opening comes to.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// Returns how many bytes at the end belong to a record that was not written completely.
    pub fn torn_bytes(&self) -> u64 {
        let cut = self.plan.cut.zip(self.segments.last());
        cut.map_or(0, |(cut, last)| (last.length - cut) as u64)
    }

    /// Returns the segments.
    pub fn segments(&self) -> &[Segment] {
        &self.segments
    }

    /// Hands over the changes of every commit after `covered`, in order.
    pub fn replay(
        &self,
        covered: u64,
        mut apply: impl FnMut(u64, Vec<Change>) -> Result<(), StoreError>,
    ) -> Result<u64, StoreError> {
        let mut replayed = 0;
        for segment in self
            .segments
            .iter()
            .filter(|s| s.next_lsn().saturating_sub(1) > covered)
        {
            let path = segment_path(&self.dir, segment.first_lsn);
            let bytes = self.disk.read(&path).map_err(|e| failed("read", &path, e))?;
            let commits = segment
                .records
                .iter()
                .filter(|r| r.lsn > covered && r.kind == RecordKind::Commit);
            for place in commits {
                let changes = bytes
                    .get(place.offset..)
                    .and_then(frame::read_record)
                    .and_then(|record| frame::decode_changes(record.payload))
                    .ok_or_else(|| StoreError::Damaged {
                        what: format!("record {} of journal {}", place.lsn, path.display()),
                        reason: "it cannot be read".to_owned(),
                    })?;
                apply(place.lsn, changes)?;
                replayed += 1;
            }
        }
        Ok(replayed)
    }

    /// Cuts off a torn record at the end and makes the journal ready to go on.
    pub fn resume(self, options: JournalOptions) -> Result<Journal, StoreError> {
        let Self {
            disk,
            dir,
            mut segments,
            plan,
        } = self;
        let Some(last) = segments.pop() else {
            return Journal::create(&disk, &dir, options);
        };
        let path = segment_path(&dir, last.first_lsn);
        let mut file = disk.append(&path).map_err(|e| failed("open", &path, e))?;
        let mut length = last.length as u64;
        if let Some(cut) = plan.cut {
            length = cut as u64;
            file.truncate(length).map_err(|e| failed("cut", &path, e))?;
            if cut == 0 {
                let head = frame::segment_head(last.first_lsn);
                file.write(&head).map_err(|e| failed("write", &path, e))?;
                length = head.len() as u64;
            }
        }
        // What is read from a file may still be on its way to the disk: the process before may have died in between.
        file.sync().map_err(|e| failed("sync", &path, e))?;
        disk.sync_dir(&dir).map_err(|e| failed("sync", &dir, e))?;
        Ok(Journal {
            older: segments.iter().map(|s| (s.first_lsn, s.length as u64)).collect(),
            current: Current {
                first_lsn: last.first_lsn,
                length,
                path,
                file,
            },
            next_lsn: plan.last_lsn.saturating_add(1),
            last_commit: plan.last_commit,
            is_covered: plan.closed,
            disk,
            dir,
            options,
        })
    }
}

impl Journal {
    /// Makes an empty journal.
    pub fn create(disk: &Arc<dyn Disk>, dir: &Path, options: JournalOptions) -> Result<Self, StoreError> {
        disk.create_dir(dir).map_err(|e| failed("create", dir, e))?;
        let current = Current::create(disk, dir, 1)?;
        Ok(Self {
            disk: Arc::clone(disk),
            dir: dir.to_owned(),
            older: Vec::new(),
            current,
            next_lsn: 1,
            last_commit: 0,
            is_covered: true,
            options,
        })
    }

    /// Makes a journal for an index that has everything up to a commit already: numbers go on behind it.
    pub fn create_after(
        disk: &Arc<dyn Disk>,
        dir: &Path,
        options: JournalOptions,
        last_commit: u64,
    ) -> Result<Self, StoreError> {
        disk.create_dir(dir).map_err(|e| failed("create", dir, e))?;
        let next_lsn = last_commit.saturating_add(1);
        let mut journal = Self {
            disk: Arc::clone(disk),
            dir: dir.to_owned(),
            older: Vec::new(),
            current: Current::create(disk, dir, next_lsn)?,
            next_lsn,
            last_commit,
            is_covered: true,
            options,
        };
        journal.checkpoint()?;
        Ok(journal)
    }

    /// Returns the number of the next record.
    pub fn next_lsn(&self) -> u64 {
        self.next_lsn
    }

    /// Returns whether the segment being written has reached its length.
    pub fn is_full(&self) -> bool {
        self.current.length >= self.options.segment_bytes
    }

    /// Returns whether nothing has been committed since the last checkpoint.
    pub fn is_covered(&self) -> bool {
        self.is_covered
    }

    /// Writes a commit. It is durable when this returns.
    ///
    /// After an error nobody knows what is on the disk: the journal must be opened again.
    pub fn commit(&mut self, changes: &[Change]) -> Result<(), StoreError> {
        self.is_covered = false;
        self.record(RecordKind::Commit, &frame::encode_changes(changes))?;
        self.last_commit = self.next_lsn - 1;
        Ok(())
    }

    /// Notes that everything so far is durable in the index.
    pub fn checkpoint(&mut self) -> Result<(), StoreError> {
        self.record(RecordKind::Checkpoint, &self.last_commit.to_be_bytes())?;
        self.is_covered = true;
        Ok(())
    }

    fn record(&mut self, kind: RecordKind, payload: &[u8]) -> Result<(), StoreError> {
        if payload.len() > frame::MAX_PAYLOAD {
            return Err(StoreError::TooLarge {
                what: "commit".to_owned(),
                bytes: payload.len(),
                limit: frame::MAX_PAYLOAD,
            });
        }
        let bytes = frame::record(self.next_lsn, kind, payload);
        let Current {
            file, path, length, ..
        } = &mut self.current;
        let is_early = fault::acknowledges_early();
        if is_early {
            file.sync().map_err(|e| failed("sync", path, e))?;
        }
        fault::reach(Point::JournalAppend);
        file.write(&bytes).map_err(|e| failed("write", path, e))?;
        fault::reach(Point::JournalAppended);
        if !is_early {
            file.sync().map_err(|e| failed("sync", path, e))?;
        }
        fault::reach(Point::JournalSynced);
        *length += bytes.len() as u64;
        self.next_lsn += 1;
        Ok(())
    }

    /// Begins a new segment. The checkpoint that follows stands in it, so that older ones are not needed to find it.
    pub fn rotate(&mut self) -> Result<(), StoreError> {
        let next = Current::create(&self.disk, &self.dir, self.next_lsn)?;
        let full = std::mem::replace(&mut self.current, next);
        self.older.push((full.first_lsn, full.length));
        Ok(())
    }

    /// Removes the oldest segments beyond what is kept. Everything in them must be covered by a checkpoint.
    pub fn prune(&mut self) -> Result<(), StoreError> {
        let mut kept = self.current.length + self.older.iter().map(|(_, length)| length).sum::<u64>();
        while kept > self.options.keep_bytes
            && let Some((first_lsn, length)) = self.older.first().copied()
        {
            let path = segment_path(&self.dir, first_lsn);
            self.disk.remove(&path).map_err(|e| failed("remove", &path, e))?;
            self.older.remove(0);
            kept -= length;
        }
        self.disk
            .sync_dir(&self.dir)
            .map_err(|e| failed("sync", &self.dir, e))
    }
}

impl Current {
    fn create(disk: &Arc<dyn Disk>, dir: &Path, first_lsn: u64) -> Result<Self, StoreError> {
        let path = segment_path(dir, first_lsn);
        let mut file = disk.create(&path).map_err(|e| failed("create", &path, e))?;
        let head = frame::segment_head(first_lsn);
        file.write(&head).map_err(|e| failed("write", &path, e))?;
        file.sync().map_err(|e| failed("sync", &path, e))?;
        disk.sync_dir(dir).map_err(|e| failed("sync", dir, e))?;
        Ok(Self {
            first_lsn,
            length: head.len() as u64,
            path,
            file,
        })
    }
}

/// Returns the file of a segment.
pub fn segment_path(dir: &Path, first_lsn: u64) -> PathBuf {
    dir.join(format!("{first_lsn:020}{SUFFIX}"))
}

fn failed(action: &'static str, path: &Path, source: io::Error) -> StoreError {
    StoreError::Io {
        action,
        path: path.to_owned(),
        source,
    }
}
