//! Brakes that run hot again and again, and brakes that idle, from end to end: raised once, handled by people, over as soon
//! as a firm stop or a service is known.

use coldbrake_proto::v1::{
    self, Alarm, AlarmClosing, AlarmKind, AlarmScope, AlarmStage, BrakeAxle, BrakeWork,
    RecordBrakeServiceRequest, brake_service_client::BrakeServiceClient,
};
use coldbrake_server::Config;

use super::fleet::{Fleet, HOUR_MS, OLD, Trip};

const DAY_MS: i64 = 24 * HOUR_MS;

/// The latest alarm of so many.
async fn latest(fleet: &Fleet, count: usize) -> Alarm {
    let all = fleet.alarms().await;
    let seen: Vec<_> = all.iter().map(|a| (&a.headline, a.stage())).collect();
    assert_eq!(all.len(), count, "{seen:#?}");
    all.into_iter().next().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn brakes_that_idle_for_two_weeks_are_one_alarm_until_a_firm_stop() {
    let mut fleet = Fleet::start(Config::in_process(), "").await;
    let day = Trip {
        before_m: 16e3,
        ..Trip::default()
    };
    let first_ms = fleet.time_ms;
    let mut driven = 0;
    // Twenty-two kilometres a day: 300 are driven on the 14th day, and 14 days are over on the 15th.
    while fleet.alarms().await.is_empty() {
        fleet.time_ms = first_ms + DAY_MS * driven;
        fleet.go("van-1", "north", OLD, day).await;
        driven += 1;
        assert!(driven < 20);
    }
    assert_eq!(driven, 15);
    let raised = latest(&fleet, 1).await;
    assert_eq!(
        (raised.kind(), raised.scope(), raised.scope_vehicle.as_deref()),
        (AlarmKind::UnusedBrakes, AlarmScope::Vehicle, Some("van-1"))
    );
    assert!((14.0..14.1).contains(&raised.value), "{raised:?}");
    assert_eq!((raised.limit, raised.unit.as_str()), (14.0, "days"));
    let id = raised.alarm.clone();
    let acknowledge = v1::AcknowledgeAlarmRequest {
        alarm: id.clone(),
        note: String::new(),
    };
    fleet.alarm_client().acknowledge_alarm(acknowledge).await.unwrap();

    // It goes on under the same identifier, quiet for as long as somebody wants.
    let quiet = v1::QuietAlarmRequest {
        alarm: id.clone(),
        until_ms: first_ms + 17 * DAY_MS,
        note: String::new(),
    };
    fleet.alarm_client().quiet_alarm(quiet).await.unwrap();
    for (day_of, stage) in [
        (15, AlarmStage::Quieted),
        (16, AlarmStage::Quieted),
        (17, AlarmStage::Raised),
    ] {
        fleet.time_ms = first_ms + DAY_MS * day_of;
        fleet.go("van-1", "north", OLD, day).await;
        let alarm = latest(&fleet, 1).await;
        assert_eq!((&alarm.alarm, alarm.stage()), (&id, stage), "day {day_of}");
    }

    // A firm stop at the end of the next trip: over, without another descent.
    fleet.time_ms = first_ms + DAY_MS * 18;
    let firm = Trip {
        firm_mps2: Some(2.0),
        ..day
    };
    fleet.go("van-1", "north", OLD, firm).await;
    let over = latest(&fleet, 1).await;
    assert_eq!(
        (over.stage(), over.closing()),
        (AlarmStage::Closed, AlarmClosing::Remedied)
    );
    let closed_ms = over.closed_time_ms.unwrap();
    assert!(
        (fleet.time_ms - closed_ms).abs() < 60_000,
        "{over:?} {}",
        fleet.time_ms
    );
    fleet.go("van-1", "north", OLD, day).await;
    latest(&fleet, 1).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn hot_descents_are_counted_anew_after_a_service() {
    // Brakes so small that a full battery makes them hot.
    let small = "front_heat_capacity_j_per_k = 10e3\nrear_heat_capacity_j_per_k = 10e3\n";
    let mut fleet = Fleet::start(Config::in_process(), small).await;
    let hot = Trip {
        full: true,
        ..Trip::default()
    };
    for count in [0, 0, 1] {
        let d = fleet.go("van-1", "north", OLD, hot).await;
        assert!(d.above_inspection_temperature_s > 0.0, "{d:?}");
        assert_eq!(fleet.alarms().await.len(), count);
    }
    let raised = latest(&fleet, 1).await;
    assert_eq!((raised.kind(), raised.value), (AlarmKind::HotBrakes, 3.0));
    assert_eq!(raised.evidence.unwrap().vehicles, ["van-1"]);

    let served_ms = fleet.time_ms + 60_000;
    let inspected = RecordBrakeServiceRequest {
        vehicle: "van-1".to_owned(),
        axle: BrakeAxle::Both.into(),
        work: BrakeWork::Inspection.into(),
        service_time_ms: served_ms,
        by: "north workshop".to_owned(),
        note: String::new(),
    };
    BrakeServiceClient::new(fleet.wire.channel())
        .record_brake_service(inspected)
        .await
        .unwrap();
    let over = latest(&fleet, 1).await;
    assert_eq!(
        (over.stage(), over.closing(), over.closed_time_ms),
        (AlarmStage::Closed, AlarmClosing::Remedied, Some(served_ms))
    );
    // Five of the latest ten were hot, two of them since the inspection: no alarm before the third.
    for count in [1, 1, 2] {
        fleet.go("van-1", "north", OLD, hot).await;
        assert_eq!(fleet.alarms().await.len(), count);
    }
    assert!((latest(&fleet, 2).await.value - 3.0).abs() < 1e-9);
}
