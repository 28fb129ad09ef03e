//! What flows during a stretch of road: energies, times and distances that only add up.

use serde::{Deserialize, Serialize};

use crate::{phase::Phase, record::Flags};

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
pub(crate) fn milli(value: f64) -> i64 {
    let scaled = value * 1e3;
    (if scaled < 0.0 { scaled - 0.5 } else { scaled + 0.5 }) as i64
}

impl Stretch {
    /// Closes an open stretch.
    pub(crate) fn close(o: &OpenStretch) -> Self {
        Self {
            duration_ms: o.duration_ms,
            moving_ms: o.moving_ms,
            uncovered_ms: o.uncovered_ms,
            friction_ms: o.friction_ms,
            distance: o.distance.map(milli),
            distance_applied: milli(o.distance_applied),
            kinetic: o.kinetic.map(milli),
            kinetic_applied: milli(o.kinetic_applied),
            road: o.road.map(milli),
            road_applied: milli(o.road_applied),
            charged: milli(o.charged),
            discharged: milli(o.discharged),
            auxiliary: milli(o.auxiliary),
            motor: milli(o.motor),
            wheels: milli(o.wheels),
            wheels_applied: milli(o.wheels_applied),
            cause: o.cause.map(milli),
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

    /// Applies `f` field by field.
    fn zip(&self, o: &Self, f: impl Fn(i64, i64) -> i64) -> Self {
        fn each<const N: usize>(a: &[i64; N], b: &[i64; N], f: &impl Fn(i64, i64) -> i64) -> [i64; N] {
            let mut out = *a;
            out.iter_mut().zip(b).for_each(|(x, y)| *x = f(*x, *y));
            out
        }
        Self {
            duration_ms: f(self.duration_ms, o.duration_ms),
            moving_ms: f(self.moving_ms, o.moving_ms),
            uncovered_ms: f(self.uncovered_ms, o.uncovered_ms),
            friction_ms: f(self.friction_ms, o.friction_ms),
            distance: each(&self.distance, &o.distance, &f),
            distance_applied: f(self.distance_applied, o.distance_applied),
            kinetic: each(&self.kinetic, &o.kinetic, &f),
            kinetic_applied: f(self.kinetic_applied, o.kinetic_applied),
            road: each(&self.road, &o.road, &f),
            road_applied: f(self.road_applied, o.road_applied),
            charged: f(self.charged, o.charged),
            discharged: f(self.discharged, o.discharged),
            auxiliary: f(self.auxiliary, o.auxiliary),
            motor: f(self.motor, o.motor),
            wheels: f(self.wheels, o.wheels),
            wheels_applied: f(self.wheels_applied, o.wheels_applied),
            cause: each(&self.cause, &o.cause, &f),
            samples: f(self.samples, o.samples),
            applications: f(self.applications, o.applications),
            events: f(self.events, o.events),
            events_without_friction: f(self.events_without_friction, o.events_without_friction),
            braking_starts: f(self.braking_starts, o.braking_starts),
        }
    }

    /// Returns the sum.
    pub(crate) fn plus(&self, o: &Self) -> Self {
        self.zip(o, i64::wrapping_add)
    }

    /// Returns the difference.
    pub(crate) fn minus(&self, o: &Self) -> Self {
        self.zip(o, i64::wrapping_sub)
    }
}
