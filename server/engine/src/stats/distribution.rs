//! The normal and Student distributions, and the exact null distribution of the rank-sum statistic.

use statrs::distribution::{ContinuousCDF, StudentsT};
use statrs::function::erf::{erfc, erfc_inv};

use super::StatsError;

/// Largest sample per side for which the exact distribution is offered: about 3 million additions.
pub(super) const EXACT_LIMIT: usize = 50;

/// Returns the density of the standard normal distribution.
pub(super) fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
}

/// Returns P(Z ≤ z) of a standard normal variable; accurate in the lower tail.
pub(super) fn normal_below(z: f64) -> f64 {
    0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

/// Returns P(Z > z) of a standard normal variable; accurate in the upper tail.
pub(super) fn normal_above(z: f64) -> f64 {
    normal_below(-z)
}

/// Returns the z of a two-sided confidence, for example 1.96 for 0.95.
pub(super) fn two_sided_z(confidence: f64) -> f64 {
    std::f64::consts::SQRT_2 * erfc_inv(1.0 - confidence)
}

/// Returns P(|T| ≥ |t|) of Student's distribution; 1 where the degrees of freedom make no sense.
pub(super) fn student_two_sided(t: f64, degrees: f64) -> f64 {
    if t.is_infinite() {
        return 0.0;
    }
    StudentsT::new(0.0, 1.0, degrees).map_or(1.0, |d| (2.0 * d.cdf(-t.abs())).min(1.0))
}

/// Returns P(U = u), u = 0 ..= n·m, of the rank-sum statistic when both samples come from one continuous distribution.
///
/// The classical recursion on the largest observation, which belongs to the first sample with probability n/(n+m);
/// every term is positive, so nothing cancels.
pub(super) fn rank_sum_distribution(n: usize, m: usize) -> Result<Vec<f64>, StatsError> {
    if n > EXACT_LIMIT || m > EXACT_LIMIT {
        return Err(StatsError::TooLargeForExact {
            n,
            m,
            limit: EXACT_LIMIT,
        });
    }
    // row[j] is the distribution for i of the first and j of the second sample.
    let mut row: Vec<Vec<f64>> = vec![vec![1.0]; m + 1];
    for i in 1..=n {
        let mut next: Vec<Vec<f64>> = Vec::with_capacity(m + 1);
        next.push(vec![1.0]);
        for j in 1..=m {
            let total = (i + j) as f64;
            let (from_first, from_second) = (i as f64 / total, j as f64 / total);
            let mut here = vec![0.0; i * j + 1];
            // The largest is of the first sample: it beats all j of the second.
            for (p, slot) in row[j].iter().zip(&mut here[j..]) {
                *slot += from_first * p;
            }
            for (p, slot) in next[j - 1].iter().zip(&mut here) {
                *slot += from_second * p;
            }
            next.push(here);
        }
        row = next;
    }
    Ok(row.swap_remove(m))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_rank_sum_distributions_are_the_counted_ones() {
        // 2 and 2: six orders, U = 0, 1, 2, 2, 3, 4.
        let d = rank_sum_distribution(2, 2).unwrap();
        let expected = [1.0, 1.0, 2.0, 1.0, 1.0].map(|c| c / 6.0);
        for (got, want) in d.iter().zip(expected) {
            assert!((got - want).abs() < 1e-15, "{d:?}");
        }
        assert_eq!(d.len(), 5);
    }

    #[test]
    fn the_largest_exact_distribution_adds_up() {
        let d = rank_sum_distribution(EXACT_LIMIT, EXACT_LIMIT).unwrap();
        assert!((d.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        let mean: f64 = d.iter().enumerate().map(|(u, p)| u as f64 * p).sum();
        assert!((mean - 1250.0).abs() < 1e-8);
        let variance: f64 = d
            .iter()
            .enumerate()
            .map(|(u, p)| (u as f64 - mean).powi(2) * p)
            .sum();
        // n·m·(n+m+1)/12
        assert!((variance / (2500.0 * 101.0 / 12.0) - 1.0).abs() < 1e-10);
        assert!(rank_sum_distribution(EXACT_LIMIT + 1, 2).is_err());
    }

    #[test]
    fn normal_tails() {
        // Standard tables: 0.975 at 1.959964, 1e-9 beyond 5.997807.
        assert!((two_sided_z(0.95) - 1.959_963_984_540_054).abs() < 1e-12);
        assert!((normal_above(5.997_807_015_007_686_9) / 1e-9 - 1.0).abs() < 1e-9);
        assert!((normal_below(0.0) - 0.5).abs() < 1e-16);
        // Student's table: t(0.975; 10) = 2.228.
        assert!((student_two_sided(2.228_138_851_964_938_5, 10.0) - 0.05).abs() < 1e-9);
        assert!(student_two_sided(f64::INFINITY, 10.0).abs() < 1e-300);
    }
}
