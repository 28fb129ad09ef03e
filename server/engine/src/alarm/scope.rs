//! Vehicle, grade or software version: what is an alarm about?
//!
//! Each of the three has a short history of its standardised values, which lie around 0 with unit variance in order. If
//! one of the three is the cause, its values lie higher by some δ since some descent. The logarithm of the likelihood
//! ratio of that against "in order" is Σ(δ·x − δ²/2) over the values since then, and the best "since" counts: a
//! cumulative sum read backwards (Page 1954; that it is the likelihood ratio of a change is in Moustakides 1986, both from
//! memory). δ is the same for all three: the greatest of the shifts that fit each of them best. So one that also holds
//! normal descents since is the worse explanation, and one whose high descents are those of two other causes too.
//!
//! Whatever comes within [`DECISIVE`] of the best stays in the scope: they cannot be told apart yet.

use std::{ops::Deref, sync::Arc};

use serde::{Deserialize, Serialize, Serializer};

/// Difference of the logarithms of likelihood that decides: odds of 20 to 1.
pub const DECISIVE: f64 = 3.0;
/// Standardised values count up to this: how far a spike goes says nothing about whose it is.
pub const CLIP: f64 = 6.0;
/// Standardised value from which a descent is evidence.
pub const HIGH: f64 = 3.0;

/// A descent as the alarms remember it. Several memories hold it, and each of them is copied when a descent is decided about:
/// copies share it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(from = "Passed")]
pub struct Pass(Arc<Passed>);

/// What is remembered of a descent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Passed {
    /// Vehicle.
    pub vehicle: String,
    /// Known grade; empty without one.
    pub grade: String,
    /// Software version.
    pub software_version: String,
    /// Its end, ms since the Unix epoch, UTC.
    pub time_ms: i64,
    /// Standard deviations above the baseline of its grade and class.
    pub z: f32,
}

impl From<Passed> for Pass {
    fn from(passed: Passed) -> Self {
        Self(Arc::new(passed))
    }
}

impl Deref for Pass {
    type Target = Passed;

    fn deref(&self) -> &Passed {
        &self.0
    }
}

impl Serialize for Pass {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

impl Pass {
    /// Puts it on another grade; copies that were made before stay as they are.
    pub fn set_grade(&mut self, grade: &str) {
        grade.clone_into(&mut Arc::make_mut(&mut self.0).grade);
    }
}

/// What an alarm is about: everything that is named must be the same. With more than one named they cannot be told
/// apart yet.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Scope {
    /// This vehicle, on whatever grade.
    pub vehicle: Option<String>,
    /// This grade, whatever vehicle.
    pub grade: Option<String>,
    /// This software version, whatever vehicle and grade.
    pub software_version: Option<String>,
}

/// Which of the three a scope is, the narrowest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ScopeKind {
    /// One vehicle.
    Vehicle,
    /// One grade.
    Grade,
    /// One software version.
    SoftwareVersion,
    /// More than one still fits.
    Unclear,
}

impl ScopeKind {
    /// Returns the name used in output.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Vehicle => "vehicle",
            Self::Grade => "grade",
            Self::SoftwareVersion => "software_version",
            Self::Unclear => "unclear",
        }
    }
}

impl Scope {
    /// Returns which it is.
    pub fn kind(&self) -> ScopeKind {
        match (&self.vehicle, &self.grade, &self.software_version) {
            (Some(_), None, None) => ScopeKind::Vehicle,
            (None, Some(_), None) => ScopeKind::Grade,
            (None, None, Some(_)) => ScopeKind::SoftwareVersion,
            _ => ScopeKind::Unclear,
        }
    }

    /// Returns whether it is about this descent.
    pub fn covers(&self, pass: &Pass) -> bool {
        let same = |want: &Option<String>, have: &str| want.as_deref().is_none_or(|w| w == have);
        same(&self.vehicle, &pass.vehicle)
            && same(&self.grade, &pass.grade)
            && same(&self.software_version, &pass.software_version)
    }

    /// Returns whether this descent has anything in common with it.
    pub fn touches(&self, pass: &Pass) -> bool {
        let same = |want: &Option<String>, have: &str| want.as_deref() == Some(have);
        same(&self.vehicle, &pass.vehicle)
            || same(&self.grade, &pass.grade)
            || same(&self.software_version, &pass.software_version)
    }
}

/// Smallest shift looked for.
const LEAST_SHIFT: f64 = 1.0;

/// Returns the shift that fits best a history with the oldest value first, in sigma: the mean of the latest n values
/// with the n that makes n·mean² greatest; 0 where nothing is above 0.
///
/// ```
/// use coldbrake_engine::alarm::scope::best_shift;
/// assert_eq!(best_shift(&[0.0, 0.0, 4.0, 4.0]), 4.0);
/// assert_eq!(best_shift(&[-1.0, -2.0]), 0.0);
/// ```
pub fn best_shift(values: &[f64]) -> f64 {
    let (mut count, mut sum, mut best) = (0.0, 0.0_f64, (0.0, 0.0));
    for value in values.iter().rev() {
        count += 1.0;
        sum += value.clamp(-CLIP, CLIP);
        let evidence = sum.max(0.0).powi(2) / count;
        if evidence > best.0 {
            best = (evidence, sum / count);
        }
    }
    best.1
}

/// Returns the logarithm of the likelihood ratio of a shift up by `shift` since the best of the values, ≥ 0.
///
/// ```
/// use coldbrake_engine::alarm::scope::evidence_of;
/// assert_eq!(evidence_of(&[0.0, 0.0, 4.0, 4.0], 4.0), 16.0);
/// assert_eq!(evidence_of(&[4.0, 0.0, 4.0], 4.0), 8.0);
/// ```
pub fn evidence_of(values: &[f64], shift: f64) -> f64 {
    let (mut sum, mut best) = (0.0_f64, 0.0_f64);
    for value in values.iter().rev() {
        sum += shift * (value.clamp(-CLIP, CLIP) - 0.5 * shift);
        best = best.max(sum);
    }
    best
}

/// Histories of the vehicle, the grade and the version of a descent, the latest descent last.
#[derive(Clone, Copy, Debug)]
pub struct Histories<'a> {
    /// Of the vehicle.
    pub vehicle: &'a [Pass],
    /// Of the grade, with vehicles of the class.
    pub grade: &'a [Pass],
    /// Of the software version, with vehicles of the class.
    pub software_version: &'a [Pass],
}

/// Returns what a descent is about. `explained` says of a descent whether a standing alarm with a clear scope explains
/// it: such descents say nothing about others.
pub fn likely(pass: &Pass, histories: &Histories<'_>, explained: impl Fn(&Pass) -> bool) -> Scope {
    let values = |history: &[Pass]| -> Vec<f64> {
        history
            .iter()
            .filter(|p| !explained(p))
            .map(|p| f64::from(p.z))
            .collect()
    };
    let of = [histories.vehicle, histories.grade, histories.software_version].map(values);
    let shift = of.iter().map(|v| best_shift(v)).fold(LEAST_SHIFT, f64::max);
    let of = of.map(|v| evidence_of(&v, shift));
    let best = of.iter().copied().fold(0.0, f64::max);
    let fits = |evidence: f64, name: &str| (evidence >= best - DECISIVE).then(|| name.to_owned());
    Scope {
        vehicle: fits(of[0], &pass.vehicle),
        grade: fits(of[1], &pass.grade),
        software_version: fits(of[2], &pass.software_version),
    }
}
