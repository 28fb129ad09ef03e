//! Wear of the friction brakes by axle, from friction work, until a recorded service; and what follows from it.
//!
//! Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's instructions and a qualified
//! technician.

mod forecast;
mod marks;
mod risk;

pub use forecast::{Forecast, forecast};
pub use risk::{Assessment, Concern, Finding, Urgency, assess};

use serde::{Deserialize, Serialize};

use crate::alarm::watch::Facts;
use crate::bits::Bits;
use crate::class::VehicleClass;
use marks::{Marks, Totals};

/// Temperature up to which wear per joule is constant, °C (assumption).
const MILD_C: f64 = 200.0;
/// Temperature at which wear per joule has grown to [`HOT_FACTOR`], °C.
const HOT_C: f64 = 400.0;
/// Wear per joule at [`HOT_C`] over that at mild temperature: a trade article gives up to four times; between the two
/// temperatures a straight line is assumed.
const HOT_FACTOR: f64 = 4.0;
/// Deceleration by friction alone that cleans the rotors, m/s² (common practice, no source).
pub const FIRM_MPS2: f64 = 1.0;
/// How long it must last, ms.
pub const FIRM_MS: i64 = 1_000;
/// Estimated temperature of both axles from which braking cleans the rotors too, °C: a long drag without a firm stop is no disuse
/// (common practice, no source).
pub const WARM_C: f64 = 100.0;

/// One axle, or both.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Axle {
    /// Front axle.
    Front,
    /// Rear axle or axles.
    Rear,
    /// All axles.
    Both,
}

impl Axle {
    /// All values.
    pub const ALL: [Self; 3] = [Self::Front, Self::Rear, Self::Both];

    /// Returns the name used in output.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Rear => "rear",
            Self::Both => "both",
        }
    }
}

/// What was done to the brakes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Work {
    /// New pads or linings.
    Pads,
    /// New or machined rotors or drums.
    Rotors,
    /// Both.
    PadsAndRotors,
    /// Looked at and found good: the wear goes on from where it was.
    Inspection,
}

impl Work {
    /// All values.
    pub const ALL: [Self; 4] = [Self::Pads, Self::Rotors, Self::PadsAndRotors, Self::Inspection];

    /// Returns the name used in output: lower case with underscores.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Pads => "pads",
            Self::Rotors => "rotors",
            Self::PadsAndRotors => "pads_and_rotors",
            Self::Inspection => "inspection",
        }
    }

    const fn pads(self) -> bool {
        matches!(self, Self::Pads | Self::PadsAndRotors)
    }

    const fn rotors(self) -> bool {
        matches!(self, Self::Rotors | Self::PadsAndRotors)
    }
}

/// A service of the brakes, as far as the account is concerned.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Service {
    /// On which axle.
    pub axle: Axle,
    /// What was done.
    pub work: Work,
    /// When, ms since the Unix epoch, by the vehicle's clock.
    pub time_ms: i64,
}

/// What recording a service came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Recorded {
    /// The account of at least one axle begins anew.
    Changed,
    /// A newer service of the same kind was recorded before: the account stays.
    Older,
    /// The very same was recorded before.
    Again,
    /// Its time cannot be: nothing was changed.
    Impossible,
}

/// Account of one axle's brakes since their last service.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct AxleWear {
    /// Pad thickness lost, µm; 0 when the class has no wear data.
    pub worn_um: f64,
    /// Friction work, J.
    pub friction_j: f64,
    /// Distance driven, m.
    pub distance_m: f64,
    /// Event time of the last pad service, or of the first sample, ms since the Unix epoch.
    pub since_ms: Option<i64>,
    /// Event time of the last recorded pad service; `None` when none was recorded: how worn the pads were when the vehicle
    /// was first seen is then not known.
    pub pads_ms: Option<i64>,
    /// Event time of the last recorded rotor service.
    pub rotors_ms: Option<i64>,
    /// Event time of the last recorded inspection.
    pub inspected_ms: Option<i64>,
}

/// Account of a vehicle's brakes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BrakeAccount {
    /// Front axle.
    pub front: AxleWear,
    /// Rear axle or axles.
    pub rear: AxleWear,
    /// Event time from which the vehicle is known, ms since the Unix epoch.
    pub known_since_ms: Option<i64>,
    /// Descents that went above the inspection temperature of the class, since the last service or inspection of any axle.
    pub hot_descents: u32,
    /// End of the last of them, ms since the Unix epoch.
    pub last_hot_ms: Option<i64>,
    /// Event time of the last firm friction stop, ms since the Unix epoch.
    pub last_firm_ms: Option<i64>,
    /// Event time at which the rotors were last known to be clean: a firm friction stop, both axles braked warm
    /// ([`WARM_C`]), or new rotors on all axles.
    pub clean_ms: Option<i64>,
    /// Distance at that moment, m since the vehicle is known.
    pub clean_m: f64,
    /// Highest estimated temperature since the last service or inspection of any axle, °C.
    pub hottest_c: Option<f64>,
    /// When that was, ms since the Unix epoch.
    pub hottest_ms: Option<i64>,
}

impl AxleWear {
    /// Writes or reads the account, given that of a vehicle that was never serviced, and the times it may have in common with
    /// the other axle.
    fn packed<B: Bits>(&self, b: &mut B, totals: &Totals, axle: usize, like: &Self) -> Self {
        Self {
            worn_um: b.float(self.worn_um, totals.worn_um[axle]),
            friction_j: b.float(self.friction_j, totals.friction_j[axle]),
            distance_m: b.float(self.distance_m, totals.distance_m),
            since_ms: b.maybe(self.since_ms, like.since_ms),
            pads_ms: b.maybe(self.pads_ms, like.pads_ms),
            rotors_ms: b.maybe(self.rotors_ms, like.rotors_ms),
            inspected_ms: b.maybe(self.inspected_ms, like.inspected_ms),
        }
    }
}

impl BrakeAccount {
    /// Writes or reads the account, given the sums.
    fn packed<B: Bits>(&self, b: &mut B, totals: &Totals, expected: &Expected) -> Self {
        let Expected {
            time_ms, hottest_c, ..
        } = *expected;
        let known_since_ms = b.maybe(self.known_since_ms, Some(time_ms));
        let unserved = AxleWear {
            since_ms: known_since_ms,
            pads_ms: known_since_ms,
            rotors_ms: known_since_ms,
            inspected_ms: known_since_ms,
            ..AxleWear::default()
        };
        let front = self.front.packed(b, totals, 0, &unserved);
        let rear = self.rear.packed(b, totals, 1, &front);
        let clean_ms = b.maybe(self.clean_ms, Some(time_ms));
        Self {
            front,
            rear,
            known_since_ms,
            hot_descents: b.int(i64::from(self.hot_descents), 0) as u32,
            last_hot_ms: b.maybe(self.last_hot_ms, Some(time_ms)),
            last_firm_ms: b.maybe(self.last_firm_ms, clean_ms),
            clean_ms,
            clean_m: b.float(self.clean_m, totals.distance_m),
            hottest_c: b.maybe_float(self.hottest_c, hottest_c),
            hottest_ms: b.maybe(self.hottest_ms, Some(time_ms)),
        }
    }

    /// Returns the event time of the last recorded service or inspection of any axle.
    pub fn served_ms(&self) -> Option<i64> {
        let of = |a: &AxleWear| a.pads_ms.max(a.rotors_ms).max(a.inspected_ms);
        of(&self.front).max(of(&self.rear))
    }
}

/// What else is known of the vehicle, of which the account tells much again.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Expected {
    /// Time of the last settled stretch.
    pub(crate) time_ms: i64,
    /// Friction work of both axles.
    pub(crate) friction_j: f64,
    /// Distance.
    pub(crate) distance_m: f64,
    /// Temperature of the hotter axle.
    pub(crate) hottest_c: f64,
}

/// The account with what it takes to keep it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Wear {
    account: BrakeAccount,
    totals: Totals,
    marks: Marks,
    firm_ms: i64,
}

/// Returns how many times the mild wear per joule a brake wears at a temperature, 1 to 4.
///
/// ```
/// use coldbrake_engine::wear::temperature_factor;
/// assert_eq!(temperature_factor(80.0), 1.0);
/// assert_eq!(temperature_factor(300.0), 2.5);
/// assert_eq!(temperature_factor(600.0), 4.0);
/// ```
pub fn temperature_factor(temperature_c: f64) -> f64 {
    let t = ((temperature_c - MILD_C) / (HOT_C - MILD_C)).clamp(0.0, 1.0);
    1.0 + t * (HOT_FACTOR - 1.0)
}

/// A stretch of road as the brakes saw it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Worn {
    pub(crate) friction_j: f64,
    pub(crate) distance_m: f64,
    pub(crate) front_c: Option<f64>,
    pub(crate) rear_c: Option<f64>,
    pub(crate) time_ms: i64,
}

impl Wear {
    /// Writes or reads the account.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, expected: &Expected) -> Self {
        let totals = self.totals.packed(b, expected);
        let account = self.account.packed(b, &totals, expected);
        Self {
            account,
            totals,
            marks: self.marks.packed(b, account.known_since_ms.unwrap_or_default()),
            firm_ms: b.int(self.firm_ms, 0),
        }
    }

    /// Returns the account.
    pub const fn account(&self) -> &BrakeAccount {
        &self.account
    }

    /// Returns what alarms look at.
    pub(crate) fn facts(&self) -> Facts {
        Facts::of(&self.account, self.totals.distance_m)
    }

    pub(crate) fn add(&mut self, class: &VehicleClass, w: &Worn) {
        let known = *self.account.known_since_ms.get_or_insert(w.time_ms);
        self.marks.mark(known, w.time_ms, &self.totals);
        let mut friction = [0.0; 2];
        let mut worn = [0.0; 2];
        for (i, (axle, share, rate, temperature)) in [
            (
                &mut self.account.front,
                class.front_share,
                class.front_pad_wear_um_per_mj,
                w.front_c,
            ),
            (
                &mut self.account.rear,
                1.0 - class.front_share,
                class.rear_pad_wear_um_per_mj,
                w.rear_c,
            ),
        ]
        .into_iter()
        .enumerate()
        {
            friction[i] = share * w.friction_j;
            worn[i] = rate.map_or(0.0, |rate| {
                rate * friction[i] * 1e-6 * temperature.map_or(1.0, temperature_factor)
            });
            let since = *axle.since_ms.get_or_insert(w.time_ms);
            // What was driven before the service wore the pads before: the vehicle had kept it back.
            if w.time_ms >= since {
                axle.friction_j += friction[i];
                axle.worn_um += worn[i];
                axle.distance_m += w.distance_m;
            }
        }
        self.totals.add(worn, friction, w.distance_m, w.time_ms);
        if let (Some(front), Some(rear)) = (w.front_c, w.rear_c)
            && w.friction_j > 0.0
            && front.min(rear) >= WARM_C
        {
            self.note_clean(w.time_ms, self.totals.distance_m);
        }
        if let Some(t) = w.front_c.max_of(w.rear_c)
            && self.account.hottest_c.is_none_or(|h| t > h)
            && self.is_after_last_look(w.time_ms)
        {
            self.account.hottest_c = Some(t);
            self.account.hottest_ms = Some(w.time_ms);
        }
    }

    /// Counts a descent that went above the inspection temperature.
    pub(crate) fn add_hot_descent(&mut self, end_ms: i64) {
        if self.is_after_last_look(end_ms) {
            self.account.hot_descents = self.account.hot_descents.saturating_add(1);
            self.account.last_hot_ms = self.account.last_hot_ms.max(Some(end_ms));
        }
        self.totals.hot += 1;
    }

    /// Returns whether a time lies behind every recorded service and inspection.
    fn is_after_last_look(&self, time_ms: i64) -> bool {
        self.account.served_ms().is_none_or(|look| time_ms >= look)
    }

    /// Follows an interval in which friction alone decelerated by [`FIRM_MPS2`]; a firm stop is noted once it has lasted.
    pub(crate) fn firm(&mut self, duration_ms: i64, time_ms: i64, distance_m: f64) {
        self.firm_ms += duration_ms;
        if self.firm_ms >= FIRM_MS {
            self.account.last_firm_ms = Some(time_ms);
            self.note_clean(time_ms, distance_m);
        }
    }

    /// Follows an interval in which it did not.
    #[inline]
    pub(crate) fn not_firm(&mut self) {
        self.firm_ms = 0;
    }

    fn note_clean(&mut self, time_ms: i64, distance_m: f64) {
        if self.account.clean_ms.is_none_or(|clean| time_ms >= clean) {
            self.account.clean_ms = Some(time_ms);
            self.account.clean_m = distance_m;
        }
    }

    /// Records a service. The same one again, or an older one, changes nothing.
    ///
    /// The account of a serviced axle begins anew at the time of the service, not at the time of the call: what was driven
    /// since is split off by the daily marks of the last weeks (a straight line between two of them, and before the first
    /// of them), and what was driven before but comes later does not count.
    pub(crate) fn service(&mut self, service: &Service) -> Recorded {
        let Service { axle, work, time_ms } = *service;
        let known = self.account.known_since_ms.unwrap_or(time_ms);
        let then = self.marks.totals_at(known, time_ms, &self.totals);
        let since = self.totals.since(&then);
        let (mut changed, mut again) = (false, true);
        for (i, (of, a)) in [
            (Axle::Front, &mut self.account.front),
            (Axle::Rear, &mut self.account.rear),
        ]
        .into_iter()
        .enumerate()
        {
            if axle != Axle::Both && axle != of {
                continue;
            }
            for (concerned, recorded) in [
                (work.pads(), a.pads_ms),
                (work.rotors(), a.rotors_ms),
                (work == Work::Inspection, a.inspected_ms),
            ] {
                again &= !concerned || recorded == Some(time_ms);
            }
            // An older service recorded late must not undo a newer one.
            if work.pads() && a.pads_ms.is_none_or(|t| time_ms > t) {
                a.pads_ms = Some(time_ms);
                a.since_ms = Some(time_ms);
                a.worn_um = since.worn_um[i];
                a.friction_j = since.friction_j[i];
                a.distance_m = since.distance_m;
                changed = true;
            }
            if work.rotors() && a.rotors_ms.is_none_or(|t| time_ms > t) {
                a.rotors_ms = Some(time_ms);
                changed = true;
            }
            if work == Work::Inspection && a.inspected_ms.is_none_or(|t| time_ms > t) {
                a.inspected_ms = Some(time_ms);
                changed = true;
            }
        }
        if !changed {
            return if again { Recorded::Again } else { Recorded::Older };
        }
        self.account.hot_descents = self.account.hot_descents.min(since.hot);
        self.account.last_hot_ms = self
            .account
            .last_hot_ms
            .filter(|t| *t >= time_ms && self.account.hot_descents > 0);
        if self.account.hottest_ms.is_some_and(|t| t < time_ms) {
            self.account.hottest_c = None;
            self.account.hottest_ms = None;
        }
        if work.rotors() && axle == Axle::Both && self.account.clean_ms.is_none_or(|clean| time_ms > clean) {
            self.account.clean_ms = Some(time_ms);
            self.account.clean_m = then.distance_m;
        }
        Recorded::Changed
    }
}

/// The larger of two optional numbers.
trait MaxOf {
    fn max_of(self, other: Self) -> Self;
}

impl MaxOf for Option<f64> {
    fn max_of(self, other: Self) -> Self {
        match (self, other) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        }
    }
}

#[cfg(test)]
mod tests;
