//! Cells of a log file: numbers, switches and times.

/// How decimals are written in a file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Decimal {
    /// No number with decimals has been seen: the first one decides.
    #[default]
    Unknown,
    /// 12.5
    Point,
    /// 12,5
    Comma,
}

/// Longest text that is looked at as a number.
const LONGEST: usize = 64;

/// Reads a number; `None` when the cell holds none. A file that mixes decimal points and commas is refused: one of the
/// two would be a group separator, and the number a thousand times too small.
pub(crate) fn number(cell: &[u8], decimal: &mut Decimal) -> Result<Option<f64>, String> {
    let cell = cell.trim_ascii();
    if is_absent(cell) {
        return Ok(None);
    }
    let point = cell.contains(&b'.');
    let comma = cell.contains(&b',');
    match (*decimal, point, comma) {
        (_, true, true) => {
            return Err("has both a point and a comma: write numbers without group separators".into());
        }
        (Decimal::Comma, true, _) => return Err("has a decimal point in a file with decimal commas".into()),
        (Decimal::Point, _, true) => return Err("has a decimal comma in a file with decimal points".into()),
        _ => {}
    }
    let value = if comma {
        parse_comma(cell)
    } else {
        std::str::from_utf8(cell).ok().and_then(|text| text.parse().ok())
    };
    match value {
        Some(value) if value.is_finite() => {
            // Only what has been a number decides for the whole file.
            match (point, comma) {
                (true, _) => *decimal = Decimal::Point,
                (_, true) => *decimal = Decimal::Comma,
                _ => {}
            }
            Ok(Some(value))
        }
        Some(_) => Err("is infinite".into()),
        None => Err("is not a number".into()),
    }
}

fn parse_comma(cell: &[u8]) -> Option<f64> {
    let mut buffer = [0; LONGEST];
    let buffer = buffer.get_mut(..cell.len())?;
    for (to, from) in buffer.iter_mut().zip(cell) {
        *to = if *from == b',' { b'.' } else { *from };
    }
    std::str::from_utf8(buffer).ok()?.parse().ok()
}

/// Ways in which logs write that there is no value.
fn is_absent(cell: &[u8]) -> bool {
    match cell.len() {
        0 => true,
        2..=4 => [b"nan".as_slice(), b"na", b"n/a", b"null"]
            .iter()
            .any(|word| cell.eq_ignore_ascii_case(word)),
        _ => false,
    }
}

/// Reads a switch as 0 or 1; `None` when the cell holds none.
pub(crate) fn switch(cell: &[u8], decimal: &mut Decimal) -> Result<Option<f64>, String> {
    let text = cell.trim_ascii();
    if ["true", "on", "yes"]
        .iter()
        .any(|word| text.eq_ignore_ascii_case(word.as_bytes()))
    {
        return Ok(Some(1.0));
    }
    if ["false", "off", "no"]
        .iter()
        .any(|word| text.eq_ignore_ascii_case(word.as_bytes()))
    {
        return Ok(Some(0.0));
    }
    number(cell, decimal).map_err(|_| "is neither 0 nor 1, true nor false, on nor off".into())
}

/// Reads a time of day as text, RFC 3339 or ISO 8601: ms since the Unix epoch, and whether UTC had to be assumed
/// because the text names no zone.
pub(crate) fn time_text(cell: &[u8]) -> Option<(i64, bool)> {
    let text = std::str::from_utf8(cell).ok()?.trim();
    if let Ok(time) = text.parse::<jiff::Timestamp>() {
        return Some((time.as_millisecond(), false));
    }
    let civil: jiff::civil::DateTime = text.parse().ok()?;
    let time = jiff::tz::TimeZone::UTC.to_timestamp(civil).ok()?;
    Some((time.as_millisecond(), true))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Option<f64>, String> {
        number(text.as_bytes(), &mut Decimal::Unknown)
    }

    #[test]
    fn numbers_are_read_with_point_or_comma() {
        assert_eq!(read(" -12.5 "), Ok(Some(-12.5)));
        assert_eq!(read("-12,5"), Ok(Some(-12.5)));
        assert_eq!(read("1e3"), Ok(Some(1000.0)));
        assert_eq!(read("+7"), Ok(Some(7.0)));
    }

    #[test]
    fn no_value_is_none_and_never_zero() {
        for text in ["", "  ", "NaN", "n/a", "null", "NA"] {
            assert_eq!(read(text), Ok(None), "{text:?}");
        }
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in [
            "abc",
            "12 5",
            "0x10",
            "1,2,3",
            "12.5.1",
            "--1",
            "1.234,5",
            "inf",
            "-Infinity",
            "1e999",
            "\u{fc}",
        ] {
            assert!(read(text).is_err(), "{text:?}");
        }
        assert!(number(&[0xff, 0xfe], &mut Decimal::Unknown).is_err());
        assert!(number(&[b','; 500], &mut Decimal::Unknown).is_err());
    }

    #[test]
    fn the_first_decimals_decide_for_the_file() {
        let mut decimal = Decimal::Unknown;
        number(b"1200", &mut decimal).unwrap();
        assert_eq!(decimal, Decimal::Unknown);
        number(b"1,5", &mut decimal).unwrap();
        assert_eq!(decimal, Decimal::Comma);
        assert!(
            number(b"1.200", &mut decimal)
                .unwrap_err()
                .contains("decimal point")
        );
    }

    #[test]
    fn switches_have_many_names() {
        for (text, value) in [
            ("1", 1.0),
            ("TRUE", 1.0),
            ("on", 1.0),
            ("0", 0.0),
            ("False", 0.0),
            ("off", 0.0),
        ] {
            assert_eq!(
                switch(text.as_bytes(), &mut Decimal::Point),
                Ok(Some(value)),
                "{text}"
            );
        }
        assert_eq!(switch(b"", &mut Decimal::Point), Ok(None));
        assert!(switch(b"maybe", &mut Decimal::Point).is_err());
    }

    #[test]
    fn times_are_read_with_and_without_a_zone() {
        let at = 1_773_299_702_250;
        assert_eq!(time_text(b"2026-03-12T07:15:02.25Z"), Some((at, false)));
        assert_eq!(time_text(b"2026-03-12T08:15:02,250+01:00"), Some((at, false)));
        assert_eq!(time_text(b"2026-03-12 07:15:02.25"), Some((at, true)));
        assert_eq!(time_text(b"yesterday"), None);
    }
}
