//! Whether what is left between a descent and a grade looks like noise on the same road, or like another road that
//! happens to run alike.
//!
//! Both are models of the altitude differences along the road. Of the same road only white noise is left, and a little
//! drift. Of another road there is noise too, but below it the difference wanders: its gradient is a
//! first-order autoregressive process with the roughness of the descent (an integrated Ornstein-Uhlenbeck process in
//! altitude). The likelihood of either is found by a Kalman filter over altitude and gradient, the noise being whatever
//! suits it best. Under the second model a likelihood ratio above x has a probability of at most 1/x (Markov's
//! inequality), so that trials over ratio bounds the number of grades that fit as well by chance.

use super::shape::{DescentShape, STRETCH_M};

/// Standard deviation of the gradient that drift of altimeter and survey may pretend: 0.7 m in 1 km. Common practice,
/// no source.
const DRIFT_GRADIENT: f64 = 0.001;
/// Deviations of single altitudes that are tried, m.
const NOISE_M: [f64; 7] = [0.25, 0.4, 0.6, 0.9, 1.3, 1.8, 2.4];

/// Returns the logarithm of how much likelier the same road is than another one, given what is left as (distance,
/// altitude difference), m.
pub(super) fn same_road_log_ratio(left: &[(f64, f64)], shape: &DescentShape) -> f64 {
    let steps = steps(left);
    let best = |gradient: f64| {
        NOISE_M
            .iter()
            .map(|noise| log_likelihood(left, &steps, gradient, *noise))
            .fold(f64::NEG_INFINITY, f64::max)
    };
    // Another road differs by the roughness of both.
    best(DRIFT_GRADIENT) - best(std::f64::consts::SQRT_2 * shape.roughness)
}

/// Returns about the largest log ratio of a road whose altitude differs, smoothly, by a misfit, m: all of it must be noise
/// if it is the same road and costs nothing if it is another.
pub(super) fn most_log_ratio(misfit_m: f64, shape: &DescentShape) -> f64 {
    let count = shape.nodes.len() as f64;
    let wander = std::f64::consts::SQRT_2 * shape.roughness * shape.length_m / count;
    NOISE_M
        .iter()
        .map(|noise| {
            let variance = noise * noise;
            0.5 * count * ((1.0 + wander * wander / (2.0 * variance)).ln() - misfit_m * misfit_m / variance)
        })
        .fold(0.0, f64::max)
}

/// What happens to the difference from one place to the next, per variance of its gradient.
#[derive(Clone, Copy, Debug)]
struct Step {
    /// Share of the gradient that stays.
    keep: f64,
    /// Altitude per gradient.
    reach: f64,
    /// Variance and covariance that come in: of altitude, with the gradient, of the gradient.
    grown: [f64; 3],
}

fn steps(left: &[(f64, f64)]) -> Vec<Step> {
    left.windows(2)
        .map(|w| {
            let d = (w[1].0 - w[0].0).max(0.0);
            let keep = (-d / STRETCH_M).exp();
            let reach = STRETCH_M * (1.0 - keep);
            let altitude = STRETCH_M * (2.0 * d - STRETCH_M * (3.0 - 4.0 * keep + keep * keep));
            Step {
                keep,
                reach,
                grown: [altitude.max(0.0), reach * (1.0 - keep), 1.0 - keep * keep],
            }
        })
        .collect()
}

/// Returns the log likelihood of altitude differences whose gradient has the given deviation, up to a constant.
fn log_likelihood(left: &[(f64, f64)], steps: &[Step], gradient_deviation: f64, noise_m: f64) -> f64 {
    let Some(&(_, mut height)) = left.first() else {
        return 0.0;
    };
    let (steep, noise) = (gradient_deviation * gradient_deviation, noise_m * noise_m);
    let mut gradient = 0.0;
    // The first difference is taken for the offset: it is as uncertain as its noise.
    let (mut hh, mut hg, mut gg) = (noise, 0.0, steep);
    let mut sum = 0.0;
    for (&(_, difference), step) in left[1..].iter().zip(steps) {
        let Step { keep, reach, grown } = *step;
        height += reach * gradient;
        gradient *= keep;
        let (hh1, hg1, gg1) = (
            hh + 2.0 * reach * hg + reach * reach * gg + steep * grown[0],
            keep * (hg + reach * gg) + steep * grown[1],
            keep * keep * gg + steep * grown[2],
        );
        let spread = hh1 + noise;
        let surprise = difference - height;
        sum -= 0.5 * (surprise * surprise / spread + spread.ln());
        let (by_height, by_gradient) = (hh1 / spread, hg1 / spread);
        height += by_height * surprise;
        gradient += by_gradient * surprise;
        hh = hh1 - by_height * hh1;
        hg = hg1 - by_height * hg1;
        gg = gg1 - by_gradient * hg1;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape() -> DescentShape {
        let points = (1..=60).map(|k| f64::from(k) * 80.0).map(|s| {
            let wave = 12.0 * (s / 400.0).sin();
            (s, 1200.0 - 0.06 * s + wave)
        });
        DescentShape::from_points(1200.0, points, None, None).unwrap()
    }

    fn left(of: impl Fn(u32) -> f64) -> Vec<(f64, f64)> {
        (0..60).map(|k| (f64::from(k) * 80.0, of(k))).collect()
    }

    /// Numbers that look like noise, between -1 and 1.
    fn noise(k: u32) -> f64 {
        f64::from(k * 7919 % 101) / 50.0 - 1.0
    }

    #[test]
    fn noise_speaks_for_the_same_road_and_waves_against() {
        let same = same_road_log_ratio(&left(|k| 1.5 * noise(k)), &shape());
        assert!(same > 20.0, "{same}");
        let other = same_road_log_ratio(&left(|k| 6.0 * (f64::from(k) / 4.0).sin()), &shape());
        assert!(other < -5.0, "{other}");
        assert!(same_road_log_ratio(&[], &shape()).abs() < 1e-12);
    }

    #[test]
    fn longer_roads_tell_more() {
        let all = left(noise);
        let short = same_road_log_ratio(&all[..15], &shape());
        let long = same_road_log_ratio(&all, &shape());
        assert!(long > short + 10.0, "{short} {long}");
    }

    #[test]
    fn without_wandering_it_is_the_plain_normal_likelihood() {
        let data = [(0.0, 0.5), (100.0, -0.5)];
        // The second given the first: normal around it, with both variances.
        let expected = -0.5 * (1.0 / 2.0 + 2.0_f64.ln());
        assert!((log_likelihood(&data, &steps(&data), 0.0, 1.0) - expected).abs() < 1e-12);
    }
}
