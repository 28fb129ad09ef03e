//! One vehicle's connected road: samples become intervals, intervals stretches, stretches get their altitude and go into
//! the ledger and the segmenter.

mod altimeter;
mod events;
mod interval;
mod road;

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::{
    atmosphere::air_density,
    flow::OpenStretch,
    grade::Position,
    ledger::Ledger,
    mass::MassEstimator,
    model::Model,
    noise::AltitudeNoise,
    policy::Policy,
    record::{EndReason, FinishedDescent, Flag},
    segment::Segmenter,
    sign::SignEvidence,
    terrain::{LAG_MM, Pending, STRETCH_MM, Settled},
    thermal::{ASSUMED_AMBIENT_C, Brakes},
    wear::Wear,
};
use altimeter::{Altimeter, BELIEVED_STEP_M, Reading};
use events::Events;
use road::Samples;

/// Speed below which the vehicle stands: wheel sensors tremble at standstill, m/s.
const STANDSTILL_MPS: f64 = 0.15;
/// A longer pause between samples than this many usual ones is a gap, and at least [`GAP_MS`].
const GAP_STEPS: f64 = 3.0;
const GAP_MS: i64 = 1_000;
/// A longer pause than this is a clock that jumped, ms.
const CLOCK_JUMP_MS: i64 = 366 * 86_400_000;

/// One sample, units as in [`crate::Batch`].
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    pub(crate) time_ms: i64,
    pub(crate) speed: f64,
    pub(crate) altitude: f64,
    pub(crate) brake: f64,
    pub(crate) current: f64,
    pub(crate) voltage: Option<f64>,
    pub(crate) soc: Option<f64>,
    pub(crate) ambient: Option<f64>,
    pub(crate) brake_temperature: Option<f64>,
    pub(crate) auxiliary: Option<f64>,
    pub(crate) mass: Option<f64>,
    pub(crate) slip: bool,
    pub(crate) battery_temperature: Option<f64>,
    pub(crate) charge_limit: Option<f64>,
    pub(crate) position: Option<Position>,
}

/// What lasts beyond a gap: the account of the vehicle's life.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Life {
    pub(crate) ledger: Ledger,
    pub(crate) friction_total_j: f64,
    pub(crate) brakes: Option<Brakes>,
    pub(crate) noise: AltitudeNoise,
    pub(crate) sign: SignEvidence,
    pub(crate) sign_refused: bool,
    pub(crate) descents: u64,
    pub(crate) segmenter: Segmenter,
    pub(crate) wear: Wear,
    pub(crate) mass: MassEstimator,
}

/// The sample before, as far as it is needed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Last {
    time_ms: i64,
    speed: f64,
    /// Altitude in use, m.
    altitude: f64,
    battery_w: f64,
    brake: f64,
    mass: f64,
    mass_streamed: bool,
    soc: Option<f64>,
    ambient: Option<f64>,
    brake_temperature: Option<f64>,
    position: Option<Position>,
}

/// Connected road of one vehicle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Track {
    last: Last,
    open: OpenStretch,
    samples: Samples,
    /// Position at the begin of the open stretch, mm; zero is where the vehicle was first seen.
    base_mm: i64,
    pending: VecDeque<Pending>,
    trail: VecDeque<Settled>,
    /// Altitude at the end of the last settled stretch.
    settled_mm: Option<i64>,
    standing_ms: i64,
    usual_ms: f64,
    deceleration: f64,
    events: Events,
    altimeter: Altimeter,
    /// Air density, kg/m³, looked up once per stretch of road, not per sample.
    air_density: f64,
    /// Over which lengths the rise of the open stretch is shared, where that is not the stretch itself.
    sharing: Option<[i64; 4]>,
}

/// What the work on a road needs beside the road.
pub(crate) struct Context<'a> {
    pub(crate) model: &'a Model<'a>,
    pub(crate) policy: &'a Policy,
    pub(crate) life: &'a mut Life,
    pub(crate) finished: &'a mut Vec<FinishedDescent>,
    pub(crate) vehicle: &'a str,
    pub(crate) software_version: &'a str,
}

impl Context<'_> {
    /// Standard deviation of single altitude samples: declared, else estimated, m.
    fn altitude_deviation_m(&self) -> f64 {
        self.policy
            .altitude_noise_m
            .unwrap_or_else(|| self.life.noise.deviation_m())
    }
}

/// What became of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Taken {
    /// It belongs to the road so far.
    Connected,
    /// It does not: the road ends for this reason, and the sample begins another.
    Disconnected(EndReason, Option<Flag>),
}

/// How a sample follows the one before.
#[derive(Clone, Copy, Debug)]
struct Following {
    duration_ms: i64,
    distance: f64,
    standing: bool,
    /// Samples are missing between.
    gap: bool,
}

impl Track {
    /// Begins a road at a sample; `after_gap` when another ended just before.
    pub(crate) fn begin(s: &Sample, model: &Model<'_>, life: &mut Life, after_gap: bool) -> Self {
        life.segmenter.restart(after_gap);
        life.noise.interrupt();
        if life.brakes.is_none() && model.class.front_heat_capacity_j_per_k.is_some() {
            life.brakes = Some(Brakes::cold(s.ambient.unwrap_or(ASSUMED_AMBIENT_C)));
        }
        let density = model
            .class
            .air_density_kg_m3
            .unwrap_or_else(|| air_density(s.altitude, s.ambient));
        let mut track = Self {
            last: Last {
                time_ms: s.time_ms,
                speed: s.speed,
                altitude: s.altitude,
                battery_w: interval::battery(s, model).0,
                brake: s.brake,
                mass: model.mass(s.mass),
                mass_streamed: s.mass.is_some(),
                soc: s.soc,
                ambient: s.ambient,
                brake_temperature: s.brake_temperature,
                position: s.position,
            },
            open: OpenStretch::default(),
            samples: Samples::default(),
            base_mm: life.ledger.sum.length(),
            // Room for the lag at the usual length of stretches: no allocation while driving.
            pending: VecDeque::with_capacity(12),
            trail: VecDeque::with_capacity(24),
            settled_mm: None,
            standing_ms: 0,
            usual_ms: 0.0,
            deceleration: 0.0,
            events: Events::default(),
            altimeter: Altimeter::new(s.altitude, s.time_ms),
            air_density: density,
            sharing: None,
        };
        track.samples.take(0.0, s.altitude);
        // A first stretch without length carries the altitude of the beginning.
        track.close_stretch();
        track
    }

    /// Returns the time of the last sample.
    pub(crate) fn last_time_ms(&self) -> i64 {
        self.last.time_ms
    }

    /// Sets a flag on the stretch being driven.
    pub(crate) fn flag(&mut self, flag: Flag) {
        self.open.flags.insert(flag);
    }

    /// Takes the next sample.
    pub(crate) fn take(&mut self, s: &Sample, c: &mut Context<'_>) -> Taken {
        if s.time_ms == self.last.time_ms {
            // The same instant twice tells nothing new.
            return Taken::Connected;
        }
        let follows = match self.follow(s, c.policy) {
            Ok(follows) => follows,
            Err(away) => return away,
        };
        let reading = self.altimeter.read(
            (s.altitude, s.time_ms),
            follows.distance,
            self.last.altitude,
            c.altitude_deviation_m(),
            c.policy,
        );
        let altitude = match reading {
            Reading::Plain(altitude) => altitude,
            Reading::Unbelieved => self.last.altitude,
            Reading::Step(altitude) => {
                self.open.flags.insert(Flag::AltitudeStep);
                altitude
            }
            Reading::Back(altitude, sharing) => {
                self.open.flags.insert(Flag::AltitudeFrozen);
                self.sharing = Some(sharing);
                altitude
            }
            Reading::Lost => return Taken::Disconnected(EndReason::DataGap, Some(Flag::AltitudeFrozen)),
        };
        self.add_interval(s, &follows, c);
        let position = self.open.length();
        self.samples.take(position, altitude);
        c.life
            .noise
            .observe(self.base_mm as f64 * 1e-3 + position, altitude);
        self.last.time_ms = s.time_ms;
        self.last.speed = s.speed;
        self.last.altitude = altitude;
        self.last.brake = s.brake;
        self.last.mass = c.model.mass(s.mass);
        self.last.mass_streamed = s.mass.is_some();
        self.last.soc = s.soc;
        self.last.ambient = s.ambient;
        self.last.brake_temperature = s.brake_temperature;
        self.last.position = s.position;

        self.standing_ms = if follows.standing {
            self.standing_ms + follows.duration_ms
        } else {
            0
        };
        if self.standing_ms as f64 > c.policy.end_standstill_s * 1e3 {
            self.finish(EndReason::Standstill, None, c);
            // Once is enough, however long it goes on.
            self.standing_ms = i64::MIN / 2;
        }
        // Surveyed altitude needs no gathering and no lag.
        let surveyed = c.policy.altitude_noise_m == Some(0.0);
        let (length_mm, lag_mm) = if surveyed { (1, 0) } else { (STRETCH_MM, LAG_MM) };
        if position * 1e3 >= length_mm as f64 {
            self.close_stretch();
            self.settle_ready(lag_mm, c);
        }
        Taken::Connected
    }

    /// Decides whether a sample belongs to the road so far, and how it follows.
    fn follow(&self, s: &Sample, policy: &Policy) -> Result<Following, Taken> {
        let duration_ms = s.time_ms - self.last.time_ms;
        if !(0..=CLOCK_JUMP_MS).contains(&duration_ms) {
            return Err(Taken::Disconnected(EndReason::ClockJump, Some(Flag::ClockJump)));
        }
        let dt = duration_ms as f64 * 1e-3;
        let mean_speed = 0.5 * (self.last.speed + s.speed);
        let standing = mean_speed < STANDSTILL_MPS;
        let gap =
            duration_ms > GAP_MS && self.usual_ms > 0.0 && duration_ms as f64 > GAP_STEPS * self.usual_ms;
        if dt > policy.bridge_time_s {
            let parked = standing
                && dt <= policy.end_standstill_s
                && (self.altimeter.plain(s.altitude) - self.last.altitude).abs() < BELIEVED_STEP_M;
            if !parked {
                return Err(Taken::Disconnected(EndReason::DataGap, None));
            }
        }
        let distance = if standing { 0.0 } else { mean_speed * dt };
        if gap && distance > policy.bridge_distance_m {
            return Err(Taken::Disconnected(EndReason::DataGap, None));
        }
        Ok(Following {
            duration_ms,
            distance,
            standing,
            gap,
        })
    }

    /// Ends the road: settles all that waits, closes the descent under way.
    pub(crate) fn finish(&mut self, reason: EndReason, flag: Option<Flag>, c: &mut Context<'_>) {
        self.events.interrupt();
        if self.open.duration_ms > 0 {
            self.close_stretch();
        }
        self.settle_ready(0, c);
        if let Some(flag) = flag {
            c.life.segmenter.low_marks.peaks.flags.insert(flag);
        }
        road::record(reason, c);
        c.life.segmenter.restart(true);
        self.trail.clear();
        self.settled_mm = None;
    }
}
