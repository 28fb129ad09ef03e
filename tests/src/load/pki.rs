//! Certificates for a load over TLS: an authority, a server, an engineer, and one for every vehicle, because a vehicle speaks
//! for itself alone. The command line makes them, as it does for whoever tries the server.

use std::path::{Path, PathBuf};

use tempfile::TempDir;
use tonic::transport::{Certificate, ClientTlsConfig, Identity};

use super::road;
use crate::program;

const DOMAIN: &str = "load.example";
const ENGINEER: &str = "mira";

/// The files of an authority and of everybody whom it knows. Dropped, they go.
#[derive(Debug)]
pub struct Pki {
    directory: TempDir,
    authority: String,
}

impl Pki {
    /// Issues certificates for the server and for the vehicles up to a number.
    pub fn new(vehicles: usize) -> Self {
        let directory = tempfile::tempdir().unwrap();
        let place = directory.path().to_str().unwrap();
        let mut words: Vec<String> = [
            "certificates",
            place,
            "--trust-domain",
            DOMAIN,
            "--engineer",
            ENGINEER,
        ]
        .map(str::to_owned)
        .to_vec();
        for number in 0..vehicles {
            words.extend(["--vehicle".to_owned(), road::name(number)]);
        }
        let made = program::run(&words);
        assert_eq!(made.code, 0, "no certificates: {}", made.err);
        let authority = std::fs::read_to_string(directory.path().join("authority.pem")).unwrap();
        Self { directory, authority }
    }

    fn file(&self, name: &str) -> PathBuf {
        self.directory.path().join(name)
    }

    /// Returns the flags of a server that takes these clients.
    pub fn server_flags(&self) -> Vec<String> {
        let file = |name: &str| self.file(name).display().to_string();
        [
            ("--tls-certificate", file("server.pem")),
            ("--tls-key", file("server-key.pem")),
            ("--tls-client-authorities", file("authority.pem")),
            ("--tls-trust-domain", DOMAIN.to_owned()),
        ]
        .into_iter()
        .flat_map(|(flag, value)| [flag.to_owned(), value])
        .collect()
    }

    /// Returns the directory of the files, named as `coldbrake certificates` names them.
    pub fn directory(&self) -> &Path {
        self.directory.path()
    }

    /// Returns how a vehicle connects.
    pub fn vehicle(&self, number: usize) -> ClientTlsConfig {
        self.client(&format!("vehicle-{}", road::name(number)))
    }

    /// Returns how somebody connects who may register classes and ask.
    pub fn engineer(&self) -> ClientTlsConfig {
        self.client(&format!("engineer-{ENGINEER}"))
    }

    fn client(&self, stem: &str) -> ClientTlsConfig {
        let read = |name: String| std::fs::read_to_string(self.file(&name)).unwrap();
        ClientTlsConfig::new()
            .ca_certificate(Certificate::from_pem(&self.authority))
            .identity(Identity::from_pem(
                read(format!("{stem}.pem")),
                read(format!("{stem}-key.pem")),
            ))
    }
}
