//! Traces, taken by a collector with the service that OpenTelemetry's own schema generates (opentelemetry-proto), and by
//! none that answers.

use std::{
    net::SocketAddr,
    process::{Command, Stdio},
    sync::{Arc, Mutex},
    time::{Duration, Instant},
};

use coldbrake_proto::v1::{
    GetServerStatusRequest, GetVehicleRequest, fleet_service_client::FleetServiceClient,
    telemetry_service_client::TelemetryServiceClient,
};
use coldbrake_server::{Config, ServerHandle, identity::Role};
use opentelemetry_proto::tonic::{
    collector::trace::v1::{
        ExportTraceServiceRequest, ExportTraceServiceResponse,
        trace_service_server::{TraceService, TraceServiceServer},
    },
    common::v1::{KeyValue, any_value::Value},
    trace::v1::{Span, span::SpanKind, status::StatusCode},
};
use tokio::net::TcpListener;
use tokio_stream::wrappers::TcpListenerStream;
use tonic::{
    Code, Request, Response, Status,
    transport::{Channel, Identity, Server, ServerTlsConfig},
};

use super::{
    authority::{Authority, Fort, PATIENCE, Pair, metric, until},
    calls::{make, open, register},
};

/// A span, after the attributes of the resource that it came with.
type Taken = (Vec<KeyValue>, Span);

/// Takes spans and keeps them.
#[derive(Clone, Default)]
struct Collector(Arc<Mutex<Vec<Taken>>>);

#[tonic::async_trait]
impl TraceService for Collector {
    async fn export(
        &self,
        request: Request<ExportTraceServiceRequest>,
    ) -> Result<Response<ExportTraceServiceResponse>, Status> {
        let mut kept = self.0.lock().unwrap();
        for of_resource in request.into_inner().resource_spans {
            let resource = of_resource.resource.unwrap_or_default().attributes;
            let spans = of_resource.scope_spans.into_iter().flat_map(|s| s.spans);
            kept.extend(spans.map(|span| (resource.clone(), span)));
        }
        Ok(Response::new(ExportTraceServiceResponse::default()))
    }
}

impl Collector {
    async fn start(tls: Option<&Pair>) -> (Self, SocketAddr) {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let collector = Self::default();
        let mut server = Server::builder();
        if let Some(pair) = tls {
            let identity = Identity::from_pem(&pair.certificate, &pair.key);
            server = server
                .tls_config(ServerTlsConfig::new().identity(identity))
                .unwrap();
        }
        let serving = server
            .add_service(TraceServiceServer::new(collector.clone()))
            .serve_with_incoming(TcpListenerStream::new(listener));
        tokio::spawn(serving);
        (collector, address)
    }

    /// Spans of this name, in the order in which they came.
    fn spans(&self, name: &str) -> Vec<Span> {
        let kept = self.0.lock().unwrap();
        let named = kept.iter().filter(|(_, span)| span.name == name);
        named.map(|(_, span)| span.clone()).collect()
    }

    /// The values of an attribute of the resource, over all spans.
    fn of_resource(&self, key: &str) -> Vec<String> {
        let kept = self.0.lock().unwrap();
        let mut values: Vec<String> = kept.iter().map(|(r, _)| text(r, key)).collect();
        values.dedup();
        values
    }
}

fn text(attributes: &[KeyValue], key: &str) -> String {
    let found = attributes.iter().find(|a| a.key == key);
    match found.and_then(|a| a.value.as_ref()?.value.as_ref()) {
        Some(Value::StringValue(text)) => text.clone(),
        Some(other) => format!("{other:?}"),
        None => String::new(),
    }
}

fn told(span: &Span) -> [String; 4] {
    [
        "rpc.system.name",
        "rpc.method",
        "coldbrake.role",
        "rpc.response.status_code",
    ]
    .map(|key| text(&span.attributes, key))
}

fn is_error(span: &Span) -> bool {
    span.status
        .as_ref()
        .is_some_and(|s| s.code() == StatusCode::Error)
}

const STATUS: &str = "coldbrake.v1.FleetService/GetServerStatus";
const VEHICLE: &str = "coldbrake.v1.FleetService/GetVehicle";
const STREAM: &str = "coldbrake.v1.TelemetryService/StreamSamples";

async fn status(channel: Channel) -> Result<(), Status> {
    FleetServiceClient::new(channel)
        .get_server_status(GetServerStatusRequest {})
        .await
        .map(drop)
}

#[tokio::test(flavor = "multi_thread")]
async fn each_call_is_one_span_with_method_role_and_status_and_no_name() {
    let (collector, address) = Collector::start(None).await;
    let fort = Fort::build(|c| c.traces.endpoint = format!("http://{address}")).await;
    let engineer = fort
        .connect(Some(&fort.authority.person(Role::Engineer)))
        .await
        .unwrap();
    register(engineer.clone()).await;
    status(engineer.clone()).await.unwrap();
    let vehicle = "van-99".to_owned();
    let missing = FleetServiceClient::new(engineer.clone())
        .get_vehicle(GetVehicleRequest { vehicle })
        .await;
    assert_eq!(missing.unwrap_err().code(), Code::NotFound);
    let none = make(&engineer, "/coldbrake.v1.FleetService/Nothing").await;
    assert_eq!(none.unwrap_err().code(), Code::Unimplemented);
    let van = fort
        .connect(Some(&fort.authority.vehicle("van-07")))
        .await
        .unwrap();
    assert_eq!(
        status(van.clone()).await.unwrap_err().code(),
        Code::PermissionDenied
    );
    // A stream that its vehicle leaves.
    {
        let (sender, receiver) = tokio::sync::mpsc::channel(1);
        sender.send(open("van-07")).await.unwrap();
        let mut said = TelemetryServiceClient::new(van)
            .stream_samples(tokio_stream::wrappers::ReceiverStream::new(receiver))
            .await
            .unwrap()
            .into_inner();
        said.message().await.unwrap().expect("opened");
        assert!(collector.spans(STREAM).is_empty(), "the stream has not ended");
    }
    until("the span of the stream comes", async || {
        !collector.spans(STREAM).is_empty()
    })
    .await;
    let report = fort.server.shutdown().await;
    assert!(report.is_clean(), "{report:?}");

    let spans = collector.spans(STATUS);
    assert_eq!(
        spans.iter().map(told).collect::<Vec<_>>(),
        [
            ["grpc", STATUS, "engineer", "OK"],
            ["grpc", STATUS, "vehicle", "PERMISSION_DENIED"]
        ]
    );
    assert!(spans.iter().all(|s| s.kind() == SpanKind::Server && !is_error(s)));
    assert!(
        spans
            .iter()
            .all(|s| s.end_time_unix_nano >= s.start_time_unix_nano && s.start_time_unix_nano > 0)
    );
    assert_eq!(
        collector.spans(VEHICLE).iter().map(told).collect::<Vec<_>>(),
        [["grpc", VEHICLE, "engineer", "NOT_FOUND"]]
    );
    let unknown = collector.spans("_OTHER");
    assert_eq!(unknown.len(), 1);
    assert_eq!(told(&unknown[0])[3], "UNIMPLEMENTED");
    assert!(is_error(&unknown[0]));
    let streams = collector.spans(STREAM);
    assert_eq!(
        streams.iter().map(told).collect::<Vec<_>>(),
        [["grpc", STREAM, "vehicle", "CANCELLED"]]
    );
    // The class that was registered became durable in a commit.
    let commits = collector.spans("commit");
    assert!(
        !commits.is_empty()
            && commits
                .iter()
                .all(|s| s.kind() == SpanKind::Internal && !is_error(s))
    );

    assert_eq!(collector.of_resource("service.name"), ["coldbrake-server"]);
    assert_eq!(
        collector.of_resource("service.version"),
        [env!("CARGO_PKG_VERSION")]
    );
    let everything = format!("{:?}", collector.0.lock().unwrap());
    for name in ["van-07", "van-99", "mira", "4.2.0"] {
        assert!(!everything.contains(name), "a span holds `{name}`");
    }
}

/// The example of W3C Trace Context, 3.2.2.5.1.
const CALLER: &str = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";

#[tokio::test(flavor = "multi_thread")]
async fn a_call_goes_on_in_the_trace_of_its_caller_and_the_share_holds_all_the_same() {
    for (share, expected) in [(1.0, 1), (0.0, 0)] {
        let (collector, address) = Collector::start(None).await;
        let mut config = Config::in_process();
        config.traces.endpoint = format!("http://{address}");
        config.traces.share = share;
        let server = ServerHandle::start(config).await.unwrap();
        let channel = Channel::from_shared(server.uri())
            .unwrap()
            .connect()
            .await
            .unwrap();
        let mut request = Request::new(GetServerStatusRequest {});
        request
            .metadata_mut()
            .insert("traceparent", CALLER.parse().unwrap());
        FleetServiceClient::new(channel)
            .get_server_status(request)
            .await
            .unwrap();
        assert!(server.shutdown().await.is_clean());
        let spans = collector.spans(STATUS);
        assert_eq!(spans.len(), expected, "share {share}");
        for span in spans {
            assert_eq!(told(&span)[2], "local");
            assert_eq!(
                span.trace_id,
                0x4bf9_2f35_77b3_4da6_a3ce_929d_0e0e_4736_u128.to_be_bytes()
            );
            assert_eq!(span.parent_span_id, 0x00f0_67aa_0ba9_02b7_u64.to_be_bytes());
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn spans_go_to_a_collector_over_tls() {
    let authority = Authority::new();
    let (collector, address) = Collector::start(Some(&authority.server())).await;
    let directory = tempfile::tempdir().unwrap();
    let mut config = Config::in_process();
    config.traces.endpoint = format!("https://localhost:{}", address.port());
    config.traces.authorities = directory.path().join("authorities.pem");
    let refused = ServerHandle::start(config.clone()).await.unwrap_err().to_string();
    assert!(
        refused.contains("traces.authorities") && refused.contains("cannot be read"),
        "{refused}"
    );
    std::fs::write(&config.traces.authorities, authority.pem()).unwrap();
    let server = ServerHandle::start(config).await.unwrap();
    let channel = Channel::from_shared(server.uri())
        .unwrap()
        .connect()
        .await
        .unwrap();
    status(channel).await.unwrap();
    assert!(server.shutdown().await.is_clean());
    assert_eq!(collector.spans(STATUS).len(), 1);
}

/// Calls a server whose collector is at this address, and ends it.
async fn calls_without(collector: &str) {
    let mut config = Config::in_process();
    config.admin_listen = Some("127.0.0.1:0".parse().unwrap());
    config.shutdown_grace = Duration::from_secs(4);
    config.traces.endpoint = format!("http://{collector}");
    let server = ServerHandle::start(config).await.unwrap();
    let channel = Channel::from_shared(server.uri())
        .unwrap()
        .connect()
        .await
        .unwrap();
    let begun = Instant::now();
    // More than wait in the queue for a collector.
    for _ in 0..3_000 {
        status(channel.clone()).await.unwrap();
    }
    let took = begun.elapsed();
    // One that waited for the collector would take seconds.
    assert!(
        took < 3 * PATIENCE,
        "3000 calls took {took:?} without a collector"
    );
    until("the loss is told", async || {
        metric(&server, r#"coldbrake_trace_spans_total{result="lost"}"#).await > 0
    })
    .await;
    assert_eq!(
        metric(&server, r#"coldbrake_trace_spans_total{result="sent"}"#).await,
        0
    );
    drop(channel);
    let begun = Instant::now();
    let report = server.shutdown().await;
    assert!(report.is_clean(), "{report:?}");
    let took = begun.elapsed();
    assert!(took < Duration::from_secs(4), "the end took {took:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_collector_that_is_not_there_holds_up_nothing() {
    let nobody = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = nobody.local_addr().unwrap();
    drop(nobody);
    calls_without(&address.to_string()).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_collector_that_says_nothing_holds_up_nothing() {
    // Connections wait in the backlog of the system, and nobody takes them.
    let silent = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = silent.local_addr().unwrap();
    calls_without(&address.to_string()).await;
}

/// The program, with a log that holds next to nothing.
#[tokio::test(flavor = "multi_thread")]
async fn traces_do_not_hang_on_what_the_log_shows() {
    let (collector, address) = Collector::start(None).await;
    let free = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let listen = free.local_addr().unwrap().to_string();
    drop(free);
    let mut child = Command::new(env!("CARGO_BIN_EXE_coldbrake-server"))
        .env_clear()
        .args([
            "--listen",
            &listen,
            "--admin-listen",
            "",
            "--store-kind",
            "memory",
        ])
        .args(["--log-filter", "error", "--traces-endpoint"])
        .arg(format!("http://{address}"))
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let uri = format!("http://{listen}");
    until("the program serves", async || {
        match Channel::from_shared(uri.clone()).unwrap().connect().await {
            Ok(channel) => status(channel).await.is_ok(),
            Err(_) => false,
        }
    })
    .await;
    let id = child.id().to_string();
    assert!(
        Command::new("kill")
            .args(["-TERM", &id])
            .status()
            .unwrap()
            .success()
    );
    let output = tokio::task::spawn_blocking(move || {
        let code = child.wait().unwrap();
        (
            code,
            std::io::read_to_string(child.stderr.take().unwrap()).unwrap(),
        )
    });
    let (code, log) = tokio::time::timeout(PATIENCE, output).await.unwrap().unwrap();
    assert!(code.success() && log.is_empty(), "{code}: {log}");
    assert_eq!(collector.spans(STATUS).len(), 1);
}
