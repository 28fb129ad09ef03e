//! Braking events and applications of the brake.

use serde::{Deserialize, Serialize};

use crate::{
    bits::Bits,
    flow::{Interval, OpenStretch},
    phase::Phase,
    terrain::Doing,
};

/// Pause that separates two braking events, ms.
const EVENT_PAUSE_MS: i64 = 2_000;
/// Pause that separates two applications of the brake, ms.
const RELEASE_MS: i64 = 500;
/// Shortest braking event counted, ms.
const EVENT_MS: i64 = 1_000;
/// Share of friction below which an event counts as done without it.
const WITHOUT_FRICTION: f64 = 0.01;

/// What the vehicle was doing, as far as counting needs it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Events {
    pub(super) phase: Phase,
    pub(super) applied: bool,
    released_ms: Option<i64>,
    pub(super) event: Event,
}

/// A stretch of braking, by recovery or by friction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Event {
    active: bool,
    /// Long enough to be counted.
    counted: bool,
    /// Counted as done without friction, for as long as that holds.
    without_friction: bool,
    pause_ms: i64,
    braking_ms: i64,
    recovered_j: f64,
    friction_j: f64,
}

impl Event {
    fn pause(&mut self, duration_ms: i64) {
        self.pause_ms += duration_ms;
        if self.active && self.pause_ms >= EVENT_PAUSE_MS {
            *self = Self::default();
        }
    }

    /// Counts braking: what recovery took at the wheels and what friction did, J. Returns by how much the number of events
    /// without friction changes.
    #[inline]
    fn brake_on(&mut self, wheels_j: f64, friction_j: f64) -> i64 {
        self.recover(wheels_j);
        self.spend(friction_j);
        self.tell()
    }

    /// Adds what recovery took at the wheels, J.
    #[inline]
    pub(super) fn recover(&mut self, wheels_j: f64) {
        self.recovered_j += if wheels_j > 0.0 { wheels_j } else { 0.0 };
    }

    /// Adds what friction did, J.
    #[inline]
    pub(super) fn spend(&mut self, friction_j: f64) {
        self.friction_j += friction_j;
    }

    /// Returns by how much the number of events without friction has changed since it was last asked.
    #[inline]
    pub(super) fn tell(&mut self) -> i64 {
        let without = self.friction_j < WITHOUT_FRICTION * (self.recovered_j + self.friction_j);
        // Counted at once and taken back when friction comes later: a descent may end while braking goes on.
        if !self.counted || without == self.without_friction {
            return 0;
        }
        self.without_friction = without;
        if without { 1 } else { -1 }
    }
}

impl Events {
    /// Writes or reads what the vehicle was doing.
    pub(super) fn packed<B: Bits>(&self, b: &mut B) -> Self {
        let phase = match b.raw(self.phase as u64, 2) {
            0 => Phase::Braking,
            1 => Phase::Propulsion,
            _ => Phase::Coasting,
        };
        Self {
            phase,
            applied: b.bit(self.applied),
            released_ms: b.maybe(self.released_ms, None),
            event: Event {
                active: b.bit(self.event.active),
                counted: b.bit(self.event.counted),
                without_friction: b.bit(self.event.without_friction),
                pause_ms: b.int(self.event.pause_ms, 0),
                braking_ms: b.int(self.event.braking_ms, 0),
                recovered_j: b.float(self.event.recovered_j, 0.0),
                friction_j: b.float(self.event.friction_j, 0.0),
            },
        }
    }

    /// Takes an interval in motion; counts into the open stretch. `friction_j` is `None` when friction is not measured.
    pub(super) fn take(&mut self, i: &Interval, friction_j: Option<f64>, open: &mut OpenStretch) {
        if i.applied && !self.applied && self.released_ms.is_none_or(|ms| ms >= RELEASE_MS) {
            open.applications += 1;
        }
        if i.applied {
            self.released_ms = Some(0);
        } else if let Some(ms) = &mut self.released_ms {
            *ms += i.duration_ms;
        }
        self.applied = i.applied;
        if i.phase == Phase::Braking && self.phase != Phase::Braking {
            open.braking_starts += 1;
        }
        self.phase = i.phase;

        let e = &mut self.event;
        if i.phase != Phase::Braking {
            e.pause(i.duration_ms);
            return;
        }
        if !e.active {
            *e = Event {
                active: true,
                ..Event::default()
            };
        }
        e.pause_ms = 0;
        e.braking_ms += i.duration_ms;
        if !e.counted && e.braking_ms >= EVENT_MS {
            e.counted = true;
            open.events += 1;
        }
        // Without a force, an applied brake counts as friction in proportion to its time.
        let spent_j = friction_j.unwrap_or(if i.applied { i.wheels.max(1.0) } else { 0.0 });
        open.events_without_friction += e.brake_on(i.wheels, spent_j);
    }

    /// Returns whether an interval like the last one begins and ends nothing.
    pub(super) fn is_steady(&self) -> bool {
        self.phase != Phase::Braking || (self.event.active && self.event.counted)
    }

    /// Takes intervals like the last one, of the durations given, whose energies are counted already.
    pub(super) fn went_on(&mut self, duration_ms: i64, each_ms: &[f64]) {
        if !self.applied
            && let Some(ms) = &mut self.released_ms
        {
            *ms += duration_ms;
        }
        let e = &mut self.event;
        if self.phase == Phase::Braking {
            e.pause_ms = 0;
            e.braking_ms += duration_ms;
        } else if e.active {
            for ms in each_ms {
                e.pause(*ms as i64);
            }
        } else {
            e.pause_ms += duration_ms;
        }
    }

    /// Returns what is under way.
    pub(super) fn doing(&self) -> Doing {
        Doing {
            applied: self.applied,
            event: self.event.counted,
            event_without_friction: self.event.without_friction,
        }
    }

    /// Ends the event under way.
    pub(super) fn interrupt(&mut self) {
        self.event = Event::default();
    }
}
