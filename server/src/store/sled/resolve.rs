//! From a batch to absolute changes of keys: what is counted is added up here, before the journal is written, so that
//! replaying a record of the journal twice changes nothing.

use std::collections::BTreeMap;

use coldbrake_engine::{Descent, Metric};

use super::index::Index;
use crate::store::{
    CommitBatch, FinishedDescent, Kept, Relabel, Removal, Removed, StoreError,
    envelope::seal,
    journal::frame::Change,
    keys::Key,
    records::{self, Counts, ProfileRecord, SCHEMA},
    relabel::last_of_each,
    tally::{self, Moves, Slot, SparseTally, Tally},
};

/// Name of the record with the numbers of records.
pub(super) const COUNTS: &str = "counts";
/// Name of the record of what is kept.
const KEPT: &str = "kept";

/// Changes gathered so far, and what the index will hold after them.
struct Draft<'a> {
    index: &'a Index,
    changes: BTreeMap<Vec<u8>, Option<Vec<u8>>>,
    counts: Counts,
    kept: Kept,
    /// What comes to a histogram and leaves it. Histograms themselves are read one at a time: a change of many labels
    /// touches thousands.
    moves: BTreeMap<Slot, Moves>,
}

/// Returns the changes that a batch means, given what the index holds.
pub(super) fn resolve(index: &Index, batch: &CommitBatch, lsn: u64) -> Result<Vec<Change>, StoreError> {
    let counts = read_counts(index)?;
    let mut draft = Draft {
        index,
        changes: BTreeMap::new(),
        counts,
        kept: read_kept(index)?,
        moves: BTreeMap::new(),
    };
    if let Some(kept) = batch.kept {
        let key = Key::meta(KEPT);
        draft.put(&key, &records::encode(&key, &kept)?)?;
        draft.kept = kept;
    }
    for removal in &batch.removals {
        draft.take_away(removal)?;
    }
    for (vehicle, state) in &batch.states {
        if draft.put(&Key::state(vehicle), state)? {
            draft.counts.vehicles += 1;
        }
    }
    for record in &batch.vehicles {
        let key = Key::vehicle(&record.vehicle);
        draft.put(&key, &records::encode(&key, record)?)?;
    }
    for class in &batch.classes {
        let key = Key::class(&class.vehicle_class);
        draft.put(&key, &records::encode(&key, class)?)?;
    }
    for finished in &batch.descents {
        draft.add_descent(finished)?;
    }
    for relabel in last_of_each(&batch.relabels) {
        draft.relabel(relabel)?;
    }
    for (entry, number) in batch.audit.iter().zip(0..) {
        let key = Key::audit(lsn, number);
        draft.put(&key, &records::encode(&key, entry)?)?;
    }
    for change in &batch.shelved {
        let key = Key::shelved(change.shelf, &change.name);
        match &change.bytes {
            Some(bytes) => draft.put(&key, bytes).map(|_| ())?,
            None => draft.remove(&key)?,
        }
    }
    for (slot, moves) in std::mem::take(&mut draft.moves) {
        draft.count(&slot, &moves)?;
    }
    if draft.counts != counts {
        let key = Key::meta(COUNTS);
        draft.put(&key, &records::encode(&key, &draft.counts)?)?;
    }
    Ok(draft.changes.into_iter().collect())
}

/// Returns what the index keeps.
pub(super) fn read_kept(index: &Index) -> Result<Kept, StoreError> {
    let key = Key::meta(KEPT);
    index.get(&key)?.map_or(Ok(Kept::default()), |(schema, record)| {
        records::decode(&key, schema, &record)
    })
}

/// Returns the numbers of records that the index says it holds.
pub(super) fn read_counts(index: &Index) -> Result<Counts, StoreError> {
    let key = Key::meta(COUNTS);
    index
        .get(&key)?
        .map_or(Ok(Counts::default()), |(schema, record)| {
            records::decode(&key, schema, &record)
        })
}

impl Draft<'_> {
    /// Puts a record and removes what an older, longer one would leave behind. Returns whether the key is new.
    fn put(&mut self, key: &Key, record: &[u8]) -> Result<bool, StoreError> {
        let is_drafted = matches!(self.changes.get(&key.piece(0)), Some(Some(_)));
        let before = self.index.pieces(key)?;
        let sealed = seal(key, SCHEMA, record)?;
        for number in sealed.len() as u8..before {
            self.changes.insert(key.piece(number), None);
        }
        if is_drafted {
            // The batch has put this record already, maybe in more pieces than now.
            let drafted: Vec<_> = self
                .changes
                .range(key.piece(sealed.len() as u8)..key.after())
                .map(|(stored_key, _)| stored_key.clone())
                .collect();
            for stored_key in drafted {
                self.changes.insert(stored_key, None);
            }
        }
        self.changes.extend(
            sealed
                .into_iter()
                .map(|(stored_key, value)| (stored_key, Some(value))),
        );
        Ok(before == 0 && !is_drafted)
    }

    /// Takes a record away.
    fn remove(&mut self, key: &Key) -> Result<(), StoreError> {
        let drafted = self.changes.range(key.piece(0)..key.after());
        let mut pieces: Vec<_> = drafted.map(|(stored_key, _)| stored_key.clone()).collect();
        pieces.extend((0..self.index.pieces(key)?).map(|number| key.piece(number)));
        self.changes
            .extend(pieces.into_iter().map(|stored_key| (stored_key, None)));
        Ok(())
    }

    /// Takes a descent away, or only its profile.
    fn take_away(&mut self, removal: &Removal) -> Result<(), StoreError> {
        let Removal {
            vehicle,
            descent,
            what,
        } = removal;
        let key = Key::profile(vehicle, descent);
        let is_drafted = self.changes.contains_key(&key.piece(0));
        let Some((schema, record)) = self.index.get(&key)?.filter(|_| !is_drafted) else {
            return Ok(());
        };
        let ProfileRecord { start_time_ms, .. } = records::decode(&key, schema, &record)?;
        match what {
            Removed::Profile => {
                let profile = Vec::new();
                let bare = ProfileRecord {
                    start_time_ms,
                    profile,
                };
                self.put(&key, &records::encode(&key, &bare)?)?;
            }
            Removed::Descent => {
                self.remove(&key)?;
                self.remove(&Key::descent(start_time_ms, vehicle, descent))?;
                self.remove(&Key::descent_of_vehicle(vehicle, start_time_ms, descent))?;
                self.counts.descents = self.counts.descents.saturating_sub(1);
            }
        }
        Ok(())
    }

    fn add_descent(&mut self, finished: &FinishedDescent) -> Result<(), StoreError> {
        let d = &finished.descent;
        let profile_key = Key::profile(&d.vehicle, &d.descent);
        if self.changes.contains_key(&profile_key.piece(0)) || self.index.contains(&profile_key)? {
            return Ok(());
        }
        let profile = ProfileRecord {
            start_time_ms: d.start_time_ms,
            profile: if tally::day_of(d.start_time_ms) < self.kept.profiles_from_day {
                Vec::new()
            } else {
                finished.profile.clone()
            },
        };
        self.put(&profile_key, &records::encode(&profile_key, &profile)?)?;
        let key = Key::descent(d.start_time_ms, &d.vehicle, &d.descent);
        self.put(&key, &records::encode(&key, d)?)?;
        self.put(
            &Key::descent_of_vehicle(&d.vehicle, d.start_time_ms, &d.descent),
            &[],
        )?;
        self.counts.descents += 1;
        for (slot, value) in tally::increments(d) {
            self.moves.entry(slot).or_default().added.push(value);
        }
        Ok(())
    }

    /// Gives a descent that is stored another grade.
    fn relabel(&mut self, relabel: &Relabel) -> Result<(), StoreError> {
        let profile_key = Key::profile(&relabel.vehicle, &relabel.descent);
        let is_drafted = self.changes.contains_key(&profile_key.piece(0));
        let Some((schema, record)) = self.index.get(&profile_key)?.filter(|_| !is_drafted) else {
            return Ok(());
        };
        let ProfileRecord { start_time_ms, .. } = records::decode(&profile_key, schema, &record)?;
        let key = Key::descent(start_time_ms, &relabel.vehicle, &relabel.descent);
        let (schema, record) = self.index.get(&key)?.ok_or_else(|| StoreError::Damaged {
            what: key.to_string(),
            reason: "it is missing, its profile is there".to_owned(),
        })?;
        let before: Descent = records::decode(&key, schema, &record)?;
        let now = relabel.of(&before);
        self.put(&key, &records::encode(&key, &now)?)?;
        if now.grade != before.grade {
            for (slot, value) in tally::increments(&now) {
                self.moves.entry(slot).or_default().added.push(value);
            }
            for (slot, value) in tally::increments(&before) {
                self.moves.entry(slot).or_default().taken.push(value);
            }
        }
        Ok(())
    }

    /// Writes a histogram as it is after the moves; one that counts nothing any more goes away.
    fn count(&mut self, slot: &Slot, moves: &Moves) -> Result<(), StoreError> {
        let key = slot.key();
        let mut tally = read_tally(self.index, slot)?;
        moves.apply(&mut tally).map_err(|reason| StoreError::Damaged {
            what: key.to_string(),
            reason,
        })?;
        if tally.count() > 0 {
            if self.put(&key, &tally.to_record())? {
                self.counts.histograms += 1;
            }
        } else if self.index.contains(&key)? {
            self.remove(&key)?;
            self.counts.histograms = self.counts.histograms.saturating_sub(1);
        }
        Ok(())
    }
}

fn read_tally(index: &Index, slot: &Slot) -> Result<Tally, StoreError> {
    let key = slot.key();
    match index.get(&key)? {
        None => Ok(Tally::new(slot.metric)),
        Some((schema, record)) => decode_tally(&key, slot.metric, schema, &record),
    }
}

/// Reads the record of a histogram.
pub(super) fn decode_tally(
    key: &Key,
    metric: Metric,
    schema: u8,
    record: &[u8],
) -> Result<Tally, StoreError> {
    decode_histogram(key, schema, || Tally::from_record(metric, record))
}

/// Reads the record of a histogram to add it to others.
pub(super) fn decode_sparse(
    key: &Key,
    metric: Metric,
    schema: u8,
    record: &[u8],
) -> Result<SparseTally, StoreError> {
    decode_histogram(key, schema, || SparseTally::from_record(metric, record))
}

fn decode_histogram<T>(
    key: &Key,
    schema: u8,
    read: impl FnOnce() -> Result<T, String>,
) -> Result<T, StoreError> {
    let damaged = |reason: String| StoreError::Damaged {
        what: key.to_string(),
        reason,
    };
    if schema != SCHEMA {
        return Err(damaged(format!(
            "it has schema {schema}, this program reads {SCHEMA}"
        )));
    }
    read().map_err(damaged)
}
