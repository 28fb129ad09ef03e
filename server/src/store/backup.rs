//! A store as one file: what it looks like, how it is written and how it is read.
//!
//! Numbers are big-endian, every checksum is CRC32C. A file has a head, blocks and an end:
//!
//! | part | bytes | meaning |
//! |---|---|---|
//! | head | 16 | `coldbrake backup` |
//! | | 4 | version of the file |
//! | | 4 | length of the description |
//! | | … | description: [`BackupHead`] in postcard form |
//! | | 4 | checksum of all of the head before it |
//! | block | 1 | `B` |
//! | | 4 | number of records |
//! | | 4 | length of the records |
//! | | 4 | length of the payload |
//! | | … | payload: the records, compressed with zstd (RFC 8878) |
//! | | 4 | checksum of all of the block before it |
//! | end | 1 | `E` |
//! | | 8 | number of records in the file |
//! | | 8 | number of blocks in the file |
//! | | 4 | checksum of all of the file before it |
//!
//! A record is the length of its key (2 bytes), its schema version (1), its length (4), a checksum of key, schema
//! version and record (4), the key and the record. Records stand in ascending order of their keys. Keys and records
//! are those of the store, without the pieces that an index cuts them into.

pub mod file;
pub mod migrate;
mod reader;
mod writer;

use serde::{Deserialize, Serialize};

pub use self::{reader::BackupReader, writer::BackupWriter};
use super::{
    keys::{Key, Kind},
    records::Counts,
};

/// Newest version of the file that this program reads, and the one that it writes.
pub const VERSION: u32 = 1;

const MAGIC: &[u8; 16] = b"coldbrake backup";
const BLOCK: u8 = b'B';
const END: u8 = b'E';
/// A block is closed when its records have this length.
const BLOCK_BYTES: usize = 1 << 20;
/// Longest records of a block that are read: one record more than a block is closed at, with room.
const MAX_BLOCK: usize = 2 << 20;
/// Longest description that is read.
const MAX_DESCRIPTION: usize = 1 << 16;

/// What a backup says about itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct BackupHead {
    /// Format of the store that it was made of, major.
    pub format_major: u32,
    /// Format of the store that it was made of, minor.
    pub format_minor: u32,
    /// Version of the program that wrote it.
    pub program: String,
    /// When it was begun, ms since the Unix epoch, UTC.
    pub created_ms: i64,
    /// Number of the last commit in it.
    pub last_commit: u64,
    /// Numbers of records.
    pub counts: Counts,
}

/// A record of a backup.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Record {
    /// Key.
    pub key: Key,
    /// Schema version.
    pub schema: u8,
    /// Record.
    pub bytes: Vec<u8>,
}

/// What was written or read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BackupSummary {
    /// What the backup says about itself.
    pub head: BackupHead,
    /// Records of all kinds.
    pub records: u64,
    /// Length of the file, bytes.
    pub bytes: u64,
}

/// Counts records by kind.
fn count(counts: &mut Counts, key: &Key) {
    let Some(&kind) = key.as_bytes().first() else {
        return;
    };
    for (of, number) in [
        (Kind::State, &mut counts.vehicles),
        (Kind::Descent, &mut counts.descents),
        (Kind::Histogram, &mut counts.histograms),
    ] {
        if kind == of as u8 {
            *number += 1;
        }
    }
}

/// Returns the checksum of a record.
fn checksum(key: &[u8], schema: u8, bytes: &[u8]) -> u32 {
    crc32c::crc32c_append(crc32c::crc32c_append(crc32c::crc32c(key), &[schema]), bytes)
}
