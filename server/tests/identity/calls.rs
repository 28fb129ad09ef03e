//! Every call with every role, and with certificates that must open nothing.

use coldbrake_proto::v1::{
    OpenStream, PutVehicleClassRequest, StreamSamplesRequest, fleet_service_client::FleetServiceClient,
    stream_samples_request::Message as In, stream_samples_response::Message as Out,
    telemetry_service_client::TelemetryServiceClient,
};
use coldbrake_server::identity::{
    Role,
    access::{CALLS, Call},
};
use prost::bytes::{Buf, BufMut};
use rcgen::SanType;
use tokio::time::timeout;
use tonic::{
    Code, Request, Status,
    client::Grpc,
    codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder},
    transport::Channel,
};
use tonic_types::StatusExt as _;

use super::authority::{Authority, DOMAIN, Fort, PATIENCE, Pair, in_seconds, until, uri};

/// Messages as bytes: every call can be made with an empty one.
#[derive(Clone, Copy, Default)]
struct Raw;

impl Codec for Raw {
    type Encode = ();
    type Decode = ();
    type Encoder = Self;
    type Decoder = Self;

    fn encoder(&mut self) -> Self {
        Self
    }

    fn decoder(&mut self) -> Self {
        Self
    }
}

impl Encoder for Raw {
    type Item = ();
    type Error = Status;

    fn encode(&mut self, (): (), buf: &mut EncodeBuf<'_>) -> Result<(), Status> {
        // A message with nothing in it.
        buf.put_slice(&[]);
        Ok(())
    }
}

impl Decoder for Raw {
    type Item = ();
    type Error = Status;

    fn decode(&mut self, buf: &mut DecodeBuf<'_>) -> Result<Option<()>, Status> {
        buf.advance(buf.remaining());
        Ok(Some(()))
    }
}

/// Makes a call with an empty message and returns what it came to.
pub(crate) async fn make(channel: &Channel, path: &'static str) -> Result<(), Status> {
    let mut grpc = Grpc::new(channel.clone());
    grpc.ready()
        .await
        .map_err(|e| Status::unavailable(e.to_string()))?;
    let request = Request::new(tokio_stream::once(()));
    let answer = grpc.streaming(request, path.try_into().unwrap(), Raw);
    timeout(PATIENCE, answer).await.expect("an answer").map(drop)
}

/// Returns whether a call came through to its service: what that said to an empty message does not matter.
fn came_through(outcome: &Result<(), Status>) -> bool {
    !matches!(
        outcome.as_ref().map_err(Status::code),
        Err(Code::PermissionDenied
            | Code::Unauthenticated
            | Code::Unimplemented
            | Code::Unavailable
            | Code::Cancelled
            | Code::Unknown)
    )
}

fn reason(status: &Status) -> String {
    status
        .get_error_details()
        .error_info()
        .map(|info| info.reason.clone())
        .unwrap_or_default()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_call_is_open_to_its_roles_and_to_no_other() {
    let fort = Fort::build(|_| {}).await;
    let mut refused = 0;
    for role in Role::ALL {
        let channel = fort.connect(Some(&fort.authority.of_role(role))).await.unwrap();
        for Call { path, roles } in CALLS {
            let outcome = make(&channel, path).await;
            if roles.contains(&role) {
                assert!(came_through(&outcome), "{role} is refused {path}: {outcome:?}");
            } else {
                let status = outcome.expect_err(path);
                assert_eq!(status.code(), Code::PermissionDenied, "{role} {path}: {status:?}");
                assert_eq!(reason(&status), "ROLE_NOT_ALLOWED");
                assert!(status.message().contains(roles[0].name()), "{}", status.message());
                refused += 1;
            }
        }
    }
    assert!(refused >= 12, "the table refuses next to nothing");
    let counted = fort
        .metric(r#"coldbrake_calls_refused_total{reason="ROLE_NOT_ALLOWED"}"#)
        .await;
    assert_eq!(counted, refused);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_call_that_is_not_in_the_table_reaches_nobody() {
    let fort = Fort::build(|_| {}).await;
    let engineer = fort
        .connect(Some(&fort.authority.person(Role::Engineer)))
        .await
        .unwrap();
    for path in [
        "/coldbrake.v1.FleetService/Nothing",
        "/coldbrake.v1.FleetService/ListVehicles/",
        "/coldbrake.v1.fleetservice/ListVehicles",
        "//coldbrake.v1.FleetService/ListVehicles",
        "/",
    ] {
        let status = make(&engineer, path).await.expect_err(path);
        assert_eq!(status.code(), Code::Unimplemented, "{path}: {status:?}");
        assert_eq!(reason(&status), "CALL_UNKNOWN", "{path}");
    }
}

/// A connection that a trusted authority vouches for, but that names nobody here: every call says why.
async fn names_nobody(fort: &Fort, what: &str, pair: &Pair, why: &str) {
    let channel = fort.connect(Some(pair)).await.expect(what);
    for Call { path, .. } in CALLS {
        let status = make(&channel, path).await.expect_err(what);
        assert_eq!(status.code(), Code::Unauthenticated, "{what}, {path}: {status:?}");
        assert_eq!(reason(&status), "IDENTITY_NOT_ACCEPTED", "{what}, {path}");
        assert!(status.message().contains(why), "{what}: {}", status.message());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_that_names_nobody_here_opens_nothing() {
    let fort = Fort::build(|_| {}).await;
    let a = &fort.authority;
    let dns = || SanType::DnsName("localhost".try_into().unwrap());
    let vehicle = format!("spiffe://{DOMAIN}/vehicle/van-07");
    for (what, pair, why) in [
        (
            "a foreign trust domain",
            a.named("spiffe://other.example/person/mira/role/engineer"),
            "its trust domain is `other.example`",
        ),
        ("no URI", a.issue(vec![dns()], |_| {}), "no URI"),
        ("no name at all", a.issue(vec![], |_| {}), "no URI"),
        (
            "two URIs",
            a.issue(
                vec![uri(&vehicle), uri("spiffe://fleet.example/vehicle/van-08")],
                |_| {},
            ),
            "2 URIs",
        ),
        (
            "an upper-case trust domain",
            a.named("spiffe://FLEET.example/vehicle/van-07"),
            "a-z",
        ),
        (
            "a port",
            a.named("spiffe://fleet.example:1/vehicle/van-07"),
            "port",
        ),
        (
            "a query",
            a.named("spiffe://fleet.example/vehicle/van-07?role=engineer"),
            "query",
        ),
        (
            "another scheme",
            a.named("https://fleet.example/vehicle/van-07"),
            "spiffe://",
        ),
        (
            "a role that is none",
            a.named("spiffe://fleet.example/person/mira/role/king"),
            "no role",
        ),
        (
            "a person as a vehicle",
            a.named("spiffe://fleet.example/person/mira/role/vehicle"),
            "no role",
        ),
        (
            "a path of no meaning",
            a.named("spiffe://fleet.example/server/one"),
            "names neither",
        ),
        (
            "an authority",
            a.issue(vec![uri(&vehicle)], |p| {
                p.key_usages = vec![
                    rcgen::KeyUsagePurpose::DigitalSignature,
                    rcgen::KeyUsagePurpose::KeyCertSign,
                ];
            }),
            "may issue certificates",
        ),
    ] {
        names_nobody(&fort, what, &pair, why).await;
    }
}

/// No connection: what the transport says differs, and nothing comes through.
async fn no_connection(fort: &Fort, what: &str, pair: Option<&Pair>, reason: &str) {
    let series = format!(r#"coldbrake_handshakes_failed_total{{reason="{reason}"}}"#);
    let before = fort.metric(&series).await;
    for Call { path, .. } in CALLS {
        // In TLS 1.3 the client may think for a moment that it is in.
        if let Ok(channel) = fort.connect(pair).await {
            let outcome = make(&channel, path).await;
            assert!(!came_through(&outcome), "{what} made {path}: {outcome:?}");
            let status = outcome.unwrap_err();
            assert!(
                reason_is_of_transport(&status),
                "{what} reached a service: {status:?}"
            );
        }
    }
    let counted = fort.metric(&series).await - before;
    assert!(
        counted >= CALLS.len() as i64,
        "{what}: {counted} handshakes failed for {reason}"
    );
}

fn reason_is_of_transport(status: &Status) -> bool {
    status.get_error_details().error_info().is_none()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_that_does_not_hold_makes_no_connection() {
    let fort = Fort::build(|_| {}).await;
    let engineer = |authority: &Authority| authority.person(Role::Engineer);
    no_connection(&fort, "no certificate", None, "CERTIFICATE_MISSING").await;
    let stranger = engineer(&Authority::new());
    no_connection(&fort, "another authority", Some(&stranger), "CERTIFICATE_REFUSED").await;
    let names = || vec![uri(&format!("spiffe://{DOMAIN}/person/mira/role/engineer"))];
    let expired = fort
        .authority
        .issue(names(), |p| p.not_after = rcgen::date_time_ymd(2024, 1, 1));
    no_connection(&fort, "expired", Some(&expired), "CERTIFICATE_REFUSED").await;
    let early = fort
        .authority
        .issue(names(), |p| p.not_before = rcgen::date_time_ymd(2999, 1, 1));
    no_connection(&fort, "not valid yet", Some(&early), "CERTIFICATE_REFUSED").await;
    let server = fort.authority.server();
    no_connection(
        &fort,
        "the certificate of a server",
        Some(&server),
        "CERTIFICATE_REFUSED",
    )
    .await;
    // The same door is open to who may come.
    let channel = fort.connect(Some(&engineer(&fort.authority))).await.unwrap();
    assert!(came_through(
        &make(&channel, "/coldbrake.v1.FleetService/ListVehicles").await
    ));
}

/// The document of a class, as an engineer registers it.
pub(crate) const CLASS: &str = r#"
vehicle_class = "van"
display_name = "Van"
mass_kg = 2500.0
rolling_coefficient = 0.0095
drag_area_m2 = 1.224
max_recovery_power_w = 100e3
nominal_voltage_v = 360.0
brake_force_per_bar_n = 400.0
"#;

pub(crate) async fn register(channel: Channel) {
    let document_toml = CLASS.to_owned();
    FleetServiceClient::new(channel)
        .put_vehicle_class(PutVehicleClassRequest { document_toml })
        .await
        .unwrap();
}

pub(crate) fn open(vehicle: &str) -> StreamSamplesRequest {
    let open = OpenStream {
        vehicle: vehicle.to_owned(),
        vehicle_class: "van".to_owned(),
        software_version: "4.2.0".to_owned(),
        brake_kind: coldbrake_proto::v1::BrakeKind::Pressure.into(),
        current_sign: coldbrake_proto::v1::CurrentSign::ChargePositive.into(),
        session: vec![7; 16],
        ..Default::default()
    };
    StreamSamplesRequest {
        message: Some(In::Open(open)),
    }
}

/// Opens a stream and returns the first that is said.
async fn first_word(channel: Channel, vehicle: &str) -> Result<Option<Out>, Status> {
    // The stream stays open while the first word is waited for.
    let (sender, receiver) = tokio::sync::mpsc::channel(1);
    sender.send(open(vehicle)).await.unwrap();
    let mut said = TelemetryServiceClient::new(channel)
        .stream_samples(tokio_stream::wrappers::ReceiverStream::new(receiver))
        .await?
        .into_inner();
    let word = timeout(PATIENCE, said.message()).await.expect("a word")?;
    Ok(word.and_then(|w| w.message))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_vehicle_speaks_for_itself_alone() {
    let fort = Fort::build(|_| {}).await;
    register(
        fort.connect(Some(&fort.authority.person(Role::Engineer)))
            .await
            .unwrap(),
    )
    .await;
    let van = fort
        .connect(Some(&fort.authority.vehicle("van-07")))
        .await
        .unwrap();

    let status = first_word(van.clone(), "van-08").await.unwrap_err();
    assert_eq!(status.code(), Code::PermissionDenied, "{status:?}");
    assert_eq!(reason(&status), "VEHICLE_NOT_OWN");
    assert!(
        status.message().contains("vehicle/van-07") && status.message().contains("`van-08`"),
        "{}",
        status.message()
    );
    assert!(fort.server.store().vehicle("van-08").unwrap().is_none());

    let word = first_word(van, "van-07").await.unwrap();
    assert!(matches!(word, Some(Out::Opened(_))), "{word:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_log_of_changes_names_the_person() {
    let fort = Fort::build(|_| {}).await;
    register(
        fort.connect(Some(&fort.authority.person(Role::Engineer)))
            .await
            .unwrap(),
    )
    .await;
    let log = fort.server.store().audit(None, 10).unwrap().rows;
    assert_eq!(log.len(), 1);
    assert_eq!(
        (
            log[0].who.as_str(),
            log[0].action.as_str(),
            log[0].subject.as_str()
        ),
        ("person/mira/role/engineer", "PutVehicleClass", "van")
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_connection_ends_with_its_certificate() {
    let fort = Fort::build(|_| {}).await;
    let names = vec![uri(&format!("spiffe://{DOMAIN}/person/mira/role/operator"))];
    let brief = fort.authority.issue(names, |p| in_seconds(p, 3));
    let channel = fort.connect(Some(&brief)).await.unwrap();
    let mut watch = coldbrake_proto::v1::descent_service_client::DescentServiceClient::new(channel)
        .watch_descents(coldbrake_proto::v1::WatchDescentsRequest::default())
        .await
        .unwrap()
        .into_inner();
    // Nothing is said on this stream: only the end of the connection ends it.
    let end = timeout(PATIENCE, watch.message())
        .await
        .expect("the end of the connection");
    assert!(end.is_err(), "{end:?}");
    // The certificate holds to the end of its last second.
    until("it opens nothing more", async || {
        match fort.connect(Some(&brief)).await {
            Ok(channel) => !came_through(&make(&channel, "/coldbrake.v1.FleetService/ListVehicles").await),
            Err(_) => true,
        }
    })
    .await;
}
