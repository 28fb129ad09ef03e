//! Plots of characters: a profile of a descent, bars of a distribution. Shapes and numbers, never colour alone.

use coldbrake_engine::ProfilePoint;

use crate::{
    printer::{Units, table::pad},
    show,
};

/// Rows of the altitude plot.
const ROWS: usize = 8;
/// Space for the numbers beside a plot.
const MARGIN: usize = 9;
/// Narrowest plot.
const NARROWEST: usize = 24;

/// Marks from nothing to full.
#[derive(Clone, Copy, Debug)]
struct Marks(&'static [char]);

impl Marks {
    const BLOCKS: Self = Self(&[' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█']);
    const ASCII: Self = Self(&[' ', '.', ':', '-', '=', '+', '*', '#', '@']);

    const fn of(unicode: bool) -> Self {
        if unicode { Self::BLOCKS } else { Self::ASCII }
    }

    /// Mark for a fraction from 0 to 1; anything above 0 shows.
    fn level(self, fraction: f64) -> char {
        let full = self.0.len() - 1;
        let level = (fraction.clamp(0.0, 1.0) * full as f64).round() as usize;
        let level = if fraction > 0.0 { level.max(1) } else { level };
        self.0.get(level).copied().unwrap_or(' ')
    }
}

/// Values of a profile at evenly spaced distances, one per column of the plot.
fn resample(
    profile: &[ProfilePoint],
    columns: usize,
    value: impl Fn(&ProfilePoint) -> Option<f64>,
) -> Vec<Option<f64>> {
    let end = profile.last().map_or(0.0, |p| f64::from(p.distance_m));
    (0..columns)
        .map(|c| {
            let at = end * (c as f64 + 0.5) / columns as f64;
            profile
                .iter()
                .find(|p| f64::from(p.distance_m) >= at)
                .and_then(&value)
        })
        .collect()
}

/// Draws the altitude of a descent over its distance, and below it how strongly friction and recovery braked, each
/// against its own largest value.
pub fn profile(
    profile: &[ProfilePoint],
    top_m: f64,
    width: usize,
    unicode: bool,
    units: Units,
) -> Vec<String> {
    let Some(last) = profile.last() else {
        return Vec::new();
    };
    let columns = width.saturating_sub(MARGIN + 2).max(NARROWEST);
    let marks = Marks::of(unicode);
    let altitude = resample(profile, columns, |p| Some(f64::from(p.altitude_m)));
    let bottom_m = profile
        .iter()
        .map(|p| f64::from(p.altitude_m))
        .fold(top_m, f64::min);
    let span = (top_m - bottom_m).max(1.0);
    let mut lines = Vec::new();
    for row in 0..ROWS {
        let above = (ROWS - 1 - row) as f64 / ROWS as f64;
        let label = match row {
            0 => format!("{} {}", show::digits(units.height(top_m), 4), units.height_unit()),
            r if r == ROWS - 1 => format!(
                "{} {}",
                show::digits(units.height(bottom_m), 4),
                units.height_unit()
            ),
            _ => String::new(),
        };
        let cells: String = altitude
            .iter()
            .map(|h| {
                let filled = h.map_or(0.0, |h| ((h - bottom_m) / span - above) * ROWS as f64);
                // The lowest row always shows the ground.
                marks.level(if row == ROWS - 1 { filled.max(0.05) } else { filled })
            })
            .collect();
        lines.push(format!("{}  {}", pad(&label, MARGIN, true), cells.trim_end()));
    }
    let rule = if unicode { "─" } else { "-" }.repeat(columns);
    lines.push(format!("{}  {rule}", " ".repeat(MARGIN)));
    let end = format!(
        "{} {}",
        show::number(units.distance(f64::from(last.distance_m))),
        units.distance_unit()
    );
    lines.push(format!(
        "{}  0{}",
        pad("distance", MARGIN, true),
        pad(&end, columns - 1, true)
    ));
    for (name, values) in [
        (
            "friction",
            resample(profile, columns, |p| p.friction_w.map(f64::from)),
        ),
        (
            "recovery",
            resample(profile, columns, |p| Some(f64::from(p.recovery_w))),
        ),
        (
            "speed",
            resample(profile, columns, |p| Some(f64::from(p.speed_mps))),
        ),
    ] {
        let Some(largest) = values.iter().flatten().copied().reduce(f64::max) else {
            continue;
        };
        let cells: String = values
            .iter()
            .map(|v| marks.level(v.map_or(0.0, |v| if largest > 0.0 { v / largest } else { 0.0 })))
            .collect();
        lines.push(format!("{}  {}", pad(name, MARGIN, true), cells.trim_end()));
        let scale = match name {
            "speed" => format!("{} {}", show::number(units.speed(largest)), units.speed_unit()),
            _ => format!("{} kW", show::number(largest * 1e-3)),
        };
        lines.push(format!("{}  full height is {scale}", " ".repeat(MARGIN)));
    }
    lines
}

/// One bar of a drawn distribution: from, to, count.
pub type Bar = (f64, f64, u64);

/// Gathers fine cells into at most `most` bars of a round width.
///
/// ```
/// let bars = coldbrake::plot::gather(&[(0.70, 0.701, 3), (0.84, 0.841, 5), (0.89, 0.891, 1)], 10);
/// assert_eq!(bars.iter().map(|b| b.2).sum::<u64>(), 9);
/// assert!(bars.len() <= 10);
/// ```
pub fn gather(cells: &[Bar], most: usize) -> Vec<Bar> {
    let (Some(first), Some(last)) = (cells.first(), cells.last()) else {
        return Vec::new();
    };
    let (low, high) = (first.0, last.1.max(first.0 + f64::MIN_POSITIVE));
    let raw = (high - low) / most.max(1) as f64;
    let ten = 10f64.powf(raw.log10().floor());
    let mut step = [1.0, 2.0, 2.5, 5.0, 10.0]
        .into_iter()
        .map(|s| s * ten)
        .find(|s| *s >= raw)
        .unwrap_or(raw);
    let mut start = (low / step).floor();
    // Rounding the first edge down may need one bar more.
    if (high - start * step) / step > most as f64 {
        step *= 2.0;
        start = (low / step).floor();
    }
    let count = (((high - start * step) / step).ceil() as usize).clamp(1, most.max(1));
    let mut bars: Vec<Bar> = (0..count)
        .map(|i| ((start + i as f64) * step, (start + i as f64 + 1.0) * step, 0))
        .collect();
    for (a, b, n) in cells {
        let middle = 0.5 * (a + b);
        let i = ((middle / step - start).floor().max(0.0) as usize).min(count - 1);
        bars[i].2 += n;
    }
    bars
}

/// Draws bars with their ranges and counts.
pub fn bars(bars: &[Bar], width: usize, unicode: bool, label: impl Fn(f64) -> String) -> Vec<String> {
    let largest = bars.iter().map(|b| b.2).max().unwrap_or(0).max(1);
    let labels: Vec<String> = bars
        .iter()
        .map(|b| format!("{} to {}", label(b.0), label(b.1)))
        .collect();
    let left = labels.iter().map(String::len).max().unwrap_or(0);
    let right = largest.to_string().len();
    let room = width.saturating_sub(left + right + 4).clamp(8, 60);
    bars.iter()
        .zip(labels)
        .map(|(b, text)| {
            let length = b.2 as f64 / largest as f64 * room as f64;
            format!(
                "{}  {}  {}",
                pad(&text, left, true),
                pad(&b.2.to_string(), right, true),
                bar(length, unicode)
            )
            .trim_end()
            .to_owned()
        })
        .collect()
}

/// Returns a horizontal bar of a length in characters.
pub fn bar(length: f64, unicode: bool) -> String {
    const EIGHTHS: [&str; 8] = ["", "▏", "▎", "▍", "▌", "▋", "▊", "▉"];
    if !unicode {
        return "#".repeat(length.round() as usize);
    }
    let whole = length.floor();
    let rest = ((length - whole) * 8.0) as usize;
    let mut text = "█".repeat(whole as usize);
    text.push_str(EIGHTHS.get(rest).copied().unwrap_or(""));
    if text.is_empty() && length > 0.0 {
        text.push('▏');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points() -> Vec<ProfilePoint> {
        (1..=40)
            .map(|k: u8| ProfilePoint {
                distance_m: f32::from(k) * 100.0,
                altitude_m: 1000.0 - f32::from(k) * 6.0,
                friction_w: Some(if k > 30 { 20e3 } else { 1e3 }),
                recovery_w: 15e3,
                speed_mps: 12.0,
                brake_temperature_c: Some(60.0),
            })
            .collect()
    }

    #[test]
    fn the_profile_falls_from_left_to_right_and_fits() {
        for (width, unicode) in [(80, true), (60, true), (60, false)] {
            let lines = profile(&points(), 1000.0, width, unicode, Units::Metric);
            assert!(lines.iter().all(|l| l.chars().count() <= width), "{lines:#?}");
            assert!(lines[0].contains("1000 m"));
            assert!(lines[0].trim_end().chars().count() < lines[7].trim_end().chars().count());
            assert!(unicode || lines.iter().all(|l| l.is_ascii()));
        }
        assert!(profile(&[], 0.0, 80, true, Units::Metric).is_empty());
    }

    #[test]
    fn bars_keep_every_count() {
        let cells: Vec<Bar> = (0..500)
            .map(|i| {
                (
                    f64::from(i) * 0.002,
                    f64::from(i + 1) * 0.002,
                    u64::from(i % 7 == 0),
                )
            })
            .collect();
        let total: u64 = cells.iter().map(|c| c.2).sum();
        for most in [3, 10, 12] {
            let bars = gather(&cells, most);
            assert!(bars.len() <= most);
            assert_eq!(bars.iter().map(|b| b.2).sum::<u64>(), total);
        }
        assert_eq!(
            gather(&[(0.84, 0.841, 5)], 12).iter().map(|b| b.2).sum::<u64>(),
            5
        );
    }
}
