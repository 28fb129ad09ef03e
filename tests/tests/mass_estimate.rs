//! The mass estimated on the simulated cases, against the mass with which they were simulated (`cases/truth.json` and the class
//! files): within 5 %, or the engine says that it can't tell. The class mass that the engine starts from is wrong on purpose.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may fail by panicking, and prints what it measured"
)]

use coldbrake_engine::{Policy, VehicleClass, VehicleState, record::MassSource};
use coldbrake_tests::{
    case::{CASES, Case},
    log,
};

#[test]
fn the_mass_of_the_cases_is_found_or_not_told() {
    let mut told = 0;
    for name in CASES {
        let case = Case::load(name);
        for wrong in [0.7, 1.0, 1.3] {
            let class = VehicleClass {
                mass_kg: wrong * case.class.mass_kg,
                mass_uncertainty: 0.3,

                ..case.class.clone()
            };
            let mut state = VehicleState::new("van-1", log::opening());
            let (mut from, mut found) = (0, Vec::new());
            while from < case.log.time_ms.len() {
                let to = case.log.time_ms.len().min(from + 4_000);
                let batch = log::select(&case.log, from..to);
                found.extend(state.apply(&batch, &class, &Policy::default()).finished);
                from = to;
            }
            found.extend(state.finish(&class, &Policy::default()).finished);
            for f in &found {
                let d = &f.descent;
                if d.mass_source != MassSource::Estimated {
                    continue;
                }
                told += 1;
                let truth = case
                    .truth
                    .iter()
                    .find(|t| (t.t_end_s - coldbrake_tests::case::window_s(d).1).abs() < 60.0)
                    .and_then(|t| t.mass_kg)
                    .unwrap_or(case.class.mass_kg);
                let off = d.mass_kg / truth - 1.0;
                println!(
                    "{name} told {wrong:.1}: {:.0} kg of {truth:.0}, {:+.1} %, uncertainty {:.1} %",
                    d.mass_kg,
                    100.0 * off,
                    100.0 * d.mass_uncertainty
                );
                assert!(off.abs() < 0.05, "{name} {} {truth}", d.mass_kg);
                assert!(
                    off.abs() < 1.96 * d.mass_uncertainty,
                    "{name}: a wrong confident number"
                );
            }
            if let Some(e) = state.mass_estimate(&class) {
                let off = e.mass_kg
                    / case
                        .truth
                        .last()
                        .and_then(|t| t.mass_kg)
                        .unwrap_or(case.class.mass_kg)
                    - 1.0;
                println!(
                    "{name} told {wrong:.1}: at the end {:.0} kg, {:+.1} %, uncertainty {:.1} %",
                    e.mass_kg,
                    100.0 * off,
                    100.0 * e.uncertainty
                );
                told += 1;
                assert!(
                    off.abs() < 0.05 && off.abs() < 1.96 * e.uncertainty,
                    "{name}: {e:?}"
                );
            }
        }
    }
    assert!(told >= 6, "{told}");
}
