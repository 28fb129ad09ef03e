//! Where a descent begins and ends: online, along the road, with hysteresis on gradient and on altitude.

use serde::{Deserialize, Serialize};

use crate::{
    bits::Bits,
    flow::Peaks,
    ledger::Ledger,
    policy::Policy,
    profile::{Bin, Profile},
    record::{EndReason, StartReason},
    terrain::EndFacts,
};

/// Height that separates two points on a road with next to no noise, mm.
const SAME_HEIGHT_MM: i64 = 50;
/// Deviations of the filtered altitude within which two points count as equally high.
const SAME_HEIGHT_DEVIATIONS: f64 = 1.5;
/// Deviation of the filtered altitude from which a level road is not seen as level, m.
const NOISY_M: f64 = 0.1;
/// Gradient that a noisy road must fall by, seen from the lowest point so far, to be going lower.
const LEAST_FALL: f64 = 0.004;
/// Height that counts as a climb inside a descent, mm, when there is no noise.
const CLIMB_MM: i64 = 2_000;

/// The vehicle's account at one point of the road.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Snapshot {
    pub(crate) position_mm: i64,
    pub(crate) altitude_mm: i64,
    pub(crate) end: EndFacts,
    pub(crate) ledger: Ledger,
    pub(crate) temperature_dc: Option<i32>,
}

impl Snapshot {
    /// Writes or reads a point, given the account at a later one, at the time `later_ms`.
    fn packed<B: Bits>(&self, b: &mut B, later: &Self, later_ms: i64) -> Self {
        let ledger = self.ledger.packed_before(b, &later.ledger);
        let position_mm = ledger.sum.wrapping_length();
        let since_ms = later.ledger.sum.duration_ms.wrapping_sub(ledger.sum.duration_ms);
        Self {
            position_mm: b.int(self.position_mm, position_mm),
            altitude_mm: b.int(self.altitude_mm, later.altitude_mm),
            end: self.end.packed(b, &later.end, later_ms.wrapping_sub(since_ms)),
            ledger,
            temperature_dc: b.maybe_small(self.temperature_dc, later.temperature_dc),
        }
    }
}

/// The same before it is known whether it will be kept.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Here<'a> {
    pub(crate) position_mm: i64,
    pub(crate) altitude_mm: i64,
    pub(crate) end: &'a EndFacts,
    pub(crate) ledger: &'a Ledger,
    pub(crate) temperature_dc: Option<i32>,
}

impl Here<'_> {
    /// Keeps the point: field by field, since a whole one would be copied twice.
    fn keep(&self, kept: &mut Snapshot) {
        kept.position_mm = self.position_mm;
        kept.altitude_mm = self.altitude_mm;
        kept.end = *self.end;
        kept.ledger = *self.ledger;
        kept.temperature_dc = self.temperature_dc;
    }
}

/// Largest values and other things since the top that are no differences of the ledger.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Marks {
    pub(crate) peaks: Peaks,
    /// Steepest gradient over [`crate::terrain::GRADIENT_MM`], in millionths, negative.
    pub(crate) steepest_ppm: Option<i32>,
    pub(crate) climb_mm: i64,
    pub(crate) temperature_dc: Option<i32>,
    pub(crate) above_inspection_ms: i64,
    pub(crate) deviation_mm: i64,
    rising: bool,
    turn_mm: i64,
    extreme_mm: i64,
}

impl Marks {
    fn at(altitude_mm: i64, temperature_dc: Option<i32>) -> Self {
        Self {
            turn_mm: altitude_mm,
            extreme_mm: altitude_mm,
            temperature_dc,
            ..Self::default()
        }
    }

    /// Writes or reads the marks of a descent, given those they may be like.
    fn packed<B: Bits>(&self, b: &mut B, like: &Self) -> Self {
        Self {
            peaks: self.peaks.packed(b, &like.peaks),
            steepest_ppm: b.maybe_small(self.steepest_ppm, like.steepest_ppm),
            climb_mm: b.int(self.climb_mm, like.climb_mm),
            temperature_dc: b.maybe_small(self.temperature_dc, like.temperature_dc),
            above_inspection_ms: b.int(self.above_inspection_ms, like.above_inspection_ms),
            deviation_mm: b.int(self.deviation_mm, like.deviation_mm),
            rising: b.bit(self.rising),
            turn_mm: b.int(self.turn_mm, like.turn_mm),
            extreme_mm: b.int(self.extreme_mm, like.extreme_mm),
        }
    }

    /// Follows ups and downs of at least `step_mm`, so that noise does not add up to a climb.
    fn follow(&mut self, altitude_mm: i64, step_mm: i64) {
        if self.rising {
            if altitude_mm > self.extreme_mm {
                self.extreme_mm = altitude_mm;
            } else if altitude_mm < self.extreme_mm - step_mm {
                self.climb_mm += self.extreme_mm - self.turn_mm;
                self.rising = false;
                self.extreme_mm = altitude_mm;
            }
        } else if altitude_mm < self.extreme_mm {
            self.extreme_mm = altitude_mm;
        } else if altitude_mm > self.extreme_mm + step_mm {
            self.rising = true;
            self.turn_mm = self.extreme_mm;
            self.extreme_mm = altitude_mm;
        }
    }
}

/// One settled stretch of road, as the segmenter sees it.
#[derive(Clone, Debug)]
pub(crate) struct Step<'a> {
    pub(crate) here: Here<'a>,
    /// Gradient over the last [`crate::terrain::GRADIENT_MM`] or what there is of it; `None` when there is too little.
    pub(crate) gradient: Option<f64>,
    /// The same, only when the full distance lies behind the top given.
    pub(crate) full_gradient_from_mm: Option<i64>,
    pub(crate) deviation_m: f64,
    pub(crate) peaks: &'a Peaks,
    pub(crate) bin: &'a Bin,
    pub(crate) above_inspection: bool,
    pub(crate) duration_ms: i64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
enum Stage {
    /// The road does not fall enough; the top moves along.
    #[default]
    Seeking,
    /// Below a top, on the way down.
    Descending,
}

/// Returns the difference within which two points count as equally high, mm. On surveyed altitude there is none: its points
/// may lie so close together that each is within any difference of the one before, all the way down.
fn same_height_mm(deviation_m: f64) -> i64 {
    if deviation_m <= 0.0 {
        return 0;
    }
    SAME_HEIGHT_MM.max((SAME_HEIGHT_DEVIATIONS * deviation_m * 1e3) as i64)
}

/// Returns by how much a point may lie below one at `from_mm` without the road falling between them, mm, beyond what the
/// noise of either explains: on a level road, noise alone finds higher and lower points somewhere.
fn fall_explained_mm(s: &Step<'_>, from_mm: i64) -> i64 {
    if s.deviation_m <= NOISY_M {
        return 0;
    }
    ((s.here.position_mm - from_mm) as f64 * LEAST_FALL) as i64
}

/// The online segmentation of one vehicle's road.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Segmenter {
    stage: Stage,
    started: bool,
    origin_mm: i64,
    after_gap: bool,
    pub(crate) top: Snapshot,
    pub(crate) low: Snapshot,
    top_deviation_m: f64,
    low_deviation_m: f64,
    marks: Marks,
    pub(crate) low_marks: Marks,
    pub(crate) profile: Profile,
}

impl Segmenter {
    /// Writes or reads the segmentation, given the account at the last settled point.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, settled: &Snapshot) -> Self {
        let low = self.low.packed(b, settled, settled.end.time_ms);
        let top = self.top.packed(b, &low, low.end.time_ms);
        let like = Marks {
            turn_mm: top.altitude_mm,
            extreme_mm: low.altitude_mm,
            temperature_dc: top.temperature_dc,
            ..Marks::default()
        };
        let marks = self.marks.packed(b, &like);
        let top_deviation_m = b.float(self.top_deviation_m, 0.0);
        Self {
            stage: if b.bit(self.stage == Stage::Descending) {
                Stage::Descending
            } else {
                Stage::Seeking
            },
            started: b.bit(self.started),
            origin_mm: b.int(self.origin_mm, top.position_mm),
            after_gap: b.bit(self.after_gap),
            top,
            low,
            top_deviation_m,
            low_deviation_m: b.float(self.low_deviation_m, top_deviation_m),
            marks,
            low_marks: self.low_marks.packed(b, &marks),
            profile: self.profile.packed(b, top.altitude_mm / 100),
        }
    }

    /// Begins a new stretch of connected road; `after_gap` when there was one before.
    pub(crate) fn restart(&mut self, after_gap: bool) {
        self.stage = Stage::Seeking;
        self.started = false;
        self.after_gap = after_gap;
    }

    /// Returns whether a descent is under way that would be recorded if it ended now.
    pub(crate) fn is_confirmed(&self, policy: &Policy) -> bool {
        self.stage == Stage::Descending && self.drop_mm() as f64 >= policy.confirm_drop_m * 1e3
    }

    fn drop_mm(&self) -> i64 {
        self.top.altitude_mm - self.low.altitude_mm
    }

    /// Returns why the descent begins where it does.
    pub(crate) fn start_reason(&self) -> StartReason {
        if self.top.position_mm > self.origin_mm {
            StartReason::Crest
        } else if self.after_gap {
            StartReason::AfterGap
        } else {
            StartReason::RecordStart
        }
    }

    fn set_top(&mut self, here: &Here<'_>, deviation_m: f64, stage: Stage) {
        here.keep(&mut self.top);
        self.top_deviation_m = deviation_m;
        self.marks = Marks::at(here.altitude_mm, here.temperature_dc);
        self.profile.restart();
        self.stage = stage;
        self.set_low(here, deviation_m);
    }

    fn set_low(&mut self, here: &Here<'_>, deviation_m: f64) {
        here.keep(&mut self.low);
        self.low_deviation_m = deviation_m;
        self.low_marks = self.marks;
        self.profile.mark_low();
    }

    /// Takes the next settled stretch. Returns why the descent above ends, if it does; the caller then reads `top`,
    /// `low`, `low_marks` and `profile` and calls [`Segmenter::resume`].
    pub(crate) fn step(&mut self, s: &Step<'_>, policy: &Policy) -> Option<EndReason> {
        let here = &s.here;
        let seeking = if policy.entry_gradient < 0.0 {
            Stage::Seeking
        } else {
            Stage::Descending
        };
        if !self.started {
            self.started = true;
            self.origin_mm = here.position_mm;
            self.set_top(here, s.deviation_m, seeking);
            return None;
        }
        let same_as_top_mm = same_height_mm(s.deviation_m.max(self.top_deviation_m));
        let same_as_low_mm = same_height_mm(s.deviation_m.max(self.low_deviation_m));
        self.gather(s, same_height_mm(s.deviation_m));
        let height = here.altitude_mm;
        match self.stage {
            Stage::Seeking => {
                let level = s.gradient.is_none_or(|g| g > 0.5 * policy.entry_gradient);
                let near_mm = same_as_top_mm + fall_explained_mm(s, self.top.position_mm);
                if height >= self.top.altitude_mm - near_mm && level || height > self.top.altitude_mm {
                    self.set_top(here, s.deviation_m, seeking);
                } else if s.gradient.is_some_and(|g| g <= policy.entry_gradient) {
                    self.stage = Stage::Descending;
                    self.set_low(here, s.deviation_m);
                } else if level && here.position_mm - self.top.position_mm > (policy.end_level_m * 1e3) as i64
                {
                    self.set_top(here, s.deviation_m, seeking);
                }
                None
            }
            Stage::Descending => {
                if height >= self.top.altitude_mm - same_as_top_mm {
                    // Back at the height of the top: what lies between was no descent.
                    self.set_top(here, s.deviation_m, seeking);
                    return None;
                }
                if height < self.low.altitude_mm - same_as_low_mm - fall_explained_mm(s, self.low.position_mm)
                {
                    self.set_low(here, s.deviation_m);
                    return None;
                }
                if (height - self.low.altitude_mm) as f64 >= policy.end_climb_m * 1e3 {
                    return Some(EndReason::Climb);
                }
                if (here.position_mm - self.low.position_mm) as f64 >= policy.end_level_m * 1e3 {
                    return Some(EndReason::Level);
                }
                None
            }
        }
    }

    /// Goes on after a descent ended at the stretch given.
    pub(crate) fn resume(&mut self, here: &Here<'_>, deviation_m: f64, policy: &Policy) {
        self.set_top(
            here,
            deviation_m,
            if policy.entry_gradient < 0.0 {
                Stage::Seeking
            } else {
                Stage::Descending
            },
        );
    }

    fn gather(&mut self, s: &Step<'_>, same_mm: i64) {
        self.marks.peaks.absorb(s.peaks);
        self.marks.follow(s.here.altitude_mm, CLIMB_MM.max(2 * same_mm));
        self.marks.temperature_dc = self.marks.temperature_dc.max(s.here.temperature_dc);
        if s.above_inspection {
            self.marks.above_inspection_ms += s.duration_ms;
        }
        self.marks.deviation_mm = self.marks.deviation_mm.max((s.deviation_m * 1e3) as i64);
        if let (Some(g), Some(from)) = (s.gradient, s.full_gradient_from_mm)
            && from >= self.top.position_mm
        {
            let ppm = (g * 1e6).round() as i32;
            self.marks.steepest_ppm = Some(self.marks.steepest_ppm.map_or(ppm, |m| m.min(ppm)));
        }
        self.profile.push(s.bin);
    }
}
