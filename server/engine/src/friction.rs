//! Why friction is used during an interval.

use crate::{class::VehicleClass, record::Cause};

/// Part of a power limit from which it counts as reached: limits are ramped, not hit exactly.
const LIMIT_REACHED: f64 = 0.93;
/// Part of the largest recovery power below which the battery counts as not accepting charge.
const NEARLY_NOTHING: f64 = 0.05;

/// What is known of an interval with friction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Circumstances {
    /// Wheel-slip control was acting.
    pub slip_control: bool,
    /// Deceleration, m/s², positive while slowing.
    pub deceleration_mps2: f64,
    /// Mean speed, m/s.
    pub speed_mps: f64,
    /// State of charge, 0 to 1.
    pub state_of_charge: Option<f64>,
    /// Coldest cell, °C.
    pub battery_temperature_c: Option<f64>,
    /// Charging power that the battery accepts, W.
    pub charge_limit_w: Option<f64>,
    /// Charging power at the terminals, W, negative while discharging.
    pub charging_power_w: f64,
    /// Charging current, A, negative while discharging.
    pub charging_current_a: f64,
    /// Braking power that recovery and friction together took, as it would arrive at the battery, W; `None` when
    /// friction is not measured.
    pub demand_at_battery_w: Option<f64>,
}

/// Returns why friction was used: the first cause that holds.
///
/// ```
/// use coldbrake_engine::{VehicleClass, friction::{Circumstances, cause}, record::Cause};
/// # let class: VehicleClass = toml::from_str("vehicle_class='v'\nmass_kg=2500.0\nrolling_coefficient=0.01\n\
/// #   drag_area_m2=1.2\nmax_recovery_power_w=100e3\nnominal_voltage_v=360.0").unwrap();
/// let creeping = Circumstances {
///     slip_control: false, deceleration_mps2: 0.1, speed_mps: 1.2, state_of_charge: Some(0.99),
///     battery_temperature_c: None, charge_limit_w: None, charging_power_w: 0.0, charging_current_a: 0.0,
///     demand_at_battery_w: Some(4e3),
/// };
/// // Low speed comes before the full battery.
/// assert_eq!(cause(&creeping, &class), Cause::LowSpeed);
/// assert_eq!(cause(&Circumstances { speed_mps: 15.0, ..creeping }, &class), Cause::BatteryFull);
/// ```
#[inline]
pub fn cause(c: &Circumstances, class: &VehicleClass) -> Cause {
    if c.slip_control {
        return Cause::SlipControl;
    }
    if c.deceleration_mps2 > class.hard_braking_mps2 {
        return Cause::HardBraking;
    }
    if c.speed_mps < class.blend_out_speed_mps {
        return Cause::LowSpeed;
    }
    let cold = c.battery_temperature_c.is_some_and(|t| t < class.cold_battery_c);
    let closed = c
        .charge_limit_w
        .is_some_and(|w| w < NEARLY_NOTHING * class.max_recovery_power_w);
    if c.state_of_charge
        .is_some_and(|soc| soc >= class.full_state_of_charge)
        || (closed && !cold)
    {
        return Cause::BatteryFull;
    }
    let limit = c
        .charge_limit_w
        .map_or(class.max_recovery_power_w, |w| w.min(class.max_recovery_power_w));
    let reached = c.charging_power_w >= LIMIT_REACHED * limit
        || c.demand_at_battery_w.is_some_and(|w| w > limit)
        || class
            .max_charge_current_a
            .is_some_and(|a| c.charging_current_a >= LIMIT_REACHED * a);
    // A cold battery takes something, but less than it should: friction beyond what the limit explains.
    if cold && (closed || reached || c.charge_limit_w.is_none()) {
        return Cause::BatteryCold;
    }
    if reached {
        Cause::PowerLimited
    } else {
        Cause::Unexplained
    }
}

/// Returns whether nothing explains friction in an interval of which no slip control, no battery temperature and no limit of
/// the battery are known, and in which braking was not hard: what [`cause`] would call unexplained. With the extremes
/// of many intervals, it holds for each of them.
#[inline]
pub(crate) fn nothing_explains(
    class: &VehicleClass,
    speed_mps: f64,
    state_of_charge: f64,
    charging_power_w: f64,
    charging_current_a: f64,
    demand_at_battery_w: f64,
) -> bool {
    let limit_w = class.max_recovery_power_w;
    let limit_a = class.max_charge_current_a.unwrap_or(f64::INFINITY);
    speed_mps >= class.blend_out_speed_mps
        && state_of_charge < class.full_state_of_charge
        && charging_power_w < LIMIT_REACHED * limit_w
        && demand_at_battery_w <= limit_w
        && charging_current_a < LIMIT_REACHED * limit_a
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class() -> VehicleClass {
        toml::from_str(
            "vehicle_class='v'\nmass_kg=2500.0\nrolling_coefficient=0.01\ndrag_area_m2=1.2\n\
             max_recovery_power_w=100e3\nnominal_voltage_v=360.0\nmax_charge_current_a=250.0",
        )
        .unwrap()
    }

    const PLAIN: Circumstances = Circumstances {
        slip_control: false,
        deceleration_mps2: 0.3,
        speed_mps: 15.0,
        state_of_charge: Some(0.6),
        battery_temperature_c: Some(25.0),
        charge_limit_w: None,
        charging_power_w: 20e3,
        charging_current_a: 55.0,
        demand_at_battery_w: Some(25e3),
    };

    #[test]
    fn the_short_question_has_the_answer_of_the_long_one() {
        let mut class = class();
        for limit_a in [None, Some(250.0)] {
            class.max_charge_current_a = limit_a;
            for speed in [0.0, 1.9, 2.0, 15.0] {
                for soc in [0.0, 0.96, 0.97, 1.0] {
                    for power in [-5e3, 0.0, 92e3, 93e3, 94e3] {
                        for current in [-20.0, 232.0, 232.5, 240.0] {
                            for demand in [f64::NEG_INFINITY, 99e3, 100e3, 100_000.1] {
                                let c = Circumstances {
                                    deceleration_mps2: f64::NEG_INFINITY,
                                    speed_mps: speed,
                                    state_of_charge: Some(soc),
                                    battery_temperature_c: None,
                                    charging_power_w: power,
                                    charging_current_a: current,
                                    demand_at_battery_w: Some(demand),
                                    ..PLAIN
                                };
                                assert_eq!(
                                    nothing_explains(&class, speed, soc, power, current, demand),
                                    cause(&c, &class) == Cause::Unexplained,
                                    "{c:?}"
                                );
                            }
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn each_cause_is_found_and_the_first_counts() {
        let class = class();
        let of = |c: Circumstances| cause(&c, &class);
        assert_eq!(of(PLAIN), Cause::Unexplained);
        assert_eq!(
            of(Circumstances {
                demand_at_battery_w: Some(120e3),
                ..PLAIN
            }),
            Cause::PowerLimited
        );
        assert_eq!(
            of(Circumstances {
                charging_current_a: 240.0,
                ..PLAIN
            }),
            Cause::PowerLimited
        );
        assert_eq!(
            of(Circumstances {
                charge_limit_w: Some(22e3),
                ..PLAIN
            }),
            Cause::PowerLimited
        );
        assert_eq!(
            of(Circumstances {
                battery_temperature_c: Some(-5.0),
                ..PLAIN
            }),
            Cause::BatteryCold
        );
        assert_eq!(
            of(Circumstances {
                charge_limit_w: Some(1e3),
                ..PLAIN
            }),
            Cause::BatteryFull
        );
        assert_eq!(
            of(Circumstances {
                charge_limit_w: Some(1e3),
                battery_temperature_c: Some(0.0),
                ..PLAIN
            }),
            Cause::BatteryCold
        );
        assert_eq!(
            of(Circumstances {
                state_of_charge: Some(0.975),
                ..PLAIN
            }),
            Cause::BatteryFull
        );
        assert_eq!(
            of(Circumstances {
                speed_mps: 1.0,
                state_of_charge: Some(1.0),
                ..PLAIN
            }),
            Cause::LowSpeed
        );
        assert_eq!(
            of(Circumstances {
                deceleration_mps2: 4.0,
                speed_mps: 1.0,
                ..PLAIN
            }),
            Cause::HardBraking
        );
        assert_eq!(
            of(Circumstances {
                slip_control: true,
                deceleration_mps2: 4.0,
                ..PLAIN
            }),
            Cause::SlipControl
        );
    }
}
