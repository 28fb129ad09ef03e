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
const SHARED_PER_WINDOW: f64 = std::f64::consts::SQRT_2 * STRETCHED;
/// What the first order leaves out, as a misfit, m.
const SECOND_ORDER_M: f64 = 0.8;
/// Size of cells on a shelf: altitude, m, and gradient.
const BAND_M: f32 = 128.0;
const GRADIENT: f32 = 0.012;
/// Cells of gradient on either side of level.
const GRADIENTS: i32 = 20;
/// Unit of stored means, m: any grade fits into 16 bits.
const UNIT_M: f32 = 0.15;
/// Slope of a window of unit length and gradient.
const SLOPE_PER_RISE: f32 = 0.810_1;

/// A window of a grade.
#[derive(Clone, Copy, Debug)]
struct Entry {
    means: [i16; PARTS],
    level: f32,
    /// Those after the slope, which is that of the cell.
    features: [f32; FEATURES - 1],
    grade: u32,
    resolution: f32,
}

/// Windows of one length.
#[derive(Clone, Debug, Default)]
struct Shelf {
    rise: f32,
    lowest: i32,
    /// Where each cell begins, row by row of one altitude.
    starts: Vec<u32>,
    /// By cell, then bend.
    entries: Vec<Entry>,
    coarsest: f32,
}

fn gradient_cell(slope: f32, rise: f32) -> i32 {
    ((slope / (rise * GRADIENT)).floor() as i32).clamp(-GRADIENTS, GRADIENTS - 1) + GRADIENTS
}

fn band(level: f32) -> i32 {
    (level / BAND_M).floor() as i32
}

impl Shelf {
    fn new(scale: usize, mut windows: Vec<(f32, Entry)>) -> Self {
        let rise = SLOPE_PER_RISE * scale_m(scale) as f32;
        let bands = || windows.iter().map(|(_, e)| band(e.level));
        let (Some(lowest), Some(highest)) = (bands().min(), bands().max()) else {
            return Self::default();
        };
        let cell = |(slope, e): &(f32, Entry)| {
            ((band(e.level) - lowest) * 2 * GRADIENTS + gradient_cell(*slope, rise)) as usize
        };
        windows.sort_unstable_by(|a, b| {
            cell(a)
                .cmp(&cell(b))
                .then_with(|| a.1.features[0].total_cmp(&b.1.features[0]))
                .then_with(|| a.1.grade.cmp(&b.1.grade))
        });
        let mut starts = vec![0_u32; ((highest - lowest + 1) * 2 * GRADIENTS) as usize + 1];
        for w in &windows {
            starts[cell(w) + 1] += 1;
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
            coarsest: windows.iter().map(|w| w.1.resolution).fold(0.0, f32::max),
            entries: windows.into_iter().map(|w| w.1).collect(),
        }
    }

    /// Adds the suitable grades with windows that may be the one that is sought.
    fn find(&self, sought: &Sought, bar: &Bar, suitable: &Range<u32>, found: &mut Vec<u32>) {
        let widest = bar.squared(self.coarsest).sqrt();
        let [(from, to), (least, most), others @ ..] = sought.ranges(widest);
        let (from, to) = (gradient_cell(from, self.rise), gradient_cell(to, self.rise));
        let (level, reach) = (sought.level(), sought.level_reach);
        let rows = self.starts.len() as i32 / (2 * GRADIENTS);
        let low = (band(level - reach) - self.lowest).max(0);
        let high = (band(level + reach) - self.lowest).min(rows - 1);
        for row in low..=high {
            for cell in from..=to {
                let at = (row * 2 * GRADIENTS + cell) as usize;
                let entries = &self.entries[self.starts[at] as usize..self.starts[at + 1] as usize];
                let first = entries.partition_point(|e| e.features[0] < least);
                for e in entries[first..].iter().take_while(|e| e.features[0] <= most) {
                    let alike = suitable.contains(&e.grade)
                        & ((e.level - level).abs() <= reach)
                        & (e.features[1] >= others[0].0)
                        & (e.features[1] <= others[0].1)
                        & (e.features[2] >= others[1].0)
                        & (e.features[2] <= others[1].1);
                    if alike
                        && found.last() != Some(&e.grade)
                        && sought.admits(&e.means.map(|m| UNIT_M * f32::from(m)), bar.squared(e.resolution))
                    {
                        found.push(e.grade);
                    }
                }
            }
        }
    }
}

/// How far a look-up goes.
#[derive(Clone, Debug)]
pub(super) struct Depth {
    /// Share of descent and of grade that the other may lack.
    pub(super) missing: f64,
    /// The grades of suitable length.
    pub(super) suitable: Range<u32>,
    /// Misfit of windows beyond which they are left out, m, even where a fit would be accepted.
    pub(super) at_most_m: f64,
}

/// The misfit that windows may have, by the resolution of the grade's survey.
struct Bar {
    roughness: f64,
    at_most_m: f64,
}

impl Bar {
    fn squared(&self, resolution: f32) -> f32 {
        let misfit = limit_squared(self.roughness, f64::from(resolution)) * SHARED_PER_WINDOW
            + SECOND_ORDER_M * SECOND_ORDER_M;
        misfit.min(self.at_most_m * self.at_most_m) as f32
    }
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
}

impl Index {
    pub(super) fn new(grades: &[Grade]) -> Self {
        let mut kinds: [Vec<Vec<(f32, Entry)>>; 4] = std::array::from_fn(|_| vec![Vec::new(); SCALES]);
        for (grade, i) in grades.iter().zip(0..) {
            let length = grade.profile.length_m();
            let altitudes = grade.profile.altitudes().iter().map(|a| f64::from(*a)).collect();
            let course = Course::new(length, altitudes);
            let entry = |from: f64, scale: usize| {
                let w = Window::new(&course, from, scale_m(scale));
                let entry = Entry {
                    means: w.means.map(|m| (m / UNIT_M).round() as i16),
                    level: w.level,
                    features: [w.features[1], w.features[2], w.features[3]],
                    grade: i,
                    resolution: grade.profile.resolution_m() as f32,
                };
                (w.features[0], entry)
            };
            let (Some(last), shortest) = (scale_within(length), least_shared(length) / STRETCHED) else {
                continue;
            };
            for scale in scale_within(shortest).unwrap_or(0)..=last {
                let spare = length - scale_m(scale);
                let count = (spare / scale_m(scale) * PER_WINDOW).ceil().max(1.0);
                for k in 0..=count as u32 {
                    kinds[0][scale].push(entry(f64::from(k) / count * spare, scale));
                }
                kinds[1][scale].push(entry(0.0, scale));
                kinds[2][scale].push(entry(spare, scale));
            }
            if let Some(scale) = scale_within(length / STRETCHED) {
                kinds[3][scale].push(entry(0.0, scale));
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
        }
    }

    /// Returns the grades that may lie under a descent, ascending.
    pub(super) fn find(&self, shape: &DescentShape, course: &Course, depth: &Depth) -> Vec<u32> {
        let mut found = Vec::new();
        let length = shape.length_m;
        let bar = Bar {
            roughness: shape.roughness,
            at_most_m: depth.at_most_m,
        };
        let mut search = |shelves: &[Shelf], scale: usize, from: f64, pivot: f64| {
            let Some(shelf) = shelves.get(scale).filter(|s| !s.entries.is_empty()) else {
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
            let sought = Sought::new(course, from, window, within);
            shelf.find(&sought, &bar, &depth.suitable, &mut found);
        };
        if let Some(scale) = scale_within(length / STRETCHED) {
            search(&self.anywhere, scale, 0.5 * (length - scale_m(scale)), 0.5);
        }
        // Where the grade begins, or counted from below ends.
        let lacking = depth.missing * length;
        let mut place = 0.0;
        while let Some(scale) = scale_within((length - place) / STRETCHED)
            && place <= lacking + scale_m(scale) / PER_WINDOW
        {
            search(&self.top, scale, place, 0.0);
            search(&self.bottom, scale, length - place - scale_m(scale), 1.0);
            place += scale_m(scale) / PER_WINDOW;
        }
        let shortest = scale_within((length - lacking) / (STRETCHED * STRETCHED)).unwrap_or(0);
        for scale in shortest..=scale_within(length).unwrap_or(0) {
            let window = scale_m(scale);
            let step = window / PER_WINDOW;
            let spare = (length - window).max(0.0);
            let count = (spare / step).ceil().max(1.0);
            // Below the window the grade goes on by less than half of it.
            let longest = std::f64::consts::SQRT_2 * STRETCHED * STRETCHED * window;
            for from in (0..=count as u32).map(|k| f64::from(k) / count * spare) {
                if from <= lacking + step && length - from - longest <= lacking + step {
                    search(&self.longest, scale, from, 0.0);
                }
            }
        }
        found.sort_unstable();
        found.dedup();
        found
    }
}

/// Returns the least that a descent shares with a grade of a length, m as the descent measures it.
fn least_shared(length_m: f64) -> f64 {
    LEAST_SHARE * length_m / STRETCHED
}
