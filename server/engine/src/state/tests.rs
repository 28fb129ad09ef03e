use proptest::prelude::*;

use super::*;

/// A state in the middle of a stop-and-go drive, as the version before wrote it.
const OLD: &[u8] = include_bytes!("../../tests/data/state_version_1");

fn fields(state: &VehicleState) -> Vec<u8> {
    postcard::to_stdvec(state).unwrap()
}

#[test]
fn a_state_of_the_version_before_is_read_and_comes_back_to_the_bit() {
    let state = VehicleState::from_bytes(OLD).unwrap();
    assert_eq!(fields(&state), OLD[1..]);
    let bytes = state.to_bytes();
    assert_eq!(bytes[0], VERSION);
    assert!(bytes.len() < OLD.len() * 6 / 10, "{} bytes", bytes.len());
    let back = VehicleState::from_bytes(&bytes).unwrap();
    assert_eq!(fields(&back), OLD[1..]);
}

#[test]
fn a_newer_state_is_told_from_a_damaged_one() {
    let mut bytes = VehicleState::from_bytes(OLD).unwrap().to_bytes();
    bytes[0] = VERSION + 1;
    let (found, known) = (VERSION + 1, VERSION);
    assert_eq!(
        VehicleState::from_bytes(&bytes),
        Err(StateError::Newer { found, known })
    );
    bytes[0] = VERSION;
    let shorter = &bytes[..bytes.len() - 1];
    assert!(matches!(
        VehicleState::from_bytes(shorter),
        Err(StateError::Damaged(_))
    ));
    bytes.push(0);
    assert!(matches!(
        VehicleState::from_bytes(&bytes),
        Err(StateError::Damaged(_))
    ));
}

proptest! {
    /// Whatever the version before would have taken comes through the bytes of this one: plausible or not.
    #[test]
    fn damaged_states_come_back_to_the_bit(at in 0..OLD.len() - 1, by in any::<u8>(), more in any::<u8>()) {
        let mut bytes = OLD[1..].to_vec();
        let length = bytes.len();
        bytes[at] ^= by;
        bytes[(at * 7 + 13) % length] ^= more;
        if let Ok(state) = postcard::from_bytes::<VehicleState>(&bytes) {
            let written = packed::write(&state, VERSION);
            let back = packed::read(&written[1..]).unwrap();
            prop_assert_eq!(fields(&back), fields(&state));
        }
    }

    #[test]
    fn foreign_bits_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..1_500), kept in 0..900_usize) {
        let good = VehicleState::from_bytes(OLD).unwrap().to_bytes();
        let kept = kept.min(good.len());
        let mut mixed = good[..kept].to_vec();
        mixed.extend(bytes);
        if let Ok(state) = VehicleState::from_bytes(&mixed) {
            let again = state.to_bytes();
            prop_assert_eq!(VehicleState::from_bytes(&again).unwrap().to_bytes(), again);
        }
    }
}
