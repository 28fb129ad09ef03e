//! Do two samples differ, and by how much, without assuming a shape: rank-sum test and shift.
//!
//! Sources: Hollander and Wolfe, Nonparametric Statistical Methods (1973), for the test, the shift and its interval;
//! Brunner and Munzel, The nonparametric Behrens-Fisher problem (2000, from memory), for [`brunner_munzel`].

#![expect(
    clippy::many_single_char_names,
    reason = "x, y, n, m, u, z and p are what every textbook calls them"
)]

use serde::{Deserialize, Serialize};

use super::StatsError;
use super::distribution::{EXACT_LIMIT, normal_above, rank_sum_distribution, student_two_sided, two_sided_z};
use super::error::{check, check_share};
use super::pairs::{SortedPair, smallest_difference};

/// What the test is asked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Alternative {
    /// The samples differ, either way.
    #[default]
    TwoSided,
    /// The first sample tends to be smaller.
    Less,
    /// The first sample tends to be greater.
    Greater,
}

/// How the p-value of a rank-sum test comes about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RankMethod {
    /// Exact for up to 50 values a side without ties, else the normal approximation with continuity correction.
    #[default]
    Auto,
    /// The exact distribution; ties are not accounted for.
    Exact,
    /// Normal, variance corrected for ties, half a step taken off for continuity.
    NormalWithContinuity,
    /// Normal, variance corrected for ties.
    Normal,
}

/// Result of [`rank_sum_test`].
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RankSum {
    /// Pairs in which the first sample is the greater, ties counting half; 0 to n·m.
    pub u: f64,
    /// Standardised distance from n·m/2, positive when the first sample is greater; absent where the exact
    /// distribution was used, 0 where all values are equal.
    pub z: Option<f64>,
    /// The p-value, 0 to 1.
    pub p: f64,
}

/// Returns the rank of each value, from 1, ties sharing the mean of their ranks.
///
/// # Errors
/// A value that is not finite.
///
/// ```
/// # use coldbrake_engine::stats::rank::midranks;
/// assert_eq!(midranks(&[10.0, 30.0, 20.0, 20.0])?, [1.0, 4.0, 2.5, 2.5]);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn midranks(values: &[f64]) -> Result<Vec<f64>, StatsError> {
    check("the sample", values, 0)?;
    Ok(ranks_and_ties(values).0)
}

/// Midranks, and the sum of t³ − t over groups of t equal values.
pub(super) fn ranks_and_ties(values: &[f64]) -> (Vec<f64>, f64) {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0.0; values.len()];
    let mut ties = 0.0;
    // Numerical equality, not that of bits: the two zeros are one value, and they are neighbours in this order.
    #[expect(clippy::float_cmp, reason = "a tie is equality, not nearness")]
    let groups = order.chunk_by(|&a, &b| values[a] == values[b]);
    let mut before = 0.0;
    for group in groups {
        let size = group.len() as f64;
        ties += size * (size * size - 1.0);
        for &at in group {
            ranks[at] = before + f64::midpoint(size, 1.0);
        }
        before += size;
    }
    (ranks, ties)
}

/// U of the second sample, and the variance of U under no difference, corrected for ties.
pub(super) fn second_u_and_variance(x: &[f64], y: &[f64]) -> (f64, f64, bool) {
    let pooled: Vec<f64> = x.iter().chain(y).copied().collect();
    let (ranks, ties) = ranks_and_ties(&pooled);
    let (n, m) = (x.len() as f64, y.len() as f64);
    let total = n + m;
    let rank_sum: f64 = ranks[x.len()..].iter().sum();
    let u = rank_sum - m * (m + 1.0) / 2.0;
    let variance = n * m / 12.0 * (total + 1.0 - ties / (total * (total - 1.0)));
    (u, variance.max(0.0), ties > 0.0)
}

/// Tests whether `x` and `y` come from one distribution (Mann-Whitney, Wilcoxon rank-sum).
///
/// # Errors
/// An empty sample, a value that is not finite, or [`RankMethod::Exact`] for more than 50 values a side.
///
/// ```
/// # use coldbrake_engine::stats::rank::{rank_sum_test, Alternative, RankMethod};
/// // Permeability data, Hollander and Wolfe (1973), page 69: U = 35, exact one-sided p = 0.1272.
/// let x = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
/// let y = [1.15, 0.88, 0.90, 0.74, 1.21];
/// let t = rank_sum_test(&x, &y, Alternative::Greater, RankMethod::Auto)?;
/// assert_eq!(t.u, 35.0);
/// assert!((t.p - 0.1272).abs() < 5e-5);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn rank_sum_test(
    x: &[f64],
    y: &[f64],
    alternative: Alternative,
    method: RankMethod,
) -> Result<RankSum, StatsError> {
    check("sample x", x, 1)?;
    check("sample y", y, 1)?;
    let (n, m) = (x.len(), y.len());
    let pairs = (n * m) as f64;
    let (second, variance, tied) = second_u_and_variance(x, y);
    let u = pairs - second;
    let small = n <= EXACT_LIMIT && m <= EXACT_LIMIT;
    let exact = match method {
        RankMethod::Auto => small && !tied,
        RankMethod::Exact => true,
        RankMethod::NormalWithContinuity | RankMethod::Normal => false,
    };
    if exact {
        let distribution = rank_sum_distribution(n, m)?;
        // P(U ≥ u), a half step of a tied U counted outwards.
        let at_least = |u: f64| -> f64 { distribution.iter().skip(u.floor() as usize).sum() };
        let p = match alternative {
            Alternative::Greater => at_least(u),
            Alternative::Less => at_least(second),
            Alternative::TwoSided => 2.0 * at_least(u.max(second)),
        };
        return Ok(RankSum {
            u,
            z: None,
            p: p.min(1.0),
        });
    }
    if variance <= 0.0 {
        return Ok(RankSum {
            u,
            z: Some(0.0),
            p: 1.0,
        });
    }
    let step = match method {
        RankMethod::Normal => 0.0,
        _ => 0.5,
    };
    let deviation = variance.sqrt();
    let above = |u: f64| normal_above((u - pairs / 2.0 - step) / deviation);
    let p = match alternative {
        Alternative::Greater => above(u),
        Alternative::Less => above(second),
        Alternative::TwoSided => 2.0 * above(u.max(second)),
    };
    Ok(RankSum {
        u,
        z: Some((u - pairs / 2.0) / deviation),
        p: p.min(1.0),
    })
}

/// How an interval of a shift comes about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum IntervalMethod {
    /// Exact for up to 50 values a side, else normal.
    #[default]
    Auto,
    /// From the exact distribution of the rank-sum statistic; with ties the confidence is at least what is stated.
    Exact,
    /// From its normal approximation, rounded outwards.
    Normal,
}

/// An interval with its confidence.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
    /// Confidence reached, 0 to 1; the exact one is at least what was asked for, the approximate one is what was
    /// asked for.
    pub confidence: f64,
}

impl Interval {
    /// Returns whether a value lies strictly between the ends.
    ///
    /// ```
    /// # use coldbrake_engine::stats::rank::Interval;
    /// let i = Interval { lower: 0.0, upper: 2.0, confidence: 0.95 };
    /// assert!(i.holds_inside(1.0) && !i.holds_inside(0.0));
    /// ```
    pub fn holds_inside(&self, value: f64) -> bool {
        self.lower < value && value < self.upper
    }
}

/// By how much the second sample lies above the first.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shift {
    /// Median of all differences second − first, in the unit of the values.
    pub estimate: f64,
    /// Its interval; absent where the samples are too small for the confidence asked for.
    pub interval: Option<Interval>,
}

/// Returns the Hodges-Lehmann shift of `y` against `x` (the median of all differences y − x) and its interval from
/// the order statistics of these differences.
///
/// Needs memory for the two samples only and about 200·(n + m) steps, so thousands a side are fine.
///
/// # Errors
/// An empty sample, a value that is not finite, `confidence` not between 0 and 1, or [`IntervalMethod::Exact`] for
/// more than 50 values a side.
///
/// ```
/// # use coldbrake_engine::stats::rank::{hodges_lehmann, IntervalMethod};
/// let before = [3.0, 3.0, 4.0, 5.0, 5.0, 5.0, 6.0, 7.0, 8.0, 9.0];
/// let after = [5.0, 6.0, 6.0, 7.0, 8.0, 8.0, 9.0, 10.0, 11.0, 12.0, 12.0];
/// let shift = hodges_lehmann(&before, &after, 0.95, IntervalMethod::Auto)?;
/// let interval = shift.interval.unwrap();
/// assert_eq!((shift.estimate, interval.lower, interval.upper), (3.0, 1.0, 5.0));
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn hodges_lehmann(
    x: &[f64],
    y: &[f64],
    confidence: f64,
    method: IntervalMethod,
) -> Result<Shift, StatsError> {
    check("sample x", x, 1)?;
    check("sample y", y, 1)?;
    check_share("the confidence", confidence)?;
    let (n, m) = (x.len(), y.len());
    let pair = [SortedPair::new(x, y, 1.0)];
    let count = n as u64 * m as u64;
    let difference = |k: u64| smallest_difference(&pair, |weight| weight >= k as f64);
    let low = difference(count.div_ceil(2));
    let estimate = match count % 2 {
        0 => f64::midpoint(low, difference(count / 2 + 1)),
        _ => low,
    };
    let exact = match method {
        IntervalMethod::Auto => n <= EXACT_LIMIT && m <= EXACT_LIMIT,
        IntervalMethod::Exact => true,
        IntervalMethod::Normal => false,
    };
    let (k, reached) = if exact {
        exact_rank(n, m, confidence)?
    } else {
        let pairs = count as f64;
        let deviation = (pairs * ((n + m) as f64 + 1.0) / 12.0).sqrt();
        let k = pairs / 2.0 - two_sided_z(confidence) * deviation;
        (k.max(0.0).floor() as u64, confidence)
    };
    let interval = (k >= 1).then(|| Interval {
        lower: difference(k),
        upper: difference(count + 1 - k),
        confidence: reached,
    });
    Ok(Shift { estimate, interval })
}

/// Largest k for which leaving out k − 1 differences at each end keeps the confidence, and the confidence kept; 0
/// where even the full range does not reach it.
fn exact_rank(n: usize, m: usize, confidence: f64) -> Result<(u64, f64), StatsError> {
    let tail = (1.0 - confidence) / 2.0;
    let (mut k, mut outside, mut sum) = (0, 0.0, 0.0);
    for (u, p) in rank_sum_distribution(n, m)?.into_iter().enumerate() {
        sum += p;
        if sum > tail {
            break;
        }
        (k, outside) = (u as u64 + 1, sum);
    }
    Ok((k, 1.0 - 2.0 * outside))
}

/// Result of [`brunner_munzel`].
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BrunnerMunzel {
    /// Probability that a value of `y` exceeds one of `x`, ties counting half.
    pub probability: f64,
    /// Standardised distance of it from one half; infinite where the samples do not overlap.
    pub statistic: f64,
    /// Degrees of freedom of the Student distribution.
    pub degrees: f64,
    /// Two-sided p-value.
    pub p: f64,
}

/// Tests whether a value of `y` exceeds one of `x` half of the time, without taking the spreads as equal.
///
/// The cross-check of [`rank_sum_test`] where a version changes the spread as well. Not for samples that do not
/// overlap: the variance estimate is 0 there and the p-value with it.
///
/// # Errors
/// Fewer than 2 values a side, or a value that is not finite.
///
/// ```
/// # use coldbrake_engine::stats::rank::brunner_munzel;
/// let t = brunner_munzel(&[1.0, 2.0, 3.0, 4.0], &[3.5, 5.0, 6.0, 2.5])?;
/// assert!((t.probability - 13.0 / 16.0).abs() < 1e-15 && t.statistic > 0.0);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn brunner_munzel(x: &[f64], y: &[f64]) -> Result<BrunnerMunzel, StatsError> {
    check("sample x", x, 2)?;
    check("sample y", y, 2)?;
    let pooled: Vec<f64> = x.iter().chain(y).copied().collect();
    let (ranks, _) = ranks_and_ties(&pooled);
    let (n, m) = (x.len() as f64, y.len() as f64);
    let placements = |own: &[f64], ranks: &[f64]| -> (f64, f64) {
        let (inner, _) = ranks_and_ties(own);
        let size = own.len() as f64;
        let mean = ranks.iter().sum::<f64>() / size;
        let centre = mean - f64::midpoint(size, 1.0);
        let squares: f64 = ranks
            .iter()
            .zip(&inner)
            .map(|(r, i)| (r - i - centre).powi(2))
            .sum();
        (mean, squares / (size - 1.0))
    };
    let (mean_x, spread_x) = placements(x, &ranks[..x.len()]);
    let (mean_y, spread_y) = placements(y, &ranks[x.len()..]);
    let probability = (mean_y - f64::midpoint(m, 1.0)) / n;
    let (part_x, part_y) = (n * spread_x, m * spread_y);
    let variance = part_x + part_y;
    if variance <= 0.0 {
        let apart = mean_y - mean_x;
        let all_equal = probability > 0.25 && probability < 0.75;
        return Ok(BrunnerMunzel {
            probability,
            statistic: if all_equal {
                0.0
            } else {
                apart.signum() * f64::INFINITY
            },
            degrees: n + m - 2.0,
            p: if all_equal { 1.0 } else { 0.0 },
        });
    }
    let statistic = n * m * (mean_y - mean_x) / ((n + m) * variance.sqrt());
    let degrees = variance.powi(2) / (part_x.powi(2) / (n - 1.0) + part_y.powi(2) / (m - 1.0));
    Ok(BrunnerMunzel {
        probability,
        statistic,
        degrees,
        p: student_two_sided(statistic, degrees),
    })
}

#[cfg(test)]
mod tests;
