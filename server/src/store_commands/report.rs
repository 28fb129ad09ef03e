//! What a command answers, for people and for programs.

use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::store::{
    StoreStats,
    backup::BackupSummary,
    sled::{CompactReport, OpenReport, Used, VerifyReport},
};

/// What came of a command.
#[derive(Clone, Debug)]
pub(super) enum Report {
    Verify {
        directory: PathBuf,
        found: VerifyReport,
        opened: OpenReport,
    },
    Backup {
        file: PathBuf,
        summary: BackupSummary,
    },
    Checked {
        file: PathBuf,
        summary: BackupSummary,
    },
    Restore {
        directory: PathBuf,
        summary: BackupSummary,
    },
    Compact {
        directory: PathBuf,
        done: CompactReport,
    },
    Stats {
        directory: PathBuf,
        stats: Stats,
    },
}

/// What a store holds and takes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stats {
    pub(super) held: StoreStats,
    pub(super) used: Used,
}

impl Report {
    /// Returns whether nothing is damaged. An index that had to be built anew counts: something has happened to it.
    pub(super) fn is_sound(&self) -> bool {
        match self {
            Self::Verify { found, opened, .. } => found.is_sound() && opened.rebuilt_because.is_none(),
            _ => true,
        }
    }

    /// Returns lines for people.
    pub(super) fn text(&self) -> String {
        let lines = match self {
            Self::Verify {
                directory,
                found,
                opened,
            } => verify_lines(directory, found, opened, self.is_sound()),
            Self::Backup { file, summary } => {
                let mut lines = vec![format!("backup written to {}", file.display())];
                lines.extend(summary_lines(summary));
                lines
            }
            Self::Checked { file, summary } => {
                let mut lines = vec![format!("backup {} is whole", file.display())];
                lines.extend(summary_lines(summary));
                lines
            }
            Self::Restore { directory, summary } => {
                let mut lines = vec![format!("store restored into {}", directory.display())];
                lines.extend(summary_lines(summary));
                lines
            }
            Self::Compact { directory, done } => vec![
                format!("store {} compacted", directory.display()),
                format!("  records    {}", done.records),
                format!("  before     {}", bytes(done.before_bytes)),
                format!("  after      {}", bytes(done.after_bytes)),
                format!(
                    "  old store  {}: remove it when the server has run well",
                    done.kept.display()
                ),
            ],
            Self::Stats { directory, stats } => vec![
                format!("store {}", directory.display()),
                format!("  vehicles    {}", stats.held.vehicles),
                format!("  descents    {}", stats.held.descents),
                format!("  histograms  {}", stats.held.histograms),
                format!("  index       {}", bytes(stats.used.index_bytes)),
                format!("  journal     {}", bytes(stats.used.journal_bytes)),
                format!("  put aside   {}", bytes(stats.used.other_bytes)),
            ],
        };
        lines.into_iter().map(|line| line + "\n").collect()
    }

    /// Returns one JSON object on one line.
    pub(super) fn json(&self) -> String {
        let value = match self {
            Self::Verify {
                directory,
                found,
                opened,
            } => json!({
                "directory": path(directory),
                "sound": self.is_sound(),
                "records": found.records,
                "vehicles": found.vehicles,
                "descents": found.descents,
                "histograms": found.histograms,
                "journal_records": found.journal_records,
                "journal_is_complete": found.journal_is_complete,
                "findings": found.findings.iter()
                    .map(|f| json!({"what": f.what, "reason": f.reason})).collect::<Vec<_>>(),
                "more_findings": found.more_findings,
                "opening": {
                    "commits_applied_again": opened.replayed,
                    "torn_bytes": opened.torn_bytes,
                    "put_aside": opened.put_aside.iter().map(|p| path(p)).collect::<Vec<_>>(),
                    "rebuilt_because": opened.rebuilt_because,
                },
            }),
            Self::Backup { file, summary } | Self::Checked { file, summary } => {
                json!({"file": path(file), "backup": summary_json(summary)})
            }
            Self::Restore { directory, summary } => {
                json!({"directory": path(directory), "backup": summary_json(summary)})
            }
            Self::Compact { directory, done } => json!({
                "directory": path(directory),
                "records": done.records,
                "before_bytes": done.before_bytes,
                "after_bytes": done.after_bytes,
                "kept": path(&done.kept),
            }),
            Self::Stats { directory, stats } => json!({
                "directory": path(directory),
                "vehicles": stats.held.vehicles,
                "descents": stats.held.descents,
                "histograms": stats.held.histograms,
                "index_bytes": stats.used.index_bytes,
                "journal_bytes": stats.used.journal_bytes,
                "put_aside_bytes": stats.used.other_bytes,
            }),
        };
        format!("{value}\n")
    }
}

fn verify_lines(directory: &Path, found: &VerifyReport, opened: &OpenReport, is_sound: bool) -> Vec<String> {
    let verdict = if is_sound { "is sound" } else { "is damaged" };
    let reach = if found.journal_is_complete {
        "reaches back to the beginning: the index can be built from it"
    } else {
        "does not reach back to the beginning: keep backups"
    };
    let mut lines = vec![
        format!("store {} {verdict}", directory.display()),
        format!("  records     {}", found.records),
        format!("  vehicles    {}", found.vehicles),
        format!("  descents    {}", found.descents),
        format!(
            "  histograms  {}, each counted anew from the descents",
            found.histograms
        ),
        format!("  journal     {} records, {reach}", found.journal_records),
    ];
    if opened.replayed > 0 {
        lines.push(format!(
            "  applied     {} commits again from the journal",
            opened.replayed
        ));
    }
    if opened.torn_bytes > 0 {
        lines.push(format!(
            "  cut off     {} bytes of a commit that was never finished",
            opened.torn_bytes
        ));
    }
    for aside in &opened.put_aside {
        lines.push(format!("  put aside   {}", aside.display()));
    }
    if let Some(reason) = &opened.rebuilt_because {
        lines.push(format!(
            "mended: the index was built anew from the journal, because {reason}"
        ));
    }
    lines.extend(found.findings.iter().map(|f| format!("found: {f}")));
    if found.more_findings > 0 {
        lines.push(format!("found: {} more", found.more_findings));
    }
    if !found.is_sound() {
        let what = if found.journal_is_complete {
            "what to do: copy the directory as it is; the next start puts the index aside and builds it anew"
        } else {
            "what to do: copy the directory as it is, then restore a backup into a new one"
        };
        lines.push(what.to_owned());
    }
    lines
}

fn summary_lines(summary: &BackupSummary) -> Vec<String> {
    let head = &summary.head;
    vec![
        format!(
            "  made        {} by version {}",
            time(head.created_ms),
            head.program
        ),
        format!("  records     {}", summary.records),
        format!("  vehicles    {}", head.counts.vehicles),
        format!("  descents    {}", head.counts.descents),
        format!("  histograms  {}", head.counts.histograms),
        format!("  size        {}", bytes(summary.bytes)),
    ]
}

fn summary_json(summary: &BackupSummary) -> Value {
    let head = &summary.head;
    json!({
        "created": time(head.created_ms),
        "program": head.program,
        "store_format": format!("{}.{}", head.format_major, head.format_minor),
        "last_commit": head.last_commit,
        "records": summary.records,
        "vehicles": head.counts.vehicles,
        "descents": head.counts.descents,
        "histograms": head.counts.histograms,
        "bytes": summary.bytes,
    })
}

fn path(path: &Path) -> String {
    path.display().to_string()
}

fn time(ms: i64) -> String {
    jiff::Timestamp::from_millisecond(ms).map_or_else(|_| format!("{ms} ms"), |t| t.to_string())
}

/// Returns a size for people, in multiples of 1024 (IEC 80000-13).
fn bytes(bytes: u64) -> String {
    let mut scaled = bytes as f64;
    for unit in ["B", "KiB", "MiB", "GiB"] {
        if scaled < 1024.0 {
            let digits = usize::from(unit != "B");
            return format!("{scaled:.digits$} {unit}");
        }
        scaled /= 1024.0;
    }
    format!("{scaled:.1} TiB")
}
