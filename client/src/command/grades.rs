//! `coldbrake grades`: known grades, and stretches of road that are proposed as such.

mod screen;
pub mod survey;

use std::path::PathBuf;

use clap::Subcommand;
use coldbrake_proto::v1::{
    CreateGradeRequest, DeleteGradeRequest, DismissGradeProposalRequest, GetGradeRequest, Grade, GradeChange,
    ListGradeProposalsRequest, ListGradesRequest, RecordedDescent, UpdateGradeRequest,
    create_grade_request::Source,
};

pub use self::screen::{print_changed, print_list, print_one, print_proposals};
use crate::{
    args::Global,
    connect::Server,
    exit::{Failure, Outcome},
    printer::Printer,
};

/// Commands on known grades.
#[derive(Clone, Debug, Subcommand)]
pub enum GradesCommand {
    /// List known grades
    #[command(after_help = "Examples:\n  coldbrake grades list")]
    List,
    /// Show one grade with its profile
    #[command(after_help = "Examples:\n  coldbrake grades show north-ramp")]
    Show {
        /// Grade
        #[arg(value_name = "GRADE")]
        grade: String,
    },
    /// Make a grade known from a survey: a GPX track or route, or a GeoJSON line
    #[command(
        after_help = "The first point is the top. Every point needs its altitude. Past descents are matched anew in the same \
                      step.\n\nExamples:\n  coldbrake grades import north-ramp ramp.gpx --name North-Ramp\n  \
                      coldbrake grades import south-ramp roads.geojson --line 2 --reverse"
    )]
    Import {
        /// Identifier of the new grade
        #[arg(value_name = "GRADE")]
        grade: String,
        /// Survey, .gpx, .geojson or .json
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// Name for people
        #[arg(long, value_name = "TEXT", default_value = "")]
        name: String,
        /// Which line of a file that holds several, from 1
        #[arg(long, value_name = "NUMBER")]
        line: Option<usize>,
        /// The file goes from the bottom to the top
        #[arg(long)]
        reverse: bool,
    },
    /// Make a grade known from a recorded descent
    #[command(after_help = "Examples:\n  coldbrake grades learn north-ramp van-07 20260312T071502Z-17")]
    Learn {
        /// Identifier of the new grade
        #[arg(value_name = "GRADE")]
        grade: String,
        /// Vehicle
        #[arg(value_name = "VEHICLE")]
        vehicle: String,
        /// Descent
        #[arg(value_name = "DESCENT")]
        descent: String,
        /// Name for people
        #[arg(long, value_name = "TEXT", default_value = "")]
        name: String,
    },
    /// List stretches that descents without a known grade share
    #[command(after_help = "Examples:\n  coldbrake grades proposals")]
    Proposals {
        /// Also those that were dismissed
        #[arg(long)]
        dismissed: bool,
    },
    /// Accept a proposal: the stretch becomes a known grade
    #[command(after_help = "Examples:\n  coldbrake grades accept p-1f3c north-ramp --name North-Ramp")]
    Accept {
        /// Proposal
        #[arg(value_name = "PROPOSAL")]
        proposal: String,
        /// Identifier of the new grade
        #[arg(value_name = "GRADE")]
        grade: String,
        /// Name for people
        #[arg(long, value_name = "TEXT", default_value = "")]
        name: String,
    },
    /// Say that a proposed stretch is no grade
    #[command(after_help = "Examples:\n  coldbrake grades dismiss p-1f3c")]
    Dismiss {
        /// Proposal
        #[arg(value_name = "PROPOSAL")]
        proposal: String,
    },
    /// Give a grade another identifier, another name for people, or both
    #[command(after_help = "Examples:\n  coldbrake grades rename north-ramp --to n1-ramp --name Ramp-N1")]
    Rename {
        /// Grade
        #[arg(value_name = "GRADE")]
        grade: String,
        /// Its identifier from now on
        #[arg(long, value_name = "GRADE", required_unless_present = "name")]
        to: Option<String>,
        /// Its name for people from now on
        #[arg(long, value_name = "TEXT")]
        name: Option<String>,
    },
    /// Forget a grade: its descents are matched against the others
    #[command(after_help = "Examples:\n  coldbrake grades remove north-ramp")]
    Remove {
        /// Grade
        #[arg(value_name = "GRADE")]
        grade: String,
    },
}

/// Runs a command on grades.
pub async fn run(command: GradesCommand, global: &Global, printer: &mut Printer) -> Outcome {
    // A file is read before the server is asked: a mistake in it is found without one.
    let survey = match &command {
        GradesCommand::Import {
            file, line, reverse, ..
        } => Some(survey::read(file, *line, *reverse)?),
        _ => None,
    };
    let server = Server::connect(&global.server, global.timeout()).await?;
    let create = |grade: String, display_name: String, source: Source| CreateGradeRequest {
        grade,
        display_name,
        source: Some(source),
    };
    match command {
        GradesCommand::List => print_list(&list(&server).await?, printer),
        GradesCommand::Show { grade } => {
            let answer = server
                .grades()
                .get_grade(GetGradeRequest { grade })
                .await
                .map_err(|e| server.refused(&e).help("list them: coldbrake grades list"))?;
            print_one(&answer.into_inner(), printer)
        }
        GradesCommand::Import { grade, name, .. } => {
            let source = Source::Survey(survey.unwrap_or_default());
            made(&server, create(grade, name, source), printer).await
        }
        GradesCommand::Learn {
            grade,
            vehicle,
            descent,
            name,
        } => {
            let source = Source::Descent(RecordedDescent { vehicle, descent });
            made(&server, create(grade, name, source), printer).await
        }
        GradesCommand::Accept {
            proposal,
            grade,
            name,
        } => made(&server, create(grade, name, Source::Proposal(proposal)), printer).await,
        GradesCommand::Proposals { dismissed } => {
            let answer = server
                .grades()
                .list_grade_proposals(ListGradeProposalsRequest {
                    include_dismissed: dismissed,
                })
                .await
                .map_err(|e| server.refused(&e))?;
            print_proposals(&answer.into_inner(), printer)
        }
        GradesCommand::Dismiss { proposal } => {
            server
                .grades()
                .dismiss_grade_proposal(DismissGradeProposalRequest {
                    proposal: proposal.clone(),
                })
                .await
                .map_err(|e| server.refused(&e).help("list them: coldbrake grades proposals"))?;
            print_changed(&format!("proposal {proposal} is dismissed"), None, None, printer)
        }
        GradesCommand::Rename { grade, to, name } => {
            let answer = server
                .grades()
                .update_grade(UpdateGradeRequest {
                    grade: grade.clone(),
                    new_grade: to,
                    display_name: name,
                })
                .await
                .map_err(|e| server.refused(&e).help("list them: coldbrake grades list"))?
                .into_inner();
            let now = answer.grade.as_ref().map_or(grade.as_str(), |g| g.grade.as_str());
            let said = if now == grade {
                format!("grade {grade} has another name")
            } else {
                format!("grade {grade} is {now} now")
            };
            print_changed(&said, answer.grade.as_ref(), answer.change.as_ref(), printer)
        }
        GradesCommand::Remove { grade } => {
            let answer = server
                .grades()
                .delete_grade(DeleteGradeRequest { grade: grade.clone() })
                .await
                .map_err(|e| server.refused(&e).help("list them: coldbrake grades list"))?
                .into_inner();
            print_changed(
                &format!("grade {grade} is forgotten"),
                None,
                answer.change.as_ref(),
                printer,
            )
        }
    }
}

/// Makes a grade known and says what that did.
async fn made(server: &Server, request: CreateGradeRequest, printer: &mut Printer) -> Outcome {
    let (grade, change) = create(server, request).await?;
    print_changed(
        &format!("grade {} is known", grade.grade),
        Some(&grade),
        Some(&change),
        printer,
    )
}

/// Makes a grade known.
pub async fn create(server: &Server, request: CreateGradeRequest) -> Result<(Grade, GradeChange), Failure> {
    let answer = server
        .grades()
        .create_grade(request)
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    Ok((
        answer.grade.unwrap_or_default(),
        answer.change.unwrap_or_default(),
    ))
}

/// Fetches all grades.
pub async fn list(server: &Server) -> Result<Vec<Grade>, Failure> {
    let mut grades = Vec::new();
    let mut token = String::new();
    loop {
        let page = server
            .grades()
            .list_grades(ListGradesRequest {
                page_size: 1000,
                page_token: token,
            })
            .await
            .map_err(|e| server.refused(&e))?
            .into_inner();
        grades.extend(page.grades);
        token = page.next_page_token;
        if token.is_empty() {
            return Ok(grades);
        }
    }
}
