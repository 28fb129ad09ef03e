//! What goes away with age.

use serde::{Deserialize, Serialize};

/// A descent of which something goes away.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Removal {
    /// Vehicle.
    pub vehicle: String,
    /// Identifier of the descent.
    pub descent: String,
    /// What goes.
    pub what: Removed,
}

/// What of a descent goes away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Removed {
    /// Its profile; the figures stay.
    Profile,
    /// All of it. What histograms counted of it stays counted.
    Descent,
}

/// From which day on a store has everything. Days are UTC days of the start, since 1970-01-01.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kept {
    /// Descents that started before this day may have gone: histograms of earlier days count more than is left.
    pub descents_from_day: i32,
    /// Profiles of descents that started before this day go; one that comes late is stored without.
    pub profiles_from_day: i32,
    /// Profiles of descents that started before this day have gone.
    pub profiles_gone_before_day: i32,
}

impl Default for Kept {
    /// Everything since ever.
    fn default() -> Self {
        Self {
            descents_from_day: i32::MIN,
            profiles_from_day: i32::MIN,
            profiles_gone_before_day: i32::MIN,
        }
    }
}
