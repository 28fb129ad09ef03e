//! Connections to a server that comes and goes, each time at another address.

use std::{
    future::Future,
    io,
    net::SocketAddr,
    pin::Pin,
    task::{Context, Poll},
};

use hyper_util::rt::TokioIo;
use tokio::{net::TcpStream, sync::watch};
use tonic::transport::{Channel, Endpoint, Uri};

/// The way to a server, wherever it is. Connecting waits until there is one.
#[derive(Clone, Debug)]
pub struct Dial(pub(super) watch::Receiver<Option<SocketAddr>>);

impl Dial {
    /// Returns a channel that connects when it is used, and again when it has to.
    pub fn channel(&self) -> Channel {
        Endpoint::from_static("http://server.invalid").connect_with_connector_lazy(self.clone())
    }
}

impl tower::Service<Uri> for Dial {
    type Response = TokioIo<TcpStream>;
    type Error = io::Error;
    type Future = Pin<Box<dyn Future<Output = io::Result<Self::Response>> + Send>>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn call(&mut self, _: Uri) -> Self::Future {
        let mut address = self.0.clone();
        Box::pin(async move {
            let known = address.wait_for(Option::is_some).await.map(|known| *known);
            let Ok(Some(known)) = known else {
                return Err(io::ErrorKind::NotConnected.into());
            };
            let stream = TcpStream::connect(known).await?;
            stream.set_nodelay(true)?;
            Ok(TokioIo::new(stream))
        })
    }
}
