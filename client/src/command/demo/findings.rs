//! What the server has found out by itself, and whether that is what was planted.

use coldbrake_engine::{Descent, record::Cause};
use coldbrake_proto::v1::{
    Alarm, AlarmFilter, AlarmKind, AlarmScope, CompareVersionsRequest, CompareVersionsResponse,
    ComparisonVerdict, GradeProposal, ListBrakesRequest, ListBrakesResponse, ListGradeProposalsRequest,
};

use super::{DemoArgs, check::matched, fleet::Streamed, report::section};
use crate::{
    command::{alarms, brakes, compare, grades},
    connect::{Server, refused},
    demo::scenario::{Scenario, Story},
    exit::{Failure, Outcome},
    printer::Printer,
    show,
};

/// Days and vehicles from which every grade and class has been driven often enough for a baseline before anything goes wrong.
const ENOUGH: (u32, u32) = (42, 24);

/// Share of the friction of low speed that must be put down to it.
const EXPLAINED: f64 = 0.9;

/// Vehicles in the list of brakes.
const BRAKES: i32 = 6;

/// What the server has found out.
pub(super) struct Findings {
    alarms: Vec<Alarm>,
    grades: usize,
    proposals: Vec<GradeProposal>,
    /// The newest software against the one before.
    newest: CompareVersionsResponse,
    /// The brakes that need a look first.
    brakes: ListBrakesResponse,
}

/// Asks for it.
pub(super) async fn gather(server: &Server, scenario: &Scenario) -> Result<Findings, Failure> {
    let (before, newest) = scenario
        .fleet()
        .into_iter()
        .find_map(|m| Some((m.software.version, m.later?.version)))
        .unwrap_or_default();
    let request = CompareVersionsRequest {
        version_a: before.to_owned(),
        version_b: newest.to_owned(),
        ..CompareVersionsRequest::default()
    };
    let newest = server
        .comparisons()
        .compare_versions(request)
        .await
        .map_err(|e| refused(&e))?
        .into_inner();
    let brakes = server
        .brakes()
        .list_brakes(ListBrakesRequest {
            page_size: BRAKES,
            ..ListBrakesRequest::default()
        })
        .await
        .map_err(|e| refused(&e))?
        .into_inner();
    let mut alarms = alarms::fetch(server, AlarmFilter::default()).await?;
    alarms.sort_by_key(|a| (a.planning, a.raised_time_ms));
    let proposals = server
        .grades()
        .list_grade_proposals(ListGradeProposalsRequest::default())
        .await
        .map_err(|e| refused(&e))?
        .into_inner()
        .proposals;
    Ok(Findings {
        alarms,
        grades: grades::list(server).await?.len(),
        proposals,
        newest,
        brakes,
    })
}

/// Prints how the newest software compares with the one before on the same grades.
pub(super) fn print_comparison(findings: &Findings, printer: &mut Printer) -> Outcome {
    printer.line("")?;
    printer.line("Compared on the same grade, class, charge and mass:")?;
    compare::print_brief(&findings.newest, printer)
}

/// Prints alarms and planning messages, each with what to do.
pub(super) fn print_alarms(findings: &Findings, printer: &mut Printer) -> Outcome {
    section(printer, "For the fleet operator: alarms, and what to plan for")?;
    if findings.alarms.is_empty() {
        printer.line("none: a baseline takes some weeks of driving the same grades")?;
        return Ok(());
    }
    // The same message about several classes, or again after it was over, is told once.
    let mut told: Vec<(&Alarm, u64)> = Vec::new();
    for a in &findings.alarms {
        match told
            .iter_mut()
            .find(|(t, _)| (&t.headline, &t.advice) == (&a.headline, &a.advice))
        {
            Some((_, times)) => *times += 1,
            None => told.push((a, 1)),
        }
    }
    for (a, times) in told {
        let day: String = show::time(a.raised_time_ms).chars().take(10).collect();
        let again = match times {
            1 => String::new(),
            n => format!(" ({n} times)"),
        };
        printer.wrapped(&format!("{day}  "), &format!("{}{again}", a.headline))?;
        printer.wrapped("            ", &a.advice)?;
    }
    printer.line("")?;
    printer.wrapped("", show::CAUTION)?;
    Ok(())
}

/// Prints which brakes need a look first.
pub(super) fn print_brakes(findings: &Findings, printer: &mut Printer) -> Outcome {
    section(printer, "For the fleet operator: brakes to look at this morning")?;
    brakes::print_list(&findings.brakes, printer)
}

/// Prints which grades are known and which stretches are proposed.
pub(super) fn print_grades(findings: &Findings, printer: &mut Printer) -> Outcome {
    section(printer, "Known grades")?;
    let proposed = match findings.proposals.as_slice() {
        [] => "No other stretch recurs so far.".to_owned(),
        several => {
            let each: Vec<String> = several
                .iter()
                .map(|p| {
                    let u = printer.units;
                    format!(
                        "one of {} {} with {:.0} {} of drop, by {}",
                        show::number(u.distance(p.length_m)),
                        u.distance_unit(),
                        u.height(p.drop_m),
                        u.height_unit(),
                        show::count(p.vehicle_count.unsigned_abs(), "vehicle", "vehicles"),
                    )
                })
                .collect();
            format!(
                "Stretches that recur without being known are proposed: {}. `grades accept` names one, and past descents \
                 and their histograms move under it in one step.",
                each.join("; ")
            )
        }
    };
    printer.wrapped(
        "",
        &format!(
            "{} were surveyed before the drive. {proposed}",
            show::count(findings.grades as u64, "grade", "grades")
        ),
    )?;
    Ok(())
}

/// What was planted, and whether it was told apart.
pub(super) struct Verdict {
    planted: &'static str,
    found: String,
    /// `None`: there was too little driving to tell.
    told_apart: Option<bool>,
}

/// Compares what was planted with what the server says.
pub(super) fn judge(
    args: &DemoArgs,
    scenario: &Scenario,
    streamed: &Streamed,
    recorded: &[Descent],
    findings: &Findings,
) -> Vec<Verdict> {
    let enough = args.days >= ENOUGH.0 && args.vehicles >= ENOUGH.1;
    let told = |story: Story| {
        let mut vehicles: Vec<&str> = streamed
            .driven
            .iter()
            .filter(|d| d.told.stories.contains(&story))
            .map(|d| d.vehicle.as_str())
            .collect();
        vehicles.sort_unstable();
        vehicles.dedup();
        vehicles
    };
    let standing: Vec<&Alarm> = findings
        .alarms
        .iter()
        .filter(|a| a.kind() == AlarmKind::UnexplainedFriction)
        .collect();
    let newest = scenario
        .fleet()
        .into_iter()
        .find_map(|m| m.later)
        .map_or("", |s| s.version);
    let of_version = |a: &&&Alarm| {
        a.scope() == AlarmScope::SoftwareVersion && a.scope_software_version.as_deref() == Some(newest)
    };
    let dragging = told(Story::Dragging);
    let of_vehicle = |a: &&&Alarm| {
        a.scope() == AlarmScope::Vehicle && a.scope_vehicle.as_deref() == dragging.first().copied()
    };
    let full = told(Story::FullBattery);
    let planned = findings
        .alarms
        .iter()
        .find(|a| a.kind() == AlarmKind::BatteryFull && full.contains(&a.vehicle.as_str()));
    // An alarm about anything else would hold the jam, or chance, against somebody.
    let stray: Vec<&&Alarm> = standing
        .iter()
        .filter(|a| !of_version(a) && !of_vehicle(a))
        .collect();
    // Friction of the descents behind the closure: simulated as that of low speed, and recorded as such.
    let held_up: Vec<(f64, f64)> = matched(&streamed.driven, recorded)
        .into_iter()
        .filter(|(driven, _)| driven.told.stories.contains(&Story::Jam))
        .map(|(driven, d)| {
            let found = d.friction_by_cause_j.map_or(0.0, |by| by.get(Cause::LowSpeed));
            (driven.told.truth.friction_j.low_speed, found)
        })
        .collect();
    let idle: Vec<String> = scenario
        .fleet()
        .into_iter()
        .filter(|m| m.idle)
        .map(|m| m.vehicle)
        .collect();
    let mut unused: Vec<&str> = findings
        .alarms
        .iter()
        .filter(|a| a.kind() == AlarmKind::UnusedBrakes)
        .map(Alarm::scope_vehicle)
        .collect();
    unused.dedup();
    let software = standing.iter().filter(of_version).count();
    let classes = show::count(software as u64, "class", "classes");
    let verdict = |planted, found, holds: bool| Verdict {
        planted,
        found,
        told_apart: enough.then_some(holds),
    };
    vec![
        verdict(
            "software that withholds recovery",
            match software {
                0 => "no alarm about a software version".to_owned(),
                _ => format!("an alarm about software {newest} in {classes}, and worse in comparison"),
            },
            software > 0 && findings.newest.verdict() == ComparisonVerdict::Worse,
        ),
        verdict(
            "a brake that does not release",
            match standing.iter().find(of_vehicle) {
                Some(a) => format!("an alarm about {}", a.scope_vehicle()),
                None => "no alarm about that vehicle".to_owned(),
            },
            standing.iter().any(|a| of_vehicle(&a)),
        ),
        verdict(
            "a full battery at the summit",
            match planned.and_then(|a| Some((a, a.head_room.as_ref()?))) {
                Some((a, room)) => format!(
                    "no alarm; advice to {} to arrive at or below {} %",
                    a.vehicle,
                    (room.arrive_at_or_below * 100.0).floor()
                ),
                None if planned.is_some() => "no alarm; a planning message".to_owned(),
                None => "no planning message".to_owned(),
            },
            planned.is_some(),
        ),
        verdict(
            "a road closure behind which traffic creeps",
            match stray.as_slice() {
                [] => format!(
                    "no alarm: low speed explains {} kWh of friction in {}",
                    show::kwh(held_up.iter().map(|(_, found)| found).sum()),
                    show::count(held_up.len() as u64, "descent", "descents")
                ),
                several => format!(
                    "{} about nothing planted",
                    show::count(several.len() as u64, "alarm", "alarms")
                ),
            },
            stray.is_empty()
                && !held_up.is_empty()
                && held_up
                    .iter()
                    .all(|(planted, found)| *found >= EXPLAINED * planted),
        ),
        verdict(
            "brakes that nobody uses firmly",
            match unused.as_slice() {
                [] => "no alarm".to_owned(),
                several => format!("an alarm about {}", several.join(", ")),
            },
            unused == idle,
        ),
    ]
}

/// Prints what was planted and what was found.
pub(super) fn print_verdicts(verdicts: &[Verdict], printer: &mut Printer) -> Outcome {
    section(printer, "Planted, and what the server makes of it")?;
    for v in verdicts {
        let mark = match v.told_apart {
            Some(true) => "told apart ",
            Some(false) => "MISSED     ",
            None => "too short  ",
        };
        printer.wrapped(mark, &format!("{}: {}", v.planted, v.found))?;
    }
    Ok(())
}

/// Returns what was not told apart.
pub(super) fn missed(verdicts: &[Verdict]) -> Vec<&'static str> {
    verdicts
        .iter()
        .filter(|v| v.told_apart == Some(false))
        .map(|v| v.planted)
        .collect()
}
