//! Bytes of a sample on the wire: five channels at 10 Hz with the noise of real sensors.

use coldbrake_tests::{
    case::Case,
    disturb::{Disturbance, disturb},
    log,
    wire::encoded,
};
use prost::Message;

use super::row::{Aim, Row};

/// Five seconds at 10 Hz, as a vehicle sends them.
const LENGTH: usize = 50;
/// Bytes of a value in the compressed form that in-memory time series stores use, published for their own data:
/// Pelkonen et al., Proc. VLDB Endow. 8(12), 2015: 1.37 bytes for a time with its value.
const PUBLISHED: f64 = 1.37;

/// A message with a sample in each row, as one would write it first.
#[derive(Clone, PartialEq, Message)]
struct Rows {
    #[prost(message, repeated, tag = "1")]
    rows: Vec<Sample>,
}

#[derive(Clone, PartialEq, Message)]
struct Sample {
    #[prost(int64, tag = "1")]
    time_ms: i64,
    #[prost(float, tag = "2")]
    speed: f32,
    #[prost(float, tag = "3")]
    altitude: f32,
    #[prost(float, tag = "4")]
    brake: f32,
    #[prost(float, tag = "5")]
    current: f32,
    #[prost(float, tag = "6")]
    voltage: f32,
}

pub(crate) fn rows() -> Vec<Row> {
    let case = Case::load("r02_6km_6pct_30kmh");
    let mut drive = disturb(
        &case.log,
        &Disturbance {
            lost: 0.0,
            gap_s: 0.0,
            ..Disturbance::default()
        },
        3,
    );
    drive.state_of_charge.clear();
    drive.auxiliary_w.clear();
    // The case has a row each 0.1 s.
    let opening = log::opening();
    let messages = encoded(&drive, &opening, LENGTH);
    let n = drive.len() as f64;
    let bytes = |message: &[u8]| message.len() as f64;
    let plain: f64 = messages.iter().map(|m| m.encoded_len() as f64).sum();
    let compressed: f64 = messages
        .iter()
        .map(|m| bytes(&zstd::bulk::compress(&m.encode_to_vec(), 1).unwrap()))
        .sum();
    let by_rows: f64 = (0..drive.len())
        .step_by(LENGTH)
        .map(|from| {
            let to = (from + LENGTH).min(drive.len());
            let rows = (from..to)
                .map(|i| Sample {
                    time_ms: drive.time_ms[i],
                    speed: drive.speed_mps[i] as f32,
                    altitude: drive.altitude_m[i] as f32,
                    brake: drive.brake[i] as f32,
                    current: drive.current_a[i] as f32,
                    voltage: drive.voltage_v[i] as f32,
                })
                .collect();
            Rows { rows }.encoded_len() as f64
        })
        .sum();
    // The floor: a codec made for columns of numbers, on whole columns, at the same scales.
    let steps = |column: &[f64], per_unit: f64| -> Vec<i64> {
        column.iter().map(|v| (v * per_unit).round() as i64).collect()
    };
    let floor: f64 = [
        drive.time_ms.clone(),
        steps(&drive.speed_mps, 100.0),
        steps(&drive.altitude_m, 10.0),
        steps(&drive.brake, 100.0),
        steps(&drive.current_a, 10.0),
        steps(&drive.voltage_v, 10.0),
    ]
    .iter()
    .map(|column| bytes(&pco::standalone::simple_compress(column, &pco::ChunkConfig::default()).unwrap()))
    .sum();
    let row = |what: &str, ours: f64, beside, aim| Row {
        what: what.to_owned(),
        unit: "bytes/sample",
        ours: ours / n,
        beside,
        aim,
    };
    vec![
        row(
            "a sample on the wire, 5 channels",
            plain,
            Some(("a message with rows", by_rows / n)),
            Aim::AtMost(5.0),
        ),
        row(
            "the same, compressed by zstd, message by message",
            compressed,
            Some(("numeric codec on whole columns (pco)", floor / n)),
            Aim::RatioAtMost(1.3),
        ),
        row(
            "the same, plain",
            plain,
            Some((
                "five values of 1.37 bytes, published for others' data",
                5.0 * PUBLISHED,
            )),
            Aim::None,
        ),
    ]
}
