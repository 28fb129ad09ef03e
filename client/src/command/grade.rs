//! To which known grade a descent belongs, in words.

use coldbrake_engine::{
    Descent,
    grade::{GradeMatch, GradeOutcome, MAX_OFFSET_M},
};

use crate::show;

/// Returns the grade with how well it fits, or why there is none.
pub(crate) fn in_words(d: &Descent) -> String {
    let Some(m) = &d.grade_match else {
        return d.grade.as_deref().map_or_else(
            || "grade: not looked for".to_owned(),
            |grade| format!("grade {grade}"),
        );
    };
    match (d.grade.as_deref(), m.outcome) {
        (Some(grade), _) => format!("grade {grade}{}", fit(m)),
        (None, outcome) => format!("grade: none, {}{}", reason(m, outcome), nearest(m)),
    }
}

fn fit(m: &GradeMatch) -> String {
    let (Some(score), Some(coverage)) = (m.score, m.coverage) else {
        return String::new();
    };
    let by = if m.by_position {
        "profile and position"
    } else {
        "profile"
    };
    format!(
        ", by its {by}: score {score:.2}, covers {} % of it",
        show::percent(coverage.min(1.0))
    )
}

fn reason(m: &GradeMatch, outcome: GradeOutcome) -> String {
    match outcome {
        GradeOutcome::Ambiguous => format!(
            "{} and {} fit alike: the recorded altitudes do not tell which of them was driven. Stream positions, or \
             remove one if both are the same road",
            m.nearest.as_deref().unwrap_or("?"),
            m.second.as_deref().unwrap_or("?"),
        ),
        GradeOutcome::Matched | GradeOutcome::NothingClose => {
            format!("no known grade has such a profile within {MAX_OFFSET_M:.0} m of altitude")
        }
        GradeOutcome::Elsewhere => "the profile would suit, but the positions are elsewhere".to_owned(),
        GradeOutcome::TooPlain => "the descent is too short or too plain to be told from others".to_owned(),
        GradeOutcome::NoProfile => "the recorded profile is too short to be compared".to_owned(),
    }
}

fn nearest(m: &GradeMatch) -> String {
    match (&m.nearest, m.score) {
        (Some(name), Some(score)) if m.outcome != GradeOutcome::Ambiguous => {
            format!("; the closest is {name} with score {score:.2}")
        }
        _ => String::new(),
    }
}
