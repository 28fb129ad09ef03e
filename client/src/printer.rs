//! The only code that prints: data to standard output, talk to standard error.

pub mod table;

use std::io::{self, IsTerminal as _, Write};

use anstyle::Style;

use crate::exit::Failure;

/// How data is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// For people.
    #[default]
    Table,
    /// For programs: one document whose first field names its version.
    Json,
    /// For spreadsheets: units in the column names, SI units.
    Csv,
}

/// Units shown to people. Programs always get SI units.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Units {
    /// Kilometres, metres, degrees Celsius, tonnes.
    #[default]
    Metric,
    /// Miles, feet, degrees Fahrenheit, pounds.
    Us,
}

/// When to use bold and colour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Color {
    /// On a terminal, unless NO_COLOR is set or TERM is dumb.
    #[default]
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

const BOLD: Style = Style::new().bold();
const ERROR: Style = Style::new()
    .bold()
    .fg_color(Some(anstyle::Color::Ansi(anstyle::AnsiColor::Red)));

/// Writes everything that a command says.
pub struct Printer {
    out: Box<dyn Write + Send>,
    err: Box<dyn Write + Send>,
    /// How data is written.
    pub format: Format,
    /// Units shown to people.
    pub units: Units,
    /// Width of the terminal, characters; 80 where there is none.
    pub width: usize,
    /// Whether blocks and lines beyond ASCII may be drawn.
    pub unicode: bool,
    /// Whether standard error is a terminal: progress may move.
    pub lively: bool,
    quiet: bool,
}

impl std::fmt::Debug for Printer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Printer")
            .field("format", &self.format)
            .field("width", &self.width)
            .finish_non_exhaustive()
    }
}

/// Smallest width that output is laid out for.
const NARROWEST: usize = 40;
/// Largest width that plots use.
const WIDEST: usize = 120;

impl Printer {
    /// Returns a printer for the terminal.
    pub fn terminal(format: Format, units: Units, color: Color, quiet: bool, ascii: bool) -> Self {
        let choice = match color {
            Color::Auto => anstream::ColorChoice::Auto,
            Color::Always => anstream::ColorChoice::Always,
            Color::Never => anstream::ColorChoice::Never,
        };
        let width = terminal_size::terminal_size().map_or(80, |(w, _)| usize::from(w.0));
        Self {
            out: Box::new(anstream::AutoStream::new(io::stdout(), choice)),
            err: Box::new(anstream::AutoStream::new(io::stderr(), choice)),
            format,
            units,
            width: width.clamp(NARROWEST, WIDEST),
            unicode: !ascii && locale_is_utf8(),
            lively: io::stderr().is_terminal() && !quiet,
            quiet,
        }
    }

    /// Returns a printer that writes into buffers, 80 characters wide, without colour. For tests.
    pub fn captured(
        format: Format,
        units: Units,
        out: Box<dyn Write + Send>,
        err: Box<dyn Write + Send>,
    ) -> Self {
        Self {
            out: Box::new(anstream::StripStream::new(out)),
            err: Box::new(anstream::StripStream::new(err)),
            format,
            units,
            width: 80,
            unicode: true,
            lively: false,
            quiet: false,
        }
    }

    /// Writes a line of data.
    pub fn line(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.out, "{}", text.trim_end())
    }

    /// Writes a heading above data for people.
    pub fn heading(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.out, "{BOLD}{text}{BOLD:#}")
    }

    /// Writes data as it is.
    pub fn raw(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.out.write_all(bytes)
    }

    /// Writes a JSON document, indented, with a line end.
    pub fn json(&mut self, value: &serde_json::Value) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut self.out, value)?;
        writeln!(self.out)
    }

    /// Writes one JSON document on one line.
    pub fn json_line(&mut self, value: &serde_json::Value) -> io::Result<()> {
        serde_json::to_writer(&mut self.out, value)?;
        writeln!(self.out)?;
        self.out.flush()
    }

    /// Writes rows as CSV (RFC 4180).
    pub fn csv<H: AsRef<[u8]>>(
        &mut self,
        header: &[H],
        rows: impl IntoIterator<Item = Vec<String>>,
    ) -> io::Result<()> {
        let mut writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::Any(b'\n'))
            .from_writer(&mut self.out);
        writer.write_record(header)?;
        for row in rows {
            writer.write_record(row)?;
        }
        writer.flush()
    }

    /// Says something about the data or the work; not with `--quiet`.
    pub fn say(&mut self, text: &str) {
        if !self.quiet {
            // Talk that nobody can hear is no reason to stop.
            let _ = writeln!(self.err, "{text}");
        }
    }

    /// Prints a failure.
    pub fn failure(&mut self, failure: &Failure) {
        let text = failure.to_text();
        let rest = text.strip_prefix("error:").unwrap_or(&text);
        let _ = writeln!(self.err, "{ERROR}error:{ERROR:#}{rest}");
    }

    /// Makes sure that everything written has left.
    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()?;
        self.err.flush()
    }
}

fn locale_is_utf8() -> bool {
    ["LC_ALL", "LC_CTYPE", "LANG"]
        .iter()
        .find_map(|name| std::env::var(name).ok().filter(|v| !v.is_empty()))
        .is_some_and(|v| {
            let v = v.to_ascii_lowercase();
            v.contains("utf-8") || v.contains("utf8")
        })
}
