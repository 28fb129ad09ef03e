//! The same transport with nothing behind it: a service that acknowledges every batch at once.

use std::net::SocketAddr;

use coldbrake_proto::v1::{
    Acknowledgement, StreamOpened, StreamSamplesRequest, StreamSamplesResponse,
    stream_samples_request::Message as In,
    stream_samples_response::Message as Out,
    telemetry_service_server::{TelemetryService, TelemetryServiceServer},
};
use tokio::{net::TcpListener, sync::mpsc, task::JoinHandle};
use tokio_stream::wrappers::{ReceiverStream, TcpListenerStream};
use tonic::{Request, Response, Status, Streaming};

struct Echo;

#[tonic::async_trait]
impl TelemetryService for Echo {
    type StreamSamplesStream = ReceiverStream<Result<StreamSamplesResponse, Status>>;

    async fn stream_samples(
        &self,
        request: Request<Streaming<StreamSamplesRequest>>,
    ) -> Result<Response<Self::StreamSamplesStream>, Status> {
        let mut inbound = request.into_inner();
        let (out, responses) = mpsc::channel(64);
        tokio::spawn(async move {
            while let Ok(Some(message)) = inbound.message().await {
                let answer = match message.message {
                    Some(In::Open(_)) => Out::Opened(StreamOpened {
                        durable_through: 0,
                        credit: 32,
                        max_batch_samples: 4096,
                    }),
                    Some(In::Batch(batch)) => Out::Ack(Acknowledgement {
                        durable_through: batch.sequence,
                        credit: 32,
                    }),
                    _ => continue,
                };
                let message = Some(answer);
                if out.send(Ok(StreamSamplesResponse { message })).await.is_err() {
                    return;
                }
            }
        });
        Ok(Response::new(ReceiverStream::new(responses)))
    }
}

/// Starts it on a free port.
pub(crate) async fn start() -> (SocketAddr, JoinHandle<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let task = tokio::spawn(async move {
        tonic::transport::Server::builder()
            .initial_stream_window_size(1 << 20)
            .initial_connection_window_size(2 << 20)
            .tcp_nodelay(true)
            .add_service(TelemetryServiceServer::new(Echo))
            .serve_with_incoming(TcpListenerStream::new(listener))
            .await
            .unwrap();
    });
    (address, task)
}
