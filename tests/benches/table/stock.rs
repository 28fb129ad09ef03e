//! A store with a fleet in it, filled once for all rows that need one: descents that differ as those of real drives do, on
//! known grades, with the states, histograms and memory of alarms that belong to them.

use std::{
    ops::Range,
    path::Path,
    time::{Duration, Instant},
};

use coldbrake_engine::{
    FinishedDescent, Policy, VehicleClass, VehicleState,
    alarm::{
        Watch,
        watch::{Change, Sort},
    },
};
use coldbrake_server::store::{
    CommitBatch, Shelf, ShelfChange, SledOptions, SledStore, Store, StoreStats, VehicleRecord,
};
use coldbrake_tests::{case::Case, disturb::normal, log};
use fastrand::Rng;
use tempfile::TempDir;

/// Descents of a vehicle, one a day.
pub(crate) const DESCENTS: u32 = 10;
/// Known grades that they are on.
pub(crate) const GRADES: u32 = 40;
/// Software versions in the fleet.
pub(crate) const VERSIONS: u32 = 3;
/// Vehicles of a commit.
const TOGETHER: u32 = 25;
const DAY_MS: i64 = 86_400_000;
/// Name of the vehicle in the states that all others are made from: as long as theirs.
const MODEL: &str = "bench-model0";

/// A filled store, closed in order.
#[derive(Debug)]
pub(crate) struct Stock {
    directory: TempDir,
    pub(crate) vehicles: u32,
    /// What it holds.
    pub(crate) held: StoreStats,
}

impl Stock {
    /// Fills a store. It takes some 20 µs a record.
    pub(crate) fn fill(vehicles: u32) -> Self {
        let directory = tempfile::tempdir().unwrap();
        let store = SledStore::open(directory.path(), &SledOptions::default()).unwrap();
        let pattern = Pattern::load();
        let mut watch = Watch::default();
        let mut rng = Rng::with_seed(17);
        store
            .commit(&CommitBatch {
                classes: vec![class()],
                ..CommitBatch::default()
            })
            .unwrap();
        let mut told = Instant::now();
        for first in (0..vehicles).step_by(TOGETHER as usize) {
            let some = first..(first + TOGETHER).min(vehicles);
            store.commit(&pattern.batch(some, &mut watch, &mut rng)).unwrap();
            if told.elapsed() > Duration::from_secs(10) {
                told = Instant::now();
                eprintln!("  filling the store: {first} of {vehicles} vehicles …");
            }
        }
        let held = store.stats().unwrap();
        store.close().unwrap();
        assert_eq!(held.descents, u64::from(vehicles * DESCENTS));
        Self {
            directory,
            vehicles,
            held,
        }
    }

    /// Returns where it is.
    pub(crate) fn path(&self) -> &Path {
        self.directory.path()
    }
}

/// Returns the name of a vehicle.
pub(crate) fn vehicle(number: u32) -> String {
    format!("bench-{number:06}")
}

/// Returns the identifier of a descent, unique for its vehicle, in the form that the engine gives.
fn descent(number: u32) -> String {
    format!("20260310T060115Z-{number}")
}

/// Returns the class of all vehicles.
pub(crate) fn class() -> VehicleClass {
    coldbrake_tests::case::class("van_2500kg")
}

/// What all descents and vehicles are made from.
#[derive(Debug)]
pub(crate) struct Pattern {
    finished: FinishedDescent,
    /// State of a vehicle in the middle of a descent, as bytes.
    state: Vec<u8>,
}

impl Pattern {
    pub(crate) fn load() -> Self {
        let case = Case::load("r02_6km_6pct_30kmh");
        let (class, policy) = (class(), Policy::default());
        let finished = log::run(&case.log, &class, log::opening(), &policy).remove(0);
        let mut state = VehicleState::new(MODEL, log::opening());
        let middle = log::batches(&case.log, case.log.len() / 2).remove(0);
        for batch in log::batches(&middle, 600) {
            assert!(state.apply(&batch, &class, &policy).violations.is_empty());
        }
        Self {
            finished,
            state: state.to_bytes(),
        }
    }

    /// Returns a descent as another vehicle drives it on another day and grade, with values of its own.
    pub(crate) fn driven(
        &self,
        vehicle_number: u32,
        number: u32,
        grade: u32,
        rng: &mut Rng,
    ) -> FinishedDescent {
        let mut finished = self.finished.clone();
        let d = &mut finished.descent;
        d.vehicle = vehicle(vehicle_number);
        d.descent = descent(number);
        d.grade = Some(format!("grade-{grade:03}"));
        d.software_version = format!("{}.0", vehicle_number % VERSIONS);
        let later = i64::from(number) * DAY_MS + i64::from(vehicle_number) * 500;
        d.start_time_ms += later;
        d.end_time_ms += later;
        let mut about = |spread: f64| (1.0 + spread * normal(rng)).max(0.1);
        let (load, recovery, friction) = (about(0.15), about(0.03), about(0.1));
        d.available_j.value *= load;
        d.recovered_j.value *= load * recovery;
        d.drop_m *= about(0.01);
        d.duration_s *= about(0.1);
        d.peak_recovery_w *= load;
        for estimate in [&mut d.recovery_ratio, &mut d.recovery_ratio_wheels]
            .into_iter()
            .flatten()
        {
            estimate.value *= recovery;
        }
        for estimate in [&mut d.friction_j, &mut d.friction_share].into_iter().flatten() {
            estimate.value *= friction;
        }
        for value in [
            &mut d.friction_time_share,
            &mut d.friction_kj_per_t_100m,
            &mut d.brake_temperature_peak_c,
        ]
        .into_iter()
        .flatten()
        {
            *value *= friction;
        }
        d.unexplained_kj_per_t_100m = Some(50.0 * about(0.1));
        finished
    }

    /// Returns the state of a vehicle as bytes.
    pub(crate) fn state(&self, vehicle_number: u32) -> Vec<u8> {
        let name = vehicle(vehicle_number);
        let mut state = self.state.clone();
        let mut at = 0;
        // Names are as long as each other, and nothing else in it depends on them.
        while let Some(found) = find(&state[at..], MODEL.as_bytes()) {
            at += found;
            state[at..at + name.len()].copy_from_slice(name.as_bytes());
        }
        state
    }

    fn batch(&self, vehicles: Range<u32>, watch: &mut Watch, rng: &mut Rng) -> CommitBatch {
        let class = class();
        let mut batch = CommitBatch::default();
        for k in vehicles {
            batch.states.push((vehicle(k), self.state(k)));
            for n in 0..DESCENTS {
                let finished = self.driven(k, n, (k + n) % GRADES, rng);
                watch.observe(&finished.descent, Some(&class), &finished.facts);
                batch.descents.push(finished);
            }
            batch.vehicles.push(self.record(k));
        }
        batch.shelved = watch.changes().into_iter().map(shelved).collect();
        watch.settle();
        batch
    }

    /// Returns the record of a vehicle for listings.
    pub(crate) fn record(&self, vehicle_number: u32) -> VehicleRecord {
        let d = &self.finished.descent;
        VehicleRecord {
            vehicle: vehicle(vehicle_number),
            vehicle_class: d.vehicle_class.clone(),
            software_version: format!("{}.0", vehicle_number % VERSIONS),
            brake_kind: log::opening().brake_kind,
            last_sample_time_ms: Some(d.end_time_ms + i64::from(DESCENTS) * DAY_MS),
            descent_count: u64::from(DESCENTS),
            descending: false,
            refused_batch_count: 0,
            friction_total_j: Some(1e6),
            distance_total_m: 6_000.0,
            brakes: coldbrake_engine::wear::BrakeAccount::default(),
        }
    }
}

fn find(bytes: &[u8], wanted: &[u8]) -> Option<usize> {
    bytes.windows(wanted.len()).position(|window| window == wanted)
}

/// Puts a record of the alarms where the server puts it.
fn shelved(change: Change) -> ShelfChange {
    ShelfChange {
        shelf: match change.sort {
            Sort::Rule => Shelf::AlarmRule,
            Sort::Memory => Shelf::AlarmMemory,
            Sort::Alarm => Shelf::Alarm,
            Sort::Event => Shelf::Outbox,
        },
        name: change.name,
        bytes: change.bytes,
    }
}
