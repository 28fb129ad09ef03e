//! Services of brakes: recorded once, with the state of the vehicle, whoever streams, stops or fails meanwhile.

use std::{sync::Arc, time::Duration};

use coldbrake_proto::v1::{
    BrakeAxle, BrakeConcern, BrakeUrgency, BrakeWork, GetBrakesRequest, GetBrakesResponse, ListBrakesRequest,
    ListBrakesResponse, PutVehicleClassRequest, RecordBrakeServiceRequest,
    brake_service_client::BrakeServiceClient,
};
use coldbrake_server::{Config, ServerHandle, store::MemoryStore};
use tonic::{Code, Status, transport::Channel};
use tonic_types::StatusExt as _;

use super::support::{
    CLASS, Mood, MoodyStore, Vehicle, channel, drive, expected, fleet, listed, messages, open, serve,
    serve_on, session, unlabelled, until,
};

/// The end of every drive here lies before it.
const AFTER_MS: i64 = 1_760_000_000_000 + 86_400_000;
/// The beginning of every drive here.
const START_MS: i64 = 1_760_000_000_000;

async fn client(server: &ServerHandle) -> BrakeServiceClient<Channel> {
    BrakeServiceClient::new(channel(server).await)
}

fn service(vehicle: &str, work: BrakeWork, time_ms: i64) -> RecordBrakeServiceRequest {
    RecordBrakeServiceRequest {
        vehicle: vehicle.to_owned(),
        axle: BrakeAxle::Both.into(),
        work: work.into(),
        service_time_ms: time_ms,
        by: "north workshop".to_owned(),
        note: "rear left was tight".to_owned(),
    }
}

async fn record(server: &ServerHandle, request: RecordBrakeServiceRequest) -> Result<bool, Status> {
    let answer = client(server).await.record_brake_service(request).await?;
    Ok(answer.into_inner().changed)
}

async fn brakes(server: &ServerHandle, vehicle: &str) -> GetBrakesResponse {
    let vehicle = vehicle.to_owned();
    client(server)
        .await
        .get_brakes(GetBrakesRequest { vehicle })
        .await
        .unwrap()
        .into_inner()
}

async fn all(server: &ServerHandle, request: ListBrakesRequest) -> ListBrakesResponse {
    client(server)
        .await
        .list_brakes(request)
        .await
        .unwrap()
        .into_inner()
}

/// Entries of the audit log about services.
fn audited(server: &ServerHandle) -> usize {
    let page = server.store().audit(None, 1_000).unwrap();
    let of_services = |a: &&coldbrake_server::store::AuditRecord| a.action == "RecordBrakeService";
    page.rows.iter().filter(of_services).count()
}

async fn driven(server: &ServerHandle, vehicle: &str, times: usize) {
    let (mut van, _) = Vehicle::open(channel(server).await, open(vehicle, session(1)))
        .await
        .unwrap();
    van.deliver(&messages(&drive(times, 20))).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_begins_the_account_anew_and_is_kept_as_history() {
    let server = serve(Config::in_process()).await;
    driven(&server, "van-1", 2).await;
    let before = brakes(&server, "van-1").await;
    let front = before.brakes.unwrap().front.unwrap();
    assert!(front.friction_j > 1e6 && front.distance_m > 8_000.0, "{front:?}");
    assert!(front.pads_time_ms.is_none() && before.services.is_empty());

    let mut pads = service("van-1", BrakeWork::Pads, AFTER_MS);
    pads.axle = BrakeAxle::Front.into();
    assert!(record(&server, pads.clone()).await.unwrap());
    let after = brakes(&server, "van-1").await;
    let brakes_now = after.brakes.unwrap();
    let (front, rear) = (brakes_now.front.unwrap(), brakes_now.rear.unwrap());
    assert_eq!((front.friction_j, front.pads_time_ms), (0.0, Some(AFTER_MS)));
    assert!(rear.friction_j > 1e6 && rear.pads_time_ms.is_none(), "{rear:?}");
    assert_eq!(after.services.len(), 1);
    let kept = &after.services[0];
    assert_eq!(
        (kept.by.as_str(), kept.note.as_str()),
        ("north workshop", "rear left was tight")
    );
    assert_eq!(
        (kept.recorded_by.as_str(), kept.service_time_ms),
        ("local", AFTER_MS)
    );
    assert!(kept.recorded_time_ms > AFTER_MS);

    // Again: nothing changes, and nothing is written twice. An older one is history only.
    assert!(!record(&server, pads.clone()).await.unwrap());
    assert_eq!(
        (brakes(&server, "van-1").await.services.len(), audited(&server)),
        (1, 1)
    );
    pads.service_time_ms -= 1_000;
    assert!(!record(&server, pads).await.unwrap());
    let services = brakes(&server, "van-1").await.services;
    assert_eq!(
        services.iter().map(|s| s.service_time_ms).collect::<Vec<_>>(),
        [AFTER_MS, AFTER_MS - 1_000]
    );
    assert!(server.shutdown().await.is_clean());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_vehicle_that_is_not_in_memory_is_read_for_its_service() {
    let store: Arc<MemoryStore> = Arc::default();
    let server = serve_on(Config::in_process(), store.clone()).await;
    driven(&server, "van-1", 2).await;
    assert!(server.shutdown().await.is_clean());

    let server = serve_on(Config::in_process(), store.clone()).await;
    assert!(
        record(&server, service("van-1", BrakeWork::PadsAndRotors, AFTER_MS))
            .await
            .unwrap()
    );
    assert!(server.shutdown().await.is_clean());

    let server = serve_on(Config::in_process(), store).await;
    let found = brakes(&server, "van-1").await.brakes.unwrap();
    assert!(found.front.unwrap().friction_j.abs() < 1e-9);
    assert_eq!(found.rear.unwrap().rotors_time_ms, Some(AFTER_MS));
    let unknown = record(&server, service("van-9", BrakeWork::Pads, AFTER_MS))
        .await
        .unwrap_err();
    assert_eq!(unknown.code(), Code::NotFound);
    assert_eq!(
        fleet(&server)
            .await
            .list_vehicles(coldbrake_proto::v1::ListVehiclesRequest::default())
            .await
            .unwrap()
            .into_inner()
            .vehicles
            .len(),
        1
    );
    assert!(server.shutdown().await.is_clean());
}

/// Twenty services, five of each kind, come while the vehicle streams: each is there once, and the descents are those of a
/// drive without them.
#[tokio::test(flavor = "multi_thread")]
async fn services_and_samples_that_cross_harm_neither() {
    let store: Arc<MemoryStore> = Arc::default();
    let server = serve_on(Config::in_process(), store.clone()).await;
    let batches = messages(&drive(6, 10));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[..8]).await;
    van.acknowledged(8).await;
    let works = [
        BrakeWork::Pads,
        BrakeWork::Rotors,
        BrakeWork::PadsAndRotors,
        BrakeWork::Inspection,
    ];
    let mut calls = tokio::task::JoinSet::new();
    for k in 0..20_i64 {
        let mut client = client(&server).await;
        let request = service("van-1", works[k as usize % 4], AFTER_MS + 1_000 * k);
        calls.spawn(async move {
            tokio::time::sleep(Duration::from_millis(3 * k as u64)).await;
            client.record_brake_service(request).await.unwrap();
        });
    }
    van.deliver(&batches[8..]).await;
    while let Some(call) = calls.join_next().await {
        call.unwrap();
    }
    assert_eq!(
        unlabelled(&server, "van-1").await,
        expected("van-1", session(1), &batches)
    );
    // The last of each kind counts; all samples were driven before it, whenever they came.
    let check = async |server: &ServerHandle| {
        let found = brakes(server, "van-1").await;
        assert_eq!(found.services.len(), 20);
        assert_eq!(audited(server), 20);
        let front = found.brakes.unwrap().front.unwrap();
        assert_eq!((front.friction_j, front.distance_m), (0.0, 0.0));
        assert_eq!(front.pads_time_ms, Some(AFTER_MS + 18_000));
        assert_eq!(front.rotors_time_ms, Some(AFTER_MS + 18_000));
        assert_eq!(front.inspection_time_ms, Some(AFTER_MS + 19_000));
    };
    check(&server).await;
    assert!(server.shutdown().await.is_clean());
    let server = serve_on(Config::in_process(), store).await;
    check(&server).await;
    assert!(server.shutdown().await.is_clean());
}

#[tokio::test(flavor = "multi_thread")]
async fn of_many_equal_calls_at_once_one_changes_the_account() {
    let store: Arc<MoodyStore> = Arc::default();
    let server = serve_on(Config::in_process(), store.clone()).await;
    driven(&server, "van-1", 1).await;
    store.set(Mood::Slow(Duration::from_millis(20)));
    let mut calls = tokio::task::JoinSet::new();
    for _ in 0..24 {
        let mut client = client(&server).await;
        calls.spawn(async move {
            let request = service("van-1", BrakeWork::Pads, START_MS);
            client
                .record_brake_service(request)
                .await
                .unwrap()
                .into_inner()
                .changed
        });
    }
    let mut changed = 0;
    while let Some(call) = calls.join_next().await {
        changed += u32::from(call.unwrap());
    }
    assert_eq!((changed, audited(&server)), (1, 1));
    let found = brakes(&server, "van-1").await;
    assert_eq!(found.services.len(), 1);
    // The service was before the first sample: all that was driven counts.
    assert!(found.brakes.unwrap().front.unwrap().distance_m > 4_000.0);
    assert!(server.shutdown().await.is_clean());
}

/// A service is answered only when it is durable; when it cannot become so, neither the account nor the history has it, and
/// the same call afterwards records it once.
#[tokio::test(flavor = "multi_thread")]
async fn a_service_that_could_not_be_stored_never_was() {
    let store: Arc<MoodyStore> = Arc::default();
    let server = serve_on(Config::in_process(), store.clone()).await;
    driven(&server, "van-1", 1).await;
    let before = brakes(&server, "van-1").await;
    store.set(Mood::Held);
    let mut held = client(&server).await;
    let call = tokio::spawn(async move {
        held.record_brake_service(service("van-1", BrakeWork::Pads, AFTER_MS))
            .await
    });
    tokio::time::sleep(Duration::from_millis(200)).await;
    assert!(!call.is_finished(), "it was answered before it was durable");
    store.set(Mood::Failing);
    let refused = call.await.unwrap().unwrap_err();
    assert_eq!(
        refused.get_error_details().error_info().unwrap().reason,
        "STORE_FAILED"
    );
    assert_eq!(brakes(&server, "van-1").await, before);
    let again = record(&server, service("van-1", BrakeWork::Pads, AFTER_MS))
        .await
        .unwrap_err();
    assert_eq!(again.code(), Code::Unavailable);
    drop(server);

    store.set(Mood::Fine);
    let server = serve_on(Config::in_process(), store).await;
    assert_eq!(brakes(&server, "van-1").await, before);
    assert_eq!(audited(&server), 0);
    assert!(
        record(&server, service("van-1", BrakeWork::Pads, AFTER_MS))
            .await
            .unwrap()
    );
    assert_eq!(
        (brakes(&server, "van-1").await.services.len(), audited(&server)),
        (1, 1)
    );
    assert!(server.shutdown().await.is_clean());
}

/// Also when its commit is taken apart because another vehicle cannot be stored.
#[tokio::test(flavor = "multi_thread")]
async fn a_vehicle_that_cannot_be_stored_does_not_cost_another_its_service() {
    let store: Arc<MoodyStore> = Arc::default();
    let server = serve_on(Config::in_process(), store.clone()).await;
    driven(&server, "van-1", 1).await;
    driven(&server, "van-2", 1).await;
    // Both changes wait behind a commit that is held up, and so go into one group.
    store.set(Mood::Held);
    let mut calls = Vec::new();
    for (vehicle, k) in [("van-1", 0), ("van-1", 1), ("van-2", 2), ("van-1", 3)] {
        let mut client = client(&server).await;
        calls.push((
            vehicle,
            tokio::spawn(async move {
                client
                    .record_brake_service(service(vehicle, BrakeWork::Inspection, AFTER_MS + k))
                    .await
            }),
        ));
        tokio::time::sleep(Duration::from_millis(40)).await;
    }
    store.set(Mood::TooLarge("van-2"));
    for (vehicle, call) in calls {
        let answer = call.await.unwrap();
        assert_eq!(answer.is_ok(), vehicle == "van-1", "{vehicle}: {answer:?}");
    }
    store.set(Mood::Fine);
    assert_eq!(
        (brakes(&server, "van-1").await.services.len(), audited(&server)),
        (3, 3)
    );
    assert!(brakes(&server, "van-2").await.services.is_empty());
    let aside = record(&server, service("van-2", BrakeWork::Pads, AFTER_MS))
        .await
        .unwrap_err();
    assert_eq!(aside.code(), Code::Internal);
    server.shutdown().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_list_has_the_worst_first_and_counts_all() {
    let server = serve(Config::in_process()).await;
    for (vehicle, times) in [("van-1", 1), ("van-2", 1), ("van-3", 1)] {
        driven(&server, vehicle, times).await;
    }
    // The class has neither pad data nor heat capacities: nobody can tell, and that is said.
    let found = all(&server, ListBrakesRequest::default()).await;
    assert_eq!(found.brakes.len(), 3);
    let first = &found.brakes[0];
    assert_eq!(
        (first.vehicle.as_str(), first.urgency()),
        ("van-1", BrakeUrgency::NotKnown)
    );
    let concerns: Vec<_> = first
        .findings
        .iter()
        .map(coldbrake_proto::v1::BrakeFinding::concern)
        .collect();
    assert_eq!(concerns, [BrakeConcern::NoPadData, BrakeConcern::NoHeatData]);
    let count = |u: BrakeUrgency| {
        found
            .counts
            .iter()
            .find(|c| c.urgency() == u)
            .unwrap()
            .vehicle_count
    };
    assert_eq!(
        (count(BrakeUrgency::NotKnown), count(BrakeUrgency::Today)),
        (3, 0)
    );

    let one = ListBrakesRequest {
        page_size: 1,
        ..Default::default()
    };
    assert_eq!(all(&server, one).await.brakes.len(), 1);
    let urgent = ListBrakesRequest {
        least_urgency: BrakeUrgency::ThisMonth.into(),
        ..Default::default()
    };
    let urgent = all(&server, urgent).await;
    assert!(urgent.brakes.is_empty() && urgent.counts.len() == 5);
    let other = ListBrakesRequest {
        vehicle_class: Some("truck".to_owned()),
        ..Default::default()
    };
    assert!(all(&server, other).await.brakes.is_empty());
    let bad = ListBrakesRequest {
        least_urgency: 77,
        ..Default::default()
    };
    assert_eq!(
        client(&server).await.list_brakes(bad).await.unwrap_err().code(),
        Code::InvalidArgument
    );
    until("the fleet is still there", async || {
        listed(&server, "van-1").await.len() == 1
    })
    .await;

    // With brakes that get hot on each descent, all are to be looked at; one that was looked at goes to the end.
    let document_toml =
        format!("{CLASS}front_heat_capacity_j_per_k = 15e3\nrear_heat_capacity_j_per_k = 15e3\n");
    fleet(&server)
        .await
        .put_vehicle_class(PutVehicleClassRequest { document_toml })
        .await
        .unwrap();
    for vehicle in ["van-4", "van-5", "van-6"] {
        driven(&server, vehicle, 1).await;
    }
    let order = async || -> Vec<(String, BrakeUrgency)> {
        let found = all(&server, ListBrakesRequest::default()).await.brakes;
        found.iter().map(|b| (b.vehicle.clone(), b.urgency())).collect()
    };
    let of = |vehicle: &str, urgency| (vehicle.to_owned(), urgency);
    let before = order().await;
    assert_eq!(before[0], of("van-4", BrakeUrgency::Today), "{before:?}");
    assert!(
        before[3..].iter().all(|b| b.1 == BrakeUrgency::NotKnown),
        "{before:?}"
    );
    record(&server, service("van-4", BrakeWork::Inspection, AFTER_MS))
        .await
        .unwrap();
    let after = order().await;
    assert_eq!(
        after[..2],
        [of("van-5", BrakeUrgency::Today), of("van-6", BrakeUrgency::Today)]
    );
    assert!(
        after[2..].contains(&of("van-4", BrakeUrgency::NotKnown)),
        "{after:?}"
    );
    assert!(server.shutdown().await.is_clean());
}
