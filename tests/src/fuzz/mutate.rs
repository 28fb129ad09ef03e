//! Mutations of stored inputs by a seeded generator: the same ones on every run.

use fastrand::Rng;

/// Longest input that is made.
const LONGEST: usize = 1 << 14;

/// Numbers that stand at the edge of something.
const EDGES: [u64; 10] = [
    0,
    1,
    0x7f,
    0x80,
    0xff,
    0x7fff_ffff,
    0x8000_0000,
    0xffff_ffff,
    i64::MAX as u64,
    u64::MAX,
];

/// Returns a changed copy of one of the inputs: bits and bytes turned, numbers put at their edges, pieces dropped, doubled,
/// moved, or taken from another input.
pub fn mutated(inputs: &[Vec<u8>], rng: &mut Rng) -> Vec<u8> {
    let mut bytes = inputs[rng.usize(..inputs.len())].clone();
    for _ in 0..rng.usize(1..=6) {
        change(&mut bytes, inputs, rng);
    }
    bytes.truncate(LONGEST);
    bytes
}

fn change(bytes: &mut Vec<u8>, inputs: &[Vec<u8>], rng: &mut Rng) {
    let at = rng.usize(..=bytes.len());
    let length = rng.usize(..=(bytes.len() - at).min(64));
    match rng.u8(..8) {
        0 if at < bytes.len() => bytes[at] ^= 1 << rng.u8(..8),
        1 if at < bytes.len() => bytes[at] = rng.u8(..),
        2 => {
            let number = EDGES[rng.usize(..EDGES.len())].to_be_bytes();
            let width = [1, 2, 4, 8][rng.usize(..4)];
            bytes
                .iter_mut()
                .skip(at)
                .zip(&number[8 - width..])
                .for_each(|(byte, new)| *byte = *new);
        }
        3 => drop(bytes.drain(at..at + length)),
        4 => {
            let piece = bytes[at..at + length].to_vec();
            let to = rng.usize(..=bytes.len());
            bytes.splice(to..to, piece);
        }
        5 => bytes.truncate(at),
        6 => {
            let other = &inputs[rng.usize(..inputs.len())];
            let from = rng.usize(..=other.len());
            let to = (from + rng.usize(..=256)).min(other.len());
            bytes.splice(at..at + length, other[from..to].iter().copied());
        }
        _ => bytes.insert(at, rng.u8(..)),
    }
}
