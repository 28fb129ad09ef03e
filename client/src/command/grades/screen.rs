//! What `coldbrake grades` prints.

use coldbrake_proto::v1::{
    GetGradeResponse, Grade, GradeChange, GradeOrigin, GradeProposal, ListGradeProposalsResponse, Position,
};
use serde_json::{Value, json};

use crate::{
    convert::rfc3339,
    exit::Outcome,
    plot,
    printer::{Format, Printer, table::Table},
    show,
};

/// Points of a profile in JSON and CSV are at equal steps, as the server keeps them.
const COLUMNS: [&str; 9] = [
    "grade",
    "display_name",
    "length_m",
    "drop_m",
    "top_altitude_m",
    "mean_gradient",
    "origin",
    "created_by",
    "create_time",
];

/// Prints grades as a list.
pub fn print_list(grades: &[Grade], printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let rows: Vec<Value> = grades.iter().map(document).collect();
            printer.json(&json!({"format": "coldbrake.grades/1", "grades": rows}))?;
        }
        Format::Csv => printer.csv(&COLUMNS, grades.iter().map(row))?,
        Format::Table if grades.is_empty() => {}
        Format::Table => {
            let u = printer.units;
            let mut table = Table::default()
                .text("grade", 0)
                .text("name", 2)
                .number("length", u.distance_unit(), 0)
                .number("drop", u.height_unit(), 0)
                .number("top", u.height_unit(), 1)
                .number("gradient", "%", 0)
                .text("from", 3);
            for g in grades {
                table.row(vec![
                    g.grade.clone(),
                    g.display_name.clone(),
                    show::number(u.distance(g.length_m)),
                    format!("{:.0}", u.height(g.drop_m)),
                    format!("{:.0}", u.height(g.top_altitude_m)),
                    show::percent(g.mean_gradient),
                    origin(g.origin()).to_owned(),
                ]);
            }
            table.print(printer)?;
        }
    }
    printer.say(&match grades.len() {
        0 => "no grade is known: `coldbrake grades proposals` lists stretches that recur".to_owned(),
        n => show::count(n as u64, "grade", "grades"),
    });
    Ok(())
}

/// Prints one grade with its profile.
pub fn print_one(answer: &GetGradeResponse, printer: &mut Printer) -> Outcome {
    let Some(g) = &answer.grade else { return Ok(()) };
    match printer.format {
        Format::Json => {
            let mut object = document(g);
            object["format"] = json!("coldbrake.grade/1");
            object["descent_count"] = json!(answer.descent_count);
            object["profile"] = answer
                .profile
                .iter()
                .map(|p| json!({"distance_m": p.distance_m, "altitude_m": p.altitude_m}))
                .collect();
            printer.json(&object)?;
        }
        Format::Csv => printer.csv(
            &["distance_m", "altitude_m"],
            answer
                .profile
                .iter()
                .map(|p| vec![p.distance_m.to_string(), p.altitude_m.to_string()]),
        )?,
        Format::Table => {
            let u = printer.units;
            let name = if g.display_name.is_empty() {
                String::new()
            } else {
                format!(", {}", g.display_name)
            };
            printer.heading(&format!("Grade {}{name}", g.grade))?;
            printer.wrapped(
                "",
                &format!(
                    "{} {} long, {:.0} {} down from {:.0} {}, {} % on average",
                    show::number(u.distance(g.length_m)),
                    u.distance_unit(),
                    u.height(g.drop_m),
                    u.height_unit(),
                    u.height(g.top_altitude_m),
                    u.height_unit(),
                    show::percent(g.mean_gradient),
                ),
            )?;
            printer.line(&show::count(
                answer.descent_count.unsigned_abs(),
                "descent belongs to it",
                "descents belong to it",
            ))?;
            let detail = if g.origin_detail.is_empty() {
                String::new()
            } else {
                format!(", {}", g.origin_detail)
            };
            printer.wrapped(
                "",
                &format!(
                    "from {}{detail}; by {} on {} UTC",
                    origin(g.origin()),
                    g.created_by,
                    show::time(g.create_time_ms)
                ),
            )?;
            printer.line("")?;
            let points: Vec<(f64, f64)> = answer
                .profile
                .iter()
                .map(|p| (p.distance_m, p.altitude_m))
                .collect();
            for line in plot::road(&points, printer.width, printer.unicode, u) {
                printer.line(&line)?;
            }
            printer.say(&format!(
                "brakes on it without recovery: coldbrake brakes what-if --grade {} --class CLASS",
                g.grade
            ));
        }
    }
    Ok(())
}

/// Prints proposals.
pub fn print_proposals(answer: &ListGradeProposalsResponse, printer: &mut Printer) -> Outcome {
    let proposals = &answer.proposals;
    match printer.format {
        Format::Json => {
            let rows: Vec<Value> = proposals.iter().map(proposal).collect();
            printer.json(&json!({
                "format": "coldbrake.grade_proposals/1",
                "looked_at_count": answer.looked_at_count,
                "proposals": rows,
            }))?;
        }
        Format::Csv => {
            let header = [
                "proposal",
                "descent_count",
                "vehicle_count",
                "length_m",
                "drop_m",
                "top_altitude_m",
                "mean_gradient",
                "misfit_m",
                "dismissed",
            ];
            let rows = proposals.iter().map(|p| {
                vec![
                    p.proposal.clone(),
                    p.descent_count.to_string(),
                    p.vehicle_count.to_string(),
                    p.length_m.to_string(),
                    p.drop_m.to_string(),
                    p.top_altitude_m.to_string(),
                    p.mean_gradient.to_string(),
                    p.misfit_m.to_string(),
                    p.dismissed.to_string(),
                ]
            });
            printer.csv(&header, rows)?;
        }
        Format::Table if proposals.is_empty() => {}
        Format::Table => {
            let u = printer.units;
            let mut table = Table::default()
                .text("proposal", 0)
                .number("descents", "", 0)
                .number("vehicles", "", 0)
                .number("length", u.distance_unit(), 0)
                .number("drop", u.height_unit(), 0)
                .number("top", u.height_unit(), 1)
                .number("gradient", "%", 0)
                .number("apart", u.height_unit(), 2);
            for p in proposals {
                let mark = if p.dismissed { " (dismissed)" } else { "" };
                table.row(vec![
                    format!("{}{mark}", p.proposal),
                    p.descent_count.to_string(),
                    p.vehicle_count.to_string(),
                    show::number(u.distance(p.length_m)),
                    format!("{:.0}", u.height(p.drop_m)),
                    format!("{:.0}", u.height(p.top_altitude_m)),
                    show::percent(p.mean_gradient),
                    format!("{:.1}", u.height(p.misfit_m)),
                ]);
            }
            table.print(printer)?;
        }
    }
    printer.say(&format!(
        "{} among the latest {} without a known grade",
        show::count(proposals.len() as u64, "stretch recurs", "stretches recur"),
        show::count(answer.looked_at_count.unsigned_abs(), "descent", "descents"),
    ));
    if let (Format::Table, Some(p)) = (printer.format, proposals.iter().find(|p| !p.dismissed)) {
        printer.say(&format!("next: coldbrake grades accept {} GRADE", p.proposal));
    }
    Ok(())
}

/// Prints what a change did.
pub fn print_changed(
    said: &str,
    grade: Option<&Grade>,
    change: Option<&GradeChange>,
    printer: &mut Printer,
) -> Outcome {
    if printer.format == Format::Json {
        printer.json(&json!({
            "format": "coldbrake.grade_change/1",
            "grade": grade.map(document),
            "checked_count": change.map(|c| c.checked_count),
            "relabelled_count": change.map(|c| c.relabelled_count),
        }))?;
        return Ok(());
    }
    printer.say(said);
    if let Some(c) = change {
        printer.say(&format!(
            "{} matched anew, {} of them now under another grade or none",
            show::count(c.checked_count.unsigned_abs(), "past descent", "past descents"),
            c.relabelled_count
        ));
    }
    Ok(())
}

fn document(g: &Grade) -> Value {
    json!({
        "grade": g.grade,
        "display_name": g.display_name,
        "length_m": g.length_m,
        "drop_m": g.drop_m,
        "top_altitude_m": g.top_altitude_m,
        "mean_gradient": g.mean_gradient,
        "top_position": g.top_position.as_ref().map(position),
        "bottom_position": g.bottom_position.as_ref().map(position),
        "origin": origin_name(g.origin()),
        "origin_detail": g.origin_detail,
        "created_by": g.created_by,
        "create_time": rfc3339(g.create_time_ms),
    })
}

fn row(g: &Grade) -> Vec<String> {
    vec![
        g.grade.clone(),
        g.display_name.clone(),
        g.length_m.to_string(),
        g.drop_m.to_string(),
        g.top_altitude_m.to_string(),
        g.mean_gradient.to_string(),
        origin_name(g.origin()).unwrap_or_default().to_owned(),
        g.created_by.clone(),
        rfc3339(g.create_time_ms),
    ]
}

fn proposal(p: &GradeProposal) -> Value {
    let examples: Vec<Value> = p
        .examples
        .iter()
        .map(|e| json!({"vehicle": e.vehicle, "descent": e.descent}))
        .collect();
    json!({
        "proposal": p.proposal,
        "descent_count": p.descent_count,
        "vehicle_count": p.vehicle_count,
        "length_m": p.length_m,
        "drop_m": p.drop_m,
        "top_altitude_m": p.top_altitude_m,
        "mean_gradient": p.mean_gradient,
        "misfit_m": p.misfit_m,
        "top_position": p.top_position.as_ref().map(position),
        "bottom_position": p.bottom_position.as_ref().map(position),
        "examples": examples,
        "dismissed": p.dismissed,
    })
}

fn position(p: &Position) -> Value {
    json!({"latitude_deg": p.latitude_deg, "longitude_deg": p.longitude_deg})
}

const fn origin(origin: GradeOrigin) -> &'static str {
    match origin {
        GradeOrigin::Survey => "a survey",
        GradeOrigin::Descent => "one descent",
        GradeOrigin::Proposal => "several descents",
        GradeOrigin::Unspecified => "not said",
    }
}

const fn origin_name(origin: GradeOrigin) -> Option<&'static str> {
    match origin {
        GradeOrigin::Survey => Some("survey"),
        GradeOrigin::Descent => Some("descent"),
        GradeOrigin::Proposal => Some("proposal"),
        GradeOrigin::Unspecified => None,
    }
}
