//! One descent with every quantity set, worked out by hand so that its account can be added up again.

use std::{
    io::Write,
    sync::{Arc, Mutex, PoisonError},
};

use coldbrake::{
    exit::Outcome,
    printer::{Format, Printer, Units},
};
use coldbrake_engine::{
    Descent, ProfilePoint,
    grade::{GradeMatch, GradeOutcome},
    record::{EndReason, Estimate, Flag, Flags, FrictionByCause, FrictionMethod, MassSource, StartReason},
};

/// What a command wrote.
#[derive(Clone, Default)]
pub(crate) struct Paper(Arc<Mutex<Vec<u8>>>);

impl Paper {
    pub(crate) fn text(&self) -> String {
        let bytes = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

impl Write for Paper {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// What the reader looks at.
#[derive(Clone, Copy)]
pub(crate) struct View {
    pub(crate) format: Format,
    pub(crate) units: Units,
    pub(crate) width: usize,
    pub(crate) unicode: bool,
}

pub(crate) const WIDE: View = View {
    format: Format::Table,
    units: Units::Metric,
    width: 80,
    unicode: true,
};
pub(crate) const JSON: View = View {
    format: Format::Json,
    ..WIDE
};
pub(crate) const CSV: View = View {
    format: Format::Csv,
    ..WIDE
};
/// A narrow terminal without Unicode, US units.
pub(crate) const NARROW: View = View {
    format: Format::Table,
    units: Units::Us,
    width: 60,
    unicode: false,
};

/// Runs `print` and returns what it wrote: standard output and standard error.
pub(crate) fn run(view: View, print: impl FnOnce(&mut Printer) -> Outcome) -> (String, String) {
    let (out, err) = (Paper::default(), Paper::default());
    let mut printer = Printer::captured(
        view.format,
        view.units,
        Box::new(out.clone()),
        Box::new(err.clone()),
    );
    printer.width = view.width;
    printer.unicode = view.unicode;
    print(&mut printer).unwrap();
    printer.flush().unwrap();
    drop(printer);
    (out.text(), err.text())
}

/// The same with both streams on one page, for pictures.
pub(crate) fn picture(view: View, print: impl FnOnce(&mut Printer) -> Outcome) -> String {
    let (out, err) = run(view, print);
    for line in out.lines() {
        assert!(
            view.format != Format::Table || line.chars().count() <= view.width,
            "wider than {}: {line}",
            view.width
        );
        assert!(
            view.unicode || line.is_ascii() || view.format != Format::Table,
            "not ASCII: {line}"
        );
    }
    format!("{out}--- stderr\n{err}")
}

fn estimate(value: f64, spread: f64) -> Estimate {
    Estimate {
        value,
        low: value - spread,
        high: value + spread,
    }
}

/// 612 m down over 9.84 km in a van of 2.5 t.
pub(crate) fn descent() -> Descent {
    let potential = 2_500.0 * 9.806_65 * 612.0;
    let (kinetic, propulsion, road_load, closure) = (-21_000.0, 190_000.0, 3_852_000.0, 12_400.0);
    let available = potential + kinetic + propulsion - road_load - closure;
    let causes = [0.0, 41_000.0, 122_000.0, 611_000.0, 0.0, 233_000.0, 96_000.0];
    let friction: f64 = causes.iter().sum();
    let (recovered, recovered_wheels) = (8_150_000.0, 9_730_000.0);
    Descent {
        descent: "20260312T071502Z-17".into(),
        vehicle: "van-07".into(),
        vehicle_class: "van".into(),
        software_version: "4.2.0".into(),
        grade: Some("harrow-pass-east".into()),
        grade_match: Some(GradeMatch {
            outcome: GradeOutcome::Matched,
            nearest: Some("harrow-pass-east".into()),
            score: Some(0.93),
            coverage: Some(0.98),
            second: None,
            by_position: false,
        }),
        top_position: None,
        bottom_position: None,
        start_time_ms: 1_773_299_702_123,
        end_time_ms: 1_773_300_534_123,
        start_reason: StartReason::Crest,
        end_reason: EndReason::Level,
        drop_m: 612.0,
        top_altitude_m: 1_483.0,
        climb_m: 8.4,
        distance_m: 9_840.0,
        mean_gradient: -612.0 / 9_840.0,
        steepest_gradient: Some(-0.093),
        duration_s: 832.0,
        moving_s: 806.0,
        standing_s: 26.0,
        mean_speed_mps: 9_840.0 / 806.0,
        top_speed_mps: 17.4,
        potential_released_j: potential,
        kinetic_released_j: kinetic,
        road_load_j: road_load,
        propulsion_j: propulsion,
        available_j: estimate(available, 0.09 * available),
        recovered_j: estimate(recovered, 0.015 * recovered),
        discharged_j: 402_000.0,
        battery_net_j: recovered - 402_000.0,
        auxiliary_j: 583_000.0,
        recovered_wheels_j: recovered_wheels,
        friction_j: Some(estimate(friction, 0.1 * friction)),
        friction_method: Some(FrictionMethod::Measured),
        friction_by_cause_j: Some(FrictionByCause::from_array(causes)),
        closure_j: closure,
        recovery_ratio: Some(estimate(recovered / available, 0.062)),
        recovery_ratio_wheels: Some(estimate(recovered_wheels / available, 0.075)),
        friction_share: Some(estimate(friction / available, 0.013)),
        gross_recovery_ratio: Some(recovered / (potential + kinetic)),
        peak_recovery_w: 61_300.0,
        peak_friction_w: Some(38_200.0),
        brake_applications: 23,
        braking_events: 31,
        friction_free_event_share: Some(0.419),
        friction_free_energy_share: Some(0.712),
        friction_time_share: Some(0.087),
        friction_kj_per_km: Some(friction / 9_840.0),
        friction_kj_per_t_100m: Some(friction * 1e-3 / (2.5 * 6.12)),
        unexplained_kj_per_t_100m: Some(96.0 / (2.5 * 6.12)),
        type_ii_multiple: available / (2_500.0 * 9.806_65 * 360.0),
        brake_temperature_start_c: Some(41.0),
        brake_temperature_peak_c: Some(171.0),
        measured_brake_temperature_start_c: Some(38.0),
        measured_brake_temperature_peak_c: Some(166.0),
        above_inspection_temperature_s: 94.0,
        state_of_charge_start: Some(0.951),
        state_of_charge_end: Some(0.989),
        ambient_c: Some(11.0),
        mass_kg: 2_500.0,
        mass_source: MassSource::Declared,
        mass_uncertainty: 0.03,
        sample_count: 8_301,
        coverage: 0.9978,
        longest_gap_s: 1.8,
        altitude_noise_m: 0.71,
        flags: Flags::default().with(Flag::BridgedGap).with(Flag::VoltageAssumed),
    }
}

/// A second descent on which almost nothing is known.
pub(crate) fn bare() -> Descent {
    Descent {
        descent: "20260312T093000Z-18".into(),
        vehicle: "truck-2".into(),
        vehicle_class: "truck".into(),
        software_version: "4.1.9".into(),
        grade: None,
        grade_match: Some(GradeMatch {
            outcome: GradeOutcome::Ambiguous,
            nearest: Some("mill-lane-down".into()),
            score: Some(0.81),
            coverage: Some(0.9),
            second: Some("mill-lane-old-road".into()),
            by_position: false,
        }),
        start_time_ms: 1_773_307_800_000,
        end_time_ms: 1_773_308_100_000,
        start_reason: StartReason::RecordStart,
        end_reason: EndReason::DataGap,
        drop_m: 63.0,
        climb_m: 0.0,
        distance_m: 1_400.0,
        steepest_gradient: None,
        friction_j: None,
        friction_method: None,
        friction_by_cause_j: None,
        recovery_ratio: None,
        recovery_ratio_wheels: None,
        friction_share: None,
        gross_recovery_ratio: None,
        peak_friction_w: None,
        brake_applications: 0,
        friction_free_event_share: None,
        friction_free_energy_share: None,
        friction_time_share: None,
        friction_kj_per_km: None,
        friction_kj_per_t_100m: None,
        unexplained_kj_per_t_100m: None,
        brake_temperature_start_c: None,
        brake_temperature_peak_c: None,
        measured_brake_temperature_start_c: None,
        measured_brake_temperature_peak_c: None,
        above_inspection_temperature_s: 0.0,
        state_of_charge_start: None,
        state_of_charge_end: None,
        ambient_c: None,
        mass_source: MassSource::Class,
        flags: Flags::default().with(Flag::MassAssumed).with(Flag::LowCoverage),
        ..descent()
    }
}

/// The profile of [`descent`]: steep above, a hairpin in the middle, friction where the battery is full.
pub(crate) fn profile() -> Vec<ProfilePoint> {
    (1..=41_u8)
        .map(|k| {
            let x = f32::from(k) / 41.0;
            let friction = match k {
                19..=22 => 24e3,
                30..=37 => 9e3 + 1.5e3 * f32::from(k - 30),
                _ => 0.0,
            };
            ProfilePoint {
                distance_m: 240.0 * f32::from(k),
                altitude_m: 1_483.0 - 612.0 * (1.25 * x - 0.25 * x * x),
                friction_w: Some(friction),
                recovery_w: if k < 30 { 14e3 - 3e3 * x } else { 4e3 },
                speed_mps: if (19..=22).contains(&k) {
                    6.5
                } else {
                    12.5 + 3.0 * x
                },
                brake_temperature_c: Some(41.0 + 130.0 * x * x),
            }
        })
        .collect()
}
