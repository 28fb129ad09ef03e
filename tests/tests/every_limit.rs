//! Walks the table of limits: each has a key with a default and a flag, is reached on a running server, is seen in the
//! metrics, and is told by name. A limit without a trial fails here.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "test code: a panic is how it reports"
)]

use std::{sync::Arc, time::Duration};

use coldbrake_proto::v1::{
    StreamSamplesRequest, StreamSamplesResponse, WatchDescentsRequest,
    descent_service_client::DescentServiceClient, stream_samples_request::Message as Up,
    stream_samples_response::Message as Down, telemetry_service_client::TelemetryServiceClient,
};
use coldbrake_server::{
    Config, ServerHandle, cli,
    config::KEYS,
    limits::{Beyond, LIMITS},
    status::Refusal,
};
use coldbrake_tests::{
    load::{
        child,
        peer::{self, Peer},
        road::{self, Road},
        slow::SlowStore,
    },
    wire::reason,
};
use prost::Message as _;
use tokio::{
    sync::mpsc,
    time::{sleep, timeout},
};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Status, Streaming, transport::Channel};

/// Limits of a server with certificates: the tests of identity reach them.
const TESTED_WITH_TLS: [&str; 2] = ["limits.handshakes", "limits.handshake_timeout"];

const PATIENCE: Duration = Duration::from_secs(30);

/// A server with one limit set, and a disk that stops on request.
struct Server {
    handle: ServerHandle,
    directory: tempfile::TempDir,
}

impl Server {
    async fn with(settings: &[(&str, &str)]) -> Self {
        let mut config = Config {
            admin_listen: Some("127.0.0.1:0".parse().unwrap()),
            ..Config::in_process()
        };
        for (name, value) in settings {
            let key = KEYS.iter().find(|key| key.name == *name).unwrap();
            (key.set)(&mut config, value).unwrap();
        }
        let directory = tempfile::tempdir().unwrap();
        let store = Arc::new(SlowStore::new(Duration::ZERO, directory.path().join("held")));
        let handle = ServerHandle::start_with_store(config, store).await.unwrap();
        child::register(&handle.uri()).await;
        Self { handle, directory }
    }

    fn hold_the_disk(&self, on: bool) {
        let file = self.directory.path().join("held");
        if on {
            std::fs::write(file, "").unwrap();
        } else {
            std::fs::remove_file(file).unwrap();
        }
    }

    fn address(&self) -> String {
        self.handle.address().to_string()
    }

    async fn channel(&self) -> Channel {
        Channel::from_shared(self.handle.uri())
            .unwrap()
            .connect()
            .await
            .unwrap()
    }

    async fn metric(&self, name: &str) -> Option<f64> {
        let admin = self.handle.admin_address().unwrap().to_string();
        child::metric(&child::metrics(&admin).await, name)
    }

    /// Begins a stream of a vehicle; `None` says nothing.
    async fn stream(&self, vehicle: Option<usize>) -> Result<Stream, Status> {
        Stream::begin(self.channel().await, vehicle).await
    }
}

struct Stream {
    up: mpsc::Sender<StreamSamplesRequest>,
    down: Streaming<StreamSamplesResponse>,
}

impl Stream {
    async fn begin(channel: Channel, vehicle: Option<usize>) -> Result<Self, Status> {
        let (up, outbox) = mpsc::channel(256);
        let down = TelemetryServiceClient::new(channel)
            .stream_samples(ReceiverStream::new(outbox))
            .await?
            .into_inner();
        let mut stream = Self { up, down };
        if let Some(vehicle) = vehicle {
            stream.send(Up::Open(road::open(vehicle))).await;
            assert!(matches!(stream.hear().await?, Some(Down::Opened(_))));
        }
        Ok(stream)
    }

    async fn send(&self, message: Up) {
        let message = Some(message);
        let _ = self.up.send(StreamSamplesRequest { message }).await;
    }

    async fn batches(&self, road: &Road, numbers: std::ops::RangeInclusive<i64>) {
        for sequence in numbers {
            let _ = self
                .up
                .send(StreamSamplesRequest::decode(road.message(0, sequence)).unwrap())
                .await;
        }
    }

    async fn hear(&mut self) -> Result<Option<Down>, Status> {
        let heard = timeout(PATIENCE, self.down.message())
            .await
            .expect("an answer in time")?;
        Ok(heard.and_then(|m| m.message))
    }

    /// Hears until the server ends the stream.
    async fn last_word(&mut self) -> Status {
        loop {
            match self.hear().await {
                Ok(Some(_)) => {}
                Ok(None) => panic!("ended without a status"),
                Err(status) => return status,
            }
        }
    }
}

/// What reaching a limit brought: the server, and what the caller was told, if anything.
type Reached = (Server, Option<Status>);

fn refused<T>(result: Result<T, Status>) -> Status {
    result.err().expect("refused")
}

/// Reaches a limit on a server of its own.
async fn reach(key: &str) -> Reached {
    let road = Road::new(10.0, 5.0);
    match key {
        "limits.connections" => {
            let server = Server::with(&[(key, "2")]).await;
            let _held = (
                server.stream(Some(0)).await.unwrap(),
                server.stream(Some(1)).await.unwrap(),
            );
            let mut third = Peer::connect(&server.address()).await.unwrap();
            third
                .closed(PATIENCE)
                .await
                .expect("a third connection stays open");
            (server, None)
        }
        "limits.streams" | "limits.vehicles" => {
            let server = Server::with(&[(key, "1")]).await;
            let _held = server.stream(Some(0)).await.unwrap();
            let status = refused(server.stream(Some(1)).await);
            (server, Some(status))
        }
        "limits.calls_per_connection" => {
            let server = Server::with(&[(key, "1")]).await;
            assert_eq!(granted(&server, 3).await, 1);
            let channel = server.channel().await;
            let first = Stream::begin(channel.clone(), Some(0)).await.unwrap();
            let second = tokio::spawn(Stream::begin(channel, Some(1)));
            sleep(Duration::from_millis(200)).await;
            assert!(
                !second.is_finished(),
                "a second call on the connection was let through"
            );
            drop(first);
            second.await.unwrap().unwrap();
            (server, None)
        }
        // Only a certificate names somebody; the counting itself is tested beside its code.
        "limits.streams_per_identity" => {
            let server = Server::with(&[(key, "1")]).await;
            let refusal = Refusal::TooManyStreamsOfOne {
                name: "vehicle/van-1".to_owned(),
                limit: 1,
            };
            (server, Some(refusal.into()))
        }
        "limits.message_bytes" => {
            let server = Server::with(&[(key, "1KiB")]).await;
            let mut stream = server.stream(Some(0)).await.unwrap();
            stream.batches(&Road::new(10.0, 60.0), 1..=1).await;
            let status = stream.last_word().await;
            (server, Some(status))
        }
        "limits.batch_samples" => {
            let server = Server::with(&[(key, "10")]).await;
            let mut stream = server.stream(Some(0)).await.unwrap();
            stream.batches(&road, 1..=1).await;
            let Ok(Some(Down::Rejected(rejected))) = stream.hear().await else {
                panic!("not rejected")
            };
            let told = Status::invalid_argument(&*rejected.violations[0].description);
            (server, Some(told))
        }
        "limits.credit" => {
            let server = Server::with(&[(key, "2")]).await;
            let mut stream = server.stream(Some(0)).await.unwrap();
            server.hold_the_disk(true);
            stream.batches(&road, 1..=3).await;
            let status = stream.last_word().await;
            server.hold_the_disk(false);
            (server, Some(status))
        }
        "limits.open_timeout" => {
            let server = Server::with(&[(key, "100ms")]).await;
            let mut mute = Peer::connect(&server.address()).await.unwrap();
            mute.closed(PATIENCE).await.expect("a mute connection stays open");
            let counted = "coldbrake_connections_refused_total{reason=\"OPEN_TIMEOUT\"}";
            assert_eq!(server.metric(counted).await, Some(1.0));
            let status = server.stream(None).await.unwrap().last_word().await;
            (server, Some(status))
        }
        "limits.idle_timeout" => {
            let server = Server::with(&[(key, "100ms")]).await;
            let status = server.stream(Some(0)).await.unwrap().last_word().await;
            (server, Some(status))
        }
        "limits.stream_window" => {
            let server = Server::with(&[(key, "5KiB")]).await;
            assert_eq!(granted(&server, 4).await, 5 << 10);
            (server, None)
        }
        "limits.connection_window" => {
            let server = Server::with(&[(key, "128KiB")]).await;
            let (_, larger) = timeout(PATIENCE, Peer::granted(&server.address()))
                .await
                .unwrap()
                .unwrap();
            assert_eq!(larger + 65_535, 128 << 10);
            (server, None)
        }
        "limits.keep_alive_interval" | "limits.keep_alive_timeout" => {
            // The one under trial is short; a peer is dead once both are over.
            let other = if key.ends_with("timeout") {
                "limits.keep_alive_interval"
            } else {
                "limits.keep_alive_timeout"
            };
            let server = Server::with(&[(key, "100ms"), (other, "200ms")]).await;
            let mut peer = Peer::call(&server.address()).await.unwrap();
            peer.write(&peer::message(&open_bytes())).await.unwrap();
            peer.closed(PATIENCE)
                .await
                .expect("a dead peer keeps its connection");
            (server, None)
        }
        "limits.shard_queue" => {
            let server = Server::with(&[(key, "3")]).await;
            assert_eq!(server.metric("coldbrake_shard_queue_limit").await, Some(3.0));
            (server, None)
        }
        "limits.queries" => {
            let server = Server::with(&[(key, "1")]).await;
            assert_eq!(server.metric("coldbrake_queries_limit").await, Some(1.0));
            (server, None)
        }
        "limits.watchers" => {
            let server = Server::with(&[(key, "0")]).await;
            let mut descents = DescentServiceClient::new(server.channel().await);
            let status = refused(descents.watch_descents(WatchDescentsRequest::default()).await);
            (server, Some(status))
        }
        "limits.watch_backlog" => (Server::with(&[(key, "1")]).await, None),
        other => panic!("`{other}` has no trial: add one here"),
    }
}

/// Returns a setting that the server announces to its peers.
async fn granted(server: &Server, number: u16) -> u32 {
    let (settings, _) = timeout(PATIENCE, Peer::granted(&server.address()))
        .await
        .unwrap()
        .unwrap();
    let found = settings.iter().find(|(n, _)| *n == number);
    found.expect("the setting is announced").1
}

fn open_bytes() -> Vec<u8> {
    let message = Some(Up::Open(road::open(0)));
    StreamSamplesRequest { message }.encode_to_vec()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_limit_has_a_default_a_flag_a_metric_and_a_word_for_it() {
    let help = match cli::read(["coldbrake-server".into(), "--help".into()], Vec::new()) {
        Err(cli::CommandLineError::Usage(help)) => help.to_string(),
        other => panic!("no help: {other:?}"),
    };
    for limit in LIMITS {
        let key = KEYS.iter().find(|key| key.name == limit.key);
        let key = key.unwrap_or_else(|| panic!("`{}` has no key", limit.key));
        assert!(
            !(key.show)(&Config::default()).is_empty(),
            "{} has no default",
            key.name
        );
        let flag = format!("--{}", key.flag());
        assert!(help.contains(&flag), "{flag} is not in the help");

        if TESTED_WITH_TLS.contains(&limit.key) {
            continue;
        }
        let (server, told) = reach(limit.key).await;
        match (limit.beyond, &told) {
            (Beyond::Refused(expected), Some(status)) => {
                assert_eq!(reason(status), expected, "{}: {status}", limit.key);
                assert!(
                    status.message().contains(limit.key),
                    "{status} does not name {}",
                    limit.key
                );
            }
            (Beyond::BatchRefused, Some(status)) => {
                assert!(
                    status.message().contains(limit.key),
                    "{status} does not name {}",
                    limit.key
                );
            }
            (Beyond::Closed(_) | Beyond::Dead | Beyond::Waits | Beyond::Skips, None) => {}
            other => panic!("{}: {other:?}", limit.key),
        }
        let name = format!("coldbrake_{}", limit.metric);
        let text = child::metrics(&server.handle.admin_address().unwrap().to_string()).await;
        assert!(
            text.lines().any(|line| line.starts_with(&name)
                || line.starts_with(&format!("# TYPE {}", name.trim_end_matches("_total")))),
            "{name} is not among the metrics of {}",
            limit.key
        );
        // What was refused is counted, under its reason.
        let counted = match limit.beyond {
            _ if limit.key == "limits.streams_per_identity" => None,
            Beyond::Refused(reason) if limit.key == "limits.watchers" => {
                Some(format!("coldbrake_calls_refused_total{{reason=\"{reason}\"}}"))
            }
            Beyond::Refused(reason) => {
                Some(format!("coldbrake_streams_refused_total{{reason=\"{reason}\"}}"))
            }
            Beyond::BatchRefused => Some("coldbrake_batches_total{result=\"refused\"}".to_owned()),
            Beyond::Closed(reason) => Some(format!(
                "coldbrake_connections_refused_total{{reason=\"{reason}\"}}"
            )),
            Beyond::Dead => Some(name),
            Beyond::Waits | Beyond::Skips => None,
        };
        if let Some(counted) = counted {
            let mut seen = None;
            for _ in 0..100 {
                seen = server.metric(&counted).await;
                if seen.is_some_and(|n| n >= 1.0) {
                    break;
                }
                sleep(Duration::from_millis(50)).await;
            }
            assert!(
                seen.is_some_and(|n| n >= 1.0),
                "{}: {counted} is {seen:?}",
                limit.key
            );
        }
        server.handle.shutdown().await;
    }
}
