//! Queries: paging, filters, classes, distributions, watching, health and reflection.

use std::time::Duration;

use coldbrake_engine::{Metric, MetricHistogram};
use coldbrake_proto::v1::{
    DescentFilter, GetDescentRequest, GetDistributionRequest, GetVehicleClassRequest, GetVehicleRequest,
    ListDescentsRequest, ListVehicleClassesRequest, ListVehiclesRequest, PutVehicleClassRequest,
    WatchDescentsRequest,
};
use coldbrake_server::{Config, ServerHandle};
use tonic::{Code, Status};
use tonic_types::StatusExt as _;

use super::support::{
    CLASS, PATIENCE, Vehicle, channel, descents, drive, fleet, listed, messages, open, serve, session, until,
};

/// A server with `vehicles` that made two descents each.
async fn filled(vehicles: usize) -> ServerHandle {
    let server = serve(Config::in_process()).await;
    let batches = messages(&drive(2, 100));
    for i in 0..vehicles {
        let opening = open(&format!("van-{i}"), session(1));
        let (mut van, _) = Vehicle::open(channel(&server).await, opening).await.unwrap();
        van.deliver(&batches).await;
    }
    server
}

fn fields(status: &Status) -> Vec<String> {
    let details = status.get_error_details();
    details.bad_request().map_or_else(Vec::new, |b| {
        b.field_violations.iter().map(|v| v.field.clone()).collect()
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn descents_are_paged_without_loss_or_repetition() {
    let server = filled(3).await;
    let mut client = descents(&server).await;
    let (mut seen, mut page_token, mut pages) = (Vec::new(), String::new(), 0);
    loop {
        let request = ListDescentsRequest {
            filter: None,
            page_size: 4,
            page_token: page_token.clone(),
        };
        let page = client.list_descents(request).await.unwrap().into_inner();
        assert!(page.descents.len() <= 4);
        seen.extend(
            page.descents
                .into_iter()
                .map(|d| (-d.start_time_ms, d.vehicle, d.descent)),
        );
        page_token = page.next_page_token;
        pages += 1;
        if page_token.is_empty() {
            break;
        }
    }
    assert_eq!((seen.len(), pages), (6, 2));
    assert!(seen.is_sorted_by_key(|d| d.0), "not the latest first: {seen:?}");
    seen.sort();
    seen.dedup();
    assert_eq!(seen.len(), 6);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_token_belongs_to_its_filter() {
    let server = filled(2).await;
    let mut client = descents(&server).await;
    let of = |vehicle: &str| {
        Some(DescentFilter {
            vehicle: Some(vehicle.to_owned()),
            ..Default::default()
        })
    };
    let first = ListDescentsRequest {
        filter: of("van-0"),
        page_size: 1,
        page_token: String::new(),
    };
    let page_token = client
        .list_descents(first)
        .await
        .unwrap()
        .into_inner()
        .next_page_token;
    assert!(!page_token.is_empty());
    let other = ListDescentsRequest {
        filter: of("van-1"),
        page_size: 1,
        page_token,
    };
    let status = client.list_descents(other).await.unwrap_err();
    assert_eq!(
        (status.code(), fields(&status)),
        (Code::InvalidArgument, vec!["page_token".to_owned()])
    );
    let junk = ListDescentsRequest {
        filter: None,
        page_size: 1,
        page_token: "junk!".to_owned(),
    };
    assert_eq!(
        client.list_descents(junk).await.unwrap_err().code(),
        Code::InvalidArgument
    );
    let negative = ListDescentsRequest {
        filter: None,
        page_size: -1,
        page_token: String::new(),
    };
    assert_eq!(
        fields(&client.list_descents(negative).await.unwrap_err()),
        ["page_size"]
    );
    let many = ListDescentsRequest {
        filter: None,
        page_size: 5_000,
        page_token: String::new(),
    };
    assert_eq!(
        client
            .list_descents(many)
            .await
            .unwrap()
            .into_inner()
            .descents
            .len(),
        4
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn one_descent_comes_with_its_profile() {
    let server = filled(1).await;
    let wanted = listed(&server, "van-0").await.remove(0);
    let mut client = descents(&server).await;
    let request = GetDescentRequest {
        vehicle: "van-0".to_owned(),
        descent: wanted.descent.clone(),
    };
    let found = client.get_descent(request).await.unwrap().into_inner();
    assert_eq!(found.descent.unwrap(), wanted);
    assert!(!found.profile.is_empty());
    let request = GetDescentRequest {
        vehicle: "van-0".to_owned(),
        descent: "never".to_owned(),
    };
    let status = client.get_descent(request).await.unwrap_err();
    assert_eq!(status.code(), Code::NotFound);
    assert!(
        status.message().contains("never") && status.message().contains("van-0"),
        "{status}"
    );
    let request = GetDescentRequest {
        vehicle: String::new(),
        descent: "never".to_owned(),
    };
    assert_eq!(
        fields(&client.get_descent(request).await.unwrap_err()),
        ["vehicle"]
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_distribution_counts_every_descent_once() {
    let server = filled(3).await;
    let mut client = descents(&server).await;
    let request = GetDistributionRequest {
        metric: "drop_m".to_owned(),
        ..Default::default()
    };
    let found = client
        .get_distribution(request.clone())
        .await
        .unwrap()
        .into_inner();
    let mut expected = MetricHistogram::new(Metric::Drop);
    for i in 0..3 {
        listed(&server, &format!("van-{i}"))
            .await
            .iter()
            .for_each(|d| expected.record(d.drop_m));
    }
    assert_eq!((found.count, found.unit.as_str()), (6, "m"));
    assert_eq!(found.histogram_v2, expected.to_v2());
    let fractions: Vec<f64> = found.quantiles.iter().map(|q| q.fraction).collect();
    assert_eq!(
        fractions,
        [0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 1.0]
    );
    assert!(found.quantiles.is_sorted_by(|a, b| a.value <= b.value));

    let none = GetDistributionRequest {
        vehicle_class: Some("lorry".to_owned()),
        ..request.clone()
    };
    let none = client.get_distribution(none).await.unwrap().into_inner();
    assert_eq!((none.count, none.mean, none.quantiles.len()), (0, None, 0));
    let unknown = GetDistributionRequest {
        metric: "speed".to_owned(),
        ..Default::default()
    };
    let status = client.get_distribution(unknown).await.unwrap_err();
    assert!(status.message().contains("recovery_ratio"), "{status}");
    let backwards = GetDistributionRequest {
        first_day: Some(5),
        last_day: Some(4),
        ..request
    };
    assert_eq!(
        fields(&client.get_distribution(backwards).await.unwrap_err()),
        ["last_day"]
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_watcher_sees_descents_as_they_are_recorded() {
    let server = serve(Config::in_process()).await;
    let filter = Some(DescentFilter {
        vehicle: Some("van-2".to_owned()),
        ..Default::default()
    });
    let mut watched = descents(&server)
        .await
        .watch_descents(WatchDescentsRequest { filter })
        .await
        .unwrap()
        .into_inner();
    let batches = messages(&drive(2, 100));
    for name in ["van-1", "van-2"] {
        let (mut van, _) = Vehicle::open(channel(&server).await, open(name, session(1)))
            .await
            .unwrap();
        van.deliver(&batches).await;
    }
    for _ in 0..2 {
        let seen = tokio::time::timeout(PATIENCE, watched.message())
            .await
            .unwrap()
            .unwrap()
            .unwrap();
        assert_eq!(
            (seen.descent.unwrap().vehicle.as_str(), seen.skipped_count),
            ("van-2", 0)
        );
    }
    let report = server.shutdown().await;
    assert!(report.is_clean(), "{report:?}");
    assert_eq!(watched.message().await.unwrap_err().code(), Code::Unavailable);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_watcher_that_falls_behind_is_told_how_much_it_missed() {
    let mut config = Config::in_process();
    config.limits.watch_backlog = 2;
    let server = serve(config).await;
    let mut watched = descents(&server)
        .await
        .watch_descents(WatchDescentsRequest { filter: None })
        .await
        .unwrap()
        .into_inner();
    // Far more than its queue, the transport's window and the backlog hold is not needed: one is enough to lag if the
    // descents of one commit outnumber the backlog.
    let batches = messages(&drive(12, 3_600));
    let (mut van, _) = Vehicle::open(channel(&server).await, open("van-1", session(1)))
        .await
        .unwrap();
    van.deliver(&batches).await;
    let (mut seen, mut skipped) = (0, 0);
    while seen + skipped < 12 {
        let next = tokio::time::timeout(Duration::from_secs(2), watched.message()).await;
        let Ok(next) = next else { break };
        let next = next.unwrap().unwrap();
        seen += 1;
        skipped += next.skipped_count;
    }
    assert_eq!(seen + skipped, 12, "seen {seen}, skipped {skipped}");
}

#[tokio::test(flavor = "multi_thread")]
async fn vehicles_are_listed_with_what_is_known_of_them() {
    let server = filled(3).await;
    let mut client = fleet(&server).await;
    let page = |page_size, page_token| ListVehiclesRequest {
        page_size,
        page_token,
        vehicle_class: None,
    };
    let first = client
        .list_vehicles(page(2, String::new()))
        .await
        .unwrap()
        .into_inner();
    let rest = client
        .list_vehicles(page(2, first.next_page_token))
        .await
        .unwrap()
        .into_inner();
    assert!(rest.next_page_token.is_empty());
    let names: Vec<_> = first
        .vehicles
        .iter()
        .chain(&rest.vehicles)
        .map(|v| v.vehicle.clone())
        .collect();
    assert_eq!(names, ["van-0", "van-1", "van-2"]);

    let get = |vehicle: &str| GetVehicleRequest {
        vehicle: vehicle.to_owned(),
    };
    let van = client
        .get_vehicle(get("van-1"))
        .await
        .unwrap()
        .into_inner()
        .vehicle
        .unwrap();
    assert_eq!(
        (van.vehicle_class.as_str(), van.software_version.as_str()),
        ("van", "1.4.0")
    );
    assert_eq!(
        (van.descent_count, van.refused_batch_count, van.descending),
        (2, 0, false)
    );
    assert_eq!(van.last_sample_time_ms, Some(1_760_000_000_000 + 599_000));
    assert!(
        (van.distance_total_m - 8_985.0).abs() < 1.0,
        "{}",
        van.distance_total_m
    );
    assert!(!van.connected);
    let (_van, _) = Vehicle::open(channel(&server).await, open("van-1", session(2)))
        .await
        .unwrap();
    assert!(
        client
            .get_vehicle(get("van-1"))
            .await
            .unwrap()
            .into_inner()
            .vehicle
            .unwrap()
            .connected
    );
    let status = client.get_vehicle(get("van-9")).await.unwrap_err();
    assert_eq!(
        (status.code(), status.message()),
        (Code::NotFound, "there is no vehicle `van-9`")
    );
    let none = ListVehiclesRequest {
        vehicle_class: Some("lorry".to_owned()),
        ..Default::default()
    };
    assert!(
        client
            .list_vehicles(none)
            .await
            .unwrap()
            .into_inner()
            .vehicles
            .is_empty()
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn classes_are_registered_replaced_and_checked() {
    let server = filled(1).await;
    let mut client = fleet(&server).await;
    let put = |document_toml: String| PutVehicleClassRequest { document_toml };
    let heavier = client
        .put_vehicle_class(put(CLASS.replace("2500.0", "2800.0")))
        .await
        .unwrap()
        .into_inner();
    assert!(heavier.replaced);
    let other = client
        .put_vehicle_class(put(CLASS.replace("\"van\"", "\"bus\"")))
        .await
        .unwrap()
        .into_inner();
    assert!(!other.replaced);
    let get = GetVehicleClassRequest {
        vehicle_class: "van".to_owned(),
    };
    let van = client
        .get_vehicle_class(get)
        .await
        .unwrap()
        .into_inner()
        .vehicle_class
        .unwrap();
    assert_eq!((van.vehicle_count, van.display_name.as_str()), (1, "Van"));
    assert!((van.mass_kg - 2_800.0).abs() < 1e-9);
    // The document goes back in as it came out.
    client.put_vehicle_class(put(van.document_toml)).await.unwrap();

    let page = |page_token| ListVehicleClassesRequest {
        page_size: 1,
        page_token,
    };
    let first = client
        .list_vehicle_classes(page(String::new()))
        .await
        .unwrap()
        .into_inner();
    let second = client
        .list_vehicle_classes(page(first.next_page_token))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        (
            first.vehicle_classes[0].vehicle_class.as_str(),
            second.vehicle_classes[0].vehicle_class.as_str()
        ),
        ("bus", "van")
    );
    assert!(second.next_page_token.is_empty());

    let wrong = CLASS.replace("2500.0", "25.0").replace("360.0", "3.6");
    let status = client.put_vehicle_class(put(wrong)).await.unwrap_err();
    assert_eq!(
        fields(&status),
        ["document_toml.mass_kg", "document_toml.nominal_voltage_v"]
    );
    let status = client
        .put_vehicle_class(put("mass_kg = = 3".to_owned()))
        .await
        .unwrap_err();
    assert_eq!(fields(&status), ["document_toml"]);
    assert!(status.message().contains("line 1"), "{status}");
    let get = GetVehicleClassRequest {
        vehicle_class: "tram".to_owned(),
    };
    assert_eq!(
        client.get_vehicle_class(get).await.unwrap_err().code(),
        Code::NotFound
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn health_and_schema_are_served() {
    let server = serve(Config::in_process()).await;
    let mut health = tonic_health::pb::health_client::HealthClient::new(channel(&server).await);
    for service in [
        "",
        "coldbrake.v1.TelemetryService",
        "coldbrake.v1.FleetService",
        "coldbrake.v1.DescentService",
    ] {
        let request = tonic_health::pb::HealthCheckRequest {
            service: service.to_owned(),
        };
        let status = health.check(request).await.unwrap().into_inner().status;
        assert_eq!(
            status,
            tonic_health::pb::health_check_response::ServingStatus::Serving as i32,
            "{service}"
        );
    }

    use tonic_reflection::pb::v1::{
        ServerReflectionRequest, server_reflection_client::ServerReflectionClient,
        server_reflection_request::MessageRequest, server_reflection_response::MessageResponse,
    };
    let request = ServerReflectionRequest {
        host: String::new(),
        message_request: Some(MessageRequest::ListServices(String::new())),
    };
    let mut client = ServerReflectionClient::new(channel(&server).await);
    let mut answers = client
        .server_reflection_info(tokio_stream::once(request))
        .await
        .unwrap()
        .into_inner();
    let Some(MessageResponse::ListServicesResponse(list)) =
        answers.message().await.unwrap().unwrap().message_response
    else {
        panic!("no list of services")
    };
    let names: Vec<_> = list.service.into_iter().map(|s| s.name).collect();
    assert!(
        names.contains(&"coldbrake.v1.TelemetryService".to_owned()),
        "{names:?}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn compressed_streams_and_answers_are_understood() {
    use coldbrake_proto::v1::{
        StreamSamplesRequest, stream_samples_request::Message as In,
        telemetry_service_client::TelemetryServiceClient,
    };
    use tonic::codec::CompressionEncoding::{Gzip, Zstd};
    let server = serve(Config::in_process()).await;
    for (name, encoding) in [("van-g", Gzip), ("van-z", Zstd)] {
        let batches = messages(&drive(1, 100));
        let finish = In::Finish(coldbrake_proto::v1::FinishSession {
            sequence: batches.len() as i64 + 1,
        });
        let all = std::iter::once(In::Open(open(name, session(1))))
            .chain(batches.into_iter().map(|batch| In::Batch(Box::new(batch))))
            .chain([finish])
            .map(|m| StreamSamplesRequest { message: Some(m) })
            .collect::<Vec<_>>();
        let mut client = TelemetryServiceClient::new(channel(&server).await).send_compressed(encoding);
        let mut answers = client
            .stream_samples(tokio_stream::iter(all))
            .await
            .unwrap()
            .into_inner();
        while answers.message().await.unwrap().is_some() {}
        until("the descent is listed", async || {
            listed(&server, name).await.len() == 1
        })
        .await;
        let mut client = descents(&server).await.accept_compressed(encoding);
        let found = client
            .list_descents(ListDescentsRequest::default())
            .await
            .unwrap();
        assert!(!found.into_inner().descents.is_empty());
    }
}
