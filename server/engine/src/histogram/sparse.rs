//! A histogram as the cells that hold something, read straight from its bytes. Most stored ones have some ten values in
//! twenty thousand cells: room for the empty ones costs a hundred times what the values do.

use super::{HistogramError, MOST_VALUES, MetricHistogram, SIGNIFICANT_DIGITS};
use crate::metrics::Metric;

/// Length of the head of the V2 format.
pub(super) const HEAD: usize = 40;
/// Cells of one step each at the beginning: twice as many as the digits that are kept need, rounded up to a power of two.
const FINE: usize = 2_048;

/// The cells of a histogram that hold something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SparseHistogram {
    metric: Metric,
    /// Least stored value of a cell with its count, ascending.
    cells: Vec<(u64, u64)>,
}

impl SparseHistogram {
    /// Returns the cells of a histogram.
    pub fn of(histogram: &MetricHistogram) -> Self {
        let raw = histogram.raw();
        let cells = raw
            .iter_recorded()
            .map(|step| {
                (
                    raw.lowest_equivalent(step.value_iterated_to()),
                    step.count_since_last_iteration(),
                )
            })
            .collect();
        Self {
            metric: histogram.metric(),
            cells,
        }
    }

    /// Reads a histogram in the V2 format. Takes and refuses what [`MetricHistogram::from_v2`] does.
    pub fn from_v2(metric: Metric, bytes: &[u8]) -> Result<Self, HistogramError> {
        let damaged = |reason: &str| HistogramError::damaged(metric, reason);
        let mut rest = super::body(metric, bytes)?;
        let most = cell_count(metric.scale().highest);
        let mut cells = Vec::new();
        let (mut index, mut total) = (0_usize, 0_u64);
        while !rest.is_empty() {
            let encoded = take_number(&mut rest).ok_or_else(|| damaged("it ends within a number"))?;
            // A count, or less than zero the length of a run of empty cells.
            let number = (encoded >> 1).cast_signed() ^ -(encoded & 1).cast_signed();
            let step = match u64::try_from(number) {
                Err(_) => usize::try_from(number.unsigned_abs()).ok(),
                Ok(0) => Some(1),
                Ok(count) => {
                    if index >= most {
                        return Err(damaged("it has more cells than its metric"));
                    }
                    cells.push((value_of(index), count));
                    total = total.saturating_add(count);
                    Some(1)
                }
            };
            index = step
                .and_then(|step| index.checked_add(step))
                .ok_or_else(|| damaged("it has more empty cells than there are"))?;
        }
        if total > MOST_VALUES {
            return Err(damaged("it has more values than can be counted"));
        }
        Ok(Self { metric, cells })
    }

    /// Returns the metric.
    pub fn metric(&self) -> Metric {
        self.metric
    }

    /// Returns the least stored value of each cell that holds something with its count, ascending.
    pub fn cells(&self) -> &[(u64, u64)] {
        &self.cells
    }
}

impl MetricHistogram {
    /// Adds the counts of a histogram of the same metric. The order of additions does not matter.
    pub fn merge_sparse(&mut self, other: &SparseHistogram) {
        for (value, count) in &other.cells {
            self.counts.saturating_record_n(*value, *count);
        }
    }
}

/// Returns the number of cells of a histogram up to a stored value: fine ones, then halves of as many for each doubling.
fn cell_count(highest: u64) -> usize {
    let mut beyond = FINE as u64;
    let mut count = FINE;
    while beyond <= highest {
        count += FINE / 2;
        // The last doubling that there is.
        let Some(next) = beyond.checked_mul(2) else { break };
        beyond = next;
    }
    count
}

/// Returns the least stored value of a cell.
fn value_of(index: usize) -> u64 {
    let half = FINE / 2;
    if index < FINE {
        return index as u64;
    }
    let doublings = index / half - 1;
    ((index % half + half) as u64) << doublings
}

/// Takes a number off the front: seven bits a byte, the least first, the ninth byte whole; `None` when it is cut.
fn take_number(rest: &mut &[u8]) -> Option<u64> {
    let mut number = 0;
    for place in 0..9 {
        let (byte, after) = rest.split_first()?;
        *rest = after;
        if place == 8 {
            return Some(number | u64::from(*byte) << 56);
        }
        number |= u64::from(byte & 0x7f) << (7 * place);
        if byte & 0x80 == 0 {
            return Some(number);
        }
    }
    None
}

// The cells above hold for this many digits only.
const _: () = assert!(SIGNIFICANT_DIGITS == 3);

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn histogram(metric: Metric, values: &[f64]) -> MetricHistogram {
        let mut histogram = MetricHistogram::new(metric);
        for value in values {
            histogram.record(*value);
        }
        histogram
    }

    #[test]
    fn cells_are_those_of_the_dense_form() {
        for metric in Metric::ALL {
            let highest = metric.scale().highest;
            let mut dense = MetricHistogram::new(metric);
            assert_eq!(
                dense.raw().distinct_values(),
                cell_count(highest),
                "{}",
                metric.name()
            );
            // Every cell once, up to the end of the range.
            let all = (0..cell_count(highest))
                .map(value_of)
                .take_while(|v| *v <= highest);
            for (n, value) in all.clone().enumerate() {
                assert_eq!(dense.raw().lowest_equivalent(value), value);
                dense.record_stored(value, n as u64 % 5 + 1);
            }
            let sparse = SparseHistogram::from_v2(metric, &dense.to_v2()).unwrap();
            assert_eq!(sparse.cells().len(), all.count());
            assert_eq!(sparse, SparseHistogram::of(&dense));
        }
    }

    #[test]
    fn a_sum_of_sparse_ones_is_the_sum_of_dense_ones() {
        let metric = Metric::Available;
        let parts: Vec<_> = (0..6)
            .map(|k| {
                let values: Vec<f64> = (0..40).map(|i| 1.9_f64.powi(i) * f64::from(k + 1)).collect();
                histogram(metric, &values)
            })
            .collect();
        let (mut dense, mut sparse) = (MetricHistogram::new(metric), MetricHistogram::new(metric));
        for part in &parts {
            dense.merge(&MetricHistogram::from_v2(metric, &part.to_v2()).unwrap());
            sparse.merge_sparse(&SparseHistogram::from_v2(metric, &part.to_v2()).unwrap());
        }
        assert_eq!(sparse.raw(), dense.raw());
        assert_eq!(sparse.to_v2(), dense.to_v2());
    }

    proptest! {
        #[test]
        fn both_ways_of_reading_take_and_refuse_the_same(
            values in prop::collection::vec(0.0..3.0, 0..30),
            cuts in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 0..4),
            more in prop::collection::vec(any::<u8>(), 0..12),
        ) {
            let metric = Metric::RecoveryRatio;
            let mut bytes = histogram(metric, &values).to_v2();
            bytes.extend(more);
            for (place, byte) in cuts {
                let at = place.index(bytes.len());
                bytes[at] = byte;
            }
            let length = (bytes.len() - HEAD) as u32;
            bytes[4..8].copy_from_slice(&length.to_be_bytes());
            let dense = MetricHistogram::from_v2(metric, &bytes);
            let sparse = SparseHistogram::from_v2(metric, &bytes);
            prop_assert_eq!(dense.is_ok(), sparse.is_ok(), "{:?}, {:?}", dense, sparse);
            if let (Ok(dense), Ok(sparse)) = (dense, sparse) {
                let mut again = MetricHistogram::new(metric);
                again.merge_sparse(&sparse);
                prop_assert_eq!(again.raw(), dense.raw());
            }
        }
    }
}
