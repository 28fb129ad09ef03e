use coldbrake_engine::{Batch, BrakeKind, sample::MAX_BATCH_SAMPLES};
use proptest::prelude::*;
use prost::Message as _;

use super::{Carry, Scale, decode, encode, scale, wire_violation};
use crate::v1;

const START: i64 = 1_767_225_600_000;

fn step(column: usize, kind: BrakeKind) -> f64 {
    let Scale { times, over } = scale(column, kind);
    times / over
}

/// Ten hertz on a winding 6 % descent: speed, altitude and voltage wander slowly with sensor noise, the brake is used
/// in stretches, the current follows the power.
fn ten_hertz(samples: usize) -> Batch {
    let mut b = Batch::default();
    // A linear congruential generator with the constants of Knuth's MMIX: noise that is the same everywhere.
    let mut state = 7_u64;
    let mut noise = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64 * 2.0 - 1.0
    };
    for i in 0..samples {
        let t = i as f64 * 0.1;
        let speed = 15.0 + 4.0 * (t / 11.0).sin();
        let braking = (t / 17.0).sin() > 0.6;
        b.time_ms.push(START + i as i64 * 100);
        b.speed_mps.push(speed + 0.03 * noise());
        b.altitude_m.push(1_800.0 - 0.06 * 15.0 * t + 0.5 * noise());
        b.brake.push(if braking {
            12.0 + 2.0 * (t / 3.0).sin() + 0.1 * noise()
        } else {
            0.0
        });
        b.current_a.push(60.0 + 25.0 * (t / 11.0).cos() + 1.0 * noise());
    }
    b
}

#[test]
fn five_channels_at_ten_hertz_and_their_times_take_little_more_than_a_byte_each() {
    for (samples, most) in [(50, 7.0), (300, 6.5)] {
        let message = encode(&ten_hertz(samples), BrakeKind::Pressure, 1, &mut Carry::default());
        let per_sample = message.encoded_len() as f64 / samples as f64;
        println!(
            "{samples} samples: {} bytes, {per_sample:.2} a sample",
            message.encoded_len()
        );
        assert!(per_sample < most, "{per_sample} bytes a sample");
    }
}

#[test]
fn rounding_keeps_the_charge() {
    let mut carry = Carry::default();
    let mut sum = 0.0;
    for sequence in 1..=100 {
        let batch = Batch {
            time_ms: (0..50).map(|i| START + i * 100).collect(),
            current_a: vec![0.033; 50],
            speed_mps: vec![1.0; 50],
            altitude_m: vec![1.0; 50],
            brake: vec![0.0; 50],
            ..Batch::default()
        };
        let message = encode(&batch, BrakeKind::Pedal, sequence, &mut carry);
        sum += decode(&message, BrakeKind::Pedal)
            .unwrap()
            .current_a
            .iter()
            .sum::<f64>();
    }
    // Without carrying, every sample would round to 0.
    assert!((sum - 5_000.0 * 0.033).abs() < 0.06, "{sum}");
}

#[test]
fn what_cannot_be_encoded_is_refused_by_the_engine() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e300] {
        let mut batch = ten_hertz(3);
        batch.speed_mps[1] = bad;
        batch.current_a[2] = bad;
        let message = encode(&batch, BrakeKind::Pressure, 1, &mut Carry::default());
        let back = decode(&message, BrakeKind::Pressure).unwrap();
        let found: Vec<_> = back
            .violations(BrakeKind::Pressure)
            .into_iter()
            .map(|v| wire_violation(v).field)
            .collect();
        assert_eq!(found, ["speed_cm_per_s[1]", "current_da[2]"], "{bad}");
        assert!(
            (back.altitude_m[2] - batch.altitude_m[2]).abs() < 0.051,
            "other values are untouched"
        );
    }
}

#[test]
fn the_shape_is_checked_with_the_names_of_the_wire() {
    let fields = |m: &v1::SampleBatch| {
        decode(m, BrakeKind::Pressure)
            .unwrap_err()
            .into_iter()
            .map(|v| v.field)
            .collect::<Vec<_>>()
    };
    assert_eq!(fields(&v1::SampleBatch::default()), ["time_ms"]);

    let mut good = encode(&ten_hertz(4), BrakeKind::Pressure, 1, &mut Carry::default());
    assert_eq!((good.period_ms, good.time_ms.len()), (100, 0));
    let mut m = good.clone();
    m.time_ms = vec![0; 4];
    assert_eq!(fields(&m), ["period_ms"]);
    m.time_ms.clear();
    m.period_ms = -1;
    assert_eq!(fields(&m), ["period_ms"]);
    let mut m = good.clone();
    m.start_time_ms = i64::MAX - 150;
    assert_eq!(fields(&m), ["start_time_ms"]);
    let mut m = good.clone();
    m.brake.clear();
    assert_eq!(fields(&m), ["brake"]);

    // The same with the times one by one.
    let regular = decode(&good, BrakeKind::Pressure).unwrap();
    super::spell_out_times(&mut good);
    assert_eq!(decode(&good, BrakeKind::Pressure).unwrap(), regular);
    let mut m = good.clone();
    m.speed_cm_per_s.pop();
    m.current_da.clear();
    m.voltage_dv = vec![1];
    assert_eq!(fields(&m), ["speed_cm_per_s", "current_da", "voltage_dv"]);

    let mut m = good.clone();
    m.time_ms = vec![0; MAX_BATCH_SAMPLES + 1];
    assert_eq!(fields(&m), ["time_ms"]);

    let mut m = good.clone();
    m.time_ms[0] = 5;
    assert_eq!(fields(&m), ["time_ms[0]"]);

    let mut m = good;
    m.start_time_ms = i64::MAX - 150;
    assert_eq!(fields(&m), ["time_ms[2]"]);
}

#[test]
fn the_largest_differences_do_not_overflow() {
    let n = MAX_BATCH_SAMPLES;
    let column = vec![i32::MAX; n];
    let m = v1::SampleBatch {
        time_ms: vec![0; n],
        speed_cm_per_s: column.clone(),
        altitude_dm: vec![i32::MIN; n],
        brake: column.clone(),
        current_da: column,
        ..v1::SampleBatch::default()
    };
    let b = decode(&m, BrakeKind::Torque).unwrap();
    assert!(!b.violations(BrakeKind::Torque).is_empty());
}

#[test]
fn a_jump_of_the_clock_beyond_the_wire_stays_a_jump() {
    let mut b = ten_hertz(3);
    b.time_ms[1] = START + 40 * 365 * 86_400_000;
    b.time_ms[2] = START - 40 * 365 * 86_400_000;
    let back = decode(
        &encode(&b, BrakeKind::Pressure, 1, &mut Carry::default()),
        BrakeKind::Pressure,
    )
    .unwrap();
    assert_eq!(back.time_ms[1], START + i64::from(i32::MAX));
    assert!(back.time_ms[2] < START);
}

fn kinds() -> impl Strategy<Value = BrakeKind> {
    prop_oneof![
        Just(BrakeKind::Torque),
        Just(BrakeKind::Pressure),
        Just(BrakeKind::Pedal),
        Just(BrakeKind::Applied),
    ]
}

/// Any batch that the engine accepts, optional columns present or absent as a whole.
fn batches(kind: BrakeKind) -> impl Strategy<Value = Batch> {
    (1_usize..60, any::<[bool; 11]>()).prop_flat_map(move |(n, present)| {
        let unit = || prop::collection::vec(0.0..=1.0_f64, n);
        (
            prop::collection::vec(-20_000..400_000_i64, n),
            prop::collection::vec(unit(), 15),
        )
            .prop_map(move |(steps, units)| {
                let mut now = START;
                let time_ms = steps
                    .into_iter()
                    .enumerate()
                    .map(|(i, s)| {
                        now += if i == 0 { 0 } else { s };
                        now
                    })
                    .collect();
                let column = |i: usize| -> Vec<f64> {
                    let rule = coldbrake_engine::sample::COLUMN_RULES[i];
                    if rule.optional && !present[i - 4] {
                        return Vec::new();
                    }
                    let high = if i == super::BRAKE {
                        kind.largest()
                    } else {
                        rule.high
                    };
                    units[i]
                        .iter()
                        .map(|u| rule.low + u * (high - rule.low))
                        .collect()
                };
                Batch {
                    time_ms,
                    speed_mps: column(0),
                    altitude_m: column(1),
                    brake: column(2),
                    current_a: column(3),
                    voltage_v: column(4),
                    state_of_charge: column(5),
                    ambient_c: column(6),
                    brake_temperature_c: column(7),
                    auxiliary_w: column(8),
                    gross_mass_kg: column(9),
                    latitude_deg: column(10),
                    longitude_deg: column(11),
                    slip_control: column(12),
                    battery_temperature_c: column(13),
                    charge_limit_w: column(14),
                }
            })
    })
}

proptest! {
    #[test]
    fn a_batch_comes_back_within_half_a_step((kind, batch) in kinds().prop_flat_map(|k| (Just(k), batches(k)))) {
        let message = encode(&batch, kind, 3, &mut Carry::default());
        // Over the bytes, as it travels.
        let message = v1::SampleBatch::decode(message.encode_to_vec().as_slice()).unwrap();
        let back = decode(&message, kind).unwrap();
        prop_assert_eq!(message.sequence, 3);
        prop_assert_eq!(&back.time_ms, &batch.time_ms);
        for (i, ((rule, was), (_, is))) in batch.columns().into_iter().zip(back.columns()).enumerate() {
            prop_assert_eq!(was.len(), is.len(), "{}", rule.name);
            // The carried error makes a current one step off at most.
            let most = step(i, kind) * if i == super::CURRENT { 1.0 } else { 0.5 } * (1.0 + 1e-9) + 1e-9;
            for (a, b) in was.iter().zip(is) {
                prop_assert!((a - b).abs() <= most, "{} {a} {b}", rule.name);
            }
        }
    }

    #[test]
    fn what_was_on_the_wire_comes_out_the_same_again((kind, batch) in kinds().prop_flat_map(|k| (Just(k), batches(k)))) {
        let first = encode(&batch, kind, 1, &mut Carry::default());
        let again = encode(&decode(&first, kind).unwrap(), kind, 1, &mut Carry::default());
        prop_assert_eq!(first, again);
    }

    #[test]
    fn any_message_is_decoded_or_refused(
        start in any::<i64>(),
        time in prop::collection::vec(any::<i32>(), 0..20),
        speed in prop::collection::vec(any::<i32>(), 0..20),
        kind in kinds(),
    ) {
        let m = v1::SampleBatch {
            start_time_ms: start,
            altitude_dm: speed.clone(),
            brake: speed.clone(),
            current_da: speed.clone(),
            speed_cm_per_s: speed,
            time_ms: time,
            ..v1::SampleBatch::default()
        };
        match decode(&m, kind) {
            Ok(batch) => prop_assert_eq!(batch.len(), m.time_ms.len()),
            Err(found) => prop_assert!(!found.is_empty()),
        }
    }
}
