//! What a new catalogue means for past descents.

use std::collections::{BTreeMap, BTreeSet};

use coldbrake_engine::{Descent, FinishedDescent, ProfilePoint, grade::Catalogue};

use crate::{
    status::Refusal,
    store::{DescentFilter, Relabel, Store},
};

/// Descents read at once.
const PAGE: usize = 200;
/// Most descents whose label may change at once: what a plan holds in memory. What one commit of the store takes may be
/// less, see [`Refusal::TooLarge`].
const MAX_RELABELS: usize = 200_000;

/// The new labels.
#[derive(Debug, Default)]
pub(super) struct Plan {
    relabels: Vec<(Relabel, bool)>,
    checked: i64,
    /// Grades that lose or gain descents, other than by a new identifier.
    touched: BTreeSet<String>,
}

/// Labels that descents get, by vehicle and descent.
pub(super) type NewLabels<'a> = BTreeMap<(&'a str, &'a str), Option<&'a str>>;

/// Returns the label that a descent gets, with whether its grade changes by it; `None` when nothing changes.
///
/// Where the profile has gone with age nothing can be matched: such a descent keeps its label as long as the grade exists.
pub(super) fn label_anew(
    d: &Descent,
    profile: &[ProfilePoint],
    catalogue: &Catalogue,
    renamed: Option<(&str, &str)>,
) -> Option<(Relabel, bool)> {
    let (grade, grade_match) = if profile.is_empty() {
        let name = d.grade.as_deref().map(|old| match renamed {
            Some((from, to)) if from == old => to,
            _ => old,
        });
        let kept = name.filter(|name| catalogue.grade(name).is_some());
        let mut matched = d.grade_match.clone();
        if kept != d.grade.as_deref() {
            matched = matched.filter(|_| kept.is_some()).map(|mut m| {
                m.nearest = kept.map(str::to_owned);
                m
            });
        }
        (kept.map(str::to_owned), matched)
    } else {
        let found = catalogue.label(d, profile);
        (found.grade().map(str::to_owned), Some(found))
    };
    let moves = grade != d.grade;
    (moves || grade_match != d.grade_match).then(|| {
        let relabel = Relabel {
            vehicle: d.vehicle.clone(),
            descent: d.descent.clone(),
            grade,
            grade_match,
        };
        (relabel, moves)
    })
}

impl Plan {
    /// Looks at all recorded descents, page by page. Blocks.
    pub(super) fn of_past(
        store: &dyn Store,
        catalogue: &Catalogue,
        renamed: Option<(&str, &str)>,
        is_draining: impl Fn() -> bool,
    ) -> Result<Self, Refusal> {
        let mut plan = Self::default();
        let mut cursor = None;
        loop {
            let page = store.descents(&DescentFilter::default(), cursor.as_deref(), PAGE)?;
            for row in page.rows {
                // One that went with age meanwhile is passed over.
                if let Some((descent, profile)) = store.descent(&row.vehicle, &row.descent)? {
                    plan.checked += 1;
                    plan.take(&descent, &profile, catalogue, renamed);
                }
            }
            if plan.relabels.len() > MAX_RELABELS {
                return Err(Refusal::TooLarge(format!(
                    "the change concerns more than {MAX_RELABELS} descents, more than one commit takes: let old descents \
                     go first"
                )));
            }
            if is_draining() {
                return Err(Refusal::Draining);
            }
            cursor = page.next;
            if cursor.is_none() {
                return Ok(plan);
            }
        }
    }

    /// Takes in what was recorded meanwhile. It may have been looked at already: what gets a label only now counts as
    /// looked at now.
    pub(super) fn add(
        &mut self,
        arrived: &[FinishedDescent],
        catalogue: &Catalogue,
        renamed: Option<(&str, &str)>,
    ) {
        let known: BTreeSet<_> = self
            .relabels
            .iter()
            .map(|(r, _)| (r.vehicle.clone(), r.descent.clone()))
            .collect();
        for FinishedDescent { descent, profile, .. } in arrived {
            if !known.contains(&(descent.vehicle.clone(), descent.descent.clone())) {
                let before = self.relabels.len();
                self.take(descent, profile, catalogue, renamed);
                self.checked += (self.relabels.len() - before) as i64;
            }
        }
    }

    fn take(
        &mut self,
        d: &Descent,
        profile: &[ProfilePoint],
        catalogue: &Catalogue,
        renamed: Option<(&str, &str)>,
    ) {
        let Some((relabel, moves)) = label_anew(d, profile, catalogue, renamed) else {
            return;
        };
        let (before, after) = (d.grade.as_deref(), relabel.grade.as_deref());
        if moves && before.zip(after).is_none_or(|both| Some(both) != renamed) {
            let known = [before, after].into_iter().flatten();
            self.touched
                .extend(known.filter(|g| catalogue.grade(g).is_some()).map(str::to_owned));
        }
        self.relabels.push((relabel, moves));
    }

    /// Returns the grades that lose or gain descents and are known from now on.
    pub(super) fn touched(&self) -> &BTreeSet<String> {
        &self.touched
    }

    /// Returns the labels that change.
    pub(super) fn new_labels(&self) -> NewLabels<'_> {
        self.relabels
            .iter()
            .map(|(r, _)| ((r.vehicle.as_str(), r.descent.as_str()), r.grade.as_deref()))
            .collect()
    }

    /// Returns how many descents were looked at, and how many get another grade.
    pub(super) fn counts(&self) -> (i64, i64) {
        let moved = self.relabels.iter().filter(|(_, moves)| *moves).count();
        (self.checked, moved as i64)
    }

    pub(super) fn into_relabels(self) -> Vec<Relabel> {
        self.relabels.into_iter().map(|(r, _)| r).collect()
    }
}
