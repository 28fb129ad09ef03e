//! Roads over invented passes: gradient by distance, with the altitude in closed form.

/// Length over which the gradient passes from one section to the next, m.
const TRANSITION_M: f64 = 60.0;
/// Level road before the first section and after the last, m. Longer than what ends a descent, and with a faint climb,
/// so that the foot is the lowest point.
const LEVEL_M: f64 = 1300.0;
/// Gradient of level stretches.
const LEVEL_GRADIENT: f64 = 0.004;

/// One side of a pass, from the foot to the crest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side {
    /// Sections from the foot upwards: length, m, and gradient, rise over run.
    pub sections: &'static [(f64, f64)],
    /// Number of hairpin bends, evenly spread.
    pub hairpins: u32,
    /// Radius of the hairpin bends, m.
    pub radius_m: f64,
}

impl Side {
    /// Returns the length of the sections, m.
    pub fn length_m(&self) -> f64 {
        self.sections.iter().map(|(length, _)| length).sum()
    }

    /// Returns the mean gradient of the sections.
    pub fn gradient(&self) -> f64 {
        self.sections
            .iter()
            .map(|(length, gradient)| length * gradient)
            .sum::<f64>()
            / self.length_m()
    }
}

/// A pass between two valleys.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pass {
    /// Invented name.
    pub name: &'static str,
    /// Altitude of the western foot, m.
    pub west_foot_m: f64,
    /// Western side.
    pub west: Side,
    /// Length of the crest, m.
    pub crest_m: f64,
    /// Eastern side.
    pub east: Side,
}

/// Where a vehicle drives over a pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Up the western side, down the eastern one.
    Eastward,
    /// Up the eastern side, down the western one.
    Westward,
    /// From the depot at the crest down the eastern side.
    FromCrest,
}

/// A place on a road where speed is limited.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bend {
    /// Distance from the begin of the road, m.
    pub at_m: f64,
    /// Radius, m.
    pub radius_m: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Knot {
    at_m: f64,
    gradient: f64,
    altitude_m: f64,
}

/// A road by distance. Between knots the gradient changes in a straight line; before the first and after the last it is
/// that of the knot.
///
/// ```
/// use coldbrake::demo::road::Road;
/// let road = Road::new(900.0, &[(1000.0, 0.0), (5000.0, -0.06), (1000.0, 0.0)], Vec::new());
/// // Smoothing the change of gradient moves neither the height nor the length.
/// assert!((road.altitude(7000.0) - 600.0).abs() < 1e-9);
/// assert_eq!(road.gradient(3000.0), -0.06);
/// ```
#[derive(Clone, Debug, PartialEq)]
pub struct Road {
    knots: Vec<Knot>,
    length_m: f64,
    bends: Vec<Bend>,
}

impl Road {
    /// Returns the road that begins at an altitude and runs over sections of (length, gradient), each at least 60 m long.
    pub fn new(altitude_m: f64, sections: &[(f64, f64)], bends: Vec<Bend>) -> Self {
        let first = sections.first().map_or(0.0, |(_, gradient)| *gradient);
        let mut knots = vec![Knot {
            at_m: 0.0,
            gradient: first,
            altitude_m,
        }];
        let mut at = 0.0;
        for pair in sections.windows(2) {
            let [(length, before), (_, after)] = pair else {
                continue;
            };
            at += length;
            for (at_m, gradient) in [
                (at - TRANSITION_M / 2.0, *before),
                (at + TRANSITION_M / 2.0, *after),
            ] {
                push_knot(&mut knots, at_m, gradient);
            }
        }
        let length_m = sections.iter().map(|(length, _)| length).sum();
        Self {
            knots,
            length_m,
            bends,
        }
    }

    /// Returns the road over a pass.
    pub fn over(pass: &Pass, way: Way) -> Self {
        let (up, down) = match way {
            Way::Eastward => (Some(pass.west), pass.east),
            Way::Westward => (Some(pass.east), pass.west),
            Way::FromCrest => (None, pass.east),
        };
        let rise = |side: &Side| side.length_m() * side.gradient();
        let crest = pass.west_foot_m + rise(&pass.west);
        let begin = crest - up.map_or(0.0, |side| rise(&side));
        let mut sections = vec![(LEVEL_M, LEVEL_GRADIENT)];
        let mut bends = Vec::new();
        let mut at = LEVEL_M;
        if let Some(up) = up {
            sections.extend(up.sections);
            add_bends(&mut bends, at, &up);
            at += up.length_m();
            sections.push((pass.crest_m, LEVEL_GRADIENT));
            at += pass.crest_m;
        }
        sections.extend(
            down.sections
                .iter()
                .rev()
                .map(|(length, gradient)| (*length, -gradient)),
        );
        add_bends(&mut bends, at, &down);
        sections.push((LEVEL_M, LEVEL_GRADIENT));
        Self::new(begin, &sections, bends)
    }

    /// Returns the length, m.
    pub fn length_m(&self) -> f64 {
        self.length_m
    }

    /// Returns the bends, in the order of the road.
    pub fn bends(&self) -> &[Bend] {
        &self.bends
    }

    fn piece(&self, at_m: f64) -> (Knot, Option<Knot>) {
        let next = self.knots.partition_point(|k| k.at_m <= at_m).max(1);
        (self.knots[next - 1], self.knots.get(next).copied())
    }

    /// Returns the gradient at a distance, rise over run.
    pub fn gradient(&self, at_m: f64) -> f64 {
        match self.piece(at_m) {
            (k, Some(next)) if at_m > k.at_m => {
                k.gradient + (next.gradient - k.gradient) * (at_m - k.at_m) / (next.at_m - k.at_m)
            }
            (k, _) => k.gradient,
        }
    }

    /// Returns the altitude at a distance, m: the integral of the gradient, without error of integration.
    pub fn altitude(&self, at_m: f64) -> f64 {
        let (k, _) = self.piece(at_m);
        k.altitude_m + 0.5 * (k.gradient + self.gradient(at_m)) * (at_m - k.at_m)
    }

    /// Returns the stretches on which the road falls by at least `drop_m`, from the top to the foot of each, as distances
    /// from the begin. Climbs of less than 15 m inside are part of a stretch.
    pub fn falls(&self, drop_m: f64) -> Vec<(f64, f64)> {
        const CLIMB_M: f64 = 15.0;
        let mut points: Vec<f64> = vec![0.0, self.length_m];
        for pair in self.knots.windows(2) {
            let [a, b] = pair else { continue };
            points.push(b.at_m);
            // Where the gradient passes through zero: a top or a foot.
            if a.gradient * b.gradient < 0.0 {
                points.push(a.at_m + (b.at_m - a.at_m) * a.gradient / (a.gradient - b.gradient));
            }
        }
        points.sort_by(f64::total_cmp);
        let mut found = Vec::new();
        let (mut top, mut foot) = (0.0, 0.0);
        for at in points {
            let height = self.altitude(at);
            if height > self.altitude(top) || height > self.altitude(foot) + CLIMB_M {
                if self.altitude(top) - self.altitude(foot) >= drop_m {
                    found.push((top, foot));
                }
                (top, foot) = (at, at);
            } else if height < self.altitude(foot) {
                foot = at;
            }
        }
        if self.altitude(top) - self.altitude(foot) >= drop_m {
            found.push((top, foot));
        }
        found
    }
}

fn push_knot(knots: &mut Vec<Knot>, at_m: f64, gradient: f64) {
    if let Some(last) = knots.last().copied() {
        let altitude_m = last.altitude_m + 0.5 * (last.gradient + gradient) * (at_m - last.at_m);
        knots.push(Knot {
            at_m,
            gradient,
            altitude_m,
        });
    }
}

fn add_bends(bends: &mut Vec<Bend>, from_m: f64, side: &Side) {
    let spacing = side.length_m() / f64::from(side.hairpins + 1);
    bends.extend((1..=side.hairpins).map(|i| Bend {
        at_m: from_m + spacing * f64::from(i),
        radius_m: side.radius_m,
    }));
}

#[cfg(test)]
mod tests {
    use super::*;

    const PASS: Pass = Pass {
        name: "test",
        west_foot_m: 700.0,
        west: Side {
            sections: &[(3000.0, 0.05), (400.0, -0.01), (2000.0, 0.07)],
            hairpins: 3,
            radius_m: 15.0,
        },
        crest_m: 250.0,
        east: Side {
            sections: &[(4000.0, 0.06)],
            hairpins: 4,
            radius_m: 13.0,
        },
    };

    #[test]
    fn the_altitude_is_the_integral_of_the_gradient() {
        let road = Road::over(&PASS, Way::Eastward);
        let mut height = road.altitude(0.0);
        let step = 0.05;
        let mut at = 0.0;
        while at < road.length_m() {
            height += road.gradient(at + step / 2.0) * step;
            at += step;
            assert!(
                (road.altitude(at) - height).abs() < 1e-4,
                "{at}: {} {height}",
                road.altitude(at)
            );
        }
    }

    #[test]
    fn both_ways_meet_at_the_crest_and_fall_by_their_side() {
        for (way, rise) in [(Way::Eastward, 286.0), (Way::Westward, 240.0)] {
            let road = Road::over(&PASS, way);
            let falls = road.falls(50.0);
            assert_eq!(falls.len(), 1, "{way:?}");
            let (top, foot) = falls[0];
            let drop = road.altitude(top) - road.altitude(foot);
            let expected = 526.0 - rise;
            // The transitions round top and foot off by less than half a metre each.
            assert!((drop - expected).abs() < 1.0, "{way:?} {drop} {expected}");
            assert!(road.gradient(top).abs() < 1e-9 && road.gradient(foot).abs() < 1e-9);
        }
        let from_crest = Road::over(&PASS, Way::FromCrest);
        assert_eq!(from_crest.falls(50.0).len(), 1);
        assert_eq!(from_crest.bends().len(), 4);
    }
}
