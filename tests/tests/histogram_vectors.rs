//! Histograms that other programs wrote, read with the same percentiles.
//!
//! Sources: `reference/hdr/vectors.json`, written by hdrhistogram 0.10.8 (PyPI); and encoded histograms that the test suites
//! of the HdrHistogram family share, read there. The other direction, the PyPI library reading ours, is in `python/`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use std::{collections::BTreeMap, io::Read as _};

use base64::{Engine as _, engine::general_purpose::STANDARD};
use coldbrake_engine::{Metric, MetricHistogram, histogram::HistogramError};
use coldbrake_tests::case::reference;
use hdrhistogram::{Histogram, serialization::Deserializer};
use serde::Deserialize;

#[derive(Deserialize)]
struct Vector {
    name: String,
    lowest: u64,
    highest: u64,
    sigfig: u8,
    total_count: u64,
    v2_base64: String,
    percentiles: BTreeMap<String, u64>,
    min: u64,
    max: u64,
}

fn vectors() -> Vec<Vector> {
    serde_json::from_str(&std::fs::read_to_string(reference("hdr/vectors.json")).unwrap()).unwrap()
}

fn decode(base64: &str) -> Histogram<u64> {
    let bytes = STANDARD.decode(base64).unwrap();
    Deserializer::new().deserialize(&mut bytes.as_slice()).unwrap()
}

/// Takes the compressed envelope off: cookie, length, then a zlib stream.
fn inflate(base64: &str) -> Vec<u8> {
    let bytes = STANDARD.decode(base64).unwrap();
    assert_eq!(
        bytes[..4],
        [0x1c, 0x84, 0x93, 0x14],
        "the cookie of a compressed V2 histogram"
    );
    let mut plain = Vec::new();
    flate2::read::ZlibDecoder::new(&bytes[8..])
        .read_to_end(&mut plain)
        .unwrap();
    plain
}

#[test]
fn all_percentiles_of_the_vectors_are_the_same() {
    let mut compared = 0;
    for vector in vectors() {
        let histogram = decode(&vector.v2_base64);
        assert_eq!(histogram.len(), vector.total_count, "{}", vector.name);
        assert_eq!(
            (histogram.low(), histogram.high(), histogram.sigfig()),
            (vector.lowest, vector.highest, vector.sigfig)
        );
        assert_eq!(
            (histogram.min(), histogram.max()),
            (vector.min, vector.max),
            "{}",
            vector.name
        );
        for (percentile, expected) in &vector.percentiles {
            let q = percentile.parse::<f64>().unwrap() / 100.0;
            // The 0th percentile is the smallest value in both.
            let value = if q == 0.0 {
                histogram.min()
            } else {
                histogram.value_at_quantile(q)
            };
            assert_eq!(value, *expected, "{} at {percentile} %", vector.name);
            compared += 1;
        }
    }
    assert_eq!(compared, 48);
}

#[test]
fn a_metric_reads_a_histogram_of_its_scale_and_refuses_others() {
    let vectors = vectors();
    let ratios = &vectors[0];
    let plain = inflate(&ratios.v2_base64);
    let histogram = MetricHistogram::from_v2(Metric::RecoveryRatio, &plain).unwrap();
    assert_eq!(histogram.count(), ratios.total_count);
    for (percentile, expected) in ratios.percentiles.iter().filter(|(p, _)| *p != "0.0") {
        let q = percentile.parse::<f64>().unwrap() / 100.0;
        assert_eq!(
            histogram.quantile(q),
            Some(*expected as f64 / 1e4),
            "at {percentile} %"
        );
    }
    // What is written reads back the same. (The bytes may differ: there are two ways to write a single empty cell.)
    let again = MetricHistogram::from_v2(Metric::RecoveryRatio, &histogram.to_v2()).unwrap();
    assert!(again == histogram, "written and read again");

    let refused = MetricHistogram::from_v2(Metric::Drop, &plain);
    assert!(
        matches!(refused, Err(HistogramError::OtherScale { .. })),
        "{refused:?}"
    );
    for length in [0, 10, 39, 40, plain.len() - 1] {
        let refused = MetricHistogram::from_v2(Metric::RecoveryRatio, &plain[..length]);
        assert!(
            matches!(refused, Err(HistogramError::Damaged { .. })),
            "{length} bytes: {refused:?}"
        );
    }
}

#[test]
fn values_come_back_within_three_digits() {
    // The exact percentiles of the vectors' own values, by nearest rank, lie in the cell that the histogram names.
    let mut histogram = MetricHistogram::new(Metric::Available);
    for k in 1..=9_999_u32 {
        histogram.record(f64::from(k).powi(2));
    }
    for q in [0.01, 0.25, 0.5, 0.9, 0.99, 1.0] {
        let exact = (q * 9_999.0_f64).ceil().powi(2);
        let value = histogram.quantile(q).unwrap();
        assert!((value / exact - 1.0).abs() < 1e-3, "{q}: {value} {exact}");
    }
}

#[test]
fn histograms_of_the_family_s_test_suites_read_the_same() {
    // Their writer counted the 40 bytes of the head in the length of the counts, which this crate takes at its word.
    let decode = |base64: &str| -> Histogram<u64> {
        let mut plain = inflate(base64);
        let counts = u32::try_from(plain.len() - 40).unwrap();
        plain[4..8].copy_from_slice(&counts.to_be_bytes());
        Deserializer::new().deserialize(&mut plain.as_slice()).unwrap()
    };
    // Vector of the Python suite: 10 001 values, one of them five orders above the others.
    let a = decode("HISTFAAAACl4nJNpmSzMwMBgyAABzFCaEURcm7yEwf4DROA8/4I5jNM7mJgAlWkH9g==");
    assert_eq!(
        (a.len(), a.low(), a.high(), a.sigfig()),
        (10_001, 1, 3_600_000_000, 3)
    );
    for (percentile, value) in [
        (30.0, 1000),
        (99.0, 1000),
        (99.99, 1000),
        (99.999, 100_007_935),
        (100.0, 100_007_935),
    ] {
        assert_eq!(a.value_at_percentile(percentile), value, "{percentile}");
    }
    // Three values; the highest equivalent of each.
    let c = decode("HISTFAAAACl4nJNpmSzMwMDAxQABzFCaEUzOmNZg/wEi0NzIyPSYlWmpGBMAh4gG4A==");
    let values: Vec<u64> = c.iter_recorded().map(|v| v.value_iterated_to()).collect();
    assert_eq!(values, [139_647, 187_135, 477_695]);
    assert!((c.mean() - 268_074.667).abs() < 0.01, "{}", c.mean());
    assert!((c.stdev() - 149_397.390).abs() < 0.01, "{}", c.stdev());
}
