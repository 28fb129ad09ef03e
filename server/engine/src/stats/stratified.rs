//! Rank tests and shifts inside strata: like is compared with like only.
//!
//! One definition runs through this module. In stratum k with n values of side a and m of side b, each pair (a, b)
//! carries the weight 1/(n + m + 1): van Elteren's weights, as statistical packages document them; against a shift that
//! is the same in every stratum they are the best (van Elteren 1960, from memory). Then
//!
//! * the statistic is the weighted number of pairs in which b is the greater, ties counting half;
//! * the shift is the weighted median of all differences b − a inside strata, which is the shift that, taken off side
//!   b, brings the statistic to what chance expects (the Hodges-Lehmann idea applied to the stratified statistic);
//! * its interval holds the shifts that the statistic does not reject.
//!
//! With one stratum these are the rank-sum test and the Hodges-Lehmann shift. A stratum that lacks one side says
//! nothing and is left out.

use serde::{Deserialize, Serialize};

use super::StatsError;
use super::distribution::{normal_above, two_sided_z};
use super::error::{check, check_parameter, check_share};
use super::pairs::{SortedPair, smallest_difference};
use super::rank::{Interval, IntervalMethod, Shift, hodges_lehmann, ranks_and_ties, second_u_and_variance};
use super::robust::quantile;
use super::seeded::Seeded;

/// Relative rounding within which two sums of weights are one.
const ROUNDING: f64 = 1e-12;

/// The observations of both sides under like conditions, for example one grade, class and mass band.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stratum {
    /// What is alike, for the report.
    pub key: String,
    /// The side compared against.
    pub a: Vec<f64>,
    /// The side in question.
    pub b: Vec<f64>,
}

impl Stratum {
    /// Returns whether both sides hold something.
    pub fn is_used(&self) -> bool {
        !self.a.is_empty() && !self.b.is_empty()
    }

    /// Weight of one pair.
    pub(super) fn pair_weight(&self) -> f64 {
        1.0 / (self.a.len() as f64 + self.b.len() as f64 + 1.0)
    }

    /// Weight of all pairs.
    pub(super) fn weight(&self) -> f64 {
        self.a.len() as f64 * self.b.len() as f64 * self.pair_weight()
    }
}

/// Result of [`van_elteren`].
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StratifiedRankSum {
    /// Sum over strata of (rank sum of side b)/(N + 1).
    pub statistic: f64,
    /// What chance expects of it.
    pub expected: f64,
    /// Its variance under chance, corrected for ties inside strata.
    pub variance: f64,
    /// Standardised distance, positive where side b is the greater; 0 where all values of each stratum are equal.
    pub z: f64,
    /// Two-sided p-value of the normal approximation.
    pub p: f64,
    /// Strata in which both sides hold something.
    pub strata: usize,
}

/// Checks all values and keeps the strata that say something.
pub(super) fn used(strata: &[Stratum]) -> Result<Vec<&Stratum>, StatsError> {
    for stratum in strata {
        check("side a of a stratum", &stratum.a, 0)?;
        check("side b of a stratum", &stratum.b, 0)?;
    }
    let used: Vec<&Stratum> = strata.iter().filter(|s| s.is_used()).collect();
    if used.is_empty() {
        Err(StatsError::TooFew {
            what: "the list of strata with values on both sides",
            count: 0,
            needed: 1,
        })
    } else {
        Ok(used)
    }
}

/// Tests whether side b differs from side a inside strata (van Elteren; weights 1/(N + 1)).
///
/// # Errors
/// No stratum with values on both sides, or a value that is not finite.
///
/// ```
/// # use coldbrake_engine::stats::stratified::{van_elteren, Stratum};
/// // Nine matched pairs are a sign test: 7 of 9 up, z = (7 − 4.5)/1.5.
/// let strata: Vec<Stratum> = (0..9)
///     .map(|i| Stratum { key: String::new(), a: vec![0.0], b: vec![if i < 7 { 1.0 } else { -1.0 }] })
///     .collect();
/// assert!((van_elteren(&strata)?.z - 2.5 / 1.5).abs() < 1e-12);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn van_elteren(strata: &[Stratum]) -> Result<StratifiedRankSum, StatsError> {
    let strata = used(strata)?;
    let (mut statistic, mut expected, mut variance) = (0.0, 0.0, 0.0);
    for stratum in &strata {
        let weight = stratum.pair_weight();
        let m = stratum.b.len() as f64;
        let (u, u_variance, _) = second_u_and_variance(&stratum.a, &stratum.b);
        statistic += weight * (u + m * (m + 1.0) / 2.0);
        expected += m / 2.0;
        variance += weight * weight * u_variance;
    }
    let z = if variance > 0.0 {
        (statistic - expected) / variance.sqrt()
    } else {
        0.0
    };
    Ok(StratifiedRankSum {
        statistic,
        expected,
        variance,
        z,
        p: (2.0 * normal_above(z.abs())).min(1.0),
        strata: strata.len(),
    })
}

/// The ranks of one stratum, from which those of side b are drawn.
struct Urn {
    ranks: Vec<f64>,
    drawn: usize,
    weight: f64,
}

/// Returns the two-sided p-value of the same statistic from `draws` random relabellings inside strata.
///
/// For few or tiny strata, where the normal approximation is rough. Counts the data as one more draw, so it is never
/// 0 and never too small on average. The same seed gives the same value.
///
/// # Errors
/// As [`van_elteren`], or no draws.
///
/// ```
/// # use coldbrake_engine::stats::stratified::{van_elteren_permuted, Stratum};
/// let strata = [Stratum { key: "west".into(), a: vec![1.0, 2.0, 3.0], b: vec![4.0, 5.0, 6.0] }];
/// // 2 of the 20 orders are as extreme.
/// assert!((van_elteren_permuted(&strata, 20_000, 1)? - 0.1).abs() < 0.01);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn van_elteren_permuted(strata: &[Stratum], draws: u32, seed: u64) -> Result<f64, StatsError> {
    check_parameter("the number of draws", f64::from(draws), "at least 1", |d| {
        d >= 1.0
    })?;
    let strata = used(strata)?;
    let mut observed = 0.0;
    let mut expected = 0.0;
    let mut urns: Vec<Urn> = Vec::with_capacity(strata.len());
    for stratum in strata {
        let pooled: Vec<f64> = stratum.a.iter().chain(&stratum.b).copied().collect();
        let (ranks, _) = ranks_and_ties(&pooled);
        let weight = stratum.pair_weight();
        observed += weight * ranks[stratum.a.len()..].iter().sum::<f64>();
        expected += stratum.b.len() as f64 / 2.0;
        urns.push(Urn {
            ranks,
            drawn: stratum.b.len(),
            weight,
        });
    }
    let distance = (observed - expected).abs() - ROUNDING * expected;
    let mut seeded = Seeded::new(seed);
    let mut as_far = 0_u32;
    for _ in 0..draws {
        let mut drawn = 0.0;
        for urn in &mut urns {
            let mut sum = 0.0;
            for at in 0..urn.drawn {
                let other = at + seeded.below(urn.ranks.len() - at);
                urn.ranks.swap(at, other);
                sum += urn.ranks[at];
            }
            drawn += urn.weight * sum;
        }
        as_far += u32::from((drawn - expected).abs() >= distance);
    }
    Ok((f64::from(as_far) + 1.0) / (f64::from(draws) + 1.0))
}

/// Returns the shift of side b against side a inside strata, with its interval.
///
/// The weighted median of the differences b − a inside strata (see the module). One small stratum has the exact
/// interval of [`hodges_lehmann`]; else the interval comes from the normal approximation of the statistic, rounded
/// outwards by the weight of one pair, and is absent where the samples are too small for it.
///
/// # Errors
/// As [`van_elteren`], or `confidence` not between 0 and 1.
///
/// ```
/// # use coldbrake_engine::stats::stratified::{stratified_shift, Stratum};
/// // Both grades by 2 more, although side b has driven the easy grade more often.
/// let strata = [
///     Stratum { key: "easy".into(), a: vec![1.0, 2.0], b: vec![3.0, 4.0, 3.5, 3.5, 3.0, 4.0] },
///     Stratum { key: "steep".into(), a: vec![21.0, 22.0, 20.0, 23.0, 21.5], b: vec![23.0, 24.0] },
/// ];
/// assert_eq!(stratified_shift(&strata, 0.95)?.estimate, 2.0);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn stratified_shift(strata: &[Stratum], confidence: f64) -> Result<Shift, StatsError> {
    check_share("the confidence", confidence)?;
    let strata = used(strata)?;
    if let [only] = strata.as_slice() {
        return hodges_lehmann(&only.a, &only.b, confidence, IntervalMethod::Auto);
    }
    let pairs: Vec<SortedPair> = strata
        .iter()
        .map(|s| SortedPair::new(&s.a, &s.b, s.pair_weight()))
        .collect();
    Ok(Shift {
        estimate: weighted_median(&pairs),
        interval: normal_interval(&pairs, confidence),
    })
}

/// The same from a bootstrap: both sides of each stratum drawn again with replacement, percentile interval.
///
/// Takes the spread of each side as it is, where [`stratified_shift`] takes the sides as alike but for the shift.
/// Not for strata of fewer than about 10 a side: a percentile interval is too narrow there. The same seed gives the
/// same interval.
///
/// # Errors
/// As [`stratified_shift`], or fewer than 100 resamples.
///
/// ```
/// # use coldbrake_engine::stats::stratified::{bootstrap_shift, Stratum};
/// let a: Vec<f64> = (0..30).map(|i| f64::from(i % 10)).collect();
/// let b: Vec<f64> = a.iter().map(|v| v + 4.0).collect();
/// let shift = bootstrap_shift(&[Stratum { key: "west".into(), a, b }], 0.95, 500, 1)?;
/// assert!(shift.interval.unwrap().holds_inside(4.0));
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn bootstrap_shift(
    strata: &[Stratum],
    confidence: f64,
    resamples: u32,
    seed: u64,
) -> Result<Shift, StatsError> {
    check_share("the confidence", confidence)?;
    check_parameter(
        "the number of resamples",
        f64::from(resamples),
        "at least 100",
        |r| r >= 100.0,
    )?;
    let strata = used(strata)?;
    let mut seeded = Seeded::new(seed);
    let mut again = |values: &[f64]| -> Vec<f64> {
        values
            .iter()
            .map(|_| values[seeded.below(values.len())])
            .collect()
    };
    let mut shifts = Vec::with_capacity(resamples as usize);
    for _ in 0..resamples {
        let pairs: Vec<SortedPair> = strata
            .iter()
            .map(|s| SortedPair::new(&again(&s.a), &again(&s.b), s.pair_weight()))
            .collect();
        shifts.push(weighted_median(&pairs));
    }
    let pairs: Vec<SortedPair> = strata
        .iter()
        .map(|s| SortedPair::new(&s.a, &s.b, s.pair_weight()))
        .collect();
    let tail = (1.0 - confidence) / 2.0;
    Ok(Shift {
        estimate: weighted_median(&pairs),
        interval: Some(Interval {
            lower: quantile(&shifts, tail)?,
            upper: quantile(&shifts, 1.0 - tail)?,
            confidence,
        }),
    })
}

fn total_weight(pairs: &[SortedPair]) -> f64 {
    pairs.iter().map(|p| p.weight * p.pairs()).sum()
}

fn weighted_median(pairs: &[SortedPair]) -> f64 {
    let half = total_weight(pairs) / 2.0;
    let low = smallest_difference(pairs, |w| w >= half * (1.0 - ROUNDING));
    let high = smallest_difference(pairs, |w| w > half * (1.0 + ROUNDING));
    f64::midpoint(low, high)
}

fn normal_interval(pairs: &[SortedPair], confidence: f64) -> Option<Interval> {
    let total = total_weight(pairs);
    // Σ w²·n·m·(N + 1)/12 with w = 1/(N + 1).
    let deviation = (total / 12.0).sqrt();
    let one_pair = pairs.iter().map(|p| p.weight).fold(0.0, f64::max);
    let left_out = total / 2.0 - two_sided_z(confidence) * deviation - one_pair;
    (left_out >= 0.0).then(|| Interval {
        lower: smallest_difference(pairs, |w| w > left_out + ROUNDING * total),
        upper: smallest_difference(pairs, |w| w >= total - left_out - ROUNDING * total),
        confidence,
    })
}

#[cfg(test)]
mod tests;
