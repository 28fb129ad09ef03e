//! Wear of the friction brakes by axle, from friction work, until a recorded service; and what follows from it.
//!
//! Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified
//! technician.

use serde::{Deserialize, Serialize};

use crate::class::VehicleClass;

/// Temperature up to which wear per joule is constant, °C (assumption).
const MILD_C: f64 = 200.0;
/// Temperature at which wear per joule has grown to [`HOT_FACTOR`], °C.
const HOT_C: f64 = 400.0;
/// Wear per joule at [`HOT_C`] over that at mild temperature: a trade article gives up to four times; between the two
/// temperatures a straight line is assumed.
const HOT_FACTOR: f64 = 4.0;
/// Deceleration by friction alone that cleans the rotors, m/s² (common practice, no source).
pub const FIRM_MPS2: f64 = 1.0;
/// How long it must last, ms.
pub const FIRM_MS: i64 = 1_000;

/// One axle, or both.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Axle {
    /// Front axle.
    Front,
    /// Rear axle or axles.
    Rear,
    /// All axles.
    Both,
}

/// Account of one axle's brakes since their last service.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct AxleWear {
    /// Pad thickness lost, µm; 0 when the class has no wear data.
    pub worn_um: f64,
    /// Friction work, J.
    pub friction_j: f64,
    /// Distance driven, m.
    pub distance_m: f64,
    /// Event time of the service, or of the first sample, ms since the Unix epoch.
    pub since_ms: Option<i64>,
}

/// Account of a vehicle's brakes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Wear {
    /// Front axle.
    pub front: AxleWear,
    /// Rear axle or axles.
    pub rear: AxleWear,
    /// Descents that went above the inspection temperature of the class, since the last service of any axle.
    pub hot_descents: u32,
    /// Event time of the last firm friction stop, ms since the Unix epoch.
    pub last_firm_ms: Option<i64>,
    /// Distance at that moment, m since the vehicle is known.
    pub last_firm_m: f64,
    /// Highest estimated temperature since the last service of any axle, °C.
    pub hottest_c: Option<f64>,
    firm_ms: i64,
}

/// Returns how many times the mild wear per joule a brake wears at a temperature, 1 to 4.
///
/// ```
/// use coldbrake_engine::wear::temperature_factor;
/// assert_eq!(temperature_factor(80.0), 1.0);
/// assert_eq!(temperature_factor(300.0), 2.5);
/// assert_eq!(temperature_factor(600.0), 4.0);
/// ```
pub fn temperature_factor(temperature_c: f64) -> f64 {
    let t = ((temperature_c - MILD_C) / (HOT_C - MILD_C)).clamp(0.0, 1.0);
    1.0 + t * (HOT_FACTOR - 1.0)
}

/// A stretch of road as the brakes saw it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Worn {
    pub(crate) friction_j: f64,
    pub(crate) distance_m: f64,
    pub(crate) front_c: Option<f64>,
    pub(crate) rear_c: Option<f64>,
    pub(crate) time_ms: i64,
}

impl Wear {
    pub(crate) fn add(&mut self, class: &VehicleClass, w: &Worn) {
        for (axle, share, rate, temperature) in [
            (
                &mut self.front,
                class.front_share,
                class.front_pad_wear_um_per_mj,
                w.front_c,
            ),
            (
                &mut self.rear,
                1.0 - class.front_share,
                class.rear_pad_wear_um_per_mj,
                w.rear_c,
            ),
        ] {
            let friction_j = share * w.friction_j;
            axle.friction_j += friction_j;
            axle.distance_m += w.distance_m;
            axle.since_ms.get_or_insert(w.time_ms);
            if let Some(rate) = rate {
                axle.worn_um += rate * friction_j * 1e-6 * temperature.map_or(1.0, temperature_factor);
            }
        }
        if let Some(t) = w.front_c.max_of(w.rear_c) {
            self.hottest_c = Some(self.hottest_c.map_or(t, |h| h.max(t)));
        }
    }

    /// Follows the deceleration by friction; a firm stop is noted once it has lasted.
    pub(crate) fn follow(&mut self, friction_mps2: f64, duration_ms: i64, time_ms: i64, distance_m: f64) {
        if friction_mps2 < FIRM_MPS2 {
            self.firm_ms = 0;
            return;
        }
        self.firm_ms += duration_ms;
        if self.firm_ms >= FIRM_MS {
            self.last_firm_ms = Some(time_ms);
            self.last_firm_m = distance_m;
        }
    }

    /// Begins the account of the serviced axle anew.
    pub(crate) fn service(&mut self, axle: Axle, time_ms: i64) {
        let fresh = AxleWear {
            since_ms: Some(time_ms),
            ..AxleWear::default()
        };
        if axle != Axle::Rear {
            self.front = fresh;
        }
        if axle != Axle::Front {
            self.rear = fresh;
        }
        self.hot_descents = 0;
        self.hottest_c = None;
    }
}

/// The larger of two optional numbers.
trait MaxOf {
    fn max_of(self, other: Self) -> Self;
}

impl MaxOf for Option<f64> {
    fn max_of(self, other: Self) -> Self {
        match (self, other) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        }
    }
}

/// What an axle's account foretells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Share of the usable pad thickness that is left, 0 to 1.
    pub left: f64,
    /// Lower end of its interval.
    pub left_low: f64,
    /// Upper end of its interval.
    pub left_high: f64,
    /// Distance to the wear limit at the pace so far, km; `None` while there is too little to tell.
    pub km_to_limit: Option<f64>,
    /// Lower end of its interval.
    pub km_to_limit_low: Option<f64>,
    /// Upper end of its interval.
    pub km_to_limit_high: Option<f64>,
    /// Days to the wear limit at the pace so far.
    pub days_to_limit: Option<f64>,
    /// Lower end of its interval.
    pub days_to_limit_low: Option<f64>,
    /// Upper end of its interval.
    pub days_to_limit_high: Option<f64>,
}

/// Distance from which a pace means something, m.
const PACE_DISTANCE_M: f64 = 100e3;
/// Standard deviations of the interval: 95 %.
const Z: f64 = 1.96;

/// Returns the forecast of an axle; `None` when the class has no pad data.
///
/// `usable_mm` is the thickness of a new pad less the wear limit, `uncertainty` the relative standard uncertainty of wear
/// per joule, `now_ms` the event time of the last sample. Remaining distance = usable thickness left over wear per km so
/// far; days likewise.
pub fn forecast(wear: &AxleWear, usable_mm: Option<f64>, uncertainty: f64, now_ms: i64) -> Option<Forecast> {
    let usable_um = usable_mm? * 1e3;
    let span = |factor: f64| {
        let worn = wear.worn_um * factor;
        let left = ((usable_um - worn) / usable_um).clamp(0.0, 1.0);
        let pace = |over: f64| (worn > 0.0 && over > 0.0).then(|| left * usable_um / worn * over);
        let known = wear.distance_m >= PACE_DISTANCE_M;
        let km = pace(wear.distance_m * 1e-3).filter(|_| known);
        let days = wear
            .since_ms
            .and_then(|since| pace((now_ms - since) as f64 / 86_400e3))
            .filter(|_| known);
        (left, km, days)
    };
    let (left, km, days) = span(1.0);
    let (left_low, km_low, days_low) = span(1.0 + Z * uncertainty);
    let (left_high, km_high, days_high) = span((1.0 - Z * uncertainty).max(0.05));
    Some(Forecast {
        left,
        left_low,
        left_high,
        km_to_limit: km,
        km_to_limit_low: km_low,
        km_to_limit_high: km_high,
        days_to_limit: days,
        days_to_limit_low: days_low,
        days_to_limit_high: days_high,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pad_worn_by_half_lasts_as_long_again() {
        let wear = AxleWear {
            worn_um: 4000.0,
            friction_j: 1e9,
            distance_m: 50e6,
            since_ms: Some(0),
        };
        let f = forecast(&wear, Some(8.0), 0.2, 500 * 86_400_000).unwrap();
        assert!((f.left - 0.5).abs() < 1e-12);
        assert!((f.km_to_limit.unwrap() - 50_000.0).abs() < 1e-6);
        assert!((f.days_to_limit.unwrap() - 500.0).abs() < 1e-9);
        assert!(f.left_low < f.left && f.left < f.left_high);
        assert!(f.km_to_limit_low < f.km_to_limit && f.km_to_limit < f.km_to_limit_high);
    }

    #[test]
    fn little_driving_gives_no_pace() {
        let wear = AxleWear {
            worn_um: 1.0,
            friction_j: 1e5,
            distance_m: 2e3,
            since_ms: Some(0),
        };
        let f = forecast(&wear, Some(8.0), 0.2, 86_400_000).unwrap();
        assert_eq!(f.km_to_limit, None);
        assert!(f.left > 0.99);
        assert_eq!(forecast(&wear, None, 0.2, 0), None);
    }

    #[test]
    fn a_service_starts_one_axle_anew() {
        let mut w = Wear::default();
        w.front.worn_um = 5.0;
        w.rear.worn_um = 3.0;
        w.service(Axle::Front, 77);
        assert_eq!((w.front.worn_um, w.front.since_ms), (0.0, Some(77)));
        assert!((w.rear.worn_um - 3.0).abs() < 1e-12);
    }

    #[test]
    fn only_a_lasting_firm_stop_counts() {
        let mut w = Wear::default();
        w.follow(1.5, 600, 1_000, 0.0);
        w.follow(0.2, 200, 1_200, 0.0);
        w.follow(1.5, 600, 1_800, 0.0);
        assert_eq!(w.last_firm_ms, None);
        w.follow(1.5, 600, 2_400, 9.0);
        assert_eq!(w.last_firm_ms, Some(2_400));
    }
}
