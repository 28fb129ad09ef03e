//! The one place where a call is let through or refused: before any handler.

use std::{
    convert::Infallible,
    future::{Ready, ready},
    sync::Arc,
    task::{Context, Poll},
};

use http::{Request, Response};
use tokio_util::either::Either;
use tonic::{Status, body::Body};
use tower::{Layer, Service};

use super::{
    Origin,
    access::{Verdict, decide},
};
use crate::{shared::Shared, status::Refusal};

/// Puts the guard before a service.
#[derive(Clone)]
pub(crate) struct GuardLayer(Arc<Shared>);

impl GuardLayer {
    pub(crate) fn new(shared: &Arc<Shared>) -> Self {
        Self(Arc::clone(shared))
    }
}

impl<S> Layer<S> for GuardLayer {
    type Service = Guard<S>;

    fn layer(&self, inner: S) -> Guard<S> {
        Guard {
            inner,
            shared: Arc::clone(&self.0),
        }
    }
}

/// Lets through what the table allows.
#[derive(Clone)]
pub(crate) struct Guard<S> {
    inner: S,
    shared: Arc<Shared>,
}

impl<S, B> Service<Request<B>> for Guard<S>
where
    S: Service<Request<B>, Response = Response<Body>, Error = Infallible>,
{
    type Response = Response<Body>;
    type Error = Infallible;
    type Future = Either<S::Future, Ready<Result<Response<Body>, Infallible>>>;

    fn poll_ready(&mut self, cx: &mut Context<'_>) -> Poll<Result<(), Infallible>> {
        self.inner.poll_ready(cx)
    }

    fn call(&mut self, request: Request<B>) -> Self::Future {
        match check(&request) {
            Ok(()) => Either::Left(self.inner.call(request)),
            Err(refusal) => {
                self.note(&request, &refusal);
                Either::Right(ready(Ok(Status::from(refusal).into_http())))
            }
        }
    }
}

impl<S> Guard<S> {
    /// Counts a refused call, and writes a line as long as they are few.
    fn note<B>(&self, request: &Request<B>, refusal: &Refusal) {
        self.shared.meters.refused_call(refusal.reason());
        if let Some(lines_left_out) = self.shared.ended_lines.pass() {
            let origin = request.extensions().get::<Origin>();
            let peer = origin.and_then(|o| o.address).map(tracing::field::display);
            let who = origin.map(|o| tracing::field::display(&o.peer));
            tracing::info!(
                peer,
                who,
                reason = refusal.reason(),
                lines_left_out,
                "call refused: {refusal}"
            );
        }
    }
}

fn check<B>(request: &Request<B>) -> Result<(), Refusal> {
    let path = request.uri().path();
    // The transport puts the origin on every call; without one nothing is known of the caller, and nothing is allowed.
    let origin = request
        .extensions()
        .get::<Origin>()
        .ok_or(Refusal::Internal("a call came by no connection"))?;
    match decide(&origin.peer, path) {
        Verdict::Allowed => Ok(()),
        Verdict::Nobody(why) => Err(Refusal::NotIdentified(why.to_owned())),
        Verdict::NoSuchCall => Err(Refusal::NoSuchCall(path.to_owned())),
        Verdict::Refused(role, allowed) => Err(Refusal::RoleNotAllowed {
            role,
            call: path.trim_start_matches('/').to_owned(),
            allowed,
        }),
    }
}
