//! The demonstration from end to end, as it is started by a user.

use std::{
    io::Write,
    sync::{Arc, Mutex},
};

use super::*;
use crate::{
    args::{Args, Command},
    printer::Units,
};

#[derive(Clone, Default)]
struct Buffer(Arc<Mutex<Vec<u8>>>);

impl Write for Buffer {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Buffer {
    fn text(&self) -> String {
        String::from_utf8(self.0.lock().unwrap().clone()).unwrap()
    }
}

async fn demo(words: &[&str]) -> (Outcome, String) {
    let args = Args::read([&["coldbrake", "demo"], words].concat()).unwrap();
    let (out, err) = (Buffer::default(), Buffer::default());
    let mut printer = Printer::captured(
        args.global.format,
        Units::Metric,
        Box::new(out.clone()),
        Box::new(err),
    );
    let Command::Demo(demo) = args.command else {
        panic!("another command")
    };
    let outcome = run(demo, &args.global, &mut printer).await;
    (outcome, out.text())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_server_finds_what_was_simulated_and_the_page_is_80_wide() {
    let data = tempfile::tempdir().unwrap();
    let path = data.path().to_str().unwrap();
    let words = ["--vehicles", "12", "--days", "1", "--data", path];
    let (outcome, text) = demo(&words).await;
    assert_eq!(outcome, Ok(()), "{text}");
    let program = std::env::args().next().unwrap();
    for line in text
        .lines()
        .filter(|l| !l.contains(&program) && !l.contains(path))
    {
        assert!(
            line.chars().count() <= 80,
            "{} columns: {line}",
            line.chars().count()
        );
    }
    // Lines break anywhere.
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for expected in [
        "24 of 24 descents found;",
        "Software 4.3.0 is the one to look at.",
        "van-04 alone stands out",
        "One descent is chiefly `battery full`: bus-02 on 2026-03-02, for no fault of the vehicle.",
        "3 descents that are chiefly `low speed, recovery blended out` are all of 2026-03-02",
        crate::show::CAUTION,
    ] {
        assert!(text.contains(expected), "{expected}: {text}");
    }

    // Streamed again into the same store, nothing counts twice.
    let (outcome, again) = demo(&words).await;
    assert_eq!(outcome, Ok(()), "{again}");
    assert!(again.contains("24 of 24 descents found;"), "{again}");
    assert!(again.contains("0 accepted, 0 twice and dropped"), "{again}");
}

#[tokio::test]
async fn a_port_that_is_taken_is_named_with_what_to_do() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port();
    let (outcome, text) = demo(&["--port", &port.to_string()]).await;
    let failure = outcome.unwrap_err();
    assert!(
        failure.message.contains(&format!("127.0.0.1:{port}")),
        "{failure:?}"
    );
    assert!(failure.helps[0].contains("--port"), "{failure:?}");
    assert_eq!(text, "");
}

#[tokio::test]
async fn it_is_for_people_and_says_what_programs_do_instead() {
    let (outcome, _) = demo(&["--format", "json"]).await;
    let failure = outcome.unwrap_err();
    assert_eq!(failure.code, Code::Usage);
    assert!(failure.helps[0].contains("--keep"));
}
