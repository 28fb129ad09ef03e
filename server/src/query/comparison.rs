//! Software versions against each other, over the descents recorded.

use coldbrake_engine::{
    Metric,
    comparison::{
        Asked, Exclusions, Gathering, MetricAnswer, Plan, Sensitivity, SideSummary, Ungraded, Unit,
        bands::{Likeness, Road},
        verdict_in_all,
    },
    ids::is_software_version,
    stats::{
        compare::{CompareOptions, Direction, Evidence, PValueBy, StratumResult, Verdict},
        rank::Shift,
        robust::{EcdfPoint, Summary},
    },
};
use coldbrake_proto::v1::{self, comparison_service_server::ComparisonService};
use tonic::{Request, Response, Status};

use super::{Caller, Reader, descents};
use crate::{
    status::Refusal,
    store::{DescentFilter, Store},
};

/// Most descents of both versions in one comparison. Twenty thousand take some seconds of one processor; far fewer tell a
/// difference of any size that matters.
const MOST_DESCENTS: u64 = 20_000;
/// Most descents that are looked at to find them.
const MOST_LOOKED_AT: usize = 2_000_000;
/// Descents of one look into the store.
const PAGE: usize = 1_000;
/// Most strata of a metric in the answer.
const MOST_STRATA: usize = 200;

/// Answers which version is better.
#[derive(Clone)]
pub(crate) struct Comparisons {
    reader: Reader,
}

impl Comparisons {
    pub(crate) fn new(reader: Reader) -> Self {
        Self { reader }
    }
}

#[tonic::async_trait]
impl ComparisonService for Comparisons {
    async fn compare_versions(
        &self,
        request: Request<v1::CompareVersionsRequest>,
    ) -> Result<Response<v1::CompareVersionsResponse>, Status> {
        let mut request = request.into_inner();
        let filter = descents::filter(request.filter.take())?;
        if filter.software_version.is_some() {
            return Err(Refusal::field(
                "filter.software_version",
                "is given: leave it out, `version_a` and `version_b` say the versions",
            )
            .into());
        }
        let plan = plan(&request)?;
        let answer = self
            .reader
            .read(move |store, caller| compare(store, caller, &filter, plan))
            .await?;
        Ok(Response::new(answer))
    }
}

/// Reads what is asked for.
fn plan(request: &v1::CompareVersionsRequest) -> Result<Plan, Refusal> {
    for (field, version) in [
        ("version_a", &request.version_a),
        ("version_b", &request.version_b),
    ] {
        if !is_software_version(version) {
            return Err(Refusal::field(
                field,
                "is no software version: give 1 to 64 printable characters without spaces",
            ));
        }
    }
    if request.version_a == request.version_b {
        let text = format!(
            "is `{}` like `version_a`: give another version",
            request.version_b
        );
        return Err(Refusal::field("version_b", text));
    }
    let confidence = request.confidence.unwrap_or(0.95);
    if !(0.5..1.0).contains(&confidence) {
        let text = format!("is {confidence}: give 0.5 or more and less than 1");
        return Err(Refusal::field("confidence", text));
    }
    let ungraded = match request.ungraded() {
        v1::UngradedDescents::Unspecified | v1::UngradedDescents::LeftOut => Ungraded::LeftOut,
        v1::UngradedDescents::ByDrop => Ungraded::ByDrop,
    };
    let options = |direction, relevant_shift| CompareOptions {
        confidence,
        significance: 1.0 - confidence,
        relevant_shift,
        ..CompareOptions::new(direction)
    };
    let mut asked: Vec<Asked> = Vec::new();
    for (i, wanted) in request.metrics.iter().enumerate() {
        let (metric, direction) =
            judged(&wanted.metric).map_err(|text| Refusal::field(&format!("metrics[{i}].metric"), text))?;
        if asked.iter().any(|a| a.metric == metric) {
            let text = format!("`{}` stands there twice: name each metric once", wanted.metric);
            return Err(Refusal::field(&format!("metrics[{i}].metric"), text));
        }
        if let Some(effect) = wanted.min_effect
            && !(effect.is_finite() && effect > 0.0)
        {
            let text = format!("is {effect}: give a shift above 0 in the unit of the metric");
            return Err(Refusal::field(&format!("metrics[{i}].min_effect"), text));
        }
        asked.push(Asked {
            metric,
            options: options(direction, wanted.min_effect),
        });
    }
    if asked.is_empty() {
        asked = Plan::usual_metrics()
            .filter_map(|metric| {
                Some(Asked {
                    metric,
                    options: options(metric.better()?, None),
                })
            })
            .collect();
    }
    Ok(Plan {
        version_a: request.version_a.clone(),
        version_b: request.version_b.clone(),
        asked,
        ungraded,
        within_vehicles: request.within_vehicles,
    })
}

/// Returns a metric that has a better direction.
fn judged(name: &str) -> Result<(Metric, Direction), String> {
    let judged = || {
        let names: Vec<_> = Plan::usual_metrics().map(Metric::name).collect();
        names.join(", ")
    };
    let metric = Metric::from_name(name).ok_or_else(|| format!("is `{name}`: give one of {}", judged()))?;
    let direction = metric.better().ok_or_else(|| {
        format!(
            "is `{name}`, of which more is neither better nor worse: give one of {}",
            judged()
        )
    })?;
    Ok((metric, direction))
}

/// Reads the descents page by page, and compares.
fn compare(
    store: &dyn Store,
    caller: &Caller,
    filter: &DescentFilter,
    plan: Plan,
) -> Result<v1::CompareVersionsResponse, Refusal> {
    const GONE: Refusal = Refusal::Internal("nobody waits for the answer any more");
    let versions = (plan.version_a.clone(), plan.version_b.clone());
    let confidence = plan.asked.first().map_or(0.95, |a| a.options.confidence);
    let mut gathering = Gathering::new(plan);
    let mut cursor = None;
    let mut looked_at = 0;
    loop {
        if caller.is_gone() {
            return Err(GONE);
        }
        let page = store.descents(filter, cursor.as_deref(), PAGE)?;
        looked_at += page.rows.len();
        for descent in &page.rows {
            gathering.take(descent);
        }
        if gathering.found() > MOST_DESCENTS {
            return Err(too_many(format!(
                "means more than {MOST_DESCENTS} descents of the two versions"
            )));
        }
        cursor = page.next;
        if cursor.is_none() {
            break;
        }
        if looked_at > MOST_LOOKED_AT {
            return Err(too_many(format!("means more than {MOST_LOOKED_AT} descents")));
        }
    }
    let answers = gathering
        .answer(|| !caller.is_gone())
        .map_err(|error| {
            tracing::error!(%error, "a comparison was asked in a way that nobody foresaw");
            Refusal::Internal("the comparison cannot be computed")
        })?
        .ok_or(GONE)?;
    let (a, b) = gathering.summaries();
    Ok(v1::CompareVersionsResponse {
        a: Some(side(versions.0, a)),
        b: Some(side(versions.1, b)),
        vehicles_on_both_sides: count(gathering.vehicles_on_both_sides()),
        left_out: left_out(gathering.exclusions()),
        verdict: verdict(verdict_in_all(&answers)).into(),
        metrics: answers.iter().map(metric).collect(),
        confidence,
    })
}

fn too_many(what: String) -> Refusal {
    let text = what + ": narrow it by time, class, grade, vehicle or drop";
    Refusal::field("filter", text)
}

fn count(n: impl TryInto<i64>) -> i64 {
    n.try_into().unwrap_or(i64::MAX)
}

fn side(software_version: String, s: SideSummary) -> v1::ComparedSide {
    v1::ComparedSide {
        software_version,
        found_count: count(s.found),
        compared_count: count(s.compared),
        vehicle_count: count(s.vehicles),
        day_count: count(s.days),
        mass_assumed_count: count(s.mass_assumed),
    }
}

fn left_out(exclusions: &Exclusions) -> Vec<v1::LeftOut> {
    exclusions
        .iter()
        .map(|(why, n)| v1::LeftOut {
            reason: why.name().to_owned(),
            a_count: count(n.a),
            b_count: count(n.b),
        })
        .collect()
}

const fn verdict(v: Verdict) -> v1::ComparisonVerdict {
    match v {
        Verdict::Better => v1::ComparisonVerdict::Better,
        Verdict::Worse => v1::ComparisonVerdict::Worse,
        Verdict::NoDifferenceSeen => v1::ComparisonVerdict::NoDifferenceSeen,
        Verdict::TooFewToTell => v1::ComparisonVerdict::TooFewToTell,
    }
}

fn metric(answer: &MetricAnswer<'_>) -> v1::MetricComparison {
    let scale = answer.asked.metric.scale();
    let found = &answer.comparison;
    let mut strata: Vec<(&Likeness, &StratumResult)> =
        answer.strata.iter().copied().zip(&found.strata).collect();
    let weight = |s: &StratumResult| {
        let (n, m) = (s.n_a as f64, s.n_b as f64);
        n * m / (n + m + 1.0)
    };
    // Sorting is stable: of equal weight, by key.
    strata.sort_by(|x, y| weight(y.1).total_cmp(&weight(x.1)));
    v1::MetricComparison {
        metric: scale.name.to_owned(),
        unit: scale.unit.to_owned(),
        better: match answer.asked.options.direction {
            Direction::HigherIsBetter => v1::BetterDirection::Higher,
            Direction::LowerIsBetter => v1::BetterDirection::Lower,
        }
        .into(),
        min_effect: answer.asked.options.relevant_shift,
        verdict: verdict(found.verdict).into(),
        a_count: count(found.n_a),
        b_count: count(found.n_b),
        evidence: found.evidence.as_ref().map(evidence),
        left_out: left_out(&answer.exclusions),
        drawn_together: answer.sensitivities.iter().map(drawn_together).collect(),
        stratum_count: count(strata.len()),
        strata: strata
            .iter()
            .take(MOST_STRATA)
            .map(|(l, s)| stratum(l, s))
            .collect(),
        a_steps: steps(&answer.ecdf_a),
        b_steps: steps(&answer.ecdf_b),
    }
}

fn shift(s: &Shift) -> v1::ComparedShift {
    v1::ComparedShift {
        value: s.estimate,
        low: s.interval.map(|i| i.lower),
        high: s.interval.map(|i| i.upper),
    }
}

fn evidence(e: &Evidence) -> v1::ComparisonEvidence {
    let quantiles = |s: &Summary| v1::ComparedQuantiles {
        p10: s.p10,
        median: s.median,
        p90: s.p90,
    };
    v1::ComparisonEvidence {
        shift: Some(shift(&e.shift)),
        z: e.z,
        p: e.p,
        p_adjusted: e.p_adjusted,
        p_method: match e.p_by {
            PValueBy::Exact => v1::PValueMethod::Exact,
            PValueBy::Permutation => v1::PValueMethod::Permutation,
            PValueBy::Normal => v1::PValueMethod::Normal,
        }
        .into(),
        superiority: e.effect.probability,
        superiority_low: e.effect.interval.lower,
        superiority_high: e.effect.interval.upper,
        a: Some(quantiles(&e.a)),
        b: Some(quantiles(&e.b)),
    }
}

fn drawn_together(s: &Sensitivity) -> v1::DrawnTogether {
    v1::DrawnTogether {
        unit: match s.unit {
            Unit::VehicleDay => v1::ObservationUnit::VehicleDay,
            Unit::Vehicle => v1::ObservationUnit::Vehicle,
        }
        .into(),
        a_count: count(s.n_a),
        b_count: count(s.n_b),
        shift: s.shift.as_ref().map(shift),
        p: s.p,
        verdict: verdict(s.verdict).into(),
    }
}

fn stratum(likeness: &Likeness, s: &StratumResult) -> v1::ComparedStratum {
    v1::ComparedStratum {
        grade: match &likeness.road {
            Road::Grade(grade) => grade.clone(),
            Road::Like { .. } => String::new(),
        },
        road: likeness.road.to_string(),
        vehicle_class: likeness.vehicle_class.clone(),
        charge_band: likeness.charge.to_string(),
        mass_band: likeness.mass.to_string(),
        vehicle: likeness.vehicle.clone().unwrap_or_default(),
        a_count: count(s.n_a),
        b_count: count(s.n_b),
        // Both sides of a stratum that is compared hold something.
        a_median: s.median_a.unwrap_or_default(),
        b_median: s.median_b.unwrap_or_default(),
        shift: s.shift.as_ref().map(shift),
    }
}

fn steps(points: &[EcdfPoint]) -> Vec<v1::DistributionStep> {
    points
        .iter()
        .map(|p| v1::DistributionStep {
            value: p.value,
            share: p.share,
        })
        .collect()
}
