//! The Coldbrake command line.

pub mod convert;
