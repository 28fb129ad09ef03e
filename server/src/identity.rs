//! Who calls, and what they may call.
//!
//! The transport says who is at the other end of a connection ([`Peer`]); [`access`] holds the one table of calls and
//! roles; `guard` asks it before any handler sees a call.

pub mod access;
pub mod certificate;
pub(crate) mod guard;
pub mod role;
pub mod spiffe;
pub(crate) mod tls;

use std::{
    fmt,
    net::{IpAddr, SocketAddr},
    sync::Arc,
};

pub use self::{role::Role, tls::TlsError};

/// Who is at the other end of a connection.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Peer {
    /// A program on this machine, over a connection without TLS: it may call everything.
    Local,
    /// Somebody on another machine, over a connection without TLS, which only a server that was told to be insecure
    /// takes: they may call everything too, and nobody knows who they are.
    Unknown(IpAddr),
    /// A vehicle, by its certificate.
    Vehicle {
        /// Its name, which is the identifier that it streams under.
        name: Arc<str>,
    },
    /// A person or a program that works for one, by their certificate.
    Person {
        /// Their name.
        name: Arc<str>,
        /// What they do here.
        role: Role,
    },
    /// Somebody with a certificate of an authority that is trusted, which names nobody here: they may call nothing. Why
    /// is in it, so that they can be told.
    Nobody(Arc<str>),
}

impl Peer {
    /// Returns who is at the other end of a connection without TLS.
    pub(crate) fn without_tls(address: Option<SocketAddr>) -> Self {
        match address.map(|a| a.ip().to_canonical()) {
            Some(ip) if !ip.is_loopback() => Self::Unknown(ip),
            _ => Self::Local,
        }
    }

    /// Returns whom a verified certificate names to a server of this trust domain.
    pub(crate) fn of_certificate(der: &[u8], trust_domain: &str) -> Self {
        certificate::peer(der, trust_domain).unwrap_or_else(|error| Self::Nobody(error.to_string().into()))
    }

    /// Returns what they are here, without a name: their role, or `local`, `unknown` or `nobody`.
    pub(crate) const fn role_name(&self) -> &'static str {
        match self {
            Self::Local => "local",
            Self::Unknown(_) => "unknown",
            Self::Vehicle { .. } => Role::Vehicle.name(),
            Self::Person { role, .. } => role.name(),
            Self::Nobody(_) => "nobody",
        }
    }

    /// Returns whether a stream of this vehicle may come from here: a vehicle speaks for itself alone.
    pub(crate) fn may_stream_as(&self, vehicle: &str) -> bool {
        match self {
            Self::Local | Self::Unknown(_) => true,
            Self::Vehicle { name } => **name == *vehicle,
            Self::Person { .. } | Self::Nobody(_) => false,
        }
    }
}

/// As it stands in the audit log.
impl fmt::Display for Peer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Local => f.write_str("local"),
            Self::Unknown(ip) => write!(f, "unknown at {ip}"),
            Self::Vehicle { name } => write!(f, "vehicle/{name}"),
            Self::Person { name, role } => write!(f, "person/{name}/role/{role}"),
            Self::Nobody(_) => f.write_str("nobody"),
        }
    }
}

/// A connection as a call sees it: where it comes from, and from whom.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Origin {
    pub(crate) address: Option<SocketAddr>,
    pub(crate) peer: Peer,
}

/// Returns who a call comes from.
///
/// A call without an origin came by no connection of ours: nothing but a program in this process can make one.
pub(crate) fn peer<T>(request: &tonic::Request<T>) -> Peer {
    request
        .extensions()
        .get::<Origin>()
        .map_or(Peer::Local, |origin| origin.peer.clone())
}

/// Returns the address that a call comes from.
pub(crate) fn address<T>(request: &tonic::Request<T>) -> Option<SocketAddr> {
    request.extensions().get::<Origin>()?.address
}

/// Returns who a call comes from, for the audit log: `local` without an identity.
pub(crate) fn who<T>(request: &tonic::Request<T>) -> String {
    peer(request).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_tls_only_this_machine_is_local() {
        for (address, who) in [
            ("127.0.0.1:9", "local"),
            ("[::1]:9", "local"),
            ("[::ffff:127.0.0.1]:9", "local"),
            ("192.0.2.7:9", "unknown at 192.0.2.7"),
            ("[::ffff:192.0.2.7]:9", "unknown at 192.0.2.7"),
        ] {
            assert_eq!(Peer::without_tls(address.parse().ok()).to_string(), who);
        }
    }

    #[test]
    fn a_vehicle_streams_as_itself_and_a_person_as_nobody() {
        let vehicle = Peer::Vehicle {
            name: "van-07".into(),
        };
        assert!(vehicle.may_stream_as("van-07"));
        assert!(
            !vehicle.may_stream_as("van-08")
                && !vehicle.may_stream_as("van-0")
                && !vehicle.may_stream_as("VAN-07")
        );
        for role in Role::ALL {
            let person = Peer::Person {
                name: "van-07".into(),
                role,
            };
            assert!(!person.may_stream_as("van-07"));
        }
    }
}
