//! What is kept of matching on the descent itself.

use serde::{Deserialize, Serialize};

use super::{
    Catalogue,
    shape::DescentShape,
    verdict::{Fit, Match, Unmatched},
};
use crate::record::{Descent, ProfilePoint};

/// Whether a descent was matched to a known grade, and if not, why not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GradeOutcome {
    /// It belongs to the grade that is named.
    Matched,
    /// Two grades fit, and neither clearly better.
    Ambiguous,
    /// No grade has such a profile.
    NothingClose,
    /// The profile would suit, but positions say that it is another place.
    Elsewhere,
    /// A grade fits, but the descent is too short or too plain to rule out chance.
    TooPlain,
    /// The recorded profile is too short to be compared.
    NoProfile,
}

impl GradeOutcome {
    /// All values.
    pub const ALL: [Self; 6] = [
        Self::Matched,
        Self::Ambiguous,
        Self::NothingClose,
        Self::Elsewhere,
        Self::TooPlain,
        Self::NoProfile,
    ];

    /// Returns the name used in output: lower case with underscores.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Matched => "matched",
            Self::Ambiguous => "ambiguous",
            Self::NothingClose => Unmatched::NothingClose.name(),
            Self::Elsewhere => Unmatched::Elsewhere.name(),
            Self::TooPlain => Unmatched::TooPlain.name(),
            Self::NoProfile => "no_profile",
        }
    }
}

/// How a descent was matched against the known grades.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GradeMatch {
    /// What came out.
    pub outcome: GradeOutcome,
    /// The grade that it belongs to; without a match the one that came closest, if any came near.
    pub nearest: Option<String>,
    /// How well altitudes agree with those of `nearest`, 0 to 1; 0.5 is the limit. See [`Fit::score`].
    pub score: Option<f64>,
    /// Share of `nearest` that the descent covers, 0 to 1.
    pub coverage: Option<f64>,
    /// The other grade that fits as well, when ambiguous.
    pub second: Option<String>,
    /// Whether positions say the same as the profile.
    pub by_position: bool,
}

impl GradeMatch {
    fn new(outcome: GradeOutcome, fit: Option<&Fit>, second: Option<&Fit>) -> Self {
        Self {
            outcome,
            nearest: fit.map(|f| f.grade.clone()),
            score: fit.map(|f| f.score),
            coverage: fit.map(|f| f.coverage),
            second: second.map(|f| f.grade.clone()),
            by_position: fit.is_some_and(|f| f.by_position),
        }
    }

    /// Returns the grade, if one was found.
    pub fn grade(&self) -> Option<&str> {
        self.nearest
            .as_deref()
            .filter(|_| self.outcome == GradeOutcome::Matched)
    }
}

impl From<&Match> for GradeMatch {
    fn from(verdict: &Match) -> Self {
        match verdict {
            Match::Found(fit) => Self::new(GradeOutcome::Matched, Some(fit), None),
            Match::Ambiguous { first, second } => {
                Self::new(GradeOutcome::Ambiguous, Some(first), Some(second))
            }
            Match::None { best, reason } => {
                let outcome = match reason {
                    Unmatched::NothingClose => GradeOutcome::NothingClose,
                    Unmatched::Elsewhere => GradeOutcome::Elsewhere,
                    Unmatched::TooPlain => GradeOutcome::TooPlain,
                };
                Self::new(outcome, best.as_ref(), None)
            }
        }
    }
}

impl Catalogue {
    /// Matches a recorded descent. The answer depends on nothing but the descent's profile and positions and on the
    /// grades: not on when it is asked, nor on what was matched before.
    pub fn label(&self, descent: &Descent, profile: &[ProfilePoint]) -> GradeMatch {
        DescentShape::of(descent, profile).map_or_else(
            || GradeMatch::new(GradeOutcome::NoProfile, None, None),
            |shape| GradeMatch::from(&self.matches(&shape)),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(grade: &str) -> Fit {
        Fit {
            grade: grade.to_owned(),
            score: 0.8,
            coverage: 0.9,
            inside: 1.0,
            scale: 1.0,
            shift_m: 0.0,
            offset_m: 0.0,
            misfit_m: 1.0,
            chance: 0.0,
            by_position: true,
        }
    }

    #[test]
    fn only_a_match_names_a_grade() {
        let found = GradeMatch::from(&Match::Found(fit("a")));
        assert_eq!((found.grade(), found.outcome), (Some("a"), GradeOutcome::Matched));
        let (first, second) = (fit("a"), fit("b"));
        let both = GradeMatch::from(&Match::Ambiguous { first, second });
        assert_eq!(both.grade(), None);
        assert_eq!(
            (both.nearest.as_deref(), both.second.as_deref()),
            (Some("a"), Some("b"))
        );
        let none = GradeMatch::from(&Match::None {
            best: Some(fit("a")),
            reason: Unmatched::TooPlain,
        });
        assert_eq!((none.grade(), none.outcome), (None, GradeOutcome::TooPlain));
        assert_eq!((none.score, none.by_position), (Some(0.8), true));
    }

    #[test]
    fn names_are_those_of_the_reasons() {
        let mut names: Vec<_> = GradeOutcome::ALL.iter().map(|o| o.name()).collect();
        assert!(names.contains(&Unmatched::Elsewhere.name()));
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), GradeOutcome::ALL.len());
    }
}
