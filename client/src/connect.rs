//! Connecting to a server, and saying plainly when that fails.

mod explain;
mod target;
mod tls;

use std::time::Duration;

use coldbrake_proto::v1::{
    alarm_service_client::AlarmServiceClient, brake_service_client::BrakeServiceClient,
    comparison_service_client::ComparisonServiceClient, descent_service_client::DescentServiceClient,
    fleet_service_client::FleetServiceClient, grade_service_client::GradeServiceClient,
    operations_service_client::OperationsServiceClient, trend_service_client::TrendServiceClient,
};
use tonic::{
    Code as GrpcCode, Status,
    transport::{Channel, Endpoint, Uri},
};
use tonic_types::StatusExt as _;

pub use self::target::Target;
use crate::exit::{Code, Failure};

/// Where a server listens unless told otherwise.
pub const DEFAULT_SERVER: &str = "http://127.0.0.1:7450";

/// Largest answer taken, bytes: a page of a thousand descents.
const LARGEST_ANSWER: usize = 16 << 20;

/// A server to talk to.
#[derive(Clone, Debug)]
pub struct Server {
    /// Its address.
    pub uri: String,
    /// Longest wait for an answer.
    pub timeout: Duration,
    channel: Channel,
}

impl Server {
    /// Connects.
    pub async fn connect(target: impl Into<Target>, timeout: Duration) -> Result<Self, Failure> {
        let mut target = target.into();
        // Whoever names a certificate means a server that asks for it.
        let scheme = if target.certificate.is_some() {
            "https"
        } else {
            "http"
        };
        if !target.address.contains("://") {
            target.address = format!("{scheme}://{}", target.address);
        }
        let with_scheme = target.address.clone();
        let no_address = || {
            Failure::new(
                Code::Usage,
                format!("`{with_scheme}` is not the address of a server"),
            )
            .help(format!("write it like {DEFAULT_SERVER}"))
        };
        let uri: Uri = with_scheme.parse().map_err(|_| no_address())?;
        let authority = uri.authority().ok_or_else(no_address)?;
        let secure = match uri.scheme_str() {
            Some("http") => false,
            Some("https") => true,
            _ => return Err(no_address()),
        };
        // The way through TLS is made here; to the transport it is one like any other.
        let endpoint = Endpoint::from_shared(format!("http://{authority}"))
            .map_err(|_| no_address())?
            .origin(uri.clone())
            .connect_timeout(timeout.min(Duration::from_secs(10)))
            .timeout(timeout)
            .keep_alive_while_idle(true)
            .http2_keep_alive_interval(Duration::from_secs(60));
        let connected = if secure {
            endpoint
                .connect_with_connector(tls::Way::new(&target, &uri)?)
                .await
        } else {
            endpoint.connect().await
        };
        let channel = connected.map_err(|error| match explain::tls_error(&error) {
            Some(cause) => explain::explain(cause, &target),
            None => unreachable(&with_scheme, &error),
        })?;
        Ok(Self {
            uri: with_scheme,
            timeout,
            channel,
        })
    }

    /// Returns the channel.
    pub fn channel(&self) -> Channel {
        self.channel.clone()
    }

    /// Returns what a failed call to this server means to the user; where it cannot be reached, it is named.
    pub fn refused(&self, status: &Status) -> Failure {
        let mut failure = refused(status);
        // A status with a cause was made on this side: perhaps the other one did not understand a word.
        if self.uri.starts_with("http:") && std::error::Error::source(status).is_some() {
            failure.code = Code::Unreachable;
            failure = failure
                .help("if the server has TLS, write https://, with --authority, --certificate and --key");
        }
        if failure.code == Code::Unreachable {
            failure.message = format!("{}: {}", self.uri, failure.message);
        }
        failure
    }

    /// Returns a client for vehicles, classes and the server itself.
    pub fn fleet(&self) -> FleetServiceClient<Channel> {
        FleetServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }

    /// Returns a client for known grades.
    pub fn grades(&self) -> GradeServiceClient<Channel> {
        GradeServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }

    /// Returns a client for looking after the server.
    pub fn operations(&self) -> OperationsServiceClient<Channel> {
        OperationsServiceClient::new(self.channel())
    }

    /// Returns a client for alarms.
    pub fn alarms(&self) -> AlarmServiceClient<Channel> {
        AlarmServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }

    /// Returns a client for comparisons of software versions.
    pub fn comparisons(&self) -> ComparisonServiceClient<Channel> {
        ComparisonServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }

    /// Returns a client for trends.
    pub fn trends(&self) -> TrendServiceClient<Channel> {
        TrendServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }

    /// Returns a client for brakes and their services.
    pub fn brakes(&self) -> BrakeServiceClient<Channel> {
        BrakeServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }

    /// Returns a client for descents and distributions.
    pub fn descents(&self) -> DescentServiceClient<Channel> {
        DescentServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }
}

fn unreachable(uri: &str, error: &tonic::transport::Error) -> Failure {
    let mut failure = Failure::new(Code::Unreachable, format!("cannot reach a server at {uri}"));
    failure.notes = causes(error);
    if uri.starts_with("http:") && !is_refused(error) {
        failure = failure
            .help("a server with TLS answers to https:// only, with --authority, --certificate and --key");
    }
    failure
        .help("start one with `coldbrake-server`")
        .help("name another with --server ADDRESS or the environment variable COLDBRAKE_SERVER")
}

/// Returns whether nobody listens there.
fn is_refused(error: &(dyn std::error::Error + 'static)) -> bool {
    std::iter::successors(Some(error), |e| e.source()).any(|e| {
        e.downcast_ref::<std::io::Error>()
            .is_some_and(|e| e.kind() == std::io::ErrorKind::ConnectionRefused)
    })
}

/// Returns the causes of an error, each once, the outermost first. The error's own text is left out: of a transport it
/// says only that it is one.
fn causes(error: &(dyn std::error::Error + 'static)) -> Vec<String> {
    let mut texts: Vec<String> = Vec::new();
    let mut cause = error.source();
    while let Some(error) = cause {
        let text = error.to_string();
        if !text.is_empty() && text != "transport error" && !texts.contains(&text) {
            texts.push(text);
        }
        cause = error.source();
    }
    texts
}

/// Returns what a server's refusal means to the user.
pub fn refused(status: &Status) -> Failure {
    let code = match status.code() {
        GrpcCode::NotFound => Code::NotFound,
        GrpcCode::Unavailable
        | GrpcCode::DeadlineExceeded
        | GrpcCode::Cancelled
        | GrpcCode::ResourceExhausted
        | GrpcCode::Aborted => Code::Unreachable,
        GrpcCode::PermissionDenied | GrpcCode::Unauthenticated => Code::NotAllowed,
        GrpcCode::InvalidArgument | GrpcCode::FailedPrecondition | GrpcCode::OutOfRange => Code::BadInput,
        _ => Code::Partial,
    };
    let mut failure = Failure::new(code, sentence(status));
    // A status with a cause was made on this side: the call did not come through.
    failure.notes = causes(status);
    let details = status.get_error_details();
    if let Some(bad) = details.bad_request() {
        // A mistake that is the message already is not told twice.
        for v in bad
            .field_violations
            .iter()
            .filter(|v| v.description != status.message())
        {
            failure = failure.note(format!("`{}` {}", v.field, v.description));
        }
    }
    if let Some(info) = details.error_info() {
        failure = failure.note(format!("reason {}", info.reason));
        failure.helps.extend(what_to_do(&info.reason).map(str::to_owned));
    }
    if let Some(help) = details.help() {
        for link in &help.links {
            failure = failure.help(link.description.clone());
        }
    }
    match (code, details.retry_info().and_then(|r| r.retry_delay)) {
        (Code::Unreachable, Some(delay)) => failure.help(format!("try again in {} s", delay.as_secs().max(1))),
        (Code::Unreachable, None) => failure.help("try again; a longer --timeout may help"),
        (Code::Partial, _) if status.code() == GrpcCode::Unimplemented => {
            failure.help("the server is older than this program, or no Coldbrake server: `coldbrake status` tells its version")
        }
        (Code::Partial, _) => failure.help("the log of the server says more"),
        _ => failure,
    }
}

/// Returns what somebody can do who is refused for who they are.
fn what_to_do(reason: &str) -> Option<&'static str> {
    Some(match reason {
        "ROLE_NOT_ALLOWED" => "use a certificate with such a role: --certificate FILE --key FILE",
        "IDENTITY_NOT_ACCEPTED" => {
            "have a certificate issued with one URI: spiffe://TRUST-DOMAIN/person/NAME/role/ROLE or \
             spiffe://TRUST-DOMAIN/vehicle/NAME"
        }
        "VEHICLE_NOT_OWN" => "name the vehicle that the certificate is of: --vehicle NAME",
        _ => return None,
    })
}

fn sentence(status: &Status) -> String {
    let timed_out = matches!(status.code(), GrpcCode::Cancelled | GrpcCode::DeadlineExceeded);
    match status.message() {
        // Texts of the transport of this side, which say nothing to a reader.
        "Timeout expired" => "the server did not answer in time".to_owned(),
        "transport error" => "the connection to the server broke off".to_owned(),
        "" if timed_out => "the server did not answer in time".to_owned(),
        "" => format!("the server answered: {}", status.code().description()),
        text => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_server_that_is_not_there_is_named_with_what_to_do() {
        // Port 9 of loopback: nobody listens in a test.
        let failure = Server::connect("127.0.0.1:9", Duration::from_secs(2))
            .await
            .unwrap_err();
        assert_eq!(failure.code, Code::Unreachable);
        assert!(failure.message.contains("http://127.0.0.1:9"));
        assert!(
            !failure.notes.is_empty() && failure.helps.len() == 2,
            "{failure:?}"
        );
    }

    #[tokio::test]
    async fn an_address_that_is_none_is_a_usage_error() {
        let failure = Server::connect("http://a b", Duration::from_secs(1))
            .await
            .unwrap_err();
        assert_eq!(failure.code, Code::Usage);
    }

    #[test]
    fn what_the_transport_says_is_put_in_words() {
        for (status, words) in [
            (
                Status::cancelled("Timeout expired"),
                "the server did not answer in time",
            ),
            (
                Status::unavailable("transport error"),
                "the connection to the server broke off",
            ),
            (Status::unknown(""), "the server answered: "),
        ] {
            let failure = refused(&status);
            assert!(failure.message.starts_with(words), "{failure:?}");
            assert!(!failure.helps.is_empty());
        }
    }

    #[test]
    fn details_of_a_refusal_are_shown() {
        let mut details = tonic_types::ErrorDetails::new();
        details.add_bad_request_violation("filter.min_drop_m", "is not a number: give metres");
        details.set_error_info("WRONG_FIELD", "coldbrake", std::collections::HashMap::new());
        let status = Status::with_error_details(GrpcCode::InvalidArgument, "the request is wrong", details);
        let failure = refused(&status);
        assert_eq!(failure.code, Code::BadInput);
        assert_eq!(
            failure.notes,
            [
                "`filter.min_drop_m` is not a number: give metres",
                "reason WRONG_FIELD"
            ]
        );
    }

    #[test]
    fn refusals_keep_their_meaning() {
        assert_eq!(
            refused(&Status::not_found("no such vehicle")).code,
            Code::NotFound
        );
        assert_eq!(
            refused(&Status::unavailable("going away")).code,
            Code::Unreachable
        );
        assert_eq!(refused(&Status::permission_denied("no")).code, Code::NotAllowed);
    }
}
