//! Air density from altitude.

const SEA_LEVEL_TEMPERATURE_K: f64 = 288.15;
const SEA_LEVEL_PRESSURE_PA: f64 = 101_325.0;
const LAPSE_K_PER_M: f64 = 0.0065;
const GAS_CONSTANT: f64 = 287.052_87;
const EARTH_RADIUS_M: f64 = 6_356_766.0;

/// Returns the air density at an altitude, kg/m³: the standard atmosphere's pressure (ISO 2533, troposphere), with the
/// ambient temperature instead of the standard one where it is known.
///
/// `altitude_m` is geometric, clamped to −500 to 9000 m; `ambient_c` in °C.
///
/// ```
/// use coldbrake_engine::atmosphere::air_density;
/// assert!((air_density(2000.0, None) - 1.0066).abs() < 5e-5);
/// assert!(air_density(2000.0, Some(-20.0)) > 1.0066);
/// ```
pub fn air_density(altitude_m: f64, ambient_c: Option<f64>) -> f64 {
    let z = altitude_m.clamp(-500.0, 9_000.0);
    let h = EARTH_RADIUS_M * z / (EARTH_RADIUS_M + z);
    let standard_k = SEA_LEVEL_TEMPERATURE_K - LAPSE_K_PER_M * h;
    let exponent = crate::constants::STANDARD_GRAVITY / (GAS_CONSTANT * LAPSE_K_PER_M);
    let pressure = SEA_LEVEL_PRESSURE_PA * (standard_k / SEA_LEVEL_TEMPERATURE_K).powf(exponent);
    let temperature = ambient_c.map_or(standard_k, |c| c + 273.15);
    pressure / (GAS_CONSTANT * temperature)
}
