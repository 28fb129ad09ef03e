//! Reads a log file row by row into batches.

use std::{
    fs::File,
    io::{self, Read as _, Seek as _},
    path::{Path, PathBuf},
};

use coldbrake_engine::{
    Batch, BrakeKind, CurrentSign,
    sample::{COLUMN_RULES, EARLIEST_MS, LATEST_MS},
};

use super::{
    ImportOptions,
    cell::{self, Decimal},
    columns::{self, Key, Layout},
    error::{ImportError, Problem},
    units::{self, Dimension},
};

/// Longest time that the last value of an optional column stands in for a missing one, ms. Slow signals are logged
/// once a minute at least; beyond that nothing is known.
const CARRY_MS: i64 = 60_000;

/// Most rows left out that are described one by one.
const MOST_DESCRIBED: usize = 5;

/// Number of columns of numbers.
const COLUMNS: usize = COLUMN_RULES.len();

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

/// How the time column is read.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Clock {
    /// Numbers since the start, with ms per unit.
    SinceStart { factor: f64, start_ms: i64 },
    /// Numbers since the Unix epoch, with ms per unit.
    Unix { factor: f64 },
    /// Text.
    Text,
}

/// One row in the engine's units.
#[derive(Clone, Copy, Debug)]
struct Row {
    time_ms: i64,
    values: [f64; COLUMNS],
    /// Which columns have a value.
    present: [bool; COLUMNS],
}

/// A log file, open for reading.
#[derive(Debug)]
pub struct LogReader {
    path: PathBuf,
    csv: csv::Reader<File>,
    record: csv::ByteRecord,
    /// The first row of samples has been read while the units were looked for.
    first_is_read: bool,
    width: usize,
    layout: Layout,
    clock: Option<Clock>,
    start_ms: Option<i64>,
    decimal: Decimal,
    skip_bad_rows: bool,
    last: [Option<(f64, i64)>; COLUMNS],
    last_time_ms: Option<i64>,
    pending: Option<Row>,
    report: ImportReport,
}

impl LogReader {
    /// Opens a log file and finds its columns.
    pub fn open(path: &Path, options: &ImportOptions) -> Result<Self, ImportError> {
        let fail = |problem| ImportError::one(path, problem);
        let head = read_head(path).map_err(fail)?;
        let separator = options.separator.unwrap_or_else(|| detect_separator(&head));
        let file = File::open(path).map_err(|e| fail(cannot_read(&e)))?;
        let mut csv = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .delimiter(separator)
            .buffer_capacity(1 << 16)
            .from_reader(file);
        let mut record = csv::ByteRecord::new();
        read_record(&mut csv, &mut record).map_err(fail)?;
        let header = text_of(&record).map_err(|place| fail(not_utf8(path, &csv, place)))?;
        if header
            .iter()
            .all(|name| name.is_empty() || name.replace(',', ".").parse::<f64>().is_ok())
        {
            return Err(fail(
                Problem::new(
                    "the first line holds no names of columns",
                    "put a line with the names first, for example `time_s,speed_mps,altitude_m`",
                )
                .at_line(line_of(path, &csv)),
            ));
        }
        let more = read_record(&mut csv, &mut record).map_err(fail)?;
        let units_row = if more { units_of(&record) } else { None };
        let layout = columns::bind(&header, units_row.as_deref(), &options.declared).map_err(|problems| {
            ImportError {
                path: path.to_owned(),
                problems,
            }
        })?;
        if !more {
            return Err(fail(Problem::new(
                "holds names of columns but no rows",
                "check that the recording is complete",
            )));
        }
        Ok(Self {
            path: path.to_owned(),
            csv,
            record,
            first_is_read: units_row.is_none(),
            width: header.len(),
            layout,
            clock: None,
            start_ms: options.start_ms,
            decimal: options.decimal,
            skip_bad_rows: options.skip_bad_rows,
            last: [None; COLUMNS],
            last_time_ms: None,
            pending: None,
            report: ImportReport::default(),
        })
    }

    /// Returns what the brake column carries.
    pub fn brake_kind(&self) -> BrakeKind {
        self.layout.brake_kind
    }

    /// Returns the sign of the battery current.
    pub fn current_sign(&self) -> CurrentSign {
        self.layout.current_sign
    }

    /// Returns the file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Returns the name of the column that holds the battery current.
    pub fn current_column(&self) -> &str {
        self.layout
            .bindings
            .iter()
            .find(|b| b.key == Key::Current)
            .map_or("", |b| b.name.as_str())
    }

    /// Returns what has been read so far.
    pub fn report(&self) -> &ImportReport {
        &self.report
    }

    /// Returns the number of bytes read so far, for a progress bar.
    pub fn bytes_read(&self) -> u64 {
        self.csv.position().byte()
    }

    /// Returns the next samples, at most `most`; `None` at the end of the file.
    ///
    /// A batch ends early where an optional column begins or ends to have values, so that how a file is split does not
    /// decide what the engine knows.
    pub fn next_batch(&mut self, most: usize) -> Result<Option<Batch>, ImportError> {
        let Some(first) = (match self.pending.take() {
            Some(row) => Some(row),
            None => self.next_row()?,
        }) else {
            return self.finish().map(|()| None);
        };
        let mut batch = empty_batch(most.min(4096));
        push(&mut batch, &first);
        while batch.len() < most {
            match self.next_row()? {
                Some(row) if row.present == first.present => push(&mut batch, &row),
                Some(row) => {
                    self.pending = Some(row);
                    break;
                }
                None => break,
            }
        }
        Ok(Some(batch))
    }

    /// At the end something must have been read.
    fn finish(&self) -> Result<(), ImportError> {
        if self.report.rows > 0 {
            return Ok(());
        }
        let mut problems = self.report.skipped_first.clone();
        problems.push(match self.report.skipped {
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

    fn next_row(&mut self) -> Result<Option<Row>, ImportError> {
        loop {
            if !std::mem::take(&mut self.first_is_read)
                && !read_record(&mut self.csv, &mut self.record)
                    .map_err(|p| ImportError::one(&self.path, p))?
            {
                return Ok(None);
            }
            match self.parse_row() {
                Ok(row) => {
                    self.take(&row);
                    return Ok(Some(row));
                }
                Err(problem) => self.bad_row(problem)?,
            }
        }
    }

    fn bad_row(&mut self, problem: Problem) -> Result<(), ImportError> {
        self.report.skipped += 1;
        if self.skip_bad_rows && self.report.skipped_first.len() >= MOST_DESCRIBED {
            return Ok(());
        }
        let problem = problem.at_line(line_of(&self.path, &self.csv));
        if self.skip_bad_rows {
            self.report.skipped_first.push(problem);
            return Ok(());
        }
        Err(ImportError::one(&self.path, problem))
    }

    fn take(&mut self, row: &Row) {
        self.report.rows += 1;
        self.last_time_ms = Some(row.time_ms);
        let first = self.report.time_ms.map_or(row.time_ms, |(first, _)| first);
        self.report.time_ms = Some((first, row.time_ms));
    }

    fn parse_row(&mut self) -> Result<Row, Problem> {
        self.check_width()?;
        let mut row = Row {
            time_ms: self.parse_time()?,
            values: [0.0; COLUMNS],
            present: [false; COLUMNS],
        };
        let mut seen = [None; COLUMNS];
        for binding in self.layout.bindings.iter().filter(|b| b.key != Key::Time) {
            let i = binding.key as usize - 1;
            let Some(value) = parse_value(&self.record, binding, &mut self.decimal)? else {
                if binding.key.is_required() {
                    return Err(Problem::new(
                        format!("holds no value, but every row needs the {}", binding.key.name()),
                        "fill it in, or leave such rows out with `--skip-bad-rows`",
                    )
                    .in_column(&binding.name));
                }
                if let Some((value, at)) = self.last[i]
                    && row.time_ms - at <= CARRY_MS
                {
                    row.values[i] = value;
                    row.present[i] = true;
                }
                continue;
            };
            self.check_range(binding, i, value)?;
            row.values[i] = value;
            row.present[i] = true;
            seen[i] = Some((value, row.time_ms));
        }
        for (last, now) in self.last.iter_mut().zip(seen) {
            *last = now.or(*last);
        }
        Ok(row)
    }

    fn check_width(&self) -> Result<(), Problem> {
        let (cells, width) = (self.record.len(), self.width);
        if cells < width {
            let (what, help) = if self.at_cut_end() {
                (
                    format!("the last line is cut off: {cells} of {width} cells"),
                    "remove the line, or leave it out with `--skip-bad-rows`",
                )
            } else {
                (
                    format!("has {cells} cells where the header has {width}"),
                    "complete the row, or leave such rows out with `--skip-bad-rows`",
                )
            };
            return Err(Problem::new(what, help));
        }
        if self
            .record
            .iter()
            .skip(width)
            .any(|cell| !cell.trim_ascii().is_empty())
        {
            return Err(Problem::new(
                format!("has {cells} cells where the header has {width}"),
                "a file with decimal commas needs another separator: export it with `;`",
            ));
        }
        Ok(())
    }

    /// Whether the reader stands at the end of a file whose last line has no end.
    fn at_cut_end(&self) -> bool {
        let end = self.csv.position().byte();
        let mut tail = Vec::new();
        let Ok(mut file) = File::open(&self.path) else {
            return false;
        };
        let Ok(size) = file.metadata().map(|m| m.len()) else {
            return false;
        };
        size == end
            && file.seek(io::SeekFrom::Start(size.saturating_sub(1))).is_ok()
            && file.read_to_end(&mut tail).is_ok()
            && !matches!(tail.last(), Some(b'\n' | b'\r'))
    }

    fn check_range(&self, binding: &columns::Binding, i: usize, value: f64) -> Result<(), Problem> {
        let rule = &COLUMN_RULES[i];
        let high = if binding.key == Key::Brake {
            self.layout.brake_kind.largest()
        } else {
            rule.high
        };
        if (rule.low..=high).contains(&value) {
            return Ok(());
        }
        // The brake's unit in the engine is that of its kind.
        let unit = match (binding.key, self.layout.brake_kind) {
            (Key::Brake, BrakeKind::Torque) => "N·m",
            (Key::Brake, BrakeKind::Pressure) => "bar",
            (Key::Brake, BrakeKind::Pedal) => "%",
            (Key::Brake, BrakeKind::Applied) => "(0 or 1)",
            _ => rule.unit,
        };
        let cell = self.cell_text(binding.columns.first().copied().unwrap_or_default());
        Err(Problem::new(
            format!(
                "`{cell}` read as {} is outside {} to {high} {unit}",
                binding.unit.symbol, rule.low
            ),
            format!(
                "check the unit: `--columns {}=\"{}\":UNIT`",
                binding.key.name(),
                binding.name
            ),
        )
        .in_column(&binding.name))
    }

    fn cell_text(&self, column: usize) -> String {
        show(self.record.get(column).unwrap_or_default())
    }

    fn parse_time(&mut self) -> Result<i64, Problem> {
        let Some(binding) = self.layout.bindings.iter().find(|b| b.key == Key::Time) else {
            return Err(Problem::new(
                "has no time",
                "say which column: `--columns time=COLUMN`",
            ));
        };
        let cell = self
            .record
            .get(binding.columns.first().copied().unwrap_or_default())
            .unwrap_or_default();
        let here = |what: String, help: &str| Problem::new(what, help).in_column(&binding.name);
        let clock = match self.clock {
            Some(clock) => clock,
            None => decide_clock(cell, binding, self.start_ms, &mut self.decimal)
                .map_err(|(what, help)| here(what, help))?,
        };
        let help = "give seconds since the start, Unix time, or RFC 3339 such as `2026-03-12T07:15:02.5Z`";
        let time_ms = match clock {
            Clock::Text => {
                let (time_ms, zone_assumed) = cell::time_text(cell)
                    .ok_or_else(|| here(format!("`{}` is not a time", show(cell)), help))?;
                self.report.zone_assumed |= zone_assumed;
                Some(time_ms)
            }
            Clock::SinceStart { factor, start_ms } => {
                let value = read_number(cell, &mut self.decimal).map_err(|wrong| here(wrong, help))?;
                let ms = (value * factor).round();
                (ms.abs() < 1e15).then(|| start_ms + ms as i64)
            }
            Clock::Unix { factor } => {
                let value = read_number(cell, &mut self.decimal).map_err(|wrong| here(wrong, help))?;
                let ms = (value * factor).round();
                (ms.abs() < 1e15).then_some(ms as i64)
            }
        };
        let Some(time_ms) = time_ms.filter(|t| (EARLIEST_MS..LATEST_MS).contains(t)) else {
            let what = format!("`{}` is a time outside the years 2000 to 2100", show(cell));
            return Err(here(
                what,
                "check the unit of the time: `--columns time=COLUMN:ms`, and `--start`",
            ));
        };
        if let Some(before) = self.last_time_ms
            && time_ms <= before
        {
            let what = if time_ms == before {
                format!(
                    "`{}` is the same time as in the row before, to the millisecond",
                    show(cell)
                )
            } else {
                format!(
                    "`{}` goes back: the row before is {} ms later",
                    show(cell),
                    before - time_ms
                )
            };
            return Err(here(
                what,
                "sort the rows by time, or leave such rows out with `--skip-bad-rows`",
            ));
        }
        self.report.start_assumed = matches!(clock, Clock::SinceStart { .. }) && self.start_ms.is_none();
        self.clock = Some(clock);
        Ok(time_ms)
    }
}

fn read_number(cell: &[u8], decimal: &mut Decimal) -> Result<f64, String> {
    match cell::number(cell, decimal) {
        Ok(Some(value)) => Ok(value),
        Ok(None) => Err("holds no value, but every row needs the time".to_owned()),
        Err(wrong) => Err(format!("`{}` {wrong}", show(cell))),
    }
}

/// Decides from the first row how the time is meant. A number of 946684800 or more would be 30 years since a start: it
/// is Unix time. Without a unit, its size tells s, ms, µs and ns apart.
fn decide_clock(
    cell: &[u8],
    binding: &columns::Binding,
    start_ms: Option<i64>,
    decimal: &mut Decimal,
) -> Result<Clock, (String, &'static str)> {
    let value = match cell::number(cell, decimal) {
        Ok(Some(value)) => Some(value),
        Ok(None) => {
            return Err((
                "holds no value, but every row needs the time".to_owned(),
                "fill it in",
            ));
        }
        Err(_) => None,
    };
    let earliest = EARLIEST_MS as f64;
    let absolute = match value {
        None => Some(Clock::Text),
        Some(value) if binding.unit_is_said => {
            let factor = binding.unit.factor();
            (value * factor >= earliest).then_some(Clock::Unix { factor })
        }
        Some(value) => [1e-6, 1e-3, 1.0, 1e3]
            .into_iter()
            .find(|factor| value * factor >= earliest)
            .map(|factor| Clock::Unix { factor }),
    };
    match (absolute, start_ms) {
        (Some(_), Some(_)) => Err((
            format!("`{}` is a time of day, but a start is given as well", show(cell)),
            "leave `--start` out: it is for logs that count the time since their start",
        )),
        (Some(clock), None) => Ok(clock),
        (None, start) => Ok(Clock::SinceStart {
            factor: binding.unit.factor(),
            start_ms: start.unwrap_or(ASSUMED_START_MS),
        }),
    }
}

fn parse_value(
    record: &csv::ByteRecord,
    binding: &columns::Binding,
    decimal: &mut Decimal,
) -> Result<Option<f64>, Problem> {
    let mut sum = None;
    for column in &binding.columns {
        let cell = record.get(*column).unwrap_or_default();
        let read = if binding.unit.dimension == Dimension::Switch {
            cell::switch(cell, decimal)
        } else {
            cell::number(cell, decimal)
        };
        let value = read.map_err(|wrong| {
            Problem::new(
                format!("`{}` {wrong}", show(cell)),
                "correct it, or leave such rows out with `--skip-bad-rows`",
            )
            .in_column(&binding.name)
        })?;
        // All wheels or none: a sum with a wheel missing would be too small.
        let Some(value) = value else { return Ok(None) };
        sum = Some(sum.unwrap_or(0.0) + value);
    }
    Ok(sum.map(|value| {
        let value = binding.unit.convert(value);
        // The engine's pedal is in %.
        let value = if binding.key == Key::Brake && binding.unit.dimension == Dimension::Fraction {
            value * 100.0
        } else {
            value
        };
        // 0 stays 0: no negative zero.
        if binding.negated { 0.0 - value } else { value }
    }))
}

fn push(batch: &mut Batch, row: &Row) {
    batch.time_ms.push(row.time_ms);
    for ((column, value), present) in columns_mut(batch).into_iter().zip(row.values).zip(row.present) {
        if present {
            column.push(value);
        }
    }
}

fn columns_mut(b: &mut Batch) -> [&mut Vec<f64>; COLUMNS] {
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

fn empty_batch(most: usize) -> Batch {
    let mut batch = Batch {
        time_ms: Vec::with_capacity(most),
        ..Batch::default()
    };
    for column in [
        &mut batch.speed_mps,
        &mut batch.altitude_m,
        &mut batch.brake,
        &mut batch.current_a,
    ] {
        column.reserve(most);
    }
    batch
}

/// Reads the beginning of a file, and refuses what is no text file at all.
fn read_head(path: &Path) -> Result<Vec<u8>, Problem> {
    let file = File::open(path).map_err(|e| cannot_read(&e))?;
    if file.metadata().is_ok_and(|m| m.is_dir()) {
        return Err(Problem::new("is a directory", "give a CSV file"));
    }
    let mut head = Vec::new();
    file.take(1 << 16)
        .read_to_end(&mut head)
        .map_err(|e| cannot_read(&e))?;
    if head.is_empty() {
        return Err(Problem::new(
            "is empty: 0 bytes",
            "check that the recording is complete",
        ));
    }
    if head.starts_with(&[0xff, 0xfe]) || head.starts_with(&[0xfe, 0xff]) {
        return Err(Problem::new("is UTF-16 text", "save it as UTF-8"));
    }
    if head.contains(&0) {
        return Err(Problem::new(
            "is not a text file",
            "give a CSV file, not compressed",
        ));
    }
    Ok(head)
}

/// The separator of the first line that holds names: a semicolon or a tab if it has one, else a comma.
fn detect_separator(head: &[u8]) -> u8 {
    let line = head
        .strip_prefix("\u{feff}".as_bytes())
        .unwrap_or(head)
        .split(|byte| *byte == b'\n')
        .find(|line| !line.trim_ascii().is_empty() && !line.starts_with(b"#"))
        .unwrap_or_default();
    let mut quoted = false;
    let mut found = b',';
    for byte in line {
        quoted ^= *byte == b'"';
        match byte {
            b';' if !quoted => return b';',
            b'\t' if !quoted => found = b'\t',
            _ => {}
        }
    }
    found
}

fn read_record(csv: &mut csv::Reader<File>, record: &mut csv::ByteRecord) -> Result<bool, Problem> {
    csv.read_byte_record(record).map_err(|e| match e.into_kind() {
        csv::ErrorKind::Io(e) => cannot_read(&e),
        other => Problem::new(format!("cannot be read: {other:?}"), "give a CSV file"),
    })
}

fn cannot_read(e: &io::Error) -> Problem {
    let help = match e.kind() {
        io::ErrorKind::NotFound => "check the path",
        io::ErrorKind::PermissionDenied => "check the permissions of the file",
        io::ErrorKind::IsADirectory => "give a CSV file",
        _ => "check the disk and the file",
    };
    Problem::new(format!("cannot be read: {e}"), help)
}

/// Returns the cells as trimmed text. The error is the number of the cell, from 1, that is not UTF-8.
fn text_of(record: &csv::ByteRecord) -> Result<Vec<String>, usize> {
    record
        .iter()
        .enumerate()
        .map(|(i, cell)| {
            std::str::from_utf8(cell)
                .map(|text| text.trim().to_owned())
                .map_err(|_| i + 1)
        })
        .collect()
}

fn not_utf8(path: &Path, csv: &csv::Reader<File>, cell: usize) -> Problem {
    Problem::new(
        format!("the name of column {cell} is not UTF-8"),
        "save the file as UTF-8",
    )
    .at_line(line_of(path, csv))
}

/// Returns the cells when they are units: no number among them, and half of those that say something known.
fn units_of(record: &csv::ByteRecord) -> Option<Vec<String>> {
    let cells = text_of(record).ok()?;
    let said: Vec<_> = cells
        .iter()
        .filter(|cell| !cell.is_empty() && *cell != "-")
        .collect();
    let known = said.iter().filter(|cell| units::is_unit(cell)).count();
    let any_number = said
        .iter()
        .any(|cell| **cell != "1" && cell.replace(',', ".").parse::<f64>().is_ok());
    (!any_number && known > 0 && 2 * known >= said.len()).then(|| {
        cells
            .into_iter()
            .map(|cell| if cell == "-" { String::new() } else { cell })
            .collect()
    })
}

/// Returns the line on which the record just read ends. Only asked when there is something to report: it reads the
/// file again up to there, which is exact whatever the line ends are.
fn line_of(path: &Path, csv: &csv::Reader<File>) -> u64 {
    let end = csv.position().byte();
    let count = || -> io::Result<u64> {
        let mut lines = 1;
        let mut last = 0;
        let mut buffer = [0; 1 << 13];
        let mut file = File::open(path)?.take(end);
        loop {
            let n = file.read(&mut buffer)?;
            let Some(chunk) = buffer.get(..n).filter(|chunk| !chunk.is_empty()) else {
                break;
            };
            lines += chunk.iter().filter(|byte| **byte == b'\n').count() as u64;
            last = *chunk.last().unwrap_or(&0);
        }
        Ok(if last == b'\n' { lines - 1 } else { lines })
    };
    count().unwrap_or_else(|_| csv.position().line())
}

/// Shows a cell in a message: as text, not longer than a line bears.
fn show(cell: &[u8]) -> String {
    const MOST: usize = 40;
    let text = String::from_utf8_lossy(cell);
    let text = text.trim();
    let mut shown: String = text
        .chars()
        .take(MOST)
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect();
    if text.chars().nth(MOST).is_some() {
        shown.push('…');
    }
    shown
}
