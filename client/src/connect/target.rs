//! Which server to talk to, and the certificates to do it with.

use std::path::PathBuf;

use super::DEFAULT_SERVER;

/// A server and how to come in. Certificates are needed with `https` only.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Target {
    /// Address of the server, https:// for one with TLS
    #[arg(id = "server", long = "server", global = true, value_name = "ADDRESS", env = "COLDBRAKE_SERVER", default_value = DEFAULT_SERVER, hide_env_values = true)]
    pub address: String,

    /// PEM file: authorities that the certificate of the server must come from
    #[arg(
        long,
        global = true,
        value_name = "FILE",
        env = "COLDBRAKE_AUTHORITY",
        hide_env_values = true
    )]
    pub authority: Option<PathBuf>,

    /// PEM file: your certificate, then those of its issuers
    #[arg(
        long,
        global = true,
        value_name = "FILE",
        env = "COLDBRAKE_CERTIFICATE",
        hide_env_values = true
    )]
    pub certificate: Option<PathBuf>,

    /// PEM file: private key of your certificate
    #[arg(
        long,
        global = true,
        value_name = "FILE",
        env = "COLDBRAKE_KEY",
        hide_env_values = true
    )]
    pub key: Option<PathBuf>,
}

impl From<&str> for Target {
    /// A server that needs no certificates.
    fn from(address: &str) -> Self {
        Self {
            address: address.to_owned(),
            ..Self::default()
        }
    }
}

impl From<&String> for Target {
    fn from(address: &String) -> Self {
        address.as_str().into()
    }
}

impl From<&Self> for Target {
    fn from(target: &Self) -> Self {
        target.clone()
    }
}
