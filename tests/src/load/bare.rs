//! The transport with nothing behind it: the same settings as the server's, and a service that acknowledges every batch at
//! once. What the server costs stands beside what this one costs.

use std::{
    convert::Infallible,
    io::{BufRead as _, BufReader, Read as _},
    net::SocketAddr,
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    task::{Context, Poll},
};

use coldbrake_proto::v1::{
    Acknowledgement, StreamOpened, StreamSamplesRequest, StreamSamplesResponse,
    stream_samples_request::Message as In, stream_samples_response::Message as Out,
};
use coldbrake_server::config::Limits;
use tokio::{net::TcpListener, sync::mpsc, task::JoinHandle};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{
    Request, Response, Status, Streaming,
    body::Body,
    codegen::{BoxFuture, Service, http},
    server::{NamedService, StreamingService},
    transport::{Certificate, Identity, ServerTlsConfig, server::TcpIncoming},
};
use tonic_prost::ProstCodec;

use super::{pki::Pki, probe};

/// Responses that wait for a stream's reader: as many as in the server.
const RESPONSE_QUEUE: usize = 16;

/// The service as the libraries have it by default: nothing of ours is in its way, not even how we read messages.
#[derive(Clone)]
struct Bare {
    limits: Limits,
}

impl NamedService for Bare {
    const NAME: &'static str = "coldbrake.v1.TelemetryService";
}

impl Service<http::Request<Body>> for Bare {
    type Response = http::Response<Body>;
    type Error = Infallible;
    type Future = BoxFuture<Self::Response, Infallible>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        Poll::Ready(Ok(()))
    }

    fn call(&mut self, request: http::Request<Body>) -> Self::Future {
        let method = self.clone();
        Box::pin(async move {
            // It has one method: whatever is called is that.
            let mut grpc = tonic::server::Grpc::new(ProstCodec::default());
            Ok(grpc.streaming(method, request).await)
        })
    }
}

impl StreamingService<StreamSamplesRequest> for Bare {
    type Response = StreamSamplesResponse;
    type ResponseStream = ReceiverStream<Result<StreamSamplesResponse, Status>>;
    type Future = BoxFuture<Response<Self::ResponseStream>, Status>;

    fn call(&mut self, request: Request<Streaming<StreamSamplesRequest>>) -> Self::Future {
        let mut inbound = request.into_inner();
        let (out, responses) = mpsc::channel(RESPONSE_QUEUE);
        let credit = self.limits.credit as i32;
        let max_batch_samples = self.limits.batch_samples as i32;
        tokio::spawn(async move {
            while let Ok(Some(message)) = inbound.message().await {
                let answer = match message.message {
                    Some(In::Open(_)) => Out::Opened(StreamOpened {
                        durable_through: 0,
                        credit,
                        max_batch_samples,
                    }),
                    Some(In::Batch(batch)) => Out::Ack(Acknowledgement {
                        durable_through: batch.sequence,
                        credit,
                    }),
                    _ => continue,
                };
                let message = Some(answer);
                if out.send(Ok(StreamSamplesResponse { message })).await.is_err() {
                    return;
                }
            }
        });
        Box::pin(std::future::ready(Ok(Response::new(ReceiverStream::new(
            responses,
        )))))
    }
}

/// Serves on a free port of this machine. With a directory of certificates it speaks TLS and takes its clients only.
pub async fn serve(limits: Limits, certificates: Option<&Path>) -> (SocketAddr, JoinHandle<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let mut server = tonic::transport::Server::builder()
        .initial_stream_window_size(limits.stream_window as u32)
        .initial_connection_window_size(limits.connection_window as u32)
        .max_concurrent_streams(limits.calls_per_connection)
        .http2_keepalive_interval(Some(limits.keep_alive_interval))
        .http2_keepalive_timeout(Some(limits.keep_alive_timeout));
    if let Some(directory) = certificates {
        let read = |name: &str| std::fs::read_to_string(directory.join(name)).unwrap();
        let tls = ServerTlsConfig::new()
            .identity(Identity::from_pem(read("server.pem"), read("server-key.pem")))
            .client_ca_root(Certificate::from_pem(read("authority.pem")));
        server = server.tls_config(tls).unwrap();
    }
    let router = server.add_service(Bare { limits });
    let task = tokio::spawn(async move {
        let incoming = TcpIncoming::from(listener).with_nodelay(Some(true));
        router.serve_with_incoming(incoming).await.unwrap();
    });
    (address, task)
}

/// Serves as a process of its own: tells the address on its output and ends with its input.
pub async fn serve_as_child(limits: Limits, certificates: Option<PathBuf>) {
    let (address, _task) = serve(limits, certificates.as_deref()).await;
    println!("{address}");
    let end = tokio::task::spawn_blocking(|| std::io::stdin().read_to_end(&mut Vec::new()));
    let _ = end.await;
}

/// That process. Dropped, it is killed.
#[derive(Debug)]
pub struct BareServer {
    child: Child,
    uri: String,
}

impl BareServer {
    /// Starts `load bare`.
    pub fn start(load: &Path, pki: Option<&Pki>) -> Self {
        let mut command = Command::new(load);
        command.arg("bare").env_clear();
        if let Some(pki) = pki {
            command.arg("--certificates").arg(pki.directory());
        }
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut address = String::new();
        BufReader::new(child.stdout.take().unwrap())
            .read_line(&mut address)
            .unwrap();
        let scheme = if pki.is_some() { "https" } else { "http" };
        let uri = format!("{scheme}://{}", address.trim());
        Self { child, uri }
    }

    /// Returns the address as clients take it.
    pub fn uri(&self) -> &str {
        &self.uri
    }

    /// Returns what it uses.
    pub fn usage(&self) -> probe::Usage {
        probe::usage(self.child.id()).unwrap_or_default()
    }
}

impl Drop for BareServer {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
