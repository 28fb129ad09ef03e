//! From fits to a verdict.

use super::{
    Grade, MAX_CHANCE, MAX_SCALE_ERROR,
    fit::{Alignment, limit_m},
    shape::{DescentShape, STRETCH_M},
    verdict::{Fit, Match, Unmatched},
};

/// Advantage in squared deviations that decides between two grades: odds of about 8000 to 1.
const DECIDED: f64 = 18.0;
/// What a unit of road costs that only one of descent and grade has, in squared deviations.
const UNSHARED_COST: f64 = 3.0;
/// What agreeing positions are worth, in squared deviations: more than enough to decide.
const POSITION_WORTH: f64 = 4.0 * DECIDED;
/// Shortest unit of road whose altitude errors count as independent: what the altitude filter mixes, m.
const LEAST_UNIT_M: f64 = 80.0;
/// Most units in a descent.
const MOST_UNITS: f64 = 60.0;
/// Deviation of single filtered altitudes that is assumed at least, m.
const LEAST_DEVIATION_M: f64 = 0.6;
/// Misfit below which chance is not held to be less likely, m.
const LEAST_MISFIT_M: f64 = 0.3;
/// Stretches that are used up by the choice of place, scale and offset.
const STRETCHES_USED: f64 = 3.0;
/// How far off the road positions may be, m.
const POSITION_SLACK_M: f64 = 300.0;

/// A grade that was fitted.
#[derive(Clone, Copy, Debug)]
pub(super) struct Candidate<'a> {
    pub(super) grade: &'a Grade,
    pub(super) alignment: Alignment,
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

/// Returns how unlikely it is that another road fits as well, as a negative logarithm: over each stretch it would have
/// wandered off by what its gradient varies, and being within the misfit instead has about that ratio as probability.
fn surprise(a: &Alignment, shape: &DescentShape) -> f64 {
    let wander_m = STRETCH_M * shape.roughness;
    let stretches = (a.overlap_m / STRETCH_M - STRETCHES_USED).max(0.0);
    stretches * (wander_m / a.misfit_m.max(LEAST_MISFIT_M)).ln().max(0.0)
}

/// Returns the fit in words that leave the crate.
fn fit(c: &Candidate<'_>, shape: &DescentShape, trials: f64, by_position: bool) -> Fit {
    let a = &c.alignment;
    Fit {
        grade: c.grade.grade.clone(),
        score: score(c, shape),
        coverage: a.coverage,
        inside: a.inside,
        scale: 1.0 / a.stretch,
        shift_m: a.shift_m,
        offset_m: a.offset_m,
        misfit_m: a.misfit_m,
        chance: if by_position {
            0.0
        } else {
            trials * (-surprise(a, shape)).exp()
        },
        by_position,
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

/// Decides. `trials` is how many ways of laying the descent on grades were tried.
pub(super) fn decide(candidates: &[Candidate<'_>], shape: &DescentShape, trials: f64) -> Match {
    let mut elsewhere: Option<&Candidate<'_>> = None;
    let mut fitting: Vec<(&Candidate<'_>, bool)> = Vec::new();
    for c in candidates.iter().filter(|c| fits(c, shape)) {
        match places(c, shape) {
            Places::Elsewhere => elsewhere = elsewhere.or(Some(c)),
            said => fitting.push((c, said == Places::Agree)),
        }
    }
    let deviation = fitting
        .iter()
        .map(|(c, _)| c.alignment.misfit_m)
        .fold(f64::INFINITY, f64::min)
        .max(LEAST_DEVIATION_M);
    let unit_m = (shape.length_m / MOST_UNITS).max(LEAST_UNIT_M);
    let cost = |(c, by_position): &(&Candidate<'_>, bool)| {
        let a = &c.alignment;
        let ratio = a.misfit_m / deviation;
        (a.overlap_m / unit_m) * ratio * ratio + UNSHARED_COST * a.unshared_m() / unit_m
            - if *by_position { POSITION_WORTH } else { 0.0 }
    };
    // The sort is stable and candidates come in a fixed order: equal costs do not make the verdict depend on anything
    // else.
    let mut ranked: Vec<_> = fitting.into_iter().map(|f| (cost(&f), f)).collect();
    ranked.sort_by(|a, b| a.0.total_cmp(&b.0));

    let Some(&(first_cost, (first, by_position))) = ranked.first() else {
        return none(candidates, elsewhere, shape, trials);
    };
    let first = fit(first, shape, trials, by_position);
    if first.chance > MAX_CHANCE {
        return Match::None {
            best: Some(first),
            reason: Unmatched::TooPlain,
        };
    }
    match ranked.get(1) {
        Some(&(cost, (second, by_position))) if cost - first_cost < DECIDED => Match::Ambiguous {
            first,
            second: fit(second, shape, trials, by_position),
        },
        _ => Match::Found(first),
    }
}

/// Returns the verdict when nothing fits.
fn none(
    candidates: &[Candidate<'_>],
    elsewhere: Option<&Candidate<'_>>,
    shape: &DescentShape,
    trials: f64,
) -> Match {
    let closest = elsewhere.or_else(|| {
        candidates
            .iter()
            .filter(|c| c.alignment.is_admissible() && score(c, shape) > 0.0)
            .max_by(|a, b| score(a, shape).total_cmp(&score(b, shape)))
    });
    Match::None {
        best: closest.map(|c| fit(c, shape, trials, false)),
        reason: if elsewhere.is_some() {
            Unmatched::Elsewhere
        } else {
            Unmatched::NothingClose
        },
    }
}
