//! Checks of the command line: its screens, its documents for programs, and the program itself against a real server.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "helpers of tests fail as tests do"
)]

mod alarms;
mod brakes;
mod certificates;
mod check;
mod comparison;
mod fixture;
mod grades;
mod program;
mod schema;
mod screens;
