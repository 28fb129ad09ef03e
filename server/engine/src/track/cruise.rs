//! The short way through the engine: rows that go on as the ones before did.
//!
//! Most samples say that the vehicle goes on doing what it did. For those, what two neighbouring rows decide alone is computed
//! for a block of rows at once, column by column, so that the compiler can do several rows in one instruction; and sums
//! are kept at hand until something else happens. A row that is in any way unusual is left to [`Track::take`].
//!
//! Both ways give the same bits: a batch of one sample never comes here, and the split of a drive into batches must not
//! matter, which several tests look at.

use crate::{
    model::Model,
    phase::Phase,
    record::Flag,
    track::{
        Context, Rows, STANDSTILL_MPS, Steady, Track,
        altimeter::BELIEVED_STEP_M,
        interval::{
            DECELERATION_S, FIRM_FROM, MISSING_STEPS, Reasons, UNKNOWN_DEMAND_W, demand_w, raise,
        },
    },
    wear::FIRM_MPS2,
};

/// Rows of a block.
const N: usize = 32;

type Column = [f64; N];

/// What flows between neighbouring rows, for rows that follow the one before after a plain pause. SI units.
#[derive(Clone, Debug)]
pub(super) struct Block {
    start: usize,
    len: usize,
    /// ms.
    duration: Column,
    dt: Column,
    slowing: Column,
    mean_speed: Column,
    distance: Column,
    kinetic: Column,
    /// Part of the road load that no speed changes, N.
    rolling_n: Column,
    battery_w: Column,
    motor_w: Column,
    charged: Column,
    discharged: Column,
    auxiliary: Column,
    motor: Column,
    wheels: Column,
    /// What is added to the cause of friction if the brake is applied: energy, or length by balance.
    used: Column,
    /// What counts as friction in a braking event.
    spent: Column,
    friction_w: Column,
    demand_w: Column,
    /// By how much the friction work may be that of a firm stop, J, with a little to spare.
    over_firm: Column,
}

impl Block {
    pub(super) const fn empty() -> Self {
        const ZERO: Column = [0.0; N];
        Self {
            start: 0,
            len: 0,
            duration: ZERO,
            dt: ZERO,
            slowing: ZERO,
            mean_speed: ZERO,
            distance: ZERO,
            kinetic: ZERO,
            rolling_n: ZERO,
            battery_w: ZERO,
            motor_w: ZERO,
            charged: ZERO,
            discharged: ZERO,
            auxiliary: ZERO,
            motor: ZERO,
            wheels: ZERO,
            used: ZERO,
            spent: ZERO,
            friction_w: ZERO,
            demand_w: ZERO,
            over_firm: ZERO,
        }
    }

    pub(super) fn holds(&self, i: usize) -> bool {
        (self.start..self.start + self.len).contains(&i)
    }

    /// Computes rows from `start` on, as many as fit and follow after a plain pause. There must be a row before.
    #[inline(never)]
    pub(super) fn fill(&mut self, rows: &Rows<'_>, start: usize, steady: &Steady, model: &Model<'_>) {
        let most = N.min(rows.len() - start);
        let window = start - 1..start + most;
        let time_ms = &rows.time_ms[window.clone()];
        self.start = start;
        self.len = time_ms
            .windows(2)
            .position(|w| !(1..=steady.plain_ms).contains(&(w[1] - w[0])))
            .unwrap_or(most);
        if self.len == 0 {
            return;
        }
        let here = start..start + self.len;
        for (d, w) in self.duration.iter_mut().zip(time_ms.windows(2)).take(self.len) {
            *d = f64::from((w[1] - w[0]) as i32);
        }
        let mut volts = [0.0; N];
        for (v, i) in volts.iter_mut().zip(here.clone()) {
            *v = rows
                .voltage(i)
                .unwrap_or_else(|| model.assumed_voltage(model.charging_current(rows.current[i]), rows.soc(i)));
        }
        let mut auxiliary_w = [model.class.auxiliary_power_w; N];
        if rows.auxiliary(start).is_some() {
            for (a, i) in auxiliary_w.iter_mut().zip(here.clone()) {
                *a = rows.auxiliary(i).unwrap_or_default();
            }
        }
        let mut speed = [0.0; N + 1];
        speed[..=self.len].copy_from_slice(&rows.speed[start - 1..here.end]);
        let (mut current, mut brake) = ([0.0; N], [0.0; N]);
        current[..self.len].copy_from_slice(&rows.current[here.clone()]);
        brake[..self.len].copy_from_slice(&rows.brake[here.clone()]);
        self.electric(&current, &volts, &auxiliary_w, model);
        self.mechanic(&speed, model);
        if rows.mass(start).is_some() {
            for k in 0..self.len {
                let load = model.load(rows.mass(start + k));
                let (v0, v1) = (speed[k], speed[k + 1]);
                self.kinetic[k] = load.half_effective * (v1 * v1 - v0 * v0);
                self.rolling_n[k] = load.rolling_n;
                self.over_firm[k] = FIRM_FROM * self.distance[k] * load.mass;
            }
        }
        self.friction(&brake, &auxiliary_w, model);
    }

    fn electric(&mut self, current: &Column, volts: &Column, auxiliary_w: &Column, model: &Model<'_>) {
        let efficiency = model.class.recovery_efficiency;
        for k in 0..N {
            let dt = self.duration[k] * 1e-3;
            let battery_w = model.charging_current(current[k]) * volts[k];
            let motor_w = battery_w + auxiliary_w[k];
            let battery = battery_w * dt;
            let auxiliary = auxiliary_w[k] * dt;
            self.dt[k] = dt;
            self.battery_w[k] = battery_w;
            self.motor_w[k] = motor_w;
            self.charged[k] = if battery > 0.0 { battery } else { 0.0 };
            self.discharged[k] = if battery < 0.0 { -battery } else { 0.0 };
            self.auxiliary[k] = auxiliary;
            self.motor[k] = battery + auxiliary;
            self.wheels[k] = motor_w * dt / efficiency;
        }
    }

    fn mechanic(&mut self, speed: &[f64; N + 1], model: &Model<'_>) {
        let load = model.load(None);
        for k in 0..N {
            let (v0, v1, dt) = (speed[k], speed[k + 1], self.dt[k]);
            let mean_speed = 0.5 * (v0 + v1);
            let distance = mean_speed * dt;
            self.slowing[k] = (v0 - v1) / dt;
            self.mean_speed[k] = mean_speed;
            self.distance[k] = distance;
            self.kinetic[k] = load.half_effective * (v1 * v1 - v0 * v0);
            self.rolling_n[k] = load.rolling_n;
            self.over_firm[k] = FIRM_FROM * distance * load.mass;
        }
    }

    fn friction(&mut self, brake: &Column, auxiliary_w: &Column, model: &Model<'_>) {
        let Some(per_unit) = model.brake_force else {
            self.used = self.distance;
            for k in 0..N {
                self.spent[k] = if self.wheels[k] > 1.0 { self.wheels[k] } else { 1.0 };
            }
            self.friction_w = [0.0; N];
            self.demand_w = [UNKNOWN_DEMAND_W; N];
            // The deceleration tells.
            self.over_firm = [0.0; N];
            return;
        };
        let efficiency = model.class.recovery_efficiency;
        for k in 0..N {
            let friction_j = per_unit * brake[k] * self.distance[k];
            self.used[k] = friction_j;
            self.spent[k] = friction_j;
            let friction_w = friction_j / self.dt[k];
            self.friction_w[k] = friction_w;
            self.demand_w[k] = demand_w(friction_w, self.motor_w[k], auxiliary_w[k], efficiency);
            self.over_firm[k] = friction_j - self.over_firm[k];
        }
    }
}

/// What a row must do to go on as the one before did.
#[derive(Clone, Copy, Debug)]
struct Kind<const BRAKING: bool, const APPLIED: bool> {
    phase: Phase,
    released_at: f64,
    idle_power: f64,
}

impl<const BRAKING: bool, const APPLIED: bool> Kind<BRAKING, APPLIED> {
    #[inline]
    fn goes_on(&self, mean_speed: f64, brake: f64, motor_w: f64) -> bool {
        mean_speed >= STANDSTILL_MPS
            && (brake > self.released_at) == APPLIED
            && (APPLIED || Phase::decide(motor_w, false, self.idle_power) == self.phase)
    }
}

impl Track {
    /// Takes the rows of a block from row `i` on, as long as the vehicle goes on as before and the stretch does not end.
    /// Returns the first row not taken.
    pub(super) fn cruise(
        &mut self,
        b: &Block,
        rows: &Rows<'_>,
        i: usize,
        steady: &Steady,
        c: &mut Context<'_>,
    ) -> usize {
        if !self.events.is_steady() {
            return i;
        }
        match (self.events.phase, self.events.applied) {
            (Phase::Braking, true) => self.cruise_as::<true, true>(b, rows, i, steady, c),
            (Phase::Braking, false) => self.cruise_as::<true, false>(b, rows, i, steady, c),
            _ => self.cruise_as::<false, false>(b, rows, i, steady, c),
        }
    }

    #[inline(never)]
    fn cruise_as<const BRAKING: bool, const APPLIED: bool>(
        &mut self,
        b: &Block,
        rows: &Rows<'_>,
        i: usize,
        steady: &Steady,
        c: &mut Context<'_>,
    ) -> usize {
        let (model, first, end) = (c.model, i - b.start, b.len.min(N));
        let phase = if BRAKING { Phase::Braking } else { self.events.phase };
        let kind = Kind::<BRAKING, APPLIED> {
            phase,
            released_at: model.class.brake_released_at,
            idle_power: model.idle_power,
        };
        let brake = &rows.brake[b.start..b.start + end];
        let altitudes = &rows.altitude[b.start..b.start + end];
        let Some(mut walk) = c.life.noise.walk().filter(|_| first < end) else {
            return i;
        };
        if !kind.goes_on(b.mean_speed[first], brake[first], b.motor_w[first]) {
            return i;
        }
        // By balance, the deceleration tells a firm stop.
        let firm_mps2 = if model.brake_force.is_none() {
            2.0 * FIRM_MPS2
        } else {
            f64::INFINITY
        };
        let offset_m = self.altimeter.offset_m;
        let reasons = Reasons::of(rows, model);
        let [d0, d1, d2] = self.open.distance;
        // Added up in the order of the phases.
        let (mut length, rest, last) = match phase {
            Phase::Braking => (d0, d1, d2),
            Phase::Propulsion => (d1, d0, d2),
            Phase::Coasting => (d2, d0 + d1, 0.0),
        };
        let (mut usual_ms, mut deceleration) = (self.usual_ms, self.deceleration);
        let (mut altitude, mut last_raw_m) = (self.last.altitude, self.altimeter.last_raw_m);
        let mut moved_at = usize::MAX;
        let (mut frozen_m, mut frozen_applied_m) =
            (self.altimeter.frozen_m[phase as usize], self.altimeter.frozen_m[3]);
        let mut samples = self.samples;
        let mut event = self.events.event;
        let mut k = first;
        while k < end {
            let duration = b.duration[k];
            if duration > MISSING_STEPS * usual_ms
                || !kind.goes_on(b.mean_speed[k], brake[k], b.motor_w[k])
            {
                break;
            }
            let raw_m = altitudes[k];
            let now_m = raw_m + offset_m;
            let moved = (raw_m - last_raw_m).abs() > 1e-9;
            if moved && (now_m - altitude).abs() > BELIEVED_STEP_M {
                break;
            }
            let (dt, distance) = (b.dt[k], b.distance[k]);
            let slower = deceleration + (b.slowing[k] - deceleration) * dt / (DECELERATION_S + dt);
            if APPLIED && (b.over_firm[k] > 0.0 || slower >= firm_mps2) {
                break;
            }
            // From here on the row is taken.
            if moved {
                (last_raw_m, moved_at) = (raw_m, k);
                (frozen_m, frozen_applied_m) = (0.0, 0.0);
            }
            frozen_m += distance;
            usual_ms += (duration - usual_ms) / 16.0;
            deceleration = slower;
            altitude = now_m;
            length += distance;
            let position = (length + rest) + last;
            samples.take(position, altitude);
            walk.observe(steady.base_m + position, altitude);
            if APPLIED {
                frozen_applied_m += distance;
                let (why, derived) = reasons.why(
                    b.start + k,
                    deceleration,
                    b.mean_speed[k],
                    b.battery_w[k],
                    b.demand_w[k],
                );
                if derived {
                    self.open.flags.insert(Flag::ChargeFromVoltage);
                }
                self.open.cause[why as usize] += b.used[k];
            }
            if BRAKING {
                let spent = if APPLIED { b.spent[k] } else { 0.0 };
                let change = event.brake_on(b.wheels[k], spent);
                if change != 0 {
                    self.open.events_without_friction += change;
                }
            }
            k += 1;
            if position * 1e3 >= steady.length_mm {
                break;
            }
        }
        if k == first {
            return i;
        }
        self.open.distance[phase as usize] = length;
        (self.usual_ms, self.deceleration, self.samples) = (usual_ms, deceleration, samples);
        c.life.noise.walked(&walk);
        self.events.event = event;
        let at = b.start + k - 1;
        let before_ms = self.last.time_ms;
        if moved_at < k {
            self.altimeter
                .moved(last_raw_m, rows.time_ms[b.start + moved_at]);
        }
        self.altimeter.frozen_m[phase as usize] = frozen_m;
        self.altimeter.frozen_m[3] = frozen_applied_m;
        self.last.time_ms = rows.time_ms[at];
        self.last.speed = rows.speed[at];
        self.last.altitude = altitude;
        self.last.brake = rows.brake[at];
        self.last.battery_w = b.battery_w[k - 1];
        self.standing_ms = 0;
        c.life.wear.not_firm();
        let duration_ms = self.last.time_ms - before_ms;
        self.events.went_on(duration_ms, &b.duration[first..k]);
        let mut road = [0.0; N];
        for k in first..k.min(N) {
            road[k] = model.road_load(b.rolling_n[k], b.mean_speed[k], steady.square) * b.distance[k];
        }
        self.sum_up(b, first..k, &road, &rows.speed[b.start + first..=at], duration_ms);
        if let Some(hottest) = (b.start + first..=at)
            .filter_map(|i| rows.brake_temperature(i))
            .reduce(f64::max)
        {
            let peak = &mut self.open.peak_brake_temperature;
            *peak = Some(peak.map_or(hottest, |p| p.max(hottest)));
        }
        if rows.voltage(at).is_none() {
            self.open.flags.insert(Flag::VoltageAssumed);
        }
        at + 1
    }

    /// Adds rows to the sums of the open stretch that nothing else waits for.
    #[inline(never)]
    fn sum_up(
        &mut self,
        b: &Block,
        rows: std::ops::Range<usize>,
        roads: &Column,
        speeds: &[f64],
        duration_ms: i64,
    ) {
        let (p, applied) = (self.events.phase as usize, self.events.applied);
        let open = &mut self.open;
        open.duration_ms += duration_ms;
        open.moving_ms += duration_ms;
        open.samples += rows.len() as i64;
        let (mut kinetic, mut road) = (open.kinetic[p], open.road[p]);
        let (mut charged, mut discharged) = (open.charged, open.discharged);
        let (mut auxiliary, mut motor) = (open.auxiliary, open.motor);
        let (mut speed, mut recovery, mut gap) = (open.peak_speed, open.peak_recovery, 0.0);
        let end = rows.end.min(N);
        for (k, v) in (rows.start..end).zip(speeds) {
            kinetic += b.kinetic[k];
            road += roads[k];
            charged += b.charged[k];
            discharged += b.discharged[k];
            auxiliary += b.auxiliary[k];
            motor += b.motor[k];
            raise(&mut speed, *v);
            raise(&mut recovery, b.battery_w[k]);
            raise(&mut gap, b.duration[k]);
        }
        (open.kinetic[p], open.road[p]) = (kinetic, road);
        (open.charged, open.discharged) = (charged, discharged);
        (open.auxiliary, open.motor) = (auxiliary, motor);
        (open.peak_speed, open.peak_recovery) = (speed, recovery);
        open.peak_gap_ms = open.peak_gap_ms.max(gap as i64);
        if self.events.phase == Phase::Braking {
            let mut wheels = open.wheels;
            for k in rows.start..end {
                wheels += b.wheels[k];
            }
            open.wheels = wheels;
        }
        if applied {
            open.friction_ms += duration_ms;
            let (mut kinetic, mut road) = (open.kinetic_applied, open.road_applied);
            let (mut distance, mut wheels) = (open.distance_applied, open.wheels_applied);
            let mut friction_w = open.peak_friction;
            for k in rows.start..end {
                kinetic += b.kinetic[k];
                road += roads[k];
                distance += b.distance[k];
                wheels += b.wheels[k];
                raise(&mut friction_w, b.friction_w[k]);
            }
            (open.kinetic_applied, open.road_applied) = (kinetic, road);
            (open.distance_applied, open.wheels_applied) = (distance, wheels);
            open.peak_friction = friction_w;
        }
    }
}
