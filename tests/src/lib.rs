//! What the checks share: the simulated cases, logs as columns, noise of a known make-up, and a server in process.
//!
//! Only code that tests run: a panic is how it reports a mistake.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::missing_panics_doc,
    reason = "test code: a panic is how it reports, and tables of measured errors belong on its output"
)]

pub mod case;
pub mod crash;
pub mod disturb;
pub mod fuzz;
pub mod load;
pub mod log;
pub mod profile;
pub mod program;
pub mod report;
pub mod trips;
pub mod wire;
