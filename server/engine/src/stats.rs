//! Statistics of the fleet: is one software version better than another, and has a grade or a vehicle drifted.
//!
//! Every function is pure: it takes slices of finite numbers and returns a value or a [`StatsError`]. Where chance is
//! needed (bootstrap, permutation) the caller passes the seed, so the same question has the same answer.
//!
//! | module | what it answers |
//! | --- | --- |
//! | [`robust`] | median, spread, quantiles and drawn distributions that one wild value does not move |
//! | [`rank`] | do two samples differ, and by how much, without assuming a shape |
//! | [`stratified`] | the same inside strata, so that a different mix of grades is not taken for a difference |
//! | [`effect`] | how often one side beats the other |
//! | [`multiple`] | p-values of many questions asked at once |
//! | [`compare`] | all of these together, with a verdict in words |
//! | [`chart`] | control charts that follow a metric one observation at a time |
//! | [`run_length`] | how long such a chart runs until it signals, in order and out of order |
//! | [`baseline`] | what is normal for one metric, from a bounded memory |
//! | [`change`] | where in a series the level changed |
//!
//! All tests on ranks take observations as independent. Passes of one vehicle on one day are not quite; where that
//! matters, put the vehicle into the stratum key.

pub mod baseline;
pub mod change;
pub mod chart;
pub mod compare;
pub mod effect;
pub mod multiple;
pub mod rank;
pub mod robust;
pub mod run_length;
pub mod stratified;

mod distribution;
mod error;
mod pairs;
mod seeded;

pub use error::StatsError;
