//! What deserves somebody's attention: decided from finished descents, one after the other.
//!
//! For every known grade and vehicle class the unexplained friction per tonne and 100 m of drop has a robust baseline.
//! A descent far above it is a spike; a moving average over descents finds a lasting shift that no single one shows.
//! Three charts are kept, by grade, by vehicle and by software version, so that a change that is spread thin over one
//! of them shows in another. What signals is put down to the vehicle, the grade or the version by a likelihood ratio
//! ([`scope`]), and one cause has one alarm, which lives: raised, acknowledged, quieted, closed.
//!
//! Brakes that ran hot again and again, and brakes that were not used firmly for long, raise alarms of their own.
//! Friction that has an explanation (battery full or cold, more than the largest recovery power) never does: it makes a
//! planning message ([`plan`]). Creeping and wheel-slip control make nothing.
//!
//! Only event time counts. The same descents in the same order give the same alarms with the same identifiers.
//!
//! | module | what |
//! | --- | --- |
//! | [`rule`] | thresholds, with defaults |
//! | [`record`] | the alarm and its life |
//! | [`memory`] | what is remembered between descents, and how large that gets |
//! | [`scope`] | vehicle, grade or software version? |
//! | [`watch`] | the door: a descent goes in, changed records come out |
//! | [`plan`] | head room in the battery for the next visit |
//! | [`words`] | likely cause and what to do |

pub mod draft;
pub mod memory;
pub mod plan;
pub mod record;
pub mod rule;
pub mod scope;
pub mod watch;
pub mod words;

pub use record::{Alarm, Event, Kind, Stage, What};
pub use rule::Rule;
pub use watch::Watch;

#[cfg(test)]
mod tests;
