//! The answer for each metric, and for all of them.

use std::collections::BTreeMap;

use super::{Asked, Exclusions, Gathering, bands::Likeness, gathering::Members};
use crate::stats::{
    StatsError,
    compare::{Comparison, Stratum, Verdict, adjust_together, compare, distributions},
    rank::Shift,
    robust::{EcdfPoint, median},
};

/// Most steps of a drawn distribution.
const STEPS: usize = 120;

/// What counts as one observation when the strength of the evidence is put to the test.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Unit {
    /// All descents of a vehicle in a stratum on one UTC day: their median.
    VehicleDay,
    /// All descents of a vehicle in a stratum: their median.
    Vehicle,
}

/// The same question with the descents of one vehicle drawn together, because they are not independent of each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sensitivity {
    /// What counts as one.
    pub unit: Unit,
    /// Observations of side a.
    pub n_a: usize,
    /// Observations of side b.
    pub n_b: usize,
    /// Shift b − a inside strata; absent where nothing can be compared.
    pub shift: Option<Shift>,
    /// p-value, not adjusted.
    pub p: Option<f64>,
    /// The verdict that these alone would give.
    pub verdict: Verdict,
}

/// The answer for one metric.
#[derive(Clone, Debug, PartialEq)]
pub struct MetricAnswer<'a> {
    /// What was asked.
    pub asked: Asked,
    /// Counts, evidence, strata and verdict.
    pub comparison: Comparison,
    /// What the strata of the comparison are, in the same order.
    pub strata: Vec<&'a Likeness>,
    /// What was left out of this metric alone.
    pub exclusions: Exclusions,
    /// The same with vehicles drawn together: by vehicle and day, then by vehicle.
    pub sensitivities: Vec<Sensitivity>,
    /// Distribution of side a, every stratum weighing the same as on side b.
    pub ecdf_a: Vec<EcdfPoint>,
    /// The same of side b.
    pub ecdf_b: Vec<EcdfPoint>,
}

impl MetricAnswer<'_> {
    /// Returns whether some descent of either side has a value of this metric that could be compared.
    pub fn has_values(&self) -> bool {
        let beyond = self
            .exclusions
            .iter()
            .any(|(why, _)| matches!(why, super::Exclusion::OneSided | super::Exclusion::SmallStratum));
        beyond || !self.comparison.strata.is_empty()
    }
}

impl Gathering {
    /// Answers for every metric asked about, in the order of the plan. `go_on` is asked between two pieces of work;
    /// `None` is returned once it says no.
    ///
    /// # Errors
    /// An option of the plan that makes no sense.
    pub fn answer(
        &self,
        mut go_on: impl FnMut() -> bool,
    ) -> Result<Option<Vec<MetricAnswer<'_>>>, StatsError> {
        let mut answers = Vec::with_capacity(self.plan.asked.len());
        for (at, asked) in self.plan.asked.iter().enumerate() {
            if !go_on() {
                return Ok(None);
            }
            let (members, exclusions) = self.members(at);
            let strata: Vec<Stratum> = members.iter().map(Members::to_stratum).collect();
            let comparison = compare(&strata, &asked.options)?;
            let (ecdf_a, ecdf_b) = match comparison.evidence {
                Some(_) => distributions(&strata, STEPS)?,
                None => (Vec::new(), Vec::new()),
            };
            let mut sensitivities = Vec::new();
            for unit in [Unit::VehicleDay, Unit::Vehicle] {
                if !go_on() {
                    return Ok(None);
                }
                sensitivities.push(drawn_together(&members, unit, asked)?);
            }
            answers.push(MetricAnswer {
                asked: *asked,
                comparison,
                strata: members.iter().map(|m| m.likeness).collect(),
                exclusions,
                sensitivities,
                ecdf_a,
                ecdf_b,
            });
        }
        let mut together: Vec<_> = answers
            .iter_mut()
            .map(|answer| (&mut answer.comparison, &answer.asked.options))
            .collect();
        adjust_together(&mut together)?;
        Ok(Some(answers))
    }
}

fn drawn_together(members: &[Members<'_>], unit: Unit, asked: &Asked) -> Result<Sensitivity, StatsError> {
    let mut strata = Vec::with_capacity(members.len());
    for stratum in members {
        let mut groups: BTreeMap<(bool, usize, i64), Vec<f64>> = BTreeMap::new();
        for (o, value) in &stratum.values {
            let day = if unit == Unit::VehicleDay { o.day } else { 0 };
            groups.entry((o.is_b, o.vehicle, day)).or_default().push(*value);
        }
        let mut drawn = Stratum::default();
        for ((is_b, ..), values) in groups {
            let side = if is_b { &mut drawn.b } else { &mut drawn.a };
            side.push(median(&values)?);
        }
        strata.push(drawn);
    }
    let found = compare(&strata, &asked.options)?;
    Ok(Sensitivity {
        unit,
        n_a: found.n_a,
        n_b: found.n_b,
        shift: found.evidence.map(|e| e.shift),
        p: found.evidence.map(|e| e.p),
        verdict: found.verdict,
    })
}

/// Returns the verdict over all metrics, strict as a release gate must be: one worse metric makes it worse, whatever the
/// others say; else one better makes it better; else one that cannot be told leaves it open.
///
/// A metric that no descent of either version has is passed over, unless there is no other.
///
/// ```
/// use coldbrake_engine::{comparison::verdict_in_all, stats::compare::Verdict};
/// assert_eq!(verdict_in_all(&[]), Verdict::TooFewToTell);
/// ```
pub fn verdict_in_all(answers: &[MetricAnswer<'_>]) -> Verdict {
    let all: Vec<Verdict> = answers
        .iter()
        .filter(|a| a.has_values())
        .map(|a| a.comparison.verdict)
        .collect();
    [Verdict::Worse, Verdict::Better, Verdict::TooFewToTell]
        .into_iter()
        .find(|v| all.contains(v))
        .unwrap_or(if all.is_empty() {
            Verdict::TooFewToTell
        } else {
            Verdict::NoDifferenceSeen
        })
}
