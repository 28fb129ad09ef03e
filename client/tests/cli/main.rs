//! Checks of the command line: its screens, its documents for programs, and the program itself against a real server.

mod check;
mod fixture;
mod program;
mod schema;
mod screens;
