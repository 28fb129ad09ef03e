//! How often one side beats the other: an effect size without a unit.

use serde::{Deserialize, Serialize};

use super::StatsError;
use super::distribution::two_sided_z;
use super::error::check_share;
use super::rank::{Interval, second_u_and_variance};
use super::stratified::{Stratum, used};

/// How often a value of side b exceeds one of side a under like conditions.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Superiority {
    /// Probability that b is the greater, ties counting half: 0.5 is no effect, 1 is always.
    pub probability: f64,
    /// Interval of the probability, inside 0 ..= 1.
    pub interval: Interval,
}

impl Superiority {
    /// Returns Cliff's delta, 2·probability − 1: from −1 (b always the smaller) to 1 (b always the greater).
    ///
    /// ```
    /// # use coldbrake_engine::stats::{effect::superiority, stratified::Stratum};
    /// let strata = [Stratum { key: String::new(), a: vec![1.0, 2.0], b: vec![2.0, 3.0] }];
    /// assert_eq!(superiority(&strata, 0.95)?.delta(), 0.75);
    /// # Ok::<(), coldbrake_engine::stats::StatsError>(())
    /// ```
    pub fn delta(&self) -> f64 {
        2.0 * self.probability - 1.0
    }

    /// Returns the interval of [`Superiority::delta`].
    ///
    /// ```
    /// # use coldbrake_engine::stats::{effect::superiority, stratified::Stratum};
    /// let strata = [Stratum { key: String::new(), a: vec![1.0, 2.0], b: vec![1.0, 2.0] }];
    /// let interval = superiority(&strata, 0.95)?.delta_interval();
    /// assert!((interval.lower + interval.upper).abs() < 1e-12 && interval.lower > -1.0);
    /// # Ok::<(), coldbrake_engine::stats::StatsError>(())
    /// ```
    pub fn delta_interval(&self) -> Interval {
        Interval {
            lower: 2.0 * self.interval.lower - 1.0,
            upper: 2.0 * self.interval.upper - 1.0,
            confidence: self.interval.confidence,
        }
    }
}

/// Returns the probability that b exceeds a inside strata, pairs weighted by 1/(N + 1), and its interval.
///
/// The interval holds the probabilities θ that lie within z standard errors of the estimate, the error taken at θ
/// itself: n·m·V(θ) = θ(1 − θ)·(1 + M·(1 − θ)/(2 − θ) + M·θ/(1 + θ)) with M = (n + m)/2 − 1 (method 5 of Newcombe,
/// Confidence intervals for an effect size measure based on the Mann-Whitney statistic, 2006; the formula as public
/// code has it, the paper not seen). At θ = ½ this is the variance of the rank-sum test, and it stays honest where the
/// sides do not overlap. Strata are taken to share one θ.
///
/// # Errors
/// No stratum with values on both sides, a value that is not finite, or `confidence` not between 0 and 1.
///
/// ```
/// # use coldbrake_engine::stats::{effect::superiority, stratified::Stratum};
/// let apart = [Stratum { key: String::new(), a: vec![1.0, 2.0, 3.0], b: vec![4.0, 5.0, 6.0] }];
/// let effect = superiority(&apart, 0.95)?;
/// // Always greater so far, yet six values cannot promise that.
/// assert_eq!((effect.probability, effect.interval.upper), (1.0, 1.0));
/// assert!(effect.interval.lower < 0.7);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn superiority(strata: &[Stratum], confidence: f64) -> Result<Superiority, StatsError> {
    check_share("the confidence", confidence)?;
    let strata = used(strata)?;
    let total: f64 = strata.iter().map(|s| s.weight()).sum();
    let mut won = 0.0;
    // Share of the weight squared over pairs, and M, of each stratum.
    let mut parts: Vec<(f64, f64)> = Vec::with_capacity(strata.len());
    for stratum in &strata {
        let (u, _, _) = second_u_and_variance(&stratum.a, &stratum.b);
        won += stratum.pair_weight() * u;
        let (n, m) = (stratum.a.len() as f64, stratum.b.len() as f64);
        let share = stratum.weight() / total;
        parts.push((share * share / (n * m), f64::midpoint(n, m) - 1.0));
    }
    let probability = (won / total).clamp(0.0, 1.0);
    let z = two_sided_z(confidence);
    // By mirror image: the upper end for θ is one minus the lower end for 1 − θ.
    let lower = lower_end(probability, z, &parts);
    let upper = 1.0 - lower_end(1.0 - probability, z, &parts);
    Ok(Superiority {
        probability,
        interval: Interval {
            lower,
            upper,
            confidence,
        },
    })
}

/// The θ below the estimate that lies z standard errors away.
fn lower_end(estimate: f64, z: f64, parts: &[(f64, f64)]) -> f64 {
    let error = |theta: f64| {
        let variance: f64 = parts
            .iter()
            .map(|(share, extra)| {
                share * (1.0 + extra * (1.0 - theta) / (2.0 - theta) + extra * theta / (1.0 + theta))
            })
            .sum();
        (theta * (1.0 - theta) * variance).max(0.0).sqrt()
    };
    let (mut low, mut high) = (0.0, estimate);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if estimate - middle > z * error(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::super::distribution::normal_below;
    use super::super::seeded::Seeded;
    use super::*;

    #[test]
    fn counts_pairs() {
        let strata = [Stratum {
            key: String::new(),
            a: vec![1.0, 2.0, 2.0],
            b: vec![2.0, 3.0],
        }];
        // Of six pairs four are greater and two equal.
        assert!((superiority(&strata, 0.9).unwrap().probability - 5.0 / 6.0).abs() < 1e-15);
    }

    #[test]
    fn the_interval_covers_what_it_says() {
        // Normal sides one standard deviation apart: the probability is Φ(1/√2) = 0.760.
        let truth = normal_below(std::f64::consts::FRAC_1_SQRT_2);
        let mut seeded = Seeded::new(5);
        let mut noise = || seeded.normal();
        let rounds = 2000;
        let mut held = 0;
        for _ in 0..rounds {
            let strata: Vec<Stratum> = [(8, 12), (15, 6), (5, 5)]
                .into_iter()
                .map(|(n, m)| Stratum {
                    key: String::new(),
                    a: (0..n).map(|_| noise()).collect(),
                    b: (0..m).map(|_| noise() + 1.0).collect(),
                })
                .collect();
            let interval = superiority(&strata, 0.95).unwrap().interval;
            held += u32::from(interval.lower <= truth && truth <= interval.upper);
        }
        let share = f64::from(held) / f64::from(rounds);
        assert!((0.935..=0.975).contains(&share), "{share}");
    }
}
