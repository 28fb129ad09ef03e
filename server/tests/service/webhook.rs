//! What happens to alarms is sent to a webhook: signed, in order, each at least once, and again when asked.
//!
//! The signature is checked by HMAC as RFC 2104 defines it, written out here over another crate's hash.

use std::{
    sync::{Arc, Mutex},
    time::{SystemTime, UNIX_EPOCH},
};

use base64::{Engine as _, engine::general_purpose::STANDARD};
use coldbrake_proto::v1::{self, alarm_service_client::AlarmServiceClient};
use coldbrake_server::{Config, ServerHandle, StartError};
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpListener,
};
use tonic::transport::Channel;

use super::support::*;

const SECRET: &[u8; 32] = b"an invented secret of 32 bytes..";

/// HMAC-SHA-256, RFC 2104: H(K ⊕ opad, H(K ⊕ ipad, text)).
fn hmac(key: &[u8], text: &[u8]) -> Vec<u8> {
    let mut block = [0_u8; 64];
    block[..key.len()].copy_from_slice(key);
    let inner = Sha256::new()
        .chain_update(block.map(|b| b ^ 0x36))
        .chain_update(text)
        .finalize();
    Sha256::new()
        .chain_update(block.map(|b| b ^ 0x5c))
        .chain_update(inner)
        .finalize()
        .to_vec()
}

/// A message as it came.
#[derive(Clone, Debug)]
struct Message {
    head: String,
    body: Vec<u8>,
}

impl Message {
    fn header(&self, name: &str) -> &str {
        let prefix = format!("{name}: ");
        let line = self.head.lines().find(|l| l.to_lowercase().starts_with(&prefix));
        &line.unwrap_or_else(|| panic!("no {name} in {}", self.head))[prefix.len()..]
    }

    /// Checks signature and form; returns the event.
    fn checked(&self) -> Value {
        let id = self.header("webhook-id");
        let timestamp = self.header("webhook-timestamp");
        let mut signed = format!("{id}.{timestamp}.").into_bytes();
        signed.extend(&self.body);
        let expected = format!("v1,{}", STANDARD.encode(hmac(SECRET, &signed)));
        assert_eq!(self.header("webhook-signature"), expected);
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs();
        assert!(now.abs_diff(timestamp.parse().unwrap()) < 300);
        assert!(
            self.header("content-type")
                .starts_with("application/cloudevents+json")
        );
        assert!(self.head.starts_with("POST /hook?x=1 HTTP/1.1"), "{}", self.head);
        let event: Value = serde_json::from_slice(&self.body).unwrap();
        assert_eq!(
            (event["specversion"].as_str(), event["id"].as_str()),
            (Some("1.0"), Some(id))
        );
        event
    }
}

/// A receiver on loopback that answers with the statuses given, then 204.
struct Receiver {
    url: String,
    messages: Arc<Mutex<Vec<Message>>>,
}

impl Receiver {
    async fn start(statuses: &[u16]) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/hook?x=1", listener.local_addr().unwrap());
        let messages = Arc::new(Mutex::new(Vec::new()));
        let (kept, statuses) = (Arc::clone(&messages), statuses.to_vec());
        let mut statuses = statuses.into_iter();
        tokio::spawn(async move {
            while let Ok((mut stream, _)) = listener.accept().await {
                let mut bytes = Vec::new();
                let message = loop {
                    let mut chunk = [0; 4096];
                    let n = stream.read(&mut chunk).await.unwrap();
                    if n == 0 {
                        break None;
                    }
                    bytes.extend_from_slice(&chunk[..n]);
                    let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") else {
                        continue;
                    };
                    let message = Message {
                        head: String::from_utf8(bytes[..end].to_vec()).unwrap(),
                        body: bytes[end + 4..].to_vec(),
                    };
                    if message.body.len() >= message.header("content-length").parse().unwrap() {
                        break Some(message);
                    }
                };
                if let Some(message) = message {
                    kept.lock().unwrap().push(message);
                    let status = statuses.next().unwrap_or(204);
                    let answer =
                        format!("HTTP/1.1 {status} X\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
                    stream.write_all(answer.as_bytes()).await.unwrap();
                }
            }
        });
        Self { url, messages }
    }

    fn got(&self) -> Vec<Message> {
        self.messages.lock().unwrap().clone()
    }

    async fn until(&self, count: usize) -> Vec<Message> {
        until("the messages came", async || self.got().len() >= count).await;
        self.got()
    }
}

fn config(receiver: &Receiver, directory: &std::path::Path) -> Config {
    let secret_file = directory.join("secret");
    std::fs::write(&secret_file, format!("whsec_{}\n", STANDARD.encode(SECRET))).unwrap();
    let mut config = Config::in_process().with_directory(directory.join("store"));
    config.webhook.url.clone_from(&receiver.url);
    config.webhook.secret_file = secret_file;
    config
}

async fn alarms(server: &ServerHandle) -> AlarmServiceClient<Channel> {
    AlarmServiceClient::new(channel(server).await)
}

async fn test(server: &ServerHandle) -> i64 {
    let answer = alarms(server)
        .await
        .test_alarm_delivery(v1::TestAlarmDeliveryRequest {})
        .await;
    answer.unwrap().into_inner().position
}

async fn delivery(server: &ServerHandle) -> v1::GetAlarmDeliveryResponse {
    let answer = alarms(server)
        .await
        .get_alarm_delivery(v1::GetAlarmDeliveryRequest {})
        .await;
    answer.unwrap().into_inner()
}

#[tokio::test(flavor = "multi_thread")]
async fn messages_are_signed_retried_and_come_again_when_asked() {
    let directory = tempfile::tempdir().unwrap();
    let receiver = Receiver::start(&[503]).await;
    let server = serve(config(&receiver, directory.path())).await;
    assert_eq!(test(&server).await, 1);
    // Refused by the receiver's trouble once, then taken: the same identifier and body.
    let got = receiver.until(2).await;
    let events: Vec<Value> = got.iter().map(Message::checked).collect();
    assert_eq!(events[0], events[1]);
    assert_eq!(events[0]["type"], "coldbrake.v1.alarm.test");
    assert_eq!(events[0]["data"]["position"], 1);
    until("it is told as delivered", async || {
        delivery(&server).await.delivered_through == 1
    })
    .await;
    let state = delivery(&server).await;
    assert!(state.enabled);
    assert_eq!(
        (
            state.delivered_count,
            state.failed_attempt_count,
            state.waiting_count
        ),
        (1, 1, 0)
    );
    assert_eq!(state.last_failure, "");

    assert_eq!(test(&server).await, 2);
    receiver.until(3).await;
    until("the second too", async || {
        delivery(&server).await.delivered_through == 2
    })
    .await;
    assert!(server.shutdown().await.is_clean());

    // After a restart nothing comes twice; a replay does.
    let server = ServerHandle::start(config(&receiver, directory.path()))
        .await
        .unwrap();
    assert_eq!(test(&server).await, 3);
    let got = receiver.until(4).await;
    assert_eq!(got.len(), 4);
    assert_eq!(got[3].checked()["data"]["position"], 3);
    until("the third too", async || {
        delivery(&server).await.delivered_through == 3
    })
    .await;
    let replay = v1::ReplayAlarmDeliveryRequest { from_position: 2 };
    let answer = alarms(&server).await.replay_alarm_delivery(replay).await.unwrap();
    assert_eq!(answer.into_inner().waiting_count, 2);
    let got = receiver.until(6).await;
    let ids: Vec<&str> = got[2..].iter().map(|m| m.header("webhook-id")).collect();
    assert_eq!(
        ids,
        [
            "2-delivery-test",
            "3-delivery-test",
            "2-delivery-test",
            "3-delivery-test"
        ]
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_webhook_watchers_alone_are_told() {
    let server = serve(Config::in_process()).await;
    assert_eq!(test(&server).await, 1);
    let state = delivery(&server).await;
    assert!(!state.enabled);
    assert_eq!((state.last_position, state.waiting_count), (1, 0));
    let replay = v1::ReplayAlarmDeliveryRequest { from_position: 1 };
    let refused = alarms(&server)
        .await
        .replay_alarm_delivery(replay)
        .await
        .unwrap_err();
    assert_eq!(refused.code(), tonic::Code::FailedPrecondition);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_webhook_that_cannot_work_keeps_the_server_from_starting() {
    let directory = tempfile::tempdir().unwrap();
    let receiver = Receiver::start(&[]).await;
    let right = config(&receiver, directory.path());
    let mut far = right.clone();
    far.webhook.url = "http://alarms.example/hook".to_owned();
    let mut no_secret = right.clone();
    no_secret.webhook.secret_file = directory.path().join("missing");
    let mut no_roots = right.clone();
    no_roots.webhook.url = "https://alarms.example/hook".to_owned();
    no_roots.webhook.authorities = directory.path().join("missing.pem");
    for (config, wrong) in [
        (far, "webhook.url"),
        (no_secret, "webhook.secret_file"),
        (no_roots, "webhook.authorities"),
    ] {
        match ServerHandle::start(config).await {
            Err(StartError::Config { key, .. }) => assert_eq!(key, wrong),
            other => panic!("{wrong}: {other:?}"),
        }
    }
}
