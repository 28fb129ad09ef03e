//! Descents sorted into sides and strata, one at a time.

use std::collections::{BTreeMap, BTreeSet};

use super::{Exclusion, Exclusions, LEAST_PER_STRATUM, Plan, SideCounts, bands::Likeness};
use crate::{
    record::{Descent, Flag, FrictionMethod},
    stats::compare::Stratum,
};

/// What became of a descent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// It is of another version.
    OtherVersion,
    /// It is left out.
    LeftOut(Exclusion),
    /// It is compared.
    Compared,
}

/// One side in numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SideSummary {
    /// Descents found.
    pub found: u64,
    /// Descents compared, before reasons that belong to one metric.
    pub compared: u64,
    /// Vehicles among those compared.
    pub vehicles: u64,
    /// UTC days on which those compared began.
    pub days: u64,
    /// Compared, although the mass is only that of the class.
    pub mass_assumed: u64,
}

/// A descent as far as the comparison needs it.
#[derive(Clone, Debug)]
pub(super) struct Observation {
    pub(super) is_b: bool,
    /// Position in the list of strata, in the order of their discovery.
    stratum: usize,
    pub(super) vehicle: usize,
    pub(super) day: i64,
    by_balance: bool,
    /// One per metric asked about.
    values: Box<[Option<f64>]>,
}

/// Takes descents and sorts them.
#[derive(Debug)]
pub struct Gathering {
    pub(super) plan: Plan,
    strata: BTreeMap<Likeness, usize>,
    vehicles: BTreeMap<String, usize>,
    observations: Vec<Observation>,
    exclusions: Exclusions,
    found: SideCounts,
    mass_assumed: SideCounts,
}

/// A stratum of one metric with what stands behind each value.
#[derive(Clone, Debug)]
pub(super) struct Members<'a> {
    pub(super) likeness: &'a Likeness,
    /// Observations with their values, in the order taken.
    pub(super) values: Vec<(&'a Observation, f64)>,
}

impl Members<'_> {
    pub(super) fn count(&self, is_b: bool) -> usize {
        self.values.iter().filter(|(o, _)| o.is_b == is_b).count()
    }

    pub(super) fn to_stratum(&self) -> Stratum {
        let side = |is_b: bool| {
            let of_side = self.values.iter().filter(|(o, _)| o.is_b == is_b);
            of_side.map(|(_, v)| *v).collect()
        };
        Stratum {
            key: String::new(),
            a: side(false),
            b: side(true),
        }
    }
}

impl Gathering {
    /// Returns a gathering without descents.
    pub fn new(plan: Plan) -> Self {
        Self {
            plan,
            strata: BTreeMap::new(),
            vehicles: BTreeMap::new(),
            observations: Vec::new(),
            exclusions: Exclusions::default(),
            found: SideCounts::default(),
            mass_assumed: SideCounts::default(),
        }
    }

    /// Takes a descent.
    pub fn take(&mut self, d: &Descent) -> Taken {
        let is_b = d.software_version == self.plan.version_b;
        if !is_b && d.software_version != self.plan.version_a {
            return Taken::OtherVersion;
        }
        self.found.add(is_b, 1);
        let likeness = match Exclusion::of_descent(d) {
            Some(why) => Err(why),
            None => Likeness::of(d, self.plan.ungraded, self.plan.within_vehicles).ok_or(Exclusion::NoGrade),
        };
        let likeness = match likeness {
            Ok(likeness) => likeness,
            Err(why) => {
                self.exclusions.add(why, is_b, 1);
                return Taken::LeftOut(why);
            }
        };
        let next = self.strata.len();
        let stratum = *self.strata.entry(likeness).or_insert(next);
        let next = self.vehicles.len();
        let vehicle = *self.vehicles.entry(d.vehicle.clone()).or_insert(next);
        self.mass_assumed
            .add(is_b, u64::from(d.flags.contains(Flag::MassAssumed)));
        self.observations.push(Observation {
            is_b,
            stratum,
            vehicle,
            day: d.start_time_ms.div_euclid(86_400_000),
            by_balance: d.friction_method == Some(FrictionMethod::Balance)
                || d.flags.contains(Flag::FrictionByBalance),
            values: self
                .plan
                .asked
                .iter()
                .map(|asked| asked.metric.of(d).filter(|v| v.is_finite()))
                .collect(),
        });
        Taken::Compared
    }

    /// Returns how many descents of both versions were taken, those left out included.
    pub fn found(&self) -> u64 {
        self.found.a + self.found.b
    }

    /// Returns what was left out for reasons that hold for every metric.
    pub fn exclusions(&self) -> &Exclusions {
        &self.exclusions
    }

    /// Returns both sides in numbers: a, then b.
    pub fn summaries(&self) -> (SideSummary, SideSummary) {
        let side = |is_b: bool, found: u64, mass_assumed: u64| {
            let of_side = || self.observations.iter().filter(move |o| o.is_b == is_b);
            let distinct = |set: BTreeSet<i64>| set.len() as u64;
            SideSummary {
                found,
                compared: of_side().count() as u64,
                vehicles: distinct(of_side().map(|o| o.vehicle as i64).collect()),
                days: distinct(of_side().map(|o| o.day).collect()),
                mass_assumed,
            }
        };
        (
            side(false, self.found.a, self.mass_assumed.a),
            side(true, self.found.b, self.mass_assumed.b),
        )
    }

    /// Returns how many vehicles are on both sides.
    pub fn vehicles_on_both_sides(&self) -> u64 {
        let of = |is_b: bool| -> BTreeSet<usize> {
            let of_side = self.observations.iter().filter(|o| o.is_b == is_b);
            of_side.map(|o| o.vehicle).collect()
        };
        of(false).intersection(&of(true)).count() as u64
    }

    /// Returns the strata of the metric at a place of the plan that both sides fill, in the order of their keys, and
    /// what was left out of it.
    pub(super) fn members(&self, at: usize) -> (Vec<Members<'_>>, Exclusions) {
        let mut left_out = Exclusions::default();
        let on_friction = self
            .plan
            .asked
            .get(at)
            .is_some_and(|a| a.metric.rests_on_friction());
        let mut by_stratum: Vec<Vec<(&Observation, f64)>> = vec![Vec::new(); self.strata.len()];
        for o in &self.observations {
            match o.values.get(at).copied().flatten() {
                None => left_out.add(Exclusion::NotKnown, o.is_b, 1),
                Some(_) if on_friction && o.by_balance => {
                    left_out.add(Exclusion::FrictionByBalance, o.is_b, 1);
                }
                Some(value) => {
                    if let Some(stratum) = by_stratum.get_mut(o.stratum) {
                        stratum.push((o, value));
                    }
                }
            }
        }
        let mut members = Vec::new();
        for (likeness, &stratum) in &self.strata {
            let values = by_stratum
                .get_mut(stratum)
                .map(std::mem::take)
                .unwrap_or_default();
            let found = Members { likeness, values };
            let (n, m) = (found.count(false), found.count(true));
            let why = if n == 0 || m == 0 {
                Exclusion::OneSided
            } else if n.min(m) < LEAST_PER_STRATUM {
                Exclusion::SmallStratum
            } else {
                members.push(found);
                continue;
            };
            left_out.add(why, false, n as u64);
            left_out.add(why, true, m as u64);
        }
        (members, left_out)
    }
}
