//! Authorities that issue any certificate asked for, servers that trust one of them, and clients.

use std::{
    path::{Path, PathBuf},
    time::{Duration, SystemTime},
};

use coldbrake_server::{Config, ServerHandle, identity::Role};
use rcgen::{
    BasicConstraints, CertificateParams, CertifiedIssuer, ExtendedKeyUsagePurpose, IsCa, KeyPair,
    KeyUsagePurpose, SanType,
};
use tempfile::TempDir;
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpStream,
};
use tonic::transport::{Certificate, Channel, ClientTlsConfig, Endpoint, Error, Identity};

pub(crate) const DOMAIN: &str = "fleet.example";
/// Longest wait for anything that should come at once.
pub(crate) const PATIENCE: Duration = Duration::from_secs(20);

/// Who issues.
pub(crate) struct Authority(CertifiedIssuer<'static, KeyPair>);

/// A certificate with its key, both PEM.
#[derive(Clone)]
pub(crate) struct Pair {
    pub(crate) certificate: String,
    pub(crate) key: String,
}

impl Authority {
    pub(crate) fn new() -> Self {
        let mut params = CertificateParams::default();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.key_usages = vec![KeyUsagePurpose::KeyCertSign];
        Self(CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap())
    }

    pub(crate) fn pem(&self) -> String {
        self.0.pem()
    }

    /// Issues a certificate that may be used by clients and servers, changed as told.
    pub(crate) fn issue(&self, names: Vec<SanType>, change: impl FnOnce(&mut CertificateParams)) -> Pair {
        let mut params = CertificateParams::default();
        params.subject_alt_names = names;
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![
            ExtendedKeyUsagePurpose::ClientAuth,
            ExtendedKeyUsagePurpose::ServerAuth,
        ];
        change(&mut params);
        let key = KeyPair::generate().unwrap();
        Pair {
            certificate: params.signed_by(&key, &self.0).unwrap().pem(),
            key: key.serialize_pem(),
        }
    }

    /// The certificate of a server on this machine.
    pub(crate) fn server(&self) -> Pair {
        let names = vec![
            SanType::DnsName("localhost".try_into().unwrap()),
            SanType::IpAddress("127.0.0.1".parse().unwrap()),
        ];
        self.issue(names, |p| {
            p.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        })
    }

    pub(crate) fn named(&self, uri: &str) -> Pair {
        self.issue(vec![self::uri(uri)], |_| {})
    }

    pub(crate) fn vehicle(&self, name: &str) -> Pair {
        self.named(&format!("spiffe://{DOMAIN}/vehicle/{name}"))
    }

    pub(crate) fn person(&self, role: Role) -> Pair {
        self.named(&format!("spiffe://{DOMAIN}/person/mira/role/{role}"))
    }

    /// A vehicle or a person in this role.
    pub(crate) fn of_role(&self, role: Role) -> Pair {
        match role {
            Role::Vehicle => self.vehicle("van-07"),
            role => self.person(role),
        }
    }
}

pub(crate) fn uri(text: &str) -> SanType {
    SanType::URI(text.try_into().unwrap())
}

/// Now and some seconds, as certificates have it.
pub(crate) fn in_seconds(params: &mut CertificateParams, seconds: u64) {
    let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap();
    params.not_after = rcgen::date_time_ymd(1970, 1, 1) + now + Duration::from_secs(seconds);
}

/// A server with TLS, the authority of its clients and its files.
pub(crate) struct Fort {
    pub(crate) server: ServerHandle,
    pub(crate) authority: Authority,
    pub(crate) files: Files,
}

/// The files of a server.
pub(crate) struct Files {
    directory: TempDir,
}

impl Files {
    pub(crate) fn new(authority: &Authority) -> Self {
        let files = Self {
            directory: tempfile::tempdir().unwrap(),
        };
        files.put_server(&authority.server());
        files.put("authorities.pem", &authority.pem());
        files
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.directory.path().join(name)
    }

    pub(crate) fn put(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).unwrap();
    }

    pub(crate) fn put_server(&self, pair: &Pair) {
        self.put("server.pem", &pair.certificate);
        self.put("server-key.pem", &pair.key);
    }

    pub(crate) fn config(&self) -> Config {
        let mut config = Config::in_process();
        config.admin_listen = Some("127.0.0.1:0".parse().unwrap());
        config.tls.certificate = self.path("server.pem");
        config.tls.key = self.path("server-key.pem");
        config.tls.client_authorities = self.path("authorities.pem");
        DOMAIN.clone_into(&mut config.tls.trust_domain);
        // Files are read when a test says so.
        config.tls.check_interval = Duration::from_secs(3_600);
        config
    }
}

impl Fort {
    pub(crate) async fn build(change: impl FnOnce(&mut Config)) -> Self {
        let authority = Authority::new();
        let files = Files::new(&authority);
        let mut config = files.config();
        change(&mut config);
        let server = ServerHandle::start(config).await.unwrap();
        Self {
            server,
            authority,
            files,
        }
    }

    /// Connects with a certificate, or without one.
    pub(crate) async fn connect(&self, pair: Option<&Pair>) -> Result<Channel, Error> {
        connect(&self.server.uri(), &self.authority, pair).await
    }

    /// What the server tells of a metric, with its labels; 0 when it tells nothing.
    pub(crate) async fn metric(&self, series: &str) -> i64 {
        metric(&self.server, series).await
    }
}

pub(crate) async fn connect(uri: &str, trusted: &Authority, pair: Option<&Pair>) -> Result<Channel, Error> {
    let mut tls = ClientTlsConfig::new().ca_certificate(Certificate::from_pem(trusted.pem()));
    if let Some(pair) = pair {
        tls = tls.identity(Identity::from_pem(&pair.certificate, &pair.key));
    }
    Endpoint::from_shared(uri.to_owned())?
        .connect_timeout(PATIENCE)
        .timeout(PATIENCE)
        .tls_config(tls)?
        .connect()
        .await
}

pub(crate) async fn metric(server: &ServerHandle, series: &str) -> i64 {
    let mut socket = TcpStream::connect(server.admin_address().unwrap()).await.unwrap();
    socket
        .write_all(b"GET /metrics HTTP/1.1\r\nHost: a\r\n\r\n")
        .await
        .unwrap();
    let mut text = String::new();
    socket.read_to_string(&mut text).await.unwrap();
    text.lines()
        .find_map(|line| line.strip_prefix(series)?.strip_prefix(' ')?.parse().ok())
        .unwrap_or(0)
}

/// Waits until something holds.
pub(crate) async fn until(what: &str, mut holds: impl AsyncFnMut() -> bool) {
    let waited = tokio::time::timeout(PATIENCE, async {
        while !holds().await {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(waited.await.is_ok(), "never came true: {what}");
}

/// So that the compiler sees the type of paths where a test needs one only.
pub(crate) fn text(path: &Path) -> String {
    path.to_str().unwrap().to_owned()
}
