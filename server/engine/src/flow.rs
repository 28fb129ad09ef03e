//! What flows during a stretch of road: energies, times and distances that only add up.

use serde::{Deserialize, Serialize};

use crate::{
    bits::{Bits, share},
    phase::Phase,
    record::Flags,
};

/// Energies etc. of an open stretch, in SI units; [`Stretch::close`] turns them into integers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct OpenStretch {
    pub(crate) duration_ms: i64,
    pub(crate) moving_ms: i64,
    pub(crate) uncovered_ms: i64,
    pub(crate) friction_ms: i64,
    pub(crate) distance: [f64; 3],
    pub(crate) distance_applied: f64,
    pub(crate) kinetic: [f64; 3],
    pub(crate) kinetic_applied: f64,
    pub(crate) road: [f64; 3],
    pub(crate) road_applied: f64,
    pub(crate) charged: f64,
    pub(crate) discharged: f64,
    pub(crate) auxiliary: f64,
    pub(crate) motor: f64,
    pub(crate) wheels: f64,
    pub(crate) wheels_applied: f64,
    pub(crate) cause: [f64; 7],
    pub(crate) samples: i64,
    pub(crate) applications: i64,
    pub(crate) events: i64,
    pub(crate) events_without_friction: i64,
    pub(crate) braking_starts: i64,
    pub(crate) peak_speed: f64,
    pub(crate) peak_recovery: f64,
    pub(crate) peak_friction: f64,
    pub(crate) peak_gap_ms: i64,
    pub(crate) peak_brake_temperature: Option<f64>,
    pub(crate) flags: Flags,
}

/// Largest values of a stretch.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Peaks {
    pub(crate) speed_mmps: i64,
    pub(crate) recovery_w: i64,
    pub(crate) friction_w: i64,
    pub(crate) gap_ms: i64,
    pub(crate) brake_temperature_dc: Option<i32>,
    pub(crate) flags: Flags,
}

impl Peaks {
    pub(crate) fn absorb(&mut self, other: &Self) {
        self.speed_mmps = self.speed_mmps.max(other.speed_mmps);
        self.recovery_w = self.recovery_w.max(other.recovery_w);
        self.friction_w = self.friction_w.max(other.friction_w);
        self.gap_ms = self.gap_ms.max(other.gap_ms);
        self.brake_temperature_dc = self.brake_temperature_dc.max(other.brake_temperature_dc);
        self.flags = self.flags.union(other.flags);
    }

    /// Writes or reads them, given what they may be like.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, like: &Self) -> Self {
        Self {
            speed_mmps: b.int(self.speed_mmps, like.speed_mmps),
            recovery_w: b.int(self.recovery_w, like.recovery_w),
            friction_w: b.int(self.friction_w, like.friction_w),
            gap_ms: b.int(self.gap_ms, like.gap_ms),
            brake_temperature_dc: b.maybe_small(self.brake_temperature_dc, like.brake_temperature_dc),
            flags: self.flags.packed(b, like.flags),
        }
    }
}

/// What an interval between two samples adds. SI units; energies in J.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Interval {
    pub(crate) phase: Phase,
    pub(crate) applied: bool,
    pub(crate) duration_ms: i64,
    pub(crate) moving: bool,
    pub(crate) distance: f64,
    pub(crate) kinetic: f64,
    pub(crate) road: f64,
    pub(crate) battery: f64,
    pub(crate) auxiliary: f64,
    /// Battery and auxiliaries over the drivetrain's efficiency: what recovery took at the wheels.
    pub(crate) wheels: f64,
}

impl OpenStretch {
    pub(crate) fn add(&mut self, i: &Interval) {
        self.duration_ms += i.duration_ms;
        self.auxiliary += i.auxiliary;
        if i.battery < 0.0 {
            self.discharged -= i.battery;
        }
        if !i.moving {
            return;
        }
        self.moving_ms += i.duration_ms;
        // Charge taken at standstill comes from a plug, not from braking.
        if i.battery > 0.0 {
            self.charged += i.battery;
        }
        self.motor += i.battery + i.auxiliary;
        let p = i.phase as usize;
        self.distance[p] += i.distance;
        self.kinetic[p] += i.kinetic;
        self.road[p] += i.road;
        if i.phase == Phase::Braking {
            self.wheels += i.wheels;
        }
        if i.applied {
            self.distance_applied += i.distance;
            self.kinetic_applied += i.kinetic;
            self.road_applied += i.road;
            self.wheels_applied += i.wheels;
            self.friction_ms += i.duration_ms;
        }
    }

    pub(crate) fn length(&self) -> f64 {
        let [braking, propulsion, coasting] = self.distance;
        braking + propulsion + coasting
    }

    /// Writes or reads the stretch.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B) -> Self {
        let duration_ms = b.int(self.duration_ms, 0);
        let moving_ms = b.int(self.moving_ms, duration_ms);
        let friction_ms = b.int(self.friction_ms, moving_ms);
        let distance = self.distance.map(|x| b.float(x, 0.0));
        let kinetic = self.kinetic.map(|x| b.float(x, 0.0));
        let road = self.road.map(|x| b.float(x, 0.0));
        let charged = b.float(self.charged, 0.0);
        let discharged = b.float(self.discharged, 0.0);
        let auxiliary = b.float(self.auxiliary, 0.0);
        let wheels = b.float(self.wheels, 0.0);
        // The brake is on all along, or not at all.
        let applied = |whole: f64| if friction_ms == 0 { 0.0 } else { whole };
        Self {
            duration_ms,
            moving_ms,
            uncovered_ms: b.int(self.uncovered_ms, 0),
            friction_ms,
            distance,
            distance_applied: b.float(self.distance_applied, applied(distance[0])),
            kinetic,
            kinetic_applied: b.float(self.kinetic_applied, applied(kinetic[0])),
            road,
            road_applied: b.float(self.road_applied, applied(road[0])),
            charged,
            discharged,
            auxiliary,
            motor: b.float(self.motor, charged - discharged + auxiliary),
            wheels,
            wheels_applied: b.float(self.wheels_applied, applied(wheels)),
            cause: self.cause.map(|x| b.float(x, 0.0)),
            samples: b.int(self.samples, 0),
            applications: b.int(self.applications, 0),
            events: b.int(self.events, 0),
            events_without_friction: b.int(self.events_without_friction, 0),
            braking_starts: b.int(self.braking_starts, 0),
            peak_speed: b.decimal(self.peak_speed, 0.0, 100.0),
            peak_recovery: b.float(self.peak_recovery, 0.0),
            peak_friction: b.float(self.peak_friction, 0.0),
            peak_gap_ms: b.int(self.peak_gap_ms, 0),
            peak_brake_temperature: b.maybe_decimal(self.peak_brake_temperature, None, 10.0),
            flags: self.flags.packed(b, Flags::default()),
        }
    }

    pub(crate) fn peaks(&self) -> Peaks {
        Peaks {
            speed_mmps: milli(self.peak_speed),
            recovery_w: self.peak_recovery as i64,
            friction_w: self.peak_friction as i64,
            gap_ms: self.peak_gap_ms,
            brake_temperature_dc: self.peak_brake_temperature.map(crate::account::tenths_of),
            flags: self.flags,
        }
    }
}

/// A closed stretch or the sum of many: integers, so that sums do not depend on their order and differences are exact.
/// Energies in mJ, distances in mm, times in ms.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Stretch {
    pub(crate) duration_ms: i64,
    pub(crate) moving_ms: i64,
    pub(crate) uncovered_ms: i64,
    pub(crate) friction_ms: i64,
    pub(crate) distance: [i64; 3],
    pub(crate) distance_applied: i64,
    pub(crate) kinetic: [i64; 3],
    pub(crate) kinetic_applied: i64,
    pub(crate) road: [i64; 3],
    pub(crate) road_applied: i64,
    pub(crate) charged: i64,
    pub(crate) discharged: i64,
    pub(crate) auxiliary: i64,
    pub(crate) motor: i64,
    pub(crate) wheels: i64,
    pub(crate) wheels_applied: i64,
    /// Friction by cause: mJ when measured. By balance: mm of road braked with that cause, until the stretch gets its
    /// altitude.
    pub(crate) cause: [i64; 7],
    pub(crate) samples: i64,
    pub(crate) applications: i64,
    pub(crate) events: i64,
    pub(crate) events_without_friction: i64,
    pub(crate) braking_starts: i64,
}

/// Returns the value in thousandths, rounded half away from zero. Plain casts: a call to the library's rounding costs
/// more than all else here.
#[inline]
pub(crate) fn milli(value: f64) -> i64 {
    let scaled = value * 1e3;
    (scaled + 0.5_f64.copysign(scaled)) as i64
}

/// The same for what mostly is 0, with all bits.
#[inline]
fn seldom_milli(value: f64) -> i64 {
    if value.to_bits() == 0 { 0 } else { milli(value) }
}

/// Returns the nearest whole number, half away from zero: what the library's rounding gives, without a call.
#[inline]
pub(crate) fn round(value: f64) -> i64 {
    let whole = value as i64;
    let rest = value - whole as f64;
    if rest >= 0.5 {
        whole.saturating_add(1)
    } else if rest <= -0.5 {
        whole.saturating_sub(1)
    } else {
        whole
    }
}

impl Stretch {
    /// Closes an open stretch.
    #[inline]
    pub(crate) fn close(o: &OpenStretch) -> Self {
        Self {
            duration_ms: o.duration_ms,
            moving_ms: o.moving_ms,
            uncovered_ms: o.uncovered_ms,
            friction_ms: o.friction_ms,
            distance: o.distance.map(seldom_milli),
            distance_applied: seldom_milli(o.distance_applied),
            kinetic: o.kinetic.map(seldom_milli),
            kinetic_applied: seldom_milli(o.kinetic_applied),
            road: o.road.map(seldom_milli),
            road_applied: seldom_milli(o.road_applied),
            charged: seldom_milli(o.charged),
            discharged: seldom_milli(o.discharged),
            auxiliary: milli(o.auxiliary),
            motor: milli(o.motor),
            wheels: seldom_milli(o.wheels),
            wheels_applied: seldom_milli(o.wheels_applied),
            cause: o.cause.map(seldom_milli),
            samples: o.samples,
            applications: o.applications,
            events: o.events,
            events_without_friction: o.events_without_friction,
            braking_starts: o.braking_starts,
        }
    }

    /// Returns the length in mm.
    pub(crate) fn length(&self) -> i64 {
        self.distance.iter().sum()
    }

    /// Returns the same of numbers from anywhere.
    pub(crate) fn wrapping_length(&self) -> i64 {
        self.distance.iter().fold(0, |sum, x| sum.wrapping_add(*x))
    }

    /// Applies `f` field by field.
    fn each(&mut self, o: &Self, f: impl Fn(&mut i64, i64)) {
        fn all<const N: usize>(a: &mut [i64; N], b: &[i64; N], f: &impl Fn(&mut i64, i64)) {
            a.iter_mut().zip(b).for_each(|(x, y)| f(x, *y));
        }
        f(&mut self.duration_ms, o.duration_ms);
        f(&mut self.moving_ms, o.moving_ms);
        f(&mut self.uncovered_ms, o.uncovered_ms);
        f(&mut self.friction_ms, o.friction_ms);
        all(&mut self.distance, &o.distance, &f);
        f(&mut self.distance_applied, o.distance_applied);
        all(&mut self.kinetic, &o.kinetic, &f);
        f(&mut self.kinetic_applied, o.kinetic_applied);
        all(&mut self.road, &o.road, &f);
        f(&mut self.road_applied, o.road_applied);
        f(&mut self.charged, o.charged);
        f(&mut self.discharged, o.discharged);
        f(&mut self.auxiliary, o.auxiliary);
        f(&mut self.motor, o.motor);
        f(&mut self.wheels, o.wheels);
        f(&mut self.wheels_applied, o.wheels_applied);
        all(&mut self.cause, &o.cause, &f);
        f(&mut self.samples, o.samples);
        f(&mut self.applications, o.applications);
        f(&mut self.events, o.events);
        f(&mut self.events_without_friction, o.events_without_friction);
        f(&mut self.braking_starts, o.braking_starts);
    }

    /// Writes or reads the sums, given those of a stretch that they may be like.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, like: &Self) -> Self {
        let each = |b: &mut B, of: &[i64; 3], like: [i64; 3]| -> [i64; 3] {
            std::array::from_fn(|p| b.int(of[p], like[p]))
        };
        let duration_ms = b.int(self.duration_ms, like.duration_ms);
        let moving_ms = b.int(self.moving_ms, duration_ms);
        let friction_ms = b.int(
            self.friction_ms,
            share(like.friction_ms, moving_ms, like.moving_ms),
        );
        let distance = each(b, &self.distance, like.distance);
        let kinetic = each(b, &self.kinetic, [0; 3]);
        let road_like = std::array::from_fn(|p| share(like.road[p], distance[p], like.distance[p]));
        let road = each(b, &self.road, road_like);
        let of_time = |like_sum: i64| share(like_sum, duration_ms, like.duration_ms);
        let charged = b.int(self.charged, of_time(like.charged));
        let discharged = b.int(self.discharged, of_time(like.discharged));
        let auxiliary = b.int(self.auxiliary, of_time(like.auxiliary));
        let motor = b.int(
            self.motor,
            charged.wrapping_sub(discharged).wrapping_add(auxiliary),
        );
        let wheels = b.int(self.wheels, share(like.wheels, motor, like.motor));
        let braking = distance[0];
        let distance_applied = b.int(self.distance_applied, share(braking, friction_ms, moving_ms));
        let applied = |of: i64| share(of, distance_applied, braking);
        Self {
            duration_ms,
            moving_ms,
            uncovered_ms: b.int(self.uncovered_ms, 0),
            friction_ms,
            distance,
            distance_applied,
            kinetic,
            kinetic_applied: b.int(self.kinetic_applied, applied(kinetic[0])),
            road,
            road_applied: b.int(self.road_applied, applied(road[0])),
            charged,
            discharged,
            auxiliary,
            motor,
            wheels,
            wheels_applied: b.int(self.wheels_applied, applied(wheels)),
            cause: std::array::from_fn(|i| {
                b.int(
                    self.cause[i],
                    share(like.cause[i], distance_applied, like.distance_applied),
                )
            }),
            samples: b.int(self.samples, of_time(like.samples)),
            applications: b.int(self.applications, 0),
            events: b.int(self.events, 0),
            events_without_friction: b.int(self.events_without_friction, 0),
            braking_starts: b.int(self.braking_starts, 0),
        }
    }

    /// Adds another.
    pub(crate) fn add(&mut self, o: &Self) {
        self.each(o, |x, y| *x = x.wrapping_add(y));
    }

    /// Returns the difference.
    pub(crate) fn minus(&self, o: &Self) -> Self {
        let mut rest = *self;
        rest.each(o, |x, y| *x = x.wrapping_sub(y));
        rest
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounding_is_that_of_the_library() {
        let below_half = 0.499_999_999_999_999_94;
        for x in [
            0.0,
            -0.0,
            0.5,
            1.5,
            2.5,
            below_half,
            0.3,
            0.7,
            1e9 + 0.5,
            4_503_599_627_370_497.5,
            9e15,
            1e18,
            1e19,
            f64::NAN,
        ] {
            for x in [x, -x] {
                assert_eq!(round(x), x.round() as i64, "{x}");
            }
        }
    }
}
