//! The reference profile of a grade: altitude at equal steps from the top, of bounded size.

use serde::{Deserialize, Serialize};

use super::{GradeProblem, MAX_POINTS};
use crate::record::ProfilePoint;

/// Shortest step between two points, m: below it the altitude filter of a descent tells nothing apart.
const LEAST_STEP_M: f64 = 20.0;
/// Shortest and longest grade, m.
const LENGTH_M: (f64, f64) = (300.0, 100_000.0);
/// Least drop of a grade, m.
const LEAST_DROP_M: f64 = 20.0;
/// Altitudes accepted, m.
const ALTITUDE_M: (f64, f64) = (-500.0, 9_000.0);

/// Altitude by distance from the top, resampled at equal steps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(clippy::struct_field_names, reason = "the unit belongs to the name")]
pub struct GradeProfile {
    /// Length along the road, m.
    length_m: f32,
    /// Usual distance between the points it was made from, m: what lies between them is a guess.
    resolution_m: f32,
    /// Altitude at equal steps from the top to the bottom, m.
    altitude_m: Vec<f32>,
}

impl GradeProfile {
    /// Builds a profile from (distance from the top, altitude), both m, top first. Returns every mistake.
    ///
    /// Points closer than the step of the profile are averaged, so that noise of a dense survey does not stay.
    ///
    /// ```
    /// use coldbrake_engine::grade::GradeProfile;
    /// let profile = GradeProfile::from_points(&[(0.0, 900.0), (1000.0, 850.0), (3000.0, 710.0)]).unwrap();
    /// assert!((profile.drop_m() - 190.0).abs() < 1e-3);
    /// let uphill = GradeProfile::from_points(&[(0.0, 700.0), (1000.0, 800.0)]).unwrap_err();
    /// assert!(uphill[0].description.contains("reverse"));
    /// ```
    pub fn from_points(points: &[(f64, f64)]) -> Result<Self, Vec<GradeProblem>> {
        let found = point_problems(points);
        if !found.is_empty() {
            return Err(found);
        }
        let profile = resample(points);
        let found = profile.problems();
        if found.is_empty() { Ok(profile) } else { Err(found) }
    }

    /// Builds a profile from the profile of a recorded descent, whose points begin below the top: its altitude comes
    /// beside them.
    pub fn from_descent(top_altitude_m: f64, points: &[ProfilePoint]) -> Result<Self, Vec<GradeProblem>> {
        let points: Vec<(f64, f64)> = std::iter::once((0.0, top_altitude_m))
            .chain(
                points
                    .iter()
                    .map(|p| (f64::from(p.distance_m), f64::from(p.altitude_m))),
            )
            .collect();
        Self::from_points(&points)
    }

    /// Returns the length along the road, m.
    pub fn length_m(&self) -> f64 {
        f64::from(self.length_m)
    }

    /// Returns altitude of the top less altitude of the bottom, m.
    pub fn drop_m(&self) -> f64 {
        self.top_altitude_m() - self.bottom_altitude_m()
    }

    /// Returns the altitude of the top, m.
    pub fn top_altitude_m(&self) -> f64 {
        self.altitude_m.first().copied().map_or(0.0, f64::from)
    }

    /// Returns the altitude of the bottom, m.
    pub fn bottom_altitude_m(&self) -> f64 {
        self.altitude_m.last().copied().map_or(0.0, f64::from)
    }

    /// Returns the usual distance between the points that the profile was made from, m.
    pub fn resolution_m(&self) -> f64 {
        f64::from(self.resolution_m)
    }

    /// Returns the altitudes at equal steps, m.
    pub(super) fn altitudes(&self) -> &[f32] {
        &self.altitude_m
    }

    /// Returns the altitude at a distance from the top, m; the ends go on level.
    pub fn altitude_at(&self, distance_m: f64) -> f64 {
        let cells = self.altitude_m.len().saturating_sub(1);
        if cells == 0 || self.length_m <= 0.0 {
            return self.top_altitude_m();
        }
        let at = (distance_m / self.length_m() * cells as f64).clamp(0.0, cells as f64);
        let i = (at as usize).min(cells - 1);
        let (a, b) = (f64::from(self.altitude_m[i]), f64::from(self.altitude_m[i + 1]));
        a + (b - a) * (at - i as f64)
    }

    /// Returns the points as (distance from the top, altitude), m.
    pub fn points(&self) -> impl Iterator<Item = (f64, f64)> {
        let step = self.length_m() / self.altitude_m.len().saturating_sub(1).max(1) as f64;
        self.altitude_m
            .iter()
            .enumerate()
            .map(move |(i, a)| (i as f64 * step, f64::from(*a)))
    }

    /// Returns every mistake; one made by [`GradeProfile::from_points`] has none, one read from elsewhere may.
    pub fn problems(&self) -> Vec<GradeProblem> {
        let mut found = Vec::new();
        let mut say = |description| {
            found.push(GradeProblem {
                field: "profile",
                description,
            });
        };
        let n = self.altitude_m.len();
        if !(2..=MAX_POINTS).contains(&n) {
            say(format!("has {n} points: give 2 to {MAX_POINTS}"));
        }
        if !self.resolution_m.is_finite() || self.resolution_m < 0.0 {
            say(format!(
                "has a resolution of {} m: give 0 or more",
                self.resolution_m
            ));
        }
        if !(LENGTH_M.0..=LENGTH_M.1).contains(&self.length_m()) {
            say(format!(
                "is {} m long: give {} m to {} km",
                self.length_m,
                LENGTH_M.0,
                LENGTH_M.1 * 1e-3
            ));
        }
        if let Some(i) = self.altitude_m.iter().position(|a| !in_range(f64::from(*a))) {
            say(altitude_problem(i, f64::from(self.altitude_m[i])));
        } else if n >= 2 && self.drop_m() < LEAST_DROP_M {
            let drop = self.drop_m();
            say(if drop <= -LEAST_DROP_M {
                format!(
                    "climbs by {:.0} m, but a grade runs from its top to its bottom: reverse the points",
                    -drop
                )
            } else {
                format!("drops by only {drop:.0} m: give a stretch with at least {LEAST_DROP_M} m")
            });
        }
        found
    }
}

fn in_range(altitude_m: f64) -> bool {
    (ALTITUDE_M.0..=ALTITUDE_M.1).contains(&altitude_m)
}

fn altitude_problem(i: usize, altitude_m: f64) -> String {
    format!(
        "has the altitude {altitude_m} m at point {i}: give {} to {} m",
        ALTITUDE_M.0, ALTITUDE_M.1
    )
}

/// Returns what forbids to read the points at all.
fn point_problems(points: &[(f64, f64)]) -> Vec<GradeProblem> {
    let mut found = Vec::new();
    let mut say = |description| {
        found.push(GradeProblem {
            field: "profile",
            description,
        });
    };
    if points.len() < 2 {
        say(format!("has {} points: give at least 2", points.len()));
    }
    if let Some(i) = points.iter().position(|p| !p.0.is_finite()) {
        say(format!(
            "has the distance {} at point {i}: give a number",
            points[i].0
        ));
    } else if let Some(i) = points.windows(2).position(|w| w[1].0 < w[0].0) {
        say(format!(
            "goes back from {} m to {} m at point {}: give distances in ascending order",
            points[i].0,
            points[i + 1].0,
            i + 1
        ));
    }
    // Only the first bad altitude is named: a wrong unit makes all of them bad.
    if let Some(i) = points.iter().position(|p| !in_range(p.1)) {
        say(altitude_problem(i, points[i].1));
    }
    found
}

/// Resamples valid points.
fn resample(points: &[(f64, f64)]) -> GradeProfile {
    let origin = points[0].0;
    let length = points[points.len() - 1].0 - origin;
    let cells = ((length / LEAST_STEP_M).ceil()).clamp(1.0, (MAX_POINTS - 1) as f64) as usize;
    let step = length / cells as f64;
    // Integral of the altitude from the top to each point: a mean over any window is a difference.
    let mut integral = Vec::with_capacity(points.len());
    let mut sum = 0.0;
    let mut squares = 0.0;
    integral.push(0.0);
    for w in points.windows(2) {
        let ds = w[1].0 - w[0].0;
        sum += 0.5 * (w[0].1 + w[1].1) * ds;
        squares += ds * ds;
        integral.push(sum);
    }
    let cell = |at: f64| {
        let i = points.partition_point(|p| p.0 - origin <= at);
        i.clamp(1, points.len() - 1)
    };
    let altitude = |at: f64| {
        let i = cell(at);
        let ((s0, h0), (s1, h1)) = (points[i - 1], points[i]);
        let part = if s1 > s0 {
            (at - (s0 - origin)) / (s1 - s0)
        } else {
            0.0
        };
        h0 + (h1 - h0) * part
    };
    let area = |at: f64| {
        let i = cell(at);
        let (s0, h0) = points[i - 1];
        integral[i - 1] + 0.5 * (h0 + altitude(at)) * (at - (s0 - origin))
    };
    let altitude_m = (0..=cells)
        .map(|k| {
            let at = if k == cells { length } else { k as f64 * step };
            // The window shrinks towards the ends: a lopsided mean would move the crest.
            let half = (0.5 * step).min(at).min(length - at);
            let mean = if half > 0.01 {
                (area(at + half) - area(at - half)) / (2.0 * half)
            } else {
                altitude(at)
            };
            mean as f32
        })
        .collect();
    GradeProfile {
        length_m: length as f32,
        resolution_m: if length > 0.0 {
            (squares / length) as f32
        } else {
            0.0
        },
        altitude_m,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn size_is_bounded_and_ends_stay() {
        let points: Vec<(f64, f64)> = (0..9_000)
            .map(|k| (f64::from(k) * 3.0, 1900.0 - 0.18 * f64::from(k)))
            .collect();
        let p = GradeProfile::from_points(&points).unwrap();
        assert_eq!(p.altitudes().len(), MAX_POINTS);
        assert!((p.drop_m() - 0.18 * 8_999.0).abs() < 0.01);
        for at in [0.0, 5.0, 1234.5, 26_997.0] {
            assert!((p.altitude_at(at) - (1900.0 - 0.06 * at)).abs() < 0.02, "{at}");
        }
    }

    #[test]
    fn a_dense_noisy_survey_is_averaged() {
        let points: Vec<(f64, f64)> = (0..4_000)
            .map(|k| (f64::from(k), 900.0 - 0.05 * f64::from(k) + f64::from(k % 2)))
            .collect();
        let p = GradeProfile::from_points(&points).unwrap();
        let inner = p.altitude_at(2000.0) - (900.5 - 100.0);
        assert!(inner.abs() < 0.1, "{inner}");
    }

    #[test]
    fn repeated_distances_and_an_offset_origin_are_read() {
        let p = GradeProfile::from_points(&[(100.0, 900.0), (100.0, 900.0), (1100.0, 840.0)]).unwrap();
        assert!((p.length_m() - 1000.0).abs() < 1e-3);
        assert!((p.altitude_at(500.0) - 870.0).abs() < 0.01);
    }

    #[test]
    fn mistakes_are_named_together() {
        let found =
            GradeProfile::from_points(&[(0.0, f64::NAN), (500.0, 600.0), (400.0, 590.0)]).unwrap_err();
        assert_eq!(found.len(), 2, "{found:?}");
        assert_eq!(GradeProfile::from_points(&[]).unwrap_err().len(), 1);
        let short_and_level = GradeProfile::from_points(&[(0.0, 600.0), (100.0, 599.0)]).unwrap_err();
        assert_eq!(short_and_level.len(), 2, "{short_and_level:?}");
        assert!(GradeProfile::from_points(&[(0.0, 1.0), (f64::INFINITY, 0.0)]).is_err());
    }

    #[test]
    fn foreign_profiles_are_checked() {
        let json = r#"{"length_m":1000.0,"resolution_m":20.0,"altitude_m":[]}"#;
        let p: GradeProfile = serde_json::from_str(json).unwrap();
        assert_eq!(p.problems().len(), 1);
        assert!(p.altitude_at(5.0).is_finite());
    }
}
