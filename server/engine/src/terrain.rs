//! The altitude filter: works along the road, not along time, with a fixed lag.
//!
//! Samples are gathered into stretches of at least [`STRETCH_MM`]. A stretch gets its altitude once the road
//! [`LAG_MM`] beyond it is known: by a local straight-line fit, as wide as the noise demands, or from the sample itself when
//! there is next to no noise.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::{
    bits::Bits,
    flow::{Peaks, Stretch, round},
};

/// Shortest stretch of road that is told apart, mm.
pub const STRETCH_MM: i64 = 10_000;
/// How far beyond a point the road must be known before its altitude is settled, mm; the widest fit on either side.
pub const LAG_MM: i64 = 60_000;
/// Over what distance a gradient is taken, mm.
pub const GRADIENT_MM: i64 = 100_000;

/// Below this deviation of single samples the altitude is taken as it is, m.
const CLEAN_M: f64 = 0.12;
/// Deviation that the fit aims at, m.
const AIM_M: f64 = 0.35;

/// Returns the gradient as rise over run, the trade's percentage, from rise over road length.
///
/// ```
/// use coldbrake_engine::terrain::rise_over_run;
/// assert!((rise_over_run(-0.148_340) + 0.15).abs() < 1e-6);
/// ```
pub fn rise_over_run(rise_over_length: f64) -> f64 {
    let sine = rise_over_length.clamp(-0.99, 0.99);
    sine / (1.0 - sine * sine).sqrt()
}

/// Altitude samples of a stretch, gathered.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Gathered {
    /// Position of its end, mm.
    pub(crate) end_mm: i64,
    /// Altitude of the sample at its end, mm.
    pub(crate) raw_mm: i64,
    /// Mean position of its samples, mm.
    pub(crate) mean_position_mm: i64,
    /// Mean altitude of its samples, mm.
    pub(crate) mean_altitude_mm: i64,
    /// Number of its samples.
    pub(crate) count: u32,
}

/// A stretch that waits for its altitude.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Pending {
    pub(crate) gathered: Gathered,
    pub(crate) stretch: Stretch,
    pub(crate) peaks: Peaks,
    pub(crate) end: EndFacts,
    /// Lengths by phase and with the brake applied over which the rise of this stretch is shared, where that is not
    /// the stretch itself: the way through a tunnel without altitude.
    pub(crate) sharing: Option<[i64; 4]>,
}

/// What is known at the end of a stretch.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct EndFacts {
    pub(crate) time_ms: i64,
    pub(crate) speed_mmps: i64,
    pub(crate) mass_dkg: i64,
    pub(crate) mass_streamed: bool,
    pub(crate) soc_ppm: Option<i32>,
    pub(crate) ambient_dc: Option<i32>,
    pub(crate) brake_temperature_dc: Option<i32>,
    /// Latitude and longitude, millionths of a degree.
    pub(crate) position_udeg: Option<(i32, i32)>,
    pub(crate) doing: Doing,
}

/// What was under way, and counted before, at the end of a stretch: a descent that begins here has it too.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Doing {
    pub(crate) applied: bool,
    pub(crate) event: bool,
    pub(crate) event_without_friction: bool,
}

/// A point of the road with settled altitude.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Settled {
    pub(crate) gathered: Gathered,
    pub(crate) altitude_mm: i64,
}

impl Gathered {
    /// Writes or reads the samples of the stretch behind `before`, given its expected end and number of samples.
    fn packed<B: Bits>(&self, b: &mut B, before: &Self, end_mm: i64, count: i64) -> Self {
        let end_mm = b.int(self.end_mm, end_mm);
        let raw_mm = b.int(self.raw_mm, before.raw_mm);
        let middle = |a: i64, b: i64| a.wrapping_add(b.wrapping_sub(a) / 2);
        let mean_position_mm = b.int(self.mean_position_mm, middle(before.end_mm, end_mm));
        Self {
            end_mm,
            raw_mm,
            mean_position_mm,
            mean_altitude_mm: b.int(self.mean_altitude_mm, middle(before.raw_mm, raw_mm)),
            count: b.int(i64::from(self.count), count) as u32,
        }
    }
}

impl Pending {
    /// Writes or reads the stretch behind `before`.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, before: &Self) -> Self {
        let stretch = self.stretch.packed(b, &before.stretch);
        let end_mm = before.gathered.end_mm.wrapping_add(stretch.wrapping_length());
        let time_ms = before.end.time_ms.wrapping_add(stretch.duration_ms);
        Self {
            gathered: self.gathered.packed(b, &before.gathered, end_mm, stretch.samples),
            stretch,
            peaks: self.peaks.packed(b, &before.peaks),
            end: self.end.packed(b, &before.end, time_ms),
            sharing: b
                .bit(self.sharing.is_some())
                .then(|| self.sharing.unwrap_or_default().map(|mm| b.int(mm, 0))),
        }
    }
}

impl EndFacts {
    /// Writes or reads them, given what they may be like, and the expected time.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, like: &Self, time_ms: i64) -> Self {
        let (place, like_place) = (self.position_udeg, like.position_udeg.unwrap_or_default());
        Self {
            time_ms: b.int(self.time_ms, time_ms),
            speed_mmps: b.int(self.speed_mmps, like.speed_mmps),
            mass_dkg: b.int(self.mass_dkg, like.mass_dkg),
            mass_streamed: b.bit(self.mass_streamed),
            soc_ppm: b.maybe_small(self.soc_ppm, like.soc_ppm),
            ambient_dc: b.maybe_small(self.ambient_dc, like.ambient_dc),
            brake_temperature_dc: b.maybe_small(self.brake_temperature_dc, like.brake_temperature_dc),
            position_udeg: b.bit(place.is_some()).then(|| {
                let (latitude, longitude) = place.unwrap_or_default();
                (
                    b.int(i64::from(latitude), i64::from(like_place.0)) as i32,
                    b.int(i64::from(longitude), i64::from(like_place.1)) as i32,
                )
            }),
            doing: Doing {
                applied: b.bit(self.doing.applied),
                event: b.bit(self.doing.event),
                event_without_friction: b.bit(self.doing.event_without_friction),
            },
        }
    }
}

impl Settled {
    /// Writes or reads the point behind `before`.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, before: &Self) -> Self {
        let (end_mm, count) = (
            before.gathered.end_mm.wrapping_add(STRETCH_MM),
            i64::from(before.gathered.count),
        );
        let gathered = self.gathered.packed(b, &before.gathered, end_mm, count);
        Self {
            gathered,
            altitude_mm: b.int(self.altitude_mm, gathered.raw_mm),
        }
    }
}

/// Filtered altitude with its deviation, m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Filtered {
    pub(crate) altitude_mm: i64,
    pub(crate) deviation_m: f64,
}

/// Sums of a weighted straight-line fit about the end of a stretch.
struct Fit<'a> {
    at: &'a Gathered,
    width: f64,
    s0: f64,
    s1: f64,
    s2: f64,
    t0: f64,
    t1: f64,
    /// The same sums with the weights squared over the number of samples, for the deviation.
    q0: f64,
    q1: f64,
    q2: f64,
}

impl<'a> Fit<'a> {
    #[inline]
    const fn new(at: &'a Gathered, width: f64) -> Self {
        Self {
            at,
            width,
            s0: 0.0,
            s1: 0.0,
            s2: 0.0,
            t0: 0.0,
            t1: 0.0,
            q0: 0.0,
            q1: 0.0,
            q2: 0.0,
        }
    }

    #[inline]
    fn add(&mut self, g: &Gathered) {
        let x = (g.mean_position_mm - self.at.end_mm) as f64 * 1e-3;
        let near = 1.0 - x.abs() / self.width;
        if near <= 0.0 || g.count == 0 {
            return;
        }
        let w = near * f64::from(g.count);
        let y = (g.mean_altitude_mm - self.at.raw_mm) as f64 * 1e-3;
        self.s0 += w;
        self.s1 += w * x;
        self.s2 += w * x * x;
        self.t0 += w * y;
        self.t1 += w * x * y;
        self.q0 += w * near;
        self.q1 += w * near * x;
        self.q2 += w * near * x * x;
    }
}

/// Returns the altitude at the end of stretch `at`, given the stretches before it, and from it on, in order of position.
pub(crate) fn settle<'a>(
    at: &Gathered,
    before: &VecDeque<Settled>,
    after: impl Iterator<Item = &'a Gathered>,
    sample_deviation_m: f64,
) -> Filtered {
    let raw = Filtered {
        altitude_mm: at.raw_mm,
        deviation_m: sample_deviation_m,
    };
    if sample_deviation_m < CLEAN_M {
        return raw;
    }
    // A triangular weight of half-width w holds about w/spacing samples' worth.
    let length = STRETCH_MM as f64 * 1e-3;
    let spacing = length / f64::from(at.count.max(1)).min(length / 0.1);
    let wanted = 0.75 * spacing * (sample_deviation_m / AIM_M) * (sample_deviation_m / AIM_M);
    let width = wanted.clamp(1.5 * length.max(spacing), LAG_MM as f64 * 1e-3);

    let mut fit = Fit::new(at, width);
    let width_mm = (width * 1e3) as i64 + 1;
    let distance = |g: &Gathered| g.mean_position_mm - at.end_mm;
    // Only what lies within the width is looked at.
    let near = before
        .iter()
        .rev()
        .take_while(|t| distance(&t.gathered) >= -width_mm)
        .count();
    for t in before.range(before.len() - near..) {
        fit.add(&t.gathered);
    }
    for g in after {
        if distance(g) > width_mm {
            break;
        }
        fit.add(g);
    }
    let Fit {
        s0,
        s1,
        s2,
        t0,
        t1,
        q0,
        q1,
        q2,
        ..
    } = fit;
    let determinant = s0 * s2 - s1 * s1;
    if s0 <= 0.0 {
        return raw;
    }
    // A fit needs two places; else the mean must do.
    let (y, variance) = if determinant > 1e-6 * s0 * s0 {
        (
            (s2 * t0 - s1 * t1) / determinant,
            (s2 * s2 * q0 - 2.0 * s1 * s2 * q1 + s1 * s1 * q2) / (determinant * determinant),
        )
    } else {
        (t0 / s0, q0 / (s0 * s0))
    };
    Filtered {
        altitude_mm: at.raw_mm + round(y * 1e3),
        deviation_m: sample_deviation_m * variance.max(0.0).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn road(slope: impl Fn(f64) -> f64) -> Vec<Gathered> {
        (0..30)
            .map(|k| {
                let end = f64::from(k + 1) * 10.0;
                let mean = end - 5.0;
                Gathered {
                    end_mm: (end * 1e3) as i64,
                    raw_mm: (slope(end) * 1e3) as i64,
                    mean_position_mm: (mean * 1e3) as i64,
                    mean_altitude_mm: (slope(mean) * 1e3) as i64,
                    count: 8,
                }
            })
            .collect()
    }

    #[test]
    fn a_straight_road_is_kept_at_any_noise() {
        let nodes = road(|s| 500.0 - 0.08 * s);
        for deviation in [0.05, 0.5, 3.0] {
            let f = settle(&nodes[15], &VecDeque::new(), nodes.iter(), deviation);
            assert!((f.altitude_mm - nodes[15].raw_mm).abs() <= 1, "{f:?}");
        }
    }

    #[test]
    fn noise_is_averaged_down_towards_the_aim() {
        let nodes = road(|s| 500.0 - 0.08 * s);
        let f = settle(&nodes[15], &VecDeque::new(), nodes.iter(), 1.5);
        assert!(f.deviation_m < 0.35, "{f:?}");
    }

    #[test]
    fn a_lone_stretch_keeps_its_own_altitude() {
        let nodes = road(|_| 100.0);
        let f = settle(&nodes[0], &VecDeque::new(), nodes[..1].iter(), 2.0);
        assert_eq!(f.altitude_mm, 100_000);
    }
}
