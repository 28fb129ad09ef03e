use super::*;

const DAY: i64 = 86_400_000;

fn class() -> VehicleClass {
    toml::from_str(
        "vehicle_class='v'\nmass_kg=2500.0\nrolling_coefficient=0.01\ndrag_area_m2=1.2\n\
         max_recovery_power_w=100e3\nnominal_voltage_v=360.0\nfront_share=0.6\n\
         front_pad_wear_um_per_mj=0.5\nfront_pad_usable_mm=8.0\n\
         rear_pad_wear_um_per_mj=0.4\nrear_pad_usable_mm=8.0",
    )
    .unwrap()
}

/// Ten stretches a day of 20 km and 10 MJ.
fn drive(w: &mut Wear, days: std::ops::Range<i64>) {
    for day in days {
        for hour in 0..10 {
            w.add(
                &class(),
                &Worn {
                    friction_j: 10e6,
                    distance_m: 20e3,
                    front_c: None,
                    rear_c: None,
                    time_ms: day * DAY + hour * 3_600_000,
                },
            );
        }
    }
}

fn service(axle: Axle, work: Work, time_ms: i64) -> Service {
    Service { axle, work, time_ms }
}

#[test]
fn a_service_starts_one_axle_anew() {
    let mut w = Wear::default();
    drive(&mut w, 0..5);
    let rear = w.account().rear;
    assert_eq!(
        w.service(&service(Axle::Front, Work::Pads, 5 * DAY)),
        Recorded::Changed
    );
    let a = w.account();
    assert_eq!(
        (a.front.worn_um, a.front.since_ms, a.front.pads_ms),
        (0.0, Some(5 * DAY), Some(5 * DAY))
    );
    assert_eq!(a.rear, rear);
    assert!((rear.worn_um - 50.0 * 0.4 * 4.0).abs() < 1e-9);
}

#[test]
fn the_same_service_again_changes_nothing() {
    let mut w = Wear::default();
    drive(&mut w, 0..3);
    let s = service(Axle::Both, Work::PadsAndRotors, 3 * DAY);
    assert_eq!(w.service(&s), Recorded::Changed);
    drive(&mut w, 4..6);
    let before = w.clone();
    assert_eq!(w.service(&s), Recorded::Again);
    assert_eq!(
        w.service(&service(Axle::Both, Work::Pads, 2 * DAY)),
        Recorded::Older
    );
    assert_eq!(w, before);
}

/// A service told late, or before the samples that were driven before it have come, gives the same account.
#[test]
fn the_time_of_the_service_counts_not_that_of_the_call() {
    let s = service(Axle::Both, Work::Pads, 5 * DAY - 3_600_000);
    let mut in_time = Wear::default();
    drive(&mut in_time, 0..5);
    in_time.service(&s);
    drive(&mut in_time, 5..9);
    let mut late = Wear::default();
    drive(&mut late, 0..9);
    late.service(&s);
    let mut early = Wear::default();
    drive(&mut early, 0..3);
    early.service(&s);
    drive(&mut early, 3..9);
    for (name, other) in [("late", &late), ("early", &early)] {
        for (a, b) in [
            (in_time.account().front, other.account().front),
            (in_time.account().rear, other.account().rear),
        ] {
            assert_eq!(a.since_ms, b.since_ms, "{name}");
            assert!((a.worn_um - 40.0 * if a == in_time.account().front { 3.0 } else { 1.6 }).abs() < 1e-6);
            // The night between two marks lies on a straight line: a part of a day.
            assert!(
                (a.friction_j - b.friction_j).abs() < 0.03 * a.friction_j,
                "{name} {a:?} {b:?}"
            );
            assert!(
                (a.distance_m - b.distance_m).abs() < 0.03 * a.distance_m,
                "{name} {a:?} {b:?}"
            );
        }
    }
}

#[test]
fn a_service_before_the_vehicle_was_known_keeps_all_that_was_seen() {
    let mut w = Wear::default();
    drive(&mut w, 10..12);
    let before = w.account().front.worn_um;
    assert_eq!(
        w.service(&service(Axle::Front, Work::Pads, 4 * DAY)),
        Recorded::Changed
    );
    assert!((w.account().front.worn_um - before).abs() < 1e-9);
    assert_eq!(w.account().front.since_ms, Some(4 * DAY));
}

#[test]
fn only_a_lasting_firm_stop_counts() {
    let mut w = Wear::default();
    w.firm(600, 1_000, 0.0);
    w.not_firm();
    w.firm(600, 1_800, 0.0);
    assert_eq!(w.account().last_firm_ms, None);
    w.firm(600, 2_400, 9.0);
    assert_eq!(
        (w.account().last_firm_ms, w.account().clean_ms),
        (Some(2_400), Some(2_400))
    );
    assert!((w.account().clean_m - 9.0).abs() < 1e-12);
}

#[test]
fn a_look_clears_what_ran_hot_before_it_and_only_that() {
    let mut w = Wear::default();
    drive(&mut w, 0..2);
    w.add_hot_descent(2 * DAY);
    drive(&mut w, 3..4);
    w.add_hot_descent(4 * DAY);
    assert_eq!(
        (w.account().hot_descents, w.account().last_hot_ms),
        (2, Some(4 * DAY))
    );
    let worn = w.account().front.worn_um;
    assert_eq!(
        w.service(&service(Axle::Both, Work::Inspection, 3 * DAY)),
        Recorded::Changed
    );
    assert_eq!(
        (w.account().hot_descents, w.account().last_hot_ms),
        (1, Some(4 * DAY))
    );
    assert!(
        (w.account().front.worn_um - worn).abs() < 1e-12,
        "an inspection wears nothing off"
    );
    w.add_hot_descent(2 * DAY + 5);
    assert_eq!(
        w.account().hot_descents,
        1,
        "driven before the look, told after it"
    );
    assert_eq!(
        w.service(&service(Axle::Both, Work::Inspection, 5 * DAY)),
        Recorded::Changed
    );
    assert_eq!((w.account().hot_descents, w.account().last_hot_ms), (0, None));
}

#[test]
fn a_long_drag_that_warms_both_axles_is_no_disuse() {
    let mut w = Wear::default();
    let mut drag = |front, rear, friction_j, time_ms| {
        w.add(
            &class(),
            &Worn {
                friction_j,
                distance_m: 500.0,
                front_c: Some(front),
                rear_c: Some(rear),
                time_ms,
            },
        );
        w.account().clean_ms
    };
    assert_eq!(drag(140.0, 60.0, 1e6, 1_000), None, "the rear stayed cold");
    assert_eq!(drag(140.0, 110.0, 0.0, 2_000), None, "they only cool");
    assert_eq!(drag(140.0, 110.0, 1e6, 3_000), Some(3_000));
    assert!((w.account().clean_m - 1_500.0).abs() < 1e-9);
    assert_eq!(w.account().last_firm_ms, None);
}

#[test]
fn new_rotors_on_all_axles_are_clean() {
    let mut w = Wear::default();
    drive(&mut w, 0..10);
    w.service(&service(Axle::Front, Work::Rotors, 10 * DAY));
    assert_eq!(w.account().clean_ms, None);
    w.service(&service(Axle::Both, Work::Rotors, 10 * DAY));
    assert_eq!(w.account().clean_ms, Some(10 * DAY));
    assert!((w.account().clean_m - 2e6).abs() < 1.0);
}

/// A state with a time beyond what states may hold would not be read again.
#[test]
fn a_time_that_cannot_be_is_not_recorded() {
    let opening = crate::Opening {
        session: crate::Session([1; 16]),
        software_version: "1".to_owned(),
        brake_kind: crate::BrakeKind::Pressure,
        current_sign: crate::CurrentSign::ChargePositive,
        declared_mass_kg: None,
        declared_mass_uncertainty: None,
    };
    let mut state = crate::VehicleState::new("van-07", opening);
    let before = state.to_bytes();
    for time_ms in [i64::MIN, -1, (1 << 60) + 1, i64::MAX] {
        let told = state.record_service(&service(Axle::Both, Work::Pads, time_ms));
        assert_eq!(told, Recorded::Impossible, "{time_ms}");
        assert_eq!(state.to_bytes(), before, "{time_ms}");
    }
    for time_ms in [0, 1 << 60] {
        let told = state.record_service(&service(Axle::Both, Work::Pads, time_ms));
        assert_eq!(told, Recorded::Changed, "{time_ms}");
        crate::VehicleState::from_bytes(&state.to_bytes()).unwrap();
    }
}
