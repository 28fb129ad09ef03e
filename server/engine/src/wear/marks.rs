//! What the brakes had done by the beginning of each of the last days: a service that is recorded days later can still be
//! counted from its own time.

use serde::{Deserialize, Serialize};

use crate::{bits::Bits, wear::Expected};

/// Days of driving that are remembered.
const DAYS: usize = 14;
const DAY_MS: i64 = 86_400_000;

/// Sums since the vehicle is known, front and rear.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Totals {
    pub(super) worn_um: [f64; 2],
    pub(super) friction_j: [f64; 2],
    pub(super) distance_m: f64,
    pub(super) hot: u32,
    last_ms: Option<i64>,
}

impl Totals {
    pub(super) fn add(&mut self, worn_um: [f64; 2], friction_j: [f64; 2], distance_m: f64, time_ms: i64) {
        for i in 0..2 {
            self.worn_um[i] += worn_um[i];
            self.friction_j[i] += friction_j[i];
        }
        self.distance_m += distance_m;
        self.last_ms = Some(time_ms);
    }

    /// Returns what was added since `then`.
    pub(super) fn since(&self, then: &Self) -> Self {
        let minus = |a: [f64; 2], b: [f64; 2]| [(a[0] - b[0]).max(0.0), (a[1] - b[1]).max(0.0)];
        Self {
            worn_um: minus(self.worn_um, then.worn_um),
            friction_j: minus(self.friction_j, then.friction_j),
            distance_m: (self.distance_m - then.distance_m).max(0.0),
            hot: self.hot.saturating_sub(then.hot),
            last_ms: self.last_ms,
        }
    }

    /// Writes or reads the sums.
    pub(super) fn packed<B: Bits>(&self, b: &mut B, expected: &Expected) -> Self {
        let front_j = b.float(self.friction_j[0], 0.0);
        Self {
            worn_um: self.worn_um.map(|x| b.float(x, 0.0)),
            friction_j: [
                front_j,
                b.float(self.friction_j[1], expected.friction_j - front_j),
            ],
            distance_m: b.float(self.distance_m, expected.distance_m),
            hot: b.int(i64::from(self.hot), 0) as u32,
            last_ms: b.maybe(self.last_ms, Some(expected.time_ms)),
        }
    }

    fn mark(&self, time_ms: i64) -> Mark {
        Mark {
            time_ms,
            worn_um: self.worn_um.map(|x| x as f32),
            friction_j: self.friction_j.map(|x| x as f32),
            distance_m: self.distance_m as f32,
            hot: self.hot,
        }
    }
}

/// Sums at one moment, as precise as a straight line between two of them deserves.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Mark {
    time_ms: i64,
    worn_um: [f32; 2],
    friction_j: [f32; 2],
    distance_m: f32,
    hot: u32,
}

impl Mark {
    /// Writes or reads the mark of the day after `before`.
    fn packed<B: Bits>(&self, b: &mut B, before: &Self) -> Self {
        let mut sum = |value: f32, before: f32| {
            f32::from_bits(b.int(i64::from(value.to_bits()), i64::from(before.to_bits())) as u32)
        };
        let [worn, friction] = [
            [
                sum(self.worn_um[0], before.worn_um[0]),
                sum(self.worn_um[1], before.worn_um[1]),
            ],
            [
                sum(self.friction_j[0], before.friction_j[0]),
                sum(self.friction_j[1], before.friction_j[1]),
            ],
        ];
        Self {
            worn_um: worn,
            friction_j: friction,
            distance_m: sum(self.distance_m, before.distance_m),
            time_ms: b.int(self.time_ms, before.time_ms.wrapping_add(DAY_MS)),
            hot: b.int(i64::from(self.hot), i64::from(before.hot)) as u32,
        }
    }
}

/// Marks, the oldest first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Marks(Vec<Mark>);

impl Marks {
    /// Writes or reads the marks.
    pub(super) fn packed<B: Bits>(&self, b: &mut B, known_since_ms: i64) -> Self {
        let first = Mark {
            time_ms: known_since_ms,
            ..Mark::default()
        };
        Self(b.rows(self.0.iter(), &first, |b, mark, before| mark.packed(b, before)))
    }

    /// Remembers the sums on the first settled stretch of a day.
    pub(super) fn mark(&mut self, known_since_ms: i64, time_ms: i64, totals: &Totals) {
        let last = self.0.last().map_or(known_since_ms, |m| m.time_ms);
        let day = |t: i64| t.div_euclid(DAY_MS);
        if day(time_ms) == day(last) {
            return;
        }
        // The clock was set back: marks of a time that has not come say nothing.
        while self.0.last().is_some_and(|m| m.time_ms >= time_ms) {
            self.0.pop();
        }
        if self.0.last().map_or(known_since_ms, |m| m.time_ms) >= time_ms {
            return;
        }
        if self.0.len() == DAYS {
            self.0.remove(0);
        }
        self.0.push(totals.mark(time_ms));
    }

    /// Returns the sums at a time: on the straight line between the marks around it.
    pub(super) fn totals_at(&self, known_since_ms: i64, time_ms: i64, now: &Totals) -> Totals {
        let Some(last_ms) = now.last_ms else { return *now };
        if time_ms >= last_ms {
            return *now;
        }
        if time_ms <= known_since_ms {
            return Totals::default();
        }
        let begin = Mark {
            time_ms: known_since_ms,
            ..Mark::default()
        };
        let before = self
            .0
            .iter()
            .rev()
            .find(|m| m.time_ms <= time_ms)
            .unwrap_or(&begin);
        let end = now.mark(last_ms);
        let after = self
            .0
            .iter()
            .find(|m| m.time_ms > time_ms && m.time_ms <= last_ms)
            .unwrap_or(&end);
        let span = (after.time_ms - before.time_ms).max(1);
        let t = ((time_ms - before.time_ms) as f64 / span as f64).clamp(0.0, 1.0);
        let between = |a: f32, b: f32| f64::from(a) + t * (f64::from(b) - f64::from(a));
        let both = |a: [f32; 2], b: [f32; 2]| [between(a[0], b[0]), between(a[1], b[1])];
        Totals {
            worn_um: both(before.worn_um, after.worn_um),
            friction_j: both(before.friction_j, after.friction_j),
            distance_m: between(before.distance_m, after.distance_m),
            // A descent in doubt counts.
            hot: before.hot,
            last_ms: Some(time_ms),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn driven(days: &[i64]) -> (Marks, Totals) {
        let (mut marks, mut totals) = (Marks::default(), Totals::default());
        for &day in days {
            for hour in 0..10 {
                let time_ms = day * DAY_MS + hour * 3_600_000;
                marks.mark(days[0] * DAY_MS, time_ms, &totals);
                totals.add([10.0, 5.0], [1e6, 0.5e6], 1e4, time_ms);
            }
        }
        (marks, totals)
    }

    #[test]
    fn sums_of_a_past_day_are_found_again() {
        let (marks, totals) = driven(&[0, 1, 2, 3]);
        let then = marks.totals_at(0, 2 * DAY_MS, &totals);
        assert!((then.distance_m - 2e5).abs() < 1.0, "{then:?}");
        let since = totals.since(&then);
        assert!((since.worn_um[0] - 200.0).abs() < 1e-3 && (since.friction_j[1] - 1e7).abs() < 10.0);
    }

    #[test]
    fn the_number_of_marks_is_bounded_and_older_times_lie_on_a_line() {
        let days: Vec<i64> = (0..40).collect();
        let (marks, totals) = driven(&days);
        assert_eq!(marks.0.len(), DAYS);
        let then = marks.totals_at(0, 13 * DAY_MS, &totals);
        assert!((then.distance_m - 13e5).abs() < 2e4, "{then:?}");
        assert_eq!(marks.totals_at(0, -5, &totals), Totals::default());
        assert_eq!(marks.totals_at(0, i64::MAX, &totals), totals);
    }

    #[test]
    fn a_clock_set_back_leaves_no_mark_of_the_future() {
        let (mut marks, mut totals) = driven(&[0, 1, 400]);
        marks.mark(0, 2 * DAY_MS, &totals);
        totals.add([1.0; 2], [1.0; 2], 1.0, 2 * DAY_MS);
        assert_eq!(marks.0.last().unwrap().time_ms, 2 * DAY_MS);
        assert_eq!(marks.0.len(), 2);
    }
}
