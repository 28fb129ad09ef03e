//! Peers that stall, that speak something else, and more of them than there is room for.

use std::time::Duration;

use coldbrake_proto::v1::{GetServerStatusRequest, fleet_service_client::FleetServiceClient};
use coldbrake_server::{Config, ServerHandle, identity::Role};
use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpStream,
    time::timeout,
};
use tonic::transport::{Channel, Endpoint};

use super::authority::{Authority, Files, Fort, PATIENCE, connect, until};

async fn is_served(channel: Channel) -> bool {
    FleetServiceClient::new(channel)
        .get_server_status(GetServerStatusRequest {})
        .await
        .is_ok()
}

async fn engineer_is_served(fort: &Fort) -> bool {
    match fort.connect(Some(&fort.authority.person(Role::Engineer))).await {
        Ok(channel) => is_served(channel).await,
        Err(_) => false,
    }
}

/// Waits for the end of a connection that the server closes.
async fn closed(socket: &mut TcpStream) {
    let mut bytes = Vec::new();
    let end = timeout(PATIENCE, socket.read_to_end(&mut bytes)).await;
    assert!(end.is_ok(), "the connection stays open");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_handshake_that_stalls_ends_and_holds_up_nobody() {
    let fort = Fort::build(|c| c.limits.handshake_timeout = Duration::from_millis(500)).await;
    let mut silent = TcpStream::connect(fort.server.address()).await.unwrap();
    let mut half = TcpStream::connect(fort.server.address()).await.unwrap();
    // The head of a record that announces more than ever comes.
    half.write_all(&[22, 3, 1, 2, 0, 1, 0]).await.unwrap();
    assert!(engineer_is_served(&fort).await, "held up by peers that stall");
    closed(&mut silent).await;
    closed(&mut half).await;
    assert_eq!(
        fort.metric(r#"coldbrake_handshakes_failed_total{reason="HANDSHAKE_TIMEOUT"}"#)
            .await,
        2
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn handshakes_count_as_connections_and_give_their_places_back() {
    let fort = Fort::build(|c| {
        c.limits.connections = 2;
        c.limits.handshake_timeout = Duration::from_secs(2);
    })
    .await;
    let mut stalled = Vec::new();
    for _ in 0..2 {
        stalled.push(TcpStream::connect(fort.server.address()).await.unwrap());
    }
    // A third is closed at once, long before a handshake could time out.
    let mut third = TcpStream::connect(fort.server.address()).await.unwrap();
    let mut byte = [0];
    let end = timeout(Duration::from_millis(1_500), third.read(&mut byte)).await;
    assert!(
        matches!(end, Ok(Ok(0) | Err(_))),
        "a third connection is kept: {end:?}"
    );
    for socket in &mut stalled {
        closed(socket).await;
    }
    until("the places are free again", async || {
        engineer_is_served(&fort).await
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn handshakes_at_a_time_are_bounded_and_the_next_waits_its_turn() {
    let fort = Fort::build(|c| {
        c.limits.handshakes = 1;
        c.limits.handshake_timeout = Duration::from_secs(2);
    })
    .await;
    let _stalled = TcpStream::connect(fort.server.address()).await.unwrap();
    tokio::time::sleep(Duration::from_millis(500)).await;
    // It waits for the place, gets it when the other has timed out, and is served.
    until("the next has its turn", async || engineer_is_served(&fort).await).await;
    let timed_out = fort
        .metric(r#"coldbrake_handshakes_failed_total{reason="HANDSHAKE_TIMEOUT"}"#)
        .await;
    assert!(timed_out >= 1, "two handshakes went on at a time");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_without_tls_is_turned_away() {
    let fort = Fort::build(|_| {}).await;
    let uri = fort.server.uri().replace("https:", "http:");
    let channel = Endpoint::from_shared(uri)
        .unwrap()
        .connect_timeout(PATIENCE)
        .timeout(PATIENCE)
        .connect()
        .await;
    if let Ok(channel) = channel {
        assert!(!is_served(channel).await);
    }
    until("it is counted", async || {
        fort.metric(r#"coldbrake_handshakes_failed_total{reason="NOT_TLS"}"#)
            .await
            >= 1
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_with_tls_gets_nowhere_without() {
    let server = ServerHandle::start(Config::in_process()).await.unwrap();
    let authority = Authority::new();
    let uri = server.uri().replace("http:", "https:");
    assert!(
        connect(&uri, &authority, Some(&authority.person(Role::Engineer)))
            .await
            .is_err()
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn files_that_do_not_hold_stop_the_start_and_are_named() {
    let authority = Authority::new();
    for (name, content, word) in [
        ("server.pem", "", "holds no certificate"),
        ("server.pem", "-----BEGIN CERTIFICATE-----\nAAAA\n", "is damaged"),
        ("server-key.pem", "", "holds no private key"),
        ("server-key.pem", &authority.server().key, "is not the key of"),
        ("authorities.pem", "nothing", "holds no certificate"),
    ] {
        let files = Files::new(&authority);
        files.put(name, content);
        let error = ServerHandle::start(files.config()).await.unwrap_err().to_string();
        assert!(error.contains(name) && error.contains(word), "{name}: {error}");
    }
    let files = Files::new(&authority);
    let expired = authority.issue(vec![], |p| p.not_after = rcgen::date_time_ymd(2024, 1, 1));
    files.put_server(&expired);
    let error = ServerHandle::start(files.config()).await.unwrap_err().to_string();
    assert!(error.contains("has expired"), "{error}");

    let files = Files::new(&authority);
    let mut config = files.config();
    config.tls.client_authorities = "/nowhere/authorities.pem".into();
    let error = ServerHandle::start(config).await.unwrap_err().to_string();
    assert!(
        error.contains("/nowhere/authorities.pem: cannot be read"),
        "{error}"
    );
}

#[test]
fn half_of_the_keys_is_a_mistake_and_tls_opens_other_addresses() {
    let files = Files::new(&Authority::new());
    let mut config = files.config();
    config.listen = "0.0.0.0:0".parse().unwrap();
    assert!(config.problems().is_empty(), "{:?}", config.problems());
    config.tls.trust_domain = "Fleet.example".to_owned();
    assert_eq!(config.problems()[0].0, "tls.trust_domain");
    config.tls.trust_domain.clear();
    config.tls.key = "".into();
    let keys: Vec<_> = config.problems().into_iter().map(|(key, _)| key).collect();
    assert_eq!(keys, ["tls.key", "tls.trust_domain"]);
    // The certificate alone missing must not pass for a server without TLS.
    let mut config = files.config();
    config.tls.certificate = "".into();
    assert_eq!(config.problems()[0].0, "tls.certificate");
}
