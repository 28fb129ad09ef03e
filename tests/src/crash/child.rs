//! A server as a process of its own.

use std::{
    io::{BufRead as _, BufReader},
    net::SocketAddr,
    os::unix::process::ExitStatusExt as _,
    process::{Command, ExitStatus, Stdio},
    sync::{Arc, Mutex},
    thread::JoinHandle,
    time::{Duration, Instant},
};

use tokio::sync::watch;

/// Longest wait for the end of a server that was asked to end: its own patience is 10 s.
const END_PATIENCE: Duration = Duration::from_secs(20);

/// A running server. It is killed when this is dropped.
#[derive(Debug)]
pub struct Child {
    process: std::process::Child,
    address: watch::Receiver<Option<SocketAddr>>,
    lines: Arc<Mutex<Vec<String>>>,
    reader: Option<JoinHandle<()>>,
}

/// How a process ended.
#[derive(Clone, Debug)]
pub struct How {
    /// Whether by SIGKILL.
    pub was_killed: bool,
    /// Exit code, if it ended by itself.
    pub code: Option<i32>,
    /// Status and what it said last.
    pub text: String,
}

/// What a server said.
#[derive(Clone, Debug)]
pub struct Log(Vec<String>);

impl Log {
    /// Returns whether a line has a text in it.
    pub fn says(&self, text: &str) -> bool {
        self.0.iter().any(|line| line.contains(text))
    }

    /// Returns the line about a panic, if there was one.
    pub fn panic(&self) -> Option<&str> {
        self.0
            .iter()
            .map(String::as_str)
            .find(|line| line.contains("panicked at"))
    }

    /// Returns all lines.
    pub fn text(&self) -> String {
        self.0.join("\n")
    }
}

impl Child {
    /// Starts a server. `known` is told the address while it serves.
    pub fn start(mut command: Command, known: watch::Sender<Option<SocketAddr>>) -> Self {
        let mut process = command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let said = BufReader::new(process.stderr.take().unwrap());
        let address = known.subscribe();
        known.send_replace(None);
        let lines = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&lines);
        let reader = std::thread::spawn(move || {
            for line in said.lines().map_while(Result::ok) {
                let entry = serde_json::from_str::<serde_json::Value>(&line).unwrap_or_default();
                if entry["message"] == "serving"
                    && let Some(address) = entry["address"].as_str()
                {
                    known.send_replace(address.parse().ok());
                }
                kept.lock().unwrap().push(line);
            }
            known.send_replace(None);
        });
        Self {
            process,
            address,
            lines,
            reader: Some(reader),
        }
    }

    /// Returns the address while it serves.
    pub fn address(&self) -> Option<SocketAddr> {
        *self.address.borrow()
    }

    /// Returns whether it has said a text so far.
    pub fn said(&self, text: &str) -> bool {
        self.lines.lock().unwrap().iter().any(|line| line.contains(text))
    }

    /// Returns the process.
    pub fn id(&self) -> u32 {
        self.process.id()
    }

    /// Waits until it serves, or has ended. Returns whether it serves.
    pub async fn serves(&mut self) -> bool {
        loop {
            if self.address().is_some() {
                return true;
            }
            if self.ended().is_some() {
                return false;
            }
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    }

    /// Sends a signal, named as `kill` takes it.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill")
            .args([name, &self.process.id().to_string()])
            .status();
        assert!(sent.unwrap().success());
    }

    /// Kills it.
    pub fn kill(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }

    /// Returns how it ended, if it has.
    pub fn ended(&mut self) -> Option<How> {
        let status = self.process.try_wait().unwrap()?;
        Some(self.how(status))
    }

    fn how(&mut self, status: ExitStatus) -> How {
        if let Some(reader) = self.reader.take() {
            reader.join().unwrap();
        }
        let lines = self.lines.lock().unwrap();
        let last = lines.len().saturating_sub(3);
        How {
            was_killed: status.signal() == Some(9),
            code: status.code(),
            text: format!("{status}: {}", lines[last..].join(" / ")),
        }
    }

    /// Waits until it has ended by itself.
    pub fn wait(&mut self) -> Option<How> {
        let until = Instant::now() + END_PATIENCE;
        loop {
            if let Some(how) = self.ended() {
                return Some(how);
            }
            if Instant::now() > until {
                self.kill();
                return None;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// Asks it to end. Returns what is wrong with how it did.
    pub fn end(&mut self) -> Result<(), String> {
        self.signal("-TERM");
        let Some(how) = self.wait() else {
            return Err(format!("the server does not end in {} s", END_PATIENCE.as_secs()));
        };
        let panic = Log(self.lines.lock().unwrap().clone()).panic().map(str::to_owned);
        match (how.code, panic) {
            (Some(0), None) => Ok(()),
            (_, Some(line)) => Err(format!("the server panicked: {line}")),
            (_, None) => Err(format!("the server did not end well: {}", how.text)),
        }
    }

    /// Returns what it said, after its end.
    pub fn bury(mut self) -> Log {
        self.kill();
        if let Some(reader) = self.reader.take() {
            reader.join().unwrap();
        }
        Log(std::mem::take(&mut self.lines.lock().unwrap()))
    }
}

impl Drop for Child {
    fn drop(&mut self) {
        self.kill();
    }
}
