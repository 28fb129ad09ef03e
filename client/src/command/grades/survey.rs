//! Surveys of roads: GPX 1.0 and 1.1 (Topografix), and GeoJSON (RFC 7946).
//!
//! The distance along the road is added up from point to point: along the surface of a sphere by the haversine formula, and up
//! and down with the altitudes, since that is what wheels count.

use std::{fs, io::BufReader, path::Path};

use coldbrake_engine::grade::Position;
use coldbrake_proto::v1::{self, GradePoint, GradeSurvey};

use crate::exit::{Code, Failure};

/// Largest file read, bytes.
const MAX_BYTES: u64 = 64 << 20;

/// A point of a survey: where, and its altitude, m.
pub type Place = (Position, Option<f64>);

/// Reads the survey of one stretch.
///
/// # Errors
/// A file that cannot be read or holds no line, several lines without `line` to choose one, points without altitude, or a
/// stretch that begins lower than it ends.
pub fn read(file: &Path, line: Option<usize>, reverse: bool) -> Result<GradeSurvey, Failure> {
    let wrong = |what: String| Failure::new(Code::BadInput, format!("{}: {what}", file.display()));
    let ending = file
        .extension()
        .map(|e| e.to_string_lossy().to_lowercase())
        .unwrap_or_default();
    let opened = fs::File::open(file).map_err(|e| wrong(format!("cannot be read: {e}")))?;
    if opened.metadata().is_ok_and(|m| m.len() > MAX_BYTES) {
        return Err(wrong("is larger than 64 MiB".to_owned()).help("cut the stretch out of it"));
    }
    let (form, lines) = match ending.as_str() {
        "gpx" => (
            "GPX",
            gpx_lines(&gpx::read(BufReader::new(opened)).map_err(|e| wrong(format!("is no GPX: {e}")))?),
        ),
        "geojson" | "json" => {
            let text = fs::read_to_string(file).map_err(|e| wrong(format!("cannot be read: {e}")))?;
            let document = text
                .parse::<geojson::GeoJson>()
                .map_err(|e| wrong(format!("is no GeoJSON: {e}")))?;
            ("GeoJSON", geojson_lines(document))
        }
        _ => {
            return Err(wrong("is neither .gpx nor .geojson".to_owned())
                .help("give a GPX track or route, or a GeoJSON line, and name the file so"));
        }
    };
    let chosen = match (line, lines.len()) {
        (_, 0) => return Err(wrong("holds no line of two points or more".to_owned())),
        (None, 1) => 0,
        (None, n) => {
            return Err(wrong(format!("holds {n} lines")).help("say which: --line NUMBER, from 1"));
        }
        (Some(n), all) if n == 0 || n > all => {
            return Err(wrong(format!("holds {all} lines, and no line {n}")));
        }
        (Some(n), _) => n - 1,
    };
    let mut places = lines.into_iter().nth(chosen).unwrap_or_default();
    if reverse {
        places.reverse();
    }
    survey(&places, form).map_err(wrong).map_err(|failure| {
        if reverse || !failure.message.ends_with("ends higher than it begins") {
            failure
        } else {
            failure.help("a grade goes down: --reverse turns it round")
        }
    })
}

/// Returns the survey of a stretch from its places, the top first.
pub fn survey(places: &[Place], form: &str) -> Result<GradeSurvey, String> {
    let mut points: Vec<GradePoint> = Vec::with_capacity(places.len());
    let mut before: Option<(Position, f64)> = None;
    let mut distance_m = 0.0;
    for (number, (position, altitude)) in (1..).zip(places) {
        let altitude_m = altitude.filter(|a| a.is_finite()).ok_or_else(|| {
            format!("point {number} has no altitude: a survey of a grade needs that of every point")
        })?;
        if let Some((last, height)) = before {
            distance_m += last.distance_m(*position).hypot(altitude_m - height);
        }
        // A place given twice adds nothing.
        if points.last().is_none_or(|p| distance_m > p.distance_m) {
            points.push(GradePoint {
                distance_m,
                altitude_m,
            });
        }
        before = Some((*position, altitude_m));
    }
    let ends = points.first().zip(points.last());
    if ends.is_some_and(|(top, bottom)| top.altitude_m <= bottom.altitude_m) {
        return Err("ends higher than it begins".to_owned());
    }
    let at = |place: Option<&Place>| {
        place.map(|(p, _)| v1::Position {
            latitude_deg: p.latitude_deg,
            longitude_deg: p.longitude_deg,
        })
    };
    Ok(GradeSurvey {
        points,
        top_position: at(places.first()),
        bottom_position: at(places.last()),
        form: form.to_owned(),
    })
}

/// Segments of tracks, then routes.
fn gpx_lines(document: &gpx::Gpx) -> Vec<Vec<Place>> {
    let places = |points: &[gpx::Waypoint]| -> Vec<Place> {
        points
            .iter()
            .map(|w| {
                let position = Position {
                    latitude_deg: w.point().y(),
                    longitude_deg: w.point().x(),
                };
                (position, w.elevation)
            })
            .collect()
    };
    let segments = document.tracks.iter().flat_map(|t| &t.segments);
    let mut lines: Vec<_> = segments.map(|s| places(&s.points)).collect();
    lines.extend(document.routes.iter().map(|r| places(&r.points)));
    lines.retain(|line| line.len() >= 2);
    lines
}

fn geojson_lines(document: geojson::GeoJson) -> Vec<Vec<Place>> {
    let mut lines = Vec::new();
    match document {
        geojson::GeoJson::Geometry(geometry) => collect(geometry.value, &mut lines),
        geojson::GeoJson::Feature(feature) => {
            if let Some(geometry) = feature.geometry {
                collect(geometry.value, &mut lines);
            }
        }
        geojson::GeoJson::FeatureCollection(features) => {
            for geometry in features.features.into_iter().filter_map(|f| f.geometry) {
                collect(geometry.value, &mut lines);
            }
        }
    }
    lines.retain(|line| line.len() >= 2);
    lines
}

fn collect(value: geojson::GeometryValue, lines: &mut Vec<Vec<Place>>) {
    // RFC 7946, 3.1.1: longitude, latitude, then the altitude, if any.
    let places = |line: Vec<geojson::Position>| -> Vec<Place> {
        line.iter()
            .filter_map(|p| {
                let numbers = p.as_slice();
                let position = Position {
                    longitude_deg: *numbers.first()?,
                    latitude_deg: *numbers.get(1)?,
                };
                Some((position, numbers.get(2).copied()))
            })
            .collect()
    };
    match value {
        geojson::GeometryValue::LineString { coordinates } => lines.push(places(coordinates)),
        geojson::GeometryValue::MultiLineString { coordinates } => {
            lines.extend(coordinates.into_iter().map(places));
        }
        geojson::GeometryValue::GeometryCollection { geometries } => {
            for geometry in geometries {
                collect(geometry.value, lines);
            }
        }
        // Points and areas are no roads.
        _ => {}
    }
}
