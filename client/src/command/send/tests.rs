//! `send` against a real server in this process.

use std::{
    fmt::Write as _,
    io::Write as _,
    sync::{Arc, Mutex},
};

use clap::Parser;
use coldbrake_proto::v1::{ListDescentsRequest, PutVehicleClassRequest};
use coldbrake_server::{Config, ServerHandle};

use super::*;
use crate::printer::Units;

#[derive(Parser)]
struct Cli {
    #[command(flatten)]
    send: SendArgs,
    #[command(flatten)]
    global: Global,
}

const CLASS: &str = "\
vehicle_class = \"van\"
mass_kg = 2500.0
rolling_coefficient = 0.0095
drag_area_m2 = 1.2
max_recovery_power_w = 100e3
nominal_voltage_v = 360.0
brake_force_per_bar_n = 400.0
";

/// A descent of 6 %; the current charges on the way down. `offset` moves it in time.
fn log(sign: f64, offset: u32) -> tempfile::NamedTempFile {
    let mut text = "time,speed_mps,altitude_m,brake_bar,current_a\n".to_owned();
    for i in 0..1200 {
        let t = f64::from(i);
        let altitude = 1500.0 - 0.06 * 15.0 * (t.clamp(100.0, 900.0) - 100.0);
        let current = if (100.0..900.0).contains(&t) { 25.0 } else { -20.0 };
        let _ = writeln!(
            text,
            "{},15,{altitude},0,{}",
            1_773_299_700 + i + offset,
            sign * current
        );
    }
    let mut file = tempfile::NamedTempFile::with_suffix(".csv").unwrap();
    file.write_all(text.as_bytes()).unwrap();
    file
}

#[derive(Clone, Default)]
struct Captured(Arc<Mutex<Vec<u8>>>);

impl std::io::Write for Captured {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Captured {
    fn take(&self) -> String {
        String::from_utf8(std::mem::take(&mut *self.0.lock().unwrap())).unwrap()
    }
}

async fn start() -> ServerHandle {
    let server = ServerHandle::start(Config::in_process()).await.unwrap();
    let client = Server::connect(&server.uri(), Duration::from_secs(10))
        .await
        .unwrap();
    client
        .fleet()
        .put_vehicle_class(PutVehicleClassRequest {
            document_toml: CLASS.to_owned(),
        })
        .await
        .unwrap();
    server
}

/// Runs the command; returns its outcome, its data and its talk.
async fn send(server: &ServerHandle, file: &Path, more: &[&str]) -> (Outcome, String, String) {
    send_as(server, file, "van", more).await
}

async fn send_as(
    server: &ServerHandle,
    file: &Path,
    class: &str,
    more: &[&str],
) -> (Outcome, String, String) {
    let uri = server.uri();
    let file = file.to_str().unwrap();
    let args = [
        "test",
        file,
        "--vehicle=van-07",
        "--class",
        class,
        "--software=4.2.0",
        "--server",
        &uri,
    ];
    let cli = Cli::parse_from(args.iter().chain(more));
    let (out, err) = (Captured::default(), Captured::default());
    let mut printer = Printer::captured(
        Format::Table,
        Units::Metric,
        Box::new(out.clone()),
        Box::new(err.clone()),
    );
    let outcome = run(cli.send, &cli.global, &mut printer).await;
    (outcome, out.take(), err.take())
}

async fn descent_count(server: &ServerHandle) -> usize {
    let client = Server::connect(&server.uri(), Duration::from_secs(10))
        .await
        .unwrap();
    let answer = client
        .descents()
        .list_descents(ListDescentsRequest::default())
        .await
        .unwrap();
    answer.into_inner().descents.len()
}

const CHARGE: &str = "--current=charge-positive";

#[tokio::test]
async fn a_log_counts_once_however_often_it_is_sent() {
    let server = start().await;
    let file = log(1.0, 0);
    let (outcome, out, err) = send(&server, file.path(), &[CHARGE]).await;
    outcome.unwrap();
    assert_eq!(out, "van-07: 1200 samples in 12 batches, all durable\n");
    assert!(
        err.contains("next: coldbrake descents list --vehicle van-07"),
        "{err}"
    );
    assert_eq!(descent_count(&server).await, 1);
    let (outcome, out, _) = send(&server, file.path(), &[CHARGE]).await;
    outcome.unwrap();
    assert!(out.contains("all of it had been sent before"), "{out}");
    assert_eq!(descent_count(&server).await, 1);
    server.shutdown().await;
}

#[tokio::test]
async fn an_older_log_is_refused_unless_it_is_meant() {
    let server = start().await;
    let (older, newer) = (log(1.0, 0), log(1.0, 10_000));
    send(&server, newer.path(), &[CHARGE]).await.0.unwrap();
    let failure = send(&server, older.path(), &[CHARGE]).await.0.unwrap_err();
    assert_eq!(failure.code, Code::BadInput);
    assert!(failure.helps[0].contains("--again"), "{failure:?}");
    assert_eq!(descent_count(&server).await, 1);
    send(&server, older.path(), &[CHARGE, "--again"]).await.0.unwrap();
    assert_eq!(descent_count(&server).await, 2);
    server.shutdown().await;
}

#[tokio::test]
async fn refused_batches_are_reported_and_make_the_outcome_partial() {
    let server = start().await;
    let file = log(-1.0, 0);
    let (outcome, _, err) = send(&server, file.path(), &[CHARGE]).await;
    assert_eq!(outcome.unwrap_err().code, Code::Partial);
    assert!(err.contains("contradicts the motion"), "{err}");
    server.shutdown().await;
}

#[tokio::test]
async fn a_class_that_the_server_does_not_know_is_named() {
    let server = start().await;
    let file = log(1.0, 0);
    let failure = send_as(&server, file.path(), "lorry", &[CHARGE])
        .await
        .0
        .unwrap_err();
    assert_eq!(failure.code, Code::BadInput);
    assert!(
        failure.message.contains("`lorry` is not registered"),
        "{failure:?}"
    );
    server.shutdown().await;
}

#[test]
fn the_session_follows_from_vehicle_file_and_the_way_of_reading() {
    let file = log(1.0, 0);
    let of = |vehicle: &str, more: &[&str]| {
        let path = file.path().to_str().unwrap();
        let args = ["test", path, "--vehicle", vehicle, "--class=van", "--software=1"];
        let cli = Cli::parse_from(args.iter().chain(more));
        session(file.path(), &cli.send, &cli.send.import.options().unwrap()).unwrap()
    };
    assert_eq!(of("van-07", &[CHARGE]), of("van-07", &[CHARGE]));
    assert_ne!(of("van-07", &[CHARGE]), of("van-08", &[CHARGE]));
    assert_ne!(
        of("van-07", &[CHARGE]),
        of("van-07", &["--current=discharge-positive"])
    );
}

#[tokio::test]
async fn a_log_without_a_date_is_not_sent() {
    let mut file = tempfile::NamedTempFile::with_suffix(".csv").unwrap();
    file.write_all(b"time,speed,altitude,brake_bar,current\n0,1,1,0,0\n")
        .unwrap();
    let args = [
        "test",
        file.path().to_str().unwrap(),
        "--vehicle=v",
        "--class=c",
        "--software=1",
        CHARGE,
    ];
    let cli = Cli::parse_from(args);
    let (out, err) = (Captured::default(), Captured::default());
    let mut printer = Printer::captured(Format::Table, Units::Metric, Box::new(out), Box::new(err));
    let failure = run(cli.send, &cli.global, &mut printer).await.unwrap_err();
    assert!(failure.helps[0].contains("--start"), "{failure:?}");
}
