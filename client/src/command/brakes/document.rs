//! Brakes for programs: JSON documents and CSV rows from one table of names.

use coldbrake_engine::wear::Urgency;
use coldbrake_proto::v1::{
    AxleBrakes, BrakeAxle, BrakeEstimate, BrakeFinding, BrakeUrgencyCount, RecordedBrakeService,
    VehicleBrakes,
};
use serde_json::{Map, Value, json};

use super::words;
use crate::convert::rfc3339;

fn estimate(into: &mut Map<String, Value>, name: &str, unit: &str, e: Option<&BrakeEstimate>) {
    for (end, value) in [
        ("", e.map(|e| e.value)),
        ("_low", e.map(|e| e.low)),
        ("_high", e.map(|e| e.high)),
    ] {
        into.insert(format!("{name}{unit}{end}"), json!(value));
    }
}

fn axle(a: Option<&AxleBrakes>) -> Map<String, Value> {
    let nothing = AxleBrakes::default();
    let a = a.unwrap_or(&nothing);
    let mut map = Map::new();
    for (name, time) in [
        ("since_time", a.since_time_ms),
        ("pads_time", a.pads_time_ms),
        ("rotors_time", a.rotors_time_ms),
        ("inspection_time", a.inspection_time_ms),
    ] {
        map.insert(name.to_owned(), json!(time.map(rfc3339)));
    }
    map.insert("friction_j".to_owned(), json!(a.friction_j));
    map.insert("distance_m".to_owned(), json!(a.distance_m));
    estimate(&mut map, "worn", "_um", a.worn_um.as_ref());
    estimate(&mut map, "left", "_ratio", a.left_ratio.as_ref());
    estimate(&mut map, "to_limit", "_m", a.to_limit_m.as_ref());
    estimate(&mut map, "to_limit", "_days", a.to_limit_days.as_ref());
    map
}

fn finding(f: &BrakeFinding) -> Value {
    json!({
        "urgency": words::urgency_name(f.urgency),
        "concern": words::concern_name(f.concern),
        "axle": words::axle(f.axle()),
        "advice": words::advice(f.concern),
    })
}

fn flat(b: &VehicleBrakes) -> Map<String, Value> {
    let plain = json!({
        "vehicle": b.vehicle,
        "vehicle_class": b.vehicle_class,
        "urgency": words::urgency_name(b.urgency),
        "hot_descent_count": b.hot_descent_count,
        "last_hot_time": b.last_hot_time_ms.map(rfc3339),
        "hottest_c": b.hottest_c,
        "inspection_temperature_c": b.inspection_temperature_c,
        "last_firm_stop_time": b.last_firm_stop_time_ms.map(rfc3339),
        "days_since_firm_stop": b.days_since_firm_stop,
        "distance_since_firm_stop_m": b.distance_since_firm_stop_m,
        "last_sample_time": b.last_sample_time_ms.map(rfc3339),
        "distance_total_m": b.distance_total_m,
    });
    plain.as_object().cloned().unwrap_or_default()
}

/// Returns the brakes of a vehicle as an object.
pub(super) fn brakes(b: &VehicleBrakes) -> Value {
    let mut map = flat(b);
    let findings: Vec<Value> = b.findings.iter().map(finding).collect();
    map.insert("findings".to_owned(), json!(findings));
    map.insert("front".to_owned(), Value::Object(axle(b.front.as_ref())));
    map.insert("rear".to_owned(), Value::Object(axle(b.rear.as_ref())));
    Value::Object(map)
}

/// Returns the names of the columns.
pub(super) fn header() -> Vec<String> {
    row_of(&VehicleBrakes::default())
        .into_iter()
        .map(|(name, _)| name)
        .collect()
}

/// Returns the cells of a row, in the order of [`header`].
pub(super) fn row(b: &VehicleBrakes) -> Vec<String> {
    row_of(b).into_iter().map(|(_, cell)| cell).collect()
}

fn row_of(b: &VehicleBrakes) -> Vec<(String, String)> {
    let mut map = flat(b);
    let findings: Vec<String> = b
        .findings
        .iter()
        .map(|f| match f.axle() {
            BrakeAxle::Both | BrakeAxle::Unspecified => words::concern_name(f.concern).to_owned(),
            of => format!("{}_{}", words::axle(of), words::concern_name(f.concern)),
        })
        .collect();
    map.insert("findings".to_owned(), json!(findings.join(" ")));
    let mut cells: Vec<(String, Value)> = map.into_iter().collect();
    for (prefix, of) in [("front", &b.front), ("rear", &b.rear)] {
        cells.extend(
            axle(of.as_ref())
                .into_iter()
                .map(|(name, value)| (format!("{prefix}_{name}"), value)),
        );
    }
    cells
        .into_iter()
        .map(|(name, value)| {
            let cell = match value {
                Value::Null => String::new(),
                Value::String(text) => text,
                other => other.to_string(),
            };
            (name, cell)
        })
        .collect()
}

/// Returns a service as an object.
pub(super) fn service(s: &RecordedBrakeService) -> Value {
    json!({
        "vehicle": s.vehicle,
        "axle": words::axle(s.axle()),
        "work": words::work_name(s.work()),
        "service_time": rfc3339(s.service_time_ms),
        "by": s.by,
        "note": s.note,
        "recorded_time": rfc3339(s.recorded_time_ms),
        "recorded_by": s.recorded_by,
    })
}

/// Returns the number of vehicles by urgency.
pub(super) fn counts(counts: &[BrakeUrgencyCount]) -> Value {
    let mut map: Map<String, Value> = Urgency::ALL
        .iter()
        .map(|u| (u.name().to_owned(), json!(0)))
        .collect();
    for c in counts {
        map.insert(words::urgency_name(c.urgency).to_owned(), json!(c.vehicle_count));
    }
    Value::Object(map)
}
