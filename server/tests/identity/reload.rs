//! Certificates that are replaced while the server runs.

use std::{
    io::{BufRead as _, BufReader},
    process::{Child, Command, Stdio},
    time::Duration,
};

use coldbrake_proto::v1::{GetServerStatusRequest, fleet_service_client::FleetServiceClient};
use coldbrake_server::identity::Role;
use tonic::transport::Channel;

use super::authority::{Authority, DOMAIN, Files, Fort, connect, text, until};

const TAKEN: &str = r#"coldbrake_certificate_readings_total{result="taken"}"#;
const REFUSED: &str = r#"coldbrake_certificate_readings_total{result="refused"}"#;

async fn is_served(channel: &Channel) -> bool {
    FleetServiceClient::new(channel.clone())
        .get_server_status(GetServerStatusRequest {})
        .await
        .is_ok()
}

/// Returns whether an operator of `client` who trusts servers of `server` is served.
async fn serves(uri: &str, server: &Authority, client: &Authority) -> bool {
    match connect(uri, server, Some(&client.person(Role::Operator))).await {
        Ok(channel) => is_served(&channel).await,
        Err(_) => false,
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn new_files_are_taken_and_bad_ones_leave_the_old_in_use() {
    let fort = Fort::build(|_| {}).await;
    let (old, new, uri) = (&fort.authority, Authority::new(), fort.server.uri());
    let open = fort.connect(Some(&old.person(Role::Operator))).await.unwrap();
    assert!(is_served(&open).await);
    assert!(!serves(&uri, old, &new).await);

    // A key that does not belong to the certificate, and half a file.
    for (name, content) in [
        ("server-key.pem", new.server().key),
        ("authorities.pem", new.pem()[..100].to_owned()),
    ] {
        let refused = fort.metric(REFUSED).await;
        let before = std::fs::read_to_string(fort.files.path(name)).unwrap();
        fort.files.put(name, &content);
        fort.server.read_certificates();
        until("the bad file is refused", async || {
            fort.metric(REFUSED).await > refused
        })
        .await;
        assert!(
            serves(&uri, old, old).await,
            "{name}: the old certificates are out of use"
        );
        fort.files.put(name, &before);
    }
    assert_eq!(fort.metric(TAKEN).await, 0);

    // All of another authority.
    let renewed = new.issue(
        vec![rcgen::SanType::IpAddress("127.0.0.1".parse().unwrap())],
        |p| p.not_after = rcgen::date_time_ymd(2990, 1, 1),
    );
    fort.files.put_server(&renewed);
    fort.files.put("authorities.pem", &new.pem());
    fort.server.read_certificates();
    until("the new files are taken", async || fort.metric(TAKEN).await == 1).await;
    assert!(serves(&uri, &new, &new).await);
    assert!(!serves(&uri, &new, old).await, "the old authority still opens");
    assert!(
        !serves(&uri, old, old).await,
        "the old certificate is still shown"
    );
    // What was connected stays so.
    assert!(is_served(&open).await);
    let century = 100 * 365 * 86_400;
    assert!(fort.metric("coldbrake_certificate_remaining_seconds").await > 5 * century);
}

#[tokio::test(flavor = "multi_thread")]
async fn changed_files_are_found_without_being_told() {
    let fort = Fort::build(|c| c.tls.check_interval = Duration::from_millis(100)).await;
    let new = Authority::new();
    let both = format!("{}{}", fort.authority.pem(), new.pem());
    fort.files.put("authorities.pem", &both);
    until("the new authority is taken", async || {
        serves(&fort.server.uri(), &fort.authority, &new).await
    })
    .await;
    assert!(serves(&fort.server.uri(), &fort.authority, &fort.authority).await);
    // What has been read once is not read again.
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert_eq!(fort.metric(TAKEN).await, 1);
}

/// The program, ended when dropped.
struct Program(Child);

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_hang_up_has_the_program_read_its_files() {
    let (old, new) = (Authority::new(), Authority::new());
    let files = Files::new(&old);
    let mut child = Command::new(env!("CARGO_BIN_EXE_coldbrake-server"))
        .env_clear()
        .args([
            "--listen",
            "127.0.0.1:0",
            "--admin-listen",
            "",
            "--log-format",
            "json",
            "--store-kind",
            "memory",
        ])
        .args(["--tls-trust-domain", DOMAIN, "--tls-check-interval", "1h"])
        .args(["--tls-certificate", &text(&files.path("server.pem"))])
        .args(["--tls-key", &text(&files.path("server-key.pem"))])
        .args(["--tls-client-authorities", &text(&files.path("authorities.pem"))])
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut log = BufReader::new(child.stderr.take().unwrap());
    let program = Program(child);
    let mut find = |word: &str| loop {
        let mut line = String::new();
        assert!(
            log.read_line(&mut line).unwrap() > 0,
            "the program ended before it said {word}"
        );
        if line.contains(word) {
            break line;
        }
    };
    let serving: serde_json::Value = serde_json::from_str(&find("\"serving\"")).unwrap();
    let uri = format!("https://{}", serving["address"].as_str().unwrap());
    assert!(serves(&uri, &old, &old).await && !serves(&uri, &old, &new).await);

    files.put("authorities.pem", &new.pem());
    let sent = Command::new("kill")
        .args(["-HUP", &program.0.id().to_string()])
        .status()
        .unwrap();
    assert!(sent.success());
    find("certificates read");
    assert!(serves(&uri, &old, &new).await && !serves(&uri, &old, &old).await);
}
