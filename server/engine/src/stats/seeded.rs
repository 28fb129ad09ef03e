//! Numbers that look random and are the same for the same seed.

/// Generator of 64-bit numbers: a counter through a mixing function (Steele, Lea, Flood: Fast splittable pseudorandom
/// number generators, 2014). Good for resampling, not for secrets.
#[derive(Clone, Debug)]
pub(super) struct Seeded(u64);

impl Seeded {
    /// Starts at a seed.
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Returns the next 64 bits.
    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Returns a number below `bound`; 0 where the bound is 0. The bias is below bound / 2⁶⁴.
    pub(super) fn below(&mut self, bound: usize) -> usize {
        ((u128::from(self.next()) * bound as u128) >> 64) as usize
    }

    /// Returns a standard normal number (Box and Muller).
    #[cfg(test)]
    pub(super) fn normal(&mut self) -> f64 {
        let mut uniform = || ((self.next() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
        let (radius, angle) = (uniform(), uniform());
        (-2.0 * radius.ln()).sqrt() * (2.0 * std::f64::consts::PI * angle).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gives_the_numbers_of_the_published_generator() {
        // Check values of the generator with seed 1234567, from memory.
        let mut seeded = Seeded::new(1_234_567);
        assert_eq!(seeded.next(), 6_457_827_717_110_365_317);
        assert_eq!(seeded.next(), 3_203_168_211_198_807_973);
        assert_eq!(seeded.next(), 9_817_491_932_198_370_423);
    }

    #[test]
    fn below_covers_its_range_evenly() {
        let mut seeded = Seeded::new(7);
        let mut counts = [0_u32; 6];
        for _ in 0..60_000 {
            counts[seeded.below(6)] += 1;
        }
        assert!(counts.iter().all(|c| (9_600..10_400).contains(c)), "{counts:?}");
        assert_eq!(seeded.below(0), 0);
    }
}
