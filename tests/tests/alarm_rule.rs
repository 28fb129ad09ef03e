//! How the alarm rule behaves on invented fleets: how long it runs in order, and how soon it finds a fault of a size.
//!
//! The published run lengths of the charts themselves are checked in the engine (`stats_reference.rs`); here the whole
//! rule is run through its one door.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use coldbrake_engine::{
    Descent,
    alarm::{Rule, Watch, What, record::Act, watch::Facts},
};
use coldbrake_tests::{case::Case, log};
use rand_distr::{Distribution as _, StandardNormal};
use rand_pcg::Pcg64;

const HOUR: i64 = 3_600_000;
/// In order: 50 ± 10 kJ/(t·100 m).
const MEAN: f64 = 50.0;
const SIGMA: f64 = 10.0;

#[derive(Clone)]
struct Fleet {
    pattern: Descent,
    watch: Watch,
    noise: Pcg64,
    count: i64,
}

impl Fleet {
    fn new(rule: Rule, pattern: &Descent, seed: u128) -> Self {
        Self {
            pattern: pattern.clone(),
            watch: Watch::with_rule(rule),
            noise: Pcg64::new(seed, 0xa02_bdbf_7bb3_c0a7),
            count: 0,
        }
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.noise)
    }

    /// Drives one descent with this value; returns whether it raised an alarm.
    fn drive(&mut self, vehicle: &str, grade: &str, value: f64) -> bool {
        self.count += 1;
        let d = Descent {
            descent: self.count.to_string(),
            vehicle: vehicle.to_owned(),
            grade: Some(grade.to_owned()),
            end_time_ms: HOUR * self.count,
            unexplained_kj_per_t_100m: Some(value),
            ..self.pattern.clone()
        };
        self.watch.observe(&d, None, &Facts::default());
        let raised = self.watch.events().iter().any(|e| e.what == What::Raised);
        self.watch.settle();
        raised
    }

    /// Ends all alarms as a person would.
    fn close_all(&mut self) {
        let open: Vec<String> = self.watch.open().map(|a| a.alarm.clone()).collect();
        for id in open {
            self.watch
                .act(&id, Act::Close { relearn: false }, "test", "", 0)
                .unwrap();
        }
        self.watch.settle();
    }
}

fn pattern() -> Descent {
    let case = Case::load("r09_repeat_grade");
    log::descents(&case.log, &case.class).remove(0)
}

/// Quantile of the normal distribution by bisection of its distribution function (Abramowitz and Stegun 7.1.26).
fn normal_quantile(p: f64) -> f64 {
    let below = |x: f64| {
        let t = 1.0 / (1.0 + 0.327_591_1 * x.abs() / std::f64::consts::SQRT_2);
        let poly = t
            * (0.254_829_592
                + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
        let tail = 0.5 * poly * (-0.5 * x * x).exp();
        if x > 0.0 { 1.0 - tail } else { tail }
    };
    let (mut low, mut high) = (-6.0, 6.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if below(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Mean number of descents in order until the rule raises, over so many runs, each from the same beginning.
fn run_length(fleet: &Fleet, runs: u128) -> f64 {
    let mut descents = 0_u64;
    for run in 0..runs {
        let mut fleet = Fleet {
            noise: Pcg64::new(run, 0xa02_bdbf_7bb3_c0a7),
            ..fleet.clone()
        };
        loop {
            descents += 1;
            let value = MEAN + SIGMA * fleet.normal();
            // One vehicle on one grade: its three charts see the same and signal together.
            if fleet.drive("v1", "g1", value) {
                break;
            }
        }
    }
    descents as f64 / runs as f64
}

#[test]
fn in_order_the_rule_runs_as_long_as_theory_says() {
    let wanted = 100.0;
    let rule = Rule {
        drift_run_length: wanted,
        baseline_memory: 1024,
        ..Rule::default()
    };
    let mut fleet = Fleet::new(rule, &pattern(), 4);
    // What is usual is known as well as the memory allows: the quantiles of the distribution itself.
    for k in 0..1024 {
        // In an order without drift.
        let rank = f64::from((k * 619) % 1024);
        fleet.drive("v0", "g1", MEAN + SIGMA * normal_quantile((rank + 0.5) / 1024.0));
        fleet.close_all();
    }
    // A spike that is closed: charts begin anew, and it is not learnt.
    assert!(fleet.drive("v0", "g1", MEAN + 50.0 * SIGMA));
    fleet.close_all();
    let found = run_length(&fleet, 1_500);
    println!("in order: {found:.1} descents until the rule raises, {wanted} by theory");
    assert!((found / wanted - 1.0).abs() < 0.1, "{found}");
}

const SIZES: [f64; 7] = [1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 10.0];
const RUNS: u128 = 30;
/// Faulty descents after which a run is given up.
const PATIENCE: usize = 200;

/// Faulty descents until an alarm, in the middle and for nine of ten runs; a dash where not found in time.
fn delays(size: f64, fleets: &[Fleet], fault_of: impl Fn(usize) -> (usize, usize, bool)) -> [String; 2] {
    let mut found: Vec<usize> = fleets
        .iter()
        .map(|fleet| {
            let mut fleet = fleet.clone();
            let (mut faulty, mut step) = (0, 0);
            while faulty < PATIENCE {
                let (v, g, bad) = fault_of(step);
                step += 1;
                faulty += usize::from(bad);
                let value = MEAN + SIGMA * (fleet.normal() + if bad { size } else { 0.0 });
                if fleet.drive(&format!("v{v}"), &format!("g{g}"), value) && bad {
                    return faulty;
                }
            }
            usize::MAX
        })
        .collect();
    found.sort_unstable();
    [0.5, 0.9].map(|p| {
        let k = found[((found.len() as f64 * p).ceil() as usize - 1).min(found.len() - 1)];
        if k == usize::MAX {
            "more than 200".to_owned()
        } else {
            k.to_string()
        }
    })
}

/// The table of `docs/alarms.md`.
fn table() -> String {
    let pattern = pattern();
    // Eight vehicles on four grades: 120 descents in order on each.
    let fleets: Vec<Fleet> = (0..RUNS)
        .map(|run| {
            let mut fleet = Fleet::new(Rule::default(), &pattern, 1_000 + run);
            for k in 0..480 {
                let value = MEAN + SIGMA * fleet.normal();
                fleet.drive(&format!("v{}", k % 8), &format!("g{}", (k / 8) % 4), value);
            }
            fleet.close_all();
            fleet
        })
        .collect();
    let mut text = String::from(
        "| fault, in sigma of one descent | on a grade: half of the runs | nine of ten | in one vehicle of eight: half of the runs | nine of ten |\n\
         | ---: | ---: | ---: | ---: | ---: |\n",
    );
    for size in SIZES {
        // Every vehicle, one after the other, on one grade of four.
        let grade = delays(size, &fleets, |k| (k % 8, (k / 8) % 4, (k / 8) % 4 == 1));
        let vehicle = delays(size, &fleets, |k| (k % 8, (k / 8) % 4, k % 8 == 2));
        text += &format!(
            "| {size} | {} | {} | {} | {} |\n",
            grade[0], grade[1], vehicle[0], vehicle[1]
        );
    }
    text
}

#[test]
fn the_documentation_tells_how_soon_a_fault_is_found() {
    let table = table();
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/alarms.md");
    let text = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        text.contains(&table),
        "put this table into {}:\n{table}",
        path.display()
    );
}
