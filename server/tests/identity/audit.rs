//! The log of changes as administrators read it, from calls that people really made.

use coldbrake_proto::v1::{
    AuditEntry, AuditFilter, CreateBackupRequest, ListAuditEntriesRequest, PutVehicleClassRequest,
    fleet_service_client::FleetServiceClient, operations_service_client::OperationsServiceClient,
};
use coldbrake_server::identity::Role;
use tonic::{Code, Status, transport::Channel};
use tonic_types::StatusExt as _;

use super::{
    authority::{DOMAIN, Fort},
    calls::CLASS,
};

type Client = OperationsServiceClient<Channel>;

async fn put(channel: &Channel, class: &str) {
    FleetServiceClient::new(channel.clone())
        .put_vehicle_class(PutVehicleClassRequest {
            document_toml: CLASS.replace("\"van\"", &format!("\"{class}\"")),
        })
        .await
        .unwrap();
}

async fn page(
    client: &mut Client,
    filter: &AuditFilter,
    page_size: i32,
    page_token: &str,
) -> Result<(Vec<AuditEntry>, String), Status> {
    let request = ListAuditEntriesRequest {
        filter: Some(filter.clone()),
        page_size,
        page_token: page_token.to_owned(),
    };
    let page = client.list_audit_entries(request).await?.into_inner();
    Ok((page.entries, page.next_page_token))
}

/// Everything that a filter means, over pages of this size.
async fn all(client: &mut Client, filter: &AuditFilter, page_size: i32) -> Vec<AuditEntry> {
    let (mut entries, mut token) = (Vec::new(), String::new());
    loop {
        let (more, next) = page(client, filter, page_size, &token).await.unwrap();
        assert!(more.len() <= page_size as usize);
        entries.extend(more);
        token = next;
        if token.is_empty() {
            return entries;
        }
    }
}

fn subjects(entries: &[AuditEntry]) -> Vec<&str> {
    entries.iter().map(|e| e.subject.as_str()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_people_change_shows_up_with_who_what_and_when() {
    let backups = tempfile::tempdir().unwrap();
    let directory = backups.path().to_owned();
    let fort = Fort::build(|c| {
        c.store.backup_directory = directory;
        c.store.kind = coldbrake_server::config::StoreKind::Sled;
        c.store.directory = c.store.backup_directory.join("store");
    })
    .await;
    let mira = fort
        .connect(Some(&fort.authority.person(Role::Engineer)))
        .await
        .unwrap();
    let ines = fort
        .authority
        .named(&format!("spiffe://{DOMAIN}/person/ines/role/administrator"));
    let administrator = fort.connect(Some(&ines)).await.unwrap();
    let mut log = OperationsServiceClient::new(administrator.clone());

    let before = jiff::Timestamp::now().as_millisecond();
    for class in ["van", "bus", "truck"] {
        put(&mira, class).await;
    }
    log.create_backup(CreateBackupRequest {
        file_name: "monday.backup".to_owned(),
    })
    .await
    .unwrap();
    let after = jiff::Timestamp::now().as_millisecond();

    let everything = all(&mut log, &AuditFilter::default(), 50).await;
    let told: Vec<_> = everything
        .iter()
        .map(|e| (e.who.as_str(), e.action.as_str(), e.subject.as_str()))
        .collect();
    let file = backups.path().join("monday.backup");
    assert_eq!(
        told,
        [
            (
                "person/ines/role/administrator",
                "CreateBackup",
                file.to_str().unwrap()
            ),
            ("person/mira/role/engineer", "PutVehicleClass", "truck"),
            ("person/mira/role/engineer", "PutVehicleClass", "bus"),
            ("person/mira/role/engineer", "PutVehicleClass", "van"),
        ]
    );
    assert!(everything.iter().all(|e| (before..=after).contains(&e.time_ms)));
    assert!(everything.is_sorted_by_key(|e| std::cmp::Reverse(e.time_ms)));

    // Pages, and filters over pages.
    for size in 1..=4 {
        assert_eq!(all(&mut log, &AuditFilter::default(), size).await, everything);
    }
    let by = |who: &str| AuditFilter {
        who: Some(who.to_owned()),
        ..AuditFilter::default()
    };
    for size in [1, 2, 50] {
        let of_mira = all(&mut log, &by("person/mira"), size).await;
        assert_eq!(subjects(&of_mira), ["truck", "bus", "van"]);
        let of_ines = all(&mut log, &by("person/ines/role/administrator"), size).await;
        assert_eq!(of_ines.len(), 1);
        assert!(all(&mut log, &by("person/mir"), size).await.is_empty());
    }
    let action = AuditFilter {
        action: Some("CreateBackup".to_owned()),
        ..AuditFilter::default()
    };
    assert_eq!(all(&mut log, &action, 1).await, everything[..1]);
    let times = |start, end| AuditFilter {
        start_time_ms: Some(start),
        end_time_ms: Some(end),
        ..AuditFilter::default()
    };
    assert_eq!(all(&mut log, &times(before, after + 1), 3).await, everything);
    let last = everything[0].time_ms;
    let of_last: Vec<_> = everything.iter().filter(|e| e.time_ms >= last).collect();
    assert_eq!(
        all(&mut log, &times(last, last + 1), 3).await.len(),
        of_last.len()
    );
    assert!(all(&mut log, &times(0, before), 3).await.is_empty());
    assert!(all(&mut log, &times(after + 1, i64::MAX), 3).await.is_empty());
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_questions_about_the_log_are_refused() {
    let fort = Fort::build(|_| {}).await;
    let mira = fort
        .connect(Some(&fort.authority.person(Role::Engineer)))
        .await
        .unwrap();
    put(&mira, "van").await;
    put(&mira, "bus").await;
    let reason = |status: &Status| {
        let details = status.get_error_details();
        details.error_info().map(|i| i.reason.clone()).unwrap_or_default()
    };
    let none = AuditFilter::default();
    let mut curious = OperationsServiceClient::new(mira);
    let status = page(&mut curious, &none, 0, "").await.unwrap_err();
    assert_eq!(
        (status.code(), reason(&status).as_str()),
        (Code::PermissionDenied, "ROLE_NOT_ALLOWED")
    );

    let administrator = fort.authority.person(Role::Administrator);
    let mut log = OperationsServiceClient::new(fort.connect(Some(&administrator)).await.unwrap());
    let status = page(&mut log, &none, -1, "").await.unwrap_err();
    assert_eq!(status.code(), Code::InvalidArgument);
    let (_, token) = page(&mut log, &none, 1, "").await.unwrap();
    assert!(!token.is_empty());
    let other = AuditFilter {
        action: Some("PutVehicleClass".to_owned()),
        ..AuditFilter::default()
    };
    for (filter, token) in [(&other, token.as_str()), (&none, "x"), (&none, "AQAAAAAA")] {
        let status = page(&mut log, filter, 1, token).await.unwrap_err();
        assert_eq!(status.code(), Code::InvalidArgument, "{token}: {status:?}");
    }
    // A bad token costs nothing but its own call.
    assert_eq!(page(&mut log, &none, 1, &token).await.unwrap().0.len(), 1);
}
