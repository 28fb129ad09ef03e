//! Messages of a stream: wire, codec, engine.

use coldbrake_engine::{
    Batch, BrakeKind, CurrentSign, FinishedDescent, Opening, Policy, Session, VehicleClass, VehicleState,
    sample::MAX_VIOLATIONS,
};
use coldbrake_proto::{codec, convert, v1};
use prost::Message as _;

use super::script::Script;
use crate::{
    case::{self, Case},
    log,
};

/// Most messages of one input.
const MOST_MESSAGES: usize = 12;
/// Largest state, bytes: the engine promises it.
const LARGEST_STATE: usize = 2048;
/// A number of a batch that no input reaches.
const FAR: i64 = 1_000_000;

const KINDS: [BrakeKind; 4] = [
    BrakeKind::Torque,
    BrakeKind::Pressure,
    BrakeKind::Pedal,
    BrakeKind::Applied,
];

/// What the first byte of an input says.
pub(super) fn declared(choice: u8) -> (Opening, VehicleClass) {
    let opening = Opening {
        session: Session([3; 16]),
        software_version: "4.2.0".to_owned(),
        brake_kind: KINDS[usize::from(choice & 3)],
        current_sign: if choice & 4 == 0 {
            CurrentSign::DischargePositive
        } else {
            CurrentSign::ChargePositive
        },
        declared_mass_kg: (choice & 16 != 0).then_some(3_000.0),
        declared_mass_uncertainty: (choice & 32 != 0).then_some(0.02),
    };
    let class = if choice & 8 == 0 {
        include_str!("../../reference/classes/van_2500kg.toml")
    } else {
        include_str!("../../reference/classes/truck_18t.toml")
    };
    (opening, toml::from_str(class).unwrap())
}

/// Input: what the vehicle declares, where batches are cut in two, then messages, each with its length before it.
///
/// The same messages go to two vehicles, to one whole, to the other in two halves with the state turned into bytes and
/// back between them. Both must record the same.
pub fn run(input: &[u8]) -> bool {
    let mut script = Script(input);
    let (opening, class) = declared(script.byte());
    let cut = usize::from(script.byte());
    let policy = Policy::default();
    let mut whole = VehicleState::new("fuzz-1", opening.clone());
    let mut halved = whole.clone();
    let mut wire = script.0;
    let mut taken = false;
    for _ in 0..MOST_MESSAGES {
        let Ok(message) = v1::SampleBatch::decode_length_delimited(&mut wire) else {
            break;
        };
        let batch = match codec::decode(&message, opening.brake_kind) {
            Ok(batch) => batch,
            Err(violations) => {
                assert!(!violations.is_empty() && violations.len() <= MAX_VIOLATIONS);
                whole.refuse();
                halved.refuse();
                continue;
            }
        };
        if batch.violations(opening.brake_kind).is_empty() {
            let again = codec::encode(&batch, opening.brake_kind, 1, &mut codec::Carry::default());
            assert_eq!(
                codec::decode(&again, opening.brake_kind),
                Ok(batch.clone()),
                "decode∘encode"
            );
            taken = true;
        } else {
            let effects = whole.apply(&batch, &class, &policy);
            assert!(!effects.violations.is_empty() && effects.finished.is_empty());
            halved.apply(&batch, &class, &policy);
            continue;
        }
        let one = whole.apply(&batch, &class, &policy);
        let middle = cut % batch.len();
        let mut two = Vec::new();
        for half in [
            log::select(&batch, 0..middle),
            log::select(&batch, middle..batch.len()),
        ] {
            if half.is_empty() {
                continue;
            }
            two.extend(halved.apply(&half, &class, &policy).finished);
            halved = through_bytes(&halved);
        }
        compare(&one.finished, &two);
        if !one.violations.is_empty() {
            // The sign was refused. From here on only the number of refused batches differs.
            return true;
        }
        assert_eq!(
            aligned(&whole, &class),
            aligned(&halved, &class),
            "the same state however cut"
        );
    }
    let one = whole.finish(&class, &policy);
    let two = halved.finish(&class, &policy);
    compare(&one.finished, &two.finished);
    taken
}

fn through_bytes(state: &VehicleState) -> VehicleState {
    let bytes = state.to_bytes();
    assert!(bytes.len() <= LARGEST_STATE, "a state of {} bytes", bytes.len());
    let back = VehicleState::from_bytes(&bytes).expect("a state that was written");
    assert_eq!(back.to_bytes(), bytes, "a state read back writes the same bytes");
    back
}

/// Two states that took different numbers of batches, made comparable.
fn aligned(state: &VehicleState, class: &VehicleClass) -> Vec<u8> {
    let mut state = state.clone();
    state.declare_gap(FAR, class, &Policy::default());
    state.to_bytes()
}

fn compare(one: &[FinishedDescent], two: &[FinishedDescent]) {
    assert_eq!(
        one, two,
        "the same descents however cut, and no number that is none"
    );
    for finished in one {
        let d = &finished.descent;
        assert_eq!(
            convert::descent_from_wire(&convert::descent_to_wire(d)).as_ref(),
            Ok(d),
            "over the wire and back"
        );
        let shown = format!("{d:?}");
        for none in ["NaN", ": inf", ": -inf", "(inf", "(-inf"] {
            assert!(!shown.contains(none), "a number that is none in {shown}");
        }
        assert!(d.end_time_ms >= d.start_time_ms && d.drop_m > 0.0, "{shown}");
    }
}

/// Parts of the reference cases as messages.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let parts: [(&'static str, u8, usize, usize, usize); 4] = [
        ("r01_alpine_29km", 1, 0, 420, 1),
        ("r03_stop_and_go", 1, 0, 600, 2),
        ("r05_power_limited", 9, 0, 600, 2),
        ("r06_rolling", 1, 300, 700, 2),
    ];
    let mut seeds = Vec::new();
    for (name, choice, from, to, step) in parts {
        let case = Case::load(name);
        let rows = (from..to.min(case.log.len())).step_by(step);
        let log = log::select(&case.log, rows);
        seeds.push((name.to_owned(), written(choice, 77, &log, 100)));
    }
    // Refused ones beside good ones: a hole in the columns, a speed that none has, a time beyond all time.
    let log = log::select(&Case::load("r01_alpine_29km").log, 0..40);
    let mut messages = messages(1, &log, 10);
    messages[1].brake.pop();
    messages[2].speed_cm_per_s[0] = 2_000_000;
    messages[3].start_time_ms = i64::MAX;
    let mut bytes = vec![1, 3];
    for message in &messages {
        bytes.extend(message.encode_length_delimited_to_vec());
    }
    seeds.push(("refused".to_owned(), bytes));
    // A current that contradicts the motion.
    let log = log::select(&Case::load("r01_alpine_29km").log, (0..600).step_by(3));
    seeds.push(("wrong_sign".to_owned(), written(5, 9, &log, 100)));
    seeds
}

fn messages(choice: u8, log: &Batch, length: usize) -> Vec<v1::SampleBatch> {
    let mut carry = codec::Carry::default();
    log::batches(log, length)
        .iter()
        .zip(1..)
        .map(|(batch, n)| codec::encode(batch, KINDS[usize::from(choice & 3)], n, &mut carry))
        .collect()
}

fn written(choice: u8, cut: u8, log: &Batch, length: usize) -> Vec<u8> {
    let mut bytes = vec![choice, cut];
    for message in messages(choice, log, length) {
        bytes.extend(message.encode_length_delimited_to_vec());
    }
    bytes
}

/// A short drive down a hill as the reference vehicle gives it, for targets that need something to apply.
pub(super) fn drive() -> Batch {
    let n = 120;
    let at = |f: fn(f64) -> f64| (0..n).map(|i| f(f64::from(i))).collect();
    Batch {
        time_ms: (0..n).map(|i| case::START_MS + 1000 * i64::from(i)).collect(),
        speed_mps: at(|_| 14.0),
        altitude_m: at(|i| 1500.0 - 0.9 * i),
        brake: at(|i| if i % 7.0 < 3.0 { 0.8 } else { 0.0 }),
        current_a: at(|i| -40.0 + i % 5.0),
        ..Batch::default()
    }
}
