//! Streams of vehicles: one task each.

mod identities;
mod pace;
mod stream;
mod window;

use std::sync::{
    Arc,
    atomic::{AtomicU64, Ordering::Relaxed},
};

use coldbrake_proto::v1::{
    StreamSamplesRequest, StreamSamplesResponse, telemetry_service_server::TelemetryService,
};
use tokio::sync::{Semaphore, mpsc};
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::{sync::CancellationToken, task::TaskTracker};
use tonic::{Request, Response, Status, Streaming};

use self::identities::Identities;
use crate::{identity, shards::Shards, shared::Shared, status::Refusal};

/// Responses that wait for a stream's reader. They are few: acknowledgements are gathered.
const RESPONSE_QUEUE: usize = 16;

/// The service that vehicles speak to.
#[derive(Clone)]
pub(crate) struct Ingest {
    shared: Arc<Shared>,
    shards: Shards,
    places: Arc<Semaphore>,
    identities: Identities,
    next_stream: Arc<AtomicU64>,
    tasks: TaskTracker,
    /// Cancelled when streams must end at once.
    cut: CancellationToken,
}

impl Ingest {
    pub(crate) fn new(
        shared: Arc<Shared>,
        shards: Shards,
        tasks: TaskTracker,
        cut: CancellationToken,
    ) -> Self {
        let places = Arc::new(Semaphore::new(shared.config.limits.streams));
        Self {
            shared,
            shards,
            places,
            identities: Identities::default(),
            next_stream: Arc::new(AtomicU64::new(1)),
            tasks,
            cut,
        }
    }
}

#[tonic::async_trait]
impl TelemetryService for Ingest {
    type StreamSamplesStream = ReceiverStream<Result<StreamSamplesResponse, Status>>;

    async fn stream_samples(
        &self,
        request: Request<Streaming<StreamSamplesRequest>>,
    ) -> Result<Response<Self::StreamSamplesStream>, Status> {
        if let Some(refusal) = self.shared.closed() {
            self.shared.meters.refused_stream(refusal.reason());
            return Err(refusal.into());
        }
        let limit = self.shared.config.limits.streams;
        let place = Arc::clone(&self.places)
            .try_acquire_owned()
            .map_err(|_| Refusal::TooManyStreams(limit))
            .inspect_err(|refusal| self.shared.meters.refused_stream(refusal.reason()))?;
        let (peer, address) = (identity::peer(&request), identity::address(&request));
        let of_one = self
            .identities
            .admit(&peer, self.shared.config.limits.streams_per_identity)
            .inspect_err(|refusal| self.shared.meters.refused_stream(refusal.reason()))?;
        let (responses, outbox) = mpsc::channel(RESPONSE_QUEUE);
        let stream = stream::Stream::new(
            Arc::clone(&self.shared),
            self.shards.clone(),
            self.next_stream.fetch_add(1, Relaxed),
            peer,
            address,
            responses,
            self.cut.clone(),
        );
        let inbound = request.into_inner();
        // The head of the response goes out at once: a client may wait for it before it sends `open`.
        self.tasks.spawn(async move {
            stream.run(inbound).await;
            drop((place, of_one));
        });
        Ok(Response::new(ReceiverStream::new(outbox)))
    }
}
