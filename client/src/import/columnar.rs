//! Log files in Parquet: columns with types, read a block of rows at a time.

mod decode;
mod guard;

use std::{fs::File, path::Path};

use coldbrake_engine::Batch;
use parquet::{
    basic::Compression,
    file::{
        metadata::ColumnChunkMetaData,
        reader::{FileReader as _, SerializedFileReader},
    },
};

use self::decode::{Column, Kind};
pub use self::guard::is_guarded;
use super::{
    ImportOptions,
    clock::Clock,
    columns::{self, Binding, Key, Layout},
    error::{ImportError, Problem},
    reader::{cannot_read, columns_mut},
    rules::{Cells, Row, Rules, is_time},
    units::Dimension,
};

/// How a Parquet file begins and ends.
pub(super) const MAGIC: &[u8] = b"PAR1";

/// Rows that are decoded at once.
const BLOCK: usize = 4096;

/// A Parquet file, open for reading.
pub(super) struct ColumnarLog {
    file: SerializedFileReader<File>,
    /// The columns that are asked for; the layout counts these.
    columns: Vec<Column>,
    /// The columns of a batch that the file has, bit by bit.
    present: u16,
    next_group: usize,
    rows_left_in_group: usize,
    /// Rows of the block, and how many of them are taken.
    rows: usize,
    at: usize,
    /// Every value of the block is there, and none is known to be bad.
    plain: bool,
    /// Rows of the file before the block.
    rows_before: u64,
    #[cfg(test)]
    only_general: bool,
}

impl ColumnarLog {
    /// Opens a Parquet file and finds its columns.
    pub(super) fn open(path: &Path, options: &ImportOptions) -> Result<(Self, Layout), ImportError> {
        let fail = |problem| ImportError::one(path, problem);
        let file = File::open(path).map_err(|e| fail(cannot_read(&e)))?;
        let size = file.metadata().map_err(|e| fail(cannot_read(&e)))?.len();
        let file = guard::run(|| SerializedFileReader::new(file)).map_err(|what| fail(damaged(&what)))?;
        let schema = file.metadata().file_metadata().schema_descr_ptr();
        let header: Vec<String> = schema
            .columns()
            .iter()
            .map(|column| column.path().string().trim().to_owned())
            .collect();
        let several = |problems| ImportError {
            path: path.to_owned(),
            problems,
        };
        let mut layout = columns::bind(&header, None, &options.declared).map_err(several)?;
        let mut problems = Vec::new();
        let mut columns: Vec<Column> = Vec::new();
        let mut present = 0;
        for binding in &mut layout.bindings {
            present |= binding.key.column().map_or(0, |i| 1 << i);
            for position in binding.columns.clone() {
                match Column::new(&schema.column(position), position).and_then(|column| fits(binding, column))
                {
                    Ok(column) => columns.push(column),
                    Err(problem) => problems.push(problem.in_column(&binding.name)),
                }
            }
            let first = columns.len().saturating_sub(binding.columns.len());
            binding.columns = (first..columns.len()).collect();
        }
        if !problems.is_empty() {
            return Err(several(problems));
        }
        for group in file.metadata().row_groups() {
            for column in &columns {
                let chunk = group.columns().get(column.position);
                chunk
                    .ok_or_else(|| damaged("a column is missing in a part of the file"))
                    .and_then(|chunk| check_chunk(chunk, size))
                    .map_err(|problem| fail(problem.in_column(&column.name)))?;
            }
        }
        if file
            .metadata()
            .row_groups()
            .iter()
            .all(|group| group.num_rows() <= 0)
        {
            return Err(fail(Problem::new(
                "holds names of columns but no rows",
                "check that the recording is complete",
            )));
        }
        let log = Self {
            file,
            columns,
            present,
            next_group: 0,
            rows_left_in_group: 0,
            rows: 0,
            at: 0,
            plain: false,
            rows_before: 0,
            #[cfg(test)]
            only_general: false,
        };
        Ok((log, layout))
    }

    /// Reads every row by the general way.
    #[cfg(test)]
    pub(super) fn without_short_way(&mut self) {
        self.only_general = true;
    }

    /// Returns the number of rows read so far.
    fn rows_read(&self) -> u64 {
        self.rows_before + self.at as u64
    }

    /// Takes rows into a batch up to `most`, whole columns at once, as long as every value is there and good. `present`
    /// are the columns that have values in the batch, bit by bit.
    pub(super) fn run(
        &mut self,
        rules: &mut Rules,
        batch: &mut Batch,
        present: &mut u16,
        most: usize,
    ) -> Result<(), Problem> {
        while batch.len() < most {
            if self.at == self.rows && !self.next_block()? {
                return Ok(());
            }
            if !self.plain || (!batch.is_empty() && *present != self.present) {
                return Ok(());
            }
            // The first row decides what the times are.
            let (Some(clock), Some(_)) = (rules.clock, rules.last_time_ms) else {
                return Ok(());
            };
            *present = self.present;
            let wanted = (most - batch.len()).min(self.rows - self.at);
            let taken = self.take(wanted, clock, rules, batch);
            self.at += taken;
            if taken < wanted {
                // The general way says what is wrong, and goes on to the end of the block.
                self.plain = false;
            }
        }
        Ok(())
    }

    /// Takes up to `wanted` rows of the block. Returns how many were good before the first that is not.
    fn take(&self, wanted: usize, clock: Clock, rules: &mut Rules, batch: &mut Batch) -> usize {
        let before = batch.len();
        let mut good = wanted;
        for (binding, scale) in rules.layout.bindings.iter().zip(&rules.scales) {
            let Some(slot) = binding.key.column() else {
                good = self.take_times(binding, good, clock, rules.last_time_ms, &mut batch.time_ms);
                continue;
            };
            let Some(to) = columns_mut(batch).into_iter().nth(slot) else {
                continue;
            };
            match binding.columns.as_slice() {
                [only] => to.extend(self.values(*only, good).iter().map(|v| scale.convert(0.0 + v))),
                several => {
                    let sum = |i: usize| several.iter().fold(0.0, |sum, c| sum + self.values(*c, good)[i]);
                    to.extend((0..good).map(|i| scale.convert(sum(i))));
                }
            }
            let new = to.get(before..).unwrap_or_default();
            // Without a way out at the first bad value, several are looked at at once.
            if !new.iter().fold(true, |all, v| all & scale.takes(*v)) {
                good = new.iter().position(|v| !scale.takes(*v)).unwrap_or(good);
            }
        }
        batch.time_ms.truncate(before + good);
        for column in columns_mut(batch) {
            column.truncate(before + good);
        }
        if let (Some(first), Some(last)) = (batch.time_ms.get(before).copied(), batch.time_ms.last().copied())
        {
            for slot in rules.layout.bindings.iter().filter_map(|b| b.key.column()) {
                rules.last[slot] = columns_mut(batch)[slot].last().map(|value| (*value, last));
            }
            rules.took(good as u64, first, last);
        }
        good
    }

    fn values(&self, column: usize, rows: usize) -> &[f64] {
        self.columns
            .get(column)
            .and_then(|c| c.values().get(self.at..self.at + rows))
            .unwrap_or_default()
    }

    fn take_times(
        &self,
        binding: &Binding,
        rows: usize,
        clock: Clock,
        last_ms: Option<i64>,
        to: &mut Vec<i64>,
    ) -> usize {
        let Some(column) = binding.columns.first().and_then(|c| self.columns.get(*c)) else {
            return 0;
        };
        let mut last_ms = last_ms.unwrap_or(i64::MIN);
        let before = to.len();
        for i in self.at..self.at + rows {
            let time_ms = match clock {
                Clock::Text => column.times().get(i).copied(),
                _ => column.values().get(i).and_then(|value| clock.time_ms(*value)),
            };
            match time_ms {
                Some(t) if t > last_ms && is_time(t) => {
                    to.push(t);
                    last_ms = t;
                }
                _ => break,
            }
        }
        to.len() - before
    }

    /// Reads the next row by the general way; `None` at the end of the file.
    pub(super) fn row(&mut self, rules: &mut Rules) -> Result<Option<Row>, Problem> {
        loop {
            if self.at == self.rows && !self.next_block()? {
                return Ok(None);
            }
            let mut cells = BlockCells {
                columns: &self.columns,
                row: self.at,
            };
            let read = rules.row(&mut cells);
            self.at += 1;
            match read {
                Ok(row) => return Ok(Some(row)),
                Err(problem) => rules.bad(problem, |p| p.at_row(self.rows_read()))?,
            }
        }
    }

    /// Decodes the next rows; false at the end of the file.
    fn next_block(&mut self) -> Result<bool, Problem> {
        self.rows_before += self.rows as u64;
        self.rows = 0;
        self.at = 0;
        while self.rows_left_in_group == 0 {
            let metadata = self.file.metadata();
            if self.next_group >= metadata.num_row_groups() {
                return Ok(false);
            }
            let rows = metadata.row_group(self.next_group).num_rows();
            self.rows_left_in_group =
                usize::try_from(rows).map_err(|_| damaged("a part has a negative number of rows"))?;
            for column in &mut self.columns {
                let reader = guard::run(|| {
                    self.file
                        .get_row_group(self.next_group)?
                        .get_column_reader(column.position)
                });
                let place = |p: Problem| p.in_column(&column.name).at_row(self.rows_before + 1);
                column.begin(reader.map_err(|what| place(damaged(&what)))?);
            }
            self.next_group += 1;
        }
        let rows = self.rows_left_in_group.min(BLOCK);
        for column in &mut self.columns {
            guard::run(|| column.read(rows)).map_err(|what| {
                damaged(&what)
                    .in_column(&column.name)
                    .at_row(self.rows_before + 1)
            })?;
        }
        self.rows = rows;
        self.rows_left_in_group -= rows;
        self.plain = self.columns.iter().all(Column::is_whole);
        #[cfg(test)]
        {
            self.plain &= !self.only_general;
        }
        Ok(true)
    }
}

/// The cells of a row of the block.
struct BlockCells<'a> {
    columns: &'a [Column],
    row: usize,
}

impl Cells for BlockCells<'_> {
    fn number(&mut self, column: usize) -> Result<Option<f64>, String> {
        match self.columns.get(column) {
            Some(column) if column.is_missing(self.row) => Ok(None),
            Some(column) if column.kind.is_time() => Err("is a time of day".to_owned()),
            Some(column) => match column.values().get(self.row) {
                Some(value) if value.is_finite() => Ok(Some(*value)),
                Some(_) => Err("is infinite".to_owned()),
                None => Ok(None),
            },
            None => Ok(None),
        }
    }

    fn switch(&mut self, column: usize) -> Result<Option<f64>, String> {
        self.number(column)
    }

    fn time_of_day(&mut self, column: usize) -> Option<(i64, bool)> {
        let column = self.columns.get(column).filter(|c| !c.is_missing(self.row))?;
        let Kind::Time { is_utc, .. } = column.kind else {
            return None;
        };
        Some((*column.times().get(self.row)?, !is_utc))
    }

    fn shown(&self, column: usize) -> String {
        self.columns
            .get(column)
            .map_or_else(String::new, |column| column.shown(self.row))
    }
}

/// Refuses a column whose type is none of those that a signal has.
fn fits(binding: &Binding, column: Column) -> Result<Column, Problem> {
    let wanted = match (binding.key, binding.unit.dimension) {
        (Key::Time, _) => "numbers or a TIMESTAMP",
        (_, Dimension::Switch) => "booleans or numbers",
        _ => "numbers",
    };
    let good = match column.kind {
        Kind::Integer | Kind::Unsigned | Kind::Real => true,
        Kind::Boolean => binding.unit.dimension == Dimension::Switch,
        Kind::Time { .. } => binding.key == Key::Time,
        Kind::Other => false,
    };
    if good {
        return Ok(column);
    }
    Err(Problem::new(
        format!(
            "is of the type {}, but the {} needs {wanted}",
            column.type_name,
            binding.key.name()
        ),
        "write the column as INT32, INT64, FLOAT or DOUBLE, a time also as TIMESTAMP, a switch as BOOLEAN",
    ))
}

/// Refuses a part of a column that lies outside of the file, or is packed in a way that is not read.
fn check_chunk(chunk: &ColumnChunkMetaData, size: u64) -> Result<(), Problem> {
    if !matches!(
        chunk.compression(),
        Compression::UNCOMPRESSED | Compression::SNAPPY | Compression::GZIP(_) | Compression::ZSTD(_)
    ) {
        return Err(Problem::new(
            format!("is compressed with {}, which is not read", chunk.compression()),
            "write it with Snappy, Zstandard, gzip or no compression",
        ));
    }
    let begin = chunk.dictionary_page_offset().unwrap_or(chunk.data_page_offset());
    let end = begin.checked_add(chunk.compressed_size());
    match (u64::try_from(begin), end.and_then(|end| u64::try_from(end).ok())) {
        (Ok(begin), Some(end)) if begin <= end && end <= size => Ok(()),
        _ => Err(damaged("a part lies outside of the file")),
    }
}

fn damaged(what: &str) -> Problem {
    Problem::new(
        format!("cannot be read as Parquet: {what}"),
        "the file is damaged or cut off: check that the recording is complete, or write it again",
    )
}

#[cfg(test)]
mod tests;
