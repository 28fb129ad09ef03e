//! The mass estimated on synthetic trips: close to the truth from no payload to a doubled mass, honest about its interval when
//! everything it takes for granted is off, and silent where it can't tell.

#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]

mod common;

use coldbrake_engine::{
    BrakeKind, Policy, Session, VehicleClass, VehicleState, mass::MassEstimate, record::MassSource,
};
use common::{Drive, Noise, Road, class, opening, part, steady, waves};

/// The class as its file says: empty, with a mass that payload makes uncertain.
fn declared() -> VehicleClass {
    VehicleClass {
        mass_uncertainty: 0.2,
        propulsion_efficiency: Some(0.88),
        ..class()
    }
}

/// Some 13 km over hills.
fn hills(noise: &mut Noise) -> Road {
    let legs = (0..8).map(|k| {
        let gradient = if k % 2 == 0 { 0.015 } else { -0.02 } + 0.04 * (noise.uniform() - 0.5);
        (1_000.0 + 1_200.0 * noise.uniform(), gradient)
    });
    Road(legs.collect())
}

/// Drives `truth` and lets `declared` look at it through noisy sensors. Returns the state at the end.
fn drive(truth: &VehicleClass, declared: &VehicleClass, road: Road, noise: &mut Noise) -> VehicleState {
    let (mut b, _) = Drive {
        road,
        step_ms: 500,
        speed: waves,
        ..Drive::default()
    }
    .run(truth);
    for i in 0..b.len() {
        b.altitude_m[i] += noise.normal();
        b.speed_mps[i] = (b.speed_mps[i] + 0.03 * noise.normal()).max(0.0);
        b.current_a[i] += noise.normal();
    }
    let mut state = VehicleState::new("van-1", opening(BrakeKind::Pressure));
    for from in (0..b.len()).step_by(4_000) {
        let to = b.len().min(from + 4_000);
        let effects = state.apply(&part(&b, from..to), declared, &Policy::default());
        assert!(effects.violations.is_empty(), "{:?}", effects.violations);
    }
    state
}

fn loaded(payload: f64) -> VehicleClass {
    VehicleClass {
        mass_kg: class().mass_kg * (1.0 + payload),
        ..class()
    }
}

#[test]
fn the_mass_is_found_within_5_percent_from_no_payload_to_a_doubled_mass() {
    let mut noise = Noise(11);
    let (mut told, mut worst) = (0, 0.0_f64);
    for k in 0..60 {
        let truth = loaded(f64::from(k % 6) * 0.2);
        let state = drive(&truth, &declared(), hills(&mut noise), &mut noise);
        if let Some(found) = state.mass_estimate(&declared()) {
            let off = found.mass_kg / truth.mass_kg - 1.0;
            assert!(off.abs() < 0.05, "{k}: {found:?} {}", truth.mass_kg);
            assert!(found.uncertainty < 0.1, "{found:?}");
            told += 1;
            worst = worst.max(off.abs());
        }
    }
    println!("told {told} of 60, the worst off by {:.1} %", 100.0 * worst);
    assert!(told >= 50, "{told}");
}

/// Efficiency, rolling and air resistance and the wind are off as the class says they may be.
#[test]
fn the_interval_covers_the_truth_when_what_is_taken_for_granted_is_off() {
    let mut noise = Noise(5);
    let (mut told, mut inside, mut far) = (0_u32, 0_u32, 0_u32);
    let mut squares = 0.0;
    for k in 0..200 {
        let mut truth = loaded(noise.uniform());
        let d = declared();
        let wind = 2.0 * noise.normal();
        truth.rolling_coefficient = d
            .rolling_coefficient
            .map(|r| r * (1.0 + d.road_load_uncertainty * noise.normal()));
        truth.drag_area_m2 = d.drag_area_m2.map(|a| {
            (a * (1.0 + d.road_load_uncertainty * noise.normal()) * (1.0 + 2.0 * wind / 13.0)).max(0.1)
        });
        let assumed = VehicleClass {
            propulsion_efficiency: Some(0.88 * (1.0 + d.recovery_efficiency_uncertainty * noise.normal())),
            ..d
        };
        let state = drive(&truth, &assumed, hills(&mut noise), &mut noise);
        let Some(found) = state.mass_estimate(&assumed) else {
            continue;
        };
        let z = (found.mass_kg / truth.mass_kg - 1.0) / found.uncertainty;
        told += 1;
        inside += u32::from(z.abs() <= 1.96);
        far += u32::from(z.abs() > 3.5);
        squares += z * z;
        assert!(z.abs() < 4.5, "{k}: {found:?} {}", truth.mass_kg);
    }
    let spread = (squares / f64::from(told)).sqrt();
    println!("told {told}, inside {inside}, spread {spread:.2}");
    assert!(told >= 150, "{told}");
    assert!(
        f64::from(inside) >= 0.93 * f64::from(told) && far == 0,
        "{inside} of {told}, {far} far off"
    );
    assert!(spread > 0.3, "the interval is wider than it need be: {spread}");
}

#[test]
fn where_nothing_can_be_told_nothing_is() {
    let mut noise = Noise(3);
    // Down all the way; and level at steady speed.
    let down = drive(
        &loaded(0.5),
        &declared(),
        Road(vec![(6_000.0, -0.06)]),
        &mut noise,
    );
    assert_eq!(down.mass_estimate(&declared()), None);
    let (b, _) = Drive {
        road: Road(vec![(12_000.0, 0.0)]),
        speed: steady,
        ..Drive::default()
    }
    .run(&loaded(0.5));
    let mut level = VehicleState::new("van-1", opening(BrakeKind::Pressure));
    for from in (0..b.len()).step_by(4_000) {
        level.apply(
            &part(&b, from..b.len().min(from + 4_000)),
            &declared(),
            &Policy::default(),
        );
    }
    assert_eq!(level.mass_estimate(&declared()), None);
}

/// A load that changes while the vehicle stands is not averaged with the one before.
#[test]
fn a_long_stand_and_a_new_session_begin_anew() {
    let road = || Road(vec![(3_000.0, 0.05)]);
    let stop = |seconds| Drive {
        road: road(),
        stop: Some((2_950.0, seconds)),
        step_ms: 500,
        ..Drive::default()
    };
    let run = |seconds: f64| {
        let (b, _) = stop(seconds).run(&loaded(0.6));
        let mut state = VehicleState::new("van-1", opening(BrakeKind::Pressure));
        for from in (0..b.len()).step_by(4_000) {
            state.apply(
                &part(&b, from..b.len().min(from + 4_000)),
                &declared(),
                &Policy::default(),
            );
        }
        // Whatever waits for the road beyond is settled.
        let mut told = state.clone();
        told.finish(&declared(), &Policy::default());
        (told.mass_estimate(&declared()), state)
    };
    let (kept, mut state) = run(5.0);
    assert!((kept.unwrap().mass_kg / 4_800.0 - 1.0).abs() < 0.05, "{kept:?}");
    assert_eq!(run(400.0).0, None);
    let mut other = opening(BrakeKind::Pressure);
    other.session = Session([8; 16]);
    state.open(other, &declared(), &Policy::default());
    assert_eq!(state.mass_estimate(&declared()), None);
}

/// The first mass that is known counts, the estimate only while it says more than the class; and the account of a descent is that
/// of the mass that it names.
#[test]
fn a_descent_is_accounted_with_the_mass_that_it_names() {
    let road = Road(vec![(4_000.0, 0.05), (5_000.0, -0.06), (800.0, 0.0)]);
    for kind in [BrakeKind::Pressure, BrakeKind::Pedal] {
        let truth = loaded(0.6);
        let (b, energies) = Drive {
            road: road.clone(),
            kind,
            friction: 0.3,
            ..Drive::default()
        }
        .run(&truth);
        let run = |class: &VehicleClass, mass: Option<f64>| {
            let mut o = opening(kind);
            o.declared_mass_kg = mass;
            let mut state = VehicleState::new("van-1", o);
            let mut found = Vec::new();
            for from in (0..b.len()).step_by(4_000) {
                let to = b.len().min(from + 4_000);
                found.extend(
                    state
                        .apply(&part(&b, from..to), class, &Policy::default())
                        .finished,
                );
            }
            found.extend(state.finish(class, &Policy::default()).finished);
            found.swap_remove(0).descent
        };
        let estimated = run(&declared(), None);
        assert_eq!(estimated.mass_source, MassSource::Estimated);
        assert!(
            (estimated.mass_kg / truth.mass_kg - 1.0).abs() < 0.05,
            "{}",
            estimated.mass_kg
        );
        let known = run(&declared(), Some(estimated.mass_kg));
        assert_eq!(known.mass_source, MassSource::Declared);
        for (name, a, b) in [
            (
                "potential",
                estimated.potential_released_j,
                known.potential_released_j,
            ),
            ("road load", estimated.road_load_j, known.road_load_j),
            ("available", estimated.available_j.value, known.available_j.value),
            (
                "friction",
                estimated.friction_j.unwrap().value,
                known.friction_j.unwrap().value,
            ),
            ("closure", estimated.closure_j + 1e6, known.closure_j + 1e6),
        ] {
            assert!((a / b - 1.0).abs() < 1e-3, "{kind:?} {name} {a} {b}");
        }
        assert!(energies.braked > 0.0);
        // A class that is sure of its mass keeps it.
        let sure = VehicleClass {
            mass_uncertainty: 0.02,
            ..declared()
        };
        assert_eq!(run(&sure, None).mass_source, MassSource::Class);
        let interval = |e: MassEstimate| {
            (
                e.mass_kg * (1.0 - 1.96 * e.uncertainty),
                e.mass_kg * (1.0 + 1.96 * e.uncertainty),
            )
        };
        let (low, high) = interval(MassEstimate {
            mass_kg: estimated.mass_kg,
            uncertainty: estimated.mass_uncertainty,
        });
        assert!((low..high).contains(&truth.mass_kg));
    }
}

/// Months of driving, many sessions, a descent under way: the state stays within its bound.
#[test]
fn a_long_life_stays_small() {
    let mut state = VehicleState::new("v".repeat(64).as_str(), opening(BrakeKind::Pressure));
    let (b, _) = Drive {
        road: Road(vec![(1_500.0, 0.04), (30_000.0, -0.05)]),
        step_ms: 1_000,
        ..Drive::default()
    }
    .run(&declared());
    let mut largest = 0;
    for day in 0..40_u8 {
        let mut o = opening(BrakeKind::Pressure);
        o.session = Session([day; 16]);
        o.software_version = "9".repeat(64);
        state.open(o, &declared(), &Policy::default());
        let mut today = part(&b, 0..b.len());
        for t in &mut today.time_ms {
            *t += i64::from(day) * 86_400_000;
        }
        for from in (0..today.len()).step_by(400) {
            let to = today.len().min(from + 400);
            let effects = state.apply(&part(&today, from..to), &declared(), &Policy::default());
            assert!(effects.violations.is_empty());
            largest = largest.max(state.to_bytes().len());
        }
        state.record_service(&coldbrake_engine::wear::Service {
            axle: coldbrake_engine::wear::Axle::Both,
            work: coldbrake_engine::wear::Work::PadsAndRotors,
            time_ms: today.time_ms[100],
        });
    }
    println!("largest state {largest} bytes");
    assert!(largest <= 2_048, "{largest}");
}
