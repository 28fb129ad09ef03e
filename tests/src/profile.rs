//! Drives along a road given by its altitude.

use coldbrake_engine::Batch;

use crate::case::START_MS;

/// Returns the log of a vehicle that drives along the points (distance m, altitude m) at a constant speed, one sample at
/// each point, with nothing but distance and altitude worth looking at.
pub fn drive(points: &[(f64, f64)], speed_mps: f64) -> Batch {
    let n = points.len();
    Batch {
        time_ms: points
            .iter()
            .map(|(s, _)| START_MS + ((s - points[0].0) / speed_mps * 1e3).round() as i64)
            .collect(),
        speed_mps: vec![speed_mps; n],
        altitude_m: points.iter().map(|p| p.1).collect(),
        brake: vec![0.0; n],
        current_a: vec![0.0; n],
        ..Batch::default()
    }
}
