//! The program itself, run as a user would, against a server on a free port of loopback.

use std::{
    fs,
    io::{BufRead as _, BufReader, Read as _},
    path::PathBuf,
    process::{Child, Command, Output, Stdio},
    time::Duration,
};

use coldbrake::command::classes::TEMPLATE;
use coldbrake_server::{Config, ServerHandle};
use serde_json::Value;

use crate::schema::conforms;

/// A server that runs as long as this lives, and files to send to it.
struct House {
    runtime: tokio::runtime::Runtime,
    server: Option<ServerHandle>,
    files: tempfile::TempDir,
}

impl House {
    fn open() -> Self {
        let runtime = tokio::runtime::Runtime::new().unwrap();
        let server = runtime
            .block_on(ServerHandle::start(Config::in_process()))
            .unwrap();
        let files = tempfile::tempdir().unwrap();
        fs::write(files.path().join("van.toml"), TEMPLATE.replace("my-van", "van")).unwrap();
        fs::write(files.path().join("trip.csv"), log("2026-03-12T07:00:00Z")).unwrap();
        fs::write(files.path().join("later.csv"), log("2026-03-12T09:00:00Z")).unwrap();
        Self {
            runtime,
            server: Some(server),
            files,
        }
    }

    fn file(&self, name: &str) -> PathBuf {
        self.files.path().join(name)
    }

    /// The program with its words, asking this server.
    fn command(&self, words: &str) -> Command {
        let mut command = program(words);
        command.current_dir(self.files.path());
        command.env("COLDBRAKE_SERVER", self.server.as_ref().unwrap().uri());
        command
    }

    /// Runs it and expects success.
    fn run(&self, words: &str) -> (String, String) {
        let output = self.command(words).output().unwrap();
        let (out, err) = texts(&output);
        assert_eq!(output.status.code(), Some(0), "{words}\n{out}\n{err}");
        (out, err)
    }

    fn json(&self, words: &str) -> Value {
        let (out, _) = self.run(&format!("{words} --format json"));
        let document = serde_json::from_str(&out).unwrap_or_else(|e| panic!("{words}: {e}: {out}"));
        conforms(&document);
        document
    }

    /// Runs it, expects an exit code, and returns what it said.
    fn fails(&self, words: &str, code: i32) -> String {
        fails(self.command(words), words, code)
    }

    fn send(&self, file: &str, vehicle: &str) {
        self.run(&format!(
            "send {file} --vehicle {vehicle} --class van --software 4.2.0 --current charge-positive"
        ));
    }
}

impl Drop for House {
    fn drop(&mut self) {
        if let Some(server) = self.server.take() {
            self.runtime.block_on(server.shutdown());
        }
    }
}

pub(crate) fn program(words: &str) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_coldbrake"));
    command.args(words.split_whitespace());
    command
        .env_remove("COLDBRAKE_SERVER")
        .env("LC_ALL", "C.UTF-8")
        .env("COLUMNS", "80");
    command.stdin(Stdio::null());
    command
}

pub(crate) fn texts(output: &Output) -> (String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (text(&output.stdout), text(&output.stderr))
}

pub(crate) fn fails(mut command: Command, words: &str, code: i32) -> String {
    let output = command.output().unwrap();
    let (out, err) = texts(&output);
    assert_eq!(output.status.code(), Some(code), "{words}\n{out}\n{err}");
    assert!(err.starts_with("error: "), "{words}: {err}");
    // clap has words of its own; a server names a command in its message.
    let says_what_to_do = code == 2 || err.contains("help: ") || err.contains("`coldbrake ");
    assert!(says_what_to_do, "{words} does not say what to do: {err}");
    assert!(out.is_empty(), "{words}: {out}");
    err
}

/// 6 % down for 800 s at 15 m/s, one sample a second, friction on the last third of it.
fn log(start: &str) -> String {
    let start: jiff::Timestamp = start.parse().unwrap();
    let mut text = "time,speed_mps,altitude_m,brake_bar,current_a,voltage_v\n".to_owned();
    for i in 0..1_200_i32 {
        let time = start + jiff::SignedDuration::from_secs(i.into());
        let t = f64::from(i.clamp(100, 900) - 100);
        let current = if (100..900).contains(&i) { 50.0 } else { -25.0 };
        let brake = if (600..900).contains(&i) { 3.0 } else { 0.0 };
        let altitude = 1500.0 - 0.06 * 15.0 * t;
        text.push_str(&format!("{time},15,{altitude},{brake},{current},380\n"));
    }
    text
}

#[test]
fn from_a_class_file_to_the_account_of_a_descent() {
    let house = House::open();
    assert!(house.run("classes put van.toml").1.contains("registered"));
    assert_eq!(house.json("classes put van.toml")["replaced"], true);
    assert_eq!(
        house.json("classes list")["vehicle_classes"][0]["vehicle_class"],
        "van"
    );

    // What `classes show` prints can be put again and is the same class.
    let (shown, _) = house.run("classes show van");
    fs::write(house.file("again.toml"), &shown).unwrap();
    house.run("classes put again.toml");
    assert_eq!(house.run("classes show van").0, shown);
    house.json("classes show van");

    let how = "--current charge-positive";
    let sent = house.json(&format!(
        "send trip.csv --vehicle van-1 --class van --software 4.2.0 {how}"
    ));
    assert_eq!(sent["samples"], 1_200);
    let list =
        house.json("descents list --vehicle van-1 --since 2026-03-12 --until 2026-03-13 --min-drop 700");
    assert_eq!(
        (list["descents"].as_array().unwrap().len(), &list["more"]),
        (1, &Value::from(false))
    );
    let descent = &list["descents"][0];
    let drop = descent["drop_m"].as_f64().unwrap();
    assert!((drop - 720.0).abs() < 5.0, "{drop}");
    assert!(
        house.json("descents list --min-drop 800")["descents"]
            .as_array()
            .unwrap()
            .is_empty()
    );
    assert!(
        house.json("descents list --since 1d")["descents"]
            .as_array()
            .unwrap()
            .is_empty()
    );

    // One descent: by its identifier, by the first part of it, and the latest.
    let id = descent["descent"].as_str().unwrap();
    let whole = house.json(&format!("descents show van-1 {id}"));
    assert!(!whole["descents"][0]["profile"].as_array().unwrap().is_empty());
    assert_eq!(house.json(&format!("descents show van-1 {}", &id[..10])), whole);
    assert_eq!(house.json("descents show van-1"), whole);
    let (page, next) = house.run("descents show van-1");
    for part in [
        "= available: what had to be braked",
        "Why friction was used",
        "Along the road",
        id,
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    assert!(
        next.contains("next: coldbrake descents list --vehicle van-1"),
        "{next}"
    );

    // The same log without the server: the same descent.
    let here = house.json(&format!(
        "analyse trip.csv --class van.toml --vehicle van-1 --software 4.2.0 --full {how}"
    ));
    // Only the server knows grades to match it against.
    let mut recorded = whole["descents"].clone();
    assert_eq!(recorded[0]["grade_match"], "nothing_close");
    recorded[0]["grade_match"] = Value::Null;
    assert_eq!(here["descents"], recorded);

    // The same values in every format.
    let (csv, _) = house.run("descents list --format csv");
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let at = reader
        .headers()
        .unwrap()
        .iter()
        .position(|h| h == "recovery_ratio")
        .unwrap();
    let row = reader.records().next().unwrap().unwrap();
    assert_eq!(row[at], descent["recovery_ratio"].to_string());

    let distribution = house.json("distribution recovery_ratio --class van --software 4.2.0");
    assert_eq!(distribution["count"], 1);
    let (encoded, _) = house.run("distribution recovery_ratio --encoded");
    assert_eq!(encoded.trim(), distribution["histogram_v2_base64"]);
    assert_eq!(
        house.json("distribution recovery_ratio --software 9.9")["count"],
        0
    );
    assert!(house.run("distribution drop_m").0.contains("descents by range"));
    house.json("distribution --list");

    assert_eq!(house.json("vehicles show van-1")["vehicle"]["descent_count"], 1);
    assert_eq!(
        house.json("vehicles list --class van")["vehicles"]
            .as_array()
            .unwrap()
            .len(),
        1
    );
    assert_eq!(house.json("status")["descent_count"], 1);
    assert!(house.run("status").0.contains("descents recorded"));
    let (_, silence) = house.run("descents list --quiet");
    assert_eq!(silence, "");
}

#[test]
fn a_descent_is_watched_as_it_is_recorded_and_an_interrupt_ends_the_watch() {
    let house = House::open();
    house.run("classes put van.toml");
    let mut watch = Ended(
        house
            .command("descents watch --class van --format json --timeout 1")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap(),
    );
    let mut talk = BufReader::new(watch.0.stderr.take().unwrap());
    let mut line = String::new();
    talk.read_line(&mut line).unwrap();
    assert!(line.contains("watching"), "{line}");
    // The time-out is for answers: it must not end a watch.
    std::thread::sleep(Duration::from_millis(1_500));
    house.send("trip.csv", "van-1");
    let mut data = BufReader::new(watch.0.stdout.take().unwrap());
    let mut line = String::new();
    data.read_line(&mut line).unwrap();
    let document: Value = serde_json::from_str(&line).unwrap();
    conforms(&document);
    assert_eq!(document["descents"][0]["vehicle"], "van-1");
    let signalled = Command::new("kill")
        .args(["-INT", &watch.0.id().to_string()])
        .status()
        .unwrap();
    assert!(signalled.success());
    assert_eq!(watch.0.wait().unwrap().code(), Some(130));
    let mut rest = String::new();
    talk.read_to_string(&mut rest).unwrap();
    assert_eq!(rest, "error: interrupted\n");
}

/// Ends a program that a failing test would leave behind.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn every_kind_of_failure_has_its_code_and_says_what_to_do() {
    let house = House::open();
    house.run("classes put van.toml");
    house.send("trip.csv", "van-1");
    house.send("later.csv", "van-1");
    // 2: the command line.
    assert!(
        house
            .fails("descents list --since yesterdayish", 2)
            .contains("--since")
    );
    assert!(
        house
            .fails("distribution recovery_rati", 2)
            .contains("did you mean `recovery_ratio`?")
    );
    let several = house.fails("descents show van-1 2026", 2);
    assert!(
        several.contains("2 descents of `van-1` begin with `2026`"),
        "{several}"
    );
    house.fails("descents list --limit 0", 2);
    house.fails("descnts list", 2);
    house.fails("status --server http://no[where", 2);
    // 3: not found.
    assert!(house.fails("vehicles show van-9", 3).contains("van-9"));
    assert!(house.fails("descents show van-9", 3).contains("van-9"));
    assert!(
        house
            .fails("descents show van-1 20991231T235959Z-9", 3)
            .contains("20991231T235959Z-9")
    );
    assert!(house.fails("classes show boat", 3).contains("boat"));
    assert!(house.fails("define recovery_rat", 3).contains("did you mean"));
    // 4: no server there. Port 9 of loopback: nobody listens.
    let unreachable = house.fails("status --server 127.0.0.1:9", 4);
    assert!(
        unreachable.contains("http://127.0.0.1:9") && unreachable.contains("note: "),
        "{unreachable}"
    );
    // 6: wrong input.
    assert!(
        house
            .fails("classes put nowhere.toml", 6)
            .contains("nowhere.toml")
    );
    fs::write(house.file("bad.toml"), "vehicle_class = \"van\"\nmass_kg = -3\n").unwrap();
    assert!(house.fails("classes put bad.toml", 6).contains("bad.toml"));
    let send = "send trip.csv --vehicle van-2 --class boat --software 1 --current charge-positive";
    let unknown = house.fails(send, 6);
    assert!(unknown.contains("boat"), "{unknown}");
}

/// A server that takes the connection and then says nothing.
#[test]
fn a_silent_server_is_given_up() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let words = format!(
        "status --timeout 1 --server http://{}",
        listener.local_addr().unwrap()
    );
    let said = fails(program(&words), &words, 4);
    assert!(said.contains("--timeout"), "{said}");
}

#[test]
fn a_reader_that_goes_away_is_no_failure() {
    let house = House::open();
    house.run("classes put van.toml");
    house.send("trip.csv", "van-1");
    for words in [
        "completions bash",
        "define",
        "descents show van-1",
        "descents list --format csv --all",
    ] {
        let mut child = house
            .command(words)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{words}: {output:?}");
    }
}

#[test]
fn colour_comes_only_when_asked_for_or_on_a_terminal() {
    let escape = |words: &str| {
        let output = program(words).env_remove("NO_COLOR").output().unwrap();
        assert!(output.status.success());
        output.stdout.contains(&0x1b)
    };
    assert!(escape("define coverage --color always"));
    assert!(!escape("define coverage --color never"));
    assert!(!escape("define coverage"), "a pipe is no terminal");
}

#[test]
fn ascii_is_spoken_where_the_locale_asks_for_it() {
    let house = House::open();
    house.run("classes put van.toml");
    house.send("trip.csv", "van-1");
    for (words, locale) in [
        ("descents show van-1", "C"),
        ("descents show van-1 --ascii", "C.UTF-8"),
    ] {
        let output = house.command(words).env("LC_ALL", locale).output().unwrap();
        assert!(output.status.success() && output.stdout.is_ascii(), "{words}");
        assert!(
            String::from_utf8(output.stdout).unwrap().contains("@@@"),
            "the profile is drawn"
        );
    }
    assert!(!house.run("descents show van-1").0.is_ascii());
}

#[test]
fn every_shell_has_completions() {
    for shell in ["bash", "elvish", "fish", "powershell", "zsh"] {
        let output = program(&format!("completions {shell}")).output().unwrap();
        let (out, err) = texts(&output);
        assert!(
            output.status.success() && out.contains("distribution") && err.is_empty(),
            "{shell}"
        );
    }
}
