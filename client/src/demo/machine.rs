//! The vehicle as a machine: forces, battery and brakes, each in closed form over one interval.

use coldbrake_engine::{VehicleClass, atmosphere::air_density};

/// Width of the band below the full state of charge over which the battery takes less and less.
const FULL_BAND: f64 = 0.004;
/// Deceleration from which the driver is on the brake pedal and not only holding the speed, m/s².
const PEDAL_MPS2: f64 = 0.15;
/// Heat that a dragging brake and normal ones give to the rotor whose temperature is measured: its share of the whole.
const MEASURED_SHARE: f64 = 0.25;

/// A class that cannot be simulated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the class cannot be simulated without `{0}`: set it in the class file")]
pub struct Missing(pub &'static str);

/// What a vehicle is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// The class that the server knows it by.
    pub class: VehicleClass,
    /// Mass as loaded, kg.
    pub mass_kg: f64,
    /// Capacity of the battery, Ah.
    pub capacity_ah: f64,
    /// Efficiency from the battery terminals to the wheels while driving.
    pub drive_efficiency: f64,
    /// Largest power at the wheels while driving, W.
    pub drive_power_w: f64,
    /// Force that a brake which does not release holds against the motion, N.
    pub drag_n: f64,
    /// What the brake software does.
    pub software: Software,
    rolling: f64,
    drag_area: f64,
    open_circuit: (f64, f64),
}

/// How the brake software shares a braking force between recovery and friction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Software {
    /// Version, as the vehicle declares it.
    pub version: &'static str,
    /// Share of friction while the driver presses the pedal.
    pub pedal_share: f64,
    /// Share of what recovery could take that is left to friction without need: 0 in sound software.
    pub withheld: f64,
}

/// Friction work by what made it necessary, J.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Mechanisms {
    /// A brake that does not release.
    pub dragging: f64,
    /// The share of the pedal.
    pub pedal: f64,
    /// Withheld by the software without need.
    pub withheld: f64,
    /// Recovery blended out at low speed.
    pub low_speed: f64,
    /// The battery was full.
    pub battery_full: f64,
    /// Beyond the largest recovery power.
    pub power_limited: f64,
}

impl Mechanisms {
    /// Returns the sum, J.
    pub fn total(&self) -> f64 {
        self.dragging + self.pedal + self.withheld + self.low_speed + self.battery_full + self.power_limited
    }

    /// Returns what no circumstance excuses, J.
    pub fn without_excuse(&self) -> f64 {
        self.dragging + self.pedal + self.withheld
    }

    /// Adds another.
    pub fn add(&mut self, other: &Self) {
        self.dragging += other.dragging;
        self.pedal += other.pedal;
        self.withheld += other.withheld;
        self.low_speed += other.low_speed;
        self.battery_full += other.battery_full;
        self.power_limited += other.power_limited;
    }
}

/// One interval of motion with constant acceleration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Motion {
    /// Duration, s.
    pub duration_s: f64,
    /// Speed at its begin, m/s.
    pub from_mps: f64,
    /// Speed at its end, m/s.
    pub to_mps: f64,
    /// Altitude at its begin, m.
    pub from_m: f64,
    /// Altitude at its end, m.
    pub to_m: f64,
    /// Ambient temperature, °C.
    pub ambient_c: f64,
}

impl Motion {
    /// Returns the distance, m.
    pub fn distance_m(&self) -> f64 {
        0.5 * (self.from_mps + self.to_mps) * self.duration_s
    }

    /// Returns the mean speed, m/s.
    pub fn speed_mps(&self) -> f64 {
        0.5 * (self.from_mps + self.to_mps)
    }
}

/// Energies of one interval, J at the wheels unless said.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Energies {
    /// Change of potential energy.
    pub potential: f64,
    /// Change of kinetic energy, rotating parts included.
    pub kinetic: f64,
    /// Work against rolling and air resistance.
    pub road_load: f64,
    /// Friction brake work.
    pub friction: Mechanisms,
    /// Taken by recovery.
    pub regenerated: f64,
    /// Given by the motor.
    pub driven: f64,
    /// Into the battery at its terminals, negative out of it.
    pub battery: f64,
}

impl Energies {
    /// Returns what brakes and motor together had to give: negative where the vehicle had to be braked.
    pub fn wheel(&self) -> f64 {
        self.potential + self.kinetic + self.road_load
    }

    /// Returns whether recovery or the friction brake acted.
    pub fn is_braking(&self) -> bool {
        self.regenerated > 0.0 || self.friction.total() > 0.0
    }
}

impl Machine {
    /// Returns a sound, unloaded vehicle of a class.
    pub fn new(
        class: VehicleClass,
        capacity_ah: f64,
        drive_power_w: f64,
        software: Software,
    ) -> Result<Self, Missing> {
        let rolling = class.rolling_coefficient.ok_or(Missing("rolling_coefficient"))?;
        let drag_area = class.drag_area_m2.ok_or(Missing("drag_area_m2"))?;
        let empty = class
            .open_circuit_empty_v
            .ok_or(Missing("open_circuit_empty_v"))?;
        let full = class.open_circuit_full_v.ok_or(Missing("open_circuit_full_v"))?;
        Ok(Self {
            mass_kg: class.mass_kg,
            class,
            capacity_ah,
            drive_efficiency: 0.88,
            drive_power_w,
            drag_n: 0.0,
            software,
            rolling,
            drag_area,
            open_circuit: (empty, full),
        })
    }

    /// Returns the force of rolling and air resistance at a speed, N.
    pub fn road_load_n(&self, speed_mps: f64, density: f64) -> f64 {
        self.rolling * self.mass_kg * self.class.gravity()
            + 0.5 * density * self.drag_area * speed_mps * speed_mps
    }

    /// Returns the open-circuit voltage of the battery, V.
    pub fn open_circuit_v(&self, state_of_charge: f64) -> f64 {
        let (empty, full) = self.open_circuit;
        empty + (full - empty) * state_of_charge
    }

    /// Returns current, A, and voltage, V, at the terminals for a power, W; all positive while charging.
    ///
    /// From P = V·I and V = V0 + R·I. A discharge beyond what the battery can give is cut to the most it can.
    pub fn terminals(&self, power_w: f64, state_of_charge: f64) -> (f64, f64) {
        let open = self.open_circuit_v(state_of_charge);
        let r = self.class.battery_resistance_ohm;
        if r <= 0.0 {
            return (power_w / open, open);
        }
        let root = (open * open + 4.0 * r * power_w).max(0.0).sqrt();
        let current = (root - open) / (2.0 * r);
        (current, open + r * current)
    }

    /// Returns the charging power that the battery takes, W.
    pub fn charge_limit_w(&self, state_of_charge: f64) -> f64 {
        let room = (self.class.full_state_of_charge - state_of_charge) / FULL_BAND;
        self.class.max_recovery_power_w * room.clamp(0.0, 1.0)
    }

    /// Returns the energies of an interval.
    pub fn drive(&self, motion: &Motion, state_of_charge: f64) -> Energies {
        let (v0, v1, dt) = (motion.from_mps, motion.to_mps, motion.duration_s);
        let distance = motion.distance_m();
        let density = air_density(0.5 * (motion.from_m + motion.to_m), Some(motion.ambient_c));
        let effective = self.mass_kg * (1.0 + self.class.rotating_mass_factor);
        // ∫v³ dt over an interval of constant acceleration.
        let cubes = dt * (v0 * v0 * v0 + v0 * v0 * v1 + v0 * v1 * v1 + v1 * v1 * v1) / 4.0;
        let mut e = Energies {
            potential: self.mass_kg * self.class.gravity() * (motion.to_m - motion.from_m),
            kinetic: 0.5 * effective * (v1 * v1 - v0 * v0),
            road_load: self.rolling * self.mass_kg * self.class.gravity() * distance
                + 0.5 * density * self.drag_area * cubes,
            ..Energies::default()
        };
        e.friction.dragging = self.drag_n * distance;
        let needed = e.wheel() + e.friction.dragging;
        if needed >= 0.0 {
            e.driven = needed;
            e.battery = -needed / self.drive_efficiency - self.class.auxiliary_power_w * dt;
        } else {
            e.regenerated = self.share(-needed, motion, state_of_charge, &mut e.friction);
            e.battery = e.regenerated * self.class.recovery_efficiency - self.class.auxiliary_power_w * dt;
        }
        e
    }

    /// Shares a braking energy, J: returns what recovery takes and notes why friction takes the rest.
    fn share(&self, demand: f64, motion: &Motion, state_of_charge: f64, friction: &mut Mechanisms) -> f64 {
        let slowing = (motion.from_mps - motion.to_mps) / motion.duration_s;
        friction.pedal = if slowing > PEDAL_MPS2 {
            demand * self.software.pedal_share
        } else {
            0.0
        };
        let mut rest = demand - friction.pedal;
        friction.withheld = rest * self.software.withheld;
        rest -= friction.withheld;
        // Blended out over the upper half of the range below the blend-out speed.
        let blend = self.class.blend_out_speed_mps;
        let part = ((motion.speed_mps() - 0.5 * blend) / (0.5 * blend)).clamp(0.0, 1.0);
        friction.low_speed = rest * (1.0 - part);
        rest -= friction.low_speed;
        let most = |limit_w: f64| {
            (limit_w + self.class.auxiliary_power_w) / self.class.recovery_efficiency * motion.duration_s
        };
        let within = rest.min(most(self.class.max_recovery_power_w));
        friction.power_limited = rest - within;
        let taken = within.min(most(self.charge_limit_w(state_of_charge)));
        friction.battery_full = within - taken;
        taken
    }

    /// Returns the state of charge after an interval at a current, A, positive while charging.
    pub fn charge(&self, state_of_charge: f64, current_a: f64, duration_s: f64) -> f64 {
        (state_of_charge + current_a * duration_s / (3600.0 * self.capacity_ah)).clamp(0.0, 1.0)
    }

    /// Returns the temperature of the measured rotor after an interval, °C: the exact solution of the lumped model with
    /// constant power. `None` when the class has no heat capacities.
    pub fn rotor_c(&self, before_c: f64, friction_j: f64, motion: &Motion) -> Option<f64> {
        let share = MEASURED_SHARE;
        let capacity = 0.5 * self.class.front_heat_capacity_j_per_k?;
        let cooling = 0.5
            * (self.class.cooling_still_w_per_k + self.class.cooling_moving_w_per_k_mps * motion.speed_mps());
        if cooling <= 0.0 {
            return Some(before_c + share * friction_j / capacity);
        }
        let steady = motion.ambient_c + share * friction_j / motion.duration_s / cooling;
        Some(steady + (before_c - steady) * (-motion.duration_s * cooling / capacity).exp())
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::demo) const SOUND: Software = Software {
        version: "1.0",
        pedal_share: 0.05,
        withheld: 0.0,
    };

    pub(in crate::demo) fn van() -> Machine {
        let class = toml::from_str(include_str!("classes/van-3t5.toml")).unwrap();
        Machine::new(class, 200.0, 120e3, SOUND).unwrap()
    }

    fn steady(speed: f64, gradient: f64) -> Motion {
        Motion {
            duration_s: 0.25,
            from_mps: speed,
            to_mps: speed,
            from_m: 0.0,
            to_m: gradient * speed * 0.25,
            ambient_c: 15.0,
        }
    }

    #[test]
    fn at_constant_speed_a_grade_gives_weight_times_rate_of_fall_less_road_load() {
        let van = van();
        let (v, gradient) = (14.0, -0.07);
        let e = van.drive(&steady(v, gradient), 0.6);
        // P = m·g·sin·v − F_road·v; the distance is along the road, so rise over distance is the sine.
        let force = 3500.0 * 9.80665 * 0.07 - (0.009 * 3500.0 * 9.80665 + 0.5 * 1.225 * 1.9 * 14.0 * 14.0);
        let power = -e.wheel() / 0.25;
        assert!((power / (force * v) - 1.0).abs() < 1e-3, "{power} {}", force * v);
        assert!(e.friction.total().abs() < f64::EPSILON);
        assert!((e.battery / 0.25 - (power * 0.90 - 900.0)).abs() < 1e-6);
    }

    #[test]
    fn air_drag_over_an_acceleration_is_the_integral() {
        let van = van();
        let m = Motion {
            duration_s: 10.0,
            from_mps: 4.0,
            to_mps: 24.0,
            from_m: 0.0,
            to_m: 0.0,
            ambient_c: 15.0,
        };
        let exact = van.drive(&m, 0.5).road_load;
        let n = 200_000;
        let dt = 10.0 / f64::from(n);
        let sum: f64 = (0..n)
            .map(|i| {
                let v = 4.0 + 2.0 * (f64::from(i) + 0.5) * dt;
                van.road_load_n(v, air_density(0.0, Some(15.0))) * v * dt
            })
            .sum();
        assert!((exact / sum - 1.0).abs() < 1e-9, "{exact} {sum}");
    }

    #[test]
    fn power_is_voltage_times_current_and_the_voltage_follows_the_resistance() {
        let van = van();
        for power in [-80e3, -900.0, 0.0, 5e3, 90e3] {
            let (current, voltage) = van.terminals(power, 0.5);
            assert!(
                (current * voltage - power).abs() < 1e-6 * power.abs().max(1.0),
                "{power}"
            );
            assert!((voltage - (381.0 + 0.09 * current)).abs() < 1e-9);
        }
    }

    #[test]
    fn every_joule_goes_one_way() {
        let mut van = van();
        van.software.withheld = 0.2;
        van.drag_n = 250.0;
        for (from, to, drop, soc) in [
            (14.0, 13.7, 0.3, 0.6),
            (14.0, 14.0, 0.25, 0.6),
            (1.5, 1.4, 0.03, 0.6),
            (14.0, 11.5, 0.2, 0.6),
            (14.0, 14.0, 0.25, 0.99),
            (10.0, 10.3, 0.0, 0.5),
        ] {
            let m = Motion {
                duration_s: 0.25,
                from_mps: from,
                to_mps: to,
                from_m: drop,
                to_m: 0.0,
                ambient_c: 10.0,
            };
            let e = van.drive(&m, soc);
            let balance = e.wheel() + e.friction.total() + e.regenerated - e.driven;
            assert!(balance.abs() < 1e-9 * e.wheel().abs().max(1.0), "{m:?} {e:?}");
            assert!(e.friction.dragging > 0.0 && e.regenerated >= 0.0 && e.driven >= 0.0);
        }
    }

    #[test]
    fn each_limit_leaves_its_part_to_friction() {
        let van = van();
        let of = |m: Motion, soc: f64| van.drive(&m, soc).friction;
        let hard = Motion {
            to_mps: 11.5,
            ..steady(14.0, -0.06)
        };
        assert!(of(hard, 0.6).power_limited > 0.0);
        let full = of(steady(14.0, -0.07), 0.99);
        assert!(full.battery_full > 0.0 && (full.battery_full - full.total()).abs() < 1e-9);
        let creep = of(steady(1.1, -0.07), 0.6);
        let demand = -van.drive(&steady(1.1, -0.07), 0.6).wheel();
        // Below half the blend-out speed nothing is recovered.
        assert!((creep.low_speed - demand).abs() < 1e-9);
        assert!(of(steady(3.0, -0.07), 0.6).total().abs() < f64::EPSILON);
    }

    #[test]
    fn the_rotor_warms_by_the_closed_form() {
        // Steady 4 kW of friction: T = Ta + P/h·(1 − exp(−t·h/C)).
        let van = van();
        let mut t = 15.0;
        for _ in 0..1200 {
            t = van.rotor_c(t, 4e3 * 0.25, &steady(10.0, 0.0)).unwrap();
        }
        let (p, h, c): (f64, f64, f64) = (1e3, 0.5 * (12.0 + 15.0), 6.5e3);
        let expected = 15.0 + p / h * (1.0 - (-300.0 * h / c).exp());
        assert!((t - expected).abs() < 1e-6, "{t} {expected}");
    }
}
