//! Parses the command line, runs the command, ends with its exit code.

use std::process::ExitCode;

use coldbrake::{args::Args, exit::Code};

/// A log in columns is decoded into large pieces of memory: the C library gives them back and takes them anew each time.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    // A panic that becomes an error is told as one.
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if !coldbrake::import::is_guarded() {
            usual(panic);
        }
    }));
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
