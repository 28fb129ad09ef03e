//! The vehicle class: everything about a kind of vehicle that the samples do not carry.

use serde::{Deserialize, Serialize};

/// Properties of a kind of vehicle. Registered once, referenced by vehicles.
///
/// Read from a TOML file whose keys are the field names. Quantities are SI.
///
/// ```
/// let class: coldbrake_engine::VehicleClass = toml::from_str(r#"
///     vehicle_class = "van-2500"
///     mass_kg = 2500.0
///     rolling_coefficient = 0.0095
///     drag_area_m2 = 1.224
///     max_recovery_power_w = 100e3
///     nominal_voltage_v = 360.0
///     brake_force_per_bar_n = 400.0
/// "#).unwrap();
/// assert!(class.problems().is_empty());
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VehicleClass {
    /// Identifier: 1 to 64 characters of a-z, 0-9, '-', '.' and '_'.
    pub vehicle_class: String,
    /// Name for people.
    #[serde(default)]
    pub display_name: String,

    /// Mass of the vehicle as driven, kg.
    pub mass_kg: f64,
    /// Relative standard uncertainty of the mass.
    #[serde(default = "default::mass_uncertainty")]
    pub mass_uncertainty: f64,
    /// What rotating parts add to the mass in acceleration, as a fraction of it. 0.03 is common practice.
    #[serde(default = "default::rotating_mass_factor")]
    pub rotating_mass_factor: f64,

    /// Constant road load F0, N. Give either F0, F1, F2 or rolling coefficient and drag area.
    #[serde(default)]
    pub road_load_f0_n: Option<f64>,
    /// Linear road load F1, N/(m/s).
    #[serde(default)]
    pub road_load_f1_n_per_mps: Option<f64>,
    /// Quadratic road load F2, N/(m/s)², at `road_load_air_density_kg_m3`.
    #[serde(default)]
    pub road_load_f2_n_per_mps2: Option<f64>,
    /// Air density for which F2 was found, kg/m³.
    #[serde(default = "default::air_density")]
    pub road_load_air_density_kg_m3: f64,
    /// Rolling resistance coefficient.
    #[serde(default)]
    pub rolling_coefficient: Option<f64>,
    /// Drag coefficient times frontal area, m².
    #[serde(default)]
    pub drag_area_m2: Option<f64>,
    /// Relative standard uncertainty of the road load.
    #[serde(default = "default::road_load_uncertainty")]
    pub road_load_uncertainty: f64,

    /// Largest recovery power at the battery terminals, W.
    pub max_recovery_power_w: f64,
    /// Largest charge current, A. Absent: only the power limits.
    #[serde(default)]
    pub max_charge_current_a: Option<f64>,
    /// Speed below which recovery blends out, m/s.
    #[serde(default = "default::blend_out_speed")]
    pub blend_out_speed_mps: f64,
    /// Deceleration beyond which braking counts as hard, m/s².
    #[serde(default = "default::hard_braking")]
    pub hard_braking_mps2: f64,
    /// Efficiency from the wheels to the battery terminals while recovering, 0 to 1.
    #[serde(default = "default::recovery_efficiency")]
    pub recovery_efficiency: f64,
    /// Relative standard uncertainty of that efficiency.
    #[serde(default = "default::recovery_efficiency_uncertainty")]
    pub recovery_efficiency_uncertainty: f64,
    /// Efficiency from the battery terminals to the wheels while driving, 0 to 1. Absent: that of recovery. For the estimate
    /// of the mass.
    #[serde(default)]
    pub propulsion_efficiency: Option<f64>,
    /// Auxiliary power when it is not streamed, W.
    #[serde(default = "default::auxiliary_power")]
    pub auxiliary_power_w: f64,

    /// Nominal battery voltage, V: stands in when the voltage is not streamed and no curve is given.
    pub nominal_voltage_v: f64,
    /// Battery resistance, Ω.
    #[serde(default)]
    pub battery_resistance_ohm: f64,
    /// Open-circuit voltage of the empty battery, V. With the next, a straight line over the state of charge.
    #[serde(default)]
    pub open_circuit_empty_v: Option<f64>,
    /// Open-circuit voltage of the full battery, V.
    #[serde(default)]
    pub open_circuit_full_v: Option<f64>,
    /// State of charge from which the battery no longer takes full recovery, 0 to 1.
    #[serde(default = "default::full_state_of_charge")]
    pub full_state_of_charge: f64,
    /// Battery temperature below which it does not take full recovery, °C.
    #[serde(default = "default::cold_battery")]
    pub cold_battery_c: f64,
    /// Relative standard uncertainty of the battery energy, from current and voltage sensors.
    #[serde(default = "default::battery_energy_uncertainty")]
    pub battery_energy_uncertainty: f64,

    /// Friction brake force at the wheels per bar of pressure, N. For pressure.
    #[serde(default)]
    pub brake_force_per_bar_n: Option<f64>,
    /// Tyre rolling radius, m. For torque.
    #[serde(default)]
    pub tyre_radius_m: Option<f64>,
    /// Brake signal at or below which the brake counts as released, in the signal's unit.
    #[serde(default)]
    pub brake_released_at: f64,
    /// Relative standard uncertainty of friction force from the signal.
    #[serde(default = "default::brake_uncertainty")]
    pub brake_uncertainty: f64,

    /// Share of the friction work done by the front axle, 0 to 1.
    #[serde(default = "default::front_share")]
    pub front_share: f64,
    /// Heat capacity of the front brakes, J/K: mass of the rotors times 450 to 550 J/(kg·K).
    #[serde(default)]
    pub front_heat_capacity_j_per_k: Option<f64>,
    /// Heat capacity of the rear brakes, J/K.
    #[serde(default)]
    pub rear_heat_capacity_j_per_k: Option<f64>,
    /// Cooling of an axle's brakes at standstill, W/K.
    #[serde(default = "default::cooling_still")]
    pub cooling_still_w_per_k: f64,
    /// Cooling that speed adds, W/K per m/s.
    #[serde(default = "default::cooling_moving")]
    pub cooling_moving_w_per_k_mps: f64,
    /// Estimated brake temperature from which an inspection is due, °C.
    #[serde(default = "default::inspection_temperature")]
    pub inspection_temperature_c: f64,

    /// Thickness that the front pads lose per MJ of the front axle's friction work at mild temperature, µm/MJ.
    #[serde(default)]
    pub front_pad_wear_um_per_mj: Option<f64>,
    /// The same for the rear.
    #[serde(default)]
    pub rear_pad_wear_um_per_mj: Option<f64>,
    /// Thickness of a new front pad less the wear limit, mm.
    #[serde(default)]
    pub front_pad_usable_mm: Option<f64>,
    /// The same for the rear.
    #[serde(default)]
    pub rear_pad_usable_mm: Option<f64>,
    /// Relative standard uncertainty of pad wear per joule.
    #[serde(default = "default::pad_wear_uncertainty")]
    pub pad_wear_uncertainty: f64,
    /// Days without a firm friction stop after which rotors may be corroded or glazed.
    #[serde(default = "default::firm_stop_interval_days")]
    pub firm_stop_interval_days: f64,
    /// The same as a distance, km.
    #[serde(default = "default::firm_stop_interval_km")]
    pub firm_stop_interval_km: f64,

    /// Fixes gravity, m/s², instead of 9.80665. For reference simulations.
    #[serde(default)]
    pub gravity_mps2: Option<f64>,
    /// Fixes the air density, kg/m³, instead of the standard atmosphere. For reference simulations.
    #[serde(default)]
    pub air_density_kg_m3: Option<f64>,
}

mod default {
    //! Values taken where a class file is silent. Each is common practice without a source, unless said.

    pub(super) const fn mass_uncertainty() -> f64 {
        0.05
    }
    pub(super) const fn rotating_mass_factor() -> f64 {
        0.03
    }
    /// ISO 2533 at sea level.
    pub(super) const fn air_density() -> f64 {
        1.225
    }
    pub(super) const fn road_load_uncertainty() -> f64 {
        0.10
    }
    pub(super) const fn blend_out_speed() -> f64 {
        2.0
    }
    pub(super) const fn hard_braking() -> f64 {
        3.0
    }
    pub(super) const fn recovery_efficiency() -> f64 {
        0.88
    }
    pub(super) const fn recovery_efficiency_uncertainty() -> f64 {
        0.03
    }
    pub(super) const fn auxiliary_power() -> f64 {
        500.0
    }
    pub(super) const fn full_state_of_charge() -> f64 {
        0.97
    }
    pub(super) const fn cold_battery() -> f64 {
        5.0
    }
    /// UN GTR No. 21, 5.2.1: voltage and current within 1 % of the reading each; 0.5 % as a standard deviation each.
    pub(super) const fn battery_energy_uncertainty() -> f64 {
        0.007
    }
    pub(super) const fn brake_uncertainty() -> f64 {
        0.05
    }
    pub(super) const fn pad_wear_uncertainty() -> f64 {
        0.25
    }
    pub(super) const fn firm_stop_interval_days() -> f64 {
        14.0
    }
    pub(super) const fn firm_stop_interval_km() -> f64 {
        1_000.0
    }
    pub(super) const fn front_share() -> f64 {
        0.65
    }
    pub(super) const fn cooling_still() -> f64 {
        12.0
    }
    pub(super) const fn cooling_moving() -> f64 {
        1.5
    }
    /// 300 °F: where heavy downgrade stations send a vehicle to cool its brakes (common practice, no source).
    pub(super) const fn inspection_temperature() -> f64 {
        149.0
    }
}

/// One mistake in a class.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClassProblem {
    /// Name of the field.
    pub field: &'static str,
    /// What is wrong and what to do.
    pub description: String,
}

impl std::fmt::Display for ClassProblem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "`{}` {}", self.field, self.description)
    }
}

impl VehicleClass {
    /// Returns every mistake in the class; none when it can be used.
    pub fn problems(&self) -> Vec<ClassProblem> {
        let mut found = Vec::new();
        let mut say = |field, description: String| found.push(ClassProblem { field, description });
        if !crate::ids::is_identifier(&self.vehicle_class) {
            say("vehicle_class", crate::ids::IDENTIFIER_RULE.to_owned());
        }
        let ranges: [(&'static str, f64, f64, f64); 23] = [
            ("mass_kg", self.mass_kg, 100.0, 200_000.0),
            ("mass_uncertainty", self.mass_uncertainty, 0.0, 0.5),
            ("rotating_mass_factor", self.rotating_mass_factor, 0.0, 0.5),
            (
                "road_load_air_density_kg_m3",
                self.road_load_air_density_kg_m3,
                0.5,
                1.6,
            ),
            ("road_load_uncertainty", self.road_load_uncertainty, 0.0, 0.5),
            ("max_recovery_power_w", self.max_recovery_power_w, 1e3, 5e6),
            ("blend_out_speed_mps", self.blend_out_speed_mps, 0.0, 15.0),
            ("hard_braking_mps2", self.hard_braking_mps2, 0.5, 12.0),
            ("recovery_efficiency", self.recovery_efficiency, 0.3, 1.0),
            (
                "recovery_efficiency_uncertainty",
                self.recovery_efficiency_uncertainty,
                0.0,
                0.5,
            ),
            ("auxiliary_power_w", self.auxiliary_power_w, 0.0, 100e3),
            ("nominal_voltage_v", self.nominal_voltage_v, 12.0, 2000.0),
            ("battery_resistance_ohm", self.battery_resistance_ohm, 0.0, 5.0),
            ("full_state_of_charge", self.full_state_of_charge, 0.3, 1.0),
            ("cold_battery_c", self.cold_battery_c, -40.0, 40.0),
            (
                "battery_energy_uncertainty",
                self.battery_energy_uncertainty,
                0.0,
                0.5,
            ),
            ("brake_uncertainty", self.brake_uncertainty, 0.0, 0.5),
            ("front_share", self.front_share, 0.0, 1.0),
            ("pad_wear_uncertainty", self.pad_wear_uncertainty, 0.0, 0.5),
            (
                "firm_stop_interval_days",
                self.firm_stop_interval_days,
                1.0,
                365.0,
            ),
            ("firm_stop_interval_km", self.firm_stop_interval_km, 10.0, 100e3),
            ("cooling_still_w_per_k", self.cooling_still_w_per_k, 0.0, 10e3),
            (
                "inspection_temperature_c",
                self.inspection_temperature_c,
                50.0,
                800.0,
            ),
        ];
        for (field, value, low, high) in ranges {
            if !(low..=high).contains(&value) {
                say(field, format!("is {value}: give a value from {low} to {high}"));
            }
        }
        let optional: [(&'static str, Option<f64>, f64, f64); 19] = [
            ("road_load_f0_n", self.road_load_f0_n, 0.0, 50e3),
            ("road_load_f1_n_per_mps", self.road_load_f1_n_per_mps, -500.0, 5e3),
            (
                "road_load_f2_n_per_mps2",
                self.road_load_f2_n_per_mps2,
                0.0,
                100.0,
            ),
            ("rolling_coefficient", self.rolling_coefficient, 0.0, 0.1),
            ("drag_area_m2", self.drag_area_m2, 0.0, 30.0),
            ("max_charge_current_a", self.max_charge_current_a, 1.0, 10e3),
            ("open_circuit_empty_v", self.open_circuit_empty_v, 10.0, 2000.0),
            ("open_circuit_full_v", self.open_circuit_full_v, 10.0, 2000.0),
            ("brake_force_per_bar_n", self.brake_force_per_bar_n, 1.0, 100e3),
            ("tyre_radius_m", self.tyre_radius_m, 0.1, 1.5),
            (
                "front_heat_capacity_j_per_k",
                self.front_heat_capacity_j_per_k,
                500.0,
                5e6,
            ),
            (
                "rear_heat_capacity_j_per_k",
                self.rear_heat_capacity_j_per_k,
                500.0,
                5e6,
            ),
            (
                "front_pad_wear_um_per_mj",
                self.front_pad_wear_um_per_mj,
                0.0,
                1e4,
            ),
            ("rear_pad_wear_um_per_mj", self.rear_pad_wear_um_per_mj, 0.0, 1e4),
            ("front_pad_usable_mm", self.front_pad_usable_mm, 0.5, 60.0),
            ("rear_pad_usable_mm", self.rear_pad_usable_mm, 0.5, 60.0),
            ("propulsion_efficiency", self.propulsion_efficiency, 0.3, 1.0),
            ("gravity_mps2", self.gravity_mps2, 9.7, 9.9),
            ("air_density_kg_m3", self.air_density_kg_m3, 0.3, 1.6),
        ];
        for (field, value, low, high) in optional {
            if let Some(value) = value
                && !(low..=high).contains(&value)
            {
                say(field, format!("is {value}: give a value from {low} to {high}"));
            }
        }
        if self.road_load_f0_n.is_some() == self.rolling_coefficient.is_some() {
            say(
                "road_load_f0_n",
                "give either the road load F0, F1, F2 or the rolling coefficient with the drag area"
                    .to_owned(),
            );
        }
        if self.rolling_coefficient.is_some() != self.drag_area_m2.is_some() {
            say(
                "drag_area_m2",
                "goes with `rolling_coefficient`: give both or neither".to_owned(),
            );
        }
        if self.open_circuit_empty_v.is_some() != self.open_circuit_full_v.is_some() {
            say(
                "open_circuit_full_v",
                "goes with `open_circuit_empty_v`: give both or neither".to_owned(),
            );
        }
        if let (Some(empty), Some(full)) = (self.open_circuit_empty_v, self.open_circuit_full_v)
            && empty >= full
        {
            say(
                "open_circuit_full_v",
                "must be above `open_circuit_empty_v`".to_owned(),
            );
        }
        if self.front_heat_capacity_j_per_k.is_some() != self.rear_heat_capacity_j_per_k.is_some() {
            say(
                "rear_heat_capacity_j_per_k",
                "goes with `front_heat_capacity_j_per_k`: give both or neither".to_owned(),
            );
        }
        if self.front_pad_wear_um_per_mj.is_some() != self.front_pad_usable_mm.is_some() {
            say(
                "front_pad_usable_mm",
                "goes with `front_pad_wear_um_per_mj`: give both or neither".to_owned(),
            );
        }
        if self.rear_pad_wear_um_per_mj.is_some() != self.rear_pad_usable_mm.is_some() {
            say(
                "rear_pad_usable_mm",
                "goes with `rear_pad_wear_um_per_mj`: give both or neither".to_owned(),
            );
        }
        if !(0.0..=100.0).contains(&self.cooling_moving_w_per_k_mps) {
            say("cooling_moving_w_per_k_mps", "must be from 0 to 100".to_owned());
        }
        if !self.brake_released_at.is_finite() || self.brake_released_at < 0.0 {
            say("brake_released_at", "must be 0 or more".to_owned());
        }
        found
    }

    /// Returns the efficiency from the battery terminals to the wheels while driving.
    pub fn propulsion_efficiency(&self) -> f64 {
        self.propulsion_efficiency.unwrap_or(self.recovery_efficiency)
    }

    /// Returns the force of rolling and air resistance, N, at a mass in kg, a speed in m/s and an air density in kg/m³.
    #[inline]
    pub fn road_load_n(&self, mass_kg: f64, speed_mps: f64, density_kg_m3: f64) -> f64 {
        let (constant, linear, square) = self.road_load_terms(mass_kg, density_kg_m3);
        constant + linear * speed_mps + square * speed_mps * speed_mps
    }

    /// Returns what the road load has without speed, N, with speed, N/(m/s), and with its square, N/(m/s)².
    #[inline]
    pub(crate) fn road_load_terms(&self, mass_kg: f64, density_kg_m3: f64) -> (f64, f64, f64) {
        if let (Some(rolling), Some(area)) = (self.rolling_coefficient, self.drag_area_m2) {
            return (
                rolling * mass_kg * self.gravity(),
                0.0,
                0.5 * density_kg_m3 * area,
            );
        }
        (
            self.road_load_f0_n.unwrap_or(0.0),
            self.road_load_f1_n_per_mps.unwrap_or(0.0),
            self.road_load_f2_n_per_mps2.unwrap_or(0.0) * (density_kg_m3 / self.road_load_air_density_kg_m3),
        )
    }

    /// Returns gravity, m/s².
    pub fn gravity(&self) -> f64 {
        self.gravity_mps2.unwrap_or(crate::constants::STANDARD_GRAVITY)
    }
}
