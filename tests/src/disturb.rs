//! What real sensors and radio links do to a log, from a seeded generator: the same seed gives the same log.

use coldbrake_engine::Batch;
use fastrand::Rng;

use crate::log;

/// How much of each disturbance; standard deviations unless said.
#[derive(Clone, Copy, Debug)]
pub struct Disturbance {
    /// Of a single altitude sample, m.
    pub altitude_m: f64,
    /// Slow drift of the barometer, m an hour, either way.
    ///
    /// Weather moves air pressure by a few hPa in some hours; 20 m of altitude over 6 h is 2.4 hPa at sea level by the
    /// standard atmosphere (from memory: forecasters call 1.2 hPa in 3 h a slow change).
    pub drift_m_per_h: f64,
    /// Of a speed sample, m/s.
    pub speed_mps: f64,
    /// Of a current sample, A.
    pub current_a: f64,
    /// Share of samples lost one by one.
    pub lost: f64,
    /// One gap of this length, s, at some place of the middle three quarters of the log.
    pub gap_s: f64,
}

impl Default for Disturbance {
    fn default() -> Self {
        Self {
            altitude_m: 1.5,
            drift_m_per_h: 20.0 / 6.0,
            speed_mps: 0.05,
            current_a: 1.0,
            lost: 0.01,
            gap_s: 12.0,
        }
    }
}

/// Returns a number of the standard normal distribution (Box and Muller).
pub fn normal(rng: &mut Rng) -> f64 {
    let radius = (-2.0 * (1.0 - rng.f64()).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.f64()).cos()
}

/// Returns the log as disturbed sensors and a lossy link would have given it.
pub fn disturb(clean: &Batch, how: &Disturbance, seed: u64) -> Batch {
    let mut rng = Rng::with_seed(seed);
    let first = clean.time_ms[0];
    let last = *clean.time_ms.last().unwrap();
    let drift = if rng.bool() {
        how.drift_m_per_h
    } else {
        -how.drift_m_per_h
    };
    let length = (last - first) as f64;
    let gap_from = first + (length * (0.125 + 0.75 * rng.f64())) as i64;
    let gap_to = gap_from + (how.gap_s * 1e3) as i64;

    let mut log = clean.clone();
    for i in 0..log.len() {
        let hours = (log.time_ms[i] - first) as f64 / 3.6e6;
        log.altitude_m[i] += how.altitude_m * normal(&mut rng) + drift * hours;
        // A wheel that stands gives no pulses: standstill stays 0.
        if log.speed_mps[i] > 0.0 {
            log.speed_mps[i] = (log.speed_mps[i] + how.speed_mps * normal(&mut rng)).max(0.0);
        }
        log.current_a[i] += how.current_a * normal(&mut rng);
    }
    let kept: Vec<usize> = (0..log.len())
        .filter(|&i| {
            let lost = rng.f64() < how.lost;
            let in_gap = (gap_from..gap_to).contains(&log.time_ms[i]);
            !lost && !in_gap
        })
        .collect();
    log::select(&log, kept.iter().copied())
}

/// Returns the log at ten times its rate: speed on a straight line inside each interval, altitude straight along the
/// road, and the mean values of the interval (brake, current, voltage) repeated. The energies stay the same.
pub fn ten_times_as_often(log: &Batch) -> Batch {
    let mut rows: Vec<usize> = vec![0];
    for i in 1..log.len() {
        rows.extend(std::iter::repeat_n(i, 10));
    }
    let mut fine = log::select(log, rows.iter().copied());
    for i in 1..log.len() {
        let (v0, v1) = (log.speed_mps[i - 1], log.speed_mps[i]);
        let (h0, h1) = (log.altitude_m[i - 1], log.altitude_m[i]);
        for k in 1..=10 {
            let at = 10 * (i - 1) + k;
            let part = k as f64 / 10.0;
            let way = if v0 + v1 > 0.0 {
                (2.0 * v0 * part + (v1 - v0) * part * part) / (v0 + v1)
            } else {
                part
            };
            let span = log.time_ms[i] - log.time_ms[i - 1];
            fine.time_ms[at] = log.time_ms[i - 1] + span * k as i64 / 10;
            fine.speed_mps[at] = v0 + part * (v1 - v0);
            fine.altitude_m[at] = h0 + way * (h1 - h0);
        }
    }
    fine
}

/// Returns every tenth row of a log, with the means of what describes intervals.
pub fn a_tenth_as_often(log: &Batch) -> Batch {
    let kept = (0..log.len()).step_by(10);
    let mut coarse = log::select(log, kept.clone());
    let mean = |column: &[f64], i: usize| column[i - 9..=i].iter().sum::<f64>() / 10.0;
    for (at, i) in kept.enumerate().skip(1) {
        coarse.brake[at] = mean(&log.brake, i);
        coarse.current_a[at] = mean(&log.current_a, i);
        coarse.voltage_v[at] = mean(&log.voltage_v, i);
        coarse.auxiliary_w[at] = mean(&log.auxiliary_w, i);
    }
    coarse
}
