//! Measured errors as a table, and bars that must hold.

use std::fmt::Write as _;

/// Collects measured values against their bars, prints them, and fails at the end with all that went wrong.
#[derive(Debug, Default)]
pub struct Report {
    lines: String,
    failed: Vec<String>,
}

impl Report {
    /// Begins a report.
    pub fn new(title: &str) -> Self {
        Self {
            lines: format!("{title}\n"),
            failed: Vec::new(),
        }
    }

    /// Records that `value` must lie within ±`bar`.
    pub fn within(&mut self, subject: &str, what: &str, value: f64, bar: f64) {
        let good = value.abs() <= bar;
        self.line(subject, what, &format!("{value:+.5}"), &format!("±{bar}"), good);
    }

    /// Records that `value` must lie between two limits.
    pub fn between(&mut self, subject: &str, what: &str, value: f64, low: f64, high: f64) {
        let good = (low..=high).contains(&value);
        self.line(
            subject,
            what,
            &format!("{value:.4}"),
            &format!("{low} to {high}"),
            good,
        );
    }

    /// Records a condition.
    pub fn holds(&mut self, subject: &str, what: &str, good: bool) {
        self.line(subject, what, if good { "yes" } else { "no" }, "yes", good);
    }

    fn line(&mut self, subject: &str, what: &str, value: &str, bar: &str, good: bool) {
        let mark = if good { "" } else { "  FAILS" };
        let line = format!("  {subject:22} {what:28} {value:>12}  (bar {bar}){mark}");
        let _ = writeln!(self.lines, "{line}");
        if !good {
            self.failed.push(line);
        }
    }

    /// Prints the table; panics when a bar was missed.
    pub fn close(self) {
        println!("{}", self.lines);
        assert!(self.failed.is_empty(), "bars missed:\n{}", self.failed.join("\n"));
    }
}
