//! `coldbrake distribution`: how a quantity is spread over descents.

use coldbrake_engine::{Metric, MetricHistogram};
use coldbrake_proto::v1::GetDistributionRequest;
use serde_json::json;

use crate::{
    args::Global,
    command::when,
    connect::{Server, refused},
    exit::{Code, Failure, Outcome},
    plot,
    printer::{Format, Printer, table::Table},
    show,
};

/// Most bars drawn.
const BARS: usize = 14;
/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;

/// Arguments of `distribution`.
#[derive(Clone, Debug, clap::Args)]
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
    let Some(metric) = Metric::from_name(&name) else {
        let near = Metric::ALL
            .iter()
            .map(|m| m.name())
            .find(|n| n.contains(&name) || name.contains(n));
        let mut failure = Failure::new(
            Code::Usage,
            format!("there is no quantity `{name}` with a distribution"),
        );
        if let Some(near) = near {
            failure = failure.help(format!("did you mean `{near}`?"));
        }
        return Err(failure.help("list them: coldbrake distribution --list"));
    };
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
        .map_err(|e| refused(&e))?
        .into_inner();
    let histogram = MetricHistogram::from_v2(metric, &answer.histogram_v2).map_err(|e| {
        Failure::new(Code::Partial, e.to_string())
            .help("the server may be newer than this program: update it")
    })?;
    if args.encoded {
        printer.line(&histogram.to_base64())?;
        printer.say(&format!(
            "{} values of {} in units of {}",
            histogram.count(),
            metric.scale().title,
            metric.scale().stored_unit
        ));
        return Ok(());
    }
    let quantiles: Vec<(f64, f64)> = answer.quantiles.iter().map(|q| (q.fraction, q.value)).collect();
    match printer.format {
        Format::Json => {
            let rows: Vec<_> = quantiles
                .iter()
                .map(|(f, v)| json!({"fraction": f, "value": v}))
                .collect();
            printer.json(&json!({
                "format": "coldbrake.distribution/1",
                "metric": metric.name(),
                "unit": metric.scale().unit,
                "stored_unit": metric.scale().stored_unit,
                "count": answer.count,
                "clamped_count": answer.clamped_count,
                "mean": answer.mean,
                "quantiles": rows,
                "histogram_v2_base64": histogram.to_base64(),
            }))?;
        }
        Format::Csv => {
            let rows = quantiles.iter().map(|(f, v)| vec![f.to_string(), v.to_string()]);
            printer.csv(&["fraction", metric.name()], rows)?;
        }
        Format::Table => table(metric, &histogram, answer.mean, &quantiles, printer)?,
    }
    Ok(())
}

fn table(
    metric: Metric,
    histogram: &MetricHistogram,
    mean: Option<f64>,
    quantiles: &[(f64, f64)],
    printer: &mut Printer,
) -> Outcome {
    let scale = metric.scale();
    if histogram.count() == 0 {
        printer.say("no descent matches");
        return Ok(());
    }
    let (unit, shown): (&str, fn(f64) -> String) = match scale.unit {
        "" => ("%", show::percent),
        "J" => ("kWh", show::kwh),
        "W" => ("kW", |w| show::number(w * 1e-3)),
        other => (other, show::number),
    };
    printer.heading(&format!(
        "{} in {unit}: {} descents",
        scale.title,
        histogram.count()
    ))?;
    printer.line("")?;
    let mut rows = Table::default()
        .text("at or below it", 0)
        .number("value", unit, 0);
    for (fraction, value) in quantiles {
        rows.row(vec![
            format!("{} % of descents", show::digits(fraction * 100.0, 3)),
            shown(*value),
        ]);
    }
    rows.print(printer)?;
    printer.line(&format!("mean {}", show::or_unknown(mean, shown)))?;
    printer.line("")?;
    let bars = plot::gather(&histogram.cells(), BARS);
    for line in plot::bars(&bars, printer.width, printer.unicode, shown) {
        printer.line(&line)?;
    }
    printer.say(&format!("next: coldbrake define {}", metric.name()));
    Ok(())
}

fn list(printer: &mut Printer) -> Outcome {
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
            let mut table = Table::default().text("metric", 0).text("what it is", 0);
            for metric in Metric::ALL {
                table.row(vec![metric.name().to_owned(), metric.scale().title.to_owned()]);
            }
            table.print(printer)?;
        }
    }
    Ok(())
}
