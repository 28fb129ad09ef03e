//! `coldbrake completions`: completions for a shell.

use crate::{args, exit::Outcome, printer::Printer};

/// Arguments of `completions`.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "\
Examples:
  coldbrake completions bash > ~/.local/share/bash-completion/completions/coldbrake
  coldbrake completions fish > ~/.config/fish/completions/coldbrake.fish")]
pub struct CompletionsArgs {
    /// Shell
    #[arg(value_enum)]
    pub shell: clap_complete::Shell,
}

/// Prints the completions.
pub fn run(args: &CompletionsArgs, printer: &mut Printer) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut args::command(), "coldbrake", &mut script);
    Ok(printer.raw(&script)?)
}
