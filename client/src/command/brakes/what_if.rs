//! `coldbrake brakes what-if`: the brakes on a recorded road, or on a known grade, if recovery were lost.

use clap::Args;
use coldbrake_proto::v1::{
    ComputeLostRecoveryRequest, ComputeLostRecoveryResponse, LostRecoveryMass, LostRecoverySpeed,
    RoadOfDescent, compute_lost_recovery_request::Road,
};
use serde_json::{Value, json};

use crate::{
    args::Global,
    connect::Server,
    exit::Outcome,
    printer::{Format, Printer, Units, table::Table},
    show,
};

/// A question to the thermal model.
#[derive(Clone, Debug, Args)]
pub struct WhatIfArgs {
    /// Vehicle that drove the descent
    #[arg(
        value_name = "VEHICLE",
        required_unless_present = "grade",
        requires = "descent",
        conflicts_with = "grade"
    )]
    pub vehicle: Option<String>,

    /// Descent whose road is taken
    #[arg(value_name = "DESCENT", conflicts_with = "grade")]
    pub descent: Option<String>,

    /// Known grade whose profile is taken, in place of a descent; needs --class
    #[arg(long, value_name = "GRADE", requires = "class")]
    pub grade: Option<String>,

    /// Class that goes down; that of the vehicle that drove the descent without
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,

    /// Masses, kg, separated by commas; that of the class without
    #[arg(long, value_name = "KG", value_delimiter = ',')]
    pub mass: Vec<f64>,

    /// Steady speeds, km/h (mph with --units us), separated by commas
    #[arg(long, value_name = "SPEED", value_delimiter = ',')]
    pub speed: Vec<f64>,

    /// Recovery that is left, kW at the battery
    #[arg(long, value_name = "KW", default_value_t = 0.0)]
    pub left: f64,

    /// Ambient temperature, °C; without, that of the descent, on a grade 15
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    pub ambient: Option<f64>,

    /// Temperature of the brakes at the top, °C; without, that of the descent, on a grade ambient
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    pub start: Option<f64>,
}

/// Columns of the CSV form.
pub(super) const HEADER: [&str; 10] = [
    "mass_kg",
    "speed_mps",
    "bottom_c",
    "peak_c",
    "after_stop_c",
    "friction_j",
    "duration_s",
    "type_ii_multiple",
    "greatest_speed_mps",
    "any_speed",
];

const KMH: f64 = 1.0 / 3.6;
const MPH: f64 = 0.447_04;

fn speed_unit(units: Units) -> (f64, &'static str) {
    match units {
        Units::Metric => (KMH, "km/h"),
        Units::Us => (MPH, "mph"),
    }
}

/// Asks and prints.
pub(super) async fn run(args: WhatIfArgs, global: &Global, printer: &mut Printer) -> Outcome {
    let (unit, _) = speed_unit(printer.units);
    let (named, road, help) = if let Some(grade) = args.grade {
        (
            format!("grade {grade}"),
            Road::Grade(grade),
            "list grades: coldbrake grades list; classes: coldbrake classes list",
        )
    } else {
        let (vehicle, descent) = (args.vehicle.unwrap_or_default(), args.descent.unwrap_or_default());
        (
            format!("the road of {descent} of {vehicle}"),
            Road::Descent(RoadOfDescent { vehicle, descent }),
            "list descents: coldbrake descents list",
        )
    };
    let request = ComputeLostRecoveryRequest {
        road: Some(road),
        vehicle_class: args.class,
        masses_kg: args.mass,
        speeds_mps: args.speed.iter().map(|v| v * unit).collect(),
        recovery_left_w: args.left * 1e3,
        ambient_c: args.ambient,
        start_c: args.start,
    };
    let server = Server::connect(&global.server, global.timeout()).await?;
    let answer = server
        .brakes()
        .compute_lost_recovery(request)
        .await
        .map_err(|e| server.refused(&e).help(help))?;
    print_what_if(&named, &answer.into_inner(), printer)
}

fn speed_json(s: &LostRecoverySpeed) -> Value {
    json!({
        "speed_mps": s.speed_mps,
        "bottom_c": s.bottom_c,
        "peak_c": s.peak_c,
        "after_stop_c": s.after_stop_c,
        "friction_j": s.friction_j,
        "duration_s": s.duration_s,
        "type_ii_multiple": s.type_ii_multiple,
    })
}

fn mass_json(m: &LostRecoveryMass) -> Value {
    json!({
        "mass_kg": m.mass_kg,
        "greatest_speed_mps": m.greatest_speed_mps,
        "any_speed": m.any_speed,
        "speeds": m.speeds.iter().map(speed_json).collect::<Vec<_>>(),
    })
}

/// Prints what the brakes would come to.
pub fn print_what_if(road: &str, a: &ComputeLostRecoveryResponse, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => printer.json(&json!({
            "format": "coldbrake.what_if/1",
            "caution": show::CAUTION,
            "vehicle_class": a.vehicle_class,
            "drop_m": a.drop_m,
            "distance_m": a.distance_m,
            "recovery_left_w": a.recovery_left_w,
            "ambient_c": a.ambient_c,
            "start_c": a.start_c,
            "inspection_temperature_c": a.inspection_temperature_c,
            "masses": a.masses.iter().map(mass_json).collect::<Vec<_>>(),
        }))?,
        Format::Csv => csv(a, printer)?,
        Format::Table => page(road, a, printer)?,
    }
    Ok(())
}

fn csv(a: &ComputeLostRecoveryResponse, printer: &mut Printer) -> Outcome {
    let rows = a.masses.iter().flat_map(|m| {
        m.speeds.iter().map(move |s| {
            let numbers = [
                m.mass_kg,
                s.speed_mps,
                s.bottom_c,
                s.peak_c,
                s.after_stop_c,
                s.friction_j,
                s.duration_s,
                s.type_ii_multiple,
            ];
            let mut row: Vec<String> = numbers.iter().map(f64::to_string).collect();
            row.push(m.greatest_speed_mps.map(|v| v.to_string()).unwrap_or_default());
            row.push(m.any_speed.to_string());
            row
        })
    });
    Ok(printer.csv(&HEADER, rows)?)
}

fn page(road: &str, a: &ComputeLostRecoveryResponse, printer: &mut Printer) -> Outcome {
    let units = printer.units;
    let (speed, speed_name) = speed_unit(units);
    let degrees = |c: f64| format!("{:.0}", units.temperature(c));
    let unit = units.temperature_unit();
    printer.heading("If recovery were lost")?;
    printer.wrapped("  ", &format!(
        "{road}: {:.0} {} down over {} {}, {} goes down at a steady speed with {} kW of recovery left, brakes at {} {unit} \
         at the top, {} {unit} outside",
        units.height(a.drop_m),
        units.height_unit(),
        show::number(units.distance(a.distance_m)),
        units.distance_unit(),
        a.vehicle_class,
        show::number(a.recovery_left_w * 1e-3),
        degrees(a.start_c),
        degrees(a.ambient_c),
    ))?;
    let limit = a.inspection_temperature_c;
    for m in &a.masses {
        printer.line("")?;
        printer.line(&format!("at {:.0} {}", units.mass(m.mass_kg), units.mass_unit()))?;
        let mut table = Table::default()
            .number("speed", speed_name, 0)
            .number("bottom", unit, 0)
            .number("after a stop", unit, 0)
            .text("inspection", 0)
            .number("friction", "MJ", 2)
            .number("takes", "min", 3)
            .number("Type II", "times", 1);
        for s in &m.speeds {
            let verdict = if s.peak_c >= limit {
                "due on the way"
            } else if s.after_stop_c >= limit {
                "due after a stop"
            } else {
                "not due"
            };
            table.row(vec![
                format!("{:.0}", s.speed_mps / speed),
                degrees(s.bottom_c),
                degrees(s.after_stop_c),
                verdict.to_owned(),
                show::number(s.friction_j * 1e-6),
                format!("{:.0}", s.duration_s / 60.0),
                show::number(s.type_ii_multiple),
            ]);
        }
        table.print(printer)?;
        let advice = match (m.greatest_speed_mps, m.any_speed) {
            (Some(v), _) => format!(
                "up to {:.0} {speed_name} the estimate stays below {} {unit}, one stop at the bottom included",
                (v / speed).floor(),
                degrees(limit)
            ),
            (None, true) => format!("at any speed the estimate stays below {} {unit}", degrees(limit)),
            (None, false) => format!(
                "at no speed does the estimate stay below {} {unit}: stop on the way to let the brakes cool",
                degrees(limit)
            ),
        };
        printer.wrapped("  ", &advice)?;
    }
    printer.line("")?;
    printer.wrapped("", "A speed shown here is no permission to drive it.")?;
    Ok(printer.wrapped("", show::CAUTION)?)
}
