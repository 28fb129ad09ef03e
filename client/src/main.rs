//! Parses the command line, runs the command, ends with its exit code.

use std::process::ExitCode;

use coldbrake::{args::Args, exit::Code};

fn main() -> ExitCode {
    match Args::read(std::env::args_os()) {
        Ok(args) => coldbrake::run_to_end(args).into(),
        Err(error) => {
            // Help that nobody reads any more is no failure.
            let _ = error.print();
            if error.use_stderr() {
                Code::Usage
            } else {
                Code::Success
            }
            .into()
        }
    }
}
