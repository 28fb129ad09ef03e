//! Screens of alarms, as pictures.

use coldbrake::command::alarms::{rules, screen};
use coldbrake_engine::alarm::{
    Alarm, Event, Kind, Rule, Stage, What,
    plan::HeadRoom,
    record::{Closing, Evidence, Sign},
    scope::Scope,
};
use coldbrake_proto::{
    alarm::{alarm_to_wire, event_to_wire},
    v1::{self, AlarmRule, GetAlarmDeliveryResponse, PreviewAlarmsResponse},
};

use crate::fixture::{CSV, JSON, NARROW, WIDE, picture};

/// One picture per view, in one file.
macro_rules! pictures {
    ($name:literal, [$($view:ident),+], $print:expr) => {
        $(insta::assert_snapshot!(
            concat!($name, "_", stringify!($view)).to_lowercase(),
            picture($view, $print)
        );)+
    };
}

fn names(list: &[&str]) -> Vec<String> {
    list.iter().map(|n| (*n).to_owned()).collect()
}

/// One vehicle with a dragging brake.
fn dragging() -> Alarm {
    Alarm {
        alarm: "20260312T073400Z-4db9".into(),
        kind: Kind::UnexplainedFriction,
        sign: Sign::Spike,
        stage: Stage::Acknowledged,
        vehicle_class: "van".into(),
        scope: Scope {
            vehicle: Some("van-07".into()),
            ..Scope::default()
        },
        vehicle: "van-07".into(),
        descent: "20260312T071502Z-17".into(),
        raised_ms: 1_773_300_840_000,
        latest_ms: 1_773_387_240_000,
        evidence: Evidence {
            high: 9,
            descents: 11,
            vehicles: names(&["van-07"]),
            grades: names(&["harrow-pass-east", "mill-hill", "tarn-steps"]),
            software_versions: names(&["4.2.0"]),
            passes: Vec::new(),
        },
        value: 118.4,
        usual: Some(31.2),
        limit: 84.7,
        level: 4.1,
        quiet_run: 1,
        quieted_until_ms: None,
        person: "local".into(),
        note: "workshop on Monday".into(),
        closed_ms: None,
        closing: None,
        head_room: None,
    }
}

fn blank(alarm: &str, kind: Kind, scope: Scope) -> Alarm {
    Alarm {
        alarm: alarm.into(),
        kind,
        scope,
        stage: Stage::Raised,
        person: String::new(),
        note: String::new(),
        ..dragging()
    }
}

/// One that is over: a drift of a software version.
fn drifted() -> Alarm {
    Alarm {
        sign: Sign::Drift,
        stage: Stage::Closed,
        closed_ms: Some(1_773_473_640_000),
        closing: Some(Closing::Quiet),
        evidence: Evidence {
            high: 31,
            descents: 64,
            vehicles: names(&["van-03", "van-07", "van-11"]),
            ..dragging().evidence
        },
        ..blank(
            "20260310T181500Z-90aa",
            Kind::UnexplainedFriction,
            Scope {
                software_version: Some("4.2.0".into()),
                ..Scope::default()
            },
        )
    }
}

/// One whose scope is not clear yet.
fn unclear() -> Alarm {
    Alarm {
        stage: Stage::Quieted,
        quieted_until_ms: Some(1_773_532_800_000),
        ..blank(
            "20260311T091200Z-01c2",
            Kind::UnexplainedFriction,
            Scope {
                vehicle: Some("van-11".into()),
                grade: Some("tarn-steps".into()),
                software_version: None,
            },
        )
    }
}

/// A planning message.
fn full() -> Alarm {
    Alarm {
        sign: Sign::Count,
        value: 214.0,
        usual: None,
        limit: 30.0,
        head_room: Some(HeadRoom {
            arrive_at_or_below: 0.874,
            expected_j: 6.4 * 3.6e6,
            capacity_j: 66.6 * 3.6e6,
            mass_kg: 3_180.0,
        }),
        ..blank(
            "20260312T081000Z-77fe",
            Kind::BatteryFull,
            Scope {
                grade: Some("harrow-pass-east".into()),
                ..Scope::default()
            },
        )
    }
}

fn hot() -> Alarm {
    Alarm {
        sign: Sign::Count,
        value: 3.0,
        usual: None,
        limit: 3.0,
        ..blank("20260312T101500Z-5ace", Kind::HotBrakes, dragging().scope)
    }
}

fn unused() -> Alarm {
    Alarm {
        sign: Sign::Count,
        value: 15.2,
        usual: None,
        limit: 14.0,
        level: 15.2,
        ..blank("20260312T111500Z-5acf", Kind::UnusedBrakes, dragging().scope)
    }
}

fn all() -> Vec<v1::Alarm> {
    [unused(), hot(), full(), dragging(), unclear(), drifted()]
        .iter()
        .map(alarm_to_wire)
        .collect()
}

#[test]
fn lists() {
    let rows = all();
    pictures!("alarms", [WIDE, NARROW, JSON, CSV], |p| screen::print_list(
        &rows, p
    ));
    pictures!("alarms_none", [WIDE, JSON], |p| screen::print_list(&[], p));
}

#[test]
fn one_alarm() {
    pictures!("alarm_vehicle", [WIDE, NARROW, JSON, CSV], |p| screen::print_one(
        &alarm_to_wire(&dragging()),
        p
    ));
    pictures!("alarm_software", [WIDE], |p| screen::print_one(
        &alarm_to_wire(&drifted()),
        p
    ));
    pictures!("alarm_unclear", [WIDE], |p| screen::print_one(
        &alarm_to_wire(&unclear()),
        p
    ));
    pictures!("alarm_plan", [WIDE, NARROW, JSON], |p| screen::print_one(
        &alarm_to_wire(&full()),
        p
    ));
    pictures!("alarm_hot", [WIDE], |p| screen::print_one(
        &alarm_to_wire(&hot()),
        p
    ));
    pictures!("alarm_unused", [WIDE], |p| screen::print_one(
        &alarm_to_wire(&unused()),
        p
    ));
}

#[test]
fn what_happens() {
    let event = |position, what, alarm: Option<Alarm>| {
        event_to_wire(&Event {
            position,
            what,
            time_ms: 1_773_300_840_000,
            alarm,
        })
    };
    pictures!("alarm_events", [WIDE, NARROW, JSON, CSV], |p| {
        screen::print_event(&event(16, What::Raised, Some(dragging())), p)?;
        screen::print_event(&event(17, What::RaisedAgain, Some(unclear())), p)?;
        screen::print_event(&event(18, What::Test, None), p)
    });
    pictures!("alarm_done", [WIDE, JSON], |p| screen::print_done(
        &alarm_to_wire(&dragging()),
        p
    ));
}

#[test]
fn delivery() {
    let state = GetAlarmDeliveryResponse {
        enabled: true,
        last_position: 41,
        delivered_through: 38,
        waiting_count: 3,
        delivered_count: 12,
        failed_attempt_count: 4,
        given_up_count: 0,
        last_failure: "the receiver answered 503 Service Unavailable".to_owned(),
    };
    pictures!("alarm_delivery", [WIDE, NARROW, JSON, CSV], |p| {
        screen::print_delivery(&state, p)
    });
}

#[test]
fn rules_and_previews() {
    let rule = |rule: &Rule, built_in| AlarmRule {
        vehicle_class: rule.vehicle_class.clone(),
        document_toml: toml::to_string(rule).unwrap(),
        built_in,
    };
    let van = Rule {
        vehicle_class: "van".to_owned(),
        spike_sigmas: 8.0,
        ..Rule::default()
    };
    let list = [rule(&Rule::default(), true), rule(&van, false)];
    pictures!("alarm_rules", [WIDE, NARROW, JSON, CSV], |p| rules::print_rules(
        &list, p
    ));
    let answer = PreviewAlarmsResponse {
        alarms: vec![alarm_to_wire(&dragging())],
        descent_count: 1_204,
        usable_descent_count: 871,
        cut_off: false,
    };
    pictures!("alarm_preview", [WIDE], |p| rules::print_preview(&answer, p));
}
