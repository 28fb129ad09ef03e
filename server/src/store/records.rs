//! Records as bytes, and what a batch must fulfil before anything of it is written.

use coldbrake_engine::ProfilePoint;
use serde::{Deserialize, Serialize, de::DeserializeOwned};

use super::{CommitBatch, StoreError, envelope::MAX_RECORD, keys::Key, tally};

/// Schema version of records of every kind.
pub const SCHEMA: u8 = 1;

/// Profile of a descent, and where the descent itself stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProfileRecord {
    /// Start of the descent: the missing part of its key.
    pub start_time_ms: i64,
    /// Profile.
    pub profile: Vec<ProfilePoint>,
}

/// Numbers of records, kept so that nobody has to count.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Vehicles with state.
    pub vehicles: u64,
    /// Descents.
    pub descents: u64,
    /// Histograms.
    pub histograms: u64,
}

/// Returns a record as bytes.
pub fn encode<T: Serialize>(key: &Key, record: &T) -> Result<Vec<u8>, StoreError> {
    postcard::to_stdvec(record).map_err(|e| StoreError::Damaged {
        what: key.to_string(),
        reason: format!("it cannot be written: {e}"),
    })
}

/// Reads a record. Bytes left over are an error too.
pub fn decode<T: DeserializeOwned>(key: &Key, schema: u8, bytes: &[u8]) -> Result<T, StoreError> {
    let damaged = |reason: String| StoreError::Damaged {
        what: key.to_string(),
        reason,
    };
    if schema != SCHEMA {
        return Err(damaged(format!(
            "it has schema {schema}, this program reads {SCHEMA}"
        )));
    }
    match postcard::take_from_bytes(bytes) {
        Ok((record, [])) => Ok(record),
        Ok((_, rest)) => Err(damaged(format!("{} bytes are left over", rest.len()))),
        Err(e) => Err(damaged(e.to_string())),
    }
}

/// Returns the bytes of a record whose meaning the store does not know, if its schema version is the present one.
pub fn current(key: &Key, schema: u8, bytes: Vec<u8>) -> Result<Vec<u8>, StoreError> {
    if schema == SCHEMA {
        return Ok(bytes);
    }
    Err(StoreError::Damaged {
        what: key.to_string(),
        reason: format!("it has schema {schema}, this program reads {SCHEMA}"),
    })
}

/// Checks a batch: texts that go into keys, and sizes. Every store does this first, so that all refuse the same.
pub fn check(batch: &CommitBatch) -> Result<(), StoreError> {
    use super::keys::check_text;
    for (vehicle, state) in &batch.states {
        check_text("vehicle", vehicle)?;
        check_size(&Key::state(vehicle), state.len())?;
    }
    for record in &batch.vehicles {
        check_text("vehicle", &record.vehicle)?;
        let key = Key::vehicle(&record.vehicle);
        check_size(&key, encode(&key, record)?.len())?;
    }
    for class in &batch.classes {
        check_text("class", &class.vehicle_class)?;
        let key = Key::class(&class.vehicle_class);
        check_size(&key, encode(&key, class)?.len())?;
    }
    for finished in &batch.descents {
        let d = &finished.descent;
        check_text("vehicle", &d.vehicle)?;
        check_text("descent", &d.descent)?;
        tally::check(d)?;
        let key = Key::profile(&d.vehicle, &d.descent);
        check_size(&key, encode(&key, &finished.profile)?.len() + 16)?;
    }
    for (entry, index) in batch.audit.iter().zip(0..) {
        let key = Key::audit(0, index);
        check_size(&key, encode(&key, entry)?.len())?;
    }
    for removal in &batch.removals {
        check_text("vehicle", &removal.vehicle)?;
        check_text("descent", &removal.descent)?;
    }
    for relabel in &batch.relabels {
        check_text("vehicle", &relabel.vehicle)?;
        check_text("descent", &relabel.descent)?;
        if let Some(grade) = &relabel.grade {
            check_text("grade", grade)?;
        }
    }
    for change in &batch.shelved {
        check_text(change.shelf.name(), &change.name)?;
        if let Some(bytes) = &change.bytes {
            check_size(&Key::shelved(change.shelf, &change.name), bytes.len())?;
        }
    }
    Ok(())
}

fn check_size(key: &Key, bytes: usize) -> Result<(), StoreError> {
    if bytes > MAX_RECORD {
        return Err(StoreError::TooLarge {
            what: key.to_string(),
            bytes,
            limit: MAX_RECORD,
        });
    }
    Ok(())
}
