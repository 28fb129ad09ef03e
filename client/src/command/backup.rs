//! `coldbrake backup`: a backup of a server that goes on serving.

use std::time::Duration;

use clap::Args;
use coldbrake_proto::v1::{CreateBackupRequest, CreateBackupResponse};
use serde_json::json;

use crate::{
    args::Global,
    connect::Server,
    exit::Outcome,
    printer::{Format, Printer},
    show,
};

/// Shortest patience: a large store takes minutes, and giving up does not stop it.
const PATIENCE: Duration = Duration::from_secs(3_600);

/// Words of the command.
#[derive(Clone, Debug, Args)]
#[command(
    after_help = "The file is written on the server, in its store.backup_directory, and read again before it has its name. \
                  Bring it back with `coldbrake-server store restore`.\n\nExamples:\n  coldbrake backup monday.backup"
)]
pub struct BackupArgs {
    /// Name of the new file, without a directory
    #[arg(value_name = "NAME")]
    pub name: String,
}

/// Lets the server write a backup and shows what it holds.
pub async fn run(args: BackupArgs, global: &Global, printer: &mut Printer) -> Outcome {
    let server = Server::connect(&global.server, global.timeout().max(PATIENCE)).await?;
    let made = server
        .operations()
        .create_backup(CreateBackupRequest { file_name: args.name })
        .await
        .map_err(|e| server.refused(&e))?
        .into_inner();
    print(&made, printer)
}

/// Prints what a backup holds.
pub fn print(made: &CreateBackupResponse, printer: &mut Printer) -> Outcome {
    let counts = [
        ("size_bytes", made.size_bytes),
        ("record_count", made.record_count),
        ("vehicle_count", made.vehicle_count),
        ("descent_count", made.descent_count),
        ("last_commit", made.last_commit),
    ];
    match printer.format {
        Format::Json => {
            let mut object = serde_json::Map::new();
            object.insert("format".into(), json!("coldbrake.backup/1"));
            object.insert("path".into(), json!(made.path));
            for (name, value) in counts {
                object.insert(name.to_owned(), json!(value));
            }
            object.insert("duration_s".into(), json!(made.duration_s));
            printer.json(&object.into())?;
        }
        Format::Csv => {
            let mut rows = vec![vec!["path".to_owned(), made.path.clone()]];
            rows.extend(counts.map(|(name, value)| vec![name.to_owned(), value.to_string()]));
            rows.push(vec!["duration_s".to_owned(), made.duration_s.to_string()]);
            printer.csv(&["name", "value"], rows)?;
        }
        Format::Table => {
            printer.heading("Backup written on the server")?;
            printer.line(&format!("  {}", made.path))?;
            printer.line(&format!(
                "  {} and {}, up to commit {}",
                show::count(made.vehicle_count.unsigned_abs(), "vehicle", "vehicles"),
                show::count(made.descent_count.unsigned_abs(), "descent", "descents"),
                made.last_commit,
            ))?;
            printer.line(&format!(
                "  {} in {}",
                show::count(made.size_bytes.unsigned_abs(), "byte", "bytes"),
                show::count(made.record_count.unsigned_abs(), "record", "records"),
            ))?;
            printer.line(&format!("  written and read again in {:.1} s", made.duration_s))?;
            printer.line("")?;
            printer.line("Keep a copy on another machine: one disk can take both.")?;
        }
    }
    Ok(())
}
