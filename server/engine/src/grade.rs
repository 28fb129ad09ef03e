//! Known grades: named stretches of road that descents are told apart by.
//!
//! A descent is matched by its shape: altitude differences along the road. Where the altimeter stands is of no account
//! within [`MAX_OFFSET_M`], the odometer may be off by [`MAX_SCALE_ERROR`], and a descent may cover a part of a grade or
//! run beyond it. Positions, where both sides have them, confirm or rule out; they are never needed.
//!
//! The rooms: [`GradeProfile`] (the reference, resampled) and [`DescentShape`] (what a descent shows) go into the fit
//! (how well one lies on the other), [`Catalogue`] finds the grades worth fitting and decides, [`propose`] gathers
//! unmatched descents that keep recurring.

mod catalogue;
mod chance;
mod decide;
mod fit;
mod index;
mod look;
mod outcome;
mod profile;
mod propose;
mod shape;
mod verdict;
mod window;

use serde::{Deserialize, Serialize};

pub use catalogue::{Catalogue, CatalogueProblem};
pub use outcome::{GradeMatch, GradeOutcome};
pub use profile::GradeProfile;
pub use propose::{Proposal, propose};
pub use shape::DescentShape;
pub use verdict::{Fit, Match, Unmatched};

/// Most altitude points of a reference profile.
pub const MAX_POINTS: usize = 257;
/// Largest altitude offset between a descent and a grade, m: twice the drift that is normal for an altimeter.
pub const MAX_OFFSET_M: f64 = 60.0;
/// Largest relative error of the measured distance: 3 % of the odometer, and some for an altimeter that stretches
/// heights in warm or cold air, which looks much the same.
pub const MAX_SCALE_ERROR: f64 = 0.05;
/// Least share of the grade that a descent must cover, and least share of the descent that must lie on the grade.
pub const LEAST_SHARE: f64 = 0.5;
/// Largest bound on the number of grades that fit a descent by chance for a match to count.
pub const MAX_CHANCE: f64 = 0.01;

/// Mean radius of the earth, m (IUGG).
const EARTH_RADIUS_M: f64 = 6_371_008.8;

/// A place, degrees in WGS 84.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// North is positive.
    pub latitude_deg: f64,
    /// East is positive.
    pub longitude_deg: f64,
}

impl Position {
    /// Returns the distance along the surface of a sphere (haversine formula), m.
    ///
    /// ```
    /// use coldbrake_engine::grade::Position;
    /// let a = Position { latitude_deg: 0.0, longitude_deg: 179.5 };
    /// let b = Position { latitude_deg: 0.0, longitude_deg: -179.5 };
    /// assert!((a.distance_m(b) - 111_195.0).abs() < 1.0);
    /// ```
    pub fn distance_m(self, other: Self) -> f64 {
        let (a, b) = (self.latitude_deg.to_radians(), other.latitude_deg.to_radians());
        let half = |d: f64| (0.5 * d).sin();
        let north = half(b - a);
        let east = half((other.longitude_deg - self.longitude_deg).to_radians());
        let h = north * north + a.cos() * b.cos() * east * east;
        2.0 * EARTH_RADIUS_M * h.clamp(0.0, 1.0).sqrt().asin()
    }

    /// Returns whether both numbers are on the globe.
    fn is_valid(self) -> bool {
        (-90.0..=90.0).contains(&self.latitude_deg) && (-180.0..=180.0).contains(&self.longitude_deg)
    }
}

/// A known grade. Its direction is that of its profile: from the top to the bottom.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Grade {
    /// Identifier: 1 to 64 characters of a-z, 0-9, '-', '.' and '_'.
    pub grade: String,
    /// Name for people.
    #[serde(default)]
    pub display_name: String,
    /// Altitude by distance from the top.
    pub profile: GradeProfile,
    /// Where the profile begins.
    #[serde(default)]
    pub top: Option<Position>,
    /// Where the profile ends.
    #[serde(default)]
    pub bottom: Option<Position>,
}

/// One mistake in a grade.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GradeProblem {
    /// Name of the field.
    pub field: &'static str,
    /// What is wrong and what to do.
    pub description: String,
}

impl std::fmt::Display for GradeProblem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "`{}` {}", self.field, self.description)
    }
}

/// Longest display name, characters.
const MAX_NAME: usize = 120;
/// Distance by which end points may be farther apart, in a straight line, than the road between them is long.
const END_POINT_SLACK_M: f64 = 300.0;

impl Grade {
    /// Returns every mistake in the grade; none when it can be used.
    pub fn problems(&self) -> Vec<GradeProblem> {
        let mut found = Vec::new();
        let mut say = |field, description: String| found.push(GradeProblem { field, description });
        if !crate::ids::is_identifier(&self.grade) {
            say("grade", crate::ids::IDENTIFIER_RULE.to_owned());
        } else if self.grade == "-" {
            say(
                "grade",
                "is `-`, which stands for no grade: choose another identifier".to_owned(),
            );
        }
        if self.display_name.chars().count() > MAX_NAME || self.display_name.chars().any(char::is_control) {
            say(
                "display_name",
                format!("must be at most {MAX_NAME} characters on one line"),
            );
        }
        for (field, place) in [("top", self.top), ("bottom", self.bottom)] {
            if let Some(place) = place
                && !place.is_valid()
            {
                say(
                    field,
                    format!(
                        "is {}, {}: give a latitude from -90 to 90 and a longitude from -180 to 180",
                        place.latitude_deg, place.longitude_deg
                    ),
                );
            }
        }
        if let (Some(top), Some(bottom)) = (self.top, self.bottom)
            && top.is_valid()
            && bottom.is_valid()
        {
            let apart = top.distance_m(bottom);
            let road = self.profile.length_m();
            if apart > road * (1.0 + MAX_SCALE_ERROR) + END_POINT_SLACK_M {
                say(
                    "bottom",
                    format!(
                        "is {apart:.0} m from `top` in a straight line but the profile is only {road:.0} m long: \
                         check the end points"
                    ),
                );
            }
        }
        found.extend(self.profile.problems());
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grade() -> Grade {
        Grade {
            grade: "north-ramp".to_owned(),
            display_name: "North ramp".to_owned(),
            profile: GradeProfile::from_points(&[(0.0, 900.0), (2500.0, 780.0), (5000.0, 600.0)]).unwrap(),
            top: None,
            bottom: None,
        }
    }

    #[test]
    fn all_mistakes_come_at_once() {
        assert!(grade().problems().is_empty());
        let bad = Grade {
            grade: "North Ramp".to_owned(),
            display_name: "two\nlines".to_owned(),
            top: Some(Position {
                latitude_deg: 91.0,
                longitude_deg: 0.0,
            }),
            bottom: Some(Position {
                latitude_deg: 0.0,
                longitude_deg: f64::NAN,
            }),
            ..grade()
        };
        let fields: Vec<_> = bad.problems().into_iter().map(|p| p.field).collect();
        assert_eq!(fields, ["grade", "display_name", "top", "bottom"]);
    }

    #[test]
    fn end_points_must_suit_the_length() {
        let place = |longitude_deg| {
            Some(Position {
                latitude_deg: 46.0,
                longitude_deg,
            })
        };
        let far = Grade {
            top: place(0.0),
            bottom: place(0.2),
            ..grade()
        };
        assert_eq!(far.problems()[0].field, "bottom");
        let near = Grade {
            top: place(0.0),
            bottom: place(0.05),
            ..grade()
        };
        assert!(near.problems().is_empty());
    }

    #[test]
    fn the_name_for_no_grade_is_taken() {
        let dash = Grade {
            grade: "-".to_owned(),
            ..grade()
        };
        assert_eq!(dash.problems()[0].field, "grade");
    }
}
