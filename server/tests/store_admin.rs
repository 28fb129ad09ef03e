//! Looking after a store with the program itself: what was backed up comes back to the byte, what is damaged is
//! refused, and nobody ever sees half a file or half a store.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

#[path = "support/store.rs"]
mod support;

use std::{
    fs,
    io::Write as _,
    path::{Path, PathBuf},
    process::{Command, Output, Stdio},
    time::{Duration, Instant},
};

use coldbrake_server::store::{
    CommitBatch, SledOptions, SledStore, Store, StoreError,
    backup::{BackupHead, BackupWriter, file},
    keys::Key,
    records::Counts,
};
use support::{Dump, NOON_MS, dump, finished, typical};

fn open(dir: &Path) -> SledStore {
    SledStore::open(dir, &SledOptions::default()).unwrap()
}

/// Makes a store with `commits` commits and closes it; returns what it tells.
fn make(dir: &Path, commits: u32) -> Dump {
    let store = open(dir);
    for k in 0..commits {
        store.commit(&typical(k)).unwrap();
    }
    let told = dump(&store);
    store.close().unwrap();
    told
}

fn told(dir: &Path) -> Dump {
    dump(&open(dir))
}

fn program(words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_coldbrake-server"));
    command.env_clear().arg("store").args(words);
    command
}

/// Runs a command: exit code, answer, complaint.
fn run(words: &[&str]) -> (i32, String, String) {
    let Output {
        status,
        stdout,
        stderr,
    } = program(words).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (status.code().unwrap(), text(stdout), text(stderr))
}

fn succeed(words: &[&str]) -> String {
    let (code, out, err) = run(words);
    assert_eq!((code, err.as_str()), (0, ""), "{words:?}: {out}");
    out
}

fn fail(words: &[&str], code: i32, says: &str) {
    let (found, out, err) = run(words);
    assert_eq!((found, out.as_str()), (code, ""), "{words:?}: {err}");
    assert!(
        err.starts_with("error: ") && err.contains(says),
        "{words:?}: {err}"
    );
}

fn json(words: &[&str]) -> serde_json::Value {
    serde_json::from_str(&succeed(&[words, &["--format", "json"]].concat())).unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn names(dir: &Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// A directory with a store in `store` and a backup of it in `backup`.
fn with_backup(commits: u32) -> (tempfile::TempDir, PathBuf, PathBuf, Dump) {
    let home = tempfile::tempdir().unwrap();
    let (dir, backup) = (home.path().join("store"), home.path().join("backup"));
    let before = make(&dir, commits);
    succeed(&["backup", text(&backup), "--directory", text(&dir)]);
    (home, dir, backup, before)
}

#[test]
fn a_store_comes_back_to_the_byte_and_goes_on() {
    let (home, dir, backup, before) = with_backup(100);
    assert_eq!(names(home.path()), ["backup", "store"], "nothing is left over");
    let checked = json(&["restore", "--dry-run", text(&backup)]);
    assert_eq!(checked["backup"]["descents"], 50);
    assert_eq!(checked["backup"]["vehicles"], 5);
    assert_eq!(checked["backup"]["store_format"], "1.0");
    assert_eq!(names(home.path()), ["backup", "store"], "a dry run makes nothing");

    let copy = home.path().join("copy");
    succeed(&["restore", text(&backup), text(&copy)]);
    assert_eq!(told(&copy), before);
    assert_eq!(told(&dir), before, "the old one is untouched");
    assert_eq!(names(home.path()), ["backup", "copy", "store"]);

    // Both go on alike: audit entries keep their order, descents sent again are counted once.
    for dir in [&dir, &copy] {
        let store = open(dir);
        for k in 90..140 {
            store.commit(&typical(k)).unwrap();
        }
        assert!(store.verify().unwrap().is_sound());
        store.close().unwrap();
    }
    assert_eq!(told(&copy), told(&dir));

    // A backup of the restored one holds the same records.
    let again = home.path().join("again");
    succeed(&["backup", text(&again), "--directory", text(&copy)]);
    let third = home.path().join("third");
    succeed(&["restore", text(&again), text(&third)]);
    assert_eq!(told(&third), told(&dir));
}

#[test]
fn an_empty_store_comes_back_too() {
    let (home, _, backup, before) = with_backup(0);
    let copy = home.path().join("copy");
    fs::create_dir(&copy).unwrap();
    succeed(&["restore", text(&backup), text(&copy)]);
    assert_eq!(told(&copy), before);
    let store = open(&copy);
    store.commit(&typical(0)).unwrap();
    assert_eq!(store.stats().unwrap().descents, 1);
}

#[test]
fn a_store_that_was_not_closed_is_backed_up_to_its_last_commit() {
    let home = tempfile::tempdir().unwrap();
    let (dir, copy, backup) = (
        home.path().join("store"),
        home.path().join("copy"),
        home.path().join("backup"),
    );
    let store = open(&dir);
    for k in 0..40 {
        store.commit(&typical(k)).unwrap();
    }
    let before = dump(&store);
    // As it would stand on the disk if the process were killed now: a copy of the files.
    copy_dir(&dir, &copy);
    drop(store);
    succeed(&["backup", text(&backup), "--directory", text(&copy)]);
    let third = home.path().join("third");
    succeed(&["restore", text(&backup), text(&third)]);
    assert_eq!(told(&third), before);
}

fn copy_dir(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_dir(&entry.path(), &to);
        } else {
            fs::copy(entry.path(), to).unwrap();
        }
    }
}

#[test]
fn every_damage_to_a_backup_is_refused() {
    let (home, _, backup, _) = with_backup(12);
    let good = fs::read(&backup).unwrap();
    assert!(file::check(&backup).is_ok());
    let bad = home.path().join("bad");
    let refused = |bytes: &[u8], what: &str| {
        fs::write(&bad, bytes).unwrap();
        match file::check(&bad) {
            Err(StoreError::Damaged { .. } | StoreError::NewerBackup { .. }) => {}
            other => panic!("{what}: {other:?}"),
        }
    };
    // Every byte of head and end, and every thirteenth in between, with another bit each time.
    for at in (0..good.len()).filter(|at| *at < 120 || at + 40 > good.len() || at % 13 == 0) {
        let mut bytes = good.clone();
        bytes[at] ^= 1 << (at % 8);
        refused(&bytes, &format!("byte {at} of {} changed", good.len()));
    }
    for length in (0..good.len()).filter(|l| *l < 120 || l + 40 > good.len() || l % 101 == 0) {
        refused(&good[..length], &format!("cut off at {length}"));
    }
    refused(&[&good[..], b"x"].concat(), "one byte more");
    refused(&[&good[..], &good[..]].concat(), "twice the file");

    // The program says so, and makes nothing.
    let mut bytes = good.clone();
    bytes[good.len() / 2] ^= 0x10;
    fs::write(&bad, &bytes).unwrap();
    let target = home.path().join("target");
    fail(&["restore", text(&bad), text(&target)], 1, "bad is damaged");
    fail(&["restore", "--dry-run", text(&bad)], 1, "nothing was restored");
    fs::write(&bad, &good[..good.len() / 2]).unwrap();
    fail(&["restore", text(&bad), text(&target)], 1, "cut off");
    fs::write(&bad, "a text that is something else altogether").unwrap();
    fail(&["restore", text(&bad), text(&target)], 1, "it is no backup");
    assert_eq!(names(home.path()), ["backup", "bad", "store"]);
}

/// Returns the lengths of head, blocks and end of a backup, in their order.
fn parts(bytes: &[u8]) -> Vec<usize> {
    let number = |at: usize| u32::from_be_bytes(*bytes[at..].first_chunk().unwrap()) as usize;
    let mut lengths = vec![16 + 4 + 4 + number(20) + 4];
    let mut at = lengths[0];
    while bytes[at] == b'B' {
        lengths.push(1 + 12 + number(at + 9) + 4);
        at += lengths.last().unwrap();
    }
    lengths.push(bytes.len() - at);
    lengths
}

#[test]
fn whole_blocks_do_not_go_missing_or_change_places() {
    let home = tempfile::tempdir().unwrap();
    let (dir, path) = (home.path().join("store"), home.path().join("backup"));
    let store = open(&dir);
    for k in 0..20 {
        let batch = CommitBatch {
            states: vec![(format!("van-{k}"), noise(k, 200_000))],
            ..CommitBatch::default()
        };
        store.commit(&batch).unwrap();
    }
    file::write(&store, &path).unwrap();
    let good = fs::read(&path).unwrap();
    let mut rest = &good[..];
    let parts: Vec<&[u8]> = parts(&good)
        .into_iter()
        .map(|length| rest.split_off(..length).unwrap())
        .collect();
    assert!(rest.is_empty() && parts.len() >= 5, "{} parts", parts.len());
    let end = parts.len() - 1;
    let bad = home.path().join("bad");
    let mut without = parts.clone();
    without.remove(2);
    let mut twice = parts.clone();
    twice.insert(2, parts[2]);
    let mut swapped = parts.clone();
    swapped.swap(1, 2);
    let mut shorter = parts.clone();
    shorter.remove(end - 1);
    let endless = parts[..end].to_vec();
    for (what, parts) in [
        ("without one", without),
        ("one twice", twice),
        ("two swapped", swapped),
        ("without the last", shorter),
        ("without the end", endless),
    ] {
        fs::write(&bad, parts.concat()).unwrap();
        assert!(
            matches!(file::check(&bad), Err(StoreError::Damaged { .. })),
            "{what}"
        );
    }
    fs::write(&bad, parts.concat()).unwrap();
    file::check(&bad).unwrap();
}

/// A backup of a store of format 1 with the commits 0 to 29 of [`typical`].
fn format_1() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/format_1.backup")
}

/// Whatever the records become: what was once backed up has to come back. A change of a record that fails here needs
/// a step in `backup::migrate`, not a new file.
#[test]
fn a_backup_of_the_first_format_comes_back() {
    let home = tempfile::tempdir().unwrap();
    let (dir, target) = (home.path().join("store"), home.path().join("target"));
    let expected = make(&dir, 30);
    succeed(&["restore", text(&format_1()), text(&target)]);
    assert_eq!(told(&target), expected);
}

/// The records of the first backup are made up: those of the alarms are none that a server can read.
#[test]
fn a_record_that_the_server_cannot_read_is_named_at_the_start() {
    let home = tempfile::tempdir().unwrap();
    let target = home.path().join("target");
    succeed(&["restore", text(&format_1()), text(&target)]);
    let output = Command::new(env!("CARGO_BIN_EXE_coldbrake-server"))
        .env_clear()
        .env("COLDBRAKE_SERVER_ADMIN_LISTEN", "")
        .args(["--listen", "127.0.0.1:0", "--store-directory", text(&target)])
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(3), "{said}");
    for want in [
        "alarm `alarm-1` has version 21, this program reads up to 1",
        "start the newer program",
        "restore a backup",
    ] {
        assert!(said.contains(want), "{want} not in {said}");
    }
    assert!(!said.contains("the store has format"), "{said}");
}

/// Only before the first release, when no store of anyone has this format.
#[test]
#[ignore = "writes the file that the test above reads"]
fn write_the_backup_of_the_first_format() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("store");
    make(&dir, 30);
    let _ = fs::remove_file(format_1());
    fs::create_dir_all(format_1().parent().unwrap()).unwrap();
    file::write(&open(&dir), &format_1()).unwrap();
}

#[test]
fn a_store_of_another_format_is_refused_and_left_as_it_is() {
    let (_home, dir, _, _) = with_backup(5);
    for (major, says) in [
        (2_u32, "start the newer program"),
        (0, "make a backup with the program"),
    ] {
        let db = sled::open(dir.join("index")).unwrap();
        let mut value = db.get(b"\0format").unwrap().unwrap().to_vec();
        value[16..20].copy_from_slice(&major.to_be_bytes());
        let crc = crc32c::crc32c(&value[..24]);
        value[24..].copy_from_slice(&crc.to_be_bytes());
        db.insert(b"\0format", value).unwrap();
        db.flush().unwrap();
        drop(db);
        for command in ["verify", "compact", "stats"] {
            fail(&[command, "--directory", text(&dir)], 3, says);
        }
        assert_eq!(names(&dir), ["index", "journal", "lock"]);
    }
}

/// Writes a file whose checksums are all right.
fn write_backup(path: &Path, head: BackupHead, records: &[(Key, Vec<u8>)]) -> Result<(), StoreError> {
    let mut writer = BackupWriter::new(fs::File::create(path).unwrap(), path, head)?;
    for (key, bytes) in records {
        writer.push(key, 1, bytes)?;
    }
    writer.finish().map(|_| ())
}

fn head(vehicles: u64) -> BackupHead {
    BackupHead {
        format_major: 1,
        format_minor: 0,
        program: "0.0.0".to_owned(),
        created_ms: NOON_MS,
        last_commit: 3,
        counts: Counts {
            vehicles,
            ..Counts::default()
        },
    }
}

#[test]
fn a_backup_whose_checksums_are_right_but_that_makes_no_sound_store_is_refused() {
    let home = tempfile::tempdir().unwrap();
    let (path, target) = (home.path().join("backup"), home.path().join("target"));
    let state = |name: &str| (Key::state(name), vec![1]);
    // In order it would do, apart from the counts that the store itself keeps.
    write_backup(&path, head(2), &[state("b"), state("a")]).unwrap();
    fail(&["restore", text(&path), text(&target)], 1, "out of order");
    write_backup(
        &path,
        head(1),
        &[state("a"), (Key::from_bytes(&[0x77, 1]), vec![1])],
    )
    .unwrap();
    fail(
        &["restore", text(&path), text(&target)],
        1,
        "it is no key of this store",
    );
    assert!(matches!(
        write_backup(&path, head(1), &[state("a"), state("b")]),
        Err(StoreError::Damaged { .. })
    ));
    let newer = BackupHead {
        format_major: 2,
        ..head(0)
    };
    write_backup(&path, newer, &[]).unwrap();
    fail(&["restore", text(&path), text(&target)], 3, "format 2");
    let older = BackupHead {
        format_major: 0,
        ..head(0)
    };
    write_backup(&path, older, &[]).unwrap();
    fail(&["restore", text(&path), text(&target)], 3, "format 0");
    assert_eq!(names(home.path()), ["backup"]);
}

#[test]
fn nothing_is_written_over() {
    let (home, dir, backup, before) = with_backup(10);
    let content = fs::read(&backup).unwrap();
    fail(
        &["backup", text(&backup), "--directory", text(&dir)],
        3,
        "name a file that does not exist",
    );
    assert_eq!(fs::read(&backup).unwrap(), content);
    fail(&["restore", text(&backup), text(&dir)], 3, "missing or empty");
    assert_eq!(told(&dir), before);
    let full = home.path().join("full");
    fs::create_dir(&full).unwrap();
    fs::write(full.join("note"), "mine").unwrap();
    fail(&["restore", text(&backup), text(&full)], 3, "missing or empty");
    assert_eq!(names(&full), ["note"]);
    assert_eq!(names(home.path()), ["backup", "full", "store"]);
}

#[test]
fn a_directory_without_a_store_does_not_become_one() {
    let home = tempfile::tempdir().unwrap();
    let (missing, file) = (home.path().join("missing"), home.path().join("backup"));
    for dir in [missing.as_path(), home.path()] {
        let words: [&[&str]; 4] = [&["verify"], &["stats"], &["compact"], &["backup", text(&file)]];
        for words in words {
            fail(
                &[words, &["--directory", text(dir)]].concat(),
                3,
                "cannot find a store in",
            );
        }
    }
    assert!(names(home.path()).is_empty());
}

#[test]
fn a_store_that_is_served_is_left_alone() {
    let (home, dir, _, _) = with_backup(3);
    let store = open(&dir);
    let file = home.path().join("second");
    let words: [&[&str]; 4] = [&["verify"], &["stats"], &["compact"], &["backup", text(&file)]];
    for words in words {
        fail(
            &[words, &["--directory", text(&dir)]].concat(),
            3,
            "in use by another process",
        );
    }
    assert!(!file.exists());
    // Who has it open can export it: the same core, while commits wait.
    let summary = file::write(&store, &file).unwrap();
    assert_eq!(summary.head.counts.descents, 2);
    store.commit(&typical(4)).unwrap();
}

#[test]
fn an_export_is_one_state_while_commits_go_on() {
    let home = tempfile::tempdir().unwrap();
    let store = std::sync::Arc::new(open(&home.path().join("store")));
    for k in 0..20 {
        store.commit(&typical(k)).unwrap();
    }
    let committing = std::thread::spawn({
        let store = std::sync::Arc::clone(&store);
        move || {
            for k in 20..120 {
                store.commit(&typical(k)).unwrap();
            }
        }
    });
    let mut numbers = Vec::new();
    for n in 0..3 {
        let (file, copy) = (
            home.path().join(format!("backup-{n}")),
            home.path().join(format!("copy-{n}")),
        );
        let summary = file::write(&store, &file).unwrap();
        // Checked from end to end before it gets its name: one state, or a finding.
        SledStore::restore(&file, &copy, &SledOptions::default()).unwrap();
        numbers.push(summary.head.last_commit);
        // Commit `k` has the number `k + 1`, with no checkpoint in so short a journal.
        let k = u32::try_from(summary.head.last_commit).unwrap();
        let expected = make(&home.path().join(format!("expected-{n}")), k);
        assert_eq!(told(&copy), expected, "after commit {k}");
    }
    committing.join().unwrap();
    assert!(numbers.is_sorted(), "{numbers:?}");
}

#[test]
fn compacting_keeps_everything_and_shrinks() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("store");
    // Few records that are written again and again: what they were is what can go.
    let store = open(&dir);
    for k in 0..600 {
        store.commit(&typical(k)).unwrap();
    }
    let before = dump(&store);
    store.close().unwrap();
    let stats = json(&["stats", "--directory", text(&dir)]);
    assert_eq!(stats["descents"], 300);

    let done = json(&["compact", "--directory", text(&dir)]);
    let (was, is) = (
        done["before_bytes"].as_u64().unwrap(),
        done["after_bytes"].as_u64().unwrap(),
    );
    assert!(is < was / 2, "{was} to {is} bytes");
    assert_eq!(told(&dir), before);
    assert_eq!(names(&dir), ["before-compact-1", "index", "journal", "lock"]);
    // What was kept is a store as it was.
    assert_eq!(told(&dir.join("before-compact-1")), before);

    let store = open(&dir);
    store.commit(&typical(700)).unwrap();
    let before = dump(&store);
    store.close().unwrap();
    succeed(&["compact", "--directory", text(&dir)]);
    assert_eq!(told(&dir), before);
    assert_eq!(
        names(&dir),
        ["before-compact-1", "before-compact-2", "index", "journal", "lock"]
    );
    let stats = json(&["stats", "--directory", text(&dir)]);
    assert!(stats["put_aside_bytes"].as_u64().unwrap() > was);
}

#[test]
fn a_compaction_that_was_interrupted_is_brought_to_an_end_by_the_next_start() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("store");
    let before = make(&dir, 50);
    succeed(&["compact", "--directory", text(&dir)]);
    let kept = dir.join("before-compact-1");
    // The moves in their order, undone from the end: each is a place where the process can have died.
    let new = dir.join("compacted-1");
    let undone: [(PathBuf, PathBuf); 4] = [
        (dir.join("index"), new.join("index")),
        (kept.join("index"), dir.join("index")),
        (dir.join("journal"), new.join("journal")),
        (kept.join("journal"), dir.join("journal")),
    ];
    for steps in 1..=undone.len() {
        let copy = home.path().join(format!("copy-{steps}"));
        copy_dir(&dir, &copy);
        let place = |path: &Path| copy.join(path.strip_prefix(&dir).unwrap());
        fs::create_dir(place(&new)).unwrap();
        for (from, to) in &undone[..steps] {
            fs::rename(place(from), place(to)).unwrap();
        }
        assert_eq!(told(&copy), before, "after {steps} steps back");
        assert_eq!(
            names(&copy),
            ["before-compact-1", "index", "journal", "lock"],
            "after {steps} steps back"
        );
        assert_eq!(told(&copy.join("before-compact-1")), before);
    }
    // Died before the new store was whole: nothing has happened.
    fs::create_dir_all(dir.join("compacting/store/index")).unwrap();
    fs::write(dir.join("compacting/store/index/db"), "half").unwrap();
    assert_eq!(told(&dir), before);
    succeed(&["compact", "--directory", text(&dir)]);
    assert_eq!(told(&dir), before);
    assert!(!dir.join("compacting").exists());
}

#[test]
fn a_killed_backup_leaves_no_file_under_its_name() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("store");
    let store = open(&dir);
    for k in 0..40 {
        let name = format!("van-{k}");
        store
            .commit(&CommitBatch {
                // Bytes that cannot be made shorter: the file shall take a while.
                states: vec![(name.clone(), noise(k, 200_000))],
                descents: vec![finished(&name, k, NOON_MS)],
                ..CommitBatch::default()
            })
            .unwrap();
    }
    store.close().unwrap();
    let mut killed_while_writing = 0;
    for k in 0..8_u64 {
        let backup = home.path().join(format!("backup-{k}"));
        let mut child = program(&["backup", text(&backup), "--directory", text(&dir)])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let part = home.path().join(format!("backup-{k}.part-{}", child.id()));
        let until = Instant::now() + Duration::from_secs(60);
        while !part.exists() && !backup.exists() {
            assert!(Instant::now() < until, "nothing is written");
            std::thread::yield_now();
        }
        std::thread::sleep(Duration::from_millis(k * 3));
        child.kill().unwrap();
        child.wait().unwrap();
        if backup.exists() {
            file::check(&backup).unwrap();
        } else {
            killed_while_writing += 1;
            assert!(part.exists());
        }
    }
    assert!(killed_while_writing > 0, "it is too fast to be killed");
    // The store is none the worse for it.
    succeed(&["verify", "--directory", text(&dir)]);
}

fn noise(k: u32, length: usize) -> Vec<u8> {
    let mut x = u64::from(k) + 0x9e37_79b9_7f4a_7c15;
    (0..length)
        .map(|_| {
            x ^= x << 13;
            x ^= x >> 7;
            x ^= x << 17;
            x as u8
        })
        .collect()
}

#[test]
fn what_is_wrong_with_a_store_is_found_and_told() {
    let (home, dir, _, _) = with_backup(30);
    let sound = json(&["verify", "--directory", text(&dir)]);
    assert_eq!((&sound["sound"], &sound["descents"]), (&true.into(), &15.into()));
    assert!(succeed(&["verify", "--directory", text(&dir)]).contains("is sound"));

    // A histogram goes missing behind the back of the store.
    let lose_one = || {
        let db = sled::open(dir.join("index")).unwrap();
        let (key, _) = db.range(vec![0x30]..).next().unwrap().unwrap();
        db.remove(&key).unwrap();
        db.flush().unwrap();
    };
    lose_one();
    let second = home.path().join("second");
    fail(
        &["backup", text(&second), "--directory", text(&dir)],
        1,
        "no backup was written",
    );
    assert_eq!(names(home.path()), ["backup", "store"]);
    // Who came upon it has left a note: the next start mends it, and says so.
    assert_eq!(names(&dir), ["index", "index.suspect", "journal", "lock"]);
    let (code, out, _) = run(&["verify", "--directory", text(&dir)]);
    assert_eq!(code, 1);
    assert!(out.contains("mended") && out.contains("quarantine-1"), "{out}");
    assert!(succeed(&["verify", "--directory", text(&dir)]).contains("is sound"));

    lose_one();
    let (code, out, err) = run(&["verify", "--format", "json", "--directory", text(&dir)]);
    assert_eq!((code, err.as_str()), (1, ""));
    let found: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(found["sound"], false);
    assert!(
        found["findings"]
            .as_array()
            .unwrap()
            .iter()
            .any(|f| f["what"].as_str().unwrap().starts_with("histogram of")),
        "{out}"
    );
    succeed(&["stats", "--directory", text(&dir)]);
    lose_one();
    fail(&["compact", "--directory", text(&dir)], 1, "nothing was changed");
    succeed(&["stats", "--directory", text(&dir)]);
    lose_one();
    let (code, out, _) = run(&["verify", "--directory", text(&dir)]);
    assert_eq!(code, 1);
    assert!(out.contains("is damaged") && out.contains("what to do"), "{out}");
    assert_eq!(names(home.path()), ["backup", "store"]);
}

#[test]
fn the_directory_comes_from_the_configuration_too() {
    let (home, dir, _, _) = with_backup(4);
    let config = home.path().join("server.toml");
    let mut file = fs::File::create(&config).unwrap();
    writeln!(file, "[store]\ndirectory = {:?}", text(&dir)).unwrap();
    assert!(succeed(&["stats", "--config", text(&config)]).contains("descents    2"));
    let output = program(&["stats"])
        .env("COLDBRAKE_SERVER_STORE_DIRECTORY", &dir)
        .output()
        .unwrap();
    assert!(output.status.success(), "{output:?}");
    let (code, _, err) = run(&["restore", "only-a-file"]);
    assert_eq!(code, 2, "{err}");
    let (code, _, err) = run(&["shrink"]);
    assert_eq!(code, 2, "{err}");
}
