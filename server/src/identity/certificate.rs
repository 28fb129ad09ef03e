//! What a certificate says of its holder, by "The X.509 SPIFFE Verifiable Identity Document" (X509-SVID), sections 2 and 5.2.
//!
//! The chain, the time and the purpose of the key have been checked by then: here only what the holder is called is read.

use x509_parser::{certificate::X509Certificate, extensions::GeneralName, prelude::FromDer as _};

use super::{
    Peer,
    spiffe::{SpiffeError, SpiffeId},
};

/// Why a certificate names nobody here, though an authority that is trusted issued it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CertificateError {
    /// It cannot be read.
    #[error("it cannot be read ({0})")]
    Unreadable(String),
    /// It is the certificate of an authority.
    #[error("it may issue certificates, and so it may not stand for anybody")]
    Authority,
    /// It names nobody.
    #[error("it has no URI among its subject alternative names")]
    Nameless,
    /// It names more than one.
    #[error("it has {0} URIs among its subject alternative names, and one is allowed")]
    Ambiguous(usize),
    /// The URI names nobody.
    #[error("{0}")]
    Uri(#[from] SpiffeError),
}

/// Returns whom a certificate names to a server of this trust domain.
pub fn peer(der: &[u8], trust_domain: &str) -> Result<Peer, CertificateError> {
    let certificate = read(der)?;
    let unreadable = |error: x509_parser::error::X509Error| CertificateError::Unreadable(error.to_string());
    let usage = certificate.key_usage().map_err(unreadable)?;
    if certificate.is_ca() || usage.is_some_and(|u| u.value.key_cert_sign() || u.value.crl_sign()) {
        return Err(CertificateError::Authority);
    }
    Ok(SpiffeId::parse(only_uri(&certificate)?)?.peer(trust_domain)?)
}

/// Returns when a certificate ends to be valid, s since 1970.
pub fn expiry(der: &[u8]) -> Result<i64, CertificateError> {
    Ok(read(der)?.validity().not_after.timestamp())
}

/// Returns the trust domain of an authority, which its one URI names (X509-SVID 3.2).
pub fn trust_domain(der: &[u8]) -> Result<String, CertificateError> {
    let certificate = read(der)?;
    Ok(SpiffeId::parse(only_uri(&certificate)?)?.trust_domain.to_owned())
}

/// Returns the one URI among the names of a certificate.
fn only_uri<'a>(certificate: &X509Certificate<'a>) -> Result<&'a str, CertificateError> {
    let names = certificate
        .subject_alternative_name()
        .map_err(|error| CertificateError::Unreadable(error.to_string()))?;
    let mut uris = Vec::new();
    for name in names.iter().flat_map(|names| &names.value.general_names) {
        match name {
            GeneralName::URI(uri) => uris.push(*uri),
            // It may be a second URI that this reader cannot read, and another might.
            GeneralName::Invalid(..) => {
                return Err(CertificateError::Unreadable(
                    "a subject alternative name".to_owned(),
                ));
            }
            _ => {}
        }
    }
    match uris[..] {
        [] => Err(CertificateError::Nameless),
        [uri] => Ok(uri),
        _ => Err(CertificateError::Ambiguous(uris.len())),
    }
}

fn read(der: &[u8]) -> Result<X509Certificate<'_>, CertificateError> {
    match X509Certificate::from_der(der) {
        Ok(([], certificate)) => Ok(certificate),
        Ok((rest, _)) => Err(CertificateError::Unreadable(format!(
            "{} bytes are left over",
            rest.len()
        ))),
        Err(error) => Err(CertificateError::Unreadable(error.to_string())),
    }
}

#[cfg(test)]
mod tests {
    use rcgen::{BasicConstraints, CertificateParams, IsCa, KeyPair, KeyUsagePurpose, SanType};

    use super::*;

    fn certificate(change: impl FnOnce(&mut CertificateParams)) -> Vec<u8> {
        let mut params = CertificateParams::default();
        change(&mut params);
        params
            .self_signed(&KeyPair::generate().unwrap())
            .unwrap()
            .der()
            .to_vec()
    }

    fn uri(text: &str) -> SanType {
        SanType::URI(text.try_into().unwrap())
    }

    #[test]
    fn the_one_uri_names_the_holder_beside_names_of_other_kinds() {
        let der = certificate(|p| {
            p.subject_alt_names = vec![
                SanType::DnsName("van.example".try_into().unwrap()),
                uri("spiffe://fleet.example/vehicle/van-07"),
            ];
        });
        assert_eq!(
            peer(&der, "fleet.example"),
            Ok(Peer::Vehicle {
                name: "van-07".into()
            })
        );
        assert!(matches!(
            peer(&der, "other.example"),
            Err(CertificateError::Uri(SpiffeError::Foreign { .. }))
        ));
    }

    #[test]
    fn none_and_two_uris_name_nobody() {
        let none =
            certificate(|p| p.subject_alt_names = vec![SanType::DnsName("van.example".try_into().unwrap())]);
        assert_eq!(peer(&none, "fleet.example"), Err(CertificateError::Nameless));
        let two = certificate(|p| {
            p.subject_alt_names = vec![
                uri("spiffe://fleet.example/vehicle/van-07"),
                uri("https://fleet.example/vehicle/van-07"),
            ];
        });
        assert_eq!(peer(&two, "fleet.example"), Err(CertificateError::Ambiguous(2)));
    }

    #[test]
    fn what_may_issue_certificates_stands_for_nobody() {
        let name = || vec![uri("spiffe://fleet.example/vehicle/van-07")];
        let authority = certificate(|p| {
            p.subject_alt_names = name();
            p.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        });
        let signer = certificate(|p| {
            p.subject_alt_names = name();
            p.key_usages = vec![KeyUsagePurpose::DigitalSignature, KeyUsagePurpose::CrlSign];
        });
        for der in [authority, signer] {
            assert_eq!(peer(&der, "fleet.example"), Err(CertificateError::Authority));
        }
    }

    #[test]
    fn bytes_that_are_none_are_refused_without_a_panic() {
        let der = certificate(|p| p.subject_alt_names = vec![uri("spiffe://fleet.example/vehicle/van-07")]);
        let mut longer = der.clone();
        longer.push(0);
        assert!(matches!(
            peer(&longer, "fleet.example"),
            Err(CertificateError::Unreadable(_))
        ));
        for end in 0..der.len() {
            assert!(peer(&der[..end], "fleet.example").is_err());
        }
        for i in 0..der.len() {
            let mut flipped = der.clone();
            flipped[i] ^= 0x55;
            let _ = (peer(&flipped, "fleet.example"), expiry(&flipped));
        }
    }
}
