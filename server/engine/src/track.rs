//! One vehicle's connected road: samples become intervals, intervals stretches, stretches get their altitude and go into
//! the ledger and the segmenter.

mod altimeter;
mod block;
mod cruise;
mod events;
mod interval;
mod packed;
mod road;
mod rows;

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
use block::{Block, Room};
use events::Events;
use road::Samples;
pub(crate) use rows::Rows;

/// Speed below which the vehicle stands: wheel sensors tremble at standstill, m/s.
const STANDSTILL_MPS: f64 = 0.15;
/// A longer pause between samples than this many usual ones is a gap, and at least [`GAP_MS`].
const GAP_STEPS: f64 = 3.0;
const GAP_MS: i64 = 1_000;
/// Room for the lag and for the trail at the usual length of stretches: no allocation while driving.
const PENDING: usize = 8;
const TRAIL: usize = 14;
/// A longer pause than this is a clock that jumped, ms.
const CLOCK_JUMP_MS: i64 = 366 * 86_400_000;

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
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
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

impl Last {
    fn at(rows: &Rows<'_>, i: usize, altitude: f64, model: &Model<'_>) -> Self {
        let mass = rows.mass(i);
        Self {
            time_ms: rows.time_ms[i],
            speed: rows.speed[i],
            altitude,
            battery_w: interval::battery_w_at(rows, i, model),
            brake: rows.brake[i],
            mass: model.mass(mass),
            mass_streamed: mass.is_some(),
            soc: rows.soc(i),
            ambient: rows.ambient(i),
            brake_temperature: rows.brake_temperature(i),
            position: rows.position(i),
        }
    }
}

/// Connected road of one vehicle.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
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
    /// The same, s.
    dt: f64,
    mean_speed: f64,
    distance: f64,
    standing: bool,
    /// Samples are missing between.
    gap: bool,
}

/// What stays the same from sample to sample, until a stretch is settled.
#[derive(Clone, Copy, Debug)]
struct Steady {
    /// Position at the begin of the open stretch, m.
    base_m: f64,
    /// Road load per square of the speed, N/(m/s)².
    square: f64,
    /// Pauses up to this one are no gap of any kind, ms.
    plain_ms: i64,
    surveyed: bool,
    /// Length from which a stretch is closed, mm.
    length_mm: f64,
}

impl Track {
    /// Begins a road at a sample; `after_gap` when another ended just before.
    pub(crate) fn begin(
        rows: &Rows<'_>,
        i: usize,
        model: &Model<'_>,
        life: &mut Life,
        after_gap: bool,
    ) -> Self {
        let (altitude, ambient) = (rows.altitude[i], rows.ambient(i));
        life.segmenter.restart(after_gap);
        life.noise.interrupt();
        if life.brakes.is_none() && model.class.front_heat_capacity_j_per_k.is_some() {
            life.brakes = Some(Brakes::cold(ambient.unwrap_or(ASSUMED_AMBIENT_C)));
        }
        let density = model
            .class
            .air_density_kg_m3
            .unwrap_or_else(|| air_density(altitude, ambient));
        let mut track = Self {
            last: Last::at(rows, i, altitude, model),
            open: OpenStretch::default(),
            samples: Samples::default(),
            base_mm: life.ledger.sum.length(),
            pending: VecDeque::with_capacity(PENDING),
            trail: VecDeque::with_capacity(TRAIL),
            settled_mm: None,
            standing_ms: 0,
            usual_ms: 0.0,
            deceleration: 0.0,
            events: Events::default(),
            altimeter: Altimeter::new(altitude, rows.time_ms[i]),
            air_density: density,
            sharing: None,
        };
        track.samples.take(0.0, altitude);
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

    /// Takes samples from row `from` on, as many as belong to the road. Returns the first row not taken and, when there
    /// are rows left, why it was not.
    pub(crate) fn take(&mut self, rows: &Rows<'_>, from: usize, c: &mut Context<'_>) -> (usize, Taken) {
        let mut steady = self.steady(c);
        let (mut block, mut room) = (Block::empty(), Room::new());
        // The last row taken, and whether what only the end of a stretch asks for has been noted of it.
        let (mut latest, mut noted) = (None, true);
        let mut i = from;
        while i < rows.len() {
            let next = self.take_like_before((&mut block, &mut room), rows, i, latest, &steady, c);
            let position = if next > i {
                i = next;
                self.open.length()
            } else {
                match self.take_one(rows, i, &steady, c) {
                    // The same instant twice tells nothing new.
                    None => {
                        i += 1;
                        continue;
                    }
                    Some(Err(away)) => {
                        self.note_latest(rows, latest, noted, c.model);
                        return (i, away);
                    }
                    Some(Ok(position)) => {
                        i += 1;
                        position
                    }
                }
            };
            (latest, noted) = (Some(i - 1), false);
            if self.standing_ms as f64 > c.policy.end_standstill_s * 1e3 {
                self.note_latest(rows, latest, noted, c.model);
                noted = true;
                self.finish(EndReason::Standstill, None, c);
                // Once is enough, however long it goes on.
                self.standing_ms = i64::MIN / 2;
                steady = self.steady(c);
            }
            if position * 1e3 >= steady.length_mm {
                self.note_latest(rows, latest, noted, c.model);
                noted = true;
                self.close_stretch();
                // Surveyed altitude needs no lag.
                self.settle_ready(if steady.surveyed { 0 } else { LAG_MM }, c);
                steady = self.steady(c);
            }
            if c.life.sign_refused {
                break;
            }
        }
        self.note_latest(rows, latest, noted, c.model);
        (i, Taken::Connected)
    }

    /// Takes rows that go on as the ones before did; returns the first row not taken.
    fn take_like_before(
        &mut self,
        (block, room): (&mut Block, &mut Room),
        rows: &Rows<'_>,
        i: usize,
        latest: Option<usize>,
        steady: &Steady,
        c: &mut Context<'_>,
    ) -> usize {
        // A block begins at the row before, and that must have been taken.
        if latest.is_none_or(|latest| latest + 1 != i) || steady.surveyed {
            return i;
        }
        if !block.holds(i) {
            block.fill(rows, i, steady, c.model, room);
        }
        if block.holds(i) {
            self.cruise((block, room), rows, i, steady, c)
        } else {
            i
        }
    }

    /// Takes one row, whatever it is. Returns the position in the open stretch, m, or why the row does not belong to the road;
    /// nothing when it is passed over.
    fn take_one(
        &mut self,
        rows: &Rows<'_>,
        i: usize,
        steady: &Steady,
        c: &mut Context<'_>,
    ) -> Option<Result<f64, Taken>> {
        if rows.time_ms[i] == self.last.time_ms {
            return None;
        }
        let follows = match self.follow(rows, i, steady, c.policy) {
            Ok(follows) => follows,
            Err(away) => return Some(Err(away)),
        };
        let Some(altitude) = self.read_altitude(rows, i, &follows, steady, c) else {
            return Some(Err(Taken::Disconnected(
                EndReason::DataGap,
                Some(Flag::AltitudeFrozen),
            )));
        };
        self.add_interval(rows, i, &follows, steady, c);
        let position = self.open.length();
        self.samples.take(position, altitude);
        c.life.noise.observe(steady.base_m + position, altitude);
        self.last.time_ms = rows.time_ms[i];
        self.last.speed = rows.speed[i];
        self.last.altitude = altitude;
        self.last.brake = rows.brake[i];
        self.standing_ms = if follows.standing {
            self.standing_ms + follows.duration_ms
        } else {
            0
        };
        Some(Ok(position))
    }

    fn steady(&self, c: &Context<'_>) -> Steady {
        let surveyed = c.policy.altitude_noise_m == Some(0.0);
        Steady {
            base_m: self.base_mm as f64 * 1e-3,
            square: c.model.road_load_per_square(self.air_density),
            // Longer than that is looked at closely.
            plain_ms: if c.policy.bridge_time_s >= 1.0 { GAP_MS } else { 0 },
            surveyed,
            // Surveyed altitude needs no gathering.
            length_mm: if surveyed { 1.0 } else { STRETCH_MM as f64 },
        }
    }

    /// Notes what else the last sample taken carried, unless it has been noted.
    fn note_latest(&mut self, rows: &Rows<'_>, latest: Option<usize>, noted: bool, model: &Model<'_>) {
        let Some(i) = latest.filter(|_| !noted) else {
            return;
        };
        let mass = rows.mass(i);
        self.last.mass = model.mass(mass);
        self.last.mass_streamed = mass.is_some();
        self.last.soc = rows.soc(i);
        self.last.ambient = rows.ambient(i);
        self.last.brake_temperature = rows.brake_temperature(i);
        self.last.position = rows.position(i);
    }

    /// Returns the altitude to use for a sample; `None` when it had been lost for too long.
    fn read_altitude(
        &mut self,
        rows: &Rows<'_>,
        i: usize,
        follows: &Following,
        steady: &Steady,
        c: &Context<'_>,
    ) -> Option<f64> {
        let raw = (rows.altitude[i], rows.time_ms[i]);
        if steady.surveyed {
            return Some(self.altimeter.plain(raw.0));
        }
        if let Some(altitude) = self.altimeter.read_plain(raw, self.last.altitude) {
            return Some(altitude);
        }
        let deviation_m = c.altitude_deviation_m();
        let reading =
            self.altimeter
                .read_leap(raw, follows.distance, self.last.altitude, deviation_m, c.policy);
        match reading {
            Reading::Plain(altitude) => Some(altitude),
            Reading::Unbelieved => Some(self.last.altitude),
            Reading::Step(altitude) => {
                self.open.flags.insert(Flag::AltitudeStep);
                Some(altitude)
            }
            Reading::Back(altitude, sharing) => {
                self.open.flags.insert(Flag::AltitudeFrozen);
                self.sharing = Some(sharing);
                Some(altitude)
            }
            Reading::Lost => None,
        }
    }

    /// Decides whether a sample belongs to the road so far, and how it follows.
    fn follow(
        &self,
        rows: &Rows<'_>,
        i: usize,
        steady: &Steady,
        policy: &Policy,
    ) -> Result<Following, Taken> {
        let duration_ms = rows.time_ms[i] - self.last.time_ms;
        let dt = duration_ms as f64 * 1e-3;
        let mean_speed = 0.5 * (self.last.speed + rows.speed[i]);
        let standing = mean_speed < STANDSTILL_MPS;
        let mut follows = Following {
            duration_ms,
            dt,
            mean_speed,
            distance: if standing { 0.0 } else { mean_speed * dt },
            standing,
            gap: false,
        };
        if !(0..=steady.plain_ms).contains(&duration_ms) {
            follows.gap = self.pause(&follows, rows.altitude[i], policy)?;
        }
        Ok(follows)
    }

    /// Looks at a pause between samples that is longer than usual ones, or negative: whether the road goes on after it, and
    /// whether samples are missing.
    #[cold]
    fn pause(&self, f: &Following, altitude: f64, policy: &Policy) -> Result<bool, Taken> {
        if !(0..=CLOCK_JUMP_MS).contains(&f.duration_ms) {
            return Err(Taken::Disconnected(EndReason::ClockJump, Some(Flag::ClockJump)));
        }
        let gap =
            f.duration_ms > GAP_MS && self.usual_ms > 0.0 && f.duration_ms as f64 > GAP_STEPS * self.usual_ms;
        if f.dt > policy.bridge_time_s {
            let parked = f.standing
                && f.dt <= policy.end_standstill_s
                && (self.altimeter.plain(altitude) - self.last.altitude).abs() < BELIEVED_STEP_M;
            if !parked {
                return Err(Taken::Disconnected(EndReason::DataGap, None));
            }
        }
        if gap && f.distance > policy.bridge_distance_m {
            return Err(Taken::Disconnected(EndReason::DataGap, None));
        }
        Ok(gap)
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
