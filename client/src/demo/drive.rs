//! One drive along a road, sample by sample, with the exact energies of every interval, and the truth of its descents.

use super::{
    driver::{Jam, Plan},
    machine::{Energies, Machine, Mechanisms, Motion},
    road::Road,
};

/// Deceleration to a standstill from walking pace, m/s².
const STOPPING_MPS2: f64 = 0.8;
/// Deceleration that the driver never exceeds, m/s².
const HARDEST_MPS2: f64 = 2.5;
/// Time at a standstill at both ends, s.
const ENDS_S: f64 = 4.0;
/// Fall of the temperature with altitude, K/m.
const LAPSE_K_PER_M: f64 = 0.0065;

/// What a drive needs beside the machine.
#[derive(Clone, Debug)]
pub struct Leg<'a> {
    /// The road.
    pub road: &'a Road,
    /// The speed that the driver wants.
    pub plan: &'a Plan,
    /// Traffic that makes it stand still.
    pub jam: Option<Jam>,
    /// Largest acceleration, m/s².
    pub accelerate_mps2: f64,
    /// Where in the driver's slow wander around the plan the drive begins, rad.
    pub wander: (f64, f64),
    /// Time of the first sample, ms since the Unix epoch.
    pub start_ms: i64,
    /// Time from one sample to the next, ms.
    pub step_ms: i64,
    /// State of charge at the begin, 0 to 1.
    pub state_of_charge: f64,
    /// Ambient temperature at sea level, °C.
    pub sea_level_c: f64,
}

/// The vehicle at one instant, and what flowed since the one before.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// ms since the Unix epoch.
    pub time_ms: i64,
    /// Distance from the begin of the road, m.
    pub at_m: f64,
    /// m/s.
    pub speed_mps: f64,
    /// m.
    pub altitude_m: f64,
    /// °C.
    pub ambient_c: f64,
    /// Energies since the row before.
    pub energies: Energies,
    /// Mean friction force since the row before, N; while standing the force that holds the vehicle.
    pub friction_n: f64,
    /// Battery current since the row before, A, positive while charging.
    pub current_a: f64,
    /// Voltage at the terminals, V.
    pub voltage_v: f64,
    /// 0 to 1.
    pub state_of_charge: f64,
    /// Charging power that the battery takes, W.
    pub charge_limit_w: f64,
    /// Temperature of the measured rotor, °C; `None` when the class has no heat capacities.
    pub rotor_c: Option<f64>,
}

/// Everything that happened on a drive.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// Rows, one a step.
    pub rows: Vec<Row>,
}

/// What is true of one descent, between two samples. Names and signs as in a descent record.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Truth {
    /// Time at the top, ms since the Unix epoch.
    pub start_time_ms: i64,
    /// Time at the foot, ms since the Unix epoch.
    pub end_time_ms: i64,
    /// Altitude of the top less altitude of the foot, m.
    pub drop_m: f64,
    /// Distance along the road, m.
    pub distance_m: f64,
    /// Time at a standstill, s.
    pub standing_s: f64,
    /// m·g·drop, J.
    pub potential_released_j: f64,
    /// ½·m_eff·(v_top² − v_foot²), J.
    pub kinetic_released_j: f64,
    /// Work against rolling and air resistance, J.
    pub road_load_j: f64,
    /// Wheel energy while neither recovery nor friction acted, J.
    pub propulsion_j: f64,
    /// Braking energy demanded, J.
    pub available_j: f64,
    /// Charged into the battery at its terminals, J.
    pub recovered_j: f64,
    /// Taken from the battery at its terminals, J.
    pub discharged_j: f64,
    /// Friction brake work by what made it necessary, J.
    pub friction_j: Mechanisms,
}

/// Drives a leg.
pub fn drive(machine: &Machine, leg: &Leg<'_>) -> Trace {
    let altitude = leg.road.altitude(0.0);
    let ambient = leg.sea_level_c - LAPSE_K_PER_M * altitude;
    let (current_a, voltage_v) = machine.terminals(-machine.class.auxiliary_power_w, leg.state_of_charge);
    let first = Row {
        time_ms: leg.start_ms,
        at_m: 0.0,
        speed_mps: 0.0,
        altitude_m: altitude,
        ambient_c: ambient,
        energies: Energies::default(),
        friction_n: holding_force(machine),
        current_a,
        voltage_v,
        state_of_charge: leg.state_of_charge,
        charge_limit_w: machine.charge_limit_w(leg.state_of_charge),
        rotor_c: machine.rotor_c(ambient, 0.0, &standing(altitude, ambient)),
    };
    let mut drive = Drive {
        machine,
        leg,
        rows: vec![first],
        here: first,
    };
    drive.stand(ENDS_S);
    if let Some(jam) = leg.jam.filter(|jam| jam.standing_s > 0.0) {
        drive.go(0.5 * (jam.from_m + jam.to_m));
        drive.stop();
        drive.stand(jam.standing_s);
    }
    drive.go(leg.road.length_m());
    drive.stop();
    drive.stand(ENDS_S);
    Trace { rows: drive.rows }
}

/// Force with which the brake holds a standing vehicle, N: that of a slope of 20 %.
fn holding_force(machine: &Machine) -> f64 {
    0.2 * machine.mass_kg * machine.class.gravity()
}

const fn standing(altitude_m: f64, ambient_c: f64) -> Motion {
    Motion {
        duration_s: 1.0,
        from_mps: 0.0,
        to_mps: 0.0,
        from_m: altitude_m,
        to_m: altitude_m,
        ambient_c,
    }
}

struct Drive<'a> {
    machine: &'a Machine,
    leg: &'a Leg<'a>,
    rows: Vec<Row>,
    here: Row,
}

impl Drive<'_> {
    fn dt(&self) -> f64 {
        self.leg.step_ms as f64 * 1e-3
    }

    /// Drives as planned up to a distance.
    fn go(&mut self, to_m: f64) {
        while self.here.at_m < to_m {
            let (dt, v) = (self.dt(), self.here.speed_mps);
            let ahead = self.here.at_m + v * dt;
            let wander = 1.0
                + 0.03 * (ahead / 170.0 + self.leg.wander.0).sin()
                + 0.015 * (ahead / 61.0 + self.leg.wander.1).sin();
            let wanted = self.leg.plan.speed(ahead) * wander;
            let next = wanted
                .min(v + self.leg.accelerate_mps2 * dt)
                .max(v - HARDEST_MPS2 * dt)
                .max(0.0);
            self.step(next);
        }
    }

    /// Comes to a standstill.
    fn stop(&mut self) {
        while self.here.speed_mps > 0.0 {
            self.step((self.here.speed_mps - STOPPING_MPS2 * self.dt()).max(0.0));
        }
    }

    fn stand(&mut self, seconds: f64) {
        for _ in 0..(seconds / self.dt()).round() as usize {
            self.step(0.0);
        }
    }

    fn step(&mut self, to_mps: f64) {
        let (machine, before, dt) = (self.machine, self.here, self.dt());
        let distance = 0.5 * (before.speed_mps + to_mps) * dt;
        let at_m = before.at_m + distance;
        let altitude_m = self.leg.road.altitude(at_m);
        let ambient_c = self.leg.sea_level_c - LAPSE_K_PER_M * 0.5 * (before.altitude_m + altitude_m);
        let motion = Motion {
            duration_s: dt,
            from_mps: before.speed_mps,
            to_mps,
            from_m: before.altitude_m,
            to_m: altitude_m,
            ambient_c,
        };
        let energies = machine.drive(&motion, before.state_of_charge);
        let (current_a, voltage_v) = machine.terminals(energies.battery / dt, before.state_of_charge);
        let state_of_charge = machine.charge(before.state_of_charge, current_a, dt);
        let friction = energies.friction.total();
        self.here = Row {
            time_ms: before.time_ms + self.leg.step_ms,
            at_m,
            speed_mps: to_mps,
            altitude_m,
            ambient_c,
            energies,
            friction_n: if distance > 0.0 {
                friction / distance
            } else {
                holding_force(machine)
            },
            current_a,
            voltage_v,
            state_of_charge,
            charge_limit_w: machine.charge_limit_w(state_of_charge),
            rotor_c: before.rotor_c.and_then(|c| machine.rotor_c(c, friction, &motion)),
        };
        self.rows.push(self.here);
    }
}

impl Trace {
    /// Returns the truth of every descent of at least `drop_m` on the road that was driven.
    pub fn descents(&self, road: &Road, drop_m: f64) -> Vec<Truth> {
        let nearest = |at_m: f64| {
            let after = self.rows.partition_point(|r| r.at_m < at_m);
            let off = |i: usize| self.rows.get(i).map_or(f64::INFINITY, |r| (r.at_m - at_m).abs());
            let before = after.saturating_sub(1);
            if off(before) < off(after) {
                before
            } else {
                after.min(self.rows.len() - 1)
            }
        };
        road.falls(drop_m)
            .into_iter()
            .map(|(top, foot)| self.truth(nearest(top), nearest(foot)))
            .collect()
    }

    /// Returns what is true between two rows.
    pub fn truth(&self, top: usize, foot: usize) -> Truth {
        let (Some(a), Some(b)) = (self.rows.get(top), self.rows.get(foot)) else {
            return Truth::default();
        };
        let mut truth = Truth {
            start_time_ms: a.time_ms,
            end_time_ms: b.time_ms,
            drop_m: a.altitude_m - b.altitude_m,
            distance_m: b.at_m - a.at_m,
            ..Truth::default()
        };
        let mut time_ms = a.time_ms;
        for row in self.rows.get(top + 1..=foot).unwrap_or_default() {
            let e = &row.energies;
            truth.potential_released_j -= e.potential;
            truth.kinetic_released_j -= e.kinetic;
            truth.road_load_j += e.road_load;
            if e.is_braking() {
                truth.available_j -= e.wheel();
            } else {
                truth.propulsion_j += e.wheel();
            }
            truth.recovered_j += e.battery.max(0.0);
            truth.discharged_j += (-e.battery).max(0.0);
            truth.friction_j.add(&e.friction);
            if row.speed_mps <= 0.0 {
                truth.standing_s += (row.time_ms - time_ms) as f64 * 1e-3;
            }
            time_ms = row.time_ms;
        }
        truth
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::demo::{
        driver::Style,
        machine::tests::van,
        road::{Bend, Road},
    };

    pub(in crate::demo) const STYLE: Style = Style {
        level_mps: 18.0,
        down_mps: 14.0,
        sideways_mps2: 2.2,
        accelerate_mps2: 0.8,
        brake_mps2: 0.8,
    };

    pub(in crate::demo) fn slope(bends: usize) -> Road {
        let bends = (1..=bends)
            .map(|i| Bend {
                at_m: 1300.0 + 800.0 * i as f64,
                radius_m: 14.0,
            })
            .collect();
        Road::new(
            1400.0,
            &[(1300.0, 0.004), (6000.0, -0.065), (1300.0, 0.004)],
            bends,
        )
    }

    pub(in crate::demo) fn trace(machine: &Machine, road: &Road, jam: Option<Jam>, step_ms: i64) -> Trace {
        let plan = Plan::new(road, &STYLE, jam.as_ref(), 1e6, 35e3);
        let leg = Leg {
            road,
            plan: &plan,
            jam,
            accelerate_mps2: 1.0,
            wander: (0.3, 1.9),
            start_ms: 1_772_500_000_000,
            step_ms,
            state_of_charge: 0.6,
            sea_level_c: 15.0,
        };
        drive(machine, &leg)
    }

    #[test]
    fn the_account_closes_and_its_ends_are_those_of_the_road() {
        let mut van = van();
        van.drag_n = 150.0;
        let road = slope(5);
        let t = trace(&van, &road, None, 250).descents(&road, 50.0);
        assert_eq!(t.len(), 1);
        let t = t[0];
        let given = t.potential_released_j + t.kinetic_released_j + t.propulsion_j;
        let taken = t.road_load_j + t.available_j;
        assert!((given - taken).abs() < 1e-6 * given, "{t:?}");
        assert!((t.potential_released_j - 3500.0 * 9.80665 * t.drop_m).abs() < 1e-3);
        // Top and foot lie where the rounded gradient passes through zero: 60 m · 0.004 / 0.069 from the level ends.
        let length = 6000.0 + 2.0 * (30.0 - 60.0 * 0.004 / 0.069);
        assert!(
            (t.drop_m - 390.0).abs() < 1.0 && (t.distance_m - length).abs() < 8.0,
            "{t:?}"
        );
    }

    #[test]
    fn what_is_braked_is_recovered_or_rubbed_off() {
        let van = van();
        let road = slope(5);
        let trace = trace(&van, &road, None, 250);
        let t = trace.descents(&road, 50.0)[0];
        let regenerated: f64 = trace
            .rows
            .iter()
            .filter(|r| r.time_ms > t.start_time_ms && r.time_ms <= t.end_time_ms)
            .map(|r| r.energies.regenerated)
            .sum();
        assert!((t.available_j - regenerated - t.friction_j.total()).abs() < 1e-6 * t.available_j);
        assert!(t.friction_j.pedal > 0.0, "bends are braked for");
    }

    #[test]
    fn the_battery_account_is_the_integral_of_voltage_and_current() {
        let van = van();
        let road = slope(3);
        let trace = trace(&van, &road, None, 250);
        let electric: f64 = trace.rows[1..]
            .iter()
            .map(|r| r.voltage_v * r.current_a * 0.25)
            .sum();
        let account: f64 = trace.rows.iter().map(|r| r.energies.battery).sum();
        assert!(
            (electric - account).abs() < 1e-6 * account.abs(),
            "{electric} {account}"
        );
        let amperes: f64 = trace.rows[1..].iter().map(|r| r.current_a * 0.25).sum();
        let rise = trace.rows.last().unwrap().state_of_charge - 0.6;
        assert!((rise - amperes / 3600.0 / 200.0).abs() < 1e-9);
    }

    #[test]
    fn the_step_does_not_matter() {
        let van = van();
        let road = slope(4);
        let of = |step_ms| trace(&van, &road, None, step_ms).descents(&road, 50.0)[0];
        let (coarse, fine) = (of(500), of(20));
        for (a, b) in [
            (coarse.available_j, fine.available_j),
            (coarse.recovered_j, fine.recovered_j),
        ] {
            assert!((a / b - 1.0).abs() < 5e-3, "{a} {b}");
        }
        assert!((coarse.drop_m - fine.drop_m).abs() < 0.1);
    }

    #[test]
    fn a_jam_is_braked_by_friction_at_low_speed() {
        let van = van();
        let road = slope(0);
        let jam = Jam {
            from_m: 3000.0,
            to_m: 3500.0,
            speed_mps: 1.1,
            standing_s: 60.0,
        };
        let t = trace(&van, &road, Some(jam), 250).descents(&road, 50.0)[0];
        assert!((t.standing_s - 60.0).abs() < 0.6, "{}", t.standing_s);
        let slope_force = 3500.0 * 9.80665 * (0.065 - 0.009);
        // At walking pace below half the blend-out speed all of it is friction; the wander lifts the speed a little.
        assert!(
            t.friction_j.low_speed > 0.85 * slope_force * 500.0,
            "{:?}",
            t.friction_j
        );
        assert!(t.friction_j.without_excuse() < 0.1 * t.friction_j.low_speed);
    }
}
