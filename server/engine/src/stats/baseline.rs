//! What is normal for one metric on one grade and class, from a bounded memory.

use serde::{Deserialize, Serialize};

use super::StatsError;
use super::error::{check, check_parameter};
use super::robust::{MAD_TO_SIGMA, sorted_quantile};

/// Largest memory offered, values.
pub const LARGEST: usize = 4096;

/// The most recent values of a metric, at most a fixed number of them.
///
/// Always the latest, never a random draw: the same values in the same order give the same baseline. One wild value
/// moves the median and the spread little, so values that raised an alarm may go in as well; a caller who leaves them
/// out keeps an alarm standing, one who lets them in accepts the new level after about half of the memory.
///
/// ```
/// # use coldbrake_engine::stats::baseline::Baseline;
/// let mut baseline = Baseline::new(64, 5)?;
/// for value in [10.0, 11.0, 9.0, 10.0] {
///     baseline.observe(value)?;
/// }
/// assert!(baseline.level(0.0).is_none()); // four of five
/// baseline.observe(12.0)?;
/// let level = baseline.level(0.0).unwrap();
/// assert_eq!(level.median, 10.0);
/// assert!((level.spike_limit(3.0) - (10.0 + 3.0 * 1.4826)).abs() < 1e-3);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    capacity: u16,
    minimum: u16,
    /// Where the next value goes once the memory is full.
    next: u16,
    /// Values ever seen.
    seen: u64,
    values: Vec<f64>,
}

/// Middle and spread of a baseline, in the unit of the metric.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// Median of the remembered values.
    pub median: f64,
    /// 1.4826 × median absolute deviation, or the floor given if that is greater.
    pub sigma: f64,
    /// Number of values it rests on.
    pub count: usize,
}

impl Level {
    /// Returns the value above which a single observation is a spike: median + `sigmas`·sigma.
    pub fn spike_limit(&self, sigmas: f64) -> f64 {
        self.median + sigmas * self.sigma
    }

    /// Returns how many sigma a value lies above the median, negative below; 0 for the median itself even where
    /// sigma is 0.
    pub fn standardised(&self, value: f64) -> f64 {
        let distance = value - self.median;
        match self.sigma > 0.0 {
            true => distance / self.sigma,
            false if distance.abs() > 0.0 => distance.signum() * f64::INFINITY,
            false => 0.0,
        }
    }
}

impl Baseline {
    /// Remembers at most `capacity` values (1 to 4096) and says nothing below `minimum` of them (1 to `capacity`).
    ///
    /// # Errors
    /// A parameter out of range.
    pub fn new(capacity: usize, minimum: usize) -> Result<Self, StatsError> {
        check_parameter(
            "the memory of a baseline",
            capacity as f64,
            "from 1 to 4096",
            |c| (1.0..=LARGEST as f64).contains(&c),
        )?;
        check_parameter(
            "the least count of a baseline",
            minimum as f64,
            "from 1 to its memory",
            |m| (1.0..=capacity as f64).contains(&m),
        )?;
        Ok(Self {
            capacity: capacity as u16,
            minimum: minimum as u16,
            next: 0,
            seen: 0,
            values: Vec::new(),
        })
    }

    /// Takes a value, in place of the oldest once the memory is full.
    ///
    /// # Errors
    /// A value that is not finite; the baseline stays as it was.
    pub fn observe(&mut self, value: f64) -> Result<(), StatsError> {
        check("the observation", &[value], 1)?;
        self.seen = self.seen.saturating_add(1);
        if self.values.len() < usize::from(self.capacity) {
            self.values.push(value);
            return Ok(());
        }
        // `next` may come from a file: it is brought into range rather than trusted.
        let at = usize::from(self.next) % self.values.len().max(1);
        if let Some(slot) = self.values.get_mut(at) {
            *slot = value;
        }
        self.next = ((at + 1) % self.values.len().max(1)) as u16;
        Ok(())
    }

    /// Returns middle and spread, the spread at least `least_sigma` (unit of the metric, ≥ 0); `None` below the
    /// minimum count.
    ///
    /// A floor is needed where many descents have the same value, most often 0: the spread is 0 then, and any other
    /// value would be infinitely far.
    pub fn level(&self, least_sigma: f64) -> Option<Level> {
        let count = self.values.len();
        if count < usize::from(self.minimum).max(1) {
            return None;
        }
        let mut sorted = super::pairs::sorted(&self.values);
        let median = sorted_quantile(&sorted, 0.5);
        for value in &mut sorted {
            *value = (*value - median).abs();
        }
        sorted.sort_by(f64::total_cmp);
        let sigma = MAD_TO_SIGMA * sorted_quantile(&sorted, 0.5);
        Some(Level {
            median,
            sigma: sigma.max(least_sigma),
            count,
        })
    }

    /// Returns how many values it has ever seen.
    pub fn seen(&self) -> u64 {
        self.seen
    }

    /// Returns how many values it remembers.
    pub fn count(&self) -> usize {
        self.values.len()
    }

    /// Forgets everything, for example after a repair or a new software version.
    pub fn reset(&mut self) {
        self.values.clear();
        self.next = 0;
        self.seen = 0;
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::float_cmp, reason = "results that are exact by construction")]

    use super::*;

    #[test]
    fn remembers_the_latest_only_and_stays_small() {
        let mut baseline = Baseline::new(64, 8).unwrap();
        for i in 0..1000 {
            baseline.observe(f64::from(i)).unwrap();
        }
        assert_eq!((baseline.count(), baseline.seen()), (64, 1000));
        // 936 ..= 999
        assert_eq!(baseline.level(0.0).unwrap().median, 967.5);
        let size = postcard::to_allocvec(&baseline).unwrap().len();
        for i in 0..100_000 {
            baseline.observe(f64::from(i)).unwrap();
        }
        assert!(postcard::to_allocvec(&baseline).unwrap().len() <= size + 2);
        assert!(size < 540, "{size}");
    }

    #[test]
    fn returns_from_bytes_and_survives_wrong_ones() {
        let mut baseline = Baseline::new(4, 2).unwrap();
        for v in [1.0, 2.0, 3.0, 4.0, 5.0] {
            baseline.observe(v).unwrap();
        }
        let bytes = postcard::to_allocvec(&baseline).unwrap();
        let mut back: Baseline = postcard::from_bytes(&bytes).unwrap();
        assert_eq!(back, baseline);
        back.next = 60_000;
        back.observe(9.0).unwrap();
        let mut empty = Baseline {
            capacity: 0,
            values: Vec::new(),
            ..baseline
        };
        empty.observe(1.0).unwrap();
        assert!(empty.level(0.0).is_none());
    }

    #[test]
    fn equal_values_need_the_floor() {
        let mut baseline = Baseline::new(16, 3).unwrap();
        for _ in 0..10 {
            baseline.observe(0.0).unwrap();
        }
        assert_eq!(baseline.level(0.0).unwrap().standardised(0.0), 0.0);
        assert_eq!(baseline.level(0.0).unwrap().standardised(1.0), f64::INFINITY);
        assert_eq!(baseline.level(0.5).unwrap().standardised(1.0), 2.0);
        baseline.reset();
        assert!(baseline.level(0.5).is_none());
    }

    #[test]
    fn refuses_what_makes_no_sense() {
        assert!(Baseline::new(0, 0).is_err());
        assert!(Baseline::new(64, 65).is_err());
        assert!(Baseline::new(5000, 5).is_err());
        let mut baseline = Baseline::new(4, 2).unwrap();
        assert!(baseline.observe(f64::NAN).is_err());
        assert_eq!(baseline.count(), 0);
    }
}
