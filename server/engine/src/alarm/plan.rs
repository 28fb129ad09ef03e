//! Head room in the battery: how full a vehicle may arrive at the top of a grade so that the battery takes everything.
//!
//! x = s_full − m·e / C, with s_full the state of charge from which the battery no longer takes full recovery (class),
//! m the mass, e the energy per mass that the battery would take on this grade, at its terminals, and C its capacity.
//!
//! e is the median over the descents of this grade and class of (net charge + friction for want of room × efficiency from
//! the wheels to the terminals) / mass. C is the median over the descents of the class of net charge over the rise of
//! the state of charge, where that rose by 2 % or more: nobody has to declare it.

use serde::{Deserialize, Serialize};

use crate::class::VehicleClass;
use crate::record::{Descent, Flag};

/// Head room for the next visit of a grade.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct HeadRoom {
    /// State of charge to arrive with, or less, 0 to 1. 0 where even an empty battery has too little room.
    pub arrive_at_or_below: f64,
    /// Energy expected at the terminals, J.
    pub expected_j: f64,
    /// Battery capacity, J.
    pub capacity_j: f64,
    /// For this mass, kg.
    pub mass_kg: f64,
}

/// Least rise of the state of charge that tells the capacity.
const LEAST_RISE: f64 = 0.02;

/// Returns the state of charge to arrive with.
///
/// ```
/// use coldbrake_engine::alarm::plan::head_room;
/// // 2.5 t, 3 kWh per tonne, 75 kWh, full at 97 %: 10 % of room.
/// let room = head_room(0.97, 2500.0, 3.0 * 3.6e6, 75.0 * 3.6e6).unwrap();
/// assert!((room.arrive_at_or_below - 0.87).abs() < 1e-12);
/// ```
pub fn head_room(full: f64, mass_kg: f64, per_tonne_j: f64, capacity_j: f64) -> Option<HeadRoom> {
    let expected_j = per_tonne_j.max(0.0) * mass_kg * 1e-3;
    (capacity_j > 0.0 && expected_j.is_finite()).then(|| HeadRoom {
        arrive_at_or_below: (full - expected_j / capacity_j).clamp(0.0, 1.0),
        expected_j,
        capacity_j,
        mass_kg,
    })
}

/// Returns what the battery would have taken on a descent, kJ per tonne of vehicle, at its terminals.
pub fn charge_per_tonne_kj(d: &Descent, class: &VehicleClass) -> Option<f64> {
    let causes = d.friction_by_cause_j?;
    let refused = (causes.battery_full + causes.battery_cold) * class.recovery_efficiency;
    let charge = (d.battery_net_j + refused) / d.mass_kg;
    charge.is_finite().then_some(charge)
}

/// Returns the capacity that a descent shows, J; `None` where the state of charge rose too little or is only inferred.
pub fn capacity_j(d: &Descent) -> Option<f64> {
    let rise = d.state_of_charge_end? - d.state_of_charge_start?;
    let usable = rise >= LEAST_RISE && d.battery_net_j > 0.0 && !d.flags.contains(Flag::ChargeFromVoltage);
    usable.then(|| d.battery_net_j / rise)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{alarm::tests, record::FrictionByCause};

    #[test]
    fn a_full_battery_says_the_same_of_a_grade_as_one_with_room() {
        let class = tests::class();
        let with_room = tests::descent("v1", "mill-hill", "4.1", 0, 30.0);
        let charge = charge_per_tonne_kj(&with_room, &class).unwrap();
        // 3 MJ at the terminals in 2.5 t.
        assert!((charge - 1200.0).abs() < 1e-9, "{charge}");
        // Two thirds of it refused: what friction took of it, at the wheels.
        let refused = Descent {
            battery_net_j: 1e6,
            friction_by_cause_j: Some(FrictionByCause {
                battery_full: 1.2e6 / class.recovery_efficiency,
                battery_cold: 0.8e6 / class.recovery_efficiency,
                power_limited: 5e6,
                unexplained: 5e6,
                ..FrictionByCause::default()
            }),
            ..with_room
        };
        assert!((charge_per_tonne_kj(&refused, &class).unwrap() - charge).abs() < 1e-9);
    }

    #[test]
    fn only_a_measured_rise_of_the_charge_tells_the_capacity() {
        let d = Descent {
            battery_net_j: 3e6,
            ..tests::descent("v1", "mill-hill", "4.1", 0, 30.0)
        };
        // Three hundredths of the charge.
        assert!((capacity_j(&d).unwrap() - 100e6).abs() < 1.0);
        let small = Descent {
            state_of_charge_end: Some(0.61),
            ..d.clone()
        };
        assert_eq!(capacity_j(&small), None);
        let inferred = Descent {
            flags: d.flags.with(Flag::ChargeFromVoltage),
            ..d
        };
        assert_eq!(capacity_j(&inferred), None);
    }
}
