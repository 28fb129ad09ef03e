//! What flows between neighbouring rows, column by column: for the rows of a block at once, so that the compiler can do
//! several of them in one instruction.

use crate::{
    friction::nothing_explains,
    model::Model,
    noise::RUN,
    phase::Phase,
    track::{
        Rows, STANDSTILL_MPS, Steady,
        interval::{FIRM_FROM, UNKNOWN_DEMAND_W, demand_w},
    },
};

/// Rows of a block.
pub(super) const N: usize = RUN;

/// Advance that the estimate of the noise takes for certain, whatever rounding does to positions, m.
const SURE_ADVANCE_M: f64 = 0.06;
/// The largest that it takes.
const SURE_STRAIGHT_M: f64 = 39.0;

pub(super) type Column = [f64; N];

/// What flows between neighbouring rows, for rows that follow the one before after a plain pause. SI units.
#[derive(Clone, Debug)]
pub(super) struct Block {
    pub(super) start: usize,
    pub(super) len: usize,
    /// ms.
    pub(super) duration: Column,
    pub(super) dt: Column,
    pub(super) slowing: Column,
    pub(super) mean_speed: Column,
    pub(super) distance: Column,
    pub(super) kinetic: Column,
    /// Part of the road load that no speed changes, N.
    pub(super) rolling_n: Column,
    pub(super) battery_w: Column,
    pub(super) motor_w: Column,
    pub(super) charged: Column,
    pub(super) discharged: Column,
    pub(super) auxiliary: Column,
    pub(super) motor: Column,
    pub(super) wheels: Column,
    /// What is added to the cause of friction if the brake is applied: energy, or length by balance.
    pub(super) used: Column,
    /// What counts as friction in a braking event.
    pub(super) spent: Column,
    pub(super) friction_w: Column,
    pub(super) demand_w: Column,
    /// By how much the friction work may be that of a firm stop, J, with a little to spare.
    pub(super) over_firm: Column,
    pub(super) kind: [Kind; N],
    /// Nothing would explain friction in any of the rows.
    pub(super) unexplained: bool,
    /// Every row advances by so much, and so little, that the estimate of the noise takes it.
    pub(super) walks: bool,
}

/// What the vehicle does between two rows, as far as it must stay the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Stands, or makes a firm stop: never taken here.
    Other,
    Applied,
    Recovery,
    Propulsion,
    Coasting,
}

/// Room for columns on their way. It is written before it is read and cleared only once.
#[derive(Clone, Debug)]
pub(super) struct Room {
    /// Columns of a batch where fewer rows are left than a block has, or made up.
    current: Column,
    brake: Column,
    speed_before: Column,
    speed: Column,
    volts: Column,
    auxiliary_w: Column,
    soc: Column,
    /// Of a run: positions in the open stretch and altitudes.
    pub(super) positions: Column,
    pub(super) heights: Column,
    /// The same along the road, behind those of the two samples before.
    pub(super) places: [f64; N + 2],
    pub(super) altitudes: [f64; N + 2],
    pub(super) deviations: Column,
    pub(super) roads: Column,
}

impl Room {
    pub(super) const fn new() -> Self {
        const ZERO: Column = [0.0; N];
        Self {
            current: ZERO,
            brake: ZERO,
            speed_before: ZERO,
            speed: ZERO,
            volts: ZERO,
            auxiliary_w: ZERO,
            soc: ZERO,
            positions: ZERO,
            heights: ZERO,
            places: [0.0; N + 2],
            altitudes: [0.0; N + 2],
            deviations: ZERO,
            roads: ZERO,
        }
    }
}

impl Kind {
    pub(super) const fn of(phase: Phase, applied: bool) -> Self {
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
    pub(super) fn fill(
        &mut self,
        rows: &Rows<'_>,
        start: usize,
        steady: &Steady,
        model: &Model<'_>,
        room: &mut Room,
    ) {
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
        let volts = if rows.voltage(start).is_some() {
            from(rows.voltages(), start, &mut room.volts)
        } else {
            room.volts[self.len..].fill(0.0);
            for (v, i) in room.volts.iter_mut().zip(start..start + self.len) {
                *v = model.assumed_voltage(model.charging_current(rows.current[i]), rows.soc(i));
            }
            &room.volts
        };
        let auxiliary_w = if rows.auxiliary(start).is_some() {
            from(rows.auxiliaries(), start, &mut room.auxiliary_w)
        } else {
            room.auxiliary_w.fill(model.class.auxiliary_power_w);
            &room.auxiliary_w
        };
        let current = from(rows.current, start, &mut room.current);
        let brake = from(rows.brake, start, &mut room.brake);
        let v0 = from(rows.speed, start - 1, &mut room.speed_before);
        let v1 = from(rows.speed, start, &mut room.speed);
        self.electric(current, volts, auxiliary_w, model);
        self.mechanic(v0, v1, model);
        if rows.mass(start).is_some() {
            for k in 0..self.len {
                let load = model.load(rows.mass(start + k));
                self.kinetic[k] = load.half_effective * (v1[k] * v1[k] - v0[k] * v0[k]);
                self.rolling_n[k] = load.rolling_n;
                self.over_firm[k] = FIRM_FROM * self.distance[k] * load.mass;
            }
        }
        self.friction(brake, auxiliary_w, model);
        self.walks = lowest(&self.distance) >= SURE_ADVANCE_M && highest(&self.distance) <= SURE_STRAIGHT_M;
        self.unexplained = !rows.has_limits() && rows.soc(start).is_some() && {
            let soc = from(rows.socs(), start, &mut room.soc);
            let charging = std::array::from_fn(|k| model.charging_current(current[k]));
            // Whatever explains something does so above a limit, or below one.
            nothing_explains(
                model.class,
                lowest(&self.mean_speed),
                highest(soc),
                highest(&self.battery_w),
                highest(&charging),
                highest(&self.demand_w),
            )
        };
        self.decide(brake, model);
    }

    fn decide(&mut self, brake: &Column, model: &Model<'_>) {
        let (released_at, idle_power) = (model.class.brake_released_at, model.idle_power);
        for (k, brake) in brake.iter().enumerate() {
            let applied = *brake > released_at;
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

/// Returns a column from a row on: the batch's own, or one in the room given, with what there is and the last value again and
/// again behind it.
fn from<'a>(column: &'a [f64], start: usize, room: &'a mut Column) -> &'a Column {
    let rest = &column[start..];
    if let Some(all) = rest.first_chunk::<N>() {
        return all;
    }
    room[..rest.len()].copy_from_slice(rest);
    room[rest.len()..].fill(rest.last().copied().unwrap_or_default());
    room
}
