//! From two samples to what flowed between them.

use crate::{
    flow::Interval,
    friction::{Circumstances, cause},
    model::Model,
    phase::Phase,
    record::{Cause, Flag},
    track::{Context, Following, Rows, STANDSTILL_MPS, Steady, Track},
    wear::FIRM_MPS2,
};

/// A gap that is longer is flagged when it is bridged, ms.
const FLAGGED_GAP_MS: i64 = 5_000;
/// Pauses between samples, in usual ones, from which some are missing.
pub(super) const MISSING_STEPS: f64 = 1.5;
/// Time constant of the deceleration, s.
pub(super) const DECELERATION_S: f64 = 0.5;
/// Just below [`FIRM_MPS2`].
pub(super) const FIRM_FROM: f64 = 0.999 * FIRM_MPS2;

/// Raises a largest value. Values are finite: no need for the care that the library's maximum takes.
pub(super) fn raise(largest: &mut f64, value: f64) {
    if value > *largest {
        *largest = value;
    }
}

/// Returns the charging power at a row, W.
pub(super) fn battery_w_at(rows: &Rows<'_>, i: usize, model: &Model<'_>) -> f64 {
    let current = model.charging_current(rows.current[i]);
    let voltage = rows
        .voltage(i)
        .unwrap_or_else(|| model.assumed_voltage(current, rows.soc(i)));
    current * voltage
}

/// What is asked when friction is used.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reasons<'a> {
    rows: &'a Rows<'a>,
    model: &'a Model<'a>,
    /// Neither slip control nor the battery's own limits are streamed.
    few: bool,
}

impl<'a> Reasons<'a> {
    pub(super) fn of(rows: &'a Rows<'a>, model: &'a Model<'a>) -> Self {
        Self {
            rows,
            model,
            few: !rows.has_limits(),
        }
    }

    /// Returns why friction was used up to row `i`, and whether that rests on a state of charge found from the voltage.
    #[inline]
    pub(super) fn why(
        &self,
        i: usize,
        deceleration_mps2: f64,
        speed_mps: f64,
        battery_w: f64,
        demand_w: f64,
    ) -> (Cause, bool) {
        let (rows, model) = (self.rows, self.model);
        let current = model.charging_current(rows.current[i]);
        let soc = rows.soc(i);
        if self.few && soc.is_some() {
            // The common case on its own, so that the compiler can leave out what is not asked.
            let circumstances = Circumstances {
                slip_control: false,
                deceleration_mps2,
                speed_mps,
                state_of_charge: soc,
                battery_temperature_c: None,
                charge_limit_w: None,
                charging_power_w: battery_w,
                charging_current_a: current,
                demand_at_battery_w: Some(demand_w),
            };
            return (cause(&circumstances, model.class), false);
        }
        self.why_with_all(i, deceleration_mps2, speed_mps, battery_w, demand_w)
    }

    #[inline(never)]
    fn why_with_all(
        &self,
        i: usize,
        deceleration_mps2: f64,
        speed_mps: f64,
        battery_w: f64,
        demand_w: f64,
    ) -> (Cause, bool) {
        let (rows, model) = (self.rows, self.model);
        let current = model.charging_current(rows.current[i]);
        let soc = rows.soc(i);
        let derived = match (soc, rows.voltage(i)) {
            (None, Some(voltage)) => model.charge_from_voltage(voltage, current),
            _ => None,
        };
        let circumstances = Circumstances {
            slip_control: rows.slip(i),
            deceleration_mps2,
            speed_mps,
            state_of_charge: soc.or(derived),
            battery_temperature_c: rows.battery_temperature(i),
            charge_limit_w: rows.charge_limit(i),
            charging_power_w: battery_w,
            charging_current_a: current,
            demand_at_battery_w: Some(demand_w),
        };
        let why = cause(&circumstances, model.class);
        (why, why == Cause::BatteryFull && derived.is_some())
    }
}

/// Braking power that recovery and friction together took, as it would arrive at the battery, W.
#[inline]
pub(super) fn demand_w(friction_w: f64, motor_w: f64, auxiliary_w: f64, efficiency: f64) -> f64 {
    let recovered_w = if motor_w > 0.0 { motor_w } else { 0.0 };
    friction_w * efficiency + recovered_w - auxiliary_w
}

/// The same when friction is not measured: it reaches no limit.
pub(super) const UNKNOWN_DEMAND_W: f64 = f64::NEG_INFINITY;

impl Track {
    /// Adds what flowed since the last sample to the open stretch.
    pub(super) fn add_interval(
        &mut self,
        rows: &Rows<'_>,
        i: usize,
        follows: &Following,
        steady: &Steady,
        c: &mut Context<'_>,
    ) {
        let model = c.model;
        let Following {
            duration_ms,
            dt,
            mean_speed,
            distance,
            standing,
            gap,
        } = *follows;
        let (v0, v1) = (self.last.speed, rows.speed[i]);
        let now_w = battery_w_at(rows, i, model);
        let brake = self.brake_between(rows.brake[i], v1, duration_ms);
        // A value speaks for the interval before it; over a gap both ends are asked.
        let battery_w = if gap {
            0.5 * (now_w + self.last.battery_w)
        } else {
            now_w
        };
        self.last.battery_w = now_w;
        self.note_cover(rows.voltage(i).is_none(), duration_ms, gap);

        let slowing = (v0 - v1) / dt;
        self.deceleration += (slowing - self.deceleration) * dt / (DECELERATION_S + dt);

        let load = model.load(rows.mass(i));
        let auxiliary_w = rows.auxiliary(i).unwrap_or(model.class.auxiliary_power_w);
        let motor_w = battery_w + auxiliary_w;
        let applied = !standing && brake > model.class.brake_released_at;
        let phase = if standing {
            Phase::Coasting
        } else {
            Phase::decide(motor_w, applied, model.idle_power)
        };
        let interval = Interval {
            phase,
            applied,
            duration_ms,
            moving: !standing,
            distance,
            kinetic: load.half_effective * (v1 * v1 - v0 * v0),
            road: model.road_load(load.rolling_n, mean_speed, steady.square) * distance,
            battery: battery_w * dt,
            auxiliary: auxiliary_w * dt,
            wheels: if phase == Phase::Braking {
                motor_w * dt / model.class.recovery_efficiency
            } else {
                0.0
            },
        };
        self.open.add(&interval);
        if standing {
            // What little the wheels still turned belongs to what ended in the stop.
            self.open.kinetic[self.events.phase as usize] += interval.kinetic;
            return;
        }
        self.altimeter.went(distance, phase, applied);
        let open = &mut self.open;
        raise(&mut open.peak_speed, v1);
        raise(&mut open.peak_recovery, battery_w);
        if let Some(t) = rows.brake_temperature(i) {
            open.peak_brake_temperature = Some(open.peak_brake_temperature.map_or(t, |p| p.max(t)));
        }
        let friction_j = model
            .brake_force
            .map(|per_unit| if applied { per_unit * brake * distance } else { 0.0 });
        if applied {
            let friction_w = friction_j.map(|j| j / dt);
            raise(&mut open.peak_friction, friction_w.unwrap_or(0.0));
            let (why, derived) = Reasons::of(rows, model).why(
                i,
                self.deceleration,
                mean_speed,
                battery_w,
                friction_w.map_or(UNKNOWN_DEMAND_W, |w| {
                    demand_w(w, motor_w, auxiliary_w, model.class.recovery_efficiency)
                }),
            );
            if derived {
                open.flags.insert(Flag::ChargeFromVoltage);
            }
            // By balance the energy is known only with the altitude: until then the length stands for it.
            open.cause[why as usize] += friction_j.unwrap_or(distance);
            // Without a force, an applied brake that slows firmly counts: recovery alone seldom does.
            let firm = match friction_j {
                // The first bound is on the safe side of rounding and spares the divisions.
                Some(j) => {
                    distance > 0.0
                        && j > FIRM_FROM * distance * load.mass
                        && j / distance / load.mass >= FIRM_MPS2
                }
                None => self.deceleration - FIRM_MPS2 >= FIRM_MPS2,
            };
            if firm {
                let driven_m = steady.base_m + open.length();
                c.life.wear.firm(duration_ms, rows.time_ms[i], driven_m);
            } else {
                c.life.wear.not_firm();
            }
        } else {
            c.life.wear.not_firm();
        }
        self.events.take(&interval, friction_j, &mut self.open);
    }

    /// Returns the brake signal that speaks for the interval up to a sample.
    fn brake_between(&self, brake: f64, speed: f64, duration_ms: i64) -> f64 {
        let complete = duration_ms as f64 <= MISSING_STEPS * self.usual_ms || self.usual_ms <= 0.0;
        if complete {
            return brake;
        }
        // Samples are missing. At standstill the brake holds the vehicle: that says nothing of how it was braked on the
        // way to or from the stop.
        match (self.last.speed < STANDSTILL_MPS, speed < STANDSTILL_MPS) {
            (false, true) => self.last.brake,
            (true, _) => brake,
            (false, false) => 0.5 * (brake + self.last.brake),
        }
    }

    /// Keeps account of what samples cover.
    fn note_cover(&mut self, voltage_assumed: bool, duration_ms: i64, gap: bool) {
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
        if voltage_assumed {
            self.open.flags.insert(Flag::VoltageAssumed);
        }
    }
}
