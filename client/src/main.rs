//! Parses the command line, runs the command, ends with its exit code.

use std::process::ExitCode;

use clap::Parser as _;
use coldbrake::{args::Args, exit::Code};

fn main() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(error) => {
            let code = if error.use_stderr() {
                Code::Usage
            } else {
                Code::Success
            };
            // Help that nobody reads any more is no failure.
            let _ = error.print();
            return code.into();
        }
    };
    match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime.block_on(coldbrake::run(args)).into(),
        Err(_) => Code::Partial.into(),
    }
}
