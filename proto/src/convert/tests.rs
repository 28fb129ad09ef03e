use coldbrake_engine::{
    BrakeKind, CurrentSign, Descent, Opening, ProfilePoint, Session,
    grade::{GradeMatch, GradeOutcome, Position},
    record::{EndReason, Estimate, Flag, Flags, FrictionByCause, FrictionMethod, MassSource, StartReason},
};
use prost::Message as _;

use super::*;

/// Every number differs from every other, so that a swapped field shows.
fn descent() -> Descent {
    let mut n = 0.0;
    let mut next = || {
        n += 1.25;
        n
    };
    let estimate = |v: f64| Estimate {
        value: v,
        low: v - 0.5,
        high: v + 0.25,
    };
    Descent {
        descent: "20260312T071502Z-17".into(),
        vehicle: "van-07".into(),
        vehicle_class: "van".into(),
        software_version: "4.2.0".into(),
        grade: Some("north".into()),
        grade_match: Some(GradeMatch {
            outcome: GradeOutcome::Matched,
            nearest: Some("north".into()),
            score: Some(next()),
            coverage: Some(next()),
            second: Some("south".into()),
            by_position: true,
        }),
        top_position: Some(Position {
            latitude_deg: next(),
            longitude_deg: -next(),
        }),
        bottom_position: Some(Position {
            latitude_deg: next(),
            longitude_deg: -next(),
        }),
        start_time_ms: 1_773_299_702_123,
        end_time_ms: 1_773_300_702_456,
        start_reason: StartReason::AfterGap,
        end_reason: EndReason::Standstill,
        drop_m: next(),
        top_altitude_m: next(),
        climb_m: next(),
        distance_m: next(),
        mean_gradient: -next(),
        steepest_gradient: Some(-next()),
        duration_s: next(),
        moving_s: next(),
        standing_s: next(),
        mean_speed_mps: next(),
        top_speed_mps: next(),
        potential_released_j: next(),
        kinetic_released_j: next(),
        road_load_j: next(),
        propulsion_j: next(),
        available_j: estimate(next()),
        recovered_j: estimate(next()),
        discharged_j: next(),
        battery_net_j: next(),
        auxiliary_j: next(),
        recovered_wheels_j: next(),
        friction_j: Some(estimate(next())),
        friction_method: Some(FrictionMethod::Balance),
        friction_by_cause_j: Some(FrictionByCause::from_array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0])),
        closure_j: next(),
        recovery_ratio: Some(estimate(next())),
        recovery_ratio_wheels: Some(estimate(next())),
        friction_share: Some(estimate(next())),
        gross_recovery_ratio: Some(next()),
        peak_recovery_w: next(),
        peak_friction_w: Some(next()),
        brake_applications: 41,
        braking_events: 42,
        friction_free_event_share: Some(next()),
        friction_free_energy_share: Some(next()),
        friction_time_share: Some(next()),
        friction_kj_per_km: Some(next()),
        friction_kj_per_t_100m: Some(next()),
        unexplained_kj_per_t_100m: Some(next()),
        type_ii_multiple: next(),
        brake_temperature_start_c: Some(next()),
        brake_temperature_peak_c: Some(next()),
        measured_brake_temperature_start_c: Some(next()),
        measured_brake_temperature_peak_c: Some(next()),
        above_inspection_temperature_s: next(),
        state_of_charge_start: Some(next()),
        state_of_charge_end: Some(next()),
        ambient_c: Some(next()),
        mass_kg: next(),
        mass_source: MassSource::Reported,
        mass_uncertainty: next(),
        sample_count: 43,
        coverage: next(),
        longest_gap_s: next(),
        altitude_noise_m: next(),
        flags: Flags::default().with(Flag::BridgedGap).with(Flag::BatchRefused),
    }
}

fn over_the_wire(d: &Descent) -> Descent {
    let bytes = descent_to_wire(d).encode_to_vec();
    descent_from_wire(&v1::Descent::decode(bytes.as_slice()).unwrap()).unwrap()
}

#[test]
fn a_descent_comes_back_to_the_last_bit() {
    let full = descent();
    assert_eq!(over_the_wire(&full), full);
}

#[test]
fn absent_stays_absent_and_zero_stays_zero() {
    let mut d = descent();
    d.grade = None;
    d.grade_match = None;
    d.top_position = None;
    d.bottom_position = None;
    d.friction_j = None;
    d.friction_method = None;
    d.friction_by_cause_j = None;
    d.recovery_ratio = None;
    d.recovery_ratio_wheels = None;
    d.friction_share = None;
    d.steepest_gradient = None;
    d.ambient_c = Some(0.0);
    d.state_of_charge_end = None;
    d.flags = Flags::default();
    assert_eq!(over_the_wire(&d), d);
}

#[test]
fn every_value_of_every_enumeration_comes_back() {
    for s in StartReason::ALL {
        for e in EndReason::ALL {
            for m in MassSource::ALL {
                let d = Descent {
                    start_reason: *s,
                    end_reason: *e,
                    mass_source: *m,
                    ..descent()
                };
                assert_eq!(over_the_wire(&d), d);
            }
        }
    }
    for outcome in GradeOutcome::ALL {
        let mut d = descent();
        d.grade_match.as_mut().unwrap().outcome = outcome;
        assert_eq!(over_the_wire(&d), d);
    }
    for flag in Flag::ALL {
        let d = Descent {
            flags: Flags::default().with(*flag),
            ..descent()
        };
        assert_eq!(over_the_wire(&d), d);
    }
}

#[test]
fn a_foreign_message_is_refused_with_the_field() {
    let mut m = descent_to_wire(&descent());
    m.available_j = None;
    assert_eq!(descent_from_wire(&m), Err(ConvertError::Missing("available_j")));
    let mut m = descent_to_wire(&descent());
    m.end_reason = 77;
    let error = descent_from_wire(&m).unwrap_err();
    assert_eq!(
        error,
        ConvertError::UnknownValue {
            field: "end_reason",
            value: 77
        }
    );
    let mut m = descent_to_wire(&descent());
    m.sample_count = -1;
    assert_eq!(
        descent_from_wire(&m),
        Err(ConvertError::NoCount {
            field: "sample_count",
            value: -1
        })
    );
    let mut m = descent_to_wire(&descent());
    m.flags.push(200);
    assert!(descent_from_wire(&m).is_err());
}

#[test]
fn a_profile_comes_back() {
    let profile = vec![
        ProfilePoint {
            distance_m: 250.0,
            altitude_m: 1.5,
            friction_w: None,
            ..ProfilePoint::default()
        },
        ProfilePoint {
            distance_m: 500.0,
            altitude_m: -2.5,
            friction_w: Some(0.0),
            recovery_w: 3.0,
            speed_mps: 4.0,
            brake_temperature_c: Some(5.0),
        },
    ];
    assert_eq!(profile_from_wire(&profile_to_wire(&profile)), profile);
}

fn opening() -> Opening {
    Opening {
        session: Session([7; 16]),
        software_version: "4.2.0".into(),
        brake_kind: BrakeKind::Pedal,
        current_sign: CurrentSign::DischargePositive,
        declared_mass_kg: Some(2_640.0),
        declared_mass_uncertainty: Some(0.02),
    }
}

#[test]
fn an_opening_comes_back() {
    for kind in [
        BrakeKind::Torque,
        BrakeKind::Pressure,
        BrakeKind::Pedal,
        BrakeKind::Applied,
    ] {
        for sign in [CurrentSign::ChargePositive, CurrentSign::DischargePositive] {
            let o = Opening {
                brake_kind: kind,
                current_sign: sign,
                ..opening()
            };
            assert_eq!(
                opening_from_wire(&opening_to_wire("van-07", "van", &o)).unwrap(),
                o
            );
        }
    }
}

#[test]
fn every_mistake_of_an_opening_is_named_at_once() {
    let fields = |m: &v1::OpenStream| {
        opening_from_wire(m)
            .unwrap_err()
            .into_iter()
            .map(|v| v.field)
            .collect::<Vec<_>>()
    };
    assert_eq!(
        fields(&v1::OpenStream::default()),
        [
            "vehicle",
            "vehicle_class",
            "software_version",
            "session",
            "brake_kind",
            "current_sign"
        ]
    );
    let mut m = opening_to_wire("van-07", "van", &opening());
    m.declared_mass_kg = Some(f64::NAN);
    m.declared_mass_uncertainty = Some(3.0);
    assert_eq!(fields(&m), ["declared_mass_kg", "declared_mass_uncertainty"]);
    m.declared_mass_kg = None;
    m.declared_mass_uncertainty = Some(0.02);
    assert_eq!(fields(&m), ["declared_mass_uncertainty"]);
    m.session.push(0);
    assert_eq!(fields(&m), ["session", "declared_mass_uncertainty"]);
}
