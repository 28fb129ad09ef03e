//! The Coldbrake command line.

pub mod convert;
pub mod import;
