//! Is one software version better than another: from recorded descents to a verdict.
//!
//! [`Gathering`] takes descents one at a time and sorts each into a side and a [`bands::Likeness`]: what must be alike for
//! two descents to be compared. Whatever is left out is counted under a reason. Then every metric is compared inside
//! strata by [`stats::compare`](crate::stats::compare), so that a version that happened to drive the steep grades, the
//! heavy loads or the full batteries is not called worse for it. A figure over different mixes is nowhere computed.
//!
//! Descents of one vehicle resemble each other more than the tests assume. [`Sensitivity`] answers the same question with
//! each vehicle (and each vehicle's day) counted once a stratum; a caller who wants to rule the vehicles out altogether
//! puts them into the stratum ([`Plan::within_vehicles`]).

mod answer;
pub mod bands;
mod exclusion;
mod gathering;

pub use answer::{MetricAnswer, Sensitivity, Unit, verdict_in_all};
pub use exclusion::{Exclusion, Exclusions, SideCounts};
pub use gathering::{Gathering, SideSummary, Taken};

use crate::{Metric, stats::compare::CompareOptions};

/// Least descents a side that a stratum must have. One alone can be anything, and a stratum would be left with a single
/// pair. A choice, not a standard.
pub const LEAST_PER_STRATUM: usize = 2;

/// What happens to descents that were matched to no known grade.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Ungraded {
    /// They are left out, and counted.
    #[default]
    LeftOut,
    /// They are compared with those of about the same drop and mean gradient.
    ByDrop,
}

/// A metric that is asked about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Asked {
    /// The metric. It has a better direction.
    pub metric: Metric,
    /// Which way is better, confidence, and the shift that matters.
    pub options: CompareOptions,
}

/// What a comparison is to look at.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// The version compared against.
    pub version_a: String,
    /// The version in question.
    pub version_b: String,
    /// The metrics, each once.
    pub asked: Vec<Asked>,
    /// What happens to descents without a known grade.
    pub ungraded: Ungraded,
    /// Whether a descent is only compared with descents of the same vehicle.
    pub within_vehicles: bool,
}

impl Plan {
    /// Metrics compared when the caller names none: every one that has a better direction.
    pub fn usual_metrics() -> impl Iterator<Item = Metric> {
        Metric::ALL.into_iter().filter(|m| m.better().is_some())
    }
}
