//! The one table from what goes wrong to what a caller is told.
//!
//! Every status carries an `ErrorInfo` (reason, domain, metadata); mistakes in fields come as a `BadRequest` too. Details
//! travel in trailers, which some peers cap at 8 KiB: they are cut to about 4 KiB here.

use std::{collections::HashMap, time::Duration};

use coldbrake_engine::{Violation, sample::MAX_VIOLATIONS};
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, FieldViolation, StatusExt as _};

use crate::{identity::Role, store::StoreError};

/// Domain of the reasons in `ErrorInfo`.
pub const DOMAIN: &str = "coldbrake.v1";

/// Most bytes of a field's path, of its description, and of a message.
const MAX_FIELD: usize = 64;
const MAX_DESCRIPTION: usize = 180;
const MAX_MESSAGE: usize = 512;

/// What a caller can be told.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Fields of the request are wrong.
    #[error("{}", first_violation(.0))]
    BadFields(Vec<Violation>),
    /// The first message of a stream was not `open`.
    #[error("the first message of a stream must be `open`")]
    OpenExpected,
    /// A second `open` on a stream.
    #[error("`open` was sent twice: begin a new stream instead")]
    OpenedTwice,
    /// A message without content.
    #[error(
        "the message carries none of `open`, `batch`, `declare_gap`, `finish`: is the client newer than the server?"
    )]
    EmptyMessage,
    /// `open` did not come in time.
    #[error("no `open` within {}: send it at once (limits.open_timeout)", crate::config::text::duration(*.0))]
    OpenTimeout(Duration),
    /// Nothing came for too long.
    #[error("nothing was sent for {}: connect again when there is something to send (limits.idle_timeout)", crate::config::text::duration(*.0))]
    IdleTimeout(Duration),
    /// The class is not registered.
    #[error(
        "vehicle class `{0}` is not registered: register it with FleetService/PutVehicleClass (`coldbrake classes put FILE`), then connect again"
    )]
    UnknownClass(String),
    /// A newer stream of the same vehicle took over.
    #[error("a newer stream of vehicle `{0}` took over: keep one stream per vehicle")]
    Superseded(String),
    /// More batches on their way than granted.
    #[error(
        "more than {0} batches are on their way without an acknowledgement: wait for `ack` (limits.credit)"
    )]
    CreditExceeded(usize),
    /// No room for another stream.
    #[error("the server serves its {0} streams already: try again later, or raise limits.streams")]
    TooManyStreams(usize),
    /// No room for another stream of this caller.
    #[error(
        "the certificate of {name} has its {limit} streams already: keep one stream per vehicle, or raise \
         limits.streams_per_identity"
    )]
    TooManyStreamsOfOne {
        /// Whom the certificate names.
        name: String,
        /// The limit.
        limit: usize,
    },
    /// No room for another watcher.
    #[error("the server has its {0} watchers already: try again later, or raise limits.watchers")]
    TooManyWatchers(usize),
    /// No room for another vehicle.
    #[error("the server knows its {0} vehicles already: raise limits.vehicles")]
    TooManyVehicles(u64),
    /// A message above the limit.
    #[error(
        "a message is larger than {limit} bytes: send fewer samples in a batch, or raise limits.message_bytes ({detail})"
    )]
    MessageTooLarge {
        /// The limit.
        limit: usize,
        /// What the transport said.
        detail: String,
    },
    /// A sequence number that cannot be one.
    #[error("`{field}` is {value}: {rule}")]
    BadSequence {
        /// Name of the field.
        field: &'static str,
        /// Its value.
        value: i64,
        /// What it must be.
        rule: &'static str,
    },
    /// A reader that takes nothing.
    #[error("responses were not read for {}: read them while sending (limits.idle_timeout)", crate::config::text::duration(*.0))]
    ReaderStalled(Duration),
    /// The server is going away.
    #[error("the server is shutting down: connect again in a moment")]
    Draining,
    /// The store failed while writing: the server takes nothing more.
    #[error("the server cannot store anything: {0}")]
    StoreFailed(String),
    /// The disk of the store is nearly full.
    #[error(
        "the disk of the store has {} left, less than the {} below which nothing is accepted: make room, or lower \
         store.free_floor; it goes on by itself",
        crate::config::text::about_bytes(*free_bytes), crate::config::text::about_bytes(*floor_bytes)
    )]
    DiskLow {
        /// What is left, bytes.
        free_bytes: u64,
        /// What must be left, bytes.
        floor_bytes: u64,
    },
    /// The store failed while reading.
    #[error("the store cannot be read: {0}")]
    StoreUnreadable(String),
    /// Something stored is damaged.
    #[error("stored data is damaged: {0}")]
    Damaged(String),
    /// Something stored was written by a newer program.
    #[error("stored data cannot be read: {0}: start the newer program, or restore a backup")]
    Newer(String),
    /// A backup is being written.
    #[error("a backup is being written: try again when it is done")]
    BackupUnderWay,
    /// A backup could not be written.
    #[error(
        "no backup was written: {0}: look at store.backup_directory on the server, and name a file that does not exist"
    )]
    BackupFailed(String),
    /// What this server, as it is set up, cannot do.
    #[error("{0}")]
    Unsupported(&'static str),
    /// A value is too large to be stored.
    #[error("{0}")]
    TooLarge(String),
    /// A page token that is none.
    #[error("`page_token` is not one of this listing: start again without it")]
    BadPageToken,
    /// A page token of another filter.
    #[error(
        "`page_token` belongs to another filter: keep the filter while paging, or start again without it"
    )]
    OtherPageToken,
    /// There is no such thing.
    #[error("there is no {kind} `{name}`")]
    NotFound {
        /// What kind of thing.
        kind: &'static str,
        /// Its name.
        name: String,
    },
    /// An alarm that is over.
    #[error("alarm `{0}` is closed: nothing can be done with it any more")]
    AlarmClosed(String),
    /// There is nothing to deliver to.
    #[error("no webhook is configured: set webhook.url and webhook.secret_file, and restart the server")]
    NoWebhook,
    /// A call that this server does not have, or that has no row in the table of calls and roles.
    #[error("this server has no call `{0}`: is the client newer than the server?")]
    NoSuchCall(String),
    /// The certificate names nobody here.
    #[error("the certificate is not accepted: {0}")]
    NotIdentified(String),
    /// The role may not make the call.
    #[error("the role {role} may not call {call}: it takes {}", roles(.allowed))]
    RoleNotAllowed {
        /// The caller's role.
        role: Role,
        /// Service and method.
        call: String,
        /// Roles that may.
        allowed: &'static [Role],
    },
    /// A stream of another vehicle than the certificate is of.
    #[error(
        "the certificate is of {own}, and the stream is of vehicle `{vehicle}`: a vehicle streams as itself only"
    )]
    OtherVehicle {
        /// Whom the certificate names.
        own: String,
        /// The vehicle that the stream is of.
        vehicle: String,
    },
    /// A mistake of ours: the vehicle is put aside until the server starts again.
    #[error(
        "vehicle `{0}` is put aside after an internal error: report it, and restart the server to try again"
    )]
    VehicleFault(String),
    /// A mistake of ours.
    #[error("internal error: {0}")]
    Internal(&'static str),
}

impl Refusal {
    /// Returns a refusal for one mistake in one field.
    pub fn field(field: &str, description: impl Into<String>) -> Self {
        Self::BadFields(vec![Violation {
            field: field.to_owned(),
            description: description.into(),
        }])
    }

    /// Returns code, reason and metadata: the table.
    fn entry(&self) -> (Code, &'static str, Vec<(&'static str, String)>) {
        match self {
            Self::BadFields(_) => (Code::InvalidArgument, "FIELD_INVALID", vec![]),
            Self::OpenExpected => (Code::InvalidArgument, "OPEN_EXPECTED", vec![]),
            Self::OpenedTwice => (Code::InvalidArgument, "OPENED_TWICE", vec![]),
            Self::EmptyMessage => (Code::InvalidArgument, "MESSAGE_EMPTY", vec![]),
            Self::BadSequence { field, .. } => (
                Code::InvalidArgument,
                "SEQUENCE_INVALID",
                vec![("field", (*field).to_owned())],
            ),
            Self::BadPageToken => (Code::InvalidArgument, "PAGE_TOKEN_INVALID", vec![]),
            Self::OtherPageToken => (Code::InvalidArgument, "PAGE_TOKEN_OF_OTHER_FILTER", vec![]),
            Self::TooLarge(_) => (Code::FailedPrecondition, "RECORD_TOO_LARGE", vec![]),
            Self::OpenTimeout(_) => (
                Code::DeadlineExceeded,
                "OPEN_TIMEOUT",
                limit("limits.open_timeout"),
            ),
            Self::IdleTimeout(_) => (
                Code::DeadlineExceeded,
                "STREAM_IDLE",
                limit("limits.idle_timeout"),
            ),
            Self::ReaderStalled(_) => (
                Code::DeadlineExceeded,
                "READER_STALLED",
                limit("limits.idle_timeout"),
            ),
            Self::UnknownClass(class) => (
                Code::FailedPrecondition,
                "VEHICLE_CLASS_UNKNOWN",
                vec![("vehicle_class", class.clone())],
            ),
            Self::Newer(_) => (Code::FailedPrecondition, "STORED_BY_NEWER_PROGRAM", vec![]),
            Self::Superseded(vehicle) => (
                Code::Aborted,
                "STREAM_SUPERSEDED",
                vec![("vehicle", vehicle.clone())],
            ),
            Self::CreditExceeded(_) => (Code::ResourceExhausted, "CREDIT_EXCEEDED", limit("limits.credit")),
            Self::TooManyStreams(_) => (
                Code::ResourceExhausted,
                "STREAM_LIMIT_REACHED",
                limit("limits.streams"),
            ),
            Self::TooManyStreamsOfOne { .. } => (
                Code::ResourceExhausted,
                "IDENTITY_STREAM_LIMIT_REACHED",
                limit("limits.streams_per_identity"),
            ),
            Self::TooManyWatchers(_) => (
                Code::ResourceExhausted,
                "WATCHER_LIMIT_REACHED",
                limit("limits.watchers"),
            ),
            Self::TooManyVehicles(_) => (
                Code::ResourceExhausted,
                "VEHICLE_LIMIT_REACHED",
                limit("limits.vehicles"),
            ),
            Self::MessageTooLarge { .. } => (
                Code::OutOfRange,
                "MESSAGE_TOO_LARGE",
                limit("limits.message_bytes"),
            ),
            Self::AlarmClosed(alarm) => (
                Code::FailedPrecondition,
                "ALARM_CLOSED",
                vec![("alarm", alarm.clone())],
            ),
            Self::NoWebhook => (Code::FailedPrecondition, "WEBHOOK_NOT_CONFIGURED", vec![]),
            Self::NoSuchCall(_) => (Code::Unimplemented, "CALL_UNKNOWN", vec![]),
            Self::NotIdentified(_) => (Code::Unauthenticated, "IDENTITY_NOT_ACCEPTED", vec![]),
            Self::RoleNotAllowed { role, call, .. } => (
                Code::PermissionDenied,
                "ROLE_NOT_ALLOWED",
                vec![("role", role.to_string()), ("call", call.clone())],
            ),
            Self::OtherVehicle { vehicle, .. } => (
                Code::PermissionDenied,
                "VEHICLE_NOT_OWN",
                vec![("vehicle", vehicle.clone())],
            ),
            Self::Draining => (Code::Unavailable, "SERVER_DRAINING", vec![]),
            Self::StoreFailed(_) => (Code::Unavailable, "STORE_FAILED", vec![]),
            Self::DiskLow { .. } => (Code::Unavailable, "DISK_LOW", limit("store.free_floor")),
            Self::StoreUnreadable(_) => (Code::Unavailable, "STORE_UNREADABLE", vec![]),
            Self::BackupUnderWay => (Code::Aborted, "BACKUP_UNDER_WAY", vec![]),
            Self::BackupFailed(_) => (Code::FailedPrecondition, "BACKUP_FAILED", vec![]),
            Self::Unsupported(_) => (Code::FailedPrecondition, "UNSUPPORTED", vec![]),
            Self::Damaged(_) => (Code::DataLoss, "STORED_DATA_DAMAGED", vec![]),
            Self::NotFound { kind, name } => {
                let reason = match *kind {
                    "vehicle" => "VEHICLE_NOT_FOUND",
                    "vehicle class" => "VEHICLE_CLASS_NOT_FOUND",
                    "descent" => "DESCENT_NOT_FOUND",
                    "alarm" => "ALARM_NOT_FOUND",
                    _ => "NOT_FOUND",
                };
                (Code::NotFound, reason, vec![("name", name.clone())])
            }
            Self::VehicleFault(vehicle) => (
                Code::Internal,
                "VEHICLE_FAULT",
                vec![("vehicle", vehicle.clone())],
            ),
            Self::Internal(_) => (Code::Internal, "INTERNAL", vec![]),
        }
    }

    /// Returns the machine-readable reason.
    pub fn reason(&self) -> &'static str {
        self.entry().1
    }

    /// Returns how long a client should wait before it tries again; `None` when trying again does not help.
    fn retry_after(&self) -> Option<Duration> {
        match self {
            Self::Draining => Some(Duration::from_secs(2)),
            Self::TooManyStreams(_)
            | Self::TooManyStreamsOfOne { .. }
            | Self::TooManyWatchers(_)
            | Self::StoreFailed(_)
            | Self::DiskLow { .. }
            | Self::StoreUnreadable(_) => Some(Duration::from_secs(30)),
            _ => None,
        }
    }
}

impl From<Refusal> for Status {
    fn from(refusal: Refusal) -> Self {
        let (code, reason, metadata) = refusal.entry();
        let metadata: HashMap<String, String> = metadata
            .into_iter()
            .map(|(k, v)| (k.to_owned(), cut(&v, MAX_FIELD)))
            .collect();
        let mut details = ErrorDetails::with_error_info(reason, DOMAIN, metadata);
        match &refusal {
            Refusal::BadFields(violations) => {
                details.set_bad_request(fields(violations));
            }
            Refusal::UnknownClass(_) => {
                details.add_bad_request_violation(
                    "open.vehicle_class",
                    cut(&refusal.to_string(), MAX_DESCRIPTION),
                );
            }
            Refusal::BadSequence { field, .. } => {
                details.add_bad_request_violation(*field, cut(&refusal.to_string(), MAX_DESCRIPTION));
            }
            Refusal::BadPageToken | Refusal::OtherPageToken => {
                details.add_bad_request_violation("page_token", cut(&refusal.to_string(), MAX_DESCRIPTION));
            }
            _ => {}
        }
        if let Some(delay) = refusal.retry_after() {
            details.set_retry_info(Some(delay));
        }
        Self::with_error_details(code, cut(&refusal.to_string(), MAX_MESSAGE), details)
    }
}

impl From<StoreError> for Refusal {
    /// Translates a failure of a reading call; failures of `commit` are told by [`Refusal::StoreFailed`].
    fn from(error: StoreError) -> Self {
        let text = error.to_string();
        match error {
            StoreError::BadCursor => Self::BadPageToken,
            StoreError::Damaged { .. } => Self::Damaged(text),
            StoreError::Newer { .. } | StoreError::Older { .. } | StoreError::NewerBackup { .. } => {
                Self::Newer(text)
            }
            // The refusal says itself what to do.
            StoreError::NewerRecord { what, found, known } => Self::Newer(format!(
                "{what} has version {found}, this program reads up to {known}"
            )),
            StoreError::Unsupported(text) => Self::Unsupported(text),
            StoreError::TooLarge { .. } | StoreError::BadKey { .. } => Self::TooLarge(text),
            StoreError::Io { .. } | StoreError::InUse { .. } | StoreError::Poisoned(_) => {
                Self::StoreUnreadable(text)
            }
        }
    }
}

fn roles(allowed: &[Role]) -> String {
    let names: Vec<_> = allowed.iter().map(|role| role.name()).collect();
    names.join(" or ")
}

fn limit(key: &str) -> Vec<(&'static str, String)> {
    vec![("limit", key.to_owned())]
}

fn first_violation(violations: &[Violation]) -> String {
    match violations {
        [] => "the request is not valid".to_owned(),
        [one] => format!("`{}` {}", one.field, one.description),
        [first, rest @ ..] => {
            format!(
                "`{}` {} (and {} more, see the field violations)",
                first.field,
                first.description,
                rest.len()
            )
        }
    }
}

fn fields(violations: &[Violation]) -> Vec<FieldViolation> {
    violations
        .iter()
        .take(MAX_VIOLATIONS)
        .map(|v| FieldViolation::new(cut(&v.field, MAX_FIELD), cut(&v.description, MAX_DESCRIPTION)))
        .collect()
}

/// Cuts a text to what fits into a trailer, at a character boundary.
fn cut(text: &str, most: usize) -> String {
    if text.len() <= most {
        return text.to_owned();
    }
    let end = (0..=most).rev().find(|&i| text.is_char_boundary(i)).unwrap_or(0);
    format!("{}…", &text[..end])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn field_mistakes_travel_as_bad_request_with_a_reason() {
        let status: Status = Refusal::field("page_size", "is -1: give 0 to 1000").into();
        assert_eq!(status.code(), Code::InvalidArgument);
        assert_eq!(status.message(), "`page_size` is -1: give 0 to 1000");
        let details = status.get_error_details();
        assert_eq!(details.error_info().unwrap().reason, "FIELD_INVALID");
        assert_eq!(details.error_info().unwrap().domain, DOMAIN);
        assert_eq!(
            details.bad_request().unwrap().field_violations[0].field,
            "page_size"
        );
    }

    #[test]
    fn an_unknown_class_is_named_and_says_how_to_register_it() {
        let status: Status = Refusal::UnknownClass("van-9".to_owned()).into();
        assert_eq!(status.code(), Code::FailedPrecondition);
        assert!(status.message().contains("`van-9`") && status.message().contains("PutVehicleClass"));
        assert_eq!(
            status.get_error_details().error_info().unwrap().metadata["vehicle_class"],
            "van-9"
        );
    }

    #[test]
    fn details_stay_below_what_a_trailer_carries() {
        let long = Violation {
            field: "f".repeat(5_000),
            description: "°".repeat(5_000),
        };
        let status: Status = Refusal::BadFields(vec![long; 100]).into();
        assert!(status.details().len() < 5 * 1024, "{}", status.details().len());
    }

    #[test]
    fn what_passes_by_itself_says_when_to_try_again() {
        for refusal in [
            Refusal::Draining,
            Refusal::StoreFailed(String::new()),
            Refusal::DiskLow {
                free_bytes: 1,
                floor_bytes: 2,
            },
            Refusal::TooManyStreams(1),
        ] {
            let status: Status = refusal.into();
            assert!(status.get_error_details().retry_info().is_some());
        }
    }
}
