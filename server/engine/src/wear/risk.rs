//! What is due at a vehicle's brakes: by when to look at them, and why.
//!
//! The limits below are common practice without a source, unless said. Everything is judged as of the vehicle's last
//! sample: a vehicle that is not heard of tells nothing.

use serde::{Deserialize, Serialize};

use super::{Axle, AxleWear, BrakeAccount, Forecast, forecast};
use crate::class::VehicleClass;

const DAY_MS: f64 = 86_400e3;

/// By when to look at the brakes. Ordered: the most urgent first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// Before the next descent.
    Today,
    /// Within days.
    ThisWeek,
    /// At the next service.
    ThisMonth,
    /// Nothing seen that asks for a look.
    NothingDue,
    /// The class lacks the data to tell.
    NotKnown,
}

impl Urgency {
    /// All values, the most urgent first.
    pub const ALL: [Self; 5] = [
        Self::Today,
        Self::ThisWeek,
        Self::ThisMonth,
        Self::NothingDue,
        Self::NotKnown,
    ];

    /// Returns the name used in output: lower case with underscores.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Today => "today",
            Self::ThisWeek => "this_week",
            Self::ThisMonth => "this_month",
            Self::NothingDue => "nothing_due",
            Self::NotKnown => "not_known",
        }
    }
}

/// Why the brakes are to be looked at, or what is missing to tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Concern {
    /// The pads may have reached the wear limit.
    PadsAtLimit,
    /// The pads reach the wear limit before long.
    PadsWearing,
    /// Descents went above the inspection temperature.
    RanHot,
    /// Long without a firm friction stop: rotors may be corroded or glazed, the first bite weak.
    LittleUsed,
    /// No pad service is recorded: the pads are taken as new when the vehicle was first seen, so they may be thinner.
    StartNotKnown,
    /// The class has no pad data: wear is not told.
    NoPadData,
    /// The class has no heat capacities: temperature is not told.
    NoHeatData,
}

impl Concern {
    /// All values.
    pub const ALL: [Self; 7] = [
        Self::PadsAtLimit,
        Self::PadsWearing,
        Self::RanHot,
        Self::LittleUsed,
        Self::StartNotKnown,
        Self::NoPadData,
        Self::NoHeatData,
    ];

    /// Returns the name used in output: lower case with underscores.
    pub const fn name(self) -> &'static str {
        match self {
            Self::PadsAtLimit => "pads_at_limit",
            Self::PadsWearing => "pads_wearing",
            Self::RanHot => "ran_hot",
            Self::LittleUsed => "little_used",
            Self::StartNotKnown => "start_not_known",
            Self::NoPadData => "no_pad_data",
            Self::NoHeatData => "no_heat_data",
        }
    }
}

/// One reason to look at the brakes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Finding {
    /// By when.
    pub urgency: Urgency,
    /// Why.
    pub concern: Concern,
    /// At which axle: `true` for the front, `false` for the rear, `None` for the vehicle.
    pub front: Option<bool>,
}

impl Finding {
    /// Returns the axle that it is about; both when it is about the vehicle.
    pub const fn axle(self) -> Axle {
        match self.front {
            Some(true) => Axle::Front,
            Some(false) => Axle::Rear,
            None => Axle::Both,
        }
    }
}

/// What is due at a vehicle's brakes, as of its last sample.
#[derive(Clone, Debug, PartialEq)]
pub struct Assessment {
    /// The most urgent of the findings.
    pub urgency: Urgency,
    /// Findings, the most urgent first.
    pub findings: Vec<Finding>,
    /// Forecast of the front pads; `None` without pad data.
    pub front: Option<Forecast>,
    /// Forecast of the rear pads.
    pub rear: Option<Forecast>,
    /// Days since the rotors were last known to be clean, or since the vehicle is known when they never were.
    pub days_since_firm: Option<f64>,
    /// Distance since then, km.
    pub km_since_firm: f64,
}

impl Assessment {
    /// Returns the days to the wear limit at the lower end of the interval of the axle that gets there first.
    pub fn days_to_limit_low(&self) -> Option<f64> {
        let low = |f: &Option<Forecast>| f.as_ref().and_then(|f| f.days_to_limit_low);
        match (low(&self.front), low(&self.rear)) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    /// Returns which of two vehicles stands first in a list with the worst first: by urgency, then by days to the wear
    /// limit, then by time without a firm stop.
    pub fn worse_first(&self, other: &Self) -> std::cmp::Ordering {
        let days = |a: &Self| a.days_to_limit_low().unwrap_or(f64::INFINITY);
        let idle = |a: &Self| a.days_since_firm.unwrap_or(0.0);
        let concern = |a: &Self| a.findings.first().map(|f| f.concern);
        self.urgency
            .cmp(&other.urgency)
            .then_with(|| concern(self).cmp(&concern(other)))
            .then_with(|| days(self).total_cmp(&days(other)))
            .then_with(|| idle(other).total_cmp(&idle(self)))
    }
}

/// Share of the usable thickness, lower end of the interval, below which pads are due this week, and this month.
const LEFT_WEEK: f64 = 0.10;
const LEFT_MONTH: f64 = 0.25;
/// Days to the wear limit, lower end of the interval, below which pads are due today, this week, and this month.
const DAYS_TODAY: f64 = 2.0;
const DAYS_WEEK: f64 = 14.0;
const DAYS_MONTH: f64 = 45.0;
/// A descent above the inspection temperature asks for a look the same day; an older one that nobody looked at, this week.
const HOT_TODAY_DAYS: f64 = 1.0;
/// Multiple of the class's interval without a firm stop from which it is urgent.
const LITTLE_USED_TODAY: f64 = 3.0;

/// Returns what is due. `distance_total_m` is the distance since the vehicle is known, `last_sample_ms` the time of its
/// last sample.
pub fn assess(
    account: &BrakeAccount,
    class: &VehicleClass,
    distance_total_m: f64,
    last_sample_ms: Option<i64>,
) -> Assessment {
    let now_ms = last_sample_ms.or(account.known_since_ms).unwrap_or_default();
    let days_since = |t: i64| ((now_ms - t) as f64 / DAY_MS).max(0.0);
    let mut findings = Vec::new();
    let mut say = |urgency, concern, front| {
        findings.push(Finding {
            urgency,
            concern,
            front,
        });
    };

    let of_axle = |axle: &AxleWear, usable| forecast(axle, usable, class.pad_wear_uncertainty, now_ms);
    let front = of_axle(&account.front, class.front_pad_usable_mm);
    let rear = of_axle(&account.rear, class.rear_pad_usable_mm);
    for (is_front, axle, forecast) in [(true, &account.front, &front), (false, &account.rear, &rear)] {
        let Some(f) = forecast else { continue };
        let days = f.days_to_limit_low.unwrap_or(f64::INFINITY);
        let (urgency, concern) = if f.left_low <= 0.0 || days <= DAYS_TODAY {
            (Urgency::Today, Concern::PadsAtLimit)
        } else if f.left_low < LEFT_WEEK || days < DAYS_WEEK {
            (Urgency::ThisWeek, Concern::PadsWearing)
        } else if f.left_low < LEFT_MONTH || days < DAYS_MONTH {
            (Urgency::ThisMonth, Concern::PadsWearing)
        } else {
            (Urgency::NothingDue, Concern::PadsWearing)
        };
        if urgency != Urgency::NothingDue {
            say(urgency, concern, Some(is_front));
        }
        if axle.pads_ms.is_none() {
            say(Urgency::NothingDue, Concern::StartNotKnown, Some(is_front));
        }
    }
    if account.hot_descents > 0 {
        let recent = account
            .last_hot_ms
            .is_none_or(|t| days_since(t) <= HOT_TODAY_DAYS);
        let urgency = if recent { Urgency::Today } else { Urgency::ThisWeek };
        say(urgency, Concern::RanHot, None);
    }
    let from = account.clean_ms.or(account.known_since_ms);
    let days_since_firm = from.map(days_since);
    let km_since_firm = (distance_total_m - account.clean_m).max(0.0) * 1e-3;
    let intervals = (days_since_firm.unwrap_or(0.0) / class.firm_stop_interval_days)
        .max(km_since_firm / class.firm_stop_interval_km);
    if intervals >= LITTLE_USED_TODAY {
        say(Urgency::Today, Concern::LittleUsed, None);
    } else if intervals >= 1.0 {
        say(Urgency::ThisWeek, Concern::LittleUsed, None);
    }
    if front.is_none() && rear.is_none() {
        say(Urgency::NotKnown, Concern::NoPadData, None);
    }
    if class.front_heat_capacity_j_per_k.is_none() {
        say(Urgency::NotKnown, Concern::NoHeatData, None);
    }
    findings.sort_unstable();
    // What is missing hides nothing that is seen; without anything seen it is said.
    let urgency = findings
        .iter()
        .map(|f| f.urgency)
        .filter(|u| *u < Urgency::NothingDue)
        .min()
        .unwrap_or(if findings.iter().any(|f| f.urgency == Urgency::NotKnown) {
            Urgency::NotKnown
        } else {
            Urgency::NothingDue
        });
    Assessment {
        urgency,
        findings,
        front,
        rear,
        days_since_firm,
        km_since_firm,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY: i64 = 86_400_000;

    fn class() -> VehicleClass {
        toml::from_str(
            "vehicle_class='v'\nmass_kg=2500.0\nrolling_coefficient=0.01\ndrag_area_m2=1.2\n\
             max_recovery_power_w=100e3\nnominal_voltage_v=360.0\nfront_heat_capacity_j_per_k=10e3\n\
             rear_heat_capacity_j_per_k=8e3\nfront_pad_wear_um_per_mj=0.5\nfront_pad_usable_mm=8.0\n\
             rear_pad_wear_um_per_mj=0.5\nrear_pad_usable_mm=8.0\npad_wear_uncertainty=0.1",
        )
        .unwrap()
    }

    fn account(front_um: f64, firm_day: Option<i64>) -> BrakeAccount {
        let axle = |worn_um| AxleWear {
            worn_um,
            friction_j: 1e9,
            distance_m: 2e7,
            since_ms: Some(0),
            pads_ms: Some(0),
            ..AxleWear::default()
        };
        BrakeAccount {
            front: axle(front_um),
            rear: axle(100.0),
            known_since_ms: Some(0),
            last_firm_ms: firm_day.map(|d| d * DAY),
            clean_ms: firm_day.map(|d| d * DAY),
            clean_m: 2e7,
            ..BrakeAccount::default()
        }
    }

    fn look(account: &BrakeAccount) -> Assessment {
        assess(account, &class(), 2e7, Some(200 * DAY))
    }

    #[test]
    fn wear_is_told_by_the_lower_end_of_its_interval() {
        for (worn, urgency) in [
            (2_000.0, Urgency::NothingDue),
            (5_200.0, Urgency::ThisMonth),
            (6_200.0, Urgency::ThisWeek),
            (6_900.0, Urgency::Today),
        ] {
            let a = look(&account(worn, Some(199)));
            assert_eq!(a.urgency, urgency, "{worn} {a:?}");
            if urgency != Urgency::NothingDue {
                assert_eq!(a.findings[0].axle(), Axle::Front);
            }
        }
    }

    #[test]
    fn long_without_a_firm_stop_is_a_risk_of_its_own() {
        for (day, urgency) in [
            (199, Urgency::NothingDue),
            (186, Urgency::ThisWeek),
            (150, Urgency::Today),
        ] {
            let a = look(&account(100.0, Some(day)));
            assert_eq!(a.urgency, urgency, "{day} {a:?}");
        }
        let never = look(&account(100.0, None));
        assert_eq!(
            (never.urgency, never.findings[0].concern),
            (Urgency::Today, Concern::LittleUsed)
        );
        assert_eq!(never.days_since_firm, Some(200.0));
        // The distance alone is enough.
        let mut far = account(100.0, Some(199));
        far.clean_m = 2e7 - 1.5e6;
        assert_eq!(look(&far).urgency, Urgency::ThisWeek);
    }

    #[test]
    fn a_hot_descent_asks_for_a_look_the_same_day() {
        let mut hot = account(100.0, Some(199));
        hot.hot_descents = 1;
        hot.last_hot_ms = Some(200 * DAY - 3_600_000);
        assert_eq!(look(&hot).urgency, Urgency::Today);
        hot.last_hot_ms = Some(190 * DAY);
        assert_eq!(look(&hot).urgency, Urgency::ThisWeek);
    }

    #[test]
    fn what_cannot_be_told_is_not_called_good() {
        let mut class = class();
        class.front_pad_usable_mm = None;
        class.rear_pad_usable_mm = None;
        let a = assess(&account(100.0, Some(199)), &class, 2e7, Some(200 * DAY));
        assert_eq!((a.urgency, a.front), (Urgency::NotKnown, None));
        // And hides nothing that is seen.
        let a = assess(&account(100.0, None), &class, 2e7, Some(200 * DAY));
        assert_eq!(a.urgency, Urgency::Today);
    }

    #[test]
    fn the_worst_stands_first() {
        let worn = look(&account(6_900.0, Some(199)));
        let idle = look(&account(100.0, Some(186)));
        let fine = look(&account(100.0, Some(199)));
        let mut all = [fine.clone(), idle.clone(), worn.clone()];
        all.sort_by(Assessment::worse_first);
        assert_eq!(all, [worn, idle, fine]);
    }
}
