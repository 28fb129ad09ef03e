use super::*;

#[test]
fn small_sample_of_a_manual() {
    // Worked example of the scipy manual: two-sided exact p = 0.1111, shift 7.
    let (x, y) = ([19.0, 22.0, 16.0, 29.0, 24.0], [20.0, 11.0, 17.0, 12.0]);
    let t = rank_sum_test(&x, &y, Alternative::TwoSided, RankMethod::Auto).unwrap();
    assert!((t.u - 17.0).abs() < 1e-12);
    assert!((t.p - 1.0 / 9.0).abs() < 1e-12, "{t:?}");
    let shift = hodges_lehmann(&y, &x, 0.95, IntervalMethod::Auto).unwrap();
    assert!((shift.estimate - 7.0).abs() < 1e-12);
}

#[test]
fn all_equal_is_no_evidence() {
    let t = rank_sum_test(&[2.0; 4], &[2.0; 5], Alternative::TwoSided, RankMethod::Auto);
    let t = t.unwrap();
    assert_eq!((t.u, t.z, t.p), (10.0, Some(0.0), 1.0));
    let b = brunner_munzel(&[2.0; 4], &[2.0; 5]).unwrap();
    assert_eq!((b.statistic, b.p, b.probability), (0.0, 1.0, 0.5));
    let apart = brunner_munzel(&[1.0, 2.0], &[3.0, 4.0]).unwrap();
    assert!(apart.statistic == f64::INFINITY && apart.p == 0.0);
}

#[test]
fn both_zeros_are_one_value() {
    assert_eq!(midranks(&[0.0, -0.0, 1.0]).unwrap(), [1.5, 1.5, 3.0]);
}

#[test]
fn too_small_for_the_confidence_has_no_interval() {
    let shift = hodges_lehmann(&[1.0, 2.0], &[3.0, 4.0], 0.95, IntervalMethod::Auto).unwrap();
    assert_eq!((shift.estimate, shift.interval), (2.0, None));
    let normal = hodges_lehmann(&[1.0, 2.0], &[3.0, 4.0], 0.95, IntervalMethod::Normal);
    assert_eq!(normal.unwrap().interval, None);
}

#[test]
fn thousands_a_side_cost_no_pairs() {
    // Two interleaved ramps: y is x moved by 0.25.
    let x: Vec<f64> = (0..4000).map(f64::from).collect();
    let y: Vec<f64> = x.iter().map(|v| v + 0.25).collect();
    let shift = hodges_lehmann(&x, &y, 0.95, IntervalMethod::Auto).unwrap();
    assert!((shift.estimate - 0.25).abs() < 1e-12);
    let interval = shift.interval.unwrap();
    assert!(interval.holds_inside(0.25) && interval.upper - interval.lower < 130.0);
}

#[test]
fn refusals() {
    let some = [1.0, 2.0];
    assert!(rank_sum_test(&[], &some, Alternative::Less, RankMethod::Auto).is_err());
    assert!(hodges_lehmann(&some, &[f64::NAN], 0.9, IntervalMethod::Auto).is_err());
    assert!(hodges_lehmann(&some, &some, 1.0, IntervalMethod::Auto).is_err());
    let many = [0.0; 51];
    assert!(matches!(
        rank_sum_test(&many, &some, Alternative::Less, RankMethod::Exact),
        Err(StatsError::TooLargeForExact { n: 51, .. })
    ));
}
