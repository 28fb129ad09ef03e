//! `coldbrake analyse`: a log file through the engine, here, without a server.

use std::path::{Path, PathBuf};

use coldbrake_engine::{
    Descent, FinishedDescent, Opening, Policy, Session, VehicleClass, VehicleState, Violation,
    ids::{IDENTIFIER_RULE, is_identifier, is_software_version},
    record::Cause,
};
use serde_json::{Map, Value, json};

use super::{account, classes::read_class};
use crate::{
    args::Global,
    convert::{DESCENTS_FORMAT, descent_csv_header, descent_csv_row, descent_json, profile_json, rfc3339},
    exit::{Code, Failure, Outcome},
    import::{AheadError, ImportArgs, ImportError, ImportReport, LogReader, Problem},
    printer::{Format, Printer, Units, table::Table},
    show,
};

/// Samples that are read and computed at once. The result does not depend on it.
const BATCH_SAMPLES: usize = 2048;

const EXAMPLES: &str = "\
Examples:
  coldbrake analyse trip.csv --class van.toml --current charge-positive
  coldbrake analyse trip.csv --class van.toml --current discharge-positive --start 2026-03-12T07:15:00Z \\
      --columns time=t:s,speed=v:km/h,altitude=h,brake=p_front:bar,current=i_batt --format json";

/// Arguments of `analyse`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub struct AnalyseArgs {
    /// The log
    #[command(flatten)]
    pub import: ImportArgs,

    /// Class file of the vehicle, TOML
    #[arg(long, value_name = "FILE")]
    pub class: PathBuf,

    /// Rules of segmentation, TOML [default: those of the server]
    #[arg(long, value_name = "FILE")]
    pub policy: Option<PathBuf>,

    /// Gross mass on this trip, kg [default: that of the class]
    #[arg(long, value_name = "KG", value_parser = mass)]
    pub mass: Option<f64>,

    /// Name for the vehicle in the output
    #[arg(long, value_name = "VEHICLE", default_value = "log", value_parser = identifier)]
    pub vehicle: String,

    /// Software version of the vehicle, for the output
    #[arg(long, value_name = "VERSION", default_value = "unknown", value_parser = software)]
    pub software: String,

    /// Show the whole account of every descent; with json, its profile too
    #[arg(long)]
    pub full: bool,
}

/// Reads a gross mass.
pub(crate) fn mass(text: &str) -> Result<f64, String> {
    let kg: f64 = text.parse().map_err(|_| "write a number of kg".to_owned())?;
    // The range of the column of the same name.
    if (100.0..=200e3).contains(&kg) {
        Ok(kg)
    } else {
        Err("give a value from 100 to 200000 kg".to_owned())
    }
}

/// Reads an identifier.
pub(crate) fn identifier(text: &str) -> Result<String, String> {
    if is_identifier(text) {
        Ok(text.to_owned())
    } else {
        Err(IDENTIFIER_RULE.to_owned())
    }
}

/// Reads a software version.
pub(crate) fn software(text: &str) -> Result<String, String> {
    if is_software_version(text) {
        Ok(text.to_owned())
    } else {
        Err("must be 1 to 64 printable ASCII characters without a space".to_owned())
    }
}

/// Runs the command.
pub async fn run(args: AnalyseArgs, _global: &Global, printer: &mut Printer) -> Outcome {
    let full = args.full;
    let work = tokio::task::spawn_blocking(move || analyse(&args));
    let analysis = work
        .await
        .map_err(|e| Failure::new(Code::Partial, format!("the analysis broke off: {e}")))??;
    print(&analysis, full, printer)
}

/// What a log file held.
#[derive(Debug)]
pub struct Analysis {
    /// The descents, in the order in which they ended.
    pub descents: Vec<FinishedDescent>,
    /// What was read.
    pub report: ImportReport,
}

/// Reads a log file and computes its descents.
pub fn analyse(args: &AnalyseArgs) -> Result<Analysis, Failure> {
    // Every file is looked at before the long work begins.
    let options = args
        .import
        .options()
        .map_err(|wrong| Failure::new(Code::Usage, wrong))?;
    let (_, class) = read_class(&args.class)?;
    let policy = args
        .policy
        .as_deref()
        .map_or_else(|| Ok(Policy::default()), read_policy)?;
    let mut reader = LogReader::open(&args.import.file, &options).map_err(|e| unusable(&e))?;
    let opening = Opening {
        session: Session::default(),
        software_version: args.software.clone(),
        brake_kind: reader.brake_kind(),
        current_sign: reader.current_sign(),
        declared_mass_kg: args.mass,
        declared_mass_uncertainty: None,
    };
    let descents = compute(
        &mut reader,
        VehicleState::new(&args.vehicle, opening),
        &class,
        &policy,
    )?;
    Ok(Analysis {
        descents,
        report: reader.report().clone(),
    })
}

fn compute(
    reader: &mut LogReader,
    mut vehicle: VehicleState,
    class: &VehicleClass,
    policy: &Policy,
) -> Result<Vec<FinishedDescent>, Failure> {
    let mut descents = Vec::new();
    let read = reader.read_ahead(BATCH_SAMPLES, |batch| {
        let mut effects = vehicle.apply(batch, class, policy);
        descents.append(&mut effects.finished);
        match effects.violations.into_iter().next() {
            Some(violation) => Err(violation),
            None => Ok(()),
        }
    });
    match read {
        Ok(()) => {}
        Err(AheadError::Import(error)) => return Err(unusable(&error)),
        Err(AheadError::Work(violation)) => return Err(refused(reader, &violation)),
    }
    descents.extend(vehicle.finish(class, policy).finished);
    Ok(descents)
}

/// Reads a file with rules of segmentation. The error lists every mistake.
fn read_policy(file: &Path) -> Result<Policy, Failure> {
    let shown = file.display();
    let wrong = |what: String| Failure::new(Code::BadInput, what);
    let text = std::fs::read_to_string(file)
        .map_err(|e| wrong(format!("cannot read the policy file {shown}: {e}")))?;
    let policy: Policy = toml::from_str(&text).map_err(|e| {
        let line = e.span().map_or(1, |span| {
            1 + text.bytes().take(span.start).filter(|b| *b == b'\n').count()
        });
        wrong(format!("{shown}, line {line}: {}", e.message()))
    })?;
    let problems = policy.problems();
    if problems.is_empty() {
        return Ok(policy);
    }
    let failure = wrong(format!("the policy file {shown} cannot be used"));
    Err(problems
        .into_iter()
        .fold(failure, |f, (field, text)| f.note(format!("`{field}` {text}"))))
}

/// Returns what a log file that cannot be used means to the user.
pub(crate) fn unusable(error: &ImportError) -> Failure {
    let place = |p: &Problem| format!("{}: {}", p.place(&error.path), p.what);
    let failure = match error.problems.as_slice() {
        [only] => Failure::new(Code::BadInput, place(only)),
        several => several.iter().fold(
            Failure::new(Code::BadInput, format!("{} cannot be used", error.path.display())),
            |failure, p| failure.note(place(p)),
        ),
    };
    let mut helps: Vec<&str> = error
        .problems
        .iter()
        .map(|p| p.help.as_str())
        .filter(|h| !h.is_empty())
        .collect();
    helps.dedup();
    helps.into_iter().fold(failure, Failure::help)
}

/// Returns what a batch that the engine refuses means to the user. Ranges have been checked while reading: what is left
/// is a current whose sign contradicts the motion.
fn refused(reader: &LogReader, violation: &Violation) -> Failure {
    let file = reader.path().display();
    if violation.field == "current_a" {
        let other = match reader.current_sign() {
            coldbrake_engine::CurrentSign::ChargePositive => "discharge-positive",
            coldbrake_engine::CurrentSign::DischargePositive => "charge-positive",
        };
        return Failure::new(
            Code::BadInput,
            format!(
                "{file}: column `{}`: {}",
                reader.current_column(),
                violation.description
            ),
        )
        .help(format!(
            "add `--current {other}`, after checking that the column is the battery current"
        ));
    }
    Failure::new(
        Code::BadInput,
        format!("{file}: `{}` {}", violation.field, violation.description),
    )
    .help("check the units of the columns: `--columns KEY=COLUMN:UNIT`")
}

fn print(analysis: &Analysis, full: bool, printer: &mut Printer) -> Outcome {
    say_what_was_read(&analysis.report, printer);
    match printer.format {
        Format::Json => printer.json(&document(analysis, full))?,
        Format::Csv => {
            let rows = analysis.descents.iter().map(|d| descent_csv_row(&d.descent));
            printer.csv(&descent_csv_header(), rows)?;
        }
        Format::Table if analysis.descents.is_empty() => printer.say(
            "no descent: none went down by the height that confirms one (`confirm_drop_m`, 50 m unless --policy says \
             otherwise)",
        ),
        Format::Table if full => {
            for (i, d) in analysis.descents.iter().enumerate() {
                if i > 0 {
                    printer.line("")?;
                }
                account::print(&d.descent, &d.profile, printer)?;
            }
        }
        Format::Table => {
            table(&analysis.descents, printer.units).print(printer)?;
            if analysis.descents.iter().any(|d| d.descent.brake_temperature_peak_c.is_some()) {
                printer.line("")?;
                printer.line(show::CAUTION)?;
            }
            printer.say("next: the same with --full for the account of each; --format json or csv for programs");
        }
    }
    Ok(())
}

/// The vehicle is the same in all rows: the columns are those that tell descents apart.
fn table(descents: &[FinishedDescent], u: Units) -> Table {
    let mut table = Table::default()
        .text("start, UTC", 1)
        .number("drop", u.height_unit(), 0)
        .number("length", u.distance_unit(), 3)
        .number("took", "", 5)
        .number("available", "kWh", 4)
        .number("recovered", "kWh", 2)
        .number("recovery", "%", 0)
        .number("friction", "%", 0)
        .text("friction mostly", 2)
        .number("brakes up to", u.temperature_unit(), 4);
    for FinishedDescent { descent: d, .. } in descents {
        table.row(vec![
            show::time(d.start_time_ms),
            format!("{:.0}", u.height(d.drop_m)),
            show::number(u.distance(d.distance_m)),
            show::duration(d.duration_s),
            show::kwh(d.available_j.value),
            show::kwh(d.recovered_j.value),
            show::or_unknown(d.recovery_ratio, |e| show::percent(e.value)),
            show::or_unknown(d.friction_share, |e| show::percent(e.value)),
            show::or_unknown(main_cause(d), |cause| show::cause(cause).to_owned()),
            show::or_unknown(d.brake_temperature_peak_c, |t| format!("{:.0}", u.temperature(t))),
        ]);
    }
    table
}

/// The cause of most of the friction; `None` without friction.
fn main_cause(d: &Descent) -> Option<Cause> {
    let causes = d.friction_by_cause_j?;
    Cause::ALL
        .into_iter()
        .filter(|cause| causes.get(*cause) > 0.0)
        .max_by(|a, b| causes.get(*a).total_cmp(&causes.get(*b)))
}

/// Returns the document for programs.
fn document(analysis: &Analysis, full: bool) -> Value {
    let descents: Vec<Map<String, Value>> = analysis
        .descents
        .iter()
        .map(|d| {
            let mut object = descent_json(&d.descent);
            if full {
                object.insert("profile".to_owned(), profile_json(&d.profile));
            }
            object
        })
        .collect();
    let report = &analysis.report;
    json!({
        "format": DESCENTS_FORMAT,
        "log": {
            "rows": report.rows,
            "skipped_rows": report.skipped,
            "start_time": report.time_ms.map(|(first, _)| rfc3339(first)),
            "end_time": report.time_ms.map(|(_, last)| rfc3339(last)),
        },
        "descents": descents,
    })
}

/// Says what had to be assumed and what was left out.
pub(crate) fn say_what_was_read(report: &ImportReport, printer: &mut Printer) {
    if report.start_assumed {
        printer.say(
            "note: the log counts the time from its start: 2000-01-01T00:00:00Z stands in, give --start TIME",
        );
    }
    if report.zone_assumed {
        printer.say("note: the times name no zone: UTC is assumed");
    }
    if report.skipped > 0 {
        printer.say(&format!(
            "note: {} of {} rows left out",
            report.skipped,
            report.rows + report.skipped
        ));
        for problem in &report.skipped_first {
            let line = match (problem.line, problem.row) {
                (Some(line), _) => format!("line {line}: "),
                (None, Some(row)) => format!("row {row}: "),
                (None, None) => String::new(),
            };
            let column = problem
                .column
                .as_ref()
                .map_or_else(String::new, |c| format!("column `{c}`: "));
            printer.say(&format!("  {line}{column}{}", problem.what));
        }
    }
}

#[cfg(test)]
mod tests;
