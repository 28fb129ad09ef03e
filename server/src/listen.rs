//! The listening socket: a bounded number of connections.

use std::{
    future::Future as _,
    io,
    net::SocketAddr,
    pin::Pin,
    sync::Arc,
    task::{Context, Poll},
    time::Duration,
};

use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore, mpsc},
};
use tokio_util::sync::{CancellationToken, WaitForCancellationFutureOwned};
use tonic::transport::server::Connected;

use crate::{
    identity::{Origin, Peer},
    telemetry::LineLimit,
};

/// A connection that gives its place back when it is closed, and that can be cut from here: the transport itself waits
/// for as long as the client pleases.
#[derive(Debug)]
pub(crate) struct Connection {
    socket: TcpStream,
    origin: Origin,
    cut: Pin<Box<WaitForCancellationFutureOwned>>,
    _place: OwnedSemaphorePermit,
}

/// Accepts connections until `stop`. One beyond the limit is closed at once: the client sees it and tries again later.
pub(crate) async fn accept(
    listener: TcpListener,
    limit: usize,
    accepted: mpsc::Sender<io::Result<Connection>>,
    stop: CancellationToken,
    cut: CancellationToken,
) {
    let places = Arc::new(Semaphore::new(limit));
    let lines = LineLimit::default();
    loop {
        let next = tokio::select! {
            biased;
            () = stop.cancelled() => return,
            next = listener.accept() => next,
        };
        match next {
            Ok((socket, peer)) => {
                let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
                    if let Some(left_out) = lines.pass() {
                        tracing::warn!(%peer, limit, lines_left_out = left_out, "connection refused: raise limits.connections");
                    }
                    continue;
                };
                // Acknowledgements are small and waited for.
                if let Err(error) = socket.set_nodelay(true) {
                    tracing::debug!(%peer, %error, "no TCP_NODELAY");
                }
                if accepted
                    .send(Ok(Connection {
                        socket,
                        origin: Origin {
                            address: Some(peer),
                            peer: Peer::without_tls(Some(peer)),
                        },
                        cut: Box::pin(cut.clone().cancelled_owned()),
                        _place: place,
                    }))
                    .await
                    .is_err()
                {
                    return;
                }
            }
            Err(error) => {
                // Mostly too many open files: it passes when connections end, and spinning would not help.
                if let Some(left_out) = lines.pass() {
                    tracing::warn!(%error, lines_left_out = left_out, "a connection could not be accepted");
                }
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
}

/// Listens on an address.
pub(crate) async fn bind(address: SocketAddr) -> io::Result<(TcpListener, SocketAddr)> {
    let listener = TcpListener::bind(address).await?;
    let bound = listener.local_addr()?;
    Ok((listener, bound))
}

impl Connected for Connection {
    type ConnectInfo = Origin;

    fn connect_info(&self) -> Origin {
        self.origin.clone()
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        // The transport always waits for something to read: what cuts a connection is noticed here.
        if self.cut.as_mut().poll(cx).is_ready() {
            return Poll::Ready(Err(io::ErrorKind::ConnectionAborted.into()));
        }
        Pin::new(&mut self.socket).poll_read(cx, buf)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.socket).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.socket).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.socket).poll_shutdown(cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.socket).poll_write_vectored(cx, bufs)
    }

    fn is_write_vectored(&self) -> bool {
        self.socket.is_write_vectored()
    }
}
