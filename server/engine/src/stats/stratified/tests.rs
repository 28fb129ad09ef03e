#![expect(clippy::float_cmp, reason = "results that are exact by construction")]

use super::*;

fn stratum(a: &[f64], b: &[f64]) -> Stratum {
    Stratum {
        key: String::new(),
        a: a.to_vec(),
        b: b.to_vec(),
    }
}

#[test]
fn one_stratum_is_the_plain_interval() {
    let a: Vec<f64> = (0..60).map(|i| f64::from(i * 37 % 61)).collect();
    let b: Vec<f64> = (0..55).map(|i| f64::from(i * 23 % 59) + 7.3).collect();
    let plain = hodges_lehmann(&a, &b, 0.95, IntervalMethod::Normal).unwrap();
    let pairs = [SortedPair::new(&a, &b, 1.0 / 116.0)];
    let interval = normal_interval(&pairs, 0.95).unwrap();
    let want = plain.interval.unwrap();
    assert_eq!((interval.lower, interval.upper), (want.lower, want.upper));
    assert_eq!(weighted_median(&pairs), plain.estimate);
}

#[test]
fn moving_side_b_moves_the_shift_and_its_interval() {
    let a = [3.0, 8.0, 5.5, 9.0, 1.0, 4.0, 7.5];
    let b = [6.0, 2.0, 9.5, 11.0, 8.25];
    let strata = |by: f64| {
        let moved: Vec<f64> = b.iter().map(|v| v + by).collect();
        [
            stratum(&a, &moved),
            stratum(&b, &a.map(|v| v + by)),
            stratum(&a, &moved),
        ]
    };
    let (here, there) = (
        stratified_shift(&strata(0.0), 0.9).unwrap(),
        stratified_shift(&strata(64.0), 0.9).unwrap(),
    );
    assert!((there.estimate - here.estimate - 64.0).abs() < 1e-12);
    let (i, j) = (here.interval.unwrap(), there.interval.unwrap());
    assert!((j.lower - i.lower - 64.0).abs() < 1e-12 && (j.upper - i.upper - 64.0).abs() < 1e-12);
    assert!(i.lower <= here.estimate && here.estimate <= i.upper);
}

#[test]
fn swapping_the_sides_mirrors_everything() {
    let strata = [
        stratum(&[1.0, 4.0, 4.0, 6.0, 2.0], &[3.0, 5.0, 7.0, 9.0]),
        stratum(&[20.0, 23.0, 21.0, 26.0], &[25.0, 22.0, 28.0, 24.0, 26.0, 30.0]),
    ];
    let swapped = strata.clone().map(|s| stratum(&s.b, &s.a));
    let (one, two) = (van_elteren(&strata).unwrap(), van_elteren(&swapped).unwrap());
    assert!((one.z + two.z).abs() < 1e-12 && (one.p - two.p).abs() < 1e-12);
    let (one, two) = (
        stratified_shift(&strata, 0.9).unwrap(),
        stratified_shift(&swapped, 0.9).unwrap(),
    );
    assert_eq!(one.estimate, -two.estimate);
    let (i, j) = (one.interval.unwrap(), two.interval.unwrap());
    assert_eq!((i.lower, i.upper), (-j.upper, -j.lower));
}

#[test]
fn a_one_sided_stratum_says_nothing() {
    let both = stratum(&[1.0, 2.0, 3.0], &[2.5, 3.5, 4.5]);
    let alone = stratum(&[100.0; 50], &[]);
    let with = van_elteren(&[both.clone(), alone.clone()]).unwrap();
    assert_eq!(with, van_elteren(std::slice::from_ref(&both)).unwrap());
    assert!(matches!(van_elteren(&[alone]), Err(StatsError::TooFew { .. })));
    assert!(van_elteren(&[both, stratum(&[f64::NAN], &[])]).is_err());
}

#[test]
fn equal_values_are_no_evidence() {
    let test = van_elteren(&[stratum(&[1.0; 3], &[1.0; 4]), stratum(&[5.0], &[5.0])]).unwrap();
    assert_eq!((test.z, test.p), (0.0, 1.0));
    assert_eq!(
        van_elteren_permuted(&[stratum(&[1.0; 3], &[1.0; 4])], 50, 3).unwrap(),
        1.0
    );
}

#[test]
fn the_interval_covers_what_it_says() {
    // 4 strata of different level and spread, 6 and 5 values each: a true shift of 1 must lie inside at least as
    // often as stated, and the interval must not be so wide that it says nothing.
    let mut seeded = Seeded::new(11);
    let mut noise = || seeded.normal();
    let rounds = 600;
    let (mut held, mut width) = (0, 0.0);
    for _ in 0..rounds {
        let strata: Vec<Stratum> = [0.0, 10.0, -4.0, 55.0]
            .into_iter()
            .map(|level| {
                let a: Vec<f64> = (0..6).map(|_| level + noise()).collect();
                let b: Vec<f64> = (0..5).map(|_| level + noise() + 1.0).collect();
                stratum(&a, &b)
            })
            .collect();
        let interval = stratified_shift(&strata, 0.95).unwrap().interval.unwrap();
        held += u32::from(interval.lower <= 1.0 && 1.0 <= interval.upper);
        width += (interval.upper - interval.lower) / f64::from(rounds);
    }
    let share = f64::from(held) / f64::from(rounds);
    // Three standard errors of 600 rounds are 0.027.
    assert!((0.93..=0.995).contains(&share), "{share}");
    // The interval of a mean would be 2·1.96·√(1/24 + 1/20) = 1.19 wide.
    assert!(width < 1.6, "{width}");
}

#[test]
fn the_same_seed_draws_the_same() {
    let strata = [
        stratum(&[1.0, 5.0, 3.0, 4.0], &[2.0, 6.0, 8.0]),
        stratum(&[11.0, 15.0, 13.0], &[12.0, 16.0, 18.0, 19.0]),
    ];
    let draw = |seed| van_elteren_permuted(&strata, 500, seed).unwrap();
    assert_eq!(draw(5), draw(5));
    let boot = |seed| bootstrap_shift(&strata, 0.9, 200, seed).unwrap();
    assert_eq!(boot(5), boot(5));
    assert!(bootstrap_shift(&strata, 0.9, 10, 1).is_err());
}
