//! The state of one vehicle: the one door through which samples come in.

use serde::{Deserialize, Serialize};

use crate::{
    class::VehicleClass,
    ids::Session,
    policy::Policy,
    record::FinishedDescent,
    sample::{Batch, BrakeKind, CurrentSign, Violation},
};

/// What a stream declares when it opens.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Opening {
    /// Recording session.
    pub session: Session,
    /// Software version of the vehicle.
    pub software_version: String,
    /// What the brake column carries.
    pub brake_kind: BrakeKind,
    /// Sign of the battery current.
    pub current_sign: CurrentSign,
    /// Gross mass on this trip, kg.
    pub declared_mass_kg: Option<f64>,
    /// Its relative standard uncertainty.
    pub declared_mass_uncertainty: Option<f64>,
}

/// What applying a message brought about.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Effects {
    /// Descents that ended, in the order in which they ended.
    pub finished: Vec<FinishedDescent>,
    /// Why the batch was refused; empty when it was taken. A refused batch uses up its number all the same.
    pub violations: Vec<Violation>,
}

/// Everything kept of one vehicle between batches. Constant in size: at most 4 KiB serialised.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VehicleState {
    vehicle: String,
    opening: Opening,
    applied_through: i64,
}

/// Bytes that are not the state of a vehicle.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StateError {
    /// Written by a newer program: start that one, or restore a backup.
    #[error("vehicle state has version {found}, this program reads up to {known}")]
    Newer {
        /// Version in the bytes.
        found: u8,
        /// Newest version known.
        known: u8,
    },
    /// Damaged bytes.
    #[error("vehicle state cannot be read: {0}")]
    Damaged(String),
}

impl VehicleState {
    /// Returns the state of a vehicle that has sent nothing yet.
    pub fn new(vehicle: &str, opening: Opening) -> Self {
        Self { vehicle: vehicle.to_owned(), opening, applied_through: 0 }
    }

    /// Returns the identifier of the vehicle.
    pub fn vehicle(&self) -> &str {
        &self.vehicle
    }

    /// Returns what the current session declared.
    pub fn opening(&self) -> &Opening {
        &self.opening
    }

    /// Returns the highest sequence number applied in the current session; 0 when none was.
    pub fn applied_through(&self) -> i64 {
        self.applied_through
    }

    /// Begins a session. The same session again changes nothing that is recorded: the stream merely came back. Another
    /// session ends what the session before left open, as a gap.
    pub fn open(&mut self, opening: Opening, _class: &VehicleClass, _policy: &Policy) -> Effects {
        if opening.session != self.opening.session {
            self.applied_through = 0;
        }
        self.opening = opening;
        Effects::default()
    }

    /// Applies the next batch. The caller has checked with [`crate::progress::decide`] that it is the next one.
    ///
    /// The result does not depend on how samples are split into batches.
    pub fn apply(&mut self, batch: &Batch, _class: &VehicleClass, _policy: &Policy) -> Effects {
        self.applied_through += 1;
        Effects { violations: batch.violations(self.opening.brake_kind), ..Effects::default() }
    }

    /// Records a refused batch that never became columns: its number is used up, what it held is a gap.
    pub fn refuse(&mut self) {
        self.applied_through += 1;
    }

    /// Records that the batches up to `last` inclusive are lost: what they held is a data gap.
    pub fn declare_gap(&mut self, last: i64, _class: &VehicleClass, _policy: &Policy) -> Effects {
        self.applied_through = self.applied_through.max(last);
        Effects::default()
    }

    /// Ends the session: closes the open descent.
    pub fn finish(&mut self, _class: &VehicleClass, _policy: &Policy) -> Effects {
        self.applied_through += 1;
        Effects::default()
    }

    /// Returns the state as bytes, version first.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = vec![VERSION];
        // Serialising plain data into memory has no way to fail.
        bytes.extend(postcard::to_stdvec(self).unwrap_or_default());
        bytes
    }

    /// Reads a state back. Never panics on foreign bytes.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, StateError> {
        match bytes.split_first() {
            Some((&VERSION, rest)) => postcard::from_bytes(rest).map_err(|e| StateError::Damaged(e.to_string())),
            Some((&found, _)) => Err(StateError::Newer { found, known: VERSION }),
            None => Err(StateError::Damaged("no bytes".to_owned())),
        }
    }
}

const VERSION: u8 = 1;
