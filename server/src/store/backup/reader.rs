//! Reading a backup. Nothing of a file is believed before its checksum has been compared.

use std::{
    io::{self, Read},
    path::{Path, PathBuf},
    vec,
};

use super::{
    BLOCK, BackupHead, BackupSummary, END, MAGIC, MAX_BLOCK, MAX_DESCRIPTION, Record, VERSION, checksum,
    count,
};
use crate::store::{StoreError, keys::Key, records::Counts};

/// Reads a backup, record by record.
#[derive(Debug)]
pub struct BackupReader<R> {
    input: Input<R>,
    head: BackupHead,
    block: vec::IntoIter<Record>,
    last_key: Option<Key>,
    counts: Counts,
    records: u64,
    blocks: u64,
    ended: bool,
}

impl<R: Read> BackupReader<R> {
    /// Reads the head. `path` is what errors name.
    pub fn new(input: R, path: &Path) -> Result<Self, StoreError> {
        let mut input = Input {
            inner: input,
            path: path.to_owned(),
            bytes: 0,
            crc: 0,
        };
        if &input.take::<16>()? != MAGIC {
            return Err(input.damaged("it is no backup of a store: its first bytes are others"));
        }
        let version = input.number()?;
        if version > VERSION {
            return Err(StoreError::NewerBackup {
                path: path.to_owned(),
                found: version,
                known: VERSION,
            });
        }
        let length = input.number()? as usize;
        if version == 0 || length > MAX_DESCRIPTION {
            return Err(input.damaged("its head says what cannot be"));
        }
        let description = input.bytes(length)?;
        let crc = input.crc;
        if input.number()? != crc {
            return Err(input.damaged("the checksum of its head does not match"));
        }
        let Ok((head, [])) = postcard::take_from_bytes(&description) else {
            return Err(input.damaged("its description cannot be read"));
        };
        Ok(Self {
            input,
            head,
            block: Vec::new().into_iter(),
            last_key: None,
            counts: Counts::default(),
            records: 0,
            blocks: 0,
            ended: false,
        })
    }

    /// Returns what the backup says about itself.
    pub fn head(&self) -> &BackupHead {
        &self.head
    }

    /// Returns the next record; `None` when the file has been read to its end and is whole.
    pub fn next_record(&mut self) -> Result<Option<Record>, StoreError> {
        loop {
            if let Some(record) = self.block.next() {
                if self.last_key.as_ref().is_some_and(|last| *last >= record.key) {
                    return Err(self.input.damaged(format!("{} is out of order", record.key)));
                }
                count(&mut self.counts, &record.key);
                self.records += 1;
                self.last_key = Some(record.key.clone());
                return Ok(Some(record));
            }
            if self.ended {
                return Ok(None);
            }
            self.next_part()?;
        }
    }

    /// Reads what is left and returns what has been read all together.
    pub fn finish(mut self) -> Result<BackupSummary, StoreError> {
        while self.next_record()?.is_some() {}
        Ok(BackupSummary {
            head: self.head,
            records: self.records,
            bytes: self.input.bytes,
        })
    }

    fn next_part(&mut self) -> Result<(), StoreError> {
        match self.input.take::<1>()?[0] {
            BLOCK => self.read_block(),
            END => self.read_end(),
            _ => Err(self.input.damaged("what follows is neither a block nor the end")),
        }
    }

    fn read_block(&mut self) -> Result<(), StoreError> {
        let at = self.input.bytes - 1;
        let numbers = self.input.take::<12>()?;
        let [count, length, stored] = [0, 4, 8].map(|i| {
            let four = numbers.get(i..i + 4).and_then(<[u8]>::first_chunk::<4>);
            four.map_or(0, |four| u32::from_be_bytes(*four) as usize)
        });
        let damaged = |input: &Input<R>, what: &str| input.damaged(format!("the block at byte {at} {what}"));
        if length > MAX_BLOCK || stored > zstd::zstd_safe::compress_bound(MAX_BLOCK) {
            return Err(damaged(&self.input, "says what cannot be"));
        }
        let payload = self.input.bytes(stored)?;
        let crc = [&[BLOCK][..], &numbers, &payload]
            .iter()
            .fold(0, |crc, part| crc32c::crc32c_append(crc, part));
        if self.input.number()? != crc {
            return Err(damaged(&self.input, "has another checksum"));
        }
        let raw = zstd::bulk::decompress(&payload, length)
            .map_err(|e| damaged(&self.input, &format!("cannot be unpacked: {e}")))?;
        let records = split(&raw)
            .filter(|records| raw.len() == length && records.len() == count)
            .ok_or_else(|| damaged(&self.input, "has records that are damaged"))?;
        self.block = records.into_iter();
        self.blocks += 1;
        Ok(())
    }

    fn read_end(&mut self) -> Result<(), StoreError> {
        let noted = [self.input.take::<8>()?, self.input.take::<8>()?].map(u64::from_be_bytes);
        let crc = self.input.crc;
        if self.input.number()? != crc {
            return Err(self.input.damaged("its checksum does not match"));
        }
        if noted != [self.records, self.blocks] {
            return Err(self.input.damaged("records are missing"));
        }
        if self.counts != self.head.counts {
            let (have, noted) = (self.counts, self.head.counts);
            return Err(self
                .input
                .damaged(format!("it holds {have:?}, but its head says {noted:?}")));
        }
        if self.input.has_more()? {
            return Err(self.input.damaged("something follows its end"));
        }
        self.ended = true;
        Ok(())
    }
}

/// Takes the records of a block apart; `None` when one is damaged.
fn split(mut raw: &[u8]) -> Option<Vec<Record>> {
    let mut records = Vec::new();
    while !raw.is_empty() {
        let (key_length, rest) = raw.split_first_chunk::<2>()?;
        let (schema, rest) = rest.split_first()?;
        let (length, rest) = rest.split_first_chunk::<4>()?;
        let (crc, rest) = rest.split_first_chunk::<4>()?;
        let (key, rest) = rest.split_at_checked(usize::from(u16::from_be_bytes(*key_length)))?;
        let (bytes, rest) = rest.split_at_checked(u32::from_be_bytes(*length) as usize)?;
        if checksum(key, *schema, bytes) != u32::from_be_bytes(*crc) {
            return None;
        }
        records.push(Record {
            key: Key::from_bytes(key),
            schema: *schema,
            bytes: bytes.to_vec(),
        });
        raw = rest;
    }
    Some(records)
}

/// A file that counts and sums up what is read.
#[derive(Debug)]
struct Input<R> {
    inner: R,
    path: PathBuf,
    bytes: u64,
    crc: u32,
}

impl<R: Read> Input<R> {
    fn damaged(&self, reason: impl Into<String>) -> StoreError {
        StoreError::Damaged {
            what: format!("backup {}", self.path.display()),
            reason: reason.into(),
        }
    }

    fn failed(&self, error: io::Error) -> StoreError {
        if error.kind() == io::ErrorKind::UnexpectedEof {
            return self.damaged(format!("it is cut off behind byte {}", self.bytes));
        }
        StoreError::Io {
            action: "read",
            path: self.path.clone(),
            source: error,
        }
    }

    fn took(&mut self, bytes: &[u8]) {
        self.bytes += bytes.len() as u64;
        self.crc = crc32c::crc32c_append(self.crc, bytes);
    }

    fn take<const N: usize>(&mut self) -> Result<[u8; N], StoreError> {
        let mut bytes = [0; N];
        self.inner.read_exact(&mut bytes).map_err(|e| self.failed(e))?;
        self.took(&bytes);
        Ok(bytes)
    }

    fn number(&mut self) -> Result<u32, StoreError> {
        self.take::<4>().map(u32::from_be_bytes)
    }

    fn bytes(&mut self, length: usize) -> Result<Vec<u8>, StoreError> {
        let mut bytes = vec![0; length];
        self.inner.read_exact(&mut bytes).map_err(|e| self.failed(e))?;
        self.took(&bytes);
        Ok(bytes)
    }

    fn has_more(&mut self) -> Result<bool, StoreError> {
        let mut bytes = [0; 1];
        match self.inner.read_exact(&mut bytes) {
            Ok(()) => Ok(true),
            Err(e) if e.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
            Err(e) => Err(self.failed(e)),
        }
    }
}
