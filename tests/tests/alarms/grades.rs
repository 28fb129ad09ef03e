//! Known grades that change under past descents: alarms know from the first descent on what is usual there.

use coldbrake_proto::v1::{
    AlarmClosing, AlarmKind, AlarmStage, DeleteGradeRequest, ListGradeProposalsRequest, UpdateGradeRequest,
    create_grade_request::Source,
};
use coldbrake_server::Config;

use super::fleet::{Fleet, OLD, Trip, VEHICLES};

const BAD: Trip = Trip {
    drag_n: 0.0,
    withheld: 0.16,
    creep_m: 0.0,
    full: false,
    limit_w: None,
    cold: false,
    slip_m: 0.0,
    before_m: 0.0,
    firm_mps2: None,
};

async fn rename(fleet: &Fleet, grade: &str, new_grade: &str) {
    let request = UpdateGradeRequest {
        grade: grade.to_owned(),
        new_grade: Some(new_grade.to_owned()),
        display_name: None,
    };
    fleet.grade_client().update_grade(request).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn an_accepted_grade_has_its_past_and_a_renamed_one_its_alarms() {
    let directory = tempfile::tempdir().unwrap();
    let config = Config::in_process().with_directory(directory.path());
    let mut fleet = Fleet::start(config.clone(), "").await;
    for _ in 0..4 {
        for vehicle in VEHICLES {
            fleet.go(vehicle, "north", OLD, Trip::default()).await;
        }
    }
    // One with a fault that nobody could see: it must not become what is usual, nor raise anything afterwards.
    fleet.go("van-4", "north", OLD, BAD).await;
    let proposals = fleet
        .grade_client()
        .list_grade_proposals(ListGradeProposalsRequest::default())
        .await
        .unwrap()
        .into_inner()
        .proposals;
    assert_eq!(proposals.len(), 1, "{proposals:?}");
    let source = Source::Proposal(proposals[0].proposal.clone());
    let change = fleet.create_grade("north", Some(source)).await;
    assert_eq!(change.relabelled_count, 17);
    assert_eq!(fleet.alarms().await, [], "what is past raises nothing");

    // The first descent on the grade that is too high is an alarm.
    fleet.go("van-1", "north", OLD, BAD).await;
    let raised = fleet.alarms().await;
    assert_eq!(raised.len(), 1, "{raised:#?}");
    let (id, usual) = (raised[0].alarm.clone(), raised[0].usual.unwrap());
    assert_eq!(raised[0].kind(), AlarmKind::UnexplainedFriction);
    assert!((5.0..25.0).contains(&usual), "{usual}");

    // Under another name the same alarm goes on.
    rename(&fleet, "north", "north-ramp").await;
    let renamed = fleet.alarms().await;
    assert_eq!(
        (renamed.len(), &renamed[0].alarm, renamed[0].stage()),
        (1, &id, AlarmStage::Raised)
    );
    assert_eq!(renamed[0].evidence.as_ref().unwrap().grades, ["north-ramp"]);
    for vehicle in VEHICLES {
        fleet.go(vehicle, "north", OLD, BAD).await;
    }
    let known = fleet.alarms().await;
    assert_eq!((known.len(), &known[0].alarm), (1, &id), "{known:#?}");
    assert_eq!(
        known[0].scope_grade.as_deref(),
        Some("north-ramp"),
        "{:#?}",
        known[0]
    );
    assert_eq!(known[0].evidence.as_ref().unwrap().high_descent_count, 5);
    assert!((known[0].usual.unwrap() - usual).abs() < 1e-9);

    // A restart knows the same.
    fleet = fleet.restart(config).await;
    assert_eq!(fleet.alarms().await, known);
    fleet.go("van-2", "north", OLD, BAD).await;
    let known = fleet.alarms().await;
    assert_eq!(known.len(), 1);
    assert_eq!(known[0].evidence.as_ref().unwrap().high_descent_count, 6);

    // A grade that is no more has no alarms, and none of its memory is left under the name.
    let request = DeleteGradeRequest {
        grade: "north-ramp".to_owned(),
    };
    fleet.grade_client().delete_grade(request).await.unwrap();
    let over = fleet.alarms().await;
    assert_eq!(
        (
            over.len(),
            over[0].stage(),
            over[0].closing(),
            over[0].note.as_str()
        ),
        (
            1,
            AlarmStage::Closed,
            AlarmClosing::Person,
            "the grade was deleted"
        )
    );
    fleet.go("van-3", "north", OLD, BAD).await;
    assert_eq!(fleet.alarms().await.len(), 1);
}
