use super::super::chart::{CusumChart, EwmaChart};
use super::super::seeded::Seeded;
use super::*;

/// Mean run length of `runs` simulated charts, and its standard error.
fn simulate(runs: u32, mut one: impl FnMut(&mut Seeded) -> u32) -> (f64, f64) {
    let mut seeded = Seeded::new(2024);
    let lengths: Vec<f64> = (0..runs).map(|_| f64::from(one(&mut seeded))).collect();
    let mean = lengths.iter().sum::<f64>() / f64::from(runs);
    let square = lengths.iter().map(|l| (l - mean).powi(2)).sum::<f64>();
    (mean, (square / f64::from(runs)).sqrt() / f64::from(runs).sqrt())
}

fn check_ewma(design: EwmaDesign, shift: f64) {
    let theory = ewma_run_length(&design, shift).unwrap();
    let (mean, error) = simulate(4000, |seeded| {
        let mut chart = EwmaChart::new(design, 7.0, 2.0).unwrap();
        (1..1_000_000)
            .find(|_| {
                let value = 7.0 + 2.0 * (seeded.normal() + shift);
                chart.observe(value).unwrap().signal.is_some()
            })
            .unwrap()
    });
    assert!(
        (mean - theory).abs() < 3.5 * error,
        "{design:?} {shift}: {mean} ± {error}, {theory}"
    );
    assert!(error < 0.03 * theory);
}

fn check_cusum(design: CusumDesign, shift: f64) {
    let theory = cusum_run_length(&design, shift).unwrap();
    let (mean, error) = simulate(4000, |seeded| {
        let mut chart = CusumChart::new(design, 7.0, 2.0).unwrap();
        (1..1_000_000)
            .find(|_| {
                let value = 7.0 + 2.0 * (seeded.normal() + shift);
                chart.observe(value).unwrap().signal.is_some()
            })
            .unwrap()
    });
    assert!(
        (mean - theory).abs() < 3.5 * error,
        "{design:?} {shift}: {mean} ± {error}, {theory}"
    );
    assert!(error < 0.03 * theory);
}

#[test]
fn simulated_moving_averages_run_as_long_as_the_theory_says() {
    for side in [Side::Both, Side::Upper, Side::Lower] {
        for limits in [Limits::TimeVarying, Limits::Steady] {
            let design = EwmaDesign {
                side,
                limits,
                ..EwmaDesign::new(0.2, 2.2)
            };
            check_ewma(design, 0.0);
            check_ewma(design, if side == Side::Lower { -0.7 } else { 0.7 });
        }
    }
    let fast = EwmaDesign {
        side: Side::Upper,
        limits: Limits::Steady,
        head_start: 0.5,
        ..EwmaDesign::new(0.1, 2.2)
    };
    check_ewma(fast, 0.0);
    check_ewma(fast, 0.5);
}

#[test]
fn simulated_cumulative_sums_run_as_long_as_the_theory_says() {
    for side in [Side::Both, Side::Upper, Side::Lower] {
        for head_start in [0.0, 0.5] {
            let design = CusumDesign {
                side,
                head_start,
                ..CusumDesign::new(0.5, 3.0)
            };
            check_cusum(design, 0.0);
            check_cusum(design, if side == Side::Lower { -1.0 } else { 1.0 });
        }
    }
}

#[test]
fn a_single_observation_chart_is_the_normal_tail() {
    // λ = 1: each observation for itself, one signal in 370.398 (three sigma, two sides).
    for limits in [Limits::Steady, Limits::TimeVarying] {
        let design = EwmaDesign {
            limits,
            ..EwmaDesign::new(1.0, 3.0)
        };
        let length = ewma_run_length(&design, 0.0).unwrap();
        assert!((length - 370.398).abs() < 1e-3, "{limits:?} {length}");
    }
}

#[test]
fn the_limit_found_gives_the_length_wanted() {
    for (side, limits) in [(Side::Upper, Limits::TimeVarying), (Side::Both, Limits::Steady)] {
        let limit = ewma_limit_for(0.2, side, limits, 400.0).unwrap();
        let design = EwmaDesign {
            side,
            limits,
            ..EwmaDesign::new(0.2, limit)
        };
        assert!((ewma_run_length(&design, 0.0).unwrap() - 400.0).abs() < 1e-4);
    }
    let decision = cusum_decision_for(0.25, Side::Upper, 1000.0).unwrap();
    let design = CusumDesign {
        side: Side::Upper,
        ..CusumDesign::new(0.25, decision)
    };
    assert!((cusum_run_length(&design, 0.0).unwrap() - 1000.0).abs() < 1e-3);
    assert!(cusum_decision_for(0.5, Side::Both, 1.0).is_err());
    assert!(cusum_decision_for(-0.5, Side::Both, 100.0).is_err());
    assert!(ewma_limit_for(0.001, Side::Both, Limits::Steady, 100.0).is_err());
}

#[test]
fn refuses_what_rounding_would_spoil() {
    let far = cusum_run_length(&CusumDesign::new(0.5, 40.0), 0.0);
    assert!(matches!(far, Err(StatsError::OutOfRange { .. })), "{far:?}");
    assert!(cusum_run_length(&CusumDesign::new(0.5, 60.0), 0.0).is_err());
    assert!(ewma_run_length(&EwmaDesign::new(0.2, 3.0), f64::NAN).is_err());
}

#[test]
fn integration_is_exact_for_polynomials() {
    let (nodes, weights) = legendre(5, 0.0, 2.0);
    let ninth: f64 = nodes.iter().zip(&weights).map(|(x, w)| w * x.powi(9)).sum();
    assert!((ninth - 102.4).abs() < 1e-11, "{ninth}");
}
