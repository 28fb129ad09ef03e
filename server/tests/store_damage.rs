//! What a store makes of lost power, full disks and damaged files: it starts with exactly what was committed, or says
//! what to do. Never a panic, never a wrong number.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

#[path = "damage/database.rs"]
mod database;
#[path = "damage/journal_segments.rs"]
mod journal_segments;
#[path = "support/sim_disk.rs"]
mod sim_disk;
#[path = "support/store.rs"]
mod support;

use std::{
    fs,
    io::{Read, Seek, SeekFrom, Write},
    path::{Path, PathBuf},
    sync::Arc,
};

use coldbrake_server::store::{
    CommitBatch, MemoryStore, SledOptions, SledStore, Store, StoreError,
    sled::{OpenReport, Tuning},
};
use sim_disk::{Fault, SimDisk, copy_dir};
use support::{Dump, dump, typical};

/// What a store tells after each number of commits of [`typical`].
fn expected(commits: u32) -> Vec<Dump> {
    let memory = MemoryStore::new();
    let mut dumps = vec![dump(&memory)];
    for k in 0..commits {
        memory.commit(&typical(k)).unwrap();
        dumps.push(dump(&memory));
    }
    dumps
}

/// What is done to an index, with its name.
type Damage = (String, Box<dyn Fn(&Path)>);

/// What is done to the records of an index, with what a check must say about it.
type Meddling = (&'static str, Box<dyn FnOnce(&sled::Db)>);

fn open(dir: &Path) -> Result<SledStore, StoreError> {
    SledStore::open(dir, &SledOptions::default())
}

fn small_segments() -> Tuning {
    Tuning {
        segment_bytes: 20_000,
        ..Tuning::default()
    }
}

/// Makes a store with `commits` commits of [`typical`] and closes it.
fn make(dir: &Path, commits: u32, tuning: &Tuning) {
    let store = SledStore::open_tuned(dir, &SledOptions::default(), tuning).unwrap();
    for k in 0..commits {
        store.commit(&typical(k)).unwrap();
    }
    store.close().unwrap();
}

/// Makes a store that lost its power after `commits` commits: none of them is in the index.
fn make_crashed(commits: u32) -> tempfile::TempDir {
    let (dir, crashed) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let disk = SimDisk::new();
    open(dir.path()).unwrap().close().unwrap();
    disk.adopt(dir.path());
    let tuning = Tuning {
        disk: Arc::new(disk.clone()),
        ..Tuning::default()
    };
    let store = SledStore::open_tuned(dir.path(), &SledOptions::default(), &tuning).unwrap();
    for k in 0..commits {
        store.commit(&typical(k)).unwrap();
    }
    disk.crash(dir.path(), crashed.path(), 0);
    crashed
}

fn segments(dir: &Path) -> Vec<PathBuf> {
    let mut paths: Vec<_> = fs::read_dir(dir.join("journal"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    paths.sort();
    paths
}

fn copy(dir: &Path) -> tempfile::TempDir {
    let copy = tempfile::tempdir().unwrap();
    copy_dir(dir, copy.path());
    copy
}

fn flip(path: &Path, offset: u64, bit: u8) {
    let mut file = fs::OpenOptions::new().read(true).write(true).open(path).unwrap();
    let mut byte = [0];
    file.seek(SeekFrom::Start(offset)).unwrap();
    file.read_exact(&mut byte).unwrap();
    file.seek(SeekFrom::Start(offset)).unwrap();
    file.write_all(&[byte[0] ^ 1 << bit]).unwrap();
}

/// A start that is refused must say what to do; one that is not must have the state after one of `commits`.
fn check_start(
    dir: &Path,
    expected: &[Dump],
    commits: std::ops::RangeInclusive<usize>,
    what: &str,
) -> Option<OpenReport> {
    match open(dir) {
        Ok(store) => {
            let found = dump(&store);
            assert!(
                expected[commits.clone()].contains(&found),
                "{what}: it tells what was never committed: {commits:?}"
            );
            let report = store.verify().unwrap();
            assert!(
                report.findings.iter().all(|f| f.what.starts_with("journal")),
                "{what}: {:?}",
                report.findings
            );
            // It goes on, and that stays too.
            store.commit(&typical(1000)).unwrap();
            let after = dump(&store);
            let opened = store.open_report().clone();
            drop(store);
            assert_eq!(dump(&open(dir).unwrap()), after, "{what}");
            Some(opened)
        }
        Err(error) => {
            assert!(error.to_string().contains("restore a backup"), "{what}: {error}");
            // Trying again neither helps nor harms.
            assert_eq!(open(dir).unwrap_err().to_string(), error.to_string(), "{what}");
            None
        }
    }
}

#[test]
fn a_store_that_was_closed_or_dropped_is_all_there_and_starts_with_nothing_to_do() {
    let expected = expected(9);
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), 6, &Tuning::default());
    for k in 6..9 {
        let store = open(dir.path()).unwrap();
        assert_eq!(store.open_report(), &OpenReport::default());
        assert_eq!(dump(&store), expected[k as usize]);
        store.commit(&typical(k)).unwrap();
        drop(store);
    }
    assert_eq!(dump(&open(dir.path()).unwrap()), expected[9]);
}

#[test]
fn a_store_is_in_use_once() {
    let dir = tempfile::tempdir().unwrap();
    let store = open(dir.path()).unwrap();
    assert!(matches!(open(dir.path()), Err(StoreError::InUse { .. })));
    drop(store);
    open(dir.path()).unwrap();
}

/// Power is lost after every operation of the disk in turn. What was acknowledged is there.
#[test]
fn nothing_acknowledged_is_lost_with_the_power() {
    const COMMITS: u32 = 12;
    let expected = expected(COMMITS);
    let run = |lost_at: usize, fault: Fault, torn: usize| -> bool {
        let (dir, crashed) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let disk = SimDisk::new();
        disk.fail_at(lost_at, fault);
        // Without older segments there is no second chance: the index must be what the journal says.
        let keep_bytes = if lost_at.is_multiple_of(3) { 0 } else { 1 << 30 };
        let tuning = Tuning {
            disk: Arc::new(disk.clone()),
            keep_bytes,
            ..small_segments()
        };
        let mut acknowledged = 0;
        let mut failed = false;
        match SledStore::open_tuned(dir.path(), &SledOptions::default(), &tuning) {
            Err(error) => {
                assert!(matches!(error, StoreError::Io { .. }), "{error}");
                failed = true;
            }
            Ok(store) => {
                for k in 0..COMMITS {
                    match store.commit(&typical(k)) {
                        Ok(()) => acknowledged += 1,
                        Err(error) => {
                            assert!(
                                matches!(error, StoreError::Io { .. } | StoreError::Poisoned(_)),
                                "{error}"
                            );
                            assert!(matches!(store.commit(&typical(k)), Err(StoreError::Poisoned(_))));
                            // Reading goes on, and tells only what is durable.
                            assert_eq!(dump(&store), expected[acknowledged]);
                            failed = true;
                            break;
                        }
                    }
                }
                disk.crash(dir.path(), crashed.path(), torn);
            }
        }
        let store = open(crashed.path()).unwrap_or_else(|e| panic!("after operation {lost_at}, {torn}: {e}"));
        let found = dump(&store);
        // The commit under way may have made it or not.
        let last = (acknowledged + usize::from(failed)).min(COMMITS as usize);
        assert!(
            expected[acknowledged..=last].contains(&found),
            "after operation {lost_at}, {torn} bytes torn: {} descents of {acknowledged} commits",
            found.stats.descents
        );
        assert!(store.verify().unwrap().is_sound());
        failed
    };
    let mut operations = 0;
    while run(
        operations,
        if operations.is_multiple_of(2) {
            Fault::Full
        } else {
            Fault::Error
        },
        [0, 1, 700, 9000][operations % 4],
    ) {
        operations += 1;
    }
    // 12 commits of two operations each, and some turns of segments.
    assert!(operations > 36, "{operations}");
}

const KILLED_DIR: &str = "STORE_OF_THE_KILLED";
const KILLED_FIRST: &str = "FIRST_COMMIT_OF_THE_KILLED";

/// The process that [`nothing_acknowledged_is_lost_with_the_process`] kills: commits until then.
#[test]
#[ignore = "started by another test"]
fn commits_until_it_is_killed() {
    let (Ok(dir), Ok(first)) = (std::env::var(KILLED_DIR), std::env::var(KILLED_FIRST)) else {
        return;
    };
    let store = SledStore::open_tuned(Path::new(&dir), &SledOptions::default(), &small_segments()).unwrap();
    let first: u32 = first.parse().unwrap();
    for k in first..first + 2000 {
        store.commit(&typical(k)).unwrap();
        println!("acknowledged {k}");
    }
}

/// A process that commits is killed again and again, at any moment, also while it starts.
#[test]
fn nothing_acknowledged_is_lost_with_the_process() {
    let dir = tempfile::tempdir().unwrap();
    let memory = MemoryStore::new();
    let mut done = 0;
    for round in 0..10_u64 {
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args([
                "--ignored",
                "--exact",
                "--nocapture",
                "commits_until_it_is_killed",
            ])
            .env(KILLED_DIR, dir.path())
            .env(KILLED_FIRST, done.to_string())
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        let output = child.stdout.take().unwrap();
        let reader = std::thread::spawn(move || {
            let lines = std::io::BufRead::lines(std::io::BufReader::new(output)).map_while(Result::ok);
            lines.filter(|l| l.contains("acknowledged ")).count() as u32
        });
        // Most rounds die at work, some on the way up.
        std::thread::sleep(std::time::Duration::from_millis(
            [20, 90, 160, 230, 300][round as usize % 5] + round,
        ));
        child.kill().unwrap();
        child.wait().unwrap();
        let acknowledged = reader.join().unwrap();
        for k in done..done + acknowledged {
            memory.commit(&typical(k)).unwrap();
        }
        done += acknowledged;
        let store = SledStore::open_tuned(dir.path(), &SledOptions::default(), &small_segments()).unwrap();
        assert_eq!(store.open_report().rebuilt_because, None, "round {round}");
        let found = dump(&store);
        if found != dump(&memory) {
            // One more may be durable whose acknowledgement was not heard.
            memory.commit(&typical(done)).unwrap();
            done += 1;
            assert!(found == dump(&memory), "round {round}: {done} commits");
        }
        assert!(store.verify().unwrap().is_sound());
    }
    assert!(done > 0, "no round got as far as a commit");
}

#[test]
fn a_commit_that_is_torn_off_anywhere_is_gone_as_a_whole() {
    let expected = expected(6);
    let whole = make_crashed(6);
    let before = fs::metadata(&segments(make_crashed(5).path())[0]).unwrap().len();
    let path = segments(whole.path()).remove(0);
    let after = fs::metadata(&path).unwrap().len();
    let step = ((after - before) / 5).max(1) as usize;
    for length in (before..after)
        .step_by(step)
        .chain([before + 1, before + 20, before + 21, after - 1])
    {
        let dir = copy(whole.path());
        let path = segments(dir.path()).remove(0);
        fs::OpenOptions::new()
            .write(true)
            .open(&path)
            .unwrap()
            .set_len(length)
            .unwrap();
        let report =
            check_start(dir.path(), &expected, 5..=5, &format!("{length} bytes")).expect("it starts");
        assert_eq!((report.replayed, report.torn_bytes), (5, length - before));
    }
    // Zeros, or what was in the file system's blocks before, instead of the end.
    for rubbish in [0, 0x5a] {
        let dir = copy(whole.path());
        let path = segments(dir.path()).remove(0);
        let mut bytes = fs::read(&path).unwrap();
        bytes[before as usize + 60..].fill(rubbish);
        fs::write(&path, bytes).unwrap();
        check_start(dir.path(), &expected, 5..=5, "rubbish").expect("it starts");
    }
}

#[test]
fn a_byte_flipped_in_the_journal_is_never_taken_for_data() {
    let expected = expected(6);
    let whole = make_crashed(6);
    let path = segments(whole.path()).remove(0);
    let length = fs::metadata(&path).unwrap().len();
    let lengths: Vec<u64> = (0..=6)
        .map(|k| fs::metadata(&segments(make_crashed(k).path())[0]).unwrap().len())
        .collect();
    for at in (3..24)
        .step_by(9)
        .chain((24..length).step_by(length as usize / 18))
    {
        let dir = copy(whole.path());
        flip(&segments(dir.path())[0], at, (at % 8) as u8);
        let hit = lengths.iter().filter(|l| **l <= at).count();
        let started = check_start(dir.path(), &expected, 5..=6, &format!("byte {at}"));
        // Only the last commit can look like one that was never written completely; the header is not needed.
        assert_eq!(
            started.is_some(),
            hit == 0 || hit == 6,
            "byte {at} of commit {hit}"
        );
    }
}

/// The last commit cannot be told from a torn one by the journal alone, but the index knows of it.
#[test]
fn a_byte_flipped_in_a_commit_that_the_index_has_is_not_taken_for_a_torn_one() {
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), 6, &Tuning::default());
    let path = segments(dir.path()).remove(0);
    cut_checkpoint(dir.path());
    let length = fs::metadata(&path).unwrap().len();
    flip(&path, length - 5, 3);
    let error = open(dir.path()).unwrap_err().to_string();
    assert!(
        error.contains("it ends at commit 5, but the index has 6: restore a backup"),
        "{error}"
    );
}

#[test]
fn damage_in_the_journal_that_the_index_does_not_need_is_told_and_survived() {
    let expected = expected(12);
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), 12, &small_segments());
    let paths = segments(dir.path());
    assert!(paths.len() > 2);
    flip(&paths[0], 3000, 2);
    let store = open(dir.path()).unwrap();
    assert_eq!(dump(&store), expected[12]);
    assert!(!store.open_report().lost_records.is_empty());
    let report = store.verify().unwrap();
    assert!(!report.is_sound() && !report.journal_is_complete, "{report:?}");
}

#[test]
fn a_missing_segment_that_is_needed_is_not_passed_over() {
    let whole = make_crashed_in_segments(14);
    let paths = segments(whole.path());
    assert!(paths.len() > 2, "{paths:?}");
    for path in &paths {
        let dir = copy(whole.path());
        fs::remove_file(dir.path().join("journal").join(path.file_name().unwrap())).unwrap();
        let _ = fs::remove_dir_all(dir.path().join("index"));
        let error = match open(dir.path()) {
            Ok(store) => {
                // Nobody can know of the last segment when the index is gone too: what is told is what was once true.
                assert_eq!(path, paths.last().unwrap());
                assert!(expected(14).contains(&dump(&store)));
                continue;
            }
            Err(error) => error.to_string(),
        };
        assert!(error.contains("restore a backup"), "{error}");
    }
}

fn make_crashed_in_segments(commits: u32) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), commits, &small_segments());
    dir
}

#[test]
fn what_an_interrupted_start_leaves_behind_does_not_keep_the_store_from_opening() {
    let expected = expected(5);
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), 5, &Tuning::default());
    fs::write(dir.path().join("index/snap.00000000000FFFFF.generating"), b"").unwrap();
    fs::create_dir(dir.path().join("index.building")).unwrap();
    fs::write(dir.path().join("index.building/db"), b"half").unwrap();
    let report = check_start(dir.path(), &expected, 5..=5, "leftovers").expect("it starts");
    assert_eq!(report.put_aside.len(), 2);
    assert!(report.put_aside.iter().all(|p| p.exists()));
    assert_eq!(report.rebuilt_because, None);
}

#[test]
fn a_damaged_index_is_put_aside_and_built_anew() {
    let expected = expected(8);
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), 8, &small_segments());
    let length = fs::metadata(whole.path().join("index/db")).unwrap().len();
    let damage: Vec<Damage> = vec![
        (
            "gone".to_owned(),
            Box::new(|index: &Path| fs::remove_dir_all(index).unwrap()),
        ),
        (
            "empty".to_owned(),
            Box::new(|index: &Path| fs::write(index.join("db"), b"").unwrap()),
        ),
        (
            "no conf".to_owned(),
            Box::new(|index: &Path| fs::remove_file(index.join("conf")).unwrap()),
        ),
        (
            "zeros".to_owned(),
            Box::new(move |index: &Path| fs::write(index.join("db"), vec![0; length as usize]).unwrap()),
        ),
        (
            "rubbish".to_owned(),
            Box::new(|index: &Path| fs::write(index.join("db"), vec![0x5a; 70_000]).unwrap()),
        ),
    ];
    for (what, damage) in damage {
        let dir = copy(whole.path());
        damage(&dir.path().join("index"));
        let report =
            check_start(dir.path(), &expected, 8..=8, &what).unwrap_or_else(|| panic!("{what}: it starts"));
        if what != "no conf" {
            assert!(report.rebuilt_because.is_some(), "{what}: {report:?}");
        }
    }
}

#[test]
fn a_truncated_index_is_put_aside_and_built_anew() {
    let expected = expected(8);
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), 8, &Tuning::default());
    let length = fs::metadata(whole.path().join("index/db")).unwrap().len();
    for kept in [
        0,
        1,
        100,
        4096,
        length / 4,
        length / 2,
        length * 3 / 4,
        length - 4096,
        length - 1,
    ] {
        let dir = copy(whole.path());
        let file = fs::OpenOptions::new()
            .write(true)
            .open(dir.path().join("index/db"))
            .unwrap();
        file.set_len(kept).unwrap();
        check_start(dir.path(), &expected, 8..=8, &format!("{kept} of {length} bytes")).expect("it starts");
    }
}

/// A flipped bit in the index is found at the start after a crash.
#[test]
fn a_byte_flipped_in_the_index_is_found_at_the_start_after_a_crash() {
    let expected = expected(8);
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), 8, &Tuning::default());
    cut_checkpoint(whole.path());
    let length = fs::metadata(whole.path().join("index/db"))
        .unwrap()
        .len()
        .min(120_000);
    for at in (0..length).step_by(length as usize / 11) {
        let dir = copy(whole.path());
        flip(&dir.path().join("index/db"), at, (at % 8) as u8);
        check_start(dir.path(), &expected, 8..=8, &format!("byte {at}")).expect("it starts");
    }
}

/// After a proper end the index is not read through at the start: a flipped bit is found by reading or by a check.
#[test]
fn a_byte_flipped_in_the_index_is_never_taken_for_data() {
    let expected = expected(8);
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), 8, &Tuning::default());
    let length = fs::metadata(whole.path().join("index/db"))
        .unwrap()
        .len()
        .min(120_000);
    let mut found = 0;
    for at in (7..length).step_by(length as usize / 11) {
        let dir = copy(whole.path());
        flip(&dir.path().join("index/db"), at, (at % 8) as u8);
        let store = open(dir.path()).unwrap();
        if store.verify().unwrap().is_sound() {
            assert_eq!(dump(&store), expected[8], "byte {at}");
            found += usize::from(store.open_report().rebuilt_because.is_some());
        } else {
            found += 1;
        }
    }
    assert!(found > 0, "no flip hit anything that is used");
}

#[test]
fn without_a_whole_journal_a_damaged_index_is_left_where_it_is_and_a_backup_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    make(
        dir.path(),
        14,
        &Tuning {
            keep_bytes: 0,
            ..small_segments()
        },
    );
    assert_eq!(segments(dir.path()).len(), 1, "older segments are gone");
    assert_eq!(dump(&open(dir.path()).unwrap()), *expected(14).last().unwrap());
    fs::write(dir.path().join("index/db"), b"").unwrap();
    let error = open(dir.path()).unwrap_err().to_string();
    assert!(
        error.contains("restore a backup of the whole directory"),
        "{error}"
    );
    assert!(dir.path().join("index").exists());
    fs::remove_dir_all(dir.path().join("index")).unwrap();
    let error = open(dir.path()).unwrap_err().to_string();
    assert!(
        error.contains("missing") && error.contains("restore a backup"),
        "{error}"
    );
}

#[test]
fn an_index_without_its_journal_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), 3, &Tuning::default());
    fs::remove_dir_all(dir.path().join("journal")).unwrap();
    let error = open(dir.path()).unwrap_err().to_string();
    assert!(error.contains("journal is missing: restore a backup"), "{error}");
}

#[test]
fn an_older_index_than_the_journal_says_is_not_trusted() {
    let expected = expected(8);
    let (dir, old) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    make(dir.path(), 3, &Tuning::default());
    copy_dir(&dir.path().join("index"), &old.path().join("index"));
    let store = open(dir.path()).unwrap();
    (3..8).for_each(|k| store.commit(&typical(k)).unwrap());
    store.close().unwrap();
    fs::remove_dir_all(dir.path().join("index")).unwrap();
    copy_dir(&old.path().join("index"), &dir.path().join("index"));
    let report = check_start(dir.path(), &expected, 8..=8, "old index").expect("it starts");
    assert!(report.rebuilt_because.unwrap().contains("it ends at commit 3"));
}

/// Opens the database of a closed store itself.
fn meddle(dir: &Path, change: impl FnOnce(&sled::Db)) {
    let db = (0..100)
        .find_map(|_| {
            let db = sled::open(dir.join("index")).ok();
            if db.is_none() {
                std::thread::sleep(std::time::Duration::from_millis(20));
            }
            db
        })
        .unwrap();
    change(&db);
    db.flush().unwrap();
}

#[test]
fn a_newer_format_is_refused_and_nothing_is_touched() {
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), 3, &Tuning::default());
    meddle(dir.path(), |db| {
        let mut format = b"coldbrake store\n\0\0\0\x02\0\0\0\0".to_vec();
        format.extend_from_slice(&crc32c::crc32c(&format).to_be_bytes());
        db.insert(b"\0format", format).unwrap();
    });
    assert!(matches!(
        open(dir.path()),
        Err(StoreError::Newer { found: 2, known: 1 })
    ));
    assert!(!dir.path().join("quarantine-1").exists());
}

#[test]
fn a_newer_journal_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    make(dir.path(), 3, &Tuning::default());
    let path = segments(dir.path()).remove(0);
    let mut bytes = fs::read(&path).unwrap();
    bytes[11] = 9;
    let crc = crc32c::crc32c(&bytes[..20]).to_be_bytes();
    bytes[20..24].copy_from_slice(&crc);
    fs::write(&path, bytes).unwrap();
    assert!(matches!(
        open(dir.path()),
        Err(StoreError::Newer { found: 9, known: 1 })
    ));
}

/// A commit of many keys is applied in several steps; a process can die in between.
#[test]
fn a_commit_of_which_the_index_has_only_a_part_is_completed() {
    const APPLIED: &[u8] = b"\x01applied\0\0";
    let large = CommitBatch {
        states: (0..1500).map(|k| (format!("van-{k}"), vec![7; 40])).collect(),
        ..typical(2)
    };
    let dir = tempfile::tempdir().unwrap();
    // The journal does not reach back to the beginning: building the index anew is no way out.
    make(
        dir.path(),
        1,
        &Tuning {
            keep_bytes: 0,
            segment_bytes: 1,
            ..Tuning::default()
        },
    );
    let mut before = None;
    meddle(dir.path(), |db| before = db.get(APPLIED).unwrap());
    let store = open(dir.path()).unwrap();
    store.commit(&large).unwrap();
    store.close().unwrap();
    cut_checkpoint(dir.path());
    meddle(dir.path(), |db| {
        db.insert(APPLIED, before.unwrap()).unwrap();
        let later: Vec<_> = db.scan_prefix(b"\x10van-7").keys().map(Result::unwrap).collect();
        assert!(later.len() > 100);
        for key in later {
            db.remove(key).unwrap();
        }
    });
    let memory = MemoryStore::new();
    memory.commit(&typical(0)).unwrap();
    memory.commit(&large).unwrap();
    let store = open(dir.path()).unwrap();
    assert_eq!(
        (store.open_report().replayed, &store.open_report().rebuilt_because),
        (1, &None)
    );
    assert_eq!(dump(&store), dump(&memory));
    assert!(store.verify().unwrap().is_sound());
}

/// Takes the checkpoint off the end of the journal: it looks as after a crash.
fn cut_checkpoint(dir: &Path) {
    let path = segments(dir).pop().unwrap();
    let length = fs::metadata(&path).unwrap().len() - 29;
    fs::OpenOptions::new()
        .write(true)
        .open(&path)
        .unwrap()
        .set_len(length)
        .unwrap();
}

fn first_of(db: &sled::Db, kind: u8) -> (sled::IVec, sled::IVec) {
    db.scan_prefix([kind]).next().unwrap().unwrap()
}

#[test]
fn verify_finds_what_has_been_meddled_with() {
    let whole = tempfile::tempdir().unwrap();
    make(whole.path(), 8, &Tuning::default());
    assert!(
        SledStore::verify_dir(whole.path(), &SledOptions::default())
            .unwrap()
            .is_sound()
    );
    let meddlings: Vec<Meddling> = vec![
        (
            "checksum",
            Box::new(|db| {
                let (key, mut value) = first_of(db, 0x11);
                value[12] ^= 1;
                db.insert(key, value).unwrap();
            }),
        ),
        (
            "checksum",
            Box::new(|db| {
                // A good value under the key of another record.
                let (_, value) = first_of(db, 0x30);
                let (key, _) = db.scan_prefix([0x30]).last().unwrap().unwrap();
                db.insert(key, value).unwrap();
            }),
        ),
        (
            "it is missing",
            Box::new(|db| {
                let (key, _) = first_of(db, 0x30);
                db.remove(key).unwrap();
            }),
        ),
        (
            "its profile is missing",
            Box::new(|db| {
                let (key, _) = first_of(db, 0x22);
                db.remove(key).unwrap();
            }),
        ),
        (
            "its descent is missing",
            Box::new(|db| {
                let (key, _) = first_of(db, 0x20);
                db.remove(key).unwrap();
            }),
        ),
        (
            "not in the listing",
            Box::new(|db| {
                let (key, _) = first_of(db, 0x21);
                db.remove(key).unwrap();
            }),
        ),
        (
            "a piece of it is missing",
            Box::new(|db| {
                let key = db
                    .scan_prefix([0x10])
                    .keys()
                    .map(Result::unwrap)
                    .find(|k| k.ends_with(&[1]))
                    .unwrap();
                db.remove(key).unwrap();
            }),
        ),
        (
            "no key of this store",
            Box::new(|db| {
                let key = b"\x77odd\0".to_vec();
                let mut value = vec![0xCB, 1, 1, 0, 0];
                let crc = crc32c::crc32c_append(crc32c::crc32c(&key), &value).to_be_bytes();
                value.extend_from_slice(&crc);
                db.insert(key, value).unwrap();
            }),
        ),
    ];
    for (text, meddling) in meddlings {
        let dir = copy(whole.path());
        meddle(dir.path(), meddling);
        let report = SledStore::verify_dir(dir.path(), &SledOptions::default()).unwrap();
        assert!(
            report.findings.iter().any(|f| f.to_string().contains(text)),
            "{text}: {:?}",
            report.findings
        );
    }
}
