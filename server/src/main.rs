//! The program of the server: reads its configuration, serves, ends on a signal.

use std::{
    io::{self, Write as _},
    process::ExitCode,
};

use coldbrake_server::{
    ServerHandle,
    cli::{self, CommandLineError, Request},
    config::Loaded,
    files, store_commands, telemetry,
};
use tokio::signal::unix::{Signal, SignalKind, signal};

/// Measured with 20,000 streams: a fifth to a quarter less processor time than that of the C library. Without huge pages, which
/// would take 60 MB more from the start.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const LEFT_OPEN: u8 = 1;
const WRONG_CONFIGURATION: u8 = 2;
const NOT_STARTED: u8 = 3;
const SECOND_SIGNAL: u8 = 130;

pub(crate) fn main() -> ExitCode {
    let environment = std::env::vars_os()
        .filter_map(|(name, value)| Some((name.into_string().ok()?, value.to_string_lossy().into_owned())))
        .collect();
    match cli::read(std::env::args_os(), environment) {
        Ok(Request::Serve(loaded)) => serve(&loaded),
        Ok(Request::Store(request)) => {
            let code = store_commands::run(&request, &mut io::stdout(), &mut io::stderr());
            ExitCode::from(code)
        }
        Ok(Request::Print(text)) => {
            // A reader that has seen enough is no failure.
            let _ = io::stdout().write_all(text.as_bytes());
            ExitCode::SUCCESS
        }
        Err(CommandLineError::Usage(error)) => {
            let _ = error.print();
            if error.use_stderr() {
                ExitCode::from(WRONG_CONFIGURATION)
            } else {
                ExitCode::SUCCESS
            }
        }
        Err(CommandLineError::Config(mistakes)) => complain(&mistakes, WRONG_CONFIGURATION),
    }
}

fn serve(loaded: &Loaded) -> ExitCode {
    if let Err(error) = telemetry::begin(&loaded.config.log) {
        return complain(&error, NOT_STARTED);
    }
    files::make_room(&loaded.config);
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => return complain(&error, NOT_STARTED),
    };
    let code = runtime.block_on(run(loaded));
    // Whatever did not end in time must not hold the process.
    runtime.shutdown_background();
    code
}

async fn run(loaded: &Loaded) -> ExitCode {
    let mut signals = match Signals::new() {
        Ok(signals) => signals,
        Err(error) => return complain(&error, NOT_STARTED),
    };
    let server = tokio::select! {
        started = ServerHandle::start(loaded.config.clone()) => match started {
            Ok(server) => server,
            Err(error) => return complain(&error, NOT_STARTED),
        },
        () = signals.next() => return ExitCode::SUCCESS,
    };
    signals.end_of(&server).await;
    tokio::select! {
        report = server.shutdown() => {
            if report.is_clean() { ExitCode::SUCCESS } else { ExitCode::from(LEFT_OPEN) }
        }
        () = signals.next() => {
            tracing::warn!("second signal: leaving at once");
            ExitCode::from(SECOND_SIGNAL)
        }
    }
}

/// Requests to end.
struct Signals {
    terminate: Signal,
    interrupt: Signal,
    hang_up: Signal,
    /// Comes when a file would grow beyond the limit of the process. Only because somebody listens does the write fail
    /// instead of the process.
    _file_size: Signal,
}

impl Signals {
    fn new() -> io::Result<Self> {
        Ok(Self {
            terminate: signal(SignalKind::terminate())?,
            interrupt: signal(SignalKind::interrupt())?,
            hang_up: signal(SignalKind::hangup())?,
            _file_size: signal(SignalKind::from_raw(rustix::process::Signal::XFSZ.as_raw()))?,
        })
    }

    /// Waits for a request to end; requests to read the certificates are passed on.
    async fn end_of(&mut self, server: &ServerHandle) {
        loop {
            tokio::select! {
                _ = self.terminate.recv() => return,
                _ = self.interrupt.recv() => return,
                _ = self.hang_up.recv() => server.read_certificates(),
            }
        }
    }

    async fn next(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}

fn complain(error: &dyn std::fmt::Display, code: u8) -> ExitCode {
    let _ = writeln!(io::stderr(), "error: {error}");
    ExitCode::from(code)
}
