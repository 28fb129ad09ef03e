//! Log files as text: a line with names, then a row for every sample.

use std::{
    fs::File,
    io::{self, Read, Seek as _},
    path::{Path, PathBuf},
};

use coldbrake_engine::Batch;
use csv_core::ReadRecordResult;

use super::{
    ImportOptions,
    cell::{self, Decimal},
    columns,
    error::{ImportError, Problem},
    plain::{Plain, Stop},
    reader::cannot_read,
    rules::{Cells, Row, Rules},
    units,
};

/// Bytes that are read at once. A longer row is read all the same, in pieces.
const BLOCK: usize = 1 << 18;

/// The cells of one row, unquoted.
#[derive(Debug, Default)]
pub(super) struct Record {
    text: Vec<u8>,
    ends: Vec<usize>,
    cells: usize,
}

impl Record {
    pub(super) fn len(&self) -> usize {
        self.cells
    }

    pub(super) fn get(&self, cell: usize) -> Option<&[u8]> {
        let ends = self.ends.get(..self.cells)?;
        let begin = match cell.checked_sub(1) {
            Some(before) => *ends.get(before)?,
            None => 0,
        };
        self.text.get(begin..*ends.get(cell)?)
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &[u8]> {
        (0..self.cells).filter_map(|cell| self.get(cell))
    }
}

/// The bytes of a file, some at a time.
struct Bytes {
    file: File,
    buffer: Vec<u8>,
    /// What has been read but not taken: `buffer[at..end]`.
    at: usize,
    end: usize,
    /// Place of `buffer[0]` in the file.
    offset: u64,
    ended: bool,
}

impl Bytes {
    fn new(file: File) -> Self {
        Self {
            file,
            buffer: vec![0; BLOCK],
            at: 0,
            end: 0,
            offset: 0,
            ended: false,
        }
    }

    fn rest(&self) -> &[u8] {
        self.buffer.get(self.at..self.end).unwrap_or_default()
    }

    /// Returns the place in the file up to which bytes have been taken.
    fn position(&self) -> u64 {
        self.offset + self.at as u64
    }

    /// Reads more behind what is left. Returns false when there is no more, or no room for more.
    fn read_more(&mut self) -> io::Result<bool> {
        if self.at > 0 {
            self.buffer.copy_within(self.at..self.end, 0);
            self.offset += self.at as u64;
            self.end -= self.at;
            self.at = 0;
        }
        let Some(room) = self.buffer.get_mut(self.end..).filter(|room| !room.is_empty()) else {
            return Ok(false);
        };
        let n = loop {
            match self.file.read(room) {
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                other => break other?,
            }
        };
        self.end += n;
        self.ended = n == 0;
        Ok(n > 0)
    }
}

/// A text file, open for reading.
pub(super) struct TextLog {
    path: PathBuf,
    bytes: Bytes,
    core: csv_core::Reader,
    record: Record,
    /// The first row of samples has been read while the units were looked for.
    first_is_read: bool,
    width: usize,
    decimal: Decimal,
    plain: Option<Plain>,
}

impl TextLog {
    /// Opens a text file and finds its columns.
    pub(super) fn open(path: &Path, options: &ImportOptions) -> Result<(Self, columns::Layout), ImportError> {
        let fail = |problem| ImportError::one(path, problem);
        let file = File::open(path).map_err(|e| fail(cannot_read(&e)))?;
        let mut bytes = Bytes::new(file);
        while bytes.end < 1 << 16 && bytes.read_more().map_err(|e| fail(cannot_read(&e)))? {}
        let head = bytes.rest();
        let head = head.get(..1 << 16).unwrap_or(head);
        check_head(head).map_err(fail)?;
        let separator = options.separator.unwrap_or_else(|| detect_separator(head));
        let mut log = Self {
            path: path.to_owned(),
            bytes,
            core: csv_core::ReaderBuilder::new()
                .comment(Some(b'#'))
                .delimiter(separator)
                .build(),
            record: Record::default(),
            first_is_read: false,
            width: 0,
            decimal: options.decimal,
            plain: None,
        };
        log.read_record().map_err(fail)?;
        let header = log.text().map_err(|cell| {
            let problem = Problem::new(
                format!("the name of column {cell} is not UTF-8"),
                "save the file as UTF-8",
            );
            fail(log.placed(problem))
        })?;
        if header
            .iter()
            .all(|name| name.is_empty() || name.replace(',', ".").parse::<f64>().is_ok())
        {
            let problem = Problem::new(
                "the first line holds no names of columns",
                "put a line with the names first, for example `time_s,speed_mps,altitude_m`",
            );
            return Err(fail(log.placed(problem)));
        }
        let more = log.read_record().map_err(fail)?;
        let units_row = if more { log.units() } else { None };
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
        log.first_is_read = units_row.is_none();
        log.width = header.len();
        log.plain = Plain::new(&layout, header.len(), separator);
        Ok((log, layout))
    }

    /// Reads every row by the general way.
    #[cfg(test)]
    pub(super) fn without_short_way(&mut self) {
        self.plain = None;
    }

    /// Takes rows into a batch up to `most` as long as they are plain and have values in the same columns.
    pub(super) fn run(
        &mut self,
        rules: &mut Rules,
        batch: &mut Batch,
        present: &mut u16,
        most: usize,
    ) -> Result<(), Problem> {
        let Some(plain) = &mut self.plain else {
            return Ok(());
        };
        if self.first_is_read {
            return Ok(());
        }
        while batch.len() < most {
            let (taken, stop) = plain.run(self.bytes.rest(), rules, &mut self.decimal, batch, present, most);
            self.bytes.at += taken;
            let goes_on = match stop {
                Stop::Full | Stop::Odd => false,
                Stop::Cut => !self.bytes.ended && self.bytes.read_more().map_err(|e| cannot_read(&e))?,
            };
            if !goes_on {
                break;
            }
        }
        Ok(())
    }

    /// Reads the next row by the general way; `None` at the end of the file.
    pub(super) fn row(&mut self, rules: &mut Rules) -> Result<Option<Row>, Problem> {
        loop {
            if !std::mem::take(&mut self.first_is_read) && !self.read_record()? {
                return Ok(None);
            }
            let read = self.check_width().and_then(|()| {
                rules.row(&mut TextCells {
                    record: &self.record,
                    decimal: &mut self.decimal,
                })
            });
            match read {
                Ok(row) => return Ok(Some(row)),
                Err(problem) => rules.bad(problem, |p| self.placed(p))?,
            }
        }
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
        let end = self.bytes.position();
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

    /// Reads the next record; false at the end of the file.
    fn read_record(&mut self) -> Result<bool, Problem> {
        let record = &mut self.record;
        let mut length = 0;
        record.cells = 0;
        loop {
            if self.bytes.rest().is_empty() && !self.bytes.ended {
                self.bytes.read_more().map_err(|e| cannot_read(&e))?;
            }
            // Nothing left tells the parser that the file ends.
            let (result, taken, written, cells) = self.core.read_record(
                self.bytes.rest(),
                record.text.get_mut(length..).unwrap_or_default(),
                record.ends.get_mut(record.cells..).unwrap_or_default(),
            );
            self.bytes.at += taken;
            length += written;
            record.cells += cells;
            match result {
                ReadRecordResult::InputEmpty => {}
                ReadRecordResult::OutputFull => record.text.resize((2 * record.text.len()).max(256), 0),
                ReadRecordResult::OutputEndsFull => record.ends.resize((2 * record.ends.len()).max(32), 0),
                ReadRecordResult::Record => return Ok(true),
                ReadRecordResult::End => return Ok(false),
            }
        }
    }

    /// Returns the cells as trimmed text. The error is the number of the cell, from 1, that is not UTF-8.
    fn text(&self) -> Result<Vec<String>, usize> {
        self.record
            .iter()
            .enumerate()
            .map(|(i, cell)| {
                std::str::from_utf8(cell)
                    .map(|text| text.trim().to_owned())
                    .map_err(|_| i + 1)
            })
            .collect()
    }

    /// Returns the cells when they are units: no number among them, and half of those that say something known.
    fn units(&self) -> Option<Vec<String>> {
        let cells = self.text().ok()?;
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

    fn placed(&self, problem: Problem) -> Problem {
        problem.at_line(self.line())
    }

    /// Returns the line on which the record just read ends. Only asked when there is something to report: it reads the
    /// file again up to there, which is exact whatever the line ends are.
    fn line(&self) -> u64 {
        let end = self.bytes.position();
        let count = || -> io::Result<u64> {
            let mut lines = 1;
            let mut last = 0;
            let mut buffer = [0; 1 << 13];
            let mut file = File::open(&self.path)?.take(end);
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
        count().unwrap_or_else(|_| self.core.line())
    }
}

/// The cells of a record, with how decimals are written in the file so far.
struct TextCells<'a> {
    record: &'a Record,
    decimal: &'a mut Decimal,
}

impl TextCells<'_> {
    fn cell(&self, column: usize) -> &[u8] {
        self.record.get(column).unwrap_or_default()
    }
}

impl Cells for TextCells<'_> {
    fn number(&mut self, column: usize) -> Result<Option<f64>, String> {
        cell::number(self.record.get(column).unwrap_or_default(), self.decimal)
    }

    fn switch(&mut self, column: usize) -> Result<Option<f64>, String> {
        cell::switch(self.record.get(column).unwrap_or_default(), self.decimal)
    }

    fn time_of_day(&mut self, column: usize) -> Option<(i64, bool)> {
        cell::time_text(self.cell(column))
    }

    fn shown(&self, column: usize) -> String {
        show(self.cell(column))
    }
}

/// Refuses what is no text file at all.
fn check_head(head: &[u8]) -> Result<(), Problem> {
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
            "give a CSV file, not compressed, or a Parquet file",
        ));
    }
    Ok(())
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
