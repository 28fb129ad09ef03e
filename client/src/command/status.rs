//! `coldbrake status`: what the server has done.

use coldbrake_proto::v1::{GetServerStatusRequest, GetServerStatusResponse};
use serde_json::json;

use crate::{
    args::Global,
    connect::Server,
    convert::rfc3339,
    exit::Outcome,
    printer::{Format, Printer},
    show,
};

/// Shows the status.
pub async fn run(global: &Global, printer: &mut Printer) -> Outcome {
    let server = Server::connect(&global.server, global.timeout()).await?;
    let s = server
        .fleet()
        .get_server_status(GetServerStatusRequest {})
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    print(&server.uri, &s, printer)
}

/// Prints what a server has done.
pub fn print(uri: &str, s: &GetServerStatusResponse, printer: &mut Printer) -> Outcome {
    let now = [
        ("open_stream_count", "streams open", s.open_stream_count),
        ("vehicle_count", "vehicles known", s.vehicle_count),
        ("descent_count", "descents recorded", s.descent_count),
        ("store_size_bytes", "bytes on disk", s.store_size_bytes),
    ];
    let since_start = [
        ("accepted_sample_count", "samples taken", s.accepted_sample_count),
        ("accepted_batch_count", "batches taken", s.accepted_batch_count),
        (
            "duplicate_batch_count",
            "batches sent twice, dropped",
            s.duplicate_batch_count,
        ),
        ("refused_batch_count", "batches refused", s.refused_batch_count),
        ("rewind_count", "requests to go back", s.rewind_count),
        ("commit_count", "group commits", s.commit_count),
    ];
    match printer.format {
        Format::Json => {
            let mut object = serde_json::Map::new();
            object.insert("format".into(), json!("coldbrake.status/1"));
            object.insert("server".into(), json!(uri));
            object.insert("version".into(), json!(s.version));
            object.insert("start_time".into(), json!(rfc3339(s.start_time_ms)));
            for (name, _, value) in now.iter().chain(&since_start) {
                object.insert((*name).to_owned(), json!(value));
            }
            printer.json(&object.into())?;
        }
        Format::Csv => {
            let rows = now
                .iter()
                .chain(&since_start)
                .map(|(name, _, value)| vec![(*name).to_owned(), value.to_string()]);
            printer.csv(&["name", "value"], rows)?;
        }
        Format::Table => {
            printer.heading(&format!("Coldbrake {} at {}", s.version, uri))?;
            for (title, counts) in [
                ("Now".to_owned(), now.as_slice()),
                (format!("Since {} UTC", show::time(s.start_time_ms)), &since_start),
            ] {
                printer.line("")?;
                printer.heading(&title)?;
                for (_, what, value) in counts {
                    printer.line(&format!("  {what:<30}{value:>14}"))?;
                }
            }
        }
    }
    Ok(())
}
