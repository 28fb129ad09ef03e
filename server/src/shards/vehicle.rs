//! A vehicle in memory: its engine state, its record, its stream and what is not durable yet.

use std::{
    panic::{AssertUnwindSafe, catch_unwind},
    sync::Arc,
};

use coldbrake_engine::{
    Batch, Effects, FinishedDescent, Opening, Policy, VehicleClass, VehicleState,
    progress::{Decision, decide, decide_gap},
    wear::Recorded,
};
use coldbrake_proto::{codec, v1};

use super::{Link, Notice, Opened, ServiceCall};
use crate::{
    checkpoint::{Change, Durable, Entry, Mark},
    status::Refusal,
    vehicle_record,
};

/// Descents of one vehicle that go into one commit. More wait for the next.
pub(super) const MAX_PENDING_DESCENTS: usize = 8;

/// A vehicle that this shard owns.
#[derive(Debug)]
pub(super) struct Vehicle {
    state: VehicleState,
    class: Arc<str>,
    pub(super) link: Option<Link>,
    mark: Arc<Mark>,
    /// Grows with every change of the state.
    version: u64,
    /// Version that was handed to the writer.
    handed_over: u64,
    pending: Vec<FinishedDescent>,
    /// Services of the brakes that are in the state and not with the writer yet.
    services: Vec<Entry>,
    /// When the stream went, in ticks of the shard; `None` while there is one.
    pub(super) idle_since: Option<u64>,
    /// The engine broke down over this vehicle: its state in memory cannot be trusted.
    broken: bool,
}

impl Vehicle {
    /// Takes up a vehicle as the store knows it.
    pub(super) fn known(state: VehicleState, class: Arc<str>) -> Self {
        let durable = Durable {
            through: state.applied_through(),
            version: 0,
        };
        Self {
            state,
            class,
            link: None,
            mark: Mark::new(durable),
            version: 0,
            handed_over: 0,
            pending: Vec::new(),
            services: Vec::new(),
            idle_since: None,
            broken: false,
        }
    }

    /// Takes up a vehicle that was not known.
    pub(super) fn fresh(name: &str, class: &Arc<str>, opening: Opening) -> Self {
        let state = VehicleState::new(name, opening);
        let mut vehicle = Self::known(state, Arc::clone(class));
        vehicle.version = 1;
        vehicle
    }

    /// Returns the class of the last stream.
    pub(super) fn class(&self) -> &Arc<str> {
        &self.class
    }

    /// Lets a stream speak for the vehicle; the one before is told that it is over.
    pub(super) fn open(
        &mut self,
        link: Link,
        class_name: &Arc<str>,
        opening: Opening,
        class: &VehicleClass,
        policy: &Policy,
    ) -> Result<Opened, Refusal> {
        if self.broken || self.mark.is_refused() {
            return Err(Refusal::VehicleFault(self.state.vehicle().to_owned()));
        }
        if let Some(before) = self.link.replace(link) {
            before.superseded.cancel();
        }
        self.idle_since = None;
        let new_session = opening.session != self.state.opening().session;
        let changed = *self.state.opening() != opening || self.class != *class_name;
        self.class = Arc::clone(class_name);
        self.guarded(|state| state.open(opening, class, policy))?;
        if changed || !self.pending.is_empty() {
            self.version += 1;
        }
        if new_session {
            // Numbers begin anew: what was durable of the session before says nothing.
            self.mark = Mark::new(Durable::default());
        }
        Ok(Opened {
            applied_through: self.state.applied_through(),
            progress: self.mark.watch(),
        })
    }

    /// Applies a batch, decoded into `room`. Returns the number of samples taken; refused ones are told to the stream.
    pub(super) fn batch(
        &mut self,
        message: &v1::SampleBatch,
        room: &mut Batch,
        max_samples: usize,
        class: &VehicleClass,
        policy: &Policy,
    ) -> Result<Taken, Refusal> {
        Self::expect(decide(self.state.applied_through(), message.sequence))?;
        let kind = self.state.opening().brake_kind;
        // A regular batch comes without times: every other column tells how many samples there are.
        let samples = message.time_ms.len().max(message.speed_cm_per_s.len());
        let violations = if samples > max_samples {
            self.guarded(|state| {
                state.refuse();
                Effects::default()
            })?;
            let text = format!("holds {samples} samples: send at most {max_samples} (limits.batch_samples)");
            vec![coldbrake_engine::Violation {
                field: "time_ms".to_owned(),
                description: text,
            }]
        } else {
            match codec::decode_into(message, kind, room) {
                Ok(()) => {
                    let violations = self.guarded(|state| state.apply(room, class, policy))?;
                    violations.into_iter().map(codec::wire_violation).collect()
                }
                Err(violations) => {
                    self.guarded(|state| {
                        state.refuse();
                        Effects::default()
                    })?;
                    violations
                }
            }
        };
        self.version += 1;
        if violations.is_empty() {
            return Ok(Taken::Samples(samples));
        }
        self.tell(Notice::Rejected {
            sequence: message.sequence,
            violations: violations.clone(),
        });
        Ok(Taken::Refused(violations))
    }

    /// Records a declared loss.
    pub(super) fn gap(
        &mut self,
        first: i64,
        last: i64,
        class: &VehicleClass,
        policy: &Policy,
    ) -> Result<(), Refusal> {
        Self::expect(decide_gap(self.state.applied_through(), first, last))?;
        self.guarded(|state| state.declare_gap(last, class, policy))?;
        self.version += 1;
        Ok(())
    }

    /// Ends the session.
    pub(super) fn finish(
        &mut self,
        sequence: i64,
        class: &VehicleClass,
        policy: &Policy,
    ) -> Result<(), Refusal> {
        Self::expect(decide(self.state.applied_through(), sequence))?;
        self.guarded(|state| state.finish(class, policy))?;
        self.version += 1;
        Ok(())
    }

    /// Records a service of the brakes. The caller hears when the state that holds it is durable, also when it was recorded
    /// before: that may not be durable yet.
    pub(super) fn service(&mut self, call: ServiceCall) {
        if self.broken || self.mark.is_refused() {
            let fault = Refusal::VehicleFault(self.state.vehicle().to_owned());
            let _ = call.reply.send(Err(fault));
            return;
        }
        let mut recorded = Recorded::Again;
        let outcome = self.guarded(|state| {
            recorded = state.record_service(&call.service);
            Effects::default()
        });
        if let Err(refusal) = outcome {
            let _ = call.reply.send(Err(refusal));
            return;
        }
        if recorded == Recorded::Impossible {
            let _ = call.reply.send(Err(Refusal::field(
                "service_time_ms",
                "is a time that no clock shows",
            )));
            return;
        }
        self.version += 1;
        self.services.push(Entry {
            history: (recorded != Recorded::Again).then_some(call.history),
            recorded,
            reply: call.reply,
        });
    }

    /// Ends the stream of the vehicle with a reason.
    pub(super) fn end(&mut self, refusal: Refusal) {
        self.tell(Notice::Ended(refusal));
        self.link = None;
    }

    /// Returns whether something waits to be handed to the writer.
    pub(super) fn is_dirty(&self) -> bool {
        self.version > self.handed_over && !self.broken
    }

    /// Returns whether so many descents wait that the writer should have them now.
    pub(super) fn is_full(&self) -> bool {
        self.pending.len() >= MAX_PENDING_DESCENTS
    }

    /// Returns whether everything is durable, so that memory can forget the vehicle.
    pub(super) fn is_forgettable(&self) -> bool {
        !self.broken && self.mark.version() >= self.version
    }

    /// Returns what changed since the last time, for the writer.
    pub(super) fn change(&mut self, policy: &Policy) -> Change {
        self.handed_over = self.version;
        Change {
            record: vehicle_record::of(&self.state, &self.class, policy),
            state: self.state.to_bytes(),
            descents: std::mem::take(&mut self.pending),
            services: std::mem::take(&mut self.services),
            mark: Arc::clone(&self.mark),
            durable: Durable {
                through: self.state.applied_through(),
                version: self.version,
            },
        }
    }

    /// The stream has decided already; the owner decides again, because only it knows.
    fn expect(decision: Decision) -> Result<(), Refusal> {
        match decision {
            Decision::Apply => Ok(()),
            Decision::DropDuplicate | Decision::AskRewind { .. } => Err(Refusal::Internal(
                "a stream and the owner of its vehicle count differently",
            )),
        }
    }

    /// Runs the engine so that a mistake in it harms this vehicle only. Returns the violations.
    fn guarded(
        &mut self,
        step: impl FnOnce(&mut VehicleState) -> Effects,
    ) -> Result<Vec<coldbrake_engine::Violation>, Refusal> {
        let Ok(effects) = catch_unwind(AssertUnwindSafe(|| step(&mut self.state))) else {
            // What is durable is whole; what is in memory is not. A restart takes it up from there.
            self.broken = true;
            self.pending.clear();
            for entry in self.services.drain(..) {
                let fault = Refusal::VehicleFault(self.state.vehicle().to_owned());
                let _ = entry.reply.send(Err(fault));
            }
            return Err(Refusal::VehicleFault(self.state.vehicle().to_owned()));
        };
        self.pending.extend(effects.finished);
        Ok(effects.violations)
    }

    fn tell(&self, notice: Notice) {
        if let Some(link) = &self.link {
            // Full only when the stream broke its credit, closed when it ended: neither waits for the notice.
            let _ = link.notices.try_send(Box::new(notice));
        }
    }
}

/// What became of a batch.
#[derive(Debug)]
pub(super) enum Taken {
    /// Applied: number of samples.
    Samples(usize),
    /// Refused, and why.
    Refused(Vec<coldbrake_engine::Violation>),
}
