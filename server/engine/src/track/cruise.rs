//! The short way through the engine: rows that go on as the ones before did.
//!
//! Most samples say that the vehicle goes on doing what it did. For those, what two neighbouring rows decide alone is computed
//! for a block of rows at once, column by column, so that the compiler can do several rows in one instruction; and sums
//! are kept at hand until something else happens. A row that is in any way unusual is left to [`Track::take`].
//!
//! Both ways give the same bits: a batch of one sample never comes here, and the split of a drive into batches must not
//! matter, which several tests look at.

use std::ops::Range;

use crate::{
    friction::nothing_explains,
    model::Model,
    noise::RUN,
    phase::Phase,
    record::{Cause, Flag},
    track::{
        Context, Rows, STANDSTILL_MPS, Steady, Track,
        altimeter::{BELIEVED_DEVIATIONS, BELIEVED_STEP_M},
        interval::{DECELERATION_S, FIRM_FROM, MISSING_STEPS, Reasons, UNKNOWN_DEMAND_W, demand_w, raise},
    },
    wear::FIRM_MPS2,
};

/// Rows of a block.
const N: usize = RUN;

/// Advance that the estimate of the noise takes for certain, whatever rounding does to positions, m.
const SURE_ADVANCE_M: f64 = 0.06;
/// The largest that it takes.
const SURE_STRAIGHT_M: f64 = 39.0;

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
    kind: [Kind; N],
    /// Nothing would explain friction in any of the rows.
    unexplained: bool,
    /// Every row advances by so much, and so little, that the estimate of the noise takes it.
    walks: bool,
}

/// What the vehicle does between two rows, as far as it must stay the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    /// Stands, or makes a firm stop: never taken here.
    Other,
    Applied,
    Recovery,
    Propulsion,
    Coasting,
}

impl Kind {
    const fn of(phase: Phase, applied: bool) -> Self {
        match phase {
            Phase::Braking if applied => Self::Applied,
            Phase::Braking => Self::Recovery,
            Phase::Propulsion => Self::Propulsion,
            Phase::Coasting => Self::Coasting,
        }
    }
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
            kind: [Kind::Other; N],
            unexplained: false,
            walks: false,
        }
    }

    pub(super) fn holds(&self, i: usize) -> bool {
        (self.start..self.start + self.len).contains(&i)
    }

    /// Computes rows from `start` on, as many as fit and follow after a plain pause. There must be a row before.
    #[inline(never)]
    pub(super) fn fill(&mut self, rows: &Rows<'_>, start: usize, steady: &Steady, model: &Model<'_>) {
        let most = N.min(rows.len() - start);
        self.start = start;
        self.len = 0;
        let mut before_ms = rows.time_ms[start - 1];
        for (time_ms, duration) in rows.time_ms[start..start + most].iter().zip(&mut self.duration) {
            let ms = time_ms - before_ms;
            if !(1..=steady.plain_ms).contains(&ms) {
                break;
            }
            *duration = ms as f64;
            before_ms = *time_ms;
            self.len += 1;
        }
        if self.len == 0 {
            return;
        }
        // What lies behind the last row is computed as well: it must not look like something special.
        let last = self.duration[self.len - 1];
        self.duration[self.len..].fill(last);
        let here = start..start + self.len;
        let [mut volts, mut auxiliary_w] = [[0.0; N], [model.class.auxiliary_power_w; N]];
        if rows.voltage(start).is_some() {
            copy(rows.voltages(), start, &mut volts);
        } else {
            for (v, i) in volts.iter_mut().zip(here) {
                *v = model.assumed_voltage(model.charging_current(rows.current[i]), rows.soc(i));
            }
        }
        if rows.auxiliary(start).is_some() {
            copy(rows.auxiliaries(), start, &mut auxiliary_w);
        }
        let [mut current, mut brake, mut v0, mut v1] = [[0.0; N]; 4];
        copy(rows.current, start, &mut current);
        copy(rows.brake, start, &mut brake);
        copy(rows.speed, start - 1, &mut v0);
        copy(rows.speed, start, &mut v1);
        self.electric(&current, &volts, &auxiliary_w, model);
        self.mechanic(&v0, &v1, model);
        if rows.mass(start).is_some() {
            for k in 0..self.len {
                let load = model.load(rows.mass(start + k));
                self.kinetic[k] = load.half_effective * (v1[k] * v1[k] - v0[k] * v0[k]);
                self.rolling_n[k] = load.rolling_n;
                self.over_firm[k] = FIRM_FROM * self.distance[k] * load.mass;
            }
        }
        self.friction(&brake, &auxiliary_w, model);
        self.walks = lowest(&self.distance) >= SURE_ADVANCE_M && highest(&self.distance) <= SURE_STRAIGHT_M;
        self.unexplained = !rows.has_limits() && rows.soc(start).is_some() && {
            let mut soc = [0.0; N];
            copy(rows.socs(), start, &mut soc);
            for current in &mut current {
                *current = model.charging_current(*current);
            }
            // Whatever explains something does so above a limit, or below one.
            nothing_explains(
                model.class,
                lowest(&self.mean_speed),
                highest(&soc),
                highest(&self.battery_w),
                highest(&current),
                highest(&self.demand_w),
            )
        };
        let (released_at, idle_power) = (model.class.brake_released_at, model.idle_power);
        for k in 0..self.len {
            let applied = brake[k] > released_at;
            self.kind[k] = if self.mean_speed[k] < STANDSTILL_MPS || (applied && self.over_firm[k] > 0.0) {
                Kind::Other
            } else {
                Kind::of(Phase::decide(self.motor_w[k], applied, idle_power), applied)
            };
        }
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

    fn mechanic(&mut self, v0: &Column, v1: &Column, model: &Model<'_>) {
        let load = model.load(None);
        for k in 0..N {
            let (v0, v1, dt) = (v0[k], v1[k], self.dt[k]);
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

/// Chooses one of the values, half of the column against the other half as long as there are two.
#[inline]
fn fold(column: &Column, choose: impl Fn(f64, f64) -> f64) -> f64 {
    let mut lanes: [f64; 8] = std::array::from_fn(|k| {
        choose(
            choose(column[k], column[k + 8]),
            choose(column[k + 16], column[k + 24]),
        )
    });
    for half in [4, 2, 1] {
        for k in 0..half {
            lanes[k] = choose(lanes[k], lanes[k + half]);
        }
    }
    lanes[0]
}

fn lowest(column: &Column) -> f64 {
    fold(column, |a, b| if b < a { b } else { a })
}

fn highest(column: &Column) -> f64 {
    fold(column, |a, b| if b > a { b } else { a })
}

/// Copies what there is of a column from a row on, the last value again and again behind it.
fn copy(column: &[f64], from: usize, to: &mut Column) {
    let rest = &column[from..];
    if let Some(all) = rest.first_chunk::<N>() {
        *to = *all;
    } else {
        to[..rest.len()].copy_from_slice(rest);
        to[rest.len()..].fill(rest.last().copied().unwrap_or_default());
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
        let (model, first, end) = (c.model, i - b.start, b.len.min(N));
        let (phase, applied) = (self.events.phase, self.events.applied);
        let kind = Kind::of(phase, applied);
        if first >= end || b.kind[first] != kind || !self.events.is_steady() {
            return i;
        }
        let Some(mut walk) = c.life.noise.walk() else {
            return i;
        };
        // Hard braking and, by balance, a firm stop are told by the deceleration.
        let hard_mps2 = match model.brake_force {
            _ if !applied => f64::INFINITY,
            Some(_) => model.class.hard_braking_mps2,
            None => model.class.hard_braking_mps2.min(2.0 * FIRM_MPS2),
        };
        let altitudes = &rows.altitude[b.start..b.start + end];
        let offset_m = self.altimeter.offset_m;
        // Less than what is believed for certain, so that no more needs to be known.
        let least_m = c
            .policy
            .altitude_noise_m
            .unwrap_or_else(|| c.life.noise.least_deviation_m());
        let believed_m = BELIEVED_STEP_M + BELIEVED_DEVIATIONS * least_m;
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
        let (mut positions, mut heights) = ([0.0; N], [0.0; N]);
        let mut k = first;
        while k < end {
            let duration = b.duration[k];
            if b.kind[k] != kind || duration > MISSING_STEPS * usual_ms {
                break;
            }
            let raw_m = altitudes[k];
            let now_m = raw_m + offset_m;
            let moved = (raw_m - last_raw_m).abs() > 1e-9;
            if moved && (now_m - altitude).abs() > believed_m {
                break;
            }
            let dt = b.dt[k];
            let slower = deceleration + (b.slowing[k] - deceleration) * dt / (DECELERATION_S + dt);
            if slower >= hard_mps2 {
                break;
            }
            // From here on the row is taken.
            if moved {
                (last_raw_m, moved_at) = (raw_m, k);
            }
            usual_ms += (duration - usual_ms) / 16.0;
            (deceleration, altitude) = (slower, now_m);
            length += b.distance[k];
            let position = (length + rest) + last;
            (positions[k], heights[k]) = (position, altitude);
            k += 1;
            if position * 1e3 >= steady.length_mm {
                break;
            }
        }
        if k == first {
            return i;
        }
        let (taken, at) = (first..k.min(N), b.start + k - 1);
        self.open.distance[phase as usize] = length;
        (self.usual_ms, self.deceleration) = (usual_ms, deceleration);
        if moved_at < k {
            self.altimeter.moved(last_raw_m, rows.time_ms[b.start + moved_at]);
        }
        let unmoved = if moved_at < k { moved_at..k } else { taken.clone() };
        for distance in &b.distance[unmoved] {
            self.altimeter.went(*distance, phase, applied);
        }
        let duration_ms = rows.time_ms[at] - self.last.time_ms;
        self.last.time_ms = rows.time_ms[at];
        self.last.speed = rows.speed[at];
        self.last.altitude = altitude;
        self.last.brake = rows.brake[at];
        self.last.battery_w = b.battery_w[k - 1];
        self.standing_ms = 0;
        c.life.wear.not_firm();

        self.samples
            .take_all(&positions[taken.clone()], &heights[taken.clone()]);
        let (mut places, mut altitudes) = ([0.0; N + 2], [0.0; N + 2]);
        [(places[0], altitudes[0]), (places[1], altitudes[1])] = walk.before();
        for (to, k) in taken.clone().enumerate() {
            places[to + 2] = steady.base_m + positions[k];
            altitudes[to + 2] = heights[k];
        }
        walk.observe_all(&places, &altitudes, taken.len(), b.walks);
        c.life.noise.walked(&walk);

        self.events.went_on(duration_ms, &b.duration[taken.clone()]);
        let mut road = [0.0; N];
        for k in taken.clone() {
            road[k] = model.road_load(b.rolling_n[k], b.mean_speed[k], steady.square) * b.distance[k];
        }
        self.sum_up(
            b,
            taken.clone(),
            &road,
            &rows.speed[b.start + first..=at],
            duration_ms,
        );
        self.sum_up_braking(b, taken, &road, rows, model);
        if let Some(hottest) = rows.hottest_brake(b.start + first..at + 1) {
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
    fn sum_up(&mut self, b: &Block, rows: Range<usize>, roads: &Column, speeds: &[f64], duration_ms: i64) {
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
        if applied {
            open.friction_ms += duration_ms;
        }
    }

    /// Adds what only braking has.
    fn sum_up_braking(
        &mut self,
        b: &Block,
        taken: Range<usize>,
        roads: &Column,
        rows: &Rows<'_>,
        model: &Model<'_>,
    ) {
        if self.events.phase != Phase::Braking {
            return;
        }
        let (open, event) = (&mut self.open, &mut self.events.event);
        let mut wheels = open.wheels;
        if !self.events.applied {
            for k in taken {
                wheels += b.wheels[k];
                open.events_without_friction += event.brake_on(b.wheels[k], 0.0);
            }
            open.wheels = wheels;
            return;
        }
        let reasons = Reasons::of(rows, model);
        let mut unexplained = open.cause[Cause::Unexplained as usize];
        let mut e = *event;
        let (mut kinetic, mut road) = (open.kinetic_applied, open.road_applied);
        let (mut distance, mut wheels_applied) = (open.distance_applied, open.wheels_applied);
        let (mut friction_w, mut without) = (open.peak_friction, 0);
        for k in taken {
            kinetic += b.kinetic[k];
            road += roads[k];
            distance += b.distance[k];
            wheels += b.wheels[k];
            wheels_applied += b.wheels[k];
            raise(&mut friction_w, b.friction_w[k]);
            without += e.brake_on(b.wheels[k], b.spent[k]);
            if b.unexplained {
                unexplained += b.used[k];
                continue;
            }
            // Rows of hard braking do not come here.
            let (why, derived) = reasons.why(
                b.start + k,
                f64::NEG_INFINITY,
                b.mean_speed[k],
                b.battery_w[k],
                b.demand_w[k],
            );
            open.cause[why as usize] += b.used[k];
            if derived {
                open.flags.insert(Flag::ChargeFromVoltage);
            }
        }
        if b.unexplained {
            open.cause[Cause::Unexplained as usize] = unexplained;
        }
        *event = e;
        (open.kinetic_applied, open.road_applied) = (kinetic, road);
        (open.distance_applied, open.wheels_applied) = (distance, wheels_applied);
        (open.wheels, open.peak_friction) = (wheels, friction_w);
        open.events_without_friction += without;
    }
}
