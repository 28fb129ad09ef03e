//! The short way through a text file: rows of bare numbers straight into the columns of a batch.
//!
//! It takes a row only when all of it is plain and good. It changes nothing for any other row and leaves it to the general
//! way ([`super::text`]), which is the one that says what is wrong.

use coldbrake_engine::Batch;

use super::{
    bare::{Asked, Bare, end_of_cell},
    cell::{self, Decimal},
    clock::Clock,
    columns::{Key, Layout},
    digits::number,
    reader::columns_mut,
    rules::{COLUMNS, Rules, is_time},
    units::Dimension,
};

/// Why no more rows were taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stop {
    /// The batch is full.
    Full,
    /// The next row is for the general way.
    Odd,
    /// No whole row is left.
    Cut,
}

/// What the cells of a column are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Role {
    /// Nothing that is asked for.
    Skip,
    Time,
    Value {
        /// Position among the columns of a batch.
        slot: usize,
        /// Position among the bindings.
        binding: usize,
        /// It is a part of a sum: not the first, not the last.
        adds: bool,
        unfinished: bool,
        switch: bool,
        required: bool,
    },
}

/// What stands where in the rows of a file.
#[derive(Clone, Debug)]
pub(super) struct Plain {
    separator: u8,
    /// One for each column of the file.
    roles: Vec<Role>,
    /// The columns of a batch that the file can have.
    slots: Vec<usize>,
    /// Bit i: column i of a batch may have no value.
    optional: u16,
    /// How to read rows of bare numbers; `None` where a value is a sum.
    bare: Option<Bare>,
}

/// What is known while rows are read.
pub(super) struct Now<'a> {
    pub(super) rules: &'a mut Rules,
    pub(super) clock: Clock,
    decimal: Decimal,
    /// How a decimal sign looks in this file.
    pub(super) mark: u8,
    zone_assumed: bool,
    pub(super) last_time_ms: i64,
}

/// A cell for the general way.
struct Odd;

/// One row before it is taken.
#[derive(Default)]
struct Read {
    time_ms: i64,
    values: [f64; COLUMNS],
    /// Columns with a value in this row, and columns with one in this row or before.
    seen: u16,
    present: u16,
    decimal: Decimal,
    zone_assumed: bool,
    end: usize,
}

impl Plain {
    /// Returns how to read rows of this layout; `None` when only the general way can.
    pub(super) fn new(layout: &Layout, width: usize, separator: u8) -> Option<Self> {
        let mut plain = Self {
            separator,
            roles: vec![Role::Skip; width],
            slots: Vec::new(),
            optional: 0,
            bare: None,
        };
        let mut asked = Vec::new();
        let mut sums = false;
        for (binding, bound) in layout.bindings.iter().enumerate() {
            let last = bound.columns.len().checked_sub(1)?;
            for (i, column) in bound.columns.iter().enumerate() {
                let role = plain.roles.get_mut(*column)?;
                asked.push(Asked {
                    column: *column,
                    value: bound.key.column().map(|slot| (slot, binding)),
                });
                // Nobody needs one column twice.
                if *role != Role::Skip {
                    return None;
                }
                *role = match bound.key.column() {
                    None => Role::Time,
                    Some(slot) => Role::Value {
                        slot,
                        binding,
                        adds: i > 0,
                        unfinished: i < last,
                        switch: bound.unit.dimension == Dimension::Switch,
                        // A sum is not plain when a part of it is missing.
                        required: bound.key.is_required() || last > 0,
                    },
                };
            }
            if let Some(slot) = bound.key.column() {
                sums |= last > 0;
                plain.slots.push(slot);
                plain.optional |= u16::from(!bound.key.is_required()) << slot;
            }
        }
        asked.sort_by_key(|asked| asked.column);
        if !sums {
            plain.bare = Bare::new(&asked, width, separator);
        }
        layout
            .bindings
            .iter()
            .any(|b| b.key == Key::Time)
            .then_some(plain)
    }

    /// Takes rows from the beginning of `bytes` into a batch up to `most`. Returns how many bytes they are, and what comes
    /// after them. `present` are the columns that have values in the batch, bit by bit; an empty batch gets those of its
    /// first row.
    pub(super) fn run(
        &mut self,
        bytes: &[u8],
        rules: &mut Rules,
        decimal: &mut Decimal,
        batch: &mut Batch,
        present: &mut u16,
        most: usize,
    ) -> (usize, Stop) {
        // The first row decides what the times are.
        let (Some(clock), Some(last_time_ms)) = (rules.clock, rules.last_time_ms) else {
            return (0, Stop::Odd);
        };
        // Up to the last line end nothing is cut off, and every search ends at one.
        let Some(lines) = bytes
            .iter()
            .rposition(|byte| *byte == b'\n')
            .and_then(|end| bytes.get(..=end))
        else {
            return (0, Stop::Cut);
        };
        let mut now = Now {
            rules,
            clock,
            decimal: *decimal,
            mark: self.mark(*decimal),
            zone_assumed: false,
            last_time_ms,
        };
        let before = batch.len();
        let mut at = 0;
        let mut row = Read::default();
        let stop = loop {
            if batch.len() >= most {
                break Stop::Full;
            }
            while let Some(b'\n' | b'\r') = lines.get(at) {
                at += 1;
            }
            if at >= lines.len() {
                break Stop::Cut;
            }
            if let Some(bare) = self.bare.as_mut()
                && (batch.is_empty() || *present == bare.present)
            {
                let end = bare.run(lines, at, &mut now, batch, most);
                if end > at {
                    at = end;
                    *present = bare.present;
                    continue;
                }
            }
            if self.read(lines, at, &now, &mut row).is_none() {
                break Stop::Odd;
            }
            if batch.is_empty() {
                *present = row.present;
            } else if row.present != *present {
                break Stop::Odd;
            }
            at = row.end;
            self.take(&row, &mut now, batch);
        };
        *decimal = now.decimal;
        rules.report.zone_assumed |= now.zone_assumed;
        if let (Some(first), Some(last)) = (batch.time_ms.get(before), batch.time_ms.last()) {
            rules.took((batch.len() - before) as u64, *first, *last);
        }
        (at, stop)
    }

    /// A digit is never looked at as a decimal sign: it stands for none.
    fn mark(&self, decimal: Decimal) -> u8 {
        match decimal {
            Decimal::Point => b'.',
            Decimal::Comma if self.separator != b',' => b',',
            Decimal::Comma | Decimal::Unknown => b'0',
        }
    }

    fn take(&self, row: &Read, now: &mut Now<'_>, batch: &mut Batch) {
        batch.time_ms.push(row.time_ms);
        let columns = columns_mut(batch);
        for slot in &self.slots {
            if row.present & (1 << slot) != 0 {
                columns[*slot].push(row.values[*slot]);
            }
        }
        let mut fresh = row.seen & self.optional;
        while fresh != 0 {
            let slot = fresh.trailing_zeros() as usize;
            fresh &= fresh - 1;
            now.rules.last[slot] = Some((row.values[slot], row.time_ms));
        }
        now.last_time_ms = row.time_ms;
        now.zone_assumed |= row.zone_assumed;
        if row.decimal != now.decimal {
            now.decimal = row.decimal;
            now.mark = self.mark(row.decimal);
        }
    }

    /// Reads the row at `at` into `row`; `None` when it is for the general way.
    fn read(&self, lines: &[u8], at: usize, now: &Now<'_>, row: &mut Read) -> Option<()> {
        // A remark.
        if lines.get(at) == Some(&b'#') {
            return None;
        }
        row.end = at;
        row.seen = 0;
        row.decimal = now.decimal;
        row.zone_assumed = false;
        let mut blank = 0_u16;
        let mut is_first = true;
        for role in &self.roles {
            if !std::mem::take(&mut is_first) {
                if *lines.get(row.end)? != self.separator {
                    return None;
                }
                row.end += 1;
            }
            match *role {
                Role::Skip => row.end = end_of_cell(lines, row.end, self.separator)?,
                Role::Time => self.time(lines, row, now)?,
                Role::Value {
                    slot,
                    binding,
                    adds,
                    unfinished,
                    switch,
                    required,
                } => {
                    let Some(value) = self.value(lines, row, now.mark, switch).ok()? else {
                        if required {
                            return None;
                        }
                        blank |= 1 << slot;
                        continue;
                    };
                    let sum = value + if adds { row.values[slot] } else { 0.0 };
                    if unfinished {
                        row.values[slot] = sum;
                        continue;
                    }
                    let scale = now.rules.scales.get(binding)?;
                    let value = scale.convert(sum);
                    if !scale.takes(value) {
                        return None;
                    }
                    row.values[slot] = value;
                    row.seen |= 1 << slot;
                }
            }
        }
        row.end = match (lines.get(row.end)?, lines.get(row.end + 1)) {
            (b'\n', _) => row.end + 1,
            (b'\r', Some(b'\n')) => row.end + 2,
            _ => return None,
        };
        row.present = row.seen;
        while blank != 0 {
            let slot = blank.trailing_zeros() as usize;
            blank &= blank - 1;
            if let Some(value) = now.rules.carried(slot, row.time_ms) {
                row.values[slot] = value;
                row.present |= 1 << slot;
            }
        }
        Some(())
    }

    fn time(&self, lines: &[u8], row: &mut Read, now: &Now<'_>) -> Option<()> {
        row.time_ms = if now.clock == Clock::Text {
            let end = end_of_cell(lines, row.end, self.separator)?;
            let (time_ms, zone_assumed) = cell::time_text(lines.get(row.end..end)?)?;
            row.zone_assumed = zone_assumed;
            row.end = end;
            time_ms
        } else {
            now.clock
                .time_ms(self.value(lines, row, now.mark, false).ok()??)?
        };
        (is_time(row.time_ms) && row.time_ms > now.last_time_ms).then_some(())
    }

    /// Reads the cell at the end of `row`; `None` when it holds nothing.
    fn value(&self, lines: &[u8], row: &mut Read, mark: u8, switch: bool) -> Result<Option<f64>, Odd> {
        if let Some((value, end)) = number(lines, row.end, mark)
            && matches!(lines.get(end), Some(byte) if *byte == self.separator || *byte == b'\n' || *byte == b'\r')
        {
            row.end = end;
            return Ok(Some(value));
        }
        let end = end_of_cell(lines, row.end, self.separator).ok_or(Odd)?;
        let text = lines.get(row.end..end).ok_or(Odd)?;
        let value = if switch {
            cell::switch(text, &mut row.decimal)
        } else {
            cell::number(text, &mut row.decimal)
        };
        row.end = end;
        value.map_err(|_| Odd)
    }
}

#[cfg(test)]
mod tests;
