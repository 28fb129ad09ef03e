//! Is side b better than side a: one answer from all that the other modules compute.
//!
//! Every number is taken inside strata, so that a version that happened to drive the steep grades is not called worse
//! for it. A plain comparison of the pooled values is nowhere offered.

mod options;

use serde::{Deserialize, Serialize};

use super::StatsError;
use super::effect::{Superiority, superiority};
use super::error::{check, check_parameter};
use super::multiple::benjamini_hochberg;
use super::rank::{Alternative, RankMethod, Shift, rank_sum_test};
use super::robust::{EcdfPoint, Summary, median, step_quantile, thinned, weighted_steps};
pub use super::stratified::Stratum;
use super::stratified::{stratified_shift, van_elteren, van_elteren_permuted};
pub use options::{CompareOptions, Direction};

/// The answer in one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Side b is better than side a, beyond chance.
    Better,
    /// Side b is worse than side a, beyond chance.
    Worse,
    /// Enough observations, and nothing beyond chance (or, with a relevant shift given, none of that size).
    NoDifferenceSeen,
    /// The observations cannot answer.
    TooFewToTell,
}

/// How a p-value came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PValueBy {
    /// The exact distribution: one small stratum without ties.
    Exact,
    /// Random relabelling inside strata: few observations.
    Permutation,
    /// The normal approximation.
    Normal,
}

/// What one stratum says for itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StratumResult {
    /// What is alike in it.
    pub key: String,
    /// Observations of side a.
    pub n_a: usize,
    /// Observations of side b.
    pub n_b: usize,
    /// Median of side a; absent where it holds nothing.
    pub median_a: Option<f64>,
    /// Median of side b; absent where it holds nothing.
    pub median_b: Option<f64>,
    /// Shift b − a with its interval; absent where a side is missing, and then the stratum is not in the comparison.
    pub shift: Option<Shift>,
}

/// What only exists where both sides have something.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Shift b − a inside strata, unit of the metric, with its interval.
    pub shift: Shift,
    /// Standardised distance of the stratified rank statistic, positive where b is the greater.
    pub z: f64,
    /// Two-sided p-value for itself.
    pub p: f64,
    /// The p-value adjusted for all questions asked together; equal to `p` when there was one.
    pub p_adjusted: f64,
    /// How the p-value came about.
    pub p_by: PValueBy,
    /// How often b exceeds a.
    pub effect: Superiority,
    /// Count, P10, median and P90 of side a, every stratum weighing the same as on side b.
    pub a: Summary,
    /// The same of side b.
    pub b: Summary,
}

/// The answer to one question.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// Observations of side a in strata with both sides.
    pub n_a: usize,
    /// Observations of side b in strata with both sides.
    pub n_b: usize,
    /// The numbers; absent where no stratum has both sides.
    pub evidence: Option<Evidence>,
    /// Every stratum, in the order given, also those left out.
    pub strata: Vec<StratumResult>,
    /// The answer.
    pub verdict: Verdict,
}

/// One of several questions asked together.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// The observations.
    pub strata: &'a [Stratum],
    /// What is taken as given.
    pub options: CompareOptions,
}

/// Compares side b with side a inside strata.
///
/// Better or worse needs all of: enough observations a side, a p-value at or below the significance, an interval of
/// the shift without 0 inside, and a shift of at least the relevant one where that is given. The direction is that of
/// the rank statistic, which still tells where most values are equal and the shift is 0.
///
/// # Errors
/// A value that is not finite, or an option that makes no sense. Missing observations are no error but a verdict.
///
/// ```
/// # use coldbrake_engine::stats::compare::{compare, CompareOptions, Direction, Stratum, Verdict};
/// let grade = |level: f64, n: u32, by: f64| -> Vec<f64> {
///     (0..n).map(|i| level + f64::from(i * 7 % 11) + by).collect()
/// };
/// let strata = [
///     Stratum { key: "easy".into(), a: grade(0.0, 40, 0.0), b: grade(0.0, 8, -4.0) },
///     Stratum { key: "steep".into(), a: grade(60.0, 8, 0.0), b: grade(60.0, 40, -4.0) },
/// ];
/// let answer = compare(&strata, &CompareOptions::new(Direction::LowerIsBetter))?;
/// assert_eq!(answer.verdict, Verdict::Better); // although the mean of b is far higher
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn compare(strata: &[Stratum], options: &CompareOptions) -> Result<Comparison, StatsError> {
    options.check()?;
    let mut results = Vec::with_capacity(strata.len());
    for stratum in strata {
        results.push(one_stratum(stratum, options)?);
    }
    let used = || strata.iter().filter(|s| s.is_used());
    let n_a = used().map(|s| s.a.len()).sum();
    let n_b = used().map(|s| s.b.len()).sum();
    let evidence = match used().next() {
        Some(_) => Some(weigh(strata, n_a, n_b, options)?),
        None => None,
    };
    let mut comparison = Comparison {
        n_a,
        n_b,
        evidence,
        strata: results,
        verdict: Verdict::TooFewToTell,
    };
    comparison.verdict = decide(&comparison, options);
    Ok(comparison)
}

/// Answers several questions asked together, such as one per metric, with p-values adjusted for their number
/// (Benjamini and Hochberg) and verdicts that follow the adjusted ones.
///
/// A question with too few observations does not count as one of them: that was plain before looking at the values.
///
/// # Errors
/// As [`compare`], for the first question in error.
///
/// ```
/// # use coldbrake_engine::stats::compare::{compare_many, CompareOptions, Direction, Question, Stratum};
/// let a: Vec<f64> = (0..20).map(f64::from).collect();
/// let strata = [Stratum { key: "west".into(), b: a.iter().map(|v| v + 6.0).collect(), a }];
/// let options = CompareOptions::new(Direction::HigherIsBetter);
/// let same = [Stratum { b: strata[0].a.clone(), ..strata[0].clone() }];
/// let answers = compare_many(&[
///     Question { strata: &strata, options },
///     Question { strata: &same, options },
/// ])?;
/// let first = answers[0].evidence.unwrap();
/// assert!((first.p_adjusted - 2.0 * first.p).abs() < 1e-12);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn compare_many(questions: &[Question<'_>]) -> Result<Vec<Comparison>, StatsError> {
    let mut answers = questions
        .iter()
        .map(|q| compare(q.strata, &q.options))
        .collect::<Result<Vec<_>, _>>()?;
    let mut together: Vec<_> = answers
        .iter_mut()
        .zip(questions.iter().map(|q| &q.options))
        .collect();
    adjust_together(&mut together)?;
    Ok(answers)
}

/// Adjusts answers of [`compare`] that belong to one question, as [`compare_many`] does; for a caller who wants to stop
/// between two of them.
///
/// # Errors
/// None for what [`compare`] returns.
///
/// ```
/// # use coldbrake_engine::stats::compare::{adjust_together, compare, CompareOptions, Direction, Stratum};
/// let a: Vec<f64> = (0..20).map(f64::from).collect();
/// let strata = [Stratum { key: "west".into(), b: a.iter().map(|v| v + 6.0).collect(), a }];
/// let options = CompareOptions::new(Direction::HigherIsBetter);
/// let (mut one, mut two) = (compare(&strata, &options)?, compare(&strata, &options)?);
/// let before = one.evidence.unwrap().p;
/// adjust_together(&mut [(&mut one, &options), (&mut two, &options)])?;
/// assert_eq!(one.evidence.unwrap().p_adjusted, before); // of two equal ones, both are as strong as the weaker
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn adjust_together(answers: &mut [(&mut Comparison, &CompareOptions)]) -> Result<(), StatsError> {
    let mut counted: Vec<_> = answers
        .iter_mut()
        .filter(|(answer, options)| is_enough(answer, options))
        .collect();
    let p: Vec<f64> = counted
        .iter()
        .filter_map(|(answer, _)| answer.evidence.map(|e| e.p))
        .collect();
    for ((answer, options), adjusted) in counted.iter_mut().zip(benjamini_hochberg(&p)?) {
        if let Some(evidence) = &mut answer.evidence {
            evidence.p_adjusted = adjusted;
        }
        answer.verdict = decide(answer, options);
    }
    Ok(())
}

/// Returns the distributions of both sides for drawing, every stratum weighing the same on both, at most `most` steps
/// each.
///
/// The weight of a stratum is n·m/(n + m + 1), as in the shift. Strata with one side only are left out.
///
/// # Errors
/// A value that is not finite, `most` below 2, or no stratum with values on both sides.
///
/// ```
/// # use coldbrake_engine::stats::compare::{distributions, Stratum};
/// let strata = [
///     Stratum { key: "easy".into(), a: vec![1.0, 1.0, 1.0], b: vec![1.0] },
///     Stratum { key: "steep".into(), a: vec![9.0], b: vec![9.0, 9.0, 9.0] },
/// ];
/// let (a, b) = distributions(&strata, 50)?;
/// assert_eq!(a, b); // no difference but the mix, and the mix is taken out
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn distributions(
    strata: &[Stratum],
    most: usize,
) -> Result<(Vec<EcdfPoint>, Vec<EcdfPoint>), StatsError> {
    check_parameter("the number of steps", most as f64, "at least 2", |m| m >= 2.0)?;
    let used = super::stratified::used(strata)?;
    let steps = |side: fn(&Stratum) -> &[f64]| {
        let weighted = used.iter().flat_map(|stratum| {
            let values = side(stratum);
            let weight = stratum.weight() / values.len() as f64;
            values.iter().map(move |&v| (v, weight))
        });
        weighted_steps(weighted.collect())
    };
    Ok((thinned(steps(|s| &s.a), most), thinned(steps(|s| &s.b), most)))
}

fn one_stratum(stratum: &Stratum, options: &CompareOptions) -> Result<StratumResult, StatsError> {
    check("side a of a stratum", &stratum.a, 0)?;
    check("side b of a stratum", &stratum.b, 0)?;
    let middle = |values: &[f64]| (!values.is_empty()).then(|| median(values)).transpose();
    let shift = if stratum.is_used() {
        Some(stratified_shift(
            std::slice::from_ref(stratum),
            options.confidence,
        )?)
    } else {
        None
    };
    Ok(StratumResult {
        key: stratum.key.clone(),
        n_a: stratum.a.len(),
        n_b: stratum.b.len(),
        median_a: middle(&stratum.a)?,
        median_b: middle(&stratum.b)?,
        shift,
    })
}

fn weigh(
    strata: &[Stratum],
    n_a: usize,
    n_b: usize,
    options: &CompareOptions,
) -> Result<Evidence, StatsError> {
    let test = van_elteren(strata)?;
    let (p, p_by) = p_value(strata, test.p, n_a + n_b, options)?;
    let (steps_a, steps_b) = distributions(strata, usize::MAX)?;
    let summary = |steps: &[EcdfPoint], count| Summary {
        count,
        p10: step_quantile(steps, 0.1),
        median: step_quantile(steps, 0.5),
        p90: step_quantile(steps, 0.9),
    };
    Ok(Evidence {
        shift: stratified_shift(strata, options.confidence)?,
        z: test.z,
        p,
        p_adjusted: p,
        p_by,
        effect: superiority(strata, options.confidence)?,
        a: summary(&steps_a, n_a),
        b: summary(&steps_b, n_b),
    })
}

/// The best p-value that the size of the data allows.
fn p_value(
    strata: &[Stratum],
    normal: f64,
    count: usize,
    options: &CompareOptions,
) -> Result<(f64, PValueBy), StatsError> {
    let mut used = strata.iter().filter(|s| s.is_used());
    if let (Some(only), None) = (used.next(), used.next()) {
        let test = rank_sum_test(&only.a, &only.b, Alternative::TwoSided, RankMethod::Auto)?;
        if test.z.is_none() {
            return Ok((test.p, PValueBy::Exact));
        }
    }
    if count <= options.permute_up_to {
        let p = van_elteren_permuted(strata, options.permutations, options.seed)?;
        return Ok((p, PValueBy::Permutation));
    }
    Ok((normal, PValueBy::Normal))
}

fn is_enough(comparison: &Comparison, options: &CompareOptions) -> bool {
    comparison.evidence.is_some()
        && comparison.n_a >= options.minimum_per_side
        && comparison.n_b >= options.minimum_per_side
}

fn decide(comparison: &Comparison, options: &CompareOptions) -> Verdict {
    let Some(evidence) = comparison.evidence else {
        return Verdict::TooFewToTell;
    };
    let Some(interval) = evidence.shift.interval else {
        return Verdict::TooFewToTell;
    };
    if !is_enough(comparison, options) {
        return Verdict::TooFewToTell;
    }
    let beyond_chance = evidence.p_adjusted <= options.significance && !interval.holds_inside(0.0);
    let direction = if (evidence.z > 0.0) == (options.direction == Direction::HigherIsBetter) {
        Verdict::Better
    } else {
        Verdict::Worse
    };
    let Some(relevant) = options.relevant_shift else {
        return if beyond_chance {
            direction
        } else {
            Verdict::NoDifferenceSeen
        };
    };
    if beyond_chance && evidence.shift.estimate.abs() >= relevant {
        return direction;
    }
    // No relevant difference: only where the interval leaves no room for one.
    if interval.lower > -relevant && interval.upper < relevant {
        Verdict::NoDifferenceSeen
    } else {
        Verdict::TooFewToTell
    }
}

#[cfg(test)]
mod tests;
