//! Alarms as messages, and as JSON for the command line and for webhooks.

use coldbrake_engine::alarm::{
    Alarm, Event, Kind, Stage, What,
    record::{Closing, Sign},
    scope::ScopeKind,
    words,
};
use serde_json::{Value, json};

use crate::v1;

/// Returns a kind as a message has it.
pub const fn kind_to_wire(kind: Kind) -> v1::AlarmKind {
    match kind {
        Kind::UnexplainedFriction => v1::AlarmKind::UnexplainedFriction,
        Kind::HotBrakes => v1::AlarmKind::HotBrakes,
        Kind::UnusedBrakes => v1::AlarmKind::UnusedBrakes,
        Kind::BatteryFull => v1::AlarmKind::BatteryFull,
        Kind::BatteryCold => v1::AlarmKind::BatteryCold,
        Kind::PowerLimited => v1::AlarmKind::PowerLimited,
    }
}

/// Returns a kind from a message; `None` when it says nothing or is unknown.
pub fn kind_from_wire(wire: i32) -> Option<Kind> {
    Kind::ALL.into_iter().find(|k| kind_to_wire(*k) as i32 == wire)
}

/// Returns a stage as a message has it.
pub const fn stage_to_wire(stage: Stage) -> v1::AlarmStage {
    match stage {
        Stage::Raised => v1::AlarmStage::Raised,
        Stage::Acknowledged => v1::AlarmStage::Acknowledged,
        Stage::Quieted => v1::AlarmStage::Quieted,
        Stage::Closed => v1::AlarmStage::Closed,
    }
}

/// Returns a stage from a message; `None` when it says nothing or is unknown.
pub fn stage_from_wire(wire: i32) -> Option<Stage> {
    Stage::ALL.into_iter().find(|s| stage_to_wire(*s) as i32 == wire)
}

/// Returns what happened as a message has it.
pub const fn what_to_wire(what: What) -> v1::AlarmEventKind {
    match what {
        What::Raised => v1::AlarmEventKind::Raised,
        What::RaisedAgain => v1::AlarmEventKind::RaisedAgain,
        What::Rescoped => v1::AlarmEventKind::Rescoped,
        What::Acknowledged => v1::AlarmEventKind::Acknowledged,
        What::Quieted => v1::AlarmEventKind::Quieted,
        What::Closed => v1::AlarmEventKind::Closed,
        What::Test => v1::AlarmEventKind::Test,
    }
}

/// Returns what happened from a message; `None` when it says nothing or is unknown.
pub fn what_from_wire(wire: i32) -> Option<What> {
    What::ALL.into_iter().find(|w| what_to_wire(*w) as i32 == wire)
}

const fn sign_to_wire(sign: Sign) -> v1::AlarmSign {
    match sign {
        Sign::Spike => v1::AlarmSign::Spike,
        Sign::Drift => v1::AlarmSign::Drift,
        Sign::Count => v1::AlarmSign::Count,
    }
}

const fn scope_to_wire(scope: ScopeKind) -> v1::AlarmScope {
    match scope {
        ScopeKind::Vehicle => v1::AlarmScope::Vehicle,
        ScopeKind::Grade => v1::AlarmScope::Grade,
        ScopeKind::SoftwareVersion => v1::AlarmScope::SoftwareVersion,
        ScopeKind::Unclear => v1::AlarmScope::Unclear,
    }
}

const fn closing_to_wire(closing: Closing) -> v1::AlarmClosing {
    match closing {
        Closing::Quiet => v1::AlarmClosing::Quiet,
        Closing::Stale => v1::AlarmClosing::Stale,
        Closing::Joined => v1::AlarmClosing::Joined,
        Closing::Person => v1::AlarmClosing::Person,
        Closing::Remedied => v1::AlarmClosing::Remedied,
    }
}

/// Returns the unit of an alarm's value, usual value and limit.
pub const fn unit(kind: Kind) -> &'static str {
    match kind {
        Kind::HotBrakes => "descents",
        Kind::UnusedBrakes => "days",
        Kind::UnexplainedFriction | Kind::BatteryFull | Kind::BatteryCold | Kind::PowerLimited => {
            "kJ/(t*100 m)"
        }
    }
}

/// Returns an alarm as a message.
pub fn alarm_to_wire(a: &Alarm) -> v1::Alarm {
    v1::Alarm {
        alarm: a.alarm.clone(),
        kind: kind_to_wire(a.kind).into(),
        planning: a.kind.is_planning(),
        sign: sign_to_wire(a.sign).into(),
        stage: stage_to_wire(a.stage).into(),
        vehicle_class: a.vehicle_class.clone(),
        scope: scope_to_wire(a.scope.kind()).into(),
        scope_vehicle: a.scope.vehicle.clone(),
        scope_grade: a.scope.grade.clone(),
        scope_software_version: a.scope.software_version.clone(),
        vehicle: a.vehicle.clone(),
        descent: a.descent.clone(),
        raised_time_ms: a.raised_ms,
        latest_time_ms: a.latest_ms,
        evidence: Some(v1::AlarmEvidence {
            high_descent_count: i64::from(a.evidence.high),
            descent_count: i64::from(a.evidence.descents),
            vehicles: a.evidence.vehicles.clone(),
            grades: a.evidence.grades.clone(),
            software_versions: a.evidence.software_versions.clone(),
        }),
        value: a.value,
        usual: a.usual,
        limit: a.limit,
        unit: unit(a.kind).to_owned(),
        quiet_descent_count: i64::from(a.quiet_run),
        quieted_until_ms: a.quieted_until_ms,
        person: a.person.clone(),
        note: a.note.clone(),
        closed_time_ms: a.closed_ms,
        closing: a
            .closing
            .map_or(v1::AlarmClosing::Unspecified, closing_to_wire)
            .into(),
        head_room: a.head_room.map(|room| v1::HeadRoom {
            arrive_at_or_below: room.arrive_at_or_below,
            expected_j: room.expected_j,
            capacity_j: room.capacity_j,
            mass_kg: room.mass_kg,
        }),
        headline: words::headline(a),
        likely_cause: words::cause(a).to_owned(),
        advice: words::advice(a),
        caution: if a.kind.is_planning() {
            String::new()
        } else {
            words::CAUTION.to_owned()
        },
    }
}

/// Returns an event as a message.
pub fn event_to_wire(e: &Event) -> v1::AlarmEvent {
    v1::AlarmEvent {
        position: i64::try_from(e.position).unwrap_or(i64::MAX),
        kind: what_to_wire(e.what).into(),
        time_ms: e.time_ms,
        alarm: e.alarm.as_ref().map(alarm_to_wire),
    }
}

/// Returns the name of an enumeration's value in output: the end of its name on the wire, in lower case; `null` when it
/// says nothing.
fn name(wire: &str, prefix: &str) -> Value {
    match wire.strip_prefix(prefix) {
        Some("UNSPECIFIED") | None => Value::Null,
        Some(name) => Value::String(name.to_lowercase()),
    }
}

/// Returns a time as text.
fn time(ms: i64) -> Value {
    jiff::Timestamp::from_millisecond(ms).map_or(Value::Null, |t| Value::String(t.to_string()))
}

/// Returns an alarm as JSON, as `alarms list --format json` and webhooks have it.
pub fn alarm_json(a: &v1::Alarm) -> Value {
    let evidence = a.evidence.clone().unwrap_or_default();
    json!({
        "alarm": a.alarm,
        "kind": name(a.kind().as_str_name(), "ALARM_KIND_"),
        "planning": a.planning,
        "sign": name(a.sign().as_str_name(), "ALARM_SIGN_"),
        "stage": name(a.stage().as_str_name(), "ALARM_STAGE_"),
        "vehicle_class": a.vehicle_class,
        "scope": name(a.scope().as_str_name(), "ALARM_SCOPE_"),
        "scope_vehicle": a.scope_vehicle,
        "scope_grade": a.scope_grade,
        "scope_software_version": a.scope_software_version,
        "vehicle": a.vehicle,
        "descent": a.descent,
        "raised_time": time(a.raised_time_ms),
        "latest_time": time(a.latest_time_ms),
        "high_descent_count": evidence.high_descent_count,
        "descent_count": evidence.descent_count,
        "vehicles": evidence.vehicles,
        "grades": evidence.grades,
        "software_versions": evidence.software_versions,
        "value": a.value,
        "usual": a.usual,
        "limit": a.limit,
        "unit": a.unit,
        "quiet_descent_count": a.quiet_descent_count,
        "quieted_until": a.quieted_until_ms.map(time),
        "person": a.person,
        "note": a.note,
        "closed_time": a.closed_time_ms.map(time),
        "closing": name(a.closing().as_str_name(), "ALARM_CLOSING_"),
        "head_room": a.head_room.as_ref().map(|room| json!({
            "arrive_at_or_below": room.arrive_at_or_below,
            "expected_j": room.expected_j,
            "capacity_j": room.capacity_j,
            "mass_kg": room.mass_kg,
        })),
        "headline": a.headline,
        "likely_cause": a.likely_cause,
        "advice": a.advice,
        "caution": a.caution,
    })
}

/// Returns an event as JSON.
pub fn event_json(e: &v1::AlarmEvent) -> Value {
    json!({
        "position": e.position,
        "what": name(e.kind().as_str_name(), "ALARM_EVENT_KIND_"),
        "time": time(e.time_ms),
        "alarm": e.alarm.as_ref().map(alarm_json),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_on_the_wire_are_those_of_the_engine() {
        for kind in Kind::ALL {
            let wire = kind_to_wire(kind);
            assert_eq!(name(wire.as_str_name(), "ALARM_KIND_"), kind.name());
            assert_eq!(kind_from_wire(wire.into()), Some(kind));
        }
        for stage in Stage::ALL {
            let wire = stage_to_wire(stage);
            assert_eq!(name(wire.as_str_name(), "ALARM_STAGE_"), stage.name());
            assert_eq!(stage_from_wire(wire.into()), Some(stage));
        }
        for what in What::ALL {
            let wire = what_to_wire(what);
            assert_eq!(name(wire.as_str_name(), "ALARM_EVENT_KIND_"), what.name());
            assert_eq!(what_from_wire(wire.into()), Some(what));
        }
        assert_eq!((kind_from_wire(0), stage_from_wire(99)), (None, None));
    }
}
