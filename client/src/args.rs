//! The command line's words.

use std::time::Duration;

use clap::{CommandFactory as _, FromArgMatches as _, Parser, Subcommand};

use crate::{
    command::{
        alarms::AlarmsCommand, analyse::AnalyseArgs, audit::AuditArgs, backup::BackupArgs,
        brakes::BrakesArgs, certificates::CertificatesArgs, classes::ClassesCommand, compare::CompareArgs,
        completions::CompletionsArgs, define::DefineArgs, demo::DemoArgs, descents::DescentsCommand,
        distribution::DistributionArgs, grades::GradesCommand, send::SendArgs, trend::TrendArgs,
        vehicles::VehiclesCommand,
    },
    connect::Target,
    exit::CODES,
    printer::{Color, Format, Units},
};

const EXAMPLES: &str = "\
Examples:
  coldbrake demo                                        a simulated fleet, in a minute
  coldbrake analyse trip.csv --class van.toml --current charge-positive
  coldbrake send trip.csv --vehicle van-07 --class van --software 4.2.0 --current charge-positive
  coldbrake descents list --since 7d --min-drop 200
  coldbrake descents show van-07 20260312T071502Z-17
  coldbrake distribution recovery_ratio --software 4.2.0
  coldbrake compare 4.2.0 4.3.0                         is 4.3.0 better than 4.2.0
  coldbrake brakes                                      what is due this morning";

const ABOUT: &str = "\
{about}

For every descent of every vehicle it tells how much of the braking energy came
back into the battery, how much the friction brakes took and for what reason,
and how hot they got.";
/// Examples stand first: most readers look for one.
const PAGE: &str = "{about}{after-help}\n\n{usage-heading} {usage}\n\n{all-args}";

/// Braking on long descents: what was recovered, what friction took and why
#[derive(Debug, Parser)]
#[command(name = "coldbrake", version, after_help = EXAMPLES, max_term_width = 100)]
pub struct Args {
    /// What to do
    #[command(subcommand)]
    pub command: Command,

    /// For every command
    #[command(flatten)]
    pub global: Global,
}

/// Options of every command.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "For every command")]
pub struct Global {
    /// Which server, and how to come in
    #[command(flatten)]
    pub server: Target,

    /// How data is written: for people, for programs, for spreadsheets
    #[arg(long, global = true, value_enum, default_value_t)]
    pub format: Format,

    /// Units shown to people; json and csv are always SI
    #[arg(long, global = true, value_enum, default_value_t)]
    pub units: Units,

    /// Longest wait for an answer, seconds
    #[arg(long, global = true, value_name = "SECONDS", default_value_t = 20, value_parser = clap::value_parser!(u64).range(1..=3600))]
    pub timeout: u64,

    /// When to use bold and colour: auto obeys the terminal, NO_COLOR and TERM
    #[arg(long, global = true, value_enum, default_value_t)]
    pub color: Color,

    /// Draw with ASCII characters only
    #[arg(long, global = true)]
    pub ascii: bool,

    /// Print data and errors only
    #[arg(long, short, global = true)]
    pub quiet: bool,
}

impl Args {
    /// Reads the command line. The error prints itself: help and version are errors too.
    pub fn read(
        words: impl IntoIterator<Item = impl Into<std::ffi::OsString> + Clone>,
    ) -> Result<Self, clap::Error> {
        let mut command = command();
        let matches = command.try_get_matches_from_mut(words)?;
        Self::from_arg_matches(&matches).map_err(|error| error.format(&mut command))
    }
}

/// Returns the command line's words with the pages of its help laid out.
pub fn command() -> clap::Command {
    fn lay_out(command: clap::Command) -> clap::Command {
        command
            .help_template(format!("{PAGE}\n\nExit codes: see coldbrake --help"))
            .mut_subcommands(lay_out)
    }
    Args::command()
        .mut_subcommands(lay_out)
        .help_template(PAGE.replace("{about}", ABOUT) + "\n\n" + CODES)
}

impl Global {
    /// Returns the longest wait for an answer.
    pub const fn timeout(&self) -> Duration {
        Duration::from_secs(self.timeout)
    }
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Start a server, stream a simulated fleet to it, and show what its users look for
    Demo(DemoArgs),
    /// Analyse a log file here, without a server
    Analyse(AnalyseArgs),
    /// Stream a log file to the server as a vehicle would
    Send(SendArgs),
    /// List, show and watch descents
    #[command(subcommand)]
    Descents(DescentsCommand),
    /// Show how a quantity is spread over descents
    Distribution(DistributionArgs),
    /// Show how a quantity went by week, day, software version, class or grade
    Trend(TrendArgs),
    /// Say whether one software version is better than another, like with like
    Compare(CompareArgs),
    /// List and show vehicles
    #[command(subcommand)]
    Vehicles(VehiclesCommand),
    /// Say which brakes need a look, the worst first, and record services
    Brakes(BrakesArgs),
    /// List, show and register vehicle classes
    #[command(subcommand)]
    Classes(ClassesCommand),
    /// List, show and handle alarms and planning messages; their rules and their delivery
    #[command(subcommand)]
    Alarms(AlarmsCommand),
    /// Show what the server has done
    #[command(
        after_help = "Examples:\n  coldbrake status\n  coldbrake status --server http://10.0.0.7:7450 --format json"
    )]
    Status,
    /// Known grades: list, import, accept what is proposed
    #[command(subcommand)]
    Grades(GradesCommand),
    /// Let the server write a backup of everything, and go on serving
    Backup(BackupArgs),
    /// Show who changed what, and when
    Audit(AuditArgs),
    /// Make an authority and certificates for development
    Certificates(CertificatesArgs),
    /// Say what a quantity means and how it is computed
    Define(DefineArgs),
    /// Print completions for a shell
    Completions(CompletionsArgs),
}
