//! From two samples to what flowed between them.

use crate::{
    flow::Interval,
    friction::{Circumstances, cause},
    model::Model,
    phase::Phase,
    record::{Cause, Flag},
    track::{Context, Following, STANDSTILL_MPS, Sample, Track},
    wear::FIRM_MPS2,
};

/// A gap that is longer is flagged when it is bridged, ms.
const FLAGGED_GAP_MS: i64 = 5_000;
/// Pauses between samples, in usual ones, from which some are missing.
const MISSING_STEPS: f64 = 1.5;
/// Time constant of the deceleration, s.
const DECELERATION_S: f64 = 0.5;

/// Returns charging power in W, charging current in A and voltage in V.
pub(super) fn battery(s: &Sample, model: &Model<'_>) -> (f64, f64, f64) {
    let current = model.charging_current(s.current);
    let voltage = s.voltage.unwrap_or_else(|| model.assumed_voltage(current, s.soc));
    (current * voltage, current, voltage)
}

impl Track {
    /// Adds what flowed since the last sample to the open stretch.
    pub(super) fn add_interval(&mut self, s: &Sample, follows: &Following, c: &mut Context<'_>) {
        let model = c.model;
        let Following {
            duration_ms,
            distance,
            standing,
            gap,
        } = *follows;
        let dt = duration_ms as f64 * 1e-3;
        let (v0, v1) = (self.last.speed, s.speed);
        let (now_w, current, voltage) = battery(s, model);
        let brake = self.brake_between(s, duration_ms);
        // A value speaks for the interval before it; over a gap both ends are asked.
        let battery_w = if gap {
            0.5 * (now_w + self.last.battery_w)
        } else {
            now_w
        };
        self.last.battery_w = now_w;
        self.note_cover(s, duration_ms, gap);

        let slowing = (v0 - v1) / dt;
        self.deceleration += (slowing - self.deceleration) * dt / (DECELERATION_S + dt);

        let mass = model.mass(s.mass);
        let auxiliary_w = s.auxiliary.unwrap_or(model.class.auxiliary_power_w);
        let motor_w = battery_w + auxiliary_w;
        let applied = !standing && brake > model.class.brake_released_at;
        let mean_speed = 0.5 * (v0 + v1);
        let interval = Interval {
            phase: if standing {
                Phase::Coasting
            } else {
                Phase::decide(motor_w, applied, model.idle_power)
            },
            applied,
            duration_ms,
            moving: !standing,
            distance,
            kinetic: 0.5 * model.effective_mass(mass) * (v1 * v1 - v0 * v0),
            road: model.road_load(mass, mean_speed, self.air_density) * distance,
            battery: battery_w * dt,
            auxiliary: auxiliary_w * dt,
            wheels: motor_w * dt / model.class.recovery_efficiency,
        };
        self.open.add(&interval);
        if standing {
            // What little the wheels still turned belongs to what ended in the stop.
            self.open.kinetic[self.events.phase as usize] += interval.kinetic;
            return;
        }
        self.altimeter.went(distance, interval.phase, applied);

        let friction_j = model
            .brake_force
            .map(|per_unit| if applied { per_unit * brake * distance } else { 0.0 });
        if applied {
            let derived = match (s.soc, s.voltage) {
                (None, Some(_)) => model.charge_from_voltage(voltage, current),
                _ => None,
            };
            let circumstances = Circumstances {
                slip_control: s.slip,
                deceleration_mps2: self.deceleration,
                speed_mps: mean_speed,
                state_of_charge: s.soc.or(derived),
                battery_temperature_c: s.battery_temperature,
                charge_limit_w: s.charge_limit,
                charging_power_w: battery_w,
                charging_current_a: current,
                demand_at_battery_w: friction_j
                    .map(|j| j / dt * model.class.recovery_efficiency + motor_w.max(0.0) - auxiliary_w),
            };
            let why = cause(&circumstances, model.class);
            if why == Cause::BatteryFull && derived.is_some() {
                self.open.flags.insert(Flag::ChargeFromVoltage);
            }
            // By balance the energy is known only with the altitude: until then the length stands for it.
            self.open.cause[why as usize] += friction_j.unwrap_or(distance);
        }
        let open = &mut self.open;
        open.peak_speed = open.peak_speed.max(v1);
        open.peak_recovery = open.peak_recovery.max(battery_w);
        open.peak_friction = open.peak_friction.max(friction_j.unwrap_or(0.0) / dt);
        if let Some(t) = s.brake_temperature {
            open.peak_brake_temperature = Some(open.peak_brake_temperature.map_or(t, |p| p.max(t)));
        }
        // Without a force, an applied brake that slows firmly counts: recovery alone seldom does.
        let by_friction = match friction_j {
            Some(j) if distance > 0.0 => j / distance / mass,
            None if applied => self.deceleration - FIRM_MPS2,
            _ => 0.0,
        };
        let driven_m = (self.base_mm as f64) * 1e-3 + self.open.length();
        c.life.wear.follow(by_friction, duration_ms, s.time_ms, driven_m);
        self.events.take(&interval, friction_j, &mut self.open);
    }

    /// Returns the brake signal that speaks for the interval up to a sample.
    fn brake_between(&self, s: &Sample, duration_ms: i64) -> f64 {
        let complete = self.usual_ms <= 0.0 || duration_ms as f64 <= MISSING_STEPS * self.usual_ms;
        if complete {
            return s.brake;
        }
        // Samples are missing. At standstill the brake holds the vehicle: that says nothing of how it was braked on the
        // way to or from the stop.
        match (self.last.speed < STANDSTILL_MPS, s.speed < STANDSTILL_MPS) {
            (false, true) => self.last.brake,
            (true, _) => s.brake,
            (false, false) => 0.5 * (s.brake + self.last.brake),
        }
    }

    /// Keeps account of what samples cover.
    fn note_cover(&mut self, s: &Sample, duration_ms: i64, gap: bool) {
        if gap {
            self.open.uncovered_ms += duration_ms - self.usual_ms as i64;
            if duration_ms > FLAGGED_GAP_MS {
                self.open.flags.insert(Flag::BridgedGap);
            }
        } else if self.usual_ms > 0.0 {
            self.usual_ms += (duration_ms as f64 - self.usual_ms) / 16.0;
        } else {
            self.usual_ms = duration_ms as f64;
        }
        self.open.samples += 1;
        self.open.peak_gap_ms = self.open.peak_gap_ms.max(duration_ms);
        if s.voltage.is_none() {
            self.open.flags.insert(Flag::VoltageAssumed);
        }
    }
}
