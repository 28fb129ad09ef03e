//! What is wrong with a log file, where, and what to do.

use std::path::{Path, PathBuf};

/// One mistake in a log file or in how it was described.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Line of a text file, from 1, where one is to blame.
    pub line: Option<u64>,
    /// Row of a Parquet file, from 1, where one is to blame.
    pub row: Option<u64>,
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
            row: None,
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

    pub(crate) fn at_row(mut self, row: u64) -> Self {
        self.row = Some(row);
        self
    }

    /// Returns where the mistake is: `FILE:LINE: column `NAME``, as much of it as is known.
    pub fn place(&self, path: &Path) -> String {
        let mut place = path.display().to_string();
        if let Some(line) = self.line {
            place.push_str(&format!(":{line}"));
        }
        if let Some(row) = self.row {
            place.push_str(&format!(": row {row}"));
        }
        if let Some(column) = &self.column {
            place.push_str(&format!(": column `{column}`"));
        }
        place
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

/// One block of lines for every mistake: `PLACE: WHAT` and `  help: WHAT TO DO`.
impl std::fmt::Display for ImportError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            if i > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{}: {}", problem.place(&self.path), problem.what)?;
            if !problem.help.is_empty() {
                write!(f, "\n  help: {}", problem.help)?;
            }
        }
        Ok(())
    }
}
