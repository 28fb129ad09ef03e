//! How recovery went by week and by software version, and where the mass of a descent came from.

use coldbrake_engine::{Descent, Metric, record::MassSource};
use coldbrake_proto::v1::{GetTrendRequest, GetTrendResponse};

use super::{check::matched, fleet::Driven, report::section};
use crate::{
    command::trend::{self, By},
    connect::{Server, refused},
    exit::{Failure, Outcome},
    printer::{Printer, table::Table},
    show,
};

const METRIC: Metric = Metric::RecoveryRatio;
const GRAVITY_MPS2: f64 = 9.80665;

/// How a quantity went.
pub(super) struct Trends {
    by_week: GetTrendResponse,
    by_version: GetTrendResponse,
}

/// Asks for it.
pub(super) async fn gather(server: &Server) -> Result<Trends, Failure> {
    let ask = async |by: By| -> Result<GetTrendResponse, Failure> {
        let request = GetTrendRequest {
            metric: METRIC.name().to_owned(),
            grouping: by.to_wire().into(),
            ..GetTrendRequest::default()
        };
        let answer = server.trends().get_trend(request).await;
        Ok(answer.map_err(|e| refused(&e))?.into_inner())
    };
    Ok(Trends {
        by_week: ask(By::Week).await?,
        by_version: ask(By::Software).await?,
    })
}

/// Prints it.
pub(super) fn print(trends: &Trends, printer: &mut Printer) -> Outcome {
    section(printer, "How the recovery ratio went, by week and by software")?;
    trend::print_table(METRIC, By::Week, &trends.by_week, printer)?;
    printer.line("")?;
    trend::print_table(METRIC, By::Software, &trends.by_version, printer)?;
    printer.line("")?;
    printer.wrapped(
        "",
        "A trend shows when something changed, not what: another mix of roads and loads moves it too. Whether a version \
         is worse, the comparison above says.",
    )?;
    Ok(())
}

/// Masses from one source, beside what was simulated.
#[derive(Debug, Default)]
struct Masses {
    vehicles: Vec<String>,
    uncertainty: Vec<f64>,
    off: Vec<f64>,
}

fn of_source(source: MassSource, pairs: &[(&Driven, &Descent)]) -> Masses {
    let mut masses = Masses::default();
    for (driven, d) in pairs.iter().filter(|(_, d)| d.mass_source == source) {
        let t = &driven.told.truth;
        let simulated_kg = t.potential_released_j / (GRAVITY_MPS2 * t.drop_m);
        masses.off.push((d.mass_kg / simulated_kg - 1.0).abs());
        masses.uncertainty.push(d.mass_uncertainty);
        masses.vehicles.push(d.vehicle.clone());
    }
    masses.vehicles.sort_unstable();
    masses.vehicles.dedup();
    masses.uncertainty.sort_by(f64::total_cmp);
    masses.off.sort_by(f64::total_cmp);
    masses
}

/// Prints where masses came from, how sure the server is of them, and how far off they are.
pub(super) fn print_masses(driven: &[Driven], recorded: &[Descent], printer: &mut Printer) -> Outcome {
    section(printer, "Where the mass of a descent came from")?;
    let pairs = matched(driven, recorded);
    let mut table = Table::default()
        .text("mass", 0)
        .number("descents", "", 0)
        .number("vehicles", "", 0)
        .number("said to be", "within ±%", 0)
        .number("off by", "median %", 0)
        .number("", "most %", 0);
    for &source in MassSource::ALL {
        let m = of_source(source, &pairs);
        let middle = |of: &[f64]| of.get(of.len() / 2).copied();
        let percent = |value: Option<f64>| show::or_unknown(value, show::percent);
        if m.off.is_empty() {
            continue;
        }
        table.row(vec![
            show::mass_source(source).to_owned(),
            m.off.len().to_string(),
            m.vehicles.len().to_string(),
            percent(middle(&m.uncertainty).map(|u| 1.96 * u)),
            percent(middle(&m.off)),
            percent(m.off.last().copied()),
        ]);
    }
    table.print(printer)?;
    printer.line("")?;
    printer.wrapped(
        "",
        "Vehicles that weigh themselves report it. For others it is declared, or estimated while the motor drives them \
         uphill; else that of the class stands in. Its uncertainty (95 %) is in the interval of every ratio.",
    )?;
    Ok(())
}
