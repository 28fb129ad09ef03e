//! Screens of the brakes, and the caution on every screen that shows temperature, wear or risk.

use std::{fs, path::PathBuf};

use coldbrake::{command::brakes, show::CAUTION};
use coldbrake_engine::{
    VehicleClass,
    wear::{AxleWear, BrakeAccount, assess},
};
use coldbrake_proto::{
    brakes::brakes_to_wire,
    v1::{
        BrakeAxle, BrakeUrgency, BrakeUrgencyCount, BrakeWork, ComputeLostRecoveryResponse,
        GetBrakesResponse, ListBrakesResponse, LostRecoveryMass, LostRecoverySpeed,
        RecordBrakeServiceResponse, RecordedBrakeService, VehicleBrakes,
    },
};

use crate::fixture::{CSV, JSON, NARROW, View, WIDE, picture};

const DAY: i64 = 86_400_000;
const NOW: i64 = 1_773_300_560_000;
const VAST: View = View { width: 120, ..WIDE };

macro_rules! pictures {
    ($name:literal, [$($view:ident),+], $print:expr) => {
        $(insta::assert_snapshot!(
            concat!($name, "_", stringify!($view)).to_lowercase(),
            picture($view, $print)
        );)+
    };
}

fn class(pads: bool) -> VehicleClass {
    let mut text = "vehicle_class='van'\nmass_kg=2500.0\nrolling_coefficient=0.01\ndrag_area_m2=1.2\n\
                    max_recovery_power_w=100e3\nnominal_voltage_v=360.0\n"
        .to_owned();
    if pads {
        text += "front_heat_capacity_j_per_k=10e3\nrear_heat_capacity_j_per_k=8e3\nfront_pad_wear_um_per_mj=0.5\n\
                 front_pad_usable_mm=8.0\nrear_pad_wear_um_per_mj=0.5\nrear_pad_usable_mm=8.0\n";
    }
    toml::from_str(&text).unwrap()
}

fn axle(worn_um: f64, recorded: bool) -> AxleWear {
    AxleWear {
        worn_um,
        friction_j: worn_um * 2e6,
        distance_m: 38_400e3,
        since_ms: Some(NOW - 310 * DAY),
        pads_ms: recorded.then_some(NOW - 310 * DAY),
        ..AxleWear::default()
    }
}

fn brakes_of(vehicle: &str, account: &BrakeAccount, pads: bool) -> VehicleBrakes {
    let class = class(pads);
    let assessment = assess(account, &class, 52_000e3, Some(NOW));
    brakes_to_wire(
        vehicle.to_owned(),
        &class,
        account,
        &assessment,
        52_000e3,
        Some(NOW),
    )
}

fn account(front_um: f64, firm_days_ago: i64) -> BrakeAccount {
    BrakeAccount {
        front: axle(front_um, true),
        rear: axle(1_900.0, false),
        known_since_ms: Some(NOW - 400 * DAY),
        last_firm_ms: Some(NOW - firm_days_ago * DAY),
        clean_ms: Some(NOW - firm_days_ago * DAY),
        clean_m: 52_000e3 - firm_days_ago as f64 * 20e3,
        hottest_c: Some(131.0),
        hottest_ms: Some(NOW - 9 * DAY),
        ..BrakeAccount::default()
    }
}

fn worn() -> VehicleBrakes {
    let hot = BrakeAccount {
        hot_descents: 3,
        last_hot_ms: Some(NOW - 2 * DAY),
        hottest_c: Some(231.0),
        ..account(5_600.0, 2)
    };
    brakes_of("van-07", &hot, true)
}

fn fleet() -> ListBrakesResponse {
    let count = |urgency: BrakeUrgency, vehicle_count| BrakeUrgencyCount {
        urgency: urgency.into(),
        vehicle_count,
    };
    ListBrakesResponse {
        brakes: vec![
            worn(),
            brakes_of("van-12", &account(2_000.0, 17), true),
            brakes_of("van-03", &account(2_400.0, 1), true),
            brakes_of("truck-2", &account(0.0, 3), false),
        ],
        counts: vec![
            count(BrakeUrgency::Today, 1),
            count(BrakeUrgency::ThisWeek, 1),
            count(BrakeUrgency::ThisMonth, 0),
            count(BrakeUrgency::NothingDue, 1),
            count(BrakeUrgency::NotKnown, 1),
        ],
    }
}

fn service() -> RecordedBrakeService {
    RecordedBrakeService {
        vehicle: "van-07".into(),
        axle: BrakeAxle::Front.into(),
        work: BrakeWork::Pads.into(),
        service_time_ms: NOW - 310 * DAY,
        by: "north workshop".into(),
        note: "4 mm left".into(),
        recorded_time_ms: NOW - 309 * DAY,
        recorded_by: "local".into(),
    }
}

#[test]
fn brakes_of_the_fleet() {
    pictures!("brakes", [WIDE, NARROW, VAST, JSON, CSV], |p| brakes::print_list(
        &fleet(),
        p
    ));
    let nothing = ListBrakesResponse::default();
    pictures!("brakes_none", [WIDE, JSON], |p| brakes::print_list(&nothing, p));
}

#[test]
fn brakes_of_one_vehicle() {
    let answer = GetBrakesResponse {
        brakes: Some(worn()),
        services: vec![service()],
    };
    pictures!(
        "vehicle_brakes",
        [WIDE, NARROW, JSON, CSV],
        |p| brakes::print_one(&answer, p)
    );
    let little = GetBrakesResponse {
        brakes: Some(brakes_of("truck-2", &BrakeAccount::default(), false)),
        services: Vec::new(),
    };
    pictures!("vehicle_brakes_bare", [WIDE], |p| brakes::print_one(&little, p));
}

#[test]
fn a_service_recorded() {
    let answer = RecordBrakeServiceResponse {
        service: Some(service()),
        changed: true,
    };
    pictures!("brake_service", [WIDE, JSON, CSV], |p| brakes::print_recorded(
        &answer, p
    ));
}

#[test]
fn brakes_without_recovery() {
    let speed = |speed_mps: f64, bottom_c: f64| LostRecoverySpeed {
        speed_mps,
        bottom_c,
        peak_c: bottom_c,
        after_stop_c: bottom_c + 0.06 * speed_mps * speed_mps,
        friction_j: 9.1e6,
        duration_s: 9_840.0 / speed_mps,
        type_ii_multiple: 1.31,
    };
    let mass = |mass_kg: f64, greatest_speed_mps: Option<f64>, any_speed: bool| LostRecoveryMass {
        mass_kg,
        speeds: vec![
            speed(8.333, 131.0 + 0.1 * (mass_kg - 2_500.0)),
            speed(13.889, 137.2 + 0.1 * (mass_kg - 2_500.0)),
            speed(19.444, 160.0 + 0.1 * (mass_kg - 2_500.0)),
        ],
        greatest_speed_mps,
        any_speed,
    };
    let answer = ComputeLostRecoveryResponse {
        vehicle_class: "van".into(),
        drop_m: 612.0,
        distance_m: 9_840.0,
        recovery_left_w: 0.0,
        ambient_c: 11.0,
        start_c: 41.0,
        inspection_temperature_c: 149.0,
        masses: vec![
            mass(2_500.0, Some(11.3), false),
            mass(3_500.0, None, false),
            mass(1_900.0, None, true),
        ],
    };
    let road = "the road of 20260312T071502Z-17 of van-07";
    pictures!("what_if", [WIDE, NARROW, JSON, CSV], |p| brakes::print_what_if(
        road, &answer, p
    ));
    pictures!("what_if_grade", [WIDE, NARROW], |p| brakes::print_what_if(
        "grade north-ramp",
        &answer,
        p
    ));
}

/// Whoever sees a temperature, a thickness or a risk sees the caution beside it: in every picture of every command.
#[test]
fn every_screen_with_temperature_wear_or_risk_has_the_caution() {
    let pictures = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/cli/snapshots");
    let signs = ["°C", "°F", " hot", "emperature", "pads", " worn", "risk", " wear"];
    let mut seen = 0;
    for entry in fs::read_dir(pictures).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        // What a CSV file cannot say stands in the definitions; a class file has a caution of its own.
        let is_screen = ["_wide", "_narrow", "_vast"]
            .iter()
            .any(|view| name.ends_with(view));
        let is_document = name.ends_with("_json") && name.contains("brake");
        let no_estimate = ["class_", "classes", "define_list"]
            .iter()
            .any(|n| name.contains(n));
        if !(is_screen || is_document) || no_estimate {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        // Without the head of the file, and without the talk, which --quiet leaves out.
        let body = text.splitn(3, "---\n").nth(2).unwrap();
        let body = body.split("--- stderr").next().unwrap();
        if !signs.iter().any(|sign| body.contains(sign)) {
            continue;
        }
        let words = body.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains(CAUTION), "{name} lacks the caution:\n{body}");
        seen += 1;
    }
    assert!(seen >= 12, "{seen}");
}
