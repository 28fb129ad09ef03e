//! How noisy the altitude is: a running median that a knee in the road or a spike does not move.

use serde::{Deserialize, Serialize};

use crate::bits::Bits;

/// Median of the absolute value of a normal variable of unit standard deviation.
const NORMAL_MEDIAN: f64 = 0.674_489_750_196_081_7;
/// Advance below which a sample says nothing.
const LEAST_ADVANCE_M: f64 = 0.05;
/// Beyond this the road itself bends too much between samples.
const BENDING_M: f64 = 80.0;
const SMALLEST_M: f64 = 0.01;
const LARGEST_M: f64 = 20.0;
/// Relative step once settled.
const SETTLED_STEP: f64 = 0.02;
/// Samples after which it is settled.
const SETTLED_AFTER: u32 = (6.0 / SETTLED_STEP) as u32 - 6;

/// Running estimate of the standard deviation of altitude samples.
///
/// Looks at how far a sample lies from the straight line between its neighbours and follows the median of that by
/// small relative steps.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AltitudeNoise {
    median_m: f64,
    seen: u32,
    /// The two samples before, as (position, altitude), m; position relative to an arbitrary zero.
    before: [Option<(f64, f64)>; 2],
}

impl Default for AltitudeNoise {
    fn default() -> Self {
        Self {
            median_m: 0.3,
            seen: 0,
            before: [None; 2],
        }
    }
}

impl AltitudeNoise {
    /// Returns the estimate, m.
    pub fn deviation_m(&self) -> f64 {
        self.median_m / NORMAL_MEDIAN
    }

    /// Returns a bound that the estimate does not fall below during the next [`RUN`] samples, m.
    pub(crate) fn least_deviation_m(&self) -> f64 {
        if self.seen < SETTLED_AFTER {
            return 0.0;
        }
        LEFT_AFTER_RUN * self.deviation_m()
    }

    /// Takes a sample at a position along the road, m. Samples that do not advance are passed over.
    pub fn observe(&mut self, position_m: f64, altitude_m: f64) {
        if let Some(mut walk) = self.walk() {
            walk.observe(position_m, altitude_m);
            self.walked(&walk);
            return;
        }
        if let Some((last, _)) = self.before[1]
            && position_m - last < LEAST_ADVANCE_M
        {
            return;
        }
        self.before = [self.before[1], Some((position_m, altitude_m))];
    }

    /// Returns the estimate at work, once there are two samples to compare with.
    #[inline]
    pub(crate) fn walk(&self) -> Option<Walk> {
        let [Some(first), Some(second)] = self.before else {
            return None;
        };
        Some(Walk {
            median_m: self.median_m,
            seen: self.seen,
            first,
            second,
        })
    }

    /// Takes back the estimate that was at work.
    #[inline]
    pub(crate) fn walked(&mut self, walk: &Walk) {
        self.median_m = walk.median_m;
        self.seen = walk.seen;
        self.before = [Some(walk.first), Some(walk.second)];
    }

    /// Writes or reads the estimate, given the expected position and altitude of the last sample, m.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, place_m: f64, altitude_m: f64) -> Self {
        let median_m = b.float(self.median_m, 0.3);
        let seen = b.int(i64::from(self.seen), 0) as u32;
        let [first, second] = self.before;
        let mut sample = |sample: Option<(f64, f64)>, place_m, altitude_m| {
            b.bit(sample.is_some()).then(|| {
                let (s, h) = sample.unwrap_or_default();
                (b.float(s, place_m), b.decimal(h, altitude_m, 10.0))
            })
        };
        let second = sample(second, place_m, altitude_m);
        let (place_m, altitude_m) = second.unwrap_or_default();
        let first = sample(first, place_m, altitude_m);
        Self {
            median_m,
            seen,
            before: [first, second],
        }
    }

    /// Forgets the neighbours, after a gap. The estimate stays.
    pub fn interrupt(&mut self) {
        self.before = [None; 2];
    }
}

/// Most samples taken at once.
pub(crate) const RUN: usize = 32;
/// What is left of the estimate after so many samples that all lie below it, at least.
const LEFT_AFTER_RUN: f64 = 0.5;

/// Returns how far the middle one of three samples lies from the line through the others, as one sample would deviate, m.
#[inline]
fn deviation_of(s: [f64; 3], h: [f64; 3]) -> f64 {
    let (first, second) = (s[1] - s[0], s[2] - s[1]);
    let w = first / (first + second);
    let residual = h[1] - (h[0] + w * (h[2] - h[0]));
    let gain = (1.0 + w * w + (1.0 - w) * (1.0 - w)).sqrt();
    residual.abs() / gain
}

/// The estimate at work: with both neighbours.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Walk {
    median_m: f64,
    seen: u32,
    first: (f64, f64),
    second: (f64, f64),
}

impl Walk {
    /// Takes a sample at a position along the road, m.
    #[inline]
    pub(crate) fn observe(&mut self, position_m: f64, altitude_m: f64) {
        let ((s0, h0), (s1, h1)) = (self.first, self.second);
        let (first, second) = (s1 - s0, position_m - s1);
        if second < LEAST_ADVANCE_M {
            return;
        }
        if first + second < BENDING_M {
            self.step(deviation_of([s0, s1, position_m], [h0, h1, altitude_m]));
        }
        (self.first, self.second) = ((s1, h1), (position_m, altitude_m));
    }

    /// Takes `n` samples one after the other: positions and altitudes, behind those of the two samples before. `walks` when
    /// each is known to advance by at least 6 cm and at most 39 m. `deviations` is room to work in.
    pub(crate) fn observe_all(
        &mut self,
        s: &[f64; RUN + 2],
        h: &[f64; RUN + 2],
        n: usize,
        walks: bool,
        deviations: &mut [f64; RUN],
    ) {
        let n = n.min(RUN);
        // All deviations first: they do not wait for one another. Four at a time, some of them perhaps for nothing.
        for from in (0..n).step_by(4) {
            for k in from..(from + 4).min(RUN) {
                deviations[k] = deviation_of([s[k], s[k + 1], s[k + 2]], [h[k], h[k + 1], h[k + 2]]);
            }
        }
        // The first two look back at samples that are not of this run.
        let plain = (0..n).take(if walks { 2 } else { n }).all(|k| {
            let (first, second) = (s[k + 1] - s[k], s[k + 2] - s[k + 1]);
            second >= LEAST_ADVANCE_M && first + second < BENDING_M
        });
        let growth = 1.0 + SETTLED_STEP;
        // Far from its bounds, nothing needs to be kept within them.
        let bounded = (SMALLEST_M / LEFT_AFTER_RUN..LARGEST_M * LEFT_AFTER_RUN).contains(&self.median_m);
        if !(plain && bounded && self.seen >= SETTLED_AFTER) {
            for k in 0..n {
                self.observe(s[k + 2], h[k + 2]);
            }
            return;
        }
        let mut median_m = self.median_m;
        for deviation in &deviations[..n] {
            let (up, down) = (median_m * growth, median_m * (1.0 / growth));
            median_m = if *deviation > median_m { up } else { down };
        }
        self.median_m = median_m;
        self.seen = self.seen.saturating_add(n as u32);
        (self.first, self.second) = ((s[n], h[n]), (s[n + 1], h[n + 1]));
    }

    /// Returns the two samples before.
    pub(crate) const fn before(&self) -> [(f64, f64); 2] {
        [self.first, self.second]
    }

    #[inline]
    fn step(&mut self, deviation: f64) {
        // Fast at first: the altitude of the very first stretch already needs it.
        let (up, down) = if self.seen < SETTLED_AFTER {
            let step = 1.0 / (1.0 + f64::from(self.seen) / 6.0);
            (1.0 + step, 1.0 / (1.0 + step))
        } else {
            (1.0 + SETTLED_STEP, 1.0 / (1.0 + SETTLED_STEP))
        };
        self.seen = self.seen.saturating_add(1);
        let factor = if deviation > self.median_m { up } else { down };
        self.median_m = (self.median_m * factor).clamp(SMALLEST_M, LARGEST_M);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_taken_at_once_is_one_taken_sample_by_sample() {
        const SURE: (f64, f64) = (0.06, 39.0);
        assert!((1.0 + SETTLED_STEP).powi(-(RUN as i32)) > LEFT_AFTER_RUN);
        for (spacing, seed) in [(0.8, 3), (0.049, 4), (0.06, 5), (39.0, 6), (45.0, 7)] {
            let mut seed = seed;
            let mut one = AltitudeNoise::default();
            let mut all = AltitudeNoise::default();
            let place = |i: usize| i as f64 * spacing;
            let heights: Vec<f64> = (0..1_200)
                .map(|i| 900.0 - 0.05 * place(i) + normal(&mut seed))
                .collect();
            for (i, height) in heights.iter().enumerate().take(2) {
                one.observe(place(i), *height);
                all.observe(place(i), *height);
            }
            let mut from = 2;
            for n in (1..=RUN).cycle() {
                if from + n > heights.len() {
                    break;
                }
                for (i, height) in heights.iter().enumerate().skip(from).take(n) {
                    one.observe(place(i), *height);
                }
                let Some(mut walk) = all.walk() else {
                    // The neighbours do not advance: nothing is compared.
                    (from..from + n).for_each(|i| all.observe(place(i), heights[i]));
                    from += n;
                    continue;
                };
                let (mut s, mut h) = ([0.0; RUN + 2], [0.0; RUN + 2]);
                [(s[0], h[0]), (s[1], h[1])] = walk.before();
                for i in 0..n {
                    (s[i + 2], h[i + 2]) = (place(from + i), heights[from + i]);
                }
                let least = all.least_deviation_m();
                let walks = (SURE.0..=SURE.1).contains(&spacing);
                walk.observe_all(&s, &h, n, walks, &mut [0.0; RUN]);
                all.walked(&walk);
                assert!(all.deviation_m() >= least);
                assert_eq!(one, all, "{spacing} m, {n} from {from}");
                from += n;
            }
        }
    }

    /// Sum of twelve uniform numbers less six: nearly normal with unit deviation.
    fn normal(seed: &mut u64) -> f64 {
        (0..12)
            .map(|_| {
                *seed = seed
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (*seed >> 11) as f64 / (1u64 << 53) as f64
            })
            .sum::<f64>()
            - 6.0
    }

    #[test]
    fn the_estimate_comes_near_the_true_deviation() {
        for (true_deviation, spacing) in [(1.5, 1.4), (1.5, 14.0), (0.5, 3.0)] {
            let mut seed = 7;
            let mut noise = AltitudeNoise::default();
            for i in 0..2000 {
                let s = f64::from(i) * spacing;
                noise.observe(s, 1000.0 - 0.06 * s + true_deviation * normal(&mut seed));
            }
            let found = noise.deviation_m();
            assert!(
                (found / true_deviation - 1.0).abs() < 0.25,
                "{found} for {true_deviation}"
            );
        }
    }

    #[test]
    fn a_clean_road_with_knees_counts_as_clean() {
        let mut noise = AltitudeNoise::default();
        let mut h = 1000.0;
        for i in 0..600 {
            h -= if (i / 50) % 2 == 0 { 0.0 } else { 0.8 };
            noise.observe(f64::from(i) * 14.0, h);
        }
        assert!(noise.deviation_m() < 0.05, "{}", noise.deviation_m());
    }
}
