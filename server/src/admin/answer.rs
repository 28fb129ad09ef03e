//! Which question gets which answer.

use std::convert::Infallible;

use http::{
    HeaderMap, HeaderValue, Method, Request, Response, StatusCode,
    header::{ACCEPT, ALLOW, CACHE_CONTROL, CONTENT_TYPE},
};
use http_body_util::Full;
use hyper::body::{Bytes, Incoming};

use crate::{
    metrics::{Format, Metrics},
    status::Refusal,
};

const PLAIN: &str = "text/plain; charset=utf-8";

/// What is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Question {
    Metrics(Format),
    Live,
    Ready,
    Unknown,
    WrongMethod,
}

/// Answers one request.
pub(super) async fn answer(
    request: Request<Incoming>,
    metrics: &Metrics,
) -> Result<Response<Full<Bytes>>, Infallible> {
    let question = question(request.method(), request.uri().path(), request.headers());
    Ok(match question {
        Question::Metrics(format) => match metrics.tell(format).await {
            Ok(text) => respond(StatusCode::OK, format.media_type(), text),
            Err(_) => respond(
                StatusCode::INTERNAL_SERVER_ERROR,
                PLAIN,
                "the metrics cannot be written: report it\n".to_owned(),
            ),
        },
        Question::Live => respond(StatusCode::OK, PLAIN, "alive\n".to_owned()),
        Question::Ready => {
            let service = metrics.source().map(|s| s.service().map(|s| s.closed()));
            let (status, text) = readiness(service);
            respond(status, PLAIN, text)
        }
        Question::Unknown => respond(
            StatusCode::NOT_FOUND,
            PLAIN,
            "not found: there are /metrics, /livez and /readyz\n".to_owned(),
        ),
        Question::WrongMethod => {
            let text = "only GET and HEAD are answered here\n".to_owned();
            let mut response = respond(StatusCode::METHOD_NOT_ALLOWED, PLAIN, text);
            response
                .headers_mut()
                .insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
            response
        }
    })
}

fn question(method: &Method, path: &str, headers: &HeaderMap) -> Question {
    if method != Method::GET && method != Method::HEAD {
        return Question::WrongMethod;
    }
    match path {
        "/metrics" => Question::Metrics(format(headers)),
        "/livez" => Question::Live,
        "/readyz" => Question::Ready,
        _ => Question::Unknown,
    }
}

/// Returns the older format only to those who name it and not the newer one.
fn format(headers: &HeaderMap) -> Format {
    let wants = |what: &str| {
        headers
            .get_all(ACCEPT)
            .iter()
            .filter_map(|v| v.to_str().ok())
            .any(|v| v.contains(what))
    };
    if wants("text/plain") && !wants("application/openmetrics-text") {
        Format::Text
    } else {
        Format::OpenMetrics
    }
}

/// Returns whether streams are taken, and why not. `None`: not begun; `Some(None)`: ended.
#[expect(
    clippy::option_option,
    reason = "not begun and ended are two different things"
)]
fn readiness(service: Option<Option<Option<Refusal>>>) -> (StatusCode, String) {
    let reason = match service {
        Some(Some(None)) => return (StatusCode::OK, "ready\n".to_owned()),
        None => "starting: the store is being opened".to_owned(),
        Some(None) => "the server has ended".to_owned(),
        Some(Some(Some(refusal))) => refusal.to_string(),
    };
    (StatusCode::SERVICE_UNAVAILABLE, format!("not ready: {reason}\n"))
}

fn respond(status: StatusCode, media_type: &'static str, text: String) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(Bytes::from(text)));
    *response.status_mut() = status;
    let headers = response.headers_mut();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(media_type));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(accept: &str) -> Question {
        let mut headers = HeaderMap::new();
        if !accept.is_empty() {
            headers.insert(ACCEPT, accept.parse().unwrap());
        }
        question(&Method::GET, "/metrics", &headers)
    }

    #[test]
    fn the_newer_format_goes_to_everyone_who_does_not_ask_for_the_older_alone() {
        for accept in [
            "",
            "*/*",
            "application/openmetrics-text;version=1.0.0;q=0.5,text/plain;version=0.0.4;q=0.2",
        ] {
            assert_eq!(asked(accept), Question::Metrics(Format::OpenMetrics), "{accept}");
        }
        assert_eq!(asked("text/plain;version=0.0.4"), Question::Metrics(Format::Text));
    }

    #[test]
    fn only_questions_are_answered() {
        let none = HeaderMap::new();
        assert_eq!(question(&Method::POST, "/livez", &none), Question::WrongMethod);
        assert_eq!(question(&Method::HEAD, "/livez", &none), Question::Live);
        assert_eq!(question(&Method::GET, "/readyz", &none), Question::Ready);
        assert_eq!(question(&Method::GET, "/", &none), Question::Unknown);
    }

    #[test]
    fn every_way_of_not_being_ready_is_told_apart() {
        assert_eq!(readiness(Some(Some(None))).0, StatusCode::OK);
        for (service, word) in [
            (None, "starting"),
            (Some(None), "ended"),
            (Some(Some(Some(Refusal::Draining))), "shutting down"),
            (
                Some(Some(Some(Refusal::StoreFailed("disk full".to_owned())))),
                "disk full",
            ),
        ] {
            let (status, text) = readiness(service);
            assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE);
            assert!(text.contains(word), "{text}");
        }
    }
}
