//! What the tests of the stores share: made-up records, and everything that a store can tell as one value.

#![allow(dead_code, unreachable_pub, reason = "every test file uses its own part")]

use coldbrake_engine::{
    BrakeKind, Descent, FinishedDescent, Metric, ProfilePoint, VehicleClass,
    grade::{GradeMatch, GradeOutcome},
    record::{EndReason, Estimate, Flags, FrictionByCause, FrictionMethod, MassSource, StartReason},
};
use coldbrake_server::store::{
    AuditRecord, CommitBatch, DescentFilter, HistogramQuery, Kept, Relabel, Shelf, ShelfChange, Shelved,
    Store, StoreStats, VehicleRecord,
};

/// Midnight UTC of day 20,000.
pub const DAY_MS: i64 = 86_400_000;
pub const NOON_MS: i64 = 20_000 * DAY_MS + DAY_MS / 2;

pub fn estimate(value: f64) -> Estimate {
    Estimate {
        value,
        low: value * 0.97,
        high: value * 1.03,
    }
}

/// A descent whose quantities all follow from `k`; every third has no friction signal.
pub fn descent(vehicle: &str, k: u32, start_time_ms: i64) -> Descent {
    let x = f64::from(k);
    let measured = !k.is_multiple_of(3);
    let some = |value: f64| measured.then_some(value);
    Descent {
        descent: format!("{start_time_ms}-{k}"),
        vehicle: vehicle.to_owned(),
        vehicle_class: if k.is_multiple_of(2) { "van" } else { "truck" }.to_owned(),
        software_version: format!("4.{}.0", k % 3),
        grade: (k % 4 == 1).then(|| "north-ramp".to_owned()),
        grade_match: None,
        top_position: None,
        bottom_position: None,
        start_time_ms,
        end_time_ms: start_time_ms + 600_000,
        start_reason: StartReason::Crest,
        end_reason: EndReason::Climb,
        drop_m: 100.0 + x,
        top_altitude_m: 1800.0 - x,
        climb_m: 3.0,
        distance_m: 4000.0 + 10.0 * x,
        mean_gradient: -0.05,
        steepest_gradient: Some(-0.09),
        duration_s: 600.0,
        moving_s: 580.0,
        standing_s: 20.0,
        mean_speed_mps: 12.0,
        top_speed_mps: 19.0,
        potential_released_j: 2.5e6 + 1e4 * x,
        kinetic_released_j: 1e4,
        road_load_j: 8e5,
        propulsion_j: 1e4,
        available_j: estimate(1.7e6 + 1e4 * x),
        recovered_j: estimate(1.2e6 + 7e3 * x),
        discharged_j: 5e4,
        battery_net_j: 1.1e6,
        auxiliary_j: 6e5,
        recovered_wheels_j: 1.4e6,
        friction_j: measured.then(|| estimate(2e5 + 1e3 * x)),
        friction_method: measured.then_some(FrictionMethod::Measured),
        friction_by_cause_j: measured.then(FrictionByCause::default),
        closure_j: 1e3,
        recovery_ratio: Some(estimate(0.5 + (x * 0.013) % 0.4)),
        recovery_ratio_wheels: Some(estimate(0.6 + (x * 0.011) % 0.3)),
        friction_share: measured.then(|| estimate(0.05 + (x * 0.007) % 0.2)),
        gross_recovery_ratio: Some(0.4),
        peak_recovery_w: 6e4 + x,
        peak_friction_w: some(3e4),
        brake_applications: k % 9,
        braking_events: k % 11,
        friction_free_event_share: some(0.5),
        friction_free_energy_share: some(0.4),
        friction_time_share: some(0.1 + (x * 0.003) % 0.3),
        friction_kj_per_km: some(20.0),
        friction_kj_per_t_100m: some(4.0 + x * 0.1),
        unexplained_kj_per_t_100m: some(x * 0.01),
        type_ii_multiple: 0.3,
        brake_temperature_start_c: some(40.0),
        brake_temperature_peak_c: some(80.0 + x),
        measured_brake_temperature_start_c: None,
        measured_brake_temperature_peak_c: None,
        above_inspection_temperature_s: 0.0,
        state_of_charge_start: Some(0.6),
        state_of_charge_end: Some(0.63),
        ambient_c: Some(12.0),
        mass_kg: 2500.0,
        mass_source: MassSource::Class,
        mass_uncertainty: 0.05,
        sample_count: 6000,
        coverage: 1.0,
        longest_gap_s: 0.1,
        altitude_noise_m: 0.4,
        flags: Flags::default(),
    }
}

pub fn finished(vehicle: &str, k: u32, start_time_ms: i64) -> FinishedDescent {
    let point = |i: u16| ProfilePoint {
        distance_m: f32::from(i) * 100.0,
        altitude_m: 1800.0 - f32::from(i) * 6.0,
        friction_w: (!k.is_multiple_of(3)).then_some(1e3),
        recovery_w: 4e4,
        speed_mps: 14.0,
        brake_temperature_c: None,
    };
    FinishedDescent {
        descent: descent(vehicle, k, start_time_ms),
        profile: (0..k as u16 % 61).map(point).collect(),
        facts: coldbrake_engine::alarm::watch::Facts::default(),
    }
}

pub fn vehicle(name: &str, k: u32) -> VehicleRecord {
    VehicleRecord {
        vehicle: name.to_owned(),
        vehicle_class: "van".to_owned(),
        software_version: format!("4.{k}.0"),
        brake_kind: BrakeKind::Pressure,
        last_sample_time_ms: Some(i64::from(k)),
        descent_count: u64::from(k),
        descending: k.is_multiple_of(2),
        refused_batch_count: 0,
        friction_total_j: None,
        distance_total_m: f64::from(k) * 10.0,
        brakes: coldbrake_engine::wear::BrakeAccount {
            known_since_ms: Some(1_760_000_000_000),
            clean_m: f64::from(k),
            ..coldbrake_engine::wear::BrakeAccount::default()
        },
    }
}

pub fn class(name: &str, mass_kg: f64) -> VehicleClass {
    serde_json::from_value(serde_json::json!({
        "vehicle_class": name, "mass_kg": mass_kg, "rolling_coefficient": 0.01, "drag_area_m2": 1.2,
        "max_recovery_power_w": 100e3, "nominal_voltage_v": 360.0,
    }))
    .unwrap()
}

pub fn audit(k: u32) -> AuditRecord {
    AuditRecord {
        time_ms: NOON_MS,
        who: "local".to_owned(),
        action: "PutVehicleClass".to_owned(),
        subject: format!("class-{k}"),
    }
}

/// A change of a named record, as long as the number says, in some cases several pieces.
pub fn shelve(shelf: Shelf, name: &str, k: Option<u32>) -> ShelfChange {
    ShelfChange {
        shelf,
        name: name.to_owned(),
        bytes: k.map(|k| vec![k as u8; k as usize % 4 * 3000]),
    }
}

/// A change of the grade of `finished(vehicle, k, start_time_ms)`.
pub fn relabel(vehicle: &str, k: u32, start_time_ms: i64, grade: Option<&str>) -> Relabel {
    Relabel {
        vehicle: vehicle.to_owned(),
        descent: format!("{start_time_ms}-{k}"),
        grade: grade.map(str::to_owned),
        grade_match: Some(GradeMatch {
            outcome: if grade.is_some() {
                GradeOutcome::Matched
            } else {
                GradeOutcome::NothingClose
            },
            nearest: grade.map(str::to_owned),
            score: grade.map(|_| 0.9),
            coverage: None,
            second: None,
            by_position: false,
        }),
    }
}

/// A commit as the server makes them: state and record of a vehicle, now and then a descent and a class.
pub fn typical(k: u32) -> CommitBatch {
    let name = format!("van-{}", k % 5);
    CommitBatch {
        states: vec![(name.clone(), vec![k as u8; 300 + k as usize % 3 * 4000])],
        vehicles: vec![vehicle(&name, k)],
        descents: if k.is_multiple_of(2) {
            vec![finished(&name, k, NOON_MS + i64::from(k) * 7_000_000)]
        } else {
            vec![]
        },
        classes: if k.is_multiple_of(7) {
            vec![class("van", 2500.0 + f64::from(k))]
        } else {
            vec![]
        },
        audit: if k.is_multiple_of(7) {
            vec![audit(k)]
        } else {
            vec![]
        },
        // The descent of the commit before, and one of long ago.
        relabels: [1, 13]
            .into_iter()
            .filter(|back| !k.is_multiple_of(2) && k >= *back)
            .map(|back| {
                let then = k - back;
                let start = NOON_MS + i64::from(then) * 7_000_000;
                let grade = [None, Some("south-ramp"), Some("north-ramp")][k as usize % 3];
                relabel(&format!("van-{}", then % 5), then, start, grade)
            })
            .collect(),
        shelved: if k.is_multiple_of(3) {
            vec![shelve(Shelf::Alarm, &format!("alarm-{}", k % 4), Some(k))]
        } else {
            vec![]
        },
        ..CommitBatch::default()
    }
}

/// Everything that a store tells.
#[derive(Clone, Debug, PartialEq)]
pub struct Dump {
    pub states: Vec<(String, Option<Vec<u8>>)>,
    pub vehicles: Vec<VehicleRecord>,
    pub classes: Vec<VehicleClass>,
    pub descents: Vec<(Descent, Vec<ProfilePoint>)>,
    pub of_vehicles: Vec<Vec<Descent>>,
    pub audit: Vec<AuditRecord>,
    pub shelved: Vec<(Shelf, Shelved)>,
    pub kept: Kept,
    pub histograms: Vec<(&'static str, String, u32, u64)>,
    pub stats: StoreStats,
}

pub const NAMES: [&str; 8] = ["van-0", "van-1", "van-10", "van-2", "van-3", "van-4", "a", "a-b"];

pub fn dump(store: &dyn Store) -> Dump {
    let all = |filter: DescentFilter| {
        pages(|cursor| {
            let page = store.descents(&filter, cursor, 3).unwrap();
            (page.rows, page.next)
        })
    };
    let vehicles = pages(|cursor| {
        let page = store.vehicles(cursor, 2).unwrap();
        (page.rows, page.next)
    });
    let audit = pages(|cursor| {
        let page = store.audit(cursor, 2).unwrap();
        (page.rows, page.next)
    });
    let shelved = Shelf::ALL
        .into_iter()
        .flat_map(|shelf| {
            pages(|cursor| {
                let page = store.shelf(shelf, "", cursor, 2).unwrap();
                (page.rows, page.next)
            })
            .into_iter()
            .map(move |row| (shelf, row))
        })
        .collect();
    let mut histograms = Vec::new();
    for metric in Metric::ALL {
        for (vehicle_class, grade) in [
            (None, None),
            (Some("van"), None),
            (Some("truck"), Some("-")),
            (None, Some("north-ramp")),
        ] {
            let found = store
                .histogram(&HistogramQuery {
                    metric,
                    vehicle_class: vehicle_class.map(str::to_owned),
                    software_version: None,
                    grade: grade.map(str::to_owned),
                    first_day: None,
                    last_day: None,
                })
                .unwrap();
            histograms.push((
                metric.name(),
                found.histogram.to_base64(),
                found.merged,
                found.clamped,
            ));
        }
    }
    let descents = all(DescentFilter::default())
        .into_iter()
        .map(|d| {
            store
                .descent(&d.vehicle, &d.descent)
                .unwrap()
                .unwrap_or_else(|| panic!("{} is gone", d.descent))
        })
        .collect();
    Dump {
        states: NAMES
            .iter()
            .map(|n| ((*n).to_owned(), store.vehicle_state(n).unwrap()))
            .collect(),
        vehicles,
        classes: store.classes().unwrap(),
        descents,
        of_vehicles: NAMES
            .iter()
            .map(|n| {
                all(DescentFilter {
                    vehicle: Some((*n).to_owned()),
                    ..DescentFilter::default()
                })
            })
            .collect(),
        audit,
        shelved,
        kept: store.kept().unwrap(),
        histograms,
        stats: StoreStats {
            size_bytes: 0,
            ..store.stats().unwrap()
        },
    }
}

/// Takes all pages of a listing.
pub fn pages<T>(mut page: impl FnMut(Option<&[u8]>) -> (Vec<T>, Option<Vec<u8>>)) -> Vec<T> {
    let mut rows = Vec::new();
    let mut cursor: Option<Vec<u8>> = None;
    loop {
        let (mut more, next) = page(cursor.as_deref());
        rows.append(&mut more);
        match next {
            Some(next) => cursor = Some(next),
            None => return rows,
        }
    }
}
