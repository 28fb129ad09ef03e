//! Known grades on the server: kept on a shelf, descents labelled with them as they are recorded.
//!
//! The label of a descent follows from its profile and positions and from the catalogue, and from nothing else. So a
//! change of the catalogue means to match all past descents anew, and whatever the order of changes, the labels are
//! those that the last catalogue gives.

mod change;
mod history;
mod labels;
mod plan;
mod proposals;
pub(crate) mod record;
mod service;
mod wire;

pub(crate) use self::{change::Curator, labels::Labels};
