//! What a class, a declared mass and the samples say together: forces and powers of one vehicle.

use crate::{
    class::VehicleClass,
    record::{FrictionMethod, MassSource},
    sample::BrakeKind,
    state::Opening,
};

/// Relative standard uncertainty of a mass that the vehicle streams. Axle-load sensing: common practice, no source.
const REPORTED_MASS_UNCERTAINTY: f64 = 0.03;
/// Relative standard uncertainty of a declared mass without one.
const DECLARED_MASS_UNCERTAINTY: f64 = 0.02;

/// The class prepared for the work per sample.
#[derive(Clone, Debug)]
pub(crate) struct Model<'a> {
    pub(crate) class: &'a VehicleClass,
    pub(crate) gravity: f64,
    /// Force per unit of the brake signal, N; `None` when the signal only says that the brake is on.
    pub(crate) brake_force: Option<f64>,
    /// Mass without a streamed one, kg.
    mass: f64,
    mass_source: MassSource,
    mass_uncertainty: f64,
    /// What that mass decides.
    own: Load,
    /// Road load per speed, N/(m/s).
    linear: f64,
    charge_sign: f64,
    /// Battery power below which the motor counts as idle, W.
    pub(crate) idle_power: f64,
}

/// What a mass decides.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Load {
    /// The mass, kg.
    pub(crate) mass: f64,
    /// Half the mass with rotating parts, kg.
    pub(crate) half_effective: f64,
    /// The part of the road load that no speed changes, N.
    pub(crate) rolling_n: f64,
}

impl Load {
    fn of(mass: f64, class: &VehicleClass) -> Self {
        Self {
            mass,
            half_effective: 0.5 * (mass * (1.0 + class.rotating_mass_factor)),
            rolling_n: class.road_load_terms(mass, 0.0).0,
        }
    }
}

impl<'a> Model<'a> {
    pub(crate) fn new(class: &'a VehicleClass, opening: &Opening) -> Self {
        let brake_force = match opening.brake_kind {
            BrakeKind::Pressure => class.brake_force_per_bar_n,
            BrakeKind::Torque => class.tyre_radius_m.map(|r| 1.0 / r),
            BrakeKind::Pedal | BrakeKind::Applied => None,
        };
        let (mass, mass_source, mass_uncertainty) = match opening.declared_mass_kg {
            Some(m) => (
                m,
                MassSource::Declared,
                opening
                    .declared_mass_uncertainty
                    .unwrap_or(DECLARED_MASS_UNCERTAINTY),
            ),
            None => (class.mass_kg, MassSource::Class, class.mass_uncertainty),
        };
        let charge_sign = match opening.current_sign {
            crate::CurrentSign::ChargePositive => 1.0,
            crate::CurrentSign::DischargePositive => -1.0,
        };
        Self {
            class,
            gravity: class.gravity(),
            brake_force,
            mass,
            mass_source,
            mass_uncertainty,
            own: Load::of(mass, class),
            linear: class.road_load_terms(mass, 0.0).1,
            charge_sign,
            idle_power: (0.004 * class.max_recovery_power_w).clamp(200.0, 1_500.0),
        }
    }

    /// How friction is found with this brake signal.
    pub(crate) fn method(&self) -> FrictionMethod {
        if self.brake_force.is_some() {
            FrictionMethod::Measured
        } else {
            FrictionMethod::Balance
        }
    }

    /// Mass for an interval: the streamed one, else the declared, else that of the class.
    pub(crate) fn mass(&self, streamed: Option<f64>) -> f64 {
        streamed.unwrap_or(self.mass)
    }

    pub(crate) fn mass_source(&self, streamed: Option<f64>) -> (MassSource, f64) {
        match streamed {
            Some(_) => (MassSource::Reported, REPORTED_MASS_UNCERTAINTY),
            None => (self.mass_source, self.mass_uncertainty),
        }
    }

    /// What the mass of an interval decides.
    pub(crate) fn load(&self, streamed: Option<f64>) -> Load {
        streamed.map_or(self.own, |mass| Load::of(mass, self.class))
    }

    /// What the square of the speed adds to the road load in air of a density, N/(m/s)².
    pub(crate) fn road_load_per_square(&self, density: f64) -> f64 {
        self.class.road_load_terms(self.mass, density).2
    }

    /// Force of rolling and air resistance, N, 0 or more at forward speed.
    #[inline]
    pub(crate) fn road_load(&self, rolling_n: f64, speed: f64, per_square: f64) -> f64 {
        rolling_n + self.linear * speed + per_square * speed * speed
    }

    /// Battery current with charging positive, A.
    pub(crate) fn charging_current(&self, current: f64) -> f64 {
        self.charge_sign * current
    }

    /// Battery voltage where it is not streamed: open-circuit curve and resistance, else the nominal voltage.
    pub(crate) fn assumed_voltage(&self, charging_current: f64, state_of_charge: Option<f64>) -> f64 {
        let c = self.class;
        let open = match (c.open_circuit_empty_v, c.open_circuit_full_v, state_of_charge) {
            (Some(empty), Some(full), Some(soc)) => empty + (full - empty) * soc,
            _ => c.nominal_voltage_v,
        };
        (open + c.battery_resistance_ohm * charging_current).max(1.0)
    }

    /// State of charge from voltage and current by the class's open-circuit line, 0 to 1; `None` without the line.
    pub(crate) fn charge_from_voltage(&self, voltage: f64, charging_current: f64) -> Option<f64> {
        let (empty, full) = (self.class.open_circuit_empty_v?, self.class.open_circuit_full_v?);
        let open = voltage - self.class.battery_resistance_ohm * charging_current;
        Some(((open - empty) / (full - empty)).clamp(0.0, 1.0))
    }
}
