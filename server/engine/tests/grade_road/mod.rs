//! Roads and the descents driven on them, for the tests of known grades.

#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(
    missing_docs,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::many_single_char_names,
    reason = "test helpers"
)]

use coldbrake_engine::{
    ProfilePoint,
    grade::{DescentShape, Grade, GradeProfile, Match},
};

use crate::common::Noise;

/// A road as altitudes by distance, straight lines between.
#[derive(Clone, Debug)]
pub struct Road(pub Vec<(f64, f64)>);

impl Road {
    /// A road of the given length down to the given altitude, whose gradient changes every 150 to 450 m by chance, without a jump. Taken over
    /// 250 m it varies by some 2 % from place to place; the surveyed profiles of these tests vary two to four times
    /// as much.
    pub fn random(n: &mut Noise, length: f64, bottom: f64) -> Self {
        let mean = -(0.045 + 0.035 * n.uniform());
        let spread = 0.02 + 0.015 * n.uniform();
        let pick = |n: &mut Noise| (mean + spread * n.normal()).clamp(-0.15, 0.02);
        let (mut from, mut to) = (pick(n), pick(n));
        let (mut at, mut h, mut left, mut whole) = (0.0, 0.0, 300.0, 300.0);
        let mut points = vec![(0.0, 0.0)];
        while at < length {
            let gradient = to + (from - to) * (left / whole);
            h += 10.0 * gradient;
            at += 10.0;
            left -= 10.0;
            points.push((at, h));
            if left <= 0.0 {
                (from, to) = (to, pick(n));
                whole = 150.0 + 300.0 * n.uniform();
                left = whole;
            }
        }
        Self(
            points
                .into_iter()
                .map(|(s, above)| (s, bottom + above - h))
                .collect(),
        )
    }

    /// Reads `distance_m,altitude_m` lines.
    pub fn from_csv(text: &str) -> Self {
        let points = text
            .lines()
            .skip(1)
            .map(|line| {
                let (s, h) = line.split_once(',').unwrap();
                (s.trim().parse().unwrap(), h.trim().parse().unwrap())
            })
            .collect();
        Self(points)
    }

    /// The road driven the other way.
    pub fn reversed(&self) -> Self {
        let length = self.length();
        Self(self.0.iter().rev().map(|(s, h)| (length - s, *h)).collect())
    }

    pub fn length(&self) -> f64 {
        self.0.last().unwrap().0
    }

    pub fn altitude(&self, s: f64) -> f64 {
        let i = self.0.partition_point(|p| p.0 <= s).clamp(1, self.0.len() - 1);
        let ((s0, h0), (s1, h1)) = (self.0[i - 1], self.0[i]);
        if s1 > s0 {
            h0 + (h1 - h0) * ((s - s0) / (s1 - s0)).clamp(0.0, 1.0)
        } else {
            h1
        }
    }

    /// The stretch from `from` to `to` as a grade.
    pub fn grade(&self, id: &str, from: f64, to: f64) -> Grade {
        let count = ((to - from) / 10.0).ceil();
        let points: Vec<(f64, f64)> = (0..=count as u32)
            .map(|k| f64::from(k) / count * (to - from))
            .map(|s| (s, self.altitude(from + s)))
            .collect();
        Grade {
            grade: id.to_owned(),
            display_name: String::new(),
            profile: GradeProfile::from_points(&points).unwrap(),
            top: None,
            bottom: None,
        }
    }
}

/// How a vehicle's instruments are off on one descent.
#[derive(Clone, Copy, Debug)]
pub struct Instruments {
    pub offset_m: f64,
    pub scale: f64,
    /// Deviation of single altitude samples.
    pub noise_m: f64,
}

impl Instruments {
    /// Offset within 30 m, distance within 3 %, noise from 0.5 to 3 m.
    pub fn random(n: &mut Noise) -> Self {
        Self {
            offset_m: 60.0 * n.uniform() - 30.0,
            scale: 0.97 + 0.06 * n.uniform(),
            noise_m: 0.5 + 2.5 * n.uniform(),
        }
    }
}

/// A descent as it is recorded: altitude of the top and the coarse profile.
#[derive(Clone, Debug)]
pub struct Driven {
    pub top_m: f64,
    pub points: Vec<ProfilePoint>,
}

/// Resamples a road as the profile of a descent does: stretches of 20 m and more, doubled whenever sixty are full,
/// altitudes with what the filter leaves of the noise, in steps of 0.1 m.
pub fn resampled(road: &Road, from: f64, to: f64, with: Instruments, n: &mut Noise) -> Driven {
    // Measured on driven descents: about half of the noise of a sample once a second stays, and at least 0.25 m.
    let left = (0.5 * with.noise_m).max(0.25);
    let pace = 12.0 + 12.0 * n.uniform();
    let mut stretch = 20.0;
    while (to - from) / (f64::ceil(stretch / pace) * pace) > 60.0 {
        stretch *= 2.0;
    }
    let read = |s: f64, n: &mut Noise| {
        let h = road.altitude(s) + with.offset_m + left * n.normal();
        (h * 10.0).round() * 0.1
    };
    let top_m = read(from, n);
    let mut points = Vec::new();
    let mut s = from;
    while s < to {
        s = (s + f64::ceil(stretch / pace + n.uniform() - 0.5).max(1.0) * pace).min(to);
        points.push(ProfilePoint {
            distance_m: ((s - from) * with.scale) as f32,
            altitude_m: read(s, n) as f32,
            ..ProfilePoint::default()
        });
    }
    Driven { top_m, points }
}

/// A road with the grade's share of it: from, to.
pub type Known = (Road, f64, f64);

/// Roads that run on beyond their grades on both sides, 3 to 15 km of grade each.
pub fn roads(n: &mut Noise, count: usize) -> Vec<Known> {
    (0..count)
        .map(|_| {
            let length = 3000.0 * (n.uniform() * 5.0_f64.ln()).exp();
            let beyond = 0.35 * length;
            let bottom = 100.0 + 1200.0 * n.uniform();
            (
                Road::random(n, length + 2.0 * beyond, bottom),
                beyond,
                beyond + length,
            )
        })
        .collect()
}

pub fn name(i: usize) -> String {
    format!("grade-{i:04}")
}

pub fn grades(known: &[Known]) -> Vec<Grade> {
    known
        .iter()
        .enumerate()
        .map(|(i, (road, from, to))| road.grade(&name(i), *from, *to))
        .collect()
}

pub fn shape(d: &Driven) -> DescentShape {
    DescentShape::new(d.top_m, &d.points, None, None).unwrap()
}

/// Which part of a road is driven, given where its grade lies.
pub type Part = fn(f64, f64, &mut Noise) -> (f64, f64);

/// The whole grade, as a segmenter finds it: ends within 60 m.
pub fn whole(from: f64, to: f64, n: &mut Noise) -> (f64, f64) {
    let mut end = |at| at + 120.0 * n.uniform() - 60.0;
    (end(from), end(to))
}

/// From 60 to 95 % of the grade, at any place in it.
pub fn partial(from: f64, to: f64, n: &mut Noise) -> (f64, f64) {
    let share = 0.6 + 0.35 * n.uniform();
    let start = from + (1.0 - share) * n.uniform() * (to - from);
    (start, start + share * (to - from))
}

/// All of the grade and up to 30 % more above and below.
pub fn beyond(from: f64, to: f64, n: &mut Noise) -> (f64, f64) {
    let mut more = || 0.3 * n.uniform() * (to - from);
    (from - more(), to + more())
}

/// The lower or upper part, and some road beyond that end.
pub fn across(from: f64, to: f64, n: &mut Noise) -> (f64, f64) {
    let length = to - from;
    let (missing, more) = (0.3 * n.uniform() * length, 0.3 * n.uniform() * length);
    if n.uniform() < 0.5 {
        (from + missing, to + more)
    } else {
        (from - more, to - missing)
    }
}

/// The ways of driving a part.
pub const PARTS: [(&str, Part); 4] = [
    ("whole", whole),
    ("partial", partial),
    ("beyond", beyond),
    ("across", across),
];

/// Time that this thread was at work, s: others use the machine as well. Where the system does not tell, the time of
/// the clock since the first call.
pub fn worked_s() -> f64 {
    static BEGIN: std::sync::OnceLock<std::time::Instant> = std::sync::OnceLock::new();
    let clock = || BEGIN.get_or_init(std::time::Instant::now).elapsed().as_secs_f64();
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|text| text.split(' ').next()?.parse::<u64>().ok())
        .map_or_else(clock, |ns| ns as f64 * 1e-9)
}

/// What became of many descents.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally {
    pub right: u32,
    pub wrong: u32,
    pub ambiguous: u32,
    pub too_plain: u32,
    pub unmatched: u32,
}

impl Tally {
    pub fn add(&mut self, verdict: &Match, truth: &str) {
        match verdict {
            Match::Found(fit) if fit.grade == truth => self.right += 1,
            Match::Found(_) => self.wrong += 1,
            Match::Ambiguous { .. } => self.ambiguous += 1,
            Match::None { reason, .. } if reason.name() == "too_plain" => self.too_plain += 1,
            Match::None { .. } => self.unmatched += 1,
        }
    }

    pub fn total(&self) -> u32 {
        self.right + self.wrong + self.ambiguous + self.too_plain + self.unmatched
    }

    pub fn recall(&self) -> f64 {
        f64::from(self.right) / f64::from(self.total())
    }

    pub fn wrong_share(&self) -> f64 {
        f64::from(self.wrong) / f64::from(self.total())
    }
}

impl std::fmt::Display for Tally {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} descents: right {:.2} %, wrong {:.3} %, ambiguous {}, too plain {}, nothing close {}",
            self.total(),
            100.0 * self.recall(),
            100.0 * self.wrong_share(),
            self.ambiguous,
            self.too_plain,
            self.unmatched
        )
    }
}
