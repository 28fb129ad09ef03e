//! From a descent to the histograms that count it: the one place that decides what is counted where.

use coldbrake_engine::{Descent, Metric, MetricHistogram, histogram::SparseHistogram};

use super::{HistogramQuery, MergedHistogram, StoreError, keys::Key};

/// Grade of a descent that was not matched to any.
pub const NO_GRADE: &str = "-";

/// Which histogram a value is counted in.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Slot {
    /// Metric.
    pub metric: Metric,
    /// Class.
    pub vehicle_class: String,
    /// Grade, [`NO_GRADE`] without one.
    pub grade: String,
    /// Software version.
    pub software_version: String,
    /// UTC day of the start, days since 1970-01-01.
    pub day: i32,
}

impl Slot {
    /// Returns the key that the histogram is stored under.
    pub fn key(&self) -> Key {
        Key::histogram(
            code_of_metric(self.metric),
            &self.vehicle_class,
            &self.grade,
            &self.software_version,
            self.day,
        )
    }

    /// Returns whether the query means this histogram.
    pub fn is_meant(&self, query: &HistogramQuery) -> bool {
        let same = |want: &Option<String>, have: &str| want.as_deref().is_none_or(|w| w == have);
        self.metric == query.metric
            && same(&query.vehicle_class, &self.vehicle_class)
            && same(&query.grade, &self.grade)
            && same(&query.software_version, &self.software_version)
            && query.first_day.is_none_or(|day| self.day >= day)
            && query.last_day.is_none_or(|day| self.day <= day)
    }
}

/// Returns where a descent is counted, and with which values.
pub fn increments(descent: &Descent) -> impl Iterator<Item = (Slot, f64)> {
    Metric::ALL.into_iter().filter_map(|metric| {
        let value = metric.of(descent)?;
        let slot = Slot {
            metric,
            vehicle_class: descent.vehicle_class.clone(),
            grade: descent.grade.clone().unwrap_or_else(|| NO_GRADE.to_owned()),
            software_version: descent.software_version.clone(),
            day: day_of(descent.start_time_ms),
        };
        Some((slot, value))
    })
}

/// Returns the UTC day of a time, days since 1970-01-01. Times beyond the range of days count as its ends.
pub fn day_of(time_ms: i64) -> i32 {
    let day = time_ms.div_euclid(86_400_000);
    i32::try_from(day).unwrap_or(if day < 0 { i32::MIN } else { i32::MAX })
}

/// Returns the number of a metric in keys: its own for ever, whatever the order of the list becomes.
pub const fn code_of_metric(metric: Metric) -> u8 {
    match metric {
        Metric::RecoveryRatio => 1,
        Metric::RecoveryRatioWheels => 2,
        Metric::FrictionShare => 3,
        Metric::FrictionTimeShare => 4,
        Metric::Available => 5,
        Metric::Recovered => 6,
        Metric::Friction => 7,
        Metric::FrictionPerTonne100m => 8,
        Metric::UnexplainedPerTonne100m => 9,
        Metric::Drop => 10,
        Metric::Duration => 11,
        Metric::BrakeTemperaturePeak => 12,
        Metric::PeakRecovery => 13,
    }
}

/// Returns the metric of a number in keys.
pub fn metric_of_code(code: u8) -> Option<Metric> {
    Metric::ALL.into_iter().find(|m| code_of_metric(*m) == code)
}

/// Values that come to a histogram and that leave it in one commit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Moves {
    /// Values that come.
    pub added: Vec<f64>,
    /// Values that leave.
    pub taken: Vec<f64>,
}

impl Moves {
    /// Counts them. What comes is counted first, so that the order within a commit does not matter.
    pub fn apply(&self, tally: &mut Tally) -> Result<(), String> {
        self.added.iter().for_each(|value| tally.record(*value));
        if self.taken.is_empty() {
            return Ok(());
        }
        let mut taken = Tally::new(tally.counts.metric());
        self.taken.iter().for_each(|value| taken.record(*value));
        tally.subtract(&taken)
    }
}

/// A histogram with what its own format does not carry.
#[derive(Clone, Debug, PartialEq)]
pub struct Tally {
    counts: MetricHistogram,
    clamped_before: u64,
}

impl Tally {
    /// Returns an empty tally.
    pub fn new(metric: Metric) -> Self {
        Self {
            counts: MetricHistogram::new(metric),
            clamped_before: 0,
        }
    }

    /// Counts one value in the metric's unit.
    pub fn record(&mut self, value: f64) {
        self.counts.record(value);
    }

    /// Adds the counts of another tally of the same metric.
    pub fn merge(&mut self, other: &Self) {
        self.counts.merge(&other.counts);
        self.clamped_before += other.clamped_before;
    }

    /// Adds the counts of a stored histogram of the same metric.
    pub fn merge_sparse(&mut self, other: &SparseTally) {
        self.counts.merge_sparse(&other.counts);
        self.clamped_before += other.clamped;
    }

    /// Takes away what another tally of the same metric counts. The error says why that cannot be.
    pub fn subtract(&mut self, other: &Self) -> Result<(), String> {
        let clamped = self.clamped().checked_sub(other.clamped());
        let (Some(clamped), true) = (clamped, self.counts.subtract(&other.counts)) else {
            return Err("a value is to be taken out that it does not count".to_owned());
        };
        self.clamped_before = clamped - self.counts.clamped();
        Ok(())
    }

    /// Returns the number of values.
    pub fn count(&self) -> u64 {
        self.counts.count()
    }

    /// Returns the number of values above the metric's range.
    pub fn clamped(&self) -> u64 {
        self.clamped_before + self.counts.clamped()
    }

    /// Returns the counts.
    pub fn histogram(&self) -> &MetricHistogram {
        &self.counts
    }

    /// Returns the answer to a query.
    pub fn into_merged(self, merged: u32) -> MergedHistogram {
        let clamped = self.clamped();
        MergedHistogram {
            histogram: self.counts,
            merged,
            clamped,
        }
    }

    /// Returns the stored record: the clamped values as eight bytes, then the histogram in the V2 format.
    pub fn to_record(&self) -> Vec<u8> {
        let mut record = self.clamped().to_be_bytes().to_vec();
        record.extend_from_slice(&self.counts.to_v2());
        record
    }

    /// Reads a stored record.
    pub fn from_record(metric: Metric, record: &[u8]) -> Result<Self, String> {
        let (clamped, counts) = parts(record)?;
        let counts = MetricHistogram::from_v2(metric, counts).map_err(|e| e.to_string())?;
        Ok(Self {
            counts,
            clamped_before: clamped,
        })
    }
}

/// A stored histogram as it is read to be added to others: without room for its empty cells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SparseTally {
    counts: SparseHistogram,
    clamped: u64,
}

impl SparseTally {
    /// Returns what a tally counts.
    pub fn of(tally: &Tally) -> Self {
        Self {
            counts: SparseHistogram::of(&tally.counts),
            clamped: tally.clamped(),
        }
    }

    /// Reads a stored record. Takes and refuses what [`Tally::from_record`] does.
    pub fn from_record(metric: Metric, record: &[u8]) -> Result<Self, String> {
        let (clamped, counts) = parts(record)?;
        let counts = SparseHistogram::from_v2(metric, counts).map_err(|e| e.to_string())?;
        Ok(Self { counts, clamped })
    }

    /// Returns the cells that hold something.
    pub fn cells(&self) -> &[(u64, u64)] {
        self.counts.cells()
    }

    /// Returns the number of values above the metric's range.
    pub fn clamped(&self) -> u64 {
        self.clamped
    }
}

/// Returns the number of clamped values of a stored record, and its histogram.
fn parts(record: &[u8]) -> Result<(u64, &[u8]), String> {
    let (clamped, counts) = record
        .split_first_chunk::<8>()
        .ok_or("it is shorter than its header")?;
    Ok((u64::from_be_bytes(*clamped), counts))
}

/// Returns an error when the texts of a slot cannot be in a key.
pub fn check(descent: &Descent) -> Result<(), StoreError> {
    use super::keys::check_text;
    check_text("class", &descent.vehicle_class)?;
    check_text("software version", &descent.software_version)?;
    descent
        .grade
        .as_deref()
        .map_or(Ok(()), |grade| check_text("grade", grade))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_metric_has_its_own_number() {
        for metric in Metric::ALL {
            assert_eq!(metric_of_code(code_of_metric(metric)), Some(metric));
        }
        assert_eq!(metric_of_code(0), None);
    }

    #[test]
    fn days_change_at_midnight_utc() {
        assert_eq!(day_of(0), 0);
        assert_eq!(day_of(86_399_999), 0);
        assert_eq!(day_of(86_400_000), 1);
        assert_eq!(day_of(-1), -1);
        assert_eq!((day_of(i64::MIN), day_of(i64::MAX)), (i32::MIN, i32::MAX));
    }

    #[test]
    fn the_record_keeps_counts_and_clamped_values_over_several_rounds() {
        let mut tally = Tally::new(Metric::RecoveryRatio);
        for value in [0.5, 7.0, 0.61, 9.0] {
            tally.record(value);
            let record = tally.to_record();
            tally = Tally::from_record(Metric::RecoveryRatio, &record).unwrap();
            let sparse = SparseTally::from_record(Metric::RecoveryRatio, &record).unwrap();
            assert_eq!(sparse, SparseTally::of(&tally));
            let mut sum = Tally::new(Metric::RecoveryRatio);
            sum.merge_sparse(&sparse);
            assert_eq!(sum.to_record(), record);
        }
        assert_eq!((tally.count(), tally.clamped()), (4, 2));
        let mut twice = tally.clone();
        twice.merge(&tally);
        assert_eq!((twice.count(), twice.clamped()), (8, 4));
        let mut none = twice.clone();
        none.subtract(&twice).unwrap();
        assert_eq!(none.to_record(), Tally::new(Metric::RecoveryRatio).to_record());
        assert!(none.subtract(&tally).is_err());
        twice.subtract(&tally).unwrap();
        assert_eq!(twice.to_record(), tally.to_record());
        assert!(Tally::from_record(Metric::RecoveryRatio, &[0; 7]).is_err());
        assert!(Tally::from_record(Metric::RecoveryRatio, &[0; 60]).is_err());
        assert!(Tally::from_record(Metric::Drop, &tally.to_record()).is_err());
    }
}
