//! Bad input over gRPC: each gets an answer that names the field and says what to do, and nothing else is lost.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use coldbrake_engine::{
    Batch, CurrentSign, Opening,
    record::{EndReason, Flag, StartReason},
};
use coldbrake_proto::{
    codec::spell_out_times,
    convert,
    v1::{
        self, BatchRejected, GetDescentRequest, GetDistributionRequest, GetVehicleRequest,
        ListDescentsRequest, OpenStream, PutVehicleClassRequest, SampleBatch,
        stream_samples_request::Message as Up,
    },
};
use coldbrake_tests::{
    case::Case,
    log,
    wire::{Wire, bad_fields, encoded, numbered, reason},
};
use tonic::{Code, Status};

const LENGTH: usize = 60;

struct Scene {
    wire: Wire,
    case: Case,
}

impl Scene {
    async fn set() -> Self {
        let case = Case::load("r01_alpine_29km");
        let wire = Wire::start().await;
        wire.register(&case.class).await;
        Self { wire, case }
    }

    fn open(&self, vehicle: &str) -> OpenStream {
        convert::opening_to_wire(vehicle, &self.case.class.vehicle_class, &log::opening())
    }

    fn batches(&self) -> Vec<SampleBatch> {
        let mut batches = encoded(&self.case.log, &log::opening(), LENGTH);
        // One time at a time, so that single ones can be spoiled.
        batches.iter_mut().for_each(spell_out_times);
        batches
    }

    /// Sends the case with one batch spoiled. Returns the refusal; the rest of the stream must have come through.
    async fn spoil(&self, vehicle: &str, how: impl FnOnce(&mut SampleBatch)) -> BatchRejected {
        let mut batches = self.batches();
        let place = batches.len() / 2;
        how(&mut batches[place]);
        let refused = self
            .wire
            .open(self.open(vehicle))
            .await
            .unwrap()
            .deliver(&batches)
            .await
            .unwrap();
        assert_eq!(
            refused.len(),
            1,
            "{vehicle}: one batch is refused, the others are not: {refused:?}"
        );
        assert_eq!(refused[0].sequence, place as i64 + 1);
        for v in &refused[0].violations {
            assert!(
                !v.description.is_empty() && v.description.len() > 15,
                "{vehicle}: says what to do: {v:?}"
            );
        }

        // What the batch held is a gap of a minute: longer than is bridged, so that there is a descent before and one after.
        let found = self.wire.descents_of(vehicle).await;
        assert_eq!(found.len(), 2, "{vehicle}");
        let (before, after) = (
            found[0].descent.as_ref().unwrap(),
            found[1].descent.as_ref().unwrap(),
        );
        assert_eq!(before.end_reason, i32::from(v1::EndReason::DataGap), "{vehicle}");
        assert_eq!(
            after.start_reason,
            i32::from(v1::StartReason::AfterGap),
            "{vehicle}"
        );
        let lost = self.case.truth[0].drop_m - before.drop_m - after.drop_m;
        assert!(
            (0.0..100.0).contains(&lost),
            "{vehicle}: {lost} m of drop were in the batch"
        );

        let request = GetVehicleRequest {
            vehicle: vehicle.to_owned(),
        };
        let about = self
            .wire
            .fleet()
            .get_vehicle(request)
            .await
            .unwrap()
            .into_inner()
            .vehicle
            .unwrap();
        assert_eq!(about.refused_batch_count, 1, "{vehicle}");
        refused.into_iter().next().unwrap()
    }
}

fn fields(refused: &BatchRejected) -> Vec<&str> {
    refused.violations.iter().map(|v| v.field.as_str()).collect()
}

#[tokio::test]
async fn a_spoiled_batch_is_refused_by_field_and_the_stream_goes_on() {
    let scene = Scene::set().await;

    // -1 m/s at the fourth sample only: the difference is taken back at the fifth.
    let refused = scene
        .spoil("negative-speed", |b| {
            let step = -100 - b.speed_cm_per_s[..=3].iter().sum::<i32>();
            b.speed_cm_per_s[3] += step;
            b.speed_cm_per_s[4] -= step;
        })
        .await;
    assert_eq!(fields(&refused), ["speed_cm_per_s[3]"]);

    let refused = scene.spoil("too-fast", |b| b.speed_cm_per_s[0] += 30_000).await;
    assert_eq!(fields(&refused), ["speed_cm_per_s[0]"]);
    assert!(
        refused.violations[0].description.contains("120"),
        "the limit is named: {refused:?}"
    );

    let refused = scene.spoil("too-high", |b| b.altitude_dm[0] += 100_000).await;
    assert_eq!(fields(&refused), ["altitude_dm[0]"]);

    let refused = scene.spoil("brake-in-pascal", |b| b.brake[0] = 2_000_000).await;
    assert_eq!(fields(&refused), ["brake[0]"]);

    let refused = scene.spoil("current", |b| b.current_da[2] += 1_000_000).await;
    assert_eq!(fields(&refused), ["current_da[2]"]);

    let refused = scene
        .spoil("two-columns", |b| {
            b.speed_cm_per_s[0] += 30_000;
            b.voltage_dv[0] = -5;
        })
        .await;
    assert_eq!(fields(&refused), ["speed_cm_per_s[0]", "voltage_dv[0]"]);

    let refused = scene.spoil("unequal", |b| b.brake.truncate(7)).await;
    assert_eq!(fields(&refused), ["brake"]);
    assert!(refused.violations[0].description.contains('7'), "{refused:?}");

    let refused = scene.spoil("half-a-column", |b| b.voltage_dv.truncate(30)).await;
    assert_eq!(fields(&refused), ["voltage_dv"]);

    let refused = scene.spoil("missing-column", |b| b.altitude_dm.clear()).await;
    assert_eq!(fields(&refused), ["altitude_dm"]);

    let refused = scene
        .spoil("no-samples", |b| {
            *b = SampleBatch {
                sequence: b.sequence,
                ..SampleBatch::default()
            }
        })
        .await;
    assert_eq!(fields(&refused), ["time_ms"]);

    let refused = scene
        .spoil("oversized", |b| {
            for column in [
                &mut b.time_ms,
                &mut b.speed_cm_per_s,
                &mut b.altitude_dm,
                &mut b.brake,
                &mut b.current_da,
            ] {
                column.resize(4097, 0);
            }
        })
        .await;
    assert_eq!(fields(&refused), ["time_ms"]);
    assert!(refused.violations[0].description.contains("4096"), "{refused:?}");

    let refused = scene
        .spoil("seconds-for-milliseconds", |b| b.start_time_ms /= 1000)
        .await;
    assert_eq!(fields(&refused), ["time_ms[0]"]);

    let refused = scene.spoil("first-time-not-0", |b| b.time_ms[0] = 5).await;
    assert_eq!(fields(&refused), ["time_ms[0]"]);

    let refused = scene
        .spoil("time-beyond-time", |b| b.start_time_ms = i64::MAX)
        .await;
    assert!(fields(&refused)[0].starts_with("time_ms"), "{refused:?}");
}

async fn refused_stream(scene: &Scene, open: OpenStream) -> Status {
    match scene.wire.open(open).await {
        Err(status) => status,
        Ok(stream) => panic!("opened: {:?}", stream.opened),
    }
}

#[tokio::test]
async fn a_stream_that_cannot_be_opened_says_why() {
    let scene = Scene::set().await;

    let status = refused_stream(
        &scene,
        OpenStream {
            vehicle_class: "hovercraft".to_owned(),
            ..scene.open("a")
        },
    )
    .await;
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::FailedPrecondition, "VEHICLE_CLASS_UNKNOWN")
    );
    assert!(status.message().contains("hovercraft"), "{}", status.message());

    let bad = OpenStream {
        vehicle: "Van 7".to_owned(),
        session: vec![1; 15],
        software_version: String::new(),
        brake_kind: 0,
        current_sign: 9,
        declared_mass_kg: Some(-1.0),
        declared_mass_uncertainty: Some(f64::NAN),
        ..scene.open("a")
    };
    let status = refused_stream(&scene, bad).await;
    assert_eq!(status.code(), Code::InvalidArgument);
    let told = bad_fields(&status);
    for field in [
        "vehicle",
        "session",
        "software_version",
        "brake_kind",
        "current_sign",
        "declared_mass_kg",
        "declared_mass_uncertainty",
    ] {
        assert!(
            told.contains(&format!("open.{field}")),
            "{field} in {told:?}: all mistakes at once"
        );
    }

    // Nothing was recorded of either.
    let request = GetVehicleRequest {
        vehicle: "a".to_owned(),
    };
    assert_eq!(
        scene.wire.fleet().get_vehicle(request).await.unwrap_err().code(),
        Code::NotFound
    );
}

#[tokio::test]
async fn messages_out_of_place_end_the_stream_with_a_reason() {
    let scene = Scene::set().await;
    let batches = scene.batches();

    let mut stream = scene.wire.open(scene.open("twice-open")).await.unwrap();
    stream.send(Up::Open(scene.open("twice-open"))).await;
    let status = stream.next().await.unwrap_err();
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::InvalidArgument, "OPENED_TWICE")
    );

    let mut stream = scene.wire.open(scene.open("number-0")).await.unwrap();
    stream
        .send(Up::Batch(Box::new(SampleBatch {
            sequence: 0,
            ..batches[0].clone()
        })))
        .await;
    let status = stream.next().await.unwrap_err();
    assert_eq!(bad_fields(&status), ["sequence"]);

    let mut stream = scene.wire.open(scene.open("backward-gap")).await.unwrap();
    stream
        .send(Up::DeclareGap(v1::DeclareGap {
            first_sequence: 5,
            last_sequence: 2,
        }))
        .await;
    let status = stream.next().await.unwrap_err();
    assert_eq!(bad_fields(&status), ["last_sequence"]);

    let mut stream = scene.wire.open(scene.open("too-large")).await.unwrap();
    let mut large = batches[0].clone();
    large.speed_cm_per_s = vec![i32::MIN; 1 << 20];
    stream.send(Up::Batch(Box::new(large))).await;
    let status = stream.next().await.unwrap_err();
    assert_eq!(reason(&status), "MESSAGE_TOO_LARGE");

    // Each of them can come back and send everything.
    for name in ["twice-open", "number-0", "backward-gap", "too-large"] {
        scene
            .wire
            .open(scene.open(name))
            .await
            .unwrap()
            .deliver(&batches)
            .await
            .unwrap();
        assert_eq!(scene.wire.descents_of(name).await.len(), 1, "{name}");
    }
}

#[tokio::test]
async fn queries_for_what_is_not_there_say_so() {
    let scene = Scene::set().await;
    let (mut fleet, mut descents) = (scene.wire.fleet(), scene.wire.descents());

    let status = fleet
        .get_vehicle(GetVehicleRequest {
            vehicle: "nobody".to_owned(),
        })
        .await
        .unwrap_err();
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::NotFound, "VEHICLE_NOT_FOUND")
    );
    assert!(status.message().contains("nobody"));

    let request = GetDescentRequest {
        vehicle: "nobody".to_owned(),
        descent: "20260101T000000Z-1".to_owned(),
    };
    let status = descents.get_descent(request).await.unwrap_err();
    assert_eq!(status.code(), Code::NotFound);

    let request = ListDescentsRequest {
        page_size: -3,
        ..ListDescentsRequest::default()
    };
    assert_eq!(
        bad_fields(&descents.list_descents(request).await.unwrap_err()),
        ["page_size"]
    );

    let request = ListDescentsRequest {
        page_token: "bm90IGEgdG9rZW4".to_owned(),
        ..ListDescentsRequest::default()
    };
    assert_eq!(
        bad_fields(&descents.list_descents(request).await.unwrap_err()),
        ["page_token"]
    );

    let request = GetDistributionRequest {
        metric: "happiness".to_owned(),
        ..GetDistributionRequest::default()
    };
    let status = descents.get_distribution(request).await.unwrap_err();
    assert_eq!(bad_fields(&status), ["metric"]);
    assert!(
        status.message().contains("recovery_ratio"),
        "the choices are named: {}",
        status.message()
    );

    for (document, field) in [
        ("mass_kg = ", ""),
        (
            "vehicle_class = \"x\"\nmass_kg = 2500.0\nmax_recovery_power_w = 1e5\nnominal_voltage_v = 4.0",
            "nominal_voltage_v",
        ),
        ("vehicle_class = \"x\"\nmass_kg = 2500.0\nwings = 2", "wings"),
    ] {
        let request = PutVehicleClassRequest {
            document_toml: document.to_owned(),
        };
        let status = fleet.put_vehicle_class(request).await.unwrap_err();
        assert_eq!(status.code(), Code::InvalidArgument, "{document}");
        assert!(
            format!("{} {:?}", status.message(), bad_fields(&status)).contains(field),
            "{field}: {status:?}"
        );
    }
}

fn only(found: &[v1::GetDescentResponse], at: usize) -> coldbrake_engine::Descent {
    convert::descent_from_wire(found[at].descent.as_ref().unwrap()).unwrap()
}

async fn drive(
    scene: &Scene,
    name: &str,
    opening: &Opening,
    batches: &[Batch],
) -> (Vec<BatchRejected>, Vec<v1::GetDescentResponse>) {
    let open = convert::opening_to_wire(name, &scene.case.class.vehicle_class, opening);
    let mut stream = scene.wire.open(open).await.unwrap();
    let refused = stream.deliver(&numbered(batches, opening)).await.unwrap();
    (refused, scene.wire.descents_of(name).await)
}

#[tokio::test]
async fn a_clock_that_jumps_closes_the_window_and_is_flagged() {
    const HOUR: i64 = 3_600_000;
    let scene = Scene::set().await;
    for (name, jump_ms) in [("back-an-hour", -HOUR), ("ahead-two-years", 2 * 365 * 24 * HOUR)] {
        let mut batches = log::batches(&scene.case.log, LENGTH);
        let half = batches.len() / 2;
        for t in batches[half..].iter_mut().flat_map(|b| &mut b.time_ms) {
            *t += jump_ms;
        }
        let (refused, found) = drive(&scene, name, &log::opening(), &batches).await;
        assert!(
            refused.is_empty(),
            "{name}: every value is fine by itself: {refused:?}"
        );
        assert_eq!(found.len(), 2, "{name}");
        // Descents are listed by their time: after a step back the second comes first.
        let reasons: Vec<_> = (0..2).map(|i| only(&found, i).end_reason).collect();
        assert!(
            reasons
                .iter()
                .any(|r| matches!(r, EndReason::ClockJump | EndReason::DataGap)),
            "{name}: {reasons:?}"
        );
        if jump_ms < 0 {
            assert!(reasons.contains(&EndReason::ClockJump), "{name}: {reasons:?}");
            assert!(
                (0..2).any(|i| only(&found, i).flags.contains(Flag::ClockJump)),
                "{name}"
            );
        }
        let drop: f64 = (0..2).map(|i| only(&found, i).drop_m).sum();
        assert!((drop - scene.case.truth[0].drop_m).abs() < 10.0, "{name}: {drop}");
    }
}

#[tokio::test]
async fn a_wrong_current_sign_is_refused_with_the_remedy() {
    let scene = Scene::set().await;
    let wrong = Opening {
        current_sign: CurrentSign::ChargePositive,
        ..log::opening()
    };
    let (refused, found) = drive(
        &scene,
        "wrong-sign",
        &wrong,
        &log::batches(&scene.case.log, LENGTH),
    )
    .await;
    assert!(!refused.is_empty());
    let violation = &refused[0].violations[0];
    assert!(violation.field.starts_with("current"), "{violation:?}");
    assert!(
        violation.description.contains("discharge-positive"),
        "{violation:?}"
    );
    assert!(found.is_empty(), "nothing wrong is recorded");

    let right = Opening {
        session: coldbrake_engine::Session([9; 16]),
        ..log::opening()
    };
    let (refused, found) = drive(
        &scene,
        "wrong-sign",
        &right,
        &log::batches(&scene.case.log, LENGTH),
    )
    .await;
    assert!(refused.is_empty(), "{refused:?}");
    assert_eq!(found.len(), 1);
}

#[tokio::test]
async fn a_vehicle_may_leave_out_every_optional_signal() {
    let scene = Scene::set().await;
    let mut bare = scene.case.log.clone();
    bare.voltage_v.clear();
    bare.state_of_charge.clear();
    bare.auxiliary_w.clear();
    let (refused, found) = drive(&scene, "bare", &log::opening(), &log::batches(&bare, LENGTH)).await;
    assert!(refused.is_empty(), "{refused:?}");
    let d = only(&found, 0);
    assert!(
        d.flags.contains(Flag::VoltageAssumed) && d.flags.contains(Flag::MassAssumed),
        "{:?}",
        d.flags
    );
    assert_eq!(d.ambient_c, None, "absent is absent, not 0");
    assert_eq!(d.measured_brake_temperature_peak_c, None);
    let truth = &scene.case.truth[0];
    // Without a voltage the class's nominal or open-circuit voltage stands in.
    assert!(
        (d.recovered_j.value / truth.pack_charge_j - 1.0).abs() < 0.05,
        "{}",
        d.recovered_j.value
    );
}

#[tokio::test]
async fn altitude_that_stands_still_or_leaps_is_flagged() {
    let scene = Scene::set().await;
    let stuck = |from: usize, seconds: usize| {
        let mut log = scene.case.log.clone();
        let altitude = log.altitude_m[from];
        log.altitude_m[from..from + seconds].fill(altitude);
        log
    };

    // Through a steep tunnel of 245 m: bridged and flagged.
    let (refused, found) = drive(
        &scene,
        "tunnel",
        &log::opening(),
        &log::batches(&stuck(1349, 19), LENGTH),
    )
    .await;
    assert!(refused.is_empty());
    assert_eq!(found.len(), 1, "a short tunnel does not cut the descent");
    let d = only(&found, 0);
    assert!(d.flags.contains(Flag::AltitudeFrozen), "{:?}", d.flags);
    assert!(
        (d.available_j.value / scene.case.truth[0].wheel_braking_j - 1.0).abs() < 0.005,
        "{}",
        d.available_j.value
    );

    // A sensor that hangs for 1.7 km: nobody knows what the road did there.
    let from = 800;
    let (refused, found) = drive(
        &scene,
        "hung",
        &log::opening(),
        &log::batches(&stuck(from, 100), LENGTH),
    )
    .await;
    assert!(refused.is_empty());
    assert_eq!(found.len(), 2);
    assert_eq!(only(&found, 1).start_reason, StartReason::AfterGap);
    let lost = scene.case.truth[0].drop_m - only(&found, 0).drop_m - only(&found, 1).drop_m;
    let hidden = scene.case.log.altitude_m[from] - scene.case.log.altitude_m[from + 100];
    assert!(
        (lost - hidden).abs() < 5.0,
        "only what was hidden is lost: {lost} m of {hidden} m"
    );

    // A satellite receiver at the end of a tunnel: four samples far off.
    let mut spiked = scene.case.log.clone();
    for altitude in &mut spiked.altitude_m[from..from + 4] {
        *altitude += 120.0;
    }
    let (refused, found) = drive(&scene, "spiked", &log::opening(), &log::batches(&spiked, LENGTH)).await;
    assert!(refused.is_empty());
    assert_eq!(found.len(), 1, "a spike does not cut the descent");
    let d = only(&found, 0);
    let truth = &scene.case.truth[0];
    assert!((d.drop_m - truth.drop_m).abs() < 5.0, "{}", d.drop_m);
    assert!(
        (d.available_j.value / truth.wheel_braking_j - 1.0).abs() < 0.02,
        "{}",
        d.available_j.value
    );
}
