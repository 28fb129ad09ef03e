//! What administrators ask of a server that serves.

use std::{path::PathBuf, sync::Arc, time::Instant};

use coldbrake_proto::v1::{
    CreateBackupRequest, CreateBackupResponse, operations_service_server::OperationsService,
};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tonic::{Request, Response, Status};

use crate::{
    checkpoint::{self, Edit},
    identity,
    shared::Shared,
    status::Refusal,
    store::{AuditRecord, CommitBatch, StoreError},
};

/// Longest name of a backup file, bytes.
const MAX_NAME: usize = 128;

/// Answers administrators.
pub(crate) struct Operations {
    shared: Arc<Shared>,
    writer: mpsc::Sender<checkpoint::Request>,
    /// One backup at a time.
    place: Arc<Semaphore>,
}

impl Operations {
    pub(crate) fn new(shared: Arc<Shared>, writer: mpsc::Sender<checkpoint::Request>) -> Self {
        Self {
            shared,
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
