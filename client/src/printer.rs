//! The only code that prints: data to standard output, talk to standard error.

pub mod table;

use std::{
    borrow::Cow,
    io::{self, IsTerminal as _, Write},
};

use anstyle::Style;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use unicode_width::UnicodeWidthStr as _;

use crate::exit::Failure;

/// The help of an option says what its values mean: one line instead of a list on every page of the help.
const NO_HELP: Option<&str> = None;

/// How data is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// For people.
    #[default]
    #[value(help = NO_HELP)]
    Table,
    /// For programs: one document whose first field names its version.
    #[value(help = NO_HELP)]
    Json,
    /// For spreadsheets: units in the column names, SI units.
    #[value(help = NO_HELP)]
    Csv,
}

/// Units shown to people. Programs always get SI units.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Units {
    /// Kilometres, metres, degrees Celsius, kilograms.
    #[default]
    #[value(help = NO_HELP)]
    Metric,
    /// Miles, feet, degrees Fahrenheit, pounds.
    #[value(help = NO_HELP)]
    Us,
}

/// When to use bold and colour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Color {
    /// On a terminal, unless NO_COLOR is set or TERM is dumb.
    #[default]
    #[value(help = NO_HELP)]
    Auto,
    /// Always.
    #[value(help = NO_HELP)]
    Always,
    /// Never.
    #[value(help = NO_HELP)]
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
/// Largest width that output is laid out for.
const WIDEST: usize = 120;

impl Printer {
    /// Returns a printer for the terminal.
    pub fn terminal(format: Format, units: Units, color: Color, quiet: bool, ascii: bool) -> Self {
        let choice = match color {
            Color::Auto => anstream::ColorChoice::Auto,
            Color::Always => anstream::ColorChoice::Always,
            Color::Never => anstream::ColorChoice::Never,
        };
        let width = terminal_size::terminal_size()
            .map(|(w, _)| usize::from(w.0))
            .or_else(|| std::env::var("COLUMNS").ok()?.parse().ok())
            .unwrap_or(80);
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

    /// Writes a line of data for people.
    pub fn line(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.out, "{}", plain(text.trim_end(), self.unicode))
    }

    /// Writes a line of data for people, broken at spaces where it is too long: what follows stands under the text
    /// that comes after `lead`.
    pub fn wrapped(&mut self, lead: &str, text: &str) -> io::Result<()> {
        let indent = lead.width();
        let mut lead = lead.to_owned();
        for line in wrap(text, self.width.saturating_sub(indent)) {
            self.line(&format!("{lead}{line}"))?;
            lead = " ".repeat(indent);
        }
        Ok(())
    }

    /// Writes a heading above data for people.
    pub fn heading(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.out, "{BOLD}{}{BOLD:#}", plain(text, self.unicode))
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

    /// Writes a header and rows as CSV (RFC 4180, with the line ends of Unix).
    pub fn csv<H: AsRef<str>>(
        &mut self,
        header: &[H],
        rows: impl IntoIterator<Item = Vec<String>>,
    ) -> io::Result<()> {
        let header = header.iter().map(|h| h.as_ref().to_owned()).collect();
        self.csv_rows(std::iter::once(header).chain(rows))
    }

    /// Writes rows as CSV without a header.
    pub fn csv_rows(&mut self, rows: impl IntoIterator<Item = Vec<String>>) -> io::Result<()> {
        let mut writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::Any(b'\n'))
            .from_writer(&mut self.out);
        for row in rows {
            // The plain conversion would hide that a pipe was closed.
            writer
                .write_record(row)
                .map_err(|error| match error.into_kind() {
                    csv::ErrorKind::Io(error) => error,
                    other => io::Error::other(format!("{other:?}")),
                })?;
        }
        writer.flush()
    }

    /// Returns a progress bar where standard error is a terminal; elsewhere nothing should move.
    pub fn progress_bar(&self, template: &str, total: u64) -> Option<ProgressBar> {
        self.lively.then(|| {
            let style =
                ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar());
            let style = if self.unicode {
                style
            } else {
                style.progress_chars("#- ")
            };
            ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr()).with_style(style)
        })
    }

    /// Says something about the data or the work; not with `--quiet`.
    pub fn say(&mut self, text: &str) {
        if !self.quiet {
            // Talk that nobody can hear is no reason to stop.
            let _ = writeln!(self.err, "{}", plain(text, self.unicode));
        }
    }

    /// Prints a failure.
    pub fn failure(&mut self, failure: &Failure) {
        let text = failure.to_text();
        let rest = text.strip_prefix("error:").unwrap_or(&text);
        let mut lead = format!("{ERROR}error:{ERROR:#}");
        for line in rest.lines() {
            let _ = writeln!(self.err, "{lead}{}", plain(line, self.unicode));
            lead.clear();
        }
    }

    /// Makes sure that everything written has left.
    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()?;
        self.err.flush()
    }
}

/// Returns a text that is safe to show: what a server or a file says must not steer the terminal. Without `unicode`, the
/// signs that this program itself writes are spelled in ASCII.
fn plain(text: &str, unicode: bool) -> Cow<'_, str> {
    let strange = |c: char| c.is_control() || (!unicode && !c.is_ascii());
    if !text.contains(strange) {
        return Cow::Borrowed(text);
    }
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            c if c.is_control() => safe.push('?'),
            '±' if !unicode => safe.push_str("+-"),
            // "149 °C" becomes "149 C".
            '°' if !unicode => {}
            c => safe.push(c),
        }
    }
    Cow::Owned(safe)
}

/// Breaks a text into lines of at most `width` columns, at spaces.
pub fn wrap(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.width() + 1 + word.width() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_from_elsewhere_cannot_steer_the_terminal() {
        assert_eq!(plain("van \u{1b}[2J\r\u{9b}x", true), "van ?[2J??x");
        assert_eq!(plain("1 ± 2 °C, naïve", true), "1 ± 2 °C, naïve");
        assert_eq!(plain("1 ± 2 °C, naïve", false), "1 +- 2 C, naïve");
    }

    #[test]
    fn lines_break_at_spaces_and_long_words_stay_whole() {
        assert_eq!(wrap("one two  three", 7), ["one two", "three"]);
        assert_eq!(wrap("a verylongword b", 5), ["a", "verylongword", "b"]);
        assert!(wrap(" ", 5).is_empty());
    }

    /// A pipe whose reader has gone.
    struct Closed;

    impl Write for Closed {
        fn write(&mut self, _: &[u8]) -> io::Result<usize> {
            Err(io::ErrorKind::BrokenPipe.into())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn a_closed_pipe_is_known_as_such_in_every_format() {
        let mut printer =
            Printer::captured(Format::Csv, Units::Metric, Box::new(Closed), Box::new(io::sink()));
        let rows = || (0..10_000).map(|i| vec![i.to_string()]);
        for result in [
            printer.line("x"),
            printer.heading("x"),
            printer.json(&serde_json::json!({"a": [1, 2, 3]})),
            printer.csv(&["n"], rows()),
            printer.csv(&["n"], rows().take(1)),
        ] {
            assert_eq!(result.unwrap_err().kind(), io::ErrorKind::BrokenPipe);
        }
    }
}
