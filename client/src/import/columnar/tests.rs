//! Parquet files as people have them, good and bad, written here by the encoder of the library.

use std::{fmt::Write as _, fs::File, io::Read as _, sync::Arc};

use coldbrake_engine::{Batch, BrakeKind};
use parquet::{
    basic::{Compression, Encoding, ZstdLevel},
    data_type::{BoolType, ByteArrayType, DoubleType, FloatType, Int32Type, Int64Type},
    file::{
        metadata::ColumnChunkMetaData,
        properties::{WriterProperties, WriterVersion},
        writer::SerializedFileWriter,
    },
    schema::parser::parse_message_type,
};
use proptest::prelude::*;

use super::check_chunk;
use crate::import::{
    ImportReport, LogReader, Problem,
    tests::{CHARGE, all_of, file, options},
};

/// Values of a column, `None` where none is.
#[derive(Clone, Debug)]
enum Values {
    Booleans(Vec<Option<bool>>),
    Short(Vec<Option<i32>>),
    Long(Vec<Option<i64>>),
    Single(Vec<Option<f32>>),
    Double(Vec<Option<f64>>),
    Text(Vec<Option<&'static str>>),
}

/// A column: how the schema says it, without `required` or `optional`, and its values.
type Written = (&'static str, Values);

fn plain() -> WriterProperties {
    WriterProperties::builder().build()
}

/// Writes a file; a row group has at most `group` rows.
fn write(columns: &[Written], group: usize, properties: WriterProperties) -> tempfile::NamedTempFile {
    fn level<T>(values: &[Option<T>]) -> Vec<i16> {
        values.iter().map(|v| i16::from(v.is_some())).collect()
    }
    fn there<T: Clone>(values: &[Option<T>]) -> Vec<T> {
        values.iter().flatten().cloned().collect()
    }
    let mut schema = "message log {\n".to_owned();
    for (name, _) in columns {
        let _ = writeln!(schema, "optional {name};");
    }
    schema.push('}');
    let schema = Arc::new(parse_message_type(&schema).unwrap());
    let file = tempfile::NamedTempFile::with_suffix(".csv").unwrap();
    let mut writer = SerializedFileWriter::new(file.reopen().unwrap(), schema, Arc::new(properties)).unwrap();
    let rows = match &columns[0].1 {
        Values::Booleans(v) => v.len(),
        Values::Short(v) => v.len(),
        Values::Long(v) => v.len(),
        Values::Single(v) => v.len(),
        Values::Double(v) => v.len(),
        Values::Text(v) => v.len(),
    };
    for begin in (0..rows).step_by(group) {
        let part = begin..rows.min(begin + group);
        let mut row_group = writer.next_row_group().unwrap();
        for (_, values) in columns {
            let mut column = row_group.next_column().unwrap().unwrap();
            macro_rules! put {
                ($kind:ty, $values:expr) => {{
                    let values = &$values[part.clone()];
                    column
                        .typed::<$kind>()
                        .write_batch(&there(values), Some(&level(values)), None)
                        .unwrap();
                }};
            }
            match values {
                Values::Booleans(v) => put!(BoolType, v),
                Values::Short(v) => put!(Int32Type, v),
                Values::Long(v) => put!(Int64Type, v),
                Values::Single(v) => put!(FloatType, v),
                Values::Double(v) => put!(DoubleType, v),
                Values::Text(v) => {
                    let v: Vec<_> = v.iter().map(|t| t.map(Into::into)).collect();
                    put!(ByteArrayType, v);
                }
            }
            column.close().unwrap();
        }
        row_group.close().unwrap();
    }
    writer.close().unwrap();
    file
}

fn doubles(values: impl IntoIterator<Item = f64>) -> Values {
    Values::Double(values.into_iter().map(Some).collect())
}

fn longs(values: impl IntoIterator<Item = i64>) -> Values {
    Values::Long(values.into_iter().map(Some).collect())
}

/// A good log of a few rows, into which tests put their own columns.
fn small(rows: usize) -> Vec<Written> {
    vec![
        (
            "int64 time_ms",
            longs((0..rows as i64).map(|i| 1_770_000_000_000 + 100 * i)),
        ),
        (
            "double speed_mps",
            doubles((0..rows).map(|i| 10.0 + i as f64 * 0.001)),
        ),
        (
            "double altitude_m",
            doubles((0..rows).map(|i| 500.0 - i as f64 * 0.01)),
        ),
        ("double brake_bar", doubles((0..rows).map(|i| (i % 3) as f64))),
        (
            "double current_a",
            doubles((0..rows).map(|i| 5.0 - (i % 7) as f64)),
        ),
    ]
}

fn with(mut columns: Vec<Written>, at: usize, column: Written) -> Vec<Written> {
    columns[at] = column;
    columns
}

fn read(columns: &[Written], args: &[&str]) -> Result<(Batch, ImportReport), Problem> {
    let file = write(columns, 1000, plain());
    let first = |error: crate::import::ImportError| {
        assert!(!error.problems[0].help.is_empty(), "says what to do: {error}");
        error.problems[0].clone()
    };
    let mut reader = LogReader::open(file.path(), &options(args)).map_err(first)?;
    let batch = reader.next_batch(4096).map_err(first)?.unwrap();
    while reader.next_batch(4096).map_err(first)?.is_some() {}
    Ok((batch, reader.report().clone()))
}

/// The same values as text.
fn as_csv(columns: &[Written]) -> String {
    fn cells<T: ToString>(values: &[Option<T>]) -> Vec<String> {
        values
            .iter()
            .map(|v| v.as_ref().map_or_else(String::new, ToString::to_string))
            .collect()
    }
    let all: Vec<Vec<String>> = columns
        .iter()
        .map(|(_, values)| match values {
            Values::Booleans(v) => cells(v),
            Values::Short(v) => cells(v),
            Values::Long(v) => cells(v),
            Values::Single(v) => cells(&v.iter().map(|v| v.map(f64::from)).collect::<Vec<_>>()),
            Values::Double(v) => cells(v),
            Values::Text(v) => cells(v),
        })
        .collect();
    let names: Vec<_> = columns
        .iter()
        .map(|(name, _)| name.split_whitespace().nth(1).unwrap())
        .collect();
    let mut text = format!("{}\n", names.join(","));
    for row in 0..all[0].len() {
        let cells: Vec<_> = all.iter().map(|column| column[row].as_str()).collect();
        let _ = writeln!(text, "{}", cells.join(","));
    }
    text
}

/// A log with every type, with columns that are there now and then.
fn varied(rows: usize) -> Vec<Written> {
    let mut columns = small(rows);
    columns[2] = (
        "float altitude_ft",
        Values::Single((0..rows).map(|i| Some(500.0 - i as f32 * 0.01)).collect()),
    );
    columns[3] = (
        "int32 brake_kpa",
        Values::Short((0..rows).map(|i| Some((i % 300) as i32)).collect()),
    );
    columns.push((
        "double soc",
        Values::Double(
            (0..rows)
                .map(|i| (i % 5 == 2).then_some(0.5 + i as f64 * 1e-6))
                .collect(),
        ),
    ));
    columns.push((
        "boolean slip",
        Values::Booleans((0..rows).map(|i| (i / 500 != 3).then_some(i % 2 == 0)).collect()),
    ));
    columns.push((
        "int64 voltage",
        Values::Long(
            (0..rows)
                .map(|i| (i > 2000).then_some(300 + (i % 50) as i64))
                .collect(),
        ),
    ));
    columns.push((
        "binary note (STRING)",
        Values::Text((0..rows).map(|_| Some("a remark")).collect()),
    ));
    columns
}

#[test]
fn the_same_values_as_text_give_the_same_batches() {
    for columns in [small(5000), varied(5000)] {
        let text = file(as_csv(&columns));
        let properties = [
            plain(),
            WriterProperties::builder()
                .set_compression(Compression::ZSTD(ZstdLevel::default()))
                .set_data_page_row_count_limit(700)
                .build(),
            WriterProperties::builder()
                .set_compression(Compression::SNAPPY)
                .set_writer_version(WriterVersion::PARQUET_2_0)
                .build(),
            WriterProperties::builder()
                .set_compression(Compression::GZIP(parquet::basic::GzipLevel::default()))
                .set_dictionary_enabled(false)
                .set_writer_version(WriterVersion::PARQUET_2_0)
                .build(),
            WriterProperties::builder()
                .set_dictionary_enabled(false)
                .set_column_encoding("speed_mps".into(), Encoding::BYTE_STREAM_SPLIT)
                .build(),
        ];
        for properties in properties {
            for group in [1234, 100_000] {
                let file = write(&columns, group, properties.clone());
                for most in [100, 4096] {
                    let of_text = all_of(text.path(), &options(CHARGE), most, true);
                    assert_eq!(of_text.1.rows, 5000, "{:?}", of_text.2);
                    for is_short in [true, false] {
                        let read = all_of(file.path(), &options(CHARGE), most, is_short);
                        assert!(read == of_text, "{most} {group} {is_short} {:?}", read.2);
                    }
                }
            }
        }
    }
}

#[test]
fn rows_that_are_whole_are_not_looked_at_one_by_one() {
    let file = write(&small(10_000), 3000, plain());
    let mut reader = LogReader::open(file.path(), &options(CHARGE)).unwrap();
    while reader.next_batch(300).unwrap().is_some() {}
    assert_eq!((reader.report().rows, reader.rows_looked_at()), (10_000, 1));
}

#[test]
fn a_map_with_units_converts() {
    let columns = [
        ("int64 t", longs([0, 100])),
        ("double v", doubles([36.0, 72.0])),
        ("double h", doubles([1.0, 1.1])),
        ("int32 p", Values::Short(vec![Some(50), Some(100)])),
        ("float i", Values::Single(vec![Some(5000.0), Some(-5000.0)])),
    ];
    let (batch, report) = read(
        &columns,
        &[
            "--current=discharge-positive",
            "--columns=time=t:ms,speed=v:km/h,altitude=h:km,brake=p:%,current=i:mA",
            "--start=2026-03-12T07:15:00Z",
        ],
    )
    .unwrap();
    assert_eq!(batch.time_ms, [1_773_299_700_000, 1_773_299_700_100]);
    assert!((batch.speed_mps[0] - 10.0).abs() < 1e-12);
    assert_eq!(batch.altitude_m, [1000.0, 1100.0]);
    assert_eq!(batch.brake, [50.0, 100.0]);
    assert_eq!(batch.current_a, [5.0, -5.0]);
    assert!(!report.start_assumed);
}

#[test]
fn wheels_are_summed_up_and_unsigned_numbers_are_not_negative() {
    let left = "double Vehicle.MotionManagement.Brake.Axle.Row1.Wheel.Left.Torque";
    let right = "double Vehicle.MotionManagement.Brake.Axle.Row1.Wheel.Right.Torque";
    let mut columns = with(small(2), 3, (left, doubles([-300.0, 0.0])));
    columns.push((right, doubles([-310.0, 0.0])));
    columns.push((
        "int32 charge_limit (INTEGER(32,false))",
        Values::Short(vec![Some(2_000_000), Some(0)]),
    ));
    let file = write(&columns, 10, plain());
    let mut reader = LogReader::open(file.path(), &options(CHARGE)).unwrap();
    assert_eq!(reader.brake_kind(), BrakeKind::Torque);
    let batch = reader.next_batch(10).unwrap().unwrap();
    assert_eq!(batch.brake, [610.0, 0.0]);
    assert!(batch.brake[1].is_sign_positive());
    let wrapped = with(
        columns,
        6,
        (
            "int32 charge_limit (INTEGER(32,false))",
            Values::Short(vec![Some(-1), Some(0)]),
        ),
    );
    let problem = read(&wrapped, CHARGE).unwrap_err();
    assert!(
        problem.what.contains("`4294967295` read as W"),
        "{}",
        problem.what
    );
}

#[test]
fn times_have_a_type_or_are_numbers() {
    let at = 1_773_299_702_250_i64;
    for (column, value, zone_assumed) in [
        ("int64 time (TIMESTAMP(MILLIS,true))", at, false),
        ("int64 time (TIMESTAMP(MICROS,true))", at * 1_000 + 400, false),
        (
            "int64 time (TIMESTAMP(NANOS,true))",
            at * 1_000_000 - 499_999,
            false,
        ),
        ("int64 time (TIMESTAMP(MILLIS,false))", at, true),
        ("int64 time (TIMESTAMP_MICROS)", at * 1_000, false),
        ("int64 time", at, false),
        ("int64 time", at * 1_000, false),
        ("int64 time_us", at * 1_000, false),
        ("int64 time", at * 1_000_000, false),
    ] {
        let columns = with(small(2), 0, (column, longs([value, value + 86_400_000_000])));
        let (batch, report) = read(&columns, CHARGE).unwrap_or_else(|p| panic!("{column}: {p:?}"));
        assert_eq!(batch.time_ms[0], at, "{column} {value}");
        assert_eq!(report.zone_assumed, zone_assumed, "{column}");
    }
    let columns = with(
        small(2),
        0,
        ("int64 time (TIMESTAMP(MILLIS,true))", longs([at, at + 1])),
    );
    let problem = read(
        &columns,
        &["--current=charge-positive", "--start=2026-01-01T00:00:00Z"],
    )
    .unwrap_err();
    assert_eq!((problem.row, problem.column.as_deref()), (Some(1), Some("time")));
    assert!(
        problem
            .what
            .contains("`2026-03-12T07:15:02.250Z` is a time of day"),
        "{}",
        problem.what
    );
    let (batch, report) = read(&with(small(2), 0, ("double time_s", doubles([0.0, 0.1]))), CHARGE).unwrap();
    assert_eq!(batch.time_ms[1] - batch.time_ms[0], 100);
    assert!(report.start_assumed);
}

#[test]
fn a_bad_value_is_shown_with_its_row_and_column() {
    let speeds = |bad: Option<f64>| {
        let mut speeds: Vec<_> = (0..3000).map(|_| Some(10.0)).collect();
        speeds[2500] = bad;
        ("double speed_mps", Values::Double(speeds))
    };
    for (bad, what) in [
        (Some(-1.0), "`-1` read as m/s is outside 0 to 120 m/s"),
        (Some(1e300), "`1e300` read as m/s is outside 0 to 120 m/s"),
        (Some(f64::INFINITY), "`inf` is infinite"),
        (Some(f64::NAN), "holds no value, but every row needs the speed"),
        (None, "holds no value, but every row needs the speed"),
    ] {
        let columns = with(small(3000), 1, speeds(bad));
        let problem = read(&columns, CHARGE).unwrap_err();
        assert_eq!(
            (problem.row, problem.line, problem.column.as_deref()),
            (Some(2501), None, Some("speed_mps"))
        );
        assert_eq!(problem.what, what);
        let (_, report) = read(&columns, &["--current=charge-positive", "--skip-bad-rows"]).unwrap();
        assert_eq!(
            (report.rows, report.skipped, report.skipped_first[0].row),
            (2999, 1, Some(2501))
        );
    }
    let file = write(&with(small(3000), 1, speeds(None)), 1000, plain());
    let error = all_of(file.path(), &options(CHARGE), 4096, true).2.unwrap();
    assert!(
        error
            .to_string()
            .contains(": row 2501: column `speed_mps`: holds no value"),
        "{error}"
    );
    let back = with(
        small(3),
        0,
        (
            "int64 time_ms",
            longs([1_770_000_000_000, 1_770_000_000_100, 1_770_000_000_050]),
        ),
    );
    let problem = read(&back, CHARGE).unwrap_err();
    assert_eq!(
        (problem.row, problem.column.as_deref()),
        (Some(3), Some("time_ms"))
    );
    assert!(problem.what.contains("50 ms later"), "{}", problem.what);
}

#[test]
fn a_column_of_another_type_is_named_before_anything_is_read() {
    for (at, column, what) in [
        (
            1,
            ("binary speed_mps (STRING)", Values::Text(vec![Some("10"); 2])),
            "is of the type BYTE_ARRAY (String), but the speed needs numbers",
        ),
        (
            1,
            ("boolean speed_mps", Values::Booleans(vec![Some(true); 2])),
            "is of the type BOOLEAN, but the speed needs numbers",
        ),
        (
            1,
            ("int32 speed_mps (DATE)", Values::Short(vec![Some(1); 2])),
            "is of the type INT32 (Date)",
        ),
        (
            1,
            ("int64 speed_mps (DECIMAL(10,2))", Values::Long(vec![Some(1); 2])),
            "is of the type INT64 (Decimal)",
        ),
        (
            1,
            (
                "int64 speed_mps (TIMESTAMP(MILLIS,true))",
                Values::Long(vec![Some(1); 2]),
            ),
            "is of the type INT64 (Timestamp)",
        ),
        (
            0,
            (
                "binary time (STRING)",
                Values::Text(vec![Some("2026-03-12T07:15:00Z"); 2]),
            ),
            "but the time needs numbers or a TIMESTAMP",
        ),
        (
            0,
            ("boolean time", Values::Booleans(vec![Some(true); 2])),
            "but the time needs numbers or a TIMESTAMP",
        ),
    ] {
        let name = column.0.split_whitespace().nth(1).unwrap();
        let problem = read(&with(small(2), at, column.clone()), CHARGE).unwrap_err();
        assert_eq!((problem.row, problem.column.as_deref()), (None, Some(name)));
        assert!(problem.what.contains(what), "{}", problem.what);
    }
    let problem = read(&small(2)[1..], CHARGE).unwrap_err();
    assert!(
        problem.help.contains("the columns are `speed_mps`"),
        "{}",
        problem.help
    );
    let problem = read(&small(0), CHARGE).unwrap_err();
    assert!(problem.what.contains("no rows"), "{}", problem.what);
}

#[test]
fn a_codec_that_is_not_read_is_named() {
    let schema = parse_message_type("message log { required double v; }").unwrap();
    let schema = parquet::schema::types::SchemaDescriptor::new(Arc::new(schema));
    let chunk = |codec, size| {
        ColumnChunkMetaData::builder(schema.column(0))
            .set_compression(codec)
            .set_data_page_offset(4)
            .set_total_compressed_size(size)
            .build()
            .unwrap()
    };
    assert_eq!(check_chunk(&chunk(Compression::SNAPPY, 96), 100), Ok(()));
    let problem = check_chunk(&chunk(Compression::LZ4_RAW, 96), 100).unwrap_err();
    assert!(problem.what.contains("LZ4_RAW"), "{}", problem.what);
    for size in [97, -1, -4, -5, i64::MAX, i64::MIN] {
        assert!(
            check_chunk(&chunk(Compression::SNAPPY, size), 100).is_err(),
            "{size}"
        );
    }
}

fn bytes_of(columns: &[Written], properties: WriterProperties) -> Vec<u8> {
    let mut bytes = Vec::new();
    let file = write(columns, 40, properties);
    File::open(file.path()).unwrap().read_to_end(&mut bytes).unwrap();
    bytes
}

#[test]
fn a_file_that_is_cut_off_anywhere_is_an_error() {
    let bytes = bytes_of(&varied(100), plain());
    for length in 4..bytes.len() {
        let cut = file(&bytes[..length]);
        let (.., error) = all_of(cut.path(), &options(CHARGE), 4096, true);
        let error = error.unwrap_or_else(|| panic!("{length} of {} bytes are read", bytes.len()));
        assert!(error.to_string().contains("cannot be read as Parquet"), "{error}");
    }
}

/// Reads a file to its end or to an error. What it holds cannot be told.
fn survives(bytes: &[u8]) {
    let file = file(bytes);
    let args = ["--current=charge-positive", "--skip-bad-rows"];
    let short = all_of(file.path(), &options(&args), 4096, true);
    let general = all_of(file.path(), &options(&args), 4096, false);
    assert!(short == general, "both ways read the same");
    if let Some(error) = short.2 {
        assert!(!error.problems.is_empty());
    }
}

#[test]
fn a_file_with_any_byte_changed_is_read_or_refused() {
    let properties = [
        WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .build(),
        WriterProperties::builder()
            .set_dictionary_enabled(false)
            .set_writer_version(WriterVersion::PARQUET_2_0)
            .build(),
    ];
    for properties in properties {
        let bytes = bytes_of(&varied(100), properties);
        for at in 4..bytes.len() {
            for change in [0x01, 0x80, 0xff] {
                let mut bytes = bytes.clone();
                bytes[at] ^= change;
                survives(&bytes);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn both_ways_read_the_same(
        rows in prop::collection::vec((0..200_u8, 0..200_u8, 0..60_u8), 0..200),
        group in 1..120_usize,
        most in prop::sample::select(vec![1_usize, 7, 4096]),
        is_skipping in any::<bool>(),
        is_varied in any::<bool>(),
    ) {
        let mut columns = if is_varied { varied(rows.len()) } else { small(rows.len()) };
        if !is_varied {
            columns.push(("double soc", doubles(rows.iter().map(|_| 0.5))));
        }
        for (i, (time, speed, soc)) in rows.iter().enumerate() {
            if let Values::Long(times) = &mut columns[0].1 {
                match time {
                    0 => times[i] = None,
                    1 => times[i] = times[i].map(|t| t - 1000),
                    2 => times[i] = Some(7),
                    _ => {}
                }
            }
            if let Values::Double(speeds) = &mut columns[1].1 {
                match speed {
                    0 => speeds[i] = None,
                    1 => speeds[i] = Some(f64::NAN),
                    2 => speeds[i] = Some(121.0),
                    3 => speeds[i] = Some(f64::NEG_INFINITY),
                    4 => speeds[i] = Some(-0.0),
                    _ => {}
                }
            }
            if let Values::Double(charges) = &mut columns[5].1 {
                charges[i] = match soc {
                    0 => None,
                    1..20 => charges[i],
                    20 if i % 7 == 0 => Some(55.0),
                    _ => Some(f64::from(*soc) * 0.01),
                };
            }
        }
        let file = write(&columns, group, plain());
        let skip = ["--current=charge-positive", "--skip-bad-rows"];
        let options = options(if is_skipping { &skip } else { CHARGE });
        prop_assert_eq!(all_of(file.path(), &options, most, true), all_of(file.path(), &options, most, false));
    }

    #[test]
    fn any_bytes_behind_the_mark_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..300), is_ended in any::<bool>()) {
        let mut bytes = [b"PAR1".as_slice(), &bytes].concat();
        if is_ended {
            let length = u32::try_from(bytes.len() / 2).unwrap();
            bytes.extend(length.to_le_bytes());
            bytes.extend(b"PAR1");
        }
        survives(&bytes);
    }
}
