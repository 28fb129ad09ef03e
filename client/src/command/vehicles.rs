//! `coldbrake vehicles`: vehicles that have streamed.

use clap::Subcommand;
use coldbrake_proto::v1::{BrakeKind, GetVehicleRequest, ListVehiclesRequest, Vehicle};
use serde_json::{Value, json};

use crate::{
    args::Global,
    connect::Server,
    convert::rfc3339,
    exit::Outcome,
    printer::{Format, Printer, table::Table},
    show,
};

/// Commands on vehicles.
#[derive(Clone, Debug, Subcommand)]
pub enum VehiclesCommand {
    /// List vehicles
    #[command(
        after_help = "Examples:\n  coldbrake vehicles list\n  coldbrake vehicles list --class van --format csv"
    )]
    List {
        /// Only of this class
        #[arg(long, value_name = "CLASS")]
        class: Option<String>,
    },
    /// Show one vehicle
    #[command(after_help = "Examples:\n  coldbrake vehicles show van-07")]
    Show {
        /// Vehicle
        #[arg(value_name = "VEHICLE")]
        vehicle: String,
    },
}

/// Runs a command on vehicles.
pub async fn run(command: VehiclesCommand, global: &Global, printer: &mut Printer) -> Outcome {
    let server = Server::connect(&global.server, global.timeout()).await?;
    match command {
        VehiclesCommand::List { class } => list(&server, class, printer).await,
        VehiclesCommand::Show { vehicle } => show_one(&server, vehicle, printer).await,
    }
}

async fn list(server: &Server, class: Option<String>, printer: &mut Printer) -> Outcome {
    let mut vehicles = Vec::new();
    let mut token = String::new();
    loop {
        let request = ListVehiclesRequest {
            page_size: 1000,
            page_token: token,
            vehicle_class: class.clone(),
        };
        let page = server
            .fleet()
            .list_vehicles(request)
            .await
            .map_err(|e| server.refused(&e))?
            .into_inner();
        vehicles.extend(page.vehicles);
        token = page.next_page_token;
        if token.is_empty() {
            break;
        }
    }
    print_list(&vehicles, printer)
}

/// Prints vehicles as a list.
pub fn print_list(vehicles: &[Vehicle], printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let rows: Vec<Value> = vehicles.iter().map(vehicle_json).collect();
            printer.json(&json!({"format": "coldbrake.vehicles/1", "vehicles": rows}))?;
        }
        Format::Csv => {
            let header: Vec<String> = vehicle_json(&Vehicle::default())
                .as_object()
                .map(|o| o.keys().cloned().collect())
                .unwrap_or_default();
            let rows: Vec<Vec<String>> = vehicles.iter().map(|v| vehicle_row(v, &header)).collect();
            printer.csv(&header, rows)?;
        }
        Format::Table => {
            let units = printer.units;
            let mut table = Table::default()
                .text("vehicle", 0)
                .text("class", 2)
                .text("software", 1)
                .text("state", 3)
                .number("descents", "", 0)
                .number("driven", units.distance_unit(), 4)
                .number("friction", "kWh", 3)
                .text("last sample, UTC", 5);
            for v in vehicles {
                table.row(vec![
                    v.vehicle.clone(),
                    v.vehicle_class.clone(),
                    v.software_version.clone(),
                    state(v).to_owned(),
                    v.descent_count.to_string(),
                    show::number(units.distance(v.distance_total_m)),
                    show::or_unknown(v.friction_total_j, show::kwh),
                    show::or_unknown(v.last_sample_time_ms, show::time),
                ]);
            }
            if !vehicles.is_empty() {
                table.print(printer)?;
            }
        }
    }
    printer.say(&if vehicles.is_empty() {
        "no vehicle: `coldbrake send FILE` streams a log as one".to_owned()
    } else {
        show::count(vehicles.len() as u64, "vehicle", "vehicles")
    });
    if let (Format::Table, Some(v)) = (printer.format, vehicles.first()) {
        printer.say(&format!("next: coldbrake vehicles show {}", v.vehicle));
    }
    Ok(())
}

fn state(v: &Vehicle) -> &'static str {
    match (v.connected, v.descending) {
        (true, true) => "descending",
        (true, false) => "connected",
        (false, true) => "away, descent open",
        (false, false) => "away",
    }
}

async fn show_one(server: &Server, vehicle: String, printer: &mut Printer) -> Outcome {
    let answer = server
        .fleet()
        .get_vehicle(GetVehicleRequest { vehicle })
        .await
        .map_err(|e| server.refused(&e).help("list them: coldbrake vehicles list"))?;
    print_one(&answer.into_inner().vehicle.unwrap_or_default(), printer)
}

/// Prints one vehicle.
pub fn print_one(v: &Vehicle, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            printer.json(&json!({"format": "coldbrake.vehicle/1", "vehicle": vehicle_json(v)}))?;
        }
        Format::Csv => {
            let header: Vec<String> = vehicle_json(v)
                .as_object()
                .map(|o| o.keys().cloned().collect())
                .unwrap_or_default();
            let row = vehicle_row(v, &header);
            printer.csv(&header, [row])?;
        }
        Format::Table => {
            let units = printer.units;
            printer.heading(&format!("Vehicle {}", v.vehicle))?;
            for (name, value) in [
                ("class", v.vehicle_class.clone()),
                ("software", v.software_version.clone()),
                ("state", state(v).to_owned()),
                ("brake signal", brake_kind(v).unwrap_or("not said").to_owned()),
                ("descents", v.descent_count.to_string()),
                (
                    "driven",
                    format!(
                        "{} {}",
                        show::number(units.distance(v.distance_total_m)),
                        units.distance_unit()
                    ),
                ),
                (
                    "friction work",
                    show::or_unknown(v.friction_total_j, |j| {
                        format!("{} kWh at the wheels", show::kwh(j))
                    }),
                ),
                ("batches refused", v.refused_batch_count.to_string()),
                (
                    "last sample",
                    show::or_unknown(v.last_sample_time_ms, |t| format!("{} UTC", show::time(t))),
                ),
            ] {
                printer.line(&format!("  {name:<16}{value}"))?;
            }
            printer.say(&format!("next: coldbrake descents list --vehicle {}", v.vehicle));
        }
    }
    Ok(())
}

fn brake_kind(v: &Vehicle) -> Option<&'static str> {
    match v.brake_kind() {
        BrakeKind::Torque => Some("torque"),
        BrakeKind::Pressure => Some("pressure"),
        BrakeKind::Pedal => Some("pedal"),
        BrakeKind::Applied => Some("applied"),
        BrakeKind::Unspecified => None,
    }
}

fn vehicle_json(v: &Vehicle) -> Value {
    json!({
        "vehicle": v.vehicle,
        "vehicle_class": v.vehicle_class,
        "software_version": v.software_version,
        "brake_kind": brake_kind(v),
        "connected": v.connected,
        "descending": v.descending,
        "descent_count": v.descent_count,
        "refused_batch_count": v.refused_batch_count,
        "distance_total_m": v.distance_total_m,
        "friction_total_j": v.friction_total_j,
        "last_sample_time": v.last_sample_time_ms.map(rfc3339),
    })
}

fn vehicle_row(v: &Vehicle, header: &[String]) -> Vec<String> {
    let object = vehicle_json(v);
    header
        .iter()
        .map(|name| match &object[name.as_str()] {
            Value::Null => String::new(),
            Value::String(s) => s.clone(),
            other => other.to_string(),
        })
        .collect()
}
