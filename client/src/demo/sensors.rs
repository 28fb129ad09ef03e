//! What the vehicle's sensors and its radio link make of a drive.

use coldbrake_engine::{Batch, BrakeKind, CurrentSign};

use super::{
    drive::{Row, Trace},
    machine::Machine,
    noise::Noise,
};

/// What a vehicle measures and streams beside speed, altitude, brake and current.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Equipment {
    /// What the brake signal is.
    pub brake_kind: BrakeKind,
    /// Sign of the current.
    pub current_sign: CurrentSign,
    /// Battery voltage.
    pub voltage: bool,
    /// State of charge.
    pub state_of_charge: bool,
    /// Charging power that the battery takes.
    pub charge_limit: bool,
    /// Ambient temperature.
    pub ambient: bool,
    /// Gross mass.
    pub gross_mass: bool,
    /// Rotor temperature.
    pub rotor: bool,
}

/// Errors of the sensors, as standard deviations unless said, and losses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disturbance {
    /// Of an altitude sample, m.
    pub altitude_m: f64,
    /// Drift of the altitude in an hour, m; it wanders.
    pub drift_m_per_h: f64,
    /// Of a speed sample, m/s. A wheel that stands still gives exactly 0.
    pub speed_mps: f64,
    /// Of a current sample, A.
    pub current_a: f64,
    /// Of the brake signal, as a fraction of it. A released brake gives exactly 0.
    pub brake: f64,
    /// Share of samples lost one by one.
    pub lost: f64,
    /// One gap: its begin, ms since the Unix epoch, and its length, ms.
    pub gap: Option<(i64, i64)>,
}

impl Disturbance {
    /// Perfect sensors.
    pub const NONE: Self = Self {
        altitude_m: 0.0,
        drift_m_per_h: 0.0,
        speed_mps: 0.0,
        current_a: 0.0,
        brake: 0.0,
        lost: 0.0,
        gap: None,
    };
}

/// Returns the samples that arrive of a drive.
pub fn observe(
    trace: &Trace,
    machine: &Machine,
    equipment: &Equipment,
    d: &Disturbance,
    noise: &mut Noise,
) -> Batch {
    let mut batch = Batch::default();
    let mut drift = 0.0;
    let mut last_ms = None;
    for row in &trace.rows {
        let hours = last_ms.map_or(0.0, |last| (row.time_ms - last) as f64 / 3.6e6);
        last_ms = Some(row.time_ms);
        // A random walk that reaches the given deviation after an hour.
        drift += d.drift_m_per_h * hours.sqrt() * noise.normal();
        let altitude = row.altitude_m + drift + d.altitude_m * noise.normal();
        let speed = row.speed_mps + d.speed_mps * noise.normal();
        let current = row.current_a + d.current_a * noise.normal();
        let brake = brake_signal(row, machine, equipment.brake_kind) * (1.0 + d.brake * noise.normal());
        let lost = noise.chance(d.lost);
        let in_gap = d
            .gap
            .is_some_and(|(from, length)| (from..from + length).contains(&row.time_ms));
        if lost || in_gap {
            continue;
        }
        batch.time_ms.push(row.time_ms);
        batch
            .speed_mps
            .push(if row.speed_mps > 0.0 { speed.max(0.0) } else { 0.0 });
        batch.altitude_m.push(altitude);
        batch.brake.push(brake.clamp(0.0, equipment.brake_kind.largest()));
        batch.current_a.push(match equipment.current_sign {
            CurrentSign::ChargePositive => current,
            CurrentSign::DischargePositive => -current,
        });
        let put = |column: &mut Vec<f64>, carried: bool, value: f64| {
            if carried {
                column.push(value);
            }
        };
        put(&mut batch.voltage_v, equipment.voltage, row.voltage_v);
        put(
            &mut batch.state_of_charge,
            equipment.state_of_charge,
            row.state_of_charge,
        );
        put(
            &mut batch.charge_limit_w,
            equipment.charge_limit,
            row.charge_limit_w,
        );
        put(&mut batch.ambient_c, equipment.ambient, row.ambient_c);
        put(&mut batch.gross_mass_kg, equipment.gross_mass, machine.mass_kg);
        if let Some(rotor) = row.rotor_c {
            put(&mut batch.brake_temperature_c, equipment.rotor, rotor);
        }
    }
    batch
}

/// Returns the signal of a friction force; 0 where the class does not say how force and signal go together.
fn brake_signal(row: &Row, machine: &Machine, kind: BrakeKind) -> f64 {
    let force = row.friction_n;
    match kind {
        BrakeKind::Pressure => machine
            .class
            .brake_force_per_bar_n
            .map_or(0.0, |per_bar| force / per_bar),
        BrakeKind::Torque => machine.class.tyre_radius_m.map_or(0.0, |radius| force * radius),
        // A pedal of 100 % is a braking of the vehicle's whole weight.
        BrakeKind::Pedal => (100.0 * force / (machine.mass_kg * machine.class.gravity())).min(100.0),
        BrakeKind::Applied => f64::from(force > 0.0),
    }
}

/// Returns a batch cut into pieces of at most `samples`.
pub fn cut(batch: &Batch, samples: usize) -> Vec<Batch> {
    let samples = samples.max(1);
    let part = |column: &[f64], from: usize, to: usize| {
        column.get(from..to).map(<[f64]>::to_vec).unwrap_or_default()
    };
    (0..batch.len())
        .step_by(samples)
        .map(|from| {
            let to = (from + samples).min(batch.len());
            Batch {
                time_ms: batch
                    .time_ms
                    .get(from..to)
                    .map(<[i64]>::to_vec)
                    .unwrap_or_default(),
                speed_mps: part(&batch.speed_mps, from, to),
                altitude_m: part(&batch.altitude_m, from, to),
                brake: part(&batch.brake, from, to),
                current_a: part(&batch.current_a, from, to),
                voltage_v: part(&batch.voltage_v, from, to),
                state_of_charge: part(&batch.state_of_charge, from, to),
                ambient_c: part(&batch.ambient_c, from, to),
                brake_temperature_c: part(&batch.brake_temperature_c, from, to),
                auxiliary_w: part(&batch.auxiliary_w, from, to),
                gross_mass_kg: part(&batch.gross_mass_kg, from, to),
                latitude_deg: part(&batch.latitude_deg, from, to),
                longitude_deg: part(&batch.longitude_deg, from, to),
                slip_control: part(&batch.slip_control, from, to),
                battery_temperature_c: part(&batch.battery_temperature_c, from, to),
                charge_limit_w: part(&batch.charge_limit_w, from, to),
            }
        })
        .collect()
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::demo::{
        drive::tests::{slope, trace},
        machine::tests::van,
    };

    pub(in crate::demo) const EQUIPMENT: Equipment = Equipment {
        brake_kind: BrakeKind::Pressure,
        current_sign: CurrentSign::ChargePositive,
        voltage: true,
        state_of_charge: true,
        charge_limit: false,
        ambient: true,
        gross_mass: false,
        rotor: false,
    };

    #[test]
    fn perfect_sensors_show_what_happened() {
        let (van, road) = (van(), slope(3));
        let trace = trace(&van, &road, None, 250);
        let batch = observe(&trace, &van, &EQUIPMENT, &Disturbance::NONE, &mut Noise::new(1));
        assert!(
            batch
                .violations(BrakeKind::Pressure)
                .iter()
                .all(|v| v.field == "time_ms"),
            "too long for one batch"
        );
        assert_eq!(batch.len(), trace.rows.len());
        let friction: f64 = trace
            .rows
            .windows(2)
            .zip(&batch.brake[1..])
            .map(|(pair, bar)| bar * 380.0 * (pair[1].at_m - pair[0].at_m))
            .sum();
        let truth: f64 = trace.rows.iter().map(|r| r.energies.friction.total()).sum();
        assert!((friction / truth - 1.0).abs() < 1e-9, "{friction} {truth}");
    }

    #[test]
    fn the_errors_have_the_size_that_was_asked_for() {
        let (van, road) = (van(), slope(3));
        let trace = trace(&van, &road, None, 250);
        let d = Disturbance {
            altitude_m: 1.2,
            speed_mps: 0.04,
            current_a: 1.5,
            lost: 0.02,
            ..Disturbance::NONE
        };
        let batch = observe(&trace, &van, &EQUIPMENT, &d, &mut Noise::new(5));
        let by_time = |t: i64| &trace.rows[((t - trace.rows[0].time_ms) / 250) as usize];
        let spread = |column: &[f64], of: fn(&Row) -> f64| {
            let n = column.len() as f64;
            let errors: f64 = batch
                .time_ms
                .iter()
                .zip(column)
                .filter(|(t, _)| by_time(**t).speed_mps > 1.0)
                .map(|(t, x)| (x - of(by_time(*t))).powi(2))
                .sum();
            (errors / n).sqrt()
        };
        for (found, asked) in [
            (spread(&batch.altitude_m, |r| r.altitude_m), 1.2),
            (spread(&batch.speed_mps, |r| r.speed_mps), 0.04),
            (spread(&batch.current_a, |r| r.current_a), 1.5),
        ] {
            assert!((found / asked - 1.0).abs() < 0.08, "{found} {asked}");
        }
        let lost = 1.0 - batch.len() as f64 / trace.rows.len() as f64;
        assert!((lost - 0.02).abs() < 0.01, "{lost}");
        assert!(
            batch
                .speed_mps
                .iter()
                .zip(&batch.time_ms)
                .all(|(v, t)| by_time(*t).speed_mps > 0.0 || *v == 0.0)
        );
    }

    #[test]
    fn a_gap_is_a_gap_and_cutting_loses_nothing() {
        let (van, road) = (van(), slope(0));
        let trace = trace(&van, &road, None, 250);
        let from = trace.rows[600].time_ms;
        let d = Disturbance {
            gap: Some((from, 12_000)),
            ..Disturbance::NONE
        };
        let batch = observe(&trace, &van, &EQUIPMENT, &d, &mut Noise::new(5));
        let longest = batch.time_ms.windows(2).map(|w| w[1] - w[0]).max().unwrap();
        assert_eq!(longest, 12_250);
        let pieces = cut(&batch, 100);
        assert!(
            pieces
                .iter()
                .all(|p| p.violations(BrakeKind::Pressure).is_empty())
        );
        assert_eq!(
            pieces
                .iter()
                .flat_map(|p| p.voltage_v.clone())
                .collect::<Vec<_>>(),
            batch.voltage_v
        );
        assert_eq!(
            pieces.iter().flat_map(|p| p.time_ms.clone()).collect::<Vec<_>>(),
            batch.time_ms
        );
    }
}
