//! The cumulative energy ledger of a vehicle, like a prefix sum: a descent is the difference of two of its states.

use serde::{Deserialize, Serialize};

use crate::{
    bits::Bits,
    flow::{Stretch, round},
    record::FrictionMethod,
};

/// Cumulative energies. Signs: work done on the vehicle's wheels is positive, so what must be braked is negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Ledger {
    /// Sums of stretches; `cause` holds mJ here.
    pub(crate) sum: Stretch,
    /// m·g·Δh by phase, mJ, negative downhill.
    pub(crate) potential: [i64; 3],
    /// The part of it with the friction brake applied, mJ.
    pub(crate) potential_applied: i64,
}

/// What one stretch came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Entry {
    /// Friction work, mJ. By balance it may be negative, which noise then cancels.
    pub(crate) friction_mj: i64,
    /// Wheel energy, mJ, negative where the wheels had to be braked.
    pub(crate) wheel_mj: i64,
}

impl Ledger {
    /// Adds a stretch whose altitude is now known: `weight` is m·g in N, `rise_mm` the change of filtered altitude.
    ///
    /// Within a stretch the road is taken as straight, so that its potential energy is shared over phases as its length
    /// is.
    pub(crate) fn add(
        &mut self,
        stretch: &Stretch,
        weight: f64,
        rise_mm: i64,
        method: FrictionMethod,
        sharing: Option<&[i64; 4]>,
    ) -> Entry {
        let own = [
            stretch.distance[0],
            stretch.distance[1],
            stretch.distance[2],
            stretch.distance_applied,
        ];
        let [d0, d1, d2, applied] = *sharing.unwrap_or(&own);
        let length = d0 + d1 + d2;
        let energy = weight * rise_mm as f64;
        let part = |of: i64| {
            if length > 0 && of != 0 {
                round(energy * of as f64 / length as f64)
            } else {
                0
            }
        };
        let potential = [part(d0), part(d1), part(d2)];
        let potential_applied = part(applied);
        for (sum, p) in self.potential.iter_mut().zip(potential) {
            *sum += p;
        }
        self.potential_applied += potential_applied;

        let causes = self.sum.cause;
        self.sum.add(stretch);
        let friction = match method {
            FrictionMethod::Measured => stretch.cause.iter().sum(),
            FrictionMethod::Balance => {
                let braked = -(stretch.kinetic_applied + potential_applied + stretch.road_applied);
                let friction = braked - stretch.wheels_applied;
                let weights: i64 = stretch.cause.iter().sum();
                // What was added there is metres.
                self.sum.cause = causes;
                if weights > 0 {
                    for (sum, w) in self.sum.cause.iter_mut().zip(stretch.cause) {
                        *sum = sum.wrapping_add(round(friction as f64 * w as f64 / weights as f64));
                    }
                }
                if weights > 0 { friction } else { 0 }
            }
        };
        let wheel_mj = stretch.kinetic.iter().sum::<i64>()
            + stretch.road.iter().sum::<i64>()
            + potential.iter().sum::<i64>();
        Entry {
            friction_mj: friction,
            wheel_mj,
        }
    }

    /// Returns the account of the same road for another mass: everything in it that mass decides is linear in it. `by` is
    /// the new mass over the old one, `rolling_n` the force of rolling resistance that is added. Also returns by how much
    /// friction from the balance grows.
    pub(crate) fn rescaled(&self, by: f64, rolling_n: f64, method: FrictionMethod) -> (Self, f64) {
        let times = |mj: i64| (mj as f64 * by).round() as i64;
        let roll = |mm: i64| (mm as f64 * rolling_n).round() as i64;
        let mut new = *self;
        let sum = &mut new.sum;
        for (i, distance) in sum.distance.into_iter().enumerate() {
            sum.kinetic[i] = times(sum.kinetic[i]);
            sum.road[i] += roll(distance);
            new.potential[i] = times(new.potential[i]);
        }
        sum.kinetic_applied = times(sum.kinetic_applied);
        sum.road_applied += roll(sum.distance_applied);
        new.potential_applied = times(new.potential_applied);
        let before: i64 = sum.cause.iter().sum();
        if method == FrictionMethod::Measured || before == 0 {
            return (new, 1.0);
        }
        let braked = -(sum.kinetic_applied + new.potential_applied + sum.road_applied);
        // Below zero when the old mass was so small that the balance left less than nothing.
        let scale = (braked - sum.wheels_applied) as f64 / before as f64;
        for cause in &mut sum.cause {
            *cause = (*cause as f64 * scale).round() as i64;
        }
        (new, scale)
    }

    /// Returns what was added since `earlier`.
    pub(crate) fn since(&self, earlier: &Self) -> Self {
        let mut potential = self.potential;
        for (p, e) in potential.iter_mut().zip(earlier.potential) {
            *p -= e;
        }
        Self {
            sum: self.sum.minus(&earlier.sum),
            potential,
            potential_applied: self.potential_applied - earlier.potential_applied,
        }
    }

    /// Writes or reads the sums.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B) -> Self {
        Self {
            sum: self.sum.packed(b, &Stretch::default()),
            potential: self.potential.map(|p| b.int(p, 0)),
            potential_applied: b.int(self.potential_applied, 0),
        }
    }

    /// The same as what was added from then on, given the sums of `later`.
    pub(crate) fn packed_before<B: Bits>(&self, b: &mut B, later: &Self) -> Self {
        // The difference of a difference is where it began.
        later.minus(&later.minus(self).packed(b))
    }

    /// Returns the difference. Unlike [`Ledger::since`] it bears any numbers, as bytes from anywhere give them.
    fn minus(&self, other: &Self) -> Self {
        Self {
            sum: self.sum.minus(&other.sum),
            potential: std::array::from_fn(|p| self.potential[p].wrapping_sub(other.potential[p])),
            potential_applied: self.potential_applied.wrapping_sub(other.potential_applied),
        }
    }

    /// Returns the wheel energy of a phase, J: negative where the wheels had to be braked.
    pub(crate) fn wheel_energy(&self, phase: usize) -> f64 {
        let get = |a: &[i64; 3]| a.get(phase).copied().unwrap_or_default();
        (get(&self.sum.kinetic) + get(&self.potential) + get(&self.sum.road)) as f64 * 1e-3
    }
}
