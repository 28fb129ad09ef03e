//! The answer for people: the verdict first, then the numbers behind it.

use coldbrake_engine::{Metric, comparison::Exclusion};
use coldbrake_proto::v1::{
    BetterDirection, CompareVersionsResponse, ComparedShift, ComparisonEvidence, ComparisonVerdict,
    DistributionStep, LeftOut, MetricComparison, ObservationUnit, PValueMethod,
};

use crate::{
    exit::Outcome,
    plot,
    printer::{Printer, table::Table},
    show,
    shown::Shown,
};

/// Strata listed for a metric.
const STRATA_SHOWN: usize = 8;

/// Returns a verdict in words.
const fn words(v: ComparisonVerdict) -> &'static str {
    match v {
        ComparisonVerdict::Better => "better",
        ComparisonVerdict::Worse => "worse",
        ComparisonVerdict::NoDifferenceSeen => "no difference seen",
        ComparisonVerdict::TooFewToTell => "too few to tell",
        ComparisonVerdict::Unspecified => "not known",
    }
}

/// Returns why descents were left out, in words.
const fn reason(why: Exclusion) -> &'static str {
    match why {
        Exclusion::CutShort => "cut short by a gap in the data",
        Exclusion::ClockJump => "the vehicle's clock jumped",
        Exclusion::AltitudeFrozen => "the altitude stood still on the move",
        Exclusion::LowCoverage => "samples cover less than 95 % of the time",
        Exclusion::PoorClosure => "the energy account leaves over 5 % open",
        Exclusion::BatchRefused => "a batch inside was refused",
        Exclusion::NoGrade => "on no known grade (--ungraded by-drop compares them by drop)",
        Exclusion::NotKnown => "no value of this quantity",
        Exclusion::FrictionByBalance => "friction only found from the balance",
        Exclusion::OneSided => "nothing of the other version is like it",
        Exclusion::SmallStratum => "only one of a version is like it",
    }
}

/// Prints everything.
pub(super) fn print(answer: &CompareVersionsResponse, in_full: bool, printer: &mut Printer) -> Outcome {
    let (a, b) = versions(answer);
    printer.heading(&format!("{b} against {a}: {}", words(answer.verdict())))?;
    for line in summary(answer) {
        printer.wrapped("  ", &line)?;
    }
    printer.line("")?;
    sides(answer, printer)?;
    printer.line("")?;
    overview(answer, printer)?;
    let drawn: Vec<&MetricComparison> = if in_full {
        answer.metrics.iter().collect()
    } else {
        strongest(answer).into_iter().collect()
    };
    for m in drawn {
        printer.line("")?;
        one(answer, m, printer)?;
    }
    let hot = Metric::BrakeTemperaturePeak.name();
    if answer.metrics.iter().any(|m| m.metric == hot) {
        printer.line("")?;
        printer.wrapped("", show::CAUTION)?;
    }
    printer.say("descents of one vehicle resemble each other: see the lines by vehicle; docs/comparison.md says how to read this");
    if !in_full {
        printer.say(&format!("next: coldbrake compare {a} {b} --metric METRIC"));
    }
    Ok(())
}

/// Prints the verdicts only.
pub(super) fn print_brief(answer: &CompareVersionsResponse, printer: &mut Printer) -> Outcome {
    let (a, b) = versions(answer);
    printer.line(&format!("{b} against {a}: {}", words(answer.verdict())))?;
    overview(answer, printer)
}

fn versions(answer: &CompareVersionsResponse) -> (&str, &str) {
    (
        answer.a.as_ref().map_or("?", |s| &s.software_version),
        answer.b.as_ref().map_or("?", |s| &s.software_version),
    )
}

/// Which metrics have which verdict, a line each.
fn summary(answer: &CompareVersionsResponse) -> Vec<String> {
    [
        ComparisonVerdict::Worse,
        ComparisonVerdict::Better,
        ComparisonVerdict::NoDifferenceSeen,
        ComparisonVerdict::TooFewToTell,
    ]
    .into_iter()
    .filter_map(|verdict| {
        let named = answer.metrics.iter().filter(|m| m.verdict() == verdict);
        let names: Vec<&str> = named.map(|m| m.metric.as_str()).collect();
        (!names.is_empty()).then(|| format!("{}: {}", words(verdict), names.join(", ")))
    })
    .collect()
}

fn sides(answer: &CompareVersionsResponse, printer: &mut Printer) -> Outcome {
    let (Some(a), Some(b)) = (&answer.a, &answer.b) else {
        return Ok(());
    };
    let mut table = Table::default()
        .text("", 0)
        .number(&a.software_version, "", 0)
        .number(&b.software_version, "", 0)
        .text("", 1);
    let mut row = |title: &str, a: i64, b: i64, remark: String| {
        table.row(vec![title.to_owned(), a.to_string(), b.to_string(), remark]);
    };
    row("descents found", a.found_count, b.found_count, String::new());
    row(
        "fit to compare",
        a.compared_count,
        b.compared_count,
        String::new(),
    );
    let both = format!("{} on both sides", answer.vehicles_on_both_sides);
    row("vehicles", a.vehicle_count, b.vehicle_count, both);
    row("days", a.day_count, b.day_count, String::new());
    if a.mass_assumed_count + b.mass_assumed_count > 0 {
        let remark = "that of the class stands in".to_owned();
        row(
            "mass not known",
            a.mass_assumed_count,
            b.mass_assumed_count,
            remark,
        );
    }
    table.print(printer)?;
    reasons(&answer.left_out, printer)
}

fn reasons(list: &[LeftOut], printer: &mut Printer) -> Outcome {
    for l in list {
        let why = match Exclusion::from_name(&l.reason) {
            Some(known) => reason(known),
            None => &l.reason,
        };
        printer.wrapped("  left out: ", &format!("{} and {}, {why}", l.a_count, l.b_count))?;
    }
    Ok(())
}

/// How the numbers of a metric are shown.
fn shown(m: &MetricComparison, printer: &Printer) -> Option<Shown> {
    let metric = Metric::from_name(&m.metric)?;
    let typical = m
        .evidence
        .as_ref()
        .and_then(|e| e.a.as_ref())
        .map_or(1.0, |q| q.median.abs().max(q.p90.abs()));
    Some(Shown::of(metric, printer.units, typical))
}

fn p_value(p: f64) -> String {
    if p < 0.001 {
        "< 0.001".to_owned()
    } else {
        format!("{p:.3}")
    }
}

fn interval(s: &ComparedShift, shown: &Shown) -> String {
    match (s.low, s.high) {
        (Some(low), Some(high)) => {
            format!("{} to {}", shown.difference(low), shown.difference(high))
        }
        _ => "too few".to_owned(),
    }
}

fn overview(answer: &CompareVersionsResponse, printer: &mut Printer) -> Outcome {
    let confidence = format!("{} % interval", show::digits(answer.confidence * 100.0, 2));
    let mut table = Table::default()
        .text("metric", 0)
        .text("verdict", 0)
        .number("shift", "", 1)
        .text("", 2)
        .text(&confidence, 3)
        .number("p", "adjusted", 4);
    for m in &answer.metrics {
        let numbers = shown(m, printer).zip(m.evidence.as_ref()).and_then(|(shown, e)| {
            let shift = e.shift.as_ref()?;
            Some([
                shown.difference(shift.value),
                shown.difference_unit().to_owned(),
                interval(shift, &shown),
                p_value(e.p_adjusted),
            ])
        });
        let mut cells = vec![m.metric.clone(), words(m.verdict()).to_owned()];
        cells.extend(numbers.unwrap_or_else(|| [show::UNKNOWN; 4].map(str::to_owned)));
        table.row(cells);
    }
    table.print(printer)?;
    Ok(())
}

/// The metric with the strongest evidence.
fn strongest(answer: &CompareVersionsResponse) -> Option<&MetricComparison> {
    let weight = |m: &&MetricComparison| m.evidence.as_ref().map(|e| e.z.abs());
    answer
        .metrics
        .iter()
        .filter(|m| m.evidence.is_some())
        .reduce(|best, m| if weight(&m) > weight(&best) { m } else { best })
}

fn one(answer: &CompareVersionsResponse, m: &MetricComparison, printer: &mut Printer) -> Outcome {
    let Some((metric, shown)) = Metric::from_name(&m.metric).zip(shown(m, printer)) else {
        return Ok(());
    };
    let (a, b) = versions(answer);
    let better = match m.better() {
        BetterDirection::Higher => "higher is better",
        BetterDirection::Lower => "lower is better",
        BetterDirection::Unspecified => "which way is better is not known",
    };
    printer.heading(&format!("{}: {}", m.metric, words(m.verdict())))?;
    printer.wrapped(
        "  ",
        &format!("{}, {}; {better}", metric.scale().title, shown.unit),
    )?;
    let Some(e) = &m.evidence else {
        printer.wrapped("  ", "no descent of one version is like a descent of the other")?;
        return reasons(&m.left_out, printer);
    };
    let mut table = Table::default()
        .text("  version", 0)
        .number("descents", "", 0)
        .number("P10", shown.unit, 1)
        .number("median", shown.unit, 0)
        .number("P90", shown.unit, 1);
    for (sign, version, n, q) in [("a", a, m.a_count, &e.a), ("b", b, m.b_count, &e.b)] {
        let quantile = |v: Option<f64>| show::or_unknown(v, |v| shown.text(v));
        table.row(vec![
            format!("  {sign} {version}"),
            n.to_string(),
            quantile(q.as_ref().map(|q| q.p10)),
            quantile(q.as_ref().map(|q| q.median)),
            quantile(q.as_ref().map(|q| q.p90)),
        ]);
    }
    table.print(printer)?;
    for line in evidence_in_words(answer, m, e, &shown) {
        printer.wrapped("  ", &line)?;
    }
    reasons(&m.left_out, printer)?;
    printer.line("")?;
    printer.heading("share of descents at or below, strata evened out")?;
    let points = |steps: &[DistributionStep]| -> Vec<plot::Step> {
        steps.iter().map(|s| (s.value, s.share)).collect()
    };
    let edge = |v: f64| format!("{} {}", shown.text(v), shown.unit);
    let picture = plot::shares(
        &points(&m.a_steps),
        &points(&m.b_steps),
        printer.width,
        printer.unicode,
        edge,
    );
    for line in picture {
        printer.line(&line)?;
    }
    strata(m, &shown, printer)
}

fn evidence_in_words(
    answer: &CompareVersionsResponse,
    m: &MetricComparison,
    e: &ComparisonEvidence,
    shown: &Shown,
) -> Vec<String> {
    let (a, b) = versions(answer);
    let unit = shown.difference_unit();
    let mut lines = Vec::new();
    if let Some(shift) = &e.shift {
        let mut line = format!(
            "shift of {b} against {a}: {} {unit}",
            shown.difference(shift.value)
        );
        if shift.low.is_some() {
            line += &format!(
                ", {} % interval {}",
                show::digits(answer.confidence * 100.0, 2),
                interval(shift, shown)
            );
        }
        if let Some(least) = m.min_effect {
            line += &format!("; {} matters", shown.difference(least).trim_start_matches('+'));
        }
        lines.push(line);
    }
    lines.push(format!(
        "of two descents that are alike, the one under {b} has the higher value in {} % of pairs ({} to {})",
        show::digits(e.superiority * 100.0, 2),
        show::digits(e.superiority_low * 100.0, 2),
        show::digits(e.superiority_high * 100.0, 2),
    ));
    let how = match e.p_method() {
        PValueMethod::Exact => "exact",
        PValueMethod::Permutation => "by relabelling",
        PValueMethod::Normal | PValueMethod::Unspecified => "by normal approximation",
    };
    lines.push(format!(
        "p {} {how}, {} adjusted for {}; {}",
        p_value(e.p),
        p_value(e.p_adjusted),
        show::count(answer.metrics.len() as u64, "metric", "metrics"),
        show::count(m.stratum_count.unsigned_abs(), "stratum", "strata"),
    ));
    for d in &m.drawn_together {
        let unit_of = match d.unit() {
            ObservationUnit::VehicleDay => "each vehicle's day counted once",
            ObservationUnit::Vehicle => "each vehicle counted once",
            ObservationUnit::Unspecified => continue,
        };
        let mut line = format!("{unit_of}: {}", words(d.verdict()));
        if let Some(shift) = &d.shift {
            line += &format!(", shift {} {unit}", shown.difference(shift.value));
        }
        if let Some(p) = d.p {
            line += &format!(", p {}", p_value(p));
        }
        line += &format!(" ({} and {} values)", d.a_count, d.b_count);
        lines.push(line);
    }
    lines
}

fn strata(m: &MetricComparison, shown: &Shown, printer: &mut Printer) -> Outcome {
    printer.line("")?;
    let mut table = Table::default()
        .text("compared on", 0)
        .text("class", 4)
        .text("charge", 5)
        .text("mass", 6)
        .number("a", "descents", 2)
        .number("b", "descents", 2)
        .number("a", shown.unit, 1)
        .number("b", shown.unit, 1)
        .number("shift", "", 0);
    for s in m.strata.iter().take(STRATA_SHOWN) {
        let road = if s.vehicle.is_empty() {
            s.road.clone()
        } else {
            format!("{}, {}", s.road, s.vehicle)
        };
        table.row(vec![
            road,
            s.vehicle_class.clone(),
            s.charge_band.trim_start_matches("charge ").to_owned(),
            s.mass_band.clone(),
            s.a_count.to_string(),
            s.b_count.to_string(),
            shown.text(s.a_median),
            shown.text(s.b_median),
            show::or_unknown(s.shift.as_ref(), |s| shown.difference(s.value)),
        ]);
    }
    table.print(printer)?;
    let more = m.stratum_count - m.strata.len().min(STRATA_SHOWN) as i64;
    if more > 0 {
        printer.say(&format!("{more} more strata: --format json has up to 200"));
    }
    Ok(())
}
