//! What a failed handshake means to the user.

use std::{error::Error, io};

use tokio_rustls::rustls::{self, AlertDescription, CertificateError};

use super::Target;
use crate::exit::{Code, Failure};

/// Returns the error of TLS among the causes of an error.
pub(super) fn tls_error<'a>(error: &'a (dyn Error + 'static)) -> Option<&'a rustls::Error> {
    let mut next = Some(error);
    while let Some(error) = next {
        if let Some(found) = error.downcast_ref::<rustls::Error>() {
            return Some(found);
        }
        // An error of input and output hides what it holds: its cause is the cause of that.
        let held = error.downcast_ref::<io::Error>().and_then(io::Error::get_ref);
        if let Some(held) = held {
            let held: &'a (dyn Error + 'static) = held;
            if let Some(found) = tls_error(held) {
                return Some(found);
            }
        }
        next = error.source();
    }
    None
}

/// Returns what an error of TLS means to somebody who wanted to talk to this server.
pub(super) fn explain(error: &rustls::Error, target: &Target) -> Failure {
    let at = &target.address;
    let failure = |code, text: String| Failure::new(code, text).note(error.to_string());
    match error {
        rustls::Error::InvalidCertificate(why) => distrusted(why, target, failure),
        rustls::Error::AlertReceived(alert) => refused(*alert, target, failure),
        rustls::Error::InvalidMessage(_) => failure(
            Code::Unreachable,
            format!("the server at {at} does not speak TLS"),
        )
        .help("write http:// if it is a server on this machine, without certificates"),
        _ => failure(Code::Unreachable, format!("no TLS with the server at {at}")),
    }
}

/// The server's certificate is not accepted here.
fn distrusted(why: &CertificateError, target: &Target, failure: impl Fn(Code, String) -> Failure) -> Failure {
    use CertificateError as E;
    let at = &target.address;
    let clock = "if the clock of this machine is right, have the server's certificate renewed";
    match why {
        E::Expired | E::ExpiredContext { .. } => failure(
            Code::NotAllowed,
            format!("the certificate of the server at {at} has expired"),
        )
        .help(clock),
        E::NotValidYet | E::NotValidYetContext { .. } => failure(
            Code::NotAllowed,
            format!("the certificate of the server at {at} is not valid yet"),
        )
        .help(clock),
        // Two authorities of one name differ by their keys alone.
        E::UnknownIssuer | E::BadSignature => failure(
            Code::NotAllowed,
            format!("the certificate of the server at {at} comes from an authority that is not trusted here"),
        )
        .help("name the file with the server's authority: --authority FILE")
        .help("if the file is the right one, somebody else answers at this address"),
        E::NotValidForName | E::NotValidForNameContext { .. } => failure(
            Code::NotAllowed,
            format!("the certificate of the server at {at} is for other names"),
        )
        .help("write the address with a name that the certificate holds: --server https://NAME:PORT"),
        _ => failure(
            Code::NotAllowed,
            format!("the certificate of the server at {at} is not accepted"),
        ),
    }
}

/// The server does not accept this client.
fn refused(alert: AlertDescription, target: &Target, failure: impl Fn(Code, String) -> Failure) -> Failure {
    use AlertDescription as A;
    let at = &target.address;
    let mine = target.certificate.as_ref().map_or_else(
        || "your certificate".to_owned(),
        |path| path.display().to_string(),
    );
    let text = match alert {
        A::CertificateRequired => {
            return failure(
                Code::NotAllowed,
                format!("the server at {at} lets nobody in without a certificate"),
            )
            .help("name yours: --certificate FILE --key FILE");
        }
        A::CertificateExpired => {
            return failure(Code::NotAllowed, format!("{mine} has expired"))
                .help("have a new one issued; if it is new, compare the clocks of both machines");
        }
        A::UnknownCA | A::BadCertificate | A::DecryptError => {
            format!("{mine} comes from an authority that the server at {at} does not trust")
        }
        A::UnsupportedCertificate | A::CertificateUnknown | A::CertificateRevoked => {
            format!("{mine} is not accepted by the server at {at}")
        }
        _ => {
            return failure(
                Code::Unreachable,
                format!("the server at {at} refused the handshake"),
            );
        }
    };
    failure(Code::NotAllowed, text).help(
        "use the certificate of a client that the server's own authorities issued (tls.client_authorities)",
    )
}
