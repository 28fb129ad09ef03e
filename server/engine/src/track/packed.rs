//! The road of a vehicle as bits, and where its settled part ends.

use std::collections::VecDeque;

use crate::{
    bits::Bits,
    grade::Position,
    ledger::Ledger,
    segment::Snapshot,
    terrain::{EndFacts, Gathered, Pending, Settled},
    track::{Last, PENDING, TRAIL, Track},
};

impl Last {
    fn packed<B: Bits>(&self, b: &mut B, time_ms: i64) -> Self {
        let speed = b.decimal(self.speed, 0.0, 100.0);
        let place = self.position;
        Self {
            time_ms: b.int(self.time_ms, time_ms),
            speed,
            altitude: b.decimal(self.altitude, 0.0, 10.0),
            battery_w: b.decimal(self.battery_w, 0.0, 100.0),
            brake: b.decimal(self.brake, 0.0, 100.0),
            mass: b.decimal(self.mass, 0.0, 1.0),
            mass_streamed: b.bit(self.mass_streamed),
            soc: b.maybe_decimal(self.soc, None, 1e4),
            ambient: b.maybe_decimal(self.ambient, None, 10.0),
            brake_temperature: b.maybe_decimal(self.brake_temperature, None, 1.0),
            position: b.bit(place.is_some()).then(|| Position {
                latitude_deg: b.decimal(place.map_or(0.0, |p| p.latitude_deg), 0.0, 1e6),
                longitude_deg: b.decimal(place.map_or(0.0, |p| p.longitude_deg), 0.0, 1e6),
            }),
        }
    }
}

impl Track {
    /// Writes or reads the road, given the account of its settled part and the expected time of the last sample.
    pub(crate) fn packed<B: Bits>(&self, b: &mut B, settled: &Ledger, time_ms: i64) -> Self {
        let last = self.last.packed(b, time_ms);
        let settled_mm = b.maybe(self.settled_mm, Some((last.altitude * 1e3) as i64));
        let settled_at_mm = settled.sum.wrapping_length();
        let begin = Pending {
            gathered: Gathered {
                end_mm: settled_at_mm,
                raw_mm: settled_mm.unwrap_or_default(),
                ..Gathered::default()
            },
            end: EndFacts {
                time_ms: last.time_ms,
                ..EndFacts::default()
            },
            ..Pending::default()
        };
        let read = b.rows(self.pending.iter(), &begin, |b, p, before| p.packed(b, before));
        let end = if B::READS {
            read.last()
        } else {
            self.pending.back()
        };
        let end_mm = end.unwrap_or(&begin).gathered.end_mm;
        let mut pending = VecDeque::new();
        let mut trail = VecDeque::new();
        let first = Settled {
            gathered: begin.gathered,
            altitude_mm: begin.gathered.raw_mm,
        };
        let settled = b.rows(self.trail.iter(), &first, |b, s, before| s.packed(b, before));
        if B::READS {
            // Room as in a road that begins.
            pending.reserve_exact(PENDING);
            pending.extend(read);
            trail.reserve_exact(TRAIL);
            trail.extend(settled);
        }
        Self {
            open: self.open.packed(b),
            samples: self.samples.packed(b, last.altitude),
            base_mm: b.int(self.base_mm, end_mm),
            pending,
            trail,
            settled_mm,
            standing_ms: b.int(self.standing_ms, 0),
            usual_ms: b.float(self.usual_ms, 100.0),
            deceleration: b.float(self.deceleration, 0.0),
            events: self.events.packed(b),
            altimeter: self.altimeter.packed(b, last.time_ms, last.altitude),
            air_density: b.float(self.air_density, 1.2),
            sharing: b
                .bit(self.sharing.is_some())
                .then(|| self.sharing.unwrap_or_default().map(|mm| b.int(mm, 0))),
            last,
        }
    }

    /// Returns the point up to which the road is settled, as far as it is known.
    pub(crate) fn settled(&self, ledger: &Ledger) -> Snapshot {
        let (time_ms, end) = match self.pending.front() {
            Some(p) => (p.end.time_ms.wrapping_sub(p.stretch.duration_ms), p.end),
            None => (self.last.time_ms, EndFacts::default()),
        };
        Snapshot {
            position_mm: ledger.sum.wrapping_length(),
            altitude_mm: self.settled_mm.unwrap_or_default(),
            end: EndFacts { time_ms, ..end },
            ledger: *ledger,
            temperature_dc: None,
        }
    }

    /// Returns position and altitude of the last sample, m.
    pub(crate) fn place(&self) -> (f64, f64) {
        let position_m = self.base_mm as f64 * 1e-3 + self.open.length();
        (position_m, self.last.altitude)
    }
}
