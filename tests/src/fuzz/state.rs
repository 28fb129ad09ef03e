//! Vehicle states from bytes.

use coldbrake_engine::{Policy, VehicleState};

use super::batches::{declared, drive};
use crate::{case::Case, log};

/// Whether a made-up state is driven on. Its sums may run over then: builds that look for that stop there, and builds that
/// are shipped go on, which is what is tried.
const DRIVES: bool = !cfg!(debug_assertions);

/// Input: bytes of a state. What is taken for one must come through its own bytes unchanged, and bear a drive.
pub fn run(input: &[u8]) -> bool {
    let Ok(mut state) = VehicleState::from_bytes(input) else {
        return false;
    };
    let bytes = state.to_bytes();
    let back = VehicleState::from_bytes(&bytes).expect("a state that was written");
    assert_eq!(back.to_bytes(), bytes, "a state read back writes the same bytes");
    let (opening, class) = declared(1);
    let policy = Policy::default();
    let _ = (
        state.is_descending(&policy),
        state.brake_temperature_c(),
        state.distance_total_m(),
    );
    if !DRIVES {
        return true;
    }
    // As a stream that goes on, and as one that begins anew.
    let mut renewed = back;
    renewed.open(opening, &class, &policy);
    for state in [&mut state, &mut renewed] {
        let batch = drive();
        let effects = state.apply(&batch, &class, &policy);
        let mut finished = effects.finished;
        finished.extend(state.finish(&class, &policy).finished);
        // Sums of a made-up state may leave the range of what can be: then it is refused, and nothing worse.
        let _ = VehicleState::from_bytes(&state.to_bytes());
        for f in finished {
            let _ = coldbrake_proto::convert::descent_to_wire(&f.descent);
        }
    }
    true
}

/// States in the middle of reference cases.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let mut seeds = Vec::new();
    for (name, choice) in [
        ("r01_alpine_29km", 1),
        ("r03_stop_and_go", 1),
        ("r05_power_limited", 9),
    ] {
        let (opening, class) = declared(choice);
        let case = Case::load(name);
        let mut state = VehicleState::new("fuzz-1", opening);
        for (i, batch) in log::batches(&case.log, 250).iter().enumerate() {
            state.apply(batch, &class, &Policy::default());
            if i < 4 && i % 2 == 1 {
                seeds.push((format!("{name}_{i}"), state.to_bytes()));
            }
        }
        seeds.push((format!("{name}_end"), state.to_bytes()));
    }
    let (opening, _) = declared(1);
    seeds.push(("new".to_owned(), VehicleState::new("v", opening).to_bytes()));
    seeds
}
