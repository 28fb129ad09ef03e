//! The way in through TLS.

use std::{
    future::Future,
    io,
    path::Path,
    pin::Pin,
    sync::Arc,
    task::{Context, Poll},
};

use hyper_util::rt::TokioIo;
use tokio::{
    io::{AsyncBufReadExt as _, BufReader},
    net::TcpStream,
};
use tokio_rustls::{
    TlsConnector,
    client::TlsStream,
    rustls::{
        self, ClientConfig, RootCertStore,
        pki_types::{CertificateDer, PrivateKeyDer, ServerName, pem::PemObject as _},
    },
};
use tonic::transport::Uri;
use tower::Service;

use super::Target;
use crate::exit::{Code, Failure};

/// Makes connections for one server.
#[derive(Clone)]
pub(super) struct Way {
    connector: TlsConnector,
    name: ServerName<'static>,
    address: (String, u16),
}

impl Way {
    /// Reads the certificates that the target names.
    pub(super) fn new(target: &Target, uri: &Uri) -> Result<Self, Failure> {
        let no_host = || Failure::new(Code::Usage, format!("`{}` names no host", target.address));
        let host = uri
            .host()
            .ok_or_else(no_host)?
            .trim_start_matches('[')
            .trim_end_matches(']');
        let name = ServerName::try_from(host.to_owned()).map_err(|_| no_host())?;
        Ok(Self {
            connector: TlsConnector::from(Arc::new(config(target)?)),
            name,
            address: (host.to_owned(), uri.port_u16().unwrap_or(443)),
        })
    }

    async fn go(self) -> io::Result<TokioIo<BufReader<TlsStream<TcpStream>>>> {
        let (host, port) = &self.address;
        let socket = TcpStream::connect((host.as_str(), *port)).await?;
        socket.set_nodelay(true)?;
        let stream = self.connector.connect(self.name, socket).await?;
        if stream.get_ref().1.alpn_protocol() != Some(b"h2") {
            return Err(io::Error::other(
                "the server speaks TLS, and not HTTP/2 inside it",
            ));
        }
        let mut stream = BufReader::new(stream);
        // In TLS 1.3 a server says only after the handshake that it refuses the client's certificate. An HTTP/2 server
        // speaks first: what comes now is its greeting, or its refusal.
        if stream.fill_buf().await?.is_empty() {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        Ok(TokioIo::new(stream))
    }
}

impl Service<Uri> for Way {
    type Response = TokioIo<BufReader<TlsStream<TcpStream>>>;
    type Error = io::Error;
    type Future = Pin<Box<dyn Future<Output = io::Result<Self::Response>> + Send>>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn call(&mut self, _: Uri) -> Self::Future {
        Box::pin(self.clone().go())
    }
}

fn config(target: &Target) -> Result<ClientConfig, Failure> {
    let authority = target.authority.as_deref().ok_or_else(|| {
        Failure::new(Code::Usage, "a server with https:// needs --authority")
            .help("name the file with the authorities that the server's certificate must come from: --authority FILE")
            .help("or set COLDBRAKE_AUTHORITY, COLDBRAKE_CERTIFICATE and COLDBRAKE_KEY")
    })?;
    let mut roots = RootCertStore::empty();
    for certificate in certificates(authority)? {
        roots.add(certificate).map_err(|error| {
            wrong(
                authority,
                &format!("holds a certificate that cannot be trusted: {error}"),
            )
        })?;
    }
    let builder = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| Failure::new(Code::Partial, format!("TLS cannot be spoken here: {error}")))?
        .with_root_certificates(roots);
    let mut config = match (&target.certificate, &target.key) {
        (None, None) => builder.with_no_client_auth(),
        (Some(certificate), Some(key)) => {
            let chain = certificates(certificate)?;
            let secret = PrivateKeyDer::from_pem_slice(&read(key)?)
                .map_err(|error| wrong(key, &format!("holds no private key: {error}")))?;
            builder
                .with_client_auth_cert(chain, secret)
                .map_err(|error| match error {
                    rustls::Error::InconsistentKeys(_) => {
                        wrong(key, &format!("is not the key of {}", certificate.display()))
                    }
                    error => wrong(certificate, &format!("cannot be used: {error}")),
                })?
        }
        (Some(_), None) => return Err(Failure::new(Code::Usage, "--certificate needs --key beside it")),
        (None, Some(_)) => return Err(Failure::new(Code::Usage, "--key needs --certificate beside it")),
    };
    config.alpn_protocols = vec![b"h2".to_vec()];
    Ok(config)
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, Failure> {
    let found = CertificateDer::pem_slice_iter(&read(path)?)
        .collect::<Result<Vec<_>, _>>()
        .map_err(|error| wrong(path, &format!("is damaged: {error}")))?;
    if found.is_empty() {
        return Err(wrong(path, "holds no certificate"));
    }
    Ok(found)
}

fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    std::fs::read(path).map_err(|error| wrong(path, &format!("cannot be read: {error}")))
}

fn wrong(path: &Path, what: &str) -> Failure {
    Failure::new(Code::BadInput, format!("{} {what}", path.display()))
        .help("name a PEM file that you may read")
}
