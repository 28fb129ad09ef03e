//! Plots of characters: a profile of a descent, bars of a distribution. Shapes and numbers, never colour alone.

use coldbrake_engine::ProfilePoint;

use crate::{
    printer::{Units, table::pad},
    show,
};

/// Rows of the altitude plot.
const ROWS: usize = 8;
/// Rows of a picture of shares; odd, so that one half has a row of its own.
const SHARE_ROWS: usize = 11;
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

    /// Mark for a fraction from 0 to 1. In the lowest row anything above 0 shows.
    fn level(self, fraction: f64, lowest: bool) -> char {
        let full = self.0.len() - 1;
        let level = (fraction.clamp(0.0, 1.0) * full as f64).round() as usize;
        let level = if lowest && fraction > 0.0 {
            level.max(1)
        } else {
            level
        };
        self.0.get(level).copied().unwrap_or(' ')
    }
}

/// Values of a profile at evenly spaced distances, one per column of the plot: those of the stretch there.
fn resample(
    profile: &[ProfilePoint],
    columns: usize,
    value: impl Fn(&ProfilePoint) -> Option<f64>,
) -> Vec<Option<f64>> {
    centres(profile, columns)
        .map(|at| {
            profile
                .iter()
                .find(|p| f64::from(p.distance_m) >= at)
                .and_then(&value)
        })
        .collect()
}

fn centres(profile: &[ProfilePoint], columns: usize) -> impl Iterator<Item = f64> {
    let end = profile.last().map_or(0.0, |p| f64::from(p.distance_m));
    (0..columns).map(move |c| end * (c as f64 + 0.5) / columns as f64)
}

/// Altitude at evenly spaced distances, straight between the ends of the stretches.
fn altitudes(profile: &[ProfilePoint], top_m: f64, columns: usize) -> Vec<f64> {
    centres(profile, columns)
        .map(|at| {
            let (mut x0, mut h0) = (0.0, top_m);
            for p in profile {
                let (x1, h1) = (f64::from(p.distance_m), f64::from(p.altitude_m));
                if x1 >= at {
                    let part = if x1 > x0 { (at - x0) / (x1 - x0) } else { 1.0 };
                    return h0 + (h1 - h0) * part;
                }
                (x0, h0) = (x1, h1);
            }
            h0
        })
        .collect()
}

/// Rows of marks for values from 0 to 1, the top row first.
fn rows(values: &[Option<f64>], rows: usize, marks: Marks) -> Vec<String> {
    (0..rows)
        .rev()
        .map(|row| {
            let cell =
                |v: &Option<f64>| marks.level(v.map_or(0.0, |v| v * rows as f64 - row as f64), row == 0);
            values.iter().map(cell).collect::<String>().trim_end().to_owned()
        })
        .collect()
}

fn columns_of(width: usize) -> usize {
    width.saturating_sub(MARGIN + 2).max(NARROWEST)
}

fn labelled(label: &str, cells: &str) -> String {
    format!("{}  {cells}", pad(label, MARGIN, true))
        .trim_end()
        .to_owned()
}

/// Draws the altitude of a road over its distance, from points of distance and altitude, m, the top first.
pub fn road(points: &[(f64, f64)], width: usize, unicode: bool, units: Units) -> Vec<String> {
    let Some(((_, top_m), below)) = points.split_first() else {
        return Vec::new();
    };
    let profile: Vec<ProfilePoint> = below
        .iter()
        .map(|(distance, altitude)| ProfilePoint {
            distance_m: *distance as f32,
            altitude_m: *altitude as f32,
            friction_w: None,
            recovery_w: 0.0,
            speed_mps: 0.0,
            brake_temperature_c: None,
        })
        .collect();
    ground(&profile, *top_m, width, unicode, units)
}

/// Draws the altitude over the distance.
fn ground(profile: &[ProfilePoint], top_m: f64, width: usize, unicode: bool, units: Units) -> Vec<String> {
    let Some(last) = profile.last() else {
        return Vec::new();
    };
    let columns = columns_of(width);
    let marks = Marks::of(unicode);
    let altitude = altitudes(profile, top_m, columns);
    let ends = profile.iter().map(|p| f64::from(p.altitude_m));
    let (bottom_m, top_m) = ends.fold((top_m, top_m), |(low, high), h| (low.min(h), high.max(h)));
    let span = (top_m - bottom_m).max(1.0);
    let height = |m: f64| format!("{:.0} {}", units.height(m), units.height_unit());
    // A strip of ground under the lowest point keeps it in sight.
    let ground: Vec<Option<f64>> = altitude
        .iter()
        .map(|h| Some(0.06 + 0.94 * (h - bottom_m) / span))
        .collect();
    let mut lines: Vec<String> = rows(&ground, ROWS, marks)
        .iter()
        .enumerate()
        .map(|(row, cells)| match row {
            0 => labelled(&height(top_m), cells),
            r if r == ROWS - 1 => labelled(&height(bottom_m), cells),
            1 => labelled("altitude", cells),
            _ => labelled("", cells),
        })
        .collect();
    let rule = if unicode { "─" } else { "-" }.repeat(columns);
    lines.push(labelled("", &rule));
    let end = format!(
        "{} {}",
        show::number(units.distance(f64::from(last.distance_m))),
        units.distance_unit()
    );
    lines.push(labelled(
        "distance",
        &format!("0{}", pad(&end, columns - 1, true)),
    ));
    lines
}

/// Draws the altitude of a descent over its distance, and below it the power of friction and of recovery, both to the
/// same scale, and the speed.
pub fn profile(
    profile: &[ProfilePoint],
    top_m: f64,
    width: usize,
    unicode: bool,
    units: Units,
) -> Vec<String> {
    let columns = columns_of(width);
    let mut lines = ground(profile, top_m, width, unicode, units);
    if lines.is_empty() {
        return lines;
    }
    let marks = Marks::of(unicode);
    let friction = resample(profile, columns, |p| p.friction_w.map(f64::from));
    let recovery = resample(profile, columns, |p| Some(f64::from(p.recovery_w)));
    let speed = resample(profile, columns, |p| Some(f64::from(p.speed_mps)));
    let power = largest(friction.iter().chain(&recovery));
    let kilowatts = format!("{} kW", show::number(power * 1e-3));
    let top_speed = largest(&speed);
    let speeds = format!("{} {}", show::number(units.speed(top_speed)), units.speed_unit());
    for (name, values, full, scale) in [
        ("friction", friction, power, kilowatts.as_str()),
        ("recovery", recovery, power, &kilowatts),
        ("speed", speed, top_speed, &speeds),
    ] {
        if values.iter().all(Option::is_none) {
            lines.push(labelled(name, "not known"));
            continue;
        }
        let shares: Vec<Option<f64>> = values
            .into_iter()
            .map(|v| v.map(|v| if full > 0.0 { v / full } else { 0.0 }))
            .collect();
        for (label, cells) in [scale, name].iter().zip(rows(&shares, 2, marks)) {
            lines.push(labelled(label, &cells));
        }
    }
    lines
}

fn largest<'a>(values: impl IntoIterator<Item = &'a Option<f64>>) -> f64 {
    values.into_iter().flatten().copied().fold(0.0, f64::max)
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
    // Rounded edges may leave nothing at the ends.
    let used = |b: &Bar| b.2 > 0;
    let (Some(from), Some(to)) = (bars.iter().position(used), bars.iter().rposition(used)) else {
        return Vec::new();
    };
    bars[from..=to].to_vec()
}

/// Decimals that tell the edges of bars apart.
fn decimals(step: f64) -> usize {
    (0..6)
        .find(|&places| {
            let scaled = step * 10f64.powi(places);
            (scaled - scaled.round()).abs() < 1e-6 * scaled.abs()
        })
        .map_or(6, |places| places as usize)
}

/// Draws bars with their ranges and counts.
pub fn bars(bars: &[Bar], width: usize, unicode: bool) -> Vec<String> {
    let largest = bars.iter().map(|b| b.2).max().unwrap_or(0).max(1);
    let places = bars.first().map_or(0, |b| decimals(b.1 - b.0));
    let labels: Vec<String> = bars
        .iter()
        .map(|b| format!("{:.places$} to {:.places$}", b.0 + 0.0, b.1 + 0.0))
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

/// One step of a drawn distribution: value, share at or below it.
pub type Step = (f64, f64);

/// Draws two distributions into one picture: the share of values at or below, over the value. Side a is drawn as `a`, side b
/// as `b`, both in one place as `=`. `edge` writes the values at both ends.
pub fn shares(
    a: &[Step],
    b: &[Step],
    width: usize,
    unicode: bool,
    edge: impl Fn(f64) -> String,
) -> Vec<String> {
    const LABELS: usize = 5;
    let ends = a.iter().chain(b).map(|step| step.0);
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(v), h.max(v))
    });
    if !(low.is_finite() && high.is_finite()) {
        return Vec::new();
    }
    let columns = width.saturating_sub(LABELS + 3).clamp(NARROWEST, 72);
    let span = (high - low).max(f64::MIN_POSITIVE);
    // The row of a share: 0 at the top for all, the last row for none.
    let row_of = |steps: &[Step], column: usize| {
        let value = low + span * (column as f64 + 0.5) / columns as f64;
        let below = steps.partition_point(|step| step.0 <= value);
        let share = below
            .checked_sub(1)
            .and_then(|i| steps.get(i))
            .map_or(0.0, |s| s.1);
        ((1.0 - share) * (SHARE_ROWS - 1) as f64).round() as usize
    };
    let mut cells = vec![vec![' '; columns]; SHARE_ROWS];
    for (steps, sign) in [(a, 'a'), (b, 'b')] {
        let mut before = None;
        for column in 0..columns {
            let row = row_of(steps, column);
            // Shares only grow, so rows only fall; steep parts stay joined.
            let lowest = before.map_or(row, |before: usize| before.saturating_sub(1).max(row));
            let reach = row..=lowest;
            for at in reach {
                if let Some(cell) = cells.get_mut(at).and_then(|r| r.get_mut(column)) {
                    *cell = if *cell == ' ' { sign } else { '=' };
                }
            }
            before = Some(row);
        }
    }
    let wall = if unicode { '│' } else { '|' };
    let mut lines: Vec<String> = cells
        .iter()
        .enumerate()
        .map(|(row, cells)| {
            let label = match row {
                0 => "100 %",
                r if 2 * r == SHARE_ROWS - 1 => "50 %",
                r if r == SHARE_ROWS - 1 => "0 %",
                _ => "",
            };
            let cells: String = cells.iter().collect();
            format!("{} {wall}{}", pad(label, LABELS, true), cells.trim_end())
        })
        .collect();
    let corner = if unicode { "└" } else { "+" };
    let rule = if unicode { "─" } else { "-" }.repeat(columns);
    lines.push(format!("{} {corner}{rule}", " ".repeat(LABELS)));
    let left = edge(low);
    let rest = columns.saturating_sub(left.chars().count());
    lines.push(format!(
        "{}  {left}{}",
        " ".repeat(LABELS),
        pad(&edge(high), rest, true)
    ));
    lines
}

/// Draws one span on a scale from `low` to `high`: a line from P10 to P90 with a mark at the median.
///
/// ```
/// use coldbrake::plot::span;
/// assert_eq!(span((2.0, 5.0, 8.0), (0.0, 10.0), 11, false), "  ---o---");
/// ```
pub fn span(
    (p10, median, p90): (f64, f64, f64),
    (low, high): (f64, f64),
    width: usize,
    unicode: bool,
) -> String {
    let width = width.max(2);
    let column = |value: f64| {
        let part = (value - low) / (high - low).max(f64::MIN_POSITIVE);
        (part.clamp(0.0, 1.0) * (width - 1) as f64).round() as usize
    };
    let (line, mark) = if unicode { ('─', '●') } else { ('-', 'o') };
    let (from, middle, to) = (column(p10), column(median), column(p90));
    (0..=to.max(middle))
        .map(|c| match c {
            c if c == middle => mark,
            c if c >= from => line,
            _ => ' ',
        })
        .collect()
}

/// Returns a horizontal bar of a length in characters.
pub fn bar(length: f64, unicode: bool) -> String {
    const EIGHTHS: [&str; 8] = ["", "▏", "▎", "▍", "▌", "▋", "▊", "▉"];
    if !unicode {
        // Anything above 0 shows.
        return "#".repeat((length.round() as usize).max(usize::from(length > 0.0)));
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
    fn edges_are_written_with_the_decimals_that_they_need() {
        for (step, places) in [
            (1.0, 0),
            (2.5, 1),
            (0.5, 1),
            (0.25, 2),
            (0.1 + 0.2, 1),
            (200.0, 0),
        ] {
            assert_eq!(decimals(step), places, "{step}");
        }
        let lines = bars(&[(-0.0, 2.5, 4), (2.5, 5.0, 0), (5.0, 7.5, 1)], 40, false);
        assert_eq!(
            lines,
            [
                "0.0 to 2.5  4  #########################",
                "2.5 to 5.0  0",
                "5.0 to 7.5  1  ######"
            ]
        );
    }

    #[test]
    fn shares_rise_from_left_to_right_and_are_told_apart() {
        let steps = |from: i32| -> Vec<Step> {
            (1..=20)
                .map(|i| (f64::from(from + i), f64::from(i) / 20.0))
                .collect()
        };
        for (width, unicode) in [(80, true), (60, false)] {
            let lines = shares(&steps(0), &steps(10), width, unicode, |v| v.to_string());
            assert!(lines.iter().all(|l| l.chars().count() <= width), "{lines:#?}");
            assert_eq!(lines.len(), SHARE_ROWS + 2);
            let half = &lines[SHARE_ROWS / 2];
            assert!(half.starts_with(" 50 %"), "{lines:#?}");
            assert!(half.find('a').unwrap() < half.find('b').unwrap(), "{half}");
            assert!(lines[SHARE_ROWS + 1].trim_start().starts_with('1'));
            assert!(lines[SHARE_ROWS + 1].ends_with("30"));
        }
        let same = shares(&steps(0), &steps(0), 60, true, |v| v.to_string());
        assert!(
            same.iter().all(|l| !l.contains('a') && !l.contains('b')),
            "{same:#?}"
        );
        assert!(shares(&[], &[], 60, true, |v| v.to_string()).is_empty());
        assert!(!shares(&[(3.0, 1.0)], &[(3.0, 1.0)], 60, true, |v| v.to_string()).is_empty());
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
