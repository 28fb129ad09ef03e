//! How fast the durable store commits. Not a test of anything: run it in release with
//! `cargo test --release -p coldbrake-server --test store_speed -- --ignored --nocapture`.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

#[path = "support/store.rs"]
mod support;

use std::time::{Duration, Instant};

use coldbrake_server::store::{CommitBatch, DescentFilter, HistogramQuery, SledOptions, SledStore, Store};
use support::{NOON_MS, finished, vehicle};

/// A group of commits of `vehicles` vehicles, every `every`-th of them with a descent that ended.
fn batch(round: u32, vehicles: u32, every: u32) -> CommitBatch {
    let mut batch = CommitBatch::default();
    for k in 0..vehicles {
        let name = format!("van-{k}");
        let noise: Vec<u8> = (0..1500_u32)
            .map(|i| (i.wrapping_mul(round + 7) >> 3) as u8)
            .collect();
        batch.states.push((name.clone(), noise));
        batch.vehicles.push(vehicle(&name, round));
        if (k + round).is_multiple_of(every) {
            batch.descents.push(finished(
                &name,
                round * vehicles + k,
                NOON_MS + i64::from(round) * 60_000,
            ));
        }
    }
    batch
}

#[test]
#[ignore = "a measurement, for release builds"]
fn commits_per_second() {
    for (vehicles, every, rounds) in [
        (1, 20, 3000),
        (10, 20, 2000),
        (50, 50, 1000),
        (200, 50, 400),
        (1000, 100, 60),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let store = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
        let batches: Vec<_> = (0..rounds).map(|round| batch(round, vehicles, every)).collect();
        let begin = Instant::now();
        let mut each: Vec<Duration> = batches
            .iter()
            .map(|batch| {
                let begin = Instant::now();
                store.commit(batch).unwrap();
                begin.elapsed()
            })
            .collect();
        let total = begin.elapsed().as_secs_f64();
        each.sort_unstable();
        let at = |q: f64| each[((each.len() - 1) as f64 * q) as usize].as_secs_f64() * 1e3;
        let stats = store.stats().unwrap();
        println!(
            "{vehicles:>5} states a commit: {:>6.0} commits/s {:>7.0} states/s; p50 {:.2} ms, p99 {:.2} ms, max {:.1} ms; \
             {} descents, {:.0} MiB",
            f64::from(rounds) / total,
            f64::from(rounds * vehicles) / total,
            at(0.5),
            at(0.99),
            at(1.0),
            stats.descents,
            stats.size_bytes as f64 / f64::from(1 << 20),
        );
        let begin = Instant::now();
        store.close().unwrap();
        let closed = begin.elapsed();
        let begin = Instant::now();
        let store = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
        let opened = begin.elapsed();
        let begin = Instant::now();
        let page = store.descents(&DescentFilter::default(), None, 100).unwrap();
        let listed = begin.elapsed();
        let query = HistogramQuery {
            metric: coldbrake_engine::Metric::RecoveryRatio,
            vehicle_class: None,
            software_version: None,
            grade: None,
            first_day: None,
            last_day: None,
        };
        let begin = Instant::now();
        let sum = store.histogram(&query).unwrap();
        let summed = begin.elapsed();
        let begin = Instant::now();
        assert!(store.verify().unwrap().is_sound());
        println!(
            "      close {closed:.1?}, open {opened:.1?}, {} descents listed {listed:.1?}, {} histograms summed {summed:.1?}, \
             verified {:.1?}",
            page.rows.len(),
            sum.merged,
            begin.elapsed(),
        );
    }
}
