//! The alarm and its life.

use serde::{Deserialize, Serialize};

use super::plan::HeadRoom;
use super::scope::{Pass, Scope};

/// What an alarm or a planning message is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// More friction than usual that nothing explains.
    UnexplainedFriction,
    /// Brakes above the inspection temperature again and again.
    HotBrakes,
    /// No firm friction stop for long: rotors corrode, pads glaze.
    UnusedBrakes,
    /// Planning: friction because the battery was full.
    BatteryFull,
    /// Planning: friction because the battery was cold.
    BatteryCold,
    /// Planning: friction because more was asked than the largest recovery power.
    PowerLimited,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Self; 6] = [
        Self::UnexplainedFriction,
        Self::HotBrakes,
        Self::UnusedBrakes,
        Self::BatteryFull,
        Self::BatteryCold,
        Self::PowerLimited,
    ];

    /// Returns the name used in output: lower case with underscores.
    pub const fn name(self) -> &'static str {
        match self {
            Self::UnexplainedFriction => "unexplained_friction",
            Self::HotBrakes => "hot_brakes",
            Self::UnusedBrakes => "unused_brakes",
            Self::BatteryFull => "battery_full",
            Self::BatteryCold => "battery_cold",
            Self::PowerLimited => "power_limited",
        }
    }

    /// Returns whether it is a planning message: nothing is wrong, but the next visit could go better.
    pub const fn is_planning(self) -> bool {
        matches!(self, Self::BatteryFull | Self::BatteryCold | Self::PowerLimited)
    }
}

/// Where in its life an alarm is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// Nobody has said anything about it.
    Raised,
    /// Somebody has taken it on.
    Acknowledged,
    /// Somebody wants to hear nothing of it until a time.
    Quieted,
    /// Over.
    Closed,
}

impl Stage {
    /// All stages.
    pub const ALL: [Self; 4] = [Self::Raised, Self::Acknowledged, Self::Quieted, Self::Closed];

    /// Returns the name used in output.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Acknowledged => "acknowledged",
            Self::Quieted => "quieted",
            Self::Closed => "closed",
        }
    }
}

/// How an alarm showed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sign {
    /// One descent far above the baseline.
    Spike,
    /// The moving average of many.
    Drift,
    /// A count or an age above a threshold.
    Count,
}

impl Sign {
    /// Returns the name used in output.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Spike => "spike",
            Self::Drift => "drift",
            Self::Count => "count",
        }
    }
}

/// Why an alarm is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Closing {
    /// Enough quiet descents in a row.
    Quiet,
    /// No descent that it is about for long.
    Stale,
    /// It turned out to have the cause of another one.
    Joined,
    /// A person closed it.
    Person,
    /// What it is about was put right: a service or an inspection was recorded, or the brakes were used firmly again.
    Remedied,
}

impl Closing {
    /// Returns the name used in output.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Quiet => "quiet",
            Self::Stale => "stale",
            Self::Joined => "joined",
            Self::Person => "person",
            Self::Remedied => "remedied",
        }
    }
}

/// What an alarm rests on. Names are listed up to [`MOST_NAMES`]; counts go on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Descents above the limit since it began.
    pub high: u32,
    /// Descents that it is about since it began, these included.
    pub descents: u32,
    /// Vehicles with a descent above the limit.
    pub vehicles: Vec<String>,
    /// Grades of these.
    pub grades: Vec<String>,
    /// Software versions of these.
    pub software_versions: Vec<String>,
    /// The latest descents above the limit, at most [`MOST_PASSES`], the oldest first.
    pub passes: Vec<Pass>,
}

/// Names listed of each sort.
pub const MOST_NAMES: usize = 16;
/// Descents above the limit that are kept.
pub const MOST_PASSES: usize = 12;

impl Evidence {
    /// Counts a descent above the limit.
    pub fn add(&mut self, pass: &Pass) {
        self.high = self.high.saturating_add(1);
        for (list, name) in [
            (&mut self.vehicles, &pass.vehicle),
            (&mut self.grades, &pass.grade),
            (&mut self.software_versions, &pass.software_version),
        ] {
            if list.len() < MOST_NAMES && !name.is_empty() && !list.contains(name) {
                list.push(name.clone());
            }
        }
        if self.passes.len() >= MOST_PASSES {
            self.passes.remove(0);
        }
        self.passes.push(pass.clone());
    }

    /// Takes over what another alarm rests on.
    pub fn join(&mut self, other: &Self) {
        let (high, descents) = (self.high, self.descents);
        other.passes.iter().for_each(|p| self.add(p));
        self.high = high.saturating_add(other.high);
        self.descents = descents.saturating_add(other.descents);
        self.passes.sort_by_key(|p| p.time_ms);
    }
}

/// An alarm or a planning message. Times are event times, ms since the Unix epoch, UTC, unless said.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    /// Identifier: the time it was raised and a number that follows from what raised it.
    pub alarm: String,
    /// What it is about.
    pub kind: Kind,
    /// How it showed.
    pub sign: Sign,
    /// Where in its life it is.
    pub stage: Stage,
    /// Vehicle class.
    pub vehicle_class: String,
    /// What it is likely to be about.
    pub scope: Scope,
    /// Vehicle of the descent that raised it.
    pub vehicle: String,
    /// That descent.
    pub descent: String,
    /// End of that descent.
    pub raised_ms: i64,
    /// End of the latest descent that it is about.
    pub latest_ms: i64,
    /// What it rests on.
    pub evidence: Evidence,
    /// Value that raised it, in the unit of its kind: kJ/(t·100 m) of friction, hot descents, or days.
    pub value: f64,
    /// What is usual: the median of the baseline; absent where there is none.
    pub usual: Option<f64>,
    /// Limit that was passed, in the same unit. For a drift that of the moving average.
    pub limit: f64,
    /// Moving average since, in sigma.
    pub level: f64,
    /// Quiet descents in a row.
    pub quiet_run: u16,
    /// Until when nobody wants to hear of it.
    pub quieted_until_ms: Option<i64>,
    /// Who acted last on it, for example who acknowledged it; empty if nobody did.
    pub person: String,
    /// What that person noted.
    pub note: String,
    /// When it closed.
    pub closed_ms: Option<i64>,
    /// Why it closed.
    pub closing: Option<Closing>,
    /// Head room for the next visit, of a planning message about a full battery.
    pub head_room: Option<HeadRoom>,
}

impl Alarm {
    /// Returns whether it is not over.
    pub fn is_open(&self) -> bool {
        self.stage != Stage::Closed
    }
}

/// What happened to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// It was raised.
    Raised,
    /// It was raised again: the time until which it was quieted is over and it goes on.
    RaisedAgain,
    /// Its likely scope is another one.
    Rescoped,
    /// A person took it on.
    Acknowledged,
    /// A person quieted it.
    Quieted,
    /// It is over.
    Closed,
    /// Nothing: a message to test the delivery.
    Test,
}

impl What {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Raised,
        Self::RaisedAgain,
        Self::Rescoped,
        Self::Acknowledged,
        Self::Quieted,
        Self::Closed,
        Self::Test,
    ];

    /// Returns the name used in output.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::RaisedAgain => "raised_again",
            Self::Rescoped => "rescoped",
            Self::Acknowledged => "acknowledged",
            Self::Quieted => "quieted",
            Self::Closed => "closed",
            Self::Test => "test",
        }
    }
}

/// Something that happened to an alarm, in the order in which it did.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// Its place in the order, from 1.
    pub position: u64,
    /// What happened.
    pub what: What,
    /// When: event time of the descent, or the time of the person's call.
    pub time_ms: i64,
    /// The alarm after it; absent for a test.
    pub alarm: Option<Alarm>,
}

/// What a person does with an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Act {
    /// Takes it on.
    Acknowledge,
    /// Wants to hear nothing of it until a time, ms since the Unix epoch, UTC.
    Quiet {
        /// Until when.
        until_ms: i64,
    },
    /// Says that it is over.
    Close {
        /// Whether the level of now is the usual one from now on: baselines begin anew.
        relearn: bool,
    },
}

/// Why a person cannot do that.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ActError {
    /// There is no such alarm.
    #[error("there is no such open alarm")]
    Unknown,
    /// It is over already.
    #[error("it is closed already")]
    Closed,
}
