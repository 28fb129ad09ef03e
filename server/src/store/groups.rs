//! Histograms summed up by group: by day, by version and so on.
//!
//! A histogram of energies takes some 200 KB of memory, most of it empty cells. A group keeps only the cells that hold
//! something, so that a thousand groups stay small.

use std::collections::BTreeMap;

use coldbrake_engine::{Metric, MetricHistogram};

use super::{
    MergedHistogram,
    tally::{Slot, SparseTally},
};

/// What makes a group.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grouping {
    /// UTC day.
    Day,
    /// Week from Monday to Sunday, UTC (ISO 8601).
    Week,
    /// Software version.
    SoftwareVersion,
    /// Vehicle class.
    VehicleClass,
    /// Known grade.
    Grade,
}

/// A group.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Group {
    /// A day or a week, by its first UTC day, days since 1970-01-01.
    From(i32),
    /// Version, class or grade.
    Named(String),
}

impl Grouping {
    fn group_of(self, slot: Slot) -> Group {
        match self {
            Self::Day => Group::From(slot.day),
            Self::Week => Group::From(monday_of(slot.day)),
            Self::SoftwareVersion => Group::Named(slot.software_version),
            Self::VehicleClass => Group::Named(slot.vehicle_class),
            Self::Grade => Group::Named(slot.grade),
        }
    }
}

/// Returns the Monday of the week that a day is in, days since 1970-01-01, which was a Thursday.
///
/// ```
/// use coldbrake_server::store::groups::monday_of;
/// assert_eq!([0, 3, 4, 10, -4].map(monday_of), [-3, -3, 4, 4, -10]);
/// ```
pub fn monday_of(day: i32) -> i32 {
    day.saturating_sub((i64::from(day) + 3).rem_euclid(7) as i32)
}

/// Counts of one group: only the cells that hold something.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Cells {
    counts: BTreeMap<u64, u64>,
    clamped: u64,
    merged: u32,
}

/// Histograms of one metric by group.
#[derive(Clone, Debug, PartialEq)]
pub struct Groups {
    metric: Metric,
    grouping: Grouping,
    sums: BTreeMap<Group, Cells>,
}

impl Groups {
    /// Returns no groups yet.
    pub fn new(metric: Metric, grouping: Grouping) -> Self {
        Self {
            metric,
            grouping,
            sums: BTreeMap::new(),
        }
    }

    /// Adds a stored histogram of the metric.
    pub fn add(&mut self, slot: Slot, tally: &SparseTally) {
        let cells = self.sums.entry(self.grouping.group_of(slot)).or_default();
        for (value, count) in tally.cells() {
            *cells.counts.entry(*value).or_default() += count;
        }
        cells.clamped += tally.clamped();
        cells.merged += 1;
    }

    /// Returns the number of groups.
    pub fn len(&self) -> usize {
        self.sums.len()
    }

    /// Returns whether there are none.
    pub fn is_empty(&self) -> bool {
        self.sums.is_empty()
    }

    /// Returns the groups in order, each with the sum of its histograms, one at a time.
    pub fn into_merged(self) -> impl Iterator<Item = (Group, MergedHistogram)> {
        let metric = self.metric;
        self.sums.into_iter().map(move |(group, cells)| {
            let mut histogram = MetricHistogram::new(metric);
            for (value, n) in cells.counts {
                histogram.record_stored(value, n);
            }
            let merged = MergedHistogram {
                histogram,
                merged: cells.merged,
                clamped: cells.clamped,
            };
            (group, merged)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::tally::Tally;

    fn slot(version: &str, day: i32) -> Slot {
        Slot {
            metric: Metric::Available,
            vehicle_class: "van".to_owned(),
            grade: "-".to_owned(),
            software_version: version.to_owned(),
            day,
        }
    }

    #[test]
    fn a_group_is_the_plain_sum_of_its_histograms() {
        let mut groups = Groups::new(Metric::Available, Grouping::SoftwareVersion);
        let mut plain = Tally::new(Metric::Available);
        for day in 0..5 {
            let mut tally = Tally::new(Metric::Available);
            // Up to beyond the range of the metric.
            (0..48).for_each(|i| tally.record(1.7_f64.powi(i) * f64::from(day + 1)));
            plain.merge(&tally);
            groups.add(slot("1", day), &SparseTally::of(&tally));
            groups.add(slot("2", day), &SparseTally::of(&tally));
        }
        let plain = plain.into_merged(5);
        assert!(plain.clamped > 0, "no value is beyond the range");
        let all: Vec<_> = groups.into_merged().collect();
        assert_eq!(all.len(), 2);
        for (_, merged) in all {
            assert_eq!(merged.histogram.raw(), plain.histogram.raw());
            assert_eq!((merged.merged, merged.clamped), (5, plain.clamped));
        }
    }

    #[test]
    fn weeks_begin_on_monday() {
        // 2026-03-09 is a Monday: 20,521 days since 1970-01-01.
        let mut groups = Groups::new(Metric::Available, Grouping::Week);
        for day in 20_520..20_529 {
            groups.add(slot("1", day), &SparseTally::of(&Tally::new(Metric::Available)));
        }
        let keys: Vec<_> = groups.into_merged().map(|(group, m)| (group, m.merged)).collect();
        assert_eq!(
            keys,
            [
                (Group::From(20_514), 1),
                (Group::From(20_521), 7),
                (Group::From(20_528), 1)
            ]
        );
        for day in [i32::MIN, i32::MAX] {
            let _ = monday_of(day);
        }
    }
}
