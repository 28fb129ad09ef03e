//! Fuzz targets: what any bytes must fulfil where bytes come in from outside. The fuzzer in `fuzz/` calls the bodies with
//! inputs of its own making; a plain test replays the corpus and mutations of it.
//!
//! A body panics when something is wrong, and returns whether the input got past the first checks: a corpus whose
//! inputs are all turned away at the door checks nothing.

pub mod backup;
pub mod batches;
pub mod class;
pub mod csv;
pub mod histogram;
pub mod journal;
pub mod mutate;
pub mod script;
pub mod state;
pub mod values;

use std::path::PathBuf;

/// A fuzz target.
#[derive(Clone, Copy, Debug)]
pub struct Target {
    /// Name: of the program in `fuzz/fuzz_targets` and of the directory in `fuzz/corpus`.
    pub name: &'static str,
    /// Its body: returns whether the input got past the first checks, panics when something is wrong.
    pub run: fn(&[u8]) -> bool,
    /// Inputs made from the reference data, with their names.
    pub seeds: fn() -> Vec<(String, Vec<u8>)>,
}

/// All targets.
pub const TARGETS: [Target; 8] = [
    Target {
        name: "batches",
        run: batches::run,
        seeds: batches::seeds,
    },
    Target {
        name: "state",
        run: state::run,
        seeds: state::seeds,
    },
    Target {
        name: "journal",
        run: journal::run,
        seeds: journal::seeds,
    },
    Target {
        name: "values",
        run: values::run,
        seeds: values::seeds,
    },
    Target {
        name: "histogram",
        run: histogram::run,
        seeds: histogram::seeds,
    },
    Target {
        name: "csv",
        run: csv::run,
        seeds: csv::seeds,
    },
    Target {
        name: "backup",
        run: backup::run,
        seeds: backup::seeds,
    },
    Target {
        name: "class",
        run: class::run,
        seeds: class::seeds,
    },
];

/// Returns the directory with the stored inputs of a target.
pub fn corpus(target: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../fuzz/corpus")
        .join(target)
}
