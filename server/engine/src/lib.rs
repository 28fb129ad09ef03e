//! The pure core of Coldbrake: samples go in, descents come out.
//!
//! There is no clock, no I/O, no randomness and no iteration over hash maps in this crate: the same samples give the
//! same bytes, on the server, in the command line and after a crash.
//!
//! A sample walks through the rooms in this order: [`sample`] (columns, validation) → [`phase`] (braking, propulsion,
//! coasting) → [`friction`] (why friction was used) → [`terrain`] (altitude filter) → the ledger (energies) →
//! [`thermal`] (brake temperature) → the segmenter (where a descent begins and ends) → [`record`] (the descent).
//! [`VehicleState`] is the door.

pub mod alarm;
pub mod atmosphere;
pub mod class;
pub mod comparison;
pub mod constants;
pub mod friction;
pub mod grade;
pub mod histogram;
pub mod ids;
pub mod mass;
pub mod metrics;
pub mod noise;
pub mod phase;
pub mod policy;
pub mod profile;
pub mod progress;
pub mod record;
pub mod sample;
pub mod state;
pub mod stats;
pub mod terrain;
pub mod thermal;
pub mod wear;
pub mod what_if;

mod account;
mod bits;
mod flow;
mod ledger;
mod model;
mod segment;
mod sign;
mod track;

pub use class::VehicleClass;
pub use histogram::MetricHistogram;
pub use ids::Session;
pub use metrics::Metric;
pub use policy::Policy;
pub use record::{Descent, FinishedDescent, ProfilePoint};
pub use sample::{Batch, BrakeKind, CurrentSign, Violation};
pub use state::{Effects, Opening, StateError, VehicleState};
