//! The coarse profile of a descent by distance, of bounded size: when it is full, neighbours are joined.

use serde::{Deserialize, Serialize};

use crate::{
    bits::{Bits, share},
    record::ProfilePoint,
};

/// Most points of a profile.
pub const MAX_POINTS: usize = 60;

/// Length of a profile stretch at the beginning of a descent, mm. Doubles whenever the profile is full.
const FIRST_LENGTH_MM: i64 = 20_000;

/// One profile stretch.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Bin {
    pub(crate) length_mm: i64,
    pub(crate) moving_ms: i64,
    pub(crate) friction_j: i64,
    pub(crate) charged_j: i64,
    pub(crate) altitude_dm: i32,
    pub(crate) temperature_c: Option<i16>,
}

impl Bin {
    /// Appends a stretch that follows this one on the road.
    fn join(&mut self, next: &Self) {
        self.length_mm += next.length_mm;
        self.moving_ms += next.moving_ms;
        self.friction_j += next.friction_j;
        self.charged_j += next.charged_j;
        self.altitude_dm = next.altitude_dm;
        self.temperature_c = next.temperature_c;
    }
}

impl Bin {
    /// Writes or reads the bin, given its expected length and altitude and one that it may be like.
    fn packed<B: Bits>(&self, b: &mut B, like: &Self, length_mm: i64, altitude_dm: i64) -> Self {
        let length_mm = b.int(self.length_mm, length_mm);
        let along = |sum: i64| share(sum, length_mm, like.length_mm);
        Self {
            length_mm,
            moving_ms: b.int(self.moving_ms, along(like.moving_ms)),
            friction_j: b.int(self.friction_j, along(like.friction_j)),
            charged_j: b.int(self.charged_j, along(like.charged_j)),
            altitude_dm: b.int(i64::from(self.altitude_dm), altitude_dm) as i32,
            temperature_c: b
                .maybe_small(
                    self.temperature_c.map(i32::from),
                    like.temperature_c.map(i32::from),
                )
                .map(|t| t as i16),
        }
    }
}

/// Profile so far, and how much of it lies above the lowest point.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Profile {
    bins: Vec<Bin>,
    length_mm: i64,
    /// The bin being filled.
    open: Bin,
    /// Whole bins above the lowest point, and what the bin that holds it had gathered there.
    low: (u8, Bin),
}

impl Profile {
    /// Writes or reads the profile of a descent from a top at `altitude_dm`.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, altitude_dm: i64) -> Self {
        let nominal_mm = b.int(self.length_mm, FIRST_LENGTH_MM);
        // A bin ends with the stretch that fills it.
        let length_mm = nominal_mm.wrapping_add(nominal_mm / 4);
        let top = Bin {
            altitude_dm: altitude_dm as i32,
            ..Bin::default()
        };
        let mut fall_dm = 0;
        let mut last = top;
        let bins = b.rows(self.bins.iter(), &top, |b, bin, before| {
            let expected_dm = i64::from(before.altitude_dm) + fall_dm;
            let bin = bin.packed(b, before, length_mm, expected_dm);
            fall_dm = i64::from(bin.altitude_dm) - i64::from(before.altitude_dm);
            last = bin;
            bin
        });
        let whole = if B::READS { &bins } else { &self.bins }.len();
        let open = self.open.packed(b, &last, 0, i64::from(last.altitude_dm));
        let (low_whole, low_rest) = &self.low;
        Self {
            length_mm: nominal_mm,
            open,
            low: (
                b.int(i64::from(*low_whole), whole as i64) as u8,
                low_rest.packed(b, &open, open.length_mm, i64::from(open.altitude_dm)),
            ),
            bins,
        }
    }

    /// Begins anew at a top, keeping the memory.
    pub(crate) fn restart(&mut self) {
        self.bins.clear();
        self.length_mm = FIRST_LENGTH_MM;
        self.open = Bin::default();
        self.low = (0, Bin::default());
    }

    /// Appends a stretch of road.
    pub(crate) fn push(&mut self, bin: &Bin) {
        self.open.join(bin);
        if self.open.length_mm < self.length_mm {
            return;
        }
        if self.bins.len() == MAX_POINTS {
            self.coarsen();
            if self.open.length_mm < self.length_mm {
                return;
            }
        }
        self.bins.push(self.open);
        self.open = Bin::default();
    }

    /// Remembers the end of the last stretch as the lowest point.
    pub(crate) fn mark_low(&mut self) {
        self.low = (self.bins.len() as u8, self.open);
    }

    /// Joins neighbours. The number of bins is even: nothing is left over.
    fn coarsen(&mut self) {
        self.length_mm *= 2;
        let (whole, rest) = self.low;
        if whole % 2 == 1 {
            let mut joined = self.bins.get(usize::from(whole) - 1).copied().unwrap_or_default();
            if rest.length_mm > 0 {
                joined.join(&rest);
            }
            self.low = (whole / 2, joined);
        } else {
            self.low = (whole / 2, rest);
        }
        for i in 0..self.bins.len() / 2 {
            let mut joined = self.bins[2 * i];
            joined.join(&self.bins[2 * i + 1]);
            self.bins[i] = joined;
        }
        self.bins.truncate(MAX_POINTS / 2);
    }

    /// Returns the profile from the top to the lowest point.
    pub(crate) fn to_low(&self, measured: bool) -> Vec<ProfilePoint> {
        let (whole, rest) = self.low;
        let mut at = 0;
        self.bins
            .iter()
            .take(usize::from(whole))
            .chain(Some(&rest).filter(|r| r.length_mm > 0))
            .map(|b| {
                at += b.length_mm;
                let seconds = (b.moving_ms as f64 * 1e-3).max(1e-3);
                ProfilePoint {
                    distance_m: (at as f64 * 1e-3) as f32,
                    altitude_m: (f64::from(b.altitude_dm) * 0.1) as f32,
                    friction_w: measured.then(|| (b.friction_j as f64 / seconds) as f32),
                    recovery_w: (b.charged_j as f64 / seconds) as f32,
                    speed_mps: (b.length_mm as f64 * 1e-3 / seconds) as f32,
                    brake_temperature_c: b.temperature_c.map(f32::from),
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bin(k: i64) -> Bin {
        Bin {
            length_mm: 10_000,
            moving_ms: 1_000,
            friction_j: k,
            charged_j: 2 * k,
            altitude_dm: -k as i32,
            temperature_c: Some(20),
        }
    }

    #[test]
    fn size_is_bounded_and_nothing_is_lost_up_to_the_low() {
        for low_at in [1, 7, 119, 120, 121, 500, 777, 1999] {
            let mut p = Profile::default();
            p.restart();
            for k in 1..=2000 {
                p.push(&bin(k));
                if k == low_at {
                    p.mark_low();
                }
            }
            let points = p.to_low(true);
            assert!(points.len() <= MAX_POINTS + 1);
            let last = points.last().unwrap();
            assert!(
                (f64::from(last.distance_m) - low_at as f64 * 10.0).abs() < 0.01,
                "{low_at}: {last:?}"
            );
            assert!((f64::from(last.altitude_m) + low_at as f64 * 0.1).abs() < 1e-3);
            let friction: f64 = points
                .windows(2)
                .map(|w| {
                    f64::from(w[1].friction_w.unwrap())
                        * f64::from((w[1].distance_m - w[0].distance_m) / w[1].speed_mps)
                })
                .sum::<f64>()
                + f64::from(points[0].friction_w.unwrap() * points[0].distance_m / points[0].speed_mps);
            let expected = (low_at * (low_at + 1) / 2) as f64;
            assert!(
                (friction / expected - 1.0).abs() < 1e-4,
                "{low_at}: {friction} {expected}"
            );
        }
    }
}
