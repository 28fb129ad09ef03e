//! A store with a fleet in it: how large, how fast opened, how fast asked.

use std::{fs, io::Read, path::Path, time::Instant};

use coldbrake_engine::{FinishedDescent, Metric, Policy};
use coldbrake_server::store::{
    CommitBatch, DescentFilter, HistogramQuery, SledOptions, SledStore, Store, VehicleRecord,
};
use coldbrake_tests::{case::Case, log};

use super::row::{Aim, Row, median};

/// Descents of a vehicle.
const DESCENTS: u32 = 10;
/// Vehicles of a commit.
const TOGETHER: u32 = 25;

pub(crate) fn rows(vehicles: u32) -> Vec<Row> {
    let directory = tempfile::tempdir().unwrap();
    let store = SledStore::open(directory.path(), &SledOptions::default()).unwrap();
    let typical = log::run(
        &Case::load("r02_6km_6pct_30kmh").log,
        &coldbrake_tests::case::class("van_2500kg"),
        log::opening(),
        &Policy::default(),
    )
    .remove(0);
    let before = store.stats().unwrap();
    for first in (0..vehicles).step_by(TOGETHER as usize) {
        store
            .commit(&batch(first..(first + TOGETHER).min(vehicles), &typical))
            .unwrap();
    }
    let held = store.stats().unwrap();
    let descents = held.descents - before.descents;
    store.close().unwrap();

    let (mut opened, mut read) = (Vec::new(), Vec::new());
    for _ in 0..3 {
        let begin = Instant::now();
        let store = SledStore::open(directory.path(), &SledOptions::default()).unwrap();
        // A server that starts reads all records of vehicles.
        let mut cursor = None;
        loop {
            let page = store.vehicles(cursor.as_deref(), 1_000).unwrap();
            cursor = page.next;
            if cursor.is_none() {
                break;
            }
        }
        opened.push(begin.elapsed().as_secs_f64());
        store.close().unwrap();
        let begin = Instant::now();
        read_all(directory.path());
        read.push(begin.elapsed().as_secs_f64());
    }
    let store = SledStore::open(directory.path(), &SledOptions::default()).unwrap();
    let mut rows = vec![
        Row {
            what: format!(
                "store with {vehicles} vehicles and {descents} descents, a descent with all that belongs to it"
            ),
            unit: "bytes",
            ours: held.size_bytes as f64 / descents as f64,
            beside: None,
            aim: Aim::None,
        },
        Row {
            what: "opening it, not read before or just closed".to_owned(),
            unit: "s",
            ours: median(&mut opened),
            beside: Some(("reading its files", median(&mut read))),
            aim: Aim::AtMost(3.0),
        },
    ];
    rows.extend(queries(&store, vehicles));
    rows
}

fn queries(store: &SledStore, vehicles: u32) -> Vec<Row> {
    let list = |k: u32| {
        let filter = DescentFilter {
            vehicle: Some(format!("bench-{k:06}")),
            ..DescentFilter::default()
        };
        assert_eq!(
            store.descents(&filter, None, 50).unwrap().rows.len(),
            DESCENTS as usize
        );
    };
    let show = |k: u32| {
        let id = format!("d-{k:06}-3");
        assert!(store.descent(&format!("bench-{k:06}"), &id).unwrap().is_some());
    };
    let merged = |_: u32| {
        let query = HistogramQuery {
            metric: Metric::RecoveryRatio,
            vehicle_class: None,
            software_version: None,
            grade: None,
            first_day: None,
            last_day: None,
        };
        assert!(store.histogram(&query).unwrap().histogram.count() > 0);
    };
    #[expect(clippy::type_complexity, reason = "a table of what is asked")]
    let queries: [(&str, &dyn Fn(u32), u32); 3] = [
        ("list", &list, 2_000),
        ("show", &show, 2_000),
        ("merged histogram", &merged, 200),
    ];
    let mut rows = Vec::new();
    for (name, ask, times) in queries {
        let mut took: Vec<f64> = (0..times)
            .map(|i| {
                let begin = Instant::now();
                ask(i.wrapping_mul(7_919) % vehicles);
                begin.elapsed().as_secs_f64() * 1e3
            })
            .collect();
        took.sort_unstable_by(f64::total_cmp);
        for (quantile, q) in [("half of them", 0.5), ("99 of 100", 0.99)] {
            rows.push(Row {
                what: format!("query: {name}, {quantile} within"),
                unit: "ms",
                ours: took[((took.len() - 1) as f64 * q) as usize],
                beside: None,
                aim: if q > 0.9 { Aim::AtMost(20.0) } else { Aim::None },
            });
        }
    }
    rows
}

fn read_all(directory: &Path) {
    let mut buffer = vec![0; 1 << 20];
    for entry in fs::read_dir(directory).unwrap().flatten() {
        if entry.file_type().unwrap().is_dir() {
            read_all(&entry.path());
        } else {
            let mut file = fs::File::open(entry.path()).unwrap();
            while file.read(&mut buffer).unwrap() > 0 {}
        }
    }
}

fn batch(vehicles: std::ops::Range<u32>, typical: &FinishedDescent) -> CommitBatch {
    let mut batch = CommitBatch::default();
    for k in vehicles {
        let name = format!("bench-{k:06}");
        batch.states.push((name.clone(), vec![k as u8; 1_500]));
        for n in 0..DESCENTS {
            let mut finished = typical.clone();
            let d = &mut finished.descent;
            d.vehicle.clone_from(&name);
            d.descent = format!("d-{k:06}-{n}");
            d.software_version = format!("{}.0", k % 3);
            let later = i64::from(n) * 86_400_000 + i64::from(k) * 1_000;
            d.start_time_ms += later;
            d.end_time_ms += later;
            batch.descents.push(finished);
        }
        batch.vehicles.push(record(&name, typical));
    }
    batch
}

fn record(name: &str, typical: &FinishedDescent) -> VehicleRecord {
    VehicleRecord {
        vehicle: name.to_owned(),
        vehicle_class: typical.descent.vehicle_class.clone(),
        software_version: typical.descent.software_version.clone(),
        brake_kind: log::opening().brake_kind,
        last_sample_time_ms: Some(typical.descent.end_time_ms),
        descent_count: u64::from(DESCENTS),
        descending: false,
        refused_batch_count: 0,
        friction_total_j: Some(1e6),
        distance_total_m: 6_000.0,
        brakes: coldbrake_engine::wear::BrakeAccount::default(),
    }
}
