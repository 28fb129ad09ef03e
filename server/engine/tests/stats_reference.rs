//! Statistics against other implementations and printed examples. Sources: `data/README.md` and at each test.

#![allow(clippy::unwrap_used, reason = "a test may fail by panicking")]

use coldbrake_engine::stats::change::best_split;
use coldbrake_engine::stats::chart::{CusumChart, CusumDesign, EwmaChart, EwmaDesign, Limits, Side, Signal};
use coldbrake_engine::stats::effect::superiority;
use coldbrake_engine::stats::multiple::{benjamini_hochberg, holm};
use coldbrake_engine::stats::rank::{
    Alternative, IntervalMethod, RankMethod, brunner_munzel, hodges_lehmann, rank_sum_test,
};
use coldbrake_engine::stats::robust::{MAD_TO_SIGMA, mad, median};
use coldbrake_engine::stats::run_length::{cusum_run_length, ewma_run_length};
use coldbrake_engine::stats::stratified::{Stratum, van_elteren, van_elteren_permuted};
use serde_json::Value;

fn vectors(entry: &str) -> Value {
    let all: Value = serde_json::from_str(include_str!("data/stats_vectors.json")).unwrap();
    all.pointer(entry).unwrap().clone()
}

fn list(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(number).collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "got {got}, want {want} ± {tolerance}"
    );
}

/// Near to the eleventh digit.
#[track_caller]
fn alike(got: f64, want: f64) {
    near(got, want, 1e-11 * want.abs());
}

/// Near to the ninth digit: p-values through the normal distribution, whose tail the library gives to ten digits.
#[track_caller]
fn alike_p(got: f64, want: f64) {
    near(got, want, 1e-9 * want.abs());
}

fn stratum(x: &[f64], y: &[f64]) -> Stratum {
    Stratum {
        key: String::new(),
        a: x.to_vec(),
        b: y.to_vec(),
    }
}

// ---- the file ----------------------------------------------------------------------------------------------------

#[test]
fn every_rank_sum_result_of_the_file() {
    let mut checked = 0;
    for data in ["no_ties", "ties"] {
        let entry = vectors(&format!("/mann_whitney/{data}"));
        let (x, y) = (list(&entry["x"]), list(&entry["y"]));
        for (key, want) in entry["result"].as_object().unwrap() {
            let parts: Vec<&str> = key.split('|').collect();
            let alternative = match parts[0] {
                "two-sided" => Alternative::TwoSided,
                "less" => Alternative::Less,
                "greater" => Alternative::Greater,
                other => panic!("{other}"),
            };
            let method = match (parts[1], parts[2]) {
                ("exact", _) => RankMethod::Exact,
                (_, "cc") => RankMethod::NormalWithContinuity,
                (_, "nocc") => RankMethod::Normal,
                other => panic!("{other:?}"),
            };
            let got = rank_sum_test(&x, &y, alternative, method).unwrap();
            near(got.u, number(&want[0]), 0.0);
            match method {
                RankMethod::Exact => alike(got.p, number(&want[1])),
                _ => alike_p(got.p, number(&want[1])),
            }
            checked += 1;
        }
    }
    assert_eq!(checked, 15);
    let entry = vectors("/mann_whitney/no_ties");
    let want = vectors("/mann_whitney/brunner_munzel_no_ties");
    let got = brunner_munzel(&list(&entry["x"]), &list(&entry["y"])).unwrap();
    alike(got.statistic, number(&want[0]));
    alike_p(got.p, number(&want[1]));
    // Relabelling needs no assumption: with ties it stands for the exact p.
    let entry = vectors("/mann_whitney/ties");
    let strata = [stratum(&list(&entry["x"]), &list(&entry["y"]))];
    let got = van_elteren_permuted(&strata, 100_000, 1).unwrap();
    near(got, number(&entry["permutation_two_sided_p"]), 0.001);
}

#[test]
fn every_shift_of_the_file() {
    for data in ["no_ties", "ties"] {
        let entry = vectors(&format!("/hodges_lehmann/{data}"));
        let (x, y) = (list(&entry["x"]), list(&entry["y"]));
        let want = &entry["result"];
        let exact = hodges_lehmann(&x, &y, 0.95, IntervalMethod::Exact).unwrap();
        near(exact.estimate, number(&want["shift"]), 1e-15);
        let interval = exact.interval.unwrap();
        near(interval.lower, number(&want["ci"][0]), 1e-15);
        near(interval.upper, number(&want["ci"][1]), 1e-15);
        alike(interval.confidence, number(&want["achieved_confidence"]));
        let normal = hodges_lehmann(&x, &y, 0.95, IntervalMethod::Normal).unwrap();
        let interval = normal.interval.unwrap();
        near(interval.lower, number(&want["ci_normal_floor"][0]), 1e-15);
        near(interval.upper, number(&want["ci_normal_floor"][1]), 1e-15);
    }
    // Just inside each end the test does not reject a shift, at and beyond it it does.
    let entry = vectors("/hodges_lehmann/no_ties");
    let (x, y) = (list(&entry["x"]), list(&entry["y"]));
    let interval = hodges_lehmann(&x, &y, 0.95, IntervalMethod::Exact)
        .unwrap()
        .interval
        .unwrap();
    let p = |shift: f64| {
        let moved: Vec<f64> = y.iter().map(|v| v - shift).collect();
        rank_sum_test(&x, &moved, Alternative::TwoSided, RankMethod::Exact)
            .unwrap()
            .p
    };
    let check = vectors("/hodges_lehmann/inversion_check_no_ties");
    let step = 1e-9;
    alike(p(interval.lower + step), number(&check["p_inside"][0]));
    alike(p(interval.upper - step), number(&check["p_inside"][1]));
    alike(p(interval.lower - step), number(&check["p_outside"][0]));
    alike(p(interval.upper + step), number(&check["p_outside"][1]));
}

#[test]
fn the_stratified_test_of_the_file() {
    let strata: Vec<Stratum> = vectors("/van_elteren/strata")
        .as_array()
        .unwrap()
        .iter()
        .map(|s| stratum(&list(&s["x"]), &list(&s["y"])))
        .collect();
    let want = vectors("/van_elteren/result");
    let got = van_elteren(&strata).unwrap();
    alike(got.statistic, number(&want["T"]));
    alike(got.expected, number(&want["expected"]));
    alike(got.variance, number(&want["variance"]));
    alike(got.z, number(&want["z"]));
    alike_p(got.p, number(&want["p_two_sided"]));
    // 100,000 draws of p = 0.0004: two standard errors are 0.00012, the file has its own.
    let permuted = van_elteren_permuted(&strata, 100_000, 1).unwrap();
    near(permuted, number(&want["permutation_p"]), 0.0002);
    let entry = vectors("/mann_whitney/ties");
    let single = van_elteren(&[stratum(&list(&entry["x"]), &list(&entry["y"]))]).unwrap();
    let want = vectors("/van_elteren/single_stratum_equals_mannwhitney");
    alike(single.z, number(&want["z"]));
    alike_p(single.p, number(&want["p"]));
    alike_p(single.p, number(&want["scipy_p_nocc"]));
}

#[test]
fn every_moving_average_of_the_file() {
    for data in ["handbook", "friction_share"] {
        let entry = vectors(&format!("/ewma/{data}"));
        let design = EwmaDesign::new(number(&entry["lam"]), number(&entry["L"]));
        let (target, sigma) = (number(&entry["mu"]), number(&entry["sd"]));
        let mut chart = EwmaChart::new(design, target, sigma).unwrap();
        let rows = entry["result"].as_array().unwrap();
        let mut signals = Vec::new();
        for (value, row) in list(&entry["x"]).into_iter().zip(rows) {
            let point = chart.observe(value).unwrap();
            alike(point.value, number(&row[0]));
            alike(point.upper.unwrap(), number(&row[1]));
            alike(point.lower.unwrap(), number(&row[2]));
            signals.push(point.signal);
        }
        assert_eq!(signals.len(), rows.len());
        match data {
            // NIST/SEMATECH e-Handbook 6.3.2.4: none outside.
            "handbook" => assert!(signals.iter().all(Option::is_none)),
            // The fault begins with pass 13, at position 12.
            _ => assert_eq!(signals.iter().position(Option::is_some), Some(12)),
        }
    }
    let entry = vectors("/ewma/handbook");
    let design = EwmaDesign {
        limits: Limits::Steady,
        ..EwmaDesign::new(number(&entry["lam"]), number(&entry["L"]))
    };
    let point = EwmaChart::new(design, number(&entry["mu"]), number(&entry["sd"]))
        .unwrap()
        .point();
    alike(point.upper.unwrap(), number(&entry["asymptotic_limits"][0]));
    alike(point.lower.unwrap(), number(&entry["asymptotic_limits"][1]));
}

#[test]
fn every_cumulative_sum_of_the_file() {
    for (data, first) in [
        ("handbook", Some(13)),
        ("friction_share", Some(12)),
        ("textbook", None),
    ] {
        let entry = vectors(&format!("/cusum/{data}"));
        let design = CusumDesign::new(number(&entry["k"]), number(&entry["h"]));
        let mut chart = CusumChart::new(design, number(&entry["mu"]), 1.0).unwrap();
        let rows = entry["result"].as_array().unwrap();
        let mut seen = None;
        for (at, value) in list(&entry["x"]).into_iter().enumerate() {
            let point = chart.observe(value).unwrap();
            near(point.high, number(&rows[at][0]), 1e-11);
            near(point.low, number(&rows[at][1]), 1e-11);
            assert_eq!(
                point.signal.is_some(),
                rows[at][2].as_bool().unwrap(),
                "{data} {at}"
            );
            seen = seen.or(point.signal.map(|_| (at, point.since)));
            // Applied Statistics and Probability for Engineers, 3rd ed., tables 16-7 and 16-8.
            if data == "textbook" {
                near(point.high, number(&entry["published_upper"][at]), 1e-9);
                near(point.low, number(&entry["published_lower"][at]), 1e-9);
            }
        }
        assert_eq!(seen.map(|s| s.0), first, "{data}");
        if data == "friction_share" {
            assert_eq!(seen, Some((12, 1)));
        }
    }
}

#[test]
fn the_change_of_the_file() {
    let entry = vectors("/changepoint");
    let x = list(&entry["x"]);
    let split = best_split(&x, 2).unwrap();
    for search in ["dynp", "binseg", "pelt_pen_3_sd2_log_n"] {
        near(split.first_after as f64, number(&entry[search][0]), 0.0);
    }
    near(
        split.first_after as f64,
        number(&entry["best_split_closed_form"]),
        0.0,
    );
    near(split.squares_total, number(&entry["sse_total"]), 1e-13);
    near(split.squares_split, number(&entry["sse_split"]), 1e-13);
    let (before, after) = x.split_at(split.first_after);
    let test = rank_sum_test(before, after, Alternative::TwoSided, RankMethod::Exact).unwrap();
    near(test.u, number(&entry["mann_whitney_split"][0]), 0.0);
    alike(test.p, number(&entry["mann_whitney_split"][1]));
}

#[test]
fn the_adjusted_p_values_of_the_file() {
    let entry = vectors("/multiple_testing");
    let p = list(&entry["p"]);
    for (got, name) in [
        (benjamini_hochberg(&p).unwrap(), "bh"),
        (holm(&p).unwrap(), "holm"),
    ] {
        for (at, want) in list(&entry[format!("{name}_adjusted")]).into_iter().enumerate() {
            near(got[at], want, 1e-14);
            let rejected = entry[format!("{name}_reject")][at].as_bool().unwrap();
            assert_eq!(got[at] <= 0.05, rejected, "{name} {at}");
        }
    }
}

// ---- printed examples --------------------------------------------------------------------------------------------

#[test]
fn permeability_example() {
    // Data and U = 35, one-sided exact p = 0.1272, large-sample p = 0.1103: reference output of R for the example on
    // page 69 of Hollander and Wolfe, Nonparametric Statistical Methods (1973).
    let x = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46];
    let y = [1.15, 0.88, 0.90, 0.74, 1.21];
    let exact = rank_sum_test(&x, &y, Alternative::Greater, RankMethod::Exact).unwrap();
    near(exact.u, 35.0, 0.0);
    near(exact.p, 0.1272, 5e-5);
    let large = rank_sum_test(&x, &y, Alternative::Greater, RankMethod::Normal).unwrap();
    near(large.p, 0.1103, 5e-5);
    // Recomputed, not printed: z, shift and interval.
    near(large.z.unwrap(), 1.224_745, 5e-7);
    let shift = hodges_lehmann(&y, &x, 0.95, IntervalMethod::Exact).unwrap();
    let interval = shift.interval.unwrap();
    near(shift.estimate, 0.305, 1e-12);
    near(interval.lower, -0.15, 1e-12);
    near(interval.upper, 0.76, 1e-12);
    near(interval.confidence, 0.96, 5e-5);
    // One stratum is the plain test; a second one recomputed from the definition.
    let first = van_elteren(&[stratum(&y, &x)]).unwrap();
    near(first.z, large.z.unwrap(), 1e-12);
    let (u, v) = ([19.0, 22.0, 16.0, 29.0, 24.0], [20.0, 11.0, 17.0, 12.0]);
    let both = van_elteren(&[stratum(&y, &x), stratum(&v, &u)]).unwrap();
    near(both.statistic, 8.825, 1e-12);
    near(both.expected, 7.5, 1e-12);
    near(both.variance, 0.427_083, 5e-7);
    near(both.z, 2.027_494, 5e-7);
    near(both.p, 0.0426, 5e-5);
}

#[test]
fn scale_of_the_median_deviation() {
    // 1/Φ⁻¹(3/4).
    near(MAD_TO_SIGMA, 1.482_602_218_505_602, 1e-15);
    let values = [1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0];
    near(median(&values).unwrap(), 2.0, 0.0);
    near(mad(&values).unwrap(), 1.0, 0.0);
}

#[test]
fn chart_with_growing_limits() {
    // 30 values, target 10, sigma 1, λ = 0.1, L = 2.7: data as quoted in the documentation of a plotting library; the
    // figures recomputed; that the cumulative sum signals at 29 too is from memory.
    let x = [
        9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
        9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
    ];
    let mut ewma = EwmaChart::new(EwmaDesign::new(0.1, 2.7), 10.0, 1.0).unwrap();
    let mut cusum = CusumChart::new(CusumDesign::new(0.5, 5.0), 10.0, 1.0).unwrap();
    let (mut points, mut sums) = (Vec::new(), Vec::new());
    for value in x {
        points.push(ewma.observe(value).unwrap());
        sums.push(cusum.observe(value).unwrap());
    }
    near(points[0].value, 9.945, 1e-12);
    near(points[0].lower.unwrap(), 9.73, 1e-12);
    near(points[1].value, 9.7495, 1e-12);
    near(points[1].upper.unwrap(), 10.3632, 5e-5);
    near(points[27].value, 10.5731, 5e-5);
    near(points[28].value, 10.6468, 5e-5);
    near(points[28].upper.unwrap(), 10.6187, 5e-5);
    let first = points.iter().position(|p| p.signal.is_some());
    assert_eq!((first, points[28].signal), (Some(28), Some(Signal::High)));
    near(sums[28].high, 5.28, 1e-9);
    near(sums[29].high, 5.30, 1e-9);
    assert_eq!(sums.iter().position(|p| p.signal.is_some()), Some(28));
    // Since observation 23, seven values before: where the sum left 0 for good.
    assert_eq!(sums[28].since, 7);
}

/// A printed value of three digits or so: within half a unit of its last digit.
#[track_caller]
fn printed(got: f64, want: f64) {
    let unit = 10_f64.powf(want.log10().floor() - 2.0);
    near(got, want, 0.5 * unit + 1e-9);
}

#[test]
fn run_lengths_of_cumulative_sums_as_printed() {
    // Two-sided, k = 0.5: table 16-9 of Applied Statistics and Probability for Engineers, which is table 1 of
    // Technometrics 24 (1982) 199-205, the latter as quoted in the manual of the R package spc 0.7.2.
    let shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0];
    let four = [168.0, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71];
    let five = [465.0, 139.0, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01];
    for (at, shift) in shifts.into_iter().enumerate() {
        for (decision, want) in [(4.0, four[at]), (5.0, five[at])] {
            printed(
                cusum_run_length(&CusumDesign::new(0.5, decision), shift).unwrap(),
                want,
            );
        }
    }
    // Head start of one half, h = 4, same table.
    let fast = CusumDesign {
        head_start: 0.5,
        ..CusumDesign::new(0.5, 4.0)
    };
    let want = [149.0, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01];
    for (shift, want) in shifts.into_iter().zip(want) {
        let got = cusum_run_length(&fast, shift).unwrap();
        assert!((got / want - 1.0).abs() < 0.003, "{shift}: {got} {want}");
    }
    // One-sided, k = 0.5, h = 3: Biometrika 59 (1972) 539, as quoted in the same manual.
    let upper = CusumDesign {
        side: Side::Upper,
        ..CusumDesign::new(0.5, 3.0)
    };
    near(cusum_run_length(&upper, 0.0).unwrap(), 117.59, 0.015);
    near(cusum_run_length(&upper, 1.5).unwrap(), 3.75, 0.005);
    // The manual's own value: k = 0.25, h = 8, shift 2.5.
    let upper = CusumDesign {
        side: Side::Upper,
        ..CusumDesign::new(0.25, 8.0)
    };
    near(cusum_run_length(&upper, 2.5).unwrap(), 4.150_083_6, 2e-7);
}

#[test]
fn run_lengths_of_moving_averages_as_printed() {
    // Two-sided, steady limits: table 3 of Technometrics 32 (1990) 1-12, as quoted in the manual of the R package spc.
    let shifts = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0];
    let half = [500.0, 255.0, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.34];
    let slow = [500.0, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.11];
    for (lambda, limit, want) in [(0.5, 3.071, half), (0.03, 2.437, slow)] {
        let design = EwmaDesign {
            limits: Limits::Steady,
            ..EwmaDesign::new(lambda, limit)
        };
        for (shift, want) in shifts.into_iter().zip(want) {
            printed(ewma_run_length(&design, shift).unwrap(), want);
        }
    }
    // The manual's own value, and two designs of that table.
    let steady = |lambda, limit| EwmaDesign {
        limits: Limits::Steady,
        ..EwmaDesign::new(lambda, limit)
    };
    near(
        ewma_run_length(&steady(0.25, 3.0), 1.0).unwrap(),
        11.154_267_016,
        5e-9,
    );
    printed(ewma_run_length(&steady(0.1, 2.814), 0.0).unwrap(), 500.0);
    printed(ewma_run_length(&steady(0.2, 2.962), 0.0).unwrap(), 500.0);
}

#[test]
fn run_lengths_of_wide_charts_against_another_method() {
    // Steps small against the limits, where too few nodes would show. A Markov chain of 801, 1601 and 3201 states (500,
    // 1000 and 2000 for the sums) in numpy, extrapolated to infinitely many: both extrapolations agree to six digits.
    for (shift, want) in [(0.0, 1521.356), (0.25, 106.4322)] {
        let design = EwmaDesign {
            limits: Limits::Steady,
            ..EwmaDesign::new(0.01, 2.5)
        };
        near(ewma_run_length(&design, shift).unwrap(), want, 1e-6 * want);
    }
    for (shift, want) in [(0.0, 2014.273), (0.1, 337.9195)] {
        let design = CusumDesign {
            side: Side::Upper,
            ..CusumDesign::new(0.05, 25.0)
        };
        near(cusum_run_length(&design, shift).unwrap(), want, 1e-6 * want);
    }
}

#[test]
fn effect_interval_against_another_solver() {
    // The ends by a root finder of scipy 1.17.1 on the formula as public code has it.
    let ramp =
        |count: u32, from: f64| -> Vec<f64> { (0..count).map(|i| from + f64::from(i) * 1e-3).collect() };
    // Of side b a part lies below all of a, the rest above: the probability is the share above.
    let data = |n: u32, below: u32, above: u32| {
        stratum(&ramp(n, 5.0), &[ramp(below, 0.0), ramp(above, 10.0)].concat())
    };
    let ends = |strata: &[Stratum], want: [f64; 3]| {
        let effect = superiority(strata, 0.95).unwrap();
        near(effect.probability, want[0], 1e-12);
        near(effect.interval.lower, want[1], 1e-9);
        near(effect.interval.upper, want[2], 1e-9);
    };
    ends(&[data(8, 2, 8)], [0.8, 0.524_665_092_699, 0.929_823_867_042]);
    ends(&[data(30, 4, 1)], [0.2, 0.070_357_406_237, 0.476_822_174_489]);
    ends(&[data(6, 0, 6)], [1.0, 0.689_230_574_730, 1.0]);
    ends(&[data(12, 10, 10)], [0.5, 0.309_030_246_910, 0.690_969_753_090]);
    ends(
        &[data(8, 2, 8), data(30, 4, 1)],
        [0.501_570_680_628_272_3, 0.321_321_417_357, 0.681_350_526_070],
    );
}
