//! What must be alike for two descents to be compared.
//!
//! Bands are half-open: a value on an edge belongs to the upper band. They are choices of this program, not standards,
//! except where a source stands. An edge that cuts through like descents costs strength, never correctness.

use std::fmt;

use super::Ungraded;
use crate::record::Descent;

/// Battery charge at the top of the descent: how much of the braking energy the battery can take depends on it, and ever
/// more so towards full (common practice, no source).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ChargeBand {
    /// Below 80 %.
    Below80,
    /// 80 to below 90 %.
    From80,
    /// 90 to below 95 %.
    From90,
    /// 95 % and more.
    From95,
    /// Not known: compared among themselves.
    Unknown,
}

impl ChargeBand {
    /// Returns the band of a state of charge, 0 to 1.
    ///
    /// ```
    /// # use coldbrake_engine::comparison::bands::ChargeBand;
    /// assert_eq!(ChargeBand::of(Some(0.9)), ChargeBand::From90);
    /// assert_eq!(ChargeBand::of(Some(0.899)).to_string(), "charge 80 to 90 %");
    /// ```
    pub fn of(state_of_charge: Option<f64>) -> Self {
        match state_of_charge {
            Some(s) if s < 0.80 => Self::Below80,
            Some(s) if s < 0.90 => Self::From80,
            Some(s) if s < 0.95 => Self::From90,
            Some(s) if s >= 0.95 => Self::From95,
            _ => Self::Unknown,
        }
    }
}

impl fmt::Display for ChargeBand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Below80 => "charge below 80 %",
            Self::From80 => "charge 80 to 90 %",
            Self::From90 => "charge 90 to 95 %",
            Self::From95 => "charge 95 % and more",
            Self::Unknown => "charge not known",
        })
    }
}

/// Mass between two neighbours of the series R10 of preferred numbers (ISO 3, from memory): about a quarter apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MassBand(i16);

/// One decade of the series R10.
const R10: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0];

impl MassBand {
    /// Returns the band of a mass, kg.
    ///
    /// ```
    /// # use coldbrake_engine::comparison::bands::MassBand;
    /// assert_eq!(MassBand::of(2500.0).to_string(), "2.5 to 3.15 t");
    /// assert_eq!(MassBand::of(2499.9), MassBand::of(2000.0));
    /// assert_eq!(MassBand::of(39_000.0).to_string(), "31.5 to 40 t");
    /// ```
    pub fn of(mass_kg: f64) -> Self {
        let tonnes = mass_kg * 1e-3;
        // Vehicles stand well inside 0.1 to 1000 t; anything else shares the outermost bands.
        let band = (-10_i16..30).rev().find(|&band| tonnes >= Self(band).lower_t());
        Self(band.unwrap_or(-10))
    }

    fn lower_t(self) -> f64 {
        let decade = self.0.div_euclid(10);
        let step = R10[usize::from(self.0.rem_euclid(10).unsigned_abs())];
        // Dividing keeps the decimal: 2.5/10 is 0.25, where 2.5·0.1 is not quite.
        if decade < 0 {
            step / 10_f64.powi(-i32::from(decade))
        } else {
            step * 10_f64.powi(i32::from(decade))
        }
    }
}

impl fmt::Display for MassBand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {} t", self.lower_t(), Self(self.0 + 1).lower_t())
    }
}

/// The road: a known grade, or how far and how steeply down.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Road {
    /// A known grade.
    Grade(String),
    /// No known grade: drop from 50·2^k to below 50·2^(k+1) m, mean gradient in bands of 2 %.
    Like {
        /// k, at least 0: smaller drops count as 0.
        drop: u8,
        /// Number of the gradient band: 0 is below 2 %, 5 is 10 % and more.
        gradient: u8,
    },
}

impl Road {
    /// Returns the road of a descent; `None` where it has no known grade and those are left out.
    pub fn of(d: &Descent, ungraded: Ungraded) -> Option<Self> {
        match (&d.grade, ungraded) {
            (Some(grade), _) => Some(Self::Grade(grade.clone())),
            (None, Ungraded::LeftOut) => None,
            (None, Ungraded::ByDrop) => Some(Self::Like {
                drop: (1..8).rev().find(|&k| d.drop_m >= lower_drop_m(k)).unwrap_or(0),
                gradient: (-d.mean_gradient / 0.02).clamp(0.0, 5.0) as u8,
            }),
        }
    }
}

fn lower_drop_m(k: u8) -> f64 {
    50.0 * f64::from(1_u32 << k.min(20))
}

impl fmt::Display for Road {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (drop, gradient) = match self {
            Self::Grade(grade) => return f.write_str(grade),
            Self::Like { drop, gradient } => (*drop, *gradient),
        };
        match drop {
            0 => write!(f, "drop below {} m", lower_drop_m(1))?,
            7 => write!(f, "drop from {} m", lower_drop_m(7))?,
            k => write!(f, "drop {} to {} m", lower_drop_m(k), lower_drop_m(k + 1))?,
        }
        match gradient {
            5 => f.write_str(", 10 % and steeper"),
            g => write!(f, ", {} to {} %", 2 * g, 2 * g + 2),
        }
    }
}

/// All that must be alike: the stratum.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Likeness {
    /// The road.
    pub road: Road,
    /// Vehicle class.
    pub vehicle_class: String,
    /// Charge at the top.
    pub charge: ChargeBand,
    /// Mass.
    pub mass: MassBand,
    /// The vehicle, where only descents of one vehicle are compared.
    pub vehicle: Option<String>,
}

impl Likeness {
    /// Returns the stratum of a descent; `None` where it has no known grade and those are left out.
    pub fn of(d: &Descent, ungraded: Ungraded, within_vehicles: bool) -> Option<Self> {
        Some(Self {
            road: Road::of(d, ungraded)?,
            vehicle_class: d.vehicle_class.clone(),
            charge: ChargeBand::of(d.state_of_charge_start),
            mass: MassBand::of(d.mass_kg),
            vehicle: within_vehicles.then(|| d.vehicle.clone()),
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn bands_begin_at_their_lower_edge() {
        for (charge, band) in [
            (0.0, ChargeBand::Below80),
            (0.7999, ChargeBand::Below80),
            (0.8, ChargeBand::From80),
            (0.95, ChargeBand::From95),
            (1.0, ChargeBand::From95),
            (f64::NAN, ChargeBand::Unknown),
        ] {
            assert_eq!(ChargeBand::of(Some(charge)), band, "{charge}");
        }
        assert_eq!(ChargeBand::of(None), ChargeBand::Unknown);
    }

    #[test]
    fn roads_without_a_grade_are_told_by_drop_and_gradient() {
        let road = |drop, gradient| Road::Like { drop, gradient }.to_string();
        assert_eq!(road(0, 0), "drop below 100 m, 0 to 2 %");
        assert_eq!(road(2, 3), "drop 200 to 400 m, 6 to 8 %");
        assert_eq!(road(7, 5), "drop from 6400 m, 10 % and steeper");
    }

    proptest! {
        #[test]
        fn a_mass_lies_inside_its_band(mass_kg in 150.0_f64..900e3) {
            let band = MassBand::of(mass_kg);
            prop_assert!(band.lower_t() * 1e3 <= mass_kg * (1.0 + 1e-12));
            prop_assert!(mass_kg < MassBand(band.0 + 1).lower_t() * 1e3);
            prop_assert!(MassBand(band.0 + 1).lower_t() / band.lower_t() < 1.3);
        }
    }

    #[test]
    fn no_mass_breaks_it() {
        for mass in [f64::NAN, -1.0, 0.0, f64::INFINITY] {
            let _ = MassBand::of(mass).to_string();
        }
    }
}
