//! Journals of several segments: flips, cuts, empty and missing segments, with the index and without.

use std::{fs, path::Path};

use coldbrake_server::store::{SledOptions, SledStore, Store as _};

use super::{check_start, copy, cut_checkpoint, expected, flip, make, open, segments, small_segments};
use crate::support::{dump, typical};

const COMMITS: u32 = 20;

/// What is left of the index.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum With {
    /// All of it: the store was closed.
    Index,
    /// All of it, but nobody noted that: the store was killed.
    Killed,
    /// Nothing.
    Nothing,
}

fn damage_all(with: With) {
    let expected = expected(COMMITS);
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), COMMITS, &small_segments());
    match with {
        With::Index => {}
        With::Killed => cut_checkpoint(whole.path()),
        With::Nothing => fs::remove_dir_all(whole.path().join("index")).unwrap(),
    }
    let number = segments(whole.path()).len();
    assert!(number > 3, "{number}");
    let last = COMMITS as usize;
    let (mut starts, mut refusals) = (0, 0);
    for n in [0, number / 2, number - 1] {
        let is_last = n + 1 == number;
        // Of the last segment nobody can say what it held when the index is gone too: what is told then is what was
        // once true.
        let true_then = if is_last && with == With::Nothing { 0 } else { last };
        let mut check = |dir: &Path, what: &str| {
            let what = format!("segment {n} of {number}, {with:?}: {what}");
            match check_start(dir, &expected, true_then..=last, &what) {
                Some(report) => {
                    starts += 1;
                    // Nothing of the journal goes away, whatever state it is in.
                    let is_known = !report.lost_records.is_empty()
                        || report.torn_bytes > 0
                        || report.rebuilt_because.is_some()
                        || what.ends_with("header")
                        || is_last;
                    assert!(is_known, "{what}: {report:?}");
                }
                None => refusals += 1,
            }
        };
        let length = fs::metadata(&segments(whole.path())[n]).unwrap().len();
        for at in [13, 40, length / 2, length - 3] {
            let dir = copy(whole.path());
            flip(&segments(dir.path())[n], at, (at % 8) as u8);
            check(dir.path(), if at < 24 { "flip in the header" } else { "flip" });
        }
        for kept in [0, 24, length / 2, length - 1] {
            let dir = copy(whole.path());
            let file = fs::OpenOptions::new().write(true).open(&segments(dir.path())[n]);
            file.unwrap().set_len(kept).unwrap();
            check(dir.path(), &format!("{kept} of {length} bytes"));
        }
        let dir = copy(whole.path());
        fs::remove_file(&segments(dir.path())[n]).unwrap();
        check(dir.path(), "missing");
        let dir = copy(whole.path());
        fs::write(&segments(dir.path())[n], vec![0; length as usize]).unwrap();
        check(dir.path(), "zeros");
    }
    assert!(starts > 0 && refusals > 0, "{starts} starts, {refusals} refusals");
}

#[test]
fn damaged_segments_beside_an_index_that_was_closed() {
    damage_all(With::Index);
}

#[test]
fn damaged_segments_after_a_kill() {
    damage_all(With::Killed);
}

#[test]
fn damaged_segments_without_an_index() {
    damage_all(With::Nothing);
}

/// Two damages at once: neither hides the other.
#[test]
fn a_damaged_index_beside_a_damaged_journal_asks_for_a_backup() {
    let expected = expected(COMMITS);
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), COMMITS, &small_segments());
    for n in [0, segments(whole.path()).len() / 2] {
        let dir = copy(whole.path());
        flip(&segments(dir.path())[n], 200, 3);
        fs::write(dir.path().join("index/db"), b"").unwrap();
        let last = COMMITS as usize;
        assert!(
            check_start(dir.path(), &expected, last..=last, &format!("segment {n}")).is_none(),
            "segment {n}: it starts without the records"
        );
        // What is damaged stays for whoever looks at it.
        assert!(dir.path().join("index/db").exists() && segments(dir.path())[n].exists());
    }
}

/// A segment that is put beside the others under another number is not taken for one.
#[test]
fn a_segment_under_another_name_is_not_taken_for_it() {
    let expected = expected(COMMITS);
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), COMMITS, &small_segments());
    let names = segments(whole.path());
    for (from, to) in [(0, 1), (names.len() - 1, 1), (1, names.len() - 1)] {
        let dir = copy(whole.path());
        let paths = segments(dir.path());
        fs::copy(&paths[from], &paths[to]).unwrap();
        let last = COMMITS as usize;
        check_start(dir.path(), &expected, last..=last, &format!("{from} as {to}"));
    }
}

/// The journal may be set right by hand from a copy: then everything is there again.
#[test]
fn a_segment_that_is_put_back_makes_the_store_whole() {
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), COMMITS, &small_segments());
    let dir = copy(whole.path());
    fs::remove_dir_all(dir.path().join("index")).unwrap();
    let path = segments(dir.path()).remove(2);
    let away = dir.path().join("away");
    fs::rename(&path, &away).unwrap();
    let error = open(dir.path()).unwrap_err().to_string();
    assert!(error.contains("restore a backup"), "{error}");
    fs::rename(away, path).unwrap();
    let store = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
    assert_eq!(dump(&store), *expected(COMMITS).last().unwrap());
    store.commit(&typical(COMMITS)).unwrap();
    assert!(store.verify().unwrap().is_sound());
}
