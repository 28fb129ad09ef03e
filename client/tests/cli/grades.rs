//! Known grades: what the commands show, and surveys as they come.

use std::path::PathBuf;

use coldbrake::command::grades::{self, survey};
use coldbrake_proto::v1::{
    GetGradeResponse, Grade, GradeChange, GradeOrigin, GradePoint, GradeProposal, ListGradeProposalsResponse,
    Position, RecordedDescent,
};

use crate::fixture::{CSV, JSON, NARROW, View, WIDE, picture};

macro_rules! pictures {
    ($name:literal, [$($view:ident),+], $print:expr) => {
        $(insta::assert_snapshot!(
            concat!($name, "_", stringify!($view)).to_lowercase(),
            picture($view, $print)
        );)+
    };
}

const VAST: View = View { width: 120, ..WIDE };

fn grade(id: &str, name: &str, origin: GradeOrigin) -> Grade {
    Grade {
        grade: id.to_owned(),
        display_name: name.to_owned(),
        length_m: 5_904.0,
        drop_m: 386.2,
        top_altitude_m: 886.7,
        mean_gradient: -0.0654,
        top_position: Some(Position {
            latitude_deg: 46.5,
            longitude_deg: 9.25,
        }),
        bottom_position: None,
        origin: origin.into(),
        origin_detail: "GPX".to_owned(),
        created_by: "spiffe://fleet.example/person/ines".to_owned(),
        create_time_ms: 1_772_409_600_000,
    }
}

#[test]
fn list_of_grades() {
    let rows = [
        grade("north-ramp", "North ramp of the pass", GradeOrigin::Survey),
        grade("valley-road", "", GradeOrigin::Proposal),
    ];
    pictures!("grades", [WIDE, NARROW, VAST, JSON, CSV], |p| grades::print_list(
        &rows, p
    ));
    pictures!("grades_none", [WIDE, JSON], |p| grades::print_list(&[], p));
}

#[test]
fn one_grade() {
    let answer = GetGradeResponse {
        grade: Some(grade("north-ramp", "North ramp of the pass", GradeOrigin::Survey)),
        profile: (0..=12)
            .map(|k| GradePoint {
                distance_m: f64::from(k) * 492.0,
                altitude_m: 886.7 - f64::from(k) * 32.2 + f64::from(k % 3) * 6.0,
            })
            .collect(),
        descent_count: 252,
    };
    pictures!("grade", [WIDE, NARROW, JSON, CSV], |p| grades::print_one(
        &answer, p
    ));
}

#[test]
fn proposals_and_changes() {
    let answer = ListGradeProposalsResponse {
        proposals: vec![GradeProposal {
            proposal: "p-7c21".to_owned(),
            descent_count: 126,
            vehicle_count: 24,
            length_m: 11_610.0,
            drop_m: 632.4,
            top_altitude_m: 1_192.0,
            mean_gradient: -0.0545,
            misfit_m: 1.4,
            top_position: None,
            bottom_position: None,
            examples: vec![RecordedDescent {
                vehicle: "van-07".to_owned(),
                descent: "20260312T071502Z-17".to_owned(),
            }],
            dismissed: false,
        }],
        looked_at_count: 240,
    };
    pictures!("grade_proposals", [WIDE, NARROW, JSON, CSV], |p| {
        grades::print_proposals(&answer, p)
    });
    let known = grade("north-ramp", "", GradeOrigin::Proposal);
    let change = GradeChange {
        checked_count: 2_016,
        relabelled_count: 252,
    };
    pictures!("grade_change", [WIDE, JSON], |p| grades::print_changed(
        "grade north-ramp is known",
        Some(&known),
        Some(&change),
        p
    ));
}

fn file(directory: &tempfile::TempDir, name: &str, text: &str) -> PathBuf {
    let path = directory.path().join(name);
    std::fs::write(&path, text).unwrap();
    path
}

/// A hundredth of a degree of latitude is 1111.95 m on a sphere with the mean radius of the earth, 6371.0088 km (IUGG); 60 m down
/// on it make the road 1113.57 m long.
#[test]
fn a_survey_is_the_same_in_both_forms() {
    let directory = tempfile::tempdir().unwrap();
    let gpx = file(
        &directory,
        "ramp.gpx",
        r#"<?xml version="1.0"?>
<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>
<trkpt lat="46.00" lon="9"><ele>900</ele></trkpt>
<trkpt lat="46.01" lon="9"><ele>840</ele></trkpt>
<trkpt lat="46.02" lon="9"><ele>780</ele></trkpt>
</trkseg></trk></gpx>"#,
    );
    let geojson = file(
        &directory,
        "ramp.geojson",
        r#"{"type":"Feature","properties":null,"geometry":{"type":"LineString",
"coordinates":[[9,46.00,900],[9,46.01,840],[9,46.02,780]]}}"#,
    );
    let a = survey::read(&gpx, None, false).unwrap();
    let b = survey::read(&geojson, None, false).unwrap();
    assert_eq!(a.points, b.points);
    assert_eq!((a.form.as_str(), b.form.as_str()), ("GPX", "GeoJSON"));
    let ends: Vec<f64> = a.points.iter().map(|p| p.distance_m).collect();
    for (have, want) in ends.iter().zip([0.0, 1_113.57, 2_227.13]) {
        assert!((have - want).abs() < 0.02, "{ends:?}");
    }
    assert!((a.top_position.unwrap().latitude_deg - 46.0).abs() < 1e-9);
    assert!((b.bottom_position.unwrap().latitude_deg - 46.02).abs() < 1e-9);
}

#[test]
fn what_is_no_survey_of_a_grade_says_why() {
    let directory = tempfile::tempdir().unwrap();
    let line = |coordinates: &str| format!(r#"{{"type":"LineString","coordinates":{coordinates}}}"#);
    let up = line("[[9,46,700],[9,46.01,760]]");
    let flat = line("[[9,46],[9,46.01]]");
    let two = format!(r#"{{"type":"GeometryCollection","geometries":[{up},{up}]}}"#);
    let point = r#"{"type":"Point","coordinates":[9,46,700]}"#.to_owned();
    for (name, text, words) in [
        ("a.geojson", &up, "ends higher than it begins"),
        ("b.geojson", &flat, "point 1 has no altitude"),
        ("c.geojson", &two, "holds 2 lines"),
        ("d.geojson", &point, "holds no line"),
        ("e.geojson", &"{".to_owned(), "is no GeoJSON"),
        ("f.gpx", &"<gpx".to_owned(), "is no GPX"),
        ("g.kml", &String::new(), "is neither"),
    ] {
        let failure = survey::read(&file(&directory, name, text), None, false).unwrap_err();
        assert!(failure.message.contains(words), "{name}: {failure:?}");
    }
    let path = file(&directory, "a.geojson", &up);
    let failure = survey::read(&path, None, false).unwrap_err();
    assert!(failure.helps[0].contains("--reverse"), "{failure:?}");
    assert_eq!(survey::read(&path, None, true).unwrap().points.len(), 2);
    let path = file(&directory, "c.geojson", &two);
    assert_eq!(survey::read(&path, Some(2), true).unwrap().points.len(), 2);
    assert!(survey::read(&path, Some(3), true).is_err());
    assert!(survey::read(&directory.path().join("none.gpx"), None, false).is_err());
}
