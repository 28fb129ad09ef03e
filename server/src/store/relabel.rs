//! Known grades that change under past descents.

use std::collections::BTreeMap;

use coldbrake_engine::{Descent, grade::GradeMatch};

/// A descent that belongs to another known grade from now on, or to none. Its counts move with it.
#[derive(Clone, Debug, PartialEq)]
pub struct Relabel {
    /// Vehicle.
    pub vehicle: String,
    /// Identifier of the descent.
    pub descent: String,
    /// Its grade from now on.
    pub grade: Option<String>,
    /// How it was matched.
    pub grade_match: Option<GradeMatch>,
}

impl Relabel {
    /// Returns the descent as it is from now on.
    #[must_use]
    pub fn of(&self, descent: &Descent) -> Descent {
        Descent {
            grade: self.grade.clone(),
            grade_match: self.grade_match.clone(),
            ..descent.clone()
        }
    }
}

/// Returns the last one of each descent, in the order of vehicles and descents.
pub fn last_of_each(relabels: &[Relabel]) -> impl Iterator<Item = &Relabel> {
    relabels
        .iter()
        .map(|r| ((r.vehicle.as_str(), r.descent.as_str()), r))
        .collect::<BTreeMap<_, _>>()
        .into_values()
}
