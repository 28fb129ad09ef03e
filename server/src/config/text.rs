//! Durations and sizes as people write them.

use std::time::Duration;

/// Returns a duration as text: the largest unit that divides it.
///
/// ```
/// use std::time::Duration;
/// assert_eq!(coldbrake_server::config::text::duration(Duration::from_secs(90)), "90s");
/// assert_eq!(coldbrake_server::config::text::duration(Duration::from_secs(120)), "2m");
/// ```
pub fn duration(d: Duration) -> String {
    let ms = d.as_millis();
    match ms {
        0 => "0s".to_owned(),
        _ if ms.is_multiple_of(3_600_000) => format!("{}h", ms / 3_600_000),
        _ if ms.is_multiple_of(60_000) => format!("{}m", ms / 60_000),
        _ if ms.is_multiple_of(1_000) => format!("{}s", ms / 1_000),
        _ => format!("{ms}ms"),
    }
}

/// Reads a duration: a whole number with `ms`, `s`, `m` or `h`. What to do is in the error.
pub fn parse_duration(text: &str) -> Result<Duration, String> {
    let bad = || format!("is `{text}`: give a whole number with its unit, for example 250ms, 30s, 5m or 1h");
    let (number, unit) = split_unit(text).ok_or_else(bad)?;
    let per_unit = match unit {
        "ms" => 1,
        "s" => 1_000,
        "m" => 60_000,
        "h" => 3_600_000,
        _ => return Err(bad()),
    };
    number
        .checked_mul(per_unit)
        .map(Duration::from_millis)
        .ok_or_else(bad)
}

/// Returns a size as text: the largest binary unit that divides it.
pub fn bytes(n: u64) -> String {
    match n {
        0 => "0".to_owned(),
        _ if n.is_multiple_of(1 << 30) => format!("{}GiB", n >> 30),
        _ if n.is_multiple_of(1 << 20) => format!("{}MiB", n >> 20),
        _ if n.is_multiple_of(1 << 10) => format!("{}KiB", n >> 10),
        _ => n.to_string(),
    }
}

/// Reads a size in bytes: a whole number, alone or with `KiB`, `MiB` or `GiB`. What to do is in the error.
pub fn parse_bytes(text: &str) -> Result<u64, String> {
    let bad = || {
        format!(
            "is `{text}`: give a whole number of bytes, or one with its unit, for example 64KiB or 128MiB"
        )
    };
    if let Ok(n) = text.parse() {
        return Ok(n);
    }
    let (number, unit) = split_unit(text).ok_or_else(bad)?;
    let per_unit = match unit {
        "KiB" => 1 << 10,
        "MiB" => 1 << 20,
        "GiB" => 1 << 30,
        _ => return Err(bad()),
    };
    number.checked_mul(per_unit).ok_or_else(bad)
}

/// Returns a size for people, with three digits and its unit.
///
/// ```
/// assert_eq!(coldbrake_server::config::text::about_bytes(1_610_612_736), "1.50 GiB");
/// ```
pub fn about_bytes(bytes: u64) -> String {
    let mut value = bytes as f64;
    let mut units = ["bytes", "KiB", "MiB", "GiB", "TiB"].into_iter();
    let mut unit = units.next().unwrap_or_default();
    for larger in units {
        if value < 1024.0 {
            break;
        }
        (value, unit) = (value / 1024.0, larger);
    }
    match value {
        _ if unit == "bytes" => format!("{bytes} bytes"),
        v if v < 10.0 => format!("{v:.2} {unit}"),
        v if v < 100.0 => format!("{v:.1} {unit}"),
        v => format!("{v:.0} {unit}"),
    }
}

fn split_unit(text: &str) -> Option<(u64, &str)> {
    let at = text.find(|c: char| !c.is_ascii_digit())?;
    let (number, unit) = text.split_at(at);
    Some((number.parse().ok()?, unit.trim_start()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_back() {
        for ms in [0, 1, 250, 1_000, 90_000, 120_000, 3_600_000, 5_400_000] {
            let d = Duration::from_millis(ms);
            assert_eq!(parse_duration(&duration(d)), Ok(d));
        }
        for n in [0, 1, 1_024, 393_216, 1 << 30, 1_025] {
            assert_eq!(parse_bytes(&bytes(n)), Ok(n));
        }
    }

    #[test]
    fn nonsense_is_refused_with_an_example() {
        for text in ["", "30", "s", "-1s", "1.5s", "30 days", "99999999999999999h"] {
            assert!(parse_duration(text).unwrap_err().contains("30s"), "{text}");
        }
        for text in ["", "x", "-1", "1KB", "99999999999999999GiB"] {
            assert!(parse_bytes(text).unwrap_err().contains("64KiB"), "{text}");
        }
    }
}
