//! The mass of a vehicle, estimated while the motor drives it.
//!
//! Over a chunk of road in propulsion, energy is conserved:
//!
//! y = m·x, with y = battery work · efficiency − work against the air, and
//! x = ½·(1 + rotating-mass factor)·Δ(v²) + g·Δh + rolling coefficient · g · Δs, the work per kilogram.
//!
//! x carries the noise of the altitude, y hardly any. So x is regressed on y and the slope inverted: noise in the
//! explained quantity does not bend a slope, while y on x would lean towards small masses. Chunks count when y asks for at
//! least `LEAST_DEMAND_MPS2`: on the level at steady speed the unknown wind decides, not the mass.
//!
//! Sums are kept, no samples: the state is constant in size. They begin anew when the vehicle stands for so long that its
//! load may have changed.

use serde::{Deserialize, Serialize};

use crate::{bits::Bits, class::VehicleClass, flow::Stretch, phase::Phase};

const PROPULSION: usize = Phase::Propulsion as usize;
/// Length of a chunk, m.
const CHUNK_M: f64 = 100.0;
/// Shortest chunk that counts, m.
const SHORTEST_M: f64 = 20.0;
/// Force per mass that a chunk must ask for on average, m/s²: a climb of 2.5 %, or picking up speed.
const LEAST_DEMAND_MPS2: f64 = 0.25;
/// Chunks from which an estimate is given.
const LEAST_CHUNKS: f64 = 8.0;
/// Work per mass that all chunks together must amount to, J/kg: 40 m of climb, or 28 m/s once from standstill.
const LEAST_WORK: f64 = 400.0;
/// Standing from which the load may have changed, ms.
const LOADING_MS: i64 = 180_000;
/// Standing from which it may have changed a little (passengers, a parcel), ms; half of what is known is then given up.
const STOP_MS: i64 = 20_000;
/// Wind along the road that may go on for hours, m/s, as a standard deviation (common practice, no source).
const WIND_MPS: f64 = 2.0;
/// Relative standard uncertainty of the auxiliary power (common practice, no source).
const AUXILIARY_UNCERTAINTY: f64 = 0.3;
/// Deviations beyond which a chunk counts less.
const HUBER: f64 = 2.0;
/// Smallest deviation of a chunk that is believed, relative.
const LEAST_DEVIATION: f64 = 0.02;
/// Largest relative uncertainty with which an estimate is given.
const LARGEST_UNCERTAINTY: f64 = 0.15;

/// An estimated mass.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MassEstimate {
    /// Mass, kg.
    pub mass_kg: f64,
    /// Its relative standard uncertainty: scatter of the chunks, efficiency, road load, wind, auxiliaries and battery sensors.
    pub uncertainty: f64,
}

/// A chunk under way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Chunk {
    length_m: f64,
    moving_s: f64,
    /// Work per mass, J/kg.
    x: f64,
    /// Battery work at the wheels, J.
    driven: f64,
    /// Work against the air, or against the whole road load where it is not split, J.
    air: f64,
    /// Rolling work at the mass in use, J.
    rolling: f64,
    /// Auxiliary energy at the wheels, J.
    auxiliary: f64,
}

/// Weighted sums over chunks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Sums {
    chunks: f64,
    work: f64,
    xx: f64,
    xy: f64,
    yy: f64,
    driven: f64,
    air: f64,
    wind: f64,
    rolling: f64,
    auxiliary: f64,
}

/// The estimator of one vehicle.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct MassEstimator {
    open: Chunk,
    sums: Sums,
}

/// What a settled stretch of road tells.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Evidence<'a> {
    pub(crate) stretch: &'a Stretch,
    /// Change of the settled altitude, m.
    pub(crate) rise_m: f64,
    /// Mass with which the stretch was computed, kg.
    pub(crate) mass_kg: f64,
    /// Whether altitude and samples of the stretch can be trusted.
    pub(crate) sound: bool,
}

impl MassEstimator {
    /// Writes or reads the sums.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B) -> Self {
        let (c, s) = (&self.open, &self.sums);
        let mut sum = |value: f64| b.float(value, 0.0);
        Self {
            open: Chunk {
                length_m: sum(c.length_m),
                moving_s: sum(c.moving_s),
                x: sum(c.x),
                driven: sum(c.driven),
                air: sum(c.air),
                rolling: sum(c.rolling),
                auxiliary: sum(c.auxiliary),
            },
            sums: Sums {
                chunks: sum(s.chunks),
                work: sum(s.work),
                xx: sum(s.xx),
                xy: sum(s.xy),
                yy: sum(s.yy),
                driven: sum(s.driven),
                air: sum(s.air),
                wind: sum(s.wind),
                rolling: sum(s.rolling),
                auxiliary: sum(s.auxiliary),
            },
        }
    }

    /// Takes a settled stretch.
    pub(crate) fn take(&mut self, class: &VehicleClass, e: &Evidence<'_>) {
        let s = e.stretch;
        self.stood(s.duration_ms - s.moving_ms);
        let length = s.length();
        if length == 0 {
            return;
        }
        let driven = s.distance[PROPULSION] == length && s.uncovered_ms == 0 && e.sound && e.mass_kg > 0.0;
        if !driven {
            self.close(class);
            return;
        }
        let gravity = class.gravity();
        let efficiency = class.propulsion_efficiency();
        let metres = length as f64 * 1e-3;
        let per_kg = class.rolling_coefficient.unwrap_or(0.0) * gravity * metres;
        let rolling = per_kg * e.mass_kg;
        let c = &mut self.open;
        c.length_m += metres;
        c.moving_s += s.moving_ms as f64 * 1e-3;
        c.x += s.kinetic[PROPULSION] as f64 * 1e-3 / e.mass_kg + gravity * e.rise_m + per_kg;
        c.driven -= s.motor as f64 * 1e-3 * efficiency;
        c.air += s.road[PROPULSION] as f64 * 1e-3 - rolling;
        c.rolling += rolling;
        c.auxiliary += s.auxiliary as f64 * 1e-3 * efficiency;
        if c.length_m >= CHUNK_M {
            self.close(class);
        }
    }

    /// Forgets what the load was before a stand.
    pub(crate) fn stood(&mut self, standing_ms: i64) {
        if standing_ms >= LOADING_MS {
            *self = Self::default();
        } else if standing_ms >= STOP_MS {
            self.sums.fade();
        }
    }

    /// Counts the chunk under way, if it says something.
    fn close(&mut self, class: &VehicleClass) {
        let c = std::mem::take(&mut self.open);
        let y = c.driven - c.air;
        if c.length_m < SHORTEST_M || y < LEAST_DEMAND_MPS2 * class.mass_kg * c.length_m || c.x <= 0.0 {
            return;
        }
        let speed = c.length_m / c.moving_s.max(1e-3);
        // Air resistance grows with the square of the speed through the air.
        let wind = c.air * 2.0 * WIND_MPS / speed.max(WIND_MPS);
        let w = self.sums.weight(c.x, y);
        let s = &mut self.sums;
        s.chunks += w;
        s.work += w * c.x;
        s.xx += w * c.x * c.x;
        s.xy += w * c.x * y;
        s.yy += w * y * y;
        s.driven += w * y * c.driven;
        s.air += w * y * c.air;
        s.wind += w * y * wind;
        s.rolling += w * y * c.rolling;
        s.auxiliary += w * y * c.auxiliary;
    }

    /// Returns the estimate; `None` when it can't tell.
    pub(crate) fn estimate(&self, class: &VehicleClass) -> Option<MassEstimate> {
        let s = &self.sums;
        if s.chunks < LEAST_CHUNKS || s.work < LEAST_WORK || s.xy <= 0.0 {
            return None;
        }
        let share = |of: f64| of / s.yy;
        let efficiency = class
            .recovery_efficiency_uncertainty
            .hypot(class.battery_energy_uncertainty);
        let parts = [
            s.deviation() * (1.0 + 2.0 / s.chunks) / s.chunks.sqrt(),
            share(s.driven) * efficiency,
            share(s.air + s.rolling) * class.road_load_uncertainty,
            share(s.wind),
            share(s.auxiliary) * AUXILIARY_UNCERTAINTY,
        ];
        let uncertainty = parts.iter().map(|p| p * p).sum::<f64>().sqrt();
        (uncertainty <= LARGEST_UNCERTAINTY).then_some(MassEstimate {
            mass_kg: s.yy / s.xy,
            uncertainty,
        })
    }
}

impl Sums {
    /// Scatter of chunks about the line, relative to the root mean square of y.
    fn deviation(&self) -> f64 {
        let slope = self.xy / self.yy;
        let rest = (self.xx - slope * self.xy).max(0.0) / (self.chunks - 1.0).max(1.0);
        rest.sqrt() / (slope * (self.yy / self.chunks).sqrt())
    }

    /// Weight of a chunk: less the farther it lies from the line (Huber).
    fn weight(&self, x: f64, y: f64) -> f64 {
        if self.chunks < 4.0 || self.xy <= 0.0 {
            return 1.0;
        }
        let typical = (self.yy / self.chunks).sqrt();
        let off = (x * self.yy / self.xy - y).abs() / typical;
        let allowed = HUBER * self.deviation().max(LEAST_DEVIATION);
        if off > allowed { allowed / off } else { 1.0 }
    }

    fn fade(&mut self) {
        for sum in [
            &mut self.chunks,
            &mut self.work,
            &mut self.xx,
            &mut self.xy,
            &mut self.yy,
            &mut self.driven,
            &mut self.air,
            &mut self.wind,
            &mut self.rolling,
            &mut self.auxiliary,
        ] {
            *sum *= 0.5;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class() -> VehicleClass {
        toml::from_str(
            "vehicle_class='v'\nmass_kg=2500.0\nrotating_mass_factor=0.04\nrolling_coefficient=0.01\ndrag_area_m2=1.2\n\
             max_recovery_power_w=100e3\nnominal_voltage_v=360.0\nrecovery_efficiency=0.9",
        )
        .unwrap()
    }

    /// A stretch of 10 m up a gradient at 15 m/s by a vehicle of some mass, computed by hand.
    fn climb(mass: f64, gradient: f64) -> (Stretch, f64) {
        let rise = 10.0 * gradient;
        let air = 0.5 * 1.2 * 1.2 * 225.0 * 10.0;
        let work = mass * 9.806_65 * (rise + 0.01 * 10.0) + air;
        let assumed = 2_500.0 * 9.806_65 * 0.01 * 10.0;
        let milli = |x: f64| (x * 1e3).round() as i64;
        let stretch = Stretch {
            duration_ms: 667,
            moving_ms: 667,
            distance: [0, 10_000, 0],
            road: [0, milli(air + assumed), 0],
            motor: milli(-work / 0.9),
            auxiliary: 300_000,
            ..Stretch::default()
        };
        (stretch, rise)
    }

    fn drive(e: &mut MassEstimator, mass: f64, gradients: impl Iterator<Item = f64>) {
        for g in gradients {
            let (stretch, rise_m) = climb(mass, g);
            let evidence = Evidence {
                stretch: &stretch,
                rise_m,
                mass_kg: 2_500.0,
                sound: true,
            };
            e.take(&class(), &evidence);
        }
    }

    #[test]
    fn the_mass_that_the_work_asks_for_is_found() {
        for mass in [2_000.0, 2_500.0, 4_000.0] {
            let mut e = MassEstimator::default();
            drive(&mut e, mass, (0..200).map(|i| 0.03 + 0.0001 * f64::from(i)));
            let found = e.estimate(&class()).unwrap();
            assert!((found.mass_kg / mass - 1.0).abs() < 1e-4, "{mass} {found:?}");
            assert!((0.02..0.08).contains(&found.uncertainty), "{found:?}");
        }
    }

    #[test]
    fn a_level_road_tells_nothing() {
        let mut e = MassEstimator::default();
        drive(&mut e, 2_500.0, std::iter::repeat_n(0.0, 2_000));
        assert_eq!(e.estimate(&class()), None);
    }

    #[test]
    fn a_long_stand_forgets_and_a_short_one_doubts() {
        let mut e = MassEstimator::default();
        drive(&mut e, 4_000.0, std::iter::repeat_n(0.05, 200));
        let known = e.sums.chunks;
        e.stood(30_000);
        assert!((e.sums.chunks - 0.5 * known).abs() < 1e-9);
        assert!(e.estimate(&class()).is_some());
        e.stood(LOADING_MS);
        assert_eq!(e, MassEstimator::default());
    }

    #[test]
    fn an_outlier_hardly_counts() {
        let mut e = MassEstimator::default();
        drive(&mut e, 3_000.0, std::iter::repeat_n(0.05, 200));
        // A head wind or a tunnel: ten times the work that the road explains.
        drive(&mut e, 30_000.0, std::iter::repeat_n(0.05, 10));
        let found = e.estimate(&class()).unwrap();
        let without = 3_000.0;
        assert!(found.mass_kg / without < 1.2, "{found:?}");
    }
}
