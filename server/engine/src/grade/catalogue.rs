//! The catalogue: finds the few grades worth fitting among many.
//!
//! Most descents cover a whole grade, since both begin at a crest and end at a low. So grades of about the same length,
//! drop and altitude are looked at first, and only when none of them is convincing those that could overlap by half, of
//! which the index leaves a few. Either way a grade is first compared at a few points for each place along
//! the road, given up as soon as the differences spread too far, and the best few are fitted.

use std::{cell::Cell, ops::Range};

use super::{
    Grade, GradeProblem, MAX_CHANCE,
    decide::{Candidate, can_rival, decide, fits, score},
    fit::{limit_m, refine},
    index::{Index, Near},
    look::{Key, Look, SKETCH, gradients},
    shape::DescentShape,
    verdict::Match,
};

/// Most grades that are fitted in each of the two rounds, and by how much the first look may speak against them,
/// compared with the most promising.
const MOST_FITTED: usize = 8;
const PROMISING: f32 = 0.4;
/// Shares of grade and descent from which a grade counts as covered whole.
const WHOLE_SHARE: f64 = 0.85;
/// Score of a fit to a whole grade that makes a look at partial overlaps needless.
const CONVINCING: f64 = 0.6;
/// Misfit of windows at the closer look, m: what instruments as they should be leave of the means over parts of a road.
const CLOSE_M: f64 = 1.5;

/// Number of grades of suitable length up to which a look at each is quicker than the index.
const FEW: usize = 500;

/// Known grades, indexed by shape.
#[derive(Clone, Debug, Default)]
pub struct Catalogue {
    /// Ascending by length, then identifier.
    grades: Vec<Grade>,
    keys: Vec<Key>,
    sketches: Vec<[f32; SKETCH]>,
    index: Index,
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
            index: Index::new(&grades),
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
        let counted = [Cell::new(None), Cell::new(None)];
        let trials = |whole: bool, log_ratio: f64| {
            let most = self.most_trials(&look, whole);
            if most * (-log_ratio).exp() <= MAX_CHANCE {
                return most;
            }
            let counted = &counted[usize::from(whole)];
            counted.get().unwrap_or_else(|| {
                let exact = self.trials(&look, whole);
                counted.set(Some(exact));
                exact
            })
        };
        let whole = self.whole(&look);
        if let Some(verdict) = convincing(&whole, shape, trials) {
            return verdict;
        }
        let suitable = self.of_length(&look, false);
        if suitable.len() < FEW {
            return decide(&self.and_parts(&look, &whole, suitable), shape, trials).0;
        }
        let found = self
            .index
            .find(shape, &(suitable.start as u32..suitable.end as u32));
        // Those that differ more are left out at first: most cannot come near a winner.
        let is_close = |n: &Near| f64::from(n.squared) <= CLOSE_M * CLOSE_M;
        let close = found.iter().filter(|n| is_close(n)).map(|n| n.grade as usize);
        let (verdict, cost) = decide(&self.and_parts(&look, &whole, close), shape, trials);
        let counts = |n: &&Near| {
            let length = f64::from(self.keys[n.grade as usize].length);
            is_close(n) || can_rival(cost, length, f64::from(n.squared).sqrt(), shape)
        };
        if found.iter().filter(counts).all(is_close) {
            return verdict;
        }
        let all = found.iter().filter(counts).map(|n| n.grade as usize);
        decide(&self.and_parts(&look, &whole, all), shape, trials).0
    }

    /// Finds the grade of a descent by a look at every grade, which takes long: what [`Catalogue::matches`] must come to as
    /// well, for tests.
    #[doc(hidden)]
    pub fn matches_by_all(&self, shape: &DescentShape) -> Match {
        let look = Look::new(shape);
        let trials = |whole: bool, _: f64| self.trials(&look, whole);
        let whole = self.whole(&look);
        convincing(&whole, shape, trials).unwrap_or_else(|| {
            let all = self.of_length(&look, false);
            decide(&self.and_parts(&look, &whole, all), shape, trials).0
        })
    }

    /// Returns the fits to grades that are covered whole.
    fn whole(&self, look: &Look<'_>) -> Vec<Candidate<'_>> {
        let mut found = self.fitted(look, true, MOST_FITTED, self.of_length(look, true));
        // Only what is whole was found among few; the rest is found again among many.
        found.retain(|c| is_whole(c, look.shape));
        found
    }

    /// Returns them together with the fits to grades that are partly covered.
    fn and_parts<'a>(
        &'a self,
        look: &Look<'_>,
        whole: &[Candidate<'a>],
        among: impl Iterator<Item = usize>,
    ) -> Vec<Candidate<'a>> {
        let mut found = whole.to_vec();
        for c in self.fitted(look, false, MOST_FITTED, among) {
            match found.iter_mut().find(|f| f.grade.grade == c.grade.grade) {
                Some(f) if c.alignment.misfit_m < f.alignment.misfit_m && !is_whole(&c, look.shape) => *f = c,
                Some(_) => {}
                None => found.push(c),
            }
        }
        found
    }

    /// Returns all grades that a descent may cover whole, fitted, however many they are.
    pub(super) fn all_whole_fits(&self, shape: &DescentShape) -> Vec<Candidate<'_>> {
        let look = Look::new(shape);
        self.fitted(&look, true, usize::MAX, self.of_length(&look, true))
    }

    /// Returns the range of grades of suitable length.
    fn of_length(&self, look: &Look<'_>, whole: bool) -> Range<usize> {
        let (shortest, longest) = look.lengths(whole);
        let from = self.keys.partition_point(|k| k.length < shortest);
        let to = self.keys.partition_point(|k| k.length <= longest);
        from..to.max(from)
    }

    /// Returns how many independent ways there are of laying a descent on grades.
    fn trials(&self, look: &Look<'_>, whole: bool) -> f64 {
        self.of_length(look, whole)
            .filter(|i| look.is_worth(&self.keys[*i], whole))
            .map(|i| look.trials(&self.keys[i], &self.sketches[i], whole))
            .sum()
    }

    /// Returns a quick bound on it.
    fn most_trials(&self, look: &Look<'_>, whole: bool) -> f64 {
        self.of_length(look, whole).len() as f64 * look.most_trials(whole)
    }

    /// Fits the most promising of the given grades of suitable length, `whole` or partly covered.
    fn fitted(
        &self,
        look: &Look<'_>,
        whole: bool,
        most: usize,
        among: impl Iterator<Item = usize>,
    ) -> Vec<Candidate<'_>> {
        let mut promising = Promising::default();
        for i in among {
            let key = &self.keys[i];
            if !look.is_worth(key, whole) {
                continue;
            }
            let limit = limit_m(look.shape, f64::from(key.resolution));
            if let Some((cost, shift)) = look.compare(key, &self.sketches[i], limit, whole) {
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
                    whole,
                })
            })
            .collect()
    }
}

fn is_whole(c: &Candidate<'_>, shape: &DescentShape) -> bool {
    fits(c, shape) && c.alignment.coverage >= WHOLE_SHARE && c.alignment.inside >= WHOLE_SHARE
}

/// Returns the verdict when a grade that is covered whole is convincing.
fn convincing(
    whole: &[Candidate<'_>],
    shape: &DescentShape,
    trials: impl Fn(bool, f64) -> f64 + Copy,
) -> Option<Match> {
    if whole.iter().all(|c| score(c, shape) < CONVINCING) {
        return None;
    }
    let (verdict, _) = decide(whole, shape, trials);
    (!matches!(verdict, Match::None { .. })).then_some(verdict)
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
    fn the_cheapest_few_are_kept_in_order() {
        let mut p = Promising::default();
        for i in 0..50_u16 {
            p.offer(f32::from((i * 37) % 50), usize::from(i), 0.0, MOST_FITTED);
        }
        let costs: Vec<_> = p.best.iter().map(|b| b.0 as i32).collect();
        assert_eq!(costs, (0..MOST_FITTED as i32).collect::<Vec<_>>());
    }
}
