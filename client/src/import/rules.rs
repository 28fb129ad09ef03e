//! What a row must satisfy, whatever the file is: times that go on, values in range, required signals, and how long the
//! last value of an optional signal stands in for a missing one.

use coldbrake_engine::{
    BrakeKind,
    sample::{COLUMN_RULES, EARLIEST_MS, LATEST_MS},
};

use super::{
    clock::{self, Clock},
    columns::{Binding, Key, Layout},
    error::Problem,
    reader::ImportReport,
    units::Dimension,
};

/// Longest time that the last value of an optional column stands in for a missing one, ms. Slow signals are logged
/// once a minute at least; beyond that nothing is known.
pub(super) const CARRY_MS: i64 = 60_000;

/// Most rows left out that are described one by one.
const MOST_DESCRIBED: usize = 5;

/// Number of columns of numbers.
pub(super) const COLUMNS: usize = COLUMN_RULES.len();

/// Returns whether a time lies in the years that are accepted.
pub(super) fn is_time(time_ms: i64) -> bool {
    (EARLIEST_MS..LATEST_MS).contains(&time_ms)
}

/// One row in the engine's units.
#[derive(Clone, Copy, Debug)]
pub(super) struct Row {
    pub(super) time_ms: i64,
    pub(super) values: [f64; COLUMNS],
    /// Bit i: column i has a value.
    pub(super) present: u16,
}

/// How the values of a column become the engine's, and which of them it takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    factor: f64,
    offset: f64,
    /// The engine's pedal is in %.
    times: f64,
    negated: bool,
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Scale {
    fn of(binding: &Binding, brake_kind: BrakeKind) -> Self {
        let is_brake = binding.key == Key::Brake;
        let rule = &COLUMN_RULES[binding.key.column().unwrap_or_default()];
        Self {
            factor: binding.unit.factor(),
            offset: binding.unit.offset(),
            times: if is_brake && binding.unit.dimension == Dimension::Fraction {
                100.0
            } else {
                1.0
            },
            negated: binding.negated,
            low: rule.low,
            high: if is_brake { brake_kind.largest() } else { rule.high },
        }
    }

    /// Converts a value, or the sum of those that belong together.
    pub(super) fn convert(self, value: f64) -> f64 {
        let value = (value * self.factor + self.offset) * self.times;
        // 0 stays 0: no negative zero.
        if self.negated { 0.0 - value } else { value }
    }

    /// Returns whether a converted value is in range.
    pub(super) fn takes(self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

/// The cells of a row, by the position of their column.
pub(super) trait Cells {
    /// Returns a number; `None` where there is none. The error says what the cell is instead.
    fn number(&mut self, column: usize) -> Result<Option<f64>, String>;

    /// Returns a switch as 0 or 1; `None` where there is none. The error says what the cell is instead.
    fn switch(&mut self, column: usize) -> Result<Option<f64>, String>;

    /// Returns a time of day in ms since the Unix epoch, and whether UTC had to be assumed; `None` when it is none.
    fn time_of_day(&mut self, column: usize) -> Option<(i64, bool)>;

    /// Returns the cell for a message.
    fn shown(&self, column: usize) -> String;
}

/// The rules of one file, and what of the rows before they need.
#[derive(Clone, Debug)]
pub(super) struct Rules {
    pub(super) layout: Layout,
    /// Of the bindings, in their order.
    pub(super) scales: Vec<Scale>,
    pub(super) clock: Option<Clock>,
    pub(super) start_ms: Option<i64>,
    skip_bad_rows: bool,
    pub(super) last: [Option<(f64, i64)>; COLUMNS],
    pub(super) last_time_ms: Option<i64>,
    pub(super) report: ImportReport,
    /// Rows that were looked at one by one.
    #[cfg(test)]
    pub(super) looked_at: u64,
}

impl Rules {
    pub(super) fn new(layout: Layout, start_ms: Option<i64>, skip_bad_rows: bool) -> Self {
        Self {
            scales: layout
                .bindings
                .iter()
                .map(|b| Scale::of(b, layout.brake_kind))
                .collect(),
            layout,
            clock: None,
            start_ms,
            skip_bad_rows,
            last: [None; COLUMNS],
            last_time_ms: None,
            report: ImportReport::default(),
            #[cfg(test)]
            looked_at: 0,
        }
    }

    /// Returns a row when nothing is wrong with it, and counts it.
    pub(super) fn row(&mut self, cells: &mut impl Cells) -> Result<Row, Problem> {
        #[cfg(test)]
        {
            self.looked_at += 1;
        }
        let mut row = Row {
            time_ms: self.time(cells)?,
            values: [0.0; COLUMNS],
            present: 0,
        };
        let mut seen = 0_u16;
        for (binding, scale) in self.layout.bindings.iter().zip(&self.scales) {
            let Some(i) = binding.key.column() else { continue };
            let Some(sum) = sum(cells, binding)? else {
                if binding.key.is_required() {
                    return Err(Problem::new(
                        format!("holds no value, but every row needs the {}", binding.key.name()),
                        "fill it in, or leave such rows out with `--skip-bad-rows`",
                    )
                    .in_column(&binding.name));
                }
                if let Some(value) = self.carried(i, row.time_ms) {
                    row.values[i] = value;
                    row.present |= 1 << i;
                }
                continue;
            };
            let value = scale.convert(sum);
            if !scale.takes(value) {
                return Err(self.out_of_range(binding, *scale, cells));
            }
            row.values[i] = value;
            row.present |= 1 << i;
            seen |= 1 << i;
        }
        for (i, last) in self.last.iter_mut().enumerate() {
            if seen & (1 << i) != 0 {
                *last = Some((row.values[i], row.time_ms));
            }
        }
        self.took(1, row.time_ms, row.time_ms);
        Ok(row)
    }

    /// Returns the last value of a column when it still stands in for a missing one.
    pub(super) fn carried(&self, i: usize, time_ms: i64) -> Option<f64> {
        self.last[i]
            .filter(|(_, at)| time_ms - at <= CARRY_MS)
            .map(|(value, _)| value)
    }

    /// Counts rows that were taken, with the times of the first and the last of them.
    pub(super) fn took(&mut self, rows: u64, first_ms: i64, last_ms: i64) {
        self.report.rows += rows;
        self.last_time_ms = Some(last_ms);
        let first = self.report.time_ms.map_or(first_ms, |(first, _)| first);
        self.report.time_ms = Some((first, last_ms));
    }

    /// Counts a row that cannot be read. The error is the row itself, with its place, when such rows end the reading.
    pub(super) fn bad(
        &mut self,
        problem: Problem,
        place: impl FnOnce(Problem) -> Problem,
    ) -> Result<(), Problem> {
        self.report.skipped += 1;
        if !self.skip_bad_rows {
            return Err(place(problem));
        }
        if self.report.skipped_first.len() < MOST_DESCRIBED {
            self.report.skipped_first.push(place(problem));
        }
        Ok(())
    }

    fn time(&mut self, cells: &mut impl Cells) -> Result<i64, Problem> {
        let Some(binding) = self.layout.bindings.iter().find(|b| b.key == Key::Time) else {
            return Err(Problem::new(
                "has no time",
                "say which column: `--columns time=COLUMN`",
            ));
        };
        let column = binding.columns.first().copied().unwrap_or_default();
        let here = |what: String, help: &str| Problem::new(what, help).in_column(&binding.name);
        let clock = match self.clock {
            Some(clock) => clock,
            None => clock::decide(cells, column, binding, self.start_ms)
                .map_err(|(what, help)| here(what, help))?,
        };
        let help = "give seconds since the start, Unix time, or RFC 3339 such as `2026-03-12T07:15:02.5Z`";
        let time_ms = if clock == Clock::Text {
            let (time_ms, zone_assumed) = cells
                .time_of_day(column)
                .ok_or_else(|| here(format!("`{}` is not a time", cells.shown(column)), help))?;
            self.report.zone_assumed |= zone_assumed;
            Some(time_ms)
        } else {
            let value = match cells.number(column) {
                Ok(Some(value)) => value,
                Ok(None) => return Err(here(clock::MISSING.to_owned(), help)),
                Err(wrong) => return Err(here(format!("`{}` {wrong}", cells.shown(column)), help)),
            };
            clock.time_ms(value)
        };
        let Some(time_ms) = time_ms.filter(|t| is_time(*t)) else {
            return Err(here(
                format!(
                    "`{}` is a time outside the years 2000 to 2100",
                    cells.shown(column)
                ),
                "check the unit of the time: `--columns time=COLUMN:ms`, and `--start`",
            ));
        };
        if let Some(before) = self.last_time_ms
            && time_ms <= before
        {
            let cell = cells.shown(column);
            let what = if time_ms == before {
                format!("`{cell}` is the same time as in the row before, to the millisecond")
            } else {
                format!(
                    "`{cell}` goes back: the row before is {} ms later",
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

    fn out_of_range(&self, binding: &Binding, scale: Scale, cells: &impl Cells) -> Problem {
        let (low, high) = (scale.low, scale.high);
        // The brake's unit in the engine is that of its kind.
        let unit = match (binding.key, self.layout.brake_kind) {
            (Key::Brake, BrakeKind::Torque) => "N·m",
            (Key::Brake, BrakeKind::Pressure) => "bar",
            (Key::Brake, BrakeKind::Pedal) => "%",
            (Key::Brake, BrakeKind::Applied) => "(0 or 1)",
            (key, _) => COLUMN_RULES[key.column().unwrap_or_default()].unit,
        };
        let cell = cells.shown(binding.columns.first().copied().unwrap_or_default());
        Problem::new(
            format!(
                "`{cell}` read as {} is outside {low} to {high} {unit}",
                binding.unit.symbol
            ),
            format!(
                "check the unit: `--columns {}=\"{}\":UNIT`",
                binding.key.name(),
                binding.name
            ),
        )
        .in_column(&binding.name)
    }
}

/// Returns the value of a signal, or the sum of its columns.
fn sum(cells: &mut impl Cells, binding: &Binding) -> Result<Option<f64>, Problem> {
    let mut sum = None;
    for column in &binding.columns {
        let read = if binding.unit.dimension == Dimension::Switch {
            cells.switch(*column)
        } else {
            cells.number(*column)
        };
        let value = read.map_err(|wrong| {
            Problem::new(
                format!("`{}` {wrong}", cells.shown(*column)),
                "correct it, or leave such rows out with `--skip-bad-rows`",
            )
            .in_column(&binding.name)
        })?;
        // All wheels or none: a sum with a wheel missing would be too small.
        let Some(value) = value else { return Ok(None) };
        sum = Some(sum.unwrap_or(0.0) + value);
    }
    Ok(sum)
}
