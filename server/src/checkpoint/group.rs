//! What goes into one commit.

use std::{collections::HashMap, sync::Arc};

use coldbrake_engine::VehicleClass;

use super::{Durable, Entry, Mark, Reply, Request};
use crate::{config::CommitConfig, status::Refusal, store::CommitBatch};

/// Keys that the store writes for a vehicle (state and record), a descent (record, profile, index, one histogram a
/// metric, and what the alarms remember: four records, an alarm and what happened) and a class (record and audit entry).
const VEHICLE_KEYS: usize = 2;
const DESCENT_KEYS: usize = 26;
const CLASS_KEYS: usize = 2;
/// Bytes of a descent with its profile and histogram increments, about.
const DESCENT_BYTES: usize = 8 << 10;
const CLASS_BYTES: usize = 2 << 10;
/// Keys and bytes of a service of brakes: named record, audit entry, and an alarm that it ends with what happened.
const SERVICE_KEYS: usize = 4;
const SERVICE_BYTES: usize = 4 << 10;

/// Requests gathered for one commit. A vehicle that comes again replaces its state and adds its descents.
#[derive(Debug)]
pub(super) struct Group {
    limits: CommitConfig,
    pub(super) batch: CommitBatch,
    pub(super) marks: Vec<(Arc<Mark>, Durable)>,
    pub(super) registrations: Vec<(Arc<VehicleClass>, Reply)>,
    /// Services of brakes, each with its vehicle.
    pub(super) services: Vec<(String, Entry)>,
    /// Vehicle of each mark.
    marked: Vec<String>,
    places: HashMap<String, usize>,
    keys: usize,
    bytes: usize,
}

impl Group {
    pub(super) fn new(limits: CommitConfig) -> Self {
        Self {
            limits,
            batch: CommitBatch::default(),
            marks: Vec::new(),
            registrations: Vec::new(),
            services: Vec::new(),
            marked: Vec::new(),
            places: HashMap::new(),
            keys: 0,
            bytes: 0,
        }
    }

    pub(super) fn limits(&self) -> CommitConfig {
        self.limits
    }

    /// Returns its size, about.
    pub(super) fn bytes(&self) -> usize {
        self.bytes
    }

    pub(super) fn fits(&self, request: &Request) -> bool {
        if matches!(request, Request::Edit(_)) {
            return false;
        }
        let (keys, bytes) = cost(request);
        self.keys + keys <= self.limits.keys && self.bytes + bytes <= self.limits.bytes
    }

    /// Tells those who wait for a class or for a service that it was not recorded.
    pub(super) fn refuse_callers(&mut self, refusal: &Refusal) {
        for (_, reply) in self.registrations.drain(..) {
            let _ = reply.send(Err(refusal.clone()));
        }
        for (_, entry) in self.services.drain(..) {
            let _ = entry.reply.send(Err(refusal.clone()));
        }
    }

    /// Adds the history of services to the batch.
    pub(super) fn put_services(&mut self) {
        for (change, audit) in self.services.iter().filter_map(|(_, e)| e.history.as_ref()) {
            self.batch.shelved.push(change.clone());
            self.batch.audit.push(audit.clone());
        }
    }

    /// Takes the audit entries of services out of the batch again; its named records are cleared as a whole.
    pub(super) fn take_services_back(&mut self) {
        self.batch.audit.truncate(self.registrations.len());
    }

    pub(super) fn add(&mut self, request: Request) {
        let (keys, bytes) = cost(&request);
        self.keys += keys;
        self.bytes += bytes;
        match request {
            // An edit is decided and written alone, by the writer.
            Request::Edit(_) => {}
            Request::Class(registration) => {
                // The last of two registrations of a class counts, as in two commits.
                let class = Arc::new(registration.class);
                self.batch
                    .classes
                    .retain(|c| c.vehicle_class != class.vehicle_class);
                self.batch.classes.push((*class).clone());
                self.batch.audit.push(registration.audit);
                self.registrations.push((class, registration.reply));
            }
            Request::Vehicle(change) => {
                self.batch.descents.extend(change.descents);
                let vehicle = &change.record.vehicle;
                self.services
                    .extend(change.services.into_iter().map(|e| (vehicle.clone(), e)));
                // Also when the vehicle came before: a new session has a mark of its own.
                self.marks.push((change.mark, change.durable));
                self.marked.push(change.record.vehicle.clone());
                if let Some(&i) = self.places.get(&change.record.vehicle) {
                    self.batch.states[i].1 = change.state;
                    self.batch.vehicles[i] = change.record;
                } else {
                    self.places
                        .insert(change.record.vehicle.clone(), self.batch.states.len());
                    self.batch
                        .states
                        .push((change.record.vehicle.clone(), change.state));
                    self.batch.vehicles.push(change.record);
                }
            }
        }
    }
}

/// What is left of a group that the store refused.
#[derive(Debug)]
pub(super) enum Split {
    /// It holds one vehicle or one class: that one is at fault.
    Alone(Box<Group>),
    /// Its members, each in a group of its own.
    Parts(Vec<Group>),
}

fn cost(request: &Request) -> (usize, usize) {
    match request {
        Request::Edit(_) => (0, 0),
        Request::Class(_) => (CLASS_KEYS, CLASS_BYTES),
        Request::Vehicle(change) => {
            let (n, m) = (change.descents.len(), change.services.len());
            (
                VEHICLE_KEYS + n * DESCENT_KEYS + m * SERVICE_KEYS,
                change.state.len() + 512 + n * DESCENT_BYTES + m * SERVICE_BYTES,
            )
        }
    }
}

impl Group {
    /// Takes the group apart by vehicles and classes.
    pub(super) fn split(self) -> Split {
        if self.batch.states.len() + self.batch.classes.len() <= 1 {
            return Split::Alone(Box::new(self));
        }
        let mut parts: Vec<Self> = Vec::new();
        let CommitBatch {
            states,
            vehicles,
            descents,
            classes: _,
            audit,
            shelved: _,
            // These come by edits only.
            removals: _,
            relabels: _,
            kept: _,
        } = self.batch;
        for (state, vehicle) in states.into_iter().zip(vehicles) {
            let mut part = Self::new(self.limits);
            part.batch.states.push(state);
            part.batch.vehicles.push(vehicle);
            parts.push(part);
        }
        for descent in descents {
            if let Some(&i) = self.places.get(&descent.descent.vehicle) {
                parts[i].batch.descents.push(descent);
            }
        }
        for (vehicle, mark) in self.marked.into_iter().zip(self.marks) {
            if let Some(&i) = self.places.get(&vehicle) {
                parts[i].marks.push(mark);
                parts[i].marked.push(vehicle);
            }
        }
        for (vehicle, entry) in self.services {
            if let Some(&i) = self.places.get(&vehicle) {
                parts[i].services.push((vehicle, entry));
            }
        }
        // Each call has its audit entry, in the same order. Of two for the same class the last comes last here too.
        for ((class, reply), entry) in self.registrations.into_iter().zip(audit) {
            let mut part = Self::new(self.limits);
            part.batch.classes.push((*class).clone());
            part.batch.audit.push(entry);
            part.registrations.push((class, reply));
            parts.push(part);
        }
        Split::Parts(parts)
    }
}

#[cfg(test)]
mod tests {
    use coldbrake_engine::BrakeKind;

    use super::*;
    use crate::{checkpoint::Change, config::Config, store::VehicleRecord};

    fn change(vehicle: &str, through: i64, state: usize) -> Request {
        let durable = Durable {
            through,
            version: through as u64,
        };
        Request::Vehicle(Box::new(Change {
            record: VehicleRecord {
                vehicle: vehicle.to_owned(),
                vehicle_class: "van".to_owned(),
                software_version: "1".to_owned(),
                brake_kind: BrakeKind::Pedal,
                last_sample_time_ms: None,
                descent_count: 0,
                descending: false,
                refused_batch_count: through as u64,
                friction_total_j: None,
                distance_total_m: 0.0,
                brakes: coldbrake_engine::wear::BrakeAccount::default(),
            },
            state: vec![through as u8; state],
            descents: Vec::new(),
            services: Vec::new(),
            mark: Mark::new(Durable::default()),
            durable,
        }))
    }

    #[test]
    fn the_latest_state_of_a_vehicle_counts() {
        let mut group = Group::new(Config::default().commit);
        for request in [change("a", 1, 9), change("b", 7, 9), change("a", 2, 9)] {
            assert!(group.fits(&request));
            group.add(request);
        }
        assert_eq!(
            group.batch.states,
            [("a".to_owned(), vec![2; 9]), ("b".to_owned(), vec![7; 9])]
        );
        assert_eq!(group.batch.vehicles[0].refused_batch_count, 2);
        assert_eq!(group.marks.len(), 3);
    }

    #[test]
    fn a_refused_group_falls_apart_into_its_vehicles() {
        let mut group = Group::new(Config::default().commit);
        for request in [change("a", 1, 9), change("b", 7, 9), change("a", 2, 9)] {
            group.add(request);
        }
        let Split::Parts(parts) = group.split() else {
            panic!("not taken apart")
        };
        let seen: Vec<_> = parts
            .iter()
            .map(|p| (p.batch.states[0].0.as_str(), p.marks.len()))
            .collect();
        assert_eq!(seen, [("a", 2), ("b", 1)]);
        assert!(parts.into_iter().all(|p| matches!(p.split(), Split::Alone(_))));
    }

    #[test]
    fn a_group_is_bounded_by_keys_and_by_bytes() {
        let limits = CommitConfig {
            keys: 40,
            bytes: 20_000,
            ..Config::default().commit
        };
        let mut group = Group::new(limits);
        for i in 0..20 {
            let request = change(&format!("v{i}"), 1, 9);
            assert!(group.fits(&request), "{i}");
            group.add(request);
        }
        assert!(!group.fits(&change("one-more", 1, 9)));

        let mut group = Group::new(limits);
        group.add(change("large", 1, 18_000));
        assert!(!group.fits(&change("next", 1, 4_000)));
    }
}
