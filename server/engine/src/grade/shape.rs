//! What a descent shows of its road: altitude by distance.

use super::{GradeProfile, Position};
use crate::record::{Descent, ProfilePoint};

/// Number of places at which a descent is compared first.
pub(super) const PROBES: usize = 16;
/// Length over which the gradient of a road is taken to stay much the same, m. Common practice, no source.
pub(super) const STRETCH_M: f64 = 250.0;
/// Least and largest spread of the gradient from stretch to stretch that a road is taken to have.
const ROUGHNESS: (f64, f64) = (0.012, 0.10);
/// Shortest descent that can be compared, m.
const LEAST_LENGTH_M: f64 = 100.0;
/// Steps at which a descent is read for the look-up.
const STEPS: usize = 256;
/// Most points taken: more than a recorded profile ever has.
const MAX_NODES: usize = 4 * crate::profile::MAX_POINTS;

/// The shape of a descent, ready to be matched.
#[derive(Clone, Debug, PartialEq)]
pub struct DescentShape {
    /// Distance from the top and altitude, m, the top first.
    pub(super) nodes: Vec<(f32, f32)>,
    /// The same at equal steps.
    pub(super) probes: [(f32, f32); PROBES],
    pub(super) length_m: f64,
    /// Spread of the gradient from stretch to stretch.
    pub(super) roughness: f64,
    pub(super) start: Option<Position>,
    pub(super) end: Option<Position>,
}

impl DescentShape {
    /// Takes the altitude of the top and the profile below it, with the places of both ends where they were streamed.
    ///
    /// `None` when there is too little to compare: fewer than two points, less than 100 m, or no numbers.
    pub fn new(
        top_altitude_m: f64,
        points: &[ProfilePoint],
        start: Option<Position>,
        end: Option<Position>,
    ) -> Option<Self> {
        let points = points
            .iter()
            .map(|p| (f64::from(p.distance_m), f64::from(p.altitude_m)));
        Self::from_points(top_altitude_m, points, start, end)
    }

    /// Takes a descent with its profile, and the places of its ends where they were streamed.
    pub fn of(descent: &Descent, profile: &[ProfilePoint]) -> Option<Self> {
        Self::new(
            descent.top_altitude_m,
            profile,
            descent.top_position,
            descent.bottom_position,
        )
    }

    /// Takes the reference profile of a grade, or of a proposed one.
    pub fn of_profile(
        profile: &GradeProfile,
        top: Option<Position>,
        bottom: Option<Position>,
    ) -> Option<Self> {
        Self::from_points(profile.top_altitude_m(), profile.points().skip(1), top, bottom)
    }

    pub(super) fn from_points(
        top_altitude_m: f64,
        points: impl Iterator<Item = (f64, f64)>,
        start: Option<Position>,
        end: Option<Position>,
    ) -> Option<Self> {
        let mut nodes = vec![(0.0_f32, top_altitude_m as f32)];
        let mut before = 0.0;
        for (distance, altitude) in points.take(MAX_NODES) {
            if !distance.is_finite() || !altitude.is_finite() {
                return None;
            }
            if distance > before + 1.0 {
                before = distance;
                nodes.push((distance as f32, altitude as f32));
            }
        }
        if nodes.len() < 3 || before < LEAST_LENGTH_M || !top_altitude_m.is_finite() {
            return None;
        }
        let probes = std::array::from_fn(|i| {
            let at = (before * i as f64 / (PROBES - 1) as f64) as f32;
            (at, altitude(&nodes, at))
        });
        Some(Self {
            roughness: roughness(&nodes, before),
            probes,
            nodes,
            length_m: before,
            start: start.filter(|p| p.is_valid()),
            end: end.filter(|p| p.is_valid()),
        })
    }

    /// Returns the length along the road, m.
    pub fn length_m(&self) -> f64 {
        self.length_m
    }

    /// Returns altitude of the top less altitude of the last point, m.
    pub fn drop_m(&self) -> f64 {
        self.top_m() - self.bottom_m()
    }

    pub(super) fn top_m(&self) -> f64 {
        f64::from(self.nodes[0].1)
    }

    pub(super) fn bottom_m(&self) -> f64 {
        f64::from(self.nodes[self.nodes.len() - 1].1)
    }

    /// Returns the altitudes at equal steps, m.
    pub(super) fn at_equal_steps(&self) -> Vec<f64> {
        let step = self.length_m / STEPS as f64;
        let mut i = 1;
        (0..=STEPS)
            .map(|k| {
                let at = (k as f64 * step) as f32;
                while i + 1 < self.nodes.len() && self.nodes[i].0 <= at {
                    i += 1;
                }
                f64::from(between(self.nodes[i - 1], self.nodes[i], at))
            })
            .collect()
    }

    /// Returns the altitude at a distance from the top, m.
    pub(super) fn altitude_at(&self, at_m: f64) -> f64 {
        f64::from(altitude(&self.nodes, at_m as f32))
    }
}

fn altitude(nodes: &[(f32, f32)], at: f32) -> f32 {
    let i = nodes.partition_point(|n| n.0 <= at).clamp(1, nodes.len() - 1);
    between(nodes[i - 1], nodes[i], at)
}

fn between((s0, h0): (f32, f32), (s1, h1): (f32, f32), at: f32) -> f32 {
    h0 + (h1 - h0) * ((at - s0) / (s1 - s0)).clamp(0.0, 1.0)
}

/// Standard deviation of the gradient from stretch to stretch.
fn roughness(nodes: &[(f32, f32)], length: f64) -> f64 {
    let count = (length / STRETCH_M).floor().clamp(1.0, 400.0);
    let step = length / count;
    let (mut sum, mut squares) = (0.0, 0.0);
    let mut before = f64::from(altitude(nodes, 0.0));
    for k in 1..=count as u32 {
        let here = f64::from(altitude(nodes, (f64::from(k) * step) as f32));
        let gradient = (here - before) / step;
        sum += gradient;
        squares += gradient * gradient;
        before = here;
    }
    if count < 3.0 {
        return ROUGHNESS.0;
    }
    let variance = (squares - sum * sum / count) / (count - 1.0);
    variance.max(0.0).sqrt().clamp(ROUGHNESS.0, ROUGHNESS.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(distance_m: f32, altitude_m: f32) -> ProfilePoint {
        ProfilePoint {
            distance_m,
            altitude_m,
            ..ProfilePoint::default()
        }
    }

    #[test]
    fn the_top_belongs_to_the_shape() {
        let s = DescentShape::new(900.0, &[point(500.0, 870.0), point(1000.0, 800.0)], None, None).unwrap();
        assert!((s.drop_m() - 100.0).abs() < 1e-3);
        assert!((s.altitude_at(250.0) - 885.0).abs() < 1e-3);
    }

    #[test]
    fn too_little_is_no_shape() {
        assert!(DescentShape::new(900.0, &[], None, None).is_none());
        assert!(DescentShape::new(900.0, &[point(50.0, 890.0), point(90.0, 880.0)], None, None).is_none());
        assert!(
            DescentShape::new(f64::NAN, &[point(500.0, 870.0), point(900.0, 800.0)], None, None).is_none()
        );
        assert!(
            DescentShape::new(900.0, &[point(500.0, f32::NAN), point(900.0, 800.0)], None, None).is_none()
        );
    }

    #[test]
    fn roughness_follows_the_road() {
        let road = |steep: [f32; 8]| {
            let mut h = 900.0;
            let points: Vec<_> = steep
                .iter()
                .enumerate()
                .map(|(k, g)| {
                    h += 250.0 * g;
                    point(250.0 * (k + 1) as f32, h)
                })
                .collect();
            DescentShape::new(900.0, &points, None, None).unwrap().roughness
        };
        assert!((road([-0.06; 8]) - ROUGHNESS.0).abs() < 1e-9);
        let r = road([-0.03, -0.09, -0.03, -0.09, -0.03, -0.09, -0.03, -0.09]);
        assert!((r - 0.032).abs() < 1e-3, "{r}");
    }
}
