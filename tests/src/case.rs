//! The simulated cases of `reference/cases`: rows, class and truth.

use std::{collections::BTreeMap, path::PathBuf};

use coldbrake_engine::{Batch, Descent, VehicleClass};
use serde::Deserialize;

/// Time of the first row: 2026-03-10T06:00:00Z. The cases count from 0.
pub const START_MS: i64 = 1_773_122_400_000;

/// Names of all cases.
pub const CASES: [&str; 8] = [
    "r01_alpine_29km",
    "r02_6km_6pct_30kmh",
    "r03_stop_and_go",
    "r04a_full_at_start",
    "r05_power_limited",
    "r06_rolling",
    "r07_creep",
    "r09_repeat_grade",
];

/// Returns the path of a reference file.
pub fn reference(path: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("reference")
        .join(path)
}

/// Energies of a stretch of a case, as the simulation counted them.
#[derive(Clone, Copy, Debug, Deserialize)]
pub struct Truth {
    /// Its beginning, s.
    pub t_start_s: f64,
    /// Its end, s.
    pub t_end_s: f64,
    /// Altitude lost, m.
    pub drop_m: f64,
    /// Way, m.
    pub distance_m: f64,
    /// Braking work at the wheels, J.
    pub wheel_braking_j: f64,
    /// Charged into the battery at its terminals, J.
    pub pack_charge_j: f64,
    /// Friction work, J.
    pub friction_j: f64,
    /// Mass of a pass, kg.
    pub mass_kg: Option<f64>,
    /// Work against rolling and air resistance, J.
    pub road_load_j: f64,
}

impl Truth {
    /// Returns recovered / available.
    pub fn recovery_ratio(&self) -> f64 {
        self.pack_charge_j / self.wheel_braking_j
    }

    /// Returns friction / available.
    pub fn friction_share(&self) -> f64 {
        self.friction_j / self.wheel_braking_j
    }
}

#[derive(Deserialize)]
struct TruthFile {
    cases: BTreeMap<String, TruthCase>,
}

#[derive(Deserialize)]
struct TruthCase {
    vehicle: String,
    descent: Option<Truth>,
    #[serde(default)]
    passes: Vec<Truth>,
}

#[derive(Deserialize)]
struct Row {
    time_s: f64,
    speed_mps: f64,
    altitude_m: f64,
    brake_pressure_bar: f64,
    pack_current_a: f64,
    pack_voltage_v: f64,
    distance_m: f64,
    soc: f64,
    regen_wheel_w: f64,
    friction_w: f64,
    road_load_w: f64,
    pack_w: f64,
    aux_w: f64,
}

/// One simulated case.
#[derive(Clone, Debug)]
pub struct Case {
    /// Name of its file, without the ending.
    pub name: &'static str,
    /// Class of its vehicle.
    pub class: VehicleClass,
    /// Its rows; the current is positive while discharging.
    pub log: Batch,
    /// Truth over the designed descents, in order.
    pub truth: Vec<Truth>,
    energies: Vec<Energies>,
}

/// Energies up to a row, J, with its place.
#[derive(Clone, Copy, Debug, Default)]
struct Energies {
    time_s: f64,
    distance_m: f64,
    braking: f64,
    charged: f64,
    friction: f64,
    road_load: f64,
    altitude_m: f64,
}

/// Reads the class file of a reference vehicle.
pub fn class(name: &str) -> VehicleClass {
    let path = reference(&format!("classes/{name}.toml"));
    let class: VehicleClass = toml::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    assert!(class.problems().is_empty(), "{:?}", class.problems());
    class
}

impl Case {
    /// Reads a case, with the auxiliary power as a streamed signal.
    pub fn load(name: &'static str) -> Self {
        let truth: TruthFile =
            serde_json::from_str(&std::fs::read_to_string(reference("cases/truth.json")).unwrap()).unwrap();
        let about = &truth.cases[name];
        let mut log = Batch::default();
        let mut energies: Vec<Energies> = Vec::new();
        let mut reader = csv::Reader::from_path(reference(&format!("cases/{name}.csv"))).unwrap();
        for row in reader.deserialize() {
            let row: Row = row.unwrap();
            log.time_ms.push(START_MS + (row.time_s * 1e3).round() as i64);
            log.speed_mps.push(row.speed_mps);
            log.altitude_m.push(row.altitude_m);
            log.brake.push(row.brake_pressure_bar);
            log.current_a.push(row.pack_current_a);
            log.voltage_v.push(row.pack_voltage_v);
            log.state_of_charge.push(row.soc);
            log.auxiliary_w.push(row.aux_w);
            let before = energies.last().copied().unwrap_or_default();
            let dt = row.time_s - before.time_s;
            energies.push(Energies {
                time_s: row.time_s,
                distance_m: row.distance_m,
                braking: before.braking + (row.regen_wheel_w + row.friction_w) * dt,
                charged: before.charged + (-row.pack_w).max(0.0) * dt,
                friction: before.friction + row.friction_w * dt,
                road_load: before.road_load + row.road_load_w * dt,
                altitude_m: row.altitude_m,
            });
        }
        Self {
            name,
            class: class(&about.vehicle),
            log,
            truth: about
                .descent
                .into_iter()
                .chain(about.passes.iter().copied())
                .collect(),
            energies,
        }
    }

    /// Returns the truth from one row's time to another's, s, added up from the simulation's own columns.
    pub fn truth_between(&self, from_s: f64, to_s: f64) -> Truth {
        let at = |t: f64| {
            let i = self.energies.partition_point(|e| e.time_s < t - 1e-6);
            self.energies[i.min(self.energies.len() - 1)]
        };
        let (a, b) = (at(from_s), at(to_s));
        Truth {
            t_start_s: a.time_s,
            t_end_s: b.time_s,
            drop_m: a.altitude_m - b.altitude_m,
            distance_m: b.distance_m - a.distance_m,
            wheel_braking_j: b.braking - a.braking,
            pack_charge_j: b.charged - a.charged,
            friction_j: b.friction - a.friction,
            mass_kg: None,
            road_load_j: b.road_load - a.road_load,
        }
    }

    /// Returns the distance at a time of the case, m, by the straight line between rows.
    pub fn distance_at(&self, t_s: f64) -> f64 {
        let i = self
            .energies
            .partition_point(|e| e.time_s < t_s)
            .clamp(1, self.energies.len() - 1);
        let (a, b) = (self.energies[i - 1], self.energies[i]);
        let part = ((t_s - a.time_s) / (b.time_s - a.time_s)).clamp(0.0, 1.0);
        a.distance_m + part * (b.distance_m - a.distance_m)
    }
}

/// Returns the times of a descent in the case's own time, s.
pub fn window_s(d: &Descent) -> (f64, f64) {
    (
        (d.start_time_ms - START_MS) as f64 * 1e-3,
        (d.end_time_ms - START_MS) as f64 * 1e-3,
    )
}
