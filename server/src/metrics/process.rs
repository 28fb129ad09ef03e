//! What the system says of this process and of the disk. Nothing where it does not say.

use std::path::Path;

/// Returns the bytes that are left for the store on its file system.
pub(super) fn free_bytes(directory: &Path) -> Option<u64> {
    let found = rustix::fs::statvfs(directory).ok()?;
    Some(found.f_bavail.saturating_mul(found.f_frsize))
}

/// Returns the bytes of memory that the process occupies.
pub(super) fn resident_bytes() -> Option<u64> {
    resident(&std::fs::read_to_string("/proc/self/status").ok()?)
}

/// Returns the number of open files and connections.
pub(super) fn open_files() -> Option<u64> {
    Some(std::fs::read_dir("/proc/self/fd").ok()?.count() as u64)
}

fn resident(status: &str) -> Option<u64> {
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"))?;
    let kib: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    kib.checked_mul(1_024)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_is_read_in_bytes() {
        assert_eq!(
            resident("Name:\tx\nVmRSS:\t    2048 kB\nThreads:\t4\n"),
            Some(2_097_152)
        );
        for odd in ["", "VmRSS:", "VmRSS:\t7 MB", "VmRSS:\t99999999999999999999 kB"] {
            assert_eq!(resident(odd), None, "{odd}");
        }
    }

    #[test]
    fn a_directory_that_is_not_there_has_no_free_bytes() {
        assert_eq!(free_bytes(Path::new("/nowhere/at/all")), None);
        assert!(free_bytes(Path::new("/")).is_some());
    }
}
