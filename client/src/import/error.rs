//! What is wrong with a log file, where, and what to do.

use std::path::{Path, PathBuf};

/// One mistake in a log file or in how it was described.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Line of the file, from 1, where one is to blame.
    pub line: Option<u64>,
    /// Name of the column, where one is to blame.
    pub column: Option<String>,
    /// What is wrong.
    pub what: String,
    /// What to do.
    pub help: String,
}

/// Returns a text that may hold parts of a file without what a terminal would obey.
fn harmless(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect()
}

impl Problem {
    pub(crate) fn new(what: impl AsRef<str>, help: impl AsRef<str>) -> Self {
        Self {
            line: None,
            column: None,
            what: harmless(what.as_ref()),
            help: harmless(help.as_ref()),
        }
    }

    pub(crate) fn in_column(mut self, column: &str) -> Self {
        self.column = Some(harmless(column));
        self
    }

    pub(crate) fn at_line(mut self, line: u64) -> Self {
        self.line = Some(line);
        self
    }
}

/// A log file that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImportError {
    /// The file.
    pub path: PathBuf,
    /// What is wrong with it; at least one entry.
    pub problems: Vec<Problem>,
}

impl ImportError {
    pub(crate) fn one(path: &Path, problem: Problem) -> Self {
        Self {
            path: path.to_owned(),
            problems: vec![problem],
        }
    }
}

impl std::error::Error for ImportError {}

/// One block of lines for every mistake: `FILE:LINE: column `NAME`: WHAT` and `  help: WHAT TO DO`.
impl std::fmt::Display for ImportError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{}", self.path.display())?;
            if let Some(line) = problem.line {
                write!(f, ":{line}")?;
            }
            if let Some(column) = &problem.column {
                write!(f, ": column `{column}`")?;
            }
            write!(f, ": {}", problem.what)?;
            if !problem.help.is_empty() {
                write!(f, "\n  help: {}", problem.help)?;
            }
        }
        Ok(())
    }
}
