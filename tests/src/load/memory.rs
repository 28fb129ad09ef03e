//! Memory of a stream, from outside: what a process occupies with and without the streams of a fleet.

use std::time::Duration;

use tokio::time::sleep;

use super::{
    fleet::{Fleet, Plan},
    probe::Usage,
};

/// Longest wait for all streams.
const PATIENCE: Duration = Duration::from_secs(180);
/// Time from the last stream to the look at idle ones: what opening took is given back.
const REST: Duration = Duration::from_secs(3);

/// Bytes that a stream adds to a process.
#[derive(Clone, Copy, Debug)]
pub struct OfAStream {
    /// It is open and has sent nothing.
    pub idle: f64,
    /// It sends all the time.
    pub driving: f64,
    /// What the process occupied before, all of it.
    pub before: f64,
    /// Messages that each vehicle had acknowledged on average.
    pub messages: f64,
}

/// Opens the streams of a plan at a process and lets them drive for some time.
pub async fn of_a_stream(plan: &Plan, drive: Duration, look: impl Fn() -> Usage) -> OfAStream {
    let before = look().resident_bytes as f64;
    let fleet = Fleet::start(plan);
    let opened = fleet.all_open(0, PATIENCE).await;
    assert!(opened.is_some(), "not all streams open: {:?}", fleet.counts());
    sleep(REST).await;
    let idle = look().resident_bytes as f64;
    fleet.drive(true);
    sleep(drive).await;
    let driving = look().resident_bytes as f64;
    let counts = fleet.end().await;
    assert_eq!(counts.rejected, 0, "refused batches: {counts:?}");
    assert!(counts.losses.is_empty(), "lost streams: {counts:?}");
    let n = plan.vehicles as f64;
    OfAStream {
        idle: (idle - before) / n,
        driving: (driving - before) / n,
        before,
        messages: counts.acknowledged as f64 / n,
    }
}
