//! The server's descents against what was simulated.

use coldbrake_engine::Descent;

use super::fleet::Driven;
use crate::show;

/// Part of a driven descent that a recorded one must cover to be the same.
const SAME: f64 = 0.8;
/// Deviation of a sum from which the check fails.
const TOLERANCE: f64 = 0.02;

/// Sums over the descents found, simulated and recorded, J.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Sums {
    simulated: f64,
    recorded: f64,
}

impl Sums {
    fn add(&mut self, simulated: f64, recorded: f64) {
        self.simulated += simulated;
        self.recorded += recorded;
    }

    fn off(&self) -> f64 {
        if self.simulated > 0.0 {
            (self.recorded / self.simulated - 1.0).abs()
        } else {
            0.0
        }
    }
}

/// Outcome of the comparison.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Check {
    driven: usize,
    found: usize,
    others: usize,
    available: Sums,
    recovered: Sums,
    friction: Sums,
    worst_ratio: f64,
    worst_drop_m: f64,
}

/// Returns descents driven with what was recorded of them. Each recorded one is taken for one driven at most.
pub(super) fn matched<'a>(driven: &'a [Driven], recorded: &'a [Descent]) -> Vec<(&'a Driven, &'a Descent)> {
    let mut left: Vec<&Descent> = recorded.iter().collect();
    let mut pairs = Vec::new();
    for d in driven {
        let t = &d.told.truth;
        let length = (t.end_time_ms - t.start_time_ms) as f64;
        let overlap =
            |r: &Descent| (r.end_time_ms.min(t.end_time_ms) - r.start_time_ms.max(t.start_time_ms)) as f64;
        let Some(place) = left
            .iter()
            .position(|r| r.vehicle == d.vehicle && overlap(r) >= SAME * length)
        else {
            continue;
        };
        pairs.push((d, left.swap_remove(place)));
    }
    pairs
}

/// Compares.
pub(super) fn compare(driven: &[Driven], recorded: &[Descent]) -> Check {
    let pairs = matched(driven, recorded);
    let mut check = Check {
        driven: driven.len(),
        found: pairs.len(),
        others: recorded.len() - pairs.len(),
        ..Check::default()
    };
    for (d, r) in pairs {
        let t = &d.told.truth;
        check.available.add(t.available_j, r.available_j.value);
        check.recovered.add(t.recovered_j, r.recovered_j.value);
        check
            .friction
            .add(t.friction_j.total(), r.friction_j.map_or(0.0, |f| f.value));
        let ratio = r.recovery_ratio.map_or(0.0, |e| e.value);
        check.worst_ratio = check
            .worst_ratio
            .max((ratio - t.recovered_j / t.available_j).abs());
        check.worst_drop_m = check.worst_drop_m.max((r.drop_m - t.drop_m).abs());
    }
    check
}

impl Check {
    /// Returns whether every descent was found and the sums hold.
    pub(super) fn holds(&self) -> bool {
        self.found == self.driven
            && [self.available, self.recovered, self.friction]
                .iter()
                .all(|sums| sums.off() <= TOLERANCE)
    }

    /// Returns the outcome in words: the first line says the most important.
    pub(super) fn to_lines(self) -> [String; 2] {
        let others = match self.others {
            0 => String::new(),
            n => format!(" and {n} others"),
        };
        let within = |sums: Sums| format!("within {} %", show::digits(sums.off() * 100.0, 1));
        [
            format!(
                "{} of {} descents found{others}; available {} of what was simulated",
                self.found,
                self.driven,
                within(self.available)
            ),
            format!(
                "Recovered {}, friction {}. The worst single descent is off by {} points of recovery ratio, and one \
                 by {} m of drop.",
                within(self.recovered),
                within(self.friction),
                show::percent(self.worst_ratio),
                show::digits(self.worst_drop_m, 2),
            ),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        command::demo::fleet::Driven,
        demo::{Truth, machine::Mechanisms, scenario::Told},
    };

    fn driven(vehicle: &str, start_s: i64) -> Driven {
        let truth = Truth {
            start_time_ms: start_s * 1000,
            end_time_ms: (start_s + 600) * 1000,
            drop_m: 500.0,
            available_j: 20e6,
            recovered_j: 16e6,
            friction_j: Mechanisms {
                pedal: 1e6,
                ..Mechanisms::default()
            },
            ..Truth::default()
        };
        Driven {
            vehicle: vehicle.into(),
            told: Told {
                truth,
                pass: "test",
                stories: Vec::new(),
            },
        }
    }

    fn recorded(vehicle: &str, start_s: i64, end_s: i64, available_j: f64) -> Descent {
        let wire = coldbrake_proto::v1::Descent {
            vehicle: vehicle.into(),
            start_time_ms: start_s * 1000,
            end_time_ms: end_s * 1000,
            start_reason: 1,
            end_reason: 2,
            mass_source: 1,
            drop_m: 499.0,
            available_j: Some(estimate(available_j)),
            recovered_j: Some(estimate(16e6)),
            friction_j: Some(estimate(1e6)),
            recovery_ratio: Some(estimate(16e6 / available_j)),
            ..coldbrake_proto::v1::Descent::default()
        };
        coldbrake_proto::convert::descent_from_wire(&wire).unwrap()
    }

    const fn estimate(value: f64) -> coldbrake_proto::v1::Estimate {
        coldbrake_proto::v1::Estimate {
            value,
            low: value,
            high: value,
        }
    }

    #[test]
    fn the_same_descents_with_nearly_the_same_energy_hold() {
        let check = compare(
            &[driven("a", 0), driven("b", 0)],
            &[recorded("b", 10, 590, 20.2e6), recorded("a", 5, 605, 20e6)],
        );
        assert!(check.holds());
        let [first, second] = check.to_lines();
        assert_eq!(
            first,
            "2 of 2 descents found; available within 0.5 % of what was simulated"
        );
        assert!(
            second.contains("off by 0.8 points of recovery ratio, and one by 1.0 m of drop"),
            "{second}"
        );
    }

    #[test]
    fn what_is_missing_short_or_elsewhere_is_not_found() {
        let halved = compare(&[driven("a", 0)], &[recorded("a", 0, 300, 20e6)]);
        assert!(!halved.holds() && halved.to_lines()[0].starts_with("0 of 1 descents found and 1 others"));
        assert!(!compare(&[driven("a", 0)], &[recorded("b", 0, 600, 20e6)]).holds());
        // One recorded descent is not two.
        assert!(!compare(&[driven("a", 0), driven("a", 0)], &[recorded("a", 0, 600, 20e6)]).holds());
    }

    #[test]
    fn wrong_energy_does_not_hold() {
        assert!(!compare(&[driven("a", 0)], &[recorded("a", 0, 600, 20.5e6)]).holds());
    }
}
