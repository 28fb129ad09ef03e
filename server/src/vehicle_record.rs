//! The record of a vehicle for listings, made from its engine state.

use std::sync::Arc;

use coldbrake_engine::{Policy, VehicleState};

use crate::store::VehicleRecord;

/// Returns the record of a vehicle.
pub(crate) fn of(state: &VehicleState, vehicle_class: &Arc<str>, policy: &Policy) -> VehicleRecord {
    let opening = state.opening();
    VehicleRecord {
        vehicle: state.vehicle().to_owned(),
        vehicle_class: vehicle_class.to_string(),
        software_version: opening.software_version.clone(),
        brake_kind: opening.brake_kind,
        last_sample_time_ms: state.last_sample_time_ms(),
        descent_count: state.descent_count(),
        descending: state.is_descending(policy),
        refused_batch_count: state.refused_batch_count(),
        // Every kind of brake signal allows some: measured or by balance.
        friction_total_j: Some(state.friction_total_j()),
        distance_total_m: state.distance_total_m(),
        brakes: *state.brakes(),
    }
}
