//! The short way through the engine: rows that go on as the ones before did.
//!
//! Most samples say that the vehicle goes on doing what it did. For those, what two neighbouring rows decide alone is computed
//! for a [`Block`] of rows at once, and sums are kept at hand until something else happens. A row that is in any way
//! unusual is left to [`Track::take_one`].
//!
//! Both ways give the same bits: a batch of one sample never comes here, and the split of a drive into batches must not
//! matter, which several tests look at.

use std::ops::Range;

use crate::{
    model::Model,
    phase::Phase,
    record::{Cause, Flag},
    track::{
        Context, Rows, Steady, Track,
        altimeter::{BELIEVED_DEVIATIONS, BELIEVED_STEP_M},
        block::{Block, Column, Kind, N, Room},
        interval::{DECELERATION_S, MISSING_STEPS, Reasons, raise},
    },
    wear::FIRM_MPS2,
};

impl Track {
    /// Takes the rows of a block from row `i` on, as long as the vehicle goes on as before and the stretch does not end.
    /// Returns the first row not taken.
    pub(super) fn cruise(
        &mut self,
        (b, room): (&Block, &mut Room),
        rows: &Rows<'_>,
        i: usize,
        steady: &Steady,
        c: &mut Context<'_>,
    ) -> usize {
        let (model, first, end) = (c.model, i - b.start, b.len.min(N));
        let (phase, applied) = (self.events.phase, self.events.applied);
        let kind = Kind::of(phase, applied);
        if first >= end || b.kind[first] != kind || !self.events.is_steady() {
            return i;
        }
        let Some(mut walk) = c.life.noise.walk() else {
            return i;
        };
        // Hard braking and, by balance, a firm stop are told by the deceleration.
        let hard_mps2 = match model.brake_force {
            _ if !applied => f64::INFINITY,
            Some(_) => model.class.hard_braking_mps2,
            None => model.class.hard_braking_mps2.min(2.0 * FIRM_MPS2),
        };
        let altitudes = &rows.altitude[b.start..b.start + end];
        let offset_m = self.altimeter.offset_m;
        // Less than what is believed for certain, so that no more needs to be known.
        let least_m = c
            .policy
            .altitude_noise_m
            .unwrap_or_else(|| c.life.noise.least_deviation_m());
        let believed_m = BELIEVED_STEP_M + BELIEVED_DEVIATIONS * least_m;
        let [d0, d1, d2] = self.open.distance;
        // Added up in the order of the phases.
        let (mut length, rest, last) = match phase {
            Phase::Braking => (d0, d1, d2),
            Phase::Propulsion => (d1, d0, d2),
            Phase::Coasting => (d2, d0 + d1, 0.0),
        };
        let (mut usual_ms, mut deceleration) = (self.usual_ms, self.deceleration);
        let (mut altitude, mut last_raw_m) = (self.last.altitude, self.altimeter.last_raw_m);
        let mut moved_at = usize::MAX;
        let Room {
            positions,
            heights,
            places,
            altitudes: altitudes_m,
            deviations,
            roads,
            ..
        } = room;
        let mut k = first;
        while k < end {
            let duration = b.duration[k];
            if b.kind[k] != kind || duration > MISSING_STEPS * usual_ms {
                break;
            }
            let raw_m = altitudes[k];
            let now_m = raw_m + offset_m;
            let moved = (raw_m - last_raw_m).abs() > 1e-9;
            if moved && (now_m - altitude).abs() > believed_m {
                break;
            }
            let dt = b.dt[k];
            let slower = deceleration + (b.slowing[k] - deceleration) * dt / (DECELERATION_S + dt);
            if slower >= hard_mps2 {
                break;
            }
            // From here on the row is taken.
            if moved {
                (last_raw_m, moved_at) = (raw_m, k);
            }
            usual_ms += (duration - usual_ms) / 16.0;
            (deceleration, altitude) = (slower, now_m);
            length += b.distance[k];
            let position = (length + rest) + last;
            (positions[k], heights[k]) = (position, altitude);
            k += 1;
            if position * 1e3 >= steady.length_mm {
                break;
            }
        }
        if k == first {
            return i;
        }
        let (taken, at) = (first..k.min(N), b.start + k - 1);
        self.open.distance[phase as usize] = length;
        (self.usual_ms, self.deceleration) = (usual_ms, deceleration);
        if moved_at < k {
            self.altimeter.moved(last_raw_m, rows.time_ms[b.start + moved_at]);
        }
        let unmoved = if moved_at < k { moved_at..k } else { taken.clone() };
        for distance in &b.distance[unmoved] {
            self.altimeter.went(*distance, phase, applied);
        }
        let duration_ms = rows.time_ms[at] - self.last.time_ms;
        self.last.time_ms = rows.time_ms[at];
        self.last.speed = rows.speed[at];
        self.last.altitude = altitude;
        self.last.brake = rows.brake[at];
        self.last.battery_w = b.battery_w[k - 1];
        self.standing_ms = 0;
        c.life.wear.not_firm();

        self.samples
            .take_all(&positions[taken.clone()], &heights[taken.clone()]);
        [(places[0], altitudes_m[0]), (places[1], altitudes_m[1])] = walk.before();
        for (place, position) in places[2..].iter_mut().zip(&positions[taken.clone()]) {
            *place = steady.base_m + position;
        }
        altitudes_m[2..2 + taken.len()].copy_from_slice(&heights[taken.clone()]);
        walk.observe_all(places, altitudes_m, taken.len(), b.walks, deviations);
        c.life.noise.walked(&walk);

        self.events.went_on(duration_ms, &b.duration[taken.clone()]);
        for k in taken.clone() {
            roads[k] = model.road_load(b.rolling_n[k], b.mean_speed[k], steady.square) * b.distance[k];
        }
        self.sum_up(
            b,
            taken.clone(),
            roads,
            &rows.speed[b.start + first..=at],
            duration_ms,
        );
        self.sum_up_braking(b, taken, roads, rows, model);
        if let Some(hottest) = rows.hottest_brake(b.start + first..at + 1) {
            let peak = &mut self.open.peak_brake_temperature;
            *peak = Some(peak.map_or(hottest, |p| p.max(hottest)));
        }
        if rows.voltage(at).is_none() {
            self.open.flags.insert(Flag::VoltageAssumed);
        }
        at + 1
    }

    /// Adds rows to the sums of the open stretch that nothing else waits for.
    #[inline(never)]
    fn sum_up(&mut self, b: &Block, rows: Range<usize>, roads: &Column, speeds: &[f64], duration_ms: i64) {
        let (p, applied) = (self.events.phase as usize, self.events.applied);
        let open = &mut self.open;
        open.duration_ms += duration_ms;
        open.moving_ms += duration_ms;
        open.samples += rows.len() as i64;
        let (mut kinetic, mut road) = (open.kinetic[p], open.road[p]);
        let (mut charged, mut discharged) = (open.charged, open.discharged);
        let (mut auxiliary, mut motor) = (open.auxiliary, open.motor);
        let (mut speed, mut recovery, mut gap) = (open.peak_speed, open.peak_recovery, 0.0);
        let end = rows.end.min(N);
        for (k, v) in (rows.start..end).zip(speeds) {
            kinetic += b.kinetic[k];
            road += roads[k];
            charged += b.charged[k];
            discharged += b.discharged[k];
            auxiliary += b.auxiliary[k];
            motor += b.motor[k];
            raise(&mut speed, *v);
            raise(&mut recovery, b.battery_w[k]);
            raise(&mut gap, b.duration[k]);
        }
        (open.kinetic[p], open.road[p]) = (kinetic, road);
        (open.charged, open.discharged) = (charged, discharged);
        (open.auxiliary, open.motor) = (auxiliary, motor);
        (open.peak_speed, open.peak_recovery) = (speed, recovery);
        open.peak_gap_ms = open.peak_gap_ms.max(gap as i64);
        if applied {
            open.friction_ms += duration_ms;
        }
    }

    /// Adds what only braking has.
    fn sum_up_braking(
        &mut self,
        b: &Block,
        taken: Range<usize>,
        roads: &Column,
        rows: &Rows<'_>,
        model: &Model<'_>,
    ) {
        if self.events.phase != Phase::Braking {
            return;
        }
        let (open, event) = (&mut self.open, &mut self.events.event);
        let mut wheels = open.wheels;
        if !self.events.applied {
            for k in taken {
                wheels += b.wheels[k];
                event.recover(b.wheels[k]);
            }
            open.events_without_friction += event.tell();
            open.wheels = wheels;
            return;
        }
        let reasons = Reasons::of(rows, model);
        let mut unexplained = open.cause[Cause::Unexplained as usize];
        let mut e = *event;
        let (mut kinetic, mut road) = (open.kinetic_applied, open.road_applied);
        let (mut distance, mut wheels_applied) = (open.distance_applied, open.wheels_applied);
        let mut friction_w = open.peak_friction;
        for k in taken {
            kinetic += b.kinetic[k];
            road += roads[k];
            distance += b.distance[k];
            wheels += b.wheels[k];
            wheels_applied += b.wheels[k];
            raise(&mut friction_w, b.friction_w[k]);
            e.recover(b.wheels[k]);
            e.spend(b.spent[k]);
            if b.unexplained {
                unexplained += b.used[k];
                continue;
            }
            // Rows of hard braking do not come here.
            let (why, derived) = reasons.why(
                b.start + k,
                f64::NEG_INFINITY,
                b.mean_speed[k],
                b.battery_w[k],
                b.demand_w[k],
            );
            open.cause[why as usize] += b.used[k];
            if derived {
                open.flags.insert(Flag::ChargeFromVoltage);
            }
        }
        if b.unexplained {
            open.cause[Cause::Unexplained as usize] = unexplained;
        }
        // From row to row it may change often: what counts is how the run ends.
        open.events_without_friction += e.tell();
        *event = e;
        (open.kinetic_applied, open.road_applied) = (kinetic, road);
        (open.distance_applied, open.wheels_applied) = (distance, wheels_applied);
        (open.wheels, open.peak_friction) = (wheels, friction_w);
    }
}
