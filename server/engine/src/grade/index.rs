//! The index of known grades: which of them may lie under a descent.
//!
//! Descent and grade share at least half of the longer one. Whatever they share, one of four windows lies in it: where the
//! whole descent is on the grade, its middle part, which may be anywhere on the grade; where the grade begins or ends
//! within the descent, the window at that end of the grade; where all of it lies within, the longest window of the grade.
//! Each kind has its shelves, one for each length of windows; on a shelf windows stand by altitude, slope and bend.
//! What is found is no more than worth a look; what is not found fits nowhere.

use std::ops::Range;

use super::{
    Grade, LEAST_SHARE, MAX_OFFSET_M, MAX_SCALE_ERROR,
    fit::limit_squared,
    shape::DescentShape,
    window::{Bounds, Course, FEATURES, PARTS, SCALES, Sought, Window, scale_m, scale_within},
};

/// Windows of a grade, and of a descent where it is laid on an end of a grade, begin at this part of their length from
/// one another.
const PER_WINDOW: f64 = 16.0;
/// A window may be this much longer as the other road measures it.
const STRETCHED: f64 = 1.0 + MAX_SCALE_ERROR + 0.005;
/// Greatest ratio of the road shared to the window in it: a scale is √2 times the one before.
const MOST_PER_WINDOW: f64 = std::f64::consts::SQRT_2 * STRETCHED;
/// What the first order leaves out, as a misfit, m.
const SECOND_ORDER_M: f64 = 0.8;
/// Size of cells on a shelf: altitude, m, and gradient.
const BAND_M: f32 = 128.0;
const GRADIENT: f32 = 0.012;
/// Cells of gradient on either side of level.
const GRADIENTS: i32 = 20;
/// Units of stored means, and of levels and features, m: any grade fits into 16 bits.
const UNIT_M: f32 = 0.15;
const COARSE_M: f32 = 0.3;
/// Slope of a window of unit length and gradient.
const SLOPE_PER_RISE: f32 = 0.810_1;

/// What is read first of a window: level, then the features after the slope, which is that of the cell.
type Coarse = [i16; FEATURES];

/// A window of a grade.
#[derive(Clone, Copy, Debug)]
struct Entry {
    slope: f32,
    level: f32,
    coarse: Coarse,
    means: [i16; PARTS],
    grade: u32,
}

/// Windows of one length, by cell, then bend. What is read of all of them stands close together.
#[derive(Clone, Debug, Default)]
struct Shelf {
    rise: f32,
    lowest: i32,
    /// Where each cell begins, row by row of one altitude.
    starts: Vec<u32>,
    coarse: Vec<Coarse>,
    grades: Vec<u32>,
    means: Vec<[i16; PARTS]>,
}

fn gradient_cell(slope: f32, rise: f32) -> i32 {
    ((slope / (rise * GRADIENT)).floor() as i32).clamp(-GRADIENTS, GRADIENTS - 1) + GRADIENTS
}

fn band(level: f32) -> i32 {
    (level / BAND_M).floor() as i32
}

impl Shelf {
    fn new(scale: usize, mut windows: Vec<Entry>) -> Self {
        let rise = SLOPE_PER_RISE * scale_m(scale) as f32;
        let bands = || windows.iter().map(|e| band(e.level));
        let (Some(lowest), Some(highest)) = (bands().min(), bands().max()) else {
            return Self::default();
        };
        let cell =
            |e: &Entry| ((band(e.level) - lowest) * 2 * GRADIENTS + gradient_cell(e.slope, rise)) as usize;
        windows.sort_unstable_by_key(|e| (cell(e), e.coarse[1], e.grade, e.coarse, e.means));
        let mut starts = vec![0_u32; ((highest - lowest + 1) * 2 * GRADIENTS) as usize + 1];
        for e in &windows {
            starts[cell(e) + 1] += 1;
        }
        let mut sum = 0;
        for start in &mut starts {
            sum += *start;
            *start = sum;
        }
        Self {
            rise,
            lowest,
            starts,
            coarse: windows.iter().map(|e| e.coarse).collect(),
            grades: windows.iter().map(|e| e.grade).collect(),
            means: windows.iter().map(|e| e.means).collect(),
        }
    }

    /// Adds the suitable grades with windows that may be the one that is sought, each with its difference.
    fn find(&self, sought: &Sought, bar: &Bar<'_>, suitable: &Range<u32>, found: &mut Vec<Near>) {
        let [slope, features @ ..] = sought.ranges(bar.widest.sqrt());
        let (from, to) = (
            gradient_cell(slope.0, self.rise),
            gradient_cell(slope.1, self.rise),
        );
        let (level, reach) = (sought.level(), sought.level_reach);
        let ranges = [
            (level - reach, level + reach),
            features[0],
            features[1],
            features[2],
        ];
        let least = ranges.map(|r| (r.0 / COARSE_M).floor() as i16);
        let most = ranges.map(|r| (r.1 / COARSE_M).ceil() as i16);
        let rows = self.starts.len() as i32 / (2 * GRADIENTS);
        let low = (band(level - reach) - self.lowest).max(0);
        let high = (band(level + reach) - self.lowest).min(rows - 1);
        for row in low..=high {
            for cell in from..=to {
                let at = (row * 2 * GRADIENTS + cell) as usize;
                let (begin, end) = (self.starts[at] as usize, self.starts[at + 1] as usize);
                let first = begin + self.coarse[begin..end].partition_point(|c| c[1] < least[1]);
                for (i, c) in (first..end).zip(&self.coarse[first..end]) {
                    if c[1] > most[1] {
                        break;
                    }
                    let within = |k: usize| (least[k]..=most[k]).contains(&c[k]);
                    if !(within(0) && within(2) && within(3)) {
                        continue;
                    }
                    let grade = self.grades[i];
                    if suitable.contains(&grade) {
                        let squared = sought.difference(&self.means[i].map(|m| UNIT_M * f32::from(m)));
                        if squared <= bar.squared(grade) {
                            found.push(Near { grade, squared });
                        }
                    }
                }
            }
        }
    }
}

/// A grade with the square of the least difference that was found, m².
#[derive(Clone, Copy, Debug)]
pub(super) struct Near {
    pub(super) grade: u32,
    pub(super) squared: f32,
}

/// The square of the difference that windows may have, by grade, m².
struct Bar<'a> {
    roughness: f64,
    /// Road shared per window: all that differs may lie in the window.
    per_window: f64,
    resolutions: &'a [f32],
    widest: f32,
}

impl<'a> Bar<'a> {
    fn new(roughness: f64, per_window: f64, index: &'a Index) -> Self {
        Self {
            roughness,
            per_window,
            resolutions: &index.resolutions,
            widest: difference_squared(roughness, per_window, index.coarsest),
        }
    }

    fn squared(&self, grade: u32) -> f32 {
        difference_squared(self.roughness, self.per_window, self.resolutions[grade as usize])
    }
}

fn difference_squared(roughness: f64, per_window: f64, resolution: f32) -> f32 {
    let misfit = limit_squared(roughness, f64::from(resolution)) * per_window;
    (misfit + SECOND_ORDER_M * SECOND_ORDER_M) as f32
}

/// Windows of all grades.
#[derive(Clone, Debug, Default)]
pub(super) struct Index {
    /// At all places.
    anywhere: Vec<Shelf>,
    /// At the top and at the bottom.
    top: Vec<Shelf>,
    bottom: Vec<Shelf>,
    /// The longest of each grade.
    longest: Vec<Shelf>,
    /// Of the surveys of grades, m.
    resolutions: Vec<f32>,
    coarsest: f32,
}

impl Index {
    pub(super) fn new(grades: &[Grade]) -> Self {
        let mut kinds: [Vec<Vec<Entry>>; 4] = std::array::from_fn(|_| vec![Vec::new(); SCALES]);
        for (grade, i) in grades.iter().zip(0..) {
            let length = grade.profile.length_m();
            let altitudes = grade.profile.altitudes().iter().map(|a| f64::from(*a)).collect();
            let course = Course::new(length, altitudes);
            let entry = |from: f64, scale: usize| {
                let w = Window::new(&course, from, scale_m(scale));
                let [slope, features @ ..] = w.features;
                Entry {
                    slope,
                    level: w.level,
                    coarse: [w.level, features[0], features[1], features[2]]
                        .map(|x| (x / COARSE_M).round() as i16),
                    means: w.means.map(|m| (m / UNIT_M).round() as i16),
                    grade: i,
                }
            };
            let (Some(last), shortest) = (scale_within(length), least_shared(length) / STRETCHED) else {
                continue;
            };
            let mut put = |kind: usize, scale: usize, window: Entry| kinds[kind][scale].push(window);
            for scale in scale_within(shortest).unwrap_or(0)..=last {
                let spare = length - scale_m(scale);
                let count = (spare / scale_m(scale) * PER_WINDOW).ceil().max(1.0);
                for k in 0..=count as u32 {
                    put(0, scale, entry(f64::from(k) / count * spare, scale));
                }
                put(1, scale, entry(0.0, scale));
                put(2, scale, entry(spare, scale));
            }
            if let Some(scale) = scale_within(length / STRETCHED) {
                put(3, scale, entry(0.0, scale));
            }
        }
        let [anywhere, top, bottom, longest] = kinds.map(|scales| {
            scales
                .into_iter()
                .enumerate()
                .map(|(scale, windows)| Shelf::new(scale, windows))
                .collect()
        });
        Self {
            anywhere,
            top,
            bottom,
            longest,
            coarsest: grades
                .iter()
                .map(|g| g.profile.resolution_m() as f32)
                .fold(0.0, f32::max),
            resolutions: grades.iter().map(|g| g.profile.resolution_m() as f32).collect(),
        }
    }

    /// Returns those of the suitable grades that may lie under a descent, ascending.
    pub(super) fn find(&self, shape: &DescentShape, suitable: &Range<u32>) -> Vec<Near> {
        let mut found = Vec::new();
        let length = shape.length_m;
        let course = Course::new(length, shape.at_equal_steps());
        let mut search = |shelves: &[Shelf], scale: usize, from: f64, pivot: f64, shared: f64| {
            let Some(shelf) = shelves.get(scale).filter(|s| !s.grades.is_empty()) else {
                return;
            };
            let window = scale_m(scale);
            let within = Bounds {
                // Half a step, and some where the step changes with the scale.
                shift_m: 0.75 * window / PER_WINDOW,
                stretch: MAX_SCALE_ERROR,
                offset_m: MAX_OFFSET_M,
                pivot,
            };
            let bar = Bar::new(shape.roughness, (shared / window).min(MOST_PER_WINDOW), self);
            shelf.find(
                &Sought::new(&course, from, window, within),
                &bar,
                suitable,
                &mut found,
            );
        };
        if let Some(scale) = scale_within(length / STRETCHED) {
            search(
                &self.anywhere,
                scale,
                0.5 * (length - scale_m(scale)),
                0.5,
                length,
            );
        }
        // Where the grade begins, or counted from below ends.
        let mut place = 0.0;
        while let Some(scale) = scale_within((length - place) / STRETCHED)
            && place <= LEAST_SHARE * length + scale_m(scale) / PER_WINDOW
        {
            let shared = length - place + 0.5 * scale_m(scale) / PER_WINDOW;
            search(&self.top, scale, place, 0.0, shared);
            search(&self.bottom, scale, length - place - scale_m(scale), 1.0, shared);
            place += scale_m(scale) / PER_WINDOW;
        }
        let shortest = scale_within(LEAST_SHARE * length / (STRETCHED * STRETCHED)).unwrap_or(0);
        for scale in shortest..=scale_within(length).unwrap_or(0) {
            let spare = (length - scale_m(scale)).max(0.0);
            let count = (spare / scale_m(scale) * PER_WINDOW).ceil().max(1.0);
            for k in 0..=count as u32 {
                search(
                    &self.longest,
                    scale,
                    f64::from(k) / count * spare,
                    0.0,
                    f64::INFINITY,
                );
            }
        }
        found.sort_unstable_by(|a, b| {
            a.grade
                .cmp(&b.grade)
                .then_with(|| a.squared.total_cmp(&b.squared))
        });
        found.dedup_by_key(|n| n.grade);
        found
    }
}

/// Returns the least that a descent shares with a grade of a length, m as the descent measures it.
fn least_shared(length_m: f64) -> f64 {
    LEAST_SHARE * length_m / STRETCHED
}
