//! A server in this process, a vehicle that speaks to it, a road, and stores that misbehave on demand.

use std::{
    path::Path,
    sync::{
        Arc, Condvar, Mutex,
        atomic::{AtomicU64, Ordering::Relaxed},
    },
    time::Duration,
};

use coldbrake_engine::{
    Batch, BrakeKind, CurrentSign, Descent, FinishedDescent, Opening, Policy, ProfilePoint, Session,
    VehicleClass, VehicleState,
};
use coldbrake_proto::{
    codec, convert,
    v1::{
        self, FinishSession, OpenStream, PutVehicleClassRequest, SampleBatch, StreamOpened,
        StreamSamplesRequest, StreamSamplesResponse, descent_service_client::DescentServiceClient,
        fleet_service_client::FleetServiceClient, stream_samples_request::Message as In,
        stream_samples_response::Message as Out, telemetry_service_client::TelemetryServiceClient,
    },
};
use coldbrake_server::{
    Config, ServerHandle,
    store::{
        AuditRecord, BackupSummary, CommitBatch, DescentFilter, Grouping, Groups, HistogramQuery, Kept,
        MemoryStore, MergedHistogram, Page, Shelf, Shelved, Store, StoreError, StoreStats, VehicleRecord,
    },
};
use tokio::{sync::mpsc, time::timeout};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Status, Streaming, transport::Channel};

/// Longest wait for anything that should come at once.
pub(crate) const PATIENCE: Duration = Duration::from_secs(20);

pub(crate) const CLASS: &str = r#"
vehicle_class = "van"
display_name = "Van"
mass_kg = 2500.0
rolling_coefficient = 0.0095
drag_area_m2 = 1.224
max_recovery_power_w = 100e3
nominal_voltage_v = 360.0
brake_force_per_bar_n = 400.0
"#;

pub(crate) fn class() -> VehicleClass {
    toml::from_str(CLASS).unwrap()
}

/// A server with the class registered.
pub(crate) async fn serve(config: Config) -> ServerHandle {
    let server = ServerHandle::start(config).await.unwrap();
    register(&server).await;
    server
}

/// The same on a store of the test's own.
pub(crate) async fn serve_on(config: Config, store: Arc<dyn Store>) -> ServerHandle {
    let server = ServerHandle::start_with_store(config, store).await.unwrap();
    register(&server).await;
    server
}

pub(crate) async fn register(server: &ServerHandle) {
    let document_toml = CLASS.to_owned();
    fleet(server)
        .await
        .put_vehicle_class(PutVehicleClassRequest { document_toml })
        .await
        .unwrap();
}

pub(crate) async fn channel(server: &ServerHandle) -> Channel {
    Channel::from_shared(server.uri())
        .unwrap()
        .connect()
        .await
        .unwrap()
}

pub(crate) async fn fleet(server: &ServerHandle) -> FleetServiceClient<Channel> {
    FleetServiceClient::new(channel(server).await)
}

pub(crate) async fn descents(server: &ServerHandle) -> DescentServiceClient<Channel> {
    DescentServiceClient::new(channel(server).await)
}

pub(crate) async fn status(server: &ServerHandle) -> v1::GetServerStatusResponse {
    fleet(server)
        .await
        .get_server_status(v1::GetServerStatusRequest {})
        .await
        .unwrap()
        .into_inner()
}

/// All descents of a vehicle, the latest first.
pub(crate) async fn listed(server: &ServerHandle, vehicle: &str) -> Vec<v1::Descent> {
    let filter = Some(v1::DescentFilter {
        vehicle: Some(vehicle.to_owned()),
        ..Default::default()
    });
    let request = v1::ListDescentsRequest {
        filter,
        page_size: 1000,
        page_token: String::new(),
    };
    descents(server)
        .await
        .list_descents(request)
        .await
        .unwrap()
        .into_inner()
        .descents
}

/// The same without the label of a known grade, which the engine alone cannot give.
pub(crate) async fn unlabelled(server: &ServerHandle, vehicle: &str) -> Vec<v1::Descent> {
    let mut found = listed(server, vehicle).await;
    for d in &mut found {
        d.grade_match = None;
    }
    found
}

pub(crate) fn session(n: u8) -> Session {
    Session([n; 16])
}

pub(crate) fn opening(session: Session) -> Opening {
    Opening {
        session,
        software_version: "1.4.0".to_owned(),
        brake_kind: BrakeKind::Pressure,
        current_sign: CurrentSign::ChargePositive,
        declared_mass_kg: None,
        declared_mass_uncertainty: None,
    }
}

pub(crate) fn open(vehicle: &str, session: Session) -> OpenStream {
    convert::opening_to_wire(vehicle, "van", &opening(session))
}

/// A drive at 15 m/s, one sample a second: level, 6 % down over 2.4 km, level again; `times` over. In batches of `size`.
pub(crate) fn drive(times: usize, size: usize) -> Vec<Batch> {
    let mut samples = Vec::new();
    let mut altitude = 1_800.0;
    for _ in 0..times {
        let legs = [
            (60, 0.0, 0.0, -8.0),
            (160, -0.06, 6.0, 40.0),
            (80, 0.0, 0.0, -8.0),
        ];
        for (seconds, gradient, bar, ampere) in legs {
            for _ in 0..seconds {
                altitude += gradient * 15.0;
                samples.push((altitude, bar, ampere));
            }
        }
    }
    let start = 1_760_000_000_000_i64;
    samples
        .chunks(size)
        .enumerate()
        .map(|(k, chunk)| {
            let n = chunk.len();
            Batch {
                time_ms: (0..n).map(|i| start + 1_000 * (k * size + i) as i64).collect(),
                speed_mps: vec![15.0; n],
                altitude_m: chunk.iter().map(|s| s.0).collect(),
                brake: chunk.iter().map(|s| s.1).collect(),
                current_a: chunk.iter().map(|s| s.2).collect(),
                ..Batch::default()
            }
        })
        .collect()
}

/// The same as messages numbered from 1.
pub(crate) fn messages(batches: &[Batch]) -> Vec<SampleBatch> {
    let mut carry = codec::Carry::default();
    batches
        .iter()
        .zip(1..)
        .map(|(batch, sequence)| codec::encode(batch, BrakeKind::Pressure, sequence, &mut carry))
        .collect()
}

/// What the engine alone makes of messages that it gets in order, as the wire tells it, the latest first.
pub(crate) fn expected(vehicle: &str, session: Session, messages: &[SampleBatch]) -> Vec<v1::Descent> {
    let (class, policy) = (class(), Policy::default());
    let mut state = VehicleState::new(vehicle, opening(session));
    let mut found: Vec<FinishedDescent> = state.open(opening(session), &class, &policy).finished;
    for message in messages {
        let batch = codec::decode(message, BrakeKind::Pressure).unwrap();
        found.extend(state.apply(&batch, &class, &policy).finished);
    }
    found.extend(state.finish(&class, &policy).finished);
    found.reverse();
    found
        .iter()
        .map(|f| convert::descent_to_wire(&f.descent))
        .collect()
}

/// A vehicle's end of a stream.
pub(crate) struct Vehicle {
    pub(crate) requests: Option<mpsc::Sender<StreamSamplesRequest>>,
    pub(crate) responses: Streaming<StreamSamplesResponse>,
}

impl Vehicle {
    /// Begins a stream and says nothing yet.
    pub(crate) async fn call(channel: Channel) -> Result<Self, Status> {
        let (requests, outbox) = mpsc::channel(64);
        let mut client = TelemetryServiceClient::new(channel);
        let responses = client
            .stream_samples(ReceiverStream::new(outbox))
            .await?
            .into_inner();
        Ok(Self {
            requests: Some(requests),
            responses,
        })
    }

    /// Begins a stream and opens it.
    pub(crate) async fn open(channel: Channel, open: OpenStream) -> Result<(Self, StreamOpened), Status> {
        let mut vehicle = Self::call(channel).await?;
        vehicle.send(In::Open(open)).await;
        match vehicle.hear().await? {
            Some(Out::Opened(opened)) => Ok((vehicle, opened)),
            other => panic!("expected `opened`, got {other:?}"),
        }
    }

    pub(crate) async fn send(&self, message: In) {
        let request = StreamSamplesRequest {
            message: Some(message),
        };
        // A server that has ended the stream says why in its last word.
        let _ = timeout(PATIENCE, self.requests.as_ref().unwrap().send(request))
            .await
            .unwrap();
    }

    pub(crate) async fn send_all(&self, batches: &[SampleBatch]) {
        for batch in batches {
            self.send(In::Batch(Box::new(batch.clone()))).await;
        }
    }

    pub(crate) async fn finish(&self, sequence: i64) {
        self.send(In::Finish(FinishSession { sequence })).await;
    }

    pub(crate) async fn hear(&mut self) -> Result<Option<Out>, Status> {
        let heard = timeout(PATIENCE, self.responses.message())
            .await
            .expect("the server said nothing")?;
        Ok(heard.map(|r| r.message.unwrap()))
    }

    /// Hears until everything up to `through` is acknowledged; returns what else was said.
    pub(crate) async fn acknowledged(&mut self, through: i64) -> Vec<Out> {
        let mut others = Vec::new();
        loop {
            match self.hear().await.unwrap() {
                Some(Out::Ack(ack)) if ack.durable_through >= through => return others,
                Some(Out::Ack(_)) => {}
                Some(other) => others.push(other),
                None => panic!("the stream ended before {through} was acknowledged; heard {others:?}"),
            }
        }
    }

    /// Sends all, with at most `credit` on their way, and finishes; returns what was said beside acknowledgements.
    pub(crate) async fn deliver(&mut self, batches: &[SampleBatch]) -> Vec<Out> {
        let mut others = Vec::new();
        for chunk in batches.chunks(16) {
            self.send_all(chunk).await;
            others.extend(self.acknowledged(chunk.last().unwrap().sequence).await);
        }
        let last = batches.last().unwrap().sequence + 1;
        self.finish(last).await;
        others.extend(self.acknowledged(last).await);
        assert!(
            self.hear().await.unwrap().is_none(),
            "the stream goes on after its session was finished"
        );
        others
    }

    /// Hears until the server ends the stream with a status.
    pub(crate) async fn last_word(&mut self) -> Status {
        loop {
            match self.hear().await {
                Ok(Some(_)) => {}
                Ok(None) => panic!("the stream ended without a status"),
                Err(status) => return status,
            }
        }
    }
}

/// Waits until something holds.
pub(crate) async fn until(what: &str, mut holds: impl AsyncFnMut() -> bool) {
    let waited = timeout(PATIENCE, async {
        while !holds().await {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    });
    assert!(waited.await.is_ok(), "never came true: {what}");
}

/// A store in memory whose commits can be held up or made to fail.
#[derive(Default)]
pub(crate) struct MoodyStore {
    inner: MemoryStore,
    mood: Mutex<Mood>,
    changed: Condvar,
    /// What it says is left on its disk; 0 stands for no disk at all.
    free_bytes: AtomicU64,
    reads: Mutex<Reads>,
    read: Condvar,
}

/// Whether reads of single descents are held up, and whether one waits.
#[derive(Default)]
struct Reads {
    held: bool,
    waiting: bool,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Mood {
    #[default]
    Fine,
    Held,
    /// Takes this long for a commit.
    Slow(Duration),
    Failing,
    Panicking,
    /// Refuses every batch that holds this vehicle.
    TooLarge(&'static str),
}

impl MoodyStore {
    pub(crate) fn leave(&self, free_bytes: u64) {
        self.free_bytes.store(free_bytes, Relaxed);
    }

    /// Holds up reads of single descents, or lets them go on.
    pub(crate) fn hold_reads(&self, held: bool) {
        self.reads.lock().unwrap().held = held;
        self.read.notify_all();
    }

    /// Returns whether a read waits.
    pub(crate) fn holds_a_read(&self) -> bool {
        self.reads.lock().unwrap().waiting
    }

    pub(crate) fn set(&self, mood: Mood) {
        *self.mood.lock().unwrap() = mood;
        self.changed.notify_all();
    }
}

impl Store for MoodyStore {
    fn free_bytes(&self) -> Option<u64> {
        Some(self.free_bytes.load(Relaxed)).filter(|free| *free > 0)
    }

    fn commit(&self, batch: &CommitBatch) -> Result<(), StoreError> {
        let mood = *self
            .changed
            .wait_while(self.mood.lock().unwrap(), |m| *m == Mood::Held)
            .unwrap();
        match mood {
            Mood::Failing => Err(StoreError::Poisoned("the disk is full".to_owned())),
            Mood::Slow(time) => {
                std::thread::sleep(time);
                self.inner.commit(batch)
            }
            Mood::Panicking => panic!("a store must not do this"),
            Mood::TooLarge(name) if batch.states.iter().any(|(vehicle, _)| vehicle == name) => {
                Err(StoreError::TooLarge {
                    what: format!("state of {name}"),
                    bytes: 9_999,
                    limit: 4_096,
                })
            }
            _ => self.inner.commit(batch),
        }
    }

    fn vehicle_state(&self, vehicle: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.inner.vehicle_state(vehicle)
    }

    fn vehicle(&self, vehicle: &str) -> Result<Option<VehicleRecord>, StoreError> {
        self.inner.vehicle(vehicle)
    }

    fn vehicles(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<VehicleRecord>, StoreError> {
        self.inner.vehicles(cursor, limit)
    }

    fn classes(&self) -> Result<Vec<VehicleClass>, StoreError> {
        self.inner.classes()
    }

    fn descents(
        &self,
        filter: &DescentFilter,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Descent>, StoreError> {
        self.inner.descents(filter, cursor, limit)
    }

    fn descent(
        &self,
        vehicle: &str,
        descent: &str,
    ) -> Result<Option<(Descent, Vec<ProfilePoint>)>, StoreError> {
        let mut reads = self.reads.lock().unwrap();
        reads.waiting = reads.held;
        drop(self.read.wait_while(reads, |r| r.held).unwrap());
        self.inner.descent(vehicle, descent)
    }

    fn histogram(&self, query: &HistogramQuery) -> Result<MergedHistogram, StoreError> {
        self.inner.histogram(query)
    }

    fn histogram_groups(
        &self,
        query: &HistogramQuery,
        grouping: Grouping,
        most: usize,
    ) -> Result<Groups, StoreError> {
        self.inner.histogram_groups(query, grouping, most)
    }

    fn audit(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<AuditRecord>, StoreError> {
        self.inner.audit(cursor, limit)
    }

    fn shelved(&self, shelf: Shelf, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
        self.inner.shelved(shelf, name)
    }

    fn shelf(
        &self,
        shelf: Shelf,
        start: &str,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Shelved>, StoreError> {
        self.inner.shelf(shelf, start, cursor, limit)
    }

    fn kept(&self) -> Result<Kept, StoreError> {
        self.inner.kept()
    }

    fn back_up(&self, file: &Path) -> Result<BackupSummary, StoreError> {
        self.inner.back_up(file)
    }

    fn stats(&self) -> Result<StoreStats, StoreError> {
        self.inner.stats()
    }
}
