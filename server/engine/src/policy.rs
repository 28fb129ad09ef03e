//! The rules of segmentation and of intervals, with their defaults.

use serde::{Deserialize, Serialize};

/// When a descent begins and ends, how gaps are treated, and how wide intervals are.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Policy {
    /// Gradient at which a descent is entered, negative. 0 enters at once: pure hysteresis on altitude.
    pub entry_gradient: f64,
    /// Drop that confirms a descent, m.
    pub confirm_drop_m: f64,
    /// Climb above the lowest point that ends it, m.
    pub end_climb_m: f64,
    /// Distance without going lower that ends it, m.
    pub end_level_m: f64,
    /// Standing time that ends it, s.
    pub end_standstill_s: f64,
    /// Longest gap in time that is bridged, s.
    pub bridge_time_s: f64,
    /// Longest gap in distance that is bridged, m.
    pub bridge_distance_m: f64,
    /// Probability that an interval covers the true value.
    pub confidence: f64,
    /// Standard deviation of single altitude samples, m. Absent: estimated from the samples. 0: surveyed altitude,
    /// taken as it is, without filter and without a look for steps that no road has.
    pub altitude_noise_m: Option<f64>,
}

impl Default for Policy {
    fn default() -> Self {
        Self {
            entry_gradient: -0.025,
            confirm_drop_m: 50.0,
            end_climb_m: 15.0,
            end_level_m: 600.0,
            end_standstill_s: 1200.0,
            bridge_time_s: 30.0,
            bridge_distance_m: 300.0,
            confidence: 0.95,
            altitude_noise_m: None,
        }
    }
}

impl Policy {
    /// Returns every mistake in the policy as (field, what to do); none when it can be used.
    pub fn problems(&self) -> Vec<(&'static str, String)> {
        let ranges: [(&'static str, f64, f64, f64); 9] = [
            ("entry_gradient", self.entry_gradient, -0.3, 0.0),
            ("confirm_drop_m", self.confirm_drop_m, 5.0, 2_000.0),
            ("end_climb_m", self.end_climb_m, 1.0, 500.0),
            ("end_level_m", self.end_level_m, 100.0, 1e6),
            ("end_standstill_s", self.end_standstill_s, 10.0, 86_400.0),
            ("bridge_time_s", self.bridge_time_s, 1.0, 600.0),
            ("bridge_distance_m", self.bridge_distance_m, 10.0, 5_000.0),
            ("confidence", self.confidence, 0.5, 0.999),
            (
                "altitude_noise_m",
                self.altitude_noise_m.unwrap_or(0.0),
                0.0,
                20.0,
            ),
        ];
        ranges
            .into_iter()
            .filter(|(_, value, low, high)| !(low..=high).contains(&value))
            .map(|(field, value, low, high)| {
                (field, format!("is {value}: give a value from {low} to {high}"))
            })
            .collect()
    }
}
