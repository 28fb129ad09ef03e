//! How fast the driver wants to go: a speed by distance with bends, traffic and gentle accelerations.

use super::road::Road;

/// Distance between the points of a plan, m.
const GRID_M: f64 = 5.0;
/// Points on either side that a plan is smoothed over: accelerations then come and go over 30 m.
const SMOOTH: usize = 3;
/// How far ahead the driver looks for a slope, m: speed is taken off before it begins.
const AHEAD_M: f64 = 150.0;
/// Slowest planned speed, m/s: a vehicle that is to stop does so from here.
const SLOWEST_MPS: f64 = 1.0;

/// How a kind of vehicle is driven.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Style {
    /// Speed on the level, m/s.
    pub level_mps: f64,
    /// Speed on slopes of 6 % and more, downwards, m/s.
    pub down_mps: f64,
    /// Sideways acceleration in bends, m/s².
    pub sideways_mps2: f64,
    /// Largest acceleration, m/s².
    pub accelerate_mps2: f64,
    /// Usual deceleration, m/s².
    pub brake_mps2: f64,
}

impl Style {
    /// Returns the same, driven faster or slower.
    #[must_use]
    pub fn paced(self, factor: f64) -> Self {
        Self {
            level_mps: self.level_mps * factor,
            down_mps: self.down_mps * factor,
            sideways_mps2: self.sideways_mps2 * factor * factor,
            ..self
        }
    }
}

/// Slow traffic on a part of the road.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jam {
    /// Where it begins, m.
    pub from_m: f64,
    /// Where it ends, m.
    pub to_m: f64,
    /// Its speed, m/s.
    pub speed_mps: f64,
    /// How long it stands still in its middle, s.
    pub standing_s: f64,
}

/// The wanted speed by distance.
#[derive(Clone, Debug)]
pub struct Plan {
    speeds: Vec<f64>,
}

impl Plan {
    /// Returns the plan for a road. `uphill_power_w` over `weight_n` limits the speed on climbs.
    pub fn new(road: &Road, style: &Style, jam: Option<&Jam>, uphill_power_w: f64, weight_n: f64) -> Self {
        let points = (road.length_m() / GRID_M).ceil() as usize + 2;
        let at = |i: usize| i as f64 * GRID_M;
        let mut speeds: Vec<f64> = (0..points)
            .map(|i| {
                let gradient = road.gradient(at(i));
                let steep = (-gradient.min(road.gradient(at(i) + AHEAD_M)) / 0.06).clamp(0.0, 1.0);
                let wanted = style.level_mps + (style.down_mps - style.level_mps) * steep;
                // 0.015 stands for rolling and air resistance.
                let climbs = uphill_power_w / (weight_n * (gradient.max(0.0) + 0.015));
                let traffic = jam
                    .filter(|jam| (jam.from_m..jam.to_m).contains(&at(i)))
                    .map_or(f64::INFINITY, |jam| jam.speed_mps);
                wanted.min(climbs).min(traffic)
            })
            .collect();
        for bend in road.bends() {
            let limit = (style.sideways_mps2 * bend.radius_m).sqrt();
            // A bend of half a turn is as long as half the circle.
            let half = 0.5 * std::f64::consts::PI * bend.radius_m;
            let from = ((bend.at_m - half) / GRID_M).floor().max(0.0) as usize;
            let to = ((bend.at_m + half) / GRID_M).ceil() as usize;
            for speed in speeds.iter_mut().take(to + 1).skip(from) {
                *speed = speed.min(limit);
            }
        }
        if let Some(last) = speeds.last_mut() {
            *last = SLOWEST_MPS;
        }
        let mut squares: Vec<f64> = speeds.iter().map(|v| v.max(SLOWEST_MPS).powi(2)).collect();
        for i in 1..points {
            squares[i] = squares[i].min(squares[i - 1] + 2.0 * style.accelerate_mps2 * GRID_M);
        }
        for i in (0..points - 1).rev() {
            squares[i] = squares[i].min(squares[i + 1] + 2.0 * style.brake_mps2 * GRID_M);
        }
        let smooth = |i: usize| {
            let window = &squares[i.saturating_sub(SMOOTH)..(i + SMOOTH + 1).min(points)];
            (window.iter().sum::<f64>() / window.len() as f64).sqrt()
        };
        Self {
            speeds: (0..points).map(smooth).collect(),
        }
    }

    /// Returns the wanted speed at a distance, m/s.
    pub fn speed(&self, at_m: f64) -> f64 {
        let place = (at_m / GRID_M).max(0.0);
        let i = (place as usize).min(self.speeds.len().saturating_sub(2));
        match self.speeds.get(i..i + 2) {
            Some([a, b]) => a + (b - a) * (place - i as f64).min(1.0),
            _ => SLOWEST_MPS,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::road::Bend;

    const STYLE: Style = Style {
        level_mps: 19.0,
        down_mps: 14.0,
        sideways_mps2: 2.2,
        accelerate_mps2: 0.8,
        brake_mps2: 0.9,
    };

    fn road() -> Road {
        Road::new(
            1500.0,
            &[(1000.0, 0.0), (4000.0, -0.07), (1000.0, 0.0)],
            vec![Bend {
                at_m: 3000.0,
                radius_m: 14.0,
            }],
        )
    }

    #[test]
    fn the_plan_keeps_to_level_slope_bend_and_jam() {
        let jam = Jam {
            from_m: 4000.0,
            to_m: 4400.0,
            speed_mps: 1.5,
            standing_s: 0.0,
        };
        let plan = Plan::new(&road(), &STYLE, Some(&jam), 1e6, 35e3);
        assert!((plan.speed(700.0) - 19.0).abs() < 1e-9);
        assert!((plan.speed(2000.0) - 14.0).abs() < 1e-9);
        assert!((plan.speed(3000.0) - (2.2 * 14.0_f64).sqrt()).abs() < 1e-9);
        assert!((plan.speed(4200.0) - 1.5).abs() < 1e-9);
    }

    #[test]
    fn accelerations_stay_within_the_style() {
        let plan = Plan::new(&road(), &STYLE, None, 1e6, 35e3);
        let mut at = 0.0;
        while at < 5900.0 {
            let (a, b) = (plan.speed(at), plan.speed(at + 1.0));
            let acceleration = (b * b - a * a) / 2.0;
            assert!(
                acceleration < 0.85 && acceleration > -0.95,
                "{acceleration} at {at}"
            );
            at += 1.0;
        }
    }

    #[test]
    fn a_climb_is_driven_at_the_power_there_is() {
        let road = Road::new(500.0, &[(500.0, 0.0), (4000.0, 0.08), (500.0, 0.0)], Vec::new());
        let plan = Plan::new(&road, &STYLE, None, 30e3, 35e3);
        assert!((plan.speed(2500.0) - 30e3 / (35e3 * 0.095)).abs() < 1e-9);
    }
}
