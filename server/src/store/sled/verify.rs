//! Checking a store from end to end.

use std::{
    collections::{BTreeMap, BTreeSet},
    ops::Bound,
};

use coldbrake_engine::{Descent, VehicleClass};
use serde::de::DeserializeOwned;

use super::{
    index::{Index, Row},
    query::slot_of,
    resolve::{decode_sparse, decode_tally, read_counts, read_kept},
};
use crate::store::{
    AuditRecord, StoreError, VehicleRecord,
    keys::{self, Key, Kind, Parsed},
    records::{self, Counts, ProfileRecord},
    tally::{self, Slot, Tally},
};

/// Most findings that are listed.
pub const MAX_FINDINGS: usize = 100;

/// Something that is not as it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// Which record or file.
    pub what: String,
    /// What is wrong.
    pub reason: String,
}

impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.what, self.reason)
    }
}

/// What a check of a whole store came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct VerifyReport {
    /// Records read in the index.
    pub records: u64,
    /// Vehicles with state.
    pub vehicles: u64,
    /// Descents read and counted again.
    pub descents: u64,
    /// Histograms compared with a new count.
    pub histograms: u64,
    /// Records read in the journal.
    pub journal_records: u64,
    /// Whether the journal reaches back to the beginning, so that the index can be built from it.
    pub journal_is_complete: bool,
    /// The first [`MAX_FINDINGS`] of what is wrong; none when the store is sound.
    pub findings: Vec<Finding>,
    /// Findings that are not listed.
    pub more_findings: u64,
}

impl VerifyReport {
    /// Returns whether nothing is wrong.
    pub fn is_sound(&self) -> bool {
        self.findings.is_empty()
    }

    /// Adds a finding.
    pub(super) fn find(&mut self, what: impl std::fmt::Display, reason: impl Into<String>) {
        if self.findings.len() < MAX_FINDINGS {
            self.findings.push(Finding {
                what: what.to_string(),
                reason: reason.into(),
            });
        } else {
            self.more_findings += 1;
        }
    }

    fn find_error(&mut self, error: StoreError) {
        match error {
            StoreError::Damaged { what, reason } => self.find(what, reason),
            other => self.find("index", other.to_string()),
        }
    }
}

/// Reads every record, checks that it says what its key says, that what belongs together is there, and the numbers.
pub(super) fn check_records(index: &Index, report: &mut VerifyReport) {
    let mut seen: BTreeMap<u8, u64> = BTreeMap::new();
    for row in index.rows(&[], Bound::Included(keys::of_kind(Kind::Meta))) {
        report.records += 1;
        match row.and_then(|row| check_row(index, &row).map(|()| row)) {
            Ok(row) => {
                let kind = row.key.as_bytes().first().copied().unwrap_or(0);
                *seen.entry(kind).or_default() += 1;
            }
            Err(error) => report.find_error(error),
        }
    }
    let number = |kind: Kind| seen.get(&(kind as u8)).copied().unwrap_or(0);
    let found = Counts {
        vehicles: number(Kind::State),
        descents: number(Kind::Descent),
        histograms: number(Kind::Histogram),
    };
    report.vehicles = found.vehicles;
    match read_counts(index) {
        Ok(noted) if noted != found => {
            report.find("index", format!("it holds {found:?}, but {noted:?} are noted"));
        }
        Ok(_) => {}
        Err(error) => report.find_error(error),
    }
    for kind in [Kind::DescentOfVehicle, Kind::Profile] {
        if number(kind) != found.descents {
            let (have, want) = (number(kind), found.descents);
            report.find(
                "index",
                format!(
                    "there are {have} records of the kind {}, but {want} descents",
                    kind.name()
                ),
            );
        }
    }
}

fn check_row(index: &Index, row: &Row) -> Result<(), StoreError> {
    let wrong = |reason: &str| StoreError::Damaged {
        what: row.key.to_string(),
        reason: reason.to_owned(),
    };
    let says = |yes: bool| {
        if yes {
            Ok(())
        } else {
            Err(wrong("it does not say what its key says"))
        }
    };
    match row
        .key
        .parse()
        .ok_or_else(|| wrong("it is no key of this store"))?
    {
        Parsed::Meta { .. } | Parsed::State { .. } | Parsed::Shelved { .. } => Ok(()),
        Parsed::Vehicle { vehicle } => says(decode::<VehicleRecord>(row)?.vehicle == vehicle),
        Parsed::Class { class } => says(decode::<VehicleClass>(row)?.vehicle_class == class),
        Parsed::Audit { .. } => decode::<AuditRecord>(row).map(|_| ()),
        Parsed::Histogram { .. } => {
            decode_sparse(&row.key, slot_of(&row.key)?.metric, row.schema, &row.record).map(|_| ())
        }
        Parsed::Descent {
            start_time_ms,
            vehicle,
            descent,
        } => {
            let d: Descent = decode(row)?;
            says((d.start_time_ms, &d.vehicle, &d.descent) == (start_time_ms, &vehicle, &descent))?;
            if !index.contains(&Key::descent_of_vehicle(&vehicle, start_time_ms, &descent))? {
                return Err(wrong("it is not in the listing of its vehicle"));
            }
            let key = Key::profile(&vehicle, &descent);
            let (schema, record) = index.get(&key)?.ok_or_else(|| wrong("its profile is missing"))?;
            let profile: ProfileRecord = records::decode(&key, schema, &record)?;
            if profile.start_time_ms == start_time_ms {
                Ok(())
            } else {
                Err(wrong("its profile belongs to another start"))
            }
        }
        Parsed::DescentOfVehicle {
            vehicle,
            start_time_ms,
            descent,
        } => {
            if index.contains(&Key::descent(start_time_ms, &vehicle, &descent))? {
                Ok(())
            } else {
                Err(wrong("its descent is missing"))
            }
        }
        Parsed::Profile { vehicle, descent } => {
            let ProfileRecord { start_time_ms, .. } = decode(row)?;
            if index.contains(&Key::descent(start_time_ms, &vehicle, &descent))? {
                Ok(())
            } else {
                Err(wrong("its descent is missing"))
            }
        }
    }
}

fn decode<T: DeserializeOwned>(row: &Row) -> Result<T, StoreError> {
    records::decode(&row.key, row.schema, &row.record)
}

/// Counts all descents again, one day at a time, and compares with the stored histograms.
pub(super) fn check_histograms(index: &Index, report: &mut VerifyReport) {
    let complete_from = match read_kept(index) {
        Ok(kept) => kept.descents_from_day,
        Err(error) => {
            report.find_error(error);
            i32::MIN
        }
    };
    let mut today = None;
    let mut values: BTreeMap<Slot, Vec<f64>> = BTreeMap::new();
    let mut counted: BTreeSet<Vec<u8>> = BTreeSet::new();
    let prefix = keys::of_kind(Kind::Descent);
    for row in index.rows(&prefix, Bound::Included(prefix.clone())) {
        // What cannot be read has been reported with the records.
        let Ok(descent) = row.and_then(|row| decode::<Descent>(&row)) else {
            continue;
        };
        let day = tally::day_of(descent.start_time_ms);
        if today.replace(day) != Some(day) {
            compare(
                index,
                std::mem::take(&mut values),
                complete_from,
                &mut counted,
                report,
            );
        }
        report.descents += 1;
        for (slot, value) in tally::increments(&descent) {
            values.entry(slot).or_default().push(value);
        }
    }
    compare(index, values, complete_from, &mut counted, report);
    let prefix = keys::of_kind(Kind::Histogram);
    for row in index.rows(&prefix, Bound::Included(prefix.clone())) {
        let Ok(row) = row else { continue };
        report.histograms += 1;
        let is_complete = slot_of(&row.key).is_ok_and(|slot| slot.day >= complete_from);
        if is_complete && !counted.contains(row.key.as_bytes()) {
            report.find(&row.key, "no descent is counted in it");
        }
    }
}

fn compare(
    index: &Index,
    values: BTreeMap<Slot, Vec<f64>>,
    complete_from: i32,
    counted: &mut BTreeSet<Vec<u8>>,
    report: &mut VerifyReport,
) {
    for (slot, values) in values {
        let key = slot.key();
        let mut anew = Tally::new(slot.metric);
        for value in values {
            anew.record(value);
        }
        match index.get(&key) {
            Ok(Some((schema, record))) => match decode_tally(&key, slot.metric, schema, &record) {
                Ok(stored) if stored.to_record() == anew.to_record() => {}
                // Descents of that day may have gone.
                Ok(stored) if slot.day < complete_from && stored.count() >= anew.count() => {}
                Ok(stored) => {
                    let (have, want) = (stored.count(), anew.count());
                    report.find(
                        &key,
                        format!("it counts {have} values, the descents give {want} or other ones"),
                    );
                }
                Err(error) => report.find_error(error),
            },
            Ok(None) => report.find(&key, "it is missing"),
            Err(error) => report.find_error(error),
        }
        counted.insert(key.as_bytes().to_vec());
    }
}
