//! From fits to a verdict.

use super::{
    Grade, MAX_CHANCE, MAX_OFFSET_M, MAX_SCALE_ERROR,
    chance::{most_log_ratio, same_road_log_ratio},
    fit::{Alignment, limit_m, residuals},
    shape::DescentShape,
    verdict::{Fit, Match, Unmatched},
};

/// Advantage in squared deviations that decides between two grades: odds of about 8000 to 1.
const DECIDED: f64 = 18.0;
/// What a unit of road costs that only one of descent and grade has, in squared deviations.
const UNSHARED_COST: f64 = 3.0;
/// What agreeing positions are worth, in squared deviations: more than enough to decide.
const POSITION_WORTH: f64 = 4.0 * DECIDED;
/// Shortest unit of road: what the altitude filter mixes, m.
const LEAST_UNIT_M: f64 = 80.0;
/// Most units in a descent.
const MOST_UNITS: f64 = 60.0;
/// Usual altitude offset and relative distance error, as standard deviations: 30 m and 3 % either way, spread
/// evenly.
const USUAL_OFFSET_M: f64 = 18.0;
const USUAL_SCALE_ERROR: f64 = 0.018;
/// How far off the road positions may be, m.
const POSITION_SLACK_M: f64 = 300.0;

/// A grade that was fitted.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate<'a> {
    pub(super) grade: &'a Grade,
    pub(super) alignment: Alignment,
    /// Whether it was found among the grades that may be covered whole.
    pub(super) whole: bool,
}

/// What positions say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Places {
    Unknown,
    Agree,
    Elsewhere,
}

/// Returns what positions say: a place on the road is no farther away in a straight line than along the road.
fn places(c: &Candidate<'_>, shape: &DescentShape) -> Places {
    let a = &c.alignment;
    let below = c.grade.profile.length_m() - a.shift_m - a.stretch * shape.length_m;
    let mut said = Places::Unknown;
    for (streamed, known, along_m) in [
        (shape.start, c.grade.top, a.shift_m),
        (shape.end, c.grade.bottom, below),
    ] {
        if let (Some(streamed), Some(known)) = (streamed, known) {
            if streamed.distance_m(known) > along_m.abs() * (1.0 + MAX_SCALE_ERROR) + POSITION_SLACK_M {
                return Places::Elsewhere;
            }
            said = Places::Agree;
        }
    }
    said
}

/// Returns whether positions leave the place possible.
pub(super) fn is_possible_place(c: &Candidate<'_>, shape: &DescentShape) -> bool {
    places(c, shape) != Places::Elsewhere
}

/// Returns the logarithm of how much likelier offset and scale are for instruments that are off as usual than for another
/// road, which would take any that are allowed.
fn instruments_log_ratio(a: &Alignment) -> f64 {
    let log_ratio = |error: f64, usual: f64, allowed: f64| {
        let deviations = error / usual;
        (2.0 * allowed / (usual * std::f64::consts::TAU.sqrt())).ln() - 0.5 * deviations * deviations
    };
    log_ratio(a.offset_m, USUAL_OFFSET_M, MAX_OFFSET_M)
        + log_ratio(a.stretch - 1.0, USUAL_SCALE_ERROR, MAX_SCALE_ERROR)
}

/// A candidate that fits, with what speaks for it.
#[derive(Clone, Copy, Debug)]
struct Weighed<'a> {
    candidate: Candidate<'a>,
    by_position: bool,
    /// Logarithm of how much likelier the same road is than another.
    log_ratio: f64,
    /// What speaks against it when candidates are compared, in squared deviations.
    cost: f64,
}

/// Weighs a candidate.
fn weigh<'a>(c: &Candidate<'a>, shape: &DescentShape, by_position: bool) -> Weighed<'a> {
    let a = &c.alignment;
    let left = residuals(shape, &c.grade.profile, a);
    let log_ratio = same_road_log_ratio(&left, shape) + instruments_log_ratio(a);
    Weighed {
        candidate: *c,
        by_position,
        log_ratio,
        cost: UNSHARED_COST * a.unshared_m() / unit_m(shape)
            - 2.0 * log_ratio
            - if by_position { POSITION_WORTH } else { 0.0 },
    }
}

/// Returns the fit as it leaves the crate. `trials` says how many ways of laying the descent on grades there are, whole
/// or not, as closely as the log ratio asks for.
fn fit(w: &Weighed<'_>, shape: &DescentShape, trials: impl Fn(bool, f64) -> f64) -> Fit {
    let a = &w.candidate.alignment;
    Fit {
        grade: w.candidate.grade.grade.clone(),
        score: score(&w.candidate, shape),
        coverage: a.coverage,
        inside: a.inside,
        scale: 1.0 / a.stretch,
        shift_m: a.shift_m,
        offset_m: a.offset_m,
        misfit_m: a.misfit_m,
        chance: if w.by_position {
            0.0
        } else {
            trials(w.candidate.whole, w.log_ratio) * (-w.log_ratio).exp()
        },
        by_position: w.by_position,
    }
}

/// Returns how well altitude differences agree, 0 to 1; 0.5 is the limit.
pub(super) fn score(c: &Candidate<'_>, shape: &DescentShape) -> f64 {
    let limit = limit_m(shape, c.grade.profile.resolution_m());
    (1.0 - 0.5 * c.alignment.misfit_m / limit).max(0.0)
}

/// Returns whether a candidate fits as a match must.
pub(super) fn fits(c: &Candidate<'_>, shape: &DescentShape) -> bool {
    c.alignment.is_admissible() && score(c, shape) >= 0.5
}

/// Decides. Returns what speaks against the best as well, in squared deviations, infinite without one.
pub(super) fn decide(
    candidates: &[Candidate<'_>],
    shape: &DescentShape,
    trials: impl Fn(bool, f64) -> f64 + Copy,
) -> (Match, f64) {
    let mut elsewhere: Option<&Candidate<'_>> = None;
    let mut ranked: Vec<Weighed<'_>> = Vec::new();
    for c in candidates.iter().filter(|c| fits(c, shape)) {
        match places(c, shape) {
            Places::Elsewhere => elsewhere = elsewhere.or(Some(c)),
            said => ranked.push(weigh(c, shape, said == Places::Agree)),
        }
    }
    // The sort is stable and candidates come in a fixed order: equal costs do not make the verdict depend on anything
    // else.
    ranked.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let Some(best) = ranked.first() else {
        return (none(candidates, elsewhere, shape, trials), f64::INFINITY);
    };
    let first = fit(best, shape, trials);
    let roughly = |whole, _: f64| trials(whole, f64::INFINITY);
    let verdict = if first.chance > MAX_CHANCE {
        Match::None {
            best: Some(first),
            reason: Unmatched::TooPlain,
        }
    } else {
        match ranked.get(1) {
            Some(next) if next.cost - best.cost < DECIDED => Match::Ambiguous {
                first,
                second: fit(next, shape, roughly),
            },
            _ => Match::Found(first),
        }
    };
    (verdict, best.cost)
}

/// Returns whether a grade of a length, whose means over parts differ by at least a misfit, can come near a cost.
pub(super) fn can_rival(cost: f64, length_m: f64, misfit_m: f64, shape: &DescentShape) -> bool {
    let by_position = if shape.start.is_some() || shape.end.is_some() {
        POSITION_WORTH
    } else {
        0.0
    };
    let best = most_log_ratio(misfit_m, shape) + most_of_instruments();
    // What is longer on one side is not shared, whatever the scale.
    let unshared_m = (length_m - shape.length_m).abs() - 2.0 * MAX_SCALE_ERROR * length_m.max(shape.length_m);
    let unshared = UNSHARED_COST * unshared_m.max(0.0) / unit_m(shape);
    cost + DECIDED >= unshared - 2.0 * best - by_position
}

/// Returns the unit in which road that is not shared is counted, m.
fn unit_m(shape: &DescentShape) -> f64 {
    (shape.length_m / MOST_UNITS).max(LEAST_UNIT_M)
}

/// Returns the largest log ratio that instruments can speak for.
fn most_of_instruments() -> f64 {
    instruments_log_ratio(&Alignment {
        shift_m: 0.0,
        stretch: 1.0,
        offset_m: 0.0,
        misfit_m: 0.0,
        overlap_m: 0.0,
        coverage: 0.0,
        inside: 0.0,
    })
}

/// Returns the verdict when nothing fits.
fn none(
    candidates: &[Candidate<'_>],
    elsewhere: Option<&Candidate<'_>>,
    shape: &DescentShape,
    trials: impl Fn(bool, f64) -> f64,
) -> Match {
    let closest = elsewhere.or_else(|| {
        candidates
            .iter()
            .filter(|c| c.alignment.is_admissible() && score(c, shape) > 0.0)
            .max_by(|a, b| score(a, shape).total_cmp(&score(b, shape)))
    });
    Match::None {
        best: closest.map(|c| {
            fit(&weigh(c, shape, false), shape, |whole, _| {
                trials(whole, f64::INFINITY)
            })
        }),
        reason: if elsewhere.is_some() {
            Unmatched::Elsewhere
        } else {
            Unmatched::NothingClose
        },
    }
}
