//! The answer as documents for programs.

use coldbrake_proto::v1::{
    BetterDirection, CompareVersionsResponse, ComparedQuantiles, ComparedShift, ComparedSide,
    ComparedStratum, ComparisonVerdict, DistributionStep, DrawnTogether, LeftOut, MetricComparison,
    ObservationUnit, PValueMethod,
};
use serde_json::{Value, json};

/// Returns a verdict as a name for programs.
pub(super) const fn verdict(v: ComparisonVerdict) -> &'static str {
    match v {
        ComparisonVerdict::Better => "better",
        ComparisonVerdict::Worse => "worse",
        ComparisonVerdict::NoDifferenceSeen => "no_difference_seen",
        ComparisonVerdict::TooFewToTell => "too_few_to_tell",
        ComparisonVerdict::Unspecified => "unknown",
    }
}

const fn better(b: BetterDirection) -> &'static str {
    match b {
        BetterDirection::Higher => "higher",
        BetterDirection::Lower => "lower",
        BetterDirection::Unspecified => "unknown",
    }
}

const fn method(m: PValueMethod) -> &'static str {
    match m {
        PValueMethod::Exact => "exact",
        PValueMethod::Permutation => "permutation",
        PValueMethod::Normal => "normal",
        PValueMethod::Unspecified => "unknown",
    }
}

const fn unit(u: ObservationUnit) -> &'static str {
    match u {
        ObservationUnit::VehicleDay => "vehicle_day",
        ObservationUnit::Vehicle => "vehicle",
        ObservationUnit::Unspecified => "unknown",
    }
}

/// Returns the document.
pub(super) fn json(answer: &CompareVersionsResponse) -> Value {
    json!({
        "format": "coldbrake.comparison/1",
        "a": answer.a.as_ref().map(side),
        "b": answer.b.as_ref().map(side),
        "vehicles_on_both_sides": answer.vehicles_on_both_sides,
        "confidence": answer.confidence,
        "verdict": verdict(answer.verdict()),
        "left_out": left_out(&answer.left_out),
        "metrics": answer.metrics.iter().map(metric).collect::<Vec<_>>(),
    })
}

fn side(s: &ComparedSide) -> Value {
    json!({
        "software_version": s.software_version,
        "found_count": s.found_count,
        "compared_count": s.compared_count,
        "vehicle_count": s.vehicle_count,
        "day_count": s.day_count,
        "mass_assumed_count": s.mass_assumed_count,
    })
}

fn left_out(list: &[LeftOut]) -> Vec<Value> {
    list.iter()
        .map(|l| json!({"reason": l.reason, "a_count": l.a_count, "b_count": l.b_count}))
        .collect()
}

fn metric(m: &MetricComparison) -> Value {
    let evidence = m.evidence.as_ref().map(|e| {
        json!({
            "shift": e.shift.as_ref().map(shift),
            "z": e.z,
            "p": e.p,
            "p_adjusted": e.p_adjusted,
            "p_method": method(e.p_method()),
            "superiority": e.superiority,
            "superiority_low": e.superiority_low,
            "superiority_high": e.superiority_high,
            "a": e.a.as_ref().map(quantiles),
            "b": e.b.as_ref().map(quantiles),
        })
    });
    json!({
        "metric": m.metric,
        "unit": m.unit,
        "better": better(m.better()),
        "min_effect": m.min_effect,
        "verdict": verdict(m.verdict()),
        "a_count": m.a_count,
        "b_count": m.b_count,
        "evidence": evidence,
        "left_out": left_out(&m.left_out),
        "drawn_together": m.drawn_together.iter().map(drawn_together).collect::<Vec<_>>(),
        "stratum_count": m.stratum_count,
        "strata": m.strata.iter().map(stratum).collect::<Vec<_>>(),
        "a_steps": steps(&m.a_steps),
        "b_steps": steps(&m.b_steps),
    })
}

fn shift(s: &ComparedShift) -> Value {
    json!({"value": s.value, "low": s.low, "high": s.high})
}

fn quantiles(q: &ComparedQuantiles) -> Value {
    json!({"p10": q.p10, "median": q.median, "p90": q.p90})
}

fn drawn_together(d: &DrawnTogether) -> Value {
    json!({
        "unit": unit(d.unit()),
        "a_count": d.a_count,
        "b_count": d.b_count,
        "shift": d.shift.as_ref().map(shift),
        "p": d.p,
        "verdict": verdict(d.verdict()),
    })
}

fn stratum(s: &ComparedStratum) -> Value {
    let or_null = |text: &str| {
        if text.is_empty() {
            Value::Null
        } else {
            Value::from(text)
        }
    };
    json!({
        "grade": or_null(&s.grade),
        "road": s.road,
        "vehicle_class": s.vehicle_class,
        "charge_band": s.charge_band,
        "mass_band": s.mass_band,
        "vehicle": or_null(&s.vehicle),
        "a_count": s.a_count,
        "b_count": s.b_count,
        "a_median": s.a_median,
        "b_median": s.b_median,
        "shift": s.shift.as_ref().map(shift),
    })
}

fn steps(list: &[DistributionStep]) -> Vec<Value> {
    list.iter()
        .map(|s| json!({"value": s.value, "share": s.share}))
        .collect()
}

/// Columns of the table for spreadsheets: one row per metric.
pub(super) const CSV_HEADER: [&str; 23] = [
    "metric",
    "unit",
    "better",
    "verdict",
    "version_a",
    "version_b",
    "a_count",
    "b_count",
    "a_p10",
    "a_median",
    "a_p90",
    "b_p10",
    "b_median",
    "b_p90",
    "shift",
    "shift_low",
    "shift_high",
    "min_effect",
    "superiority",
    "p",
    "p_adjusted",
    "p_by_vehicle_day",
    "p_by_vehicle",
];

/// Returns the rows.
pub(super) fn csv_rows(answer: &CompareVersionsResponse) -> impl Iterator<Item = Vec<String>> {
    let version = |s: &Option<ComparedSide>| {
        s.as_ref()
            .map_or_else(String::new, |s| s.software_version.clone())
    };
    let (a, b) = (version(&answer.a), version(&answer.b));
    answer.metrics.iter().map(move |m| {
        let number = |v: Option<f64>| v.map_or_else(String::new, |v| v.to_string());
        let e = m.evidence.as_ref();
        let shift = e.and_then(|e| e.shift.as_ref());
        let (qa, qb) = (e.and_then(|e| e.a.as_ref()), e.and_then(|e| e.b.as_ref()));
        let drawn = |wanted: ObservationUnit| {
            let found = m.drawn_together.iter().find(|d| d.unit() == wanted);
            number(found.and_then(|d| d.p))
        };
        vec![
            m.metric.clone(),
            m.unit.clone(),
            better(m.better()).to_owned(),
            verdict(m.verdict()).to_owned(),
            a.clone(),
            b.clone(),
            m.a_count.to_string(),
            m.b_count.to_string(),
            number(qa.map(|q| q.p10)),
            number(qa.map(|q| q.median)),
            number(qa.map(|q| q.p90)),
            number(qb.map(|q| q.p10)),
            number(qb.map(|q| q.median)),
            number(qb.map(|q| q.p90)),
            number(shift.map(|s| s.value)),
            number(shift.and_then(|s| s.low)),
            number(shift.and_then(|s| s.high)),
            number(m.min_effect),
            number(e.map(|e| e.superiority)),
            number(e.map(|e| e.p)),
            number(e.map(|e| e.p_adjusted)),
            drawn(ObservationUnit::VehicleDay),
            drawn(ObservationUnit::Vehicle),
        ]
    })
}
