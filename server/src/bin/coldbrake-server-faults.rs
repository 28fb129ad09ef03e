//! The program of the server with faults that tests ask for: see `coldbrake_server::fault`. Never installed.

use std::process::ExitCode;

use coldbrake_server::fault;

#[path = "../main.rs"]
mod program;

fn main() -> ExitCode {
    let text = std::env::var(fault::VARIABLE).unwrap_or_default();
    match fault::plan::begin(&text) {
        Ok(()) => program::main(),
        Err(mistake) => {
            let _ = std::io::Write::write_fmt(
                &mut std::io::stderr(),
                format_args!("error: {}: {mistake}\n", fault::VARIABLE),
            );
            ExitCode::from(2)
        }
    }
}
