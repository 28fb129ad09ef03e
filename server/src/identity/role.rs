//! Roles: what somebody is to this service.

use std::{fmt, str::FromStr};

/// What somebody is to this service. A certificate names one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Role {
    /// A vehicle: streams its own samples and reads nothing.
    Vehicle,
    /// Runs a fleet: reads, and acknowledges what was found.
    Operator,
    /// Answers for the analysis: does what an operator does, and edits grades, classes and rules.
    Engineer,
    /// Answers for the server: reads, backs up, and reads the log of changes; makes none of those changes.
    Administrator,
}

impl Role {
    /// Every role, in the order of the table's columns.
    pub const ALL: [Self; 4] = [Self::Vehicle, Self::Operator, Self::Engineer, Self::Administrator];

    /// Returns its name as certificates write it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Vehicle => "vehicle",
            Self::Operator => "operator",
            Self::Engineer => "engineer",
            Self::Administrator => "administrator",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Role {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        Self::ALL.into_iter().find(|role| role.name() == text).ok_or(())
    }
}
