//! One stream: reads what the vehicle sends, hands it to the owner of the vehicle, tells what is durable.

use std::{net::SocketAddr, pin::pin, sync::Arc, time::Duration};

use coldbrake_engine::sample::MAX_VIOLATIONS;
use coldbrake_proto::{
    convert,
    v1::{
        Acknowledgement, BatchRejected, DeclareGap, Drain, FinishSession, OpenStream, Rewind, SampleBatch,
        StreamOpened, StreamSamplesRequest, StreamSamplesResponse, stream_samples_request::Message as In,
        stream_samples_response::Message as Out,
    },
};
use tokio::{
    sync::{mpsc, oneshot, watch},
    time::{Instant, sleep_until, timeout},
};
use tokio_util::sync::CancellationToken;
use tonic::{Code, Status, Streaming};

use super::{
    pace::{Facts, When, when},
    window::{Admission, Window},
};
use crate::{
    checkpoint::Progress,
    disk_floor::DiskLow,
    fault::{self, Point},
    identity::Peer,
    shards::{Command, Link, Notice, Open, Shards},
    shared::{Counters, Shared},
    status::Refusal,
};

/// How long a vehicle is asked to wait before it connects again.
const RECONNECT_DELAY_MS: i32 = 2_000;
/// The same while the disk is nearly full.
const DISK_LOW_DELAY_MS: i32 = 30_000;

/// A stream from its first message to its end.
pub(super) struct Stream {
    shared: Arc<Shared>,
    shards: Shards,
    id: u64,
    peer: Peer,
    address: Option<SocketAddr>,
    responses: mpsc::Sender<Result<StreamSamplesResponse, Status>>,
    cut: CancellationToken,
}

/// Why a stream ends.
enum End {
    /// The session was finished and that is durable, or the vehicle stopped sending.
    Quiet(&'static str),
    /// The client went away.
    Lost,
    /// The client is told why.
    Refused(Refusal),
    /// The transport's own refusal is passed on.
    Transport(Status),
}

impl From<Refusal> for End {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(refusal)
    }
}

/// What a stream holds once it speaks for a vehicle.
struct Session {
    vehicle: Arc<str>,
    window: Window,
    progress: watch::Receiver<Progress>,
    /// Boxed: the channel makes room for a block of them.
    notices: mpsc::Receiver<Box<Notice>>,
    superseded: CancellationToken,
    /// Set once nothing more is read.
    ending: Option<Ending>,
    last_acknowledged: Option<Instant>,
    last_heard: Instant,
}

/// Why nothing more is read, while what is on its way becomes durable.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Ending {
    Finished(i64),
    EndOfStream,
    Draining,
    /// As the disk was when nothing more was accepted.
    DiskLow(DiskLow),
}

impl Stream {
    pub(super) fn new(
        shared: Arc<Shared>,
        shards: Shards,
        id: u64,
        peer: Peer,
        address: Option<SocketAddr>,
        responses: mpsc::Sender<Result<StreamSamplesResponse, Status>>,
        cut: CancellationToken,
    ) -> Self {
        Counters::add(&shared.counters.open_streams);
        Counters::add(&shared.counters.opened_streams);
        Self {
            shared,
            shards,
            id,
            peer,
            address,
            responses,
            cut,
        }
    }

    /// Serves the stream to its end.
    pub(super) async fn run(self, inbound: Streaming<StreamSamplesRequest>) {
        let cut = self.cut.clone();
        let mut vehicle = None;
        let end = tokio::select! {
            biased;
            end = self.serve(inbound, &mut vehicle) => end,
            () = cut.cancelled() => End::Refused(Refusal::Draining),
        };
        if let Some(vehicle) = &vehicle {
            let close = Command::Close {
                vehicle: Arc::clone(vehicle),
                stream: self.id,
            };
            // An owner that has ended needs not be told.
            let _ = self.shards.send(vehicle, close).await;
        }
        let vehicle = vehicle.as_deref().unwrap_or("-");
        let stream = self.id;
        match end {
            End::Quiet(reason) => tracing::debug!(vehicle, stream, reason, "stream ended"),
            End::Lost => {
                Counters::add(&self.shared.counters.lost_streams);
                tracing::debug!(vehicle, stream, reason = "connection lost", "stream ended");
            }
            End::Refused(refusal) => {
                self.shared.meters.refused_stream(refusal.reason());
                self.log(vehicle, refusal.reason(), &refusal.to_string());
                self.last_word(refusal.into()).await;
            }
            End::Transport(status) => {
                self.shared.meters.refused_stream("TRANSPORT");
                self.log(vehicle, "TRANSPORT", status.message());
                self.last_word(status).await;
            }
        }
    }

    /// One line a refused stream, as long as they are few.
    fn log(&self, vehicle: &str, reason: &str, text: &str) {
        if let Some(lines_left_out) = self.shared.ended_lines.pass() {
            let peer = self.address.map(tracing::field::display);
            tracing::info!(
                vehicle,
                stream = self.id,
                peer,
                reason,
                lines_left_out,
                "stream ended: {text}"
            );
        }
    }

    async fn last_word(&self, status: Status) {
        // The status goes out as trailers: a reader that takes nothing for a second will not miss it.
        let _ = timeout(Duration::from_secs(1), self.responses.send(Err(status))).await;
    }

    async fn serve(
        &self,
        mut inbound: Streaming<StreamSamplesRequest>,
        vehicle: &mut Option<Arc<str>>,
    ) -> End {
        // Boxed: what it takes to begin is given back.
        let mut session = match Box::pin(self.begin(&mut inbound, vehicle)).await {
            Ok(session) => session,
            Err(end) => return end,
        };
        match self.converse(&mut inbound, &mut session).await {
            Ok(end) | Err(end) => end,
        }
    }

    /// Takes the first message and lets the stream speak for the vehicle.
    async fn begin(
        &self,
        inbound: &mut Streaming<StreamSamplesRequest>,
        vehicle: &mut Option<Arc<str>>,
    ) -> Result<Session, End> {
        let patience = self.shared.config.limits.open_timeout;
        let first = tokio::select! {
            biased;
            first = timeout(patience, inbound.message()) => first.map_err(|_| Refusal::OpenTimeout(patience))?,
            () = self.shared.draining.cancelled() => return Err(Refusal::Draining.into()),
        };
        let open = match first {
            Ok(Some(StreamSamplesRequest {
                message: Some(In::Open(open)),
            })) => open,
            Ok(Some(StreamSamplesRequest { message: Some(_) })) => return Err(Refusal::OpenExpected.into()),
            Ok(Some(StreamSamplesRequest { message: None })) => return Err(Refusal::EmptyMessage.into()),
            Ok(None) => return Err(End::Lost),
            Err(status) => return Err(self.transport(status)),
        };
        let session = self.open(&open, vehicle).await?;
        tracing::debug!(
            vehicle = open.vehicle,
            stream = self.id,
            peer = self.address.map(tracing::field::display),
            durable_through = session.window.durable(),
            "stream opened"
        );
        self.say(Out::Opened(StreamOpened {
            durable_through: session.window.durable(),
            credit: as_i32(self.shared.config.limits.credit),
            max_batch_samples: as_i32(self.shared.config.limits.batch_samples),
        }))
        .await?;
        Ok(session)
    }

    async fn open(&self, open: &OpenStream, vehicle: &mut Option<Arc<str>>) -> Result<Session, End> {
        let opening = convert::opening_from_wire(open).map_err(|mut violations| {
            for v in &mut violations {
                v.field = format!("open.{}", v.field);
            }
            Refusal::BadFields(violations)
        })?;
        // Before anything else is looked at: what a server knows of one vehicle is nothing to another.
        if !self.peer.may_stream_as(&open.vehicle) {
            return Err(Refusal::OtherVehicle {
                own: self.peer.to_string(),
                vehicle: open.vehicle.clone(),
            }
            .into());
        }
        if self.shared.class(&open.vehicle_class).is_none() {
            return Err(Refusal::UnknownClass(open.vehicle_class.clone()).into());
        }
        let limits = &self.shared.config.limits;
        let name: Arc<str> = Arc::from(open.vehicle.as_str());
        let (notice_sender, notices) = mpsc::channel(limits.credit + 1);
        let superseded = CancellationToken::new();
        let (reply, answer) = oneshot::channel();
        let command = Command::Open(Box::new(Open {
            vehicle: Arc::clone(&name),
            class: Arc::from(open.vehicle_class.as_str()),
            opening,
            link: Link {
                stream: self.id,
                superseded: superseded.clone(),
                notices: notice_sender,
            },
            reply,
        }));
        // From here on the owner must hear of the end of the stream.
        *vehicle = Some(Arc::clone(&name));
        self.shards.send(&name, command).await?;
        let opened = answer.await.map_err(|_| Refusal::Draining)??;
        let mut progress = opened.progress;
        let durable_through = progress.borrow_and_update().durable.through;
        Ok(Session {
            vehicle: name,
            window: Window::new(limits.credit, opened.applied_through, durable_through),
            progress,
            notices,
            superseded,
            ending: None,
            last_acknowledged: None,
            last_heard: Instant::now(),
        })
    }

    /// Reads and answers until the stream ends.
    async fn converse(
        &self,
        inbound: &mut Streaming<StreamSamplesRequest>,
        session: &mut Session,
    ) -> Result<End, End> {
        let limits = &self.shared.config.limits;
        // What hardly ever happens is waited for once and not anew with every message.
        let token = session.superseded.clone();
        let mut superseded = pin!(token.cancelled());
        let mut store_failed = pin!(happens(self.shared.store_failure.subscribe()));
        let mut draining = pin!(self.shared.draining.cancelled());
        let mut disk_low = pin!(happens(self.shared.disk_low.subscribe()));
        let mut gone = pin!(self.responses.closed());
        let mut timer = pin!(sleep_until(Instant::now() + limits.idle_timeout));
        loop {
            if let Some(reason) = self.shared.store_failure.borrow().as_deref() {
                return Err(Refusal::StoreFailed(reason.to_owned()).into());
            }
            let due = self.acknowledge(session).await?;
            if let Some(ending) = session.ending.filter(|_| session.window.is_settled()) {
                return match ending {
                    Ending::Finished(_) => Ok(End::Quiet("session finished")),
                    // A connection that breaks looks like this too.
                    Ending::EndOfStream => Ok(End::Lost),
                    Ending::Draining => Err(Refusal::Draining.into()),
                    Ending::DiskLow(low) => Err(Refusal::from(low).into()),
                };
            }
            // A vehicle that has used up its credit waits for us: it is not silent.
            let idle_at = (session.ending.is_none() && !session.window.is_used_up())
                .then(|| session.last_heard + limits.idle_timeout);
            let wake = [due, idle_at].into_iter().flatten().min();
            // A timer that goes off too soon costs less than setting it with every message.
            if let Some(wake) = wake.filter(|wake| timer.is_elapsed() || *wake < timer.deadline()) {
                timer.as_mut().reset(wake);
            }
            tokio::select! {
                biased;
                () = &mut superseded => {
                    return Err(Refusal::Superseded(session.vehicle.to_string()).into());
                }
                Some(notice) = session.notices.recv() => self.notice(*notice).await?,
                Ok(()) = session.progress.changed() => {
                    let progress = session.progress.borrow_and_update().clone();
                    session.window.advance(progress.durable.through);
                    if let Some(reason) = progress.refused {
                        return Err(Refusal::TooLarge(reason.to_string()).into());
                    }
                }
                reason = &mut store_failed => {
                    return Err(Refusal::StoreFailed(reason.to_string()).into());
                }
                () = &mut draining, if session.ending.is_none() => {
                    session.ending = Some(Ending::Draining);
                    self.say(Out::Drain(Drain { reconnect_delay_ms: RECONNECT_DELAY_MS })).await?;
                }
                // What is on its way still fits: the floor is far above what a commit takes.
                low = &mut disk_low, if session.ending.is_none() => {
                    session.ending = Some(Ending::DiskLow(low));
                    self.say(Out::Drain(Drain { reconnect_delay_ms: DISK_LOW_DELAY_MS })).await?;
                }
                () = &mut gone => return Ok(End::Lost),
                () = &mut timer, if wake.is_some() => {
                    if idle_at.is_some_and(|idle_at| Instant::now() >= idle_at) {
                        return Err(Refusal::IdleTimeout(limits.idle_timeout).into());
                    }
                }
                message = inbound.message(), if session.ending.is_none() => {
                    match message {
                        Ok(Some(message)) => {
                            self.message(session, message).await?;
                            // A busy server made it wait, and that is no silence of the vehicle.
                            session.last_heard = Instant::now();
                        }
                        Ok(None) => session.ending = Some(Ending::EndOfStream),
                        Err(status) => return Err(self.transport(status)),
                    }
                }
            }
        }
    }

    async fn message(&self, session: &mut Session, message: StreamSamplesRequest) -> Result<(), End> {
        match message.message {
            Some(In::Batch(batch)) => self.batch(session, batch).await,
            Some(In::DeclareGap(gap)) => self.gap(session, gap).await,
            Some(In::Finish(finish)) => self.finish(session, finish).await,
            Some(In::Open(_)) => Err(Refusal::OpenedTwice.into()),
            None => Err(Refusal::EmptyMessage.into()),
        }
    }

    async fn batch(&self, session: &mut Session, batch: Box<SampleBatch>) -> Result<(), End> {
        positive("sequence", batch.sequence)?;
        let admission = session.window.admit(batch.sequence);
        if admission == Admission::Duplicate {
            Counters::add(&self.shared.counters.duplicate_batches);
        }
        if self.admitted(session, admission).await? {
            let vehicle = Arc::clone(&session.vehicle);
            self.hand_over(
                session,
                Command::Batch {
                    vehicle,
                    stream: self.id,
                    batch,
                },
            )
            .await?;
        }
        Ok(())
    }

    async fn gap(&self, session: &mut Session, gap: DeclareGap) -> Result<(), End> {
        let DeclareGap {
            first_sequence: first,
            last_sequence: last,
        } = gap;
        positive("first_sequence", first)?;
        if last < first {
            let rule = "must not be less than `first_sequence`";
            return Err(Refusal::BadSequence {
                field: "last_sequence",
                value: last,
                rule,
            }
            .into());
        }
        let admission = session.window.admit_gap(first, last);
        if self.admitted(session, admission).await? {
            let vehicle = Arc::clone(&session.vehicle);
            self.hand_over(
                session,
                Command::Gap {
                    vehicle,
                    stream: self.id,
                    first,
                    last,
                },
            )
            .await?;
        }
        Ok(())
    }

    async fn finish(&self, session: &mut Session, finish: FinishSession) -> Result<(), End> {
        let sequence = finish.sequence;
        positive("sequence", sequence)?;
        if sequence < session.window.through() {
            let rule = "must be one more than the last batch of the session, and there are later ones";
            return Err(Refusal::BadSequence {
                field: "sequence",
                value: sequence,
                rule,
            }
            .into());
        }
        let admission = session.window.admit(sequence);
        // The same number again is a finish whose acknowledgement was lost: it is told once more.
        if self.admitted(session, admission).await? {
            let vehicle = Arc::clone(&session.vehicle);
            self.hand_over(
                session,
                Command::Finish {
                    vehicle,
                    stream: self.id,
                    sequence,
                },
            )
            .await?;
        }
        if matches!(admission, Admission::Forward | Admission::Duplicate) {
            session.ending = Some(Ending::Finished(sequence));
        }
        Ok(())
    }

    /// Does what the window says. Returns whether the message goes on to the owner.
    async fn admitted(&self, session: &Session, admission: Admission) -> Result<bool, End> {
        let counters = &self.shared.counters;
        match admission {
            Admission::Forward => return Ok(true),
            Admission::Duplicate | Admission::Ignore => {}
            Admission::Rewind(expected_sequence) => {
                Counters::add(&counters.rewinds);
                tracing::debug!(
                    vehicle = &*session.vehicle,
                    stream = self.id,
                    sequence = expected_sequence,
                    "rewind"
                );
                self.say(Out::Rewind(Rewind { expected_sequence })).await?;
            }
            Admission::OverCredit => {
                return Err(Refusal::CreditExceeded(self.shared.config.limits.credit).into());
            }
        }
        Ok(false)
    }

    /// Hands a command to the owner; a busy owner makes the stream wait, and with it the vehicle.
    async fn hand_over(&self, session: &Session, command: Command) -> Result<(), End> {
        tokio::select! {
            biased;
            sent = self.shards.send(&session.vehicle, command) => Ok(sent?),
            () = session.superseded.cancelled() => Err(Refusal::Superseded(session.vehicle.to_string()).into()),
        }
    }

    async fn notice(&self, notice: Notice) -> Result<(), End> {
        match notice {
            Notice::Rejected {
                sequence,
                mut violations,
            } => {
                violations.truncate(MAX_VIOLATIONS);
                let violations = convert::violations_to_wire(violations);
                self.say(Out::Rejected(BatchRejected { sequence, violations }))
                    .await
            }
            Notice::Ended(refusal) => Err(refusal.into()),
        }
    }

    /// Acknowledges if it is time to; returns when it will be.
    async fn acknowledge(&self, session: &mut Session) -> Result<Option<Instant>, End> {
        let now = Instant::now();
        let credit = self.shared.config.limits.credit;
        let facts = Facts {
            owes: session.window.owes(),
            owed: session.window.owed(),
            used_up: session.window.is_used_up(),
            ending: session.ending.is_some() && session.window.is_settled(),
            credit,
        };
        match when(facts, now, session.last_acknowledged) {
            When::Never => Ok(None),
            When::At(due) => Ok(Some(due)),
            When::Now => {
                // What the owner said of the batches goes first.
                while let Ok(notice) = session.notices.try_recv() {
                    self.notice(*notice).await?;
                }
                let durable_through = session.window.durable();
                fault::reach(Point::Acknowledging);
                self.say(Out::Ack(Acknowledgement {
                    durable_through,
                    credit: as_i32(credit),
                }))
                .await?;
                fault::reach(Point::Acknowledged);
                if session.window.is_used_up() {
                    session.last_heard = now;
                }
                session.window.acknowledged();
                session.last_acknowledged = Some(now);
                Ok(None)
            }
        }
    }

    async fn say(&self, message: Out) -> Result<(), End> {
        let patience = self.shared.config.limits.idle_timeout;
        match timeout(
            patience,
            self.responses.send(Ok(StreamSamplesResponse {
                message: Some(message),
            })),
        )
        .await
        {
            Ok(Ok(())) => Ok(()),
            Ok(Err(_)) => Err(End::Lost),
            Err(_) => Err(Refusal::ReaderStalled(patience).into()),
        }
    }

    /// Tells a message that could not be read from a connection that was lost.
    fn transport(&self, status: Status) -> End {
        match status.code() {
            // The transport's decoder answers so for a message above the limit, plain and compressed.
            Code::OutOfRange | Code::ResourceExhausted => {
                let limit = self.shared.config.limits.message_bytes;
                End::Refused(Refusal::MessageTooLarge {
                    limit,
                    detail: status.message().to_owned(),
                })
            }
            Code::Internal | Code::InvalidArgument | Code::Unimplemented if self.is_attached() => {
                End::Transport(status)
            }
            _ => End::Lost,
        }
    }

    fn is_attached(&self) -> bool {
        !self.responses.is_closed()
    }
}

impl Drop for Stream {
    fn drop(&mut self) {
        self.shared
            .counters
            .open_streams
            .fetch_sub(1, std::sync::atomic::Ordering::Relaxed);
    }
}

/// Waits until there is a value, and returns it; for ever when there never will be one.
async fn happens<T: Clone>(mut told: watch::Receiver<Option<T>>) -> T {
    if let Ok(value) = told.wait_for(Option::is_some).await
        && let Some(value) = value.clone()
    {
        return value;
    }
    std::future::pending().await
}

fn positive(field: &'static str, value: i64) -> Result<(), Refusal> {
    if value >= 1 {
        Ok(())
    } else {
        Err(Refusal::BadSequence {
            field,
            value,
            rule: "must be 1 or more",
        })
    }
}

fn as_i32(n: usize) -> i32 {
    i32::try_from(n).unwrap_or(i32::MAX)
}
