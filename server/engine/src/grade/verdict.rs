//! What matching says.

use super::{MAX_CHANCE, MAX_OFFSET_M};

/// How a descent lies on a grade.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// Identifier of the grade.
    pub grade: String,
    /// How well altitude differences agree, 0 to 1: 1 less half the misfit over the largest misfit that counts as a
    /// match. 1: they agree everywhere. 0.5: the limit. 0: off by twice the limit.
    pub score: f64,
    /// Share of the grade that the descent covers.
    pub coverage: f64,
    /// Share of the descent that lies on the grade.
    pub inside: f64,
    /// Distance as the vehicle measured it over distance along the grade.
    pub scale: f64,
    /// Where on the grade the top of the descent lies, m below the top of the grade; negative above it.
    pub shift_m: f64,
    /// Altitude as the vehicle measured it less altitude of the grade, m.
    pub offset_m: f64,
    /// Root mean square of the altitude differences that are left, m.
    pub misfit_m: f64,
    /// Bound on the number of grades of the catalogue that fit this well by chance, were the descent on a road that is
    /// not in it. It is close only where a looser one would not do. 0 where positions say the same.
    pub chance: f64,
    /// Whether positions agree.
    pub by_position: bool,
}

/// Whether a descent belongs to a known grade.
#[derive(Clone, Debug, PartialEq)]
pub enum Match {
    /// It does.
    Found(Fit),
    /// Two grades fit, and neither clearly better: counts as unmatched.
    Ambiguous {
        /// The better one.
        first: Fit,
        /// The next.
        second: Fit,
    },
    /// It does not.
    None {
        /// The closest grade, if any came near.
        best: Option<Fit>,
        /// Why it is not the one.
        reason: Unmatched,
    },
}

/// Why no grade was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unmatched {
    /// No grade has such a profile.
    NothingClose,
    /// The profile would suit, but positions say that it is another place.
    Elsewhere,
    /// A grade fits, but the descent is too short or too plain to rule out chance.
    TooPlain,
}

impl Unmatched {
    /// Returns the name used in output: lower case with underscores.
    pub const fn name(self) -> &'static str {
        match self {
            Self::NothingClose => "nothing_close",
            Self::Elsewhere => "elsewhere",
            Self::TooPlain => "too_plain",
        }
    }
}

impl Match {
    /// Returns the grade, if one was found.
    pub fn grade(&self) -> Option<&str> {
        match self {
            Self::Found(fit) => Some(&fit.grade),
            Self::Ambiguous { .. } | Self::None { .. } => None,
        }
    }
}

impl std::fmt::Display for Match {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Found(fit) => write!(
                f,
                "`{}` with score {:.2}: covers {:.0} % of the grade, altitudes differ by {:.1} m",
                fit.grade,
                fit.score,
                fit.coverage * 100.0,
                fit.misfit_m
            ),
            Self::Ambiguous { first, second } => write!(
                f,
                "ambiguous: `{}` (score {:.2}) and `{}` (score {:.2}) fit alike; stream positions, or remove one if \
                 both are the same road",
                first.grade, first.score, second.grade, second.score
            ),
            Self::None { best, reason } => {
                match reason {
                    Unmatched::NothingClose => write!(
                        f,
                        "no known grade has such a profile within {MAX_OFFSET_M} m of altitude"
                    )?,
                    Unmatched::Elsewhere => {
                        write!(f, "the profile would suit but the positions are elsewhere")?;
                    }
                    Unmatched::TooPlain => write!(
                        f,
                        "the descent is too short or too plain to be told from others: {} grades would fit by \
                         chance, at most {MAX_CHANCE} may",
                        best.as_ref().map_or(1.0, |b| (b.chance * 1e4).ceil() * 1e-4)
                    )?,
                }
                if let Some(best) = best {
                    write!(f, "; the closest is `{}` (score {:.2})", best.grade, best.score)?;
                }
                Ok(())
            }
        }
    }
}
