//! Known grades that change under past descents: what is remembered of a grade goes with its descents.

use std::collections::BTreeSet;

use super::{Watch, name};
use crate::alarm::{
    memory::MOST_CELLS,
    record::{Alarm, Closing},
    scope::Pass,
};

/// How the known grades changed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Regrading {
    /// Identifier before and after, of a grade that has another one.
    pub renamed: Option<(String, String)>,
    /// A grade that is no more.
    pub removed: Option<String>,
    /// Grades that have other descents from now on, under their identifiers of now.
    pub changed: BTreeSet<String>,
}

impl Watch {
    /// Follows a change of the known grades. `history` is a watch that has observed the descents of the changed grades,
    /// under their labels of now, in the order in which they ended: its memory of these grades takes the place of the
    /// own one. What it would have raised is past and raises nothing; the next descent that is still too high does.
    pub fn regrade(&mut self, change: &Regrading, history: &Self, person: &str, time_ms: i64) {
        if let Some((from, to)) = &change.renamed {
            self.rename(from, to);
        }
        let concerned =
            |grade: &str| change.changed.contains(grade) || change.removed.as_deref() == Some(grade);
        let gone: Vec<String> = self
            .cells
            .iter()
            .filter(|(_, cell)| concerned(&cell.grade))
            .map(|(cell, _)| cell.to_owned())
            .collect();
        for cell in &gone {
            self.cells.remove(cell);
        }
        for (cell_name, cell) in history.cells.iter() {
            if change.changed.contains(&cell.grade) && self.cells.size() < MOST_CELLS {
                self.cells.put(cell_name, cell.clone());
            }
        }
        if let Some(grade) = &change.removed {
            self.end_of(grade, person, time_ms);
        }
    }

    /// A grade has another identifier: memory and open alarms go with it.
    fn rename(&mut self, from: &str, to: &str) {
        let moved = |pass: &mut Pass| {
            if pass.grade == from {
                pass.set_grade(to);
            }
        };
        let cells: Vec<_> = self
            .cells
            .iter()
            .filter(|(_, cell)| cell.grade == from)
            .map(|(old, cell)| (old.to_owned(), cell.clone()))
            .collect();
        for (old, mut cell) in cells {
            to.clone_into(&mut cell.grade);
            cell.passes.iter_mut().for_each(moved);
            self.cells.remove(&old);
            self.cells.put(&name("c", &[to, &cell.vehicle_class]), cell);
        }
        let concerned: Vec<Alarm> = self
            .open()
            .filter(|a| a.scope.grade.as_deref() == Some(from) || a.evidence.grades.iter().any(|g| g == from))
            .cloned()
            .collect();
        for mut alarm in concerned {
            if alarm.scope.grade.as_deref() == Some(from) {
                alarm.scope.grade = Some(to.to_owned());
            }
            let e = &mut alarm.evidence;
            e.grades
                .iter_mut()
                .filter(|g| *g == from)
                .for_each(|g| to.clone_into(g));
            e.passes.iter_mut().for_each(moved);
            // What the histories of vehicles and versions hold against this grade must still be explained by the alarm.
            for vehicle in &e.vehicles {
                let key = name("v", &[vehicle]);
                if let Some(mut memory) = self.vehicles.get(&key).cloned() {
                    memory.passes.iter_mut().for_each(moved);
                    self.vehicles.put(&key, memory);
                }
            }
            for version in &e.software_versions {
                let key = name("s", &[version, &alarm.vehicle_class]);
                if let Some(mut memory) = self.versions.get(&key).cloned() {
                    memory.passes.iter_mut().for_each(moved);
                    self.versions.put(&key, memory);
                }
            }
            let id = alarm.alarm.clone();
            self.open.put(&id, alarm);
        }
    }

    /// A grade is no more: alarms and messages about it are over.
    fn end_of(&mut self, grade: &str, person: &str, time_ms: i64) {
        let about: Vec<Alarm> = self
            .open()
            .filter(|a| a.scope.grade.as_deref() == Some(grade))
            .cloned()
            .collect();
        for mut alarm in about {
            person.clone_into(&mut alarm.person);
            "the grade was deleted".clone_into(&mut alarm.note);
            self.close(alarm, Closing::Person, time_ms);
        }
    }
}
