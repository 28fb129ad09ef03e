//! What users ask a server that holds a fleet, while another fleet streams into it, beside the same with nobody streaming.

use std::time::{Duration, Instant};

use coldbrake::{
    command::descents::{fetch, fetch_one},
    connect::Server as Connection,
};
use coldbrake_proto::v1::{DescentFilter, GetDistributionRequest};
use coldbrake_tests::load::fleet::{Fleet, Plan};

use super::{
    restart::answering,
    row::{Aim, Row},
    stock::{self, DESCENTS, GRADES, Stock},
};

/// Vehicles that stream, those that share a connection: with ten samples a second each, 50,000 a second.
const STREAMS: usize = 5_000;
const PER_CONNECTION: usize = 50;
/// Questions of each kind, as far as time allows.
const TIMES: usize = 500;
const MOST: Duration = Duration::from_secs(40);
const PATIENCE: Duration = Duration::from_secs(60);
/// Rows of a list unless the user says otherwise.
const LISTED: usize = 30;

const KINDS: [&str; 5] = [
    "list of a vehicle's descents",
    "list of the latest descents",
    "the last descent of a vehicle with its profile",
    "histogram of a metric on one grade",
    "histogram of a metric over the fleet",
];

pub(crate) async fn rows(stock: &Stock) -> Vec<Row> {
    let (mut server, _) = answering(stock).await;
    let connection = Connection::connect(&server.uri(), Duration::from_secs(10))
        .await
        .unwrap();
    eprintln!("  asking with nobody streaming …");
    let (calm, _) = ask_all(&connection, stock).await;
    let fleet = Fleet::start(&Plan::new(server.uri(), STREAMS, PER_CONNECTION));
    let opened = fleet.all_open(0, PATIENCE).await;
    assert!(opened.is_some(), "not all streams open: {:?}", fleet.counts());
    fleet.drive(true);
    // Until every vehicle has sent its first message.
    tokio::time::sleep(Duration::from_secs(7)).await;
    eprintln!("  asking while {STREAMS} vehicles stream …");
    let (before, begin) = (fleet.counts().acknowledged, Instant::now());
    let (busy, merged) = ask_all(&connection, stock).await;
    let messages = (fleet.counts().acknowledged - before) as f64 / begin.elapsed().as_secs_f64();
    let rate = messages * fleet.message().0 as f64;
    assert!(fleet.settle(PATIENCE).await.is_some(), "{:?}", fleet.counts());
    let counts = fleet.end().await;
    assert!(counts.losses.is_empty(), "lost streams: {counts:?}");
    server.terminate();
    let ended = server.ended(PATIENCE).await;
    assert_eq!(ended.code, Some(0), "{}", ended.log);

    let mut rows = Vec::new();
    for (kind, (mut busy, mut calm)) in busy.into_iter().zip(calm).enumerate() {
        let mut name = KINDS[kind].to_owned();
        if merged[kind] > 0 {
            name += &format!(" ({} stored ones added)", merged[kind]);
        }
        for (which, q, aim) in [
            ("half of them", 0.5, Aim::None),
            ("99 of 100", 0.99, Aim::AtMost(20.0)),
        ] {
            rows.push(Row {
                what: format!(
                    "{name}, at {:.0} k samples/s and {} descents, {which} within",
                    rate / 1e3,
                    stock.held.descents
                ),
                unit: "ms",
                ours: quantile(&mut busy, q),
                beside: Some(("with nobody streaming", quantile(&mut calm, q))),
                aim,
            });
        }
    }
    rows
}

/// Asks all kinds in turn. Returns the times by kind, ms, and how many stored histograms an answer was made from.
async fn ask_all(connection: &Connection, stock: &Stock) -> (Vec<Vec<f64>>, [i32; KINDS.len()]) {
    let mut took = vec![Vec::new(); KINDS.len()];
    let mut merged = [0; KINDS.len()];
    let begin = Instant::now();
    for round in 0..TIMES as u32 {
        if begin.elapsed() > MOST {
            break;
        }
        let vehicle = round.wrapping_mul(7_919) % stock.vehicles;
        for (kind, took) in took.iter_mut().enumerate() {
            let asked = Instant::now();
            merged[kind] = ask(connection, kind, vehicle, round).await;
            took.push(asked.elapsed().as_secs_f64() * 1e3);
        }
    }
    (took, merged)
}

async fn ask(connection: &Connection, kind: usize, vehicle: u32, round: u32) -> i32 {
    let distribution = |grade: Option<u32>| GetDistributionRequest {
        metric: ["recovery_ratio", "available_j", "friction_share"][round as usize % 3].to_owned(),
        grade: grade.map(|grade| format!("grade-{grade:03}")),
        ..GetDistributionRequest::default()
    };
    let filter = |vehicle: Option<String>| DescentFilter {
        vehicle,
        ..DescentFilter::default()
    };
    match kind {
        0 => {
            let (found, _) = fetch(connection, filter(Some(stock::vehicle(vehicle))), LISTED)
                .await
                .unwrap();
            assert_eq!(found.len(), DESCENTS as usize);
            0
        }
        1 => {
            let (found, more) = fetch(connection, filter(None), LISTED).await.unwrap();
            assert!(found.len() == LISTED && more);
            0
        }
        2 => {
            let (_, profile) = fetch_one(connection, &stock::vehicle(vehicle), "last")
                .await
                .unwrap();
            assert!(!profile.is_empty());
            0
        }
        kind => {
            let grade = (kind == 3).then_some(round % GRADES);
            let answer = connection
                .descents()
                .get_distribution(distribution(grade))
                .await
                .unwrap()
                .into_inner();
            assert!(answer.count > 0);
            answer.merged_count
        }
    }
}

fn quantile(took: &mut [f64], q: f64) -> f64 {
    took.sort_unstable_by(f64::total_cmp);
    took[((took.len() - 1) as f64 * q) as usize]
}
