//! Grades as messages.

use coldbrake_engine::{grade::GradeProfile, terrain::rise_over_run};
use coldbrake_proto::{
    convert::position_to_wire,
    v1::{self, GradeOrigin},
};

use super::{
    proposals::ProposalRecord,
    record::{GradeRecord, Origin},
};

fn mean_gradient(profile: &GradeProfile) -> f64 {
    rise_over_run(-profile.drop_m() / profile.length_m().max(1.0))
}

pub(super) fn grade(record: &GradeRecord) -> v1::Grade {
    let g = &record.grade;
    let (origin, origin_detail) = match &record.origin {
        Origin::Survey(form) => (GradeOrigin::Survey, form.clone()),
        Origin::Descent { vehicle, descent } => (GradeOrigin::Descent, format!("{vehicle} {descent}")),
        Origin::Proposal { descents } => (GradeOrigin::Proposal, format!("{descents} descents")),
    };
    v1::Grade {
        grade: g.grade.clone(),
        display_name: g.display_name.clone(),
        length_m: g.profile.length_m(),
        drop_m: g.profile.drop_m(),
        top_altitude_m: g.profile.top_altitude_m(),
        mean_gradient: mean_gradient(&g.profile),
        top_position: g.top.map(position_to_wire),
        bottom_position: g.bottom.map(position_to_wire),
        origin: origin.into(),
        origin_detail,
        created_by: record.created_by.clone(),
        create_time_ms: record.create_time_ms,
    }
}

pub(super) fn proposal(p: &ProposalRecord) -> v1::GradeProposal {
    v1::GradeProposal {
        proposal: p.proposal.clone(),
        descent_count: p.descents.into(),
        vehicle_count: p.vehicles.into(),
        length_m: p.profile.length_m(),
        drop_m: p.profile.drop_m(),
        top_altitude_m: p.profile.top_altitude_m(),
        mean_gradient: mean_gradient(&p.profile),
        misfit_m: p.misfit_m,
        top_position: p.top.map(position_to_wire),
        bottom_position: p.bottom.map(position_to_wire),
        examples: p
            .examples
            .iter()
            .map(|(vehicle, descent)| v1::RecordedDescent {
                vehicle: vehicle.clone(),
                descent: descent.clone(),
            })
            .collect(),
        dismissed: p.dismissed,
    }
}

pub(super) fn points(profile: &GradeProfile) -> Vec<v1::GradePoint> {
    profile
        .points()
        .map(|(distance_m, altitude_m)| v1::GradePoint {
            distance_m,
            altitude_m,
        })
        .collect()
}
