//! The quantities of a descent that are kept as distributions.

use serde::{Deserialize, Serialize};

use crate::{record::Descent, stats::compare::Direction};

/// A quantity with a histogram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Metric {
    /// Recovered over available.
    RecoveryRatio,
    /// Recovered at the wheels over available.
    RecoveryRatioWheels,
    /// Friction over available.
    FrictionShare,
    /// Share of the moving time with the friction brake on.
    FrictionTimeShare,
    /// Energy available.
    Available,
    /// Energy recovered.
    Recovered,
    /// Friction work.
    Friction,
    /// Friction per tonne and 100 m of drop.
    FrictionPerTonne100m,
    /// Unexplained friction per tonne and 100 m of drop.
    UnexplainedPerTonne100m,
    /// Drop.
    Drop,
    /// Duration.
    Duration,
    /// Largest estimated brake temperature.
    BrakeTemperaturePeak,
    /// Largest charging power.
    PeakRecovery,
}

/// How a metric is stored as an integer and shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MetricScale {
    /// Name used in queries and output, with the unit.
    pub name: &'static str,
    /// What it is, for people.
    pub title: &'static str,
    /// Unit of the value, `""` for ratios.
    pub unit: &'static str,
    /// Unit of the stored integer, for the legend of an encoded histogram.
    pub stored_unit: &'static str,
    /// Stored integers per unit of the value.
    pub per_unit: f64,
    /// Smallest stored integer that can be told from others; the histogram's lowest value.
    pub lowest: u64,
    /// Largest stored integer: larger ones are counted there and as clamped.
    pub highest: u64,
}

impl Metric {
    /// All metrics.
    pub const ALL: [Self; 13] = [
        Self::RecoveryRatio,
        Self::RecoveryRatioWheels,
        Self::FrictionShare,
        Self::FrictionTimeShare,
        Self::Available,
        Self::Recovered,
        Self::Friction,
        Self::FrictionPerTonne100m,
        Self::UnexplainedPerTonne100m,
        Self::Drop,
        Self::Duration,
        Self::BrakeTemperaturePeak,
        Self::PeakRecovery,
    ];

    /// Returns how the metric is stored and shown.
    pub const fn scale(self) -> MetricScale {
        const fn s(
            name: &'static str,
            title: &'static str,
            unit: &'static str,
            stored_unit: &'static str,
            per_unit: f64,
            highest: u64,
        ) -> MetricScale {
            MetricScale {
                name,
                title,
                unit,
                stored_unit,
                per_unit,
                lowest: 1,
                highest,
            }
        }
        const RATIO_TOP: u64 = 20_000;
        const ENERGY_TOP: u64 = 10_000_000_000;
        match self {
            Self::RecoveryRatio => s(
                "recovery_ratio",
                "recovered / available",
                "",
                "basis points",
                1e4,
                RATIO_TOP,
            ),
            Self::RecoveryRatioWheels => s(
                "recovery_ratio_wheels",
                "recovered at the wheels / available",
                "",
                "basis points",
                1e4,
                RATIO_TOP,
            ),
            Self::FrictionShare => s(
                "friction_share",
                "friction / available",
                "",
                "basis points",
                1e4,
                RATIO_TOP,
            ),
            Self::FrictionTimeShare => s(
                "friction_time_share",
                "share of the moving time with friction brake",
                "",
                "basis points",
                1e4,
                RATIO_TOP,
            ),
            Self::Available => s("available_j", "energy available", "J", "J", 1.0, ENERGY_TOP),
            Self::Recovered => s("recovered_j", "energy recovered", "J", "J", 1.0, ENERGY_TOP),
            Self::Friction => s("friction_j", "friction work", "J", "J", 1.0, ENERGY_TOP),
            Self::FrictionPerTonne100m => s(
                "friction_kj_per_t_100m",
                "friction per tonne and 100 m of drop",
                "kJ",
                "J",
                1e3,
                10_000_000,
            ),
            Self::UnexplainedPerTonne100m => s(
                "unexplained_kj_per_t_100m",
                "unexplained friction per tonne and 100 m of drop",
                "kJ",
                "J",
                1e3,
                10_000_000,
            ),
            Self::Drop => s("drop_m", "drop", "m", "0.1 m", 10.0, 100_000),
            Self::Duration => s("duration_s", "duration", "s", "s", 1.0, 1_000_000),
            Self::BrakeTemperaturePeak => s(
                "brake_temperature_peak_c",
                "largest estimated brake temperature",
                "°C",
                "0.1 K above 0 °C",
                10.0,
                20_000,
            ),
            Self::PeakRecovery => s(
                "peak_recovery_w",
                "largest charging power",
                "W",
                "W",
                1.0,
                10_000_000,
            ),
        }
    }

    /// Returns the name used in queries and output.
    pub const fn name(self) -> &'static str {
        self.scale().name
    }

    /// Returns the metric of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|m| m.name() == name)
    }

    /// Returns the value of a descent in the metric's unit; `None` where the descent has none.
    pub fn of(self, d: &Descent) -> Option<f64> {
        match self {
            Self::RecoveryRatio => d.recovery_ratio.map(|e| e.value),
            Self::RecoveryRatioWheels => d.recovery_ratio_wheels.map(|e| e.value),
            Self::FrictionShare => d.friction_share.map(|e| e.value),
            Self::FrictionTimeShare => d.friction_time_share,
            Self::Available => Some(d.available_j.value),
            Self::Recovered => Some(d.recovered_j.value),
            Self::Friction => d.friction_j.map(|e| e.value),
            Self::FrictionPerTonne100m => d.friction_kj_per_t_100m,
            Self::UnexplainedPerTonne100m => d.unexplained_kj_per_t_100m,
            Self::Drop => Some(d.drop_m),
            Self::Duration => Some(d.duration_s),
            Self::BrakeTemperaturePeak => d.brake_temperature_peak_c,
            Self::PeakRecovery => Some(d.peak_recovery_w),
        }
    }

    /// Returns which way is better under like conditions; `None` where neither is.
    ///
    /// Energies, drop, duration and power follow the road, the load and the driver: more of them is neither good nor bad.
    pub const fn better(self) -> Option<Direction> {
        match self {
            Self::RecoveryRatio | Self::RecoveryRatioWheels => Some(Direction::HigherIsBetter),
            Self::FrictionShare
            | Self::FrictionTimeShare
            | Self::FrictionPerTonne100m
            | Self::UnexplainedPerTonne100m
            | Self::BrakeTemperaturePeak => Some(Direction::LowerIsBetter),
            Self::Available
            | Self::Recovered
            | Self::Friction
            | Self::Drop
            | Self::Duration
            | Self::PeakRecovery => None,
        }
    }

    /// Returns whether the value rests on friction work, which is only measured where a brake signal allows it.
    pub const fn rests_on_friction(self) -> bool {
        matches!(
            self,
            Self::FrictionShare
                | Self::Friction
                | Self::FrictionPerTonne100m
                | Self::UnexplainedPerTonne100m
                | Self::BrakeTemperaturePeak
        )
    }

    /// Returns the integer that the histogram keeps: rounded, 0 for negative values.
    pub fn stored(self, value: f64) -> u64 {
        let scaled = (value * self.scale().per_unit).round();
        if scaled > 0.0 { scaled as u64 } else { 0 }
    }

    /// Returns the value in the metric's unit of a stored integer.
    pub fn shown(self, stored: u64) -> f64 {
        stored as f64 / self.scale().per_unit
    }
}
