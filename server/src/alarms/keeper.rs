//! The alarms as the writer thread keeps them: decided by the engine, stored in the same commit as the descents that
//! they follow from.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{Arc, atomic::Ordering::Relaxed},
};

use coldbrake_engine::{
    VehicleClass,
    alarm::{
        Rule, Watch,
        record::{Act, ActError},
        watch::{Change, Facts, LoadError, Regrading, Sort},
    },
};

use super::Stand;
use crate::{
    status::Refusal,
    store::{CommitBatch, Shelf, ShelfChange, Store, StoreError, VehicleRecord},
};

/// Record of how far the delivery is, beside the events.
pub(crate) const DELIVERED: &str = "delivered";
/// What the names of events begin with.
const EVENTS: &str = "event/";
const PAGE: usize = 1_000;

/// The alarms, and what they need to know.
#[derive(Debug)]
pub(crate) struct Keeper {
    watch: Watch,
    classes: BTreeMap<String, VehicleClass>,
    stand: Arc<Stand>,
}

impl Keeper {
    /// Reads what is stored. Blocks.
    pub(crate) fn load(store: &dyn Store) -> Result<Self, StoreError> {
        let mut watch = Watch::default();
        load_rules(store, &mut watch)?;
        take_up(store, &mut watch, Sort::Memory, "")?;
        take_up(store, &mut watch, Sort::Alarm, "")?;
        take_up(store, &mut watch, Sort::Event, EVENTS)?;
        let classes = store
            .classes()?
            .into_iter()
            .map(|c| (c.vehicle_class.clone(), c))
            .collect();
        let keeper = Self {
            watch,
            classes,
            stand: Arc::default(),
        };
        keeper.publish();
        Ok(keeper)
    }

    /// Returns how the alarms stand, for those who do not write.
    pub(crate) fn stand(&self) -> Arc<Stand> {
        Arc::clone(&self.stand)
    }

    /// Decides about the descents of a batch and adds what changed.
    pub(crate) fn prepare(&mut self, batch: &mut CommitBatch) {
        for class in &batch.classes {
            self.classes.insert(class.vehicle_class.clone(), class.clone());
        }
        for finished in &batch.descents {
            let d = &finished.descent;
            let class = self.classes.get(&d.vehicle_class);
            self.watch.observe(d, class, &finished.facts);
        }
        self.remedy(&batch.vehicles);
        batch.shelved.extend(self.changes());
    }

    /// Ends alarms that a service or a firm stop has put right, with or without a descent.
    fn remedy(&mut self, vehicles: &[VehicleRecord]) {
        let concerned: BTreeSet<String> = self.watch.remediable().into_iter().map(str::to_owned).collect();
        if concerned.is_empty() {
            return;
        }
        for v in vehicles.iter().filter(|v| concerned.contains(&v.vehicle)) {
            let facts = Facts::of(&v.brakes, v.distance_total_m);
            self.watch.remedy(&v.vehicle, &facts);
        }
    }

    /// Follows a change of the known grades; returns what is to be written. `past` has observed the descents of the
    /// grades that change.
    pub(crate) fn regrade(
        &mut self,
        change: &Regrading,
        past: &Watch,
        person: &str,
        time_ms: i64,
    ) -> Vec<ShelfChange> {
        self.watch.regrade(change, past, person, time_ms);
        self.changes()
    }

    /// Does what a person wants with an alarm; returns what is to be written.
    pub(crate) fn act(
        &mut self,
        alarm: &str,
        act: Act,
        person: &str,
        note: &str,
        time_ms: i64,
    ) -> Result<Vec<ShelfChange>, Refusal> {
        if let Act::Quiet { until_ms } = act
            && let Some(known) = self.watch.open().find(|a| a.alarm == alarm)
            && until_ms <= known.latest_ms
        {
            let text = "is not after the latest descent of this alarm: give a later time";
            return Err(Refusal::field("until_ms", text));
        }
        self.watch
            .act(alarm, act, person, note, time_ms)
            .map_err(|error| match error {
                ActError::Unknown => Refusal::NotFound {
                    kind: "alarm",
                    name: alarm.to_owned(),
                },
                ActError::Closed => Refusal::AlarmClosed(alarm.to_owned()),
            })?;
        Ok(self.changes())
    }

    /// Puts a rule in force.
    pub(crate) fn put_rule(&mut self, rule: Rule) -> Vec<ShelfChange> {
        self.watch.put_rule(rule);
        self.changes()
    }

    /// Takes a rule away.
    pub(crate) fn remove_rule(&mut self, vehicle_class: &str) -> Result<Vec<ShelfChange>, Refusal> {
        if self.watch.remove_rule(vehicle_class) {
            return Ok(self.changes());
        }
        Err(Refusal::NotFound {
            kind: "alarm rule",
            name: vehicle_class.to_owned(),
        })
    }

    /// Makes a test event.
    pub(crate) fn test(&mut self, time_ms: i64) -> Vec<ShelfChange> {
        self.watch.test(time_ms);
        self.changes()
    }

    /// Returns the position of the last event, durable or not.
    pub(crate) fn latest_position(&self) -> u64 {
        self.watch.latest_position()
    }

    /// What was prepared is durable.
    pub(crate) fn written(&mut self) {
        self.watch.settle();
        self.publish();
    }

    /// What was prepared was not written.
    pub(crate) fn refused(&mut self) {
        self.watch.undo();
    }

    fn changes(&self) -> Vec<ShelfChange> {
        self.watch.changes().into_iter().map(shelved).collect()
    }

    fn publish(&self) {
        let (planning, open) = self.watch.open().fold((0, 0), |(planning, open), a| {
            if a.kind.is_planning() {
                (planning + 1, open)
            } else {
                (planning, open + 1)
            }
        });
        self.stand.open.store(open, Relaxed);
        self.stand.planning.store(planning, Relaxed);
        let position = self.watch.position();
        self.stand
            .position
            .send_if_modified(|known| std::mem::replace(known, position) != position);
    }
}

/// Takes up the rules that are stored.
pub(crate) fn load_rules(store: &dyn Store, watch: &mut Watch) -> Result<(), StoreError> {
    take_up(store, watch, Sort::Rule, "")
}

fn take_up(store: &dyn Store, watch: &mut Watch, sort: Sort, start: &str) -> Result<(), StoreError> {
    let shelf = shelf_of(sort);
    let mut cursor = None;
    loop {
        let page = store.shelf(shelf, start, cursor.as_deref(), PAGE)?;
        for row in page.rows {
            match watch.load(sort, &row.name, &row.bytes) {
                Ok(()) => {}
                Err(LoadError::Newer { found }) => {
                    return Err(StoreError::NewerRecord {
                        what: format!("{} `{}`", shelf.name(), row.name),
                        found: u32::from(found),
                        known: u32::from(coldbrake_engine::alarm::watch::FORMAT),
                    });
                }
                // What is lost is what it remembered: it learns again. Nothing else depends on it.
                Err(error) => {
                    tracing::error!(record = shelf.name(), name = row.name, %error, "left out a damaged record");
                }
            }
        }
        cursor = page.next;
        if cursor.is_none() {
            return Ok(());
        }
    }
}

const fn shelf_of(sort: Sort) -> Shelf {
    match sort {
        Sort::Rule => Shelf::AlarmRule,
        Sort::Memory => Shelf::AlarmMemory,
        Sort::Alarm => Shelf::Alarm,
        Sort::Event => Shelf::Outbox,
    }
}

fn shelved(change: Change) -> ShelfChange {
    ShelfChange {
        shelf: shelf_of(change.sort),
        name: change.name,
        bytes: change.bytes,
    }
}
