//! Lays the sources over each other and gathers every mistake.

use std::{collections::BTreeMap, fmt, path::PathBuf};

use toml::de::{DeTable, DeValue};

use super::{Config, KEYS, Key};

/// What the names of environment variables begin with.
pub const ENVIRONMENT_PREFIX: &str = "COLDBRAKE_SERVER_";

/// Where values come from, besides the defaults. Later ones win: file, environment, flags.
#[derive(Clone, Debug, Default)]
pub struct Sources {
    /// Path and text of the file.
    pub file: Option<(PathBuf, String)>,
    /// Environment variables; those without the prefix are not looked at.
    pub environment: Vec<(String, String)>,
    /// Flags, by name of the key.
    pub flags: Vec<(&'static str, String)>,
}

/// Where a value comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Origin {
    /// Built in.
    Default,
    /// A line of the file.
    File {
        /// Path as given.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
    },
    /// An environment variable.
    Environment(String),
    /// A flag.
    Flag(String),
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Default => f.write_str("default"),
            Self::File { path, line } => write!(f, "{}:{line}", path.display()),
            Self::Environment(variable) => write!(f, "variable {variable}"),
            Self::Flag(flag) => write!(f, "flag --{flag}"),
        }
    }
}

/// One mistake in the configuration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// Name of the key, as found.
    pub key: String,
    /// Where it stands.
    pub origin: Origin,
    /// What is wrong and what to do.
    pub description: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.key.is_empty() {
            return write!(f, "{}: {}", self.origin, self.description);
        }
        write!(f, "`{}` ({}) {}", self.key, self.origin, self.description)
    }
}

/// All mistakes in the configuration; never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistakes(pub Vec<Mistake>);

impl fmt::Display for Mistakes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let plural = if self.0.len() == 1 { "mistake" } else { "mistakes" };
        write!(f, "the configuration has {} {plural}", self.0.len())?;
        self.0.iter().try_for_each(|m| write!(f, "\n  {m}"))
    }
}

impl std::error::Error for Mistakes {}

/// A configuration that holds, and where each value came from.
#[derive(Clone, Debug, PartialEq)]
pub struct Loaded {
    /// The configuration.
    pub config: Config,
    /// Origin of each of [`KEYS`], in their order.
    pub origins: Vec<Origin>,
}

impl Loaded {
    /// Returns the configuration as a file, each key with its help and its origin.
    pub fn dump(&self) -> String {
        let mut out = String::new();
        let mut table = "";
        for (key, origin) in KEYS.iter().zip(&self.origins) {
            let (section, name) = key.name.split_once('.').unwrap_or(("", key.name));
            if section != table {
                table = section;
                out += &format!("\n[{section}]\n");
            }
            out += &format!("# {}", key.help);
            if *origin != Origin::Default {
                out += &format!(" [{origin}]");
            }
            out += &format!("\n{name} = {}\n", key.literal(&self.config));
        }
        out
    }
}

/// Lays the sources over the defaults.
pub fn load(sources: &Sources) -> Result<Loaded, Mistakes> {
    let mut mistakes = Vec::new();
    let mut values: BTreeMap<&'static str, (String, Origin)> = BTreeMap::new();
    if let Some((path, text)) = &sources.file {
        read_file(path, text, &mut values, &mut mistakes);
    }
    read_environment(&sources.environment, &mut values, &mut mistakes);
    for (name, value) in &sources.flags {
        if let Some(key) = KEYS.iter().find(|k| k.name == *name) {
            values.insert(key.name, (value.clone(), Origin::Flag(key.flag())));
        }
    }

    let mut config = Config::default();
    let mut origins = Vec::with_capacity(KEYS.len());
    for key in KEYS {
        let Some((text, origin)) = values.remove(key.name) else {
            origins.push(Origin::Default);
            continue;
        };
        if let Err(description) = (key.set)(&mut config, &text) {
            mistakes.push(Mistake {
                key: key.name.to_owned(),
                origin: origin.clone(),
                description,
            });
        }
        origins.push(origin);
    }
    for (name, description) in config.problems() {
        let origin = KEYS
            .iter()
            .position(|k| k.name == name)
            .map_or(Origin::Default, |i| origins[i].clone());
        mistakes.push(Mistake {
            key: name,
            origin,
            description,
        });
    }
    if mistakes.is_empty() {
        Ok(Loaded { config, origins })
    } else {
        Err(Mistakes(mistakes))
    }
}

type Values = BTreeMap<&'static str, (String, Origin)>;

fn read_environment(environment: &[(String, String)], values: &mut Values, mistakes: &mut Vec<Mistake>) {
    for (variable, value) in environment
        .iter()
        .filter(|(v, _)| v.starts_with(ENVIRONMENT_PREFIX))
    {
        let origin = Origin::Environment(variable.clone());
        if let Some(key) = KEYS.iter().find(|k| k.variable() == *variable) {
            values.insert(key.name, (value.clone(), origin));
        } else if *variable != CONFIG_VARIABLE {
            let near = nearest(variable, KEYS.iter().map(Key::variable));
            mistakes.push(Mistake {
                key: String::new(),
                origin,
                description: format!("is not known: {near}"),
            });
        }
    }
}

/// The variable that names the file; no key itself.
pub const CONFIG_VARIABLE: &str = "COLDBRAKE_SERVER_CONFIG";

fn read_file(path: &std::path::Path, text: &str, values: &mut Values, mistakes: &mut Vec<Mistake>) {
    let line_of = |at: usize| text.as_bytes().iter().take(at).filter(|b| **b == b'\n').count() + 1;
    let origin = |at: usize| Origin::File {
        path: path.to_owned(),
        line: line_of(at),
    };
    let (root, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        let at = error.span().map_or(0, |s| s.start);
        mistakes.push(Mistake {
            key: String::new(),
            origin: origin(at),
            description: format!("is not TOML: {}", error.message().trim()),
        });
    }
    let mut waiting: Vec<(String, &DeTable<'_>)> = vec![(String::new(), root.get_ref())];
    while let Some((prefix, table)) = waiting.pop() {
        for (name, value) in table {
            let full = format!("{prefix}{}", name.get_ref());
            let at = origin(name.span().start);
            if let DeValue::Table(inner) = value.get_ref()
                && KEYS.iter().any(|k| k.name.starts_with(&format!("{full}.")))
            {
                waiting.push((format!("{full}."), inner));
                continue;
            }
            let Some(key) = KEYS.iter().find(|k| k.name == full) else {
                let near = nearest(&full, KEYS.iter().map(|k| k.name.to_owned()));
                mistakes.push(Mistake {
                    key: full,
                    origin: at,
                    description: format!("is not known: {near}"),
                });
                continue;
            };
            match scalar(value.get_ref()) {
                Some(text) => {
                    values.insert(key.name, (text, at));
                }
                None => mistakes.push(Mistake {
                    key: full,
                    origin: at,
                    description: format!(
                        "is of the type {}: give a single value",
                        value.get_ref().type_str()
                    ),
                }),
            }
        }
    }
}

fn scalar(value: &DeValue<'_>) -> Option<String> {
    match value {
        DeValue::String(s) => Some(s.to_string()),
        // Other radices and separators are rare here: their text is told back as it stands.
        DeValue::Integer(i) => Some(i.as_str().replace('_', "")),
        DeValue::Float(f) => Some(f.as_str().replace('_', "")),
        DeValue::Boolean(b) => Some(b.to_string()),
        _ => None,
    }
}

/// Returns what to do about an unknown name: the known one that is most like it, if any is.
fn nearest(unknown: &str, known: impl Iterator<Item = String>) -> String {
    let best = known.map(|k| (distance(unknown, &k), k)).min();
    match best {
        Some((d, name)) if d <= unknown.len() / 3 => format!("did you mean `{name}`?"),
        _ => "see --print-config for all keys".to_owned(),
    }
}

/// Edits from one text to another (Levenshtein).
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    fn file(text: &str) -> Sources {
        Sources {
            file: Some((PathBuf::from("server.toml"), text.to_owned())),
            ..Sources::default()
        }
    }

    fn told(sources: &Sources) -> Vec<String> {
        load(sources)
            .unwrap_err()
            .0
            .iter()
            .map(ToString::to_string)
            .collect()
    }

    #[test]
    fn later_sources_win_and_origins_are_kept() {
        let mut sources = file("shutdown_grace = \"5s\"\n[limits]\nstreams = 7\ncredit = 9\n");
        sources.environment = vec![
            ("COLDBRAKE_SERVER_LIMITS_STREAMS".to_owned(), "8".to_owned()),
            ("COLDBRAKE_SERVER_LIMITS_CREDIT".to_owned(), "10".to_owned()),
            ("PATH".to_owned(), "/bin".to_owned()),
        ];
        sources.flags = vec![("limits.credit", "11".to_owned())];
        let loaded = load(&sources).unwrap();
        assert_eq!(loaded.config.shutdown_grace, Duration::from_secs(5));
        assert_eq!(
            (loaded.config.limits.streams, loaded.config.limits.credit),
            (8, 11)
        );
        let origin =
            |name: &str| loaded.origins[KEYS.iter().position(|k| k.name == name).unwrap()].to_string();
        assert_eq!(origin("shutdown_grace"), "server.toml:1");
        assert_eq!(
            origin("limits.streams"),
            "variable COLDBRAKE_SERVER_LIMITS_STREAMS"
        );
        assert_eq!(origin("limits.credit"), "flag --limits-credit");
        assert_eq!(origin("shards"), "default");
    }

    #[test]
    fn all_mistakes_are_told_at_once_with_key_origin_and_cure() {
        let mut sources = file(
            "listen = \"0.0.0.0:1\"\nshutdown_grace = 30\n[limits]\nstraems = 7\ncredit = [1]\n[policy]\nconfidence = 1.5\n",
        );
        sources.environment = vec![("COLDBRAKE_SERVER_SHARD".to_owned(), "8".to_owned())];
        sources.flags = vec![("limits.queries", "0".to_owned())];
        let told = told(&sources);
        assert_eq!(told.len(), 7, "{told:#?}");
        for want in [
            "`limits.straems` (server.toml:4) is not known: did you mean `limits.streams`?",
            "`limits.credit` (server.toml:5) is of the type array: give a single value",
            "`shutdown_grace` (server.toml:2) is `30`: give a whole number with its unit, for example 250ms, 30s, 5m or 1h",
            "variable COLDBRAKE_SERVER_SHARD: is not known: did you mean `COLDBRAKE_SERVER_SHARDS`?",
            "`limits.queries` (flag --limits-queries) is `0`: give a whole number from 1 to 512",
            "`policy.confidence` (server.toml:7) is 1.5: give a value from 0.5 to 0.999",
        ] {
            assert!(told.iter().any(|t| t == want), "{want}\nnot in {told:#?}");
        }
        assert!(
            told.iter()
                .any(|t| t.starts_with("`listen` (server.toml:1)") && t.contains("insecure_without_tls"))
        );
    }

    #[test]
    fn traces_go_to_an_address_that_holds_and_not_bare_over_the_network() {
        let share = told(&file("[traces]\nshare = 1.5\n"));
        assert_eq!(
            share,
            ["`traces.share` (server.toml:2) is 1.5: give the share of calls to trace, from 0.0 to 1.0"]
        );
        assert!(told(&file("[traces]\nshare = nan\n"))[0].contains("`traces.share`"));
        for (endpoint, want) in [
            ("collector:4317", "neither http:// nor https://"),
            ("http://localhost:4318/v1/traces", "has a path"),
            ("http://192.0.2.7:4317", "without TLS: give an https address"),
        ] {
            let told = told(&file(&format!("[traces]\nendpoint = \"{endpoint}\"\n")));
            assert_eq!(told.len(), 1, "{told:?}");
            assert!(
                told[0].starts_with("`traces.endpoint` (server.toml:2) is ") && told[0].contains(want),
                "{told:?}"
            );
        }
        for endpoint in ["", "http://[::1]:4317", "https://collector.example:4317"] {
            load(&file(&format!("[traces]\nendpoint = \"{endpoint}\"\n"))).unwrap();
        }
    }

    #[test]
    fn a_file_that_is_no_toml_names_the_line() {
        assert!(told(&file("shards = 1\nlisten = = 3\n"))[0].starts_with("server.toml:2: is not TOML"));
    }

    #[test]
    fn the_dump_reads_back_as_the_same_configuration() {
        let loaded = load(&file(
            "[limits]\nidle_timeout = \"5m\"\n[policy]\nconfirm_drop_m = 62.5\n",
        ))
        .unwrap();
        let again = load(&file(&loaded.dump())).unwrap();
        assert_eq!(again.config, loaded.config);
        assert!(
            again.origins.iter().all(|o| *o != Origin::Default),
            "a key is missing in the dump"
        );
    }

    #[test]
    fn the_example_file_holds_the_defaults() {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/coldbrake.example.toml");
        let loaded = load(&file(&std::fs::read_to_string(path).unwrap())).unwrap();
        assert_eq!(loaded.config, Config::default());
        assert!(
            loaded.origins.iter().all(|o| *o != Origin::Default),
            "a key is missing in the example"
        );
    }

    #[test]
    fn names_of_flags_and_variables_are_unique() {
        let flags: std::collections::BTreeSet<_> = KEYS.iter().map(Key::flag).collect();
        let variables: std::collections::BTreeSet<_> = KEYS.iter().map(Key::variable).collect();
        assert_eq!((flags.len(), variables.len()), (KEYS.len(), KEYS.len()));
    }
}
