//! The program itself: configuration, signals, exit codes.

use std::{
    io::{BufRead as _, BufReader, Read as _},
    process::{Child, Command, Output, Stdio},
    time::{Duration, Instant},
};

use coldbrake_proto::v1::stream_samples_response::Message as Out;
use tonic::{Code, transport::Channel};

use super::support::{CLASS, Vehicle, drive, messages, open, session};

fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_coldbrake-server"));
    // Several run at a time.
    command.env_clear().env("COLDBRAKE_SERVER_ADMIN_LISTEN", "");
    command
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A program that serves, with the address from its log.
struct Running {
    child: Child,
    address: String,
    log: BufReader<std::process::ChildStderr>,
}

impl Running {
    fn start(directory: &std::path::Path, more: &[&str]) -> Self {
        let mut child = program()
            .args([
                "--listen",
                "127.0.0.1:0",
                "--log-format",
                "json",
                "--store-directory",
            ])
            .arg(directory)
            .args(more)
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut log = BufReader::new(child.stderr.take().unwrap());
        let address = loop {
            let mut line = String::new();
            assert!(
                log.read_line(&mut line).unwrap() > 0,
                "the program ended before it served"
            );
            let entry: serde_json::Value =
                serde_json::from_str(&line).unwrap_or_else(|e| panic!("{e}: {line}"));
            if let Some(address) = entry["address"].as_str() {
                break address.to_owned();
            }
        };
        Self { child, address, log }
    }

    async fn channel(&self) -> Channel {
        Channel::from_shared(format!("http://{}", self.address))
            .unwrap()
            .connect()
            .await
            .unwrap()
    }

    fn signal(&self, name: &str) {
        let sent = Command::new("kill")
            .args([name, &self.child.id().to_string()])
            .status()
            .unwrap();
        assert!(sent.success());
    }

    /// Waits for the end; returns the exit code and the rest of the log.
    fn end(mut self) -> (Option<i32>, String) {
        let until = Instant::now() + Duration::from_secs(20);
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(Instant::now() < until, "the program does not end");
            std::thread::sleep(Duration::from_millis(20));
        };
        let mut rest = String::new();
        self.log.read_to_string(&mut rest).unwrap();
        (status.code(), rest)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn mistakes_in_the_configuration_are_told_at_once() {
    let directory = tempfile::tempdir().unwrap();
    let file = directory.path().join("server.toml");
    std::fs::write(&file, "shards = \"many\"\n[limits]\nstraems = 3\n").unwrap();
    let output = program()
        .arg("--config")
        .arg(&file)
        .args(["--limits-credit", "0"])
        .env("COLDBRAKE_SERVER_COMMIT_LINGER", "soon")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    let told = stderr(&output);
    assert!(
        told.starts_with("error: the configuration has 4 mistakes\n"),
        "{told}"
    );
    for want in [
        "`shards`",
        "`limits.straems`",
        "`limits.credit`",
        "COLDBRAKE_SERVER_COMMIT_LINGER",
    ] {
        assert!(told.contains(want), "{want} not in {told}");
    }
}

#[test]
fn the_printed_configuration_is_one_that_is_read() {
    let directory = tempfile::tempdir().unwrap();
    let first = program()
        .args(["--print-config", "--limits-streams", "77"])
        .output()
        .unwrap();
    assert!(first.status.success());
    let text = String::from_utf8(first.stdout).unwrap();
    assert!(text.contains("[flag --limits-streams]\nstreams = 77\n"), "{text}");
    let file = directory.path().join("server.toml");
    std::fs::write(&file, text).unwrap();
    let second = program()
        .arg("--print-config")
        .arg("--config")
        .arg(&file)
        .output()
        .unwrap();
    assert!(second.status.success(), "{}", stderr(&second));
    assert!(
        String::from_utf8(second.stdout)
            .unwrap()
            .contains("streams = 77\n")
    );
}

#[test]
fn a_store_that_cannot_be_opened_is_named() {
    let directory = tempfile::tempdir().unwrap();
    let file = directory.path().join("a-file");
    std::fs::write(&file, "not a directory").unwrap();
    let output = program()
        .args(["--listen", "127.0.0.1:0", "--store-directory"])
        .arg(&file)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert!(stderr(&output).contains("a-file"), "{}", stderr(&output));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_request_to_end_is_followed_and_the_next_start_goes_on() {
    let directory = tempfile::tempdir().unwrap();
    let running = Running::start(directory.path(), &[]);
    let put = coldbrake_proto::v1::PutVehicleClassRequest {
        document_toml: CLASS.to_owned(),
    };
    coldbrake_proto::v1::fleet_service_client::FleetServiceClient::new(running.channel().await)
        .put_vehicle_class(put)
        .await
        .unwrap();
    let batches = messages(&drive(1, 40));
    let (mut van, _) = Vehicle::open(running.channel().await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches[..4]).await;
    van.acknowledged(4).await;
    running.signal("-TERM");
    let mut drained = false;
    let last = loop {
        match van.hear().await {
            Ok(Some(message)) => drained |= matches!(message, Out::Drain(_)),
            Ok(None) => panic!("ended as if all were well"),
            Err(status) => break status,
        }
    };
    assert_eq!((last.code(), drained), (Code::Unavailable, true));
    let (code, log) = running.end();
    assert_eq!(code, Some(0), "{log}");
    assert!(log.contains("\"message\":\"shut down\""), "{log}");

    let running = Running::start(directory.path(), &[]);
    let (_van, opened) = Vehicle::open(running.channel().await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.durable_through, 4);
    // Killed: nothing that was acknowledged is lost.
    running.signal("-KILL");
    assert_eq!(running.end().0, None);
    let running = Running::start(directory.path(), &[]);
    let (_van, opened) = Vehicle::open(running.channel().await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(opened.durable_through, 4);
    running.signal("-INT");
    assert_eq!(running.end().0, Some(0));
}
