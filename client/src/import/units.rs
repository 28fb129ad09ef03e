//! Units of log files, turned into the engine's at this edge.

/// What a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dimension {
    Time,
    Speed,
    Length,
    Pressure,
    Torque,
    Current,
    Voltage,
    Power,
    Temperature,
    Mass,
    Angle,
    Fraction,
    Switch,
}

impl Dimension {
    /// For messages: "is a unit of ...".
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Speed => "speed",
            Self::Length => "length",
            Self::Pressure => "pressure",
            Self::Torque => "torque",
            Self::Current => "electric current",
            Self::Voltage => "voltage",
            Self::Power => "power",
            Self::Temperature => "temperature",
            Self::Mass => "mass",
            Self::Angle => "angle",
            Self::Fraction => "fractions",
            Self::Switch => "switches",
        }
    }
}

/// A unit: engine value = value × `factor` + `offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Unit {
    /// As people write it.
    pub(crate) symbol: &'static str,
    /// What it measures.
    pub(crate) dimension: Dimension,
    factor: f64,
    offset: f64,
}

impl Unit {
    /// Returns what a value is multiplied by; of a unit of time, its milliseconds.
    pub(crate) const fn factor(self) -> f64 {
        self.factor
    }

    /// Returns what is added after that.
    pub(crate) const fn offset(self) -> f64 {
        self.offset
    }
}

const fn unit(symbol: &'static str, dimension: Dimension, factor: f64, offset: f64) -> Unit {
    Unit {
        symbol,
        dimension,
        factor,
        offset,
    }
}

/// Units with the ways in which logs write them, in the form of [`normal`]. Factors are exact by definition (mile,
/// foot, pound: international yard and pound agreement of 1959) except psi, which follows from pound and inch.
const UNITS: &[(Unit, &[&str])] = &[
    (
        unit("s", Dimension::Time, 1e3, 0.0),
        &["s", "sec", "secs", "second", "seconds"],
    ),
    (
        unit("ms", Dimension::Time, 1.0, 0.0),
        &["ms", "msec", "millisecond", "milliseconds"],
    ),
    (
        unit("µs", Dimension::Time, 1e-3, 0.0),
        &["us", "µs", "μs", "microsecond", "microseconds"],
    ),
    (
        unit("ns", Dimension::Time, 1e-6, 0.0),
        &["ns", "nanosecond", "nanoseconds"],
    ),
    (
        unit("min", Dimension::Time, 60e3, 0.0),
        &["min", "minute", "minutes"],
    ),
    (
        unit("m/s", Dimension::Speed, 1.0, 0.0),
        &["m/s", "mps", "m_s", "m_per_s"],
    ),
    (
        unit("km/h", Dimension::Speed, 1.0 / 3.6, 0.0),
        &["km/h", "kmh", "kph", "kmph", "km_h", "km_per_h"],
    ),
    (
        unit("mph", Dimension::Speed, 0.447_04, 0.0),
        &["mph", "mi/h", "mi_h"],
    ),
    (
        unit("m", Dimension::Length, 1.0, 0.0),
        &["m", "metre", "metres", "meter", "meters"],
    ),
    (unit("km", Dimension::Length, 1e3, 0.0), &["km"]),
    (
        unit("ft", Dimension::Length, 0.304_8, 0.0),
        &["ft", "foot", "feet"],
    ),
    (unit("bar", Dimension::Pressure, 1.0, 0.0), &["bar"]),
    (unit("kPa", Dimension::Pressure, 0.01, 0.0), &["kpa"]),
    (unit("MPa", Dimension::Pressure, 10.0, 0.0), &["mpa"]),
    (
        unit("psi", Dimension::Pressure, 0.068_947_572_931_683_6, 0.0),
        &["psi"],
    ),
    (unit("N·m", Dimension::Torque, 1.0, 0.0), &["nm", "n_m"]),
    (unit("kN·m", Dimension::Torque, 1e3, 0.0), &["knm"]),
    (
        unit("A", Dimension::Current, 1.0, 0.0),
        &["a", "amp", "amps", "ampere", "amperes"],
    ),
    (unit("mA", Dimension::Current, 1e-3, 0.0), &["ma"]),
    (unit("V", Dimension::Voltage, 1.0, 0.0), &["v", "volt", "volts"]),
    (unit("W", Dimension::Power, 1.0, 0.0), &["w", "watt", "watts"]),
    (unit("kW", Dimension::Power, 1e3, 0.0), &["kw"]),
    (
        unit("°C", Dimension::Temperature, 1.0, 0.0),
        &["°c", "degc", "deg_c", "c", "cel", "celsius"],
    ),
    (
        unit("°F", Dimension::Temperature, 5.0 / 9.0, -160.0 / 9.0),
        &["°f", "degf", "deg_f", "f", "fahrenheit"],
    ),
    (unit("K", Dimension::Temperature, 1.0, -273.15), &["k", "kelvin"]),
    (unit("kg", Dimension::Mass, 1.0, 0.0), &["kg"]),
    (unit("t", Dimension::Mass, 1e3, 0.0), &["t", "tonne", "tonnes"]),
    (unit("lb", Dimension::Mass, 0.453_592_37, 0.0), &["lb", "lbs"]),
    (
        unit("°", Dimension::Angle, 1.0, 0.0),
        &["°", "deg", "degree", "degrees"],
    ),
    (unit("1", Dimension::Fraction, 1.0, 0.0), &["1", "fraction"]),
    (
        unit("%", Dimension::Fraction, 0.01, 0.0),
        &["%", "percent", "pct"],
    ),
    (
        unit("0/1", Dimension::Switch, 1.0, 0.0),
        &["0/1", "bool", "boolean", "on/off", "true/false"],
    ),
];

/// Returns the text in the form in which units are compared: no spaces, brackets, dots or stars, lower case.
fn normal(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_whitespace() && !"[]()·⋅*.".contains(*c))
        .flat_map(char::to_lowercase)
        .collect()
}

/// Returns the unit of that text among those that measure one of `dimensions`. The error says what is known.
pub(crate) fn parse(text: &str, dimensions: &[Dimension]) -> Result<Unit, String> {
    let wanted = normal(text);
    let of_name = |(_, names): &&(Unit, &[&str])| names.contains(&wanted.as_str());
    if let Some((unit, _)) = UNITS
        .iter()
        .filter(of_name)
        .find(|(unit, _)| dimensions.contains(&unit.dimension))
    {
        return Ok(*unit);
    }
    Err(match UNITS.iter().find(of_name) {
        Some((unit, _)) => {
            format!(
                "`{text}` is a unit of {}: give {}",
                unit.dimension.name(),
                symbols(dimensions)
            )
        }
        None => format!("the unit `{text}` is not known: give {}", symbols(dimensions)),
    })
}

/// Returns whether the text is a unit of anything.
pub(crate) fn is_unit(text: &str) -> bool {
    let wanted = normal(text);
    UNITS.iter().any(|(_, names)| names.contains(&wanted.as_str()))
}

/// Returns the unit that the end of a column's name says, for example `_kmh`; the longest that fits.
pub(crate) fn from_suffix(name: &str, dimensions: &[Dimension]) -> Option<Unit> {
    let name = name.to_lowercase();
    UNITS
        .iter()
        .filter(|(unit, _)| dimensions.contains(&unit.dimension))
        .flat_map(|(unit, names)| names.iter().map(move |suffix| (unit, *suffix)))
        .filter(|(_, suffix)| suffix.starts_with(|c: char| c.is_ascii_alphabetic()))
        .filter(|(_, suffix)| name.strip_suffix(suffix).is_some_and(|rest| rest.ends_with('_')))
        .max_by_key(|(_, suffix)| suffix.len())
        .map(|(unit, _)| *unit)
}

/// Returns the name without a unit in brackets at its end, and that unit: `Speed [km/h]` is `Speed` in `km/h`.
pub(crate) fn split_brackets(name: &str) -> (&str, Option<&str>) {
    for (open, close) in [('[', ']'), ('(', ')')] {
        if let Some(inner) = name.strip_suffix(close)
            && let Some((base, unit)) = inner.rsplit_once(open)
            && !base.trim().is_empty()
        {
            return (base.trim_end(), Some(unit));
        }
    }
    (name, None)
}

/// Returns the symbols of the units that measure one of `dimensions`, for messages.
pub(crate) fn symbols(dimensions: &[Dimension]) -> String {
    let all: Vec<_> = UNITS
        .iter()
        .filter(|(unit, _)| dimensions.contains(&unit.dimension))
        .map(|(unit, _)| unit.symbol)
        .collect();
    match all.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        Some((last, _)) => (*last).to_owned(),
        None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn convert(text: &str, dimension: Dimension, value: f64) -> f64 {
        let unit = parse(text, &[dimension]).unwrap();
        value * unit.factor() + unit.offset()
    }

    /// Conversion factors of ISO 80000-3 and -4 and of the yard and pound agreement.
    #[test]
    fn units_are_converted() {
        let cases = [
            ("km/h", Dimension::Speed, 36.0, 10.0),
            ("mph", Dimension::Speed, 100.0, 44.704),
            ("ft", Dimension::Length, 1000.0, 304.8),
            ("km", Dimension::Length, 1.5, 1500.0),
            ("kPa", Dimension::Pressure, 250.0, 2.5),
            ("MPa", Dimension::Pressure, 1.0, 10.0),
            ("psi", Dimension::Pressure, 14.503_773_773, 1.0),
            ("kN·m", Dimension::Torque, 1.2, 1200.0),
            ("mA", Dimension::Current, -1500.0, -1.5),
            ("kW", Dimension::Power, 3.3, 3300.0),
            ("°F", Dimension::Temperature, 212.0, 100.0),
            ("°F", Dimension::Temperature, 52.0, 100.0 / 9.0),
            ("K", Dimension::Temperature, 273.15, 0.0),
            ("t", Dimension::Mass, 18.0, 18_000.0),
            ("lb", Dimension::Mass, 1000.0, 453.592_37),
            ("%", Dimension::Fraction, 55.0, 0.55),
        ];
        for (text, dimension, value, expected) in cases {
            let got = convert(text, dimension, value);
            assert!(
                (got - expected).abs() < 1e-9,
                "{value} {text} is {got}, not {expected}"
            );
        }
    }

    #[test]
    fn spellings_of_one_unit_mean_the_same() {
        for text in ["N·m", "Nm", "N*m", "[N.m]", "n_m"] {
            assert_eq!(parse(text, &[Dimension::Torque]).unwrap().symbol, "N·m", "{text}");
        }
        for text in ["°C", "degC", "Cel", "C", "Celsius", "(°C)"] {
            assert_eq!(
                parse(text, &[Dimension::Temperature]).unwrap().symbol,
                "°C",
                "{text}"
            );
        }
        assert_eq!(parse("[degF]", &[Dimension::Temperature]).unwrap().symbol, "°F");
    }

    #[test]
    fn a_wrong_unit_says_which_are_right() {
        let wrong = parse("bar", &[Dimension::Speed]).unwrap_err();
        assert_eq!(wrong, "`bar` is a unit of pressure: give m/s, km/h or mph");
        let unknown = parse("furlong", &[Dimension::Length]).unwrap_err();
        assert_eq!(unknown, "the unit `furlong` is not known: give m, km or ft");
    }

    #[test]
    fn a_suffix_counts_only_after_an_underscore_and_for_its_own_dimension() {
        let speed = &[Dimension::Speed];
        assert_eq!(from_suffix("speed_kmh", speed).unwrap().symbol, "km/h");
        assert_eq!(from_suffix("veh_speed_km_h", speed).unwrap().symbol, "km/h");
        assert!(from_suffix("speedkmh", speed).is_none());
        assert!(from_suffix("speed_v", speed).is_none());
        assert_eq!(
            from_suffix("pack_current_a", &[Dimension::Current])
                .unwrap()
                .symbol,
            "A"
        );
        assert_eq!(from_suffix("I_mA", &[Dimension::Current]).unwrap().symbol, "mA");
        assert!(from_suffix("data", &[Dimension::Current]).is_none());
    }

    #[test]
    fn brackets_hold_a_unit() {
        assert_eq!(split_brackets("Speed [km/h]"), ("Speed", Some("km/h")));
        assert_eq!(split_brackets("Alt(m)"), ("Alt", Some("m")));
        assert_eq!(split_brackets("[m]"), ("[m]", None));
        assert_eq!(split_brackets("Speed"), ("Speed", None));
    }
}
