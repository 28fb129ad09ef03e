//! What is left out of a comparison, and why.

use std::collections::BTreeMap;

use crate::record::{Descent, EndReason, Flag, StartReason};

/// Why a descent, or its value of one metric, is not in a comparison. Of several the first counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Exclusion {
    /// A gap in the data cut it short: only a part of the road was seen.
    CutShort,
    /// The vehicle's clock jumped.
    ClockJump,
    /// The altitude stood still on the move: the energy available is not known well.
    AltitudeFrozen,
    /// Less than 95 % of the time is covered by samples.
    LowCoverage,
    /// The energy account does not close.
    PoorClosure,
    /// A batch inside was refused.
    BatchRefused,
    /// It was matched to no known grade.
    NoGrade,
    /// The metric has no value for it.
    NotKnown,
    /// The metric rests on friction, and friction was found from the balance: it would compare recovery with itself.
    FrictionByBalance,
    /// Nothing of the other version is like it.
    OneSided,
    /// Too few of one version are like it.
    SmallStratum,
}

impl Exclusion {
    /// All reasons, in the order in which they are tried.
    pub const ALL: [Self; 11] = [
        Self::CutShort,
        Self::ClockJump,
        Self::AltitudeFrozen,
        Self::LowCoverage,
        Self::PoorClosure,
        Self::BatchRefused,
        Self::NoGrade,
        Self::NotKnown,
        Self::FrictionByBalance,
        Self::OneSided,
        Self::SmallStratum,
    ];

    /// Returns the name used in output: lower case with underscores.
    pub const fn name(self) -> &'static str {
        match self {
            Self::CutShort => "cut_short",
            Self::ClockJump => "clock_jump",
            Self::AltitudeFrozen => "altitude_frozen",
            Self::LowCoverage => "low_coverage",
            Self::PoorClosure => "poor_closure",
            Self::BatchRefused => "batch_refused",
            Self::NoGrade => "no_grade",
            Self::NotKnown => "not_known",
            Self::FrictionByBalance => "friction_by_balance",
            Self::OneSided => "one_sided",
            Self::SmallStratum => "small_stratum",
        }
    }

    /// Returns the reason of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|e| e.name() == name)
    }

    /// Returns why a descent is not fit for comparing at all; `None` where it is.
    pub fn of_descent(d: &Descent) -> Option<Self> {
        let cut = d.start_reason == StartReason::AfterGap
            || matches!(d.end_reason, EndReason::DataGap | EndReason::ClockJump);
        let flagged = [
            (Flag::ClockJump, Self::ClockJump),
            (Flag::AltitudeFrozen, Self::AltitudeFrozen),
            (Flag::LowCoverage, Self::LowCoverage),
            (Flag::PoorClosure, Self::PoorClosure),
            (Flag::BatchRefused, Self::BatchRefused),
        ]
        .into_iter()
        .find(|(flag, _)| d.flags.contains(*flag))
        .map(|(_, why)| why);
        cut.then_some(Self::CutShort).or(flagged)
    }
}

/// A number for each side.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SideCounts {
    /// Of version a.
    pub a: u64,
    /// Of version b.
    pub b: u64,
}

impl SideCounts {
    /// Adds `n` to a side.
    pub fn add(&mut self, is_b: bool, n: u64) {
        *(if is_b { &mut self.b } else { &mut self.a }) += n;
    }
}

/// Counts by reason.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Exclusions(BTreeMap<Exclusion, SideCounts>);

impl Exclusions {
    /// Counts `n` more.
    pub fn add(&mut self, why: Exclusion, is_b: bool, n: u64) {
        if n > 0 {
            self.0.entry(why).or_default().add(is_b, n);
        }
    }

    /// Returns the counts by reason, in the order in which reasons are tried; reasons without any are left out.
    pub fn iter(&self) -> impl Iterator<Item = (Exclusion, SideCounts)> {
        self.0.iter().map(|(why, counts)| (*why, *counts))
    }
}
