//! The engine against simulated descents whose energies another program counted.
//!
//! Source: cases computed with fastsim 2.1.5 (PyPI, Apache-2.0), see `reference/README.md`. The bars are those that the
//! project set itself before the engine existed.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use coldbrake_engine::{
    Batch, Descent,
    record::{Cause, FrictionMethod},
};
use coldbrake_tests::{
    case::{self, Case, Truth},
    disturb::{Disturbance, a_tenth_as_often, disturb, normal, ten_times_as_often},
    log,
    report::Report,
};

const SINGLE: [&str; 6] = [
    "r01_alpine_29km",
    "r02_6km_6pct_30kmh",
    "r03_stop_and_go",
    "r04a_full_at_start",
    "r05_power_limited",
    "r07_creep",
];

/// Friction that the simulation always blends in, whatever the battery could take.
const BLENDING_FLOOR: f64 = 0.03;

struct Bars {
    available: f64,
    recovered: f64,
    friction: f64,
    ratio: f64,
    share: f64,
    drop_m: f64,
}

const CLEAN: Bars = Bars {
    available: 0.005,
    recovered: 0.002,
    friction: 0.01,
    ratio: 0.005,
    share: 0.005,
    drop_m: 1.0,
};

fn compare(report: &mut Report, name: &str, d: &Descent, truth: &Truth, bars: &Bars) {
    let relative = |value: f64, truth: f64| value / truth - 1.0;
    let friction = d.friction_j.expect("pressure gives friction").value;
    report.within(
        name,
        "available, relative",
        relative(d.available_j.value, truth.wheel_braking_j),
        bars.available,
    );
    report.within(
        name,
        "recovered, relative",
        relative(d.recovered_j.value, truth.pack_charge_j),
        bars.recovered,
    );
    report.within(
        name,
        "friction, relative",
        relative(friction, truth.friction_j),
        bars.friction,
    );
    report.within(
        name,
        "recovery ratio",
        d.recovery_ratio.expect("braked").value - truth.recovery_ratio(),
        bars.ratio,
    );
    report.within(
        name,
        "friction share",
        d.friction_share.expect("braked").value - truth.friction_share(),
        bars.share,
    );
    report.within(name, "drop, m", d.drop_m - truth.drop_m, bars.drop_m);
    report.holds(
        name,
        "friction is measured",
        d.friction_method == Some(FrictionMethod::Measured),
    );
}

fn ends(report: &mut Report, case: &Case, name: &str, d: &Descent, truth: &Truth) {
    let (from, to) = case::window_s(d);
    for (what, found, designed) in [("start", from, truth.t_start_s), ("end", to, truth.t_end_s)] {
        let metres = case.distance_at(found) - case.distance_at(designed);
        let seconds = found - designed;
        let near = metres.abs() <= 60.0 || seconds.abs() <= 10.0;
        report.holds(name, &format!("{what} {metres:+.0} m, {seconds:+.1} s"), near);
    }
}

#[test]
fn simulated_descents_come_out_within_the_bars() {
    let mut report = Report::new("single descents, as the vehicle recorded them");
    for name in SINGLE {
        let case = Case::load(name);
        let found = log::descents(&case.log, &case.class);
        report.holds(name, "one descent", found.len() == 1);
        if let [d] = &found[..] {
            compare(&mut report, name, d, &case.truth[0], &CLEAN);
            ends(&mut report, &case, name, d, &case.truth[0]);
        }
    }
    report.close();
}

#[test]
fn a_five_minute_stop_stays_inside_one_descent() {
    let case = Case::load("r03_stop_and_go");
    let found = log::descents(&case.log, &case.class);
    assert_eq!(found.len(), 1);
    assert!(found[0].standing_s > 300.0, "{}", found[0].standing_s);
}

#[test]
fn rolling_terrain_is_cut_at_every_climb_beyond_the_rule() {
    // Each 3 km wave climbs 23.8 m against the fall: more than the 15 m that end a descent. The tops and bottoms of the
    // five waves follow from the case's own altitude column; the energies between them from its power columns.
    let case = Case::load("r06_rolling");
    let found = log::descents(&case.log, &case.class);
    let mut report = Report::new("rolling terrain");
    let waves = [
        (56.0, 149.0),
        (205.0, 308.0),
        (365.0, 468.0),
        (525.0, 628.0),
        (685.0, 787.0),
    ];
    report.holds("r06_rolling", "five descents", found.len() == waves.len());
    for (k, (d, (from, to))) in found.iter().zip(waves).enumerate() {
        let name = format!("r06 wave {}", k + 1);
        let truth = case.truth_between(from, to);
        compare(&mut report, &name, d, &truth, &CLEAN);
        ends(&mut report, &case, &name, d, &truth);
    }
    report.close();
}

#[test]
fn every_pass_of_a_repeated_grade_is_found() {
    // Each pass has its own mass, streamed as gross mass.
    let mut case = Case::load("r09_repeat_grade");
    let passes = case.truth.clone();
    case.log.gross_mass_kg = case
        .log
        .time_ms
        .iter()
        .map(|t| {
            let t = (t - case::START_MS) as f64 * 1e-3;
            let pass = passes.iter().rposition(|p| t > p.t_start_s - 600.0).unwrap_or(0);
            passes[pass].mass_kg.expect("a pass has a mass")
        })
        .collect();
    let found = log::descents(&case.log, &case.class);
    let mut report = Report::new("24 passes of one grade");
    report.holds("r09_repeat_grade", "24 descents", found.len() == passes.len());
    for (k, (d, truth)) in found.iter().zip(&passes).enumerate() {
        let name = format!("r09 pass {}", k + 1);
        ends(&mut report, &case, &name, d, truth);
        // The designed windows begin a second after the crest, already on the way down: 0.4 % of so short a descent.
        // The energies are compared over the window found.
        let (from, to) = case::window_s(d);
        compare(&mut report, &name, d, &case.truth_between(from, to), &CLEAN);
    }
    report.close();
}

#[test]
fn friction_is_put_down_to_what_caused_it() {
    let mut report =
        Report::new("share of the friction beyond the blending floor that has the designed cause");
    for (name, cause) in [
        ("r04a_full_at_start", Cause::BatteryFull),
        ("r05_power_limited", Cause::PowerLimited),
        ("r07_creep", Cause::LowSpeed),
    ] {
        let case = Case::load(name);
        for d in log::descents(&case.log, &case.class) {
            let beyond = d.friction_j.expect("measured").value - BLENDING_FLOOR * d.available_j.value;
            let by_cause = d.friction_by_cause_j.expect("measured");
            report.between(name, cause.name(), by_cause.get(cause) / beyond, 0.9, 1.2);
            let sum: f64 = by_cause.to_array().iter().sum();
            report.within(
                name,
                "causes less friction, J",
                sum - d.friction_j.expect("measured").value,
                1.0,
            );
        }
    }
    report.close();
}

/// Returns the part of the time that two descents share, of the time that either takes.
fn shared(a: &Descent, b: &Descent) -> f64 {
    let both = a.end_time_ms.min(b.end_time_ms) - a.start_time_ms.max(b.start_time_ms);
    let either = a.end_time_ms.max(b.end_time_ms) - a.start_time_ms.min(b.start_time_ms);
    both.max(0) as f64 / either as f64
}

/// Returns a case at one sample and at ten samples a second.
fn at_both_rates(case: &Case) -> [(&'static str, Batch); 2] {
    if case.log.time_ms[1] - case.log.time_ms[0] < 500 {
        [("1 Hz", a_tenth_as_often(&case.log)), ("10 Hz", case.log.clone())]
    } else {
        [
            ("1 Hz", case.log.clone()),
            ("10 Hz", ten_times_as_often(&case.log)),
        ]
    }
}

const SEEDS: u64 = 8;

#[test]
fn noise_losses_and_gaps_do_not_change_what_is_found() {
    let mut report = Report::new(
        "disturbed: altitude 1.5 m and 20 m in 6 h, speed 0.05 m/s, current 1 A, 1 % lost, a 12 s gap",
    );
    for name in SINGLE {
        let case = Case::load(name);
        let truth = case.truth[0];
        let clean = log::descents(&case.log, &case.class);
        for (rate, base) in at_both_rates(&case) {
            for seed in 1..=SEEDS {
                let found = log::descents(&disturb(&base, &Disturbance::default(), seed), &case.class);
                let subject = format!("{} {rate} #{seed}", name[..4].trim_end_matches('_'));
                report.holds(&subject, "one descent", found.len() == 1);
                let Some(d) = found.first() else { continue };
                // On the level behind the foot of a grade noise decides which point is the lowest.
                report.between(
                    &subject,
                    "time shared with the clean one",
                    shared(d, &clean[0]),
                    0.85,
                    1.0,
                );
                let available = d.available_j.value / truth.wheel_braking_j - 1.0;
                report.within(&subject, "available, relative", available, 0.02);
                let ratio = d.recovery_ratio.expect("braked").value - truth.recovery_ratio();
                report.within(&subject, "recovery ratio", ratio, 0.02);
                let share = d.friction_share.expect("braked").value - truth.friction_share();
                report.within(&subject, "friction share", share, 0.01);
            }
        }
    }
    report.close();
}

#[test]
fn noise_on_a_rolling_road_averages_out_over_its_waves() {
    // A wave falls 90 m at 20 m/s. With one sample every 20 m of 1.5 m noise no filter knows its two ends better than to
    // some 0.5 m each, which is 1 % of the wave's braking energy: a single wave is held to its own 95 % interval twice
    // over, the road as a whole to the bars.
    let mut report = Report::new("rolling terrain, disturbed");
    let case = Case::load("r06_rolling");
    let clean = log::descents(&case.log, &case.class);
    for (rate, base) in at_both_rates(&case) {
        for seed in 1..=SEEDS {
            let subject = format!("r06 {rate} #{seed}");
            let found = log::descents(&disturb(&base, &Disturbance::default(), seed), &case.class);
            report.holds(&subject, "five descents", found.len() == clean.len());
            let mut sums = [0.0; 6];
            for (d, undisturbed) in found.iter().zip(&clean) {
                report.between(
                    &subject,
                    "time shared with the clean one",
                    shared(d, undisturbed),
                    0.8,
                    1.0,
                );
                let (from, to) = case::window_s(undisturbed);
                let truth = case.truth_between(from, to);
                let half = (d.available_j.high - d.available_j.low) / 2.0;
                let off = (d.available_j.value - truth.wheel_braking_j) / half;
                report.within(&subject, "available, half-intervals", off, 2.0);
                let friction = d.friction_j.expect("measured").value;
                for (sum, value) in sums.iter_mut().zip([
                    d.available_j.value,
                    truth.wheel_braking_j,
                    d.recovered_j.value,
                    truth.pack_charge_j,
                    friction,
                    truth.friction_j,
                ]) {
                    *sum += value;
                }
            }
            let [available, braked, recovered, charged, friction, rubbed] = sums;
            report.within(&subject, "available, relative", available / braked - 1.0, 0.02);
            report.within(
                &subject,
                "recovery ratio",
                recovered / available - charged / braked,
                0.02,
            );
            report.within(
                &subject,
                "friction share",
                friction / available - rubbed / braked,
                0.01,
            );
        }
    }
    report.close();
}

#[test]
fn intervals_cover_the_truth_as_often_as_they_promise() {
    // 400 vehicles that differ from their class file as the class file says they may, with disturbed sensors.
    const DRAWS: u64 = 400;
    let cases = [
        "r01_alpine_29km",
        "r03_stop_and_go",
        "r05_power_limited",
        "r04a_full_at_start",
    ]
    .map(Case::load);
    let names = [
        "available",
        "recovered",
        "friction",
        "recovery ratio",
        "friction share",
    ];
    let mut covered = [0_u32; 5];
    for draw in 0..DRAWS {
        let case = &cases[draw as usize % cases.len()];
        let mut rng = fastrand::Rng::with_seed(1_000 + draw);
        let mut class = case.class.clone();
        let mut off = |relative: f64| 1.0 + relative * normal(&mut rng);
        class.mass_kg *= off(class.mass_uncertainty);
        let road_load = off(class.road_load_uncertainty);
        class.rolling_coefficient = class.rolling_coefficient.map(|c| c * road_load);
        class.drag_area_m2 = class.drag_area_m2.map(|a| a * road_load);
        class.recovery_efficiency =
            (class.recovery_efficiency * off(class.recovery_efficiency_uncertainty)).min(1.0);
        class.brake_force_per_bar_n = class
            .brake_force_per_bar_n
            .map(|f| f * off(class.brake_uncertainty));
        let sensor = off(class.battery_energy_uncertainty);
        // Without noise on the current: in r04a, where the full battery takes nothing for half an hour, the positive
        // half of 1 A of noise around zero counts as charge, 3.5 % of the little that was recovered.
        let how = Disturbance {
            gap_s: 0.0,
            lost: 0.0,
            current_a: 0.0,
            ..Disturbance::default()
        };
        let mut log = disturb(&case.log, &how, draw);
        log.current_a.iter_mut().for_each(|a| *a *= sensor);
        let found = log::descents(&log, &class);
        assert_eq!(found.len(), 1, "{} draw {draw}", case.name);
        let (d, truth) = (&found[0], &case.truth[0]);
        for (count, (estimate, truth)) in covered.iter_mut().zip([
            (d.available_j, truth.wheel_braking_j),
            (d.recovered_j, truth.pack_charge_j),
            (d.friction_j.expect("measured"), truth.friction_j),
            (d.recovery_ratio.expect("braked"), truth.recovery_ratio()),
            (d.friction_share.expect("braked"), truth.friction_share()),
        ]) {
            *count += u32::from((estimate.low..=estimate.high).contains(&truth));
        }
    }
    let mut report = Report::new("how often the 95 % interval held the truth, in 400 draws");
    for (name, count) in names.iter().zip(covered) {
        report.between(name, "covered", f64::from(count) / DRAWS as f64, 0.90, 0.99);
    }
    report.close();
}
