//! Log files: CSV or Parquet into batches of samples in the engine's units.
//!
//! A log has names of columns, then a row for every sample. Which column is which signal is told by a map
//! (`--columns`), by the names of the Vehicle Signal Specification, or by the names of the signals themselves. The unit
//! of a column comes from the map, else from a row of units, else from brackets or a suffix of its name, else it is
//! the SI unit. Conversion happens here and nowhere else.

mod ahead;
mod bare;
mod cell;
mod clock;
mod columnar;
mod columns;
mod digits;
mod error;
mod plain;
mod reader;
mod rules;
mod text;
mod units;

use std::path::PathBuf;

use coldbrake_engine::{BrakeKind, CurrentSign};

pub use self::{
    ahead::AheadError,
    columnar::is_guarded,
    error::{ImportError, Problem},
    reader::{ASSUMED_START_MS, ImportReport, LogReader},
};

/// Sign of the current column.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum CurrentArg {
    /// Positive while the battery charges.
    ChargePositive,
    /// Positive while the battery discharges.
    DischargePositive,
}

/// What the brake column carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum BrakeArg {
    /// Friction brake torque, the sum over the wheels.
    Torque,
    /// Friction brake pressure.
    Pressure,
    /// Position of the brake pedal.
    Pedal,
    /// 1 while the friction brake is applied.
    Applied,
}

/// What separates the cells of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum SeparatorArg {
    /// A comma.
    Comma,
    /// A semicolon.
    Semicolon,
    /// A tab.
    Tab,
}

/// How decimals are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum DecimalArg {
    /// 12.5
    Point,
    /// 12,5
    Comma,
}

/// A log file and how it is to be read.
#[allow(
    rustdoc::broken_intra_doc_links,
    reason = "help of the command line: brackets mean that a part may be left out"
)]
#[derive(Clone, Debug, clap::Args)]
pub struct ImportArgs {
    /// Log file: CSV with a line of column names, or Parquet
    #[arg(value_name = "FILE")]
    pub file: PathBuf,

    /// Which column is which signal: KEY=COLUMN[:UNIT],...
    ///
    /// Keys: time, speed, altitude, brake, current (all required); voltage, soc, ambient, brake_temperature, auxiliary,
    /// mass, latitude, longitude, slip, battery_temperature, charge_limit. A column whose name holds a comma or a colon
    /// stands in double quotes. Units: s, ms, min; m/s, km/h, mph; m, km, ft; bar, kPa, MPa, psi, N·m, %, 0/1; A, mA;
    /// V; W, kW; °C, °F, K; kg, t, lb; 1 (fraction), %. Without a unit here, a row of units, brackets or a suffix of
    /// the column's name count, else m/s, m, A, V, fraction, °C, W, kg. Columns named as in the Vehicle Signal
    /// Specification 6.0, or like a key (`speed_kmh`), need no entry.
    #[arg(long, value_name = "MAP", help_heading = "Log file")]
    pub columns: Vec<String>,

    /// Sign of the battery current
    #[arg(long, value_name = "SIGN", help_heading = "Log file")]
    pub current: Option<CurrentArg>,

    /// What the brake column carries, when its unit does not tell
    #[arg(long, value_name = "KIND", help_heading = "Log file")]
    pub brake: Option<BrakeArg>,

    /// Time of day at which the log starts, when its times count from 0 (RFC 3339)
    #[arg(long, value_name = "TIME", help_heading = "Log file")]
    pub start: Option<String>,

    /// What separates the cells of a CSV file [default: found from the first line]
    #[arg(long, value_name = "CHARACTER", help_heading = "Log file")]
    pub separator: Option<SeparatorArg>,

    /// How a CSV file writes decimals [default: as in the first number that has some]
    #[arg(long, value_name = "SIGN", help_heading = "Log file")]
    pub decimal: Option<DecimalArg>,

    /// Leave out rows that cannot be read, and count them, instead of stopping at the first
    #[arg(long, help_heading = "Log file")]
    pub skip_bad_rows: bool,
}

/// How a log file is to be read, checked.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ImportOptions {
    declared: columns::Declared,
    start_ms: Option<i64>,
    separator: Option<u8>,
    decimal: cell::Decimal,
    skip_bad_rows: bool,
}

impl ImportArgs {
    /// Checks the arguments. The error says which one is wrong and what to do.
    pub fn options(&self) -> Result<ImportOptions, String> {
        let mut choices: Vec<columns::Choice> = Vec::new();
        for map in &self.columns {
            for choice in columns::parse_choices(map).map_err(|wrong| format!("--columns: {wrong}"))? {
                if choices.iter().any(|c| c.key == choice.key) {
                    return Err(format!(
                        "--columns: `{}` is given twice: remove one",
                        choice.key.name()
                    ));
                }
                choices.push(choice);
            }
        }
        let start_ms = match &self.start {
            None => None,
            Some(text) => Some(
                cell::time_text(text.as_bytes())
                    .map(|(time_ms, _)| time_ms)
                    .ok_or_else(|| {
                        format!("--start: `{text}` is not a time: write it like 2026-03-12T07:15:00Z")
                    })?,
            ),
        };
        Ok(ImportOptions {
            declared: columns::Declared {
                choices,
                current_sign: self.current.map(|sign| match sign {
                    CurrentArg::ChargePositive => CurrentSign::ChargePositive,
                    CurrentArg::DischargePositive => CurrentSign::DischargePositive,
                }),
                brake_kind: self.brake.map(|kind| match kind {
                    BrakeArg::Torque => BrakeKind::Torque,
                    BrakeArg::Pressure => BrakeKind::Pressure,
                    BrakeArg::Pedal => BrakeKind::Pedal,
                    BrakeArg::Applied => BrakeKind::Applied,
                }),
            },
            start_ms,
            separator: self.separator.map(|separator| match separator {
                SeparatorArg::Comma => b',',
                SeparatorArg::Semicolon => b';',
                SeparatorArg::Tab => b'\t',
            }),
            decimal: match self.decimal {
                None => cell::Decimal::Unknown,
                Some(DecimalArg::Point) => cell::Decimal::Point,
                Some(DecimalArg::Comma) => cell::Decimal::Comma,
            },
            skip_bad_rows: self.skip_bad_rows,
        })
    }
}

#[cfg(test)]
mod tests;
