//! What the road authority of the scenario knows of its roads: the ways down the passes, surveyed.

use super::{
    road::{Pass, Road, Way},
    scenario::{CONFIRM_DROP_M, PASSES},
};

/// Distance between two points of a survey, m.
const STEP_M: f64 = 25.0;

/// A way down a pass, surveyed.
#[derive(Clone, Debug, PartialEq)]
pub struct Survey {
    /// Identifier.
    pub grade: String,
    /// Name for people.
    pub display_name: String,
    /// Distance from the top along the road and altitude, m, the top first.
    pub points: Vec<(f64, f64)>,
}

/// Returns the surveys. The last pass has none: it is for the server to notice.
///
/// ```
/// let surveys = coldbrake::demo::survey::surveys();
/// assert_eq!(surveys.len(), 6);
/// assert_eq!(surveys[0].grade, "zevrin-east");
/// ```
pub fn surveys() -> Vec<Survey> {
    PASSES
        .split_last()
        .map_or(&[][..], |(_, surveyed)| surveyed)
        .iter()
        .flat_map(|pass| [(Way::Eastward, "east"), (Way::Westward, "west")].map(|side| survey(pass, side)))
        .flatten()
        .collect()
}

fn survey(pass: &Pass, (way, side): (Way, &str)) -> Option<Survey> {
    let road = Road::over(pass, way);
    let (top, foot) = road.falls(CONFIRM_DROP_M).first().copied()?;
    let steps = ((foot - top) / STEP_M).ceil().max(1.0);
    let points = (0..=steps as u32)
        .map(|k| (foot - top) * f64::from(k) / steps)
        .map(|at| (at, road.altitude(top + at)))
        .collect();
    Some(Survey {
        grade: format!("{}-{side}", pass.name.to_lowercase()),
        display_name: format!("{} pass, {side} side", pass.name),
        points,
    })
}
