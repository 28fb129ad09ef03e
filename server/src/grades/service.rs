//! Calls about known grades.

use coldbrake_engine::{
    Metric, Violation,
    grade::{Grade, GradeProblem, GradeProfile, Position},
};
use coldbrake_proto::{
    convert::position_from_wire,
    v1::{
        CreateGradeRequest, CreateGradeResponse, DeleteGradeRequest, DeleteGradeResponse,
        DismissGradeProposalRequest, DismissGradeProposalResponse, GetGradeRequest, GetGradeResponse,
        GradeSurvey, ListGradeProposalsRequest, ListGradeProposalsResponse, ListGradesRequest,
        ListGradesResponse, UpdateGradeRequest, UpdateGradeResponse, create_grade_request::Source,
        grade_service_server::GradeService,
    },
};
use tonic::{Request, Response, Status};

use super::{
    change::{Curator, Decision},
    proposals::ProposalRecord,
    record::{self, GradeRecord, Origin},
    wire,
};
use crate::{
    identity,
    query::page::{self, Listing},
    status::Refusal,
    store::{AuditRecord, CommitBatch, HistogramQuery, Shelf, ShelfChange, Store},
};

/// Most points of a survey.
const MAX_SURVEY: usize = 100_000;
/// Longest name of the form of a file, characters.
const MAX_FORM: usize = 32;

fn no_grade(name: String) -> Refusal {
    Refusal::NotFound { kind: "grade", name }
}

fn no_proposal(name: String) -> Refusal {
    Refusal::NotFound {
        kind: "proposed grade",
        name,
    }
}

fn bad(problems: Vec<GradeProblem>, within: &str) -> Refusal {
    let violation = |p: GradeProblem| Violation {
        field: if p.field == "profile" {
            within.to_owned()
        } else {
            p.field.to_owned()
        },
        description: p.description,
    };
    Refusal::BadFields(problems.into_iter().map(violation).collect())
}

fn put(record: &GradeRecord) -> ShelfChange {
    ShelfChange {
        shelf: Shelf::Grade,
        name: record.grade.grade.clone(),
        bytes: Some(record::to_bytes(record)),
    }
}

fn remove(grade: &str) -> ShelfChange {
    ShelfChange {
        shelf: Shelf::Grade,
        name: grade.to_owned(),
        bytes: None,
    }
}

/// A profile with its ends, and where they come from.
type Found = (
    GradeProfile,
    Option<Position>,
    Option<Position>,
    Origin,
    Option<ShelfChange>,
);

fn surveyed(survey: GradeSurvey) -> Result<Found, Refusal> {
    if survey.points.len() > MAX_SURVEY {
        return Err(Refusal::field(
            "survey.points",
            format!("has {} points: give at most {MAX_SURVEY}", survey.points.len()),
        ));
    }
    if survey.form.chars().count() > MAX_FORM || survey.form.chars().any(char::is_control) {
        return Err(Refusal::field(
            "survey.form",
            format!("must be at most {MAX_FORM} characters on one line"),
        ));
    }
    let points: Vec<_> = survey
        .points
        .iter()
        .map(|p| (p.distance_m, p.altitude_m))
        .collect();
    let profile = GradeProfile::from_points(&points).map_err(|p| bad(p, "survey.points"))?;
    Ok((
        profile,
        survey.top_position.map(position_from_wire),
        survey.bottom_position.map(position_from_wire),
        Origin::Survey(survey.form),
        None,
    ))
}

/// Finds the profile that is meant. Blocks.
fn find(store: &dyn Store, source: Source) -> Result<Found, Refusal> {
    match source {
        Source::Survey(survey) => surveyed(survey),
        Source::Descent(named) => {
            let (vehicle, descent) = (named.vehicle, named.descent);
            let (d, profile) = store
                .descent(&vehicle, &descent)?
                .ok_or_else(|| Refusal::NotFound {
                    kind: "descent",
                    name: descent.clone(),
                })?;
            let profile =
                GradeProfile::from_descent(d.top_altitude_m, &profile).map_err(|p| bad(p, "descent"))?;
            let origin = Origin::Descent { vehicle, descent };
            Ok((profile, d.top_position, d.bottom_position, origin, None))
        }
        Source::Proposal(name) => {
            let p = proposal(store, &name)?;
            let origin = Origin::Proposal { descents: p.descents };
            let gone = Some(p.remove());
            Ok((p.profile, p.top, p.bottom, origin, gone))
        }
    }
}

fn proposal(store: &dyn Store, name: &str) -> Result<ProposalRecord, Refusal> {
    record::all::<ProposalRecord>(store, Shelf::GradeProposal)?
        .into_iter()
        .find(|p| p.proposal == name)
        .ok_or_else(|| no_proposal(name.to_owned()))
}

fn audit<T>(request: &Request<T>, action: &str, subject: &str) -> AuditRecord {
    AuditRecord {
        time_ms: jiff::Timestamp::now().as_millisecond(),
        who: identity::who(request),
        action: action.to_owned(),
        subject: subject.chars().take(200).collect(),
    }
}

#[tonic::async_trait]
impl GradeService for Curator {
    async fn list_grades(
        &self,
        request: Request<ListGradesRequest>,
    ) -> Result<Response<ListGradesResponse>, Status> {
        let request = request.into_inner();
        let size = page::size(request.page_size)?;
        let listing = Listing::new("grades", &());
        let cursor = listing.cursor(&request.page_token)?;
        let (records, next) = self
            .reader
            .read(move |store, _| {
                let page = store.shelf(Shelf::Grade, "", cursor.as_deref(), size)?;
                let records: Result<Vec<GradeRecord>, _> = page
                    .rows
                    .iter()
                    .map(|row| record::from_bytes(Shelf::Grade, row))
                    .collect();
                Ok((records?, page.next))
            })
            .await?;
        Ok(Response::new(ListGradesResponse {
            grades: records.iter().map(wire::grade).collect(),
            next_page_token: listing.token(next.as_deref()),
        }))
    }

    async fn get_grade(
        &self,
        request: Request<GetGradeRequest>,
    ) -> Result<Response<GetGradeResponse>, Status> {
        let name = request.into_inner().grade;
        let (record, counted) = self
            .reader
            .read(move |store, _| {
                let found = record::grade(store, &name)?.ok_or_else(|| no_grade(name))?;
                let counted = store.histogram(&HistogramQuery {
                    metric: Metric::Drop,
                    vehicle_class: None,
                    software_version: None,
                    grade: Some(found.grade.grade.clone()),
                    first_day: None,
                    last_day: None,
                })?;
                Ok((found, counted.histogram.count()))
            })
            .await?;
        Ok(Response::new(GetGradeResponse {
            grade: Some(wire::grade(&record)),
            profile: wire::points(&record.grade.profile),
            descent_count: i64::try_from(counted).unwrap_or(i64::MAX),
        }))
    }

    async fn create_grade(
        &self,
        request: Request<CreateGradeRequest>,
    ) -> Result<Response<CreateGradeResponse>, Status> {
        let entry = audit(&request, "CreateGrade", &request.get_ref().grade);
        let CreateGradeRequest {
            grade,
            display_name,
            source,
        } = request.into_inner();
        let source = source
            .ok_or_else(|| Refusal::field("source", "is missing: give `survey`, `descent` or `proposal`"))?;
        let (created_by, create_time_ms) = (entry.who.clone(), entry.time_ms);
        let (made, change) = self
            .change(entry, move |store, mut records| {
                let (profile, top, bottom, origin, gone) = find(store, source)?;
                let grade = Grade {
                    grade,
                    display_name,
                    profile,
                    top,
                    bottom,
                };
                let problems = grade.problems();
                if !problems.is_empty() {
                    return Err(bad(problems, "source"));
                }
                if records.iter().any(|r| r.grade.grade == grade.grade) {
                    return Err(Refusal::field("grade", "is taken: choose another identifier"));
                }
                let made = GradeRecord {
                    grade,
                    origin,
                    created_by,
                    create_time_ms,
                };
                let shelved = std::iter::once(put(&made)).chain(gone).collect();
                records.push(made.clone());
                Ok(Decision {
                    records,
                    grade: Some(made),
                    shelved,
                    renamed: None,
                    removed: None,
                })
            })
            .await?;
        Ok(Response::new(CreateGradeResponse {
            grade: made.as_ref().map(wire::grade),
            change: Some(change),
        }))
    }

    async fn update_grade(
        &self,
        request: Request<UpdateGradeRequest>,
    ) -> Result<Response<UpdateGradeResponse>, Status> {
        let entry = audit(&request, "UpdateGrade", &request.get_ref().grade);
        let UpdateGradeRequest {
            grade: name,
            new_grade,
            display_name,
        } = request.into_inner();
        let (made, change) = self
            .change(entry, move |_, mut records| {
                let new_name = new_grade.unwrap_or_else(|| name.clone());
                if new_name != name && records.iter().any(|r| r.grade.grade == new_name) {
                    return Err(Refusal::field("new_grade", "is taken: choose another identifier"));
                }
                let Some(record) = records.iter_mut().find(|r| r.grade.grade == name) else {
                    return Err(no_grade(name));
                };
                record.grade.grade.clone_from(&new_name);
                if let Some(display_name) = display_name {
                    record.grade.display_name = display_name;
                }
                let problems = record.grade.problems();
                if !problems.is_empty() {
                    return Err(bad(problems, "grade"));
                }
                let made = record.clone();
                let mut shelved = vec![put(&made)];
                let renamed = (new_name != name).then(|| (name.clone(), new_name));
                if renamed.is_some() {
                    shelved.push(remove(&name));
                }
                Ok(Decision {
                    records,
                    grade: Some(made),
                    shelved,
                    renamed,
                    removed: None,
                })
            })
            .await?;
        Ok(Response::new(UpdateGradeResponse {
            grade: made.as_ref().map(wire::grade),
            change: Some(change),
        }))
    }

    async fn delete_grade(
        &self,
        request: Request<DeleteGradeRequest>,
    ) -> Result<Response<DeleteGradeResponse>, Status> {
        let entry = audit(&request, "DeleteGrade", &request.get_ref().grade);
        let name = request.into_inner().grade;
        let (_, change) = self
            .change(entry, move |_, mut records| {
                let before = records.len();
                records.retain(|r| r.grade.grade != name);
                if records.len() == before {
                    return Err(no_grade(name));
                }
                Ok(Decision {
                    records,
                    grade: None,
                    shelved: vec![remove(&name)],
                    renamed: None,
                    removed: Some(name),
                })
            })
            .await?;
        Ok(Response::new(DeleteGradeResponse { change: Some(change) }))
    }

    async fn list_grade_proposals(
        &self,
        request: Request<ListGradeProposalsRequest>,
    ) -> Result<Response<ListGradeProposalsResponse>, Status> {
        let all = request.into_inner().include_dismissed;
        let (mut records, looked_at_count) = self.proposals().await?;
        records.retain(|p| all || !p.dismissed);
        records.sort_by_key(|p| (p.dismissed, std::cmp::Reverse((p.descents, p.vehicles))));
        Ok(Response::new(ListGradeProposalsResponse {
            proposals: records.iter().map(wire::proposal).collect(),
            looked_at_count,
        }))
    }

    async fn dismiss_grade_proposal(
        &self,
        request: Request<DismissGradeProposalRequest>,
    ) -> Result<Response<DismissGradeProposalResponse>, Status> {
        let entry = audit(&request, "DismissGradeProposal", &request.get_ref().proposal);
        let name = request.into_inner().proposal;
        let _turn = self.turn.lock().await;
        let mut found = self.reader.read(move |store, _| proposal(store, &name)).await?;
        found.dismissed = true;
        self.edit(move |_| {
            Ok(CommitBatch {
                shelved: vec![found.put()],
                audit: vec![entry],
                ..CommitBatch::default()
            })
        })
        .await?;
        Ok(Response::new(DismissGradeProposalResponse {}))
    }
}
