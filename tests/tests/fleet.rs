//! Many vehicles at once: every one gets its own descents, and the histograms hold each of them once.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use coldbrake_engine::{Metric, MetricHistogram, Policy, Session, VehicleState};
use coldbrake_proto::{
    codec::decode,
    convert::{descent_to_wire, profile_to_wire},
    v1::{GetDistributionRequest, GetServerStatusRequest, ListVehiclesRequest},
};
use coldbrake_server::Config;
use coldbrake_tests::{
    case::Case,
    disturb::{Disturbance, disturb},
    log,
    wire::{Wire, encoded},
};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn sixty_vehicles_stream_at_once_and_each_counts_once() {
    const VEHICLES: u64 = 60;
    let directory = tempfile::tempdir().unwrap();
    let wire = Wire::with(Config::in_process().with_directory(directory.path())).await;
    let cases = ["r02_6km_6pct_30kmh", "r03_stop_and_go", "r05_power_limited"].map(Case::load);
    for case in [&cases[0], &cases[2]] {
        wire.register(&case.class).await;
    }
    let wire = &wire;
    let drives = (0..VEHICLES).map(|k| {
        let case = &cases[k as usize % cases.len()];
        let log = disturb(
            &case.log,
            &Disturbance {
                gap_s: 0.0,
                ..Disturbance::default()
            },
            k,
        );
        let mut opening = log::opening();
        opening.session = Session([k as u8; 16]);
        opening.software_version = if k % 2 == 0 { "2.4.1" } else { "2.5.0" }.to_owned();
        async move {
            let name = format!("unit-{k:02}");
            let refused = wire
                .drive(&name, &case.class.vehicle_class, &opening, &log, 37 + k as usize)
                .await;
            assert!(refused.is_empty(), "{name}: {refused:?}");
            // The engine alone, on the same samples as they arrive, finds the same to the last bit.
            let mut vehicle = VehicleState::new(&name, opening.clone());
            let mut alone = Vec::new();
            for message in encoded(&log, &opening, 1000) {
                let batch = decode(&message, opening.brake_kind).unwrap();
                alone.extend(vehicle.apply(&batch, &case.class, &Policy::default()).finished);
            }
            alone.extend(vehicle.finish(&case.class, &Policy::default()).finished);
            let found = wire.descents_of(&name).await;
            let alone: Vec<_> = alone
                .iter()
                .map(|f| (descent_to_wire(&f.descent), profile_to_wire(&f.profile)))
                .collect();
            let found: Vec<_> = found
                .into_iter()
                .map(|f| {
                    // The server also says how the road was matched; the engine alone knows no roads.
                    let mut descent = f.descent.unwrap();
                    descent.grade_match = None;
                    (descent, f.profile)
                })
                .collect();
            assert_eq!(found, alone, "{name}");
            let d = &found[0].0;
            d.recovery_ratio.unwrap().value
        }
    });
    let mut ratios: Vec<f64> = futures_join(drives.collect()).await;

    let listed = wire
        .fleet()
        .list_vehicles(ListVehiclesRequest {
            page_size: 1000,
            ..ListVehiclesRequest::default()
        })
        .await
        .unwrap()
        .into_inner();
    assert_eq!(listed.vehicles.len() as u64, VEHICLES);
    assert!(
        listed
            .vehicles
            .iter()
            .all(|v| v.descent_count == 1 && v.refused_batch_count == 0)
    );

    let ask = |version: Option<&str>, class: Option<&str>| {
        let request = GetDistributionRequest {
            metric: "recovery_ratio".to_owned(),
            software_version: version.map(str::to_owned),
            vehicle_class: class.map(str::to_owned),
            ..GetDistributionRequest::default()
        };
        async move {
            wire.descents()
                .get_distribution(request)
                .await
                .unwrap()
                .into_inner()
        }
    };
    let all = ask(None, None).await;
    assert_eq!(all.count as u64, VEHICLES);
    assert_eq!(ask(Some("2.4.1"), None).await.count, 30);
    assert_eq!(ask(None, Some("truck_18t")).await.count, 20);
    assert_eq!(ask(Some("2.5.0"), Some("van_2500kg")).await.count, 20);
    assert_eq!(ask(Some("9.9.9"), None).await.count, 0);

    // The bytes are a histogram that reads back with the same quantiles as the sorted ratios themselves.
    let histogram = MetricHistogram::from_v2(Metric::RecoveryRatio, &all.histogram_v2).unwrap();
    assert_eq!(histogram.count(), VEHICLES);
    ratios.sort_by(f64::total_cmp);
    for (q, rank) in [(0.5, 29), (0.9, 53), (1.0, 59)] {
        let stored = histogram.quantile(q).unwrap();
        assert!(
            (stored / ratios[rank] - 1.0).abs() < 2e-3,
            "q {q}: {stored} {}",
            ratios[rank]
        );
    }

    let status = wire
        .fleet()
        .get_server_status(GetServerStatusRequest {})
        .await
        .unwrap()
        .into_inner();
    assert_eq!(status.descent_count as u64, VEHICLES);
    assert_eq!(status.refused_batch_count + status.duplicate_batch_count, 0);
}

/// Awaits all at once, on this task.
async fn futures_join<F: Future>(futures: Vec<F>) -> Vec<F::Output> {
    let mut pending: Vec<_> = futures.into_iter().map(Box::pin).collect();
    let mut done: Vec<Option<F::Output>> = pending.iter().map(|_| None).collect();
    std::future::poll_fn(|context| {
        for (future, slot) in pending.iter_mut().zip(&mut done) {
            if slot.is_none()
                && let std::task::Poll::Ready(value) = future.as_mut().poll(context)
            {
                *slot = Some(value);
            }
        }
        if done.iter().all(Option::is_some) {
            std::task::Poll::Ready(())
        } else {
            std::task::Poll::Pending
        }
    })
    .await;
    done.into_iter().flatten().collect()
}
