//! What the users of the server look for, all of it asked from the running server.

use std::{collections::BTreeMap, io};

use coldbrake_engine::{Descent, Metric, record::Cause};
use coldbrake_proto::v1::{
    ComputeLostRecoveryRequest, DescentFilter, GetDistributionRequest, GetDistributionResponse,
    GetServerStatusRequest, GetServerStatusResponse, RoadOfDescent, compute_lost_recovery_request::Road,
};

use super::{
    DemoArgs,
    findings::{self, Findings},
    fleet::Streamed,
    trends::{self, Trends},
};
use crate::{
    command::{account, brakes, descents},
    connect::{Server, refused},
    demo::scenario::PASSES,
    exit::{Failure, Outcome},
    printer::{Printer, table::Table},
    show,
};

/// Rows in the lists of vehicles and descents.
const ROWS: usize = 5;
/// How many times as much as its peers makes a vehicle stand out.
const STANDS_OUT: f64 = 3.0;
/// Share of a descent's friction from which a cause accounts for most of it.
const MOST: f64 = 0.5;

/// What the server answered.
pub(super) struct Facts {
    /// All descents, the latest first.
    pub(super) descents: Vec<Descent>,
    status: GetServerStatusResponse,
    trends: Trends,
}

/// Asks for all descents and for the state of the server.
pub(super) async fn gather(server: &Server) -> Result<Facts, Failure> {
    let (descents, _) = descents::fetch(server, DescentFilter::default(), usize::MAX).await?;
    Ok(Facts {
        descents,
        status: status(server).await?,
        trends: trends::gather(server).await?,
    })
}

/// Asks for the state of the server.
pub(super) async fn status(server: &Server) -> Result<GetServerStatusResponse, Failure> {
    Ok(server
        .fleet()
        .get_server_status(GetServerStatusRequest {})
        .await
        .map_err(|e| refused(&e))?
        .into_inner())
}

/// Prints what the figures below are of.
pub(super) fn introduce(args: &DemoArgs, printer: &mut Printer) -> Outcome {
    let days = show::count(args.days.into(), "day", "days");
    let passes = PASSES.map(|pass| pass.name).join(", ");
    printer.heading(&format!(
        "Coldbrake, a demonstration: {} vehicles drove {days}",
        args.vehicles
    ))?;
    printer.wrapped(
        "",
        &format!(
            "Vehicles, roads and the passes ({passes}) are invented and the samples simulated; the streams are real, \
             and all figures are asked from the running server."
        ),
    )?;
    Ok(())
}

/// Prints what each user looks for.
pub(super) async fn print(
    facts: &Facts,
    found: &Findings,
    streamed: &Streamed,
    server: &Server,
    printer: &mut Printer,
) -> Outcome {
    versions(facts, server, printer).await?;
    findings::print_comparison(found, printer)?;
    trends::print(&facts.trends, printer)?;
    causes(facts, printer)?;
    findings::print_alarms(found, printer)?;
    vehicles(facts, printer)?;
    hottest(facts, printer)?;
    findings::print_brakes(found, printer)?;
    what_if(facts, server, printer).await?;
    findings::print_grades(found, printer)?;
    trends::print_masses(&streamed.driven, &facts.descents, printer)?;
    operation(facts, streamed, printer)?;
    one(facts, server, printer).await
}

/// Prints the title of a section.
pub(super) fn section(printer: &mut Printer, title: &str) -> io::Result<()> {
    printer.line("")?;
    printer.heading(title)
}

/// Returns the values of a field, each once, in order.
fn distinct(descents: &[Descent], field: fn(&Descent) -> &String) -> Vec<String> {
    let mut values: Vec<String> = descents.iter().map(|d| field(d).clone()).collect();
    values.sort();
    values.dedup();
    values
}

async fn distribution(
    server: &Server,
    metric: Metric,
    class: Option<&str>,
    software: &str,
) -> Result<GetDistributionResponse, Failure> {
    let request = GetDistributionRequest {
        metric: metric.name().to_owned(),
        vehicle_class: class.map(str::to_owned),
        software_version: Some(software.to_owned()),
        ..GetDistributionRequest::default()
    };
    Ok(server
        .descents()
        .get_distribution(request)
        .await
        .map_err(|e| refused(&e))?
        .into_inner())
}

fn quantile(d: &GetDistributionResponse, fraction: f64) -> Option<f64> {
    d.quantiles
        .iter()
        .find(|q| (q.fraction - fraction).abs() < 1e-9)
        .map(|q| q.value)
}

async fn versions(facts: &Facts, server: &Server, printer: &mut Printer) -> Outcome {
    section(printer, "For the validation engineer: software versions")?;
    let mut table = Table::default()
        .text("class", 0)
        .text("software", 0)
        .number("descents", "", 0)
        .number("recovery", "median %", 0)
        .number("", "P10", 0)
        .number("", "P90", 0)
        .number("friction", "median %", 0)
        .number("", "P10", 0)
        .number("", "P90", 0);
    let softwares = distinct(&facts.descents, |d| &d.software_version);
    for class in distinct(&facts.descents, |d| &d.vehicle_class) {
        for software in &softwares {
            let recovery = distribution(server, Metric::RecoveryRatio, Some(&class), software).await?;
            if recovery.count == 0 {
                continue;
            }
            let friction = distribution(server, Metric::FrictionShare, Some(&class), software).await?;
            let mut row = vec![class.clone(), software.clone(), recovery.count.to_string()];
            for answer in [&recovery, &friction] {
                row.extend([0.5, 0.1, 0.9].map(|f| show::or_unknown(quantile(answer, f), show::percent)));
            }
            table.row(row);
        }
    }
    table.print(printer)?;
    let mut unexplained = Vec::new();
    for software in &softwares {
        let answer = distribution(server, Metric::UnexplainedPerTonne100m, None, software).await?;
        unexplained.extend(quantile(&answer, 0.5).map(|median| (software.as_str(), median)));
    }
    printer.line("")?;
    printer.wrapped("", &reading_of_versions(&unexplained))?;
    Ok(())
}

/// Says which version leaves friction unexplained, from the medians.
fn reading_of_versions(medians: &[(&str, f64)]) -> String {
    let list = |of: &[(&str, f64)]| {
        of.iter()
            .map(|(version, median)| format!("{} under {version}", show::number(*median)))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let mut sorted = medians.to_vec();
    sorted.sort_by(|a, b| b.1.total_cmp(&a.1));
    let text = "Friction that nothing explains, median in kJ per tonne and 100 m of drop:";
    match sorted.as_slice() {
        [worst, next, ..] if worst.1 > STANDS_OUT * next.1 => {
            format!(
                "{text} {}. Software {} is the one to look at.",
                list(&sorted),
                worst.0
            )
        }
        [] => "There are no descents to compare.".to_owned(),
        _ => format!("{text} {}. No version stands out.", list(&sorted)),
    }
}

/// Returns the cause that accounts for most of the friction of a descent, if one does.
fn main_cause(d: &Descent) -> Option<Cause> {
    let (by_cause, friction) = (d.friction_by_cause_j?, d.friction_j?.value);
    Cause::ALL
        .into_iter()
        .find(|c| friction > 0.0 && by_cause.get(*c) >= MOST * friction)
}

fn day_of(d: &Descent) -> String {
    show::time(d.start_time_ms).chars().take(10).collect()
}

fn causes(facts: &Facts, printer: &mut Printer) -> Outcome {
    section(printer, "Why friction was used, over the whole fleet")?;
    let total: f64 = facts
        .descents
        .iter()
        .filter_map(|d| d.friction_j)
        .map(|f| f.value)
        .sum();
    let mut table = Table::default()
        .text("cause", 0)
        .number("friction", "kWh", 0)
        .number("share", "%", 0)
        .number("chiefly in", "descents", 0);
    let mut readings = Vec::new();
    for cause in Cause::ALL {
        let of = |d: &Descent| d.friction_by_cause_j.map_or(0.0, |by| by.get(cause));
        let sum: f64 = facts.descents.iter().map(of).sum();
        if sum <= 0.0 {
            continue;
        }
        let mainly: Vec<&Descent> = facts
            .descents
            .iter()
            .filter(|d| main_cause(d) == Some(cause))
            .collect();
        table.row(vec![
            show::cause(cause).to_owned(),
            show::kwh(sum),
            show::percent(sum / total),
            mainly.len().to_string(),
        ]);
        readings.extend(reading_of_cause(cause, &mainly));
    }
    table.print(printer)?;
    printer.line("")?;
    readings.push("Only unexplained friction is held against software or vehicle.".to_owned());
    printer.wrapped("", &readings.join(" "))?;
    Ok(())
}

/// Says what the descents with much friction of one excusable cause have in common.
fn reading_of_cause(cause: Cause, mainly: &[&Descent]) -> Option<String> {
    let [first, rest @ ..] = mainly else { return None };
    if cause == Cause::Unexplained {
        return None;
    }
    let day = day_of(first);
    let mut vehicles: Vec<&str> = mainly.iter().map(|d| d.vehicle.as_str()).collect();
    vehicles.sort_unstable();
    vehicles.dedup();
    let name = show::cause(cause);
    if rest.is_empty() {
        return Some(format!(
            "One descent is chiefly `{name}`: {} on {day}, for no fault of the vehicle.",
            first.vehicle
        ));
    }
    (rest.iter().all(|d| day_of(d) == day) && vehicles.len() > 1).then(|| {
        format!(
            "The {} that are chiefly `{name}` are all of {day}, by {} vehicles: the road or its traffic on that \
             day, no vehicle.",
            show::count(mainly.len() as u64, "descent", "descents"),
            vehicles.len()
        )
    })
}

/// Unexplained friction of one vehicle beside that of the others of its class and software.
#[derive(Clone, Debug, PartialEq)]
struct Standing {
    vehicle: String,
    group: String,
    descents: usize,
    own: f64,
    peers: Option<f64>,
}

impl Standing {
    fn times(&self) -> Option<f64> {
        self.peers.filter(|p| *p > 0.0).map(|p| self.own / p)
    }
}

/// Returns the vehicles by unexplained friction per tonne and 100 m of drop, the most first.
fn standings(descents: &[Descent]) -> Vec<Standing> {
    #[derive(Clone, Copy, Default)]
    struct Sum {
        descents: usize,
        kilojoules: f64,
        tonne_100m: f64,
    }
    let mut sums: BTreeMap<(String, String), Sum> = BTreeMap::new();
    for d in descents {
        let group = format!("{} {}", d.vehicle_class, d.software_version);
        let sum = sums.entry((group, d.vehicle.clone())).or_default();
        sum.descents += 1;
        sum.kilojoules += d.friction_by_cause_j.map_or(0.0, |by| by.unexplained * 1e-3);
        sum.tonne_100m += d.mass_kg * 1e-3 * d.drop_m / 100.0;
    }
    let mut standings: Vec<Standing> = sums
        .iter()
        .map(|((group, vehicle), own)| {
            let mut peers = Sum::default();
            for ((g, v), sum) in &sums {
                if g == group && v != vehicle {
                    peers.kilojoules += sum.kilojoules;
                    peers.tonne_100m += sum.tonne_100m;
                }
            }
            Standing {
                vehicle: vehicle.clone(),
                group: group.clone(),
                descents: own.descents,
                own: own.kilojoules / own.tonne_100m,
                peers: (peers.tonne_100m > 0.0).then(|| peers.kilojoules / peers.tonne_100m),
            }
        })
        .collect();
    standings.sort_by(|a, b| b.own.total_cmp(&a.own));
    standings
}

fn vehicles(facts: &Facts, printer: &mut Printer) -> Outcome {
    section(printer, "For the fleet operator: unexplained friction by vehicle")?;
    let standings = standings(&facts.descents);
    let mut table = Table::default()
        .text("vehicle", 0)
        .text("class, software", 0)
        .number("descents", "", 0)
        .number("unexplained", "kJ/t/100 m", 0)
        .number("its peers", "kJ/t/100 m", 0)
        .number("times", "", 0);
    for s in standings.iter().take(ROWS) {
        table.row(vec![
            s.vehicle.clone(),
            s.group.clone(),
            s.descents.to_string(),
            show::number(s.own),
            show::or_unknown(s.peers, show::number),
            show::or_unknown(s.times(), |t| format!("{t:.1}")),
        ]);
    }
    table.print(printer)?;
    printer.line("")?;
    printer.wrapped("", &reading_of_vehicles(&standings))?;
    Ok(())
}

/// Says which vehicles stand out from others of their class and software.
fn reading_of_vehicles(standings: &[Standing]) -> String {
    let out: Vec<&str> = standings
        .iter()
        .filter(|s| s.times().is_some_and(|t| t > STANDS_OUT))
        .map(|s| s.vehicle.as_str())
        .collect();
    match out.as_slice() {
        [] => "No vehicle stands out from others of its class and software.".to_owned(),
        [one] => format!(
            "{one} alone stands out from others of its class and software: have its brakes looked at. Vehicles high in \
             the list that are like their peers share a cause with them."
        ),
        several => format!(
            "{} stand out from others of their class and software: have their brakes looked at.",
            several.join(", ")
        ),
    }
}

fn hottest(facts: &Facts, printer: &mut Printer) -> Outcome {
    section(printer, "For the fleet operator: hottest brakes")?;
    let mut hot: Vec<&Descent> = facts
        .descents
        .iter()
        .filter(|d| d.brake_temperature_peak_c.is_some())
        .collect();
    let peak = |d: &Descent| d.brake_temperature_peak_c.unwrap_or(f64::NEG_INFINITY);
    hot.sort_by(|a, b| peak(b).total_cmp(&peak(a)));
    let u = printer.units;
    let mut table = Table::default()
        .text("vehicle", 0)
        .text("descent", 0)
        .number("brakes to", u.temperature_unit(), 0)
        .number("above limit", "min", 0)
        .number("drop", u.height_unit(), 0)
        .number("friction", "%", 0);
    for d in hot.iter().take(ROWS) {
        table.row(vec![
            d.vehicle.clone(),
            d.descent.clone(),
            format!("{:.0}", u.temperature(peak(d))),
            format!("{:.1}", d.above_inspection_temperature_s / 60.0),
            format!("{:.0}", u.height(d.drop_m)),
            show::or_unknown(d.friction_share, |e| show::percent(e.value)),
        ]);
    }
    table.print(printer)?;
    printer.line("")?;
    printer.wrapped("", show::CAUTION)?;
    Ok(())
}

fn operation(facts: &Facts, streamed: &Streamed, printer: &mut Printer) -> Outcome {
    let s = &facts.status;
    section(printer, "For the engineer on call: the server")?;
    let seconds = streamed.took.as_secs_f64();
    let rate = streamed.samples as f64 / seconds.max(1e-3);
    let batches = format!(
        "{} accepted, {} twice and dropped, {} refused",
        s.accepted_batch_count, s.duplicate_batch_count, s.refused_batch_count
    );
    let sent = format!(
        "{} sent, {} sent again, {} durable before",
        streamed.sent, streamed.resent, streamed.durable_before
    );
    for (name, text) in [
        (
            "known",
            format!("{} vehicles, {} descents", s.vehicle_count, s.descent_count),
        ),
        (
            "samples",
            format!(
                "{} in {seconds:.1} s, {} a second",
                s.accepted_sample_count,
                show::number(rate)
            ),
        ),
        ("batches", batches),
        ("from vehicles", sent),
        (
            "commits",
            format!("{}, and {} requests to go back", s.commit_count, s.rewind_count),
        ),
        (
            "store",
            format!("{:.1} MB on disk", s.store_size_bytes as f64 * 1e-6),
        ),
    ] {
        printer.wrapped(&format!("  {name:<15}"), &text)?;
    }
    Ok(())
}

/// Asks what the brakes would come to at other speeds on the road where they got hottest.
async fn what_if(facts: &Facts, server: &Server, printer: &mut Printer) -> Outcome {
    let peak = |d: &&Descent| d.brake_temperature_peak_c.unwrap_or(f64::NEG_INFINITY);
    let Some(hottest) = facts.descents.iter().max_by(|a, b| peak(a).total_cmp(&peak(b))) else {
        return Ok(());
    };
    let request = ComputeLostRecoveryRequest {
        road: Some(Road::Descent(RoadOfDescent {
            vehicle: hottest.vehicle.clone(),
            descent: hottest.descent.clone(),
        })),
        masses_kg: vec![hottest.mass_kg],
        ..ComputeLostRecoveryRequest::default()
    };
    let answer = server
        .brakes()
        .compute_lost_recovery(request)
        .await
        .map_err(|e| refused(&e))?
        .into_inner();
    printer.line("")?;
    let named = format!("the road of {} of {}", hottest.descent, hottest.vehicle);
    brakes::print_what_if(&named, &answer, printer)
}

async fn one(facts: &Facts, server: &Server, printer: &mut Printer) -> Outcome {
    let most = |d: &&Descent| {
        d.friction_by_cause_j
            .map_or(0.0, |by| by.battery_full + by.low_speed)
    };
    let Some(chosen) = facts.descents.iter().max_by(|a, b| most(a).total_cmp(&most(b))) else {
        return Ok(());
    };
    let (descent, profile) = descents::fetch_one(server, &chosen.vehicle, &chosen.descent).await?;
    section(
        printer,
        "One descent in full: the most friction with a known reason",
    )?;
    printer.line("")?;
    account::print(&descent, &profile, printer)?;
    Ok(())
}

/// Prints how to go on.
pub(super) fn how_to_ask(
    args: &DemoArgs,
    uri: &str,
    example: Option<&Descent>,
    printer: &mut Printer,
) -> Outcome {
    let program = std::env::args().next().unwrap_or_else(|| "coldbrake".to_owned());
    section(
        printer,
        if args.keep {
            "Ask further, from another terminal"
        } else {
            "Ask further"
        },
    )?;
    let show = example.map_or_else(String::new, |d| {
        format!("descents show {} {}", d.vehicle, d.descent)
    });
    if !args.keep {
        printer.wrapped(
            "",
            "This server ends now. To keep one and ask it from another terminal:",
        )?;
        printer.line(&format!("  {program} demo --keep --port 7450"))?;
        printer.line("Then, for example:")?;
    }
    let server = if args.keep {
        format!(" --server {uri}")
    } else {
        String::new()
    };
    for question in [
        "vehicles list",
        "descents list --class van-3t5 --limit 10",
        show.as_str(),
        "distribution recovery_ratio --class truck-40t --software 4.3.0",
        "trend unexplained_kj_per_t_100m --by week",
        "alarms list",
        "status",
    ] {
        if !question.is_empty() {
            printer.line(&format!("  {program} {question}{server}"))?;
        }
    }
    if let (Some(data), false) = (&args.data, args.keep) {
        printer.wrapped(
            "",
            &format!(
                "The store stays in {}: the same command again adds nothing to it.",
                data.display()
            ),
        )?;
    }
    Ok(())
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    #[test]
    fn a_version_is_named_only_when_it_stands_out() {
        let text = reading_of_versions(&[("4.1.0", 11.0), ("4.2.0", 9.0), ("4.3.0", 120.0)]);
        assert!(
            text.ends_with(
                "120 under 4.3.0, 11.0 under 4.1.0, 9.00 under 4.2.0. Software 4.3.0 is the one to look at."
            ),
            "{text}"
        );
        assert!(reading_of_versions(&[("a", 11.0), ("b", 9.0)]).ends_with("No version stands out."));
        assert_eq!(reading_of_versions(&[]), "There are no descents to compare.");
    }

    #[test]
    fn a_vehicle_is_named_only_beside_its_peers() {
        let s = |vehicle: &str, own, peers| Standing {
            vehicle: vehicle.into(),
            group: "van 1".into(),
            descents: 6,
            own,
            peers,
        };
        let text = reading_of_vehicles(&[
            s("a", 200.0, Some(10.0)),
            s("b", 150.0, Some(150.0)),
            s("c", 90.0, None),
        ]);
        assert!(text.starts_with("a alone stands out"), "{text}");
        assert!(reading_of_vehicles(&[s("b", 150.0, Some(150.0))]).starts_with("No vehicle"));
        assert!(
            reading_of_vehicles(&[s("a", 40.0, Some(10.0)), s("b", 41.0, Some(10.0))])
                .starts_with("a, b stand")
        );
    }
}
