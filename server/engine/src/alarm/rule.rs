//! Thresholds, with defaults. A rule holds for all classes, or overrides that for one class.

use serde::{Deserialize, Serialize};

use crate::stats::chart::{EwmaDesign, Limits, Side};
use crate::stats::run_length::ewma_limit_for;

/// Name of the rule for all classes that have none of their own.
pub const FOR_ALL: &str = "default";

/// Thresholds of the alarms of a vehicle class, or of all. Read from a TOML file whose keys are the field names.
///
/// ```
/// use coldbrake_engine::alarm::Rule;
/// let rule: Rule = toml::from_str("vehicle_class = 'van'\nspike_sigmas = 8.0").unwrap();
/// assert!(rule.problems().is_empty());
/// assert_eq!(rule.quiet_descents, Rule::default().quiet_descents);
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Rule {
    /// Class that it holds for; `default` for all that have no rule of their own.
    pub vehicle_class: String,
    /// Descents that a baseline remembers, 30 to 1024.
    pub baseline_memory: u16,
    /// Least descents in a baseline before a single one can be a spike, 5 up to the memory.
    pub spike_count: u16,
    /// Least descents in a baseline before a drift is looked for, 30 up to the memory.
    pub drift_count: u16,
    /// Least standard deviation taken, kJ/(t·100 m): many descents have the same unexplained friction, about 0, and any
    /// other would be infinitely far. 5 is half a percent of the potential energy.
    pub least_sigma_kj_per_t_100m: f64,
    /// Least standard deviation as a share of the median.
    pub least_sigma_share: f64,
    /// Standard deviations above the median beyond which one descent is a spike, 2 to 50. A baseline of n descents knows
    /// its sigma to ±1.16/√n (the median absolute deviation has 37 % efficiency): the limit is widened by twice that.
    pub spike_sigmas: f64,
    /// Weight of the newest descent in the moving average, 0.02 to 1.
    pub drift_lambda: f64,
    /// Descents in order that one chart takes until it signals a drift for nothing, on average, 100 to 1000000.
    pub drift_run_length: f64,
    /// Moving average, in standard deviations, below which a descent counts as quiet, 0 to 3. Lower than what raised.
    pub clear_sigmas: f64,
    /// Quiet descents in a row after which an alarm closes by itself, 1 to 1000.
    pub quiet_descents: u16,
    /// Days of event time without any descent that an alarm is about, after which it closes by itself, 1 to 3650.
    pub stale_days: u16,
    /// Hot descents among the latest `hot_window` of a vehicle that raise an alarm, 1 to 16.
    pub hot_descents: u8,
    /// Descents of a vehicle looked at for heat, `hot_descents` to 16.
    pub hot_window: u8,
    /// Days without a firm friction stop that raise an alarm once `unused_km` are passed too, 1 to 3650.
    pub unused_days: u16,
    /// Distance without a firm friction stop, km, 1 to 100000.
    pub unused_km: f64,
    /// Explained friction of one cause from which a planning message is made, kJ/(t·100 m). 30 is three percent of the
    /// potential energy.
    pub plan_kj_per_t_100m: f64,
}

impl Default for Rule {
    /// All values are common practice without a source, or chosen here; `docs/alarms.md` shows what they give.
    fn default() -> Self {
        Self {
            vehicle_class: FOR_ALL.to_owned(),
            baseline_memory: 120,
            spike_count: 10,
            drift_count: 30,
            least_sigma_kj_per_t_100m: 5.0,
            least_sigma_share: 0.1,
            spike_sigmas: 6.0,
            drift_lambda: 0.2,
            drift_run_length: 50_000.0,
            clear_sigmas: 0.5,
            quiet_descents: 8,
            stale_days: 30,
            hot_descents: 3,
            hot_window: 10,
            unused_days: 14,
            unused_km: 300.0,
            plan_kj_per_t_100m: 30.0,
        }
    }
}

/// One mistake in a rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RuleProblem {
    /// Name of the field.
    pub field: &'static str,
    /// What is wrong and what to do.
    pub description: String,
}

impl std::fmt::Display for RuleProblem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "`{}` {}", self.field, self.description)
    }
}

impl Rule {
    /// Returns every mistake in the rule; none when it can be used.
    pub fn problems(&self) -> Vec<RuleProblem> {
        let mut found = Vec::new();
        if !crate::ids::is_identifier(&self.vehicle_class) {
            found.push(RuleProblem {
                field: "vehicle_class",
                description: crate::ids::IDENTIFIER_RULE.to_owned(),
            });
        }
        let memory = f64::from(self.baseline_memory);
        for (field, value, low, high) in [
            ("baseline_memory", memory, 30.0, 1024.0),
            ("spike_count", f64::from(self.spike_count), 5.0, memory),
            ("drift_count", f64::from(self.drift_count), 30.0, memory),
            (
                "least_sigma_kj_per_t_100m",
                self.least_sigma_kj_per_t_100m,
                0.1,
                500.0,
            ),
            ("least_sigma_share", self.least_sigma_share, 0.0, 1.0),
            ("spike_sigmas", self.spike_sigmas, 2.0, 50.0),
            ("drift_lambda", self.drift_lambda, 0.02, 1.0),
            ("drift_run_length", self.drift_run_length, 100.0, 1e6),
            ("clear_sigmas", self.clear_sigmas, 0.0, 3.0),
            ("quiet_descents", f64::from(self.quiet_descents), 1.0, 1000.0),
            ("stale_days", f64::from(self.stale_days), 1.0, 3650.0),
            ("hot_descents", f64::from(self.hot_descents), 1.0, 16.0),
            (
                "hot_window",
                f64::from(self.hot_window),
                f64::from(self.hot_descents),
                16.0,
            ),
            ("unused_days", f64::from(self.unused_days), 1.0, 3650.0),
            ("unused_km", self.unused_km, 1.0, 100e3),
            ("plan_kj_per_t_100m", self.plan_kj_per_t_100m, 1.0, 1000.0),
        ] {
            if !(low..=high).contains(&value) {
                found.push(RuleProblem {
                    field,
                    description: format!("is {value}: give a value from {low} to {high}"),
                });
            }
        }
        found
    }

    /// Returns the limit beyond which one descent is a spike when the baseline has `count` values, in sigma.
    ///
    /// ```
    /// use coldbrake_engine::alarm::Rule;
    /// let rule = Rule::default();
    /// assert!(rule.spike_limit(10) > rule.spike_limit(100));
    /// assert!(rule.spike_limit(100) > rule.spike_sigmas);
    /// ```
    pub fn spike_limit(&self, count: usize) -> f64 {
        // Standard error of sigma from the median absolute deviation of n normal values, relative: 1/√(2·0.37·n), for
        // its efficiency of 37 % (Rousseeuw and Croux, Alternatives to the median absolute deviation, 1993, from memory).
        let error = (2.0 * 0.37 * count.max(1) as f64).powf(-0.5);
        self.spike_sigmas * (1.0 + 2.0 * error)
    }
}

/// Limit of the default chart: a test computes it.
const DEFAULT_LIMIT: f64 = 4.164_624_519;

/// Returns the limit of a chart, in standard deviations of the average.
#[expect(clippy::float_cmp, reason = "the very same defaults")]
fn limit_of(lambda: f64, run_length: f64) -> f64 {
    let usual = Rule::default();
    if lambda == usual.drift_lambda && run_length == usual.drift_run_length {
        return DEFAULT_LIMIT;
    }
    // Every run length in range has a limit.
    ewma_limit_for(lambda, Side::Upper, Limits::Steady, run_length).unwrap_or(DEFAULT_LIMIT)
}

/// A rule with what follows from it.
#[derive(Clone, Debug, PartialEq)]
pub struct Armed {
    /// The rule.
    pub rule: Rule,
    /// How its charts are built: upward, steady limits, of standardised values.
    pub design: EwmaDesign,
    /// Limit of the moving average, in sigma of one descent.
    pub drift_limit: f64,
}

impl Armed {
    /// Works out the charts of a rule. A rule with problems is taken as the default one.
    pub fn new(rule: Rule) -> Self {
        let rule = if rule.problems().is_empty() {
            rule
        } else {
            Rule::default()
        };
        let limit = limit_of(rule.drift_lambda, rule.drift_run_length);
        let design = EwmaDesign {
            side: Side::Upper,
            limits: Limits::Steady,
            ..EwmaDesign::new(rule.drift_lambda, limit)
        };
        let spread = (rule.drift_lambda / (2.0 - rule.drift_lambda)).sqrt();
        Self {
            rule,
            design,
            drift_limit: limit * spread,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_limit_gives_the_default_run_length() {
        let usual = Rule::default();
        let limit = ewma_limit_for(
            usual.drift_lambda,
            Side::Upper,
            Limits::Steady,
            usual.drift_run_length,
        )
        .unwrap();
        assert!((limit - DEFAULT_LIMIT).abs() < 1e-6, "{limit}");
    }
}
