//! The task that owns the vehicles of a shard.

use std::{
    collections::{BTreeMap, HashMap},
    sync::{Arc, atomic::Ordering::Relaxed},
};

use coldbrake_engine::{Batch, Policy, VehicleClass, VehicleState};
use coldbrake_proto::{transport, v1};
use tokio::{
    sync::mpsc,
    task::{JoinError, JoinSet},
};

use super::{
    Command, Open, ServiceCall,
    vehicle::{Taken, Vehicle},
};
use crate::{
    checkpoint::Request,
    shared::{Counters, Shared},
    status::Refusal,
    store::Store,
};

/// Commands taken from the inbox at once. Changes of a vehicle among them become one.
const BURST: usize = 64;
/// Batches applied before other tasks of the thread get their turn.
const BATCHES_BETWEEN_YIELDS: usize = 8;

type Loaded = Result<Option<(VehicleState, Arc<str>)>, Refusal>;

/// Who waits for a vehicle.
enum Waiter {
    Stream(Open),
    Service(Box<ServiceCall>),
}

impl Waiter {
    fn refuse(self, refusal: Refusal) {
        match self {
            Self::Stream(open) => {
                let _ = open.reply.send(Err(refusal));
            }
            Self::Service(call) => {
                let _ = call.reply.send(Err(refusal));
            }
        }
    }
}

/// Owner of some vehicles.
pub(super) struct Owner {
    shared: Arc<Shared>,
    writer: mpsc::Sender<Request>,
    /// Boxed: a table has up to twice as many places as vehicles.
    vehicles: HashMap<Arc<str>, Box<Vehicle>>,
    /// Vehicles changed since the writer was last told, each once.
    dirty: Vec<Arc<str>>,
    /// Vehicles without a stream, the longest first.
    idle: BTreeMap<u64, Arc<str>>,
    tick: u64,
    resident: usize,
    /// Who waits for their vehicle to be read from the store.
    waiting: HashMap<Arc<str>, Vec<Waiter>>,
    loads: JoinSet<(Arc<str>, Loaded)>,
    /// Where messages are decoded to, one after the other.
    room: Batch,
}

impl Owner {
    pub(super) fn new(shared: Arc<Shared>, writer: mpsc::Sender<Request>, resident: usize) -> Self {
        Self {
            shared,
            writer,
            vehicles: HashMap::new(),
            dirty: Vec::new(),
            idle: BTreeMap::new(),
            tick: 0,
            resident,
            waiting: HashMap::new(),
            loads: JoinSet::new(),
            room: Batch::default(),
        }
    }

    pub(super) async fn run(mut self, mut inbox: mpsc::Receiver<Command>) {
        let mut burst = Vec::with_capacity(BURST);
        loop {
            tokio::select! {
                taken = inbox.recv_many(&mut burst, BURST) => {
                    if taken == 0 {
                        break;
                    }
                    self.work(&mut burst).await;
                }
                Some(loaded) = self.loads.join_next() => self.loaded(loaded),
            }
            self.hand_over().await;
            self.forget();
        }
        // Nobody waits for a stream any more: what is being read is not needed.
        self.loads.shutdown().await;
    }

    async fn work(&mut self, burst: &mut Vec<Command>) {
        for (i, command) in burst.drain(..).enumerate() {
            match command {
                Command::Open(open) => self.open(*open),
                Command::Batch {
                    vehicle,
                    stream,
                    batch,
                } => {
                    self.batch(&vehicle, stream, &batch);
                    transport::keep(batch);
                    if self.vehicles.get(&vehicle).is_some_and(|v| v.is_full()) {
                        self.hand_over().await;
                    }
                    if i % BATCHES_BETWEEN_YIELDS == BATCHES_BETWEEN_YIELDS - 1 {
                        tokio::task::yield_now().await;
                    }
                }
                Command::Gap {
                    vehicle,
                    stream,
                    first,
                    last,
                } => {
                    self.step(&vehicle, stream, |v, class, policy| {
                        v.gap(first, last, class, policy)
                    });
                }
                Command::Finish {
                    vehicle,
                    stream,
                    sequence,
                } => {
                    self.step(&vehicle, stream, |v, class, policy| {
                        v.finish(sequence, class, policy)
                    });
                }
                Command::Close { vehicle, stream } => self.close(&vehicle, stream),
                Command::Service(call) => self.service(call),
            }
        }
    }

    fn open(&mut self, open: Open) {
        if let Some(refusal) = self.shared.closed() {
            let _ = open.reply.send(Err(refusal));
        } else if self.vehicles.contains_key(&open.vehicle) {
            self.attach(open);
        } else {
            self.wait(&Arc::clone(&open.vehicle), Waiter::Stream(open));
        }
    }

    fn service(&mut self, call: Box<ServiceCall>) {
        if let Some(refusal) = self.shared.closed() {
            let _ = call.reply.send(Err(refusal));
        } else if self.vehicles.contains_key(&call.vehicle) {
            self.record(*call);
        } else {
            self.wait(&Arc::clone(&call.vehicle), Waiter::Service(call));
        }
    }

    /// Has a vehicle read from the store, once, for all that wait for it. While that goes on nobody else can change it.
    fn wait(&mut self, vehicle: &Arc<str>, waiter: Waiter) {
        if let Some(waiting) = self.waiting.get_mut(vehicle) {
            waiting.push(waiter);
            return;
        }
        let (store, name) = (Arc::clone(&self.shared.store), Arc::clone(vehicle));
        self.loads.spawn_blocking(move || {
            let loaded = load(&*store, &name);
            (name, loaded)
        });
        self.waiting.insert(Arc::clone(vehicle), vec![waiter]);
    }

    /// Changes the state of a vehicle by a service of its brakes.
    fn record(&mut self, call: ServiceCall) {
        let name = Arc::clone(&call.vehicle);
        let Some(vehicle) = self.vehicles.get_mut(&name) else {
            let refusal = Refusal::NotFound {
                kind: "vehicle",
                name: name.to_string(),
            };
            let _ = call.reply.send(Err(refusal));
            return;
        };
        vehicle.service(call);
        let alone = vehicle.link.is_none() && vehicle.idle_since.is_none();
        if vehicle.is_dirty() && !self.dirty.contains(&name) {
            self.dirty.push(Arc::clone(&name));
        }
        if alone {
            self.rest(&name);
        }
    }

    fn loaded(&mut self, loaded: Result<(Arc<str>, Loaded), JoinError>) {
        let (name, loaded) = match loaded {
            Ok(pair) => pair,
            Err(error) => {
                // Only a panic of the store ends here. It does not say of which vehicle: all that wait may try again.
                tracing::error!(%error, "reading a vehicle failed");
                for waiter in self.waiting.drain().flat_map(|(_, waiters)| waiters) {
                    waiter.refuse(Refusal::StoreUnreadable("it stopped while reading".to_owned()));
                }
                return;
            }
        };
        let Some(waiters) = self.waiting.remove(&name) else {
            return;
        };
        let refusal = match loaded {
            Ok(Some((state, class))) => {
                self.vehicles
                    .insert(Arc::clone(&name), Box::new(Vehicle::known(state, class)));
                None
            }
            Ok(None) => self.admit(&name, &waiters),
            Err(refusal) => {
                tracing::error!(vehicle = &*name, reason = refusal.reason(), "{refusal}");
                Some(refusal)
            }
        };
        for waiter in waiters {
            match (&refusal, waiter) {
                (None, Waiter::Stream(open)) => self.attach(open),
                (None, Waiter::Service(call)) => self.record(*call),
                (Some(refusal), waiter) => waiter.refuse(refusal.clone()),
            }
        }
    }

    /// Takes up a vehicle that is not known, if there is room.
    fn admit(&mut self, name: &Arc<str>, waiters: &[Waiter]) -> Option<Refusal> {
        // Only a stream makes a vehicle known.
        let first = waiters.iter().find_map(|w| match w {
            Waiter::Stream(open) => Some(open),
            Waiter::Service(_) => None,
        })?;
        let limit = self.shared.config.limits.vehicles;
        if !self.shared.fleet.admit(&first.class, limit) {
            return Some(Refusal::TooManyVehicles(limit));
        }
        let vehicle = Vehicle::fresh(name, &first.class, first.opening.clone());
        self.vehicles.insert(Arc::clone(name), Box::new(vehicle));
        None
    }

    fn attach(&mut self, open: Open) {
        let Some(class) = self.shared.class(&open.class) else {
            let _ = open
                .reply
                .send(Err(Refusal::UnknownClass(open.class.to_string())));
            return;
        };
        let Some(vehicle) = self.vehicles.get_mut(&open.vehicle) else {
            return;
        };
        if open.reply.is_closed() {
            // The stream went while the vehicle was read. Nothing holds the vehicle: let it become forgettable.
            if vehicle.link.is_none() && vehicle.idle_since.is_none() {
                if vehicle.is_dirty() && !self.dirty.contains(&open.vehicle) {
                    self.dirty.push(Arc::clone(&open.vehicle));
                }
                self.rest(&open.vehicle);
            }
            return;
        }
        if let Some(tick) = vehicle.idle_since {
            self.idle.remove(&tick);
        }
        self.shared.fleet.change_class(vehicle.class(), &open.class);
        let was_dirty = vehicle.is_dirty();
        let stream = open.link.stream;
        let opened = vehicle.open(
            open.link,
            &open.class,
            open.opening,
            &class,
            &self.shared.config.policy,
        );
        if vehicle.is_dirty() && (!was_dirty || !self.dirty.contains(&open.vehicle)) {
            self.dirty.push(Arc::clone(&open.vehicle));
        }
        if opened.is_ok() {
            self.shared.fleet.connect(&open.vehicle, stream);
        }
        let _ = open.reply.send(opened);
    }

    fn batch(&mut self, name: &Arc<str>, stream: u64, message: &v1::SampleBatch) {
        let limit = self.shared.config.limits.batch_samples;
        let mut room = std::mem::take(&mut self.room);
        let taken = self.step(name, stream, |v, class, policy| {
            v.batch(message, &mut room, limit, class, policy)
        });
        self.room = room;
        let counters = &self.shared.counters;
        match taken {
            Some(Taken::Samples(n)) => {
                Counters::add(&counters.accepted_batches);
                counters.accepted_samples.fetch_add(n as u64, Relaxed);
            }
            Some(Taken::Refused(violations)) => {
                Counters::add(&counters.refused_batches);
                if let (Some(left_out), Some(first)) = (self.shared.refused_lines.pass(), violations.first())
                {
                    tracing::warn!(
                        vehicle = &**name,
                        stream,
                        sequence = message.sequence,
                        field = first.field,
                        reason = first.description,
                        violations = violations.len(),
                        lines_left_out = left_out,
                        "batch refused"
                    );
                }
            }
            None => {}
        }
    }

    /// Lets the stream that speaks for the vehicle change it. Others are not listened to.
    fn step<T>(
        &mut self,
        name: &Arc<str>,
        stream: u64,
        act: impl FnOnce(&mut Vehicle, &VehicleClass, &Policy) -> Result<T, Refusal>,
    ) -> Option<T> {
        let vehicle = self.vehicles.get_mut(name)?;
        if vehicle.link.as_ref().is_none_or(|link| link.stream != stream) {
            return None;
        }
        let was_dirty = vehicle.is_dirty();
        let outcome = match self.shared.class(vehicle.class()) {
            Some(class) => act(vehicle, &class, &self.shared.config.policy),
            None => Err(Refusal::UnknownClass(vehicle.class().to_string())),
        };
        if !was_dirty && vehicle.is_dirty() {
            self.dirty.push(Arc::clone(name));
        }
        match outcome {
            Ok(value) => Some(value),
            Err(refusal) => {
                tracing::error!(vehicle = &**name, stream, reason = refusal.reason(), "{refusal}");
                vehicle.end(refusal);
                self.rest(name);
                None
            }
        }
    }

    fn close(&mut self, name: &Arc<str>, stream: u64) {
        self.shared.fleet.disconnect(name, stream);
        let Some(vehicle) = self.vehicles.get_mut(name) else {
            return;
        };
        if vehicle.link.as_ref().is_some_and(|link| link.stream == stream) {
            vehicle.link = None;
            self.rest(name);
        }
    }

    /// Notes that a vehicle has no stream.
    fn rest(&mut self, name: &Arc<str>) {
        self.tick += 1;
        if let Some(vehicle) = self.vehicles.get_mut(name) {
            if let Some(before) = vehicle.idle_since.replace(self.tick) {
                self.idle.remove(&before);
            }
            self.idle.insert(self.tick, Arc::clone(name));
        }
    }

    /// Hands what changed to the writer; waits while it is busy.
    async fn hand_over(&mut self) {
        for name in std::mem::take(&mut self.dirty) {
            let Some(vehicle) = self.vehicles.get_mut(&name).filter(|v| v.is_dirty()) else {
                continue;
            };
            let change = Box::new(vehicle.change(&self.shared.config.policy));
            if self.writer.send(Request::Vehicle(change)).await.is_err() {
                self.shared.fail("the writer has ended");
            }
        }
    }

    /// Forgets vehicles that have no stream and are durable, the longest idle first, beyond the number kept.
    fn forget(&mut self) {
        let excess = self.idle.len().saturating_sub(self.resident);
        if excess == 0 {
            return;
        }
        let old: Vec<(u64, Arc<str>)> = self
            .idle
            .iter()
            .take(excess + BURST)
            .map(|(tick, name)| (*tick, Arc::clone(name)))
            .collect();
        let mut left = excess;
        for (tick, name) in old {
            if left > 0 && self.vehicles.get(&name).is_none_or(|v| v.is_forgettable()) {
                self.vehicles.remove(&name);
                self.idle.remove(&tick);
                left -= 1;
            }
        }
    }
}

impl Drop for Owner {
    fn drop(&mut self) {
        if std::thread::panicking() {
            // Its vehicles have no owner any more. What is durable is whole: a restart takes them up again.
            self.shared.fail("the owner of a part of the vehicles broke down");
        }
    }
}

fn load(store: &dyn Store, name: &str) -> Loaded {
    let Some(bytes) = store.vehicle_state(name)? else {
        return Ok(None);
    };
    let state = VehicleState::from_bytes(&bytes).map_err(|error| {
        let text = format!("vehicle `{name}`: {error}");
        match error {
            coldbrake_engine::StateError::Newer { .. } => Refusal::Newer(text),
            coldbrake_engine::StateError::Damaged(_) => Refusal::Damaged(text),
        }
    })?;
    // A state without its record cannot be: they are written together.
    let record = store
        .vehicle(name)?
        .ok_or_else(|| Refusal::Damaged(format!("vehicle `{name}` has no record")))?;
    Ok(Some((state, Arc::from(record.vehicle_class))))
}
