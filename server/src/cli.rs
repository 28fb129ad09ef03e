//! The command line of the server: flags made from the table of configuration keys.

use std::{ffi::OsString, path::PathBuf};

use clap::{
    Arg, ArgAction, ArgMatches, Command,
    builder::{NonEmptyStringValueParser, StringValueParser},
};

use crate::{
    config::{self, Config, KEYS, Loaded, Mistake, Mistakes, Origin, Sources},
    store_commands,
};

/// What the command line asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Request {
    /// Serve.
    Serve(Box<Loaded>),
    /// Look after a store.
    Store(store_commands::Request),
    /// Write this text and leave.
    Print(String),
}

/// The command line or the configuration is wrong.
#[derive(Debug)]
pub enum CommandLineError {
    /// Help, version, or a flag that is not known: the text is for people.
    Usage(clap::Error),
    /// The configuration.
    Config(Mistakes),
}

/// Reads the command line, the file that it names and the environment.
pub fn read(
    arguments: impl IntoIterator<Item = OsString>,
    environment: Vec<(String, String)>,
) -> Result<Request, CommandLineError> {
    let matches = command()
        .try_get_matches_from(arguments)
        .map_err(CommandLineError::Usage)?;
    let file = file(&matches, &environment).map_err(CommandLineError::Config)?;
    let flags = KEYS
        .iter()
        .filter_map(|key| Some((key.name, given(&matches, key)?)))
        .collect();
    let loaded = config::load(&Sources {
        file,
        environment,
        flags,
    })
    .map_err(CommandLineError::Config)?;
    if matches.get_flag("print-config") {
        return Ok(Request::Print(loaded.dump()));
    }
    if let Some(("store", matches)) = matches.subcommand()
        && let Some(request) = store_commands::read(
            matches,
            &loaded.config.store.directory,
            loaded.config.store.cache_bytes,
        )
    {
        return Ok(Request::Store(request));
    }
    Ok(Request::Serve(Box::new(loaded)))
}

fn command() -> Command {
    let defaults = Config::default();
    let flags = KEYS.iter().map(|key| {
        let default = (key.show)(&defaults);
        let help = format!("{} [default: {default}] [variable: {}]", key.help, key.variable());
        let arg = Arg::new(key.name).long(key.flag()).help(help);
        // An empty address means none; every other empty value is a slip.
        let arg = if key.name == "admin_listen" {
            arg.value_parser(StringValueParser::new())
        } else {
            arg.value_parser(NonEmptyStringValueParser::new())
        };
        if key.switch {
            arg.value_name("true|false")
                .num_args(0..=1)
                .require_equals(true)
                .default_missing_value("true")
        } else {
            arg.value_name("VALUE").allow_hyphen_values(true)
        }
    });
    Command::new("coldbrake-server")
        .version(env!("CARGO_PKG_VERSION"))
        .about("Takes streams of brake and battery samples from vehicles, finds their descents, answers queries")
        .after_help(
            "Later sources win: defaults, file, environment, flags.\n\n\
             Exit codes: 0 ended on request, 1 ended with something left open, 2 wrong command line or configuration, \
             3 could not start, 130 ended at once by a second signal.",
        )
        .arg(
            Arg::new("config")
                .long("config")
                .value_name("FILE")
                .help(format!("Configuration file, TOML [variable: {}]", config::CONFIG_VARIABLE))
                .global(true)
                .value_parser(clap::value_parser!(PathBuf)),
        )
        .arg(
            Arg::new("print-config")
                .long("print-config")
                .action(ArgAction::SetTrue)
                .help("Print the configuration as a file, with where each value comes from, and leave"),
        )
        .args(flags)
        .subcommand(store_commands::command())
        .disable_help_subcommand(true)
}

fn given(matches: &ArgMatches, key: &config::Key) -> Option<String> {
    matches.get_one::<String>(key.name).cloned()
}

fn file(
    matches: &ArgMatches,
    environment: &[(String, String)],
) -> Result<Option<(PathBuf, String)>, Mistakes> {
    let flag = matches
        .get_one::<PathBuf>("config")
        .map(|p| (p.clone(), Origin::Flag("config".to_owned())));
    let named = flag.or_else(|| {
        let (variable, path) = environment.iter().find(|(v, _)| v == config::CONFIG_VARIABLE)?;
        Some((PathBuf::from(path), Origin::Environment(variable.clone())))
    });
    let Some((path, origin)) = named else {
        return Ok(None);
    };
    match std::fs::read_to_string(&path) {
        Ok(text) => Ok(Some((path, text))),
        Err(error) => {
            let description = format!(
                "cannot read {}: {error}: name a readable TOML file",
                path.display()
            );
            Err(Mistakes(vec![Mistake {
                key: String::new(),
                origin,
                description,
            }]))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(text: &str) -> Vec<OsString> {
        text.split_whitespace().map(OsString::from).collect()
    }

    #[test]
    fn the_command_is_well_formed() {
        command().debug_assert();
    }

    #[test]
    fn an_empty_address_switches_the_admin_listener_off() {
        let Ok(Request::Serve(loaded)) = read(
            ["coldbrake-server", "--admin-listen", ""].map(Into::into),
            Vec::new(),
        ) else {
            panic!("the flag is taken");
        };
        assert_eq!(loaded.config.admin_listen, None);
        assert!(read(["coldbrake-server", "--listen", ""].map(Into::into), Vec::new()).is_err());
    }

    #[test]
    fn flags_reach_the_configuration() {
        let line = "coldbrake-server --listen 127.0.0.1:0 --limits-streams 5 --insecure-without-tls --policy-entry-gradient -0.03";
        let Ok(Request::Serve(loaded)) = read(words(line), Vec::new()) else {
            panic!("not accepted")
        };
        assert_eq!(loaded.config.limits.streams, 5);
        assert!(loaded.config.insecure_without_tls);
        assert!((loaded.config.policy.entry_gradient + 0.03).abs() < 1e-12);
    }

    #[test]
    fn a_file_that_cannot_be_read_is_named() {
        let error = read(words("coldbrake-server --config /nowhere/x.toml"), Vec::new());
        let Err(CommandLineError::Config(mistakes)) = error else {
            panic!("accepted")
        };
        assert!(
            mistakes
                .to_string()
                .contains("flag --config: cannot read /nowhere/x.toml"),
            "{mistakes}"
        );
    }

    #[test]
    fn the_configuration_can_be_printed() {
        let Ok(Request::Print(text)) = read(words("coldbrake-server --print-config"), Vec::new()) else {
            panic!("not printed")
        };
        assert!(text.contains("[limits]") && text.contains("credit = 32"));
    }
}
