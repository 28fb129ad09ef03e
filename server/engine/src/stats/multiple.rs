//! p-values of many questions asked at once.

use super::StatsError;
use super::error::check_parameter;

/// Returns the p-values adjusted so that rejecting those at or below q keeps the share of false findings at q.
///
/// Benjamini and Hochberg, Controlling the false discovery rate (1995). In the order of the input.
///
/// # Errors
/// A p-value outside 0 ..= 1.
///
/// ```
/// # use coldbrake_engine::stats::multiple::benjamini_hochberg;
/// let adjusted = benjamini_hochberg(&[0.04, 0.01, 0.03])?;
/// assert!(adjusted.iter().zip([0.04, 0.03, 0.04]).all(|(a, b)| (a - b).abs() < 1e-12));
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn benjamini_hochberg(p: &[f64]) -> Result<Vec<f64>, StatsError> {
    let order = ascending(p)?;
    let count = p.len() as f64;
    let mut adjusted = vec![1.0; p.len()];
    let mut least: f64 = 1.0;
    for (rank, &at) in order.iter().enumerate().rev() {
        least = least.min(p[at] * (count / (rank as f64 + 1.0)));
        adjusted[at] = least;
    }
    Ok(adjusted)
}

/// Returns the p-values adjusted so that rejecting those at or below q keeps the chance of any false finding at q.
///
/// Holm, A simple sequentially rejective multiple test procedure (1979). Stricter than [`benjamini_hochberg`]; for a
/// release gate in which one wrong "worse" is too many. In the order of the input.
///
/// # Errors
/// A p-value outside 0 ..= 1.
///
/// ```
/// # use coldbrake_engine::stats::multiple::holm;
/// let adjusted = holm(&[0.04, 0.01, 0.03])?;
/// assert!(adjusted.iter().zip([0.06, 0.03, 0.06]).all(|(a, b)| (a - b).abs() < 1e-12));
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn holm(p: &[f64]) -> Result<Vec<f64>, StatsError> {
    let order = ascending(p)?;
    let mut adjusted = vec![1.0; p.len()];
    let mut most: f64 = 0.0;
    for (rank, &at) in order.iter().enumerate() {
        most = most.max(p[at] * (p.len() - rank) as f64).min(1.0);
        adjusted[at] = most;
    }
    Ok(adjusted)
}

/// Positions in ascending order of p.
fn ascending(p: &[f64]) -> Result<Vec<usize>, StatsError> {
    for &value in p {
        check_parameter("a p-value", value, "from 0 to 1", |v| (0.0..=1.0).contains(&v))?;
    }
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    Ok(order)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn refuses_what_is_no_probability() {
        assert!(benjamini_hochberg(&[0.5, 1.5]).is_err());
        assert!(holm(&[f64::NAN]).is_err());
        assert!(benjamini_hochberg(&[]).unwrap().is_empty());
    }

    proptest! {
        #[test]
        fn adjusting_keeps_the_order_and_only_raises(p in prop::collection::vec(0.0_f64..=1.0, 1..40)) {
            let (bh, strict) = (benjamini_hochberg(&p).unwrap(), holm(&p).unwrap());
            for i in 0..p.len() {
                prop_assert!(bh[i] >= p[i] - 1e-15 && strict[i] >= bh[i] - 1e-12 && strict[i] <= 1.0);
                for j in 0..p.len() {
                    prop_assert!(p[i] > p[j] || bh[i] <= bh[j]);
                    prop_assert!(p[i] > p[j] || strict[i] <= strict[j]);
                }
            }
        }
    }
}
