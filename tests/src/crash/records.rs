//! Everything that a store holds, as bytes.

use std::collections::BTreeMap;

use coldbrake_server::store::{
    backup::file,
    keys::{Key, Kind},
};

use super::home::Home;

/// What is compared. The rest is told apart by when it was written (audit log, number of commits).
pub const COMPARED: [Kind; 7] = [
    Kind::State,
    Kind::Vehicle,
    Kind::Class,
    Kind::Descent,
    Kind::DescentOfVehicle,
    Kind::Profile,
    Kind::Histogram,
];

/// Most differences that are told one by one.
const MOST_TOLD: usize = 5;

/// The records of a store.
#[derive(Debug)]
pub struct Records {
    /// Schema version and bytes by key.
    pub records: BTreeMap<Key, (u8, Vec<u8>)>,
    /// Number of descents that the store says it has.
    pub descents: u64,
    /// Number of histograms that the store says it has.
    pub histograms: u64,
}

/// Reads the records of a store that is not served, by way of a backup.
pub fn read(home: &Home) -> Records {
    let path = home.backup();
    let mut reader = file::open(&path).unwrap();
    let counts = reader.head().counts;
    let mut records = BTreeMap::new();
    while let Some(record) = reader.next_record().unwrap() {
        let kind = record.key.as_bytes().first().copied();
        if COMPARED.iter().any(|of| Some(*of as u8) == kind) {
            records.insert(record.key, (record.schema, record.bytes));
        }
    }
    std::fs::remove_file(path).unwrap();
    Records {
        records,
        descents: counts.descents,
        histograms: counts.histograms,
    }
}

/// Returns what is not the same.
pub fn differences(expected: &Records, found: &Records) -> Vec<String> {
    let mut told = Vec::new();
    let mut number = 0;
    let mut tell = |text: String| {
        number += 1;
        if number <= MOST_TOLD {
            told.push(text);
        }
    };
    for (key, record) in &expected.records {
        match found.records.get(key) {
            None => tell(format!("{key} is missing")),
            Some(other) if other != record => {
                let (have, want) = (other.1.len(), record.1.len());
                tell(format!("{key} is another: {have} bytes instead of {want}"));
            }
            Some(_) => {}
        }
    }
    for key in found
        .records
        .keys()
        .filter(|key| !expected.records.contains_key(key))
    {
        tell(format!("{key} is too much"));
    }
    let counts = |of: &Records| (of.descents, of.histograms);
    if counts(found) != counts(expected) {
        let (have, want) = (counts(found), counts(expected));
        tell(format!(
            "the store counts {have:?} descents and histograms instead of {want:?}"
        ));
    }
    if number > MOST_TOLD {
        told.push(format!("{} more records differ", number - MOST_TOLD));
    }
    told
}
