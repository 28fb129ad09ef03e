//! A figure, what it stands beside, and the aim.

use std::time::Instant;

/// What a figure should be.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Aim {
    /// The ratio is at least this.
    RatioAtLeast(f64),
    /// The ratio is at most this.
    RatioAtMost(f64),
    /// The figure is at most this.
    AtMost(f64),
    /// The ratio is at most the first, and the figure at most the second.
    BothAtMost(f64, f64),
    /// Nothing is promised.
    None,
}

/// A figure beside another.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    pub(crate) what: String,
    pub(crate) unit: &'static str,
    pub(crate) ours: f64,
    /// What it stands beside, and its figure.
    pub(crate) beside: Option<(&'static str, f64)>,
    pub(crate) aim: Aim,
}

impl Row {
    pub(crate) fn ratio(&self) -> Option<f64> {
        self.beside.map(|(_, peer)| self.ours / peer)
    }

    /// Returns whether the aim is met; `None` without one.
    pub(crate) fn holds(&self) -> Option<bool> {
        let ratio = self.ratio();
        match self.aim {
            Aim::RatioAtLeast(least) => ratio.map(|r| r >= least),
            Aim::RatioAtMost(most) => ratio.map(|r| r <= most),
            Aim::AtMost(most) => Some(self.ours <= most),
            Aim::BothAtMost(ratio_most, most) => ratio.map(|r| r <= ratio_most && self.ours <= most),
            Aim::None => None,
        }
    }

    fn aim_in_words(&self) -> String {
        match self.aim {
            Aim::RatioAtLeast(r) => format!("≥ {r} ×"),
            Aim::RatioAtMost(r) => format!("≤ {r} ×"),
            Aim::AtMost(v) => format!("≤ {}", short(v)),
            Aim::BothAtMost(r, v) => format!("≤ {r} ×, ≤ {}", short(v)),
            Aim::None => String::new(),
        }
    }

    pub(crate) fn to_json(&self) -> serde_json::Value {
        serde_json::json!({
            "what": self.what,
            "unit": self.unit,
            "ours": self.ours,
            "beside": self.beside.map(|(name, _)| name),
            "beside_value": self.beside.map(|(_, value)| value),
            "ratio": self.ratio(),
            "aim": self.aim_in_words(),
            "holds": self.holds(),
        })
    }
}

/// Returns a number with three digits and a letter for thousands and millions.
fn short(value: f64) -> String {
    let (scaled, letter) = match value.abs() {
        v if v >= 1e9 => (value / 1e9, " G"),
        v if v >= 1e6 => (value / 1e6, " M"),
        v if v >= 1e4 => (value / 1e3, " k"),
        _ => (value, ""),
    };
    let digits = match scaled.abs() {
        v if v >= 100.0 => 0,
        v if v >= 10.0 => 1,
        _ => 2,
    };
    format!("{scaled:.digits$}{letter}")
}

/// Returns the rows as a table.
pub(crate) fn table(rows: &[Row]) -> String {
    let mut cells = vec![
        [
            "what",
            "unit",
            "figure",
            "beside",
            "its figure",
            "ratio",
            "aim",
            "",
        ]
        .map(str::to_owned),
    ];
    for row in rows {
        cells.push([
            row.what.clone(),
            row.unit.to_owned(),
            short(row.ours),
            row.beside.map_or_else(String::new, |(name, _)| name.to_owned()),
            row.beside.map_or_else(String::new, |(_, value)| short(value)),
            row.ratio().map_or_else(String::new, |r| format!("{r:.2}")),
            row.aim_in_words(),
            match row.holds() {
                Some(true) => "met",
                Some(false) => "MISSED",
                None => "",
            }
            .to_owned(),
        ]);
    }
    let width = |column: usize| cells.iter().map(|c| c[column].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..8).map(width).collect();
    let mut text = String::new();
    for (number, line) in cells.iter().enumerate() {
        for (column, cell) in line.iter().enumerate() {
            let pad = " ".repeat(widths[column] - cell.chars().count());
            let is_number = matches!(column, 2 | 4 | 5);
            text += &if is_number {
                format!("{pad}{cell}  ")
            } else {
                format!("{cell}{pad}  ")
            };
        }
        text = format!("{}\n", text.trim_end());
        if number == 0 {
            text += &format!("{}\n", "-".repeat(widths.iter().sum::<usize>() + 14));
        }
    }
    text
}

/// Runs two pieces of work in turn, so that what else the machine does falls on both, and returns the median time of each, s.
pub(crate) fn in_turn(rounds: usize, mut one: impl FnMut(), mut other: impl FnMut()) -> (f64, f64) {
    let mut times = (Vec::new(), Vec::new());
    // The first round warms caches up.
    for round in 0..=rounds {
        for (work, into) in [
            (&mut one as &mut dyn FnMut(), &mut times.0),
            (&mut other as &mut dyn FnMut(), &mut times.1),
        ] {
            let begin = Instant::now();
            work();
            if round > 0 {
                into.push(begin.elapsed().as_secs_f64());
            }
        }
    }
    (median(&mut times.0), median(&mut times.1))
}

/// Returns the median.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values[values.len() / 2]
}
