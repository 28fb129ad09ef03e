//! Issuing certificates. Those of vehicles and persons are X.509 SVIDs ("The X.509 SPIFFE Verifiable Identity Document",
//! sections 2 to 4): one URI, key usage digitalSignature, not an authority.

use std::{net::IpAddr, time::Duration};

use coldbrake_engine::ids::{IDENTIFIER_RULE, is_identifier};
use coldbrake_server::identity::{Role, certificate, spiffe};
use rcgen::{
    BasicConstraints, CertificateParams, DistinguishedName, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer,
    KeyPair, KeyUsagePurpose, SanType,
};
use tokio_rustls::rustls::pki_types::{CertificateDer, pem::PemObject as _};

use crate::exit::{Code, Failure};

/// How long before now a certificate begins to be valid, s: clocks differ.
const EARLIER_S: u64 = 3_600;

/// Whom a certificate is for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Holder {
    /// A server, by the names and addresses that clients reach it by.
    Server(Vec<String>),
    /// A vehicle, by its name.
    Vehicle(String),
    /// A person, by name and role.
    Person(String, Role),
}

/// A certificate with its key.
#[derive(Clone)]
pub struct Issued {
    /// What its files are called, without an ending.
    pub stem: String,
    /// Whose it is, for people.
    pub holder: String,
    /// Whether it is for a client.
    pub is_client: bool,
    /// When it ends, s since 1970.
    pub not_after_s: i64,
    /// The certificate, PEM.
    pub certificate: String,
    /// Its key, PEM.
    pub key: String,
}

/// Without the key.
impl std::fmt::Debug for Issued {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Issued")
            .field("stem", &self.stem)
            .field("holder", &self.holder)
            .finish_non_exhaustive()
    }
}

impl Issued {
    /// Returns the name of the file with the certificate.
    pub fn certificate_file(&self) -> String {
        format!("{}.pem", self.stem)
    }

    /// Returns the name of the file with the key.
    pub fn key_file(&self) -> String {
        format!("{}-key.pem", self.stem)
    }
}

/// Who issues.
pub(super) struct Authority {
    pub(super) trust_domain: String,
    issuer: Issuer<'static, KeyPair>,
    own: Issued,
}

impl Authority {
    /// Makes a new one.
    pub(super) fn new(trust_domain: &str, days: u32, now: i64) -> Result<Self, Failure> {
        spiffe::trust_domain_rule(trust_domain).map_err(|rule| {
            Failure::new(
                Code::Usage,
                format!("`{trust_domain}` is no trust domain: {rule}"),
            )
            .help("give a name like fleet.example")
        })?;
        // It outlives what it issues, so that certificates can be renewed.
        let mut params = params("Coldbrake development authority", days.saturating_add(365), now);
        params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
        params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
        params.subject_alt_names = vec![uri(&format!("spiffe://{trust_domain}"))?];
        let key = KeyPair::generate().map_err(|e| broken(&e))?;
        let certificate = params.self_signed(&key).map_err(|e| broken(&e))?.pem();
        let own = Issued {
            stem: "authority".to_owned(),
            holder: format!("authority of {trust_domain}"),
            is_client: false,
            not_after_s: params.not_after.unix_timestamp(),
            certificate,
            key: key.serialize_pem(),
        };
        Ok(Self {
            trust_domain: trust_domain.to_owned(),
            issuer: Issuer::new(params, key),
            own,
        })
    }

    /// Takes one that was made before, from PEM.
    pub(super) fn again(pem: &str, key: &str) -> Result<Self, Failure> {
        let unusable = |why: &dyn std::fmt::Display| {
            Failure::new(
                Code::BadInput,
                format!("authority.pem and authority-key.pem cannot be used: {why}"),
            )
            .help("name another directory for a new authority")
        };
        let der = CertificateDer::from_pem_slice(pem.as_bytes()).map_err(|e| unusable(&e))?;
        let trust_domain = certificate::trust_domain(&der).map_err(|e| unusable(&e))?;
        let not_after_s = certificate::expiry(&der).map_err(|e| unusable(&e))?;
        let pair = KeyPair::from_pem(key).map_err(|e| unusable(&e))?;
        let own = Issued {
            stem: "authority".to_owned(),
            holder: format!("authority of {trust_domain}"),
            is_client: false,
            not_after_s,
            certificate: pem.to_owned(),
            key: key.to_owned(),
        };
        let issuer = Issuer::from_ca_cert_pem(pem, pair).map_err(|e| unusable(&e))?;
        Ok(Self {
            trust_domain,
            issuer,
            own,
        })
    }

    /// Returns the certificate of the authority itself.
    pub(super) fn own(&self) -> Issued {
        self.own.clone()
    }

    /// Issues a certificate that is valid from now on.
    pub(super) fn issue(&self, holder: &Holder, days: u32, now: i64) -> Result<Issued, Failure> {
        let (stem, text) = match holder {
            Holder::Server(names) => ("server".to_owned(), format!("server {}", names.join(", "))),
            Holder::Vehicle(name) => (format!("vehicle-{}", checked(name)?), format!("vehicle {name}")),
            Holder::Person(name, role) => (format!("{role}-{}", checked(name)?), format!("{role} {name}")),
        };
        let mut params = params(&text, days, now);
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.use_authority_key_identifier_extension = true;
        match holder {
            Holder::Server(names) => {
                params.subject_alt_names = names
                    .iter()
                    .map(|name| server_name(name))
                    .collect::<Result<_, _>>()?;
                // It opens nothing as a client.
                params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
            }
            Holder::Vehicle(name) => identify(&mut params, &spiffe::vehicle_uri(&self.trust_domain, name))?,
            Holder::Person(person, role) => {
                identify(
                    &mut params,
                    &spiffe::person_uri(&self.trust_domain, person, *role),
                )?;
            }
        }
        let key = KeyPair::generate().map_err(|e| broken(&e))?;
        let certificate = params
            .signed_by(&key, &self.issuer)
            .map_err(|e| broken(&e))?
            .pem();
        Ok(Issued {
            stem,
            holder: text,
            is_client: !matches!(holder, Holder::Server(_)),
            not_after_s: params.not_after.unix_timestamp(),
            certificate,
            key: key.serialize_pem(),
        })
    }
}

fn identify(params: &mut CertificateParams, id: &str) -> Result<(), Failure> {
    params.subject_alt_names = vec![uri(id)?];
    // X509-SVID 4.4: both, when the extension is there.
    params.extended_key_usages = vec![
        ExtendedKeyUsagePurpose::ClientAuth,
        ExtendedKeyUsagePurpose::ServerAuth,
    ];
    Ok(())
}

fn params(common_name: &str, days: u32, now: i64) -> CertificateParams {
    let mut params = CertificateParams::default();
    let now = rcgen::date_time_ymd(1970, 1, 1) + Duration::from_secs(now.unsigned_abs());
    params.not_before = now - Duration::from_secs(EARLIER_S);
    params.not_after = now + Duration::from_secs(u64::from(days) * 86_400);
    params.distinguished_name = DistinguishedName::new();
    // RFC 5280, appendix A.1: a common name has at most 64 characters.
    params.distinguished_name.push(
        DnType::CommonName,
        common_name.chars().take(64).collect::<String>(),
    );
    params
}

fn checked(name: &str) -> Result<&str, Failure> {
    if is_identifier(name) {
        Ok(name)
    } else {
        Err(Failure::new(
            Code::Usage,
            format!("the name `{name}` {IDENTIFIER_RULE}"),
        ))
    }
}

fn server_name(name: &str) -> Result<SanType, Failure> {
    if let Ok(address) = name.parse::<IpAddr>() {
        return Ok(SanType::IpAddress(address));
    }
    let is_name = name.len() <= 253
        && name.split('.').all(|part| {
            !part.is_empty()
                && part.len() <= 63
                && part.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
        });
    let wrong = || {
        Failure::new(
            Code::Usage,
            format!("`{name}` is neither the name of a host nor an IP address"),
        )
        .help("give it without scheme and port: --name coldbrake.example")
    };
    if !is_name {
        return Err(wrong());
    }
    Ok(SanType::DnsName(name.try_into().map_err(|_| wrong())?))
}

fn uri(text: &str) -> Result<SanType, Failure> {
    Ok(SanType::URI(text.try_into().map_err(|e| broken(&e))?))
}

fn broken(error: &rcgen::Error) -> Failure {
    Failure::new(Code::Partial, format!("a certificate cannot be made: {error}"))
}
