//! Tables for people: no borders, numbers to the right, the least important columns given up where it is narrow.

use std::io;

use unicode_width::UnicodeWidthStr as _;

use super::Printer;

/// Space between columns.
const GAP: usize = 2;

/// A column of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Head {
    title: String,
    unit: String,
    right: bool,
    /// Columns with larger numbers are given up first; 0 never is.
    rank: u8,
}

/// A table laid out.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Layout {
    /// Titles, and units where a column has one.
    pub heads: Vec<String>,
    /// Rows.
    pub rows: Vec<String>,
    /// Titles of the columns given up for want of width.
    pub left_out: Vec<String>,
}

/// A table under construction.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    heads: Vec<Head>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// Adds a column of text. `rank` 0 is never given up, larger numbers first.
    #[must_use]
    pub fn text(mut self, title: &str, rank: u8) -> Self {
        self.heads.push(Head {
            title: title.to_owned(),
            unit: String::new(),
            right: false,
            rank,
        });
        self
    }

    /// Adds a column of numbers with their unit.
    #[must_use]
    pub fn number(mut self, title: &str, unit: &str, rank: u8) -> Self {
        self.heads.push(Head {
            title: title.to_owned(),
            unit: unit.to_owned(),
            right: true,
            rank,
        });
        self
    }

    /// Adds a row.
    pub fn row(&mut self, cells: Vec<String>) {
        self.rows.push(cells);
    }

    /// Returns whether there are no rows.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// Returns the table laid out, at most `width` characters wide where columns can be given up for it.
    pub fn lay_out(&self, width: usize) -> Layout {
        let widths: Vec<usize> = self
            .heads
            .iter()
            .enumerate()
            .map(|(i, h)| {
                let cells = self
                    .rows
                    .iter()
                    .filter_map(|r| r.get(i))
                    .map(|c| c.width())
                    .max()
                    .unwrap_or(0);
                cells.max(h.title.width()).max(h.unit.width())
            })
            .collect();
        let mut shown: Vec<usize> = (0..self.heads.len()).collect();
        let total = |shown: &[usize]| {
            shown.iter().map(|&i| widths[i]).sum::<usize>() + GAP * shown.len().saturating_sub(1)
        };
        let mut left_out = Vec::new();
        while total(&shown) > width {
            let Some(worst) = shown
                .iter()
                .copied()
                .filter(|&i| self.heads[i].rank > 0)
                .max_by_key(|&i| (self.heads[i].rank, i))
            else {
                break;
            };
            shown.retain(|&i| i != worst);
            left_out.push(self.heads[worst].title.clone());
        }
        left_out.reverse();
        let line = |cells: &dyn Fn(usize) -> String| {
            let parts: Vec<String> = shown
                .iter()
                .map(|&i| pad(&cells(i), widths[i], self.heads[i].right))
                .collect();
            parts.join(&" ".repeat(GAP)).trim_end().to_owned()
        };
        let mut heads = vec![line(&|i| self.heads[i].title.clone())];
        if shown.iter().any(|&i| !self.heads[i].unit.is_empty()) {
            heads.push(line(&|i| self.heads[i].unit.clone()));
        }
        let rows = self
            .rows
            .iter()
            .map(|r| line(&|i| r.get(i).cloned().unwrap_or_default()))
            .collect();
        Layout {
            heads,
            rows,
            left_out,
        }
    }

    /// Prints the table, says which columns were given up, and returns their titles.
    pub fn print(&self, printer: &mut Printer) -> io::Result<Vec<String>> {
        let Layout {
            heads,
            rows,
            left_out,
        } = self.lay_out(printer.width);
        for head in heads {
            printer.heading(&head)?;
        }
        for row in rows {
            printer.line(&row)?;
        }
        if !left_out.is_empty() {
            printer.say(&format!(
                "left out for want of width: {} (a wider terminal or --format csv shows all)",
                left_out.join(", ")
            ));
        }
        Ok(left_out)
    }
}

/// Pads a text to a width, by display columns.
pub fn pad(text: &str, width: usize, right: bool) -> String {
    let fill = " ".repeat(width.saturating_sub(text.width()));
    if right {
        fill + text
    } else {
        text.to_owned() + &fill
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> Table {
        let mut t = Table::default()
            .text("vehicle", 0)
            .number("drop", "m", 1)
            .number("friction", "kWh", 2);
        t.row(vec!["van-01".into(), "512".into(), "0.41".into()]);
        t.row(vec!["bus-2".into(), "1 940".into(), "12.3".into()]);
        t
    }

    #[test]
    fn numbers_stand_to_the_right_under_their_units() {
        let layout = table().lay_out(80);
        assert_eq!(
            layout.heads,
            ["vehicle   drop  friction", "             m       kWh"]
        );
        assert_eq!(
            layout.rows,
            ["van-01     512      0.41", "bus-2    1 940      12.3"]
        );
        assert!(layout.left_out.is_empty());
    }

    #[test]
    fn columns_are_given_up_by_rank_and_the_first_never() {
        let layout = table().lay_out(16);
        assert_eq!(layout.left_out, ["friction"]);
        assert_eq!(layout.rows[0], "van-01     512");
        let layout = table().lay_out(3);
        assert_eq!(layout.left_out, ["drop", "friction"]);
        assert_eq!(layout.heads, ["vehicle"], "no line of units without units");
    }
}
