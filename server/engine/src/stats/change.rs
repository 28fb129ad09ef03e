//! Where in a series the level changed.

use serde::{Deserialize, Serialize};

use super::StatsError;
use super::error::check;

/// The split of a series into two levels that leaves the least spread.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Split {
    /// Position of the first value of the new level, from 0.
    pub first_after: usize,
    /// Mean before.
    pub mean_before: f64,
    /// Mean from there on.
    pub mean_after: f64,
    /// Sum of squared distances from one common mean.
    pub squares_total: f64,
    /// Sum of squared distances from the two means.
    pub squares_split: f64,
}

/// Returns the split into two levels with the least sum of squares, each side at least `side` values long.
///
/// Tells when a fault probably began once a chart has signalled; it always finds some split, so it is no test.
/// The earliest of equal splits is returned. One pass over the series.
///
/// # Errors
/// `side` is 0, fewer than 2·`side` values, or one that is not finite.
///
/// ```
/// # use coldbrake_engine::stats::change::best_split;
/// let split = best_split(&[1.0, 1.1, 0.9, 3.0, 3.1], 1)?;
/// assert_eq!(split.first_after, 3);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn best_split(values: &[f64], side: usize) -> Result<Split, StatsError> {
    super::error::check_parameter("the shortest side", side as f64, "at least 1", |s| s >= 1.0)?;
    check("the series", values, side.saturating_mul(2))?;
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    // Centred, so that the squares of a small change on a large level do not cancel.
    let squares_total: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let sum: f64 = values.iter().map(|v| v - mean).sum();
    let mut before = 0.0;
    let mut best = (f64::NEG_INFINITY, side, 0.0);
    for (at, value) in values.iter().enumerate() {
        if at >= side && at + side <= values.len() {
            let (left, right) = (at as f64, count - at as f64);
            let gain = before * before / left + (sum - before).powi(2) / right - sum * sum / count;
            if gain > best.0 {
                best = (gain, at, before);
            }
        }
        before += value - mean;
    }
    let (gain, first_after, before) = best;
    let left = first_after as f64;
    Ok(Split {
        first_after,
        mean_before: mean + before / left,
        mean_after: mean + (sum - before) / (count - left),
        squares_total,
        squares_split: (squares_total - gain).max(0.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn respects_the_shortest_side() {
        let values = [9.0, 1.0, 1.0, 1.0, 2.0, 2.0];
        assert_eq!(best_split(&values, 1).unwrap().first_after, 1);
        assert!(best_split(&values, 2).unwrap().first_after >= 2);
        assert!(best_split(&values, 4).is_err());
        assert!(best_split(&values, 0).is_err());
    }

    #[test]
    fn tells_both_levels() {
        let split = best_split(&[4.0, 4.0, 4.0, 7.0, 7.0], 2).unwrap();
        assert_eq!(split.first_after, 3);
        assert!((split.mean_before - 4.0).abs() < 1e-12 && (split.mean_after - 7.0).abs() < 1e-12);
        assert!(split.squares_split < 1e-12 && (split.squares_total - 10.8).abs() < 1e-12);
    }
}
