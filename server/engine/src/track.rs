//! One vehicle's connected road: sample by sample into stretches, stretches into altitude, altitude into descents.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::{
    account,
    atmosphere::{Air, air_density},
    flow::{Interval, OpenStretch, Stretch},
    friction::{Circumstances, cause},
    ledger::Ledger,
    model::Model,
    noise::AltitudeNoise,
    phase::Phase,
    policy::Policy,
    profile::Bin,
    record::{Cause, EndReason, FinishedDescent, Flag, FrictionMethod},
    segment::{Segmenter, Snapshot, Step},
    sign::SignEvidence,
    terrain::{EndFacts, GRADIENT_MM, Gathered, LAG_MM, Pending, STRETCH_MM, Settled, settle},
    thermal::{ASSUMED_AMBIENT_C, Brakes},
};

/// Speed below which the vehicle stands: wheel sensors tremble at standstill, m/s.
const STANDSTILL_MPS: f64 = 0.15;
/// A longer pause between samples than this many usual ones is a gap, and at least [`GAP_MS`].
const GAP_STEPS: f64 = 3.0;
const GAP_MS: i64 = 1_000;
/// A gap that is longer is flagged when it is bridged, ms.
const FLAGGED_GAP_MS: i64 = 5_000;
/// A longer pause than this is a clock that jumped, ms.
const CLOCK_JUMP_MS: i64 = 366 * 86_400_000;
/// Steepest road believed, as rise over run.
const STEEPEST_ROAD: f64 = 0.35;
/// Altitude step that is believed on top of it, m.
const BELIEVED_STEP_M: f64 = 5.0;
/// Samples after which a new altitude level is believed.
const LEVEL_SAMPLES: u8 = 3;
/// Distance without any change of altitude that counts as lost altitude once it jumps, mm.
const FROZEN_MM: i64 = 30_000;
/// Pause that separates two braking events or two applications of the brake, ms.
const EVENT_PAUSE_MS: i64 = 2_000;
const RELEASE_MS: i64 = 500;
/// Shortest braking event counted, ms.
const EVENT_MS: i64 = 1_000;
/// Share of friction below which an event counts as done without it.
const WITHOUT_FRICTION: f64 = 0.01;
/// Time constant of the deceleration, s.
const DECELERATION_S: f64 = 0.5;

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
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Event {
    active: bool,
    /// Long enough to be counted.
    counted: bool,
    /// Counted as done without friction, for as long as that holds.
    without_friction: bool,
    last_ms: i64,
    braking_ms: i64,
    recovered_j: f64,
    friction_j: f64,
}

/// Altitude that does not move, and levels not yet believed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Altimeter {
    offset_m: f64,
    last_raw_m: f64,
    waiting: u8,
    waiting_m: f64,
    frozen_since_ms: i64,
    /// Lengths by phase and with the brake applied since the altitude last changed, mm.
    frozen_mm: [i64; 4],
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Last {
    time_ms: i64,
    speed: f64,
    altitude: f64,
    battery_w: f64,
    brake: f64,
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
    phase: Phase,
    applied: bool,
    released_ms: i64,
    event: Event,
    altimeter: Altimeter,
    air: Air,
    end: EndFacts,
    sharing: Option<[i64; 4]>,
}

/// Sums over the altitude samples of the open stretch, relative to its begin and its first sample.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Samples {
    count: u32,
    first_m: f64,
    position: f64,
    altitude: f64,
}

/// Where results go.
pub(crate) struct Out<'a> {
    pub(crate) finished: &'a mut Vec<FinishedDescent>,
    pub(crate) vehicle: &'a str,
    pub(crate) software_version: &'a str,
}

/// What became of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Taken {
    /// It belongs to the road so far.
    Connected,
    /// It does not: the road ends for this reason, and the sample begins another.
    Disconnected(EndReason, Option<Flag>),
}

impl Track {
    /// Begins a road at a sample.
    pub(crate) fn begin(s: &Sample, model: &Model<'_>, life: &mut Life, after_gap: bool) -> Self {
        let base_mm = life.ledger.sum.length();
        life.segmenter.restart(after_gap);
        life.noise.interrupt();
        let ambient = s.ambient;
        if life.brakes.is_none() && model.class.front_heat_capacity_j_per_k.is_some() {
            life.brakes = Some(Brakes::cold(ambient.unwrap_or(ASSUMED_AMBIENT_C)));
        }
        let mut track = Self {
            last: Last {
                time_ms: s.time_ms,
                speed: s.speed,
                altitude: s.altitude,
                battery_w: battery(s, model).0,
                brake: s.brake,
            },
            open: OpenStretch::default(),
            samples: Samples::default(),
            base_mm,
            // Room for the lag at the usual length of stretches: no allocation while driving.
            pending: VecDeque::with_capacity(12),
            trail: VecDeque::with_capacity(24),
            settled_mm: None,
            standing_ms: 0,
            usual_ms: 0.0,
            deceleration: 0.0,
            phase: Phase::Coasting,
            applied: false,
            released_ms: i64::MAX,
            event: Event::default(),
            altimeter: Altimeter {
                last_raw_m: s.altitude,
                frozen_since_ms: s.time_ms,
                ..Altimeter::default()
            },
            air: Air {
                density: model
                    .class
                    .air_density_kg_m3
                    .unwrap_or_else(|| air_density(s.altitude, ambient)),
            },
            end: EndFacts::default(),
            sharing: None,
        };
        track.note_end(s, model);
        track.samples.take(0.0, s.altitude);
        // A first stretch without length carries the altitude of the beginning.
        track.close_stretch();
        track
    }

    /// Returns the time of the last sample.
    pub(crate) fn last_time_ms(&self) -> i64 {
        self.last.time_ms
    }

    /// Takes the next sample.
    pub(crate) fn take(
        &mut self,
        s: &Sample,
        model: &Model<'_>,
        policy: &Policy,
        life: &mut Life,
        out: &mut Out<'_>,
    ) -> Taken {
        let dt_ms = s.time_ms - self.last.time_ms;
        if dt_ms == 0 {
            // The same instant twice tells nothing new.
            return Taken::Connected;
        }
        if !(0..=CLOCK_JUMP_MS).contains(&dt_ms) {
            return Taken::Disconnected(EndReason::ClockJump, Some(Flag::ClockJump));
        }
        let dt = dt_ms as f64 * 1e-3;
        let mean_speed = 0.5 * (self.last.speed + s.speed);
        let standing = mean_speed < STANDSTILL_MPS;
        let is_gap = dt_ms > GAP_MS && self.usual_ms > 0.0 && dt_ms as f64 > GAP_STEPS * self.usual_ms;
        if dt > policy.bridge_time_s {
            let parked = standing
                && dt <= policy.end_standstill_s
                && (s.altitude + self.altimeter.offset_m - self.last.altitude).abs() < BELIEVED_STEP_M;
            if !parked {
                return Taken::Disconnected(EndReason::DataGap, None);
            }
        }
        let distance = if standing { 0.0 } else { mean_speed * dt };
        if is_gap && distance > policy.bridge_distance_m {
            return Taken::Disconnected(EndReason::DataGap, None);
        }
        let altitude = match self.read_altitude(s, distance, policy, life) {
            Ok(altitude) => altitude,
            Err(taken) => return taken,
        };
        self.add_interval(s, model, dt_ms, distance, standing, is_gap);
        let position = self.open.length();
        self.samples.take(position, altitude);
        life.noise
            .observe(self.base_mm as f64 * 1e-3 + position, altitude);
        self.last.time_ms = s.time_ms;
        self.last.speed = s.speed;
        self.last.altitude = altitude;
        self.last.brake = s.brake;
        self.note_end(s, model);

        self.standing_ms = if standing { self.standing_ms + dt_ms } else { 0 };
        if self.standing_ms as f64 > policy.end_standstill_s * 1e3 {
            self.finish(EndReason::Standstill, None, model, policy, life, out);
            self.standing_ms = i64::MIN / 2;
        }
        // Surveyed altitude needs no gathering and no lag.
        let surveyed = policy.altitude_noise_m == Some(0.0);
        let (length_mm, lag_mm) = if surveyed { (1, 0) } else { (STRETCH_MM, LAG_MM) };
        if position * 1e3 >= length_mm as f64 {
            self.close_stretch();
            self.settle_ready(lag_mm, model, policy, life, out);
        }
        Taken::Connected
    }

    /// Ends the road: settles all that waits, closes the descent under way.
    pub(crate) fn finish(
        &mut self,
        reason: EndReason,
        flag: Option<Flag>,
        model: &Model<'_>,
        policy: &Policy,
        life: &mut Life,
        out: &mut Out<'_>,
    ) {
        self.event = Event::default();
        if self.open.duration_ms > 0 {
            self.close_stretch();
        }
        self.settle_ready(0, model, policy, life, out);
        if let Some(flag) = flag {
            life.segmenter.low_marks.peaks.flags.insert(flag);
        }
        record(reason, model, policy, life, out);
        life.segmenter.restart(true);
        self.trail.clear();
        self.settled_mm = None;
    }

    /// Sets a flag on the stretch being driven.
    pub(crate) fn flag(&mut self, flag: Flag) {
        self.open.peaks.flags.insert(flag);
    }

    /// Returns the altitude to use for a sample: as it came, the last one while a leap is not yet believed, or shifted
    /// by a step that no road has.
    fn read_altitude(
        &mut self,
        s: &Sample,
        distance: f64,
        policy: &Policy,
        life: &Life,
    ) -> Result<f64, Taken> {
        let a = &mut self.altimeter;
        if policy.altitude_noise_m == Some(0.0) {
            return Ok(s.altitude);
        }
        if (s.altitude - a.last_raw_m).abs() > 1e-9 {
            let frozen_mm: i64 = a.frozen_mm[..3].iter().sum();
            let leap = s.altitude + a.offset_m - self.last.altitude;
            let believed = STEEPEST_ROAD * distance * f64::from(1 + a.waiting)
                + BELIEVED_STEP_M
                + 6.0
                    * policy
                        .altitude_noise_m
                        .unwrap_or_else(|| life.noise.deviation_m());
            if leap.abs() > believed {
                a.waiting = if a.waiting > 0 && (s.altitude - a.waiting_m).abs() <= believed {
                    a.waiting + 1
                } else {
                    1
                };
                a.waiting_m = s.altitude;
                if a.waiting < LEVEL_SAMPLES {
                    return Ok(self.last.altitude);
                }
                a.waiting = 0;
                a.last_raw_m = s.altitude;
                if frozen_mm >= FROZEN_MM {
                    // The altitude was lost, as in a tunnel, and is back.
                    let held_ms = s.time_ms - a.frozen_since_ms;
                    let lost = held_ms as f64 > policy.bridge_time_s * 1e3
                        || frozen_mm as f64 > policy.bridge_distance_m * 1e3;
                    if lost {
                        return Err(Taken::Disconnected(
                            EndReason::DataGap,
                            Some(Flag::AltitudeFrozen),
                        ));
                    }
                    self.sharing = Some(a.frozen_mm);
                    self.open.peaks.flags.insert(Flag::AltitudeFrozen);
                    a.frozen_mm = [0; 4];
                    a.frozen_since_ms = s.time_ms;
                    return Ok(s.altitude + a.offset_m);
                }
                a.offset_m -= leap;
                self.open.peaks.flags.insert(Flag::AltitudeStep);
                return Ok(s.altitude + a.offset_m);
            }
            a.waiting = 0;
            a.last_raw_m = s.altitude;
            a.frozen_mm = [0; 4];
            a.frozen_since_ms = s.time_ms;
        }
        Ok(s.altitude + a.offset_m)
    }

    fn add_interval(
        &mut self,
        s: &Sample,
        model: &Model<'_>,
        dt_ms: i64,
        distance: f64,
        standing: bool,
        is_gap: bool,
    ) {
        let dt = dt_ms as f64 * 1e-3;
        let (v0, v1) = (self.last.speed, s.speed);
        let mass = model.mass(s.mass);
        let (mut battery_w, current, voltage) = battery(s, model);
        let mut brake = s.brake;
        if self.usual_ms > 0.0 && dt_ms as f64 > 1.5 * self.usual_ms {
            // Samples are missing. At standstill the brake holds the vehicle: that says nothing of how it was braked on
            // the way to or from the stop.
            brake = match (v0 < STANDSTILL_MPS, v1 < STANDSTILL_MPS) {
                (false, true) => self.last.brake,
                (true, _) => brake,
                (false, false) => 0.5 * (brake + self.last.brake),
            };
        }
        if is_gap {
            // A value speaks for the interval before it; over a gap both ends are asked.
            let here = battery_w;
            battery_w = 0.5 * (battery_w + self.last.battery_w);
            self.last.battery_w = here;
            self.open.uncovered_ms += dt_ms - self.usual_ms as i64;
        } else {
            self.last.battery_w = battery_w;
            self.usual_ms += if self.usual_ms > 0.0 {
                (dt_ms as f64 - self.usual_ms) / 16.0
            } else {
                dt_ms as f64
            };
        }
        self.open.samples += 1;
        self.open.peaks.gap_ms = self.open.peaks.gap_ms.max(dt_ms);
        if is_gap && dt_ms > FLAGGED_GAP_MS {
            self.open.peaks.flags.insert(Flag::BridgedGap);
        }
        if s.voltage.is_none() {
            self.open.peaks.flags.insert(Flag::VoltageAssumed);
        }

        let slowing = (v0 - v1) / dt;
        self.deceleration += (slowing - self.deceleration) * dt / (DECELERATION_S + dt);

        let auxiliary_w = s.auxiliary.unwrap_or(model.class.auxiliary_power_w);
        let motor_w = battery_w + auxiliary_w;
        let applied = !standing && brake > model.class.brake_released_at;
        let phase = if standing {
            Phase::Coasting
        } else {
            Phase::decide(motor_w, applied, model.idle_power)
        };
        let mean_speed = 0.5 * (v0 + v1);
        let interval = Interval {
            phase,
            applied,
            duration_ms: dt_ms,
            moving: !standing,
            distance,
            kinetic: 0.5 * model.effective_mass(mass) * (v1 * v1 - v0 * v0),
            road: model.road_load(mass, mean_speed, self.air.density) * distance,
            battery: battery_w * dt,
            auxiliary: auxiliary_w * dt,
            wheels: motor_w * dt / model.class.recovery_efficiency,
        };
        self.open.add(&interval);
        if standing {
            // What little the wheels still turned belongs to the braking that ended.
            self.open.kinetic[self.phase as usize] += interval.kinetic;
            return;
        }
        let frozen = &mut self.altimeter.frozen_mm;
        let length_mm = (distance * 1e3).round() as i64;
        frozen[phase as usize] += length_mm;
        if applied {
            frozen[3] += length_mm;
        }

        let force = if applied {
            model.brake_force.map(|k| k * brake)
        } else {
            Some(0.0)
        };
        let friction_j = force.map_or(0.0, |f| f * distance);
        let friction_w = friction_j / dt;
        if applied {
            let derived = if s.soc.is_none() {
                s.voltage
                    .and_then(|_| model.charge_from_voltage(voltage, current))
            } else {
                None
            };
            let why = cause(
                &Circumstances {
                    slip_control: s.slip,
                    deceleration_mps2: self.deceleration,
                    speed_mps: mean_speed,
                    state_of_charge: s.soc.or(derived),
                    battery_temperature_c: s.battery_temperature,
                    charge_limit_w: s.charge_limit,
                    charging_power_w: battery_w,
                    charging_current_a: current,
                    demand_at_battery_w: force.map(|_| {
                        friction_w * model.class.recovery_efficiency + motor_w.max(0.0) - auxiliary_w
                    }),
                },
                model.class,
            );
            if why == Cause::BatteryFull && derived.is_some() {
                self.open.peaks.flags.insert(Flag::ChargeFromVoltage);
            }
            // By balance the energy is known only with the altitude: until then the length stands for it.
            self.open.cause[why as usize] += if force.is_some() { friction_j } else { distance };
        }

        let peaks = &mut self.open.peaks;
        peaks.speed_mmps = peaks.speed_mmps.max((v1 * 1e3) as i64);
        peaks.recovery_w = peaks.recovery_w.max(battery_w as i64);
        peaks.friction_w = peaks.friction_w.max(friction_w as i64);
        peaks.brake_temperature_dc = peaks
            .brake_temperature_dc
            .max(s.brake_temperature.map(account::tenths_of));
        self.follow_events(&interval, s.time_ms, friction_j, force.is_none());
    }

    /// Counts applications of the brake, stretches of braking and braking events.
    fn follow_events(&mut self, i: &Interval, now_ms: i64, friction_j: f64, by_balance: bool) {
        if i.applied && !self.applied && self.released_ms >= RELEASE_MS {
            self.open.applications += 1;
        }
        self.released_ms = if i.applied {
            0
        } else {
            self.released_ms.saturating_add(i.duration_ms)
        };
        self.applied = i.applied;
        if i.phase == Phase::Braking && self.phase != Phase::Braking {
            self.open.braking_starts += 1;
        }
        self.phase = i.phase;

        if i.phase == Phase::Braking {
            let e = &mut self.event;
            if !e.active {
                *e = Event {
                    active: true,
                    ..Event::default()
                };
            }
            e.last_ms = now_ms;
            e.braking_ms += i.duration_ms;
            e.recovered_j += i.wheels.max(0.0);
            // Without a force the applied brake counts as friction in proportion to its time.
            e.friction_j += if by_balance && i.applied {
                i.wheels.max(1.0)
            } else {
                friction_j
            };
            let without = e.friction_j < WITHOUT_FRICTION * (e.recovered_j + e.friction_j);
            if !e.counted && e.braking_ms >= EVENT_MS {
                e.counted = true;
                self.open.events += 1;
            }
            // Counted at once and taken back when friction comes later: a descent may end while braking goes on.
            if e.counted && without != e.without_friction {
                e.without_friction = without;
                self.open.events_without_friction += if without { 1 } else { -1 };
            }
        } else if self.event.active && now_ms - self.event.last_ms >= EVENT_PAUSE_MS {
            self.event = Event::default();
        }
    }

    fn note_end(&mut self, s: &Sample, model: &Model<'_>) {
        self.end = EndFacts {
            time_ms: s.time_ms,
            speed_mmps: (s.speed * 1e3).round() as i64,
            mass_dkg: (model.mass(s.mass) * 10.0).round() as i64,
            mass_streamed: s.mass.is_some(),
            soc_ppm: s.soc.map(|x| (x * 1e6).round() as i32),
            ambient_dc: s.ambient.map(account::tenths_of),
            brake_temperature_dc: s.brake_temperature.map(account::tenths_of),
        };
    }

    fn close_stretch(&mut self) {
        let stretch = Stretch::close(&self.open);
        let end_mm = self.base_mm + stretch.length();
        let gathered = self.samples.gather(self.base_mm, end_mm, self.last.altitude);
        self.pending.push_back(Pending {
            gathered,
            stretch,
            peaks: self.open.peaks,
            end: self.end,
            sharing: self.sharing.take(),
        });
        self.base_mm = end_mm;
        self.open = OpenStretch::default();
        self.samples = Samples::default();
    }

    /// Settles all stretches with at least `lag_mm` of known road beyond them.
    fn settle_ready(
        &mut self,
        lag_mm: i64,
        model: &Model<'_>,
        policy: &Policy,
        life: &mut Life,
        out: &mut Out<'_>,
    ) {
        while let Some(first) = self.pending.front() {
            if self.base_mm - first.gathered.end_mm < lag_mm {
                return;
            }
            let around = self
                .trail
                .iter()
                .map(|t| &t.gathered)
                .chain(self.pending.iter().map(|p| &p.gathered));
            let deviation = policy
                .altitude_noise_m
                .unwrap_or_else(|| life.noise.deviation_m());
            let filtered = settle(&first.gathered, around, deviation);
            let Some(first) = self.pending.pop_front() else {
                return;
            };
            self.settle_one(
                &first,
                filtered.altitude_mm,
                filtered.deviation_m,
                model,
                policy,
                life,
                out,
            );
        }
    }

    #[expect(
        clippy::too_many_arguments,
        reason = "one step of the pipeline: everything it needs is passed in"
    )]
    fn settle_one(
        &mut self,
        p: &Pending,
        altitude_mm: i64,
        deviation_m: f64,
        model: &Model<'_>,
        policy: &Policy,
        life: &mut Life,
        out: &mut Out<'_>,
    ) {
        let method = model.method();
        let length_mm = p.stretch.length();
        let before = self.settled_mm;
        // A stretch without length has the altitude of the one before.
        let altitude_mm = if length_mm == 0 {
            before.unwrap_or(altitude_mm)
        } else {
            altitude_mm
        };
        let rise_mm = before.map_or(0, |b| altitude_mm - b);
        let mass = p.end.mass_dkg as f64 * 0.1;
        let weight = mass * model.gravity;
        let potential_before: i64 = life.ledger.potential.iter().sum();
        let friction_mj = life
            .ledger
            .add(&p.stretch, weight, rise_mm, method, p.sharing.as_ref());
        life.friction_total_j += (friction_mj as f64 * 1e-3).max(0.0);
        let wheel_mj = p.stretch.kinetic.iter().sum::<i64>()
            + p.stretch.road.iter().sum::<i64>()
            + life.ledger.potential.iter().sum::<i64>()
            - potential_before;
        life.sign.add(length_mm, wheel_mj, p.stretch.motor);

        let ambient = p.end.ambient_dc.map_or(ASSUMED_AMBIENT_C, |t| f64::from(t) * 0.1);
        let seconds = p.stretch.duration_ms as f64 * 1e-3;
        let mut temperature = None;
        if let Some(brakes) = &mut life.brakes {
            let speed = if seconds > 0.0 {
                length_mm as f64 * 1e-3 / seconds
            } else {
                0.0
            };
            brakes.advance(model.class, friction_mj as f64 * 1e-3, seconds, speed, ambient);
            temperature = Some(brakes.hottest_c());
        }
        self.air.density = model.class.air_density_kg_m3.unwrap_or_else(|| {
            air_density(
                altitude_mm as f64 * 1e-3,
                p.end.ambient_dc.map(|t| f64::from(t) * 0.1),
            )
        });

        let here = Snapshot {
            position_mm: p.gathered.end_mm,
            altitude_mm,
            end: p.end,
            ledger: life.ledger,
            temperature_dc: temperature.map(account::tenths_of),
        };
        let (gradient, from) = self.gradient(&here);
        let bin = Bin {
            length_mm,
            moving_ms: p.stretch.moving_ms,
            friction_j: friction_mj / 1000,
            charged_j: p.stretch.charged / 1000,
            altitude_dm: (altitude_mm / 100) as i32,
            temperature_c: temperature.map(|t| t.round() as i16),
        };
        let step = Step {
            here: &here,
            gradient,
            full_gradient_from_mm: from,
            deviation_m,
            peaks: &p.peaks,
            bin: &bin,
            above_inspection: temperature.is_some_and(|t| t > model.class.inspection_temperature_c),
            duration_ms: p.stretch.duration_ms,
        };
        if let Some(reason) = life.segmenter.step(&step, policy) {
            record(reason, model, policy, life, out);
            life.segmenter.resume(&here, policy);
        }
        if life.sign.contradicts(weight) {
            life.sign_refused = true;
        }
        self.settled_mm = Some(altitude_mm);
        let near = self
            .trail
            .back()
            .is_some_and(|t| here.position_mm - t.gathered.end_mm < STRETCH_MM);
        if near && length_mm > 0 {
            return;
        }
        self.trail.push_back(Settled {
            gathered: p.gathered,
            altitude_mm,
        });
        while self.trail.len() > 2
            && self
                .trail
                .get(1)
                .is_some_and(|t| here.position_mm - t.gathered.end_mm >= GRADIENT_MM)
        {
            self.trail.pop_front();
        }
    }

    /// Returns the gradient over the last [`GRADIENT_MM`], or over what there is if that is at least half of it; and
    /// where it was taken from when it is over the full distance.
    fn gradient(&self, here: &Snapshot) -> (Option<f64>, Option<i64>) {
        let back = |t: &&Settled| here.position_mm - t.gathered.end_mm;
        let full = self.trail.iter().rev().find(|t| back(t) >= GRADIENT_MM);
        let from = full.or_else(|| self.trail.front().filter(|t| back(t) >= GRADIENT_MM / 2));
        let gradient = from.map(|t| (here.altitude_mm - t.altitude_mm) as f64 / back(&t) as f64);
        (gradient, full.map(|t| t.gathered.end_mm))
    }
}

impl Samples {
    fn take(&mut self, position: f64, altitude: f64) {
        if self.count == 0 {
            self.first_m = altitude;
        }
        self.count += 1;
        self.position += position;
        self.altitude += altitude - self.first_m;
    }

    fn gather(&self, base_mm: i64, end_mm: i64, last_altitude: f64) -> Gathered {
        let n = f64::from(self.count.max(1));
        let first = if self.count == 0 {
            last_altitude
        } else {
            self.first_m
        };
        Gathered {
            end_mm,
            raw_mm: (last_altitude * 1e3).round() as i64,
            mean_position_mm: base_mm + (self.position / n * 1e3).round() as i64,
            mean_altitude_mm: ((first + self.altitude / n) * 1e3).round() as i64,
            count: self.count,
        }
    }
}

/// Charging power in W, charging current in A and voltage in V.
fn battery(s: &Sample, model: &Model<'_>) -> (f64, f64, f64) {
    let current = model.charging_current(s.current);
    let voltage = s.voltage.unwrap_or_else(|| model.assumed_voltage(current, s.soc));
    (current * voltage, current, voltage)
}

/// Records the descent under way if it is one.
fn record(reason: EndReason, model: &Model<'_>, policy: &Policy, life: &mut Life, out: &mut Out<'_>) {
    if !life.segmenter.is_confirmed(policy) {
        return;
    }
    life.descents += 1;
    let descent = account::settle(
        &life.segmenter,
        model,
        policy,
        reason,
        (out.vehicle, out.software_version),
        life.descents,
        policy
            .altitude_noise_m
            .unwrap_or_else(|| life.noise.deviation_m()),
    );
    let profile = life
        .segmenter
        .profile
        .to_low(model.method() == FrictionMethod::Measured);
    out.finished.push(FinishedDescent { descent, profile });
}
