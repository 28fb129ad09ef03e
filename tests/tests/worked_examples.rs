//! Worked examples of textbooks, regulations and standards, driven through the engine as logs.
//!
//! Each names its source and says how sure that is: *read* (the published text was at hand and its numbers were worked
//! out again) or *from memory* (the original was not at hand: a check of consistency, never to be cited).
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use coldbrake_engine::{
    Batch, BrakeKind, CurrentSign, Descent, Opening, Policy, VehicleClass, atmosphere::air_density,
    thermal::Brakes,
};
use coldbrake_tests::{
    case::{Case, START_MS, reference},
    log,
    report::Report,
};

const KMH: f64 = 1.0 / 3.6;
const MPH: f64 = 0.44704;

/// A vehicle without road load and without rotating mass, as textbooks like them.
fn ideal(mass_kg: f64, gravity: f64) -> VehicleClass {
    let class: VehicleClass = toml::from_str(&format!(
        "vehicle_class = \"textbook\"\nmass_kg = {mass_kg:?}\nrotating_mass_factor = 0.0\n\
         rolling_coefficient = 0.0\ndrag_area_m2 = 0.0\nmax_recovery_power_w = 100e3\n\
         nominal_voltage_v = 400.0\nauxiliary_power_w = 0.0\ngravity_mps2 = {gravity:?}\n\
         cooling_still_w_per_k = 0.0\ncooling_moving_w_per_k_mps = 0.0"
    ))
    .unwrap();
    assert!(class.problems().is_empty(), "{:?}", class.problems());
    class
}

/// The brake is told as applied or not; friction comes from the balance.
fn applied() -> Opening {
    Opening {
        brake_kind: BrakeKind::Applied,
        current_sign: CurrentSign::ChargePositive,
        ..log::opening()
    }
}

/// Builds a log sample by sample: the road falls by `grade` (rise over run, positive down).
struct Drive {
    log: Batch,
    altitude: f64,
    fall: f64,
}

impl Drive {
    fn begin(altitude: f64, grade: f64, speed: f64) -> Self {
        let mut drive = Self {
            log: Batch::default(),
            altitude,
            fall: grade.atan().sin(),
        };
        drive.push(0, speed, 0.0);
        drive
    }

    fn push(&mut self, after_ms: i64, speed: f64, brake: f64) {
        let (time, before) = match (self.log.time_ms.last(), self.log.speed_mps.last()) {
            (Some(t), Some(v)) => (*t, *v),
            _ => (START_MS, speed),
        };
        self.altitude -= self.fall * (speed + before) / 2.0 * after_ms as f64 * 1e-3;
        self.log.time_ms.push(time + after_ms);
        self.log.speed_mps.push(speed);
        self.log.altitude_m.push(self.altitude);
        self.log.brake.push(brake);
        self.log.current_a.push(0.0);
    }

    /// Drives a distance at the present speed, the last bit in a shorter step.
    fn steadily(&mut self, distance: f64, brake: f64) {
        let speed = *self.log.speed_mps.last().unwrap();
        let mut left_ms = (distance / speed * 1e3).round() as i64;
        while left_ms > 0 {
            let step = left_ms.min(1000);
            self.push(step, speed, brake);
            left_ms -= step;
        }
    }

    fn only_descent(self, class: &VehicleClass, policy: &Policy) -> Descent {
        let mut found = log::run(&self.log, class, applied(), policy);
        assert_eq!(found.len(), 1, "one descent");
        found.remove(0).descent
    }
}

fn close_to(what: &str, value: f64, expected: f64, tolerance: f64) {
    println!("{what}: {value:.6} (expected {expected} ± {tolerance})");
    assert!(
        (value - expected).abs() <= tolerance,
        "{what}: {value}, expected {expected} ± {tolerance}"
    );
}

#[test]
fn a_rail_wagon_on_21_per_mille_heats_each_wheel_with_45_kw_for_34_minutes() {
    // Read: the EU's technical specification for freight wagons (Decision 2006/861/EC), thermal capacity of the brake:
    // 21 ‰, 70 km/h, 40 km, an axle load of 22.5 t, running resistance left out: 45 kW per wheel during 34 min.
    let mut drive = Drive::begin(2000.0, 0.021, 70.0 * KMH);
    drive.steadily(40e3, 1.0);
    // 21 ‰ is less than the default rule takes for a descent.
    let policy = Policy {
        entry_gradient: -0.01,
        ..Policy::default()
    };
    let d = drive.only_descent(&ideal(22_500.0, 9.81), &policy);
    let per_wheel_kw = d.available_j.value / d.duration_s / 2.0 / 1e3;
    close_to("power per wheel, kW", per_wheel_kw, 45.0, 0.5);
    close_to("duration, min", d.duration_s / 60.0, 34.0, 0.5);
    // Worked out again: 185.37 MJ an axle; the first sample and the last stretch of 10 m may be left out.
    close_to("energy of the axle, MJ", d.available_j.value / 1e6, 185.37, 0.1);
    close_to(
        "friction is all of it",
        d.friction_j.unwrap().value / d.available_j.value,
        1.0,
        1e-6,
    );
}

#[test]
fn truck_brakes_heat_by_9_kelvin_or_by_92() {
    // Read: "College Physics 2e", Temperature Change and Heat Capacity, example "Truck Brakes Overheat on Downhill
    // Runs": 10 000 kg, 75.0 m, g = 9.80 m/s²: 7.35e6 J; a tenth of it in 100 kg of brakes of 800 J/(kg·K): 9.2 K.
    // "University Physics" volume 2 has 10 kg of brakes: 92 K.
    let run = |brake_kg: f64| {
        let mut class = ideal(10_000.0, 9.80);
        // A tenth of the heat in the brakes is all of it in brakes of ten times the heat capacity.
        let capacity = brake_kg * 800.0 / 0.1;
        class.front_share = 0.5;
        class.front_heat_capacity_j_per_k = Some(capacity / 2.0);
        class.rear_heat_capacity_j_per_k = Some(capacity / 2.0);
        let fall = 0.06_f64.atan().sin();
        let mut drive = Drive::begin(500.0, 0.06, 10.0);
        drive.steadily(75.0 / fall, 1.0);
        drive.only_descent(&class, &Policy::default())
    };
    let d = run(100.0);
    close_to("released, J", d.potential_released_j, 7.35e6, 0.005 * 7.35e6);
    let warmed = |d: &Descent| d.brake_temperature_peak_c.unwrap() - d.brake_temperature_start_c.unwrap();
    close_to("100 kg of brakes, K", warmed(&d), 9.1875, 0.05);
    close_to("10 kg of brakes, K", warmed(&run(10.0)), 91.875, 0.5);
}

#[test]
fn a_15_percent_grade_is_rise_over_run() {
    // Read: "University Physics" volume 1, Power, example "Automotive Power Driving Uphill": 1200 kg, 15 % (the tangent),
    // 90 km/h, g = 9.8 m/s², gravity takes three quarters of the power: 58 kW, about 78 hp. Gravity takes going up what
    // it gives going down.
    let mut drive = Drive::begin(2000.0, 0.15, 90.0 * KMH);
    drive.steadily(4e3, 1.0);
    let d = drive.only_descent(&ideal(1200.0, 9.8), &Policy::default());
    let engine_kw = d.available_j.value / d.duration_s / 0.75 / 1e3;
    close_to("power of the engine, kW", engine_kw, 58.149, 0.1);
    // Taken as the sine, 15 % would be 1.1 % more: 58.8 kW.
    close_to(
        "height over the way along the road",
        -d.drop_m / d.distance_m,
        -0.15_f64.atan().sin(),
        2e-4,
    );
    close_to("mean gradient, rise over run", d.mean_gradient, -0.15, 2e-4);
    close_to(
        "steepest gradient, rise over run",
        d.steepest_gradient.unwrap(),
        -0.15,
        2e-4,
    );
}

#[test]
fn a_strong_recovery_of_220_kw_is_some_70_percent_of_the_drive_power() {
    // Common practice, no source: regeneration of 220 kW is about 70 % of the power that the same car drives with,
    // some 315 kW. The engine must show such a peak as it was, and not put it down to the battery's average.
    let mut drive = Drive::begin(2000.0, 0.08, 30.0);
    drive.steadily(3e3, 0.0);
    // 550 A at the 400 V of the class for three seconds, 50 A otherwise.
    drive.log.current_a.iter_mut().for_each(|a| *a = 50.0);
    drive.log.current_a[40..43].iter_mut().for_each(|a| *a = 550.0);
    let d = drive.only_descent(&ideal(2500.0, 9.81), &Policy::default());
    close_to(
        "largest recovery over 315 kW",
        d.peak_recovery_w / 315e3,
        0.70,
        0.005,
    );
}

#[test]
fn coasting_turns_height_into_speed_and_back() {
    // Read, answers worked out again (the printed key is from memory): "College Physics 2e", Nonconservative Forces: a
    // car at 110 km/h coasts up 47.6 m without friction. Rolled down from there it reaches 110 km/h.
    let gravity = 9.80;
    let class = ideal(750.0, gravity);
    let grade: f64 = 0.06;
    let pull = gravity * grade.atan().sin();
    let last = 110.0 * KMH;
    let steps = (last / pull * 10.0) as i64;
    let mut drive = Drive::begin(500.0, grade, 0.0);
    for k in 1..=steps {
        drive.push(100, pull * k as f64 * 0.1, 0.0);
    }
    let policy = Policy {
        confirm_drop_m: 20.0,
        ..Policy::default()
    };
    let d = drive.only_descent(&class, &policy);
    close_to("height, m", d.drop_m, 47.63, 0.5);
    close_to("top speed, m/s", d.top_speed_mps, last, 0.2);
    close_to(
        "what is left of the energy, part",
        (d.potential_released_j + d.kinetic_released_j) / d.potential_released_j,
        0.0,
        0.01,
    );
    close_to(
        "braked away, part",
        d.available_j.value / d.potential_released_j,
        0.0,
        1e-6,
    );

    // The same car stops at 22.0 m on a slope of 2.5°: 1.88e5 J are lost to a mean resistance of 373 N over 504.4 m.
    let mut class = ideal(750.0, gravity);
    (class.rolling_coefficient, class.drag_area_m2) = (None, None);
    class.road_load_f0_n = Some(373.6);
    let slope = 2.5_f64.to_radians();
    let mut drive = Drive::begin(500.0, slope.tan(), 10.0);
    drive.steadily(22.0 / slope.sin(), 0.0);
    let policy = Policy {
        entry_gradient: -0.01,
        confirm_drop_m: 20.0,
        ..Policy::default()
    };
    let d = drive.only_descent(&class, &policy);
    // A stretch of 10 m of the 504 may be left out at the top.
    close_to("way, m", d.distance_m, 504.4, 11.0);
    close_to(
        "lost to resistance per metre, N",
        d.road_load_j / d.distance_m,
        373.6,
        0.1,
    );
    close_to("lost to resistance, J", d.road_load_j, 1.884e5, 0.022 * 1.884e5);
}

#[test]
fn snubbing_is_one_descent_with_many_applications() {
    // Read: the US driver manual for heavy vehicles, 2.16.4: at a safe speed of 40 mph brake to 35 mph, release, repeat;
    // an application takes about 3 s. Kinetic energy of a snub, worked out: 37.47 J/kg.
    const SNUBS: u32 = 60;
    let (fast, slow) = (40.0 * MPH, 35.0 * MPH);
    let grade: f64 = 0.06;
    let pull = 9.80665 * grade.atan().sin();
    let rise = (fast - slow) / pull;
    let mut drive = Drive::begin(1500.0, grade, fast);
    for _ in 0..SNUBS {
        for k in 1..=30 {
            drive.push(100, fast - (fast - slow) * f64::from(k) / 30.0, 1.0);
        }
        // Gravity alone brings the speed back.
        for k in 1..=10 {
            drive.push(
                (rise * 100.0).round() as i64,
                slow + (fast - slow) * f64::from(k) / 10.0,
                0.0,
            );
        }
    }
    let mass = 18_000.0;
    let d = drive.only_descent(&ideal(mass, 9.80665), &Policy::default());
    close_to(
        "applications",
        f64::from(d.brake_applications),
        f64::from(SNUBS),
        1.0,
    );
    let friction_per_snub = d.friction_j.unwrap().value / f64::from(d.brake_applications) / mass;
    let gravity_per_snub = pull * (fast + slow) / 2.0 * 3.0;
    close_to(
        "kinetic energy of a snub, J/kg",
        friction_per_snub - gravity_per_snub,
        37.47,
        0.75,
    );
}

#[test]
fn the_type_ii_test_takes_3_5_kilojoules_a_kilogram() {
    // From memory: the Type-II test of UN Regulation No. 13 is 6 km at 6 % and 30 km/h. Worked out with g = 9.81:
    // 3525 J/kg along the road, 3532 J/kg with the tangent; 63.6 MJ for 18 t; 12 min.
    for (mass, megajoules) in [(2_500.0, 8.829), (18_000.0, 63.57), (40_000.0, 141.26)] {
        let mut drive = Drive::begin(1000.0, 0.06, 30.0 * KMH);
        drive.steadily(6e3, 1.0);
        let d = drive.only_descent(&ideal(mass, 9.81), &Policy::default());
        close_to(
            "energy, MJ",
            d.available_j.value / 1e6,
            megajoules,
            0.005 * megajoules,
        );
        close_to("multiple of the test", d.type_ii_multiple, 1.0, 0.005);
        close_to("duration, s", d.duration_s, 720.0, 2.0);
    }
}

#[test]
fn brake_temperature_has_the_form_of_the_grade_severity_equation() {
    // From memory, and so no published rows: the brake temperature equation of the FHWA grade severity rating system with
    // its original constants. Their product K1·K2 does not depend on speed within 0.04 %, which a wrong memory would
    // hardly bring about. This checks the form of the thermal model: one heat capacity, cooling that grows with speed.
    const HP_W: f64 = 745.699_87;
    let celsius = |fahrenheit: f64| (fahrenheit - 32.0) / 1.8;
    let mut class = ideal(36_287.0, 9.80665);
    // Ten drum brakes as two equal halves: 392.9 kJ/K; 134.2 W/K and 6.245 W/K per m/s.
    class.front_share = 0.5;
    class.front_heat_capacity_j_per_k = Some(392.9e3 / 2.0);
    class.rear_heat_capacity_j_per_k = Some(392.9e3 / 2.0);
    class.cooling_still_w_per_k = 134.226 / 2.0;
    class.cooling_moving_w_per_k_mps = 6.2453 / 2.0;
    for (brake_hp, miles, mph, fahrenheit) in [
        (316.48, 5.0, 40.0, 559.44),
        (140.14, 5.0, 20.0, 478.24),
        (154.91, 6.0, 35.0, 405.48),
        (282.62, 3.0, 45.0, 355.54),
        (190.81, 8.0, 55.0, 414.49),
    ] {
        let mut brakes = Brakes {
            front_c: celsius(150.0),
            rear_c: celsius(150.0),
        };
        let seconds = miles * 1609.344 / (mph * MPH);
        let steps = 1000;
        for _ in 0..steps {
            let dt = seconds / f64::from(steps);
            assert!(brakes.advance(&class, brake_hp * HP_W * dt, dt, mph * MPH, celsius(90.0)));
        }
        close_to("brakes, °C", brakes.hottest_c(), celsius(fahrenheit), 0.5);
    }
}

#[test]
fn air_density_is_that_of_the_standard_atmosphere() {
    // Read: rows of a published table of the standard atmosphere (US 1976 = ISO 2533 up here), geometric altitude.
    for (altitude, density) in [(0.0, 1.2250), (2000.0, 1.0066), (4000.0, 0.81935)] {
        close_to(
            "density, kg/m³",
            air_density(altitude, None),
            density,
            5e-5 * density + 5e-5,
        );
    }
    // Two libraries (ambiance 1.3.1 and fluids 1.3.1, PyPI) every 250 m.
    let mut reader = csv::Reader::from_path(reference("atmosphere/isa_0_5000.csv")).unwrap();
    let mut rows = 0;
    for row in reader.deserialize::<std::collections::HashMap<String, f64>>() {
        let row = row.unwrap();
        let density = air_density(row["geometric_m"], None);
        for (column, tolerance) in [("rho_ambiance", 1e-7), ("rho_fluids", 2e-6)] {
            let other = row[column];
            assert!(
                (density / other - 1.0).abs() < tolerance,
                "{column} {density} {other}"
            );
        }
        rows += 1;
    }
    assert!(rows >= 20, "{rows} rows");
}

#[test]
fn a_long_alpine_descent_brings_a_van_some_ten_kilowatt_hours() {
    // Common practice, no source: about 1,940 m of drop over 29 km bring an electric car of 2.5 t some 10 kWh at its
    // battery.
    let case = Case::load("r01_alpine_29km");
    let d = &log::descents(&case.log, &case.class)[0];
    let mut report = Report::new("29 km, 1,940 m, 2.5 t");
    report.between(
        "recovered",
        "kWh at the battery",
        d.recovered_j.value / 3.6e6,
        8.0,
        11.0,
    );
    report.between("drop", "m", d.drop_m, 1930.0, 1950.0);
    report.close();
}
