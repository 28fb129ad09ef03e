//! Brakes for people.

use coldbrake_proto::v1::{
    AxleBrakes, BrakeEstimate, BrakeUrgency, GetBrakesResponse, ListBrakesResponse,
    RecordBrakeServiceResponse, VehicleBrakes,
};
use serde_json::json;

use super::{document, words};
use crate::{
    exit::Outcome,
    printer::{Format, Printer, table::Table},
    show,
};

/// Width below which axles stand below each other.
const NARROW: usize = 80;

/// Prints the list, the worst first.
pub fn print_list(answer: &ListBrakesResponse, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let rows: Vec<_> = answer.brakes.iter().map(document::brakes).collect();
            printer.json(&json!({
                "format": "coldbrake.brakes/1",
                "caution": show::CAUTION,
                "counts": document::counts(&answer.counts),
                "brakes": rows,
            }))?;
        }
        Format::Csv => printer.csv(&document::header(), answer.brakes.iter().map(document::row))?,
        Format::Table => table_of(answer, printer)?,
    }
    let all: i64 = answer.counts.iter().map(|c| c.vehicle_count).sum();
    if all == 0 {
        printer.say("no vehicle: `coldbrake send FILE` streams a log as one");
        return Ok(());
    }
    let parts: Vec<String> = answer
        .counts
        .iter()
        .filter(|c| c.vehicle_count > 0)
        .map(|c| format!("{} {}", c.vehicle_count, words::urgency(c.urgency)))
        .collect();
    printer.say(&format!(
        "{}: {}",
        show::count(all.unsigned_abs(), "vehicle", "vehicles"),
        parts.join(", ")
    ));
    if let (Format::Table, Some(b)) = (printer.format, answer.brakes.first()) {
        printer.say(&format!("next: coldbrake brakes show {}", b.vehicle));
    }
    Ok(())
}

fn table_of(answer: &ListBrakesResponse, printer: &mut Printer) -> Outcome {
    let mut table = Table::default()
        .text("look", 0)
        .text("vehicle", 0)
        .text("why", 1)
        .text("what to do", 0)
        .number("pads left", "%", 2)
        .number("days left", "", 3)
        .number("firm stop", "days ago", 4)
        .number("hot", "descents", 5);
    let mut concerns = Vec::new();
    for b in &answer.brakes {
        let first = b
            .findings
            .first()
            .filter(|f| f.urgency() != BrakeUrgency::NothingDue);
        let left = low(b, |a| a.left_ratio.as_ref());
        let days = low(b, |a| a.to_limit_days.as_ref());
        table.row(vec![
            words::urgency(b.urgency).to_owned(),
            b.vehicle.clone(),
            first.map(|f| words::why(f, b)).unwrap_or_default(),
            first.map(words::task).unwrap_or_default(),
            show::or_unknown(left, |x| format!("{:.0}", x * 100.0)),
            show::or_unknown(days, |x| format!("{x:.0}")),
            show::or_unknown(b.days_since_firm_stop, |x| format!("{x:.0}")),
            b.hot_descent_count.to_string(),
        ]);
        if let Some(f) = first
            && !concerns.contains(&f.concern)
        {
            concerns.push(f.concern);
        }
    }
    if table.is_empty() {
        printer.line("no vehicle to list")?;
    } else {
        table.print(printer)?;
    }
    for concern in concerns {
        printer.line("")?;
        let name = words::concern_name(concern).replace('_', " ");
        printer.wrapped(&format!("{name}: "), words::advice(concern))?;
    }
    printer.line("")?;
    if !answer.brakes.is_empty() {
        printer.wrapped(
            "",
            "Pads left and days left are lower ends of 95 % intervals, of the axle that has less.",
        )?;
    }
    Ok(printer.wrapped("", show::CAUTION)?)
}

/// The smaller of the lower ends of both axles.
fn low<'a>(b: &'a VehicleBrakes, of: impl Fn(&'a AxleBrakes) -> Option<&'a BrakeEstimate>) -> Option<f64> {
    [b.front.as_ref(), b.rear.as_ref()]
        .into_iter()
        .flatten()
        .filter_map(|a| of(a).map(|e| e.low))
        .min_by(f64::total_cmp)
}

/// Prints the brakes of one vehicle.
pub fn print_one(answer: &GetBrakesResponse, printer: &mut Printer) -> Outcome {
    let nothing = VehicleBrakes::default();
    let b = answer.brakes.as_ref().unwrap_or(&nothing);
    match printer.format {
        Format::Json => {
            let services: Vec<_> = answer.services.iter().map(document::service).collect();
            printer.json(&json!({
                "format": "coldbrake.vehicle_brakes/1",
                "caution": show::CAUTION,
                "brakes": document::brakes(b),
                "services": services,
            }))?;
        }
        Format::Csv => printer.csv(&document::header(), [document::row(b)])?,
        Format::Table => page(answer, b, printer)?,
    }
    Ok(())
}

fn page(answer: &GetBrakesResponse, b: &VehicleBrakes, printer: &mut Printer) -> Outcome {
    printer.heading(&format!(
        "Brakes of {}: look {}",
        b.vehicle,
        match b.urgency() {
            BrakeUrgency::NothingDue => "at the next service, nothing is due",
            BrakeUrgency::NotKnown | BrakeUrgency::Unspecified => "by hand, the class lacks data to tell",
            _ => words::urgency(b.urgency),
        }
    ))?;
    for f in &b.findings {
        let lead = match f.urgency() {
            BrakeUrgency::NothingDue | BrakeUrgency::NotKnown => "note".to_owned(),
            _ => words::urgency(f.urgency).to_owned(),
        };
        printer.wrapped(
            &format!("  {lead:<12}"),
            &format!("{}. {}", words::why(f, b), words::advice(f.concern)),
        )?;
    }
    printer.line("")?;
    let (front, rear) = (b.front.unwrap_or_default(), b.rear.unwrap_or_default());
    let units = printer.units;
    let day = |t: Option<i64>| show::or_unknown(t, |t| show::time(t).chars().take(10).collect());
    #[expect(clippy::type_complexity, reason = "a table of names and how each is read")]
    let rows: [(&str, &dyn Fn(&AxleBrakes) -> String); 9] = [
        ("counted from", &|a| day(a.since_time_ms)),
        ("new pads", &|a| day(a.pads_time_ms)),
        ("new rotors", &|a| day(a.rotors_time_ms)),
        ("inspected", &|a| day(a.inspection_time_ms)),
        ("driven", &|a| {
            format!(
                "{} {}",
                show::number(units.distance(a.distance_m)),
                units.distance_unit()
            )
        }),
        ("friction work", &|a| {
            format!("{} MJ", show::number(a.friction_j * 1e-6))
        }),
        ("pads worn by", &|a| {
            interval(a.worn_um.as_ref(), |um| show::number(um * 1e-3), "mm")
        }),
        ("pads left", &|a| {
            interval(a.left_ratio.as_ref(), |x| format!("{:.0}", x * 100.0), "%")
        }),
        ("days to the limit", &|a| {
            interval(a.to_limit_days.as_ref(), |d| format!("{d:.0}"), "")
        }),
    ];
    let to_limit = |a: &AxleBrakes| {
        interval(
            a.to_limit_m.as_ref(),
            |m| show::number(units.distance(m)),
            units.distance_unit(),
        )
    };
    let cells: Vec<[String; 3]> = rows
        .iter()
        .map(|(name, of)| [(*name).to_owned(), of(&front), of(&rear)])
        .chain([[
            "distance to the limit".to_owned(),
            to_limit(&front),
            to_limit(&rear),
        ]])
        .collect();
    side_by_side(&cells, printer)?;
    printer.line("")?;
    for (name, value) in [
        (
            "hot descents",
            format!(
                "{} above {} since the last look{}",
                b.hot_descent_count,
                temperature(b.inspection_temperature_c, printer),
                b.last_hot_time_ms
                    .map(|t| format!(", the last {} UTC", show::time(t)))
                    .unwrap_or_default()
            ),
        ),
        (
            "hottest",
            show::or_unknown(b.hottest_c, |c| temperature(c, printer)),
        ),
        (
            "firm stop",
            match (b.last_firm_stop_time_ms, b.days_since_firm_stop) {
                (Some(t), Some(days)) => {
                    format!("{} UTC, {days:.0} days before the last sample", show::time(t))
                }
                (None, Some(days)) => format!("none seen in {days:.0} days"),
                _ => "none seen".to_owned(),
            },
        ),
        (
            "last sample",
            show::or_unknown(b.last_sample_time_ms, |t| format!("{} UTC", show::time(t))),
        ),
    ] {
        printer.wrapped(&format!("  {name:<14}"), &value)?;
    }
    printer.line("")?;
    if answer.services.is_empty() {
        printer.line("No service is recorded.")?;
    } else {
        let mut services = Table::default()
            .text("service, UTC", 0)
            .text("axle", 0)
            .text("work", 0)
            .text("by", 1)
            .text("note", 2);
        for s in &answer.services {
            services.row(vec![
                show::time(s.service_time_ms).chars().take(16).collect(),
                words::axle(s.axle()).to_owned(),
                words::work(s.work()).to_owned(),
                s.by.clone(),
                s.note.clone(),
            ]);
        }
        services.print(printer)?;
    }
    printer.line("")?;
    printer.wrapped("", show::CAUTION)?;
    printer.say(&format!(
        "next: coldbrake brakes service {} --axle front --work pads --date DAY",
        b.vehicle
    ));
    Ok(())
}

/// Prints both axles beside each other, or one below the other where it is narrow.
fn side_by_side(cells: &[[String; 3]], printer: &mut Printer) -> Outcome {
    if printer.width >= NARROW {
        let mut table = Table::default()
            .text("since the last pad service", 0)
            .text("front", 0)
            .text("rear", 0);
        for row in cells {
            table.row(row.to_vec());
        }
        table.print(printer)?;
        return Ok(());
    }
    for (axle, i) in [("front", 1), ("rear", 2)] {
        printer.line(&format!("{axle}, since the last pad service"))?;
        for row in cells {
            printer.line(&format!("  {:<22}{}", row[0], row[i]))?;
        }
    }
    Ok(())
}

fn temperature(celsius: f64, printer: &Printer) -> String {
    let units = printer.units;
    format!("{:.0} {}", units.temperature(celsius), units.temperature_unit())
}

/// `1.2 (0.8 to 1.6) mm`.
fn interval(e: Option<&BrakeEstimate>, number: impl Fn(f64) -> String, unit: &str) -> String {
    show::or_unknown(e, |e| {
        format!(
            "{} ({} to {}) {unit}",
            number(e.value),
            number(e.low),
            number(e.high)
        )
        .trim_end()
        .to_owned()
    })
}

/// Prints what recording a service came to.
pub fn print_recorded(answer: &RecordBrakeServiceResponse, printer: &mut Printer) -> Outcome {
    let nothing = coldbrake_proto::v1::RecordedBrakeService::default();
    let s = answer.service.as_ref().unwrap_or(&nothing);
    let row = document::service(s);
    match printer.format {
        Format::Json => printer.json(&json!({
            "format": "coldbrake.brake_service/1",
            "caution": show::CAUTION,
            "changed": answer.changed,
            "service": row,
        }))?,
        Format::Csv => {
            let map = row.as_object().cloned().unwrap_or_default();
            let header: Vec<String> = map.keys().cloned().collect();
            let cells = map
                .values()
                .map(|v| v.as_str().unwrap_or_default().to_owned())
                .collect();
            printer.csv(&header, [cells])?;
        }
        Format::Table => {
            printer.line(&format!(
                "{} on {} of {}, {} UTC",
                words::work(s.work()),
                match words::axle(s.axle()) {
                    "both" => "all axles",
                    "front" => "the front axle",
                    _ => "the rear axle",
                },
                s.vehicle,
                show::time(s.service_time_ms)
            ))?;
            printer.line("")?;
            printer.wrapped("", show::CAUTION)?;
        }
    }
    printer.say(if answer.changed {
        "recorded: the account begins anew at that time"
    } else {
        "the account stays: this or a newer service was recorded before"
    });
    printer.say(&format!("next: coldbrake brakes show {}", s.vehicle));
    Ok(())
}
