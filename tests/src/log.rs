//! Logs: whole recordings as one long batch, cut into batches and run through the engine.

use coldbrake_engine::{
    Batch, BrakeKind, CurrentSign, Descent, FinishedDescent, Opening, Policy, Session, VehicleClass,
    VehicleState,
};

/// What a vehicle of the reference cases declares: brake pressure, current positive while discharging.
pub fn opening() -> Opening {
    Opening {
        session: Session([7; 16]),
        software_version: "2.4.1".to_owned(),
        brake_kind: BrakeKind::Pressure,
        current_sign: CurrentSign::DischargePositive,
        declared_mass_kg: None,
        declared_mass_uncertainty: None,
    }
}

/// Returns the rows of a log that are kept, in the order given.
#[expect(
    clippy::needless_pass_by_value,
    reason = "a range or an iterator reads better at the call"
)]
pub fn select(log: &Batch, rows: impl Iterator<Item = usize> + Clone) -> Batch {
    let numbers = |column: &[f64]| -> Vec<f64> {
        if column.is_empty() {
            Vec::new()
        } else {
            rows.clone().map(|i| column[i]).collect()
        }
    };
    Batch {
        time_ms: rows.clone().map(|i| log.time_ms[i]).collect(),
        speed_mps: numbers(&log.speed_mps),
        altitude_m: numbers(&log.altitude_m),
        brake: numbers(&log.brake),
        current_a: numbers(&log.current_a),
        voltage_v: numbers(&log.voltage_v),
        state_of_charge: numbers(&log.state_of_charge),
        ambient_c: numbers(&log.ambient_c),
        brake_temperature_c: numbers(&log.brake_temperature_c),
        auxiliary_w: numbers(&log.auxiliary_w),
        gross_mass_kg: numbers(&log.gross_mass_kg),
        latitude_deg: numbers(&log.latitude_deg),
        longitude_deg: numbers(&log.longitude_deg),
        slip_control: numbers(&log.slip_control),
        battery_temperature_c: numbers(&log.battery_temperature_c),
        charge_limit_w: numbers(&log.charge_limit_w),
    }
}

/// Cuts a log into batches of at most `length` samples.
pub fn batches(log: &Batch, length: usize) -> Vec<Batch> {
    (0..log.len())
        .step_by(length)
        .map(|from| select(log, from..(from + length).min(log.len())))
        .collect()
}

/// Runs a log through the engine from first sample to the end of the session.
pub fn run(log: &Batch, class: &VehicleClass, opening: Opening, policy: &Policy) -> Vec<FinishedDescent> {
    let mut vehicle = VehicleState::new("ref-01", opening);
    let mut finished = Vec::new();
    for batch in batches(log, 600) {
        let effects = vehicle.apply(&batch, class, policy);
        assert!(effects.violations.is_empty(), "{:?}", effects.violations);
        finished.extend(effects.finished);
    }
    finished.extend(vehicle.finish(class, policy).finished);
    finished
}

/// Runs a log with the default rules and returns the descents without their profiles.
pub fn descents(log: &Batch, class: &VehicleClass) -> Vec<Descent> {
    run(log, class, opening(), &Policy::default())
        .into_iter()
        .map(|f| f.descent)
        .collect()
}
