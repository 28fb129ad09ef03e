//! Temperature of the friction brakes: one lumped thermal mass per axle.
//!
//! dT/dt = (share·P_friction − (a + b·v)·(T − T_ambient)) / C. An estimate from telemetry, not an inspection.

use serde::{Deserialize, Serialize};

use crate::{bits::Bits, class::VehicleClass};

/// Ambient temperature when none is streamed, °C: that of the standard atmosphere at sea level.
pub const ASSUMED_AMBIENT_C: f64 = 15.0;

/// Longest step of the integration, s: short against the time constants of brakes (10 to 40 min).
const LONGEST_STEP_S: f64 = 20.0;
/// Most steps taken for one stretch: a vehicle that stood for hours is at ambient temperature anyway.
const MOST_STEPS: u32 = 400;

/// Estimated temperatures of both axles' brakes, °C.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Brakes {
    /// Front axle.
    pub front_c: f64,
    /// Rear axle.
    pub rear_c: f64,
}

impl Brakes {
    /// Returns brakes at ambient temperature, °C.
    pub const fn cold(ambient_c: f64) -> Self {
        Self {
            front_c: ambient_c,
            rear_c: ambient_c,
        }
    }

    /// Writes or reads the temperatures.
    pub(crate) fn packed<B: Bits>(this: Option<&Self>, b: &mut B) -> Option<Self> {
        b.bit(this.is_some()).then(|| {
            let Self { front_c, rear_c } = this.copied().unwrap_or(Self::cold(0.0));
            let front_c = b.float(front_c, 0.0);
            Self {
                front_c,
                rear_c: b.float(rear_c, front_c),
            }
        })
    }

    /// Returns the temperature of the hotter axle, °C.
    pub fn hottest_c(self) -> f64 {
        self.front_c.max(self.rear_c)
    }

    /// Advances by `duration_s` with `friction_j` of friction work at all wheels spread evenly over it, at mean speed
    /// `speed_mps`. Returns `false`, changing nothing, when the class has no heat capacities.
    ///
    /// Integrated by the implicit Euler method: stable for any step, and free of functions whose rounding depends on
    /// the platform.
    pub fn advance(
        &mut self,
        class: &VehicleClass,
        friction_j: f64,
        duration_s: f64,
        speed_mps: f64,
        ambient_c: f64,
    ) -> bool {
        let (Some(front), Some(rear)) = (
            class.front_heat_capacity_j_per_k,
            class.rear_heat_capacity_j_per_k,
        ) else {
            return false;
        };
        if duration_s <= 0.0 {
            return true;
        }
        let cooling = class.cooling_still_w_per_k + class.cooling_moving_w_per_k_mps * speed_mps;
        let steps = ((duration_s / LONGEST_STEP_S).ceil() as u32).clamp(1, MOST_STEPS);
        let dt = duration_s / f64::from(steps);
        let power = friction_j.max(0.0) / duration_s;
        for (temperature, share, capacity) in [
            (&mut self.front_c, class.front_share, front),
            (&mut self.rear_c, 1.0 - class.front_share, rear),
        ] {
            for _ in 0..steps {
                *temperature = (*temperature + dt * (share * power + cooling * ambient_c) / capacity)
                    / (1.0 + dt * cooling / capacity);
            }
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class() -> VehicleClass {
        toml::from_str(
            "vehicle_class='v'\nmass_kg=2500.0\nrolling_coefficient=0.01\ndrag_area_m2=1.2\n\
             max_recovery_power_w=100e3\nnominal_voltage_v=360.0\nfront_heat_capacity_j_per_k=10e3\n\
             rear_heat_capacity_j_per_k=8e3\nfront_share=0.6",
        )
        .unwrap()
    }

    #[test]
    fn steady_power_follows_the_closed_form() {
        // T = Ta + P/h + (T0 − Ta − P/h)·exp(−t·h/C), the analytic solution of the lumped model.
        let class = class();
        let mut brakes = Brakes::cold(20.0);
        let (power, speed) = (5_000.0, 12.0);
        for _ in 0..600 {
            brakes.advance(&class, power, 1.0, speed, 20.0);
        }
        let h = class.cooling_still_w_per_k + class.cooling_moving_w_per_k_mps * speed;
        let rise = 0.6 * power / h * (1.0 - (-600.0 * h / 10e3_f64).exp());
        assert!(
            (brakes.front_c - 20.0 - rise).abs() < 0.005 * rise,
            "{} {rise}",
            brakes.front_c
        );
    }

    #[test]
    fn without_cooling_all_heat_stays() {
        // c·m·ΔT = E: the textbook's truck brakes without losses.
        let mut class = class();
        class.cooling_still_w_per_k = 0.0;
        class.cooling_moving_w_per_k_mps = 0.0;
        let mut brakes = Brakes::cold(15.0);
        brakes.advance(&class, 1e6, 100.0, 10.0, 15.0);
        assert!((brakes.front_c - 15.0 - 60.0).abs() < 1e-9);
        assert!((brakes.rear_c - 15.0 - 50.0).abs() < 1e-9);
    }

    #[test]
    fn a_long_stand_ends_at_ambient_temperature_and_never_below() {
        let class = class();
        let mut brakes = Brakes {
            front_c: 300.0,
            rear_c: 250.0,
        };
        brakes.advance(&class, 0.0, 1e6, 0.0, 10.0);
        assert!(brakes.hottest_c() >= 10.0 && brakes.hottest_c() < 10.1);
    }
}
