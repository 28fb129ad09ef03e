//! How well a descent lies on a grade: least squares over where it begins, how long its metre is and where its
//! altimeter stands.

use super::{LEAST_SHARE, MAX_OFFSET_M, MAX_SCALE_ERROR, profile::GradeProfile, shape::DescentShape};

/// Misfit that is still a match on a finely surveyed grade, m: filter remains, drift and surveys that disagree.
const LIMIT_M: f64 = 2.5;
/// What a coarse survey adds to the misfit, as a part of roughness times resolution.
const GUESS_BETWEEN_POINTS: f64 = 0.25;
/// Largest misfit accepted however coarse the survey, m.
const WIDEST_LIMIT_M: f64 = 8.0;
/// Least points of the descent that must lie on the grade.
const LEAST_NODES: usize = 6;
/// Iterations of the fit.
const ROUNDS: usize = 8;
/// Largest step of the place along the road in one round, m.
const LARGEST_STEP_M: f64 = 100.0;
/// Half the length over which the slope is taken for the next step, m.
const SLOPE_HALF_M: f64 = 40.0;
/// How loosely the scale is held at 1, as a standard deviation.
const SCALE_DEVIATION: f64 = 0.02;
/// How loosely the place is held at the one before, as a standard deviation, m: on an even slope place and offset
/// cannot be told apart.
const PLACE_DEVIATION_M: f64 = 100.0;

/// A descent laid on a grade.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Alignment {
    /// Where on the grade the top of the descent lies, m from the top of the grade; negative above it.
    pub(super) shift_m: f64,
    /// Distance along the grade per distance of the descent.
    pub(super) stretch: f64,
    /// Altitude of the descent less altitude of the grade, m.
    pub(super) offset_m: f64,
    /// Root mean square of what is left of the altitude differences, m.
    pub(super) misfit_m: f64,
    /// Length of the grade that is covered, m.
    pub(super) overlap_m: f64,
    /// Share of the grade that is covered.
    pub(super) coverage: f64,
    /// Share of the descent that lies on the grade.
    pub(super) inside: f64,
}

impl Alignment {
    /// Returns the road that only one of both has, m.
    pub(super) fn unshared_m(&self) -> f64 {
        self.overlap_m * (1.0 / self.coverage.max(1e-6) + 1.0 / self.inside.max(1e-6) - 2.0)
    }

    /// Returns whether it is within what a vehicle's instruments may be off, and covers enough.
    pub(super) fn is_admissible(&self) -> bool {
        self.offset_m.abs() <= MAX_OFFSET_M
            && (1.0 / self.stretch - 1.0).abs() <= MAX_SCALE_ERROR
            && self.coverage >= LEAST_SHARE
            && self.inside >= LEAST_SHARE
    }
}

/// Returns the largest misfit that still is a match, m.
pub(super) fn limit_m(shape: &DescentShape, resolution_m: f64) -> f64 {
    limit_squared(shape.roughness, resolution_m).sqrt()
}

/// Returns its square, m².
pub(super) fn limit_squared(roughness: f64, resolution_m: f64) -> f64 {
    let guess = GUESS_BETWEEN_POINTS * roughness * resolution_m;
    (LIMIT_M * LIMIT_M + guess * guess).min(WIDEST_LIMIT_M * WIDEST_LIMIT_M)
}

/// Altitudes at equal steps, for quick reading.
struct Lookup<'a> {
    altitudes: &'a [f32],
    length_m: f64,
    per_m: f64,
}

impl<'a> Lookup<'a> {
    fn new(profile: &'a GradeProfile) -> Option<Self> {
        let altitudes = profile.altitudes();
        let length_m = profile.length_m();
        (altitudes.len() >= 2 && length_m > 0.0).then(|| Self {
            altitudes,
            length_m,
            per_m: (altitudes.len() - 1) as f64 / length_m,
        })
    }

    fn at(&self, position_m: f64) -> f64 {
        let x = position_m * self.per_m;
        let i = (x.max(0.0) as usize).min(self.altitudes.len() - 2);
        let (a, b) = (f64::from(self.altitudes[i]), f64::from(self.altitudes[i + 1]));
        a + (b - a) * (x - i as f64).clamp(0.0, 1.0)
    }

    fn slope(&self, position_m: f64) -> f64 {
        let from = (position_m - SLOPE_HALF_M).max(0.0);
        let to = (position_m + SLOPE_HALF_M).min(self.length_m);
        (self.at(to) - self.at(from)) / (to - from).max(1.0)
    }
}

/// Normal equations of one round, for offset, place of the middle and stretch.
#[derive(Default)]
struct Normal {
    a: [[f64; 3]; 3],
    b: [f64; 3],
    squares: f64,
    count: usize,
}

impl Normal {
    fn add(&mut self, j: [f64; 3], residual: f64) {
        for (row, x) in self.a.iter_mut().zip(j) {
            for (cell, y) in row.iter_mut().zip(j) {
                *cell += x * y;
            }
        }
        for (cell, x) in self.b.iter_mut().zip(j) {
            *cell += x * residual;
        }
        self.squares += residual * residual;
        self.count += 1;
    }

    fn solve(&self) -> Option<[f64; 3]> {
        let [r0, r1, r2] = self.a;
        let cross = |u: [f64; 3], v: [f64; 3]| {
            [
                u[1] * v[2] - u[2] * v[1],
                u[2] * v[0] - u[0] * v[2],
                u[0] * v[1] - u[1] * v[0],
            ]
        };
        let dot = |u: [f64; 3], v: [f64; 3]| u[0] * v[0] + u[1] * v[1] + u[2] * v[2];
        let c = cross(r1, r2);
        let determinant = dot(r0, c);
        if determinant.abs() < 1e-12 {
            return None;
        }
        // The matrix is symmetric: its inverse is made of the cross products of its rows.
        let found = [
            dot(self.b, c) / determinant,
            dot(self.b, cross(r2, r0)) / determinant,
            dot(self.b, cross(r0, r1)) / determinant,
        ];
        found.iter().all(|x| x.is_finite()).then_some(found)
    }
}

/// Lays a descent on a grade, starting from a guess of where its top lies. `None` when they hardly overlap.
pub(super) fn refine(shape: &DescentShape, profile: &GradeProfile, shift_m: f64) -> Option<Alignment> {
    let road = Lookup::new(profile)?;
    let middle = 0.5 * shape.length_m;
    let (mut place, mut stretch) = (shift_m + middle, 1.0);
    let mut offset = 0.0;
    let mut best: Option<(f64, [f64; 3])> = None;
    for round in 0..=ROUNDS {
        let mut normal = Normal::default();
        let mut sum = 0.0;
        for &(s, h) in &shape.nodes {
            let from_middle = f64::from(s) - middle;
            let p = place + stretch * from_middle;
            if p < 0.0 || p > road.length_m {
                continue;
            }
            let slope = road.slope(p);
            let residual = f64::from(h) - road.at(p) - offset;
            sum += residual;
            normal.add([1.0, slope, slope * from_middle], residual);
        }
        if normal.count < LEAST_NODES {
            break;
        }
        let count = normal.count as f64;
        // The best offset for this place and stretch is the mean.
        let mean = sum / count;
        let misfit = ((normal.squares - sum * mean).max(0.0) / (count - 3.0)).sqrt();
        if best.is_none_or(|(m, _)| misfit < m) {
            best = Some((misfit, [offset + mean, place, stretch]));
        }
        if round == ROUNDS {
            break;
        }
        let hold = 1.0 / (SCALE_DEVIATION * SCALE_DEVIATION);
        normal.a[1][1] += 1.0 / (PLACE_DEVIATION_M * PLACE_DEVIATION_M);
        normal.a[2][2] += hold;
        normal.b[2] += hold * (1.0 - stretch);
        let Some([by_offset, by_place, by_stretch]) = normal.solve() else {
            break;
        };
        offset += by_offset;
        place += by_place.clamp(-LARGEST_STEP_M, LARGEST_STEP_M);
        stretch = (stretch + by_stretch).clamp(1.0 - 2.0 * MAX_SCALE_ERROR, 1.0 + 2.0 * MAX_SCALE_ERROR);
        if by_place.abs() < 1.0 && by_stretch.abs() < 1e-4 {
            break;
        }
    }
    let (misfit_m, [offset_m, place, stretch]) = best?;
    let shift_m = place - stretch * middle;
    let length = stretch * shape.length_m;
    let overlap_m = ((shift_m + length).min(road.length_m) - shift_m.max(0.0)).max(0.0);
    Some(Alignment {
        shift_m,
        stretch,
        offset_m,
        misfit_m,
        overlap_m,
        coverage: (overlap_m / road.length_m).min(1.0),
        inside: (overlap_m / length).min(1.0),
    })
}

/// Returns what is left of the altitude differences, as (distance from the top of the descent, difference), m.
pub(super) fn residuals(shape: &DescentShape, profile: &GradeProfile, a: &Alignment) -> Vec<(f64, f64)> {
    let Some(road) = Lookup::new(profile) else {
        return Vec::new();
    };
    shape
        .nodes
        .iter()
        .map(|&(s, h)| (f64::from(s), f64::from(h)))
        .filter_map(|(s, h)| {
            let p = a.shift_m + a.stretch * s;
            (0.0..=road.length_m)
                .contains(&p)
                .then(|| (s, h - road.at(p) - a.offset_m))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn road(s: f64) -> f64 {
        1500.0 - 0.06 * s + 9.0 * (s / 310.0).sin() + 14.0 * (s / 730.0).cos()
    }

    fn grade() -> GradeProfile {
        let points: Vec<_> = (0..=250)
            .map(|k| f64::from(k) * 20.0)
            .map(|s| (s, road(s)))
            .collect();
        GradeProfile::from_points(&points).unwrap()
    }

    /// A descent from `from` to `to` of the road, with an odometer and an altimeter that are off.
    fn descent(from: f64, to: f64, scale: f64, offset: f64) -> DescentShape {
        let points = (1..=50).map(|k| {
            let s = f64::from(k) / 50.0 * (to - from);
            (s * scale, road(from + s) + offset)
        });
        DescentShape::from_points(road(from) + offset, points, None, None).unwrap()
    }

    #[test]
    fn place_scale_and_offset_are_found_again() {
        for (from, to, scale, offset) in [
            (0.0, 5000.0, 1.0, 0.0),
            (800.0, 4500.0, 1.03, -30.0),
            (1500.0, 5000.0, 0.97, 30.0),
        ] {
            let found = refine(&descent(from, to, scale, offset), &grade(), from + 90.0).unwrap();
            assert!(found.misfit_m < 0.2, "{found:?}");
            assert!((found.shift_m - from).abs() < 12.0, "{found:?}");
            assert!((1.0 / found.stretch - scale).abs() < 0.003, "{found:?}");
            assert!((found.offset_m - offset).abs() < 0.8, "{found:?}");
            assert!((found.coverage - (to - from) / 5000.0).abs() < 0.01, "{found:?}");
            assert!(found.is_admissible());
        }
    }

    #[test]
    fn running_beyond_the_grade_is_told() {
        let found = refine(&descent(-600.0, 5000.0, 1.0, 0.0), &grade(), -500.0).unwrap();
        assert!((found.shift_m + 600.0).abs() < 12.0, "{found:?}");
        assert!((found.inside - 5000.0 / 5600.0).abs() < 0.01, "{found:?}");
        assert!((found.unshared_m() - 600.0).abs() < 20.0, "{found:?}");
    }

    #[test]
    fn another_road_does_not_fit() {
        let points = (1..=50)
            .map(|k| f64::from(k) * 100.0)
            .map(|s| (s, 1500.0 - 0.06 * s));
        let plain = DescentShape::from_points(1500.0, points, None, None).unwrap();
        let found = refine(&plain, &grade(), 0.0).unwrap();
        assert!(found.misfit_m > limit_m(&plain, 20.0), "{found:?}");
    }

    #[test]
    fn no_overlap_is_no_fit() {
        assert!(refine(&descent(0.0, 2000.0, 1.0, 0.0), &grade(), 4900.0).is_none());
    }
}
