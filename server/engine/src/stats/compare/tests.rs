#![expect(clippy::float_cmp, reason = "results that are exact by construction")]

use super::super::seeded::Seeded;
use super::*;

fn lower_is_better() -> CompareOptions {
    CompareOptions::new(Direction::LowerIsBetter)
}

/// Normal values around a level.
fn values(seeded: &mut Seeded, count: usize, level: f64, spread: f64) -> Vec<f64> {
    (0..count).map(|_| level + spread * seeded.normal()).collect()
}

fn stratum(key: &str, a: Vec<f64>, b: Vec<f64>) -> Stratum {
    Stratum {
        key: key.into(),
        a,
        b,
    }
}

/// Side b needs 3 less friction on each grade but has mostly driven the steep one.
fn different_mix(seeded: &mut Seeded) -> [Stratum; 2] {
    [
        stratum(
            "easy",
            values(seeded, 80, 20.0, 3.0),
            values(seeded, 15, 17.0, 3.0),
        ),
        stratum(
            "steep",
            values(seeded, 15, 60.0, 3.0),
            values(seeded, 80, 57.0, 3.0),
        ),
    ]
}

#[test]
fn pooling_gives_the_wrong_answer_and_strata_the_right_one() {
    let strata = different_mix(&mut Seeded::new(3));
    let answer = compare(&strata, &lower_is_better()).unwrap();
    assert_eq!(answer.verdict, Verdict::Better);
    let evidence = answer.evidence.unwrap();
    let interval = evidence.shift.interval.unwrap();
    assert!(interval.lower <= -3.0 && -3.0 <= interval.upper && interval.upper < 0.0);
    assert!(evidence.b.median < evidence.a.median, "{evidence:?}");
    assert!(evidence.effect.interval.upper < 0.5);

    // The same observations in one pot: worse, and most significantly so.
    let pot = |side: fn(&Stratum) -> &Vec<f64>| strata.iter().flat_map(|s| side(s).clone()).collect();
    let pooled = [stratum("all", pot(|s| &s.a), pot(|s| &s.b))];
    let wrong = compare(&pooled, &lower_is_better()).unwrap();
    assert_eq!(wrong.verdict, Verdict::Worse);
    assert!(wrong.evidence.unwrap().p < 1e-6);
}

#[test]
fn too_few_is_said_plainly() {
    let mut seeded = Seeded::new(4);
    // As clear as can be, and still nine values only.
    let strata = [stratum(
        "west",
        values(&mut seeded, 40, 50.0, 1.0),
        values(&mut seeded, 9, 10.0, 1.0),
    )];
    assert_eq!(
        compare(&strata, &lower_is_better()).unwrap().verdict,
        Verdict::TooFewToTell
    );
    let one_more = CompareOptions {
        minimum_per_side: 9,
        ..lower_is_better()
    };
    assert_eq!(compare(&strata, &one_more).unwrap().verdict, Verdict::Better);
}

#[test]
fn grades_that_only_one_side_has_driven_do_not_count() {
    let mut seeded = Seeded::new(5);
    let strata = [
        stratum("west", values(&mut seeded, 30, 50.0, 1.0), vec![]),
        stratum("east", vec![], values(&mut seeded, 30, 10.0, 1.0)),
    ];
    let answer = compare(&strata, &lower_is_better()).unwrap();
    assert_eq!((answer.n_a, answer.n_b, answer.evidence), (0, 0, None));
    assert_eq!(answer.verdict, Verdict::TooFewToTell);
    assert_eq!((answer.strata[0].n_a, answer.strata[0].n_b), (30, 0));
    assert!(answer.strata[0].median_a.is_some() && answer.strata[0].median_b.is_none());
    assert_eq!(
        compare(&[], &lower_is_better()).unwrap().verdict,
        Verdict::TooFewToTell
    );
}

#[test]
fn the_direction_turns_the_verdict() {
    let mut seeded = Seeded::new(6);
    let strata = [stratum(
        "west",
        values(&mut seeded, 40, 50.0, 2.0),
        values(&mut seeded, 40, 54.0, 2.0),
    )];
    let higher = CompareOptions::new(Direction::HigherIsBetter);
    assert_eq!(compare(&strata, &higher).unwrap().verdict, Verdict::Better);
    assert_eq!(
        compare(&strata, &lower_is_better()).unwrap().verdict,
        Verdict::Worse
    );
}

#[test]
fn a_relevant_shift_separates_small_from_unknown() {
    let mut seeded = Seeded::new(7);
    let options = CompareOptions {
        relevant_shift: Some(5.0),
        ..lower_is_better()
    };
    let ask = |strata: &[Stratum]| compare(strata, &options).unwrap().verdict;
    // Sure to differ, by too little to matter.
    let small = [stratum(
        "west",
        values(&mut seeded, 300, 50.0, 3.0),
        values(&mut seeded, 300, 52.0, 3.0),
    )];
    assert_eq!(
        compare(&small, &lower_is_better()).unwrap().verdict,
        Verdict::Worse
    );
    assert_eq!(ask(&small), Verdict::NoDifferenceSeen);
    // No sign of a difference, but room for one of 5 either way.
    let wide = [stratum(
        "west",
        values(&mut seeded, 12, 50.0, 15.0),
        values(&mut seeded, 12, 50.0, 15.0),
    )];
    assert_eq!(ask(&wide), Verdict::TooFewToTell);
    let large = [stratum(
        "west",
        values(&mut seeded, 40, 50.0, 3.0),
        values(&mut seeded, 40, 60.0, 3.0),
    )];
    assert_eq!(ask(&large), Verdict::Worse);
}

#[test]
fn mostly_equal_values_still_have_a_direction() {
    // No friction on most descents: the shift is 0, yet b has more descents with some.
    let with = |zeros: usize, some: usize| -> Vec<f64> {
        let rest = (0..some).map(|i| 5.0 + i as f64);
        std::iter::repeat_n(0.0, zeros).chain(rest).collect()
    };
    let strata = [stratum("west", with(190, 10), with(130, 70))];
    let answer = compare(&strata, &lower_is_better()).unwrap();
    assert_eq!(answer.evidence.unwrap().shift.estimate, 0.0);
    assert_eq!(answer.verdict, Verdict::Worse);
}

#[test]
fn many_questions_are_adjusted_and_few_observations_are_not_one() {
    let mut seeded = Seeded::new(8);
    let options = lower_is_better();
    let mut one = |n: usize, by: f64| {
        [stratum(
            "west",
            values(&mut seeded, n, 0.0, 1.0),
            values(&mut seeded, n, by, 1.0),
        )]
    };
    let families = 150;
    let (mut share_alone, mut share_together, mut found) = (0.0, 0.0, 0);
    for _ in 0..families {
        // Two real differences among eight that are none, and one with too few to tell.
        let mut data: Vec<[Stratum; 1]> = (0..8).map(|_| one(12, 0.0)).collect();
        data.extend([one(12, 2.0), one(12, 2.0), one(3, 9.0)]);
        let questions: Vec<Question<'_>> = data.iter().map(|strata| Question { strata, options }).collect();
        let wrong = |answers: &[Comparison]| {
            let called = |a: &&Comparison| matches!(a.verdict, Verdict::Better | Verdict::Worse);
            let all = answers.iter().filter(called).count();
            answers[..8].iter().filter(called).count() as f64 / all.max(1) as f64
        };
        let together = compare_many(&questions).unwrap();
        let alone: Vec<Comparison> = data.iter().map(|s| compare(s, &options).unwrap()).collect();
        assert_eq!(together[10].verdict, Verdict::TooFewToTell);
        // The smallest p of ten questions, not of eleven.
        let smallest = together[..10].iter().filter_map(|a| a.evidence).map(|e| e.p);
        let smallest = smallest.fold(1.0, f64::min);
        assert!(together[..10].iter().filter_map(|a| a.evidence).all(|e| {
            e.p_adjusted >= e.p
                && e.p_adjusted <= (10.0 * e.p).min(1.0) + 1e-12
                && (e.p > smallest || e.p_adjusted <= 10.0 * smallest)
        }));
        found += together[8..10]
            .iter()
            .filter(|a| a.verdict == Verdict::Worse)
            .count();
        share_together += wrong(&together) / f64::from(families);
        share_alone += wrong(&alone) / f64::from(families);
    }
    // Wrong ones among those called: at most 5 % × 8/10, and clearly more without the adjustment.
    assert!(share_together < 0.05, "{share_together}");
    assert!(
        share_alone > 1.5 * share_together,
        "{share_alone} {share_together}"
    );
    assert!(found > 270, "{found} of 300");
}

#[test]
fn chance_alone_is_called_a_difference_as_rarely_as_promised() {
    let mut seeded = Seeded::new(9);
    let options = CompareOptions {
        permutations: 199,
        ..lower_is_better()
    };
    let rounds = 500;
    let mut called = 0;
    for _ in 0..rounds {
        let strata: Vec<Stratum> = [(6, 9, 0.0), (3, 7, 40.0), (8, 2, 90.0)]
            .into_iter()
            .map(|(n, m, level)| {
                stratum(
                    "",
                    values(&mut seeded, n, level, 4.0),
                    values(&mut seeded, m, level, 4.0),
                )
            })
            .collect();
        let verdict = compare(&strata, &options).unwrap().verdict;
        called += u32::from(verdict != Verdict::NoDifferenceSeen);
    }
    // 5 % of 500 is 25, three standard errors are 15.
    assert!((5..=40).contains(&called), "{called}");
}

#[test]
fn p_values_come_from_the_best_method_for_the_size() {
    let mut seeded = Seeded::new(10);
    let mut by = |n: usize, strata: usize, round: bool| {
        let strata: Vec<Stratum> = (0..strata)
            .map(|_| {
                let side = |seeded: &mut Seeded| -> Vec<f64> {
                    let v = values(seeded, n, 0.0, 3.0);
                    v.into_iter().map(|v| if round { v.round() } else { v }).collect()
                };
                stratum("", side(&mut seeded), side(&mut seeded))
            })
            .collect();
        compare(&strata, &lower_is_better())
            .unwrap()
            .evidence
            .unwrap()
            .p_by
    };
    assert_eq!(by(20, 1, false), PValueBy::Exact);
    assert_eq!(by(20, 1, true), PValueBy::Permutation);
    assert_eq!(by(20, 2, false), PValueBy::Permutation);
    assert_eq!(by(60, 2, false), PValueBy::Normal);
}

#[test]
fn refusals() {
    let bad = [stratum("west", vec![1.0, f64::NAN], vec![])];
    assert!(compare(&bad, &lower_is_better()).is_err());
    let options = CompareOptions {
        relevant_shift: Some(0.0),
        ..lower_is_better()
    };
    assert!(compare(&[], &options).is_err());
    assert!(distributions(&[], 10).is_err());
}
