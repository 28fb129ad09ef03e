//! Writing a backup.

use std::{
    io::{self, Write},
    path::{Path, PathBuf},
};

use super::{BLOCK, BLOCK_BYTES, BackupHead, BackupSummary, END, MAGIC, VERSION, checksum, count};
use crate::store::{StoreError, keys::Key, records::Counts};

/// Writes a backup. It is none before [`BackupWriter::finish`].
#[derive(Debug)]
pub struct BackupWriter<W> {
    out: W,
    /// What the file is called in errors.
    path: PathBuf,
    head: BackupHead,
    counts: Counts,
    block: Vec<u8>,
    in_block: u32,
    records: u64,
    blocks: u64,
    bytes: u64,
    crc: u32,
}

impl<W: Write> BackupWriter<W> {
    /// Begins a backup. `path` is what errors name.
    pub fn new(out: W, path: &Path, head: BackupHead) -> Result<Self, StoreError> {
        let description = postcard::to_stdvec(&head).map_err(|e| failed(path, io::Error::other(e)))?;
        let mut bytes = MAGIC.to_vec();
        bytes.extend_from_slice(&VERSION.to_be_bytes());
        bytes.extend_from_slice(&(description.len() as u32).to_be_bytes());
        bytes.extend_from_slice(&description);
        bytes.extend_from_slice(&crc32c::crc32c(&bytes).to_be_bytes());
        let mut writer = Self {
            out,
            path: path.to_owned(),
            head,
            counts: Counts::default(),
            block: Vec::new(),
            in_block: 0,
            records: 0,
            blocks: 0,
            bytes: 0,
            crc: 0,
        };
        writer.write(&bytes)?;
        Ok(writer)
    }

    /// Adds a record. Its key must be greater than the one before.
    pub fn push(&mut self, key: &Key, schema: u8, record: &[u8]) -> Result<(), StoreError> {
        let key_bytes = key.as_bytes();
        let length = u16::try_from(key_bytes.len())
            .ok()
            .zip(u32::try_from(record.len()).ok());
        let Some((key_length, record_length)) = length else {
            return Err(StoreError::TooLarge {
                what: key.to_string(),
                bytes: record.len(),
                limit: crate::store::envelope::MAX_RECORD,
            });
        };
        self.block.extend_from_slice(&key_length.to_be_bytes());
        self.block.push(schema);
        self.block.extend_from_slice(&record_length.to_be_bytes());
        self.block
            .extend_from_slice(&checksum(key_bytes, schema, record).to_be_bytes());
        self.block.extend_from_slice(key_bytes);
        self.block.extend_from_slice(record);
        self.in_block += 1;
        self.records += 1;
        count(&mut self.counts, key);
        if self.block.len() >= BLOCK_BYTES {
            self.close_block()?;
        }
        Ok(())
    }

    /// Writes the end. Returns what was written, and where it was written to.
    pub fn finish(mut self) -> Result<(BackupSummary, W), StoreError> {
        if self.in_block > 0 {
            self.close_block()?;
        }
        if self.counts != self.head.counts {
            let (have, noted) = (self.counts, self.head.counts);
            return Err(StoreError::Damaged {
                what: "index".to_owned(),
                reason: format!("it holds {have:?}, but {noted:?} are noted"),
            });
        }
        let mut end = vec![END];
        end.extend_from_slice(&self.records.to_be_bytes());
        end.extend_from_slice(&self.blocks.to_be_bytes());
        let crc = crc32c::crc32c_append(self.crc, &end);
        end.extend_from_slice(&crc.to_be_bytes());
        self.write(&end)?;
        self.out.flush().map_err(|e| failed(&self.path, e))?;
        let summary = BackupSummary {
            head: self.head,
            records: self.records,
            bytes: self.bytes,
        };
        Ok((summary, self.out))
    }

    fn close_block(&mut self) -> Result<(), StoreError> {
        let payload = zstd::bulk::compress(&self.block, 3).map_err(|e| failed(&self.path, e))?;
        let mut bytes = Vec::with_capacity(payload.len() + 17);
        bytes.push(BLOCK);
        bytes.extend_from_slice(&self.in_block.to_be_bytes());
        bytes.extend_from_slice(&(self.block.len() as u32).to_be_bytes());
        bytes.extend_from_slice(&(payload.len() as u32).to_be_bytes());
        bytes.extend_from_slice(&payload);
        bytes.extend_from_slice(&crc32c::crc32c(&bytes).to_be_bytes());
        self.write(&bytes)?;
        self.block.clear();
        self.in_block = 0;
        self.blocks += 1;
        Ok(())
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        self.out.write_all(bytes).map_err(|e| failed(&self.path, e))?;
        self.crc = crc32c::crc32c_append(self.crc, bytes);
        self.bytes += bytes.len() as u64;
        Ok(())
    }
}

fn failed(path: &Path, source: io::Error) -> StoreError {
    StoreError::Io {
        action: "write",
        path: path.to_owned(),
        source,
    }
}
