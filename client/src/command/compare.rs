//! `coldbrake compare`: whether one software version is better than another.

mod data;
mod page;

use coldbrake_engine::comparison::Plan;
use coldbrake_proto::v1::{
    CompareVersionsRequest, CompareVersionsResponse, ComparedMetric, ComparisonVerdict, DescentFilter,
    UngradedDescents,
};

use crate::{
    args::Global,
    command::{distribution::metric_of, when},
    connect::Server,
    exit::{Code, Failure, Outcome},
    printer::{Format, Printer},
};

/// Arguments of `compare`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "\
Examples:
  coldbrake compare 4.2.0 4.3.0
  coldbrake compare 4.2.0 4.3.0 --metric friction_share --min-effect 0.01 --gate
  coldbrake compare 4.2.0 4.3.0 --class van --since 4w --format json

B is judged against A inside strata: same grade, vehicle class, state of charge
and mass. With --gate the exit code is 0 when B is not worse, 1 when it is worse,
8 when there are too few descents to tell; all others mean that it did not run.")]
pub struct CompareArgs {
    /// Software version to compare against
    #[arg(value_name = "A")]
    pub version_a: String,
    /// Software version in question
    #[arg(value_name = "B")]
    pub version_b: String,
    /// Quantity to compare, repeated for more; without one, all that have a better direction
    #[arg(long = "metric", value_name = "METRIC")]
    pub metrics: Vec<String>,
    /// Smallest shift that matters, in SI units, a ratio as a fraction: 0.01, or friction_share=0.01 for one of several
    #[arg(long = "min-effect", value_name = "[METRIC=]SHIFT")]
    pub min_effects: Vec<String>,
    /// Exit with 1 when B is worse and with 8 when there are too few descents to tell
    #[arg(long)]
    pub gate: bool,
    /// Only of this vehicle class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,
    /// Only on this known grade; `-` for those matched to none
    #[arg(long, value_name = "GRADE", allow_hyphen_values = true)]
    pub grade: Option<String>,
    /// Only of this vehicle
    #[arg(long, value_name = "VEHICLE")]
    pub vehicle: Option<String>,
    /// Not before: a time, a day, or how long ago (6h, 2d)
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub since: Option<String>,
    /// Before: a time, a day, or how long ago
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub until: Option<String>,
    /// With a drop of at least this, m
    #[arg(long, value_name = "METRES")]
    pub min_drop: Option<f64>,
    /// What happens to descents without a known grade
    #[arg(long, value_enum, default_value_t)]
    pub ungraded: UngradedChoice,
    /// Compare each vehicle with itself only
    #[arg(long)]
    pub within_vehicles: bool,
    /// Confidence of the intervals; what is left of 1 is the significance
    #[arg(long, value_name = "SHARE", default_value_t = 0.95)]
    pub confidence: f64,
}

/// What happens to descents without a known grade.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum UngradedChoice {
    /// They are left out and counted
    #[default]
    LeftOut,
    /// They are compared with those of about the same drop and gradient
    ByDrop,
}

/// Compares two versions.
pub async fn run(args: CompareArgs, global: &Global, printer: &mut Printer) -> Outcome {
    let time =
        |option: &str, text: &Option<String>| text.as_deref().map(|t| when::parse(option, t)).transpose();
    let request = CompareVersionsRequest {
        version_a: args.version_a.clone(),
        version_b: args.version_b.clone(),
        metrics: asked(&args)?,
        filter: Some(DescentFilter {
            vehicle: args.vehicle.clone(),
            vehicle_class: args.class.clone(),
            software_version: None,
            grade: args.grade.clone(),
            start_time_ms: time("--since", &args.since)?,
            end_time_ms: time("--until", &args.until)?,
            min_drop_m: args.min_drop,
        }),
        ungraded: match args.ungraded {
            UngradedChoice::LeftOut => UngradedDescents::LeftOut,
            UngradedChoice::ByDrop => UngradedDescents::ByDrop,
        }
        .into(),
        within_vehicles: args.within_vehicles,
        confidence: Some(args.confidence),
    };
    let server = Server::connect(&global.server, global.timeout()).await?;
    let answer = server
        .comparisons()
        .compare_versions(request)
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    print(&answer, !args.metrics.is_empty(), printer)?;
    if args.gate { gate(&answer) } else { Ok(()) }
}

/// Reads the metrics and their smallest shifts.
fn asked(args: &CompareArgs) -> Result<Vec<ComparedMetric>, Failure> {
    let names: Vec<String> = if args.metrics.is_empty() {
        Plan::usual_metrics().map(|m| m.name().to_owned()).collect()
    } else {
        args.metrics.clone()
    };
    let mut asked = Vec::with_capacity(names.len());
    for name in names {
        let metric = metric_of(&name)?;
        if metric.better().is_none() {
            return Err(Failure::new(
                Code::Usage,
                format!("--metric: more of `{name}` is neither better nor worse"),
            )
            .note("it follows the road, the load and the driver")
            .help(format!(
                "compare one of {}",
                Plan::usual_metrics()
                    .map(coldbrake_engine::Metric::name)
                    .collect::<Vec<_>>()
                    .join(", ")
            )));
        }
        asked.push(ComparedMetric {
            metric: name,
            min_effect: None,
        });
    }
    for text in &args.min_effects {
        let wrong = |why: &str| {
            Failure::new(Code::Usage, format!("--min-effect: `{text}` {why}"))
                .help("write a number above 0 in SI units (0.01 is one point of a ratio), or METRIC=NUMBER")
        };
        let (name, number) = match text.split_once('=') {
            Some((name, number)) => (Some(name), number),
            None => (None, text.as_str()),
        };
        let shift: f64 = number.trim().parse().map_err(|_| wrong("is no number"))?;
        if !(shift.is_finite() && shift > 0.0) {
            return Err(wrong("is not above 0"));
        }
        let meant = match (name, asked.as_mut_slice()) {
            (None, [only]) => only,
            (None, _) => return Err(wrong("does not say for which of several metrics")),
            (Some(name), all) => all
                .iter_mut()
                .find(|m| m.metric == name)
                .ok_or_else(|| wrong("names a metric that is not compared"))?,
        };
        meant.min_effect = Some(shift);
    }
    Ok(asked)
}

/// Prints the answer. `in_full` draws every metric, else only the one with the strongest evidence.
pub fn print(answer: &CompareVersionsResponse, in_full: bool, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => printer.json(&data::json(answer))?,
        Format::Csv => printer.csv(&data::CSV_HEADER, data::csv_rows(answer))?,
        Format::Table => page::print(answer, in_full, printer)?,
    }
    Ok(())
}

/// Prints the verdicts only, for people.
pub fn print_brief(answer: &CompareVersionsResponse, printer: &mut Printer) -> Outcome {
    page::print_brief(answer, printer)
}

/// Turns the verdict over all metrics into the outcome of a release gate.
pub fn gate(answer: &CompareVersionsResponse) -> Outcome {
    let version = |side: &Option<coldbrake_proto::v1::ComparedSide>| {
        side.as_ref()
            .map_or_else(String::new, |s| s.software_version.clone())
    };
    let (a, b) = (version(&answer.a), version(&answer.b));
    let those = |verdict: ComparisonVerdict| {
        let named = answer.metrics.iter().filter(|m| m.verdict() == verdict);
        named.map(|m| m.metric.as_str()).collect::<Vec<_>>().join(", ")
    };
    match answer.verdict() {
        ComparisonVerdict::Better | ComparisonVerdict::NoDifferenceSeen => Ok(()),
        ComparisonVerdict::Worse => Err(Failure::new(
            Code::Unmet,
            format!("{b} is worse than {a} in {}", those(ComparisonVerdict::Worse)),
        )
        .help(format!(
            "look at one of them: coldbrake compare {a} {b} --metric METRIC"
        ))),
        ComparisonVerdict::TooFewToTell => Err(Failure::new(
            Code::Undecided,
            format!(
                "too few descents to tell whether {b} is worse than {a} in {}",
                those(ComparisonVerdict::TooFewToTell)
            ),
        )
        .help("drive more of the same grades under both, widen the filter, or accept a larger --min-effect")),
        ComparisonVerdict::Unspecified => Err(Failure::new(
            Code::Undecided,
            "the server gave a verdict that this program does not know",
        )
        .help("update this program")),
    }
}
