//! One vehicle of the load: opens its stream, sends what is due within its credit, hears acknowledgements, comes back.

use std::{
    sync::{Arc, atomic::Ordering::Relaxed},
    time::Duration,
};

use coldbrake_proto::v1::{StreamSamplesResponse, stream_samples_response::Message as Down};
use prost::bytes::{BufMut as _, Bytes};
use tokio::{
    sync::{mpsc, watch},
    time::{Instant, sleep, sleep_until, timeout},
};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{
    Request, Status, Streaming,
    codec::{BufferSettings, Codec, EncodeBuf, Encoder},
};
use tonic_prost::ProstDecoder;

use super::{
    fleet::{Common, Gateway, Order},
    road,
};

const PATH: &str = "/coldbrake.v1.TelemetryService/StreamSamples";
/// Small buffers: one message at a time goes through them.
const BUFFERS: (usize, usize) = (512, 32 << 10);
/// Longest wait for the answer to `open`.
const OPEN_PATIENCE: Duration = Duration::from_secs(60);
/// Wait before coming back when the server did not say how long.
const COMEBACK: Duration = Duration::from_secs(1);

/// Sends bytes that are encoded already.
#[derive(Clone, Copy, Debug)]
struct Ready;

impl Codec for Ready {
    type Encode = Bytes;
    type Decode = StreamSamplesResponse;
    type Encoder = Self;
    type Decoder = ProstDecoder<StreamSamplesResponse>;

    fn encoder(&mut self) -> Self {
        Self
    }

    fn decoder(&mut self) -> Self::Decoder {
        ProstDecoder::new(BufferSettings::new(BUFFERS.0, BUFFERS.1))
    }
}

impl Encoder for Ready {
    type Item = Bytes;
    type Error = Status;

    fn encode(&mut self, item: Bytes, into: &mut EncodeBuf<'_>) -> Result<(), Status> {
        into.put(item);
        Ok(())
    }

    fn buffer_settings(&self) -> BufferSettings {
        BufferSettings::new(BUFFERS.0, BUFFERS.1)
    }
}

/// Why a stream ended.
enum End {
    /// The load is over.
    Over,
    /// The order was to cut the connection.
    Cut,
    /// The server ended it, or it was lost.
    Lost(String),
}

/// A vehicle across its streams.
pub(super) struct Vehicle {
    common: Arc<Common>,
    gateway: Arc<Gateway>,
    index: usize,
    /// Highest number sent so far.
    sent: i64,
    durable: i64,
    /// Since when it drives, and the number with which it began.
    drive: Option<(Instant, i64)>,
    /// What the server asked for before the end.
    comeback: Duration,
}

impl Vehicle {
    pub(super) fn new(common: Arc<Common>, gateway: Arc<Gateway>, index: usize) -> Self {
        Self {
            common,
            gateway,
            index,
            sent: 0,
            durable: 0,
            drive: None,
            comeback: COMEBACK,
        }
    }

    /// Drives until the load is over.
    pub(super) async fn run(mut self) {
        let common = Arc::clone(&self.common);
        let mut orders = common.orders.subscribe();
        let over = common.over.clone();
        loop {
            let epoch = orders.borrow_and_update().epoch;
            let end = tokio::select! {
                biased;
                () = over.cancelled() => return,
                end = self.stream(epoch, &mut orders) => end,
            };
            match end {
                End::Over => return,
                End::Cut => {}
                End::Lost(reason) => {
                    self.common.tally.lost(reason);
                    let wait = self.comeback.mul_f64(0.5 + fastrand::f64());
                    self.comeback = COMEBACK;
                    tokio::select! {
                        () = over.cancelled() => return,
                        () = sleep(wait) => {}
                    }
                }
            }
        }
    }

    async fn stream(&mut self, epoch: u64, orders: &mut watch::Receiver<Order>) -> End {
        let common = Arc::clone(&self.common);
        let opened = {
            // Not all at once: a fleet comes up over some time, and a kernel's backlog is finite.
            let Ok(_turn) = common.turns.acquire().await else {
                return End::Over;
            };
            match timeout(OPEN_PATIENCE, self.open(epoch)).await {
                Ok(opened) => opened,
                Err(_) => Err("no answer to open".to_owned()),
            }
        };
        let (up, mut down, credit) = match opened {
            Ok(parts) => parts,
            Err(reason) => return End::Lost(reason),
        };
        common.tally.opened.fetch_add(1, Relaxed);
        common.tally.open.fetch_add(1, Relaxed);
        let end = self.converse(epoch, orders, &up, &mut down, credit).await;
        common.tally.open.fetch_sub(1, Relaxed);
        end
    }

    async fn open(
        &mut self,
        epoch: u64,
    ) -> Result<(mpsc::Sender<Bytes>, Streaming<StreamSamplesResponse>, i64), String> {
        let channel = self.gateway.channel(epoch).await?;
        let mut grpc = tonic::client::Grpc::new(channel);
        grpc.ready().await.map_err(|e| format!("not ready: {e}"))?;
        let (up, outbox) = mpsc::channel(4);
        let _ = up.try_send(road::open_message(self.index));
        let path = tonic::codegen::http::uri::PathAndQuery::from_static(PATH);
        let mut down = grpc
            .streaming(Request::new(ReceiverStream::new(outbox)), path, Ready)
            .await
            .map_err(|s| told(&s))?
            .into_inner();
        match down.message().await {
            Ok(Some(StreamSamplesResponse {
                message: Some(Down::Opened(opened)),
            })) => {
                if opened.durable_through < self.durable {
                    self.common.tally.forgotten.fetch_add(1, Relaxed);
                }
                self.acknowledged(opened.durable_through);
                Ok((up, down, i64::from(opened.credit)))
            }
            Ok(other) => Err(format!("{other:?} instead of opened")),
            Err(status) => Err(told(&status)),
        }
    }

    async fn converse(
        &mut self,
        epoch: u64,
        orders: &mut watch::Receiver<Order>,
        up: &mpsc::Sender<Bytes>,
        down: &mut Streaming<StreamSamplesResponse>,
        mut credit: i64,
    ) -> End {
        let mut next = self.durable + 1;
        let mut draining = false;
        loop {
            let order = *orders.borrow_and_update();
            if order.epoch != epoch {
                return End::Cut;
            }
            self.follow(order);
            let due = match self.due(next) {
                Some(due) if next - self.durable <= credit && !draining => Some(due),
                // What was sent before on a stream that is lost goes again, whether driving or not.
                None if next <= self.sent && next - self.durable <= credit && !draining => {
                    Some(Instant::now())
                }
                _ => None,
            };
            tokio::select! {
                changed = orders.changed() => if changed.is_err() { return End::Over },
                () = sleep_until(due.unwrap_or_else(Instant::now)), if due.is_some() => {
                    if up.send(self.common.road.message(self.index, next)).await.is_err() {
                        // The status says why.
                        draining = true;
                        continue;
                    }
                    self.count_sent(next);
                    next += 1;
                }
                heard = down.message() => match heard {
                    Ok(Some(StreamSamplesResponse { message: Some(message) })) => match message {
                        Down::Ack(ack) => {
                            credit = i64::from(ack.credit);
                            self.acknowledged(ack.durable_through);
                        }
                        Down::Rewind(rewind) => {
                            self.common.tally.rewinds.fetch_add(1, Relaxed);
                            next = rewind.expected_sequence;
                        }
                        Down::Rejected(_) => {
                            self.common.tally.rejected.fetch_add(1, Relaxed);
                        }
                        Down::Drain(drain) => {
                            self.common.tally.drains.fetch_add(1, Relaxed);
                            self.comeback = Duration::from_millis(drain.reconnect_delay_ms.unsigned_abs().into());
                            draining = true;
                        }
                        Down::Opened(_) => return End::Lost("opened twice".to_owned()),
                    },
                    Ok(_) => return End::Lost("end without a status".to_owned()),
                    Err(status) => return End::Lost(told(&status)),
                },
            }
        }
    }

    /// Notes since when it drives.
    fn follow(&mut self, order: Order) {
        match (order.drive_since, self.drive) {
            (None, _) => self.drive = None,
            (Some(since), Some((known, _))) if known == since => {}
            (Some(since), _) => self.drive = Some((since, self.sent.max(self.durable) + 1)),
        }
    }

    /// Returns when a message is due, if it drives.
    fn due(&self, sequence: i64) -> Option<Instant> {
        let (since, first) = self.drive?;
        let period = self.common.period;
        let place = self.index - self.common.first;
        let offset = period.mul_f64(place as f64 / self.common.vehicles.max(1) as f64);
        let Ok(n) = u32::try_from(sequence - first) else {
            return Some(Instant::now());
        };
        Some(since + offset + period * n)
    }

    fn count_sent(&mut self, sequence: i64) {
        let tally = &self.common.tally;
        if sequence > self.sent {
            self.sent = sequence;
            tally.sent.fetch_add(1, Relaxed);
        } else {
            tally.sent_again.fetch_add(1, Relaxed);
        }
        tally
            .most_on_their_way
            .fetch_max((sequence - self.durable).unsigned_abs(), Relaxed);
    }

    fn acknowledged(&mut self, through: i64) {
        if through <= self.durable {
            return;
        }
        let tally = &self.common.tally;
        tally
            .acknowledged
            .fetch_add((through - self.durable).unsigned_abs(), Relaxed);
        if tally.recording.load(Relaxed) {
            let now = Instant::now();
            let mut latencies = tally.latencies(self.index);
            for sequence in self.durable + 1..=through {
                let due = self
                    .drive
                    .filter(|(_, first)| sequence >= *first)
                    .and_then(|_| self.due(sequence));
                if let Some(due) = due {
                    let late = now.saturating_duration_since(due).as_micros();
                    latencies.saturating_record(u64::try_from(late).unwrap_or(u64::MAX).max(1));
                }
            }
        }
        self.durable = through;
        tally.durable[self.index - self.common.first].store(through, Relaxed);
    }
}

/// Returns code and reason of a status, without what differs from vehicle to vehicle.
fn told(status: &Status) -> String {
    let reason = crate::wire::reason(status);
    if reason.is_empty() {
        let root = super::fleet::root(status);
        let mut text = format!("{:?}: {}", status.code(), status.message());
        if root != text && !text.contains(&root) {
            text = format!("{text}: {root}");
        }
        text.chars().take(200).collect()
    } else {
        format!("{:?}: {reason}", status.code())
    }
}
