//! `coldbrake descents`: list, show and watch descents.

use clap::Subcommand;
use coldbrake_engine::{Descent, ProfilePoint};
use coldbrake_proto::{
    convert::{descent_from_wire, profile_from_wire},
    v1::{DescentFilter, GetDescentRequest, ListDescentsRequest, WatchDescentsRequest},
};
use serde_json::{Value, json};
use tokio_stream::StreamExt as _;

use crate::{
    args::Global,
    command::{account, when},
    connect::Server,
    convert::{DESCENTS_FORMAT, descent_csv_header, descent_csv_row, descent_json, profile_json},
    exit::{Code, Failure, Outcome},
    printer::{Format, Printer, table::Table},
    show,
};

/// Commands on descents.
#[derive(Clone, Debug, Subcommand)]
pub enum DescentsCommand {
    /// List descents, the latest first
    #[command(after_help = "\
Examples:
  coldbrake descents list
  coldbrake descents list --vehicle van-07 --since 2d
  coldbrake descents list --software 4.2.0 --min-drop 300 --all --format csv > descents.csv")]
    List(ListArgs),
    /// Show one descent: its energy account, causes, trust and profile
    #[command(after_help = "\
Examples:
  coldbrake descents show van-07                        the latest
  coldbrake descents show van-07 20260312T071502Z-17
  coldbrake descents show van-07 20260312T0715 --format json")]
    Show(ShowArgs),
    /// Show descents as they are recorded, until interrupted
    #[command(after_help = "\
Examples:
  coldbrake descents watch --class van
  coldbrake descents watch --format json | while read -r line; do ...; done")]
    Watch(FilterArgs),
}

/// Which descents.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct FilterArgs {
    /// Only of this vehicle
    #[arg(long, value_name = "VEHICLE")]
    pub vehicle: Option<String>,
    /// Only of this vehicle class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,
    /// Only under this software version
    #[arg(long, value_name = "VERSION")]
    pub software: Option<String>,
    /// Only on this known grade; `-` for those matched to none
    #[arg(long, value_name = "GRADE", allow_hyphen_values = true)]
    pub grade: Option<String>,
    /// With a drop of at least this, m
    #[arg(long, value_name = "METRES")]
    pub min_drop: Option<f64>,
}

impl FilterArgs {
    /// Returns the filter for the server.
    pub fn to_wire(&self) -> DescentFilter {
        DescentFilter {
            vehicle: self.vehicle.clone(),
            vehicle_class: self.class.clone(),
            software_version: self.software.clone(),
            grade: self.grade.clone(),
            min_drop_m: self.min_drop,
            ..DescentFilter::default()
        }
    }
}

/// Arguments of `descents list`.
#[derive(Clone, Debug, clap::Args)]
pub struct ListArgs {
    /// Which
    #[command(flatten)]
    pub filter: FilterArgs,
    /// Not before: a time, a day, or how long ago (6h, 2d)
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub since: Option<String>,
    /// Before: a time, a day, or how long ago
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub until: Option<String>,
    /// At most this many
    #[arg(long, value_name = "COUNT", default_value_t = 30, conflicts_with = "all", value_parser = clap::value_parser!(u32).range(1..))]
    pub limit: u32,
    /// All of them
    #[arg(long)]
    pub all: bool,
}

/// Arguments of `descents show`.
#[derive(Clone, Debug, clap::Args)]
pub struct ShowArgs {
    /// Vehicle
    #[arg(value_name = "VEHICLE")]
    pub vehicle: String,
    /// Its identifier or the first part of it; `last` for the latest
    #[arg(value_name = "DESCENT", default_value = "last")]
    pub descent: String,
}

/// Runs a command on descents.
pub async fn run(command: DescentsCommand, global: &Global, printer: &mut Printer) -> Outcome {
    match command {
        DescentsCommand::List(args) => {
            let time = |option: &str, text: &Option<String>| {
                text.as_deref().map(|t| when::parse(option, t)).transpose()
            };
            let filter = DescentFilter {
                start_time_ms: time("--since", &args.since)?,
                end_time_ms: time("--until", &args.until)?,
                ..args.filter.to_wire()
            };
            let server = Server::connect(&global.server, global.timeout()).await?;
            let limit = if args.all { usize::MAX } else { args.limit as usize };
            let (descents, more) = fetch(&server, filter, limit).await?;
            print_list(&descents, more, printer)
        }
        DescentsCommand::Show(args) => {
            let server = Server::connect(&global.server, global.timeout()).await?;
            let (descent, profile) = fetch_one(&server, &args.vehicle, &args.descent).await?;
            print_one(&descent, &profile, printer)
        }
        DescentsCommand::Watch(filter) => {
            let server = Server::connect(&global.server, global.timeout()).await?;
            watch(&server, filter.to_wire(), printer).await
        }
    }
}

/// Fetches descents, at most `limit`. The flag says whether there are more.
pub async fn fetch(
    server: &Server,
    filter: DescentFilter,
    limit: usize,
) -> Result<(Vec<Descent>, bool), Failure> {
    let mut descents = Vec::new();
    let mut token = String::new();
    loop {
        let left = limit.saturating_sub(descents.len());
        let request = ListDescentsRequest {
            filter: Some(filter.clone()),
            page_size: left.min(1000) as i32,
            page_token: token,
        };
        let page = server
            .descents()
            .list_descents(request)
            .await
            .map_err(|e| server.refused(&e))?
            .into_inner();
        for d in &page.descents {
            descents.push(read(d)?);
        }
        token = page.next_page_token;
        if token.is_empty() {
            return Ok((descents, false));
        }
        if descents.len() >= limit {
            descents.truncate(limit);
            return Ok((descents, true));
        }
    }
}

/// Fetches one descent by its identifier, the begin of it, or `last`.
pub async fn fetch_one(
    server: &Server,
    vehicle: &str,
    descent: &str,
) -> Result<(Descent, Vec<ProfilePoint>), Failure> {
    let id = if descent == "last" || !descent.contains("Z-") {
        let filter = DescentFilter {
            vehicle: Some(vehicle.to_owned()),
            ..DescentFilter::default()
        };
        let (all, _) = fetch(server, filter, if descent == "last" { 1 } else { usize::MAX }).await?;
        let prefix = if descent == "last" { "" } else { descent };
        let found: Vec<&Descent> = all.iter().filter(|d| d.descent.starts_with(prefix)).collect();
        match found.as_slice() {
            [one] => one.descent.clone(),
            [] => {
                let what = if prefix.is_empty() {
                    "has no descents".to_owned()
                } else {
                    format!("has no descent that begins with `{prefix}`")
                };
                return Err(
                    Failure::new(Code::NotFound, format!("vehicle `{vehicle}` {what}")).help(format!(
                        "list them: coldbrake descents list --vehicle {vehicle} --all"
                    )),
                );
            }
            several => {
                let mut failure = Failure::new(
                    Code::Usage,
                    format!("{} descents of `{vehicle}` begin with `{prefix}`", several.len()),
                );
                for d in several.iter().take(5) {
                    failure = failure.note(d.descent.clone());
                }
                return Err(failure.help("give more of the identifier"));
            }
        }
    } else {
        descent.to_owned()
    };
    let answer = server
        .descents()
        .get_descent(GetDescentRequest {
            vehicle: vehicle.to_owned(),
            descent: id,
        })
        .await
        .map_err(|e| {
            server
                .refused(&e)
                .help(format!("list them: coldbrake descents list --vehicle {vehicle}"))
        })?
        .into_inner();
    let wire = answer.descent.unwrap_or_default();
    Ok((read(&wire)?, profile_from_wire(&answer.profile)))
}

fn read(wire: &coldbrake_proto::v1::Descent) -> Result<Descent, Failure> {
    descent_from_wire(wire).map_err(|error| {
        Failure::new(
            Code::Partial,
            format!("the server sent a descent that cannot be read: {error}"),
        )
        .help("the server may be newer than this program: update it")
    })
}

/// Prints descents as a list. `more` says that the server has more that match.
pub fn print_list(descents: &[Descent], more: bool, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let rows: Vec<Value> = descents.iter().map(|d| Value::Object(descent_json(d))).collect();
            printer.json(&json!({"format": DESCENTS_FORMAT, "descents": rows, "more": more}))?;
        }
        Format::Csv => printer.csv(&descent_csv_header(), descents.iter().map(descent_csv_row))?,
        Format::Table => print_table(descents, printer)?,
    }
    let count = show::count(descents.len() as u64, "descent", "descents");
    printer.say(&match (descents.is_empty(), more) {
        (true, _) => "no descent matches".to_owned(),
        (false, true) => format!("the latest {count}; there are more: --limit COUNT or --all"),
        (false, false) => count,
    });
    if let (Format::Table, Some(d)) = (printer.format, descents.first()) {
        printer.say(&format!(
            "next: coldbrake descents show {} {}",
            d.vehicle, d.descent
        ));
    }
    Ok(())
}

/// Title of the column with temperatures.
const BRAKES: &str = "brakes to";

fn print_table(descents: &[Descent], printer: &mut Printer) -> Outcome {
    if descents.is_empty() {
        return Ok(());
    }
    let left_out = table(descents, printer).print(printer)?;
    if descents.iter().any(|d| d.brake_temperature_peak_c.is_some()) && !left_out.iter().any(|t| t == BRAKES)
    {
        printer.line("")?;
        printer.wrapped("", &format!("Brakes: {}", show::CAUTION))?;
    }
    Ok(())
}

/// The identifier says when a descent began, and is what `descents show` asks for: it is never given up.
fn table(descents: &[Descent], printer: &Printer) -> Table {
    let u = printer.units;
    let mut table = Table::default()
        .text("descent", 0)
        .text("vehicle", 0)
        .text("software", 1)
        .text("grade", 6)
        .number("drop", u.height_unit(), 0)
        .number("length", u.distance_unit(), 4)
        .number("recovered", "kWh", 3)
        .number("recovery", "%", 0)
        .number("friction", "%", 0)
        .number("unexplained", "kJ/t/100 m", 2)
        .number(BRAKES, u.temperature_unit(), 5);
    for d in descents {
        table.row(vec![
            d.descent.clone(),
            d.vehicle.clone(),
            d.software_version.clone(),
            d.grade.clone().unwrap_or_else(|| show::UNKNOWN.to_owned()),
            format!("{:.0}", u.height(d.drop_m)),
            show::number(u.distance(d.distance_m)),
            show::kwh(d.recovered_j.value),
            show::or_unknown(d.recovery_ratio, |e| show::percent(e.value)),
            show::or_unknown(d.friction_share, |e| show::percent(e.value)),
            show::or_unknown(d.unexplained_kj_per_t_100m, show::number),
            show::or_unknown(d.brake_temperature_peak_c, |t| format!("{:.0}", u.temperature(t))),
        ]);
    }
    table
}

/// Prints one descent.
pub fn print_one(d: &Descent, profile: &[ProfilePoint], printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let mut object = descent_json(d);
            object.insert("profile".to_owned(), profile_json(profile));
            printer.json(&json!({"format": DESCENTS_FORMAT, "descents": [object]}))?;
        }
        Format::Csv => printer.csv(&descent_csv_header(), [descent_csv_row(d)])?,
        Format::Table => {
            account::print(d, profile, printer)?;
            printer.say(&format!(
                "next: coldbrake descents list --vehicle {}; coldbrake define recovery_ratio",
                d.vehicle
            ));
        }
    }
    Ok(())
}

async fn watch(server: &Server, filter: DescentFilter, printer: &mut Printer) -> Outcome {
    // A watch has no end: the time-out of other calls must not cut it.
    let mut client = server.descents();
    let mut request = tonic::Request::new(WatchDescentsRequest { filter: Some(filter) });
    request.set_timeout(std::time::Duration::from_secs(366 * 86_400));
    let mut stream = client
        .watch_descents(request)
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    printer.say("watching; Ctrl-C ends it");
    if printer.format == Format::Csv {
        printer.csv(&descent_csv_header(), [])?;
    }
    while let Some(answer) = stream.next().await {
        let answer = answer.map_err(|e| server.refused(&e))?;
        if answer.skipped_count > 0 {
            printer.say(&format!(
                "{} left out: this reader was too slow; `coldbrake descents list` has them",
                show::count(answer.skipped_count.unsigned_abs(), "descent", "descents")
            ));
        }
        let Some(wire) = answer.descent else { continue };
        print_recorded(&read(&wire)?, printer)?;
        printer.flush()?;
    }
    Err(Failure::new(Code::Unreachable, "the server ended the watch").help("start it again"))
}

/// Prints a descent that was just recorded, on one line.
pub fn print_recorded(d: &Descent, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            printer.json_line(&json!({"format": DESCENTS_FORMAT, "descents": [descent_json(d)]}))?;
        }
        Format::Csv => printer.csv_rows([descent_csv_row(d)])?,
        Format::Table => print_line(d, printer)?,
    }
    Ok(())
}

fn print_line(d: &Descent, printer: &mut Printer) -> Outcome {
    let u = printer.units;
    let what = format!(
        "{}  {}  {:.0} {} down",
        d.descent,
        d.vehicle,
        u.height(d.drop_m),
        u.height_unit()
    );
    let mut ratios = String::new();
    for (name, ratio) in [("recovery", d.recovery_ratio), ("friction", d.friction_share)] {
        if let Some(ratio) = ratio {
            ratios.push_str(&format!("  {name} {} %", show::percent(ratio.value)));
        }
    }
    if what.chars().count() + ratios.chars().count() <= printer.width {
        printer.line(&(what + &ratios))?;
    } else {
        printer.line(&what)?;
        printer.line(&ratios)?;
    }
    Ok(())
}
