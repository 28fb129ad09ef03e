//! What a comparison takes as given.

use serde::{Deserialize, Serialize};

use super::super::StatsError;
use super::super::error::{check_parameter, check_share};

/// Which way a metric is meant to go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// Such as the recovery ratio.
    HigherIsBetter,
    /// Such as unexplained friction.
    LowerIsBetter,
}

/// What a comparison takes as given.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CompareOptions {
    /// Which way is better.
    pub direction: Direction,
    /// Confidence of the intervals, between 0 and 1.
    pub confidence: f64,
    /// Largest adjusted p-value that counts as beyond chance, between 0 and 1.
    pub significance: f64,
    /// Least observations a side, in strata with both sides, for any verdict but too few to tell. The default of 10
    /// is a choice, not a standard: below it only a shift larger than the spread would be found.
    pub minimum_per_side: usize,
    /// Smallest shift that matters, in the unit of the metric, above 0. With it, a smaller shift is no difference,
    /// and an interval that reaches beyond it without excluding 0 is too few to tell.
    pub relevant_shift: Option<f64>,
    /// Up to this many observations the p-value comes from relabelling rather than from the normal approximation.
    pub permute_up_to: usize,
    /// Number of relabellings, at least 1.
    pub permutations: u32,
    /// Seed of the relabelling.
    pub seed: u64,
}

impl CompareOptions {
    /// Returns the defaults: 95 % intervals, 5 % significance, at least 10 a side, 9,999 relabellings up to 100
    /// observations.
    ///
    /// ```
    /// # use coldbrake_engine::stats::compare::{CompareOptions, Direction};
    /// let options = CompareOptions::new(Direction::LowerIsBetter);
    /// assert_eq!((options.confidence, options.minimum_per_side), (0.95, 10));
    /// ```
    pub fn new(direction: Direction) -> Self {
        Self {
            direction,
            confidence: 0.95,
            significance: 0.05,
            minimum_per_side: 10,
            relevant_shift: None,
            permute_up_to: 100,
            permutations: 9_999,
            seed: 0,
        }
    }

    /// Checks every number.
    pub(super) fn check(&self) -> Result<(), StatsError> {
        check_share("the confidence", self.confidence)?;
        check_share("the significance", self.significance)?;
        check_parameter(
            "the least count a side",
            self.minimum_per_side as f64,
            "at least 1",
            |m| m >= 1.0,
        )?;
        check_parameter(
            "the number of relabellings",
            f64::from(self.permutations),
            "at least 1",
            |p| p >= 1.0,
        )?;
        match self.relevant_shift {
            Some(shift) => check_parameter("the relevant shift", shift, "above 0", |s| s > 0.0),
            None => Ok(()),
        }
    }
}
