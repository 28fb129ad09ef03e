//! Against the grade severity rating system for heavy vehicles (FHWA-RD-79-116, FHWA-IP-88-015): a lumped thermal mass of all
//! brakes, in closed form for a steady speed on a steady grade,
//!
//! T(L) = T0 + [Ta − T0 + K2·HPb]·(1 − exp(−K1·L/V)), HPb = (W·sin θ − Fdrag)·V/375 − HPeng.
//!
//! The equation's form is that of any lumped mass and follows from the differential equation. Its CONSTANTS here are QUOTED
//! FROM MEMORY and could not be checked against a printed table; what speaks for them is that K1·K2 = 1/(m·C) comes out the
//! same at every speed, as physics asks. They serve as numbers for the check, no more.

use super::*;

const MPH: f64 = 0.447_04;
const MILE: f64 = 1_609.344;
const POUND_FORCE: f64 = 4.448_221_615;
const POUND: f64 = 0.453_592_37;
const HORSEPOWER: f64 = 745.699_872;

fn k1(v: f64) -> f64 {
    1.23 + 0.025_6 * v
}

fn k2(v: f64) -> f64 {
    1.0 / (0.100 + 0.002_08 * v)
}

/// The closed form in its own units: pounds, a grade as rise over run, miles, miles an hour; °F.
fn closed_form(weight: f64, grade: f64, miles: f64, v: f64) -> f64 {
    let sine = grade / (1.0 + grade * grade).sqrt();
    let power = (weight * sine - 450.0 - 17.25 * v) * v / 375.0 - 73.0;
    150.0 + (90.0 - 150.0 + k2(v) * power) * (1.0 - (-k1(v) * miles / v).exp())
}

/// The same vehicle in the terms of this program: one lump in front.
fn truck(weight_lb: f64) -> (VehicleClass, Circumstances) {
    let class: VehicleClass = toml::from_str(
        "vehicle_class='t'\nmass_kg=36000.0\nrotating_mass_factor=0.0\nroad_load_f0_n=2001.6997\n\
         road_load_f1_n_per_mps=171.6446\nmax_recovery_power_w=100e3\nnominal_voltage_v=360.0\nfront_share=1.0\n\
         front_heat_capacity_j_per_k=392.9e3\nrear_heat_capacity_j_per_k=392.9e3\ncooling_still_w_per_k=134.226\n\
         cooling_moving_w_per_k_mps=6.2453",
    )
    .unwrap();
    assert_eq!(class.problems(), []);
    let celsius = |f: f64| (f - 32.0) / 1.8;
    let circumstances = Circumstances {
        mass_kg: weight_lb * POUND,
        recovery_w: 73.0 * HORSEPOWER,
        ambient_c: celsius(90.0),
        start_c: celsius(150.0),
    };
    (class, circumstances)
}

fn steady(grade: f64, length_m: f64) -> Vec<RoadPoint> {
    let sine = grade / (1.0 + grade * grade).sqrt();
    (0..=50)
        .map(|i| {
            let distance_m = length_m * f64::from(i) / 50.0;
            RoadPoint {
                distance_m,
                altitude_m: 2_000.0 - sine * distance_m,
            }
        })
        .collect()
}

#[test]
fn the_recalled_constants_are_consistent() {
    for v in [0.0, 20.0, 40.0, 60.0] {
        let capacity = 1.0 / (k1(v) * k2(v));
        assert!((capacity * 12.302 - 1.0).abs() < 3e-4, "{v} {capacity}");
        // hp·h/°F in J/K.
        let joules = capacity * HORSEPOWER * 3_600.0 * 1.8;
        assert!((joules / 392.9e3 - 1.0).abs() < 1e-3, "{joules}");
    }
    assert!((POUND_FORCE * 450.0 - 2_001.699_7).abs() < 1e-3);
    assert!((POUND_FORCE * 17.25 / MPH - 171.6446).abs() < 0.01);
}

#[test]
fn temperature_along_a_grade_is_that_of_the_closed_form() {
    for (weight, grade, miles, v, fahrenheit) in [
        (80_000.0, 0.06, 5.0, 40.0, 559.44),
        (80_000.0, 0.06, 5.0, 20.0, 478.24),
        (70_000.0, 0.05, 6.0, 35.0, 405.48),
        (60_000.0, 0.07, 3.0, 45.0, 355.54),
        (80_000.0, 0.04, 8.0, 55.0, 414.49),
    ] {
        // The number that was worked out apart, by the same equation.
        assert!((closed_form(weight, grade, miles, v) - fahrenheit).abs() < 0.05);
        let (class, circumstances) = truck(weight);
        let found = heat(&class, &steady(grade, miles * MILE), &circumstances, v * MPH).unwrap();
        let found_f = found.bottom_c * 1.8 + 32.0;
        assert!(
            (found_f - fahrenheit).abs() < 1.0,
            "{weight} {v}: {found_f} {fahrenheit}"
        );
        assert!((found.peak_c - found.bottom_c).abs() < 0.5 && found.after_stop_c > found.bottom_c);
    }
}

#[test]
fn the_greatest_speed_is_where_the_closed_form_reaches_the_limit() {
    for (weight, grade, miles) in [
        (80_000.0, 0.06, 6.0),
        (70_000.0, 0.07, 4.0),
        (60_000.0, 0.07, 6.0),
    ] {
        let (class, circumstances) = truck(weight);
        let limit_f = 500.0;
        let road = steady(grade, miles * MILE);
        // One stop heats the lump by ½·m·v²/C.
        let stop_f = |v: f64| 0.5 * weight * POUND * (v * MPH).powi(2) / 392.9e3 * 1.8;
        let expected = (45..800)
            .map(|tenth| f64::from(tenth) * 0.1)
            .find(|v| closed_form(weight, grade, miles, *v) + stop_f(*v) >= limit_f)
            .unwrap();
        let found = greatest_speed(&class, &road, &circumstances, (limit_f - 32.0) / 1.8, 36.0).unwrap();
        let GreatestSpeed::UpTo(found) = found else {
            panic!("{found:?}")
        };
        assert!(
            (found / MPH - expected).abs() < 0.3,
            "{weight}: {} {expected}",
            found / MPH
        );
        let slower = heat(&class, &road, &circumstances, found - 0.2).unwrap();
        let faster = heat(&class, &road, &circumstances, found + 0.2).unwrap();
        assert!(slower.after_stop_c < 260.0 && faster.after_stop_c > 260.0);
    }
}

/// What the rating system says without numbers: longer, steeper and heavier asks for slower.
#[test]
fn longer_steeper_and_heavier_is_slower() {
    let speed = |weight: f64, grade: f64, miles: f64| {
        let (class, circumstances) = truck(weight);
        match greatest_speed(&class, &steady(grade, miles * MILE), &circumstances, 260.0, 36.0).unwrap() {
            GreatestSpeed::Any => 36.0,
            GreatestSpeed::UpTo(v) => v,
            GreatestSpeed::None => 0.0,
        }
    };
    let base = speed(70_000.0, 0.06, 6.0);
    assert!(speed(80_000.0, 0.06, 6.0) < base);
    assert!(speed(70_000.0, 0.07, 6.0) < base);
    assert!(speed(70_000.0, 0.06, 8.0) < base);
    assert!(
        (speed(30_000.0, 0.02, 1.0) - 36.0).abs() < 1e-9,
        "a light one needs no limit"
    );
}

#[test]
fn recovery_that_is_left_keeps_the_brakes_cooler_and_a_climb_does_not_heat() {
    let (class, mut c) = truck(60_000.0);
    let road = steady(0.06, 5_000.0);
    let with = heat(&class, &road, &c, 15.0).unwrap();
    c.recovery_w = 0.0;
    let without = heat(&class, &road, &c, 15.0).unwrap();
    assert!(without.bottom_c > with.bottom_c && without.friction_j > with.friction_j);
    assert!(
        (with.type_ii_multiple - without.type_ii_multiple).abs() < 1e-12,
        "the braking work is the same"
    );
    // 5 km at 6 % is 299.5 m of the 360 m of the test, less road load.
    assert!(without.type_ii_multiple < 299.5 / 360.0 && without.type_ii_multiple > 0.5);
    let up: Vec<RoadPoint> = road
        .iter()
        .map(|p| RoadPoint {
            altitude_m: -p.altitude_m,
            ..*p
        })
        .collect();
    let up = heat(&class, &up, &c, 15.0).unwrap();
    assert!(up.friction_j == 0.0 && up.bottom_c < c.start_c && (up.peak_c - c.start_c).abs() < 1e-9);
}

#[test]
fn without_heat_capacities_or_a_road_there_is_no_answer() {
    let (mut class, c) = truck(60_000.0);
    let road = steady(0.06, 5_000.0);
    assert_eq!(heat(&class, &road[..1], &c, 10.0), None);
    assert_eq!(heat(&class, &road, &c, 0.0), None);
    assert_eq!(heat(&class, &road, &c, f64::NAN), None);
    class.front_heat_capacity_j_per_k = None;
    assert_eq!(heat(&class, &road, &c, 10.0), None);
    assert_eq!(greatest_speed(&class, &road, &c, 260.0, 30.0), None);
}
