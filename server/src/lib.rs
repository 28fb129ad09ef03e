//! The Coldbrake server.

pub mod store;
