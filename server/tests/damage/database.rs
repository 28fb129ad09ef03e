//! The files that the embedded database makes beside its log: `conf`, `snap.*`, `blobs`.

use std::{
    fs,
    path::{Path, PathBuf},
};

use coldbrake_server::store::{
    CommitBatch, MemoryStore, SledOptions, SledStore, Store as _,
    sled::{OpenReport, Tuning},
};

use super::{check_start, copy, expected, first_of, flip, make, meddle, open, small_segments};
use crate::support::{Dump, dump, typical};

const COMMITS: u32 = 20;

/// Where a file of `length` bytes is hit: begin, end and many places between.
fn places(length: u64, number: u64) -> Vec<u64> {
    let mut places: Vec<u64> = (0..number).map(|k| k * length / number).collect();
    places.extend([length - 1, length.saturating_sub(5), length.saturating_sub(9)]);
    places.sort_unstable();
    places.dedup();
    places
}

fn snapshots(dir: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(dir.join("index"))
        .unwrap()
        .map(|e| e.unwrap().path());
    entries
        .filter(|p| p.file_name().unwrap().to_str().unwrap().starts_with("snap."))
        .collect()
}

fn truncate(path: &Path, length: u64) {
    let file = fs::OpenOptions::new().write(true).open(path).unwrap();
    file.set_len(length).unwrap();
}

/// A store with a snapshot, once with its whole journal and once without the beginning.
fn stores() -> [(bool, tempfile::TempDir, Vec<Dump>); 2] {
    let expected = expected(COMMITS);
    [true, false].map(|whole_journal| {
        let dir = tempfile::tempdir().unwrap();
        let tuning = Tuning {
            keep_bytes: if whole_journal { 1 << 30 } else { 0 },
            ..small_segments()
        };
        make(dir.path(), COMMITS, &tuning);
        // The database takes a snapshot when it opens a log that has grown.
        let store = open(dir.path()).unwrap();
        assert_eq!(dump(&store), *expected.last().unwrap());
        store.close().unwrap();
        assert!(!snapshots(dir.path()).is_empty());
        (whole_journal, dir, expected.clone())
    })
}

/// Damages one file of the index in many ways. Whatever is hit: the store starts with what was committed.
fn try_file(file: impl Fn(&Path) -> PathBuf, number: u64) {
    for (whole_journal, whole, expected) in stores() {
        let length = fs::metadata(file(whole.path())).unwrap().len();
        let name = file(whole.path()).file_name().unwrap().to_owned();
        let last = COMMITS as usize;
        let check = |dir: &Path, what: String| {
            let what = format!("{}: {what}, whole journal: {whole_journal}", name.display());
            let report = check_start(dir, &expected, last..=last, &what);
            // Also where nothing can be built anew: the log says all that these files say.
            let report = report.unwrap_or_else(|| panic!("{what}: it does not start"));
            assert!(report.put_aside.iter().all(|p| p.exists()), "{what}: {report:?}");
            assert!(
                report.rebuilt_because.is_none() || !report.put_aside.is_empty(),
                "{what}: {report:?}"
            );
        };
        for at in places(length, number) {
            let dir = copy(whole.path());
            flip(&file(dir.path()), at, (at % 8) as u8);
            check(dir.path(), format!("byte {at} of {length}"));
            let dir = copy(whole.path());
            truncate(&file(dir.path()), at);
            check(dir.path(), format!("{at} bytes of {length}"));
        }
        let dir = copy(whole.path());
        let longer = fs::OpenOptions::new().append(true).open(file(dir.path()));
        std::io::Write::write_all(&mut longer.unwrap(), &[0x5a; 100]).unwrap();
        check(dir.path(), "100 bytes more".to_owned());
        let dir = copy(whole.path());
        fs::remove_file(file(dir.path())).unwrap();
        check(dir.path(), "gone".to_owned());
    }
}

#[test]
fn damage_in_the_settings_of_the_database_is_survived() {
    try_file(|dir| dir.join("index/conf"), 5);
}

#[test]
fn damage_in_a_snapshot_is_survived() {
    try_file(|dir| snapshots(dir).pop().unwrap(), 5);
}

#[test]
fn files_that_do_not_belong_there_do_no_harm() {
    for (whole_journal, whole, expected) in stores() {
        let last = COMMITS as usize;
        for (name, content) in [
            ("snap.0000000000000001", &b"an old one"[..]),
            ("snap.00000000FFFFFFFF", b""),
            ("snap.00000000FFFFFFFF", b"one of the future"),
            ("snap.00000000FFFFFFFF.generating", b"half of one"),
            ("snap.0000000000000001.generating", b""),
            ("blobs/1", b"a blob of no record"),
            ("blobs/99999999", b"a blob of the future"),
            ("blobs/what", b""),
            ("notes.txt", b"left by somebody"),
        ] {
            let dir = copy(whole.path());
            fs::write(dir.path().join("index").join(name), content).unwrap();
            let what = format!("{name}, whole journal: {whole_journal}");
            let report = check_start(dir.path(), &expected, last..=last, &what);
            assert!(report.is_some(), "{what}: it does not start");
        }
        let dir = copy(whole.path());
        fs::remove_dir_all(dir.path().join("index/blobs")).unwrap();
        assert!(check_start(dir.path(), &expected, last..=last, "no blobs").is_some());
    }
}

/// The database puts records above 128 KiB into files of their own. The store cuts its records into pieces that stay far
/// below: there is no such file to be damaged.
#[test]
fn the_largest_records_make_no_blobs() {
    let dir = tempfile::tempdir().unwrap();
    let memory = MemoryStore::new();
    let store = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
    for k in 0..4_u32 {
        let states = (0..30).map(|v| (format!("van-{v}"), vec![k as u8 ^ v; 100_000]));
        let batch = CommitBatch {
            states: states.collect(),
            ..typical(k)
        };
        store.commit(&batch).unwrap();
        memory.commit(&batch).unwrap();
    }
    store.close().unwrap();
    assert_eq!(fs::read_dir(dir.path().join("index/blobs")).unwrap().count(), 0);
    assert_eq!(dump(&open(dir.path()).unwrap()), dump(&memory));
}

/// After a proper end nothing is read through. Whatever comes upon the damage, the next start mends it.
#[test]
fn damage_found_while_it_is_open_is_mended_at_the_next_start() {
    let expected = expected(8);
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), 8, &Tuning::default());
    meddle(whole.path(), |db| {
        let (key, mut value) = first_of(db, 0x10);
        value[12] ^= 1;
        db.insert(key, value).unwrap();
    });
    let find: [fn(&SledStore) -> bool; 3] = [
        |store| !store.verify().unwrap().is_sound(),
        |store| {
            super::support::NAMES
                .iter()
                .any(|name| store.vehicle_state(name).is_err())
        },
        |store| (8..13).any(|k| store.commit(&typical(k)).is_err()),
    ];
    for (way, find) in find.into_iter().enumerate() {
        let dir = copy(whole.path());
        let store = open(dir.path()).unwrap();
        assert_eq!(store.open_report(), &OpenReport::default());
        assert!(find(&store), "way {way}: not found");
        store.close().unwrap();
        let store = open(dir.path()).unwrap();
        assert!(store.open_report().rebuilt_because.is_some(), "way {way}");
        assert!(store.open_report().put_aside[0].exists(), "way {way}");
        if way < 2 {
            assert_eq!(dump(&store), expected[8], "way {way}");
        }
        assert!(store.verify().unwrap().is_sound(), "way {way}");
        store.close().unwrap();
        assert_eq!(open(dir.path()).unwrap().open_report(), &OpenReport::default());
    }
}
