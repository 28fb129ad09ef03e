//! Metrics, liveness and readiness over plain HTTP, on an address of their own: they answer while the service starts,
//! shuts down, or takes nothing more.

mod answer;

use std::{io, net::SocketAddr, sync::Arc, time::Duration};

use hyper::{server::conn::http1, service::service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::{
    net::{TcpListener, TcpStream},
    sync::Semaphore,
    task::{JoinHandle, JoinSet},
    time::timeout,
};
use tokio_util::sync::CancellationToken;

use crate::metrics::{Metrics, Source};

/// Most connections at a time; others wait to be accepted.
const CONNECTIONS: usize = 64;
/// Longest life of a connection: it carries one question and its answer.
const PATIENCE: Duration = Duration::from_secs(10);
/// Longest wait for a question.
const QUESTION_PATIENCE: Duration = Duration::from_secs(2);
/// Largest head of a request, bytes.
const HEAD_BYTES: usize = 16 << 10;

/// The listener of metrics and probes. Dropped, it ends at once.
#[derive(Debug)]
pub(crate) struct Admin {
    address: SocketAddr,
    metrics: Arc<Metrics>,
    stop: CancellationToken,
    task: JoinHandle<()>,
}

impl Admin {
    /// Listens on an address. Until a service is attached, readiness says that the server is starting.
    pub(crate) async fn begin(address: SocketAddr) -> io::Result<Self> {
        let (listener, address) = crate::listen::bind(address).await?;
        let (metrics, stop) = (Arc::new(Metrics::default()), CancellationToken::new());
        let task = tokio::spawn(serve(listener, Arc::clone(&metrics), stop.clone()));
        tracing::info!(admin = %address, "metrics and probes");
        Ok(Self {
            address,
            metrics,
            stop,
            task,
        })
    }

    /// Returns the address that is listened on.
    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    /// The service has begun.
    pub(crate) fn attach(&self, source: Source) {
        self.metrics.attach(source);
    }

    /// Ends the listener and its connections; nothing holds the store afterwards.
    pub(crate) async fn end(mut self) {
        self.stop.cancel();
        let _ = (&mut self.task).await;
        self.metrics.settle().await;
    }
}

impl Drop for Admin {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn serve(listener: TcpListener, metrics: Arc<Metrics>, stop: CancellationToken) {
    let places = Arc::new(Semaphore::new(CONNECTIONS));
    let mut connections = JoinSet::new();
    loop {
        let next = async {
            let place = Arc::clone(&places).acquire_owned().await;
            (place, listener.accept().await)
        };
        let (place, accepted) = tokio::select! {
            biased;
            () = stop.cancelled() => break,
            Some(_) = connections.join_next() => continue,
            next = next => next,
        };
        let Ok(place) = place else { break };
        match accepted {
            Ok((socket, peer)) => {
                let metrics = Arc::clone(&metrics);
                connections.spawn(async move {
                    let _place = place;
                    match timeout(PATIENCE, converse(socket, metrics)).await {
                        Ok(Ok(())) => {}
                        Ok(Err(error)) => tracing::debug!(%peer, %error, "a question for metrics broke off"),
                        Err(_) => tracing::debug!(%peer, "a question for metrics took too long"),
                    }
                });
            }
            Err(error) => {
                // Mostly too many open files: it passes, and spinning would not help.
                tracing::debug!(%error, "a connection for metrics could not be accepted");
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
    connections.shutdown().await;
}

async fn converse(socket: TcpStream, metrics: Arc<Metrics>) -> Result<(), hyper::Error> {
    let service = service_fn(|request| answer::answer(request, &metrics));
    http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(QUESTION_PATIENCE)
        .max_buf_size(HEAD_BYTES)
        .keep_alive(false)
        .serve_connection(TokioIo::new(socket), service)
        .await
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

    use super::*;

    #[tokio::test]
    async fn before_a_service_is_there_it_lives_and_is_not_ready() {
        let admin = Admin::begin("127.0.0.1:0".parse().unwrap()).await.unwrap();
        for (path, status, word) in [
            ("/livez", "200", "alive"),
            ("/readyz", "503", "starting"),
            ("/metrics", "200", "coldbrake_ready 0"),
        ] {
            let mut socket = TcpStream::connect(admin.address()).await.unwrap();
            let request = format!("GET {path} HTTP/1.1\r\nHost: a\r\n\r\n");
            socket.write_all(request.as_bytes()).await.unwrap();
            let mut answer = String::new();
            socket.read_to_string(&mut answer).await.unwrap();
            assert!(answer.starts_with(&format!("HTTP/1.1 {status} ")), "{answer}");
            assert!(answer.contains(word), "{answer}");
        }
        admin.end().await;
    }
}
