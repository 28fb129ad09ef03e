//! A server as a child process: what it says, what it uses, how it ends.

use std::{
    collections::VecDeque,
    ffi::OsStr,
    io::{BufRead as _, BufReader},
    path::Path,
    process::{Child, Command, Stdio},
    sync::{Arc, Mutex, PoisonError},
    time::{Duration, Instant},
};

use coldbrake_proto::v1::{PutVehicleClassRequest, fleet_service_client::FleetServiceClient};
use rustix::process::{Pid, Signal, kill_process};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpStream,
};
use tonic::transport::{ClientTlsConfig, Endpoint};

use super::{pki::Pki, probe, road};

/// Lines of the log that are kept.
const KEPT_LINES: usize = 200;

/// A running server. Dropped, it is killed.
#[derive(Debug)]
pub struct Server {
    child: Child,
    /// Where vehicles connect.
    pub address: String,
    /// Where metrics are.
    pub admin: String,
    /// Time from its start until it served.
    pub ready_after: Duration,
    has_tls: bool,
    log: Arc<Mutex<VecDeque<String>>>,
}

/// How a server ended.
#[derive(Debug)]
pub struct Ended {
    /// Exit code, if it ended by itself.
    pub code: Option<i32>,
    /// Time from the signal to the end.
    pub took: Duration,
    /// The last lines of its log.
    pub log: String,
}

impl Server {
    /// Starts a program that takes the server's flags, on free ports with its store in `directory`, and registers the class
    /// of the load.
    pub async fn start<S: AsRef<OsStr>>(
        program: &Path,
        directory: &Path,
        more: impl IntoIterator<Item = S>,
    ) -> Self {
        let mut command = Command::new(program);
        command.env_clear();
        Self::spawn(command, directory, more).await
    }

    /// The same with TLS.
    pub async fn start_with_tls<S: AsRef<OsStr>>(
        program: &Path,
        directory: &Path,
        pki: &Pki,
        more: impl IntoIterator<Item = S>,
    ) -> Self {
        let mut command = Command::new(program);
        command.env_clear().args(pki.server_flags());
        let mut server = Self::launch(command, directory, more);
        server.has_tls = true;
        register_by(&server.uri(), Some(pki.engineer())).await;
        server
    }

    /// The same without TLS, for a command that has arguments already.
    pub async fn spawn<S: AsRef<OsStr>>(
        command: Command,
        directory: &Path,
        more: impl IntoIterator<Item = S>,
    ) -> Self {
        let server = Self::launch(command, directory, more);
        register(&server.uri()).await;
        server
    }

    fn launch<S: AsRef<OsStr>>(
        mut command: Command,
        directory: &Path,
        more: impl IntoIterator<Item = S>,
    ) -> Self {
        command
            .args([
                "--listen",
                "127.0.0.1:0",
                "--admin-listen",
                "127.0.0.1:0",
                "--log-format",
                "json",
            ])
            .arg("--store-directory")
            .arg(directory)
            .args(more)
            .stdin(Stdio::null())
            .stderr(Stdio::piped());
        let began = Instant::now();
        let mut child = command.spawn().unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let (mut address, mut admin, mut begun) = (None, None, VecDeque::new());
        while address.is_none() || admin.is_none() {
            let Some(Ok(line)) = lines.next() else {
                let _ = child.wait();
                panic!("the server ended before it served: {begun:?}");
            };
            if let Ok(entry) = serde_json::from_str::<serde_json::Value>(&line) {
                address = address.or(entry["address"].as_str().map(str::to_owned));
                admin = admin.or(entry["admin"].as_str().map(str::to_owned));
            }
            begun.push_back(line);
        }
        let ready_after = began.elapsed();
        let log = Arc::new(Mutex::new(begun));
        let kept = Arc::clone(&log);
        // Ends with the child: a log that nobody reads would stop it.
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let mut kept = kept.lock().unwrap_or_else(PoisonError::into_inner);
                if kept.len() == KEPT_LINES {
                    kept.pop_front();
                }
                kept.push_back(line);
            }
        });
        Self {
            child,
            address: address.unwrap(),
            admin: admin.unwrap(),
            ready_after,
            has_tls: false,
            log,
        }
    }

    /// Returns the address as clients take it.
    pub fn uri(&self) -> String {
        let scheme = if self.has_tls { "https" } else { "http" };
        format!("{scheme}://{}", self.address)
    }

    /// Returns the process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Returns what it uses.
    pub fn usage(&self) -> probe::Usage {
        probe::usage(self.pid()).unwrap_or_default()
    }

    /// Returns the value of a metric, named with its labels as in the text.
    pub async fn metric(&self, name: &str) -> Option<f64> {
        metric(&self.metrics().await, name)
    }

    /// Returns all metrics.
    pub async fn metrics(&self) -> String {
        metrics(&self.admin).await
    }

    /// Returns the last lines of its log.
    pub fn log(&self) -> String {
        let lines = self.log.lock().unwrap_or_else(PoisonError::into_inner);
        lines.iter().map(String::as_str).collect::<Vec<_>>().join("\n")
    }

    /// Asks it to end, as a service manager does.
    pub fn terminate(&self) {
        self.signal(Signal::TERM);
    }

    /// Kills it.
    pub fn kill(&self) {
        self.signal(Signal::KILL);
    }

    fn signal(&self, signal: Signal) {
        if let Some(pid) = i32::try_from(self.pid()).ok().and_then(Pid::from_raw) {
            let _ = kill_process(pid, signal);
        }
    }

    /// Waits for the end, counted from now; kills it when it takes longer than `patience`.
    pub async fn ended(&mut self, patience: Duration) -> Ended {
        let began = Instant::now();
        let code = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status.code();
            }
            if began.elapsed() > patience {
                let _ = self.child.kill();
                let _ = self.child.wait();
                break None;
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
        };
        Ended {
            code,
            took: began.elapsed(),
            log: self.log(),
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Registers the class of the load.
pub async fn register(uri: &str) {
    register_by(uri, None).await;
}

async fn register_by(uri: &str, tls: Option<ClientTlsConfig>) {
    let document_toml = road::CLASS.to_owned();
    let mut endpoint = Endpoint::from_shared(uri.to_owned()).unwrap();
    if let Some(tls) = tls {
        endpoint = endpoint.tls_config(tls).unwrap();
    }
    FleetServiceClient::new(endpoint.connect().await.unwrap())
        .put_vehicle_class(PutVehicleClassRequest { document_toml })
        .await
        .unwrap();
}

/// Returns the metrics that are served at an address.
pub async fn metrics(address: &str) -> String {
    let mut socket = TcpStream::connect(address).await.unwrap();
    let request = format!("GET /metrics HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n\r\n");
    socket.write_all(request.as_bytes()).await.unwrap();
    let mut answer = String::new();
    socket.read_to_string(&mut answer).await.unwrap();
    answer
        .split_once("\r\n\r\n")
        .map_or(String::new(), |(_, body)| body.to_owned())
}

/// Returns the value of a line of metrics.
pub fn metric(text: &str, name: &str) -> Option<f64> {
    text.lines()
        .find_map(|line| line.strip_prefix(name)?.strip_prefix(' '))
        .and_then(|value| value.split(' ').next()?.parse().ok())
}
