//! What past descents teach the alarms about grades that lose or gain descents by a change of the catalogue.
//!
//! The alarms run over the stored descents of these grades, under their labels of then, as a preview does. What they have
//! learnt takes the place of their memory of these grades in the commit that moves the labels.

use std::collections::{BTreeMap, BTreeSet};

use coldbrake_engine::{
    Descent, FinishedDescent,
    alarm::{Watch, watch::Facts},
};

use super::plan::{NewLabels, Plan};
use crate::{
    alarms::keeper,
    shared::Classes,
    status::Refusal,
    store::{DescentFilter, Store},
};

/// Descents read at once.
const PAGE: usize = 500;
/// Most descents taken, the latest: some 20 MB while it works.
const MOST_DESCENTS: usize = 20_000;
/// Descents of a grade and class taken for each that a baseline remembers: some may be left out of it.
const FOR_EACH_REMEMBERED: usize = 2;

/// Alarms that have seen the past of some grades.
pub(super) struct History {
    watch: Watch,
    /// The grades.
    grades: BTreeSet<String>,
    /// Descents that they have seen, by vehicle and descent.
    seen: BTreeSet<(String, String)>,
}

impl History {
    /// Looks at what is stored. Blocks.
    pub(super) fn of_past(
        store: &dyn Store,
        classes: &Classes,
        plan: &Plan,
        is_draining: impl Fn() -> bool,
    ) -> Result<Self, Refusal> {
        let mut history = Self {
            watch: Watch::default(),
            grades: plan.touched().clone(),
            seen: BTreeSet::new(),
        };
        keeper::load_rules(store, &mut history.watch)?;
        if history.grades.is_empty() {
            return Ok(history);
        }
        let mut past = history.gather(store, &plan.new_labels(), is_draining)?;
        past.sort_by(|a, b| (a.end_time_ms, &a.vehicle).cmp(&(b.end_time_ms, &b.vehicle)));
        for d in past {
            history.observe(&d, classes);
        }
        Ok(history)
    }

    /// Returns the latest descents of each grade and class, as many as a baseline needs.
    fn gather(
        &self,
        store: &dyn Store,
        labels: &NewLabels<'_>,
        is_draining: impl Fn() -> bool,
    ) -> Result<Vec<Descent>, Refusal> {
        let mut taken: BTreeMap<(String, String), usize> = BTreeMap::new();
        let mut past = Vec::new();
        let mut cursor = None;
        loop {
            let page = store.descents(&DescentFilter::default(), cursor.as_deref(), PAGE)?;
            for d in page.rows {
                let Some(d) = self.labelled(d, labels) else {
                    continue;
                };
                let grade = d.grade.clone().unwrap_or_default();
                let count = taken.entry((grade, d.vehicle_class.clone())).or_default();
                let most =
                    FOR_EACH_REMEMBERED * usize::from(self.watch.rule(&d.vehicle_class).baseline_memory);
                if *count < most {
                    *count += 1;
                    past.push(d);
                }
            }
            if is_draining() {
                return Err(Refusal::Draining);
            }
            cursor = page.next;
            if cursor.is_none() || past.len() >= MOST_DESCENTS {
                return Ok(past);
            }
        }
    }

    /// Returns a descent under its label of from now on, if that is one of the grades.
    fn labelled(&self, d: Descent, labels: &NewLabels<'_>) -> Option<Descent> {
        let grade = match labels.get(&(d.vehicle.as_str(), d.descent.as_str())) {
            Some(new) => new.map(str::to_owned),
            None => d.grade.clone(),
        };
        let grade = grade.filter(|g| self.grades.contains(g))?;
        Some(Descent {
            grade: Some(grade),
            ..d
        })
    }

    /// Takes in what was recorded meanwhile; `plan` knows its labels.
    pub(super) fn add(&mut self, arrived: &[FinishedDescent], plan: &Plan, classes: &Classes) {
        if self.grades.is_empty() {
            return;
        }
        let labels = plan.new_labels();
        let new: Vec<Descent> = arrived
            .iter()
            .filter_map(|f| self.labelled(f.descent.clone(), &labels))
            .collect();
        for d in new {
            self.observe(&d, classes);
        }
    }

    fn observe(&mut self, d: &Descent, classes: &Classes) {
        if self.seen.insert((d.vehicle.clone(), d.descent.clone())) {
            let class = classes.get(&d.vehicle_class).map(AsRef::as_ref);
            self.watch.observe(d, class, &Facts::default());
            self.watch.settle();
        }
    }

    /// Returns the grades, and the alarms that have seen their past.
    pub(super) fn into_parts(self) -> (BTreeSet<String>, Watch) {
        (self.grades, self.watch)
    }
}
