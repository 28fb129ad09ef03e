//! Middle, spread, quantiles and drawn distributions that one wild value does not move.
//!
//! Units are those of the values. Quantiles are of type 7 (linear between order statistics; the numbering is that of
//! Hyndman and Fan, Sample quantiles in statistical packages, 1996, from memory), the default of R and numpy.

use serde::{Deserialize, Serialize};

use super::StatsError;
use super::error::{check, check_parameter};
use super::pairs::sorted;

/// 1 / Φ⁻¹(3/4): turns the median absolute deviation of a normal sample into its standard deviation.
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Returns the median.
///
/// # Errors
/// No value, or one that is not finite.
///
/// ```
/// # use coldbrake_engine::stats::robust::median;
/// assert_eq!(median(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0])?, 2.0);
/// assert_eq!(median(&[1.0, 4.0])?, 2.5);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn median(values: &[f64]) -> Result<f64, StatsError> {
    check("the sample", values, 1)?;
    Ok(sorted_quantile(&sorted(values), 0.5))
}

/// Returns the median of the absolute deviations from the median, ≥ 0, unscaled.
///
/// # Errors
/// No value, or one that is not finite.
///
/// ```
/// # use coldbrake_engine::stats::robust::mad;
/// assert_eq!(mad(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0])?, 1.0);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn mad(values: &[f64]) -> Result<f64, StatsError> {
    let middle = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    median(&deviations)
}

/// Returns the standard deviation as the median absolute deviation sees it: [`MAD_TO_SIGMA`] × [`mad`].
///
/// 0 where more than half of the values are equal.
///
/// # Errors
/// No value, or one that is not finite.
///
/// ```
/// # use coldbrake_engine::stats::robust::sigma;
/// assert!((sigma(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0])? - 1.4826).abs() < 1e-4);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn sigma(values: &[f64]) -> Result<f64, StatsError> {
    Ok(MAD_TO_SIGMA * mad(values)?)
}

/// Returns the quantile of type 7 at share `p`, 0 ..= 1.
///
/// # Errors
/// No value, one that is not finite, or `p` out of range.
///
/// ```
/// # use coldbrake_engine::stats::robust::quantile;
/// assert_eq!(quantile(&[40.0, 10.0, 20.0, 30.0], 0.25)?, 17.5);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn quantile(values: &[f64], p: f64) -> Result<f64, StatsError> {
    check("the sample", values, 1)?;
    check_parameter("the quantile", p, "from 0 to 1", |p| (0.0..=1.0).contains(&p))?;
    Ok(sorted_quantile(&sorted(values), p))
}

/// A sample in four numbers.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Summary {
    /// Number of values.
    pub count: usize,
    /// A tenth of the values lie below.
    pub p10: f64,
    /// Half of the values lie below.
    pub median: f64,
    /// Nine tenths of the values lie below.
    pub p90: f64,
}

/// Returns count, P10, median and P90 (type 7).
///
/// # Errors
/// No value, or one that is not finite.
///
/// ```
/// # use coldbrake_engine::stats::robust::summary;
/// let s = summary(&[0.0, 10.0, 20.0, 30.0, 40.0])?;
/// assert_eq!((s.count, s.p10, s.median, s.p90), (5, 4.0, 20.0, 36.0));
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn summary(values: &[f64]) -> Result<Summary, StatsError> {
    check("the sample", values, 1)?;
    let sorted = sorted(values);
    Ok(Summary {
        count: sorted.len(),
        p10: sorted_quantile(&sorted, 0.1),
        median: sorted_quantile(&sorted, 0.5),
        p90: sorted_quantile(&sorted, 0.9),
    })
}

/// One step of an empirical distribution.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct EcdfPoint {
    /// A value that occurs.
    pub value: f64,
    /// Share of the sample at or below it, above 0 up to 1.
    pub share: f64,
}

/// Returns the empirical distribution, one step per distinct value, ascending; at most `most` steps.
///
/// Where there are more, the steps at evenly spaced shares are kept, and always the first and the last.
///
/// # Errors
/// No value, one that is not finite, or `most` below 2.
///
/// ```
/// # use coldbrake_engine::stats::robust::ecdf;
/// let steps = ecdf(&[3.0, 1.0, 3.0, 2.0], 100)?;
/// let drawn: Vec<_> = steps.iter().map(|s| (s.value, s.share)).collect();
/// assert_eq!(drawn, [(1.0, 0.25), (2.0, 0.5), (3.0, 1.0)]);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn ecdf(values: &[f64], most: usize) -> Result<Vec<EcdfPoint>, StatsError> {
    check("the sample", values, 1)?;
    check_parameter("the number of steps", most as f64, "at least 2", |m| m >= 2.0)?;
    let weighted: Vec<(f64, f64)> = values.iter().map(|&v| (v, 1.0)).collect();
    Ok(thinned(weighted_steps(weighted), most))
}

/// Quantile of type 7 of a sample that is sorted and not empty.
pub(super) fn sorted_quantile(sorted: &[f64], p: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return f64::NAN;
    };
    let position = p * last as f64;
    let below = (position.floor() as usize).min(last);
    let (low, high) = (sorted[below], sorted[(below + 1).min(last)]);
    low + (position - below as f64) * (high - low)
}

/// Steps of the distribution of weighted values, ascending, the last at exactly 1.
pub(super) fn weighted_steps(mut weighted: Vec<(f64, f64)>) -> Vec<EcdfPoint> {
    weighted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = weighted.iter().map(|w| w.1).sum();
    let mut steps: Vec<EcdfPoint> = Vec::new();
    let mut sum = 0.0;
    for (value, weight) in weighted {
        sum += weight;
        let share = sum / total;
        match steps.last_mut() {
            Some(last) if last.value >= value => last.share = share,
            _ => steps.push(EcdfPoint { value, share }),
        }
    }
    if let Some(last) = steps.last_mut() {
        last.share = 1.0;
    }
    steps
}

/// Smallest value at which the share reaches `p`; the mean of it and the next where the share meets `p` exactly
/// (type 2, which needs no count of observations and so serves weights).
pub(super) fn step_quantile(steps: &[EcdfPoint], p: f64) -> f64 {
    const ROUNDING: f64 = 1e-12;
    let at = steps.partition_point(|s| s.share < p - ROUNDING);
    match (steps.get(at), steps.get(at + 1)) {
        (Some(here), Some(next)) if here.share <= p + ROUNDING => f64::midpoint(here.value, next.value),
        (Some(here), _) => here.value,
        (None, _) => steps.last().map_or(f64::NAN, |s| s.value),
    }
}

/// Keeps at most `most` steps.
pub(super) fn thinned(steps: Vec<EcdfPoint>, most: usize) -> Vec<EcdfPoint> {
    if steps.len() <= most || most < 2 {
        return steps;
    }
    let last = steps.len() - 1;
    let mut kept: Vec<EcdfPoint> = Vec::with_capacity(most);
    for k in 0..most {
        let wanted = k as f64 / (most - 1) as f64;
        let at = match k {
            0 => 0,
            _ => steps.partition_point(|s| s.share < wanted).min(last),
        };
        if kept.last().is_none_or(|l| l.value < steps[at].value) {
            kept.push(steps[at]);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    #![expect(clippy::float_cmp, reason = "results that are exact by construction")]

    use super::*;

    #[test]
    fn scale_constant_is_the_normal_quartile() {
        let quartile = super::super::distribution::two_sided_z(0.5);
        assert!((MAD_TO_SIGMA * quartile - 1.0).abs() < 1e-14);
    }

    #[test]
    fn one_wild_value_moves_nothing_much() {
        let mut values: Vec<f64> = (0..21).map(f64::from).collect();
        let (m, s) = (median(&values).unwrap(), sigma(&values).unwrap());
        values[3] = 1e12;
        assert!((median(&values).unwrap() - m).abs() <= 1.0);
        assert!((sigma(&values).unwrap() - s).abs() <= 2.0);
    }

    #[test]
    fn refuses_what_is_no_sample() {
        assert!(matches!(median(&[]), Err(StatsError::TooFew { .. })));
        assert!(matches!(
            sigma(&[1.0, f64::INFINITY]),
            Err(StatsError::NotFinite { index: 1, .. })
        ));
        assert!(quantile(&[1.0], 1.1).is_err());
        assert!(quantile(&[1.0], f64::NAN).is_err());
        assert!(ecdf(&[1.0], 1).is_err());
    }

    #[test]
    fn quantiles_reach_both_ends() {
        let v = [3.0, 9.0, 4.0];
        assert_eq!(quantile(&v, 0.0).unwrap(), 3.0);
        assert_eq!(quantile(&v, 1.0).unwrap(), 9.0);
        assert_eq!(quantile(&[5.0], 0.3).unwrap(), 5.0);
    }

    #[test]
    fn thinning_keeps_the_ends_and_the_bound() {
        let values: Vec<f64> = (0..5000).map(f64::from).collect();
        let steps = ecdf(&values, 40).unwrap();
        assert!(steps.len() <= 40);
        assert_eq!(steps[0].value, 0.0);
        assert_eq!(
            steps[steps.len() - 1],
            EcdfPoint {
                value: 4999.0,
                share: 1.0
            }
        );
        assert!(
            steps
                .windows(2)
                .all(|w| w[0].value < w[1].value && w[0].share < w[1].share)
        );
    }

    #[test]
    fn equal_weights_give_the_plain_median() {
        for values in [vec![1.0, 2.0, 3.0], vec![4.0, 1.0, 3.0, 2.0], vec![7.0]] {
            let steps = weighted_steps(values.iter().map(|&v| (v, 0.3)).collect());
            assert_eq!(step_quantile(&steps, 0.5), median(&values).unwrap());
        }
        let uneven = weighted_steps(vec![(1.0, 1.0), (2.0, 8.0), (3.0, 1.0)]);
        assert_eq!(step_quantile(&uneven, 0.05), 1.0);
        assert_eq!(step_quantile(&uneven, 0.5), 2.0);
        assert_eq!(step_quantile(&uneven, 0.95), 3.0);
    }
}
