//! Wire schema of Coldbrake.
//!
//! [`v1`] holds the generated types; [`brakes`] writes brakes as messages; [`buffers`] says how messages are read and written; [`codec`] turns batches into columns of small differences and back; [`convert`]
//! turns records into messages and back.

pub mod alarm;
pub mod brakes;
pub mod buffers;
pub mod codec;
pub mod convert;

/// Generated types of the package `coldbrake.v1`.
#[allow(clippy::all, clippy::pedantic, missing_docs, reason = "generated code")]
pub mod v1 {
    tonic::include_proto!("coldbrake.v1");
}

/// Descriptor set of the schema, for server reflection.
pub const DESCRIPTORS: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/coldbrake_v1.binpb"));
