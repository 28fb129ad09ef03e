//! What the vehicles of the load send: an invented hill road driven round and round, encoded beforehand.

use coldbrake_engine::{Batch, BrakeKind, CurrentSign, Opening, Session};
use coldbrake_proto::{
    codec::{Carry, encode},
    convert,
    v1::{OpenStream, SampleBatch, StreamSamplesRequest, stream_samples_request::Message as Up},
};
use prost::{
    Message as _,
    bytes::{Bytes, BytesMut},
    encoding::{WireType, encode_key, encode_varint, encoded_len_varint},
};

/// Time for one round, s.
const ROUND_S: f64 = 1_440.0;
/// Time of the first sample of every vehicle, ms since 1970.
const START_MS: i64 = 1_760_000_000_000;
/// Field numbers of the schema: `batch` in the request, `sequence` and `start_time_ms` in the batch.
const BATCH: u32 = 2;
const SEQUENCE: u32 = 1;
const START_TIME: u32 = 2;

/// Vehicle class of the load: a van.
pub const CLASS: &str = include_str!("../../reference/classes/van_2500kg.toml");
const CLASS_NAME: &str = "van_2500kg";

/// One round of the road in messages that lack only number and time.
#[derive(Debug)]
pub struct Road {
    templates: Vec<Bytes>,
    samples: usize,
    message_ms: i64,
}

impl Road {
    /// Returns the road as messages of `seconds`, sampled with `rate_hz`. Five columns: speed, altitude, brake pressure,
    /// battery current, voltage, with noise as sensors have it.
    pub fn new(rate_hz: f64, seconds: f64) -> Self {
        let samples = (rate_hz * seconds).round().max(1.0) as usize;
        let messages = (ROUND_S / seconds).ceil().max(1.0) as usize;
        let step = ROUND_S / (messages * samples) as f64;
        let mut noise = fastrand::Rng::with_seed(31);
        let mut carry = Carry::default();
        let period_ms = 1e3 / rate_hz;
        let templates = (0..messages)
            .map(|k| {
                let rows: Vec<[f64; 5]> = (0..samples)
                    .map(|i| row((k * samples + i) as f64 * step, &mut noise))
                    .collect();
                let column = |c: usize| rows.iter().map(|r| r[c]).collect::<Vec<_>>();
                let batch = Batch {
                    time_ms: (0..samples)
                        .map(|i| (i as f64 * period_ms).round() as i64)
                        .collect(),
                    speed_mps: column(0),
                    altitude_m: column(1),
                    brake: column(2),
                    current_a: column(3),
                    voltage_v: column(4),
                    ..Batch::default()
                };
                let message = SampleBatch {
                    // Left out of the bytes when zero.
                    sequence: 0,
                    start_time_ms: 0,
                    ..encode(&batch, BrakeKind::Pressure, 1, &mut carry)
                };
                Bytes::from(message.encode_to_vec())
            })
            .collect();
        Self {
            templates,
            samples,
            message_ms: (seconds * 1e3).round() as i64,
        }
    }

    /// Returns the samples of a message.
    pub fn samples(&self) -> usize {
        self.samples
    }

    /// Returns the mean size of a message, bytes.
    pub fn message_bytes(&self) -> usize {
        self.templates.iter().map(Bytes::len).sum::<usize>() / self.templates.len()
    }

    /// Returns the message with a number; vehicles begin at different places of the road.
    pub fn message(&self, vehicle: usize, sequence: i64) -> Bytes {
        let place = (sequence - 1) as usize + vehicle * 7;
        let template = &self.templates[place % self.templates.len()];
        let (number, time) = (
            sequence as u64,
            (START_MS + (sequence - 1) * self.message_ms) as u64,
        );
        let inside = 2 + encoded_len_varint(number) + encoded_len_varint(time) + template.len();
        let mut message = BytesMut::with_capacity(inside + 8);
        encode_key(BATCH, WireType::LengthDelimited, &mut message);
        encode_varint(inside as u64, &mut message);
        encode_key(SEQUENCE, WireType::Varint, &mut message);
        encode_varint(number, &mut message);
        encode_key(START_TIME, WireType::Varint, &mut message);
        encode_varint(time, &mut message);
        message.extend_from_slice(template);
        message.freeze()
    }
}

/// Speed, altitude, pressure, current and voltage at a place of the round: eight minutes up, two level, seven down, seven
/// level. Brakes hold the van at its speed: recovery up to what the battery takes, the rest by friction.
fn row(t: f64, noise: &mut fastrand::Rng) -> [f64; 5] {
    let mut off = |scale: f64| scale * (noise.f64() + noise.f64() + noise.f64() - 1.5) * 2.0;
    let (speed, altitude, brake, current) = match t {
        t if t < 480.0 => (14.0, 900.0 + 0.70 * t, 0.0, 72.0),
        t if t < 600.0 => (14.0, 1_236.0, 0.0, 14.0),
        t if t < 1_020.0 => (16.0, 1_236.0 - 0.80 * (t - 600.0), 1.6, -34.0),
        _ => (14.0, 900.0, 0.0, 14.0),
    };
    let brake = if brake > 0.0 {
        (brake + off(0.2)).max(0.0)
    } else {
        0.0
    };
    [
        speed + off(0.05),
        altitude + off(0.2),
        brake,
        current + off(0.6),
        360.0 - 0.05 * current + off(0.1),
    ]
}

/// Returns the name of a vehicle of the load.
pub fn name(vehicle: usize) -> String {
    format!("load-{vehicle:06}")
}

/// Returns the first message of a vehicle's stream.
pub fn open(vehicle: usize) -> OpenStream {
    let mut session = [0; 16];
    session[..8].copy_from_slice(&(vehicle as u64 + 1).to_be_bytes());
    let opening = Opening {
        session: Session(session),
        software_version: "3.1.0".to_owned(),
        brake_kind: BrakeKind::Pressure,
        current_sign: CurrentSign::DischargePositive,
        declared_mass_kg: None,
        declared_mass_uncertainty: None,
    };
    convert::opening_to_wire(&name(vehicle), CLASS_NAME, &opening)
}

/// Returns the same as bytes.
pub(super) fn open_message(vehicle: usize) -> Bytes {
    let message = StreamSamplesRequest {
        message: Some(Up::Open(open(vehicle))),
    };
    Bytes::from(message.encode_to_vec())
}

#[cfg(test)]
mod tests {
    use coldbrake_engine::{Policy, VehicleClass, VehicleState};
    use coldbrake_proto::codec::decode;

    use super::*;

    #[test]
    fn messages_put_together_are_those_of_the_schema() {
        let road = Road::new(10.0, 5.0);
        assert_eq!(road.samples(), 50);
        let class: VehicleClass = toml::from_str(CLASS).unwrap();
        let opening = convert::opening_from_wire(&open(3)).unwrap();
        let mut state = VehicleState::new(&name(3), opening);
        let mut descents = Vec::new();
        for sequence in 1..=600 {
            let request = StreamSamplesRequest::decode(road.message(3, sequence)).unwrap();
            let Some(Up::Batch(batch)) = request.message else {
                panic!("no batch")
            };
            assert_eq!(batch.sequence, sequence);
            assert_eq!(batch.start_time_ms, START_MS + (sequence - 1) * 5_000);
            let batch = decode(&batch, BrakeKind::Pressure).unwrap();
            let effects = state.apply(&batch, &class, &Policy::default());
            assert!(effects.violations.is_empty(), "{:?}", effects.violations);
            descents.extend(effects.finished);
        }
        // 50 minutes of the road: two descents, each of 336 m.
        assert_eq!(descents.len(), 2);
        for found in descents {
            let drop = found.descent.drop_m;
            assert!((drop - 336.0).abs() < 5.0, "{drop}");
        }
    }
}
