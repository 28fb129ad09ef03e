//! A connection that gives its place back when it is closed.

use std::{
    future::Future as _,
    io,
    pin::Pin,
    task::{Context, Poll},
    time::Duration,
};

use tokio::{
    io::{AsyncRead, AsyncWrite, ReadBuf},
    net::TcpStream,
    sync::OwnedSemaphorePermit,
    time::Sleep,
};
use tokio_rustls::server::TlsStream;
use tokio_util::sync::{CancellationToken, WaitForCancellationFutureOwned};
use tonic::transport::server::Connected;

use super::vigil::Vigil;
use crate::identity::Origin;

/// What bytes go over.
pub(super) enum Channel {
    Plain(TcpStream),
    Tls(Box<TlsStream<TcpStream>>),
}

/// How long a connection may last, and the place that it holds.
pub(super) struct Lifetime {
    cut: Pin<Box<WaitForCancellationFutureOwned>>,
    /// The end of the peer's certificate.
    expiry: Option<Pin<Box<Sleep>>>,
    _place: OwnedSemaphorePermit,
}

impl Lifetime {
    /// Lasts until `cut`, and no longer than `certificate`.
    pub(super) fn new(
        cut: &CancellationToken,
        certificate: Option<Duration>,
        place: OwnedSemaphorePermit,
    ) -> Self {
        Self {
            cut: Box::pin(cut.clone().cancelled_owned()),
            expiry: certificate.map(|left| Box::pin(tokio::time::sleep(left))),
            _place: place,
        }
    }

    fn is_over(&mut self, cx: &mut Context<'_>) -> bool {
        self.cut.as_mut().poll(cx).is_ready()
            || self
                .expiry
                .as_mut()
                .is_some_and(|expiry| expiry.as_mut().poll(cx).is_ready())
    }
}

/// A connection that can be cut from here: the transport itself waits for as long as the client pleases.
pub(crate) struct Connection {
    channel: Channel,
    origin: Origin,
    lifetime: Lifetime,
    vigil: Vigil,
}

impl Connection {
    pub(super) fn new(channel: Channel, origin: Origin, lifetime: Lifetime, vigil: Vigil) -> Self {
        Self {
            channel,
            origin,
            lifetime,
            vigil,
        }
    }
}

impl Connected for Connection {
    type ConnectInfo = Origin;

    fn connect_info(&self) -> Origin {
        self.origin.clone()
    }
}

/// Does the same on either channel.
macro_rules! on_channel {
    ($self:ident, $method:ident($($argument:expr),*)) => {
        match &mut $self.channel {
            Channel::Plain(socket) => Pin::new(socket).$method($($argument),*),
            Channel::Tls(stream) => Pin::new(stream).$method($($argument),*),
        }
    };
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        // The transport always waits for something to read: what cuts a connection is noticed here.
        if self.lifetime.is_over(cx) {
            return Poll::Ready(Err(io::ErrorKind::ConnectionAborted.into()));
        }
        if self.vigil.is_overdue(cx) {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        let before = buf.filled().len();
        let read = on_channel!(self, poll_read(cx, buf));
        self.vigil.heard(buf.filled().len() - before);
        read
    }
}

impl AsyncWrite for Connection {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        on_channel!(self, poll_write(cx, buf))
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        on_channel!(self, poll_flush(cx))
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        on_channel!(self, poll_shutdown(cx))
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        on_channel!(self, poll_write_vectored(cx, bufs))
    }

    fn is_write_vectored(&self) -> bool {
        match &self.channel {
            Channel::Plain(socket) => socket.is_write_vectored(),
            Channel::Tls(stream) => stream.is_write_vectored(),
        }
    }
}
