//! Opening a store, whatever state it was left in.
//!
//! The journal is the truth and the index is made from it. An index that cannot be trusted is put aside, never
//! deleted, and built anew when the journal reaches back to its first record; else the store refuses to start.

use std::{
    io,
    path::{Path, PathBuf},
    sync::Arc,
    time::{Duration, Instant},
};

use super::{
    SledOptions, Tuning, guard,
    index::{self, Index},
    verify,
};
use crate::fault::{self, Point};
use crate::store::{
    StoreError,
    disk::Disk,
    journal::{self, Found, Journal},
};

/// Newest format that this program reads and the one that it writes.
pub const FORMAT: (u32, u32) = (1, 0);
/// File that stands beside the index once something of it could not be read: the next start reads all of it.
pub(super) const SUSPECT: &str = "index.suspect";
const FORMAT_MAGIC: &[u8; 16] = b"coldbrake store\n";

/// The files of a store.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub(super) dir: PathBuf,
}

impl Layout {
    pub(super) fn lock(&self) -> PathBuf {
        self.dir.join("lock")
    }

    pub(super) fn index(&self) -> PathBuf {
        self.dir.join("index")
    }

    pub(super) fn suspect(&self) -> PathBuf {
        self.dir.join(SUSPECT)
    }

    /// The index while it is being built: it gets its name only when it is whole.
    fn building(&self) -> PathBuf {
        self.dir.join("index.building")
    }

    pub(super) fn journal(&self) -> PathBuf {
        self.dir.join("journal")
    }
}

/// Takes the store for this process.
pub(super) fn lock(layout: &Layout) -> Result<std::fs::File, StoreError> {
    let path = layout.lock();
    let file = std::fs::OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&path)
        .map_err(|e| failed("open", &path, e))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(std::fs::TryLockError::WouldBlock) => Err(StoreError::InUse {
            path: layout.dir.clone(),
        }),
        Err(std::fs::TryLockError::Error(e)) => Err(failed("lock", &path, e)),
    }
}

/// What opening a store came upon.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OpenReport {
    /// The store was made.
    pub created: bool,
    /// Commits of the journal that were applied because they may not have reached the index.
    pub replayed: u64,
    /// Bytes of a commit that was not written completely, cut off the end of the journal.
    pub torn_bytes: u64,
    /// Records of the journal that are damaged or gone, but not needed: first and last number of each stretch.
    pub lost_records: Vec<(u64, u64)>,
    /// What was moved out of the way.
    pub put_aside: Vec<PathBuf>,
    /// Why the index was built anew, if it was.
    pub rebuilt_because: Option<String>,
}

/// Opens journal and index and brings the index up to the end of the journal.
pub(super) fn open(
    layout: &Layout,
    options: &SledOptions,
    tuning: &Tuning,
) -> Result<(Index, Journal, OpenReport), StoreError> {
    let disk = &tuning.disk;
    let sizes = tuning.journal();
    let mut report = OpenReport::default();
    let found = match journal::find(disk, &layout.journal())? {
        Some(found) => found,
        None if exists(disk, &layout.dir, "index")? => {
            return Err(StoreError::Damaged {
                what: format!("store {}", layout.dir.display()),
                reason: "its journal is missing: restore a backup of the whole directory".to_owned(),
            });
        }
        None => {
            report.created = true;
            Journal::create(disk, &layout.journal(), sizes)?;
            sync_dir(disk, &layout.dir)?;
            // The name of the store itself, as far as we may: the directory above can belong to someone else.
            let _ = layout.dir.parent().map(|above| disk.sync_dir(above));
            journal::find(disk, &layout.journal())?.ok_or_else(|| {
                failed(
                    "find",
                    &layout.journal(),
                    io::Error::from(io::ErrorKind::NotFound),
                )
            })?
        }
    };
    fault::reach(Point::StartFound);
    let plan = found.plan();
    report.torn_bytes = found.torn_bytes();
    report.lost_records = plan
        .harmless_holes
        .iter()
        .map(|(first, end)| (*first, end - 1))
        .collect();
    clear_leftovers(layout, disk, &mut report)?;
    // Where nothing can be built anew, it is better to serve what can be read.
    let is_suspect = plan.complete && exists(disk, &layout.dir, SUSPECT)?;
    let check = match plan.closed {
        _ if is_suspect => Check::All,
        false if tuning.check_after_crash => Check::Records,
        _ => Check::Nothing,
    };
    let mut opened = open_index(layout, options, tuning, &found, check);
    // Where nothing can be built anew, the database gets along without its files beside the log: then all is looked at.
    if let Err(Unfit::Unopened(_)) = opened
        && !plan.complete
        && set_extras_aside(layout, disk, &mut report)?
    {
        opened = open_index(layout, options, tuning, &found, Check::All);
    }
    let index = match opened {
        Ok((index, replayed)) => {
            report.replayed = replayed;
            index
        }
        Err(Unfit::Refused(error)) => return Err(error),
        Err(Unfit::Unopened(reason) | Unfit::Broken(reason)) => {
            build_anew(layout, options, tuning, &found, reason, &mut report)?
        }
    };
    if is_suspect {
        let path = layout.suspect();
        disk.remove(&path).map_err(|e| failed("remove", &path, e))?;
    }
    fault::reach(Point::StartReplayed);
    let journal = found.resume(sizes)?;
    fault::reach(Point::StartResumed);
    Ok((index, journal, report))
}

/// What of an index is read before it is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Check {
    Nothing,
    /// Every record.
    Records,
    /// Every record, and all histograms against the descents.
    All,
}

/// Why an index cannot be used.
enum Unfit {
    /// Building a new one does not help, or is not ours to do.
    Refused(StoreError),
    /// It is gone, or the database does not open it.
    Unopened(String),
    /// It is damaged.
    Broken(String),
}

impl Unfit {
    fn into_error(self, dir: &Path) -> StoreError {
        match self {
            Self::Refused(error) => error,
            Self::Unopened(reason) | Self::Broken(reason) => StoreError::Damaged {
                what: format!("index {}", dir.display()),
                reason,
            },
        }
    }
}

/// Opens the index that is there, brings it up to the end of the journal and, if told so, reads all of it. Returns how
/// many commits were applied.
fn open_index(
    layout: &Layout,
    options: &SledOptions,
    tuning: &Tuning,
    found: &Found,
    check: Check,
) -> Result<(Index, u64), Unfit> {
    let dir = layout.index();
    if !exists(&tuning.disk, &layout.dir, "index").map_err(Unfit::Refused)? {
        return Err(Unfit::Unopened("it is missing".to_owned()));
    }
    let index = open_database(&dir, options)?;
    let broken = |e: StoreError| match e {
        StoreError::Io { .. } => Unfit::Refused(e),
        other => Unfit::Broken(other.to_string()),
    };
    match guard::catch("read", || read_format(&index)) {
        Ok(Some((major, _))) if major > FORMAT.0 => {
            return Err(Unfit::Refused(StoreError::Newer {
                found: major,
                known: FORMAT.0,
            }));
        }
        Ok(Some((major, _))) if major < FORMAT.0 => {
            return Err(Unfit::Refused(StoreError::Older {
                found: major,
                known: FORMAT.0,
            }));
        }
        Ok(Some(_)) => {}
        Ok(None) => return Err(Unfit::Broken("it does not say its format".to_owned())),
        Err(error) => return Err(broken(error)),
    }
    let applied = guard::catch("read", || index.applied()).map_err(broken)?;
    let plan = found.plan();
    if applied < plan.covered {
        return Err(Unfit::Broken(format!(
            "it ends at commit {applied}, but {} was durable in it",
            plan.covered
        )));
    }
    if applied > plan.last_commit {
        return Err(Unfit::Refused(StoreError::Damaged {
            what: format!("journal {}", layout.journal().display()),
            reason: format!(
                "it ends at commit {}, but the index has {applied}: restore a backup of the whole directory",
                plan.last_commit
            ),
        }));
    }
    // Only then is the index whole: the process before may have died in the middle of a commit.
    let replay = || found.replay(plan.covered, |lsn, changes| index.apply(&changes, lsn));
    let replayed = guard::catch("replay", replay).map_err(broken)?;
    if check != Check::Nothing {
        let look = || {
            let mut report = verify::VerifyReport::default();
            verify::check_records(&index, &mut report);
            if check == Check::All {
                verify::check_histograms(&index, &mut report);
            }
            Ok(report)
        };
        let report = guard::catch("check", look).map_err(broken)?;
        if let Some(finding) = report.findings.first() {
            return Err(Unfit::Broken(finding.to_string()));
        }
    }
    Ok((index, replayed))
}

/// Opens the database on a thread of its own: it panics on some damaged files.
fn open_database(dir: &Path, options: &SledOptions) -> Result<Index, Unfit> {
    let config = ::sled::Config::new()
        .path(dir)
        .cache_capacity(options.cache_bytes)
        .flush_every_ms(Some(500))
        .mode(::sled::Mode::LowSpace);
    let deadline = Instant::now() + Duration::from_secs(5);
    loop {
        let config = config.clone();
        let opened = std::thread::Builder::new()
            .name("store-open".to_owned())
            .spawn(move || config.open())
            .map_err(|e| Unfit::Refused(failed("open", dir, e)))?
            .join();
        match opened {
            Ok(Ok(db)) => return Ok(Index::new(db, dir.to_owned())),
            // The database lets go of its files a moment after it was closed.
            Ok(Err(error)) if is_locked(&error) && Instant::now() < deadline => {
                std::thread::sleep(Duration::from_millis(20));
            }
            Ok(Err(error)) if is_locked(&error) => {
                return Err(Unfit::Refused(StoreError::InUse { path: dir.to_owned() }));
            }
            Ok(Err(::sled::Error::Io(e))) if !is_content(&e) => {
                return Err(Unfit::Refused(failed("open", dir, e)));
            }
            Ok(Err(error)) => return Err(Unfit::Unopened(error.to_string())),
            Err(panic) => return Err(Unfit::Unopened(guard::panic_text(&*panic))),
        }
    }
}

fn is_locked(error: &::sled::Error) -> bool {
    // The database wraps the operating system's error in a text of its own.
    matches!(error, ::sled::Error::Io(e) if e.kind() == io::ErrorKind::WouldBlock || e.to_string().contains("could not acquire lock"))
}

/// Returns whether an error speaks of what is in a file, not of the way to it.
fn is_content(error: &io::Error) -> bool {
    use io::ErrorKind::{InvalidData, InvalidInput, NotFound, Other, UnexpectedEof};
    matches!(
        error.kind(),
        UnexpectedEof | InvalidData | InvalidInput | NotFound | Other
    )
}

/// Puts the index aside and builds a new one from the journal.
fn build_anew(
    layout: &Layout,
    options: &SledOptions,
    tuning: &Tuning,
    found: &Found,
    reason: String,
    report: &mut OpenReport,
) -> Result<Index, StoreError> {
    let disk = &tuning.disk;
    if !found.plan().complete {
        return Err(StoreError::Damaged {
            what: format!("index {}", layout.index().display()),
            reason: format!(
                "{reason}; the journal does not reach back to the beginning, so it cannot be built anew: restore a \
                 backup of the whole directory"
            ),
        });
    }
    if exists(disk, &layout.dir, "index")? {
        report.put_aside.push(set_aside(layout, disk, &layout.index())?);
    }
    if found.plan().last_lsn > 0 {
        report.rebuilt_because = Some(reason);
    }
    let building = open_new(&layout.building(), options)?;
    guard::catch("build", || {
        found.replay(0, |lsn, changes| building.apply(&changes, lsn))?;
        building.flush()
    })?;
    drop(building);
    sync_index(disk, &layout.building())?;
    rename(disk, &layout.building(), &layout.index())?;
    sync_dir(disk, &layout.dir)?;
    open_database(&layout.index(), options).map_err(|unfit| unfit.into_error(&layout.index()))
}

/// Makes an empty index that says its format.
pub(super) fn open_new(dir: &Path, options: &SledOptions) -> Result<Index, StoreError> {
    let index = open_database(dir, options).map_err(|unfit| unfit.into_error(dir))?;
    guard::catch("build", || index.put_raw(&format_key(), &format_value(FORMAT)))?;
    Ok(index)
}

/// Waits until the database has let go of its files: it does so a moment after it was closed, and may write until then.
pub(super) fn wait_until_closed(dir: &Path) -> Result<(), StoreError> {
    let path = dir.join("db");
    let file = std::fs::File::open(&path).map_err(|e| failed("open", &path, e))?;
    let deadline = Instant::now() + Duration::from_secs(30);
    loop {
        match file.try_lock() {
            Ok(()) => return Ok(()),
            Err(std::fs::TryLockError::WouldBlock) if Instant::now() < deadline => {
                std::thread::sleep(Duration::from_millis(20));
            }
            Err(std::fs::TryLockError::WouldBlock) => {
                return Err(StoreError::InUse { path: dir.to_owned() });
            }
            Err(std::fs::TryLockError::Error(e)) => return Err(failed("lock", &path, e)),
        }
    }
}

/// Makes everything that the index has flushed durable.
pub(super) fn sync_index(disk: &Arc<dyn Disk>, dir: &Path) -> Result<(), StoreError> {
    let file = dir.join("db");
    disk.sync_file(&file).map_err(|e| failed("sync", &file, e))?;
    sync_dir(disk, dir)
}

/// Moves away what an interrupted start left behind and what would keep the database from opening for ever.
fn clear_leftovers(layout: &Layout, disk: &Arc<dyn Disk>, report: &mut OpenReport) -> Result<(), StoreError> {
    if exists(disk, &layout.dir, "index.building")? {
        report
            .put_aside
            .push(set_aside(layout, disk, &layout.building())?);
    }
    if !exists(disk, &layout.dir, "index")? {
        return Ok(());
    }
    let index = layout.index();
    for name in disk.list(&index).map_err(|e| failed("list", &index, e))? {
        if name.starts_with("snap.") && name.ends_with(".generating") {
            report
                .put_aside
                .push(set_aside(layout, disk, &index.join(&name))?);
        }
    }
    Ok(())
}

/// Moves away the files of the database that it can do without: settings that never differ, and snapshots of what its
/// log says too. Returns whether there were any.
fn set_extras_aside(
    layout: &Layout,
    disk: &Arc<dyn Disk>,
    report: &mut OpenReport,
) -> Result<bool, StoreError> {
    let index = layout.index();
    if !exists(disk, &layout.dir, "index")? || !exists(disk, &index, "db")? {
        return Ok(false);
    }
    let names = disk.list(&index).map_err(|e| failed("list", &index, e))?;
    let mut any = false;
    for name in names.iter().filter(|n| *n == "conf" || n.starts_with("snap.")) {
        report.put_aside.push(set_aside(layout, disk, &index.join(name))?);
        any = true;
    }
    Ok(any)
}

/// Moves a file or directory into the next free quarantine directory.
fn set_aside(layout: &Layout, disk: &Arc<dyn Disk>, path: &Path) -> Result<PathBuf, StoreError> {
    let names = disk
        .list(&layout.dir)
        .map_err(|e| failed("list", &layout.dir, e))?;
    let taken = names
        .iter()
        .filter_map(|n| n.strip_prefix("quarantine-")?.parse::<u64>().ok())
        .max()
        .unwrap_or(0);
    let quarantine = layout.dir.join(format!("quarantine-{}", taken + 1));
    disk.create_dir(&quarantine)
        .map_err(|e| failed("create", &quarantine, e))?;
    let to = quarantine.join(path.file_name().unwrap_or_default());
    rename(disk, path, &to)?;
    sync_dir(disk, &quarantine)?;
    sync_dir(disk, &layout.dir)?;
    Ok(to)
}

pub(super) fn exists(disk: &Arc<dyn Disk>, dir: &Path, name: &str) -> Result<bool, StoreError> {
    Ok(disk
        .list(dir)
        .map_err(|e| failed("list", dir, e))?
        .iter()
        .any(|n| n == name))
}

pub(super) fn rename(disk: &Arc<dyn Disk>, from: &Path, to: &Path) -> Result<(), StoreError> {
    disk.rename(from, to).map_err(|e| failed("move", from, e))
}

pub(super) fn sync_dir(disk: &Arc<dyn Disk>, dir: &Path) -> Result<(), StoreError> {
    disk.sync_dir(dir).map_err(|e| failed("sync", dir, e))
}

pub(super) fn failed(action: &'static str, path: &Path, source: io::Error) -> StoreError {
    StoreError::Io {
        action,
        path: path.to_owned(),
        source,
    }
}

/// The format stands without an envelope, so that every program to come can read it.
pub(super) fn format_key() -> Vec<u8> {
    b"\0format".to_vec()
}

fn format_value((major, minor): (u32, u32)) -> Vec<u8> {
    let mut value = FORMAT_MAGIC.to_vec();
    value.extend_from_slice(&major.to_be_bytes());
    value.extend_from_slice(&minor.to_be_bytes());
    value.extend_from_slice(&crc32c::crc32c(&value).to_be_bytes());
    value
}

/// Returns the format of an index, major and minor; `None` for an index that has none.
pub(super) fn read_format(index: &Index) -> Result<Option<(u32, u32)>, StoreError> {
    let Some(value) = index.raw(&format_key())? else {
        return Ok(None);
    };
    let read = || {
        let (head, rest) = value.split_first_chunk::<24>()?;
        let (crc, _) = rest.split_first_chunk::<4>()?;
        let (magic, numbers) = head.split_first_chunk::<16>()?;
        let (major, rest) = numbers.split_first_chunk::<4>()?;
        let (minor, _) = rest.split_first_chunk::<4>()?;
        (magic == FORMAT_MAGIC && crc32c::crc32c(head) == u32::from_be_bytes(*crc))
            .then(|| (u32::from_be_bytes(*major), u32::from_be_bytes(*minor)))
    };
    read()
        .map(Some)
        .ok_or_else(|| index::damaged(&format_key(), "it is no format record"))
}
