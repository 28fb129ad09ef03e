//! What is remembered between descents. Every record is of bounded size.
//!
//! | record | one per | bytes, about |
//! | --- | --- | --- |
//! | [`Cell`] | grade and class | 2,500 with the default rule: 120 values of 8, 32 of 8, 24 descents |
//! | [`Vehicle`] | vehicle | 800: 16 descents |
//! | [`Version`] | software version and class | 2,000: 48 descents |
//! | [`Class`] | class | 300: 32 values |
//!
//! At most [`MOST_CELLS`], [`MOST_VEHICLES`] and [`MOST_VERSIONS`] are kept; what comes beyond raises nothing.

use serde::{Deserialize, Serialize};

use super::rule::Armed;
use super::scope::Pass;
use crate::stats::baseline::{Baseline, Level};
use crate::stats::chart::EwmaChart;

/// Most grades times classes.
pub const MOST_CELLS: usize = 20_000;
/// Most vehicles.
pub const MOST_VEHICLES: usize = 200_000;
/// Most software versions times classes.
pub const MOST_VERSIONS: usize = 4_000;
/// Most alarms that are open at a time.
pub const MOST_OPEN: usize = 500;
/// Most closed alarms that are kept.
pub const MOST_CLOSED: usize = 2_000;
/// Most events that are kept for watchers and for the delivery.
pub const MOST_EVENTS: u64 = 10_000;

const CELL_PASSES: usize = 24;
const VEHICLE_PASSES: usize = 16;
const VERSION_PASSES: usize = 48;
const CHARGE_VALUES: usize = 32;
const CHARGE_LEAST: usize = 3;
/// Values after which middle and spread are worked out again.
const LEVEL_EVERY: u64 = 4;

/// A chart of standardised values.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Drift(Option<EwmaChart>);

impl Drift {
    /// Takes a value; returns the average, and whether it is above the limit.
    pub fn observe(&mut self, z: f64, armed: &Armed) -> (f64, bool) {
        // Another rule, another chart.
        if self.0.as_ref().is_none_or(|c| *c.design() != armed.design) {
            self.0 = EwmaChart::new(armed.design, 0.0, 1.0).ok();
        }
        let point = self.0.as_mut().and_then(|chart| chart.observe(z).ok());
        point.map_or((0.0, false), |p| (p.value, p.signal.is_some()))
    }

    /// Starts afresh.
    pub fn reset(&mut self) {
        self.0 = None;
    }
}

/// A grade as vehicles of a class drive it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cell {
    /// Grade.
    pub grade: String,
    /// Class.
    pub vehicle_class: String,
    /// Unexplained friction in order, kJ/(t·100 m).
    pub baseline: Baseline,
    /// Middle and spread of it, as last worked out.
    level: Option<Level>,
    /// Chart of the grade.
    pub drift: Drift,
    /// The latest descents.
    pub passes: Vec<Pass>,
    /// Energy that the battery would have taken if it could, kJ per tonne of vehicle.
    pub charge: Baseline,
}

/// A vehicle.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Vehicle {
    /// Identifier.
    pub vehicle: String,
    /// Chart over all its grades.
    pub drift: Drift,
    /// The latest descents.
    pub passes: Vec<Pass>,
    /// Which of the latest descents were hot: the latest is the lowest bit.
    pub hot: u16,
    /// How many descents these bits stand for.
    pub heat_known: u8,
}

/// A software version in vehicles of a class.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Version {
    /// Software version.
    pub software_version: String,
    /// Class.
    pub vehicle_class: String,
    /// Chart over all grades and vehicles.
    pub drift: Drift,
    /// The latest descents.
    pub passes: Vec<Pass>,
}

/// A class.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Class {
    /// Class.
    pub vehicle_class: String,
    /// Battery capacity as descents show it, J: net charge over the rise of the state of charge.
    pub capacity: Baseline,
}

/// A record of any of these.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Record {
    /// See [`Cell`].
    Cell(Box<Cell>),
    /// See [`Vehicle`].
    Vehicle(Vehicle),
    /// See [`Version`].
    Version(Version),
    /// See [`Class`].
    Class(Class),
}

impl Cell {
    /// Begins to remember; `None` for a rule that makes no sense.
    pub fn new(grade: &str, vehicle_class: &str, armed: &Armed) -> Option<Self> {
        Some(Self {
            grade: grade.to_owned(),
            vehicle_class: vehicle_class.to_owned(),
            baseline: baseline(armed)?,
            level: None,
            drift: Drift::default(),
            passes: Vec::new(),
            charge: Baseline::new(CHARGE_VALUES, CHARGE_LEAST).ok()?,
        })
    }

    /// Returns middle and spread; `None` with fewer values than a spike needs.
    pub fn level(&self) -> Option<Level> {
        self.level
    }

    /// Takes a value that is in order.
    pub fn learn(&mut self, value: f64, armed: &Armed) {
        if self.baseline.observe(value).is_err() {
            return;
        }
        if self.level.is_none() || self.baseline.seen().is_multiple_of(LEVEL_EVERY) {
            self.level = self
                .baseline
                .level(armed.rule.least_sigma_kj_per_t_100m)
                .map(|l| Level {
                    sigma: l.sigma.max(armed.rule.least_sigma_share * l.median.abs()),
                    ..l
                });
        }
    }

    /// Forgets what was usual.
    pub fn relearn(&mut self) {
        self.baseline.reset();
        self.level = None;
        self.drift.reset();
        self.passes.clear();
    }

    /// Remembers a descent.
    pub fn remember(&mut self, pass: &Pass) {
        keep(&mut self.passes, pass, CELL_PASSES);
    }
}

impl Vehicle {
    /// Remembers a descent.
    pub fn remember(&mut self, pass: &Pass) {
        keep(&mut self.passes, pass, VEHICLE_PASSES);
    }

    /// Remembers whether a descent was hot; returns how many of the latest `window` were.
    pub fn heat(&mut self, hot: bool, window: u8) -> u32 {
        self.hot = self.hot << 1 | u16::from(hot);
        self.heat_known = self.heat_known.saturating_add(1).min(16);
        let mask = if window >= 16 { u16::MAX } else { (1 << window) - 1 };
        (self.hot & mask).count_ones()
    }
}

impl Version {
    /// Remembers a descent.
    pub fn remember(&mut self, pass: &Pass) {
        keep(&mut self.passes, pass, VERSION_PASSES);
    }
}

impl Class {
    /// Begins to remember.
    pub fn new(vehicle_class: &str) -> Option<Self> {
        Some(Self {
            vehicle_class: vehicle_class.to_owned(),
            capacity: Baseline::new(CHARGE_VALUES, CHARGE_LEAST).ok()?,
        })
    }
}

fn baseline(armed: &Armed) -> Option<Baseline> {
    Baseline::new(
        usize::from(armed.rule.baseline_memory),
        usize::from(armed.rule.spike_count),
    )
    .ok()
}

fn keep(passes: &mut Vec<Pass>, pass: &Pass, most: usize) {
    if passes.len() >= most {
        passes.drain(..=passes.len() - most);
    }
    passes.push(pass.clone());
}
