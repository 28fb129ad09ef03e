//! What is to go wrong, from a text such as `kill-at=journal-synced:3,forget=/tmp/synced`.

use std::{
    io,
    path::PathBuf,
    sync::{
        Arc, OnceLock,
        atomic::{AtomicU64, Ordering::Relaxed},
    },
    time::Duration,
};

use super::{
    Point,
    disk::{FaultyDisk, ForgetfulDisk},
};
use crate::store::sled::Tuning;

static CURRENT: OnceLock<Plan> = OnceLock::new();

/// Returns what was planned for this process; `None` before [`begin`].
pub(super) fn current() -> Option<&'static Plan> {
    CURRENT.get()
}

/// Sets what goes wrong in this process, from the text of [`super::VARIABLE`]. Returns what is wrong with the text.
pub fn begin(text: &str) -> Result<(), String> {
    let plan = Plan::read(text)?;
    CURRENT
        .set(plan)
        .map_err(|_| "what goes wrong has been set already".to_owned())
}

/// What goes wrong.
#[derive(Debug, Default)]
pub struct Plan {
    kill_at: Option<(Point, u64)>,
    reached: AtomicU64,
    /// Whether a part of what was not synced gets onto the disk when the process dies at a point.
    torn: bool,
    pub(super) acknowledge_early: bool,
    forget: Option<PathBuf>,
    forgetful: OnceLock<ForgetfulDisk>,
    segment_bytes: Option<u64>,
    keep_bytes: Option<u64>,
    sync: Duration,
    fail: Option<(io::ErrorKind, u64)>,
}

impl Plan {
    fn read(text: &str) -> Result<Self, String> {
        let mut plan = Self::default();
        for entry in text.split(',').filter(|entry| !entry.is_empty()) {
            let (key, value) = entry.split_once('=').unwrap_or((entry, ""));
            let number = || value.parse::<u64>().map_err(|e| format!("`{entry}`: {e}"));
            match key {
                "kill-at" => plan.kill_at = Some(counted(value, point)?),
                "torn" => plan.torn = true,
                "acknowledge-early" => plan.acknowledge_early = true,
                "forget" => plan.forget = Some(PathBuf::from(value)),
                "segment-bytes" => plan.segment_bytes = Some(number()?),
                "keep-bytes" => plan.keep_bytes = Some(number()?),
                "sync-ms" => plan.sync = Duration::from_millis(number()?),
                "fail" => plan.fail = Some(counted(value, failure)?),
                _ => return Err(format!("`{entry}` is no fault")),
            }
        }
        Ok(plan)
    }

    pub(super) fn reach(&self, point: Point) {
        if let Some((at, number)) = self.kill_at
            && at == point
            && self.reached.fetch_add(1, Relaxed) + 1 == number
        {
            if self.torn
                && let Some(disk) = self.forgetful.get()
            {
                disk.tear();
            }
            die();
        }
    }

    pub(super) fn tuned(&self, mut tuning: Tuning) -> Tuning {
        tuning.segment_bytes = self.segment_bytes.unwrap_or(tuning.segment_bytes);
        tuning.keep_bytes = self.keep_bytes.unwrap_or(tuning.keep_bytes);
        if let Some(synced) = &self.forget {
            let disk = self.forgetful.get_or_init(|| ForgetfulDisk::new(synced));
            tuning.disk = Arc::new(disk.clone());
        }
        if !self.sync.is_zero() || self.fail.is_some() {
            tuning.disk = Arc::new(FaultyDisk::new(tuning.disk, self.sync, self.fail));
        }
        tuning
    }
}

/// Reads `NAME:NUMBER`; without a number the first time is meant.
fn counted<T>(value: &str, name: impl Fn(&str) -> Option<T>) -> Result<(T, u64), String> {
    let (text, number) = value.split_once(':').unwrap_or((value, "1"));
    let found = name(text).ok_or_else(|| format!("`{text}` is unknown"))?;
    let number = number.parse().map_err(|e| format!("`{value}`: {e}"))?;
    Ok((found, number))
}

fn point(name: &str) -> Option<Point> {
    Point::ALL.into_iter().find(|point| point.name() == name)
}

fn failure(name: &str) -> Option<io::ErrorKind> {
    match name {
        "full" => Some(io::ErrorKind::StorageFull),
        "read-only" => Some(io::ErrorKind::ReadOnlyFilesystem),
        "broken" => Some(io::ErrorKind::Other),
        _ => None,
    }
}

/// Ends the process as a kill from outside does: nothing is flushed, dropped or said.
fn die() -> ! {
    let _ = rustix::process::kill_process(rustix::process::getpid(), rustix::process::Signal::KILL);
    loop {
        std::thread::park();
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by it")]

    use super::*;

    #[test]
    fn a_text_says_what_goes_wrong() {
        let plan = Plan::read("kill-at=journal-synced:3,torn,keep-bytes=0,fail=full:9,sync-ms=20").unwrap();
        assert_eq!(plan.kill_at, Some((Point::JournalSynced, 3)));
        assert!(plan.torn && !plan.acknowledge_early);
        assert_eq!(plan.fail, Some((io::ErrorKind::StorageFull, 9)));
        assert_eq!((plan.keep_bytes, plan.segment_bytes), (Some(0), None));
        assert_eq!(plan.sync, Duration::from_millis(20));
        for wrong in ["kill-at=nowhere", "fail=full:x", "kil-at=told", "sync-ms="] {
            assert!(Plan::read(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn every_point_has_a_name_of_its_own() {
        for at in Point::ALL {
            assert_eq!(point(at.name()), Some(at));
        }
    }
}
