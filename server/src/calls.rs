//! What every call has in common for those who watch the server: how many begin and end, how, and how long they take; and
//! its span, where traces are wanted.
//!
//! One layer, before all others, so that refused calls count too. Once per call, never per message.

use std::{
    convert::Infallible,
    pin::Pin,
    sync::Arc,
    task::{Context, Poll},
    time::Instant,
};

use http::{Request, Response};
use hyper::body::{Body as HttpBody, Bytes, Frame, SizeHint};
use tonic::{Code, Status, body::Body};
use tower::{Layer, Service};

use crate::{
    identity::{Origin, access::CALLS},
    metrics::calls::CallMeters,
    traces::{CallSpan, Traces},
};

/// What a call is named that is none of the known ones: names come from the network.
const OTHER: &str = "other";

/// Returns the name of the method that a path means, `package.Service/Method`; `None` for one that is not known.
fn method(path: &str) -> Option<&'static str> {
    CALLS
        .iter()
        .find(|call| call.path == path)
        .map(|call| call.path.trim_start_matches('/'))
}

/// Returns the name of a status code as the gRPC documents write it.
const fn code_name(code: Code) -> &'static str {
    match code {
        Code::Ok => "OK",
        Code::Cancelled => "CANCELLED",
        Code::Unknown => "UNKNOWN",
        Code::InvalidArgument => "INVALID_ARGUMENT",
        Code::DeadlineExceeded => "DEADLINE_EXCEEDED",
        Code::NotFound => "NOT_FOUND",
        Code::AlreadyExists => "ALREADY_EXISTS",
        Code::PermissionDenied => "PERMISSION_DENIED",
        Code::ResourceExhausted => "RESOURCE_EXHAUSTED",
        Code::FailedPrecondition => "FAILED_PRECONDITION",
        Code::Aborted => "ABORTED",
        Code::OutOfRange => "OUT_OF_RANGE",
        Code::Unimplemented => "UNIMPLEMENTED",
        Code::Internal => "INTERNAL",
        Code::Unavailable => "UNAVAILABLE",
        Code::DataLoss => "DATA_LOSS",
        Code::Unauthenticated => "UNAUTHENTICATED",
    }
}

/// Counts the calls to a service, and traces them.
#[derive(Clone)]
pub(crate) struct CallLayer {
    meters: Arc<CallMeters>,
    traces: Option<Arc<Traces>>,
}

impl CallLayer {
    pub(crate) fn new(meters: Arc<CallMeters>, traces: Option<Arc<Traces>>) -> Self {
        for method in CALLS.iter().filter_map(|call| method(call.path)) {
            meters.know(method);
        }
        Self { meters, traces }
    }
}

impl<S> Layer<S> for CallLayer {
    type Service = Calls<S>;

    fn layer(&self, inner: S) -> Calls<S> {
        Calls {
            inner,
            layer: self.clone(),
        }
    }
}

/// A service whose calls are counted.
#[derive(Clone)]
pub(crate) struct Calls<S> {
    inner: S,
    layer: CallLayer,
}

impl<S, B> Service<Request<B>> for Calls<S>
where
    S: Service<Request<B>, Response = Response<Body>, Error = Infallible>,
    S::Future: Send + 'static,
{
    type Response = Response<Body>;
    type Error = Infallible;
    type Future = Pin<Box<dyn Future<Output = Result<Response<Body>, Infallible>> + Send>>;

    fn poll_ready(&mut self, cx: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        self.inner.poll_ready(cx)
    }

    fn call(&mut self, request: Request<B>) -> Self::Future {
        let method = method(request.uri().path());
        let CallLayer { meters, traces } = &self.layer;
        let mut ending = Ending::begin(Arc::clone(meters), method.unwrap_or(OTHER));
        ending.span = traces.as_ref().map(|traces| {
            let origin = request.extensions().get::<Origin>();
            let role = origin.map_or("nobody", |o| o.peer.role_name());
            traces.call(method, request.headers(), role)
        });
        let answer = self.inner.call(request);
        Box::pin(async move {
            let (head, body) = answer.await?.into_parts();
            if head.status != http::StatusCode::OK {
                ending.end(Code::Unknown);
            } else if let Some(status) = Status::from_header_map(&head.headers) {
                // Refused before anything was answered: there are no trailers then.
                ending.end(status.code());
            }
            let body = Body::new(Counted { body, ending });
            Ok(Response::from_parts(head, body))
        })
    }
}

/// Notes how a call ended, once. Dropped before, the caller had gone.
struct Ending {
    meters: Arc<CallMeters>,
    method: &'static str,
    began: Instant,
    is_noted: bool,
    span: Option<CallSpan>,
}

impl Ending {
    fn begin(meters: Arc<CallMeters>, method: &'static str) -> Self {
        meters.started(method);
        Self {
            meters,
            method,
            began: Instant::now(),
            is_noted: false,
            span: None,
        }
    }

    fn end(&mut self, code: Code) {
        if std::mem::replace(&mut self.is_noted, true) {
            return;
        }
        self.meters
            .ended(self.method, code_name(code), self.began.elapsed());
        if let Some(span) = self.span.take() {
            span.end(code, code_name(code));
        }
    }
}

impl Drop for Ending {
    fn drop(&mut self) {
        self.end(Code::Cancelled);
    }
}

/// The body of an answer, up to its trailers, which say how the call ended.
struct Counted {
    body: Body,
    ending: Ending,
}

impl HttpBody for Counted {
    type Data = Bytes;
    type Error = Status;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Status>>> {
        let polled = Pin::new(&mut self.body).poll_frame(cx);
        match &polled {
            Poll::Ready(Some(Ok(frame))) => {
                if let Some(status) = frame.trailers_ref().and_then(Status::from_header_map) {
                    self.ending.end(status.code());
                }
            }
            Poll::Ready(Some(Err(status))) => self.ending.end(status.code()),
            // No trailers: nobody said how it went.
            Poll::Ready(None) => self.ending.end(Code::Unknown),
            Poll::Pending => {}
        }
        polled
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_from_the_network_are_no_labels() {
        assert_eq!(
            method("/coldbrake.v1.FleetService/GetVehicle"),
            Some("coldbrake.v1.FleetService/GetVehicle")
        );
        for path in [
            "",
            "/",
            "/coldbrake.v1.FleetService/Get",
            "coldbrake.v1.FleetService/GetVehicle",
        ] {
            assert_eq!(method(path), None, "{path}");
        }
    }

    #[test]
    fn every_call_ends_once() {
        let meters = Arc::new(CallMeters::default());
        let mut ending = Ending::begin(Arc::clone(&meters), "a/B");
        ending.end(Code::NotFound);
        ending.end(Code::Ok);
        drop(ending);
        assert_eq!(meters.count("a/B", "NOT_FOUND"), 1);
        drop(Ending::begin(Arc::clone(&meters), "a/B"));
        assert_eq!(meters.count("a/B", "CANCELLED"), 1);
        assert_eq!(meters.count("a/B", "OK"), 0);
    }
}
