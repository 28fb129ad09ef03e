//! What an account of wear foretells: thickness left, and distance and days to the wear limit, with their intervals.

use super::AxleWear;

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
            ..AxleWear::default()
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
            ..AxleWear::default()
        };
        let f = forecast(&wear, Some(8.0), 0.2, 86_400_000).unwrap();
        assert_eq!(f.km_to_limit, None);
        assert!(f.left > 0.99);
        assert_eq!(forecast(&wear, None, 0.2, 0), None);
    }
}
