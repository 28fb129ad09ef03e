//! The listening socket: a bounded number of connections, and of handshakes beside the loop that accepts.

mod connection;
mod vigil;

use std::{io, net::SocketAddr, sync::Arc, time::Duration};

use tokio::{
    net::{TcpListener, TcpStream},
    sync::{OwnedSemaphorePermit, Semaphore, mpsc},
    time::{Instant, timeout_at},
};
use tokio_rustls::{TlsAcceptor, rustls};
use tokio_util::sync::CancellationToken;

pub(crate) use self::connection::Connection;
use self::{
    connection::{Channel, Lifetime},
    vigil::Vigil,
};
use crate::{
    config::{Limits, text},
    identity::{Origin, Peer, certificate, tls},
    shared::Shared,
    telemetry::LineLimit,
};

/// What connections are accepted with.
pub(crate) struct Door {
    shared: Arc<Shared>,
    limits: Limits,
    /// Certificates; `None` without TLS.
    tls: Option<Arc<tls::Keeper>>,
    handshakes: Semaphore,
    accepted: mpsc::Sender<io::Result<Connection>>,
    /// Nothing more is accepted once this is cancelled.
    stop: CancellationToken,
    /// Closes connections.
    cut: CancellationToken,
    lines: LineLimit,
}

/// Why a connection was closed before its first call.
#[derive(Debug, thiserror::Error)]
enum HandshakeError {
    #[error("no place for a handshake came free in time: raise limits.handshakes")]
    NoPlace,
    #[error("the handshake took longer than {}: the peer is slow or says nothing (limits.handshake_timeout)", text::duration(*.0))]
    Timeout(Duration),
    #[error("the peer does not speak TLS")]
    NotTls,
    #[error("the peer showed no certificate")]
    NoCertificate,
    #[error("the certificate of the peer is refused: {0}")]
    Certificate(rustls::CertificateError),
    #[error("the peer refuses this server: {0}")]
    Alert(rustls::Error),
    #[error("the handshake failed: {0}")]
    Protocol(rustls::Error),
    #[error("the connection broke off: {0}")]
    Io(io::Error),
}

impl HandshakeError {
    /// Returns the reason as it stands in the metrics.
    fn reason(&self) -> &'static str {
        match self {
            Self::NoPlace => "HANDSHAKE_LIMIT_REACHED",
            Self::Timeout(_) => "HANDSHAKE_TIMEOUT",
            Self::NotTls => "NOT_TLS",
            Self::NoCertificate => "CERTIFICATE_MISSING",
            Self::Certificate(_) => "CERTIFICATE_REFUSED",
            Self::Alert(_) => "REFUSED_BY_PEER",
            Self::Protocol(_) => "PROTOCOL",
            Self::Io(_) => "CONNECTION_LOST",
        }
    }
}

impl From<io::Error> for HandshakeError {
    fn from(error: io::Error) -> Self {
        let error = match error.downcast::<rustls::Error>() {
            Ok(error) => error,
            Err(error) => return Self::Io(error),
        };
        match error {
            rustls::Error::InvalidMessage(rustls::InvalidMessage::InvalidContentType) => Self::NotTls,
            rustls::Error::NoCertificatesPresented => Self::NoCertificate,
            rustls::Error::InvalidCertificate(why) => Self::Certificate(why),
            rustls::Error::AlertReceived(_) => Self::Alert(error),
            _ => Self::Protocol(error),
        }
    }
}

impl Door {
    pub(crate) fn new(
        shared: &Arc<Shared>,
        tls: Option<Arc<tls::Keeper>>,
        accepted: mpsc::Sender<io::Result<Connection>>,
        cut: CancellationToken,
    ) -> Self {
        let limits = shared.config.limits;
        Self {
            shared: Arc::clone(shared),
            limits,
            tls,
            handshakes: Semaphore::new(limits.handshakes),
            accepted,
            stop: shared.draining.clone(),
            cut,
            lines: LineLimit::default(),
        }
    }

    /// Accepts connections until the server drains. One beyond the limit is closed at once: the client sees it and tries
    /// again later. Handshakes go on beside: a slow one holds up nobody.
    pub(crate) async fn serve(self, listener: TcpListener) {
        let door = Arc::new(self);
        let places = Arc::new(Semaphore::new(door.limits.connections));
        loop {
            let next = tokio::select! {
                biased;
                () = door.stop.cancelled() => return,
                next = listener.accept() => next,
            };
            match next {
                Ok((socket, address)) => {
                    let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
                        door.shared.meters.refused_connection("CONNECTION_LIMIT_REACHED");
                        if let Some(left_out) = door.lines.pass() {
                            tracing::warn!(peer = %address, limit = door.limits.connections, lines_left_out = left_out, "connection refused: raise limits.connections");
                        }
                        continue;
                    };
                    // Acknowledgements are small and waited for.
                    if let Err(error) = socket.set_nodelay(true) {
                        tracing::debug!(peer = %address, %error, "no TCP_NODELAY");
                    }
                    if let Some(keeper) = &door.tls {
                        let (door, keeper) = (Arc::clone(&door), Arc::clone(keeper));
                        tokio::spawn(async move { door.admit(socket, address, &keeper, place).await });
                    } else {
                        let origin = Origin {
                            address: Some(address),
                            peer: Peer::without_tls(Some(address)),
                        };
                        let lifetime = Lifetime::new(&door.cut, None, place);
                        let connection = Connection::new(
                            Channel::Plain(socket),
                            origin,
                            lifetime,
                            Vigil::new(&door.shared),
                        );
                        if door.accepted.send(Ok(connection)).await.is_err() {
                            return;
                        }
                    }
                }
                Err(error) => {
                    // Mostly too many open files: it passes when connections end, and spinning would not help.
                    if let Some(left_out) = door.lines.pass() {
                        tracing::warn!(%error, lines_left_out = left_out, "a connection could not be accepted");
                    }
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
            }
        }
    }

    /// Shakes hands and hands the connection over.
    async fn admit(
        &self,
        socket: TcpStream,
        address: SocketAddr,
        keeper: &tls::Keeper,
        place: OwnedSemaphorePermit,
    ) {
        let handshake = self.shake_hands(socket, address, keeper, place);
        let shaken = tokio::select! {
            biased;
            () = self.stop.cancelled() => return,
            shaken = handshake => shaken,
        };
        match shaken {
            // The transport has ended when it is not taken.
            Ok(connection) => drop(self.accepted.send(Ok(connection)).await),
            Err(error) => {
                self.shared.meters.failed_handshake(error.reason());
                if let Some(lines_left_out) = self.lines.pass() {
                    tracing::info!(peer = %address, reason = error.reason(), lines_left_out, "no connection: {error}");
                }
            }
        }
    }

    async fn shake_hands(
        &self,
        socket: TcpStream,
        address: SocketAddr,
        keeper: &tls::Keeper,
        place: OwnedSemaphorePermit,
    ) -> Result<Connection, HandshakeError> {
        let deadline = Instant::now() + self.limits.handshake_timeout;
        let _turn = timeout_at(deadline, self.handshakes.acquire())
            .await
            .ok()
            .and_then(Result::ok)
            .ok_or(HandshakeError::NoPlace)?;
        let acceptor = TlsAcceptor::from(Arc::clone(&keeper.material().config));
        let stream = timeout_at(deadline, acceptor.accept(socket))
            .await
            .map_err(|_| HandshakeError::Timeout(self.limits.handshake_timeout))??;
        let leaf = stream
            .get_ref()
            .1
            .peer_certificates()
            .and_then(|chain| chain.first())
            .ok_or(HandshakeError::NoCertificate)?;
        let peer = Peer::of_certificate(leaf, keeper.trust_domain());
        // What cannot be read names nobody, who may call nothing however long the connection lasts.
        let until = certificate::expiry(leaf).ok().map(tls::remaining);
        let origin = Origin {
            address: Some(address),
            peer,
        };
        let lifetime = Lifetime::new(&self.cut, until, place);
        Ok(Connection::new(
            Channel::Tls(Box::new(stream)),
            origin,
            lifetime,
            Vigil::new(&self.shared),
        ))
    }
}

/// Listens on an address.
pub(crate) async fn bind(address: SocketAddr) -> io::Result<(TcpListener, SocketAddr)> {
    let listener = TcpListener::bind(address).await?;
    let bound = listener.local_addr()?;
    Ok((listener, bound))
}
