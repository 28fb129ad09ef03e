//! A state as bytes: what has names as it is, then all numbers as bits, each seen from what is known before it.

use crate::{
    bits::{Bits, Reader, Writer},
    ids::Session,
    segment::Snapshot,
    state::{Opening, StateError, VehicleState},
    thermal::Brakes,
    track::{Life, Track},
    wear::Expected,
};

/// Room for what has names, bytes.
const HEAD: usize = 128;

/// All numbers of a state.
struct Numbers {
    applied_through: i64,
    refused: u64,
    last_time_ms: Option<i64>,
    broken: bool,
    track: Option<Track>,
    life: Life,
}

/// Returns the state as bytes behind the version given.
pub(super) fn write(state: &VehicleState, version: u8) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(HEAD);
    bytes.push(version);
    let head = (&state.vehicle, &state.opening, &state.earlier);
    // Serialising plain data into memory has no way to fail.
    let mut writer = Writer::new(postcard::to_extend(&head, bytes).unwrap_or_default());
    Numbers::packed(state, &mut writer);
    writer.finish()
}

/// Reads a state from the bytes behind the version.
pub(super) fn read(bytes: &[u8]) -> Result<VehicleState, StateError> {
    let (head, rest) = postcard::take_from_bytes::<(String, Opening, Vec<(Session, i64)>)>(bytes)
        .map_err(|e| StateError::Damaged(e.to_string()))?;
    let (vehicle, opening, earlier) = head;
    let blank = VehicleState::new(&vehicle, opening);
    let mut reader = Reader::new(rest);
    let numbers = Numbers::packed(&blank, &mut reader);
    reader.finish().map_err(StateError::Damaged)?;
    Ok(VehicleState {
        vehicle,
        opening: blank.opening,
        applied_through: numbers.applied_through,
        earlier,
        refused: numbers.refused,
        last_time_ms: numbers.last_time_ms,
        broken: numbers.broken,
        track: numbers.track,
        life: numbers.life,
    })
}

impl Numbers {
    fn packed<B: Bits>(s: &VehicleState, b: &mut B) -> Self {
        let (applied_through, refused) = (b.int(s.applied_through, 0), b.int(s.refused as i64, 0) as u64);
        let last_time_ms = b.maybe(s.last_time_ms, None);
        let broken = b.bit(s.broken);
        let life = &s.life;
        let ledger = life.ledger.packed(b);
        let time_ms = last_time_ms.unwrap_or_default();
        let blank = Track::default();
        let track = b.bit(s.track.is_some()).then(|| {
            let track = s.track.as_ref().unwrap_or(&blank);
            track.packed(b, &ledger, time_ms)
        });
        let known = if B::READS { &track } else { &s.track };
        let settled = known.as_ref().map_or_else(
            || Snapshot {
                ledger,
                ..Snapshot::default()
            },
            |track| track.settled(&ledger),
        );
        let (position_m, altitude_m) = known.as_ref().map_or((0.0, 0.0), Track::place);
        let brakes = Brakes::packed(life.brakes.as_ref(), b);
        let hottest_c = brakes.map_or(0.0, Brakes::hottest_c);
        let friction_mj = ledger.sum.cause.iter().fold(0_i64, |sum, x| sum.wrapping_add(*x));
        let friction_total_j = b.float(life.friction_total_j, friction_mj as f64 * 1e-3);
        let distance_m = settled.position_mm as f64 * 1e-3;
        Self {
            applied_through,
            refused,
            last_time_ms,
            broken,
            track,
            life: Life {
                ledger,
                friction_total_j,
                brakes,
                noise: life.noise.packed(b, position_m, altitude_m),
                sign: life.sign.packed(b),
                sign_refused: b.bit(life.sign_refused),
                descents: b.int(life.descents as i64, 0) as u64,
                segmenter: life.segmenter.packed(b, &settled),
                wear: life.wear.packed(
                    b,
                    &Expected {
                        time_ms: settled.end.time_ms,
                        friction_j: friction_total_j,
                        distance_m,
                        hottest_c,
                    },
                ),
                mass: life.mass.packed(b),
            },
        }
    }
}
