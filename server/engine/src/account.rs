//! The descent's account: from two snapshots of the ledger to quantities with intervals.

use crate::{
    constants::TYPE_II_DROP_M,
    grade::Position,
    ledger::Ledger,
    mass::MassEstimate,
    model::Model,
    phase::Phase,
    policy::Policy,
    record::{Descent, EndReason, Estimate, Flag, FrictionByCause, FrictionMethod, MassSource},
    segment::{Marks, Segmenter},
    terrain::rise_over_run,
};

const BRAKING: usize = Phase::Braking as usize;
const PROPULSION: usize = Phase::Propulsion as usize;

/// An estimated mass replaces that of the class when its uncertainty is at most this part of the class's: where both say about
/// the same, descents should not change their mass from one to the next.
const CLEARLY: f64 = 0.75;

/// Standard uncertainty of the drop from slow drift of the altitude, per hour, m. Weather moves a barometric altitude by
/// some metres an hour (common practice, no source).
const DRIFT_M_PER_HOUR: f64 = 3.0;
/// What is not covered by samples is known this badly, as a fraction.
const UNCOVERED_UNCERTAINTY: f64 = 0.3;

/// Standard deviations of one quantity by independent source.
#[derive(Clone, Copy, Debug, Default)]
struct Sources {
    mass: f64,
    road_load: f64,
    altitude: f64,
    efficiency: f64,
    calibration: f64,
    battery: f64,
    coverage: f64,
}

impl Sources {
    fn to_array(self) -> [f64; 7] {
        [
            self.mass,
            self.road_load,
            self.altitude,
            self.efficiency,
            self.calibration,
            self.battery,
            self.coverage,
        ]
    }

    fn deviation(self) -> f64 {
        self.to_array().iter().map(|x| x * x).sum::<f64>().sqrt()
    }

    /// Deviation of a ratio `r` = this / `of`, to first order, sources taken together.
    fn of_ratio(self, r: f64, of: f64, other: Self) -> f64 {
        self.to_array()
            .iter()
            .zip(other.to_array())
            .map(|(n, d)| {
                let x = (n - r * d) / of;
                x * x
            })
            .sum::<f64>()
            .sqrt()
    }
}

fn interval(value: f64, deviation: f64, z: f64) -> Estimate {
    Estimate {
        value,
        low: (value - z * deviation).max(0.0),
        high: value + z * deviation,
    }
}

/// Number of standard deviations on either side that cover `confidence` of a normal variable.
///
/// Acklam's rational approximation, relative error below 1.2e-9 in the middle part, which is all that is asked here
/// (confidence 0.5 to 0.999; coefficients from memory, checked by a test against the normal table).
fn z_value(confidence: f64) -> f64 {
    let upper = 0.5 + 0.5 * confidence;
    let tail = 1.0 - upper;
    if tail < 0.02425 {
        let q = (-2.0 * tail.ln()).sqrt();
        return -polynomial(
            q,
            &[
                -7.784_894_002_430_293e-3,
                -3.223_964_580_411_365e-1,
                -2.400_758_277_161_838,
                -2.549_732_539_343_734,
                4.374_664_141_464_968,
                2.938_163_982_698_783,
            ],
        ) / polynomial(
            q,
            &[
                7.784_695_709_041_462e-3,
                3.224_671_290_700_398e-1,
                2.445_134_137_142_996,
                3.754_408_661_907_416,
                1.0,
            ],
        );
    }
    let q = upper - 0.5;
    let square = q * q;
    q * polynomial(
        square,
        &[
            -3.969_683_028_665_376e1,
            2.209_460_984_245_205e2,
            -2.759_285_104_469_687e2,
            1.383_577_518_672_69e2,
            -3.066_479_806_614_716e1,
            2.506_628_277_459_239,
        ],
    ) / polynomial(
        square,
        &[
            -5.447_609_879_822_406e1,
            1.615_858_368_580_409e2,
            -1.556_989_798_598_866e2,
            6.680_131_188_771_972e1,
            -1.328_068_155_288_572e1,
            1.0,
        ],
    )
}

/// Returns the polynomial at `x`, highest power first.
fn polynomial(x: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().fold(0.0, |sum, c| sum * x + c)
}

fn position((latitude, longitude): (i32, i32)) -> Position {
    Position {
        latitude_deg: f64::from(latitude) * 1e-6,
        longitude_deg: f64::from(longitude) * 1e-6,
    }
}

fn joules(milli: i64) -> f64 {
    milli as f64 * 1e-3
}

/// Returns the energies, ratios and intervals of the descent that the segmenter holds.
pub(crate) fn settle(
    segmenter: &Segmenter,
    model: &Model<'_>,
    policy: &Policy,
    end_reason: EndReason,
    (vehicle, software_version, ordinal): (&str, &str, u64),
    altitude_noise_m: f64,
    estimate: Option<MassEstimate>,
) -> (Descent, f64) {
    let (top, low, marks) = (&segmenter.top, &segmenter.low, &segmenter.low_marks);
    let delta = low.ledger.since(&top.ledger);
    let mass_streamed = low.end.mass_streamed.then_some(low.end.mass_dkg as f64 * 0.1);
    let mut mass_kg = model.mass(mass_streamed);
    let (mut mass_source, mut mass_uncertainty) = model.mass_source(mass_streamed);
    let (mut delta, mut friction_scale) = (delta, 1.0);
    // An estimate counts where nothing better is known, and only if it says clearly more than the class does.
    if let Some(e) =
        estimate.filter(|e| mass_source == MassSource::Class && e.uncertainty < CLEARLY * mass_uncertainty)
    {
        let rolling_n =
            model.class.rolling_coefficient.unwrap_or(0.0) * model.gravity * (e.mass_kg - mass_kg);
        (delta, friction_scale) = delta.rescaled(e.mass_kg / mass_kg, rolling_n, model.method());
        (mass_kg, mass_source, mass_uncertainty) = (e.mass_kg, MassSource::Estimated, e.uncertainty);
    }
    let sum = &delta.sum;
    let z = z_value(policy.confidence);
    let class = model.class;

    let drop_m = joules(top.altitude_mm - low.altitude_mm);
    let potential = -delta.potential.iter().sum::<i64>() as f64 * 1e-3;
    let kinetic = -sum.kinetic.iter().sum::<i64>() as f64 * 1e-3;
    let road_load = sum.road.iter().sum::<i64>() as f64 * 1e-3;
    let propulsion = delta.wheel_energy(PROPULSION);
    let available = -delta.wheel_energy(BRAKING);
    let closure = -delta.wheel_energy(Phase::Coasting as usize);
    let recovered = joules(sum.charged);
    let wheels = joules(sum.wheels);

    let duration_s = joules(low.end.time_ms - top.end.time_ms);
    let moving_s = joules(sum.moving_ms);
    let uncovered = if duration_s > 0.0 {
        (joules(sum.uncovered_ms) / duration_s).clamp(0.0, 1.0)
    } else {
        0.0
    };

    let u = Uncertainty {
        delta: &delta,
        marks,
        model,
        mass_kg,
        relative_mass: mass_uncertainty,
        uncovered,
        duration_s,
    };
    let of_available = u.available(available);
    let of_recovered = u.recovered(recovered);
    let of_wheels = u.wheels(wheels);

    let method = model.method();
    let raw_causes = sum.cause.map(joules);
    let (friction, causes) = friction_total(raw_causes, method);
    let of_friction = u.friction(friction, method);

    let ratio = |value: f64, sources: Sources| {
        (available > 0.0).then(|| {
            let r = value / available;
            interval(r, sources.of_ratio(r, available, of_available), z)
        })
    };
    let per = |value: f64, by: f64| (by > 0.0).then(|| value / by);
    let tonne_100m = mass_kg * 1e-3 * drop_m / 100.0;
    let applied = -joules(sum.kinetic_applied + delta.potential_applied + sum.road_applied);

    // What was under way at the top goes on below it.
    let doing = top.end.doing;
    let events = sum.events + i64::from(doing.event);
    let without = sum.events_without_friction + i64::from(doing.event_without_friction);

    let mut flags = marks.peaks.flags;
    if mass_source == MassSource::Class {
        flags.insert(Flag::MassAssumed);
    }
    if uncovered > 0.05 {
        flags.insert(Flag::LowCoverage);
    }
    if closure.abs() > 0.05 * potential.abs() {
        flags.insert(Flag::PoorClosure);
    }
    if method == FrictionMethod::Balance {
        flags.insert(Flag::FrictionByBalance);
    }

    let descent = Descent {
        descent: identifier(top.end.time_ms, ordinal),
        vehicle: vehicle.to_owned(),
        vehicle_class: class.vehicle_class.clone(),
        software_version: software_version.to_owned(),
        grade: None,
        grade_match: None,
        top_position: top.end.position_udeg.map(position),
        bottom_position: low.end.position_udeg.map(position),
        start_time_ms: top.end.time_ms,
        end_time_ms: low.end.time_ms,
        start_reason: segmenter.start_reason(),
        end_reason,
        drop_m,
        top_altitude_m: joules(top.altitude_mm),
        climb_m: joules(marks.climb_mm),
        distance_m: joules(sum.length()),
        mean_gradient: per(-drop_m, joules(sum.length())).map_or(0.0, rise_over_run),
        steepest_gradient: marks.steepest_ppm.map(|g| f64::from(g) * 1e-6),
        duration_s,
        moving_s,
        standing_s: (duration_s - moving_s).max(0.0),
        mean_speed_mps: per(joules(sum.length()), moving_s).unwrap_or(0.0),
        top_speed_mps: joules(marks.peaks.speed_mmps),
        potential_released_j: potential,
        kinetic_released_j: kinetic,
        road_load_j: road_load,
        propulsion_j: propulsion,
        available_j: interval(available, of_available.deviation(), z),
        recovered_j: interval(recovered, of_recovered.deviation(), z),
        discharged_j: joules(sum.discharged),
        battery_net_j: joules(sum.charged - sum.discharged),
        auxiliary_j: joules(sum.auxiliary),
        recovered_wheels_j: wheels,
        friction_j: Some(interval(friction, of_friction.deviation(), z)),
        friction_method: Some(method),
        friction_by_cause_j: Some(FrictionByCause::from_array(causes)),
        closure_j: closure,
        recovery_ratio: ratio(recovered, of_recovered),
        recovery_ratio_wheels: ratio(wheels, of_wheels),
        friction_share: ratio(friction, of_friction),
        gross_recovery_ratio: per(recovered, potential + kinetic),
        peak_recovery_w: marks.peaks.recovery_w as f64,
        peak_friction_w: (method == FrictionMethod::Measured).then_some(marks.peaks.friction_w as f64),
        brake_applications: u32::try_from(sum.applications + i64::from(doing.applied)).unwrap_or(0),
        braking_events: u32::try_from(events).unwrap_or(0),
        friction_free_event_share: per(without as f64, events as f64).map(|x| x.clamp(0.0, 1.0)),
        friction_free_energy_share: per(available - applied, available).map(|x| x.clamp(0.0, 1.0)),
        friction_time_share: per(joules(sum.friction_ms), moving_s),
        friction_kj_per_km: per(friction * 1e-3, joules(sum.length()) * 1e-3),
        friction_kj_per_t_100m: per(friction * 1e-3, tonne_100m),
        unexplained_kj_per_t_100m: per(causes[6] * 1e-3, tonne_100m),
        type_ii_multiple: available / (mass_kg * model.gravity * TYPE_II_DROP_M),
        brake_temperature_start_c: top.temperature_dc.map(tenths),
        brake_temperature_peak_c: marks.temperature_dc.map(tenths),
        measured_brake_temperature_start_c: top.end.brake_temperature_dc.map(tenths),
        measured_brake_temperature_peak_c: marks.peaks.brake_temperature_dc.map(tenths),
        above_inspection_temperature_s: joules(marks.above_inspection_ms),
        state_of_charge_start: top.end.soc_ppm.map(|p| f64::from(p) * 1e-6),
        state_of_charge_end: low.end.soc_ppm.map(|p| f64::from(p) * 1e-6),
        ambient_c: top.end.ambient_dc.map(tenths),
        mass_kg,
        mass_source,
        mass_uncertainty,
        sample_count: u32::try_from(sum.samples).unwrap_or(u32::MAX),
        coverage: 1.0 - uncovered,
        longest_gap_s: joules(marks.peaks.gap_ms),
        altitude_noise_m,
        flags,
    };
    (descent, friction_scale)
}

fn tenths(value: i32) -> f64 {
    f64::from(value) * 0.1
}

/// Returns friction work and its parts, none negative. What noise made negative under one cause is taken from the
/// others, so that the parts add up to the whole.
fn friction_total(causes: [f64; 7], method: FrictionMethod) -> (f64, [f64; 7]) {
    let total = causes.iter().sum::<f64>().max(0.0);
    if method == FrictionMethod::Measured {
        return (total, causes);
    }
    let positive: f64 = causes.iter().map(|c| c.max(0.0)).sum();
    let scale = if positive > 0.0 { total / positive } else { 0.0 };
    (total, causes.map(|c| c.max(0.0) * scale))
}

/// Returns the identifier of a descent: the time of its top and its running number.
fn identifier(time_ms: i64, ordinal: u64) -> String {
    format!("{}-{ordinal}", stamp(time_ms))
}

/// Returns a time as it stands in identifiers: `20260312T071502Z`.
pub(crate) fn stamp(time_ms: i64) -> String {
    let seconds = time_ms.div_euclid(1000);
    let (days, of_day) = (seconds.div_euclid(86_400), seconds.rem_euclid(86_400));
    let (year, month, day) = civil(days);
    format!(
        "{year:04}{month:02}{day:02}T{:02}{:02}{:02}Z",
        of_day / 3600,
        of_day / 60 % 60,
        of_day % 60
    )
}

/// Returns year, month and day of a number of days since 1970-01-01 in the Gregorian calendar.
fn civil(days: i64) -> (i64, i64, i64) {
    // Counted from 1 March of the year 0, so that the leap day is the last of its year.
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z.rem_euclid(146_097);
    let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let month = if mp < 10 { mp + 3 } else { mp - 9 };
    (
        yoe + era * 400 + i64::from(month <= 2),
        month,
        doy - (153 * mp + 2) / 5 + 1,
    )
}

/// Propagation of declared uncertainties, to first order.
struct Uncertainty<'a> {
    delta: &'a Ledger,
    marks: &'a Marks,
    model: &'a Model<'a>,
    mass_kg: f64,
    relative_mass: f64,
    uncovered: f64,
    duration_s: f64,
}

impl Uncertainty<'_> {
    /// Deviation of a sum of altitude differences over the stretches of braking, J.
    fn altitude(&self, share_of_drop: f64) -> f64 {
        let per_point = self.marks.deviation_mm as f64 * 1e-3;
        let drift = DRIFT_M_PER_HOUR * self.duration_s / 3600.0;
        let ends = 2.0 * (self.delta.sum.braking_starts.max(0) + 1) as f64;
        let metres =
            (ends * per_point * per_point + (share_of_drop * drift) * (share_of_drop * drift)).sqrt();
        self.mass_kg * self.model.gravity * metres
    }

    fn share_of_drop(&self, potential: i64) -> f64 {
        let all = self.delta.potential.iter().sum::<i64>() as f64;
        if all < 0.0 {
            (potential as f64 / all).clamp(0.0, 2.0)
        } else {
            1.0
        }
    }

    fn available(&self, available: f64) -> Sources {
        let d = self.delta;
        Sources {
            // Rolling resistance given as a coefficient grows with the mass too; that part is small and left out.
            mass: -joules(d.sum.kinetic[BRAKING] + d.potential[BRAKING]) * self.relative_mass,
            road_load: -joules(d.sum.road[BRAKING]) * self.model.class.road_load_uncertainty,
            altitude: self.altitude(self.share_of_drop(d.potential[BRAKING])),
            coverage: UNCOVERED_UNCERTAINTY * self.uncovered * available,
            ..Sources::default()
        }
    }

    fn recovered(&self, recovered: f64) -> Sources {
        Sources {
            battery: recovered * self.model.class.battery_energy_uncertainty,
            coverage: UNCOVERED_UNCERTAINTY * self.uncovered * recovered,
            ..Sources::default()
        }
    }

    fn wheels(&self, wheels: f64) -> Sources {
        Sources {
            efficiency: wheels * self.model.class.recovery_efficiency_uncertainty,
            battery: wheels * self.model.class.battery_energy_uncertainty,
            coverage: UNCOVERED_UNCERTAINTY * self.uncovered * wheels,
            ..Sources::default()
        }
    }

    fn friction(&self, friction: f64, method: FrictionMethod) -> Sources {
        let class = self.model.class;
        if method == FrictionMethod::Measured {
            return Sources {
                calibration: friction * class.brake_uncertainty,
                coverage: UNCOVERED_UNCERTAINTY * self.uncovered * friction,
                ..Sources::default()
            };
        }
        let d = self.delta;
        let wheels = joules(d.sum.wheels_applied);
        Sources {
            mass: -joules(d.sum.kinetic_applied + d.potential_applied) * self.relative_mass,
            road_load: -joules(d.sum.road_applied) * class.road_load_uncertainty,
            altitude: self.altitude(self.share_of_drop(d.potential_applied)),
            efficiency: wheels * class.recovery_efficiency_uncertainty,
            battery: -wheels * class.battery_energy_uncertainty,
            coverage: UNCOVERED_UNCERTAINTY * self.uncovered * friction,
            ..Sources::default()
        }
    }
}

/// Returns the snapshot's temperature of the hotter axle in tenths of °C.
pub(crate) fn tenths_of(value: f64) -> i32 {
    crate::flow::milli(value * 1e-2) as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn z_values_are_those_of_the_normal_table() {
        // Percentage points of the standard normal distribution, any table.
        for (confidence, z) in [
            (0.5, 0.674_490),
            (0.8, 1.281_552),
            (0.9, 1.644_854),
            (0.95, 1.959_964),
            (0.99, 2.575_829),
        ] {
            assert!(
                (z_value(confidence) - z).abs() < 2e-6,
                "{confidence}: {}",
                z_value(confidence)
            );
        }
    }

    #[test]
    fn identifiers_carry_the_time_of_the_top() {
        assert_eq!(identifier(0, 1), "19700101T000000Z-1");
        assert_eq!(identifier(951_782_400_000, 2), "20000229T000000Z-2");
        assert_eq!(identifier(1_773_299_702_999, 17), "20260312T071502Z-17");
    }

    #[test]
    fn parts_of_friction_by_balance_add_up_to_the_whole() {
        let (total, parts) = friction_total([0.0, 0.0, -10.0, 60.0, 0.0, 0.0, 50.0], FrictionMethod::Balance);
        assert!((total - 100.0).abs() < 1e-9);
        assert!((parts.iter().sum::<f64>() - total).abs() < 1e-9);
        assert!(parts.iter().all(|p| *p >= 0.0));
    }
}
