//! `coldbrake audit`: who changed what, and when.

use clap::Args;
use coldbrake_proto::v1::{AuditEntry, AuditFilter, ListAuditEntriesRequest};
use serde_json::{Value, json};

use crate::{
    args::Global,
    command::when,
    connect::Server,
    convert::rfc3339,
    exit::{Failure, Outcome},
    printer::{Format, Printer, table::Table},
    show,
};

/// Words of the command.
#[derive(Clone, Debug, Default, Args)]
#[command(after_help = "\
Only administrators may read it.

Examples:
  coldbrake audit
  coldbrake audit --since 7d --who mira
  coldbrake audit --action PutVehicleClass --all --format csv > changes.csv")]
pub struct AuditArgs {
    /// Not before: a time, a day, or how long ago (6h, 2d)
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub since: Option<String>,
    /// Before: a time, a day, or how long ago
    #[arg(long, value_name = "WHEN", allow_hyphen_values = true)]
    pub until: Option<String>,
    /// Only by this person, in whatever role; `local` for calls on the server's machine without a certificate
    #[arg(long, value_name = "NAME")]
    pub who: Option<String>,
    /// Only this call, such as PutVehicleClass
    #[arg(long, value_name = "CALL")]
    pub action: Option<String>,
    /// At most this many
    #[arg(long, value_name = "COUNT", default_value_t = 30, conflicts_with = "all", value_parser = clap::value_parser!(u32).range(1..))]
    pub limit: u32,
    /// All of them
    #[arg(long)]
    pub all: bool,
}

/// Lists changes that people have made.
pub async fn run(args: AuditArgs, global: &Global, printer: &mut Printer) -> Outcome {
    let time =
        |option: &str, text: &Option<String>| text.as_deref().map(|t| when::parse(option, t)).transpose();
    let filter = AuditFilter {
        who: args.who.as_deref().map(identity),
        action: args.action,
        start_time_ms: time("--since", &args.since)?,
        end_time_ms: time("--until", &args.until)?,
    };
    let server = Server::connect(&global.server, global.timeout()).await?;
    let limit = if args.all { usize::MAX } else { args.limit as usize };
    let (entries, more) = fetch(&server, &filter, limit).await?;
    print(&entries, more, printer)
}

/// Returns the identity that a word means: a bare name is a person's.
fn identity(word: &str) -> String {
    let is_whole = word.contains('/') || word == "local" || word.starts_with("unknown");
    if is_whole {
        word.to_owned()
    } else {
        format!("person/{word}")
    }
}

/// Fetches entries, at most `limit`. The flag says whether there are more.
async fn fetch(
    server: &Server,
    filter: &AuditFilter,
    limit: usize,
) -> Result<(Vec<AuditEntry>, bool), Failure> {
    let mut entries = Vec::new();
    let mut token = String::new();
    loop {
        let left = limit.saturating_sub(entries.len());
        let request = ListAuditEntriesRequest {
            filter: Some(filter.clone()),
            page_size: left.min(1000) as i32,
            page_token: token,
        };
        let page = server
            .operations()
            .list_audit_entries(request)
            .await
            .map_err(|e| server.refused(&e))?
            .into_inner();
        entries.extend(page.entries);
        token = page.next_page_token;
        if token.is_empty() {
            return Ok((entries, false));
        }
        if entries.len() >= limit {
            return Ok((entries, true));
        }
    }
}

/// Prints changes as a list. `more` says that the server has more that match.
pub fn print(entries: &[AuditEntry], more: bool, printer: &mut Printer) -> Outcome {
    match printer.format {
        Format::Json => {
            let rows: Vec<Value> = entries
                .iter()
                .map(|e| {
                    json!({
                        "time": rfc3339(e.time_ms),
                        "who": e.who,
                        "action": e.action,
                        "subject": e.subject,
                    })
                })
                .collect();
            printer.json(&json!({"format": "coldbrake.audit/1", "entries": rows, "more": more}))?;
        }
        Format::Csv => {
            let rows = entries.iter().map(|e| {
                vec![
                    rfc3339(e.time_ms),
                    e.who.clone(),
                    e.action.clone(),
                    e.subject.clone(),
                ]
            });
            printer.csv(&["time", "who", "action", "subject"], rows)?;
        }
        Format::Table if entries.is_empty() => {}
        Format::Table => {
            let mut table = Table::default()
                .text("when (UTC)", 0)
                .text("who", 0)
                .text("role", 2)
                .text("action", 0)
                .text("subject", 1);
            let room = room(entries, printer.width);
            let dots = if printer.unicode { "…" } else { "..." };
            for e in entries {
                let (name, role) = name_and_role(&e.who);
                table.row(vec![
                    show::time(e.time_ms),
                    name.to_owned(),
                    role.unwrap_or(show::UNKNOWN).to_owned(),
                    e.action.clone(),
                    shortened(&e.subject, room, dots),
                ]);
            }
            table.print(printer)?;
        }
    }
    let count = show::count(entries.len() as u64, "change", "changes");
    printer.say(&match (entries.is_empty(), more) {
        (true, _) => "no change matches".to_owned(),
        (false, true) => format!("the latest {count}; there are more: --limit COUNT or --all"),
        (false, false) => count,
    });
    Ok(())
}

/// Returns how many characters a subject has beside time, name and action. One long path must not cost all others their
/// column.
fn room(entries: &[AuditEntry], width: usize) -> usize {
    let widest = |text: &dyn Fn(&AuditEntry) -> usize| entries.iter().map(text).max().unwrap_or(0);
    let taken = "2026-03-12 07:28:54".len()
        + widest(&|e| name_and_role(&e.who).0.chars().count())
        + widest(&|e| e.action.chars().count())
        + 3 * "  ".len();
    width.saturating_sub(taken)
}

/// Returns the end of a text that is longer than its room: what tells paths apart stands there.
fn shortened(text: &str, room: usize, dots: &str) -> String {
    let (length, lead) = (text.chars().count(), dots.chars().count());
    if length <= room || room <= lead {
        return text.to_owned();
    }
    let end: String = text.chars().skip(length + lead - room).collect();
    format!("{dots}{end}")
}

/// Returns the name and the role in an identity; the whole of one that is no person's.
fn name_and_role(who: &str) -> (&str, Option<&str>) {
    who.strip_prefix("person/")
        .and_then(|rest| rest.split_once("/role/"))
        .map_or((who, None), |(name, role)| (name, Some(role)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bare_name_is_a_persons() {
        for (word, meant) in [
            ("mira", "person/mira"),
            ("person/mira/role/engineer", "person/mira/role/engineer"),
            ("local", "local"),
            ("unknown at 192.0.2.7", "unknown at 192.0.2.7"),
        ] {
            assert_eq!(identity(word), meant);
        }
    }

    #[test]
    fn a_long_subject_keeps_its_end() {
        assert_eq!(shortened("van", 3, "..."), "van");
        assert_eq!(shortened("/backups/a.backup", 11, "..."), "...a.backup");
        assert_eq!(shortened("/backups/ä.backup", 9, "…"), "…ä.backup");
        assert_eq!(shortened("van-07", 2, "..."), "van-07");
    }

    #[test]
    fn names_and_roles_are_told_apart() {
        assert_eq!(
            name_and_role("person/mira/role/engineer"),
            ("mira", Some("engineer"))
        );
        assert_eq!(name_and_role("local"), ("local", None));
    }
}
