//! The client against a server that crashes, drains and asks to go back as a script of random numbers says.

use std::sync::{Arc, Mutex};

use coldbrake_engine::{
    BrakeKind, CurrentSign,
    progress::{Decision, decide},
};
use coldbrake_proto::{
    codec::{self, Carry},
    v1::{
        Acknowledgement, BatchRejected, Drain, Rewind, SampleBatch, StreamOpened,
        telemetry_service_server::{TelemetryService, TelemetryServiceServer},
    },
};
use tonic::{Request, Response, transport::server::TcpIncoming};

use super::*;

const CREDIT: usize = 4;

/// What survives a crash of the fake server, and what it has seen.
#[derive(Default)]
struct State {
    durable: Vec<SampleBatch>,
    finished: bool,
    calls: u32,
    rejected: Vec<i64>,
    faults: u32,
    random: u64,
}

impl State {
    fn one_in(&mut self, n: u64) -> bool {
        self.random = self
            .random
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.random >> 33).is_multiple_of(n)
    }

    fn durable_through(&self) -> i64 {
        self.durable.len() as i64 + i64::from(self.finished)
    }
}

/// What the fake server does wrong.
#[derive(Clone, Copy, PartialEq)]
enum Mood {
    Random,
    RefuseOpen(Code),
    CrashAfterOpen,
    RejectSecond,
}

struct Fake {
    state: Arc<Mutex<State>>,
    mood: Mood,
}

#[tonic::async_trait]
impl TelemetryService for Fake {
    type StreamSamplesStream = ReceiverStream<Result<StreamSamplesResponse, Status>>;

    async fn stream_samples(
        &self,
        request: Request<Streaming<StreamSamplesRequest>>,
    ) -> Result<Response<Self::StreamSamplesStream>, Status> {
        let (sender, receiver) = mpsc::channel(64);
        let (state, mood) = (Arc::clone(&self.state), self.mood);
        tokio::spawn(async move {
            if let Err(status) = talk(request.into_inner(), &sender, &state, mood).await {
                let _ = sender.send(Err(status)).await;
            }
        });
        Ok(Response::new(ReceiverStream::new(receiver)))
    }
}

async fn talk(
    mut inbound: Streaming<StreamSamplesRequest>,
    sender: &mpsc::Sender<Result<StreamSamplesResponse, Status>>,
    state: &Mutex<State>,
    mood: Mood,
) -> Result<(), Status> {
    let say = async |message| {
        let _ = sender
            .send(Ok(StreamSamplesResponse {
                message: Some(message),
            }))
            .await;
    };
    let crash = || Status::unavailable("the fake server crashes");
    let first = inbound.message().await?.and_then(|m| m.message);
    assert!(matches!(first, Some(Out::Open(_))), "open comes first");
    let durable_through = {
        let mut state = state.lock().unwrap();
        state.calls += 1;
        state.durable_through()
    };
    if let Mood::RefuseOpen(code) = mood {
        return Err(Status::new(code, "not here"));
    }
    say(In::Opened(StreamOpened {
        durable_through,
        credit: CREDIT as i32,
        max_batch_samples: 4096,
    }))
    .await;
    if mood == Mood::CrashAfterOpen {
        return Err(crash());
    }
    // What is applied but not durable: a crash forgets it.
    let mut volatile: Vec<SampleBatch> = Vec::new();
    let mut finishing = false;
    let mut draining = false;
    while let Some(request) = inbound.message().await? {
        let through = durable_through_of(state) + volatile.len() as i64;
        let sequence = match &request.message {
            Some(Out::Batch(batch)) => batch.sequence,
            Some(Out::Finish(finish)) => finish.sequence,
            other => panic!("unexpected {other:?}"),
        };
        assert!(volatile.len() < CREDIT, "the client keeps to its credit");
        match decide(through, sequence) {
            Decision::Apply => match request.message {
                Some(Out::Batch(batch)) => volatile.push(*batch),
                _ => finishing = true,
            },
            Decision::DropDuplicate => {}
            Decision::AskRewind { expected } => {
                say(In::Rewind(Rewind {
                    expected_sequence: expected,
                }))
                .await;
            }
        }
        if mood == Mood::RejectSecond && sequence == 2 {
            state.lock().unwrap().rejected.push(2);
            say(In::Rejected(BatchRejected {
                sequence,
                violations: vec![FieldViolation {
                    field: "speed_cm_per_s[0]".into(),
                    description: "is wrong".into(),
                }],
            }))
            .await;
        }
        if mood == Mood::Random {
            let (forgets, rewinds, drains, ends) = {
                let mut state = state.lock().unwrap();
                let fate = (
                    state.one_in(9),
                    state.one_in(11),
                    state.one_in(13),
                    state.one_in(17),
                );
                state.faults += u32::from(fate.0 || fate.1 || fate.2 || fate.3);
                fate
            };
            if forgets {
                return Err(crash());
            }
            if rewinds {
                // As after a restart of the owner of the vehicle: what was not durable is asked for again.
                volatile.clear();
                finishing = false;
                let expected_sequence = durable_through_of(state) + 1;
                say(In::Rewind(Rewind { expected_sequence })).await;
                continue;
            }
            if ends {
                return Ok(());
            }
            if drains {
                draining = true;
                say(In::Drain(Drain {
                    reconnect_delay_ms: 1,
                }))
                .await;
            }
        }
        if volatile.len() >= 2 || finishing || draining || sequence % 3 == 0 {
            commit(state, &mut volatile, finishing);
            say(In::Ack(Acknowledgement {
                durable_through: durable_through_of(state),
                credit: 4,
            }))
            .await;
        }
    }
    Ok(())
}

fn durable_through_of(state: &Mutex<State>) -> i64 {
    state.lock().unwrap().durable_through()
}

fn commit(state: &Mutex<State>, volatile: &mut Vec<SampleBatch>, finishing: bool) {
    let mut state = state.lock().unwrap();
    state.durable.append(volatile);
    state.finished |= finishing;
}

async fn serve(state: &Arc<Mutex<State>>, mood: Mood) -> Channel {
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let service = TelemetryServiceServer::new(Fake {
        state: Arc::clone(state),
        mood,
    })
    .accept_compressed(CompressionEncoding::Zstd);
    tokio::spawn(
        tonic::transport::Server::builder()
            .add_service(service)
            .serve_with_incoming(TcpIncoming::from(listener).with_nodelay(Some(true))),
    );
    Channel::from_shared(format!("http://{address}"))
        .unwrap()
        .connect_lazy()
}

fn batches(count: i64) -> Vec<Batch> {
    (0..count)
        .map(|i| Batch {
            time_ms: (0..20).map(|k| 1_767_225_600_000 + (20 * i + k) * 100).collect(),
            speed_mps: vec![12.0; 20],
            altitude_m: vec![900.0 - i as f64; 20],
            brake: vec![0.0; 20],
            current_a: vec![0.033; 20],
            ..Batch::default()
        })
        .collect()
}

fn opening() -> Opening {
    Opening {
        session: Session([7; 16]),
        software_version: "4.2.0".into(),
        brake_kind: BrakeKind::Pressure,
        current_sign: CurrentSign::ChargePositive,
        declared_mass_kg: None,
        declared_mass_uncertainty: None,
    }
}

fn source(batches: Vec<Batch>) -> impl Stream<Item = Result<Batch, SourceError>> + Send {
    tokio_stream::iter(batches.into_iter().map(Ok))
}

fn client(channel: Channel) -> StreamClient {
    StreamClient::new(channel, "van-07", "van", opening()).first_delay(Duration::from_millis(1))
}

/// What a server must hold in the end, whatever happened on the way.
fn encoded(batches: &[Batch]) -> Vec<SampleBatch> {
    let mut carry = Carry::default();
    (1..)
        .zip(batches)
        .map(|(n, b)| codec::encode(b, BrakeKind::Pressure, n, &mut carry))
        .collect()
}

#[tokio::test]
async fn every_batch_counts_once_whatever_the_server_does() {
    let mut faults = 0;
    for seed in 0..25 {
        let state = Arc::new(Mutex::new(State {
            random: seed,
            ..State::default()
        }));
        let channel = serve(&state, Mood::Random).await;
        let totals = client(channel).run(source(batches(60)), |_, _| ()).await.unwrap();
        let state = state.lock().unwrap();
        assert!(state.finished, "seed {seed}");
        assert_eq!(state.durable, encoded(&batches(60)), "seed {seed}");
        assert_eq!(
            (totals.batches, totals.sent, totals.durable_through),
            (60, 60, 61),
            "seed {seed}"
        );
        assert_eq!(u64::from(state.calls), totals.reconnects + 1);
        faults += state.faults;
    }
    assert!(
        faults > 200,
        "the test must have tried the client: {faults} faults"
    );
}

#[tokio::test]
async fn an_interrupted_run_goes_on_in_another_and_counts_nothing_twice() {
    let state = Arc::new(Mutex::new(State::default()));
    let channel = serve(&state, Mood::RejectSecond).await;
    // The first run breaks off in the middle, as a killed process would.
    let broken = tokio_stream::iter(
        batches(9)
            .into_iter()
            .map(Ok)
            .chain([Err(SourceError::from("the disk is gone"))]),
    );
    let error = client(channel.clone()).run(broken, |_, _| ()).await.unwrap_err();
    assert!(matches!(error, StreamError::Source(_)), "{error}");
    let held = state.lock().unwrap().durable.len();
    assert!((1..=9).contains(&held));
    let totals = client(channel)
        .only_resume()
        .run(source(batches(20)), |_, _| ())
        .await
        .unwrap();
    assert_eq!((totals.batches, totals.durable_before), (20, held as u64));
    let state = state.lock().unwrap();
    assert_eq!(state.durable, encoded(&batches(20)));
    assert!(state.finished);
}

#[tokio::test]
async fn a_refused_batch_is_told_and_the_stream_goes_on() {
    let state = Arc::new(Mutex::new(State::default()));
    let channel = serve(&state, Mood::RejectSecond).await;
    let mut told = Vec::new();
    let totals = client(channel)
        .run(source(batches(5)), |event, _| {
            if let StreamEvent::Rejected { sequence, violations } = event {
                told.push((sequence, violations[0].field.clone()));
            }
        })
        .await
        .unwrap();
    assert_eq!(told, [(2, "speed_cm_per_s[0]".to_owned())]);
    assert_eq!(
        (totals.rejected, totals.rejections.len(), totals.durable_through),
        (1, 1, 6)
    );
}

#[tokio::test]
async fn a_refusal_that_stays_one_ends_the_stream_at_once() {
    for code in [
        Code::InvalidArgument,
        Code::FailedPrecondition,
        Code::Aborted,
        Code::PermissionDenied,
    ] {
        let state = Arc::new(Mutex::new(State::default()));
        let channel = serve(&state, Mood::RefuseOpen(code)).await;
        let error = client(channel)
            .run(source(batches(1)), |_, _| ())
            .await
            .unwrap_err();
        assert!(
            matches!(&error, StreamError::Refused(s) if s.code() == code),
            "{error}"
        );
        assert_eq!(error.to_string(), "the server refused the stream: not here");
        assert_eq!(state.lock().unwrap().calls, 1);
    }
}

#[tokio::test]
async fn patience_ends_when_nothing_moves_on() {
    for mood in [Mood::RefuseOpen(Code::Unavailable), Mood::CrashAfterOpen] {
        let state = Arc::new(Mutex::new(State::default()));
        let channel = serve(&state, mood).await;
        let patience = Duration::from_millis(300);
        let error = client(channel)
            .patience(patience)
            .run(source(batches(3)), |_, _| ())
            .await
            .unwrap_err();
        assert!(matches!(error, StreamError::GaveUp { .. }), "{error}");
        assert!(state.lock().unwrap().calls > 1);
    }
}

#[tokio::test]
async fn no_server_at_all_is_an_error_after_the_patience() {
    let channel = Channel::from_static("http://127.0.0.1:1").connect_lazy();
    let patience = Duration::from_millis(50);
    let error = client(channel)
        .patience(patience)
        .run(source(batches(1)), |_, _| ())
        .await
        .unwrap_err();
    assert!(matches!(&error, StreamError::GaveUp { .. }), "{error}");
}

#[tokio::test]
async fn a_session_that_must_be_known_is_not_begun() {
    let state = Arc::new(Mutex::new(State::default()));
    let channel = serve(&state, Mood::RejectSecond).await;
    let error = client(channel)
        .only_resume()
        .run(source(batches(3)), |_, _| ())
        .await
        .unwrap_err();
    assert!(matches!(error, StreamError::NotResumed));
    assert!(state.lock().unwrap().durable.is_empty());
}

#[tokio::test]
async fn a_session_left_open_is_durable_but_not_finished() {
    let state = Arc::new(Mutex::new(State::default()));
    let channel = serve(&state, Mood::RejectSecond).await;
    let totals = client(channel)
        .leave_open()
        .run(source(batches(6)), |_, _| ())
        .await
        .unwrap();
    assert_eq!(totals.durable_through, 6);
    assert!(!state.lock().unwrap().finished);
}

#[test]
fn sessions_differ() {
    assert_ne!(random_session().unwrap(), random_session().unwrap());
}
