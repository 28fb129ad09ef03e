//! Numbers for people: three significant digits, the units of choice, words for names.

use coldbrake_engine::record::{Cause, EndReason, Estimate, Flag, MassSource, StartReason};

use crate::printer::Units;

/// What stands for a value that is not known.
pub const UNKNOWN: &str = "-";

/// Returns a number with three significant digits, without exponent, never "-0".
///
/// ```
/// use coldbrake::show::number;
/// assert_eq!(number(0.012345), "0.0123");
/// assert_eq!(number(1939.99), "1940");
/// assert_eq!(number(-0.0), "0");
/// ```
pub fn number(value: f64) -> String {
    digits(value, 3)
}

/// Returns a number with some significant digits; whole numbers are not cut.
pub fn digits(value: f64, significant: i32) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    // The exponent after rounding: 99.95 becomes 100, not 100.0.
    let rounded = format!("{value:.*e}", (significant - 1).max(0) as usize);
    let magnitude: i32 = rounded
        .rsplit('e')
        .next()
        .and_then(|e| e.parse().ok())
        .unwrap_or(0);
    let places = (significant - 1 - magnitude).clamp(0, 9);
    let text = format!("{value:.*}", places as usize);
    let unsigned = text.trim_start_matches('-');
    if unsigned.bytes().all(|b| b == b'0' || b == b'.') {
        "0".to_owned()
    } else {
        text
    }
}

/// Returns a value through `f`, or the sign for an unknown one.
pub fn or_unknown<T>(value: Option<T>, f: impl FnOnce(T) -> String) -> String {
    value.map_or_else(|| UNKNOWN.to_owned(), f)
}

/// Returns an energy in kWh.
pub fn kwh(joules: f64) -> String {
    number(joules / 3.6e6)
}

/// Returns a ratio in percent with one decimal.
pub fn percent(ratio: f64) -> String {
    let text = format!("{:.1}", ratio * 100.0);
    if text == "-0.0" { "0.0".to_owned() } else { text }
}

/// Returns a ratio in percent with its interval: `84.2 % (73.0 to 95.4)`.
pub fn percent_interval(e: &Estimate) -> String {
    format!(
        "{} % ({} to {})",
        percent(e.value),
        percent(e.low),
        percent(e.high)
    )
}

/// Returns a duration as hours, minutes and seconds.
pub fn duration(seconds: f64) -> String {
    let s = seconds.max(0.0).round() as u64;
    let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
    match (h, m) {
        (0, 0) => format!("{s} s"),
        (0, _) => format!("{m} min {s:02} s"),
        _ => format!("{h} h {m:02} min"),
    }
}

/// Returns a time as date and time of day in UTC, to the second.
pub fn time(time_ms: i64) -> String {
    jiff::Timestamp::from_millisecond(time_ms).map_or_else(
        |_| format!("{time_ms} ms"),
        |t| t.strftime("%Y-%m-%d %H:%M:%S").to_string(),
    )
}

/// Returns the name that was probably meant, if one is near enough.
///
/// ```
/// use coldbrake::show::nearest;
/// assert_eq!(nearest("recovery_rato", ["drop_m", "recovery_ratio"]), Some("recovery_ratio"));
/// assert_eq!(nearest("weather", ["drop_m", "recovery_ratio"]), None);
/// ```
pub fn nearest<'a>(name: &str, names: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    names
        .into_iter()
        .map(|known| (strsim::jaro_winkler(name, known), known))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, known)| known)
}

impl Units {
    /// Unit of heights.
    pub const fn height_unit(self) -> &'static str {
        match self {
            Self::Metric => "m",
            Self::Us => "ft",
        }
    }

    /// Height in that unit.
    pub fn height(self, metres: f64) -> f64 {
        match self {
            Self::Metric => metres,
            Self::Us => metres / 0.3048,
        }
    }

    /// Unit of distances along the road.
    pub const fn distance_unit(self) -> &'static str {
        match self {
            Self::Metric => "km",
            Self::Us => "mi",
        }
    }

    /// Distance in that unit.
    pub fn distance(self, metres: f64) -> f64 {
        match self {
            Self::Metric => metres * 1e-3,
            Self::Us => metres / 1609.344,
        }
    }

    /// Unit of speeds.
    pub const fn speed_unit(self) -> &'static str {
        match self {
            Self::Metric => "km/h",
            Self::Us => "mph",
        }
    }

    /// Speed in that unit.
    pub fn speed(self, mps: f64) -> f64 {
        match self {
            Self::Metric => mps * 3.6,
            Self::Us => mps / 0.447_04,
        }
    }

    /// Unit of temperatures.
    pub const fn temperature_unit(self) -> &'static str {
        match self {
            Self::Metric => "°C",
            Self::Us => "°F",
        }
    }

    /// Temperature in that unit.
    pub fn temperature(self, celsius: f64) -> f64 {
        match self {
            Self::Metric => celsius,
            Self::Us => celsius * 1.8 + 32.0,
        }
    }

    /// Unit of masses.
    pub const fn mass_unit(self) -> &'static str {
        match self {
            Self::Metric => "kg",
            Self::Us => "lb",
        }
    }

    /// Mass in that unit.
    pub fn mass(self, kilograms: f64) -> f64 {
        match self {
            Self::Metric => kilograms,
            Self::Us => kilograms / 0.453_592_37,
        }
    }
}

/// Returns a count with its word.
pub fn count(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Returns what made a descent begin, in words.
pub const fn start_reason(reason: StartReason) -> &'static str {
    match reason {
        StartReason::Crest => "the road turned down here",
        StartReason::RecordStart => "the record begins on the way down",
        StartReason::AfterGap => "the record goes on after a gap, on the way down",
    }
}

/// Returns what made a descent end, in words.
pub const fn end_reason(reason: EndReason) -> &'static str {
    match reason {
        EndReason::Climb => "lowest point, the road climbed after it",
        EndReason::Level => "lowest point, the road went on without going lower",
        EndReason::Standstill => "the vehicle stood still for long",
        EndReason::DataGap => "samples are missing after it",
        EndReason::ClockJump => "the vehicle's clock jumped after it",
        EndReason::SessionEnd => "lowest point before the record ended",
    }
}

/// Returns a cause of friction in words.
pub const fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::SlipControl => "wheel-slip control",
        Cause::HardBraking => "hard braking",
        Cause::LowSpeed => "low speed, recovery blended out",
        Cause::BatteryFull => "battery full",
        Cause::BatteryCold => "battery cold",
        Cause::PowerLimited => "beyond the largest recovery power",
        Cause::Unexplained => "unexplained",
    }
}

/// Returns where a mass came from, in words.
pub const fn mass_source(source: MassSource) -> &'static str {
    match source {
        MassSource::Reported => "reported by the vehicle",
        MassSource::Declared => "declared for the trip",
        MassSource::Class => "of the vehicle class",
        MassSource::Estimated => "estimated from driving",
    }
}

/// Returns what a flag means to a reader.
pub const fn flag(flag: Flag) -> &'static str {
    match flag {
        Flag::BridgedGap => "a gap in the data was bridged",
        Flag::ClockJump => "the vehicle's clock jumped",
        Flag::AltitudeStep => "a step of altitude that no road has was taken out",
        Flag::AltitudeFrozen => "the altitude stood still on the move, as in a tunnel",
        Flag::VoltageAssumed => "no voltage was sent: that of the class stands in",
        Flag::ChargeFromVoltage => "the state of charge was found from the voltage",
        Flag::MassAssumed => "no mass was sent: that of the class stands in",
        Flag::LowCoverage => "samples cover less than 95 % of the time",
        Flag::PoorClosure => "the energy account leaves over 5 % open",
        Flag::FrictionByBalance => "friction was found from the balance: no basis for an alarm",
        Flag::BatchRefused => "a batch inside was refused",
    }
}

/// The caution that goes with every estimate of temperature, wear or risk.
pub const CAUTION: &str = "Estimate from telemetry, not an inspection. Follow local rules, the manufacturer's \
                           instructions and a qualified technician.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_three_digits() {
        for (value, text) in [
            (0.0, "0"),
            (-0.000_000_000_1, "0"),
            (1234.5, "1234"),
            (99.95, "100"),
            (9.996, "10.0"),
            (0.5, "0.500"),
            (-12.34, "-12.3"),
        ] {
            assert_eq!(number(value), text, "{value}");
        }
        assert_eq!(number(f64::NAN), UNKNOWN);
    }

    #[test]
    fn fifty_two_fahrenheit_is_eleven_celsius() {
        // Common practice, no source: the conversion as a driver quotes it.
        assert_eq!(number(((52.0_f64 - 32.0) / 1.8).round()), "11.0");
        assert!((Units::Us.temperature(11.0) - 51.8).abs() < 1e-9);
    }

    #[test]
    fn durations_read_well() {
        assert_eq!(duration(42.4), "42 s");
        assert_eq!(duration(725.0), "12 min 05 s");
        assert_eq!(duration(7260.0), "2 h 01 min");
    }
}
