//! What the brakes would come to on a recorded road if recovery were lost.

use coldbrake_engine::{
    Descent, ProfilePoint, VehicleClass, Violation,
    thermal::ASSUMED_AMBIENT_C,
    what_if::{Circumstances, GreatestSpeed, RoadPoint, greatest_speed, heat},
};
use coldbrake_proto::v1::{
    ComputeLostRecoveryRequest, ComputeLostRecoveryResponse, LostRecoveryMass, LostRecoverySpeed,
};

use crate::status::Refusal;

/// Speeds that are looked at when none is asked for, m/s.
const SPEEDS_MPS: [f64; 5] = [5.0, 10.0, 15.0, 20.0, 25.0];
/// Fastest speed that is looked at, m/s.
const FASTEST_MPS: f64 = 40.0;
const MOST_MASSES: usize = 8;
const MOST_SPEEDS: usize = 16;

/// Returns the road of a descent, the top first.
fn road(descent: &Descent, profile: &[ProfilePoint]) -> Vec<RoadPoint> {
    let top = RoadPoint {
        distance_m: 0.0,
        altitude_m: descent.top_altitude_m,
    };
    let below = profile.iter().map(|p| RoadPoint {
        distance_m: f64::from(p.distance_m),
        altitude_m: f64::from(p.altitude_m),
    });
    std::iter::once(top).chain(below).collect()
}

/// Says everything that is wrong with the numbers of a request.
pub(super) fn check(request: &ComputeLostRecoveryRequest) -> Result<(), Refusal> {
    let mut wrong = Vec::new();
    let mut within = |field: &str, values: &[f64], low: f64, high: f64, most: usize| {
        if values.len() > most {
            wrong.push(Violation {
                field: field.to_owned(),
                description: format!("holds {} values: give at most {most}", values.len()),
            });
        } else if let Some(bad) = values.iter().find(|v| !(low..=high).contains(*v)) {
            wrong.push(Violation {
                field: field.to_owned(),
                description: format!("is {bad}: give {low} to {high}"),
            });
        }
    };
    within("masses_kg", &request.masses_kg, 100.0, 200e3, MOST_MASSES);
    within("speeds_mps", &request.speeds_mps, 1.0, FASTEST_MPS, MOST_SPEEDS);
    within("recovery_left_w", &[request.recovery_left_w], 0.0, 5e6, 1);
    within("ambient_c", request.ambient_c.as_slice(), -60.0, 60.0, 1);
    within("start_c", request.start_c.as_slice(), -60.0, 600.0, 1);
    if wrong.is_empty() {
        Ok(())
    } else {
        Err(Refusal::BadFields(wrong))
    }
}

/// Returns the answer for a road.
pub(super) fn compute(
    request: &ComputeLostRecoveryRequest,
    class: &VehicleClass,
    descent: &Descent,
    profile: &[ProfilePoint],
) -> Result<ComputeLostRecoveryResponse, Refusal> {
    let road = road(descent, profile);
    let ambient_c = request
        .ambient_c
        .or(descent.ambient_c)
        .unwrap_or(ASSUMED_AMBIENT_C);
    let start_c = request
        .start_c
        .or(descent.brake_temperature_start_c)
        .unwrap_or(ambient_c)
        .max(ambient_c);
    let masses = if request.masses_kg.is_empty() {
        vec![class.mass_kg]
    } else {
        request.masses_kg.clone()
    };
    let speeds: &[f64] = if request.speeds_mps.is_empty() {
        &SPEEDS_MPS
    } else {
        &request.speeds_mps
    };
    let limit_c = class.inspection_temperature_c;
    let of_mass = |mass_kg: f64| {
        let c = Circumstances {
            mass_kg,
            recovery_w: request.recovery_left_w / class.recovery_efficiency,
            ambient_c,
            start_c,
        };
        let rows: Option<Vec<LostRecoverySpeed>> = speeds
            .iter()
            .map(|&speed_mps| {
                heat(class, &road, &c, speed_mps).map(|h| LostRecoverySpeed {
                    speed_mps,
                    bottom_c: h.bottom_c,
                    peak_c: h.peak_c,
                    after_stop_c: h.after_stop_c,
                    friction_j: h.friction_j,
                    duration_s: h.duration_s,
                    type_ii_multiple: h.type_ii_multiple,
                })
            })
            .collect();
        let greatest = greatest_speed(class, &road, &c, limit_c, FASTEST_MPS)?;
        Some(LostRecoveryMass {
            mass_kg,
            speeds: rows?,
            greatest_speed_mps: match greatest {
                GreatestSpeed::UpTo(v) => Some(v),
                GreatestSpeed::Any | GreatestSpeed::None => None,
            },
            any_speed: greatest == GreatestSpeed::Any,
        })
    };
    let masses: Option<Vec<LostRecoveryMass>> = masses.into_iter().map(of_mass).collect();
    let Some(masses) = masses else {
        let text = format!(
            "`{}` has no heat capacities, or the descent no profile: add front_heat_capacity_j_per_k and \
             rear_heat_capacity_j_per_k to the class",
            class.vehicle_class
        );
        return Err(Refusal::field("vehicle_class", text));
    };
    Ok(ComputeLostRecoveryResponse {
        vehicle_class: class.vehicle_class.clone(),
        drop_m: descent.drop_m,
        distance_m: road.last().map_or(0.0, |p| p.distance_m),
        recovery_left_w: request.recovery_left_w,
        ambient_c,
        start_c,
        inspection_temperature_c: limit_c,
        masses,
    })
}
