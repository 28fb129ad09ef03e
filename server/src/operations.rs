//! What administrators ask of a server that serves.

use std::{path::PathBuf, sync::Arc, time::Instant};

use coldbrake_proto::v1::{
    AuditEntry, AuditFilter, CreateBackupRequest, CreateBackupResponse, ListAuditEntriesRequest,
    ListAuditEntriesResponse, operations_service_server::OperationsService,
};
use serde::Serialize;
use tokio::sync::{Semaphore, mpsc, oneshot};
use tonic::{Request, Response, Status};

use crate::{
    checkpoint::{self, Edit},
    identity,
    query::{LOOKS_PER_PAGE, Listing, Reader, page_size},
    shared::Shared,
    status::Refusal,
    store::{AuditRecord, CommitBatch, StoreError},
};

/// Longest name of a backup file, bytes.
const MAX_NAME: usize = 128;

/// Answers administrators.
pub(crate) struct Operations {
    shared: Arc<Shared>,
    reader: Reader,
    writer: mpsc::Sender<checkpoint::Request>,
    /// One backup at a time.
    place: Arc<Semaphore>,
}

impl Operations {
    pub(crate) fn new(
        shared: Arc<Shared>,
        reader: Reader,
        writer: mpsc::Sender<checkpoint::Request>,
    ) -> Self {
        Self {
            shared,
            reader,
            writer,
            place: Arc::new(Semaphore::new(1)),
        }
    }

    /// Writes down who does what, before it is done.
    async fn note(&self, audit: AuditRecord) -> Result<(), Refusal> {
        let (reply, answer) = oneshot::channel();
        let edit = Edit::new(
            move |_| {
                Ok(CommitBatch {
                    audit: vec![audit],
                    ..CommitBatch::default()
                })
            },
            reply,
        );
        self.writer
            .send(checkpoint::Request::Edit(edit))
            .await
            .map_err(|_| Refusal::Draining)?;
        answer.await.map_err(|_| Refusal::Draining)?
    }

    /// Returns where a backup goes, if there is room for it.
    fn target(&self, name: &str) -> Result<PathBuf, Refusal> {
        let store = &self.shared.config.store;
        if store.backup_directory.as_os_str().is_empty() {
            return Err(Refusal::Unsupported(
                "this server has no backup directory: set store.backup_directory and start it again",
            ));
        }
        let is_plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-');
        if name.is_empty() || name.len() > MAX_NAME || name.starts_with('.') || !name.bytes().all(is_plain) {
            return Err(Refusal::field(
                "file_name",
                "must be a plain name of 1 to 128 letters, digits, `.`, `_` or `-` that does not begin with a dot",
            ));
        }
        Ok(store.backup_directory.join(name))
    }
}

#[tonic::async_trait]
impl OperationsService for Operations {
    async fn create_backup(
        &self,
        request: Request<CreateBackupRequest>,
    ) -> Result<Response<CreateBackupResponse>, Status> {
        let who = identity::who(&request);
        let path = self.target(&request.into_inner().file_name)?;
        let place = Arc::clone(&self.place)
            .try_acquire_owned()
            .map_err(|_| Refusal::BackupUnderWay)?;
        self.note(AuditRecord {
            time_ms: jiff::Timestamp::now().as_millisecond(),
            who,
            action: "CreateBackup".to_owned(),
            subject: path.display().to_string(),
        })
        .await?;
        let (shared, file, begun) = (Arc::clone(&self.shared), path.clone(), Instant::now());
        let summary = tokio::task::spawn_blocking(move || {
            let _place = place;
            let written = shared.store.back_up(&file);
            match &written {
                Ok(summary) => tracing::info!(
                    file = %file.display(), bytes = summary.bytes, records = summary.records,
                    took_ms = begun.elapsed().as_millis() as u64, "backup written"
                ),
                Err(error) => tracing::error!(file = %file.display(), %error, "backup failed"),
            }
            written
        })
        .await
        .map_err(|_| Refusal::Internal("the backup broke down"))?
        .map_err(refusal)?;
        Ok(Response::new(CreateBackupResponse {
            path: path.display().to_string(),
            size_bytes: as_i64(summary.bytes),
            record_count: as_i64(summary.records),
            vehicle_count: as_i64(summary.head.counts.vehicles),
            descent_count: as_i64(summary.head.counts.descents),
            last_commit: as_i64(summary.head.last_commit),
            duration_s: begun.elapsed().as_secs_f64(),
        }))
    }

    async fn list_audit_entries(
        &self,
        request: Request<ListAuditEntriesRequest>,
    ) -> Result<Response<ListAuditEntriesResponse>, Status> {
        let request = request.into_inner();
        let size = page_size(request.page_size)?;
        let selection = Selection::from(request.filter.unwrap_or_default());
        let listing = Listing::new("audit", &selection);
        let mut cursor = listing.cursor(&request.page_token)?;
        let (entries, next) = self
            .reader
            .read(move |store, caller| {
                let mut rows = Vec::new();
                for _ in 0..LOOKS_PER_PAGE {
                    let found = store.audit(cursor.as_deref(), size - rows.len())?;
                    rows.extend(found.rows.into_iter().filter(|e| selection.means(e)).map(to_wire));
                    cursor = found.next;
                    if cursor.is_none() || rows.len() >= size || caller.is_gone() {
                        break;
                    }
                }
                Ok((rows, cursor))
            })
            .await?;
        Ok(Response::new(ListAuditEntriesResponse {
            entries,
            next_page_token: listing.token(next.as_deref()),
        }))
    }
}

/// Which entries of the audit log are meant. Every field present must hold.
#[derive(Clone, Debug, Default, Serialize)]
struct Selection {
    who: Option<String>,
    action: Option<String>,
    start_time_ms: Option<i64>,
    end_time_ms: Option<i64>,
}

impl From<AuditFilter> for Selection {
    fn from(filter: AuditFilter) -> Self {
        Self {
            who: filter.who,
            action: filter.action,
            start_time_ms: filter.start_time_ms,
            end_time_ms: filter.end_time_ms,
        }
    }
}

impl Selection {
    /// The log is in the order of commits: clocks go back now and then, so a time says nothing about those further on.
    fn means(&self, entry: &AuditRecord) -> bool {
        self.who.as_ref().is_none_or(|who| is_by(&entry.who, who))
            && self.action.as_ref().is_none_or(|action| *action == entry.action)
            && self.start_time_ms.is_none_or(|t| entry.time_ms >= t)
            && self.end_time_ms.is_none_or(|t| entry.time_ms < t)
    }
}

/// Returns whether an identity is this one, or begins with it up to a slash.
fn is_by(identity: &str, who: &str) -> bool {
    identity
        .strip_prefix(who)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

fn to_wire(entry: AuditRecord) -> AuditEntry {
    AuditEntry {
        time_ms: entry.time_ms,
        who: entry.who,
        action: entry.action,
        subject: entry.subject,
    }
}

/// An error about the file is for the caller to mend; any other is one of the store.
fn refusal(error: StoreError) -> Refusal {
    match error {
        StoreError::Io { .. } => Refusal::BackupFailed(error.to_string()),
        other => other.into(),
    }
}

fn as_i64(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_person_is_found_in_every_role_and_taken_for_no_other() {
        let identity = "person/mira/role/engineer";
        for (who, found) in [
            ("person/mira/role/engineer", true),
            ("person/mira", true),
            ("person", true),
            ("person/mir", false),
            ("person/mira/role/engin", false),
            ("mira", false),
            ("person/mira/role/engineer/x", false),
        ] {
            assert_eq!(is_by(identity, who), found, "{who}");
        }
        assert!(is_by("local", "local") && !is_by("local", "loc"));
    }

    #[test]
    fn every_field_that_is_there_must_hold_and_the_end_is_exclusive() {
        let entry = AuditRecord {
            time_ms: 1_000,
            who: "local".to_owned(),
            action: "PutVehicleClass".to_owned(),
            subject: "van".to_owned(),
        };
        let means = |filter: AuditFilter| Selection::from(filter).means(&entry);
        assert!(means(AuditFilter::default()));
        let from_to = |start: i64, end: i64| AuditFilter {
            start_time_ms: Some(start),
            end_time_ms: Some(end),
            ..AuditFilter::default()
        };
        assert!(means(from_to(1_000, 1_001)));
        assert!(!means(from_to(1_001, 2_000)) && !means(from_to(0, 1_000)));
        let action = |action: &str| AuditFilter {
            action: Some(action.to_owned()),
            ..AuditFilter::default()
        };
        assert!(means(action("PutVehicleClass")) && !means(action("Put")));
    }
}
