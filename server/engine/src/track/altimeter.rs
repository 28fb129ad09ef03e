//! Reads altitude samples: leaps that no road has are not believed at once, and altitude that was lost, as in a tunnel,
//! is told from a level road.

use serde::{Deserialize, Serialize};

use crate::{bits::Bits, phase::Phase, policy::Policy};

/// Steepest road believed, as rise over run.
const STEEPEST_ROAD: f64 = 0.35;
/// Altitude step that is believed on top of it, m.
pub(super) const BELIEVED_STEP_M: f64 = 5.0;
/// Deviations of single samples that are believed on top of both.
pub(super) const BELIEVED_DEVIATIONS: f64 = 6.0;
/// Samples after which a new altitude level is believed.
const LEVEL_SAMPLES: u8 = 3;
/// Distance without any change of altitude that counts as lost altitude once it leaps, m.
const FROZEN_M: f64 = 30.0;

/// The altimeter of one vehicle.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Altimeter {
    /// What steps that no road has added up to, m.
    pub(super) offset_m: f64,
    /// The same before the last step: a level that comes back is believed at once.
    offset_before_m: f64,
    pub(super) last_raw_m: f64,
    /// Samples that have been waiting at a new level, and that level.
    waiting: u8,
    waiting_m: f64,
    frozen_since_ms: i64,
    /// Lengths by phase, and with the brake applied, since the altitude last changed, m.
    pub(super) frozen_m: [f64; 4],
    /// Length without change when the leap that is waited for came, m: what comes after says nothing of a tunnel.
    frozen_before_m: f64,
}

/// What an altitude sample says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Reading {
    /// The altitude, m.
    Plain(f64),
    /// A leap not yet believed: keep the altitude before.
    Unbelieved,
    /// A step that no road has: the altitude with it taken out, m.
    Step(f64),
    /// The altitude is back after it had been lost for a bridgeable way, whose parts by phase and with the brake
    /// applied are given in mm.
    Back(f64, [i64; 4]),
    /// The altitude is back after it had been lost for too long.
    Lost,
}

impl Altimeter {
    pub(super) fn new(altitude_m: f64, time_ms: i64) -> Self {
        Self {
            last_raw_m: altitude_m,
            frozen_since_ms: time_ms,
            ..Self::default()
        }
    }

    /// Writes or reads the altimeter, given the time and the altitude of the last sample.
    pub(super) fn packed<B: Bits>(&self, b: &mut B, time_ms: i64, altitude_m: f64) -> Self {
        Self {
            offset_m: b.decimal(self.offset_m, 0.0, 10.0),
            offset_before_m: b.decimal(self.offset_before_m, 0.0, 10.0),
            last_raw_m: b.decimal(self.last_raw_m, altitude_m, 10.0),
            waiting: b.int(i64::from(self.waiting), 0) as u8,
            waiting_m: b.decimal(self.waiting_m, 0.0, 10.0),
            frozen_since_ms: b.int(self.frozen_since_ms, time_ms),
            frozen_m: self.frozen_m.map(|x| b.float(x, 0.0)),
            frozen_before_m: b.float(self.frozen_before_m, 0.0),
        }
    }

    /// Returns the altitude of a sample as if it were believed, m.
    pub(super) fn plain(&self, raw_m: f64) -> f64 {
        raw_m + self.offset_m
    }

    /// Reads a sample that says the same as the one before or lies so near the altitude `before_m` in use that no more needs
    /// to be known; `None` when it does not.
    pub(super) fn read_plain(&mut self, (raw_m, time_ms): (f64, i64), before_m: f64) -> Option<f64> {
        let altitude = self.plain(raw_m);
        if (raw_m - self.last_raw_m).abs() > 1e-9 {
            if (altitude - before_m).abs() > BELIEVED_STEP_M {
                return None;
            }
            self.moved(raw_m, time_ms);
        }
        Some(altitude)
    }

    /// Reads any other sample; it lies `distance` m after the one before.
    pub(super) fn read_leap(
        &mut self,
        (raw_m, time_ms): (f64, i64),
        distance: f64,
        before_m: f64,
        deviation_m: f64,
        policy: &Policy,
    ) -> Reading {
        let leap = self.plain(raw_m) - before_m;
        let believed = STEEPEST_ROAD * distance * f64::from(1 + self.waiting)
            + BELIEVED_STEP_M
            + BELIEVED_DEVIATIONS * deviation_m;
        if leap.abs() <= believed {
            self.moved(raw_m, time_ms);
            return Reading::Plain(self.plain(raw_m));
        }
        let back = raw_m + self.offset_before_m - before_m;
        if back.abs() <= believed {
            self.offset_m = self.offset_before_m;
            self.moved(raw_m, time_ms);
            return Reading::Plain(self.plain(raw_m));
        }
        if self.waiting == 0 {
            self.frozen_before_m = self.frozen_length_m();
        }
        let same_level = self.waiting > 0 && (raw_m - self.waiting_m).abs() <= believed;
        self.waiting = if same_level { self.waiting + 1 } else { 1 };
        self.waiting_m = raw_m;
        if self.waiting < LEVEL_SAMPLES {
            return Reading::Unbelieved;
        }
        let (frozen_m, frozen_ms) = (self.frozen_m, time_ms - self.frozen_since_ms);
        let length = self.frozen_length_m();
        self.moved(raw_m, time_ms);
        if self.frozen_before_m < FROZEN_M {
            self.offset_before_m = self.offset_m;
            self.offset_m -= leap;
            return Reading::Step(self.plain(raw_m));
        }
        if frozen_ms as f64 > policy.bridge_time_s * 1e3 || length > policy.bridge_distance_m {
            return Reading::Lost;
        }
        Reading::Back(self.plain(raw_m), frozen_m.map(|m| (m * 1e3) as i64))
    }

    /// Notes that the vehicle went on by `distance` m.
    pub(super) fn went(&mut self, distance: f64, phase: Phase, applied: bool) {
        self.frozen_m[phase as usize] += distance;
        if applied {
            self.frozen_m[3] += distance;
        }
    }

    /// Returns the length over which the altitude has not changed, m.
    pub(super) fn frozen_length_m(&self) -> f64 {
        let [braking, propulsion, coasting, _] = self.frozen_m;
        braking + propulsion + coasting
    }

    /// Notes a sample that is believed and differs from the one before.
    pub(super) fn moved(&mut self, raw_m: f64, time_ms: i64) {
        self.waiting = 0;
        self.last_raw_m = raw_m;
        self.frozen_since_ms = time_ms;
        self.frozen_m = [0.0; 4];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(a: &mut Altimeter, raw: f64, k: i64, before: f64) -> Reading {
        a.went(10.0, Phase::Braking, false);
        let sample = (raw, k * 1000);
        match a.read_plain(sample, before) {
            Some(altitude) => Reading::Plain(altitude),
            None => a.read_leap(sample, 10.0, before, 0.5, &Policy::default()),
        }
    }

    #[test]
    fn a_spike_is_passed_over() {
        let mut a = Altimeter::new(500.0, 0);
        assert_eq!(read(&mut a, 499.0, 1, 500.0), Reading::Plain(499.0));
        assert_eq!(read(&mut a, 560.0, 2, 499.0), Reading::Unbelieved);
        assert_eq!(read(&mut a, 497.5, 3, 499.0), Reading::Plain(497.5));
    }

    #[test]
    fn a_step_that_stays_is_taken_out_at_any_speed() {
        let mut a = Altimeter::new(500.0, 0);
        assert_eq!(read(&mut a, 499.5, 1, 500.0), Reading::Plain(499.5));
        // 30 m of road while waiting are no tunnel.
        for k in 0..2 {
            assert_eq!(read(&mut a, 560.0, 2 + k, 499.5), Reading::Unbelieved);
        }
        assert_eq!(read(&mut a, 558.5, 4, 499.5), Reading::Step(499.5));
        assert!((a.plain(557.5) - 498.5).abs() < 1e-9);
    }

    #[test]
    fn a_level_that_comes_back_is_believed_at_once_and_nothing_is_lost() {
        let mut a = Altimeter::new(500.0, 0);
        read(&mut a, 499.5, 1, 500.0);
        for k in 0..3 {
            read(&mut a, 620.0, 2 + k, 499.5);
        }
        assert_eq!(read(&mut a, 619.5, 5, 499.5), Reading::Plain(499.0));
        assert_eq!(read(&mut a, 496.5, 6, 499.0), Reading::Plain(496.5));
    }

    #[test]
    fn altitude_that_comes_back_after_a_short_way_is_bridged_and_after_a_long_one_is_lost() {
        for (steps, expected_lost) in [(10, false), (40, true)] {
            let mut a = Altimeter::new(500.0, 0);
            for k in 1..=steps {
                assert_eq!(read(&mut a, 500.0, k, 500.0), Reading::Plain(500.0));
            }
            read(&mut a, 470.0, steps + 1, 500.0);
            read(&mut a, 469.0, steps + 2, 500.0);
            match read(&mut a, 468.0, steps + 3, 500.0) {
                Reading::Back(altitude, parts) => {
                    assert!(!expected_lost);
                    assert_eq!((altitude, parts[0]), (468.0, (steps + 3) * 10_000));
                }
                Reading::Lost => assert!(expected_lost),
                other => panic!("{other:?}"),
            }
        }
    }
}
