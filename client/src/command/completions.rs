//! `coldbrake completions`: completions for a shell.

use clap::CommandFactory as _;

use crate::{args::Args, exit::Outcome, printer::Printer};

/// Arguments of `completions`.
#[derive(Clone, Debug, clap::Args)]
pub struct CompletionsArgs {
    /// Shell
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// Prints the completions.
pub fn run(args: &CompletionsArgs, printer: &mut Printer) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut Args::command(), "coldbrake", &mut script);
    Ok(printer.raw(&script)?)
}
