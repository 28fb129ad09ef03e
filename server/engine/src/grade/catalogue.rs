//! The catalogue: finds the few grades worth fitting among many.
//!
//! Most descents cover a whole grade, since both begin at a crest and end at a low. So grades of about the same length,
//! drop and altitude are looked at first, and only when none of them is convincing those that could overlap by half.
//! Either way a grade is first compared at a few points for each place along the road, given up as soon as the
//! differences spread too far, and the best few are fitted.

use super::{
    Grade, GradeProblem, LEAST_SHARE, MAX_OFFSET_M, MAX_SCALE_ERROR,
    decide::{Candidate, decide, fits, score},
    fit::{limit_m, refine},
    shape::{DescentShape, PROBES},
    verdict::Match,
};

/// Altitudes kept of each grade for the first look.
const SKETCH: usize = 64;
/// Most grades that are fitted in each of the two rounds, and by how much the first look may speak against them,
/// compared with the most promising.
const MOST_FITTED: usize = 8;
const PROMISING: f32 = 0.4;
/// Length, drop and end altitudes within which a descent may cover a whole grade: ratio, then m.
const WHOLE_RATIO: f64 = 0.08;
const WHOLE_DROP_M: f64 = 10.0;
/// Altitude error beside the offset, m.
const ALTITUDE_SLACK_M: f64 = 8.0;
/// Steps of the first look, m: as fine as the roughness of the road demands.
const STEP_M: (f64, f64) = (25.0, 120.0);
/// Altitude by which a road may wander within half a step, which sets the step, m.
const STEP_WANDER_M: f64 = 1.5;
/// Shares of grade and descent from which a grade counts as covered whole.
const WHOLE_SHARE: f64 = 0.85;
/// Score of a fit to a whole grade that makes a look at partial overlaps needless.
const CONVINCING: f64 = 0.6;

/// What decides quickly whether a grade is worth a look. Units m, gradients as rise over run.
#[derive(Clone, Copy, Debug)]
struct Key {
    length: f32,
    top: f32,
    bottom: f32,
    /// Steepest and flattest mean gradient over at least half of it.
    steepest: f32,
    flattest: f32,
    resolution: f32,
}

/// Known grades, indexed by shape.
#[derive(Clone, Debug, Default)]
pub struct Catalogue {
    /// Ascending by length, then identifier.
    grades: Vec<Grade>,
    keys: Vec<Key>,
    sketches: Vec<[f32; SKETCH]>,
}

/// A grade that cannot be in a catalogue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CatalogueProblem {
    /// Identifier of the grade.
    pub grade: String,
    /// What is wrong with it.
    pub problem: GradeProblem,
}

impl std::fmt::Display for CatalogueProblem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "grade `{}`: {}", self.grade, self.problem)
    }
}

impl Catalogue {
    /// Builds a catalogue. Returns every mistake of every grade.
    pub fn new(mut grades: Vec<Grade>) -> Result<Self, Vec<CatalogueProblem>> {
        let mut found: Vec<CatalogueProblem> = grades
            .iter()
            .flat_map(|g| {
                g.problems().into_iter().map(|problem| CatalogueProblem {
                    grade: g.grade.clone(),
                    problem,
                })
            })
            .collect();
        let mut names: Vec<&str> = grades.iter().map(|g| g.grade.as_str()).collect();
        names.sort_unstable();
        for twice in names.windows(2).filter(|w| w[0] == w[1]) {
            found.push(CatalogueProblem {
                grade: twice[0].to_owned(),
                problem: GradeProblem {
                    field: "grade",
                    description: "is there twice: give each grade its own identifier".to_owned(),
                },
            });
        }
        if !found.is_empty() {
            return Err(found);
        }
        grades.sort_by(|a, b| {
            a.profile
                .length_m()
                .total_cmp(&b.profile.length_m())
                .then_with(|| a.grade.cmp(&b.grade))
        });
        let sketches: Vec<[f32; SKETCH]> = grades
            .iter()
            .map(|g| {
                let step = g.profile.length_m() / (SKETCH - 1) as f64;
                std::array::from_fn(|i| g.profile.altitude_at(i as f64 * step) as f32)
            })
            .collect();
        let keys = grades
            .iter()
            .zip(&sketches)
            .map(|(g, sketch)| {
                let length = g.profile.length_m() as f32;
                let (steepest, flattest) = gradients(sketch, length);
                Key {
                    length,
                    top: g.profile.top_altitude_m() as f32,
                    bottom: g.profile.bottom_altitude_m() as f32,
                    steepest,
                    flattest,
                    resolution: g.profile.resolution_m() as f32,
                }
            })
            .collect();
        Ok(Self {
            grades,
            keys,
            sketches,
        })
    }

    /// Returns the number of grades.
    pub fn len(&self) -> usize {
        self.grades.len()
    }

    /// Returns whether there are no grades.
    pub fn is_empty(&self) -> bool {
        self.grades.is_empty()
    }

    /// Returns the grades, shortest first.
    pub fn grades(&self) -> &[Grade] {
        &self.grades
    }

    /// Returns the grade with an identifier.
    pub fn grade(&self, id: &str) -> Option<&Grade> {
        self.grades.iter().find(|g| g.grade == id)
    }

    /// Finds the grade of a descent.
    ///
    /// ```
    /// use coldbrake_engine::{ProfilePoint, grade::{Catalogue, DescentShape, Grade, GradeProfile, Match}};
    /// // 5 km with a gradient that changes every 500 m.
    /// let steep = [0.03, 0.08, 0.05, 0.09, 0.06, 0.02, 0.07, 0.10, 0.05, 0.08];
    /// let altitude = |s: f64| (0..10).fold(1500.0, |h, k| h - steep[k] * (s - 500.0 * k as f64).clamp(0.0, 500.0));
    /// let points: Vec<_> = (0..=50).map(|k| 100.0 * k as f64).map(|s| (s, altitude(s))).collect();
    /// let catalogue = Catalogue::new(vec![Grade {
    ///     grade: "north-ramp".to_owned(),
    ///     display_name: "North ramp".to_owned(),
    ///     profile: GradeProfile::from_points(&points).unwrap(),
    ///     top: None,
    ///     bottom: None,
    /// }]).unwrap();
    /// // The altimeter stands 20 m high, the odometer counts 2 % too much.
    /// let driven: Vec<_> = (1..=50).map(|k| 100.0 * k as f64).map(|s| ProfilePoint {
    ///     distance_m: (1.02 * s) as f32,
    ///     altitude_m: (altitude(s) + 20.0) as f32,
    ///     ..ProfilePoint::default()
    /// }).collect();
    /// let shape = DescentShape::new(1520.0, &driven, None, None).unwrap();
    /// let Match::Found(fit) = catalogue.matches(&shape) else { panic!() };
    /// assert_eq!(fit.grade, "north-ramp");
    /// assert!(fit.score > 0.9 && fit.coverage > 0.98 && (fit.scale - 1.02).abs() < 0.005);
    /// ```
    pub fn matches(&self, shape: &DescentShape) -> Match {
        let look = Look::new(shape);
        let mut found = self.fitted(&look, true, MOST_FITTED);
        let is_whole = |c: &Candidate<'_>| {
            fits(c, shape) && c.alignment.coverage >= WHOLE_SHARE && c.alignment.inside >= WHOLE_SHARE
        };
        // Only what is whole was found among few; the rest is found again among many.
        found.retain(is_whole);
        if found.iter().any(|c| score(c, shape) >= CONVINCING) {
            let verdict = decide(&found, shape);
            if !matches!(verdict, Match::None { .. }) {
                return verdict;
            }
        }
        for c in self.fitted(&look, false, MOST_FITTED) {
            match found.iter_mut().find(|f| f.grade.grade == c.grade.grade) {
                Some(f) if c.alignment.misfit_m < f.alignment.misfit_m && !is_whole(&c) => *f = c,
                Some(_) => {}
                None => found.push(c),
            }
        }
        decide(&found, shape)
    }

    /// Returns all grades that a descent may cover whole, fitted, however many they are.
    pub(super) fn all_whole_fits(&self, shape: &DescentShape) -> Vec<Candidate<'_>> {
        self.fitted(&Look::new(shape), true, usize::MAX)
    }

    /// Fits the most promising grades, `whole` or partly covered.
    fn fitted(&self, look: &Look<'_>, whole: bool, most: usize) -> Vec<Candidate<'_>> {
        let (shortest, longest) = look.lengths(whole);
        let from = self.keys.partition_point(|k| k.length < shortest);
        let to = self.keys.partition_point(|k| k.length <= longest);
        let mut trials = 0.0;
        let mut promising = Promising::default();
        for i in from..to.max(from) {
            let key = &self.keys[i];
            if !look.is_worth(key, whole) {
                continue;
            }
            let limit = limit_m(look.shape, f64::from(key.resolution));
            let (best, tried) = look.compare(key, &self.sketches[i], limit, whole);
            trials += tried;
            if let Some((cost, shift)) = best {
                promising.offer(cost, i, shift, most);
            }
        }
        let bar = promising.best.first().map_or(0.0, |b| b.0)
            + if most == MOST_FITTED {
                PROMISING
            } else {
                f32::INFINITY
            };
        promising
            .best
            .iter()
            .take_while(|b| b.0 <= bar)
            .filter_map(|&(_, i, shift)| {
                let grade = &self.grades[i];
                let alignment = refine(look.shape, &grade.profile, f64::from(shift))?;
                Some(Candidate {
                    grade,
                    alignment,
                    trials,
                })
            })
            .collect()
    }
}

/// The cheapest few, in order.
#[derive(Default)]
struct Promising {
    best: Vec<(f32, usize, f32)>,
}

impl Promising {
    fn offer(&mut self, cost: f32, i: usize, shift: f32, most: usize) {
        let at = self.best.partition_point(|b| b.0 <= cost);
        if at < most {
            self.best.truncate(most - 1);
            self.best.insert(at, (cost, i, shift));
        }
    }
}

/// Steepest and flattest mean gradient over at least half of a profile at equal steps.
fn gradients(altitudes: &[f32], length: f32) -> (f32, f32) {
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

/// A descent, prepared for the first look.
struct Look<'a> {
    shape: &'a DescentShape,
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
    fn new(shape: &'a DescentShape) -> Self {
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
    fn lengths(&self, whole: bool) -> (f32, f32) {
        let by = (1.0 + MAX_SCALE_ERROR)
            * if whole {
                1.0 + WHOLE_RATIO
            } else {
                1.0 / LEAST_SHARE
            };
        (self.length / by as f32, self.length * by as f32)
    }

    /// Returns whether a grade of suitable length is worth a comparison.
    fn is_worth(&self, key: &Key, whole: bool) -> bool {
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

    /// Compares with a grade at each place along the road. Returns the best cost and shift, if any comes near, and how
    /// many independent places were tried.
    fn compare(
        &self,
        key: &Key,
        sketch: &[f32; SKETCH],
        limit_m: f64,
        whole: bool,
    ) -> (Option<(f32, f32)>, f64) {
        let per_m = (SKETCH - 1) as f32 / key.length;
        let at = |p: f32| {
            let x = p * per_m;
            let i = (x as usize).min(SKETCH - 2);
            sketch[i] + (sketch[i + 1] - sketch[i]) * (x - i as f32)
        };
        let longer = self.length.max(key.length);
        let need = (LEAST_SHARE / (1.0 + MAX_SCALE_ERROR)) as f32 * longer;
        let (mut low, mut high) = (need - self.length, key.length - need);
        if whole {
            let by = (WHOLE_RATIO + MAX_SCALE_ERROR) as f32 * longer;
            low = low.max(-by);
            high = high.min(by);
        }
        let rough = self.shape.roughness as f32;
        let blur = rough * (0.5 * self.step + 0.3 / per_m);
        let worst = limit_m as f32 + blur;
        let near = 1.8 * worst + 0.25 * MAX_SCALE_ERROR as f32 * self.drop.abs();
        let spread = 3.5 * worst + 0.8 * MAX_SCALE_ERROR as f32 * self.drop.abs();
        let off = (MAX_OFFSET_M + ALTITUDE_SLACK_M) as f32 + 0.02 * self.drop.abs();
        // The middle of the descent lies on the grade whatever the overlap: where its altitude does not suit, no place does.
        let within = |a: &f32| (self.middle.1 - *a).abs() <= off;
        let (Some(first), Some(last)) = (sketch.iter().position(within), sketch.iter().rposition(within))
        else {
            return (None, 0.0);
        };
        let cell = 1.0 / per_m;
        low = low.max((first as f32 - 1.0) * cell - self.middle.0);
        high = high.min((last as f32 + 1.0) * cell - self.middle.0);
        let mut best: Option<(f32, f32)> = None;
        let mut tried = 0_u32;
        let mut k = (low / self.step).ceil() as i32;
        let last = (high / self.step).floor() as i32;
        while k <= last {
            let shift = k as f32 * self.step;
            k += 1;
            let middle = self.middle.1 - at((shift + self.middle.0).clamp(0.0, key.length));
            if middle.abs() > off {
                continue;
            }
            tried += 1;
            let differs = |(s, h): (f32, f32)| {
                let p = shift + s;
                (0.0..=key.length).contains(&p) && (h - at(p) - middle).abs() > near
            };
            if self.quarters.into_iter().any(differs) {
                continue;
            }
            if let Some(misfit) = self.misfit(shift, key.length, spread, at)
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
        let trials = f64::from(tried) * f64::from(self.step) / super::shape::STRETCH_M;
        (best, if tried > 0 { trials.max(1.0) } else { 0.0 })
    }

    /// Returns the misfit at one place after offset and scale; `None` when the differences spread too far.
    fn misfit(&self, shift: f32, length: f32, spread: f32, at: impl Fn(f32) -> f32) -> Option<f32> {
        let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
        let (mut n, mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0_f32, 0.0, 0.0, 0.0, 0.0, 0.0);
        for &(s, h) in &self.probes {
            let p = shift + s;
            if p < 0.0 || p > length {
                continue;
            }
            let road = at(p);
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
    use crate::grade::GradeProfile;

    fn grade(id: &str) -> Grade {
        Grade {
            grade: id.to_owned(),
            display_name: String::new(),
            profile: GradeProfile::from_points(&[(0.0, 900.0), (2000.0, 800.0)]).unwrap(),
            top: None,
            bottom: None,
        }
    }

    #[test]
    fn mistakes_of_all_grades_come_at_once() {
        let found = Catalogue::new(vec![grade("a"), grade("A"), grade("b"), grade("b")]).unwrap_err();
        let said: Vec<_> = found.iter().map(ToString::to_string).collect();
        assert_eq!(found.len(), 2, "{said:?}");
        assert!(said[0].starts_with("grade `A`: `grade` must be"), "{said:?}");
        assert!(said[1].contains("is there twice"), "{said:?}");
    }

    #[test]
    fn an_empty_catalogue_knows_nothing() {
        let points = (1..=20)
            .map(|k| f64::from(k) * 100.0)
            .map(|s| (s, 900.0 - 0.05 * s));
        let shape = DescentShape::from_points(900.0, points, None, None).unwrap();
        let verdict = Catalogue::default().matches(&shape);
        assert!(matches!(verdict, Match::None { best: None, .. }), "{verdict}");
    }

    #[test]
    fn gradients_are_those_of_halves_at_least() {
        let (steepest, flattest) = gradients(&[100.0, 90.0, 80.0, 79.0, 78.0], 400.0);
        assert!((steepest + 0.1).abs() < 1e-6 && (flattest + 0.01).abs() < 1e-6);
    }

    #[test]
    fn the_cheapest_few_are_kept_in_order() {
        let mut p = Promising::default();
        for i in 0..50_u16 {
            p.offer(f32::from((i * 37) % 50), usize::from(i), 0.0, MOST_FITTED);
        }
        let costs: Vec<_> = p.best.iter().map(|b| b.0 as i32).collect();
        assert_eq!(costs, (0..MOST_FITTED as i32).collect::<Vec<_>>());
    }
}
