//! What `coldbrake alarms` prints.

use coldbrake_proto::{
    alarm::{alarm_json, event_json},
    v1::{Alarm, AlarmEvent, AlarmKind, AlarmScope, AlarmSign, GetAlarmDeliveryResponse},
};
use serde_json::{Value, json};

use crate::{
    exit::Outcome,
    printer::{Format, Printer, table::Table},
    show,
};

/// Form of alarms as JSON.
pub const ALARMS_FORMAT: &str = "coldbrake.alarms/1";
/// Form of events as JSON.
pub const EVENT_FORMAT: &str = "coldbrake.alarm_event/1";
/// Form of the state of the delivery as JSON.
pub const DELIVERY_FORMAT: &str = "coldbrake.alarm_delivery/1";

/// Prints alarms as a list.
pub fn print_list(alarms: &[Alarm], printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let rows: Vec<Value> = alarms.iter().map(alarm_json).collect();
            printer.json(&json!({"format": ALARMS_FORMAT, "alarms": rows}))?;
        }
        Format::Csv => printer.csv(&header(), alarms.iter().map(row))?,
        Format::Table if alarms.is_empty() => {}
        Format::Table => {
            let mut table = Table::default()
                .text("alarm", 0)
                .text("stage", 2)
                .text("about", 0)
                .text("what", 1)
                .number("high", "", 4)
                .text("class", 5)
                .text("latest, UTC", 3);
            for a in alarms {
                table.row(vec![
                    a.alarm.clone(),
                    word(&alarm_json(a), "stage"),
                    about(a),
                    short(a).to_owned(),
                    a.evidence
                        .as_ref()
                        .map_or(0, |e| e.high_descent_count)
                        .to_string(),
                    a.vehicle_class.clone(),
                    show::time(a.latest_time_ms),
                ]);
            }
            table.print(printer)?;
            if alarms.iter().any(|a| !a.planning) {
                printer.line("")?;
                printer.wrapped("", show::CAUTION)?;
            }
        }
    }
    let planning = alarms.iter().filter(|a| a.planning).count() as u64;
    let count = alarms.len() as u64 - planning;
    let mut said = if count == 0 {
        "no alarm".to_owned()
    } else {
        show::count(count, "alarm", "alarms")
    };
    if planning > 0 {
        said += &format!(
            ", {}",
            show::count(planning, "planning message", "planning messages")
        );
    }
    printer.say(&said);
    if let (Format::Table, Some(a)) = (printer.format, alarms.first()) {
        printer.say(&format!("next: coldbrake alarms show {}", a.alarm));
    }
    Ok(())
}

/// Prints one alarm.
pub fn print_one(a: &Alarm, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => printer.json(&json!({"format": ALARMS_FORMAT, "alarms": [alarm_json(a)]}))?,
        Format::Csv => printer.csv(&header(), [row(a)])?,
        Format::Table => page(a, printer)?,
    }
    Ok(())
}

fn page(a: &Alarm, printer: &mut Printer) -> Outcome {
    const LEAD: usize = 15;
    let json = alarm_json(a);
    let what = if a.planning { "Planning message" } else { "Alarm" };
    printer.heading(&format!("{what} {}", a.alarm))?;
    let mut field = |name: &str, text: &str| printer.wrapped(&format!("  {name:<LEAD$}"), text);
    field("what", &a.headline)?;
    let mut stage = word(&json, "stage");
    if let Some(until) = a.quieted_until_ms {
        stage += &format!(" until {} UTC", show::time(until));
    }
    if let Some(closed) = a.closed_time_ms {
        let why = match word(&json, "closing").as_str() {
            "quiet" => "enough quiet descents",
            "stale" => "no descent that it is about for long",
            "joined" => "another alarm has the same cause",
            "remedied" => "put right by a service or a firm stop",
            _ => "by a person",
        };
        stage += &format!(" {} UTC, {why}", show::time(closed));
    }
    field("stage", &stage)?;
    if !a.person.is_empty() {
        let note = if a.note.is_empty() { "" } else { ": " };
        field("last word", &format!("{}{note}{}", a.person, a.note))?;
    }
    field("likely cause", &a.likely_cause)?;
    field("what to do", &a.advice)?;
    field("value", &value(a))?;
    let e = a.evidence.clone().unwrap_or_default();
    field(
        "evidence",
        &format!(
            "{} of {} descents above the limit",
            e.high_descent_count, e.descent_count
        ),
    )?;
    for (name, list) in [
        ("vehicles", &e.vehicles),
        ("grades", &e.grades),
        ("software", &e.software_versions),
    ] {
        if !list.is_empty() {
            field(name, &list.join(", "))?;
        }
    }
    field("class", &a.vehicle_class)?;
    field(
        "raised",
        &format!(
            "{} UTC by {} {}",
            show::time(a.raised_time_ms),
            a.vehicle,
            a.descent
        ),
    )?;
    field("latest", &format!("{} UTC", show::time(a.latest_time_ms)))?;
    if !a.caution.is_empty() {
        printer.line("")?;
        printer.wrapped("", show::CAUTION)?;
    }
    printer.say(&format!(
        "next: coldbrake descents show {} {}",
        a.vehicle, a.descent
    ));
    Ok(())
}

fn value(a: &Alarm) -> String {
    let unit = a.unit.replace('*', " ");
    let number = |value: f64| {
        // Counts have no decimals.
        if a.unit == "descents" {
            format!("{value:.0}")
        } else {
            show::number(value)
        }
    };
    let mut text = format!("{} {unit}", number(a.value));
    if let Some(usual) = a.usual {
        text += &format!(", usual {}", number(usual));
    }
    match a.sign() {
        AlarmSign::Drift => text += &format!(", moving average beyond {}", number(a.limit)),
        _ => text += &format!(", limit {}", number(a.limit)),
    }
    text
}

/// Prints what a person has done.
pub fn print_done(a: &Alarm, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Table => {
            printer.say(&format!("alarm {} is {}", a.alarm, word(&alarm_json(a), "stage")));
            Ok(())
        }
        Format::Json | Format::Csv => print_one(a, printer),
    }
}

/// Prints what happened to an alarm, on one line.
pub fn print_event(event: &AlarmEvent, printer: &mut Printer) -> Outcome {
    let json = event_json(event);
    match printer.format {
        Format::Json => printer.json_line(&json!({"format": EVENT_FORMAT, "event": json}))?,
        Format::Csv => {
            let first = [
                event.position.to_string(),
                word(&json, "what"),
                word(&json, "time"),
            ];
            let alarm = event.alarm.clone().unwrap_or_default();
            printer.csv_rows([first.into_iter().chain(row(&alarm)).collect()])?;
        }
        Format::Table => {
            let what = word(&json, "what").replace('_', " ");
            let text = match &event.alarm {
                Some(a) => format!("{what}  {}  {}", a.alarm, a.headline),
                None => what,
            };
            printer.wrapped(
                &format!("{:>5}  {}  ", event.position, show::time(event.time_ms)),
                &text,
            )?;
        }
    }
    Ok(())
}

/// Prints how the delivery stands.
pub fn print_delivery(d: &GetAlarmDeliveryResponse, printer: &mut Printer) -> Outcome {
    let object = json!({
        "enabled": d.enabled,
        "last_position": d.last_position,
        "delivered_through": d.delivered_through,
        "waiting_count": d.waiting_count,
        "delivered_count": d.delivered_count,
        "failed_attempt_count": d.failed_attempt_count,
        "given_up_count": d.given_up_count,
        "last_failure": d.last_failure,
    });
    match printer.format {
        Format::Json => {
            let mut document = json!({"format": DELIVERY_FORMAT});
            if let (Some(into), Some(from)) = (document.as_object_mut(), object.as_object()) {
                into.extend(from.clone());
            }
            printer.json(&document)?;
        }
        Format::Csv => {
            let keys: Vec<String> = object
                .as_object()
                .into_iter()
                .flatten()
                .map(|(k, _)| k.clone())
                .collect();
            let cells = keys.iter().map(|k| cell(&object[k.as_str()])).collect();
            printer.csv(&keys, [cells])?;
        }
        Format::Table => {
            printer.heading("Delivery of alarms")?;
            let failure = if d.last_failure.is_empty() {
                "none"
            } else {
                &d.last_failure
            };
            for (name, text) in [
                (
                    "webhook",
                    if d.enabled { "configured" } else { "not configured" }.to_owned(),
                ),
                ("last event", d.last_position.to_string()),
                ("delivered to", d.delivered_through.to_string()),
                ("waiting", d.waiting_count.to_string()),
                ("delivered", format!("{} since the start", d.delivered_count)),
                (
                    "failed",
                    format!("{} attempts since the start", d.failed_attempt_count),
                ),
                ("given up", format!("{} since the start", d.given_up_count)),
                ("last failure", failure.to_owned()),
            ] {
                printer.wrapped(&format!("  {name:<15}"), &text)?;
            }
        }
    }
    Ok(())
}

/// Returns the columns of events.
pub fn event_header() -> Vec<String> {
    ["position", "what", "time"]
        .into_iter()
        .map(str::to_owned)
        .chain(header())
        .collect()
}

/// Returns what kind it is, short.
const fn short(a: &Alarm) -> &'static str {
    // A number from a newer server is of no known kind.
    match a.kind {
        k if k == AlarmKind::UnexplainedFriction as i32 => "friction",
        k if k == AlarmKind::HotBrakes as i32 => "hot brakes",
        k if k == AlarmKind::UnusedBrakes as i32 => "idle brakes",
        k if k == AlarmKind::BatteryFull as i32 => "battery full",
        k if k == AlarmKind::BatteryCold as i32 => "battery cold",
        k if k == AlarmKind::PowerLimited as i32 => "power limit",
        _ => show::UNKNOWN,
    }
}

/// Returns what it is about, short.
fn about(a: &Alarm) -> String {
    let names: Vec<&str> = [&a.scope_vehicle, &a.scope_grade, &a.scope_software_version]
        .into_iter()
        .filter_map(|n| n.as_deref())
        .collect();
    match a.scope() {
        AlarmScope::Vehicle => format!("vehicle {}", names.concat()),
        AlarmScope::Grade => format!("grade {}", names.concat()),
        AlarmScope::SoftwareVersion => format!("software {}", names.concat()),
        AlarmScope::Unclear | AlarmScope::Unspecified => format!("{}?", names.join(" or ")),
    }
}

fn header() -> Vec<String> {
    alarm_json(&Alarm::default())
        .as_object()
        .map(|o| o.keys().filter(|k| *k != "head_room").cloned().collect())
        .unwrap_or_default()
}

fn row(a: &Alarm) -> Vec<String> {
    let json = alarm_json(a);
    header().iter().map(|name| cell(&json[name.as_str()])).collect()
}

/// Returns a value as it stands in a cell; lists with spaces between.
fn cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        Value::Array(items) => items.iter().map(cell).collect::<Vec<_>>().join(" "),
        other => other.to_string(),
    }
}

fn word(json: &Value, name: &str) -> String {
    cell(&json[name])
}
