//! The certificates of the server: read from files, read again while it runs.

use std::{
    path::{Path, PathBuf},
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering::Relaxed},
    },
    time::Duration,
};

use arc_swap::ArcSwap;
use tokio::sync::Notify;
use tokio_rustls::rustls::{
    self, RootCertStore, ServerConfig,
    pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject as _},
    server::{NoServerSessionStorage, WebPkiClientVerifier},
};

use super::certificate;
use crate::config::TlsConfig;

/// The protocol that is spoken inside (RFC 9113, 3.2).
const ALPN: &[u8] = b"h2";
/// Most bytes of a file of certificates: a bundle of some hundred authorities.
const MAX_FILE: u64 = 1 << 20;

/// Certificates that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}: {reason}", path.display())]
pub struct TlsError {
    /// Which file.
    pub path: PathBuf,
    /// What is wrong with it and what to do.
    pub reason: String,
}

/// The files as they are read.
#[derive(Clone, PartialEq, Eq)]
struct Contents {
    certificate: Vec<u8>,
    key: Vec<u8>,
    client_authorities: Vec<u8>,
}

/// What connections are taken with.
pub(crate) struct Material {
    pub(crate) config: Arc<ServerConfig>,
    /// When the first of the server's own chain ends to be valid, s since 1970.
    pub(crate) certificate_expiry: i64,
    /// When the first of the authorities of clients ends to be valid, s since 1970.
    pub(crate) authority_expiry: i64,
}

/// Holds what connections are taken with, and takes newer files when they hold.
pub(crate) struct Keeper {
    paths: TlsConfig,
    material: ArcSwap<Material>,
    asked: Notify,
    pub(crate) taken: AtomicU64,
    pub(crate) refused: AtomicU64,
}

impl Keeper {
    /// Reads the files for the first time. Blocks.
    pub(crate) fn load(paths: &TlsConfig) -> Result<(Self, Seen), TlsError> {
        let contents = read(paths)?;
        let material = build(paths, &contents)?;
        let keeper = Self {
            paths: paths.clone(),
            material: ArcSwap::from_pointee(material),
            asked: Notify::new(),
            taken: AtomicU64::new(0),
            refused: AtomicU64::new(0),
        };
        Ok((keeper, Seen(Ok(contents))))
    }

    /// Returns what the next connection is taken with.
    pub(crate) fn material(&self) -> Arc<Material> {
        self.material.load_full()
    }

    /// Returns the trust domain that is served.
    pub(crate) fn trust_domain(&self) -> &str {
        &self.paths.trust_domain
    }

    /// Has the files read now, changed or not.
    pub(crate) fn ask(&self) {
        self.asked.notify_one();
    }

    /// Looks at the files again and again, until dropped.
    pub(crate) async fn watch(self: Arc<Self>, mut seen: Seen) {
        loop {
            let asked = tokio::select! {
                () = self.asked.notified() => true,
                () = tokio::time::sleep(self.paths.check_interval) => false,
            };
            let keeper = Arc::clone(&self);
            let looked = tokio::task::spawn_blocking(move || {
                keeper.look(&mut seen, asked);
                seen
            });
            match looked.await {
                Ok(after) => seen = after,
                Err(error) => {
                    tracing::error!(%error, "the certificates are not looked at any more: restart the server");
                    return;
                }
            }
        }
    }

    /// Takes the files if they have changed or somebody asked. What is wrong keeps what was there before. Blocks.
    fn look(&self, seen: &mut Seen, asked: bool) {
        let now = read(&self.paths);
        if now == seen.0 && !asked {
            return;
        }
        match now
            .as_ref()
            .map_err(Clone::clone)
            .and_then(|contents| build(&self.paths, contents))
        {
            Ok(material) => {
                let left = material.certificate_expiry - jiff::Timestamp::now().as_second();
                self.material.store(Arc::new(material));
                self.taken.fetch_add(1, Relaxed);
                tracing::info!(
                    days_left = left / 86_400,
                    "certificates read: new connections are taken with them"
                );
            }
            Err(error) => {
                self.refused.fetch_add(1, Relaxed);
                tracing::error!(%error, "the new certificates are not taken, and the old ones stay in use");
            }
        }
        seen.0 = now;
    }
}

/// What was read last, good or bad: the same is not judged twice.
pub(crate) struct Seen(Result<Contents, TlsError>);

fn read(paths: &TlsConfig) -> Result<Contents, TlsError> {
    Ok(Contents {
        certificate: read_file(&paths.certificate)?,
        key: read_file(&paths.key)?,
        client_authorities: read_file(&paths.client_authorities)?,
    })
}

fn read_file(path: &Path) -> Result<Vec<u8>, TlsError> {
    use std::io::Read as _;
    let mut bytes = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(MAX_FILE + 1).read_to_end(&mut bytes))
        .map_err(|error| {
            wrong(
                path,
                format!("cannot be read: {error}: name a PEM file that the server may read"),
            )
        })?;
    if bytes.len() as u64 > MAX_FILE {
        return Err(wrong(path, "is larger than 1 MiB: name a PEM file".to_owned()));
    }
    Ok(bytes)
}

fn build(paths: &TlsConfig, contents: &Contents) -> Result<Material, TlsError> {
    let chain = certificates(&paths.certificate, &contents.certificate)?;
    let certificate_expiry = first_expiry(&paths.certificate, &chain)?;
    if remaining(certificate_expiry).is_zero() {
        let reason = "holds a certificate that has expired: renew it (deploy/runbooks.md)".to_owned();
        return Err(wrong(&paths.certificate, reason));
    }
    let key = PrivateKeyDer::from_pem_slice(&contents.key).map_err(|error| {
        wrong(
            &paths.key,
            format!("holds no private key: {error}: name a PEM file with a key in PKCS #8, PKCS #1 or SEC 1"),
        )
    })?;
    let authorities = certificates(&paths.client_authorities, &contents.client_authorities)?;

    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut roots = RootCertStore::empty();
    for authority in &authorities {
        roots.add(authority.clone()).map_err(|error| {
            wrong(
                &paths.client_authorities,
                format!("holds a certificate that cannot be trusted: {error}"),
            )
        })?;
    }
    let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), Arc::clone(&provider))
        .build()
        .map_err(|error| wrong(&paths.client_authorities, error.to_string()))?;
    let mut config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| wrong(&paths.certificate, error.to_string()))?
        .with_client_cert_verifier(verifier)
        .with_single_cert(chain.clone(), key)
        .map_err(|error| match error {
            rustls::Error::InconsistentKeys(_) => wrong(
                &paths.key,
                format!(
                    "is not the key of {}: give the two that belong together",
                    paths.certificate.display()
                ),
            ),
            error => wrong(&paths.certificate, format!("cannot be used: {error}")),
        })?;
    config.alpn_protocols = vec![ALPN.to_vec()];
    // No resumption: each connection is checked against the authorities and the time of now.
    config.session_storage = Arc::new(NoServerSessionStorage {});
    config.send_tls13_tickets = 0;
    Ok(Material {
        config: Arc::new(config),
        certificate_expiry,
        authority_expiry: first_expiry(&paths.client_authorities, &authorities)?,
    })
}

fn certificates(path: &Path, pem: &[u8]) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let found = CertificateDer::pem_slice_iter(pem)
        .collect::<Result<Vec<_>, _>>()
        .map_err(|error| wrong(path, format!("is damaged: {error}: name a PEM file")))?;
    if found.is_empty() {
        return Err(wrong(
            path,
            "holds no certificate: name a PEM file with one".to_owned(),
        ));
    }
    Ok(found)
}

fn first_expiry(path: &Path, chain: &[CertificateDer<'_>]) -> Result<i64, TlsError> {
    let mut first = i64::MAX;
    for der in chain {
        let expiry =
            certificate::expiry(der).map_err(|error| wrong(path, format!("holds a certificate: {error}")))?;
        first = first.min(expiry);
    }
    Ok(first)
}

fn wrong(path: &Path, reason: String) -> TlsError {
    TlsError {
        path: path.to_owned(),
        reason,
    }
}

/// Returns how long a certificate that ends then is still valid.
pub(crate) fn remaining(expiry: i64) -> Duration {
    let left = expiry.saturating_sub(jiff::Timestamp::now().as_second());
    Duration::from_secs(u64::try_from(left).unwrap_or(0))
}
