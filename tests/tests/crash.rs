//! A server that is killed, anywhere and again and again, comes to the same bytes as one that is not. The long form:
//! `cargo run --release -p coldbrake-tests --bin crash -- kill`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

#[path = "crash/disks.rs"]
mod disks;

use coldbrake_server::fault::Point;
use coldbrake_tests::{
    crash::{Campaign, fate},
    program,
};

const SEED: u64 = 20_260_310;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_is_killed_at_every_point_comes_to_the_same_bytes() {
    let campaign = Campaign {
        program: program::server_with_faults().to_owned(),
        fates: fate::draw(Point::ALL.len() + 5, true, SEED),
        vehicles: 6,
        seed: SEED,
        keeps_journal: true,
        acknowledges_early: false,
    };
    let outcome = campaign.run(|_, _| ()).await;
    println!("{outcome:#?}");
    assert!(outcome.findings.is_empty(), "{:#?}", outcome.findings);
    assert!(outcome.kills() >= campaign.fates.len());
    assert_eq!(
        outcome.point_kills.len(),
        Point::ALL.len(),
        "{:?}",
        outcome.point_kills
    );
    // Whether a tail was torn is chance here; the store's own tests tear it at every byte.
    assert!(outcome.descents > 10 && outcome.resent > 0 && outcome.power_losses > 0);
}

/// The check itself is checked: a server that acknowledges before it syncs is found out.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_acknowledges_before_it_syncs_is_found_out() {
    let campaign = Campaign {
        program: program::server_with_faults().to_owned(),
        fates: fate::when_heard(3),
        vehicles: 3,
        seed: SEED,
        keeps_journal: true,
        acknowledges_early: true,
    };
    let outcome = campaign.run(|_, _| ()).await;
    println!("{:#?}", outcome.findings);
    let is_told = |text: &str| outcome.findings.iter().any(|f| f.contains(text));
    // Every single kill is found out.
    let losses = outcome
        .findings
        .iter()
        .filter(|f| f.contains("was acknowledged, and now only"));
    assert!(losses.count() >= campaign.fates.len(), "{:#?}", outcome.findings);
    assert!(
        is_told("are lost") && is_told("is another"),
        "{:#?}",
        outcome.findings
    );

    // The very same deaths without the mistake lose nothing.
    let campaign = Campaign {
        acknowledges_early: false,
        ..campaign
    };
    let outcome = campaign.run(|_, _| ()).await;
    assert!(outcome.findings.is_empty(), "{:#?}", outcome.findings);
    assert_eq!(outcome.power_losses, 3);
}
