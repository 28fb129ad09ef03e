//! The embedded database as an ordered map of checked records. It knows nothing of what the records mean.

use std::{ops::Bound, path::PathBuf};

use crate::fault::{self, Point};
use crate::store::{
    StoreError, envelope,
    journal::frame::Change,
    keys::{Key, end_of},
    records::SCHEMA,
};

/// Most keys written in one batch: the database keeps all garbage of a batch in memory until its end.
const MAX_BATCH: usize = 500;

/// Name of the record with the number of the last commit that has been applied.
pub(super) const APPLIED: &str = "applied";

/// The index.
#[derive(Clone, Debug)]
pub(super) struct Index {
    db: ::sled::Db,
    dir: PathBuf,
}

/// A record with its key.
#[derive(Debug)]
pub(super) struct Row {
    pub(super) key: Key,
    pub(super) schema: u8,
    pub(super) record: Vec<u8>,
}

impl Index {
    pub(super) fn new(db: ::sled::Db, dir: PathBuf) -> Self {
        Self { db, dir }
    }

    /// Returns the directory of the database.
    pub(super) fn dir(&self) -> &std::path::Path {
        &self.dir
    }

    /// Says where an error of the database came from.
    fn failed(&self, action: &'static str, error: ::sled::Error) -> StoreError {
        failed(action, &self.dir, error)
    }

    /// Returns a value that stands without an envelope.
    pub(super) fn raw(&self, stored_key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        let found = self.db.get(stored_key).map_err(|e| self.failed("read", e))?;
        Ok(found.map(|value| value.to_vec()))
    }

    /// Returns in how many pieces a record is stored, 0 without one.
    pub(super) fn pieces(&self, key: &Key) -> Result<u8, StoreError> {
        let stored_key = key.piece(0);
        match self.db.get(&stored_key).map_err(|e| self.failed("read", e))? {
            None => Ok(0),
            Some(value) => match envelope::open(&stored_key, &value) {
                Ok(piece) => Ok(piece.pieces),
                Err(reason) => Err(damaged(&stored_key, reason)),
            },
        }
    }

    /// Returns whether there is a record.
    pub(super) fn contains(&self, key: &Key) -> Result<bool, StoreError> {
        self.db
            .contains_key(key.piece(0))
            .map_err(|e| self.failed("read", e))
    }

    /// Returns a record and its schema version.
    pub(super) fn get(&self, key: &Key) -> Result<Option<(u8, Vec<u8>)>, StoreError> {
        let mut pieces = 1;
        let mut schema = 0;
        let mut payloads = Vec::new();
        let mut number = 0;
        while number < pieces {
            let stored_key = key.piece(number);
            let Some(value) = self.db.get(&stored_key).map_err(|e| self.failed("read", e))? else {
                if number == 0 {
                    return Ok(None);
                }
                return Err(damaged(&stored_key, "a piece of it is missing"));
            };
            let piece = envelope::open(&stored_key, &value).map_err(|reason| damaged(&stored_key, reason))?;
            (schema, pieces) = (piece.schema, piece.pieces);
            payloads.extend_from_slice(piece.payload);
            number += 1;
        }
        let record = envelope::join(payloads, pieces).map_err(|reason| damaged(&key.piece(0), reason))?;
        Ok(Some((schema, record)))
    }

    /// Walks along the records whose keys begin with `prefix`, from `start` on.
    pub(super) fn rows(&self, prefix: &[u8], start: Bound<Vec<u8>>) -> Rows {
        let end = end_of(prefix).map_or(Bound::Unbounded, Bound::Excluded);
        // An empty range is asked for as one: the database panics on a range that ends before it begins.
        let empty = match (&start, &end) {
            (Bound::Included(s) | Bound::Excluded(s), Bound::Excluded(e)) => s >= e,
            _ => false,
        };
        let inner = (!empty).then(|| self.db.range((start, end)));
        Rows {
            inner,
            pushed_back: None,
            index: self.clone(),
        }
    }

    /// Returns the number of the last commit that has been applied.
    pub(super) fn applied(&self) -> Result<u64, StoreError> {
        let key = Key::meta(APPLIED);
        let Some((_, record)) = self.get(&key)? else {
            return Ok(0);
        };
        let number = record
            .first_chunk::<8>()
            .ok_or_else(|| damaged(&key.piece(0), "it is too short"))?;
        Ok(u64::from_be_bytes(*number))
    }

    /// Applies a commit. Its number is noted with the last of its changes: an interrupted commit is applied again.
    pub(super) fn apply(&self, changes: &[Change], lsn: u64) -> Result<(), StoreError> {
        let mut note = Vec::new();
        for (stored_key, value) in envelope::seal(&Key::meta(APPLIED), SCHEMA, &lsn.to_be_bytes())? {
            note.push((stored_key, Some(value)));
        }
        if changes.is_empty() {
            return self.apply_batch(&[], &note);
        }
        let mut chunks = changes.chunks(MAX_BATCH - 1).peekable();
        while let Some(chunk) = chunks.next() {
            fault::reach(Point::IndexApplying);
            self.apply_batch(chunk, if chunks.peek().is_none() { &note } else { &[] })?;
        }
        Ok(())
    }

    /// Puts a value without an envelope.
    pub(super) fn put_raw(&self, stored_key: &[u8], value: &[u8]) -> Result<(), StoreError> {
        self.db
            .insert(stored_key, value)
            .map(|_| ())
            .map_err(|e| self.failed("write", e))
    }

    fn apply_batch(&self, changes: &[Change], more: &[Change]) -> Result<(), StoreError> {
        let mut batch = ::sled::Batch::default();
        for (key, value) in changes.iter().chain(more) {
            match value {
                Some(value) => batch.insert(key.as_slice(), value.as_slice()),
                None => batch.remove(key.as_slice()),
            }
        }
        self.db.apply_batch(batch).map_err(|e| self.failed("write", e))
    }

    /// Hands everything to the operating system. That is not yet durable: the caller syncs the file.
    pub(super) fn flush(&self) -> Result<(), StoreError> {
        self.db.flush().map(|_| ()).map_err(|e| self.failed("flush", e))
    }
}

/// Puts an error of the database into the words of the store.
pub(super) fn failed(action: &'static str, dir: &std::path::Path, error: ::sled::Error) -> StoreError {
    match error {
        ::sled::Error::Io(source) => StoreError::Io {
            action,
            path: dir.to_owned(),
            source,
        },
        ::sled::Error::Corruption { at, .. } => StoreError::Damaged {
            what: format!("index {}", dir.display()),
            reason: at.map_or_else(|| "corruption".to_owned(), |at| format!("corruption at {at}")),
        },
        other => StoreError::Damaged {
            what: format!("index {}", dir.display()),
            reason: other.to_string(),
        },
    }
}

/// Returns the error of a stored value that is not what was written.
pub(super) fn damaged(stored_key: &[u8], reason: &str) -> StoreError {
    let what =
        Key::from_stored(stored_key).map_or_else(|| "empty key".to_owned(), |(key, _)| key.to_string());
    StoreError::Damaged {
        what,
        reason: reason.to_owned(),
    }
}

/// Records in the order of their keys. Behind a damaged record it goes on with the next one; behind an error of the
/// database there is no next one.
pub(super) struct Rows {
    inner: Option<::sled::Iter>,
    pushed_back: Option<(::sled::IVec, ::sled::IVec)>,
    index: Index,
}

impl Rows {
    fn next_stored(&mut self) -> Result<Option<(::sled::IVec, ::sled::IVec)>, StoreError> {
        if let Some(stored) = self.pushed_back.take() {
            return Ok(Some(stored));
        }
        match self.inner.as_mut().and_then(Iterator::next) {
            None => Ok(None),
            Some(Ok(stored)) => Ok(Some(stored)),
            Some(Err(e)) => {
                self.inner = None;
                Err(self.index.failed("read", e))
            }
        }
    }

    fn next_row(&mut self) -> Result<Option<Row>, StoreError> {
        let Some((stored_key, value)) = self.next_stored()? else {
            return Ok(None);
        };
        let Some((key, 0)) = Key::from_stored(&stored_key) else {
            return Err(damaged(&stored_key, "its first piece is missing"));
        };
        let piece = envelope::open(&stored_key, &value).map_err(|reason| damaged(&stored_key, reason))?;
        let (schema, pieces, mut payloads) = (piece.schema, piece.pieces, piece.payload.to_vec());
        for number in 1..pieces {
            let wanted = key.piece(number);
            match self.next_stored()? {
                Some((stored_key, value)) if *stored_key == *wanted => {
                    let piece =
                        envelope::open(&stored_key, &value).map_err(|reason| damaged(&stored_key, reason))?;
                    payloads.extend_from_slice(piece.payload);
                }
                other => {
                    self.pushed_back = other;
                    return Err(damaged(&wanted, "a piece of it is missing"));
                }
            }
        }
        let record = envelope::join(payloads, pieces).map_err(|reason| damaged(&stored_key, reason))?;
        Ok(Some(Row { key, schema, record }))
    }
}

impl Iterator for Rows {
    type Item = Result<Row, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        self.next_row().transpose()
    }
}
