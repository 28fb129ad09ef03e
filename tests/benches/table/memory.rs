//! Memory of a vehicle on a server, beside the same streams at the bare transport. Each server is a process of its own; the
//! vehicles are in this one, which does not count.

use std::{sync::Arc, time::Duration};

use coldbrake_server::{Config, files};
use coldbrake_tests::{
    load::{
        bare::BareServer,
        child::Server,
        fleet::Plan,
        memory::{OfAStream, of_a_stream},
        pki::Pki,
    },
    program,
};

use super::row::{Aim, Row};

/// Files that are open beside connections.
const OTHER_FILES: usize = 512;
/// Time of driving before memory is looked at: four messages of each vehicle.
const DRIVE: Duration = Duration::from_secs(20);
/// One vehicle in so many speaks TLS in the second measurement: a handshake takes its time.
const TLS_SHARE: usize = 5;

pub(crate) async fn rows(streams: usize) -> Vec<Row> {
    let room = room(streams);
    let mut rows = compare(streams, streams.div_ceil(room), None).await;
    let secure = (streams / TLS_SHARE).clamp(1, room);
    eprintln!("  certificates of {secure} vehicles …");
    let pki = Arc::new(Pki::new(secure));
    rows.extend(compare(secure, 1, Some(pki)).await);
    rows
}

/// Returns how many connections this process and its children may have each, at most as many as wanted.
fn room(wanted: usize) -> usize {
    let allowed = files::raise((wanted + OTHER_FILES) as u64) as usize;
    allowed.saturating_sub(OTHER_FILES).clamp(1, wanted)
}

async fn compare(streams: usize, per_connection: usize, pki: Option<Arc<Pki>>) -> Vec<Row> {
    let plan = |uri: &str| Plan {
        pki: pki.clone(),
        ..Plan::new(uri, streams, per_connection)
    };
    let how = if pki.is_some() { "with TLS" } else { "plain" };
    eprintln!("  {streams} streams, {how}: the server …");
    let ours = ours(&plan, streams, per_connection, pki.as_deref()).await;
    eprintln!("  {streams} streams, {how}: a service that does nothing …");
    let bare = {
        let server = BareServer::start(program::load(), pki.as_deref());
        of_a_stream(&plan(server.uri()), DRIVE, || server.usage()).await
    };
    let each = if per_connection == 1 {
        "each on a connection of its own".to_owned()
    } else {
        format!("{per_connection} to a connection, as more files may not be open")
    };
    let row = |what: &str, of: fn(&OfAStream) -> f64| Row {
        what: format!("{what}: {streams} streams, {how}, {each}"),
        unit: "KiB",
        ours: of(&ours) / 1_024.0,
        beside: Some(("a service that does nothing", of(&bare) / 1_024.0)),
        aim: Aim::RatioAtMost(1.3),
    };
    vec![
        row("memory of an idle vehicle", |m| m.idle),
        row("memory of a vehicle that streams", |m| m.driving),
    ]
}

async fn ours(
    plan: &impl Fn(&str) -> Plan,
    streams: usize,
    per_connection: usize,
    pki: Option<&Pki>,
) -> OfAStream {
    let directory = tempfile::tempdir().unwrap();
    // Nobody is turned away: the limits of the server are above what is tried.
    let many = (streams + OTHER_FILES).to_string();
    let calls = per_connection
        .max(Config::default().limits.calls_per_connection as usize)
        .to_string();
    let flags = [
        "--limits-streams",
        &many,
        "--limits-connections",
        &many,
        "--limits-vehicles",
        &many,
        "--limits-calls-per-connection",
        &calls,
    ];
    let mut server = match pki {
        None => Server::start(program::server(), directory.path(), flags).await,
        Some(pki) => Server::start_with_tls(program::server(), directory.path(), pki, flags).await,
    };
    let measured = of_a_stream(&plan(&server.uri()), DRIVE, || server.usage()).await;
    server.terminate();
    let ended = server.ended(Duration::from_secs(30)).await;
    assert_eq!(ended.code, Some(0), "{}", ended.log);
    measured
}
