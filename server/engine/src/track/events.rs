//! Braking events and applications of the brake.

use serde::{Deserialize, Serialize};

use crate::{
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
    applied: bool,
    released_ms: Option<i64>,
    event: Event,
}

/// A stretch of braking, by recovery or by friction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Event {
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

impl Events {
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
            e.pause_ms += i.duration_ms;
            if e.active && e.pause_ms >= EVENT_PAUSE_MS {
                *e = Event::default();
            }
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
        e.recovered_j += i.wheels.max(0.0);
        // Without a force, an applied brake counts as friction in proportion to its time.
        e.friction_j += friction_j.unwrap_or(if i.applied { i.wheels.max(1.0) } else { 0.0 });
        let without = e.friction_j < WITHOUT_FRICTION * (e.recovered_j + e.friction_j);
        if !e.counted && e.braking_ms >= EVENT_MS {
            e.counted = true;
            open.events += 1;
        }
        // Counted at once and taken back when friction comes later: a descent may end while braking goes on.
        if e.counted && without != e.without_friction {
            e.without_friction = without;
            open.events_without_friction += if without { 1 } else { -1 };
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
