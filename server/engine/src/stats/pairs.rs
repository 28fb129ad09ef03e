//! Order statistics of all pairwise differences, without ever holding the pairs.

use std::cmp::Ordering;

/// Two samples of one stratum, sorted, and the weight of each of their pairs.
#[derive(Clone, Debug)]
pub(super) struct SortedPair {
    pub(super) x: Vec<f64>,
    pub(super) y: Vec<f64>,
    pub(super) weight: f64,
}

impl SortedPair {
    /// Sorts copies of both samples.
    pub(super) fn new(x: &[f64], y: &[f64], weight: f64) -> Self {
        Self {
            x: sorted(x),
            y: sorted(y),
            weight,
        }
    }

    /// Returns how many differences y − x there are.
    pub(super) fn pairs(&self) -> f64 {
        self.x.len() as f64 * self.y.len() as f64
    }

    /// Counts the differences y − x that are at most `t`, in n + m steps.
    ///
    /// Subtraction rounds monotonically, so the count agrees with what sorting all rounded differences would give.
    fn at_most(&self, t: f64) -> u64 {
        let mut reach = 0;
        let mut count = 0_u64;
        for &x in &self.x {
            while self.y.get(reach).is_some_and(|&y| y - x <= t) {
                reach += 1;
            }
            count += reach as u64;
        }
        count
    }
}

/// Returns a sorted copy.
pub(super) fn sorted(values: &[f64]) -> Vec<f64> {
    let mut copy = values.to_vec();
    copy.sort_by(f64::total_cmp);
    copy
}

/// Returns the smallest t for which the weight of the differences y − x ≤ t reaches what `enough` asks for.
///
/// Halves the ordered line of all floating-point numbers, so it ends after 64 counts with the exact difference. The
/// weight is summed as (weight of a pair) × (whole count), which keeps it free of rounding inside a stratum.
pub(super) fn smallest_difference(pairs: &[SortedPair], enough: impl Fn(f64) -> bool) -> f64 {
    let reached = |t: f64| enough(pairs.iter().map(|p| p.weight * p.at_most(t) as f64).sum::<f64>());
    let (mut low, mut high) = (line(f64::NEG_INFINITY), line(f64::INFINITY));
    while low < high {
        let middle = low + (high - low) / 2;
        if reached(number(middle)) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    number(low) + 0.0 // a negative zero becomes a plain one
}

/// Position of a number on the ordered line of all numbers.
fn line(value: f64) -> i128 {
    let bits = value.to_bits();
    let magnitude = i128::from(bits & !(1 << 63));
    if value.is_sign_negative() {
        -magnitude
    } else {
        magnitude
    }
}

/// Inverse of [`line`].
fn number(position: i128) -> f64 {
    let magnitude = f64::from_bits(position.unsigned_abs() as u64);
    match position.cmp(&0) {
        Ordering::Less => -magnitude,
        _ => magnitude,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn the_line_is_ordered_and_returns() {
        let values = [
            f64::NEG_INFINITY,
            -1e300,
            -1.0,
            -f64::MIN_POSITIVE,
            0.0,
            5e-324,
            1.0,
            f64::INFINITY,
        ];
        assert!(values.windows(2).all(|w| line(w[0]) < line(w[1])));
        assert!(values.iter().all(|&v| number(line(v)).to_bits() == v.to_bits()));
    }

    proptest! {
        #[test]
        fn agrees_with_sorting_every_difference(
            x in prop::collection::vec(-50_i32..50, 1..12),
            y in prop::collection::vec(-50_i32..50, 1..12),
            scale in 0.001_f64..10.0,
        ) {
            let x: Vec<f64> = x.into_iter().map(|v| f64::from(v) * scale).collect();
            let y: Vec<f64> = y.into_iter().map(|v| f64::from(v) * scale).collect();
            let mut all: Vec<f64> = x.iter().flat_map(|a| y.iter().map(move |b| b - a)).collect();
            all.sort_by(f64::total_cmp);
            let pair = [SortedPair::new(&x, &y, 1.0)];
            for (k, want) in all.iter().enumerate() {
                let got = smallest_difference(&pair, |w| w >= (k + 1) as f64);
                prop_assert!((got - want).abs() == 0.0, "{k}: {got} {want}");
            }
        }
    }
}
