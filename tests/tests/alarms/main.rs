//! Alarms on descents that another program simulated; and, from end to end, those of a fleet that streams invented
//! descents to a server: each cause told apart, brakes that run hot or idle, grades that change under past descents.
//!
//! Source of the cases: fastsim 2.1.5 (PyPI, Apache-2.0), see `reference/README.md`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

mod brakes;
mod fleet;
mod grades;
mod scopes;

use coldbrake_engine::{
    Descent, VehicleClass,
    alarm::{Kind, Rule, Watch, What, watch::Facts},
};
use coldbrake_tests::{case, case::Case, log};

const GRADE: &str = "repeat-grade";

/// The 24 passes of one grade with their masses, as on a known grade.
fn passes() -> (VehicleClass, Vec<Descent>, Vec<bool>) {
    let mut case = Case::load("r09_repeat_grade");
    let truth = case.truth.clone();
    case.log.gross_mass_kg = case
        .log
        .time_ms
        .iter()
        .map(|t| {
            let t = (t - case::START_MS) as f64 * 1e-3;
            let pass = truth.iter().rposition(|p| t > p.t_start_s - 600.0).unwrap_or(0);
            truth[pass].mass_kg.expect("a pass has a mass")
        })
        .collect();
    let found = on_grade(log::descents(&case.log, &case.class));
    // `note` in `truth.json`: passes 1 to 12 are healthy, 13 to 24 have their recovery cut by 0.16.
    let faulty = (1..=found.len()).map(|pass| pass > 12).collect();
    (case.class, found, faulty)
}

fn on_grade(descents: Vec<Descent>) -> Vec<Descent> {
    descents
        .into_iter()
        .map(|d| Descent {
            grade: Some(GRADE.to_owned()),
            ..d
        })
        .collect()
}

#[test]
fn a_fault_on_a_repeated_grade_is_raised_within_two_passes_and_never_before() {
    let (class, descents, faulty) = passes();
    assert_eq!(descents.len(), 24);
    let mut watch = Watch::default();
    let mut raised = Vec::new();
    for (pass, (d, faulty)) in descents.iter().zip(&faulty).enumerate() {
        watch.observe(d, Some(&class), &Facts::default());
        for event in watch.events().iter().filter(|e| e.what == What::Raised) {
            let alarm = event.alarm.as_ref().unwrap();
            println!(
                "pass {}: {} {:.1} kJ/(t·100 m), usual {:.1}, limit {:.1}",
                pass + 1,
                alarm.kind.name(),
                alarm.value,
                alarm.usual.unwrap_or_default(),
                alarm.limit
            );
            assert_eq!(alarm.kind, Kind::UnexplainedFriction);
            assert!(faulty, "pass {} is healthy", pass + 1);
            raised.push(pass + 1);
        }
        watch.settle();
    }
    // One cause, one alarm.
    assert_eq!(raised.len(), 1, "{raised:?}");
    assert!((13..=14).contains(&raised[0]), "{raised:?}");
}

#[test]
fn friction_with_a_reason_never_raises_an_alarm() {
    let (_, healthy, faulty) = passes();
    for (name, plan) in [
        ("r04a_full_at_start", Some(Kind::BatteryFull)),
        ("r05_power_limited", Some(Kind::PowerLimited)),
        ("r07_creep", None),
    ] {
        let case = Case::load(name);
        let found = on_grade(log::descents(&case.log, &case.class));
        assert_eq!(found.len(), 1, "{name}");
        let class = found[0].vehicle_class.clone();
        let mut watch = Watch::default();
        let mut seen = Vec::new();
        // What is usual comes from healthy passes of a plain grade, then the case itself again and again.
        let usual = healthy
            .iter()
            .zip(&faulty)
            .filter(|(_, faulty)| !**faulty)
            .map(|(d, _)| d)
            .cycle()
            .take(60)
            .map(|d| Descent {
                vehicle_class: class.clone(),
                ..d.clone()
            });
        for (k, d) in usual.chain(std::iter::repeat_n(found[0].clone(), 60)).enumerate() {
            let d = Descent {
                descent: format!("{k}"),
                end_time_ms: case::START_MS + 3_600_000 * k as i64,
                ..d
            };
            watch.observe(&d, Some(&case.class), &Facts::default());
            seen.extend(watch.events().iter().filter_map(|e| Some(e.alarm.as_ref()?.kind)));
            watch.settle();
        }
        println!(
            "{name}: unexplained {:.1} kJ/(t·100 m), told {seen:?}",
            found[0].unexplained_kj_per_t_100m.unwrap()
        );
        assert!(!seen.contains(&Kind::UnexplainedFriction), "{name}: {seen:?}");
        if let Some(plan) = plan {
            assert!(seen.contains(&plan), "{name}: {seen:?}");
        } else {
            assert!(seen.iter().all(|k| !k.is_planning()), "{name}: {seen:?}");
        }
    }
}

#[test]
fn the_same_without_an_eye_for_causes_would_have_raised_one() {
    // Shows that the test above can fail: all friction of `r04a` taken as unexplained.
    let (class, healthy, _) = passes();
    let case = Case::load("r04a_full_at_start");
    let full = on_grade(log::descents(&case.log, &case.class)).remove(0);
    let mut watch = Watch::with_rule(Rule::default());
    for d in &healthy[..12] {
        watch.observe(d, Some(&class), &Facts::default());
    }
    let blind = Descent {
        unexplained_kj_per_t_100m: full.friction_kj_per_t_100m,
        vehicle_class: healthy[0].vehicle_class.clone(),
        ..full
    };
    watch.observe(&blind, Some(&class), &Facts::default());
    assert!(watch.open().any(|a| a.kind == Kind::UnexplainedFriction));
}
