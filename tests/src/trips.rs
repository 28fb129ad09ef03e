//! Trips of every kind that the engine tells apart, from seeds, and a digest of what it makes of each: for whoever changes
//! how the engine computes and means to change nothing of what it computes.
//!
//! The digests hold on one machine and one compiler: nothing here says what they should be, only whether they are the same.

use coldbrake_engine::{
    Batch, BrakeKind, CurrentSign, FinishedDescent, Opening, Policy, Session, VehicleClass, VehicleState,
};
use fastrand::Rng;

use crate::{
    case::{self, CASES, Case, START_MS, reference},
    disturb::{Disturbance, a_tenth_as_often, disturb, normal, ten_times_as_often},
    log,
    profile::drive,
};

/// A trip with all that the engine is told.
#[derive(Clone, Debug)]
pub struct Trip {
    /// What it is, for the list.
    pub name: String,
    /// Its samples.
    pub log: Batch,
    /// Class of its vehicle.
    pub class: VehicleClass,
    /// What its stream declares.
    pub opening: Opening,
    /// Rules.
    pub policy: Policy,
    /// A whole batch of it is refused, so that its length matters.
    pub loses_a_batch: bool,
}

/// What the engine made of a trip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Digest {
    /// Descents recorded.
    pub descents: usize,
    /// Of the state after every batch.
    pub states: u32,
    /// Of the descents and of the refusals.
    pub records: u32,
}

/// Runs a trip in batches of `length` samples, the state going through its bytes after each.
pub fn run(trip: &Trip, length: usize) -> (Vec<FinishedDescent>, VehicleState, Digest) {
    let mut vehicle = VehicleState::new("trip-01", trip.opening.clone());
    let mut finished = Vec::new();
    let (mut states, mut records) = (0, 0);
    for batch in log::batches(&trip.log, length) {
        let effects = vehicle.apply(&batch, &trip.class, &trip.policy);
        for violation in &effects.violations {
            records = crc32c::crc32c_append(records, format!("{violation:?}").as_bytes());
        }
        finished.extend(effects.finished);
        let bytes = vehicle.to_bytes();
        states = crc32c::crc32c_append(states, &bytes);
        vehicle = VehicleState::from_bytes(&bytes).unwrap();
    }
    finished.extend(vehicle.finish(&trip.class, &trip.policy).finished);
    states = crc32c::crc32c_append(states, &vehicle.to_bytes());
    for f in &finished {
        // Debug output of a double is its shortest form that reads back the same: equal text is equal bits.
        records = crc32c::crc32c_append(records, format!("{f:?}").as_bytes());
    }
    let digest = Digest {
        descents: finished.len(),
        states,
        records,
    };
    (finished, vehicle, digest)
}

/// Returns all trips.
pub fn all() -> Vec<Trip> {
    let mut trips = Vec::new();
    for (k, name) in CASES.into_iter().enumerate() {
        let case = Case::load(name);
        of_a_case(&case, k as u64, &mut trips);
    }
    on_terrain(&mut trips);
    trips
}

fn of_a_case(case: &Case, seed: u64, trips: &mut Vec<Trip>) {
    let noisy = disturb(&case.log, &Disturbance::default(), 1 + seed);
    let mut push = |what: &str, log: Batch, class: &VehicleClass, opening: Opening, policy: Policy| {
        trips.push(Trip {
            name: format!("{} {what}", case.name),
            log,
            class: class.clone(),
            opening,
            policy,
            loses_a_batch: matches!(what, "wrong sign" | "a refused batch"),
        });
    };
    let plain = log::opening;
    let class = &case.class;
    push("clean", case.log.clone(), class, plain(), Policy::default());
    push("noisy", noisy.clone(), class, plain(), Policy::default());
    push("surveyed", case.log.clone(), class, plain(), surveyed());
    let declared = Policy {
        altitude_noise_m: Some(1.5),
        entry_gradient: 0.0,
        ..Policy::default()
    };
    push("noise declared", noisy.clone(), class, plain(), declared);
    let fine = log::select(
        &ten_times_as_often(&case.log),
        0..20_000.min(case.log.len() * 10 - 10),
    );
    push("ten times as often", fine, class, plain(), Policy::default());
    if case.log.len() > 2_000 {
        push(
            "a tenth as often",
            a_tenth_as_often(&case.log),
            class,
            plain(),
            Policy::default(),
        );
    }
    let rich = with_every_column(&noisy, seed);
    push(
        "every column",
        rich.clone(),
        &hot(class),
        plain(),
        Policy::default(),
    );
    push(
        "every column, by balance",
        as_pedal(&rich),
        &hot(class),
        with_kind(BrakeKind::Pedal),
        Policy::default(),
    );
    push(
        "torque",
        as_torque(&rich),
        &coasted(class),
        with_kind(BrakeKind::Torque),
        Policy::default(),
    );
    push(
        "on or off",
        as_switch(&bare(&noisy)),
        &hot(class),
        with_kind(BrakeKind::Applied),
        Policy::default(),
    );
    push(
        "bare",
        bare(&noisy),
        &coasted(class),
        declared_mass(),
        Policy::default(),
    );
    push(
        "rough",
        rough(&rich, seed),
        &hot(class),
        plain(),
        Policy::default(),
    );
    push(
        "rough and bare",
        rough(&bare(&noisy), 100 + seed),
        &limited(class),
        declared_mass(),
        Policy::default(),
    );
    push(
        "climbed",
        backwards(&noisy),
        &coasted(class),
        plain(),
        Policy::default(),
    );
    let against = Opening {
        current_sign: CurrentSign::ChargePositive,
        ..plain()
    };
    push("wrong sign", noisy.clone(), class, against, Policy::default());
    let mut wrong = noisy;
    let at = wrong.len() / 2;
    wrong.speed_mps[at] = f64::NAN;
    push("a refused batch", wrong, class, plain(), Policy::default());
}

fn surveyed() -> Policy {
    Policy {
        altitude_noise_m: Some(0.0),
        ..Policy::default()
    }
}

fn with_kind(brake_kind: BrakeKind) -> Opening {
    Opening {
        brake_kind,
        ..log::opening()
    }
}

fn declared_mass() -> Opening {
    Opening {
        session: Session([9; 16]),
        declared_mass_kg: Some(2_900.0),
        ..log::opening()
    }
}

/// With brakes that warm and wear.
fn hot(class: &VehicleClass) -> VehicleClass {
    VehicleClass {
        front_heat_capacity_j_per_k: Some(14e3),
        rear_heat_capacity_j_per_k: Some(9e3),
        front_pad_wear_um_per_mj: Some(3.0),
        front_pad_usable_mm: Some(9.0),
        rear_pad_wear_um_per_mj: Some(4.0),
        rear_pad_usable_mm: Some(8.0),
        max_charge_current_a: Some(150.0),
        air_density_kg_m3: None,
        tyre_radius_m: Some(0.34),
        brake_released_at: 0.3,
        ..class.clone()
    }
}

/// With road load from coasting down, in air as it is.
fn coasted(class: &VehicleClass) -> VehicleClass {
    VehicleClass {
        rolling_coefficient: None,
        drag_area_m2: None,
        road_load_f0_n: Some(230.0),
        road_load_f1_n_per_mps: Some(0.7),
        road_load_f2_n_per_mps2: Some(0.72),
        gravity_mps2: None,
        ..hot(class)
    }
}

/// Without the open-circuit curve, limited early.
fn limited(class: &VehicleClass) -> VehicleClass {
    VehicleClass {
        open_circuit_empty_v: None,
        open_circuit_full_v: None,
        max_recovery_power_w: 20e3,
        propulsion_efficiency: Some(0.91),
        ..class.clone()
    }
}

fn with_every_column(log: &Batch, seed: u64) -> Batch {
    let mut rng = Rng::with_seed(1_000 + seed);
    let mut b = log.clone();
    let n = b.len();
    let mut column = |from: f64, step: f64, low: f64, high: f64| -> Vec<f64> {
        let mut x = from;
        (0..n)
            .map(|_| {
                x = (x + step * normal(&mut rng)).clamp(low, high);
                x
            })
            .collect()
    };
    b.ambient_c = column(4.0, 0.05, -20.0, 35.0);
    b.brake_temperature_c = column(40.0, 0.6, -10.0, 400.0);
    b.gross_mass_kg = column(2_700.0, 5.0, 2_000.0, 3_500.0);
    b.latitude_deg = column(46.1, 3e-5, 45.0, 47.0);
    b.longitude_deg = column(-7.1, 3e-5, -8.0, -6.0);
    b.battery_temperature_c = column(6.0, 0.1, -20.0, 45.0);
    b.charge_limit_w = column(60e3, 900.0, 0.0, 150e3);
    b.state_of_charge = column(0.955, 6e-4, 0.1, 1.0);
    b.slip_control = column(0.0, 0.05, 0.0, 1.0);
    b.auxiliary_w = column(700.0, 20.0, 0.0, 4e3);
    b
}

/// Only what every vehicle gives.
fn bare(log: &Batch) -> Batch {
    Batch {
        time_ms: log.time_ms.clone(),
        speed_mps: log.speed_mps.clone(),
        altitude_m: log.altitude_m.clone(),
        brake: log.brake.clone(),
        current_a: log.current_a.clone(),
        ..Batch::default()
    }
}

fn with_brake(log: &Batch, brake: impl Fn(f64) -> f64) -> Batch {
    Batch {
        brake: log.brake.iter().map(|b| brake(*b)).collect(),
        ..log.clone()
    }
}

fn as_pedal(log: &Batch) -> Batch {
    let mut b = with_brake(log, |bar| (2.0 * bar).clamp(0.0, 100.0));
    // Voltage alone: the state of charge is derived from it.
    b.state_of_charge.clear();
    b
}

fn as_torque(log: &Batch) -> Batch {
    with_brake(log, |bar| 136.0 * bar)
}

fn as_switch(log: &Batch) -> Batch {
    with_brake(log, |bar| f64::from(u8::from(bar > 0.0)))
}

/// The same road driven up: the mass becomes known.
fn backwards(log: &Batch) -> Batch {
    let mut b = log.clone();
    let mut rng = Rng::with_seed(5);
    b.altitude_m.reverse();
    b.speed_mps.reverse();
    b.brake.fill(0.0);
    for i in 0..b.len() {
        let rise = if i == 0 {
            0.0
        } else {
            b.altitude_m[i] - b.altitude_m[i - 1]
        };
        let power = 2_600.0 * 9.81 * rise.max(0.0) + 300.0 * b.speed_mps[i];
        b.current_a[i] = power / 330.0 + normal(&mut rng);
    }
    b
}

/// All that goes wrong with samples, at places drawn from the seed.
fn rough(log: &Batch, seed: u64) -> Batch {
    let mut rng = Rng::with_seed(2_000 + seed);
    let n = log.len();
    let mut b = log.clone();
    let mut place = || n / 10 + rng.usize(0..n * 8 / 10);
    // Spikes, a step, lost altitude with a leap after it, short and long.
    for _ in 0..6 {
        b.altitude_m[place()] += 70.0;
    }
    let from = place();
    for h in &mut b.altitude_m[from..] {
        *h += 25.0;
    }
    for length in [40, 160, 900] {
        let from = place();
        let to = (from + length).min(n);
        let level = b.altitude_m[from];
        b.altitude_m[from..to].fill(level);
    }
    // Stands: short, of some minutes, so long that it ends a descent. Wheel sensors tremble.
    for (length, stand_s) in [(30, 40), (12, 400), (10, 1_500)] {
        let from = place();
        let to = (from + length).min(n - 1);
        for i in from..to {
            b.speed_mps[i] = if i % 7 == 3 { 0.1 } else { 0.0 };
        }
        for t in &mut b.time_ms[from + length / 2..] {
            *t += stand_s * 1_000 / 4;
        }
        for t in &mut b.time_ms[(from + length / 2 + 1).min(n)..] {
            *t += stand_s * 1_000 * 3 / 4;
        }
    }
    // Gaps of every length, a clock set back, one set forward by two years, the same instant twice, odd steps.
    for gap_ms in [1_200, 3_500, 6_000, 25_000, 70_000] {
        let from = place();
        for t in &mut b.time_ms[from..] {
            *t += gap_ms;
        }
    }
    let back = place();
    for t in &mut b.time_ms[back..] {
        *t -= 5_000;
    }
    let ahead = place();
    for t in &mut b.time_ms[ahead..] {
        *t += 2 * 366 * 86_400_000;
    }
    for _ in 0..10 {
        let at = place();
        b.time_ms[at] = b.time_ms[at - 1];
    }
    for _ in 0..200 {
        let at = place();
        let room = b.time_ms[at + 1] - b.time_ms[at];
        if room > 1 {
            b.time_ms[at] += room / 2;
        }
    }
    b
}

fn on_terrain(trips: &mut Vec<Trip>) {
    for file in ["profile_a", "profile_b"] {
        let mut reader = csv::Reader::from_path(reference(&format!("terrain/{file}.csv"))).unwrap();
        let mut points: Vec<(f64, f64)> = reader
            .records()
            .map(|row| {
                let row = row.unwrap();
                (row[0].parse().unwrap(), row[1].parse().unwrap())
            })
            .collect();
        points.dedup_by(|b, a| b.0 - a.0 < 0.02);
        let class = case::class("van_2500kg");
        let log = drive(&points, 10.0);
        let noisy = disturb(&log, &Disturbance::default(), 4);
        for (what, log, policy) in [
            ("default", log.clone(), Policy::default()),
            (
                "hysteresis",
                log,
                Policy {
                    entry_gradient: 0.0,
                    confirm_drop_m: 30.0,
                    end_climb_m: 10.0,
                    end_level_m: 1e6,
                    ..surveyed()
                },
            ),
            ("noisy", noisy, Policy::default()),
        ] {
            trips.push(Trip {
                name: format!("{file} {what}"),
                log,
                class: class.clone(),
                opening: log::opening(),
                policy,
                loses_a_batch: false,
            });
        }
    }
    // A vehicle that stands all day, one sample every 20 s: nothing but a stand.
    let n = 1_000;
    trips.push(Trip {
        name: "parked".to_owned(),
        log: Batch {
            time_ms: (0..n).map(|i| START_MS + 20_000 * i).collect(),
            speed_mps: vec![0.0; n as usize],
            altitude_m: vec![812.0; n as usize],
            brake: vec![5.0; n as usize],
            current_a: vec![-1.5; n as usize],
            ..Batch::default()
        },
        class: hot(&case::class("van_2500kg")),
        opening: log::opening(),
        policy: Policy::default(),
        loses_a_batch: false,
    });
}
