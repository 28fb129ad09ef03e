//! Streams the samples of one vehicle so that every batch counts exactly once, whatever happens to the connection.
//!
//! The client keeps what is not acknowledged, honours the credit, goes back when it is asked to, and connects again
//! after a lost connection or when the server drains. `window` decides, this file does.

mod backoff;
mod window;

use std::{
    pin::Pin,
    time::{Duration, Instant},
};

use coldbrake_engine::{Batch, Opening, Session};
use coldbrake_proto::{
    convert,
    v1::{
        DeclareGap, FieldViolation, FinishSession, StreamSamplesRequest, StreamSamplesResponse,
        stream_samples_request::Message as Out, stream_samples_response::Message as In,
        telemetry_service_client::TelemetryServiceClient,
    },
};
use tokio::{sync::mpsc, time::timeout};
use tokio_stream::{Stream, StreamExt as _, wrappers::ReceiverStream};
use tonic::{Code, Status, Streaming, codec::CompressionEncoding, transport::Channel};

use self::window::{Outgoing, Window};

/// Samples in a batch, unless something ends it earlier: 10 s at 10 Hz. Larger than the 256 bytes below which the
/// transport counts a message as small, and small enough to be acknowledged soon.
pub const BATCH_SAMPLES: usize = 100;

/// Longest wait for the answer to a call and to `open`.
const OPEN_PATIENCE: Duration = Duration::from_secs(15);

/// Longest wait for an acknowledgement while something is on its way.
const STALL_PATIENCE: Duration = Duration::from_secs(30);

/// Longest wait for what is in flight after the server has said that it goes away.
const DRAIN_PATIENCE: Duration = Duration::from_secs(10);

/// A call that lasted this long and left nothing open was a good one.
const HELD: Duration = Duration::from_secs(20);

/// Most refused batches that are described.
const MOST_REJECTIONS: usize = 20;

/// Messages between this client and the transport.
const QUEUE: usize = 4;

/// Why a source of batches cannot go on.
pub type SourceError = Box<dyn std::error::Error + Send + Sync>;

/// A stream that cannot be brought to its end. What was acknowledged stays counted; the same session may be sent again.
#[derive(Debug, thiserror::Error)]
pub enum StreamError {
    /// The server refused the stream, and would again.
    #[error("the server refused the stream: {}", .0.message())]
    Refused(#[source] Box<Status>),
    /// The connection was lost and did not come back in time.
    #[error("no progress for {} s, the last failure was: {last}", .patience.as_secs())]
    GaveUp {
        /// How long was tried.
        patience: Duration,
        /// The last failure.
        last: String,
    },
    /// The source of the samples failed. The session is left open.
    #[error("the samples cannot be read any further: {0}")]
    Source(#[source] SourceError),
    /// The server takes smaller batches only.
    #[error(
        "a batch has {samples} samples, and the server takes at most {most}: raise limits.batch_samples there"
    )]
    BatchTooLong {
        /// Samples in the batch.
        samples: usize,
        /// What the server takes.
        most: usize,
    },
    /// The session is new to the server, and it was told that it must not be.
    #[error("the server does not know this session")]
    NotResumed,
}

/// What happens while streaming.
#[derive(Clone, Copy, Debug)]
pub enum StreamEvent<'a> {
    /// A call was opened.
    Opened {
        /// What is durable of the session.
        durable_through: i64,
    },
    /// More became durable.
    Durable,
    /// A batch was refused.
    Rejected {
        /// Its number.
        sequence: i64,
        /// What is wrong with it.
        violations: &'a [FieldViolation],
    },
    /// The server lost what it had acknowledged, and this client does not hold it any more: it is declared as a gap.
    Gap {
        /// First lost number.
        first: i64,
        /// Last lost number.
        last: i64,
    },
    /// The connection is made again after a while.
    Reconnecting {
        /// How long it waits.
        delay: Duration,
        /// Why.
        why: &'a str,
    },
}

/// A refused batch.
#[derive(Clone, Debug, PartialEq)]
pub struct Rejection {
    /// Its number.
    pub sequence: i64,
    /// What is wrong with it.
    pub violations: Vec<FieldViolation>,
}

/// What was done so far.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StreamTotals {
    /// Batches taken from the source.
    pub batches: u64,
    /// Samples taken from the source.
    pub samples: u64,
    /// Batches of the source that had been durable before.
    pub durable_before: u64,
    /// Batches sent for the first time.
    pub sent: u64,
    /// Batches sent again.
    pub resent: u64,
    /// Highest number that is durable.
    pub durable_through: i64,
    /// Batches refused.
    pub rejected: u64,
    /// The first refused batches.
    pub rejections: Vec<Rejection>,
    /// Times that the server asked to go back.
    pub rewinds: u64,
    /// Times that the connection was made again.
    pub reconnects: u64,
}

/// Streams one session of one vehicle.
///
/// ```no_run
/// # async fn example(channel: tonic::transport::Channel, batches: Vec<coldbrake_engine::Batch>)
/// # -> Result<(), Box<dyn std::error::Error>> {
/// use coldbrake::stream::{StreamClient, random_session};
/// use coldbrake_engine::{BrakeKind, CurrentSign, Opening};
/// let opening = Opening {
///     session: random_session()?,
///     software_version: "4.2.0".into(),
///     brake_kind: BrakeKind::Pressure,
///     current_sign: CurrentSign::ChargePositive,
///     declared_mass_kg: None,
///     declared_mass_uncertainty: None,
/// };
/// let source = tokio_stream::iter(batches.into_iter().map(Ok));
/// let totals = StreamClient::new(channel, "van-07", "van", opening).run(source, |_, _| ()).await?;
/// assert_eq!(totals.rejected, 0);
/// # Ok(())
/// # }
/// ```
#[derive(Debug)]
pub struct StreamClient {
    channel: Channel,
    vehicle: String,
    vehicle_class: String,
    opening: Opening,
    patience: Duration,
    first_delay: Duration,
    finish: bool,
    only_resume: bool,
    compression: Option<CompressionEncoding>,
}

impl StreamClient {
    /// Returns a client for a session of a vehicle.
    pub fn new(channel: Channel, vehicle: &str, vehicle_class: &str, opening: Opening) -> Self {
        Self {
            channel,
            vehicle: vehicle.to_owned(),
            vehicle_class: vehicle_class.to_owned(),
            opening,
            patience: Duration::from_secs(60),
            first_delay: backoff::FIRST,
            finish: true,
            only_resume: false,
            compression: Some(CompressionEncoding::Zstd),
        }
    }

    /// Gives up when nothing moves on for this long. By default 60 s.
    #[must_use]
    pub fn patience(mut self, patience: Duration) -> Self {
        self.patience = patience;
        self
    }

    /// Sets the first wait before connecting again; it doubles with every failure, up to 5 s. By default 200 ms.
    #[must_use]
    pub fn first_delay(mut self, first_delay: Duration) -> Self {
        self.first_delay = first_delay;
        self
    }

    /// Leaves the session open at the end of the source: more of it will come, on another call.
    #[must_use]
    pub fn leave_open(mut self) -> Self {
        self.finish = false;
        self
    }

    /// Fails with [`StreamError::NotResumed`] before anything is sent when the session is new to the server.
    #[must_use]
    pub fn only_resume(mut self) -> Self {
        self.only_resume = true;
        self
    }

    /// Sets the compression of messages; by default Zstandard.
    #[must_use]
    pub fn compression(mut self, compression: Option<CompressionEncoding>) -> Self {
        self.compression = compression;
        self
    }

    /// Streams the batches of the source, ends the session, and returns when all of it is durable.
    ///
    /// Refused batches are told to `on_event` and counted; they do not end the stream.
    pub async fn run<S>(
        self,
        source: S,
        on_event: impl FnMut(StreamEvent<'_>, &StreamTotals) + Send,
    ) -> Result<StreamTotals, StreamError>
    where
        S: Stream<Item = Result<Batch, SourceError>> + Send,
    {
        let mut run = Run {
            window: Window::new(self.opening.brake_kind, self.finish),
            client: &self,
            source: Box::pin(source),
            totals: StreamTotals::default(),
            on_event,
            failing_since: None,
            failures: 0,
            most_samples: usize::MAX,
            has_opened: false,
        };
        loop {
            let began = Instant::now();
            let (delay, why) = match run.call().await {
                Ok(End::Done) => return Ok(run.totals),
                Ok(End::Drained(delay)) => (delay, "the server drains".to_owned()),
                Err(Stop::For(error)) => return Err(error),
                Err(Stop::Lost(why)) => {
                    // A source may be silent for hours: then a call that held is all the progress there can be.
                    if began.elapsed() >= HELD && run.window.in_flight() == 0 {
                        run.progressed();
                    }
                    let since = *run.failing_since.get_or_insert_with(Instant::now);
                    if since.elapsed() >= self.patience {
                        return Err(StreamError::GaveUp {
                            patience: self.patience,
                            last: why,
                        });
                    }
                    run.failures = run.failures.saturating_add(1);
                    (backoff::delay(self.first_delay, run.failures), why)
                }
            };
            let delay = backoff::spread(delay);
            run.totals.reconnects += 1;
            run.tell(StreamEvent::Reconnecting { delay, why: &why });
            tokio::time::sleep(delay).await;
        }
    }
}

/// How a call ended well.
enum End {
    Done,
    Drained(Duration),
}

/// How a call ended otherwise.
enum Stop {
    /// Worth another try.
    Lost(String),
    /// Not.
    For(StreamError),
}

impl From<Status> for Stop {
    fn from(status: Status) -> Self {
        if is_worth_another_try(&status) {
            Self::Lost(format!("{}: {}", name_of(status.code()), status.message()))
        } else {
            Self::For(StreamError::Refused(Box::new(status)))
        }
    }
}

fn is_worth_another_try(status: &Status) -> bool {
    let by_code = matches!(
        status.code(),
        Code::Unavailable
            | Code::ResourceExhausted
            | Code::DeadlineExceeded
            | Code::Cancelled
            | Code::Unknown
    );
    // A status that this side made of a broken connection has the break as its source.
    by_code || std::error::Error::source(status).is_some()
}

fn name_of(code: Code) -> &'static str {
    match code {
        Code::Unavailable => "unavailable",
        Code::ResourceExhausted => "limit reached",
        Code::DeadlineExceeded => "too slow",
        _ => "connection lost",
    }
}

/// A session under way.
struct Run<'a, S, F> {
    client: &'a StreamClient,
    window: Window,
    source: Pin<Box<S>>,
    totals: StreamTotals,
    on_event: F,
    /// When the first of the failures in a row happened.
    failing_since: Option<Instant>,
    failures: u32,
    most_samples: usize,
    has_opened: bool,
}

impl<S, F> Run<'_, S, F>
where
    S: Stream<Item = Result<Batch, SourceError>> + Send,
    F: FnMut(StreamEvent<'_>, &StreamTotals) + Send,
{
    fn tell(&mut self, event: StreamEvent<'_>) {
        (self.on_event)(event, &self.totals);
    }

    fn progressed(&mut self) {
        self.failing_since = None;
        self.failures = 0;
        self.totals.durable_through = self.window.durable();
    }

    /// One call from `open` to its end.
    async fn call(&mut self) -> Result<End, Stop> {
        let (sender, mut inbound) = self.connect().await?;
        let mut draining: Option<Duration> = None;
        let mut waiting_since = Instant::now();
        // The transport takes nothing more: only the reason is awaited.
        let mut closed = false;
        loop {
            if self.window.is_done() {
                return Ok(End::Done);
            }
            if let Some(delay) = draining
                && self.window.in_flight() == 0
            {
                return Ok(End::Drained(delay));
            }
            let is_flowing = draining.is_none() && !closed;
            let may_send = is_flowing && self.window.may_send();
            let wants_batch = is_flowing && !may_send && self.window.wants_batch();
            let is_waiting = closed || self.window.in_flight() > 0;
            if !is_waiting {
                waiting_since = Instant::now();
            }
            let patience = if is_flowing {
                STALL_PATIENCE
            } else {
                DRAIN_PATIENCE
            };
            tokio::select! {
                // What the server says comes first: it may change what is sent next.
                biased;
                message = inbound.message() => {
                    let Some(message) = message? else {
                        // The end of a drained call needs no back-off of its own.
                        return match draining {
                            Some(delay) => Ok(End::Drained(delay)),
                            None => Err(Stop::Lost("the server ended the stream".to_owned())),
                        };
                    };
                    if self.hear(message, &mut draining) {
                        waiting_since = Instant::now();
                    }
                }
                permit = sender.reserve(), if may_send => {
                    match permit {
                        Ok(permit) => if let Some(message) = self.next_message() {
                            permit.send(message);
                        },
                        Err(_) => closed = true,
                    }
                }
                batch = self.source.next(), if wants_batch => self.take(batch)?,
                () = tokio::time::sleep_until((waiting_since + patience).into()), if is_waiting => {
                    return Err(Stop::Lost(format!("no acknowledgement for {} s", patience.as_secs())));
                }
            }
        }
    }

    async fn connect(
        &mut self,
    ) -> Result<
        (
            mpsc::Sender<StreamSamplesRequest>,
            Streaming<StreamSamplesResponse>,
        ),
        Stop,
    > {
        let late = |_| Stop::Lost(format!("no answer for {} s", OPEN_PATIENCE.as_secs()));
        let me = self.client;
        let (sender, receiver) = mpsc::channel(QUEUE);
        let open = convert::opening_to_wire(&me.vehicle, &me.vehicle_class, &me.opening);
        // The queue is empty and its reader lives: this cannot fail.
        let _ = sender.try_send(StreamSamplesRequest {
            message: Some(Out::Open(open)),
        });
        let mut client = TelemetryServiceClient::new(me.channel.clone());
        if let Some(encoding) = me.compression {
            client = client.send_compressed(encoding).accept_compressed(encoding);
        }
        let call = client.stream_samples(ReceiverStream::new(receiver));
        let mut inbound = timeout(OPEN_PATIENCE, call).await.map_err(late)??.into_inner();
        let opened = match timeout(OPEN_PATIENCE, inbound.message()).await.map_err(late)?? {
            Some(StreamSamplesResponse {
                message: Some(In::Opened(opened)),
            }) => opened,
            Some(StreamSamplesResponse {
                message: Some(In::Drain(drain)),
            }) => {
                return Err(Stop::Lost(format!(
                    "the server drains, {} ms",
                    drain.reconnect_delay_ms
                )));
            }
            Some(_) => {
                return Err(Stop::Lost(
                    "the server answered `open` with something else".to_owned(),
                ));
            }
            None => return Err(Stop::Lost("the server ended the stream".to_owned())),
        };
        if me.only_resume && !self.has_opened && opened.durable_through <= 0 {
            return Err(Stop::For(StreamError::NotResumed));
        }
        // An answer alone is no progress: a server that opens and then fails every time must not be asked for ever.
        let is_news = opened.durable_through > self.window.durable();
        self.window.opened(opened.durable_through, opened.credit);
        self.has_opened = true;
        if is_news {
            self.progressed();
        }
        self.most_samples = usize::try_from(opened.max_batch_samples)
            .ok()
            .filter(|n| *n > 0)
            .unwrap_or(usize::MAX);
        self.tell(StreamEvent::Opened {
            durable_through: opened.durable_through,
        });
        Ok((sender, inbound))
    }

    /// Takes what the server says. Returns whether more became durable.
    fn hear(&mut self, response: StreamSamplesResponse, draining: &mut Option<Duration>) -> bool {
        match response.message {
            Some(In::Ack(ack)) => {
                if self.window.acknowledged(ack.durable_through, ack.credit) {
                    self.progressed();
                    self.tell(StreamEvent::Durable);
                    return true;
                }
            }
            Some(In::Rewind(rewind)) => {
                self.totals.rewinds += 1;
                self.window.rewind(rewind.expected_sequence);
            }
            Some(In::Rejected(rejected)) => {
                self.totals.rejected += 1;
                let (sequence, violations) = (rejected.sequence, rejected.violations);
                self.tell(StreamEvent::Rejected {
                    sequence,
                    violations: &violations,
                });
                if self.totals.rejections.len() < MOST_REJECTIONS {
                    self.totals.rejections.push(Rejection { sequence, violations });
                }
            }
            Some(In::Drain(drain)) => {
                *draining = Some(Duration::from_millis(
                    u64::try_from(drain.reconnect_delay_ms).unwrap_or(0),
                ));
            }
            // A second answer to `open`, or a message of a newer server: nothing to do.
            Some(In::Opened(_)) | None => {}
        }
        false
    }

    fn next_message(&mut self) -> Option<StreamSamplesRequest> {
        let (outgoing, again) = self.window.next_outgoing()?;
        let message = match outgoing {
            Outgoing::Batch(batch) => {
                *(if again {
                    &mut self.totals.resent
                } else {
                    &mut self.totals.sent
                }) += 1;
                Out::Batch(Box::new(batch))
            }
            Outgoing::Gap { first, last } => {
                self.tell(StreamEvent::Gap { first, last });
                Out::DeclareGap(DeclareGap {
                    first_sequence: first,
                    last_sequence: last,
                })
            }
            Outgoing::Finish(sequence) => Out::Finish(FinishSession { sequence }),
        };
        Some(StreamSamplesRequest {
            message: Some(message),
        })
    }

    fn take(&mut self, batch: Option<Result<Batch, SourceError>>) -> Result<(), Stop> {
        let Some(batch) = batch else {
            self.window.end_of_source();
            return Ok(());
        };
        let batch = batch.map_err(|e| Stop::For(StreamError::Source(e)))?;
        let samples = batch.len();
        if samples > self.most_samples {
            return Err(Stop::For(StreamError::BatchTooLong {
                samples,
                most: self.most_samples,
            }));
        }
        self.totals.batches += 1;
        self.totals.samples += samples as u64;
        if !self.window.push(&batch) {
            self.totals.durable_before += 1;
        }
        Ok(())
    }
}

/// The system gives no random numbers.
#[derive(Clone, Copy, Debug, thiserror::Error)]
#[error("the system gives no random numbers for a session: {0}")]
pub struct NoRandomness(#[source] getrandom::Error);

/// Returns the identifier of a new session.
pub fn random_session() -> Result<Session, NoRandomness> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).map_err(NoRandomness)?;
    Ok(Session(bytes))
}

#[cfg(test)]
mod tests;
