//! Reads a log file into batches.

use std::{
    fs::File,
    io::{self, Read as _},
    path::{Path, PathBuf},
};

use coldbrake_engine::{Batch, BrakeKind, CurrentSign, sample::EARLIEST_MS};

use super::{
    ImportOptions,
    columnar::{self, ColumnarLog},
    columns::Key,
    error::{ImportError, Problem},
    rules::{COLUMNS, Row, Rules},
    text::TextLog,
};

/// Time of the first row of a log that only counts the time since its start, when no start is given:
/// 2000-01-01T00:00:00Z.
pub const ASSUMED_START_MS: i64 = EARLIEST_MS;

/// What was read, for the user.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ImportReport {
    /// Rows taken.
    pub rows: u64,
    /// Rows left out because something was wrong with them.
    pub skipped: u64,
    /// The first rows left out.
    pub skipped_first: Vec<Problem>,
    /// Time of the first and of the last row taken, ms since the Unix epoch.
    pub time_ms: Option<(i64, i64)>,
    /// The log counts the time since its start, and no start was given: [`ASSUMED_START_MS`] stands in.
    pub start_assumed: bool,
    /// The times name no zone: UTC stands in.
    pub zone_assumed: bool,
}

/// A log file, open for reading.
pub struct LogReader {
    path: PathBuf,
    rules: Rules,
    source: Source,
    /// The row that begins the next batch.
    pending: Option<Row>,
    /// What comes after the rows before it have been given out.
    broken: Option<ImportError>,
}

/// Where the rows come from.
enum Source {
    Text(Box<TextLog>),
    Columnar(Box<ColumnarLog>),
}

impl std::fmt::Debug for LogReader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("LogReader")
            .field("path", &self.path)
            .field("rules", &self.rules)
            .finish_non_exhaustive()
    }
}

impl LogReader {
    /// Opens a log file, text or Parquet, and finds its columns.
    pub fn open(path: &Path, options: &ImportOptions) -> Result<Self, ImportError> {
        let is_columnar = begins_as_columnar(path).map_err(|problem| ImportError::one(path, problem))?;
        let (source, layout) = if is_columnar {
            let (log, layout) = ColumnarLog::open(path, options)?;
            (Source::Columnar(Box::new(log)), layout)
        } else {
            let (log, layout) = TextLog::open(path, options)?;
            (Source::Text(Box::new(log)), layout)
        };
        Ok(Self {
            path: path.to_owned(),
            rules: Rules::new(layout, options.start_ms, options.skip_bad_rows),
            source,
            pending: None,
            broken: None,
        })
    }

    /// Returns what the brake column carries.
    pub fn brake_kind(&self) -> BrakeKind {
        self.rules.layout.brake_kind
    }

    /// Returns the sign of the battery current.
    pub fn current_sign(&self) -> CurrentSign {
        self.rules.layout.current_sign
    }

    /// Returns the file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Returns the name of the column that holds the battery current.
    pub fn current_column(&self) -> &str {
        self.rules
            .layout
            .bindings
            .iter()
            .find(|b| b.key == Key::Current)
            .map_or("", |b| b.name.as_str())
    }

    /// Returns what has been read so far.
    pub fn report(&self) -> &ImportReport {
        &self.rules.report
    }

    /// Reads every row by the general way.
    #[cfg(test)]
    pub(super) fn without_short_way(mut self) -> Self {
        match &mut self.source {
            Source::Text(log) => log.without_short_way(),
            Source::Columnar(log) => log.without_short_way(),
        }
        self
    }

    /// Returns how many rows were looked at one by one so far.
    #[cfg(test)]
    pub(super) fn rows_looked_at(&self) -> u64 {
        self.rules.looked_at
    }

    /// Returns the next samples, at most `most`; `None` at the end of the file.
    ///
    /// A batch ends early where an optional column begins or ends to have values, so that how a file is split does not
    /// decide what the engine knows; and before a row that cannot be read.
    pub fn next_batch(&mut self, most: usize) -> Result<Option<Batch>, ImportError> {
        let mut batch = Batch::default();
        Ok(self.fill(&mut batch, most)?.then_some(batch))
    }

    /// Puts the next samples, at most `most`, in the place of those in `batch`. Returns false at the end of the file.
    pub(super) fn fill(&mut self, batch: &mut Batch, most: usize) -> Result<bool, ImportError> {
        if let Some(error) = self.broken.take() {
            return Err(error);
        }
        batch.time_ms.clear();
        columns_mut(batch).into_iter().for_each(Vec::clear);
        let mut present = 0;
        if let Some(row) = self.pending.take() {
            present = row.present;
            push(batch, &row);
        }
        while batch.len() < most {
            match self.take_rows(batch, &mut present, most) {
                Ok(true) => {}
                Ok(false) => break,
                Err(problem) => {
                    let error = ImportError::one(&self.path, problem);
                    if batch.is_empty() {
                        return Err(error);
                    }
                    self.broken = Some(error);
                    break;
                }
            }
        }
        if batch.is_empty() {
            self.finish()?;
        }
        Ok(!batch.is_empty())
    }

    /// Takes rows into a batch: as many as go the short way, and one by the general way. Returns false when the batch
    /// ends before it is full.
    fn take_rows(&mut self, batch: &mut Batch, present: &mut u16, most: usize) -> Result<bool, Problem> {
        let rules = &mut self.rules;
        match &mut self.source {
            Source::Text(log) => log.run(rules, batch, present, most)?,
            Source::Columnar(log) => log.run(rules, batch, present, most)?,
        }
        if batch.len() >= most {
            return Ok(true);
        }
        let row = match &mut self.source {
            Source::Text(log) => log.row(rules)?,
            Source::Columnar(log) => log.row(rules)?,
        };
        let Some(row) = row else { return Ok(false) };
        if batch.is_empty() {
            *present = row.present;
        } else if row.present != *present {
            self.pending = Some(row);
            return Ok(false);
        }
        push(batch, &row);
        Ok(true)
    }

    /// At the end something must have been read.
    fn finish(&self) -> Result<(), ImportError> {
        let report = &self.rules.report;
        if report.rows > 0 {
            return Ok(());
        }
        let mut problems = report.skipped_first.clone();
        problems.push(match report.skipped {
            0 => Problem::new("holds no rows of samples", "check that the recording is complete"),
            n => Problem::new(
                format!("none of its {n} rows can be used"),
                "look at the first rows named above",
            ),
        });
        Err(ImportError {
            path: self.path.clone(),
            problems,
        })
    }
}

fn push(batch: &mut Batch, row: &Row) {
    batch.time_ms.push(row.time_ms);
    for (i, (column, value)) in columns_mut(batch).into_iter().zip(row.values).enumerate() {
        if row.present & (1 << i) != 0 {
            column.push(value);
        }
    }
}

/// Returns the columns of numbers, in the order of [`coldbrake_engine::sample::COLUMN_RULES`].
pub(super) fn columns_mut(b: &mut Batch) -> [&mut Vec<f64>; COLUMNS] {
    [
        &mut b.speed_mps,
        &mut b.altitude_m,
        &mut b.brake,
        &mut b.current_a,
        &mut b.voltage_v,
        &mut b.state_of_charge,
        &mut b.ambient_c,
        &mut b.brake_temperature_c,
        &mut b.auxiliary_w,
        &mut b.gross_mass_kg,
        &mut b.latitude_deg,
        &mut b.longitude_deg,
        &mut b.slip_control,
        &mut b.battery_temperature_c,
        &mut b.charge_limit_w,
    ]
}

/// Looks at the first bytes of a file, not at its name.
fn begins_as_columnar(path: &Path) -> Result<bool, Problem> {
    let file = File::open(path).map_err(|e| cannot_read(&e))?;
    if file.metadata().is_ok_and(|m| m.is_dir()) {
        return Err(Problem::new("is a directory", "give a CSV or Parquet file"));
    }
    let mut head = Vec::new();
    file.take(columnar::MAGIC.len() as u64)
        .read_to_end(&mut head)
        .map_err(|e| cannot_read(&e))?;
    Ok(head == columnar::MAGIC)
}

pub(super) fn cannot_read(e: &io::Error) -> Problem {
    let help = match e.kind() {
        io::ErrorKind::NotFound => "check the path",
        io::ErrorKind::PermissionDenied => "check the permissions of the file",
        io::ErrorKind::IsADirectory => "give a CSV or Parquet file",
        _ => "check the disk and the file",
    };
    Problem::new(format!("cannot be read: {e}"), help)
}
