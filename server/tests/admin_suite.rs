//! Metrics, liveness and readiness over real loopback HTTP.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "helpers of tests fail as tests do"
)]

#[path = "service/support.rs"]
#[allow(dead_code, unreachable_pub, reason = "this suite uses a part of it")]
mod support;

use std::{collections::BTreeMap, net::SocketAddr, sync::Arc, time::Duration};

use coldbrake_engine::BrakeKind;
use coldbrake_server::{
    Config, ServerHandle, StartError,
    store::{CommitBatch, MemoryStore, Store as _, VehicleRecord},
};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpStream,
    time::timeout,
};

use support::{
    Mood, MoodyStore, PATIENCE, Vehicle, channel, drive, messages, open, serve, serve_on, session, until,
};

/// Most series that a server may have, whatever its fleet.
const MOST_SERIES: usize = 200;
/// Labels that are closed lists.
const LABELS: [&str; 7] = ["version", "result", "what", "reason", "le", "method", "code"];

fn config() -> Config {
    Config {
        admin_listen: Some(SocketAddr::from(([127, 0, 0, 1], 0))),
        ..Config::in_process()
    }
}

/// Returns status, head and body.
async fn ask(address: SocketAddr, method: &str, path: &str, accept: &str) -> (u16, String, String) {
    let request = format!("{method} {path} HTTP/1.1\r\nHost: admin\r\nAccept: {accept}\r\n\r\n");
    let exchange = async {
        let mut socket = TcpStream::connect(address).await.unwrap();
        socket.write_all(request.as_bytes()).await.unwrap();
        let mut answer = String::new();
        socket.read_to_string(&mut answer).await.unwrap();
        answer
    };
    let answer = timeout(PATIENCE, exchange).await.expect("no answer");
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    (status, head.to_lowercase(), body.to_owned())
}

async fn get(server: &ServerHandle, path: &str) -> (u16, String) {
    let (status, _, body) = ask(server.admin_address().unwrap(), "GET", path, "*/*").await;
    (status, body)
}

/// What an OpenMetrics text holds: value by series, kind by family.
struct Scrape {
    series: BTreeMap<String, f64>,
    kinds: BTreeMap<String, String>,
}

impl Scrape {
    /// Reads a text, and checks what OpenMetrics 1.0 asks of it (section "Text Format" of the specification).
    fn read(text: &str) -> Self {
        assert!(text.ends_with("\n# EOF\n"), "no end: {text}");
        let (mut series, mut kinds) = (BTreeMap::new(), BTreeMap::new());
        let mut helped = Vec::new();
        let mut units = BTreeMap::new();
        let mut family = String::new();
        for line in text.lines() {
            let words: Vec<_> = line.splitn(4, ' ').collect();
            match words[..] {
                ["#", "HELP", name, help] => {
                    assert!(help.ends_with('.'), "{line}");
                    helped.push(name.to_owned());
                }
                ["#", "TYPE", name, kind] => {
                    assert!(
                        kinds.insert(name.to_owned(), kind.to_owned()).is_none(),
                        "twice: {name}"
                    );
                    name.clone_into(&mut family);
                }
                ["#", "UNIT", name, unit] => {
                    units.insert(name.to_owned(), unit.to_owned());
                }
                ["#", "EOF"] => {}
                _ => {
                    let (name, value) = line.rsplit_once(' ').unwrap();
                    let bare = name.split('{').next().unwrap();
                    let suffix = bare
                        .strip_prefix(&family)
                        .unwrap_or_else(|| panic!("{name} stands under {family}"));
                    let allowed: &[&str] = match &*kinds[&family] {
                        "counter" => &["_total"],
                        "gauge" => &[""],
                        "info" => &["_info"],
                        "histogram" => &["_bucket", "_count", "_sum"],
                        other => panic!("a kind that is not used here: {other}"),
                    };
                    assert!(allowed.contains(&suffix), "{line}");
                    for label in labels(name) {
                        assert!(LABELS.contains(&label), "{line}");
                    }
                    let value: f64 = value.parse().unwrap();
                    assert!(series.insert(name.to_owned(), value).is_none(), "twice: {name}");
                }
            }
        }
        for name in kinds.keys() {
            assert!(name.starts_with("coldbrake_"), "{name}");
            assert!(helped.contains(name), "{name} is not explained");
        }
        for (name, unit) in units {
            assert!(name.ends_with(&format!("_{unit}")), "{name} is in {unit}");
        }
        Self { series, kinds }
    }

    fn value(&self, series: &str) -> f64 {
        *self
            .series
            .get(&format!("coldbrake_{series}"))
            .unwrap_or_else(|| panic!("{series} is not in {:#?}", self.series.keys()))
    }
}

fn labels(series: &str) -> impl Iterator<Item = &str> {
    let inside = series
        .split_once('{')
        .map_or("", |(_, l)| l.trim_end_matches('}'));
    inside.split(',').filter_map(|pair| Some(pair.split_once('=')?.0))
}

async fn scrape(server: &ServerHandle) -> Scrape {
    let (status, text) = get(server, "/metrics").await;
    assert_eq!(status, 200, "{text}");
    Scrape::read(&text)
}

#[expect(clippy::float_cmp, reason = "counts are whole")]
#[tokio::test(flavor = "multi_thread")]
async fn the_figures_are_those_of_what_was_sent() {
    let server = serve(config()).await;
    let before = scrape(&server).await;
    assert_eq!(before.value("batches_total{result=\"accepted\"}"), 0.0);
    assert_eq!(before.value("ready"), 1.0);

    let batches = messages(&drive(1, 40));
    let samples: usize = drive(1, 40).iter().map(|b| b.time_ms.len()).sum();
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&batches).await;
    van.acknowledged(batches.len() as i64).await;
    van.send_all(&batches[..2]).await;
    until("both are known as sent twice", async || {
        scrape(&server).await.value("batches_total{result=\"duplicate\"}") == 2.0
    })
    .await;
    let now = scrape(&server).await;
    assert_eq!(
        now.value("batches_total{result=\"accepted\"}"),
        batches.len() as f64
    );
    assert_eq!(now.value("accepted_samples_total"), samples as f64);
    assert_eq!(
        (now.value("streams"), now.value("streams_opened_total")),
        (1.0, 1.0)
    );
    assert_eq!((now.value("vehicles"), now.value("vehicle_classes")), (1.0, 1.0));
    assert_eq!(now.value("store_failed"), 0.0);
    assert!(now.value("commits_total") >= 2.0);
    assert_eq!(
        now.value("commit_duration_seconds_count"),
        now.value("commits_total")
    );
    assert_eq!(now.value("commit_size_bytes_count"), now.value("commits_total"));
    assert!(now.value("commit_size_bytes_sum") > 0.0);
    assert!(now.value("last_commit_timestamp_seconds") >= now.value("start_timestamp_seconds"));
    assert!(now.value("resident_memory_bytes") > 1e6);
    assert_eq!(now.kinds["coldbrake_batches"], "counter");

    // A second sender takes over: the first is refused, under its reason.
    let (_second, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.last_word().await;
    until("the refusal is counted", async || {
        let now = scrape(&server).await;
        now.series
            .iter()
            .any(|(s, v)| s.contains("streams_refused_total{reason=\"STREAM_SUPERSEDED\"}") && *v == 1.0)
    })
    .await;
    assert!(server.shutdown().await.is_clean());
}

#[expect(clippy::float_cmp, reason = "counts are whole")]
#[tokio::test(flavor = "multi_thread")]
async fn calls_are_counted_by_method_and_by_how_they_ended() {
    let server = serve(config()).await;
    let series = |what: &str, method: &str, code: &str| match code {
        "" => format!("{what}{{method=\"{method}\"}}"),
        _ => format!("{what}{{method=\"{method}\",code=\"{code}\"}}"),
    };
    let (get, put) = (
        "coldbrake.v1.FleetService/GetVehicle",
        "coldbrake.v1.FleetService/PutVehicleClass",
    );
    let stream = "coldbrake.v1.TelemetryService/StreamSamples";
    let before = scrape(&server).await;
    assert_eq!(before.value(&series("calls_ended_total", put, "OK")), 1.0);
    assert_eq!(before.value(&series("calls_started_total", get, "")), 0.0);

    let mut fleet = support::fleet(&server).await;
    for _ in 0..3 {
        let vehicle = "nobody".to_owned();
        let refused = fleet
            .get_vehicle(coldbrake_proto::v1::GetVehicleRequest { vehicle })
            .await
            .unwrap_err();
        assert_eq!(refused.code(), tonic::Code::NotFound);
    }
    // A stream whose vehicle goes without a word, and a call that nobody knows: its name is no label.
    let (van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert_eq!(
        scrape(&server)
            .await
            .value(&series("calls_started_total", stream, "")),
        1.0
    );
    drop(van);
    let mut client = tonic::client::Grpc::new(channel(&server).await);
    client.ready().await.unwrap();
    let path = http::uri::PathAndQuery::from_static("/coldbrake.v1.FleetService/GetRich");
    let codec = tonic_prost::ProstCodec::<(), ()>::default();
    client
        .unary(tonic::Request::new(()), path, codec)
        .await
        .unwrap_err();
    until("every call has ended", async || {
        let now = scrape(&server).await;
        now.series
            .iter()
            .any(|(s, v)| s.contains("calls_ended_total{method=\"other\"") && *v == 1.0)
            && now
                .series
                .iter()
                .any(|(s, v)| s.contains(&format!("calls_ended_total{{method=\"{stream}\"")) && *v == 1.0)
    })
    .await;
    let now = scrape(&server).await;
    assert_eq!(now.value(&series("calls_ended_total", get, "NOT_FOUND")), 3.0);
    assert_eq!(now.value(&series("calls_ended_total", get, "OK")), 0.0);
    assert_eq!(now.value(&series("call_duration_seconds_count", get, "")), 3.0);
    assert!(now.value(&series("call_duration_seconds_sum", get, "")) > 0.0);
    assert!(server.shutdown().await.is_clean());
}

#[expect(clippy::float_cmp, reason = "counts are whole")]
#[tokio::test(flavor = "multi_thread")]
async fn a_large_fleet_brings_no_more_series() {
    let record = |k: u32| VehicleRecord {
        vehicle: format!("van-{k}"),
        vehicle_class: format!("class-{}", k % 500),
        software_version: format!("4.{k}.0"),
        brake_kind: BrakeKind::Pressure,
        last_sample_time_ms: None,
        descent_count: 0,
        descending: false,
        refused_batch_count: 0,
        friction_total_j: None,
        distance_total_m: 0.0,
        brakes: coldbrake_engine::wear::BrakeAccount::default(),
    };
    let store = Arc::new(MemoryStore::new());
    let fleet = CommitBatch {
        states: (0..10_000).map(|k| (format!("van-{k}"), vec![0])).collect(),
        vehicles: (0..10_000).map(record).collect(),
        ..CommitBatch::default()
    };
    store.commit(&fleet).unwrap();
    let server = serve_on(config(), store).await;
    let before = scrape(&server).await;
    assert_eq!(before.value("vehicles"), 10_000.0);
    let mut streams = Vec::new();
    let channel = channel(&server).await;
    for k in 0..100 {
        let (mut van, _) = Vehicle::open(channel.clone(), open(&format!("new-{k}"), session(1)))
            .await
            .unwrap();
        van.send_all(&messages(&drive(1, 300))).await;
        van.acknowledged(1).await;
        streams.push(van);
    }
    let after = scrape(&server).await;
    assert_eq!(after.value("vehicles"), 10_100.0);
    assert_eq!(after.value("streams"), 100.0);
    let new: Vec<_> = after
        .series
        .keys()
        .filter(|s| !before.series.contains_key(*s))
        .collect();
    assert!(new.is_empty(), "{new:?}");
    assert!(after.series.len() <= MOST_SERIES, "{} series", after.series.len());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_whose_store_failed_lives_but_is_not_ready() {
    let store = Arc::new(MoodyStore::default());
    let server = serve_on(config(), Arc::clone(&store) as Arc<_>).await;
    assert_eq!(get(&server, "/readyz").await, (200, "ready\n".to_owned()));
    store.set(Mood::Failing);
    let (van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.send_all(&messages(&drive(1, 40))[..1]).await;
    server.store_failed().await;
    let (status, text) = get(&server, "/readyz").await;
    assert_eq!(status, 503);
    assert!(text.contains("the disk is full"), "{text}");
    assert_eq!(get(&server, "/livez").await, (200, "alive\n".to_owned()));
    let now = scrape(&server).await;
    assert!(now.value("store_failed") > 0.5 && now.value("ready") < 0.5);
}

#[tokio::test(flavor = "multi_thread")]
async fn while_it_ends_it_says_so_and_then_lets_go_of_everything() {
    let directory = tempfile::tempdir().unwrap();
    let mut config = config().with_directory(directory.path());
    config.shutdown_grace = Duration::from_secs(8);
    let server = serve(config.clone()).await;
    let admin = server.admin_address().unwrap();
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    assert!(scrape(&server).await.value("store_size_bytes") > 0.0);
    assert!(scrape(&server).await.value("store_free_bytes") > 0.0);
    assert!(scrape(&server).await.value("store_opening_replayed_commits") < 0.5);
    let ending = tokio::spawn(server.shutdown());
    until("it says that it ends, or has ended", async || {
        let Ok(mut socket) = TcpStream::connect(admin).await else {
            return true;
        };
        let mut answer = String::new();
        let _ = socket.write_all(b"GET /readyz HTTP/1.1\r\nHost: a\r\n\r\n").await;
        let _ = socket.read_to_string(&mut answer).await;
        answer.contains(" 503 ") && answer.contains("shutting down")
    })
    .await;
    while let Ok(Some(_)) = van.hear().await {}
    drop(van);
    let report = ending.await.unwrap();
    assert!(report.is_clean(), "{report:?}");
    assert!(TcpStream::connect(admin).await.is_err(), "it still listens");
    // The lock of the store is free, and the same address too.
    config.admin_listen = Some(admin);
    let again = ServerHandle::start(config).await.unwrap();
    assert_eq!(get(&again, "/readyz").await.0, 200);
    assert!(again.shutdown().await.is_clean());
}

#[tokio::test(flavor = "multi_thread")]
async fn both_formats_and_every_other_question_are_answered() {
    let server = serve(config()).await;
    let admin = server.admin_address().unwrap();
    let (_, head, _) = ask(admin, "GET", "/metrics", "*/*").await;
    assert!(
        head.contains("content-type: application/openmetrics-text; version=1.0.0"),
        "{head}"
    );
    let (status, head, text) = ask(admin, "GET", "/metrics", "text/plain;version=0.0.4").await;
    assert_eq!(status, 200);
    assert!(head.contains("content-type: text/plain; version=0.0.4"), "{head}");
    assert!(
        text.contains("# TYPE coldbrake_commits_total counter\n"),
        "{text}"
    );
    let (status, _, body) = ask(admin, "HEAD", "/livez", "*/*").await;
    assert_eq!((status, &*body), (200, ""));
    let (status, head, _) = ask(admin, "POST", "/readyz", "*/*").await;
    assert!(status == 405 && head.contains("allow: get, head"), "{head}");
    let (status, _, body) = ask(admin, "GET", "/", "*/*").await;
    assert!(status == 404 && body.contains("/metrics"), "{body}");
    let (status, ..) = ask(admin, "GET", "/livez", &"x".repeat(40_000)).await;
    assert_eq!(status, 431);
}

#[tokio::test(flavor = "multi_thread")]
async fn peers_that_say_nothing_keep_nobody_out_for_long() {
    let server = serve(config()).await;
    let admin = server.admin_address().unwrap();
    let mut silent = Vec::new();
    for _ in 0..100 {
        silent.push(TcpStream::connect(admin).await.unwrap());
    }
    assert_eq!(get(&server, "/livez").await.0, 200);
}

#[tokio::test]
async fn an_address_that_cannot_be_had_is_named_with_what_to_do() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let mut wanted = config();
    wanted.admin_listen = Some(taken.local_addr().unwrap());
    let error = ServerHandle::start(wanted).await.unwrap_err();
    assert!(matches!(error, StartError::AdminListen { .. }), "{error}");
    assert!(error.to_string().contains("--admin-listen"), "{error}");

    let mut open = config();
    open.admin_listen = Some("0.0.0.0:0".parse().unwrap());
    let error = ServerHandle::start(open.clone()).await.unwrap_err();
    assert!(
        error.to_string().contains("`admin_listen` is 0.0.0.0:0"),
        "{error}"
    );
    open.insecure_without_tls = true;
    assert!(
        !open.problems().is_empty(),
        "the word for the other address is taken for this one"
    );
    open.insecure_admin_without_tls = true;
    assert!(open.problems().is_empty());
}
