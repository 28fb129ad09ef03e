use coldbrake_engine::{
    Descent, ProfilePoint,
    record::{EndReason, Estimate, Flag, Flags, FrictionByCause, FrictionMethod, MassSource, StartReason},
};
use serde_json::{Value, json};

use super::*;

/// A descent with everything present.
pub(crate) fn descent() -> Descent {
    let estimate = |value: f64| Estimate {
        value,
        low: value * 0.9,
        high: value * 1.1,
    };
    Descent {
        descent: "20260312T071502Z-17".into(),
        vehicle: "van-07".into(),
        vehicle_class: "van".into(),
        software_version: "4.2.0".into(),
        grade: None,
        grade_match: None,
        top_position: None,
        bottom_position: None,
        start_time_ms: 1_773_299_702_123,
        end_time_ms: 1_773_300_702_000,
        start_reason: StartReason::Crest,
        end_reason: EndReason::SessionEnd,
        drop_m: 600.5,
        top_altitude_m: 1_500.0,
        climb_m: 0.0,
        distance_m: 10_000.0,
        mean_gradient: -0.06,
        steepest_gradient: Some(-0.08),
        duration_s: 1_000.0,
        moving_s: 990.0,
        standing_s: 10.0,
        mean_speed_mps: 10.1,
        top_speed_mps: 16.0,
        potential_released_j: 14e6,
        kinetic_released_j: 1e3,
        road_load_j: 4e6,
        propulsion_j: 0.0,
        available_j: estimate(10e6),
        recovered_j: estimate(7e6),
        discharged_j: 1e5,
        battery_net_j: 6.9e6,
        auxiliary_j: 6e5,
        recovered_wheels_j: 8.6e6,
        friction_j: Some(estimate(1.4e6)),
        friction_method: Some(FrictionMethod::Measured),
        friction_by_cause_j: Some(FrictionByCause::from_array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0])),
        closure_j: 12.0,
        recovery_ratio: Some(estimate(0.7)),
        recovery_ratio_wheels: Some(estimate(0.86)),
        friction_share: Some(estimate(0.14)),
        gross_recovery_ratio: Some(0.5),
        peak_recovery_w: 60e3,
        peak_friction_w: Some(40e3),
        brake_applications: 12,
        braking_events: 20,
        friction_free_event_share: Some(0.4),
        friction_free_energy_share: Some(0.8),
        friction_time_share: Some(0.1),
        friction_kj_per_km: Some(140.0),
        friction_kj_per_t_100m: Some(90.0),
        unexplained_kj_per_t_100m: Some(1.0),
        type_ii_multiple: 1.6,
        brake_temperature_start_c: Some(30.0),
        brake_temperature_peak_c: Some(140.0),
        measured_brake_temperature_start_c: None,
        measured_brake_temperature_peak_c: None,
        above_inspection_temperature_s: 0.0,
        state_of_charge_start: Some(0.5),
        state_of_charge_end: Some(0.55),
        ambient_c: Some(0.0),
        mass_kg: 2_500.0,
        mass_source: MassSource::Class,
        mass_uncertainty: 0.05,
        sample_count: 9_900,
        coverage: 1.0,
        longest_gap_s: 0.1,
        altitude_noise_m: 0.7,
        flags: Flags::default()
            .with(Flag::MassAssumed)
            .with(Flag::VoltageAssumed),
    }
}

#[test]
fn a_descent_is_flat_json_with_the_names_of_its_fields() {
    let object = descent_json(&descent());
    assert_eq!(object["available_j"], json!(10e6));
    assert_eq!(object["available_j_low"], json!(9e6));
    assert_eq!(object["recovery_ratio_high"], json!(0.7 * 1.1));
    assert_eq!(object["start_time"], json!("2026-03-12T07:15:02.123Z"));
    assert_eq!(object["end_time"], json!("2026-03-12T07:31:42.000Z"));
    assert_eq!(object["start_reason"], json!("crest"));
    assert_eq!(object["end_reason"], json!("session_end"));
    assert_eq!(object["friction_by_cause_j"]["hard_braking"], json!(2.0));
    assert_eq!(object["friction_by_cause_j"].as_object().unwrap().len(), 7);
    assert_eq!(object["flags"], json!(["voltage_assumed", "mass_assumed"]));
    assert_eq!(object["grade"], Value::Null);
    assert_eq!(object["measured_brake_temperature_peak_c"], Value::Null);
    assert_eq!(object["ambient_c"], json!(0.0));
    assert_eq!(
        object.keys().next().unwrap(),
        "descent",
        "the order of the fields is kept"
    );
}

/// The record's own serialisation knows every field: none may be forgotten here.
#[test]
fn every_field_of_the_record_is_written() {
    let record = serde_json::to_value(descent()).unwrap();
    let object = descent_json(&descent());
    for (name, value) in record.as_object().unwrap() {
        let written = match name.as_str() {
            "start_time_ms" => "start_time",
            "end_time_ms" => "end_time",
            "top_position" => "top_longitude_deg",
            "bottom_position" => "bottom_longitude_deg",
            other => other,
        };
        let found = object
            .get(written)
            .unwrap_or_else(|| panic!("{written} is not written"));
        if value.is_number() && found.is_number() {
            assert_eq!(value.as_f64(), found.as_f64(), "{written}");
        }
        if value.get("low").is_some() {
            assert!(
                object.contains_key(&format!("{written}_low"))
                    && object.contains_key(&format!("{written}_high"))
            );
        }
    }
}

#[test]
fn absent_is_null_and_an_empty_cell_never_zero() {
    let mut d = descent();
    d.friction_j = None;
    d.friction_method = None;
    d.friction_by_cause_j = None;
    d.friction_share = None;
    let object = descent_json(&d);
    for name in [
        "friction_j",
        "friction_j_low",
        "friction_by_cause_j",
        "friction_method",
        "friction_share_high",
    ] {
        assert_eq!(object[name], Value::Null, "{name}");
    }
    let row: Vec<_> = descent_csv_header()
        .into_iter()
        .zip(descent_csv_row(&d))
        .collect();
    for name in [
        "friction_j",
        "friction_unexplained_j",
        "friction_share_low",
        "grade",
    ] {
        assert_eq!(row.iter().find(|(n, _)| *n == name).unwrap().1, "", "{name}");
    }
}

#[test]
fn csv_has_one_cell_for_every_name() {
    let header = descent_csv_header();
    let row = descent_csv_row(&descent());
    assert_eq!(header.len(), row.len());
    let cell = |name: &str| row[header.iter().position(|n| *n == name).unwrap()].as_str();
    assert_eq!(cell("friction_power_limited_j"), "6");
    assert_eq!(cell("flags"), "voltage_assumed mass_assumed");
    assert_eq!(cell("mean_gradient"), "-0.06");
    let mut unique = header.clone();
    unique.sort_unstable();
    unique.dedup();
    assert_eq!(unique.len(), header.len());
}

#[test]
fn a_profile_keeps_its_short_numbers() {
    let point = ProfilePoint {
        distance_m: 0.1,
        friction_w: None,
        speed_mps: 12.3,
        ..ProfilePoint::default()
    };
    assert_eq!(
        profile_json(&[point])[0],
        json!({
            "distance_m": 0.1, "altitude_m": 0.0, "friction_w": null, "recovery_w": 0.0, "speed_mps": 12.3,
            "brake_temperature_c": null
        })
    );
}

#[test]
fn zero_has_no_sign() {
    assert_eq!(Cell::Number(-0.0).to_csv(), "0");
    assert_eq!(Cell::Number(-0.0).to_json().to_string(), "0.0");
}
