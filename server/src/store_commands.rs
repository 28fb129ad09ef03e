//! `coldbrake-server store …`: looking after a store while no server runs on it.

mod report;

use std::{
    fs, io,
    io::Write,
    path::{Path, PathBuf},
};

use clap::{Arg, ArgAction, ArgMatches, Command, builder::PossibleValuesParser};

use self::report::{Report, Stats};
use crate::store::{SledOptions, SledStore, Store as _, StoreError, backup::file, sled::check_free};

/// Everything was done, nothing was found.
pub const DONE: u8 = 0;
/// Something of the store or of the backup is damaged.
pub const DAMAGED: u8 = 1;
/// The command line or the configuration is wrong.
pub const WRONG_COMMAND_LINE: u8 = 2;
/// It could not be done: a server runs, the disk is full, a file exists already.
pub const NOT_DONE: u8 = 3;

/// What is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// What to do.
    pub action: Action,
    /// Directory of the store, from the command line or the configuration.
    pub directory: PathBuf,
    /// Memory for pages of the index, bytes.
    pub cache_bytes: u64,
    /// Form of the answer.
    pub format: Format,
}

/// What to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Action {
    /// Check the store from end to end.
    Verify,
    /// Write it into a file.
    Backup {
        /// The file.
        file: PathBuf,
    },
    /// Make a store of a backup.
    Restore {
        /// The backup.
        file: PathBuf,
        /// Where to; `None` only checks the backup.
        into: Option<PathBuf>,
    },
    /// Make it as small as it can be.
    Compact,
    /// Say what it holds.
    Stats,
}

/// Form of an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// For people.
    Text,
    /// For programs: one JSON object.
    Json,
}

/// Returns the command line.
pub fn command() -> Command {
    let directory = || {
        Arg::new("directory")
            .long("directory")
            .value_name("DIR")
            .help("Directory of the store [default: store.directory of the configuration]")
            .value_parser(clap::value_parser!(PathBuf))
    };
    let format = || {
        Arg::new("format")
            .long("format")
            .value_name("FORMAT")
            .default_value("text")
            .value_parser(PossibleValuesParser::new(["text", "json"]))
            .help("Form of the answer")
    };
    let path = |name: &'static str, value: &'static str, help: &'static str| {
        Arg::new(name)
            .value_name(value)
            .help(help)
            .value_parser(clap::value_parser!(PathBuf))
    };
    let sub = |name: &'static str, about: &'static str| Command::new(name).about(about).arg(format());
    Command::new("store")
        .about("Look after a store while no server runs on it: check, back up, restore, compact")
        .subcommand_required(true)
        .arg_required_else_help(true)
        .after_help(
            "Exit codes: 0 done and nothing found, 1 the store or the backup is damaged, 2 wrong command line or \
             configuration, 3 could not be done.",
        )
        .subcommand(
            sub(
                "verify",
                "Read every record, count all histograms anew from the descents, report what is wrong",
            )
            .arg(directory()),
        )
        .subcommand(
            sub("backup", "Write the whole store into one new file, after checking it")
                .arg(path("file", "FILE", "File to write; it must not exist").required(true))
                .arg(directory()),
        )
        .subcommand(
            sub(
                "restore",
                "Make a store of a backup in a new or empty directory, after checking it",
            )
            .arg(path("file", "FILE", "The backup").required(true))
            .arg(path("into", "DIR", "Directory to make; it must be missing or empty").required_unless_present("dry-run"))
            .arg(
                Arg::new("dry-run")
                    .long("dry-run")
                    .action(ArgAction::SetTrue)
                    .help("Only read the backup from end to end and compare all checksums and counts"),
            ),
        )
        .subcommand(
            sub(
                "compact",
                "Build the store anew without the room that it no longer needs; the old one is kept in before-compact-N",
            )
            .arg(directory()),
        )
        .subcommand(sub("stats", "Say what the store holds and how large it is").arg(directory()))
}

/// Returns what is asked for; `directory` and `cache_bytes` are those of the configuration.
pub fn read(matches: &ArgMatches, directory: &Path, cache_bytes: u64) -> Option<Request> {
    let (name, matches) = matches.subcommand()?;
    let path = |name: &str| matches.try_get_one::<PathBuf>(name).ok().flatten().cloned();
    let action = match name {
        "verify" => Action::Verify,
        "backup" => Action::Backup { file: path("file")? },
        "restore" => Action::Restore {
            file: path("file")?,
            into: path("into").filter(|_| !matches.get_flag("dry-run")),
        },
        "compact" => Action::Compact,
        "stats" => Action::Stats,
        _ => return None,
    };
    let json = matches.get_one::<String>("format").is_some_and(|f| f == "json");
    Some(Request {
        action,
        directory: path("directory").unwrap_or_else(|| directory.to_owned()),
        cache_bytes,
        format: if json { Format::Json } else { Format::Text },
    })
}

/// Does what is asked for, and says on `out` what came of it and on `err` why nothing did. Returns the exit code.
pub fn run(request: &Request, out: &mut dyn Write, err: &mut dyn Write) -> u8 {
    match work(request) {
        Ok(report) => {
            let text = match request.format {
                Format::Text => report.text(),
                Format::Json => report.json(),
            };
            let code = if report.is_sound() { DONE } else { DAMAGED };
            match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
                Err(e) if e.kind() != io::ErrorKind::BrokenPipe => {
                    let _ = writeln!(err, "error: cannot write the report: {e}");
                    NOT_DONE
                }
                // A reader that has seen enough is no failure.
                Ok(()) | Err(_) => code,
            }
        }
        Err(error) => {
            let _ = writeln!(err, "error: {}", advise(&request.action, &error));
            match error {
                StoreError::Damaged { .. } => DAMAGED,
                _ => NOT_DONE,
            }
        }
    }
}

/// Says what to do about an error where the store cannot know it.
fn advise(action: &Action, error: &StoreError) -> String {
    let more = match (action, error) {
        (_, StoreError::InUse { .. }) => {
            ": a server that runs on it has to be stopped for this command, and started again after it"
        }
        (
            Action::Backup { .. },
            StoreError::Io {
                action: "create",
                source,
                ..
            },
        ) if source.kind() == io::ErrorKind::AlreadyExists => ": name a file that does not exist",
        (Action::Restore { .. }, StoreError::Io { source, .. })
            if source.kind() == io::ErrorKind::DirectoryNotEmpty =>
        {
            ": name a directory that is missing or empty"
        }
        (Action::Restore { .. }, StoreError::Damaged { .. }) => ": nothing was restored, use another backup",
        (Action::Backup { .. }, StoreError::Damaged { .. }) => {
            ": no backup was written; look with `store verify`, and copy the directory as it is before anything else"
        }
        (Action::Compact, StoreError::Damaged { .. }) => ": nothing was changed; look with `store verify`",
        _ => "",
    };
    format!("{error}{more}")
}

fn work(request: &Request) -> Result<Report, StoreError> {
    let dir = &request.directory;
    let options = SledOptions {
        cache_bytes: request.cache_bytes,
    };
    let open = || {
        check_is_store(dir)?;
        SledStore::open(dir, &options)
    };
    match &request.action {
        Action::Verify => {
            let store = open()?;
            let found = store.verify()?;
            let opened = store.open_report().clone();
            store.close()?;
            Ok(Report::Verify {
                directory: dir.clone(),
                found,
                opened,
            })
        }
        Action::Backup { file } => {
            let store = open()?;
            let found = store.verify()?;
            if let Some(first) = found.findings.first() {
                return Err(StoreError::Damaged {
                    what: format!("store {}", dir.display()),
                    reason: first.to_string(),
                });
            }
            let summary = file::write(&store, file)?;
            store.close()?;
            Ok(Report::Backup {
                file: file.clone(),
                summary,
            })
        }
        Action::Restore { file, into: None } => Ok(Report::Checked {
            file: file.clone(),
            summary: file::check(file)?,
        }),
        Action::Restore {
            file,
            into: Some(into),
        } => {
            check_free(into)?;
            Ok(Report::Restore {
                directory: into.clone(),
                summary: SledStore::restore(file, into, &options)?,
            })
        }
        Action::Compact => {
            check_is_store(dir)?;
            Ok(Report::Compact {
                directory: dir.clone(),
                done: SledStore::compact(dir, &options)?,
            })
        }
        Action::Stats => {
            let store = open()?;
            let stats = Stats {
                held: store.stats()?,
                used: store.used(),
            };
            store.close()?;
            Ok(Report::Stats {
                directory: dir.clone(),
                stats,
            })
        }
    }
}

/// Returns an error when there is no store in a directory: opening one would make it.
fn check_is_store(dir: &Path) -> Result<(), StoreError> {
    let failed = |source| StoreError::Io {
        action: "find a store in",
        path: dir.to_owned(),
        source,
    };
    let mut entries = fs::read_dir(dir).map_err(failed)?.flatten();
    let is_part = |name: &str| name == "journal" || name == "index" || name.starts_with("compacted-");
    if entries.any(|e| e.file_name().to_str().is_some_and(is_part)) {
        Ok(())
    } else {
        Err(failed(io::Error::new(
            io::ErrorKind::NotFound,
            "it holds neither a journal nor an index: name the directory with --directory",
        )))
    }
}
