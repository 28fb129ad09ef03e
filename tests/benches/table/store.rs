//! Bytes of what a store keeps.

use std::{collections::BTreeMap, fs, path::Path};

use coldbrake_engine::{Metric, VehicleState};
use coldbrake_server::store::{
    envelope,
    keys::Key,
    records::{self, ProfileRecord, SCHEMA},
    tally::{self, Slot, Tally},
};
use fastrand::Rng;
use serde::Serialize;

use super::{
    row::{Aim, Row},
    stock::{self, Pattern, Stock, VERSIONS},
};

/// Values of a sparse histogram: descents of a class on one grade in a day.
const FEW: u32 = 10;
/// Descents that a mean is taken over.
const SOME: u32 = 200;

pub(crate) fn rows(stock: &Stock) -> Vec<Row> {
    let (vehicles, descents) = (stock.vehicles, stock.held.descents);
    let on_disk = size(stock.path());
    let mut rows = records_in_it();
    rows.push(Row {
        what: format!(
            "all files of a store with {vehicles} vehicles, {descents} descents and {} histograms, for each descent",
            stock.held.histograms
        ),
        unit: "bytes",
        ours: on_disk as f64 / descents as f64,
        beside: None,
        aim: Aim::None,
    });
    rows
}

/// What single records take in the index: keys, envelopes and content.
fn records_in_it() -> Vec<Row> {
    let pattern = Pattern::load();
    let mut rng = Rng::with_seed(23);
    let (mut descent, mut profile) = (0, 0);
    let mut tallies: BTreeMap<Slot, Tally> = BTreeMap::new();
    for k in 0..SOME {
        // Of one software version, so that one histogram counts them.
        let finished = pattern.driven(VERSIONS * k, 3, 7, &mut rng);
        let d = &finished.descent;
        descent += stored(&Key::descent(d.start_time_ms, &d.vehicle, &d.descent), d);
        let entry = Key::descent_of_vehicle(&d.vehicle, d.start_time_ms, &d.descent);
        descent += sealed(&entry, &[]);
        let record = ProfileRecord {
            start_time_ms: d.start_time_ms,
            profile: finished.profile.clone(),
        };
        profile += stored(&Key::profile(&d.vehicle, &d.descent), &record);
        if k < FEW {
            for (slot, value) in tally::increments(d) {
                tallies
                    .entry(slot)
                    .or_insert_with_key(|slot| Tally::new(slot.metric))
                    .record(value);
            }
        }
    }
    let (state, record) = (pattern.state(1), pattern.record(1));
    assert_eq!(
        VehicleState::from_bytes(&state).unwrap().vehicle(),
        stock::vehicle(1)
    );
    let vehicle =
        sealed(&Key::state(&record.vehicle), &state) + stored(&Key::vehicle(&record.vehicle), &record);
    let sizes: Vec<usize> = tallies
        .iter()
        .map(|(slot, tally)| {
            assert_eq!(tally.count(), u64::from(FEW));
            sealed(&slot.key(), &tally.to_record())
        })
        .collect();
    let row = |what: String, ours: f64, aim| Row {
        what,
        unit: "bytes",
        ours,
        beside: None,
        aim,
    };
    vec![
        row(
            "a descent in the store, with its entry in the list of its vehicle".to_owned(),
            descent as f64 / f64::from(SOME),
            Aim::AtMost(1_024.0),
        ),
        row(
            "the profile of a descent of 6 km".to_owned(),
            profile as f64 / f64::from(SOME),
            Aim::None,
        ),
        row(
            "state of a vehicle in a descent, with its record for lists".to_owned(),
            vehicle as f64,
            Aim::None,
        ),
        row(
            format!(
                "a histogram of {FEW} values, the largest of {} metrics",
                Metric::ALL.len()
            ),
            sizes.iter().copied().max().unwrap_or(0) as f64,
            Aim::AtMost(200.0),
        ),
        row(
            "the same, their mean".to_owned(),
            sizes.iter().sum::<usize>() as f64 / sizes.len() as f64,
            Aim::None,
        ),
    ]
}

fn stored(key: &Key, record: &impl Serialize) -> usize {
    sealed(key, &records::encode(key, record).unwrap())
}

fn sealed(key: &Key, record: &[u8]) -> usize {
    let pieces = envelope::seal(key, SCHEMA, record).unwrap();
    pieces.iter().map(|(key, value)| key.len() + value.len()).sum()
}

/// Returns the bytes of all files in a directory and below.
fn size(directory: &Path) -> u64 {
    fs::read_dir(directory)
        .unwrap()
        .flatten()
        .map(|entry| match entry.metadata().unwrap() {
            data if data.is_dir() => size(&entry.path()),
            data => data.len(),
        })
        .sum()
}
