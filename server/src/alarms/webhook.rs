//! One message to a webhook: a CloudEvent 1.0 in structured JSON mode, signed, by a POST over HTTP or HTTPS.
//!
//! CloudEvents: specification 1.0.2, JSON event format 1.0.2 and HTTP protocol binding 1.0.2, section 3.2. Of the JSON
//! format `data` is a JSON value, so `datacontenttype` is `application/json`.

use std::{path::Path, sync::Arc, time::Duration};

use coldbrake_engine::alarm::Event;
use coldbrake_proto::alarm::{event_json, event_to_wire};
use http_body_util::{BodyExt as _, Full, Limited};
use hyper::{
    Request, StatusCode, Uri,
    body::Bytes,
    client::conn::http1,
    header::{CONTENT_TYPE, HOST, USER_AGENT},
};
use hyper_util::rt::TokioIo;
use serde_json::json;
use tokio::{
    io::{AsyncRead, AsyncWrite},
    net::TcpStream,
    time::timeout,
};
use tokio_rustls::{
    TlsConnector,
    rustls::{
        ClientConfig, RootCertStore,
        pki_types::{CertificateDer, ServerName, pem::PemObject as _},
    },
};

use super::signature::{read_secret, sign};
use crate::config::WebhookConfig;

/// Most bytes of an answer that are read: nothing in it matters but its status.
const ANSWER_BYTES: usize = 64 << 10;

/// Where alarms are sent.
pub(crate) struct Webhook {
    uri: Uri,
    authority: String,
    host: String,
    port: u16,
    tls: Option<TlsConnector>,
    secret: Vec<u8>,
    timeout: Duration,
}

impl std::fmt::Debug for Webhook {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Webhook")
            .field("authority", &self.authority)
            .finish_non_exhaustive()
    }
}

/// A key of the configuration, and what is wrong with it.
pub(crate) type Wrong = (&'static str, String);

/// What becomes of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Sent {
    /// The receiver has it.
    Delivered,
    /// The receiver does not want it, and will not: why.
    Refused(String),
    /// It did not come through this time: why.
    Failed(String),
}

/// Checks the address of a webhook; returns host, port and whether it is HTTPS.
pub(crate) fn read_url(url: &str) -> Result<(Uri, String, u16, bool), String> {
    let bad = || format!("is `{url}`: give an address like https://alarms.example/coldbrake");
    let uri: Uri = url.parse().map_err(|_| bad())?;
    let host = uri.host().filter(|h| !h.is_empty()).ok_or_else(bad)?;
    let host = host.trim_start_matches('[').trim_end_matches(']').to_owned();
    let secure = match uri.scheme_str() {
        Some("https") => true,
        Some("http") => false,
        _ => return Err(bad()),
    };
    if uri.authority().is_some_and(|a| a.as_str().contains('@')) {
        return Err("holds a user name: the signature says who sends, leave it out".to_owned());
    }
    let port = uri.port_u16().unwrap_or(if secure { 443 } else { 80 });
    Ok((uri, host, port, secure))
}

impl Webhook {
    /// Reads the secret and the authorities; `None` where no webhook is configured. Blocks.
    pub(crate) fn load(config: &WebhookConfig) -> Result<Option<Self>, Wrong> {
        if config.url.is_empty() {
            return Ok(None);
        }
        let (uri, host, port, secure) = read_url(&config.url).map_err(|text| ("webhook.url", text))?;
        let text = std::fs::read_to_string(&config.secret_file).map_err(|error| {
            let path = config.secret_file.display();
            (
                "webhook.secret_file",
                format!("is {path}, which cannot be read: {error}"),
            )
        })?;
        let secret = read_secret(&text).map_err(|text| ("webhook.secret_file", text))?;
        let tls = if secure {
            Some(connector(&config.authorities).map_err(|text| ("webhook.authorities", text))?)
        } else {
            None
        };
        let authority = uri.authority().map(ToString::to_string).unwrap_or_default();
        Ok(Some(Self {
            uri,
            authority,
            host,
            port,
            tls,
            secret,
            timeout: config.timeout,
        }))
    }

    /// Sends an event. `now_s` is the time of the attempt, s since 1970.
    pub(crate) async fn send(&self, event: &Event, now_s: i64) -> Sent {
        let id = message_id(event);
        let body = cloud_event(event, &id).to_string().into_bytes();
        match timeout(self.timeout, self.post(&id, body, now_s)).await {
            Ok(Ok(status)) => judge(status),
            Ok(Err(why)) => Sent::Failed(why),
            Err(_) => Sent::Failed(format!(
                "no answer within {} (webhook.timeout)",
                crate::config::text::duration(self.timeout)
            )),
        }
    }

    async fn post(&self, id: &str, body: Vec<u8>, now_s: i64) -> Result<StatusCode, String> {
        let stream = TcpStream::connect((self.host.as_str(), self.port))
            .await
            .map_err(|error| format!("cannot connect to {}: {error}", self.authority))?;
        let request = Request::post(self.uri.path_and_query().map_or("/", |p| p.as_str()))
            .header(HOST, &self.authority)
            .header(USER_AGENT, concat!("coldbrake/", env!("CARGO_PKG_VERSION")))
            .header(CONTENT_TYPE, "application/cloudevents+json; charset=UTF-8")
            .header("webhook-id", id)
            .header("webhook-timestamp", now_s)
            .header("webhook-signature", sign(&self.secret, id, now_s, &body))
            .body(Full::new(Bytes::from(body)))
            .map_err(|error| format!("the message cannot be sent: {error}"))?;
        match &self.tls {
            None => exchange(stream, request).await,
            Some(tls) => {
                let name = ServerName::try_from(self.host.clone())
                    .map_err(|error| format!("{} cannot have a certificate: {error}", self.host))?;
                let stream = tls
                    .connect(name, stream)
                    .await
                    .map_err(|error| format!("no TLS with {}: {error}", self.authority))?;
                exchange(stream, request).await
            }
        }
    }
}

async fn exchange(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    request: Request<Full<Bytes>>,
) -> Result<StatusCode, String> {
    let broken = |error: hyper::Error| format!("the connection broke off: {error}");
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await.map_err(broken)?;
    let talk = async {
        let answer = sender.send_request(request).await.map_err(broken)?;
        let status = answer.status();
        // Read to its end, so that the receiver sees an orderly one.
        let _ = Limited::new(answer.into_body(), ANSWER_BYTES).collect().await;
        Ok(status)
    };
    tokio::pin!(talk);
    tokio::select! {
        status = &mut talk => status,
        // The connection has to be driven; when it ends first, the answer says why.
        _ = connection => talk.await,
    }
}

/// Returns what a status says. Statuses of the receiver's trouble are worth another try, those about the message not.
fn judge(status: StatusCode) -> Sent {
    let why = format!("the receiver answered {status}");
    match status.as_u16() {
        200..=299 => Sent::Delivered,
        408 | 425 | 429 | 500..=599 => Sent::Failed(why),
        _ => Sent::Refused(why),
    }
}

/// Returns the identifier of a message: the same at every attempt and after every restart, without a full stop, as the
/// signature wants it.
pub(crate) fn message_id(event: &Event) -> String {
    let subject = event.alarm.as_ref().map_or("delivery", |a| a.alarm.as_str());
    format!("{}-{subject}-{}", event.position, event.what.name())
}

/// Returns the CloudEvent of an event.
fn cloud_event(event: &Event, id: &str) -> serde_json::Value {
    let wire = event_to_wire(event);
    let mut message = json!({
        "specversion": "1.0",
        "id": id,
        "source": "/coldbrake/alarms",
        "type": format!("coldbrake.v1.alarm.{}", event.what.name()),
        "datacontenttype": "application/json",
        "data": event_json(&wire),
    });
    if let Some(object) = message.as_object_mut() {
        if let Some(alarm) = &event.alarm {
            object.insert("subject".to_owned(), alarm.alarm.clone().into());
        }
        if let Ok(time) = jiff::Timestamp::from_millisecond(event.time_ms) {
            object.insert("time".to_owned(), time.to_string().into());
        }
    }
    message
}

/// Reads the authorities that certificates of receivers must come from.
fn connector(path: &Path) -> Result<TlsConnector, String> {
    let shown = path.display();
    let pem = std::fs::read(path).map_err(|error| format!("is {shown}, which cannot be read: {error}"))?;
    let mut roots = RootCertStore::empty();
    for der in CertificateDer::pem_slice_iter(&pem) {
        let der = der.map_err(|error| format!("is {shown}, which is damaged: {error}"))?;
        // Old ones in a system's bundle that cannot be used do no harm.
        let _ = roots.add(der);
    }
    if roots.is_empty() {
        return Err(format!("is {shown}, which holds no certificate: name a PEM file"));
    }
    let config = ClientConfig::builder()
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(TlsConnector::from(Arc::new(config)))
}

#[cfg(test)]
mod tests {
    use coldbrake_engine::alarm::What;

    use super::*;

    #[test]
    fn addresses_are_read_and_wrong_ones_told() {
        let (_, host, port, secure) = read_url("https://alarms.example/hook?x=1").unwrap();
        assert_eq!((host.as_str(), port, secure), ("alarms.example", 443, true));
        let (_, host, port, secure) = read_url("http://[::1]:8080").unwrap();
        assert_eq!((host.as_str(), port, secure), ("::1", 8080, false));
        for wrong in [
            "alarms.example",
            "ftp://alarms.example",
            "https://",
            "https://me@alarms.example/",
        ] {
            assert!(read_url(wrong).is_err(), "{wrong}");
        }
    }

    /// CloudEvents 1.0.2, "Required Attributes": id, source, specversion and type, none of them empty; the types of JSON
    /// by "JSON Event Format", 2.2.
    #[test]
    fn an_event_has_what_the_specification_requires() {
        let event = Event {
            position: 7,
            what: What::Test,
            time_ms: 1_773_300_840_000,
            alarm: None,
        };
        let id = message_id(&event);
        assert_eq!(id, "7-delivery-test");
        let message = cloud_event(&event, &id);
        for name in ["id", "source", "specversion", "type"] {
            assert!(message[name].as_str().is_some_and(|v| !v.is_empty()), "{name}");
        }
        assert_eq!(message["specversion"], "1.0");
        assert_eq!(message["time"], "2026-03-12T07:34:00Z");
        assert_eq!(message["data"]["what"], "test");
        assert!(
            message
                .as_object()
                .unwrap()
                .keys()
                .all(|k| k.bytes().all(|b| b.is_ascii_lowercase()))
        );
    }

    #[test]
    fn trouble_is_told_from_refusal() {
        assert_eq!(judge(StatusCode::NO_CONTENT), Sent::Delivered);
        for again in [408, 425, 429, 500, 503] {
            assert!(matches!(
                judge(StatusCode::from_u16(again).unwrap()),
                Sent::Failed(_)
            ));
        }
        for never in [301, 400, 401, 404, 410] {
            assert!(matches!(
                judge(StatusCode::from_u16(never).unwrap()),
                Sent::Refused(_)
            ));
        }
    }
}
