//! Identifiers of vehicles, classes and sessions.

use serde::{Deserialize, Serialize};

/// What an identifier must look like, for error messages.
pub const IDENTIFIER_RULE: &str = "must be 1 to 64 characters of a-z, 0-9, '-', '.' and '_'";

/// Returns whether the text may be the identifier of a vehicle or a class.
///
/// ```
/// assert!(coldbrake_engine::ids::is_identifier("van-07"));
/// assert!(!coldbrake_engine::ids::is_identifier("Van 07"));
/// ```
pub fn is_identifier(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b"-._".contains(&b))
}

/// Returns whether the text may be a software version: 1 to 64 printable ASCII characters, no space.
pub fn is_software_version(text: &str) -> bool {
    (1..=64).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_graphic())
}

/// Random identifier of a recording session, kept on the vehicle.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Session(pub [u8; 16]);

impl std::fmt::Display for Session {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}
