//! One column of a Parquet file: its type, and its values a block at a time.

use parquet::{
    basic::{ConvertedType, LogicalType, TimeUnit, Type},
    column::reader::{ColumnReader, ColumnReaderImpl},
    data_type::DataType,
    errors::{ParquetError, Result},
    schema::types::ColumnDescriptor,
};

use crate::{convert::rfc3339, import::error::Problem};

/// What the values of a column are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Boolean,
    Integer,
    Unsigned,
    Real,
    /// Whole numbers since the Unix epoch.
    Time {
        /// How many of them are a ms.
        per_ms: i64,
        is_utc: bool,
    },
    /// What no signal has.
    Other,
}

impl Kind {
    pub(super) fn is_time(self) -> bool {
        matches!(self, Self::Time { .. })
    }

    fn of(column: &ColumnDescriptor) -> Self {
        let time = |per_ms, is_utc| Self::Time { per_ms, is_utc };
        match (column.physical_type(), column.logical_type_ref()) {
            (Type::BOOLEAN, None) => Self::Boolean,
            (Type::FLOAT | Type::DOUBLE, None) => Self::Real,
            (Type::INT64, Some(LogicalType::Timestamp(t))) => match t.unit {
                TimeUnit::MILLIS => time(1, t.is_adjusted_to_u_t_c),
                TimeUnit::MICROS => time(1_000, t.is_adjusted_to_u_t_c),
                TimeUnit::NANOS => time(1_000_000, t.is_adjusted_to_u_t_c),
            },
            (Type::INT32 | Type::INT64, Some(LogicalType::Integer(int))) if int.is_signed => Self::Integer,
            (Type::INT32 | Type::INT64, Some(LogicalType::Integer(_))) => Self::Unsigned,
            // As files of the first versions say it.
            (Type::INT32 | Type::INT64, None) => match column.converted_type() {
                ConvertedType::NONE
                | ConvertedType::INT_8
                | ConvertedType::INT_16
                | ConvertedType::INT_32
                | ConvertedType::INT_64 => Self::Integer,
                ConvertedType::UINT_8
                | ConvertedType::UINT_16
                | ConvertedType::UINT_32
                | ConvertedType::UINT_64 => Self::Unsigned,
                ConvertedType::TIMESTAMP_MILLIS => time(1, true),
                ConvertedType::TIMESTAMP_MICROS => time(1_000, true),
                _ => Self::Other,
            },
            _ => Self::Other,
        }
    }
}

/// A column that is asked for.
pub(super) struct Column {
    /// Position in the file, and name.
    pub(super) position: usize,
    pub(super) name: String,
    pub(super) kind: Kind,
    pub(super) type_name: String,
    /// The level of a value that is there.
    defined: i16,
    reader: Option<ColumnReader>,
    raw: Raw,
    /// The block: values, or times in ms, 0 where none is.
    values: Vec<f64>,
    times: Vec<i64>,
    /// Which of them are missing; empty when none is.
    missing: Vec<bool>,
}

/// What the decoder writes to, kept from block to block.
#[derive(Default)]
struct Raw {
    levels: Vec<i16>,
    booleans: Vec<bool>,
    short: Vec<i32>,
    long: Vec<i64>,
    single: Vec<f32>,
    double: Vec<f64>,
}

impl Column {
    /// Returns a column of the file. The error says why it cannot be one.
    pub(super) fn new(column: &ColumnDescriptor, position: usize) -> std::result::Result<Self, Problem> {
        if column.max_rep_level() > 0 {
            return Err(Problem::new(
                "holds lists, but a row has one value of a signal",
                "write a column with one value for each row",
            ));
        }
        Ok(Self {
            position,
            name: column.path().string(),
            kind: Kind::of(column),
            type_name: type_name(column),
            defined: column.max_def_level(),
            reader: None,
            raw: Raw::default(),
            values: Vec::new(),
            times: Vec::new(),
            missing: Vec::new(),
        })
    }

    /// Goes on with another part of the file.
    pub(super) fn begin(&mut self, reader: ColumnReader) {
        self.reader = Some(reader);
    }

    /// Decodes the next rows, all of which must be there.
    pub(super) fn read(&mut self, rows: usize) -> Result<()> {
        self.values.clear();
        self.times.clear();
        self.missing.clear();
        let Raw {
            levels,
            booleans,
            short,
            long,
            single,
            double,
        } = &mut self.raw;
        let unsigned = self.kind == Kind::Unsigned;
        match self.reader.as_mut() {
            Some(ColumnReader::BoolColumnReader(r)) => {
                decode(r, rows, levels, booleans)?;
                self.values
                    .extend(booleans.iter().map(|v| f64::from(u8::from(*v))));
            }
            Some(ColumnReader::Int32ColumnReader(r)) => {
                decode(r, rows, levels, short)?;
                if unsigned {
                    self.values
                        .extend(short.iter().map(|v| f64::from(v.cast_unsigned())));
                } else {
                    self.values.extend(short.iter().map(|v| f64::from(*v)));
                }
            }
            Some(ColumnReader::Int64ColumnReader(r)) => {
                decode(r, rows, levels, long)?;
                match self.kind {
                    Kind::Time { per_ms, .. } => self.times.extend(long.iter().map(|v| rounded(*v, per_ms))),
                    Kind::Unsigned => self.values.extend(long.iter().map(|v| v.cast_unsigned() as f64)),
                    _ => self.values.extend(long.iter().map(|v| *v as f64)),
                }
            }
            Some(ColumnReader::FloatColumnReader(r)) => {
                decode(r, rows, levels, single)?;
                self.values.extend(single.iter().map(|v| f64::from(*v)));
            }
            Some(ColumnReader::DoubleColumnReader(r)) => {
                decode(r, rows, levels, double)?;
                std::mem::swap(&mut self.values, double);
            }
            _ => return Err(ParquetError::General("its type changes".to_owned())),
        }
        if self.values.len().max(self.times.len()) < rows {
            let defined = self.defined;
            self.missing.extend(levels.iter().map(|level| *level < defined));
            if self.kind.is_time() {
                spread(&mut self.times, &self.missing)?;
            } else {
                spread(&mut self.values, &self.missing)?;
            }
        }
        self.miss_what_is_no_number();
        Ok(())
    }

    /// Not a number is how many programs write that there is none.
    fn miss_what_is_no_number(&mut self) {
        if !self.values.iter().fold(false, |any, v| any | v.is_nan()) {
            return;
        }
        self.missing.resize(self.values.len(), false);
        for (missing, value) in self.missing.iter_mut().zip(&self.values) {
            *missing |= value.is_nan();
        }
    }

    pub(super) fn values(&self) -> &[f64] {
        &self.values
    }

    pub(super) fn times(&self) -> &[i64] {
        &self.times
    }

    /// Returns whether every row of the block has a value.
    pub(super) fn is_whole(&self) -> bool {
        self.missing.is_empty()
    }

    pub(super) fn is_missing(&self, row: usize) -> bool {
        self.missing.get(row).copied().unwrap_or(false)
    }

    /// Returns a value of the block for a message.
    pub(super) fn shown(&self, row: usize) -> String {
        if self.is_missing(row) {
            return "null".to_owned();
        }
        if let Some(time_ms) = self.times.get(row) {
            return rfc3339(*time_ms);
        }
        match (self.kind, self.values.get(row)) {
            (Kind::Boolean, Some(value)) => (*value > 0.0).to_string(),
            (_, Some(value)) if *value == 0.0 || (1e-5..1e18).contains(&value.abs()) => value.to_string(),
            (_, Some(value)) => format!("{value:e}"),
            (_, None) => String::new(),
        }
    }
}

/// Decodes `rows` values, or fewer where some are missing.
fn decode<T: DataType>(
    reader: &mut ColumnReaderImpl<T>,
    rows: usize,
    levels: &mut Vec<i16>,
    values: &mut Vec<T::T>,
) -> Result<()> {
    levels.clear();
    values.clear();
    let (found, ..) = reader.read_records(rows, Some(levels), None, values)?;
    if found < rows {
        return Err(ParquetError::General(
            "it has fewer rows than another column".to_owned(),
        ));
    }
    Ok(())
}

/// Moves the values that are there to their places among those that are missing.
fn spread<T: Copy + Default>(values: &mut Vec<T>, missing: &[bool]) -> Result<()> {
    let wrong = || ParquetError::General("it has another number of values than it says".to_owned());
    let mut from = values.len();
    values.resize(missing.len(), T::default());
    for (to, missing) in missing.iter().enumerate().rev() {
        let value = if *missing {
            T::default()
        } else {
            from = from.checked_sub(1).ok_or_else(wrong)?;
            *values.get(from).ok_or_else(wrong)?
        };
        *values.get_mut(to).ok_or_else(wrong)? = value;
    }
    if from == 0 { Ok(()) } else { Err(wrong()) }
}

/// Divides, rounding to the nearest, a half up.
fn rounded(value: i64, by: i64) -> i64 {
    value.div_euclid(by) + i64::from(2 * value.rem_euclid(by) >= by && by > 1)
}

fn type_name(column: &ColumnDescriptor) -> String {
    let physical = column.physical_type();
    match column.logical_type_ref() {
        Some(logical) => {
            let logical = format!("{logical:?}");
            let end = logical.find(['(', ' ']).unwrap_or(logical.len());
            format!("{physical} ({})", logical.get(..end).unwrap_or_default())
        }
        None if column.converted_type() == ConvertedType::NONE => physical.to_string(),
        None => format!("{physical} ({})", column.converted_type()),
    }
}
