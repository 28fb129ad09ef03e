use super::*;

#[test]
fn state_is_constant_in_size_and_returns() {
    let mut ewma = EwmaChart::new(EwmaDesign::new(0.2, 3.0), 0.0, 1.0).unwrap();
    let mut cusum = CusumChart::new(CusumDesign::new(0.5, 5.0), 0.0, 1.0).unwrap();
    for i in 0..200_000_u32 {
        ewma.observe(f64::from(i % 3) - 1.0).unwrap();
        cusum.observe(1e3).unwrap();
    }
    let bytes = postcard::to_allocvec(&ewma).unwrap();
    assert!(bytes.len() <= 60, "{}", bytes.len());
    assert_eq!(postcard::from_bytes::<EwmaChart>(&bytes).unwrap(), ewma);
    let bytes = postcard::to_allocvec(&cusum).unwrap();
    assert!(bytes.len() <= 72, "{}", bytes.len());
    assert_eq!(postcard::from_bytes::<CusumChart>(&bytes).unwrap(), cusum);
}

#[test]
fn one_side_watches_one_side() {
    let design = EwmaDesign {
        side: Side::Upper,
        ..EwmaDesign::new(0.2, 3.0)
    };
    let mut upper = EwmaChart::new(design, 0.0, 1.0).unwrap();
    for _ in 0..50 {
        let point = upper.observe(-9.0).unwrap();
        assert!(point.signal.is_none() && point.lower.is_none() && point.value >= 0.0);
    }
    // No low stretch is carried over: one great value is enough.
    assert_eq!(upper.observe(9.0).unwrap().signal, Some(Signal::High));
    let design = CusumDesign {
        side: Side::Lower,
        ..CusumDesign::new(0.5, 4.0)
    };
    let mut lower = CusumChart::new(design, 0.0, 1.0).unwrap();
    assert!(lower.observe(90.0).unwrap().signal.is_none());
    assert_eq!(lower.observe(-9.0).unwrap().signal, Some(Signal::Low));
}

#[test]
fn head_start_signals_earlier_and_fades() {
    let fast = CusumDesign {
        head_start: 0.5,
        ..CusumDesign::new(0.5, 4.0)
    };
    let passes = |design: CusumDesign| {
        let mut chart = CusumChart::new(design, 0.0, 1.0).unwrap();
        (1..99).find(|_| chart.observe(1.5).unwrap().signal.is_some())
    };
    assert_eq!(passes(fast), Some(3));
    assert_eq!(passes(CusumDesign::new(0.5, 4.0)), Some(5));
    let mut chart = CusumChart::new(fast, 0.0, 1.0).unwrap();
    for _ in 0..4 {
        chart.observe(0.0).unwrap();
    }
    assert_eq!((chart.point().high, chart.point().low), (0.0, 0.0));
    chart.reset();
    assert_eq!((chart.point().high, chart.point().low), (2.0, 2.0));
    let ewma = EwmaDesign {
        side: Side::Lower,
        limits: Limits::Steady,
        head_start: 0.5,
        ..EwmaDesign::new(0.2, 3.0)
    };
    let point = EwmaChart::new(ewma, 10.0, 1.0).unwrap().point();
    assert!((point.value - 9.5).abs() < 1e-12 && point.lower == Some(9.0));
}

#[test]
fn refusals_leave_the_chart_as_it_was() {
    let mut chart = EwmaChart::new(EwmaDesign::new(0.2, 3.0), 0.0, 1.0).unwrap();
    chart.observe(0.5).unwrap();
    let before = chart;
    assert!(chart.observe(f64::NAN).is_err());
    assert_eq!(chart, before);
    assert!(EwmaChart::new(EwmaDesign::new(0.2, 3.0), 0.0, 0.0).is_err());
    assert!(EwmaChart::new(EwmaDesign::new(1.2, 3.0), 0.0, 1.0).is_err());
    let both = EwmaDesign {
        head_start: 0.5,
        ..EwmaDesign::new(0.2, 3.0)
    };
    assert!(both.check().is_err());
    let mut chart = CusumChart::new(CusumDesign::new(0.5, 5.0), 0.0, 1.0).unwrap();
    assert!(chart.observe(f64::INFINITY).is_err());
    chart.observe(f64::MAX).unwrap();
    assert!(chart.observe(f64::MAX).unwrap().high.is_finite());
}

#[test]
fn an_update_takes_less_than_five_microseconds() {
    let mut ewma = EwmaChart::new(EwmaDesign::new(0.2, 3.0), 0.0, 1.0).unwrap();
    let mut cusum = CusumChart::new(CusumDesign::new(0.5, 5.0), 0.0, 1.0).unwrap();
    let rounds = 20_000_u32;
    // The best of several, so that a busy machine does not fail it.
    let best = (0..10)
        .map(|_| {
            let start = std::time::Instant::now();
            for i in 0..rounds {
                let value = f64::from(i % 7) - 3.0;
                std::hint::black_box(ewma.observe(value).unwrap());
                std::hint::black_box(cusum.observe(value).unwrap());
            }
            start.elapsed() / rounds
        })
        .min()
        .unwrap();
    assert!(best < std::time::Duration::from_micros(5), "{best:?}");
}
