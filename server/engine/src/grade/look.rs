//! The first look at a grade: whether a descent may lie on it at all, and where about.

use super::{
    LEAST_SHARE, MAX_OFFSET_M, MAX_SCALE_ERROR,
    shape::{DescentShape, PROBES},
};

/// Altitudes kept of each grade for the first look.
pub(super) const SKETCH: usize = 64;
/// Length, drop and end altitudes within which a descent may cover a whole grade: ratio, then m.
const WHOLE_RATIO: f64 = 0.08;
const WHOLE_DROP_M: f64 = 10.0;
/// Altitude error beside the offset, m.
const ALTITUDE_SLACK_M: f64 = 8.0;
/// Steps of the first look, m: as fine as the roughness of the road demands.
const STEP_M: (f64, f64) = (25.0, 120.0);
/// Altitude by which a road may wander within half a step, which sets the step, m.
const STEP_WANDER_M: f64 = 1.5;

/// What decides quickly whether a grade is worth a look. Units m, gradients as rise over run.
#[derive(Clone, Copy, Debug)]
pub(super) struct Key {
    pub(super) length: f32,
    pub(super) top: f32,
    pub(super) bottom: f32,
    /// Steepest and flattest mean gradient over at least half of it.
    pub(super) steepest: f32,
    pub(super) flattest: f32,
    pub(super) resolution: f32,
}

/// Steepest and flattest mean gradient over at least half of a profile at equal steps.
pub(super) fn gradients(altitudes: &[f32], length: f32) -> (f32, f32) {
    let cells = altitudes.len() - 1;
    let step = length / cells as f32;
    let (mut steepest, mut flattest) = (f32::INFINITY, f32::NEG_INFINITY);
    for span in (cells / 2)..=cells {
        for from in 0..=(cells - span) {
            let g = (altitudes[from + span] - altitudes[from]) / (span as f32 * step);
            steepest = steepest.min(g);
            flattest = flattest.max(g);
        }
    }
    (steepest, flattest)
}

/// A sketch of a grade.
#[derive(Clone, Copy)]
struct Road<'a> {
    sketch: &'a [f32; SKETCH],
    per_m: f32,
}

impl Road<'_> {
    fn at(self, p: f32) -> f32 {
        let x = p * self.per_m;
        let i = (x as usize).min(SKETCH - 2);
        self.sketch[i] + (self.sketch[i + 1] - self.sketch[i]) * (x - i as f32)
    }
}

/// Places on a grade: where the top of the descent lies, with the altitude difference in the middle of the descent.
struct Places<'a> {
    road: Road<'a>,
    next: i32,
    last: i32,
    step: f32,
    middle: (f32, f32),
    length: f32,
    off: f32,
}

impl Iterator for Places<'_> {
    type Item = (f32, f32);

    fn next(&mut self) -> Option<(f32, f32)> {
        while self.next <= self.last {
            let shift = self.next as f32 * self.step;
            self.next += 1;
            let at = (shift + self.middle.0).clamp(0.0, self.length);
            let middle = self.middle.1 - self.road.at(at);
            if middle.abs() <= self.off {
                return Some((shift, middle));
            }
        }
        None
    }
}

/// A descent, prepared for the first look.
pub(super) struct Look<'a> {
    pub(super) shape: &'a DescentShape,
    length: f32,
    drop: f32,
    top: f32,
    bottom: f32,
    steepest: f32,
    flattest: f32,
    /// Step along the road.
    step: f32,
    probes: [(f32, f32); PROBES],
    middle: (f32, f32),
    /// A quarter of the length above and below the middle.
    quarters: [(f32, f32); 2],
}

impl<'a> Look<'a> {
    pub(super) fn new(shape: &'a DescentShape) -> Self {
        let length = shape.length_m as f32;
        let altitudes: [f32; PROBES] = std::array::from_fn(|i| shape.probes[i].1);
        let (steepest, flattest) = gradients(&altitudes, length);
        // The ends first, then the middle, then what lies between: what differs shows early.
        let order: [usize; PROBES] = [0, 15, 7, 11, 3, 13, 5, 9, 1, 14, 2, 12, 4, 10, 6, 8];
        let at = |share: f64| {
            let s = share * shape.length_m;
            (s as f32, shape.altitude_at(s) as f32)
        };
        Self {
            shape,
            length,
            drop: shape.drop_m() as f32,
            top: shape.top_m() as f32,
            bottom: shape.bottom_m() as f32,
            steepest,
            flattest,
            step: (2.0 * STEP_WANDER_M / shape.roughness).clamp(STEP_M.0, STEP_M.1) as f32,
            probes: order.map(|i| shape.probes[i]),
            middle: at(0.5),
            quarters: [at(0.25), at(0.75)],
        }
    }

    /// Returns the shortest and longest grade that may be covered.
    pub(super) fn lengths(&self, whole: bool) -> (f32, f32) {
        let by = (1.0 + MAX_SCALE_ERROR)
            * if whole {
                1.0 + WHOLE_RATIO
            } else {
                1.0 / LEAST_SHARE
            };
        (self.length / by as f32, self.length * by as f32)
    }

    /// Returns whether a grade of suitable length is worth a comparison.
    pub(super) fn is_worth(&self, key: &Key, whole: bool) -> bool {
        let off = (MAX_OFFSET_M + ALTITUDE_SLACK_M) as f32;
        if whole {
            let beyond = WHOLE_DROP_M as f32 + WHOLE_RATIO as f32 * self.drop;
            return (self.drop - (key.top - key.bottom)).abs() <= beyond
                && (self.top - key.top).abs() <= off + beyond
                && (self.bottom - key.bottom).abs() <= off + beyond;
        }
        // Gradients of what overlaps must be found in both; heights are off by noise, lengths by the scale.
        let slack = 0.004 + 1.5 * MAX_SCALE_ERROR as f32 * self.steepest.abs();
        self.steepest <= key.flattest + slack
            && key.steepest <= self.flattest + slack
            && self.bottom - off <= key.top
            && key.bottom <= self.top + off
    }

    /// Returns the places on a grade where the middle of the descent has a suitable altitude.
    fn places<'b>(&self, key: &'b Key, sketch: &'b [f32; SKETCH], whole: bool) -> Places<'b> {
        let road = Road {
            sketch,
            per_m: (SKETCH - 1) as f32 / key.length,
        };
        let longer = self.length.max(key.length);
        let need = (LEAST_SHARE / (1.0 + MAX_SCALE_ERROR)) as f32 * longer;
        let (mut low, mut high) = (need - self.length, key.length - need);
        if whole {
            let by = (WHOLE_RATIO + MAX_SCALE_ERROR) as f32 * longer;
            low = low.max(-by);
            high = high.min(by);
        }
        let off = (MAX_OFFSET_M + ALTITUDE_SLACK_M) as f32 + 0.02 * self.drop.abs();
        // The middle of the descent lies on the grade whatever the overlap: where its altitude does not suit, no place does.
        let within = |a: &f32| (self.middle.1 - *a).abs() <= off;
        let (Some(first), Some(last)) = (sketch.iter().position(within), sketch.iter().rposition(within))
        else {
            return Places {
                road,
                next: 1,
                last: 0,
                step: self.step,
                middle: self.middle,
                length: key.length,
                off,
            };
        };
        let cell = 1.0 / road.per_m;
        low = low.max((first as f32 - 1.0) * cell - self.middle.0);
        high = high.min((last as f32 + 1.0) * cell - self.middle.0);
        Places {
            road,
            next: (low / self.step).ceil() as i32,
            last: (high / self.step).floor() as i32,
            step: self.step,
            middle: self.middle,
            length: key.length,
            off,
        }
    }

    /// Returns how many independent places there are on a grade.
    pub(super) fn trials(&self, key: &Key, sketch: &[f32; SKETCH], whole: bool) -> f64 {
        let tried = self.places(key, sketch, whole).count();
        if tried > 0 {
            (tried as f64 * f64::from(self.step) / super::shape::STRETCH_M).max(1.0)
        } else {
            0.0
        }
    }

    /// Returns how many there are at most on a grade of suitable length.
    pub(super) fn most_trials(&self, whole: bool) -> f64 {
        let (_, longest) = self.lengths(whole);
        let from_first_to_last = if whole {
            2.0 * (WHOLE_RATIO + MAX_SCALE_ERROR) as f32 * longest
        } else {
            self.length + MAX_SCALE_ERROR as f32 * longest
        };
        (f64::from(from_first_to_last + self.step) / super::shape::STRETCH_M).max(1.0)
    }

    /// Compares with a grade at each place along the road. Returns the best cost and shift, if any comes near.
    pub(super) fn compare(
        &self,
        key: &Key,
        sketch: &[f32; SKETCH],
        limit_m: f64,
        whole: bool,
    ) -> Option<(f32, f32)> {
        let places = self.places(key, sketch, whole);
        let road = places.road;
        let longer = self.length.max(key.length);
        let rough = self.shape.roughness as f32;
        let blur = rough * (0.5 * self.step + 0.3 / road.per_m);
        let worst = limit_m as f32 + blur;
        let near = 1.8 * worst + 0.25 * MAX_SCALE_ERROR as f32 * self.drop.abs();
        let spread = 3.5 * worst + 0.8 * MAX_SCALE_ERROR as f32 * self.drop.abs();
        let mut best: Option<(f32, f32)> = None;
        for (shift, middle) in places {
            let differs = |(s, h): (f32, f32)| {
                let p = shift + s;
                (0.0..=key.length).contains(&p) && (h - road.at(p) - middle).abs() > near
            };
            if self.quarters.into_iter().any(differs) {
                continue;
            }
            if let Some(misfit) = self.misfit(shift, key.length, spread, road)
                && misfit <= worst
            {
                let overlap = (shift + self.length).min(key.length) - shift.max(0.0);
                let unshared = self.length + key.length - 2.0 * overlap;
                // Half the cost of the verdict for road not shared: here heights are only roughly known.
                let cost = misfit * misfit / (worst * worst) + unshared / longer;
                if best.is_none_or(|(c, _)| cost < c) {
                    best = Some((cost, shift));
                }
            }
        }
        best
    }

    /// Returns the misfit at one place after offset and scale; `None` when the differences spread too far.
    fn misfit(&self, shift: f32, length: f32, spread: f32, on: Road<'_>) -> Option<f32> {
        let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
        let (mut n, mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0_f32, 0.0, 0.0, 0.0, 0.0, 0.0);
        for &(s, h) in &self.probes {
            let p = shift + s;
            if p < 0.0 || p > length {
                continue;
            }
            let road = on.at(p);
            let d = h - road;
            low = low.min(d);
            high = high.max(d);
            if high - low > spread {
                return None;
            }
            // Heights relative to the descent's middle: squares of altitudes would lose digits.
            let x = road - self.middle.1;
            n += 1.0;
            sx += x;
            sy += d;
            sxx += x * x;
            sxy += x * d;
            syy += d * d;
        }
        if n < 5.0 {
            return None;
        }
        let (cxx, cxy, cyy) = (sxx - sx * sx / n, sxy - sx * sy / n, syy - sy * sy / n);
        let tilt = if cxx > 1.0 {
            (cxy / cxx).clamp(-MAX_SCALE_ERROR as f32, MAX_SCALE_ERROR as f32)
        } else {
            0.0
        };
        let left = cyy - 2.0 * tilt * cxy + tilt * tilt * cxx;
        Some((left.max(0.0) / (n - 2.0)).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gradients_are_those_of_halves_at_least() {
        let (steepest, flattest) = gradients(&[100.0, 90.0, 80.0, 79.0, 78.0], 400.0);
        assert!((steepest + 0.1).abs() < 1e-6 && (flattest + 0.01).abs() < 1e-6);
    }
}
