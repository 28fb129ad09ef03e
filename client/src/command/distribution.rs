//! `coldbrake distribution`: how a quantity is spread over descents.

use coldbrake_engine::{Metric, MetricHistogram};
use coldbrake_proto::v1::{GetDistributionRequest, GetDistributionResponse};
use serde_json::json;

use crate::{
    args::Global,
    command::when,
    connect::Server,
    exit::{Code, Failure, Outcome},
    plot,
    printer::{Format, Printer, table::Table},
    show,
    shown::Shown,
};

/// Most bars drawn.
const BARS: usize = 14;
/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;

/// Arguments of `distribution`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "\
Examples:
  coldbrake distribution --list
  coldbrake distribution recovery_ratio --class van --software 4.2.0
  coldbrake distribution friction_share --since 4w --format json
  coldbrake distribution duration_s --encoded > duration.hdr")]
pub struct DistributionArgs {
    /// Quantity, for example recovery_ratio; --list shows all
    #[arg(value_name = "METRIC", required_unless_present = "list")]
    pub metric: Option<String>,
    /// List the quantities
    #[arg(long)]
    pub list: bool,
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
    /// Print the histogram itself: HdrHistogram V2, compressed, base64
    #[arg(long)]
    pub encoded: bool,
}

/// Shows a distribution.
pub async fn run(args: DistributionArgs, global: &Global, printer: &mut Printer) -> Outcome {
    if args.list {
        return list(printer);
    }
    let name = args.metric.clone().unwrap_or_default();
    let metric = metric_of(&name)?;
    let day = |option: &str, text: &Option<String>| -> Result<Option<i32>, Failure> {
        text.as_deref()
            .map(|t| {
                when::parse(option, t).map(|ms| i32::try_from(ms.div_euclid(DAY_MS)).unwrap_or(i32::MAX))
            })
            .transpose()
    };
    let request = GetDistributionRequest {
        metric: name,
        vehicle_class: args.class.clone(),
        software_version: args.software.clone(),
        grade: args.grade.clone(),
        first_day: day("--since", &args.since)?,
        last_day: day("--until", &args.until)?,
    };
    let server = Server::connect(&global.server, global.timeout()).await?;
    let answer = server
        .descents()
        .get_distribution(request)
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    print(metric, &answer, args.encoded, printer)
}

/// Returns the quantity of that name.
pub(crate) fn metric_of(name: &str) -> Result<Metric, Failure> {
    Metric::from_name(name).ok_or_else(|| {
        let mut failure = Failure::new(
            Code::Usage,
            format!("there is no quantity `{name}` with a distribution"),
        );
        if let Some(near) = show::nearest(name, Metric::ALL.iter().map(|m| m.name())) {
            failure = failure.help(format!("did you mean `{near}`?"));
        }
        failure.help("list them: coldbrake distribution --list")
    })
}

/// Prints a distribution, or with `encoded` its histogram for other programs.
pub fn print(
    metric: Metric,
    answer: &GetDistributionResponse,
    encoded: bool,
    printer: &mut Printer,
) -> Outcome {
    let scale = metric.scale();
    let histogram = MetricHistogram::from_v2(metric, &answer.histogram_v2).map_err(|e| {
        Failure::new(Code::Partial, e.to_string())
            .help("the server may be newer than this program: update it")
    })?;
    let count = show::count(histogram.count(), "descent", "descents");
    if encoded {
        printer.line(&histogram.to_base64())?;
        printer.say(&format!(
            "{}: HdrHistogram V2 of {count}; its integers are in units of {}",
            scale.title, scale.stored_unit
        ));
        return Ok(());
    }
    match printer.format {
        Format::Json => {
            let quantiles: Vec<_> = answer
                .quantiles
                .iter()
                .map(|q| json!({"fraction": q.fraction, "value": q.value}))
                .collect();
            printer.json(&json!({
                "format": "coldbrake.distribution/1",
                "metric": metric.name(),
                "unit": scale.unit,
                "stored_unit": scale.stored_unit,
                "count": answer.count,
                "clamped_count": answer.clamped_count,
                "mean": answer.mean,
                "quantiles": quantiles,
                "histogram_v2_base64": histogram.to_base64(),
            }))?;
        }
        Format::Csv => {
            let rows = answer
                .quantiles
                .iter()
                .map(|q| vec![q.fraction.to_string(), q.value.to_string()]);
            printer.csv(&["fraction", metric.name()], rows)?;
        }
        Format::Table if histogram.count() > 0 => drawn(metric, answer, &histogram, printer)?,
        Format::Table => {}
    }
    printer.say(if histogram.count() == 0 {
        "no descent matches"
    } else {
        &count
    });
    if answer.clamped_count > 0 {
        printer.say(&format!(
            "{} values above the range count as its largest",
            answer.clamped_count
        ));
    }
    printer.say(&format!("next: coldbrake define {}", metric.name()));
    Ok(())
}

fn drawn(
    metric: Metric,
    answer: &GetDistributionResponse,
    histogram: &MetricHistogram,
    printer: &mut Printer,
) -> Outcome {
    let typical = histogram.quantile(0.5).unwrap_or(0.0);
    let shown = Shown::of(metric, printer.units, typical);
    printer.heading(&format!("{}, {}", metric.scale().title, shown.unit))?;
    printer.line("")?;
    let mut rows = Table::default()
        .text("share of descents", 0)
        .number("at or below", shown.unit, 0);
    for q in &answer.quantiles {
        rows.row(vec![
            format!("{:>3} %", show::digits(q.fraction * 100.0, 1)),
            shown.text(q.value),
        ]);
    }
    if let Some(mean) = answer.mean {
        rows.row(vec!["mean".to_owned(), shown.text(mean)]);
    }
    rows.print(printer)?;
    printer.line("")?;
    printer.heading("descents by range")?;
    let cells: Vec<plot::Bar> = histogram
        .cells()
        .into_iter()
        .map(|(low, high, n)| (shown.value(low), shown.value(high), n))
        .collect();
    let bars = plot::gather(&cells, BARS);
    for line in plot::bars(&bars, printer.width, printer.unicode) {
        printer.line(&line)?;
    }
    if metric == Metric::BrakeTemperaturePeak {
        printer.line("")?;
        printer.wrapped("", show::CAUTION)?;
    }
    Ok(())
}

/// Lists the quantities.
pub fn list(printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let rows: Vec<_> = Metric::ALL
                .iter()
                .map(|m| {
                    let s = m.scale();
                    json!({"metric": s.name, "title": s.title, "unit": s.unit, "stored_unit": s.stored_unit})
                })
                .collect();
            printer.json(&json!({"format": "coldbrake.metrics/1", "metrics": rows}))?;
        }
        Format::Csv => {
            let rows = Metric::ALL.iter().map(|m| {
                let s = m.scale();
                vec![
                    s.name.to_owned(),
                    s.title.to_owned(),
                    s.unit.to_owned(),
                    s.stored_unit.to_owned(),
                ]
            });
            printer.csv(&["metric", "title", "unit", "stored_unit"], rows)?;
        }
        Format::Table => {
            let mut table = Table::default()
                .text("metric", 0)
                .text("unit", 1)
                .text("what it is", 0);
            for metric in Metric::ALL {
                let scale = metric.scale();
                table.row(vec![
                    scale.name.to_owned(),
                    scale.unit.to_owned(),
                    scale.title.to_owned(),
                ]);
            }
            table.print(printer)?;
        }
    }
    Ok(())
}
