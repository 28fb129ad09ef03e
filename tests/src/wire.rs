//! A server in process and vehicles that speak to it over gRPC, written against the schema alone: nothing of the command
//! line's way of sending is used here.

use std::{collections::BTreeMap, time::Duration};

use coldbrake_engine::{Batch, Opening, VehicleClass};
use coldbrake_proto::{
    codec::{Carry, encode},
    convert,
    v1::{
        self, FinishSession, GetDescentRequest, ListDescentsRequest, OpenStream, PutVehicleClassRequest,
        SampleBatch, StreamOpened, StreamSamplesRequest, StreamSamplesResponse,
        descent_service_client::DescentServiceClient, fleet_service_client::FleetServiceClient,
        stream_samples_request::Message as Up, stream_samples_response::Message as Down,
        telemetry_service_client::TelemetryServiceClient,
    },
};
use coldbrake_server::{Config, ServerHandle};
use tokio::{sync::mpsc, time::timeout};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Status, Streaming, transport::Channel};

use crate::log;

/// Longest wait for an answer: much longer than any takes, so that only a hang fails.
const PATIENCE: Duration = Duration::from_secs(30);

/// A server in this process with a connection to it.
#[derive(Debug)]
pub struct Wire {
    /// The server.
    pub server: ServerHandle,
    channel: Channel,
}

impl Wire {
    /// Starts a server on a free port with a store in memory.
    pub async fn start() -> Self {
        Self::with(Config::in_process()).await
    }

    /// Starts a server as configured.
    pub async fn with(config: Config) -> Self {
        let server = ServerHandle::start(config).await.unwrap();
        let channel = Channel::from_shared(server.uri())
            .unwrap()
            .connect()
            .await
            .unwrap();
        Self { server, channel }
    }

    /// Stops the server in order, and starts one as configured.
    pub async fn restart(self, config: Config) -> Self {
        assert!(self.server.shutdown().await.is_clean());
        Self::with(config).await
    }

    /// Returns the connection, for clients of other services.
    pub fn channel(&self) -> Channel {
        self.channel.clone()
    }

    /// Returns a client of the fleet service.
    pub fn fleet(&self) -> FleetServiceClient<Channel> {
        FleetServiceClient::new(self.channel.clone())
    }

    /// Returns a client of the descent service.
    pub fn descents(&self) -> DescentServiceClient<Channel> {
        DescentServiceClient::new(self.channel.clone())
    }

    /// Registers a class.
    pub async fn register(&self, class: &VehicleClass) {
        let document_toml = toml::to_string(class).unwrap();
        let request = PutVehicleClassRequest { document_toml };
        self.fleet().put_vehicle_class(request).await.unwrap();
    }

    /// Begins a stream and waits until it is opened.
    pub async fn open(&self, open: OpenStream) -> Result<Stream, Status> {
        let (up, outbox) = mpsc::channel(64);
        up.send(up_message(Up::Open(open))).await.unwrap();
        let mut telemetry = TelemetryServiceClient::new(self.channel.clone());
        let mut down = telemetry
            .stream_samples(ReceiverStream::new(outbox))
            .await?
            .into_inner();
        let first = timeout(PATIENCE, down.message())
            .await
            .expect("an answer to `open`")?;
        match first {
            Some(StreamSamplesResponse {
                message: Some(Down::Opened(opened)),
            }) => Ok(Stream { up, down, opened }),
            other => panic!("`opened` expected, got {other:?}"),
        }
    }

    /// Sends a whole log as one session of a vehicle, in batches of a length. Returns what was refused.
    pub async fn drive(
        &self,
        vehicle: &str,
        class: &str,
        opening: &Opening,
        log: &Batch,
        length: usize,
    ) -> Vec<v1::BatchRejected> {
        let batches = encoded(log, opening, length);
        let mut stream = self
            .open(convert::opening_to_wire(vehicle, class, opening))
            .await
            .unwrap();
        stream.deliver(&batches).await.unwrap()
    }

    /// Returns the descents of a vehicle with their profiles, the earliest first.
    pub async fn descents_of(&self, vehicle: &str) -> Vec<v1::GetDescentResponse> {
        let mut descents = self.descents();
        let filter = v1::DescentFilter {
            vehicle: Some(vehicle.to_owned()),
            ..v1::DescentFilter::default()
        };
        let request = ListDescentsRequest {
            filter: Some(filter),
            page_size: 1000,
            page_token: String::new(),
        };
        let listed = descents.list_descents(request).await.unwrap().into_inner();
        assert_eq!(listed.next_page_token, "", "one page");
        let mut found = Vec::new();
        for d in listed.descents.into_iter().rev() {
            let request = GetDescentRequest {
                vehicle: vehicle.to_owned(),
                descent: d.descent.clone(),
            };
            let got = descents.get_descent(request).await.unwrap().into_inner();
            assert_eq!(
                got.descent.as_ref(),
                Some(&d),
                "the list and the single answer are the same"
            );
            found.push(got);
        }
        found
    }
}

/// Encodes a log as the batches of one session, numbered from 1.
pub fn encoded(log: &Batch, opening: &Opening, length: usize) -> Vec<SampleBatch> {
    numbered(&log::batches(log, length), opening)
}

/// Encodes batches as those of one session, numbered from 1.
pub fn numbered(batches: &[Batch], opening: &Opening) -> Vec<SampleBatch> {
    let mut carry = Carry::default();
    batches
        .iter()
        .zip(1..)
        .map(|(batch, sequence)| encode(batch, opening.brake_kind, sequence, &mut carry))
        .collect()
}

fn up_message(message: Up) -> StreamSamplesRequest {
    StreamSamplesRequest {
        message: Some(message),
    }
}

/// An open stream of one vehicle.
#[derive(Debug)]
pub struct Stream {
    up: mpsc::Sender<StreamSamplesRequest>,
    down: Streaming<StreamSamplesResponse>,
    /// The server's answer to `open`.
    pub opened: StreamOpened,
}

impl Stream {
    /// Sends one message, whatever it is. A server that ended the stream is no mistake here.
    pub async fn send(&self, message: Up) {
        let _ = self.up.send(up_message(message)).await;
    }

    /// Waits for the next message of the server; `None` at the end.
    pub async fn next(&mut self) -> Result<Option<Down>, Status> {
        let next = timeout(PATIENCE, self.down.message())
            .await
            .expect("an answer in time")?;
        Ok(next.map(|m| m.message.expect("a message with content")))
    }

    /// Sends the batches of a session from where the server stands, then `finish`, and waits until all is durable. Goes back
    /// where the server asks. Returns what was refused.
    pub async fn deliver(&mut self, batches: &[SampleBatch]) -> Result<Vec<v1::BatchRejected>, Status> {
        let last = batches.len() as i64 + 1;
        let mut durable = self.opened.durable_through;
        let mut credit = i64::from(self.opened.credit);
        let mut next = durable + 1;
        let mut rejected = BTreeMap::new();
        loop {
            while next <= last && next - durable <= credit {
                self.send(match batches.get(next as usize - 1) {
                    Some(batch) => Up::Batch(Box::new(batch.clone())),
                    None => Up::Finish(FinishSession { sequence: last }),
                })
                .await;
                next += 1;
            }
            match self.next().await? {
                Some(Down::Ack(ack)) => {
                    durable = ack.durable_through;
                    credit = i64::from(ack.credit);
                }
                Some(Down::Rewind(rewind)) => next = rewind.expected_sequence,
                Some(Down::Rejected(refused)) => {
                    rejected.insert(refused.sequence, refused);
                }
                Some(other) => panic!("unexpected {other:?}"),
                None => {
                    assert_eq!(durable, last, "the stream ended before all was durable");
                    return Ok(rejected.into_values().collect());
                }
            }
        }
    }
}

/// Returns the reason in the `ErrorInfo` of a status.
pub fn reason(status: &Status) -> String {
    use tonic_types::StatusExt as _;
    status
        .get_details_error_info()
        .map(|info| info.reason)
        .unwrap_or_default()
}

/// Returns the fields of the `BadRequest` of a status.
pub fn bad_fields(status: &Status) -> Vec<String> {
    use tonic_types::StatusExt as _;
    status
        .get_details_bad_request()
        .map(|bad| bad.field_violations.into_iter().map(|v| v.field).collect())
        .unwrap_or_default()
}
