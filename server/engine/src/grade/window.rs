//! Stretches of road in eight means, and how far two of them can be from the same road.
//!
//! Where a descent lies on a grade within a misfit, so do the means over the parts of any stretch that both share: the
//! mean of squares is no less than the square of the mean. What shift and stretch may do to the means is taken off in
//! first order, each within its bounds, before what is left is called a difference.

/// Parts of a window.
pub(super) const PARTS: usize = 8;
/// Means over the parts, m.
pub(super) type Means = [f32; PARTS];

/// Shortest window, m: no grade of half that length is known.
const SHORTEST_M: f64 = 100.0;
/// Number of lengths of windows, each √2 times the one before: up to the longest grade.
pub(super) const SCALES: usize = 21;

/// Returns the length of windows of a scale, m.
pub(super) fn scale_m(scale: usize) -> f64 {
    let twice = (1_u64 << (scale / 2)) as f64;
    SHORTEST_M
        * twice
        * if scale % 2 == 1 {
            std::f64::consts::SQRT_2
        } else {
            1.0
        }
}

/// Returns the scale of the longest windows that fit into a length; `None` when none does.
pub(super) fn scale_within(length_m: f64) -> Option<usize> {
    (0..SCALES).rev().find(|scale| scale_m(*scale) <= length_m)
}

/// A road at equal steps with the area under it: the mean over any stretch is a difference.
pub(super) struct Course {
    step: f64,
    altitudes: Vec<f64>,
    areas: Vec<f64>,
}

impl Course {
    pub(super) fn new(length_m: f64, altitudes: Vec<f64>) -> Self {
        let step = length_m / altitudes.len().saturating_sub(1).max(1) as f64;
        let mut area = 0.0;
        let mut areas = vec![0.0];
        areas.extend(altitudes.windows(2).map(|w| {
            area += 0.5 * step * (w[0] + w[1]);
            area
        }));
        Self {
            step,
            altitudes,
            areas,
        }
    }

    /// Returns altitude and area at a distance from the top.
    fn at(&self, s: f64) -> (f64, f64) {
        let place = (s / self.step).max(0.0);
        let i = (place as usize).min(self.altitudes.len().saturating_sub(2));
        let part = place - i as f64;
        let (above, below) = (self.altitudes[i], self.altitudes[i + 1]);
        let altitude = above + (below - above) * part;
        (
            altitude,
            self.areas[i] + 0.5 * self.step * part * (above + altitude),
        )
    }
}

fn dot(a: &Means, b: &Means) -> f32 {
    // In lanes: sums in order would wait for each other.
    let mut lanes = [0.0; 4];
    for (k, lane) in lanes.iter_mut().enumerate() {
        *lane = a[k] * b[k] + a[k + 4] * b[k + 4];
    }
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3])
}

fn scaled(a: &Means, by: f32) -> Means {
    a.map(|x| x * by)
}

/// Takes the mean off.
fn centred(a: Means) -> (Means, f32) {
    let mean = a.iter().sum::<f32>() / PARTS as f32;
    (a.map(|x| x - mean), mean)
}

/// Number of coarse features of a window.
pub(super) const FEATURES: usize = 4;
/// Unit vectors of the features: an even slope, a bend and the two next finer curves (orthogonal polynomials on eight
/// points, whole numbers over the root of the sum of their squares: 168, 168, 264 and 616).
const CURVES: [Means; FEATURES] = [
    curve([-7, -5, -3, -1, 1, 3, 5, 7], 0.077_151_67),
    curve([7, 1, -3, -5, -5, -3, 1, 7], 0.077_151_67),
    curve([-7, 5, 7, 3, -3, -7, -5, 7], 0.061_545_745),
    curve([7, -13, -3, 9, 9, -3, -13, 7], 0.040_291_15),
];

const fn curve(whole: [i8; PARTS], unit: f32) -> Means {
    let mut curve = [0.0; PARTS];
    let mut k = 0;
    while k < PARTS {
        curve[k] = whole[k] as f32 * unit;
        k += 1;
    }
    curve
}

/// One stretch: means over its parts less the mean of all, that mean, and the coarse features, all m.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    pub(super) means: Means,
    pub(super) level: f32,
    pub(super) features: [f32; FEATURES],
}

impl Window {
    /// Takes the stretch of a course from a distance on.
    pub(super) fn new(course: &Course, from_m: f64, length_m: f64) -> Self {
        let part = length_m / PARTS as f64;
        let mut before = course.at(from_m).1;
        let (means, level) = centred(std::array::from_fn(|k| {
            let area = course.at(from_m + (k + 1) as f64 * part).1;
            let mean = (area - before) / part;
            before = area;
            mean as f32
        }));
        Self {
            features: CURVES.map(|curve| dot(&means, &curve)),
            means,
            level,
        }
    }
}

/// How far a window may be off.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bounds {
    /// Along the road, m either way.
    pub(super) shift_m: f64,
    /// Relative error of distances, either way.
    pub(super) stretch: f64,
    /// Altitude offset, m either way.
    pub(super) offset_m: f64,
    /// Where both are held together, as a part of the window: the error of distances grows away from there.
    pub(super) pivot: f64,
}

/// A window of a descent that is looked for among those of grades.
pub(super) struct Sought {
    window: Window,
    /// Unit vectors of what stretch and shift do, and how far they may go.
    free: [Means; 2],
    reach: [f32; 2],
    pub(super) level_reach: f32,
}

impl Sought {
    pub(super) fn new(course: &Course, from_m: f64, length_m: f64, within: Bounds) -> Self {
        let window = Window::new(course, from_m, length_m);
        let part = length_m / PARTS as f64;
        let pivot = within.pivot * length_m;
        // Derivatives of the means: a shift moves both edges of a part, a stretch each by its distance to the pivot.
        let edges: [f64; PARTS + 1] = std::array::from_fn(|k| course.at(from_m + k as f64 * part).0);
        let (by_shift, shift_level) =
            centred(std::array::from_fn(|k| ((edges[k + 1] - edges[k]) / part) as f32));
        let level = f64::from(window.level);
        let (by_stretch, stretch_level) = centred(std::array::from_fn(|k| {
            let near = k as f64 * part - pivot;
            let moved = ((near + part) * (edges[k + 1] - level) - near * (edges[k] - level)) / part;
            // Heights count from the level: the mean itself is taken off once.
            moved as f32 - window.means[k]
        }));
        let (shift, stretch) = (within.shift_m as f32, within.stretch as f32);
        let size = dot(&by_stretch, &by_stretch).sqrt().max(1e-6);
        let first = scaled(&by_stretch, 1.0 / size);
        let shared = dot(&by_shift, &first);
        let rest: Means = std::array::from_fn(|k| by_shift[k] - shared * first[k]);
        let rest_size = dot(&rest, &rest).sqrt().max(1e-6);
        Self {
            free: [first, scaled(&rest, 1.0 / rest_size)],
            reach: [stretch * size + shift * shared.abs(), shift * rest_size],
            level_reach: within.offset_m as f32
                + shift * shift_level.abs()
                + stretch * (stretch_level.abs() + size),
            window,
        }
    }

    pub(super) fn level(&self) -> f32 {
        self.window.level
    }

    /// Returns the least and largest features that can be within a misfit, m.
    pub(super) fn ranges(&self, misfit_m: f32) -> [(f32, f32); FEATURES] {
        std::array::from_fn(|k| {
            let by = (PARTS as f32).sqrt() * misfit_m
                + self.reach[0] * dot(&self.free[0], &CURVES[k]).abs()
                + self.reach[1] * dot(&self.free[1], &CURVES[k]).abs();
            (self.window.features[k] - by, self.window.features[k] + by)
        })
    }

    /// Returns the square of the least difference, per part, to a window with the given means, m².
    pub(super) fn difference(&self, means: &Means) -> f32 {
        let off: Means = std::array::from_fn(|k| self.window.means[k] - means[k]);
        let mut left = dot(&off, &off);
        for (free, reach) in self.free.iter().zip(self.reach) {
            let along = dot(&off, free);
            let over = (along.abs() - reach).max(0.0);
            left -= along * along - over * over;
        }
        left / PARTS as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn road(s: f64) -> f64 {
        1500.0 - 0.06 * s + 9.0 * (s / 310.0).sin() + 14.0 * (s / 730.0).cos()
    }

    fn course(read: impl Fn(f64) -> f64) -> Course {
        Course::new(6000.0, (0..=600).map(|k| read(f64::from(k) * 10.0)).collect())
    }

    const WITHIN: Bounds = Bounds {
        shift_m: 80.0,
        stretch: 0.05,
        offset_m: 60.0,
        pivot: 0.5,
    };

    #[test]
    fn features_are_of_unit_size_and_independent() {
        for (i, a) in CURVES.iter().enumerate() {
            assert!(a.iter().sum::<f32>().abs() < 1e-6, "{i}");
            for (j, b) in CURVES.iter().enumerate() {
                assert!((dot(a, b) - f32::from(u8::from(i == j))).abs() < 1e-5, "{i} {j}");
            }
        }
    }

    #[test]
    fn means_are_those_of_the_road() {
        let w = Window::new(&course(|s| 900.0 - 0.05 * s), 1000.0, 800.0);
        assert!((w.level - (900.0 - 0.05 * 1400.0)).abs() < 1e-3);
        assert!((w.means[0] - 0.05 * 350.0).abs() < 1e-3 && w.features[1].abs() < 1e-3);
    }

    #[test]
    fn what_instruments_do_is_admitted_and_another_road_is_not() {
        let there = Window::new(&course(road), 1000.0, 4000.0);
        for (shift, stretch) in [(0.0, 1.0), (60.0, 1.0), (-60.0, 1.03), (30.0, 0.96), (0.0, 1.05)] {
            // The middle of the window is where both agree.
            let driven = course(|s| road(3000.0 + shift + (s - 3000.0) * stretch));
            let sought = Sought::new(&driven, 1000.0, 4000.0, WITHIN);
            assert!(sought.difference(&there.means) < 1.0, "{shift} {stretch}");
            assert!(
                (sought.level() - there.level).abs() <= sought.level_reach - 55.0,
                "{shift} {stretch}"
            );
            for ((low, high), feature) in sought.ranges(1.0).iter().zip(there.features) {
                assert!((*low..=*high).contains(&feature), "{shift} {stretch}");
            }
        }
        let sought = Sought::new(&course(|s| 1500.0 - 0.06 * s), 1000.0, 4000.0, WITHIN);
        assert!(sought.difference(&there.means) > 6.25);
        let lower = Sought::new(
            &course(|s| road(s) - 25.0 * f64::from(u8::from(s > 3000.0))),
            1000.0,
            4000.0,
            WITHIN,
        );
        assert!(lower.difference(&there.means) > 6.25);
    }

    #[test]
    fn scales_cover_all_grades() {
        assert_eq!(scale_within(99.0), None);
        assert_eq!(scale_within(100.0), Some(0));
        assert!(scale_m(scale_within(5000.0).unwrap()) > 3500.0);
        assert!(scale_m(SCALES - 1) >= 100_000.0);
    }
}
