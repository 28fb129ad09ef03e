//! The shortest way: rows in which every cell that is asked for is a bare number. Converted and checked column by column
//! afterwards, many values at once.

use coldbrake_engine::Batch;

use super::{digits::number, plain::Now, reader::columns_mut, rules::is_time};

/// Most rows that are read before they are checked.
const MOST: usize = 256;

/// A cell that is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Asked {
    /// Position of its column in the file.
    pub(super) column: usize,
    /// Position among the columns of a batch and among the bindings; `None` of the time.
    pub(super) value: Option<(usize, usize)>,
}

/// Rows of bare numbers.
#[derive(Clone, Debug)]
pub(super) struct Bare {
    separator: u8,
    /// Each with the number of cells between it and the one before.
    asked: Vec<(usize, Asked)>,
    /// Cells behind the last of them.
    after: usize,
    /// The columns of a batch that such rows have, bit by bit.
    pub(super) present: u16,
    /// Rows that are read before they are checked: few where rows have turned out to be bad.
    stride: usize,
    /// Where each of them begins.
    begins: Vec<usize>,
}

impl Bare {
    /// Returns how to read the cells `asked`, in the order of their columns, of rows of `width` cells.
    pub(super) fn new(asked: &[Asked], width: usize, separator: u8) -> Option<Self> {
        let mut next = 0;
        let asked: Vec<_> = asked
            .iter()
            .map(|asked| {
                let between = asked.column.checked_sub(next)?;
                next = asked.column + 1;
                Some((between, *asked))
            })
            .collect::<Option<_>>()?;
        Some(Self {
            separator,
            after: width.checked_sub(next)?,
            present: asked
                .iter()
                .filter_map(|(_, asked)| asked.value)
                .fold(0, |present, (slot, _)| present | 1 << slot),
            asked,
            stride: 1,
            begins: Vec::new(),
        })
    }

    /// Takes rows from `at` on into a batch up to `most`. Returns the place behind them.
    pub(super) fn run(
        &mut self,
        lines: &[u8],
        at: usize,
        now: &mut Now<'_>,
        batch: &mut Batch,
        most: usize,
    ) -> usize {
        let before = batch.len();
        let mut times = std::mem::take(&mut batch.time_ms);
        let mut columns = columns_mut(batch);
        let full = most.min(before + self.stride);
        let mut last = now.last_time_ms;
        let mut end = at;
        self.begins.clear();
        while times.len() < full {
            let mut time_ms = None;
            let Some(behind) = self.row(lines, end, now.mark, |value, slot| match slot {
                Some((slot, _)) => columns[slot].push(value),
                None => time_ms = now.clock.time_ms(value),
            }) else {
                break;
            };
            match time_ms {
                Some(t) if t > last && is_time(t) => {
                    times.push(t);
                    last = t;
                }
                _ => break,
            }
            self.begins.push(end);
            end = behind;
        }
        let read = times.len() - before;
        let mut good = read;
        for (slot, binding) in self.asked.iter().filter_map(|(_, asked)| asked.value) {
            let (Some(scale), Some(column)) = (now.rules.scales.get(binding), columns.get_mut(slot)) else {
                continue;
            };
            column.truncate(before + read);
            let new = column.get_mut(before..).unwrap_or_default();
            for v in &mut *new {
                *v = scale.convert(0.0 + *v);
            }
            // Without a way out at the first bad value, several are looked at at once.
            if !new.iter().fold(true, |all, v| all & scale.takes(*v)) {
                good = good.min(new.iter().position(|v| !scale.takes(*v)).unwrap_or(good));
            }
        }
        if good < read {
            end = self.begins.get(good).copied().unwrap_or(at);
            times.truncate(before + good);
            for column in &mut columns {
                column.truncate(before + good);
            }
            self.stride = 1;
        } else {
            self.stride = (2 * self.stride).min(MOST);
        }
        if let Some(last) = times.last().copied().filter(|_| good > 0) {
            for (slot, _) in self.asked.iter().filter_map(|(_, asked)| asked.value) {
                now.rules.last[slot] = columns[slot].last().map(|value| (*value, last));
            }
            now.last_time_ms = last;
        }
        batch.time_ms = times;
        end
    }

    /// Reads the row at `at`. Returns the place behind it; `None` when a cell of it is something else, after having given
    /// out some of its numbers.
    #[inline]
    fn row(
        &self,
        lines: &[u8],
        at: usize,
        mark: u8,
        mut give: impl FnMut(f64, Option<(usize, usize)>),
    ) -> Option<usize> {
        // A remark.
        if *lines.get(at)? == b'#' {
            return None;
        }
        let mut end = at;
        let mut is_first = true;
        for (between, asked) in &self.asked {
            if !std::mem::take(&mut is_first) {
                end = self.behind_separator(lines, end)?;
            }
            for _ in 0..*between {
                end = self.behind_separator(lines, self.end_of_cell(lines, end)?)?;
            }
            let (value, behind) = number(lines, end, mark)?;
            give(value, asked.value);
            end = behind;
        }
        for _ in 0..self.after {
            end = self.end_of_cell(lines, self.behind_separator(lines, end)?)?;
        }
        match (lines.get(end)?, lines.get(end + 1)) {
            (b'\n', _) => Some(end + 1),
            (b'\r', Some(b'\n')) => Some(end + 2),
            _ => None,
        }
    }

    fn behind_separator(&self, lines: &[u8], at: usize) -> Option<usize> {
        (*lines.get(at)? == self.separator).then_some(at + 1)
    }

    /// Returns the end of the cell that begins at `at`; `None` when quotes are in it.
    fn end_of_cell(&self, lines: &[u8], at: usize) -> Option<usize> {
        end_of_cell(lines, at, self.separator)
    }
}

/// Returns the end of the cell that begins at `at`; `None` when quotes are in it.
pub(super) fn end_of_cell(lines: &[u8], at: usize, separator: u8) -> Option<usize> {
    let cell = lines.get(at..)?;
    let length = cell
        .iter()
        .position(|byte| *byte == separator || matches!(byte, b'\n' | b'\r' | b'"'))?;
    (cell.get(length) != Some(&b'"')).then_some(at + length)
}
