//! Records into messages and back.
//!
//! Into a message always works. Back it may fail: a message may come from a newer program, or from another one.

use coldbrake_engine::{
    BrakeKind, CurrentSign, Descent, Opening, ProfilePoint, Session, Violation,
    grade::{GradeMatch, GradeOutcome, Position},
    ids::{IDENTIFIER_RULE, is_identifier, is_software_version},
    record::{
        Cause, EndReason, Estimate, Flag, Flags, FrictionByCause, FrictionMethod, MassSource, StartReason,
    },
};

use crate::v1;

/// A message that this program cannot turn into a record.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ConvertError {
    /// A field that every record has is absent: the other side is not a Coldbrake server, or a damaged one.
    #[error("`{0}` is missing in the message")]
    Missing(&'static str),
    /// A value of an enumeration that this program does not know: update this program.
    #[error("`{field}` has the unknown value {value}; it may come from a newer version of Coldbrake")]
    UnknownValue {
        /// Name of the field.
        field: &'static str,
        /// Number on the wire.
        value: i32,
    },
    /// A count below 0 or beyond 32 bits.
    #[error("`{field}` is {value}, which is no count")]
    NoCount {
        /// Name of the field.
        field: &'static str,
        /// Value on the wire.
        value: i64,
    },
}

/// Pairs the values of a record's enumeration with those of the wire's, both ways.
macro_rules! paired {
    ($record:ident: $to:ident, $from:ident { $($variant:ident),+ $(,)? }) => {
        /// Returns the wire's value.
        pub const fn $to(value: $record) -> v1::$record {
            match value { $($record::$variant => v1::$record::$variant),+ }
        }

        /// Returns the value of the number on the wire; `None` when it says nothing or is unknown.
        pub fn $from(wire: i32) -> Option<$record> {
            match v1::$record::try_from(wire).ok()? {
                v1::$record::Unspecified => None,
                $(v1::$record::$variant => Some($record::$variant)),+
            }
        }
    };
}

paired!(BrakeKind: brake_kind_to_wire, brake_kind_from_wire { Torque, Pressure, Pedal, Applied });
paired!(CurrentSign: current_sign_to_wire, current_sign_from_wire { ChargePositive, DischargePositive });
paired!(StartReason: start_reason_to_wire, start_reason_from_wire { Crest, RecordStart, AfterGap });
paired!(EndReason: end_reason_to_wire, end_reason_from_wire {
    Climb, Level, Standstill, DataGap, ClockJump, SessionEnd,
});
paired!(FrictionMethod: friction_method_to_wire, friction_method_from_wire { Measured, Balance });
paired!(GradeOutcome: grade_outcome_to_wire, grade_outcome_from_wire {
    Matched, Ambiguous, NothingClose, Elsewhere, TooPlain, NoProfile,
});
paired!(MassSource: mass_source_to_wire, mass_source_from_wire { Reported, Declared, Class, Estimated });

const fn flag_to_wire(flag: Flag) -> v1::QualityFlag {
    match flag {
        Flag::BridgedGap => v1::QualityFlag::BridgedGap,
        Flag::ClockJump => v1::QualityFlag::ClockJump,
        Flag::AltitudeStep => v1::QualityFlag::AltitudeStep,
        Flag::AltitudeFrozen => v1::QualityFlag::AltitudeFrozen,
        Flag::VoltageAssumed => v1::QualityFlag::VoltageAssumed,
        Flag::ChargeFromVoltage => v1::QualityFlag::ChargeFromVoltage,
        Flag::MassAssumed => v1::QualityFlag::MassAssumed,
        Flag::LowCoverage => v1::QualityFlag::LowCoverage,
        Flag::PoorClosure => v1::QualityFlag::PoorClosure,
        Flag::FrictionByBalance => v1::QualityFlag::FrictionByBalance,
        Flag::BatchRefused => v1::QualityFlag::BatchRefused,
    }
}

fn flag_from_wire(wire: i32) -> Result<Flag, ConvertError> {
    Flag::ALL
        .iter()
        .copied()
        .find(|flag| flag_to_wire(*flag) as i32 == wire)
        .ok_or(ConvertError::UnknownValue {
            field: "flags",
            value: wire,
        })
}

const fn estimate_to_wire(e: Estimate) -> v1::Estimate {
    v1::Estimate {
        value: e.value,
        low: e.low,
        high: e.high,
    }
}

const fn estimate_from_wire(e: v1::Estimate) -> Estimate {
    Estimate {
        value: e.value,
        low: e.low,
        high: e.high,
    }
}

fn causes_to_wire(causes: FrictionByCause) -> v1::FrictionByCause {
    let j = |cause| causes.get(cause);
    v1::FrictionByCause {
        slip_control: j(Cause::SlipControl),
        hard_braking: j(Cause::HardBraking),
        low_speed: j(Cause::LowSpeed),
        battery_full: j(Cause::BatteryFull),
        battery_cold: j(Cause::BatteryCold),
        power_limited: j(Cause::PowerLimited),
        unexplained: j(Cause::Unexplained),
    }
}

const fn causes_from_wire(c: v1::FrictionByCause) -> FrictionByCause {
    FrictionByCause {
        slip_control: c.slip_control,
        hard_braking: c.hard_braking,
        low_speed: c.low_speed,
        battery_full: c.battery_full,
        battery_cold: c.battery_cold,
        power_limited: c.power_limited,
        unexplained: c.unexplained,
    }
}

/// Turns a place into its message.
pub const fn position_to_wire(p: Position) -> v1::Position {
    v1::Position {
        latitude_deg: p.latitude_deg,
        longitude_deg: p.longitude_deg,
    }
}

/// Turns a message into a place. Whether it is on the globe is not checked.
pub const fn position_from_wire(p: v1::Position) -> Position {
    Position {
        latitude_deg: p.latitude_deg,
        longitude_deg: p.longitude_deg,
    }
}

fn grade_match_to_wire(m: &GradeMatch) -> v1::GradeMatch {
    v1::GradeMatch {
        outcome: grade_outcome_to_wire(m.outcome).into(),
        nearest: m.nearest.clone(),
        score: m.score,
        coverage: m.coverage,
        second: m.second.clone(),
        by_position: m.by_position,
    }
}

fn grade_match_from_wire(m: &v1::GradeMatch) -> Result<GradeMatch, ConvertError> {
    Ok(GradeMatch {
        outcome: grade_outcome_from_wire(m.outcome).ok_or(ConvertError::UnknownValue {
            field: "grade_match.outcome",
            value: m.outcome,
        })?,
        nearest: m.nearest.clone(),
        score: m.score,
        coverage: m.coverage,
        second: m.second.clone(),
        by_position: m.by_position,
    })
}

/// Turns a descent into its message.
pub fn descent_to_wire(d: &Descent) -> v1::Descent {
    v1::Descent {
        descent: d.descent.clone(),
        vehicle: d.vehicle.clone(),
        vehicle_class: d.vehicle_class.clone(),
        software_version: d.software_version.clone(),
        grade: d.grade.clone(),
        start_time_ms: d.start_time_ms,
        end_time_ms: d.end_time_ms,
        start_reason: start_reason_to_wire(d.start_reason).into(),
        end_reason: end_reason_to_wire(d.end_reason).into(),
        drop_m: d.drop_m,
        top_altitude_m: d.top_altitude_m,
        climb_m: d.climb_m,
        distance_m: d.distance_m,
        mean_gradient: d.mean_gradient,
        steepest_gradient: d.steepest_gradient,
        duration_s: d.duration_s,
        moving_s: d.moving_s,
        standing_s: d.standing_s,
        mean_speed_mps: d.mean_speed_mps,
        top_speed_mps: d.top_speed_mps,
        potential_released_j: d.potential_released_j,
        kinetic_released_j: d.kinetic_released_j,
        road_load_j: d.road_load_j,
        propulsion_j: d.propulsion_j,
        available_j: Some(estimate_to_wire(d.available_j)),
        recovered_j: Some(estimate_to_wire(d.recovered_j)),
        discharged_j: d.discharged_j,
        battery_net_j: d.battery_net_j,
        auxiliary_j: d.auxiliary_j,
        recovered_wheels_j: d.recovered_wheels_j,
        friction_j: d.friction_j.map(estimate_to_wire),
        friction_method: d
            .friction_method
            .map_or(v1::FrictionMethod::Unspecified, friction_method_to_wire)
            .into(),
        friction_by_cause_j: d.friction_by_cause_j.map(causes_to_wire),
        closure_j: d.closure_j,
        recovery_ratio: d.recovery_ratio.map(estimate_to_wire),
        recovery_ratio_wheels: d.recovery_ratio_wheels.map(estimate_to_wire),
        friction_share: d.friction_share.map(estimate_to_wire),
        gross_recovery_ratio: d.gross_recovery_ratio,
        peak_recovery_w: d.peak_recovery_w,
        peak_friction_w: d.peak_friction_w,
        brake_applications: d.brake_applications.into(),
        braking_events: d.braking_events.into(),
        friction_free_event_share: d.friction_free_event_share,
        friction_free_energy_share: d.friction_free_energy_share,
        friction_time_share: d.friction_time_share,
        friction_kj_per_km: d.friction_kj_per_km,
        friction_kj_per_t_100m: d.friction_kj_per_t_100m,
        unexplained_kj_per_t_100m: d.unexplained_kj_per_t_100m,
        type_ii_multiple: d.type_ii_multiple,
        brake_temperature_start_c: d.brake_temperature_start_c,
        brake_temperature_peak_c: d.brake_temperature_peak_c,
        measured_brake_temperature_start_c: d.measured_brake_temperature_start_c,
        measured_brake_temperature_peak_c: d.measured_brake_temperature_peak_c,
        above_inspection_temperature_s: d.above_inspection_temperature_s,
        state_of_charge_start: d.state_of_charge_start,
        state_of_charge_end: d.state_of_charge_end,
        ambient_c: d.ambient_c,
        mass_kg: d.mass_kg,
        mass_source: mass_source_to_wire(d.mass_source).into(),
        mass_uncertainty: d.mass_uncertainty,
        sample_count: d.sample_count.into(),
        coverage: d.coverage,
        longest_gap_s: d.longest_gap_s,
        altitude_noise_m: d.altitude_noise_m,
        flags: d.flags.iter().map(|flag| flag_to_wire(flag).into()).collect(),
        grade_match: d.grade_match.as_ref().map(grade_match_to_wire),
        top_position: d.top_position.map(position_to_wire),
        bottom_position: d.bottom_position.map(position_to_wire),
    }
}

/// Turns a message into a descent.
pub fn descent_from_wire(d: &v1::Descent) -> Result<Descent, ConvertError> {
    let estimate =
        |field, e: Option<v1::Estimate>| e.map(estimate_from_wire).ok_or(ConvertError::Missing(field));
    let count = |field, value: i64| u32::try_from(value).map_err(|_| ConvertError::NoCount { field, value });
    let unknown = |field, value| ConvertError::UnknownValue { field, value };
    let friction_method = match d.friction_method {
        0 => None,
        wire => Some(friction_method_from_wire(wire).ok_or(unknown("friction_method", wire))?),
    };
    Ok(Descent {
        descent: d.descent.clone(),
        vehicle: d.vehicle.clone(),
        vehicle_class: d.vehicle_class.clone(),
        software_version: d.software_version.clone(),
        grade: d.grade.clone(),
        grade_match: d.grade_match.as_ref().map(grade_match_from_wire).transpose()?,
        top_position: d.top_position.map(position_from_wire),
        bottom_position: d.bottom_position.map(position_from_wire),
        start_time_ms: d.start_time_ms,
        end_time_ms: d.end_time_ms,
        start_reason: start_reason_from_wire(d.start_reason)
            .ok_or(unknown("start_reason", d.start_reason))?,
        end_reason: end_reason_from_wire(d.end_reason).ok_or(unknown("end_reason", d.end_reason))?,
        drop_m: d.drop_m,
        top_altitude_m: d.top_altitude_m,
        climb_m: d.climb_m,
        distance_m: d.distance_m,
        mean_gradient: d.mean_gradient,
        steepest_gradient: d.steepest_gradient,
        duration_s: d.duration_s,
        moving_s: d.moving_s,
        standing_s: d.standing_s,
        mean_speed_mps: d.mean_speed_mps,
        top_speed_mps: d.top_speed_mps,
        potential_released_j: d.potential_released_j,
        kinetic_released_j: d.kinetic_released_j,
        road_load_j: d.road_load_j,
        propulsion_j: d.propulsion_j,
        available_j: estimate("available_j", d.available_j)?,
        recovered_j: estimate("recovered_j", d.recovered_j)?,
        discharged_j: d.discharged_j,
        battery_net_j: d.battery_net_j,
        auxiliary_j: d.auxiliary_j,
        recovered_wheels_j: d.recovered_wheels_j,
        friction_j: d.friction_j.map(estimate_from_wire),
        friction_method,
        friction_by_cause_j: d.friction_by_cause_j.map(causes_from_wire),
        closure_j: d.closure_j,
        recovery_ratio: d.recovery_ratio.map(estimate_from_wire),
        recovery_ratio_wheels: d.recovery_ratio_wheels.map(estimate_from_wire),
        friction_share: d.friction_share.map(estimate_from_wire),
        gross_recovery_ratio: d.gross_recovery_ratio,
        peak_recovery_w: d.peak_recovery_w,
        peak_friction_w: d.peak_friction_w,
        brake_applications: count("brake_applications", d.brake_applications)?,
        braking_events: count("braking_events", d.braking_events)?,
        friction_free_event_share: d.friction_free_event_share,
        friction_free_energy_share: d.friction_free_energy_share,
        friction_time_share: d.friction_time_share,
        friction_kj_per_km: d.friction_kj_per_km,
        friction_kj_per_t_100m: d.friction_kj_per_t_100m,
        unexplained_kj_per_t_100m: d.unexplained_kj_per_t_100m,
        type_ii_multiple: d.type_ii_multiple,
        brake_temperature_start_c: d.brake_temperature_start_c,
        brake_temperature_peak_c: d.brake_temperature_peak_c,
        measured_brake_temperature_start_c: d.measured_brake_temperature_start_c,
        measured_brake_temperature_peak_c: d.measured_brake_temperature_peak_c,
        above_inspection_temperature_s: d.above_inspection_temperature_s,
        state_of_charge_start: d.state_of_charge_start,
        state_of_charge_end: d.state_of_charge_end,
        ambient_c: d.ambient_c,
        mass_kg: d.mass_kg,
        mass_source: mass_source_from_wire(d.mass_source).ok_or(unknown("mass_source", d.mass_source))?,
        mass_uncertainty: d.mass_uncertainty,
        sample_count: count("sample_count", d.sample_count)?,
        coverage: d.coverage,
        longest_gap_s: d.longest_gap_s,
        altitude_noise_m: d.altitude_noise_m,
        flags: d
            .flags
            .iter()
            .try_fold(Flags::default(), |set, wire| Ok(set.with(flag_from_wire(*wire)?)))?,
    })
}

/// Turns a profile into its messages.
pub fn profile_to_wire(profile: &[ProfilePoint]) -> Vec<v1::ProfilePoint> {
    profile
        .iter()
        .map(|p| v1::ProfilePoint {
            distance_m: p.distance_m,
            altitude_m: p.altitude_m,
            friction_w: p.friction_w,
            recovery_w: p.recovery_w,
            speed_mps: p.speed_mps,
            brake_temperature_c: p.brake_temperature_c,
        })
        .collect()
}

/// Turns the messages of a profile into its points.
pub fn profile_from_wire(profile: &[v1::ProfilePoint]) -> Vec<ProfilePoint> {
    profile
        .iter()
        .map(|p| ProfilePoint {
            distance_m: p.distance_m,
            altitude_m: p.altitude_m,
            friction_w: p.friction_w,
            recovery_w: p.recovery_w,
            speed_mps: p.speed_mps,
            brake_temperature_c: p.brake_temperature_c,
        })
        .collect()
}

/// Turns what a stream declares into its first message.
pub fn opening_to_wire(vehicle: &str, vehicle_class: &str, opening: &Opening) -> v1::OpenStream {
    v1::OpenStream {
        vehicle: vehicle.to_owned(),
        session: opening.session.0.to_vec(),
        vehicle_class: vehicle_class.to_owned(),
        software_version: opening.software_version.clone(),
        brake_kind: brake_kind_to_wire(opening.brake_kind).into(),
        current_sign: current_sign_to_wire(opening.current_sign).into(),
        declared_mass_kg: opening.declared_mass_kg,
        declared_mass_uncertainty: opening.declared_mass_uncertainty,
    }
}

/// Smallest and largest declared mass, kg: the range of the column.
const MASS_KG: std::ops::RangeInclusive<f64> = 100.0..=200e3;

/// Reads the first message of a stream, and says everything that is wrong with it. The identifiers of the vehicle and
/// the class, which are not part of an [`Opening`], are checked too.
pub fn opening_from_wire(open: &v1::OpenStream) -> Result<Opening, Vec<Violation>> {
    let mut found = Vec::new();
    let mut say = |field: &str, description: String| {
        found.push(Violation {
            field: field.to_owned(),
            description,
        });
    };
    for (field, text) in [("vehicle", &open.vehicle), ("vehicle_class", &open.vehicle_class)] {
        if !is_identifier(text) {
            say(field, IDENTIFIER_RULE.to_owned());
        }
    }
    if !is_software_version(&open.software_version) {
        say(
            "software_version",
            "must be 1 to 64 printable ASCII characters without a space".to_owned(),
        );
    }
    let session = <[u8; 16]>::try_from(open.session.as_slice()).ok();
    if session.is_none() {
        say(
            "session",
            format!("has {} bytes: give 16 random bytes", open.session.len()),
        );
    }
    let brake_kind = brake_kind_from_wire(open.brake_kind);
    if brake_kind.is_none() {
        say(
            "brake_kind",
            format!("is {}: give torque, pressure, pedal or applied", open.brake_kind),
        );
    }
    let current_sign = current_sign_from_wire(open.current_sign);
    if current_sign.is_none() {
        say(
            "current_sign",
            format!(
                "is {}: give charge positive or discharge positive",
                open.current_sign
            ),
        );
    }
    if let Some(mass) = open.declared_mass_kg
        && !MASS_KG.contains(&mass)
    {
        say(
            "declared_mass_kg",
            format!(
                "is {mass}: give a value from {} to {} kg",
                MASS_KG.start(),
                MASS_KG.end()
            ),
        );
    }
    if let Some(u) = open.declared_mass_uncertainty {
        if !(0.0..=0.5).contains(&u) {
            say(
                "declared_mass_uncertainty",
                format!("is {u}: give a fraction from 0 to 0.5"),
            );
        }
        if open.declared_mass_kg.is_none() {
            say(
                "declared_mass_uncertainty",
                "goes with `declared_mass_kg`: give both or neither".to_owned(),
            );
        }
    }
    match (session, brake_kind, current_sign) {
        (Some(session), Some(brake_kind), Some(current_sign)) if found.is_empty() => Ok(Opening {
            session: Session(session),
            software_version: open.software_version.clone(),
            brake_kind,
            current_sign,
            declared_mass_kg: open.declared_mass_kg,
            declared_mass_uncertainty: open.declared_mass_uncertainty,
        }),
        _ => Err(found),
    }
}

/// Turns violations into their messages.
pub fn violations_to_wire(violations: Vec<Violation>) -> Vec<v1::FieldViolation> {
    violations
        .into_iter()
        .map(|v| v1::FieldViolation {
            field: v.field,
            description: v.description,
        })
        .collect()
}

#[cfg(test)]
mod tests;
