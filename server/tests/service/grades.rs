//! Known grades from end to end: import, proposals, acceptance, labels and counts of past descents, a restart.

use std::sync::Arc;

use coldbrake_engine::Batch;
use coldbrake_proto::v1::{
    ComputeLostRecoveryRequest, CreateGradeRequest, DeleteGradeRequest, DismissGradeProposalRequest,
    GetDistributionRequest, GetGradeRequest, GradeChange, GradeOutcome, GradePoint, GradeSurvey,
    ListGradeProposalsRequest, ListGradesRequest, PutVehicleClassRequest, RecordedDescent,
    UpdateGradeRequest, brake_service_client::BrakeServiceClient, compute_lost_recovery_request::Road,
    create_grade_request::Source, grade_service_client::GradeServiceClient,
};
use coldbrake_server::{
    Config, ServerHandle,
    store::{Shelf, Shelved, SledOptions, SledStore, Store},
};
use tonic::{Code, transport::Channel};

use super::support::{
    CLASS, Mood, MoodyStore, Vehicle, channel, descents, fleet, listed, messages, open, register, serve,
    serve_on, session, until,
};

/// Gradients of three roads, per 500 m.
const ROADS: [[f64; 10]; 3] = [
    [0.03, 0.08, 0.05, 0.09, 0.06, 0.02, 0.07, 0.10, 0.05, 0.08],
    [0.09, 0.03, 0.07, 0.02, 0.10, 0.06, 0.09, 0.03, 0.08, 0.04],
    [0.05, 0.10, 0.02, 0.06, 0.03, 0.09, 0.04, 0.08, 0.02, 0.10],
];
const TOP_M: [f64; 3] = [1500.0, 1100.0, 1900.0];

fn altitude(road: usize, s: f64) -> f64 {
    ROADS[road]
        .iter()
        .zip(0_u16..)
        .fold(TOP_M[road], |h, (steep, k)| {
            h - steep * (s - 500.0 * f64::from(k)).clamp(0.0, 500.0)
        })
}

/// Down a road at 15 m/s, with a climb before and behind.
fn drive(road: usize, trip: i64, offset_m: f64) -> Vec<Batch> {
    let along: Vec<f64> = (0..500).map(|t| 15.0 * f64::from(t) - 600.0).collect();
    let start = 1_760_000_000_000 + trip * 3_600_000;
    let height = |s: &f64| {
        let beyond = (-s).max(0.0) * -0.03 + (s - 5000.0).max(0.0) * 0.03;
        altitude(road, s.clamp(0.0, 5000.0)) + beyond + offset_m
    };
    let down = |s: &f64| (0.0..5000.0).contains(s);
    along
        .chunks(100)
        .zip(0_i64..)
        .map(|(part, k)| Batch {
            time_ms: (0..part.len() as i64)
                .map(|i| start + 1000 * (100 * k + i))
                .collect(),
            speed_mps: vec![15.0; part.len()],
            altitude_m: part.iter().map(height).collect(),
            brake: part.iter().map(|s| if down(s) { 4.0 } else { 0.0 }).collect(),
            current_a: part.iter().map(|s| if down(s) { 40.0 } else { -40.0 }).collect(),
            ..Batch::default()
        })
        .collect()
}

async fn go(server: &ServerHandle, vehicle: &str, road: usize, trip: u8) {
    let opening = open(vehicle, session(trip));
    let (mut van, _) = Vehicle::open(channel(server).await, opening).await.unwrap();
    let offset = f64::from(trip % 3) * 8.0 - 8.0;
    van.deliver(&messages(&drive(road, trip.into(), offset))).await;
}

async fn grades(server: &ServerHandle) -> GradeServiceClient<Channel> {
    GradeServiceClient::new(channel(server).await)
}

/// Grades of a vehicle's descents, the latest first.
async fn labels(server: &ServerHandle, vehicle: &str) -> Vec<Option<String>> {
    let found = listed(server, vehicle).await;
    found.into_iter().map(|d| d.grade).collect()
}

/// How many descents the stored histograms count under a grade.
async fn counted(server: &ServerHandle, grade: &str) -> i64 {
    let request = GetDistributionRequest {
        metric: "recovery_ratio".to_owned(),
        grade: Some(grade.to_owned()),
        ..Default::default()
    };
    let answer = descents(server).await.get_distribution(request).await.unwrap();
    answer.into_inner().count
}

fn survey(road: usize) -> GradeSurvey {
    GradeSurvey {
        points: (0..=100)
            .map(|k| 50.0 * f64::from(k))
            .map(|s| GradePoint {
                distance_m: s,
                altitude_m: altitude(road, s),
            })
            .collect(),
        form: "gpx".to_owned(),
        ..GradeSurvey::default()
    }
}

fn create(grade: &str, source: Source) -> CreateGradeRequest {
    CreateGradeRequest {
        grade: grade.to_owned(),
        display_name: String::new(),
        source: Some(source),
    }
}

/// Asks what the brakes would come to on the grade `north`.
async fn what_if(server: &ServerHandle) {
    let class = "van-with-heat";
    let heat = "front_heat_capacity_j_per_k = 14e3\nrear_heat_capacity_j_per_k = 10e3\n";
    let document_toml = CLASS.replace("\"van\"", "\"van-with-heat\"") + heat;
    let put = PutVehicleClassRequest { document_toml };
    fleet(server).await.put_vehicle_class(put).await.unwrap();
    let mut brakes = BrakeServiceClient::new(channel(server).await);
    let ask = |grade: &str, class: Option<&str>| ComputeLostRecoveryRequest {
        road: Some(Road::Grade(grade.to_owned())),
        vehicle_class: class.map(str::to_owned),
        speeds_mps: vec![15.0],
        ..ComputeLostRecoveryRequest::default()
    };
    let answer = brakes.compute_lost_recovery(ask("north", Some(class))).await;
    let answer = answer.unwrap().into_inner();
    assert_eq!((answer.vehicle_class.as_str(), answer.start_c), (class, 15.0));
    assert!((answer.drop_m - 315.0).abs() < 1.0 && (answer.distance_m - 5000.0).abs() < 1.0);
    let at = answer.masses[0].speeds[0];
    assert!(at.bottom_c > 50.0 && at.friction_j > 1e6, "{at:?}");
    for (request, code) in [
        (ask("no-such", Some(class)), Code::NotFound),
        (ask("north", Some("no-such")), Code::NotFound),
        (ask("north", None), Code::InvalidArgument),
    ] {
        assert_eq!(
            brakes.compute_lost_recovery(request).await.unwrap_err().code(),
            code
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn roads_become_grades_and_past_descents_follow_in_one_step() {
    let directory = tempfile::tempdir().unwrap();
    let config = Config::in_process().with_directory(directory.path());
    let server = serve(config.clone()).await;
    for trip in 0..4 {
        go(&server, "van-a", 0, 1 + trip).await;
        go(&server, "van-a", 1, 11 + trip).await;
        go(&server, if trip < 2 { "van-b" } else { "van-c" }, 2, 21 + trip).await;
    }
    assert_eq!(labels(&server, "van-a").await, vec![None; 8]);
    let first = listed(&server, "van-a").await.remove(0);
    assert_eq!(first.grade_match.unwrap().outcome(), GradeOutcome::NothingClose);
    assert_eq!(
        (counted(&server, "-").await, counted(&server, "north").await),
        (12, 0)
    );

    // A survey of the first road.
    let mut client = grades(&server).await;
    let made = client
        .create_grade(create("north", Source::Survey(survey(0))))
        .await
        .unwrap()
        .into_inner();
    let (checked_count, relabelled_count) = (12, 4);
    assert_eq!(
        made.change,
        Some(GradeChange {
            checked_count,
            relabelled_count
        })
    );
    assert_eq!(
        (counted(&server, "-").await, counted(&server, "north").await),
        (8, 4)
    );
    what_if(&server).await;
    let taken = client
        .create_grade(create("north", Source::Survey(survey(1))))
        .await
        .unwrap_err();
    assert_eq!(taken.code(), Code::InvalidArgument);

    // The others are proposed, under names that stay.
    let ask = ListGradeProposalsRequest::default;
    let proposed = client.list_grade_proposals(ask()).await.unwrap().into_inner();
    let of = |p: &coldbrake_proto::v1::GradeProposal| (p.descent_count, p.vehicle_count);
    let mut counts: Vec<_> = proposed.proposals.iter().map(of).collect();
    counts.sort_unstable();
    assert_eq!((counts, proposed.looked_at_count), (vec![(4, 1), (4, 2)], 8));
    go(&server, "van-c", 2, 31).await;
    let again = client.list_grade_proposals(ask()).await.unwrap().into_inner();
    let name = |count: (i64, i64), from: &[coldbrake_proto::v1::GradeProposal]| {
        from.iter().find(|p| of(p) == count).unwrap().proposal.clone()
    };
    let south = name((5, 2), &again.proposals);
    assert_eq!(south, name((4, 2), &proposed.proposals));
    let unwanted = name((4, 1), &again.proposals);
    client
        .dismiss_grade_proposal(DismissGradeProposalRequest {
            proposal: unwanted.clone(),
        })
        .await
        .unwrap();
    let accepted = client
        .create_grade(create("south", Source::Proposal(south.clone())))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(accepted.change.unwrap().relabelled_count, 5);
    assert_eq!(accepted.grade.unwrap().origin_detail, "5 descents");
    assert_eq!(
        (counted(&server, "-").await, counted(&server, "south").await),
        (4, 5)
    );
    let left = client.list_grade_proposals(ask()).await.unwrap().into_inner();
    assert!(left.proposals.is_empty(), "{left:?}");
    let gone = client.create_grade(create("x", Source::Proposal(south))).await;
    assert_eq!(gone.unwrap_err().code(), Code::NotFound);

    // A restart changes nothing; a descent that comes afterwards is known at once.
    server.shutdown().await;
    let server = ServerHandle::start(config.clone()).await.unwrap();
    register(&server).await;
    assert_eq!(
        (counted(&server, "north").await, counted(&server, "south").await),
        (4, 5)
    );
    go(&server, "van-d", 2, 41).await;
    assert_eq!(labels(&server, "van-d").await, [Some("south".to_owned())]);

    // Another identifier, a grade from a recorded descent, a grade less.
    let mut client = grades(&server).await;
    let renamed = client
        .update_grade(UpdateGradeRequest {
            grade: "south".to_owned(),
            new_grade: Some("south-ramp".to_owned()),
            display_name: Some("South ramp".to_owned()),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(renamed.change.unwrap().relabelled_count, 6);
    let got = client
        .get_grade(GetGradeRequest {
            grade: "south-ramp".to_owned(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        (got.descent_count, got.grade.unwrap().display_name),
        (6, "South ramp".to_owned())
    );
    assert!((got.profile.last().unwrap().distance_m - 5000.0).abs() < 200.0);
    let unlabelled = listed(&server, "van-a")
        .await
        .into_iter()
        .find(|d| d.grade.is_none())
        .unwrap();
    let recorded = RecordedDescent {
        vehicle: "van-a".to_owned(),
        descent: unlabelled.descent,
    };
    let learnt = client
        .create_grade(create("east", Source::Descent(recorded)))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(learnt.change.unwrap().relabelled_count, 4);
    let removed = client
        .delete_grade(DeleteGradeRequest {
            grade: "north".to_owned(),
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(removed.change.unwrap().relabelled_count, 4);
    assert_eq!(
        (counted(&server, "-").await, counted(&server, "north").await),
        (4, 0)
    );
    let known = client
        .list_grades(ListGradesRequest::default())
        .await
        .unwrap()
        .into_inner();
    let known: Vec<_> = known.grades.into_iter().map(|g| g.grade).collect();
    assert_eq!(known, ["east", "south-ramp"]);
    server.shutdown().await;
    let report = SledStore::verify_dir(directory.path(), &SledOptions::default()).unwrap();
    assert!(report.is_sound(), "{:?}", report.findings);
}

/// A descent that is recorded while past ones are looked at gets the new grade all the same.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_recorded_during_a_change_is_taken_in() {
    let store: Arc<MoodyStore> = Arc::default();
    let server = serve_on(Config::in_process(), Arc::clone(&store) as Arc<_>).await;
    go(&server, "van-a", 0, 1).await;
    store.hold_reads(true);
    let mut client = grades(&server).await;
    let making = tokio::spawn(async move {
        client
            .create_grade(create("north", Source::Survey(survey(0))))
            .await
    });
    until("past descents are looked at", async || store.holds_a_read()).await;
    go(&server, "van-b", 0, 2).await;
    assert_eq!(labels(&server, "van-b").await, [None]);
    store.hold_reads(false);
    let change = making.await.unwrap().unwrap().into_inner().change.unwrap();
    assert_eq!((change.checked_count, change.relabelled_count), (2, 2));
    for vehicle in ["van-a", "van-b"] {
        assert_eq!(
            labels(&server, vehicle).await,
            [Some("north".to_owned())],
            "{vehicle}"
        );
    }
    assert_eq!(counted(&server, "north").await, 2);
}

/// Everything that the alarms have stored.
fn memory(store: &dyn Store) -> Vec<Shelved> {
    [Shelf::AlarmMemory, Shelf::Alarm, Shelf::Outbox]
        .into_iter()
        .flat_map(|shelf| store.shelf(shelf, "", None, 1_000).unwrap().rows)
        .collect()
}

/// A change of the catalogue and what the alarms make of it become durable together or not at all.
#[tokio::test(flavor = "multi_thread")]
async fn a_change_that_cannot_be_stored_teaches_the_alarms_nothing() {
    let store: Arc<MoodyStore> = Arc::default();
    let server = serve_on(Config::in_process(), store.clone()).await;
    for trip in 0..12 {
        go(&server, "van-a", 0, 1 + trip).await;
    }
    assert_eq!(memory(&*store), []);
    store.set(Mood::Failing);
    let refused = grades(&server)
        .await
        .create_grade(create("north", Source::Survey(survey(0))))
        .await
        .unwrap_err();
    assert_eq!(refused.code(), Code::Unavailable);
    drop(server);
    store.set(Mood::Fine);
    assert_eq!(memory(&*store), []);

    let server = serve_on(Config::in_process(), store.clone()).await;
    assert_eq!(labels(&server, "van-a").await, vec![None; 12]);
    let made = grades(&server)
        .await
        .create_grade(create("north", Source::Survey(survey(0))))
        .await
        .unwrap();
    assert_eq!(made.into_inner().change.unwrap().relabelled_count, 12);
    let learnt = memory(&*store);
    assert_eq!(
        learnt.iter().map(|m| m.name.as_str()).collect::<Vec<_>>(),
        ["c/north/van"]
    );
    // Made, removed and made again it is the same.
    let grade = "north".to_owned();
    let gone = grades(&server)
        .await
        .delete_grade(DeleteGradeRequest { grade })
        .await;
    assert_eq!(gone.unwrap().into_inner().change.unwrap().relabelled_count, 12);
    assert_eq!(memory(&*store), []);
    let again = grades(&server)
        .await
        .create_grade(create("north", Source::Survey(survey(0))))
        .await;
    again.unwrap();
    assert_eq!(memory(&*store), learnt);
    assert!(server.shutdown().await.is_clean());
}
