//! What the brakes would come to on a recorded road, or on a known grade, if recovery were lost.

use coldbrake_engine::{
    Descent, ProfilePoint, VehicleClass, Violation,
    grade::GradeProfile,
    thermal::ASSUMED_AMBIENT_C,
    what_if::{Circumstances, GreatestSpeed, RoadPoint, greatest_speed, heat},
};
use coldbrake_proto::v1::{
    ComputeLostRecoveryRequest, ComputeLostRecoveryResponse, LostRecoveryMass, LostRecoverySpeed,
    RoadOfDescent, compute_lost_recovery_request::Road,
};

use crate::{grades::record, query::fleet::identifier, status::Refusal, store::Store};

/// Speeds that are looked at when none is asked for, m/s.
const SPEEDS_MPS: [f64; 5] = [5.0, 10.0, 15.0, 20.0, 25.0];
/// Fastest speed that is looked at, m/s.
const FASTEST_MPS: f64 = 40.0;
const MOST_MASSES: usize = 8;
const MOST_SPEEDS: usize = 16;

/// A road with what was recorded on it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stretch {
    /// The top first.
    road: Vec<RoadPoint>,
    drop_m: f64,
    /// That of the vehicle that drove it; empty for a grade, whose callers must name one.
    pub(super) vehicle_class: String,
    ambient_c: Option<f64>,
    start_c: Option<f64>,
}

impl Stretch {
    fn of_descent(descent: Descent, profile: &[ProfilePoint]) -> Self {
        let top = RoadPoint {
            distance_m: 0.0,
            altitude_m: descent.top_altitude_m,
        };
        let below = profile.iter().map(|p| RoadPoint {
            distance_m: f64::from(p.distance_m),
            altitude_m: f64::from(p.altitude_m),
        });
        Self {
            road: std::iter::once(top).chain(below).collect(),
            drop_m: descent.drop_m,
            ambient_c: descent.ambient_c,
            start_c: descent.brake_temperature_start_c,
            vehicle_class: descent.vehicle_class,
        }
    }

    fn of_grade(profile: &GradeProfile) -> Self {
        let road = profile.points().map(|(distance_m, altitude_m)| RoadPoint {
            distance_m,
            altitude_m,
        });
        Self {
            road: road.collect(),
            drop_m: profile.drop_m(),
            vehicle_class: String::new(),
            ambient_c: None,
            start_c: None,
        }
    }
}

/// Returns the road that a request names, with names that can be.
pub(super) fn named(request: &ComputeLostRecoveryRequest) -> Result<Road, Refusal> {
    match request.road.clone() {
        Some(Road::Descent(RoadOfDescent { vehicle, descent })) => {
            let vehicle = identifier("road.descent.vehicle", vehicle)?;
            if descent.is_empty() {
                let text = "is empty: give the identifier of a descent";
                return Err(Refusal::field("road.descent.descent", text));
            }
            Ok(Road::Descent(RoadOfDescent { vehicle, descent }))
        }
        Some(Road::Grade(grade)) => {
            let grade = identifier("road.grade", grade)?;
            if request.vehicle_class.is_none() {
                let text = "is missing: say which class goes down the grade";
                return Err(Refusal::field("vehicle_class", text));
            }
            Ok(Road::Grade(grade))
        }
        None => Err(Refusal::field("road", "is missing: name a descent or a grade")),
    }
}

/// Reads a road. Blocks.
pub(super) fn stretch(store: &dyn Store, road: Road) -> Result<Stretch, Refusal> {
    match road {
        Road::Descent(RoadOfDescent { vehicle, descent }) => {
            let (descent, profile) = store
                .descent(&vehicle, &descent)?
                .ok_or_else(|| Refusal::NotFound {
                    kind: "descent",
                    name: format!("{descent} of vehicle {vehicle}"),
                })?;
            Ok(Stretch::of_descent(descent, &profile))
        }
        Road::Grade(name) => {
            let found = record::grade(store, &name)?.ok_or(Refusal::NotFound { kind: "grade", name })?;
            Ok(Stretch::of_grade(&found.grade.profile))
        }
    }
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
    stretch: &Stretch,
) -> Result<ComputeLostRecoveryResponse, Refusal> {
    let road = &stretch.road;
    let ambient_c = request
        .ambient_c
        .or(stretch.ambient_c)
        .unwrap_or(ASSUMED_AMBIENT_C);
    let start_c = request
        .start_c
        .or(stretch.start_c)
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
                heat(class, road, &c, speed_mps).map(|h| LostRecoverySpeed {
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
        let greatest = greatest_speed(class, road, &c, limit_c, FASTEST_MPS)?;
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
        drop_m: stretch.drop_m,
        distance_m: road.last().map_or(0.0, |p| p.distance_m),
        recovery_left_w: request.recovery_left_w,
        ambient_c,
        start_c,
        inspection_temperature_c: limit_c,
        masses,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class() -> VehicleClass {
        toml::from_str(
            "vehicle_class='van'\nmass_kg=2800.0\nrotating_mass_factor=0.04\nrolling_coefficient=0.01\ndrag_area_m2=1.6\n\
             max_recovery_power_w=90e3\nnominal_voltage_v=380.0\nfront_heat_capacity_j_per_k=14e3\n\
             rear_heat_capacity_j_per_k=10e3\nair_density_kg_m3=1.15",
        )
        .unwrap()
    }

    /// A grade of 6 km with the given gradient at a distance.
    fn grade(gradient: impl Fn(f64) -> f64) -> Stretch {
        let mut altitude = 1500.0;
        let points: Vec<(f64, f64)> = (0..=300)
            .map(|k| f64::from(k) * 20.0)
            .map(|s| {
                if s > 0.0 {
                    altitude -= 20.0 * gradient(s - 10.0);
                }
                (s, altitude)
            })
            .collect();
        Stretch::of_grade(&GradeProfile::from_points(&points).unwrap())
    }

    fn ask() -> ComputeLostRecoveryRequest {
        ComputeLostRecoveryRequest {
            road: Some(Road::Grade("north-ramp".to_owned())),
            vehicle_class: Some("van".to_owned()),
            masses_kg: vec![2000.0, 2800.0],
            speeds_mps: vec![8.0, 12.0, 16.0],
            ..ComputeLostRecoveryRequest::default()
        }
    }

    fn bottoms(stretch: &Stretch) -> Vec<f64> {
        let answer = compute(&ask(), &class(), stretch).unwrap();
        let speeds = answer.masses.iter().flat_map(|m| &m.speeds);
        speeds.map(|s| s.bottom_c).collect()
    }

    /// One slope over one length, as two points: what the published closed form knows (see the tests of `what_if`).
    fn one_slope(gradient: f64) -> Stretch {
        let point = |distance_m: f64| RoadPoint {
            distance_m,
            altitude_m: 1500.0 - gradient * distance_m,
        };
        Stretch {
            road: vec![point(0.0), point(6000.0)],
            drop_m: 6000.0 * gradient,
            ..grade(|_| gradient)
        }
    }

    #[test]
    fn an_even_grade_is_one_slope_over_its_length() {
        for (a, b) in bottoms(&grade(|_| 0.07)).iter().zip(bottoms(&one_slope(0.07))) {
            // Other steps in time, no more.
            assert!((a - b).abs() < 0.5, "{a} {b}");
        }
    }

    #[test]
    fn a_steeper_middle_lies_between_and_where_it_is_steep_counts() {
        let steep = |from: f64| {
            grade(move |s| {
                if (from..from + 2000.0).contains(&s) {
                    0.10
                } else {
                    0.055
                }
            })
        };
        let (even, middle, low) = (
            bottoms(&grade(|_| 0.055)),
            bottoms(&steep(2000.0)),
            bottoms(&steep(4000.0)),
        );
        let steepest = bottoms(&grade(|_| 0.10));
        for k in 0..even.len() {
            assert!(
                even[k] + 1.0 < middle[k] && middle[k] + 1.0 < steepest[k],
                "{k}: {middle:?}"
            );
            // The same drop, but less time to cool: a mean slope would not know.
            assert!(middle[k] + 1.0 < low[k], "{k}: {middle:?} {low:?}");
        }
    }

    #[test]
    fn the_greatest_speed_keeps_the_limit() {
        let road = grade(|s| if s < 3000.0 { 0.06 } else { 0.09 });
        let at = |class: &VehicleClass, mass_kg: f64, speed_mps: f64| {
            let request = ComputeLostRecoveryRequest {
                masses_kg: vec![mass_kg],
                speeds_mps: vec![speed_mps],
                ..ask()
            };
            compute(&request, class, &road).unwrap().masses[0].speeds[0].after_stop_c
        };
        let mut class = class();
        class.inspection_temperature_c = at(&class, 2800.0, 8.0) + 0.5;
        let request = ComputeLostRecoveryRequest {
            masses_kg: vec![2780.0, 2800.0],
            ..ask()
        };
        let answer = compute(&request, &class, &road).unwrap();
        let limit = answer.inspection_temperature_c;
        let speeds: Vec<f64> = answer
            .masses
            .iter()
            .map(|m| m.greatest_speed_mps.unwrap())
            .collect();
        for (m, v) in answer.masses.iter().zip(&speeds) {
            assert!(
                at(&class, m.mass_kg, *v) < limit && at(&class, m.mass_kg, v + 0.3) >= limit,
                "{v}"
            );
        }
        // Heavier is slower.
        assert!(speeds[0] > speeds[1] + 0.1 && speeds[1] >= 8.0, "{speeds:?}");
    }

    #[test]
    fn what_is_missing_is_named() {
        let of = |r: ComputeLostRecoveryRequest| named(&r).unwrap_err().to_string();
        let without = ComputeLostRecoveryRequest { road: None, ..ask() };
        assert!(of(without).contains("name a descent or a grade"));
        let without = ComputeLostRecoveryRequest {
            vehicle_class: None,
            ..ask()
        };
        assert!(of(without).contains("vehicle_class"));
        let road = Some(Road::Grade("North Ramp".to_owned()));
        assert!(named(&ComputeLostRecoveryRequest { road, ..ask() }).is_err());
        assert!(named(&ask()).is_ok());
    }
}
