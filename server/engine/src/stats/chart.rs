//! Control charts that follow a metric one observation at a time, in constant memory.
//!
//! Two charts, both for a metric whose level and spread in order are known (target and sigma, for example from
//! [`super::baseline`]): the exponentially weighted moving average and the tabular cumulative sum. Each finds small
//! lasting changes that no single observation shows. How long they run, in order and out of order, is told by
//! [`super::run_length`], for independent normal observations.

use serde::{Deserialize, Serialize};

use super::StatsError;
use super::error::{check, check_parameter};

/// Which changes a chart signals.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Up and down.
    #[default]
    Both,
    /// Upward only: a stretch of low values is not carried over.
    Upper,
    /// Downward only: a stretch of high values is not carried over.
    Lower,
}

/// Limits of a moving average.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Limits {
    /// As wide as the average spreads after so many observations: narrow at first, so an early change shows early.
    #[default]
    TimeVarying,
    /// As wide as the average spreads in the long run.
    Steady,
}

/// Where a chart left its limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Signal {
    /// The metric has gone up.
    High,
    /// The metric has gone down.
    Low,
}

/// How a moving-average chart is built.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct EwmaDesign {
    /// Weight of the newest observation, above 0 up to 1. Small finds small changes.
    pub lambda: f64,
    /// Distance of the limits in standard deviations of the average, above 0.
    pub limit: f64,
    /// Which changes signal.
    pub side: Side,
    /// How the limits behave at first.
    pub limits: Limits,
    /// Where a one-sided chart with steady limits starts, as a share of the limit, 0 up to but not including 1: a
    /// fast initial response. 0 for every other chart.
    pub head_start: f64,
}

impl EwmaDesign {
    /// Returns a design that watches both sides with limits that grow with the spread of the average.
    ///
    /// ```
    /// # use coldbrake_engine::stats::chart::{EwmaDesign, Side};
    /// let design = EwmaDesign { side: Side::Upper, ..EwmaDesign::new(0.2, 2.962) };
    /// assert!(design.check().is_ok());
    /// ```
    pub fn new(lambda: f64, limit: f64) -> Self {
        Self {
            lambda,
            limit,
            side: Side::Both,
            limits: Limits::TimeVarying,
            head_start: 0.0,
        }
    }

    /// Checks that the numbers make sense together.
    ///
    /// # Errors
    /// Names the number that does not.
    pub fn check(&self) -> Result<(), StatsError> {
        check_parameter(
            "lambda of a moving average",
            self.lambda,
            "above 0 up to 1",
            |l| l > 0.0 && l <= 1.0,
        )?;
        check_parameter("the limit of a moving average", self.limit, "above 0", |l| {
            l > 0.0
        })?;
        let may_start = self.side != Side::Both && self.limits == Limits::Steady;
        check_parameter(
            "the head start of a moving average",
            self.head_start,
            "0, or from 0 to below 1 with one side and steady limits",
            |h| (0.0..1.0).contains(&h) && (may_start || h <= 0.0),
        )
    }

    /// Half-width of the limits after `count` observations, in sigma of the metric.
    ///
    /// L·√(λ/(2 − λ)·(1 − (1 − λ)^(2·count))); NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    pub(super) fn half_width(&self, count: u32) -> f64 {
        let settled = match self.limits {
            Limits::Steady => 1.0,
            Limits::TimeVarying => 1.0 - (1.0 - self.lambda).powf(2.0 * f64::from(count)),
        };
        self.limit * (self.lambda / (2.0 - self.lambda) * settled).sqrt()
    }
}

/// A moving-average chart in progress.
///
/// ```
/// # use coldbrake_engine::stats::chart::{EwmaChart, EwmaDesign, Signal};
/// let mut chart = EwmaChart::new(EwmaDesign::new(0.3, 3.0), 50.0, 2.0)?;
/// assert!(chart.observe(52.0)?.signal.is_none());
/// let mut last = None;
/// for _ in 0..5 {
///     last = chart.observe(55.0)?.signal;
/// }
/// assert_eq!(last, Some(Signal::High));
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct EwmaChart {
    design: EwmaDesign,
    target: f64,
    sigma: f64,
    value: f64,
    count: u32,
}

/// One point of a moving-average chart, in the unit of the metric.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct EwmaPoint {
    /// The average.
    pub value: f64,
    /// Lower limit; absent on a chart that watches upward only.
    pub lower: Option<f64>,
    /// Upper limit; absent on a chart that watches downward only.
    pub upper: Option<f64>,
    /// Set when the average lies beyond a limit.
    pub signal: Option<Signal>,
}

impl EwmaChart {
    /// Starts a chart at its target; `sigma` is the standard deviation of one observation, above 0.
    ///
    /// # Errors
    /// A design, target or sigma that makes no sense.
    pub fn new(design: EwmaDesign, target: f64, sigma: f64) -> Result<Self, StatsError> {
        design.check()?;
        check_level(target, sigma)?;
        let mut chart = Self {
            design,
            target,
            sigma,
            value: target,
            count: 0,
        };
        chart.reset();
        Ok(chart)
    }

    /// Takes an observation: z ← λ·x + (1 − λ)·z, on a one-sided chart never beyond the target on the other side.
    ///
    /// # Errors
    /// A value that is not finite; the chart stays as it was.
    pub fn observe(&mut self, value: f64) -> Result<EwmaPoint, StatsError> {
        check("the observation", &[value], 1)?;
        let lambda = self.design.lambda;
        let free = lambda * value + (1.0 - lambda) * self.value;
        self.value = match self.design.side {
            Side::Both => free,
            Side::Upper => free.max(self.target),
            Side::Lower => free.min(self.target),
        };
        self.count = self.count.saturating_add(1);
        Ok(self.point())
    }

    /// Returns the present point; before the first observation, time-varying limits are at the target.
    pub fn point(&self) -> EwmaPoint {
        let width = self.sigma * self.design.half_width(self.count);
        let upper = (self.design.side != Side::Lower).then_some(self.target + width);
        let lower = (self.design.side != Side::Upper).then_some(self.target - width);
        let signal = match (upper, lower) {
            (Some(limit), _) if self.value > limit => Some(Signal::High),
            (_, Some(limit)) if self.value < limit => Some(Signal::Low),
            _ => None,
        };
        EwmaPoint {
            value: self.value,
            lower,
            upper,
            signal,
        }
    }

    /// Returns the number of observations since the start or the last reset.
    pub fn count(&self) -> u32 {
        self.count
    }

    /// Returns how it is built.
    pub fn design(&self) -> &EwmaDesign {
        &self.design
    }

    /// Starts afresh, after a repair or a closed alarm.
    pub fn reset(&mut self) {
        let start = self.design.head_start * self.sigma * self.design.half_width(0);
        self.value = match self.design.side {
            Side::Upper => self.target + start,
            Side::Lower => self.target - start,
            Side::Both => self.target,
        };
        self.count = 0;
    }
}

/// How a cumulative-sum chart is built; both numbers in sigma of one observation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CusumDesign {
    /// What is taken off each deviation, ≥ 0: half of the change to be found soonest.
    pub reference: f64,
    /// Sum above which it signals, above 0.
    pub decision: f64,
    /// Which changes signal.
    pub side: Side,
    /// Where the sums start, as a share of `decision`, 0 up to but not including 1; one half is the published fast
    /// initial response (Lucas and Crosier, Technometrics 24, 1982).
    pub head_start: f64,
}

impl CusumDesign {
    /// Returns a design that watches both sides and starts at 0.
    ///
    /// ```
    /// # use coldbrake_engine::stats::chart::CusumDesign;
    /// assert!(CusumDesign::new(0.5, 5.0).check().is_ok());
    /// assert!(CusumDesign::new(0.5, 0.0).check().is_err());
    /// ```
    pub fn new(reference: f64, decision: f64) -> Self {
        Self {
            reference,
            decision,
            side: Side::Both,
            head_start: 0.0,
        }
    }

    /// Checks that the numbers make sense.
    ///
    /// # Errors
    /// Names the number that does not.
    pub fn check(&self) -> Result<(), StatsError> {
        check_parameter(
            "the reference of a cumulative sum",
            self.reference,
            "0 or more",
            |k| k >= 0.0,
        )?;
        check_parameter(
            "the decision limit of a cumulative sum",
            self.decision,
            "above 0",
            |h| h > 0.0,
        )?;
        check_parameter(
            "the head start of a cumulative sum",
            self.head_start,
            "from 0 to below 1",
            |s| (0.0..1.0).contains(&s),
        )
    }
}

/// A tabular cumulative-sum chart in progress.
///
/// ```
/// # use coldbrake_engine::stats::chart::{CusumChart, CusumDesign, Signal};
/// let mut chart = CusumChart::new(CusumDesign::new(0.5, 4.0), 10.0, 1.0)?;
/// chart.observe(9.0)?;
/// for _ in 0..3 {
///     assert!(chart.observe(11.8)?.signal.is_none());
/// }
/// let point = chart.observe(11.8)?;
/// assert_eq!((point.signal, point.since), (Some(Signal::High), 4)); // began four observations ago
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CusumChart {
    design: CusumDesign,
    target: f64,
    sigma: f64,
    high: f64,
    low: f64,
    high_run: u32,
    low_run: u32,
}

/// One point of a cumulative-sum chart.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CusumPoint {
    /// Sum of upward deviations, unit of the metric, ≥ 0; stays 0 on a chart that watches downward only.
    pub high: f64,
    /// Sum of downward deviations, unit of the metric, ≥ 0; stays 0 on a chart that watches upward only.
    pub low: f64,
    /// Set when a sum is above the decision limit.
    pub signal: Option<Signal>,
    /// Observations since the greater sum was last 0: when the change probably began.
    pub since: u32,
}

impl CusumChart {
    /// Starts a chart; `sigma` is the standard deviation of one observation, above 0.
    ///
    /// # Errors
    /// A design, target or sigma that makes no sense.
    pub fn new(design: CusumDesign, target: f64, sigma: f64) -> Result<Self, StatsError> {
        design.check()?;
        check_level(target, sigma)?;
        let mut chart = Self {
            design,
            target,
            sigma,
            high: 0.0,
            low: 0.0,
            high_run: 0,
            low_run: 0,
        };
        chart.reset();
        Ok(chart)
    }

    /// Takes an observation: S⁺ ← max(0, S⁺ + x − target − k), S⁻ ← max(0, S⁻ + target − k − x).
    ///
    /// After a signal the sums go on growing; [`CusumChart::reset`] starts them afresh.
    ///
    /// # Errors
    /// A value that is not finite; the chart stays as it was.
    pub fn observe(&mut self, value: f64) -> Result<CusumPoint, StatsError> {
        check("the observation", &[value], 1)?;
        let slack = self.design.reference * self.sigma;
        if self.design.side != Side::Lower {
            // A sum is capped where adding to it would lose the deviation; far above any limit.
            self.high = (self.high + value - self.target - slack).clamp(0.0, f64::MAX);
            self.high_run = run(self.high, self.high_run);
        }
        if self.design.side != Side::Upper {
            self.low = (self.low + self.target - slack - value).clamp(0.0, f64::MAX);
            self.low_run = run(self.low, self.low_run);
        }
        Ok(self.point())
    }

    /// Returns the present point.
    pub fn point(&self) -> CusumPoint {
        let decision = self.design.decision * self.sigma;
        let signal = match self.high >= self.low {
            true if self.high > decision => Some(Signal::High),
            false if self.low > decision => Some(Signal::Low),
            _ => None,
        };
        CusumPoint {
            high: self.high,
            low: self.low,
            signal,
            since: if self.high >= self.low {
                self.high_run
            } else {
                self.low_run
            },
        }
    }

    /// Starts afresh, after a repair or a closed alarm.
    pub fn reset(&mut self) {
        let start = self.design.head_start * self.design.decision * self.sigma;
        let (up, down) = match self.design.side {
            Side::Both => (start, start),
            Side::Upper => (start, 0.0),
            Side::Lower => (0.0, start),
        };
        (self.high, self.low) = (up, down);
        (self.high_run, self.low_run) = (0, 0);
    }
}

/// Observations for which a sum has been above 0.
fn run(sum: f64, before: u32) -> u32 {
    if sum > 0.0 { before.saturating_add(1) } else { 0 }
}

fn check_level(target: f64, sigma: f64) -> Result<(), StatsError> {
    check_parameter("the target of a chart", target, "finite", |_| true)?;
    check_parameter("sigma of a chart", sigma, "above 0", |s| s > 0.0)
}

#[cfg(test)]
mod tests;
