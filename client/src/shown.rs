//! Values of a metric for people: in the unit of choice, with the decimals that fit all of them.

use coldbrake_engine::Metric;

use crate::{printer::Units, show};

/// How the values of a metric are shown to people.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Shown {
    /// Unit, `%` for a ratio.
    pub(crate) unit: &'static str,
    /// Value 0 and value 1 of the metric in that unit.
    zero: f64,
    one: f64,
    /// Decimals of all values: those that give the typical one three digits.
    places: usize,
}

impl Shown {
    /// Returns how values are shown of which `typical` is one.
    pub(crate) fn of(metric: Metric, units: Units, typical: f64) -> Self {
        let (unit, zero, one) = match metric.scale().unit {
            "" => ("%", 0.0, 100.0),
            "J" => ("kWh", 0.0, 1.0 / 3.6e6),
            "W" => ("kW", 0.0, 1e-3),
            "s" => ("min", 0.0, 1.0 / 60.0),
            "m" => (units.height_unit(), 0.0, units.height(1.0)),
            "°C" => (
                units.temperature_unit(),
                units.temperature(0.0),
                units.temperature(1.0),
            ),
            other => (other, 0.0, 1.0),
        };
        let mut shown = Self {
            unit,
            zero,
            one,
            places: 1,
        };
        if unit != "%" {
            let text = show::number(shown.value(typical));
            shown.places = text.split_once('.').map_or(0, |(_, rest)| rest.len());
        }
        shown
    }

    /// Returns a value in the unit.
    pub(crate) fn value(&self, value: f64) -> f64 {
        // The order keeps what a plain conversion gives: 0.3048 m is 1 ft.
        match self.unit {
            "kWh" => value / 3.6e6,
            "min" => value / 60.0,
            _ => self.zero + value * (self.one - self.zero),
        }
    }

    /// Returns a value as text.
    pub(crate) fn text(&self, value: f64) -> String {
        self.rounded(self.value(value))
    }

    /// Returns a difference of two values as text with its sign. A degree of difference is no degree on the scale.
    pub(crate) fn difference(&self, value: f64) -> String {
        let text = self.rounded(self.value(value) - self.value(0.0));
        if text.starts_with('-') || text.bytes().all(|b| b == b'0' || b == b'.') {
            text
        } else {
            format!("+{text}")
        }
    }

    /// Returns the unit of a difference.
    pub(crate) fn difference_unit(&self) -> &'static str {
        if self.unit == "%" { "points" } else { self.unit }
    }

    fn rounded(&self, shown: f64) -> String {
        let text = format!("{:.*}", self.places, shown);
        let is_zero = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
        if is_zero {
            text.trim_start_matches('-').to_owned()
        } else {
            text
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_of_temperatures_is_no_temperature() {
        let shown = Shown::of(Metric::BrakeTemperaturePeak, Units::Us, 150.0);
        assert_eq!((shown.text(100.0), shown.unit), ("212".to_owned(), "°F"));
        assert_eq!(shown.difference(10.0), "+18");
    }

    #[test]
    fn ratios_are_percent_and_differ_by_points() {
        let shown = Shown::of(Metric::FrictionShare, Units::Metric, 0.05);
        assert_eq!(shown.text(0.0512), "5.1");
        assert_eq!(
            (shown.difference(-0.031).as_str(), shown.difference_unit()),
            ("-3.1", "points")
        );
        assert_eq!(shown.difference(-0.000_01), "0.0");
    }
}
