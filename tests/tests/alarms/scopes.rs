//! Whose fault it is: one cause, one alarm, with the right scope and with evidence, through a real server.

use coldbrake_proto::v1::{Alarm, AlarmKind, AlarmScope, AlarmSign, AlarmStage, Descent};

use super::fleet::{CAPACITY_J, Fleet, OLD, ROADS, Trip, VEHICLES};

/// The one alarm that there ever was.
async fn only(fleet: &Fleet) -> Alarm {
    let all = fleet.alarms().await;
    let seen: Vec<_> = all
        .iter()
        .map(|a| (&a.headline, a.stage(), a.closing()))
        .collect();
    assert_eq!(all.len(), 1, "{seen:#?}");
    let alarm = all.into_iter().next().unwrap();
    assert_eq!(alarm.kind(), AlarmKind::UnexplainedFriction);
    assert_eq!(alarm.stage(), AlarmStage::Raised);
    assert!(!alarm.planning && alarm.caution.contains("not an inspection"));
    assert!(
        alarm.value > alarm.limit && alarm.limit > alarm.usual.unwrap(),
        "{alarm:?}"
    );
    alarm
}

fn names(found: &[String]) -> Vec<&str> {
    let mut found: Vec<&str> = found.iter().map(String::as_str).collect();
    found.sort_unstable();
    found
}

#[tokio::test(flavor = "multi_thread")]
async fn a_dragging_brake_is_one_alarm_about_the_vehicle() {
    let mut fleet = Fleet::usual().await;
    let drags = Trip {
        drag_n: 200.0,
        ..Trip::default()
    };
    for road in ROADS {
        for vehicle in VEHICLES {
            let trip = if vehicle == "van-3" {
                drags
            } else {
                Trip::default()
            };
            fleet.go(vehicle, road, OLD, trip).await;
        }
    }
    let alarm = only(&fleet).await;
    assert_eq!(alarm.scope(), AlarmScope::Vehicle, "{alarm:#?}");
    assert_eq!(alarm.scope_vehicle.as_deref(), Some("van-3"));
    assert_eq!(alarm.sign(), AlarmSign::Spike);
    let evidence = alarm.evidence.unwrap();
    assert_eq!(evidence.high_descent_count, 3);
    assert_eq!(names(&evidence.vehicles), ["van-3"]);
    assert_eq!(names(&evidence.grades), ["mill", "north", "steps"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bad_software_version_is_one_alarm_about_the_version() {
    let mut fleet = Fleet::usual().await;
    let withholds = Trip {
        withheld: 0.16,
        ..Trip::default()
    };
    for _ in 0..2 {
        for road in ROADS {
            for vehicle in VEHICLES {
                if matches!(vehicle, "van-2" | "van-4") {
                    fleet.go(vehicle, road, "4.3.0", withholds).await;
                } else {
                    fleet.go(vehicle, road, OLD, Trip::default()).await;
                }
            }
        }
    }
    let alarm = only(&fleet).await;
    assert_eq!(alarm.scope(), AlarmScope::SoftwareVersion, "{alarm:#?}");
    assert_eq!(alarm.scope_software_version.as_deref(), Some("4.3.0"));
    let evidence = alarm.evidence.unwrap();
    assert_eq!(evidence.high_descent_count, 12);
    assert_eq!(names(&evidence.vehicles), ["van-2", "van-4"]);
    assert_eq!(names(&evidence.software_versions), ["4.3.0"]);
    assert_eq!(evidence.grades.len(), 3);
}

#[tokio::test(flavor = "multi_thread")]
async fn friction_that_all_have_on_one_grade_is_one_alarm_about_the_grade() {
    let mut fleet = Fleet::usual().await;
    let more = Trip {
        withheld: 0.16,
        ..Trip::default()
    };
    for _ in 0..2 {
        for road in ROADS {
            for vehicle in VEHICLES {
                let trip = if road == "mill" { more } else { Trip::default() };
                fleet.go(vehicle, road, OLD, trip).await;
            }
        }
    }
    let alarm = only(&fleet).await;
    assert_eq!(alarm.scope(), AlarmScope::Grade, "{alarm:#?}");
    assert_eq!(alarm.scope_grade.as_deref(), Some("mill"));
    let evidence = alarm.evidence.unwrap();
    assert_eq!(evidence.high_descent_count, 8);
    assert_eq!(names(&evidence.vehicles), VEHICLES);
    assert_eq!(names(&evidence.grades), ["mill"]);
}

/// Friction of a descent and what of it nothing explains, kJ/(t·100 m).
fn friction(d: &Descent) -> (f64, f64) {
    (
        d.friction_kj_per_t_100m.unwrap(),
        d.unexplained_kj_per_t_100m.unwrap(),
    )
}

#[tokio::test(flavor = "multi_thread")]
async fn traffic_that_creeps_and_wheels_that_slip_raise_nothing() {
    let mut fleet = Fleet::usual().await;
    let closure = Trip {
        creep_m: 1200.0,
        ..Trip::default()
    };
    let slippery = Trip {
        slip_m: 1500.0,
        ..Trip::default()
    };
    for trip in [closure, slippery] {
        for vehicle in VEHICLES {
            let (all, unexplained) = friction(&fleet.go(vehicle, "mill", OLD, trip).await);
            // As much as raised alarms above, but not without a reason.
            assert!(all > 150.0 && unexplained < 30.0, "{all} {unexplained}");
        }
        assert_eq!(fleet.alarms().await, []);
    }
    // That it was not overlooked for want of a baseline: the same amount without a reason.
    let without = Trip {
        withheld: 0.16,
        ..Trip::default()
    };
    fleet.go("van-1", "mill", OLD, without).await;
    assert_eq!(only(&fleet).await.scope_grade.as_deref(), Some("mill"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_battery_that_takes_no_more_is_a_message_for_the_next_visit() {
    let mut fleet = Fleet::usual().await;
    // What the grade gives to a battery with room.
    let gives = fleet
        .go("van-1", "north", OLD, Trip::default())
        .await
        .battery_net_j;
    for (kind, trip) in [
        (
            AlarmKind::BatteryFull,
            Trip {
                full: true,
                ..Trip::default()
            },
        ),
        (
            AlarmKind::BatteryCold,
            Trip {
                cold: true,
                limit_w: Some(9e3),
                ..Trip::default()
            },
        ),
        (
            AlarmKind::PowerLimited,
            Trip {
                limit_w: Some(9e3),
                ..Trip::default()
            },
        ),
    ] {
        let known = fleet.alarms().await.len();
        for vehicle in &VEHICLES[..3] {
            let (all, unexplained) = friction(&fleet.go(vehicle, "north", OLD, trip).await);
            assert!(all > 100.0 && unexplained < 30.0, "{kind:?} {all} {unexplained}");
        }
        let all = fleet.alarms().await;
        assert_eq!(all.len(), known + 1, "{all:#?}");
        let message = &all[0];
        assert_eq!((message.kind(), message.planning), (kind, true));
        assert_eq!(
            (message.scope(), message.scope_grade.as_deref()),
            (AlarmScope::Grade, Some("north"))
        );
        let evidence = message.evidence.as_ref().unwrap();
        assert_eq!(evidence.high_descent_count, 3);
        assert_eq!(names(&evidence.vehicles), &VEHICLES[..3]);
        match (&message.head_room, kind) {
            (Some(room), AlarmKind::BatteryFull) => {
                // The battery of the test has 20 kWh; it is full at 97 %.
                let right = 0.97 - gives / CAPACITY_J;
                assert!((room.capacity_j / CAPACITY_J - 1.0).abs() < 0.02, "{room:?}");
                assert!((room.arrive_at_or_below - right).abs() < 0.01, "{room:?} {right}");
                let percent = format!("{:.0} % or less", (room.arrive_at_or_below * 100.0).floor());
                assert!(message.advice.contains(&percent), "{}", message.advice);
            }
            (None, AlarmKind::BatteryCold | AlarmKind::PowerLimited) => {}
            other => panic!("{other:?}"),
        }
    }
    assert!(fleet.alarms().await.iter().all(|a| a.planning));
}
