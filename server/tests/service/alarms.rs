//! Alarms over gRPC: raised once by descents, told to watchers, handled by people, kept over a restart.

use coldbrake_proto::v1::{
    self, AlarmEventKind, AlarmKind, AlarmScope, AlarmStage, PutVehicleClassRequest,
    alarm_service_client::AlarmServiceClient,
};
use coldbrake_server::{Config, ServerHandle};
use tokio::time::timeout;
use tonic::{Code, transport::Channel};
use tonic_types::StatusExt as _;

use super::support::*;

/// Brakes so small that each descent of [`drive`] takes them above the inspection temperature.
async fn small_brakes(server: &ServerHandle) {
    let document_toml =
        format!("{CLASS}front_heat_capacity_j_per_k = 15e3\nrear_heat_capacity_j_per_k = 15e3\n");
    fleet(server)
        .await
        .put_vehicle_class(PutVehicleClassRequest { document_toml })
        .await
        .unwrap();
}

async fn alarms(server: &ServerHandle) -> AlarmServiceClient<Channel> {
    AlarmServiceClient::new(channel(server).await)
}

async fn all(server: &ServerHandle) -> Vec<v1::Alarm> {
    alarms(server)
        .await
        .list_alarms(v1::ListAlarmsRequest::default())
        .await
        .unwrap()
        .into_inner()
        .alarms
}

/// Streams so many descents of a vehicle, in a session of its own.
async fn descend(server: &ServerHandle, vehicle: &str, times: usize) {
    let batches = messages(&drive(times, 50));
    let (mut v, _) = Vehicle::open(channel(server).await, open(vehicle, session(7)))
        .await
        .unwrap();
    v.deliver(&batches).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn hot_descents_raise_one_alarm_that_people_handle_and_a_restart_keeps() {
    let directory = tempfile::tempdir().unwrap();
    let config = Config::in_process().with_directory(directory.path());
    let server = serve(config.clone()).await;
    small_brakes(&server).await;
    let mut client = alarms(&server).await;
    let mut watch = client
        .watch_alarms(v1::WatchAlarmsRequest::default())
        .await
        .unwrap()
        .into_inner();
    descend(&server, "van-1", 5).await;

    let found = all(&server).await;
    assert_eq!(found.len(), 1, "{found:#?}");
    let alarm = &found[0];
    assert_eq!(
        (alarm.kind(), alarm.stage(), alarm.scope()),
        (AlarmKind::HotBrakes, AlarmStage::Raised, AlarmScope::Vehicle)
    );
    assert_eq!(alarm.scope_vehicle.as_deref(), Some("van-1"));
    assert_eq!(
        (alarm.value, alarm.limit, alarm.unit.as_str()),
        (3.0, 3.0, "descents")
    );
    assert_eq!(alarm.evidence.as_ref().unwrap().high_descent_count, 5);
    assert!(!alarm.planning && alarm.caution.contains("not an inspection"));
    let told = timeout(PATIENCE, watch.message())
        .await
        .unwrap()
        .unwrap()
        .unwrap();
    let event = told.event.unwrap();
    assert_eq!((event.position, event.kind()), (1, AlarmEventKind::Raised));
    assert_eq!(event.alarm.unwrap().alarm, alarm.alarm);

    let acknowledged = client
        .acknowledge_alarm(v1::AcknowledgeAlarmRequest {
            alarm: alarm.alarm.clone(),
            note: "workshop on Monday".to_owned(),
        })
        .await
        .unwrap()
        .into_inner()
        .alarm
        .unwrap();
    assert_eq!(acknowledged.stage(), AlarmStage::Acknowledged);
    assert_eq!(
        (acknowledged.person.as_str(), acknowledged.note.as_str()),
        ("local", "workshop on Monday")
    );
    let audit = server.store().audit(None, 1).unwrap().rows;
    assert_eq!(
        (audit[0].action.as_str(), &audit[0].subject),
        ("AcknowledgeAlarm", &alarm.alarm)
    );
    drop((client, watch));
    assert!(server.shutdown().await.is_clean());

    // The acknowledged state is there, and the same cause raises no second alarm.
    let server = ServerHandle::start(config).await.unwrap();
    let kept = all(&server).await;
    assert_eq!(kept, [acknowledged]);
    descend(&server, "van-2", 5).await;
    let both = all(&server).await;
    assert_eq!(both.len(), 2);
    assert!(both[0].alarm > both[1].alarm || both[0].raised_time_ms == both[1].raised_time_ms);

    let mut client = alarms(&server).await;
    let id = kept[0].alarm.clone();
    let quiet = |until_ms| v1::QuietAlarmRequest {
        alarm: id.clone(),
        until_ms,
        note: String::new(),
    };
    let refused = client.quiet_alarm(quiet(5)).await.unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
    let until_ms = kept[0].latest_time_ms + 86_400_000;
    let quieted = client
        .quiet_alarm(quiet(until_ms))
        .await
        .unwrap()
        .into_inner()
        .alarm
        .unwrap();
    assert_eq!(
        (quieted.stage(), quieted.quieted_until_ms),
        (AlarmStage::Quieted, Some(until_ms))
    );
    let close = v1::CloseAlarmRequest {
        alarm: id.clone(),
        note: "new pads".to_owned(),
        relearn: false,
    };
    let closed = client
        .close_alarm(close.clone())
        .await
        .unwrap()
        .into_inner()
        .alarm
        .unwrap();
    assert_eq!(
        (closed.stage(), closed.closing()),
        (AlarmStage::Closed, v1::AlarmClosing::Person)
    );
    let again = client.close_alarm(close).await.unwrap_err();
    assert_eq!(again.code(), Code::FailedPrecondition);
    assert_eq!(
        again.get_error_details().error_info().unwrap().reason,
        "ALARM_CLOSED"
    );
    let missing = client
        .get_alarm(v1::GetAlarmRequest {
            alarm: "20260101T000000Z-00000000".to_owned(),
        })
        .await
        .unwrap_err();
    assert_eq!(missing.code(), Code::NotFound);

    // Everything that happened is told again, in order and without a gap.
    let mut watch = client
        .watch_alarms(v1::WatchAlarmsRequest {
            after_position: Some(0),
            filter: None,
        })
        .await
        .unwrap()
        .into_inner();
    let mut kinds = Vec::new();
    for position in 1..=5 {
        let told = timeout(PATIENCE, watch.message())
            .await
            .unwrap()
            .unwrap()
            .unwrap();
        let event = told.event.unwrap();
        assert_eq!((event.position, told.skipped_count), (position, 0));
        kinds.push(event.kind());
    }
    assert_eq!(
        kinds,
        [
            AlarmEventKind::Raised,
            AlarmEventKind::Acknowledged,
            AlarmEventKind::Raised,
            AlarmEventKind::Quieted,
            AlarmEventKind::Closed
        ]
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn rules_can_be_changed_previewed_and_taken_back() {
    let server = serve(Config::in_process()).await;
    small_brakes(&server).await;
    let mut client = alarms(&server).await;
    let rules = |answer: v1::ListAlarmRulesResponse| -> Vec<(String, bool)> {
        answer
            .rules
            .into_iter()
            .map(|r| (r.vehicle_class, r.built_in))
            .collect()
    };
    let listed = client
        .list_alarm_rules(v1::ListAlarmRulesRequest {})
        .await
        .unwrap();
    assert_eq!(rules(listed.into_inner()), [("default".to_owned(), true)]);
    let put = |document_toml: &str| v1::PutAlarmRuleRequest {
        document_toml: document_toml.to_owned(),
    };
    let strict = "vehicle_class = 'van'\nhot_descents = 5";
    client.put_alarm_rule(put(strict)).await.unwrap();
    for (wrong, field) in [
        (
            "vehicle_class = 'van'\nspike_sigmas = 0.1",
            "document_toml.spike_sigmas",
        ),
        ("vehicle_class = 'van'\nspik_sigmas = 5.0", "document_toml"),
    ] {
        let refused = client.put_alarm_rule(put(wrong)).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument);
        let details = refused.get_error_details();
        assert_eq!(details.bad_request().unwrap().field_violations[0].field, field);
    }
    descend(&server, "van-1", 4).await;
    assert_eq!(all(&server).await, [], "four hot descents of five");

    let preview = |document: &str| v1::PreviewAlarmsRequest {
        document_toml: document.to_owned(),
        ..v1::PreviewAlarmsRequest::default()
    };
    let seen = client.preview_alarms(preview("")).await.unwrap().into_inner();
    assert_eq!(
        (seen.alarms.len(), seen.descent_count, seen.cut_off),
        (0, 4, false)
    );
    let seen = client
        .preview_alarms(preview("vehicle_class = 'van'\nhot_descents = 2"))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(seen.alarms.len(), 1);
    assert_eq!(seen.alarms[0].kind(), AlarmKind::HotBrakes);
    assert_eq!(all(&server).await, [], "a preview changes nothing");

    let delete = v1::DeleteAlarmRuleRequest {
        vehicle_class: "van".to_owned(),
    };
    client.delete_alarm_rule(delete.clone()).await.unwrap();
    assert_eq!(
        client.delete_alarm_rule(delete).await.unwrap_err().code(),
        Code::NotFound
    );
    let answer = client
        .list_alarm_rules(v1::ListAlarmRulesRequest {})
        .await
        .unwrap();
    assert_eq!(rules(answer.into_inner()), [("default".to_owned(), true)]);
}

#[tokio::test(flavor = "multi_thread")]
async fn alarms_are_listed_by_filter_and_by_page() {
    let server = serve(Config::in_process()).await;
    small_brakes(&server).await;
    for vehicle in ["van-1", "van-2", "van-3"] {
        descend(&server, vehicle, 3).await;
    }
    let mut client = alarms(&server).await;
    let mut request = v1::ListAlarmsRequest {
        page_size: 2,
        ..v1::ListAlarmsRequest::default()
    };
    let first = client.list_alarms(request.clone()).await.unwrap().into_inner();
    assert_eq!(first.alarms.len(), 2);
    request.page_token = first.next_page_token;
    let second = client.list_alarms(request.clone()).await.unwrap().into_inner();
    assert_eq!((second.alarms.len(), second.next_page_token.as_str()), (1, ""));
    let count = async |filter: v1::AlarmFilter| {
        let request = v1::ListAlarmsRequest {
            filter: Some(filter),
            ..v1::ListAlarmsRequest::default()
        };
        alarms(&server)
            .await
            .list_alarms(request)
            .await
            .unwrap()
            .into_inner()
            .alarms
            .len()
    };
    let filter = v1::AlarmFilter::default;
    assert_eq!(count(filter()).await, 3);
    let vehicle = Some("van-2".to_owned());
    assert_eq!(count(v1::AlarmFilter { vehicle, ..filter() }).await, 1);
    let planning = Some(true);
    assert_eq!(count(v1::AlarmFilter { planning, ..filter() }).await, 0);
    let stages = vec![AlarmStage::Acknowledged.into(), AlarmStage::Closed.into()];
    assert_eq!(count(v1::AlarmFilter { stages, ..filter() }).await, 0);
    let kinds = vec![AlarmKind::HotBrakes.into()];
    assert_eq!(count(v1::AlarmFilter { kinds, ..filter() }).await, 3);
    let other = v1::AlarmFilter {
        kinds: vec![AlarmKind::HotBrakes.into()],
        ..filter()
    };
    request.filter = Some(other);
    assert_eq!(
        client.list_alarms(request).await.unwrap_err().code(),
        Code::InvalidArgument
    );
}
