//! `coldbrake trend`: how a quantity went by week, day, software version, class or grade.

use coldbrake_engine::Metric;
use coldbrake_proto::v1::{GetTrendRequest, GetTrendResponse, TrendGroup, TrendGrouping};
use serde_json::json;

use crate::{
    args::Global,
    command::{distribution::metric_of, when},
    connect::Server,
    exit::{Failure, Outcome},
    plot,
    printer::{Format, Printer, table::Table},
    show,
    shown::Shown,
};

/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;
/// Narrowest and widest picture of the spans.
const SPANS: (usize, usize) = (16, 50);

/// Arguments of `trend`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "\
Examples:
  coldbrake trend recovery_ratio_wheels
  coldbrake trend unexplained_kj_per_t_100m --by day --since 4w --class van
  coldbrake trend friction_share --by software --format csv > versions.csv

A trend does not even out what was driven: another mix of grades or loads moves
it. Whether a software version is better, `coldbrake compare` says.")]
pub struct TrendArgs {
    /// Quantity, for example recovery_ratio; `coldbrake distribution --list` shows all
    #[arg(value_name = "METRIC")]
    pub metric: String,
    /// What makes a group
    #[arg(long, value_enum, default_value_t)]
    pub by: By,
    /// Only of this vehicle class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,
    /// Only under this software version
    #[arg(long, value_name = "VERSION")]
    pub software: Option<String>,
    /// Only on this known grade; `-` for those matched to none
    #[arg(long, value_name = "GRADE", allow_hyphen_values = true)]
    pub grade: Option<String>,
    /// From the UTC day of this time on
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub since: Option<String>,
    /// Up to the UTC day of this time, inclusive
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub until: Option<String>,
}

/// What makes a group.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum By {
    /// UTC day
    Day,
    /// Week from Monday to Sunday, UTC (ISO 8601)
    #[default]
    Week,
    /// Software version
    Software,
    /// Vehicle class
    Class,
    /// Known grade; `-` for descents on none
    Grade,
}

impl By {
    pub(crate) const fn to_wire(self) -> TrendGrouping {
        match self {
            Self::Day => TrendGrouping::Day,
            Self::Week => TrendGrouping::Week,
            Self::Software => TrendGrouping::SoftwareVersion,
            Self::Class => TrendGrouping::VehicleClass,
            Self::Grade => TrendGrouping::Grade,
        }
    }

    const fn name(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::Week => "week",
            Self::Software => "software",
            Self::Class => "class",
            Self::Grade => "grade",
        }
    }
}

/// Shows a trend.
pub async fn run(args: TrendArgs, global: &Global, printer: &mut Printer) -> Outcome {
    let metric = metric_of(&args.metric)?;
    let day = |option: &str, text: &Option<String>| -> Result<Option<i32>, Failure> {
        text.as_deref()
            .map(|t| {
                when::parse(option, t).map(|ms| i32::try_from(ms.div_euclid(DAY_MS)).unwrap_or(i32::MAX))
            })
            .transpose()
    };
    let request = GetTrendRequest {
        metric: args.metric.clone(),
        grouping: args.by.to_wire().into(),
        vehicle_class: args.class.clone(),
        software_version: args.software.clone(),
        grade: args.grade.clone(),
        first_day: day("--since", &args.since)?,
        last_day: day("--until", &args.until)?,
    };
    let server = Server::connect(&global.server, global.timeout()).await?;
    let answer = server
        .trends()
        .get_trend(request)
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    print(metric, args.by, &answer, printer)
}

/// Prints a trend.
pub fn print(metric: Metric, by: By, answer: &GetTrendResponse, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let groups: Vec<_> = answer.groups.iter().map(group_json).collect();
            printer.json(&json!({
                "format": "coldbrake.trend/1",
                "metric": metric.name(),
                "unit": metric.scale().unit,
                "by": by.name(),
                "groups": groups,
            }))?;
        }
        Format::Csv => {
            let number = |v: Option<f64>| v.map_or_else(String::new, |v| v.to_string());
            let rows = answer.groups.iter().map(|g| {
                vec![
                    g.name.clone(),
                    g.count.to_string(),
                    number(g.p10),
                    number(g.median),
                    number(g.p90),
                ]
            });
            printer.csv(&[by.name(), "count", "p10", "median", "p90"], rows)?;
        }
        Format::Table if !answer.groups.is_empty() => drawn(metric, by, answer, printer)?,
        Format::Table => {}
    }
    let total: u64 = answer.groups.iter().map(|g| g.count.unsigned_abs()).sum();
    if total == 0 {
        printer.say("no descent matches");
    } else {
        printer.say(&show::count(total, "descent", "descents"));
    }
    let clamped: i64 = answer.groups.iter().map(|g| g.clamped_count).sum();
    if clamped > 0 {
        printer.say(&format!("{clamped} values above the range count as its largest"));
    }
    if by == By::Software && answer.groups.len() > 1 {
        printer
            .say("another mix of grades and loads moves these figures: coldbrake compare A B evens it out");
    }
    Ok(())
}

fn group_json(g: &TrendGroup) -> serde_json::Value {
    json!({
        "name": g.name,
        "first_day": g.first_day,
        "count": g.count,
        "clamped_count": g.clamped_count,
        "p10": g.p10,
        "median": g.median,
        "p90": g.p90,
    })
}

fn drawn(metric: Metric, by: By, answer: &GetTrendResponse, printer: &mut Printer) -> Outcome {
    let shown = shown(metric, answer, printer);
    printer.heading(&format!(
        "{}, {}, by {}",
        metric.scale().title,
        shown.unit,
        by.name()
    ))?;
    printer.line("")?;
    print_table(metric, by, answer, printer)?;
    if metric == Metric::BrakeTemperaturePeak {
        printer.line("")?;
        printer.wrapped("", show::CAUTION)?;
    }
    Ok(())
}

/// Returns how values of a trend are written.
fn shown(metric: Metric, answer: &GetTrendResponse, printer: &Printer) -> Shown {
    let medians = answer
        .groups
        .iter()
        .filter(|g| g.p10.is_some() && g.p90.is_some());
    let typical = medians.filter_map(|g| g.median).map(f64::abs).fold(0.0, f64::max);
    Shown::of(metric, printer.units, typical)
}

/// Prints the groups of a trend with their spans.
pub(crate) fn print_table(
    metric: Metric,
    by: By,
    answer: &GetTrendResponse,
    printer: &mut Printer,
) -> Outcome {
    let spans: Vec<Option<(f64, f64, f64)>> = answer
        .groups
        .iter()
        .map(|g| Some((g.p10?, g.median?, g.p90?)))
        .collect();
    let known = || spans.iter().flatten();
    let shown = shown(metric, answer, printer);
    let low = known().map(|s| s.0).fold(f64::INFINITY, f64::min);
    let high = known().map(|s| s.2).fold(f64::NEG_INFINITY, f64::max);
    // The numbers need some 40 columns beside the names; the picture takes the rest.
    let names = answer
        .groups
        .iter()
        .map(|g| g.name.chars().count())
        .max()
        .unwrap_or(0);
    let room = printer
        .width
        .saturating_sub(names.max(8) + 40)
        .clamp(SPANS.0, SPANS.1);
    let scale = if known().next().is_some() {
        format!("{} to {}", shown.text(low), shown.text(high))
    } else {
        String::new()
    };
    let mut table = Table::default()
        .text(by.name(), 0)
        .number("descents", "", 1)
        .number("P10", shown.unit, 3)
        .number("median", shown.unit, 0)
        .number("P90", shown.unit, 3)
        .text(&scale, 2);
    for (g, span) in answer.groups.iter().zip(&spans) {
        let [p10, median, p90] = [g.p10, g.median, g.p90].map(|v| show::or_unknown(v, |v| shown.text(v)));
        let picture = span.map_or_else(String::new, |s| plot::span(s, (low, high), room, printer.unicode));
        table.row(vec![
            g.name.clone(),
            g.count.to_string(),
            p10,
            median,
            p90,
            picture,
        ]);
    }
    table.print(printer)?;
    Ok(())
}
