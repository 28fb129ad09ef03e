//! Group commit, beside the disk's own append and sync of as many bytes.

use std::{fs::OpenOptions, io::Write};

use coldbrake_server::store::{CommitBatch, SledOptions, SledStore, Store};

use super::row::{Aim, Row, in_turn};

/// Vehicles of a commit: what fits one at the default of 480 keys.
const VEHICLES: u32 = 240;
/// Bytes of a state: that of a vehicle on a descent.
const STATE: usize = 1_500;
/// Commits of a round.
const COMMITS: u32 = 20;

pub(crate) fn rows() -> Vec<Row> {
    let directory = tempfile::tempdir().unwrap();
    let store = SledStore::open(&directory.path().join("store"), &SledOptions::default()).unwrap();
    let mut file = OpenOptions::new()
        .append(true)
        .create(true)
        .open(directory.path().join("bare"))
        .unwrap();
    let mut round = 0_u32;
    let batches: Vec<CommitBatch> = (0..8).map(batch).collect();
    let bytes: usize = batches[0]
        .states
        .iter()
        .map(|(name, state)| name.len() + state.len())
        .sum();
    let block = vec![0x5a_u8; bytes];
    let (ours, bare) = in_turn(
        9,
        || {
            for _ in 0..COMMITS {
                round += 1;
                store.commit(&batches[round as usize % batches.len()]).unwrap();
            }
        },
        || {
            for _ in 0..COMMITS {
                file.write_all(&block).unwrap();
                file.sync_data().unwrap();
            }
        },
    );
    let rate = |seconds: f64| f64::from(COMMITS * VEHICLES) / seconds;
    vec![Row {
        what: format!("group commit of {VEHICLES} vehicles"),
        unit: "states/s",
        ours: rate(ours),
        beside: Some(("append and fdatasync of the same bytes", rate(bare))),
        aim: Aim::RatioAtLeast(0.5),
    }]
}

fn batch(round: u32) -> CommitBatch {
    let states = (0..VEHICLES)
        .map(|k| {
            let state = (0..STATE as u32)
                .map(|i| (i.wrapping_mul(round + k + 7) >> 3) as u8)
                .collect();
            (format!("bench-{k}"), state)
        })
        .collect();
    CommitBatch {
        states,
        ..CommitBatch::default()
    }
}
