//! Disks that are slow, fail, are full or take no writes, under a streaming fleet: what the server says, and that nothing
//! acknowledged is lost.

use std::{
    fs,
    path::Path,
    process::Command,
    time::{Duration, Instant},
};

use coldbrake_tests::{
    crash::{
        self, Outcome,
        child::{Child, Log},
        drive::{Fleet, Streams},
        home::Home,
        records,
    },
    program,
};
use tokio::time::sleep;

use super::SEED;

const VEHICLES: usize = 4;
const BATCHES: usize = 120;
const MANY_BATCHES: usize = 500;
const PATIENCE: Duration = Duration::from_secs(30);
/// Exit codes of the server: something was left open, and it could not start.
const LEFT_OPEN: i32 = 1;
const NOT_STARTED: i32 = 3;

/// A fleet under way to a server whose disk is bad, and the records that have to come out in the end.
struct Trial {
    place: tempfile::TempDir,
    home: Home,
    streams: Streams,
    expected: records::Records,
}

impl Trial {
    async fn begin(batches: usize) -> Self {
        let place = tempfile::tempdir().unwrap();
        let fleet = Fleet::new(VEHICLES, batches, SEED);
        let program = program::server_with_faults();
        let home = Home::new(&place.path().join("steady"), program);
        home.found(&fleet).await;
        let streams = fleet.begin(&home.dial());
        let (expected, findings) = crash::to_the_end(&home, streams, &mut Outcome::default()).await;
        assert!(findings.is_empty(), "{findings:#?}");
        assert!(expected.descents > 3);
        let home = Home::new(&place.path().join("shaken"), program);
        home.found(&fleet).await;
        let streams = fleet.begin(&home.dial());
        Self {
            place,
            home,
            streams,
            expected,
        }
    }

    /// Waits until every vehicle has heard that its first batches are durable. Returns how long that took.
    async fn heard(&self, batches: usize) -> Duration {
        let began = Instant::now();
        while self.streams.heard() < batches {
            assert!(
                began.elapsed() < PATIENCE,
                "{} of {batches} acknowledged",
                self.streams.heard()
            );
            sleep(Duration::from_millis(2)).await;
        }
        began.elapsed()
    }

    /// Lets the vehicles send one batch after another, for many commits, until the server says that its store failed.
    async fn until_failed(&self, server: &mut Child, released: &mut usize, most: usize) {
        while !server.said("the store failed") {
            if let Some(how) = server.ended() {
                panic!("it ended before its store failed: {}", how.text);
            }
            *released += 1;
            assert!(*released < most, "its store never fails");
            self.streams.release(*released);
            sleep(Duration::from_millis(20)).await;
        }
    }

    /// A life on a good disk: everything comes to its end, and to the same bytes as if the disk had always been good.
    async fn end(self) {
        let (found, findings) = crash::to_the_end(&self.home, self.streams, &mut Outcome::default()).await;
        assert!(findings.is_empty(), "{findings:#?}");
        let differences = records::differences(&self.expected, &found);
        assert!(differences.is_empty(), "{differences:#?}");
        drop(self.place);
    }
}

fn no_panic(log: &Log) {
    assert!(log.panic().is_none(), "{}", log.text());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_disk_that_syncs_slowly_slows_acknowledgements_and_loses_nothing() {
    const SYNC: Duration = Duration::from_millis(200);
    let trial = Trial::begin(BATCHES).await;
    let mut server = trial.home.start(&format!("sync-ms={}", SYNC.as_millis()));
    assert!(server.serves().await);
    for batches in 1..=4 {
        trial.streams.release(batches);
        let took = trial.heard(batches).await;
        assert!(took >= SYNC, "acknowledged after {took:?}, before the sync");
    }
    trial.streams.release(BATCHES / 2);
    trial.heard(BATCHES / 3).await;
    server.kill();
    no_panic(&server.bury());
    trial.end().await;
}

/// The first operations of a disk in a life: four of the start, then an append and a sync of each commit.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_disk_that_fails_is_told_and_nothing_that_is_not_durable_is_acknowledged() {
    let trial = Trial::begin(BATCHES).await;
    let mut released = 0;
    for (life, (failure, operation, tells)) in [
        ("broken", 5, "cannot write"),
        ("broken", 6, "cannot sync"),
        ("full", 9, "cannot write"),
        ("read-only", 12, "cannot sync"),
        ("full", 14, "cannot sync"),
        ("broken", 17, "cannot write"),
    ]
    .into_iter()
    .enumerate()
    {
        let about = format!("{failure} at operation {operation}");
        let mut server = trial.home.start(&format!("fail={failure}:{operation}"));
        assert!(server.serves().await, "{about}: it does not serve");
        trial.until_failed(&mut server, &mut released, BATCHES).await;
        let heard = trial.streams.heard();
        released += 1;
        trial.streams.release(released);
        sleep(Duration::from_millis(200)).await;
        assert_eq!(
            trial.streams.heard(),
            heard,
            "{about}: acknowledged after the failure"
        );
        assert!(heard < released, "{about}: what failed was acknowledged");
        if life % 2 == 0 {
            server.signal("-TERM");
            let how = server.wait().expect("it ends");
            assert_eq!(how.code, Some(LEFT_OPEN), "{about}: {}", how.text);
        } else {
            server.kill();
        }
        let log = server.bury();
        no_panic(&log);
        assert!(log.says(tells), "{about}: {}", log.text());
    }
    trial.end().await;
}

/// A kernel's own refusal: no file may grow beyond a limit, as on a disk that is full.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn files_that_may_not_grow_stop_the_intake_and_a_start_with_room_goes_on() {
    let trial = Trial::begin(MANY_BATCHES).await;
    let mut released = 0;
    // The journal comes to the limit first with long segments, the index with short ones.
    let mut refused_starts = 0;
    for (segment_bytes, more) in [
        (8_000_000, 40_000),
        (20_000, 700_000),
        (20_000, 0),
        (8_000_000, 40_000),
    ] {
        let room = largest_file(&trial.home.store()) + more;
        let limited = limited(
            &trial.home.command(&format!("segment-bytes={segment_bytes}")),
            room,
        );
        let mut server = trial.home.start_as(limited);
        let about = format!("segments of {segment_bytes} bytes, {more} bytes of room");
        if !server.serves().await {
            // The database writes when it is opened, too.
            let how = server.ended().expect("it ended");
            assert_eq!(how.code, Some(NOT_STARTED), "{about}: {}", how.text);
            let log = server.bury();
            no_panic(&log);
            assert!(
                log.says("File too large") && log.says("make room"),
                "{about}: {}",
                log.text()
            );
            refused_starts += 1;
            println!("{about}: it does not start");
            continue;
        }
        trial.until_failed(&mut server, &mut released, MANY_BATCHES).await;
        server.signal("-TERM");
        let how = server.wait().expect("it ends");
        assert_eq!(how.code, Some(LEFT_OPEN), "{about}: {}", how.text);
        let log = server.bury();
        no_panic(&log);
        assert!(log.says("File too large"), "{about}: {}", log.text());
        println!("{about}: the store failed after {released} batches");
    }
    assert!(refused_starts < 3, "it hardly ever serves");
    trial.end().await;
}

/// Returns a command whose files may not grow beyond a size.
fn limited(command: &Command, bytes: u64) -> Command {
    let mut limited = Command::new("sh");
    limited
        .env_clear()
        .envs(
            command
                .get_envs()
                .filter_map(|(name, value)| Some((name, value?))),
        )
        .args(["-c", r#"ulimit -f "$0" && exec "$@""#])
        // In units of 512 bytes, says POSIX.
        .arg((bytes / 512).to_string())
        .arg(command.get_program())
        .args(command.get_args());
    limited
}

fn largest_file(directory: &Path) -> u64 {
    let entries = fs::read_dir(directory)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    entries
        .map(|path| {
            if path.is_dir() {
                largest_file(&path)
            } else {
                fs::metadata(&path).unwrap().len()
            }
        })
        .max()
        .unwrap_or(0)
}

/// A store that takes no writes. Permissions do not bind the administrator, who runs tests in many places: here the disk
/// itself answers as a read-only one, and names are taken by what is no directory or no file.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_store_that_takes_no_writes_is_told_at_the_start() {
    let place = tempfile::tempdir().unwrap();
    let home = Home::new(place.path(), program::server_with_faults());
    home.found(&Fleet::new(1, 1, SEED)).await;
    let refused = |faults: &str| {
        let mut server = home.start(faults);
        let how = server.wait().expect("it ends");
        assert_eq!(how.code, Some(NOT_STARTED), "{faults}: {}", how.text);
        let log = server.bury();
        no_panic(&log);
        log.text()
    };
    let store = home.store();
    for operation in 1..=4 {
        let told = refused(&format!("fail=read-only:{operation}"));
        assert!(
            told.contains("Read-only file system") || told.contains("read-only filesystem"),
            "operation {operation}: {told}"
        );
        assert!(
            told.contains(store.to_str().unwrap()),
            "operation {operation}: {told}"
        );
    }
    for (name, is_directory) in [
        ("journal", false),
        ("lock", true),
        ("index", false),
        ("index/db", true),
    ] {
        let (path, away) = (store.join(name), store.join("away"));
        fs::rename(&path, &away).unwrap();
        if is_directory {
            fs::create_dir(&path).unwrap();
        } else {
            fs::write(&path, "not a directory").unwrap();
        }
        let told = refused("");
        assert!(
            told.contains("cannot ") || told.contains("is damaged"),
            "{name}: {told}"
        );
        assert!(told.contains(store.to_str().unwrap()), "{name}: {told}");
        if is_directory {
            fs::remove_dir(&path).unwrap();
        } else {
            fs::remove_file(&path).unwrap();
        }
        fs::rename(&away, &path).unwrap();
    }
    let mut server = home.start("");
    assert!(server.serves().await, "it does not start once all is right again");
    server.end().unwrap();
    home.verify().unwrap();
}
