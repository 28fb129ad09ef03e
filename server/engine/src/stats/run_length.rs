//! How many observations a control chart takes until it signals, on average.
//!
//! For independent normal observations around a target and sigma that are known. With both estimated from a few dozen
//! values, runs in order come out shorter on average and differ from chart to chart: ask for a longer one than needed.
//!
//! The run length from a state u is one step and what follows from where that step leads, L(u) = 1 + ∫ L(x)·f(x | u) dx
//! over the states without a signal (Page 1954 for cumulative sums, Crowder 1987 for moving averages, both from memory);
//! a one-sided chart also has a share that waits at its boundary. The integral becomes a sum at Gauss-Legendre nodes and
//! the equation a linear system. Limits that vary are followed step by step until they have settled.

use super::StatsError;
use super::chart::{CusumDesign, EwmaDesign, Limits, Side};
use super::distribution::{normal_below, normal_density};
use super::error::check_parameter;

/// Longest run length offered: beyond it rounding shows.
const LONGEST: f64 = 1e9;
/// Longest run length that may be asked for.
const LONGEST_WANTED: f64 = 1e6;
/// Nodes per standard deviation of one step; more do not change the ninth digit.
const NODES_PER_STEP: f64 = 4.0;
const LEAST_NODES: f64 = 24.0;

/// Returns the average run length of a cumulative-sum chart when the mean lies `shift` sigma above the target.
///
/// # Errors
/// A design that makes no sense, a decision limit above 50 or a shift beyond ±20 sigma, or a run length above 10⁹.
///
/// ```
/// # use coldbrake_engine::stats::{chart::CusumDesign, run_length::cusum_run_length};
/// // Published: 465 in order, 10.4 after a change by one sigma.
/// let design = CusumDesign::new(0.5, 5.0);
/// assert!((cusum_run_length(&design, 0.0)? - 465.0).abs() < 1.0);
/// assert!((cusum_run_length(&design, 1.0)? - 10.4).abs() < 0.05);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn cusum_run_length(design: &CusumDesign, shift: f64) -> Result<f64, StatsError> {
    design.check()?;
    check_shift(shift)?;
    check_parameter(
        "the decision limit of a cumulative sum",
        design.decision,
        "at most 50",
        |h| h <= 50.0,
    )?;
    let one_side = |shift: f64| {
        let away = design.reference - shift;
        let density = |u: f64, x: f64| normal_density(x - u + away);
        let below = |u: f64| normal_below(away - u);
        let chart = Fixed::solve(0.0, design.decision, 1.0, &density, Some(&below));
        (chart.from(design.head_start * design.decision), chart.from(0.0))
    };
    let length = match design.side {
        Side::Upper => one_side(shift).0,
        Side::Lower => one_side(-shift).0,
        Side::Both => {
            // Lucas and Crosier (1982): exact as long as both sums cannot signal at once.
            let ((up, up_zero), (down, down_zero)) = (one_side(shift), one_side(-shift));
            (up * down_zero + down * up_zero - up_zero * down_zero) / (up_zero + down_zero)
        }
    };
    finish(length)
}

/// Returns the average run length of a moving-average chart when the mean lies `shift` sigma above the target.
///
/// # Errors
/// A design that makes no sense, lambda below 0.01 or a limit above 8, a shift beyond ±20 sigma, or a run length above
/// 10⁹.
///
/// ```
/// # use coldbrake_engine::stats::{chart::{EwmaDesign, Limits}, run_length::ewma_run_length};
/// // Published for steady limits: 500 in order, 17.5 after a change by one sigma.
/// let design = EwmaDesign { limits: Limits::Steady, ..EwmaDesign::new(0.5, 3.071) };
/// assert!((ewma_run_length(&design, 0.0)? - 500.0).abs() < 0.5);
/// assert!((ewma_run_length(&design, 1.0)? - 17.5).abs() < 0.05);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn ewma_run_length(design: &EwmaDesign, shift: f64) -> Result<f64, StatsError> {
    design.check()?;
    check_shift(shift)?;
    check_parameter(
        "lambda of a moving average",
        design.lambda,
        "at least 0.01",
        |l| l >= 0.01,
    )?;
    check_parameter("the limit of a moving average", design.limit, "at most 8", |l| {
        l <= 8.0
    })?;
    finish(ewma_length(design, shift))
}

/// Returns the decision limit with which a cumulative sum runs `wanted` observations in order, 2 to 10⁶.
///
/// # Errors
/// A run length or reference out of range.
///
/// ```
/// # use coldbrake_engine::stats::{chart::Side, run_length::cusum_decision_for};
/// // Published: with 4.77 it runs 370 observations.
/// assert!((cusum_decision_for(0.5, Side::Both, 370.0)? - 4.77).abs() < 0.01);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn cusum_decision_for(reference: f64, side: Side, wanted: f64) -> Result<f64, StatsError> {
    check_wanted(wanted)?;
    find_limit(wanted, |decision| {
        let design = CusumDesign {
            side,
            ..CusumDesign::new(reference, decision)
        };
        cusum_run_length(&design, 0.0)
    })
}

/// Returns the limit with which a moving average runs `wanted` observations in order, 2 to 10⁶.
///
/// # Errors
/// A run length or lambda out of range.
///
/// ```
/// # use coldbrake_engine::stats::{chart::{Limits, Side}, run_length::ewma_limit_for};
/// // Published for steady limits: 2.814 runs 500 observations.
/// assert!((ewma_limit_for(0.1, Side::Both, Limits::Steady, 500.0)? - 2.814).abs() < 0.001);
/// # Ok::<(), coldbrake_engine::stats::StatsError>(())
/// ```
pub fn ewma_limit_for(lambda: f64, side: Side, limits: Limits, wanted: f64) -> Result<f64, StatsError> {
    check_wanted(wanted)?;
    find_limit(wanted, |limit| {
        let design = EwmaDesign {
            side,
            limits,
            ..EwmaDesign::new(lambda, limit)
        };
        ewma_run_length(&design, 0.0)
    })
}

fn check_wanted(wanted: f64) -> Result<(), StatsError> {
    check_parameter("the run length wanted", wanted, "from 2 to 1000000", |w| {
        (2.0..=LONGEST_WANTED).contains(&w)
    })
}

fn check_shift(shift: f64) -> Result<(), StatsError> {
    check_parameter("the shift", shift, "within 20 sigma", |s| s.abs() <= 20.0)
}

fn finish(length: f64) -> Result<f64, StatsError> {
    check_parameter(
        "the run length",
        length,
        "from 1 to 1000000000: lower the limit",
        |l| (1.0..=LONGEST).contains(&l),
    )?;
    Ok(length)
}

/// One-sided charts by mirror image as upward ones; everything in sigma of the metric, target 0.
fn ewma_length(design: &EwmaDesign, shift: f64) -> f64 {
    let lambda = design.lambda;
    let (one_sided, shift) = match design.side {
        Side::Both => (false, shift),
        Side::Upper => (true, shift),
        Side::Lower => (true, -shift),
    };
    let density = |u: f64, x: f64| normal_density((x - (1.0 - lambda) * u) / lambda - shift) / lambda;
    let below = |u: f64| normal_below(-(1.0 - lambda) * u / lambda - shift);
    let waits: Option<&dyn Fn(f64) -> f64> = if one_sided { Some(&below) } else { None };
    let steady = EwmaDesign {
        limits: Limits::Steady,
        ..*design
    };
    let width = steady.half_width(0);
    let bottom = if one_sided { 0.0 } else { -1.0 };
    let settled = Fixed::solve(bottom * width, width, lambda, &density, waits);
    if design.limits == Limits::Steady {
        return settled.from(design.head_start * width);
    }
    // The chance to be at each node without a signal so far, limits of this step; and that to wait at the boundary.
    let count = settled.nodes.len();
    let grid = |step: u32| {
        let width = design.half_width(step);
        legendre(count, bottom * width, width)
    };
    let (mut nodes, mut weights) = grid(1);
    let mut chance: Vec<f64> = nodes.iter().map(|&x| density(0.0, x)).collect();
    let mut waiting = if one_sided { below(0.0) } else { 0.0 };
    let mut length = 1.0;
    let mut step = 1_u32;
    loop {
        // Settled once the limits are within a millionth of the steady ones.
        if (1.0 - lambda).powf(2.0 * f64::from(step)) < 2e-6 {
            let rest: f64 = chance
                .iter()
                .zip(&weights)
                .zip(&settled.lengths)
                .map(|((c, w), l)| c * w * l)
                .sum();
            return length + rest + waiting * settled.at_boundary;
        }
        let alive = chance.iter().zip(&weights).map(|(c, w)| c * w).sum::<f64>() + waiting;
        if alive < 1e-14 {
            return length;
        }
        length += alive;
        step += 1;
        let (next_nodes, next_weights) = grid(step);
        let next: Vec<f64> = next_nodes
            .iter()
            .map(|&x| {
                nodes
                    .iter()
                    .zip(&weights)
                    .zip(&chance)
                    .map(|((&u, w), c)| c * w * density(u, x))
                    .sum::<f64>()
                    + waiting * density(0.0, x)
            })
            .collect();
        if one_sided {
            waiting = nodes
                .iter()
                .zip(&weights)
                .zip(&chance)
                .map(|((&u, w), c)| c * w * below(u))
                .sum::<f64>()
                + waiting * below(0.0);
        }
        (nodes, weights, chance) = (next_nodes, next_weights, next);
    }
}

type Density<'a> = &'a dyn Fn(f64, f64) -> f64;
type Below<'a> = Option<&'a dyn Fn(f64) -> f64>;

/// Run lengths of a chart with fixed limits, from every node and from its lower boundary.
struct Fixed<'a> {
    nodes: Vec<f64>,
    weights: Vec<f64>,
    lengths: Vec<f64>,
    at_boundary: f64,
    density: Density<'a>,
    below: Below<'a>,
}

impl<'a> Fixed<'a> {
    /// Solves for states from `bottom` to `top`; `step` is the standard deviation of one move. With `below` given, a
    /// move under the bottom ends at the bottom, else it signals.
    fn solve(bottom: f64, top: f64, step: f64, density: Density<'a>, below: Below<'a>) -> Self {
        let count = (LEAST_NODES + NODES_PER_STEP * (top - bottom) / step).ceil() as usize;
        let (nodes, weights) = legendre(count, bottom, top);
        // Unknowns: the length from each node, and last the one from the boundary.
        let size = count + 1;
        let mut matrix: Vec<Vec<f64>> = Vec::with_capacity(size);
        for (row, &u) in nodes.iter().chain([&bottom]).enumerate() {
            let mut line: Vec<f64> = nodes
                .iter()
                .zip(&weights)
                .map(|(&x, w)| -w * density(u, x))
                .collect();
            line.push(below.map_or(0.0, |b| -b(u)));
            line[row] += 1.0;
            line.push(1.0);
            matrix.push(line);
        }
        let mut lengths = eliminate(matrix);
        let at_boundary = lengths.pop().unwrap_or(f64::NAN);
        Self {
            nodes,
            weights,
            lengths,
            at_boundary,
            density,
            below,
        }
    }

    /// Returns the run length from one state.
    fn from(&self, u: f64) -> f64 {
        let moves: f64 = self
            .nodes
            .iter()
            .zip(&self.weights)
            .zip(&self.lengths)
            .map(|((&x, w), l)| w * l * (self.density)(u, x))
            .sum();
        1.0 + moves + self.below.map_or(0.0, |b| b(u) * self.at_boundary)
    }
}

/// Solves a linear system given as rows with the right side appended; not finite where it has no one solution.
fn eliminate(mut rows: Vec<Vec<f64>>) -> Vec<f64> {
    let size = rows.len();
    for column in 0..size {
        let pivot = (column..size)
            .max_by(|&a, &b| rows[a][column].abs().total_cmp(&rows[b][column].abs()))
            .unwrap_or(column);
        rows.swap(column, pivot);
        let (done, rest) = rows.split_at_mut(column + 1);
        let lead = &done[column];
        for row in rest {
            let factor = row[column] / lead[column];
            for (value, from) in row[column..].iter_mut().zip(&lead[column..]) {
                *value -= factor * from;
            }
        }
    }
    let mut solution = vec![0.0; size];
    for row in (0..size).rev() {
        let known: f64 = (row + 1..size).map(|c| rows[row][c] * solution[c]).sum();
        solution[row] = (rows[row][size] - known) / rows[row][row];
    }
    solution
}

/// Nodes and weights of Gauss-Legendre integration from `low` to `high`, by Newton's method on the polynomial.
fn legendre(count: usize, low: f64, high: f64) -> (Vec<f64>, Vec<f64>) {
    let (mut nodes, mut weights) = (vec![0.0; count], vec![0.0; count]);
    let (middle, half) = (f64::midpoint(low, high), (high - low) / 2.0);
    for i in 0..count.div_ceil(2) {
        let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (count as f64 + 0.5)).cos();
        let mut slope = 1.0;
        for _ in 0..50 {
            let (mut before, mut value) = (0.0, 1.0);
            for degree in 0..count {
                let d = degree as f64;
                (before, value) = (value, ((2.0 * d + 1.0) * x * value - d * before) / (d + 1.0));
            }
            slope = count as f64 * (x * value - before) / (x * x - 1.0);
            let step = value / slope;
            x -= step;
            if step.abs() < 1e-15 {
                break;
            }
        }
        let weight = 2.0 * half / ((1.0 - x * x) * slope * slope);
        (nodes[i], weights[i]) = (middle - half * x, weight);
        (nodes[count - 1 - i], weights[count - 1 - i]) = (middle + half * x, weight);
    }
    (nodes, weights)
}

/// Finds the limit at which a run length that grows with it reaches the one wanted: false position on its logarithm.
fn find_limit(wanted: f64, run_length: impl Fn(f64) -> Result<f64, StatsError>) -> Result<f64, StatsError> {
    let distance = |limit: f64| -> Result<f64, StatsError> { Ok((run_length(limit)? / wanted).ln()) };
    let mut low = 0.01;
    let mut at_low = distance(low)?;
    if at_low > 0.0 {
        return Err(StatsError::OutOfRange {
            what: "the run length wanted",
            value: wanted,
            allowed: "longer than what the narrowest limit already gives",
        });
    }
    let (mut high, mut at_high) = (low, at_low);
    while at_high < 0.0 {
        (low, at_low) = (high, at_high);
        high += 0.5;
        at_high = distance(high)?;
    }
    let mut side = 0;
    for _ in 0..60 {
        if high - low < 1e-10 || at_high - at_low < 1e-12 {
            break;
        }
        let middle = low - at_low * (high - low) / (at_high - at_low);
        let here = distance(middle)?;
        if here.abs() < 1e-9 {
            return Ok(middle);
        }
        // An end that stays twice is given half its weight, so that both ends close in (the Illinois rule).
        if here < 0.0 {
            (low, at_low) = (middle, here);
            if side == -1 {
                at_high /= 2.0;
            }
            side = -1;
        } else {
            (high, at_high) = (middle, here);
            if side == 1 {
                at_low /= 2.0;
            }
            side = 1;
        }
    }
    Ok(f64::midpoint(low, high))
}

#[cfg(test)]
mod tests;
