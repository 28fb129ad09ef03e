//! Points in time on the command line: absolute or relative to now.

use std::time::{SystemTime, UNIX_EPOCH};

use crate::exit::{Code, Failure};

/// How a time is written, for help and errors.
pub(crate) const FORMS: &str =
    "a time (2026-03-12T07:15:00Z), a day (2026-03-12) or how long ago (90m, 6h, 2d, 3w)";

/// Returns the point in time that a text means, ms since the Unix epoch.
pub(crate) fn parse(option: &str, text: &str) -> Result<i64, Failure> {
    let now = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_millis() as i64);
    parse_at(text, now).ok_or_else(|| {
        Failure::new(Code::Usage, format!("{option}: `{text}` is not a time")).help(format!("write {FORMS}"))
    })
}

fn parse_at(text: &str, now_ms: i64) -> Option<i64> {
    let text = text.trim();
    if let Ok(t) = text.parse::<jiff::Timestamp>() {
        return Some(t.as_millisecond());
    }
    if let Ok(day) = text.parse::<jiff::civil::Date>() {
        return day
            .to_zoned(jiff::tz::TimeZone::UTC)
            .ok()
            .map(|z| z.timestamp().as_millisecond());
    }
    let text = text.trim_start_matches('-').trim_end_matches("ago").trim();
    let split = text.find(|c: char| !c.is_ascii_digit() && c != '.')?;
    let (amount, unit) = text.split_at(split);
    let amount: f64 = amount.parse().ok()?;
    let seconds = match unit.trim() {
        "m" | "min" | "minute" | "minutes" => 60.0,
        "h" | "hour" | "hours" => 3600.0,
        "d" | "day" | "days" => 86_400.0,
        "w" | "week" | "weeks" => 604_800.0,
        _ => return None,
    };
    Some(now_ms - (amount * seconds * 1e3) as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn absolute_and_relative_times_are_read() {
        let now = 1_773_299_700_000;
        assert_eq!(parse_at("2026-03-12T07:15:00Z", 0), Some(now));
        assert_eq!(parse_at("2026-03-12", 0), Some(1_773_273_600_000));
        assert_eq!(parse_at("2d", now), Some(now - 172_800_000));
        assert_eq!(parse_at("-6h", now), Some(now - 21_600_000));
        assert_eq!(parse_at("2 days ago", now), Some(now - 172_800_000));
        assert_eq!(parse_at("yesterday", now), None);
    }
}
