//! How the time column of a file is meant.

use coldbrake_engine::sample::EARLIEST_MS;

use super::{columns::Binding, reader::ASSUMED_START_MS, rules::Cells};

/// What is said of a row without a time.
pub(super) const MISSING: &str = "holds no value, but every row needs the time";

/// How the time column is read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Clock {
    /// Numbers since the start, with ms per unit.
    SinceStart {
        /// ms per unit.
        factor: f64,
        /// Time of day at which the numbers are 0.
        start_ms: i64,
    },
    /// Numbers since the Unix epoch.
    Unix {
        /// ms per unit.
        factor: f64,
    },
    /// Text, or a column whose type is a time.
    Text,
}

impl Clock {
    /// Returns the time of a number, ms since the Unix epoch; `None` when no clock shows it.
    pub(super) fn time_ms(self, value: f64) -> Option<i64> {
        let (factor, start_ms) = match self {
            Self::SinceStart { factor, start_ms } => (factor, start_ms),
            Self::Unix { factor } => (factor, 0),
            Self::Text => return None,
        };
        let ms = value * factor;
        if ms.abs() < 1e15 {
            let whole = nearest(ms);
            return (whole.abs() < 1_000_000_000_000_000).then_some(start_ms + whole);
        }
        None
    }
}

/// Rounds half away from zero, as [`f64::round`] does, for values below 2^52. Without the call that this is on processors
/// of the first 64-bit kind.
fn nearest(value: f64) -> i64 {
    let whole = value as i64;
    let rest = value - whole as f64;
    whole + i64::from(rest >= 0.5) - i64::from(rest <= -0.5)
}

/// Decides from the first row how the time is meant. A number of 946684800 or more would be 30 years since a start: it
/// is Unix time. Without a unit, its size tells s, ms, µs and ns apart.
pub(super) fn decide(
    cells: &mut impl Cells,
    column: usize,
    binding: &Binding,
    start_ms: Option<i64>,
) -> Result<Clock, (String, &'static str)> {
    let value = match cells.number(column) {
        Ok(Some(value)) => Some(value),
        Ok(None) => return Err((MISSING.to_owned(), "fill it in")),
        Err(_) => None,
    };
    let earliest = EARLIEST_MS as f64;
    let absolute = match value {
        None => Some(Clock::Text),
        Some(value) if binding.unit_is_said => {
            let factor = binding.unit.factor();
            (value * factor >= earliest).then_some(Clock::Unix { factor })
        }
        Some(value) => [1e-6, 1e-3, 1.0, 1e3]
            .into_iter()
            .find(|factor| value * factor >= earliest)
            .map(|factor| Clock::Unix { factor }),
    };
    match (absolute, start_ms) {
        (Some(_), Some(_)) => Err((
            format!(
                "`{}` is a time of day, but a start is given as well",
                cells.shown(column)
            ),
            "leave `--start` out: it is for logs that count the time since their start",
        )),
        (Some(clock), None) => Ok(clock),
        (None, start) => Ok(Clock::SinceStart {
            factor: binding.unit.factor(),
            start_ms: start.unwrap_or(ASSUMED_START_MS),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_rounded_half_away_from_zero() {
        let clock = Clock::Unix { factor: 1.0 };
        for value in [
            0.0,
            -0.0,
            0.4,
            0.5,
            0.499_999_999_999_999_94,
            1.5,
            2.5,
            -0.5,
            -1.5,
            -0.499_999_999_999_999_94,
            1_773_299_702_250.5,
            -1_773_299_702_250.5,
            1e15 - 0.5,
            1e15 - 1.0,
            1e15,
            -1e15,
            f64::MAX,
            f64::MIN,
        ] {
            let round = f64::round(value);
            assert_eq!(
                clock.time_ms(value),
                (round.abs() < 1e15).then_some(round as i64),
                "{value}"
            );
        }
    }
}
