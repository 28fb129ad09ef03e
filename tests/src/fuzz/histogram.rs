//! Histograms in the V2 format, plain and compressed.

use base64::Engine as _;
use coldbrake_engine::{Metric, MetricHistogram, histogram::SparseHistogram};
use hdrhistogram::{Histogram, serialization::Deserializer};

/// Length of the header of the V2 format.
const HEAD: usize = 40;

/// Input: which metric and whether the header is given, then a histogram in the V2 format, or its cells alone.
pub fn run(input: &[u8]) -> bool {
    let Some((&choice, rest)) = input.split_first() else {
        return false;
    };
    let metric = Metric::ALL[usize::from(choice & 0x7f) % Metric::ALL.len()];
    let bytes = if choice & 0x80 == 0 {
        rest.to_vec()
    } else {
        // A header that fits, so that the cells are looked at.
        let mut bytes = MetricHistogram::new(metric).to_v2();
        bytes.truncate(HEAD);
        bytes[4..8].copy_from_slice(&(rest.len() as u32).to_be_bytes());
        bytes.extend_from_slice(rest);
        bytes
    };
    let sparse = SparseHistogram::from_v2(metric, &bytes);
    let Ok(read) = MetricHistogram::from_v2(metric, &bytes) else {
        assert!(sparse.is_err(), "the library refuses what is read sparsely");
        return false;
    };
    let mut dense = MetricHistogram::new(metric);
    dense.merge_sparse(&sparse.expect("what the library reads is read sparsely too"));
    assert_eq!(dense.raw(), read.raw(), "both ways of reading find the same");
    let written = read.to_v2();
    let again = MetricHistogram::from_v2(metric, &written).expect("a histogram that was written");
    assert_eq!(again.raw(), read.raw());
    assert_eq!(
        again.to_v2(),
        written,
        "a histogram read back writes the same bytes"
    );

    // The compressed form, read by the library alone.
    let compressed = base64::engine::general_purpose::STANDARD
        .decode(read.to_base64())
        .expect("base64");
    let other: Histogram<u64> = Deserializer::new()
        .deserialize(&mut &compressed[..])
        .expect("a compressed histogram that was written");
    assert_eq!(&other, read.raw());

    let cells = read.cells();
    assert!(
        cells.windows(2).all(|w| w[0].1 <= w[1].0),
        "cells ascend and do not overlap"
    );
    let sum: u128 = cells.iter().map(|(_, _, n)| u128::from(*n)).sum();
    assert_eq!(sum, u128::from(read.count()), "the cells hold every value");
    let quantiles: Vec<_> = [0.0, 0.25, 0.5, 0.9, 1.0].map(|q| read.quantile(q)).to_vec();
    assert!(
        quantiles.windows(2).all(|w| w[0] <= w[1]),
        "quantiles ascend: {quantiles:?}"
    );
    assert_eq!(read.mean().is_some(), read.count() > 0);
    assert!(read.mean().is_none_or(f64::is_finite));

    // Adding up in either order is the same.
    let mut new = MetricHistogram::new(metric);
    new.record(0.7);
    let (mut a, mut b) = (read.clone(), new.clone());
    a.merge(&new);
    b.merge(&read);
    assert_eq!(a.to_v2(), b.to_v2(), "the order of additions does not matter");
    true
}

/// Histograms of every metric: empty, with a few values, and their cells without the header.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let mut seeds = Vec::new();
    for (metric, number) in Metric::ALL.into_iter().zip(0_u8..) {
        let mut h = MetricHistogram::new(metric);
        for i in 0..60 {
            h.record(f64::from(i * i) * 0.013);
        }
        let bytes = h.to_v2();
        if number % 4 == 0 {
            seeds.push((format!("plain_{number}"), [&[number], &bytes[..]].concat()));
        }
        seeds.push((
            format!("cells_{number}"),
            [&[number | 0x80], &bytes[HEAD..]].concat(),
        ));
    }
    seeds.push((
        "empty".to_owned(),
        [&[0], &MetricHistogram::new(Metric::ALL[0]).to_v2()[..]].concat(),
    ));
    seeds
}
