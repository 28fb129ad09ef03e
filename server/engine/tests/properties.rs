//! What must hold for any drive and any way of sending it.

#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]

mod common;

use coldbrake_engine::{
    Batch, BrakeKind, FinishedDescent, Policy, Session, VehicleState,
    record::{EndReason, Flag, FrictionMethod, StartReason},
};
use common::{Drive, Noise, Road, class, opening, part, steady};
use proptest::prelude::*;

/// Applies a drive in pieces that end at `cuts`; the state goes through its bytes after every piece.
fn apply(
    batch: &Batch,
    kind: BrakeKind,
    cuts: &[usize],
    policy: &Policy,
) -> (Vec<FinishedDescent>, VehicleState) {
    let class = class();
    let mut state = VehicleState::new("van-1", opening(kind));
    let mut finished = Vec::new();
    let mut from = 0;
    let mut ends: Vec<usize> = cuts
        .iter()
        .copied()
        .filter(|c| *c > 0 && *c < batch.len())
        .collect();
    ends.sort_unstable();
    ends.dedup();
    ends.push(batch.len());
    for end in ends {
        while from < end {
            let to = end.min(from + 4096);
            let effects = state.apply(&part(batch, from..to), &class, policy);
            assert!(effects.violations.is_empty(), "{:?}", effects.violations);
            finished.extend(effects.finished);
            from = to;
        }
        let bytes = state.to_bytes();
        assert!(bytes.len() <= 2048, "state of {} bytes", bytes.len());
        state = VehicleState::from_bytes(&bytes).unwrap();
    }
    finished.extend(state.finish(&class, policy).finished);
    (finished, state)
}

fn whole(batch: &Batch, kind: BrakeKind) -> Vec<FinishedDescent> {
    apply(batch, kind, &[], &Policy::default()).0
}

fn noisy(batch: &Batch, seed: u64) -> Batch {
    let mut noise = Noise(seed);
    let mut b = batch.clone();
    for i in 0..b.len() {
        b.altitude_m[i] += 1.5 * noise.normal();
        b.speed_mps[i] = (b.speed_mps[i] + 0.05 * noise.normal()).max(0.0);
        b.current_a[i] += noise.normal();
    }
    b
}

fn roads() -> impl Strategy<Value = Road> {
    proptest::collection::vec((200.0..2500.0_f64, -0.1..0.06_f64), 2..8).prop_map(Road)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    /// Any split of the samples into batches, with the state going through its bytes between, gives the same descents
    /// and the same state.
    #[test]
    fn splitting_changes_nothing(road in roads(), cuts in proptest::collection::vec(1usize..3000, 0..12), seed: u64) {
        let (clean, _) = Drive { road, step_ms: 500, ..Drive::default() }.run(&class());
        let batch = noisy(&clean, seed);
        let policy = Policy::default();
        let (a, sa) = apply(&batch, BrakeKind::Pressure, &[], &policy);
        let (b, sb) = apply(&batch, BrakeKind::Pressure, &cuts, &policy);
        prop_assert_eq!(a, b);
        let (mut sa, mut sb) = (sa, sb);
        // The number of batches differs, and nothing else.
        sa.declare_gap(1_000_000, &class(), &policy);
        sb.declare_gap(1_000_000, &class(), &policy);
        prop_assert_eq!(sa.to_bytes(), sb.to_bytes());
    }

    /// Potential + kinetic + propulsion = road load + available, up to what coasting leaves over; and the account is
    /// that of the drive.
    #[test]
    fn energy_closes(road in roads(), friction in 0.0..0.9_f64) {
        let (batch, _) = Drive { road, friction, step_ms: 200, ..Drive::default() }.run(&class());
        for f in whole(&batch, BrakeKind::Pressure) {
            let d = f.descent;
            let left = d.potential_released_j + d.kinetic_released_j + d.propulsion_j - d.road_load_j - d.available_j.value;
            prop_assert!((left - d.closure_j).abs() < 1.0, "{} {}", left, d.closure_j);
            prop_assert!(d.closure_j.abs() < 0.01 * d.potential_released_j, "{d:?}");
            let causes: f64 = d.friction_by_cause_j.unwrap().to_array().iter().sum();
            prop_assert!((causes - d.friction_j.unwrap().value).abs() < 1e-3);
            let share = d.friction_share.unwrap().value;
            // A knee of the road inside a stretch of 10 m is seen as straight: noticeable in a drop of barely 50 m.
            prop_assert!((share - friction).abs() < 0.005 + 1.0 / d.drop_m, "{share} {friction}");
            prop_assert!(d.drop_m >= 50.0 && d.climb_m < d.drop_m);
            prop_assert!(f.profile.len() <= coldbrake_engine::profile::MAX_POINTS + 1);
        }
    }

    /// Bytes from anywhere never panic.
    #[test]
    fn foreign_state_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
        for version in [1, 2] {
            let mut versioned = vec![version];
            versioned.extend(&bytes);
            let _ = VehicleState::from_bytes(&versioned);
        }
        let _ = VehicleState::from_bytes(&bytes);
    }
}

#[test]
fn one_descent_with_the_energies_of_the_drive() {
    let road = Road(vec![(600.0, 0.0), (6000.0, -0.06), (300.0, 0.0)]);
    let (batch, truth) = Drive {
        road,
        speed: steady,
        ..Drive::default()
    }
    .run(&class());
    let found = whole(&batch, BrakeKind::Pressure);
    let d = &found[0].descent;
    assert_eq!(found.len(), 1);
    assert!((d.drop_m - 360.0).abs() < 0.5, "{}", d.drop_m);
    assert!((d.distance_m - 6000.0).abs() < 30.0, "{}", d.distance_m);
    assert!((d.available_j.value / truth.braked - 1.0).abs() < 0.003);
    assert!((d.recovered_j.value / truth.charged - 1.0).abs() < 0.002);
    assert!((d.friction_j.unwrap().value / truth.friction - 1.0).abs() < 0.003);
    assert!((d.recovered_wheels_j / (truth.braked - truth.friction) - 1.0).abs() < 0.005);
    assert!((d.steepest_gradient.unwrap() + 0.06).abs() < 1e-3);
    assert_eq!(
        (d.start_reason, d.end_reason),
        (StartReason::Crest, EndReason::SessionEnd)
    );
    assert!(d.brake_temperature_peak_c.unwrap() > d.brake_temperature_start_c.unwrap());
}

#[test]
fn every_brake_signal_gives_the_friction_that_was_used() {
    for (kind, method) in [
        (BrakeKind::Pressure, FrictionMethod::Measured),
        (BrakeKind::Torque, FrictionMethod::Measured),
        (BrakeKind::Pedal, FrictionMethod::Balance),
        (BrakeKind::Applied, FrictionMethod::Balance),
    ] {
        let (batch, truth) = Drive {
            kind,
            friction: 0.3,
            speed: steady,
            ..Drive::default()
        }
        .run(&class());
        let found = whole(&batch, kind);
        let d = &found[0].descent;
        assert_eq!(d.friction_method, Some(method));
        let friction = d.friction_j.unwrap().value;
        assert!(
            (friction / truth.friction - 1.0).abs() < 0.01,
            "{kind:?} {friction} {}",
            truth.friction
        );
        assert_eq!(
            d.flags.contains(Flag::FrictionByBalance),
            method == FrictionMethod::Balance
        );
    }
}

#[test]
fn a_vehicle_that_never_touches_the_brake_has_no_friction_rather_than_an_unknown_one() {
    let (batch, _) = Drive {
        friction: 0.0,
        kind: BrakeKind::Pedal,
        ..Drive::default()
    }
    .run(&class());
    let d = &whole(&batch, BrakeKind::Pedal)[0].descent;
    assert!(d.friction_j.unwrap().value.abs() < 1e-6);
    assert_eq!(d.brake_applications, 0);
    assert_eq!(d.friction_free_event_share, Some(1.0));
}

#[test]
fn standing_for_minutes_stays_inside_one_descent_and_brakes_cool() {
    let drive = Drive {
        stop: Some((3000.0, 600.0)),
        step_ms: 500,
        speed: steady,
        ..Drive::default()
    };
    let (batch, truth) = drive.run(&class());
    let found = whole(&batch, BrakeKind::Pressure);
    assert_eq!(found.len(), 1);
    let d = &found[0].descent;
    assert!((d.standing_s - 600.0).abs() < 3.0, "{}", d.standing_s);
    // 20 bar held at standstill does no work.
    assert!((d.friction_j.unwrap().value / truth.friction - 1.0).abs() < 0.02);
}

#[test]
fn standing_for_longer_than_the_rule_ends_the_descent() {
    let drive = Drive {
        stop: Some((3000.0, 1300.0)),
        step_ms: 1000,
        ..Drive::default()
    };
    let found = whole(&drive.run(&class()).0, BrakeKind::Pressure);
    assert_eq!(found.len(), 2);
    assert_eq!(found[0].descent.end_reason, EndReason::Standstill);
    assert_eq!(found[1].descent.end_reason, EndReason::Level);
    let drops = found[0].descent.drop_m + found[1].descent.drop_m;
    assert!((drops - 300.0).abs() < 2.5, "{drops}");
}

#[test]
fn a_climb_of_less_than_the_rule_stays_inside() {
    for (climb, count) in [(10.0, 1), (25.0, 2)] {
        let road = Road(vec![
            (500.0, 0.0),
            (2000.0, -0.06),
            (climb / 0.05, 0.05),
            (2000.0, -0.06),
            (800.0, 0.0),
        ]);
        let found = whole(
            &Drive {
                road,
                ..Drive::default()
            }
            .run(&class())
            .0,
            BrakeKind::Pressure,
        );
        assert_eq!(found.len(), count, "{climb}");
        if count == 1 {
            assert!((found[0].descent.climb_m - climb).abs() < 0.5);
        } else {
            assert_eq!(found[0].descent.end_reason, EndReason::Climb);
        }
    }
}

#[test]
fn the_top_of_a_surveyed_road_is_its_highest_point_however_gently_it_begins_to_fall() {
    let road = Road(vec![
        (600.0, 0.05),
        (250.0, -0.02),
        (2_000.0, -0.06),
        (400.0, 0.0),
    ]);
    let drive = Drive {
        road,
        step_ms: 100,
        ..Drive::default()
    };
    let policy = Policy {
        altitude_noise_m: Some(0.0),
        ..Policy::default()
    };
    let (batch, _) = drive.run(&class());
    let highest = batch.altitude_m.iter().copied().fold(f64::MIN, f64::max);
    let finished = apply(&batch, BrakeKind::Pressure, &[], &policy).0;
    assert_eq!(finished.len(), 1);
    let top = finished[0].descent.top_altitude_m;
    assert!((top - highest).abs() < 1e-3, "{top} m, the road has {highest} m");
}

#[test]
fn a_long_level_stretch_ends_the_descent_at_its_lowest_point() {
    let road = Road(vec![
        (500.0, 0.0),
        (2000.0, -0.06),
        (900.0, 0.0),
        (2000.0, -0.06),
        (500.0, 0.0),
    ]);
    let found = whole(
        &Drive {
            road,
            ..Drive::default()
        }
        .run(&class())
        .0,
        BrakeKind::Pressure,
    );
    assert_eq!(found.len(), 2);
    assert_eq!(found[0].descent.end_reason, EndReason::Level);
    assert!((found[0].descent.distance_m - 2000.0).abs() < 40.0);
}

#[test]
fn a_short_gap_is_bridged_and_flagged_and_a_long_one_ends_the_descent() {
    let (batch, truth) = Drive {
        speed: steady,
        ..Drive::default()
    }
    .run(&class());
    let without = |from: usize, to: usize| {
        let mut b = part(&batch, 0..from);
        let rest = part(&batch, to..batch.len());
        b.time_ms.extend(rest.time_ms);
        for (column, more) in [
            (&mut b.speed_mps, rest.speed_mps),
            (&mut b.altitude_m, rest.altitude_m),
            (&mut b.brake, rest.brake),
            (&mut b.current_a, rest.current_a),
            (&mut b.voltage_v, rest.voltage_v),
            (&mut b.state_of_charge, rest.state_of_charge),
        ] {
            column.extend(more);
        }
        b
    };
    // 12 s at five samples a second.
    let bridged = whole(&without(900, 960), BrakeKind::Pressure);
    assert_eq!(bridged.len(), 1);
    let d = &bridged[0].descent;
    assert!(d.flags.contains(Flag::BridgedGap));
    assert!((d.longest_gap_s - 12.2).abs() < 0.11, "{}", d.longest_gap_s);
    assert!((d.available_j.value / truth.braked - 1.0).abs() < 0.01);
    assert!(d.coverage < 0.98);
    // 40 s.
    let cut = whole(&without(900, 1100), BrakeKind::Pressure);
    assert_eq!(cut.len(), 2);
    assert_eq!(cut[0].descent.end_reason, EndReason::DataGap);
    assert_eq!(cut[1].descent.start_reason, StartReason::AfterGap);
}

#[test]
fn a_clock_set_back_ends_the_descent_and_is_flagged() {
    let (mut batch, _) = Drive {
        speed: steady,
        ..Drive::default()
    }
    .run(&class());
    for t in &mut batch.time_ms[1000..] {
        *t -= 3_600_000;
    }
    let found = whole(&batch, BrakeKind::Pressure);
    assert_eq!(found[0].descent.end_reason, EndReason::ClockJump);
    assert!(found[0].descent.flags.contains(Flag::ClockJump));
    let mut years = Drive {
        speed: steady,
        ..Drive::default()
    }
    .run(&class())
    .0;
    for t in &mut years.time_ms[1000..] {
        *t += 20 * 365 * 86_400_000;
    }
    assert_eq!(
        whole(&years, BrakeKind::Pressure)[0].descent.end_reason,
        EndReason::ClockJump
    );
}

#[test]
fn the_wrong_current_sign_is_refused_before_a_descent_is_recorded() {
    let (mut batch, _) = Drive::default().run(&class());
    batch.current_a.iter_mut().for_each(|i| *i = -*i);
    let class = class();
    let policy = Policy::default();
    let mut state = VehicleState::new("van-1", opening(BrakeKind::Pressure));
    let mut refused = 0;
    for from in (0..batch.len()).step_by(50) {
        let effects = state.apply(&part(&batch, from..batch.len().min(from + 50)), &class, &policy);
        assert!(effects.finished.is_empty());
        if let Some(v) = effects.violations.first() {
            assert!(v.description.contains("discharge-positive"), "{}", v.description);
            refused += 1;
        }
    }
    assert!(refused > 10);
    assert!(state.finish(&class, &policy).finished.is_empty());
    // The next session may declare it right.
    let mut next = opening(BrakeKind::Pressure);
    next.session = Session([8; 16]);
    next.current_sign = coldbrake_engine::CurrentSign::DischargePositive;
    state.open(next, &class, &policy);
    let mut found = 0;
    for from in (0..batch.len()).step_by(50) {
        let effects = state.apply(&part(&batch, from..batch.len().min(from + 50)), &class, &policy);
        assert!(effects.violations.is_empty());
        found += effects.finished.len();
    }
    assert_eq!(found + state.finish(&class, &policy).finished.len(), 1);
}

#[test]
fn a_single_altitude_spike_changes_nothing_and_a_step_is_taken_out() {
    let (batch, _) = Drive {
        speed: steady,
        ..Drive::default()
    }
    .run(&class());
    let clean = &whole(&batch, BrakeKind::Pressure)[0].descent;
    let mut spike = batch.clone();
    spike.altitude_m[1000] += 80.0;
    let found = whole(&spike, BrakeKind::Pressure);
    assert_eq!(found.len(), 1);
    assert!((found[0].descent.available_j.value / clean.available_j.value - 1.0).abs() < 1e-3);
    let mut step = batch.clone();
    step.altitude_m[1000..].iter_mut().for_each(|h| *h += 60.0);
    let found = whole(&step, BrakeKind::Pressure);
    assert_eq!(found.len(), 1);
    assert!(found[0].descent.flags.contains(Flag::AltitudeStep));
    assert!(
        (found[0].descent.drop_m - clean.drop_m).abs() < 1.5,
        "{}",
        found[0].descent.drop_m
    );
}

#[test]
fn altitude_lost_in_a_short_tunnel_is_bridged_and_in_a_long_one_ends_the_descent() {
    let (batch, _) = Drive {
        speed: steady,
        ..Drive::default()
    }
    .run(&class());
    let clean = &whole(&batch, BrakeKind::Pressure)[0].descent;
    // 14 m/s and five samples a second: 90 samples are 250 m, 180 are 500 m.
    let held = |count: usize| {
        let mut b = batch.clone();
        let h = b.altitude_m[800];
        b.altitude_m[800..800 + count].iter_mut().for_each(|x| *x = h);
        whole(&b, BrakeKind::Pressure)
    };
    let short = held(90);
    assert_eq!(short.len(), 1);
    assert!(short[0].descent.flags.contains(Flag::AltitudeFrozen));
    assert!((short[0].descent.drop_m - clean.drop_m).abs() < 0.5);
    assert!((short[0].descent.available_j.value / clean.available_j.value - 1.0).abs() < 5e-3);
    let long = held(180);
    assert!(long[0].descent.flags.contains(Flag::AltitudeFrozen));
    assert_eq!(long[0].descent.end_reason, EndReason::DataGap);
}

#[test]
fn the_same_session_again_continues_and_another_ends_what_was_open() {
    let (batch, _) = Drive::default().run(&class());
    let class = class();
    let policy = Policy::default();
    let mut state = VehicleState::new("van-1", opening(BrakeKind::Pressure));
    state.apply(&part(&batch, 0..1200), &class, &policy);
    assert!(
        state
            .open(opening(BrakeKind::Pressure), &class, &policy)
            .finished
            .is_empty()
    );
    assert_eq!(state.applied_through(), 1);
    let mut next = opening(BrakeKind::Pressure);
    next.session = Session([9; 16]);
    let effects = state.open(next, &class, &policy);
    assert_eq!(effects.finished[0].descent.end_reason, EndReason::SessionEnd);
    assert_eq!(state.applied_through(), 0);
}

#[test]
fn a_refused_batch_uses_up_its_number_and_flags_the_descent() {
    let (batch, _) = Drive {
        speed: steady,
        ..Drive::default()
    }
    .run(&class());
    let class = class();
    let policy = Policy::default();
    let mut state = VehicleState::new("van-1", opening(BrakeKind::Pressure));
    state.apply(&part(&batch, 0..900), &class, &policy);
    let mut bad = part(&batch, 900..950);
    bad.speed_mps[3] = f64::NAN;
    assert_eq!(
        state.apply(&bad, &class, &policy).violations[0].field,
        "speed_mps[3]"
    );
    let mut found = state
        .apply(&part(&batch, 950..batch.len()), &class, &policy)
        .finished;
    assert_eq!((state.applied_through(), state.refused_batch_count()), (3, 1));
    found.extend(state.finish(&class, &policy).finished);
    assert!(found[0].descent.flags.contains(Flag::BatchRefused));
    assert!(found[0].descent.flags.contains(Flag::BridgedGap));
}

#[test]
fn a_vehicle_that_comes_back_to_an_earlier_session_is_not_counted_twice() {
    let (batch, _) = Drive::default().run(&class());
    let class = class();
    let policy = Policy::default();
    let mut state = VehicleState::new("van-1", opening(BrakeKind::Pressure));
    state.apply(&part(&batch, 0..500), &class, &policy);
    state.apply(&part(&batch, 500..900), &class, &policy);
    let mut other = opening(BrakeKind::Pressure);
    other.session = Session([9; 16]);
    state.open(other, &class, &policy);
    assert_eq!(state.applied_through(), 0);
    state.open(opening(BrakeKind::Pressure), &class, &policy);
    assert_eq!(state.applied_through(), 2);
}
