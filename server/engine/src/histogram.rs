//! Histograms of high dynamic range, one scale per metric, exact to merge in any order.

mod sparse;

use base64::Engine as _;
use hdrhistogram::{
    Histogram,
    serialization::{Deserializer, Serializer as _, V2DeflateSerializer, V2Serializer},
};

pub use self::sparse::SparseHistogram;
use crate::metrics::Metric;

/// Significant decimal digits kept.
pub const SIGNIFICANT_DIGITS: u8 = 3;
/// What a histogram in the V2 format begins with, plain.
const COOKIE: u64 = 0x1c84_9313;
/// Most values of a histogram that is read: quantiles are looked for by numbers with 53 binary digits, and some such
/// histograms may be merged.
const MOST_VALUES: u64 = 1 << 50;

/// Histogram of one metric.
#[derive(Clone, Debug, PartialEq)]
pub struct MetricHistogram {
    metric: Metric,
    counts: Histogram<u64>,
    clamped: u64,
}

/// Bytes that are not a histogram of the metric.
#[derive(Debug, thiserror::Error)]
pub enum HistogramError {
    /// The bytes are no histogram in the V2 format.
    #[error("histogram of `{metric}` cannot be read: {reason}")]
    Damaged {
        /// Name of the metric.
        metric: &'static str,
        /// What is wrong.
        reason: String,
    },
    /// The histogram has other bounds than the metric has: merging it would not be exact.
    #[error("histogram of `{metric}` has bounds {low}..{high} with {digits} digits, expected {expected}")]
    OtherScale {
        /// Name of the metric.
        metric: &'static str,
        /// Lowest value in the bytes.
        low: u64,
        /// Highest value in the bytes.
        high: u64,
        /// Digits in the bytes.
        digits: u8,
        /// What the metric has.
        expected: String,
    },
}

impl HistogramError {
    fn damaged(metric: Metric, reason: &str) -> Self {
        Self::Damaged {
            metric: metric.name(),
            reason: reason.to_owned(),
        }
    }
}

impl MetricHistogram {
    /// Returns an empty histogram.
    pub fn new(metric: Metric) -> Self {
        let scale = metric.scale();
        let counts = Histogram::new_with_bounds(scale.lowest, scale.highest, SIGNIFICANT_DIGITS)
            .unwrap_or_else(|_| unreachable_bounds());
        Self {
            metric,
            counts,
            clamped: 0,
        }
    }

    /// Returns the metric.
    pub fn metric(&self) -> Metric {
        self.metric
    }

    /// Counts one value given in the metric's unit. A value above the metric's range counts as the largest.
    pub fn record(&mut self, value: f64) {
        let highest = self.metric.scale().highest;
        let stored = self.metric.stored(value);
        if stored > highest {
            self.clamped += 1;
        }
        self.counts.saturating_record(stored.min(highest));
    }

    /// Counts `n` values given as stored integers. Those above the metric's range count as the largest.
    pub fn record_stored(&mut self, stored: u64, n: u64) {
        let highest = self.metric.scale().highest;
        self.counts.saturating_record_n(stored.min(highest), n);
    }

    /// Adds the counts of another histogram of the same metric. The order of additions does not matter.
    pub fn merge(&mut self, other: &Self) {
        self.clamped += other.clamped;
        // Equal bounds: adding has no way to fail.
        let _ = self.counts.add(&other.counts);
    }

    /// Takes away the counts of another histogram of the same metric. Returns false, and changes nothing, when it counts
    /// something that is not counted here.
    #[must_use]
    pub fn subtract(&mut self, other: &Self) -> bool {
        let mut rest = self.counts.clone();
        if rest.subtract(&other.counts).is_err() {
            return false;
        }
        self.counts = rest;
        self.clamped = self.clamped.saturating_sub(other.clamped);
        true
    }

    /// Returns the number of values.
    pub fn count(&self) -> u64 {
        self.counts.len()
    }

    /// Returns the number of values above the metric's range since this histogram was made or read.
    pub fn clamped(&self) -> u64 {
        self.clamped
    }

    /// Returns the value in the metric's unit below or at which the fraction `q` of the values lies; `None` when empty.
    pub fn quantile(&self, q: f64) -> Option<f64> {
        (!self.counts.is_empty()).then(|| {
            self.metric
                .shown(self.counts.value_at_quantile(q.clamp(0.0, 1.0)))
        })
    }

    /// Returns the mean in the metric's unit; `None` when empty.
    pub fn mean(&self) -> Option<f64> {
        (!self.counts.is_empty()).then(|| self.counts.mean() / self.metric.scale().per_unit)
    }

    /// Returns the non-empty cells as (lower end, upper end, count) in the metric's unit, ascending.
    pub fn cells(&self) -> Vec<(f64, f64, u64)> {
        self.counts
            .iter_recorded()
            .map(|step| {
                let high = step.value_iterated_to();
                let low = self.counts.lowest_equivalent(high);
                (
                    self.metric.shown(low),
                    self.metric.shown(high + 1),
                    step.count_since_last_iteration(),
                )
            })
            .collect()
    }

    /// Returns the underlying histogram of stored integers.
    pub fn raw(&self) -> &Histogram<u64> {
        &self.counts
    }

    /// Returns the histogram in the HdrHistogram V2 format, not compressed.
    pub fn to_v2(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        // Writing into memory has no way to fail.
        let _ = V2Serializer::new().serialize(&self.counts, &mut bytes);
        bytes
    }

    /// Returns the histogram in the compressed HdrHistogram V2 format as base64: the form that the libraries of other
    /// languages exchange.
    pub fn to_base64(&self) -> String {
        let mut bytes = Vec::new();
        // Writing into memory has no way to fail.
        let _ = V2DeflateSerializer::new().serialize(&self.counts, &mut bytes);
        base64::engine::general_purpose::STANDARD.encode(bytes)
    }

    /// Reads a histogram in the V2 format. The header is checked before anything is allocated: the library takes room
    /// for as many bytes as it says.
    pub fn from_v2(metric: Metric, bytes: &[u8]) -> Result<Self, HistogramError> {
        body(metric, bytes)?;
        let counts = Deserializer::new()
            .deserialize::<u64, _>(&mut std::io::Cursor::new(bytes))
            .map_err(|e| HistogramError::damaged(metric, &e.to_string()))?;
        if counts.len() > MOST_VALUES {
            return Err(HistogramError::damaged(
                metric,
                "it has more values than can be counted",
            ));
        }
        Ok(Self {
            metric,
            counts,
            clamped: 0,
        })
    }
}

/// Returns the cells of a histogram in the V2 format after a look at its head.
fn body(metric: Metric, bytes: &[u8]) -> Result<&[u8], HistogramError> {
    let damaged = |reason: &str| HistogramError::damaged(metric, reason);
    let (head, cells) = bytes
        .split_first_chunk::<{ sparse::HEAD }>()
        .ok_or_else(|| damaged("shorter than a header"))?;
    let word = |at: usize| -> u64 { head[at..at + 8].iter().fold(0, |n, b| n << 8 | u64::from(*b)) };
    let scale = metric.scale();
    let digits = head[15];
    let (low, high) = (word(16), word(24));
    if (low, high, digits) != (scale.lowest, scale.highest, SIGNIFICANT_DIGITS) {
        return Err(HistogramError::OtherScale {
            metric: metric.name(),
            low,
            high,
            digits,
            expected: format!(
                "{}..{} with {SIGNIFICANT_DIGITS} digits",
                scale.lowest, scale.highest
            ),
        });
    }
    // What the library refuses too: another format, shifted cells, a scale that is no whole number.
    let digits_before_it = &head[8..15];
    if word(0) >> 32 != COOKIE || digits_before_it != [0; 7] || head[32..] != 1_f64.to_be_bytes() {
        return Err(damaged("it is of another form"));
    }
    if word(0) & 0xffff_ffff != cells.len() as u64 {
        return Err(damaged("its length is not the length written"));
    }
    // The smallest number of 64 bits as a run of empty cells: the library turns its sign, which it cannot.
    if cells.windows(9).any(|nine| nine == [0xff; 9]) {
        return Err(damaged("it has more empty cells than there are"));
    }
    Ok(cells)
}

#[cold]
fn unreachable_bounds() -> Histogram<u64> {
    // Bounds are constants checked by a test over all metrics.
    unreachable!("metric bounds are valid")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_values_than_quantiles_can_tell_apart_are_refused() {
        let metric = Metric::RecoveryRatio;
        let with = |count| {
            let mut h = MetricHistogram::new(metric);
            h.counts.record_n(500, count).unwrap();
            h.record(0.7);
            h.to_v2()
        };
        assert!(MetricHistogram::from_v2(metric, &with(u64::MAX >> 1)).is_err());
        let most = MetricHistogram::from_v2(metric, &with(MOST_VALUES - 1)).unwrap();
        assert!(most.quantile(1.0) > most.quantile(0.5));
    }

    #[test]
    fn every_metric_has_valid_bounds_and_survives_the_round_trip() {
        for metric in Metric::ALL {
            let mut h = MetricHistogram::new(metric);
            for i in 0..500 {
                h.record(f64::from(i) * 0.37);
            }
            let back = MetricHistogram::from_v2(metric, &h.to_v2()).unwrap();
            assert_eq!(back.raw(), h.raw(), "{}", metric.name());
        }
    }

    #[test]
    fn merging_in_any_order_gives_the_same_bytes() {
        let parts: Vec<_> = (0..4)
            .map(|k| {
                let mut h = MetricHistogram::new(Metric::RecoveryRatio);
                (0..100).for_each(|i| h.record(f64::from(i * (k + 1)) / 400.0));
                h
            })
            .collect();
        let sum = |order: [usize; 4]| {
            let mut h = MetricHistogram::new(Metric::RecoveryRatio);
            for i in order {
                h.merge(&parts[i]);
            }
            h.to_v2()
        };
        assert_eq!(sum([0, 1, 2, 3]), sum([3, 1, 0, 2]));
    }

    #[test]
    fn what_is_taken_away_was_never_there() {
        let of = |values: &[f64]| {
            let mut h = MetricHistogram::new(Metric::RecoveryRatio);
            for v in values {
                h.record(*v);
            }
            h
        };
        let mut h = of(&[0.2, 9.0, 0.9, 0.4]);
        assert!(h.subtract(&of(&[9.0, 0.2])));
        assert_eq!((h.to_v2(), h.clamped()), (of(&[0.9, 0.4]).to_v2(), 0));
        assert!(!h.subtract(&of(&[0.9, 0.1])));
        assert_eq!(h.to_v2(), of(&[0.4, 0.9]).to_v2());
        assert!(h.subtract(&of(&[0.4, 0.9])));
        assert_eq!(h.to_v2(), of(&[]).to_v2());
    }

    #[test]
    fn foreign_bytes_are_refused() {
        assert!(MetricHistogram::from_v2(Metric::Drop, &[]).is_err());
        let ratio = MetricHistogram::new(Metric::RecoveryRatio).to_v2();
        assert!(matches!(
            MetricHistogram::from_v2(Metric::Available, &ratio),
            Err(HistogramError::OtherScale { .. })
        ));
    }

    #[test]
    fn lengths_and_counts_that_cannot_be_are_refused() {
        let mut h = MetricHistogram::new(Metric::Drop);
        h.record(120.0);
        let good = h.to_v2();
        let refused = |bytes: &[u8]| MetricHistogram::from_v2(Metric::Drop, bytes).is_err();
        assert!(!refused(&good));
        // 4 GiB of cells that are not there.
        let mut long = good.clone();
        long[4..8].copy_from_slice(&u32::MAX.to_be_bytes());
        assert!(refused(&long));
        assert!(refused(&[&good[..], &[2]].concat()));
        let with = |cells: &[u8]| {
            let mut bytes = good[..40].to_vec();
            bytes[4..8].copy_from_slice(&(cells.len() as u32).to_be_bytes());
            bytes.extend_from_slice(cells);
            bytes
        };
        assert!(!refused(&with(&[2, 2])));
        assert!(refused(&with(&[0xff; 9])));
        // Three counts of 2^63 − 1.
        let most = [&[0xfe][..], &[0xff; 8]].concat();
        assert!(refused(&with(&most.repeat(3))));
    }

    #[test]
    fn values_above_the_range_are_clamped_and_counted() {
        let mut h = MetricHistogram::new(Metric::RecoveryRatio);
        h.record(7.0);
        h.record(-0.2);
        assert_eq!((h.count(), h.clamped()), (2, 1));
    }
}
