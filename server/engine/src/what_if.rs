//! What the brakes would come to if recovery were lost on a road: a full battery at the summit, or a fault.
//!
//! The vehicle goes down at a steady speed. What gravity does beyond road load and the recovery that is left, friction takes,
//! and the thermal model of [`crate::thermal`] follows both axles along the road. Where the road climbs or road load is
//! enough, the brakes only cool.
//!
//! Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified
//! technician.

use crate::{atmosphere::air_density, class::VehicleClass, constants::TYPE_II_DROP_M, thermal::Brakes};

/// Longest step along the road, s: short against the time constants of brakes (10 to 40 min).
const STEP_S: f64 = 4.0;
/// Slowest speed that is looked at, m/s.
pub const SLOWEST_MPS: f64 = 2.0;
/// Step of the search for the greatest speed, m/s, before it is refined.
const SEARCH_MPS: f64 = 0.25;

/// A point of the road.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RoadPoint {
    /// Distance from the top, m.
    pub distance_m: f64,
    /// Altitude, m.
    pub altitude_m: f64,
}

/// Circumstances of a descent without recovery.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Circumstances {
    /// Mass, kg.
    pub mass_kg: f64,
    /// Recovery that is left, W at the wheels; 0 when it is lost altogether.
    pub recovery_w: f64,
    /// Ambient temperature, °C.
    pub ambient_c: f64,
    /// Temperature of the brakes at the top, °C.
    pub start_c: f64,
}

/// What a descent at one speed comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Temperature of the hotter axle's brakes at the bottom, °C.
    pub bottom_c: f64,
    /// Largest temperature on the way, °C.
    pub peak_c: f64,
    /// Temperature after one stop from that speed at the bottom, or the peak on the way if that is larger, °C.
    pub after_stop_c: f64,
    /// Friction work on the way, J.
    pub friction_j: f64,
    /// Braking work on the way, by friction and recovery, as a multiple of that of the Type-II test of UN Regulation No. 13
    /// (6 km at 6 %, quoted from memory).
    pub type_ii_multiple: f64,
    /// Duration, s.
    pub duration_s: f64,
}

/// Up to which speed the brakes stay below a temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum GreatestSpeed {
    /// At any speed looked at.
    Any,
    /// Up to this speed, m/s.
    UpTo(f64),
    /// Not even at [`SLOWEST_MPS`].
    None,
}

/// Returns what a descent at a steady speed comes to; `None` when the class has no heat capacities, the road has no two
/// points, or the speed is not above 0.
pub fn heat(class: &VehicleClass, road: &[RoadPoint], c: &Circumstances, speed_mps: f64) -> Option<Heat> {
    let (front_c, rear_c) = (
        class.front_heat_capacity_j_per_k?,
        class.rear_heat_capacity_j_per_k?,
    );
    if road.len() < 2 || !speed_mps.is_finite() || speed_mps <= 0.0 || c.mass_kg <= 0.0 {
        return None;
    }
    let gravity = class.gravity();
    let mut brakes = Brakes::cold(c.start_c);
    let (mut peak_c, mut friction_j, mut braking_j, mut duration_s) = (c.start_c, 0.0, 0.0, 0.0);
    for pair in road.windows(2) {
        let &[from, to] = pair else { continue };
        let length = to.distance_m - from.distance_m;
        if length <= 0.0 {
            continue;
        }
        let altitude = 0.5 * (from.altitude_m + to.altitude_m);
        let density = class
            .air_density_kg_m3
            .unwrap_or_else(|| air_density(altitude, Some(c.ambient_c)));
        let slope = (from.altitude_m - to.altitude_m) / length;
        let force = c.mass_kg * gravity * slope - class.road_load_n(c.mass_kg, speed_mps, density);
        let power = (force * speed_mps).max(0.0);
        let friction_w = (power - c.recovery_w.max(0.0)).max(0.0);
        let seconds = length / speed_mps;
        let steps = (seconds / STEP_S).ceil().clamp(1.0, 1e4);
        for _ in 0..steps as u32 {
            let dt = seconds / steps;
            brakes.advance(class, friction_w * dt, dt, speed_mps, c.ambient_c);
            peak_c = peak_c.max(brakes.hottest_c());
        }
        friction_j += friction_w * seconds;
        braking_j += power * seconds;
        duration_s += seconds;
    }
    let stop_j = 0.5 * c.mass_kg * (1.0 + class.rotating_mass_factor) * speed_mps * speed_mps;
    let stopped = Brakes {
        front_c: brakes.front_c + class.front_share * stop_j / front_c,
        rear_c: brakes.rear_c + (1.0 - class.front_share) * stop_j / rear_c,
    };
    Some(Heat {
        bottom_c: brakes.hottest_c(),
        peak_c,
        after_stop_c: stopped.hottest_c().max(peak_c),
        friction_j,
        type_ii_multiple: braking_j / (c.mass_kg * gravity * TYPE_II_DROP_M),
        duration_s,
    })
}

/// Returns up to which speed the brakes stay below `limit_c` on the way and after one stop at the bottom: every slower speed
/// does too. `fastest_mps` bounds the search. `None` as for [`heat`].
pub fn greatest_speed(
    class: &VehicleClass,
    road: &[RoadPoint],
    c: &Circumstances,
    limit_c: f64,
    fastest_mps: f64,
) -> Option<GreatestSpeed> {
    let below = |speed: f64| heat(class, road, c, speed).map(|h| h.after_stop_c < limit_c);
    if !below(SLOWEST_MPS)? {
        return Some(GreatestSpeed::None);
    }
    // Faster is not always hotter (air resistance, less time to cool): from below, step by step, then halving.
    let mut good = SLOWEST_MPS;
    while good < fastest_mps {
        let next = (good + SEARCH_MPS).min(fastest_mps);
        if below(next)? {
            good = next;
            continue;
        }
        let mut bad = next;
        for _ in 0..6 {
            let middle = 0.5 * (good + bad);
            if below(middle)? {
                good = middle;
            } else {
                bad = middle;
            }
        }
        return Some(GreatestSpeed::UpTo(good));
    }
    Some(GreatestSpeed::Any)
}

#[cfg(test)]
mod tests;
