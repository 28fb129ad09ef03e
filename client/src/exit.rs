//! Exit codes, and failures that say what, where and what to do.

use std::fmt::Write as _;

/// Exit codes of the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Code {
    /// Done.
    Success = 0,
    /// It ran, but the condition asked for is not met.
    Unmet = 1,
    /// The command line is wrong.
    Usage = 2,
    /// What was asked for does not exist.
    NotFound = 3,
    /// The server cannot be reached or took too long: try again.
    Unreachable = 4,
    /// The server does not allow it.
    NotAllowed = 5,
    /// A file or value given is wrong.
    BadInput = 6,
    /// Only a part was done.
    Partial = 7,
    /// It ran, but the data cannot answer.
    Undecided = 8,
    /// Interrupted.
    Interrupted = 130,
}

/// The codes as shown in the help.
pub const CODES: &str = "\
Exit codes:
    0  done
    1  it ran, but the condition asked for is not met
    2  the command line is wrong
    3  what was asked for does not exist
    4  the server cannot be reached or took too long: try again
    5  the server does not allow it
    6  a file or a value given is wrong
    7  only a part was done
    8  it ran, but there is too little data to answer
  130  interrupted";

impl From<Code> for std::process::ExitCode {
    fn from(code: Code) -> Self {
        Self::from(code as u8)
    }
}

/// Why a command did not do what was asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// Exit code.
    pub code: Code,
    /// What happened, to what: lower case, no full stop.
    pub message: String,
    /// More about it, a line each.
    pub notes: Vec<String>,
    /// What to do, a line each.
    pub helps: Vec<String>,
}

impl Failure {
    /// Returns a failure with a message.
    pub fn new(code: Code, message: impl Into<String>) -> Self {
        Self {
            code,
            message: message.into(),
            notes: Vec::new(),
            helps: Vec::new(),
        }
    }

    /// Adds a note.
    #[must_use]
    pub fn note(mut self, note: impl Into<String>) -> Self {
        self.notes.push(note.into());
        self
    }

    /// Adds what to do.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.helps.push(help.into());
        self
    }

    /// Returns the text for the terminal, the decisive line first.
    pub fn to_text(&self) -> String {
        let mut text = format!("error: {}", self.message);
        for note in &self.notes {
            let _ = write!(text, "\n  note: {note}");
        }
        for help in &self.helps {
            let _ = write!(text, "\n  help: {help}");
        }
        text
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        // A reader that went away has seen enough.
        if error.kind() == std::io::ErrorKind::BrokenPipe {
            return Self::new(Code::Success, String::new());
        }
        Self::new(Code::Partial, format!("cannot write the output: {error}"))
    }
}

/// Result of a command.
pub type Outcome = Result<(), Failure>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_says_what_and_what_to_do() {
        let f = Failure::new(Code::NotFound, "there is no vehicle `van-9`")
            .note("12 vehicles are known")
            .help("list them: coldbrake vehicles list");
        assert_eq!(
            f.to_text(),
            "error: there is no vehicle `van-9`\n  note: 12 vehicles are known\n  help: list them: coldbrake vehicles list"
        );
    }

    #[test]
    fn a_closed_pipe_is_success() {
        assert_eq!(
            Failure::from(std::io::Error::from(std::io::ErrorKind::BrokenPipe)).code,
            Code::Success
        );
    }
}
