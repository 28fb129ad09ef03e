//! From stretches of road to settled altitude, the ledger, brake temperature and descents.

use serde::{Deserialize, Serialize};

use crate::{
    account,
    atmosphere::air_density,
    bits::Bits,
    flow::{OpenStretch, Stretch, milli},
    ledger::Ledger,
    mass::Evidence,
    profile::Bin,
    record::{EndReason, FinishedDescent, Flag, FrictionMethod},
    segment::{Here, Step},
    terrain::{
        EndFacts, Filtered, GRADIENT_MM, Gathered, Pending, STRETCH_MM, Settled, rise_over_run, settle,
    },
    thermal::ASSUMED_AMBIENT_C,
    track::{Context, Track},
    wear::Worn,
};

/// Noise from which an altitude that does not change at all is suspicious, m.
const FROZEN_NOISE_M: f64 = 0.1;

/// Sums over the altitude samples of the open stretch, relative to its begin and its first sample.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Samples {
    count: u32,
    first_m: f64,
    position: f64,
    altitude: f64,
}

impl Samples {
    pub(super) fn take(&mut self, position: f64, altitude: f64) {
        if self.count == 0 {
            self.first_m = altitude;
        }
        self.count += 1;
        self.position += position;
        self.altitude += altitude - self.first_m;
    }

    /// Takes one sample after the other.
    pub(super) fn take_all(&mut self, positions: &[f64], altitudes: &[f64]) {
        if let (0, Some(first)) = (self.count, altitudes.first()) {
            self.first_m = *first;
        }
        self.count += altitudes.len() as u32;
        for (position, altitude) in positions.iter().zip(altitudes) {
            self.position += position;
            self.altitude += altitude - self.first_m;
        }
    }

    /// Writes or reads the sums, given the expected altitude of the first sample.
    pub(super) fn packed<B: Bits>(&self, b: &mut B, altitude_m: f64) -> Self {
        Self {
            count: b.int(i64::from(self.count), 0) as u32,
            first_m: b.decimal(self.first_m, altitude_m, 10.0),
            position: b.float(self.position, 0.0),
            altitude: b.decimal(self.altitude, 0.0, 10.0),
        }
    }

    fn gather(&self, base_mm: i64, end_mm: i64, last_altitude: f64) -> Gathered {
        let n = f64::from(self.count.max(1));
        let first = if self.count == 0 {
            last_altitude
        } else {
            self.first_m
        };
        Gathered {
            end_mm,
            raw_mm: milli(last_altitude),
            mean_position_mm: base_mm + milli(self.position / n),
            mean_altitude_mm: milli(first + self.altitude / n),
            count: self.count,
        }
    }
}

/// Returns an angle in millionths of a degree: a tenth of a metre.
fn millionths(degrees: f64) -> i32 {
    (degrees * 1e6).round() as i32
}

impl Track {
    /// Closes the open stretch: it waits for its altitude.
    pub(super) fn close_stretch(&mut self) {
        let stretch = Stretch::close(&self.open);
        let end_mm = self.base_mm + stretch.length();
        let last = &self.last;
        self.pending.push_back(Pending {
            gathered: self.samples.gather(self.base_mm, end_mm, last.altitude),
            stretch,
            peaks: self.open.peaks(),
            end: EndFacts {
                time_ms: last.time_ms,
                speed_mmps: milli(last.speed),
                mass_dkg: milli(last.mass * 1e-2),
                mass_streamed: last.mass_streamed,
                soc_ppm: last.soc.map(|x| milli(x * 1e3) as i32),
                ambient_dc: last.ambient.map(account::tenths_of),
                brake_temperature_dc: last.brake_temperature.map(account::tenths_of),
                position_udeg: last
                    .position
                    .map(|p| (millionths(p.latitude_deg), millionths(p.longitude_deg))),
                doing: self.events.doing(),
            },
            sharing: self.sharing.take(),
        });
        self.base_mm = end_mm;
        self.open = OpenStretch::default();
        self.samples = Samples::default();
    }

    /// Settles all stretches with at least `lag_mm` of known road beyond them.
    pub(super) fn settle_ready(&mut self, lag_mm: i64, c: &mut Context<'_>) {
        // Taken out, so that one can be looked at while the rest of the road changes.
        let mut pending = std::mem::take(&mut self.pending);
        while let Some(first) = pending.front() {
            if self.base_mm - first.gathered.end_mm < lag_mm {
                break;
            }
            let after = pending.iter().map(|p| &p.gathered);
            let filtered = settle(&first.gathered, &self.trail, after, c.altitude_deviation_m());
            self.settle_one(first, filtered, c);
            pending.pop_front();
        }
        self.pending = pending;
    }

    fn settle_one(&mut self, p: &Pending, filtered: Filtered, c: &mut Context<'_>) {
        let model = c.model;
        let length_mm = p.stretch.length();
        let before = self.settled_mm;
        // A stretch without length has the altitude of the one before.
        let altitude_mm = if length_mm == 0 {
            before.unwrap_or(filtered.altitude_mm)
        } else {
            filtered.altitude_mm
        };
        let rise_mm = before.map_or(0, |b| altitude_mm - b);
        let weight = p.end.mass_dkg as f64 * 0.1 * model.gravity;
        let entry = c
            .life
            .ledger
            .add(&p.stretch, weight, rise_mm, model.method(), p.sharing.as_ref());
        let friction_j = entry.friction_mj as f64 * 1e-3;
        c.life.friction_total_j += friction_j.max(0.0);
        c.life.sign.add(length_mm, entry.wheel_mj, p.stretch.motor);

        if !p.end.mass_streamed {
            let flags = p.peaks.flags;
            let evidence = Evidence {
                stretch: &p.stretch,
                rise_m: rise_mm as f64 * 1e-3,
                mass_kg: p.end.mass_dkg as f64 * 0.1,
                sound: before.is_some()
                    && p.sharing.is_none()
                    && !flags.contains(Flag::AltitudeStep)
                    && !flags.contains(Flag::AltitudeFrozen),
            };
            c.life.mass.take(model.class, &evidence);
        }

        let ambient = p.end.ambient_dc.map(|t| f64::from(t) * 0.1);
        let seconds = p.stretch.duration_ms as f64 * 1e-3;
        let temperature = c.life.brakes.as_mut().map(|brakes| {
            let speed = if seconds > 0.0 {
                length_mm as f64 * 1e-3 / seconds
            } else {
                0.0
            };
            brakes.advance(
                model.class,
                friction_j,
                seconds,
                speed,
                ambient.unwrap_or(ASSUMED_AMBIENT_C),
            );
            brakes.hottest_c()
        });
        let worn = Worn {
            friction_j: friction_j.max(0.0),
            distance_m: length_mm as f64 * 1e-3,
            front_c: c.life.brakes.map(|b| b.front_c),
            rear_c: c.life.brakes.map(|b| b.rear_c),
            time_ms: p.end.time_ms,
        };
        c.life.wear.add(model.class, &worn);
        if model.class.air_density_kg_m3.is_none() {
            self.air_density = air_density(altitude_mm as f64 * 1e-3, ambient);
        }

        let position_mm = p.gathered.end_mm;
        let (gradient, full_gradient_from_mm) = self.gradient(position_mm, altitude_mm);
        let bin = Bin {
            length_mm,
            moving_ms: p.stretch.moving_ms,
            friction_j: entry.friction_mj / 1000,
            charged_j: p.stretch.charged / 1000,
            altitude_dm: (altitude_mm / 100) as i32,
            temperature_c: temperature.map(|t| t as i16),
        };
        let temperature_dc = temperature.map(account::tenths_of);
        let step = Step {
            here: here(p, altitude_mm, temperature_dc, &c.life.ledger),
            gradient,
            full_gradient_from_mm,
            deviation_m: filtered.deviation_m,
            peaks: &p.peaks,
            bin: &bin,
            above_inspection: temperature.is_some_and(|t| t > model.class.inspection_temperature_c),
            duration_ms: p.stretch.duration_ms,
        };
        if let Some(reason) = c.life.segmenter.step(&step, c.policy) {
            // A noisy altimeter that shows the very same height over hundreds of metres shows nothing at all.
            let frozen = self.altimeter.frozen_length_m() > c.policy.bridge_distance_m;
            if frozen && c.altitude_deviation_m() > FROZEN_NOISE_M {
                c.life
                    .segmenter
                    .low_marks
                    .peaks
                    .flags
                    .insert(Flag::AltitudeFrozen);
            }
            record(reason, c);
            let here = here(p, altitude_mm, temperature_dc, &c.life.ledger);
            c.life.segmenter.resume(&here, filtered.deviation_m, c.policy);
        }
        if c.life.sign.contradicts(weight) {
            c.life.sign_refused = true;
        }
        self.keep_trail(p, altitude_mm);
    }

    /// Remembers the point for fits and gradients to come, no denser than stretches usually are.
    fn keep_trail(&mut self, p: &Pending, altitude_mm: i64) {
        self.settled_mm = Some(altitude_mm);
        let here_mm = p.gathered.end_mm;
        let near = self
            .trail
            .back()
            .is_some_and(|t| here_mm - t.gathered.end_mm < STRETCH_MM);
        if near && p.stretch.length() > 0 {
            return;
        }
        self.trail.push_back(Settled {
            gathered: Gathered {
                // Nothing asks for it any more.
                raw_mm: altitude_mm,
                ..p.gathered
            },
            altitude_mm,
        });
        while self
            .trail
            .get(1)
            .is_some_and(|t| here_mm - t.gathered.end_mm >= GRADIENT_MM)
        {
            self.trail.pop_front();
        }
    }

    /// Returns the gradient over the last [`GRADIENT_MM`], or over what there is if that is at least half of it; and
    /// where it was taken from when it is over the full distance.
    fn gradient(&self, position_mm: i64, altitude_mm: i64) -> (Option<f64>, Option<i64>) {
        let back = |t: &&Settled| position_mm - t.gathered.end_mm;
        // Only the first few lie so far back.
        let full = self.trail.iter().take_while(|t| back(t) >= GRADIENT_MM).last();
        let from = full.or_else(|| self.trail.front().filter(|t| back(t) >= GRADIENT_MM / 2));
        let gradient = from.map(|t| rise_over_run((altitude_mm - t.altitude_mm) as f64 / back(&t) as f64));
        (gradient, full.map(|t| t.gathered.end_mm))
    }
}

fn here<'a>(p: &'a Pending, altitude_mm: i64, temperature_dc: Option<i32>, ledger: &'a Ledger) -> Here<'a> {
    Here {
        position_mm: p.gathered.end_mm,
        altitude_mm,
        end: &p.end,
        ledger,
        temperature_dc,
    }
}

/// Records the descent under way if it is one.
pub(super) fn record(reason: EndReason, c: &mut Context<'_>) {
    if !c.life.segmenter.is_confirmed(c.policy) {
        return;
    }
    c.life.descents += 1;
    let (descent, friction_scale) = account::settle(
        &c.life.segmenter,
        c.model,
        c.policy,
        reason,
        (c.vehicle, c.software_version, c.life.descents),
        c.altitude_deviation_m(),
        c.life.mass.estimate(c.model.class),
    );
    if descent.above_inspection_temperature_s > 0.0 {
        c.life.wear.add_hot_descent(descent.end_time_ms);
    }
    let mut profile = c
        .life
        .segmenter
        .profile
        .to_low(c.model.method() == FrictionMethod::Measured);
    for friction_w in profile.iter_mut().filter_map(|p| p.friction_w.as_mut()) {
        *friction_w *= friction_scale as f32;
    }
    let facts = c.life.wear.facts();
    c.finished.push(FinishedDescent {
        descent,
        profile,
        facts,
    });
}
