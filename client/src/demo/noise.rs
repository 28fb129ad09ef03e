//! Random numbers that are the same on every machine: one generator with a fixed algorithm, split by name.

use rand_distr::{Distribution as _, StandardNormal, StandardUniform};
use rand_pcg::{Pcg64Mcg, rand_core::SeedableRng as _};

/// A source of random numbers. The same seed and the same path give the same numbers.
///
/// ```
/// use coldbrake::demo::noise::Noise;
/// let draw = || Noise::new(7).branch("van-01").branch("day 2").uniform(0.0, 10.0);
/// assert_eq!(draw(), draw());
/// assert_ne!(draw(), Noise::new(7).branch("van-02").branch("day 2").uniform(0.0, 10.0));
/// ```
#[derive(Clone, Debug)]
pub struct Noise {
    path: u64,
    generator: Pcg64Mcg,
}

impl Noise {
    /// Returns the source of a seed.
    pub fn new(seed: u64) -> Self {
        Self {
            path: seed,
            generator: Pcg64Mcg::seed_from_u64(seed),
        }
    }

    /// Returns a source of its own for a part of the work. It does not depend on what was drawn from this one, so that
    /// parts may be made in any order.
    #[must_use]
    pub fn branch(&self, name: &str) -> Self {
        // FNV-1a, 64 bits: the offset is replaced by the path so far.
        let path = name
            .bytes()
            .chain([0xff])
            .fold(self.path ^ 0xcbf2_9ce4_8422_2325, |hash, byte| {
                (hash ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3)
            });
        Self::new(path)
    }

    /// Returns a number of the standard normal distribution.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.generator)
    }

    /// Returns a number that is anywhere from `low` up to `high` with equal probability.
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        let unit: f64 = StandardUniform.sample(&mut self.generator);
        low + (high - low) * unit
    }

    /// Returns `true` with a probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.uniform(0.0, 1.0) < probability
    }

    /// Returns 16 random bytes.
    pub fn bytes(&mut self) -> [u8; 16] {
        let mut bytes = [0; 16];
        for byte in &mut bytes {
            *byte = StandardUniform.sample(&mut self.generator);
        }
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_normal_numbers_have_the_moments_of_the_normal_distribution() {
        let mut noise = Noise::new(3);
        let n = 200_000;
        let (mut sum, mut square, mut cube, mut beyond) = (0.0, 0.0, 0.0, 0);
        for _ in 0..n {
            let x = noise.normal();
            sum += x;
            square += x * x;
            cube += x * x * x;
            beyond += i32::from(x.abs() > 1.96);
        }
        let n = f64::from(n);
        // Five standard errors of each: 1/√n, √(2/n), √(15/n); 5 % lie beyond 1.96.
        assert!((sum / n).abs() < 5.0 / n.sqrt());
        assert!((square / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt());
        assert!((cube / n).abs() < 5.0 * (15.0 / n).sqrt());
        assert!((f64::from(beyond) / n - 0.05).abs() < 5.0 * (0.05 * 0.95 / n).sqrt());
    }

    #[test]
    fn the_uniform_numbers_fill_their_range_and_no_more() {
        let mut noise = Noise::new(11);
        let drawn: Vec<f64> = (0..10_000).map(|_| noise.uniform(-2.0, 3.0)).collect();
        assert!(drawn.iter().all(|x| (-2.0..3.0).contains(x)));
        let mean = drawn.iter().sum::<f64>() / 1e4;
        // Standard error of the mean: 5/√12/100.
        assert!((mean - 0.5).abs() < 5.0 * 5.0 / 12_f64.sqrt() / 100.0, "{mean}");
    }

    #[test]
    fn a_fixed_algorithm_gives_known_numbers() {
        // Guards against a change of the generator: the figures of a demonstration would change with it.
        let mut noise = Noise::new(42).branch("altitude");
        let drawn = [noise.normal(), noise.uniform(0.0, 1.0), noise.normal()];
        let known = [
            4_600_217_054_580_464_525,
            4_601_931_024_656_637_272,
            13_820_322_707_872_670_345,
        ]
        .map(f64::from_bits);
        for (drawn, known) in drawn.into_iter().zip(known) {
            assert!((drawn - known).abs() < 1e-12, "{drawn} {known}");
        }
    }
}
