//! Connecting to a server, and saying plainly when that fails.

use std::{error::Error as _, time::Duration};

use coldbrake_proto::v1::{
    descent_service_client::DescentServiceClient, fleet_service_client::FleetServiceClient,
};
use tonic::{
    Code as GrpcCode, Status,
    transport::{Channel, Endpoint},
};
use tonic_types::StatusExt as _;

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
    pub async fn connect(uri: &str, timeout: Duration) -> Result<Self, Failure> {
        let with_scheme = if uri.contains("://") {
            uri.to_owned()
        } else {
            format!("http://{uri}")
        };
        let endpoint = Endpoint::from_shared(with_scheme.clone()).map_err(|_| {
            Failure::new(Code::Usage, format!("`{uri}` is not the address of a server"))
                .help(format!("write it like {DEFAULT_SERVER}"))
        })?;
        let channel = endpoint
            .connect_timeout(timeout.min(Duration::from_secs(10)))
            .timeout(timeout)
            .keep_alive_while_idle(true)
            .http2_keep_alive_interval(Duration::from_secs(60))
            .connect()
            .await
            .map_err(|error| unreachable(&with_scheme, &error))?;
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

    /// Returns a client for vehicles, classes and the server itself.
    pub fn fleet(&self) -> FleetServiceClient<Channel> {
        FleetServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }

    /// Returns a client for descents and distributions.
    pub fn descents(&self) -> DescentServiceClient<Channel> {
        DescentServiceClient::new(self.channel()).max_decoding_message_size(LARGEST_ANSWER)
    }
}

fn unreachable(uri: &str, error: &tonic::transport::Error) -> Failure {
    let mut failure = Failure::new(Code::Unreachable, format!("cannot reach a server at {uri}"));
    let mut cause = error.source();
    while let Some(error) = cause {
        let text = error.to_string();
        if !failure.notes.contains(&text) {
            failure = failure.note(text);
        }
        cause = error.source();
    }
    failure
        .help("start one with `coldbrake-server`, or `coldbrake demo --keep` for a demonstration")
        .help("name another with --server ADDRESS or the environment variable COLDBRAKE_SERVER")
}

/// Returns what a server's refusal means to the user.
pub fn refused(status: &Status) -> Failure {
    let code = match status.code() {
        GrpcCode::NotFound => Code::NotFound,
        GrpcCode::Unavailable | GrpcCode::DeadlineExceeded | GrpcCode::Cancelled => Code::Unreachable,
        GrpcCode::PermissionDenied | GrpcCode::Unauthenticated => Code::NotAllowed,
        GrpcCode::InvalidArgument | GrpcCode::FailedPrecondition | GrpcCode::OutOfRange => Code::BadInput,
        _ => Code::Partial,
    };
    let mut failure = Failure::new(code, sentence(status));
    let details = status.get_error_details();
    if let Some(bad) = details.bad_request() {
        for v in &bad.field_violations {
            failure = failure.note(format!("`{}` {}", v.field, v.description));
        }
    }
    if let Some(info) = details.error_info() {
        failure = failure.note(format!("reason {}", info.reason));
    }
    if let Some(help) = details.help() {
        for link in &help.links {
            failure = failure.help(link.description.clone());
        }
    }
    if code == Code::Unreachable {
        failure = failure.help("try again; a longer --timeout may help");
    }
    failure
}

fn sentence(status: &Status) -> String {
    if status.message().is_empty() {
        format!("the server answered {}", status.code().description())
    } else {
        status.message().to_owned()
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
