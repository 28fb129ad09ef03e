//! The commands, one file each.

pub mod alarms;
pub mod analyse;
pub mod audit;
pub mod backup;
pub mod brakes;
pub mod certificates;
pub mod classes;
pub mod compare;
pub mod completions;
pub mod define;
pub mod demo;
pub mod descents;
pub mod distribution;
pub mod grades;
pub mod send;
pub mod status;
pub mod trend;
pub mod vehicles;

mod account;
mod grade;
mod when;
