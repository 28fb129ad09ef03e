//! Log files as people have them, good and bad.

use std::{io::Write as _, path::Path};

use clap::Parser;
use coldbrake_engine::{Batch, BrakeKind, CurrentSign};

use super::*;

#[derive(Parser)]
struct Cli {
    #[command(flatten)]
    import: ImportArgs,
}

pub(super) fn options(args: &[&str]) -> ImportOptions {
    Cli::parse_from(["test", "log.csv"].iter().chain(args))
        .import
        .options()
        .unwrap()
}

pub(super) fn file(content: impl AsRef<[u8]>) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::with_suffix(".csv").unwrap();
    file.write_all(content.as_ref()).unwrap();
    file
}

/// All samples of a file in one batch after the other.
fn read(content: impl AsRef<[u8]>, args: &[&str]) -> Result<(Vec<Batch>, ImportReport), ImportError> {
    let file = file(content);
    let mut reader = LogReader::open(file.path(), &options(args))?;
    let mut batches = Vec::new();
    while let Some(batch) = reader.next_batch(300)? {
        assert_eq!(
            batch.violations(reader.brake_kind()),
            [],
            "the engine takes what was read"
        );
        batches.push(batch);
    }
    Ok((batches, reader.report().clone()))
}

/// All batches with their columns bit by bit, what was read, and the error at which it ended; by the short way where it goes,
/// or by the general one alone.
pub(super) fn all_of(
    path: &Path,
    options: &ImportOptions,
    most: usize,
    is_short: bool,
) -> (Vec<Vec<Vec<u64>>>, ImportReport, Option<ImportError>) {
    let mut batches = Vec::new();
    let mut reader = match LogReader::open(path, options) {
        Ok(reader) if is_short => reader,
        Ok(reader) => reader.without_short_way(),
        Err(error) => return (batches, ImportReport::default(), Some(error)),
    };
    loop {
        match reader.next_batch(most) {
            Ok(Some(batch)) => {
                assert!(batch.len() <= most);
                assert_eq!(batch.violations(reader.brake_kind()), []);
                let mut bits = vec![batch.time_ms.iter().map(|t| t.cast_unsigned()).collect()];
                bits.extend(
                    batch
                        .columns()
                        .map(|(_, c)| c.iter().map(|v| v.to_bits()).collect()),
                );
                batches.push(bits);
            }
            Ok(None) => return (batches, reader.report().clone(), None),
            Err(error) => return (batches, reader.report().clone(), Some(error)),
        }
    }
}

fn good(content: impl AsRef<[u8]>, args: &[&str]) -> Batch {
    let (mut batches, _) = read(content, args).unwrap();
    assert_eq!(batches.len(), 1);
    batches.remove(0)
}

fn bad(content: impl AsRef<[u8]>, args: &[&str]) -> Problem {
    let error = read(content, args).unwrap_err();
    assert!(!error.problems[0].help.is_empty(), "says what to do: {error}");
    error.problems[0].clone()
}

const PLAIN: &str =
    "time_s,speed_mps,altitude_m,brake_bar,current_a\n0.0,10,500,0,-5\n0.1,10.1,499.9,1.5,-5.5\n";
pub(super) const CHARGE: &[&str] = &["--current", "charge-positive"];

#[test]
fn a_plain_log_is_read() {
    let (batches, report) = read(PLAIN, CHARGE).unwrap();
    let b = &batches[0];
    assert_eq!(b.time_ms, [ASSUMED_START_MS, ASSUMED_START_MS + 100]);
    assert_eq!(b.speed_mps, [10.0, 10.1]);
    assert_eq!(b.brake, [0.0, 1.5]);
    assert!(b.voltage_v.is_empty());
    assert_eq!(report.rows, 2);
    assert!(report.start_assumed);
}

#[test]
fn a_map_with_units_converts() {
    let log = "t,v,h,p,i,u,soc,T\n0,36,1,100,5000,360,55,32\n100,72,1.1,200,-5000,361,56,50\n";
    let b = good(
        log,
        &[
            "--current=discharge-positive",
            "--columns",
            "time=t:ms,speed=v:km/h,altitude=h:km,brake=p:kPa",
            "--columns",
            "current=i:mA,voltage=u,soc=soc:%,ambient=T:°F",
            "--start=2026-03-12T07:15:00Z",
        ],
    );
    let close = |got: &[f64], want: &[f64]| got.iter().zip(want).all(|(a, b)| (a - b).abs() < 1e-9);
    assert_eq!(b.time_ms, [1_773_299_700_000, 1_773_299_700_100]);
    assert!(close(&b.speed_mps, &[10.0, 20.0]));
    assert!(close(&b.altitude_m, &[1000.0, 1100.0]));
    assert!(close(&b.brake, &[1.0, 2.0]));
    assert!(
        close(&b.current_a, &[5.0, -5.0]),
        "the engine turns the sign, not the import"
    );
    assert!(close(&b.state_of_charge, &[0.55, 0.56]));
    assert!(close(&b.ambient_c, &[0.0, 10.0]));
}

#[test]
fn semicolons_decimal_commas_a_byte_order_mark_and_windows_line_ends() {
    let log = "\u{feff}# a comment\r\ntime;speed;altitude;brake;current\r\ns;km/h;m;%;A\r\n0,0;36,5;500,25;12,5;-5,5\r\n\r\n0,1;36,5;500;0;1\r\n";
    let b = good(log, CHARGE);
    assert!((b.speed_mps[0] - 36.5 / 3.6).abs() < 1e-12);
    assert_eq!(b.altitude_m, [500.25, 500.0]);
    assert_eq!(b.brake, [12.5, 0.0]);
    assert_eq!(b.current_a, [-5.5, 1.0]);
}

#[test]
fn a_comma_and_a_point_in_one_file_are_refused() {
    let p = bad(
        "time;speed;altitude;brake_bar;current\n0,0;10;1.500;0;1\n",
        CHARGE,
    );
    assert_eq!((p.line, p.column.as_deref()), (Some(2), Some("altitude")));
    assert!(
        p.what.contains("decimal point in a file with decimal commas"),
        "{}",
        p.what
    );
}

#[test]
fn tabs_and_quoted_cells() {
    let log = "time\tspeed\taltitude\tbrake_bar\tcurrent\n0\t\"10\"\t5\t0\t\"1\"\n";
    assert_eq!(good(log, CHARGE).speed_mps, [10.0]);
}

#[test]
fn times_of_day_in_every_form() {
    let at = 1_773_299_702_250_i64;
    for time in [
        "2026-03-12T07:15:02.25Z",
        "2026-03-12 08:15:02.250+01:00",
        "2026-03-12T07:15:02.25",
        "1773299702.25",
        "1773299702250",
        "1773299702250000",
        "1773299702250000000",
    ] {
        let log = format!("time,speed,altitude,brake_bar,current\n{time},1,1,0,0\n");
        let b = good(log, CHARGE);
        assert_eq!(b.time_ms, [at], "{time}");
    }
}

#[test]
fn a_start_for_a_log_with_times_of_day_is_refused() {
    let log = "time,speed,altitude,brake_bar,current\n1773299702,1,1,0,0\n";
    let p = bad(
        log,
        &["--current=charge-positive", "--start=2026-01-01T00:00:00Z"],
    );
    assert!(p.help.contains("leave `--start` out"));
}

#[test]
fn the_vehicle_signal_vocabulary_is_read_without_a_map() {
    let log = "Vehicle.CurrentLocation.Timestamp,Vehicle.Speed,Vehicle.CurrentLocation.Altitude,\
               Vehicle.Powertrain.TractionBattery.CurrentCurrent,\
               Vehicle.MotionManagement.Brake.Axle.Row1.Wheel.Left.Torque,\
               Vehicle.MotionManagement.Brake.Axle.Row1.Wheel.Right.Torque,Vehicle.ADAS.ABS.IsEngaged\n\
               2026-03-12T07:15:02Z,36,500,20,-300,-310,true\n2026-03-12T07:15:03Z,36,499,20,0,0,false\n";
    let file = file(log);
    let mut reader = LogReader::open(file.path(), &ImportOptions::default()).unwrap();
    assert_eq!(reader.current_sign(), CurrentSign::ChargePositive);
    assert_eq!(reader.brake_kind(), BrakeKind::Torque);
    let b = reader.next_batch(10).unwrap().unwrap();
    assert_eq!(b.brake, [610.0, 0.0]);
    assert!(b.brake[1].is_sign_positive());
    assert_eq!(b.slip_control, [1.0, 0.0]);
    assert!((b.speed_mps[0] - 10.0).abs() < 1e-12);
}

#[test]
fn an_empty_cell_carries_the_last_value_and_is_never_zero() {
    let log = "time,speed,altitude,brake_bar,current,soc,ambient\n\
               0,1,1,0,0,,\n1,1,1,0,0,0.5,\n2,1,1,0,0,,\n3,1,1,0,0,0.6,\n200,1,1,0,0,,\n";
    let (batches, _) = read(log, CHARGE).unwrap();
    let columns: Vec<_> = batches.iter().map(|b| b.state_of_charge.clone()).collect();
    assert_eq!(
        columns,
        [vec![], vec![0.5, 0.5, 0.6], vec![]],
        "absent before the first value and long after the last"
    );
    assert!(batches.iter().all(|b| b.ambient_c.is_empty()));
}

#[test]
fn an_empty_required_cell_is_an_error_with_its_line() {
    let p = bad(
        "time,speed,altitude,brake_bar,current\n0,1,1,0,0\n1,,1,0,0\n",
        CHARGE,
    );
    assert_eq!((p.line, p.column.as_deref()), (Some(3), Some("speed")));
}

#[test]
fn bad_rows_are_skipped_and_counted_when_asked() {
    let log =
        "time,speed,altitude,brake_bar,current\n0,1,1,0,0\n1,,1,0,0\n2,x,1,0,0\n3,1,1,0,0\n2,1,1,0,0\n4,1";
    let (batches, report) = read(log, &["--current=charge-positive", "--skip-bad-rows"]).unwrap();
    assert_eq!(batches[0].len(), 2);
    assert_eq!((report.rows, report.skipped), (2, 4));
    let lines: Vec<_> = report.skipped_first.iter().map(|p| p.line.unwrap()).collect();
    assert_eq!(lines, [3, 4, 6, 7]);
}

#[test]
fn a_missing_column_lists_those_present() {
    let p = bad(PLAIN, &["--current=charge-positive", "--columns=voltage=volts"]);
    assert_eq!(p.column.as_deref(), Some("volts"));
    assert!(p.help.contains("`time_s`, `speed_mps`"), "{}", p.help);
    let p = bad("time,altitude,brake_bar,current\n0,1,0,0\n", CHARGE);
    assert!(
        p.what.contains("speed") && p.help.contains("--columns speed=COLUMN"),
        "{p:?}"
    );
}

#[test]
fn a_wrong_number_is_shown_with_its_place_however_lines_end() {
    for end in ["\n", "\r\n"] {
        let log = [
            "# note",
            "time,speed,altitude,brake_bar,current",
            "",
            "0,1,1,0,0",
            "1,fast,1,0,0",
            "2,1,1,0,0",
        ];
        let p = bad(log.join(end), CHARGE);
        assert_eq!((p.line, p.column.as_deref()), (Some(5), Some("speed")), "{end:?}");
        assert_eq!(p.what, "`fast` is not a number");
    }
}

#[test]
fn not_a_number_and_infinity_are_refused() {
    let p = bad("time,speed,altitude,brake_bar,current\n0,NaN,1,0,0\n", CHARGE);
    assert!(p.what.contains("holds no value"), "{}", p.what);
    let p = bad("time,speed,altitude,brake_bar,current\n0,inf,1,0,0\n", CHARGE);
    assert_eq!(p.what, "`inf` is infinite");
}

#[test]
fn a_wrong_unit_is_found_by_the_range() {
    let p = bad(
        "time,speed,altitude,brake_bar,current,soc\n0,1,1,0,0,55\n",
        CHARGE,
    );
    assert_eq!((p.line, p.column.as_deref()), (Some(2), Some("soc")));
    assert!(
        p.what.contains("`55`") && p.help.contains("check the unit"),
        "{p:?}"
    );
    let p = bad("time,speed,altitude,brake_kpa,current\n0,-1,1,0,0\n", CHARGE);
    assert!(
        p.what.contains("`-1` read as m/s is outside 0 to 120 m/s"),
        "{}",
        p.what
    );
    let p = bad(
        "time,speed,altitude,brake,current\ns,furlong,m,bar,A\n0,1,1,0,0\n",
        CHARGE,
    );
    assert!(p.what.contains("`furlong` is not known"), "{}", p.what);
}

#[test]
fn a_truncated_last_line_is_told_from_a_short_row() {
    let cut = bad("time,speed,altitude,brake_bar,current\n0,1,1,0,0\n1,1,1", CHARGE);
    assert_eq!(cut.line, Some(3));
    assert_eq!(cut.what, "the last line is cut off: 3 of 5 cells");
    let short = bad(
        "time,speed,altitude,brake_bar,current\n0,1,1\n1,1,1,0,0\n",
        CHARGE,
    );
    assert_eq!(
        (short.line, short.what.as_str()),
        (Some(2), "has 3 cells where the header has 5")
    );
    let long = bad("time,speed,altitude,brake_bar,current\n0,1,5,1,2,0,0\n", CHARGE);
    assert!(long.help.contains("decimal commas"), "{}", long.help);
}

#[test]
fn what_is_no_log_at_all() {
    assert!(bad("", CHARGE).what.contains("0 bytes"));
    assert!(
        bad("time,speed,altitude,brake_bar,current\n", CHARGE)
            .what
            .contains("no rows")
    );
    assert!(bad("# only a comment\n", CHARGE).what.contains("no names"));
    assert!(bad("0,1,2,3\n1,1,2,3\n", CHARGE).what.contains("no names"));
    assert!(bad([0xff, 0xfe, b't', 0], CHARGE).what.contains("UTF-16"));
    assert!(bad([0x1f, 0x8b, 0, 0], CHARGE).what.contains("not a text file"));
    assert!(
        bad(b"time,speed,T \xb0C\n0,1,2\n", CHARGE)
            .what
            .contains("column 3 is not UTF-8")
    );
    let directory = tempfile::tempdir().unwrap();
    let error = LogReader::open(directory.path(), &options(CHARGE)).unwrap_err();
    assert!(error.to_string().contains("is a directory"), "{error}");
    let error = LogReader::open(&directory.path().join("none.csv"), &options(CHARGE)).unwrap_err();
    assert!(error.to_string().contains("check the path"), "{error}");
}

#[test]
fn times_that_do_not_ascend_are_refused_with_their_line() {
    let back = bad(
        "time,speed,altitude,brake_bar,current\n5,1,1,0,0\n4,1,1,0,0\n",
        CHARGE,
    );
    assert_eq!((back.line, back.column.as_deref()), (Some(3), Some("time")));
    assert!(back.what.contains("1000 ms later"), "{}", back.what);
    let same = bad(
        "time,speed,altitude,brake_bar,current\n5,1,1,0,0\n5,1,1,0,0\n",
        CHARGE,
    );
    assert!(same.what.contains("same time"), "{}", same.what);
    let far = bad(
        "time,speed,altitude,brake_bar,current\n0,1,1,0,0\n4e9,1,1,0,0\n",
        CHARGE,
    );
    assert!(far.what.contains("outside the years"), "{}", far.what);
}

#[test]
fn wrong_arguments_are_named() {
    let wrong = |args: &[&str]| {
        Cli::parse_from(["test", "log.csv"].iter().chain(args))
            .import
            .options()
            .unwrap_err()
    };
    assert!(wrong(&["--columns=sped=v"]).contains("did you mean `speed`?"));
    assert!(wrong(&["--columns=speed=a,speed=b"]).contains("twice"));
    assert!(wrong(&["--start=yesterday"]).contains("2026-03-12T07:15:00Z"));
}

#[test]
fn the_message_reads_well() {
    let error = read("time,speed,altitude,brake_bar,current\n0,fast,1,0,0\n", CHARGE).unwrap_err();
    let error = ImportError {
        path: "run.csv".into(),
        ..error
    };
    assert_eq!(
        error.to_string(),
        "run.csv:2: column `speed`: `fast` is not a number\n  \
         help: correct it, or leave such rows out with `--skip-bad-rows`"
    );
}

#[test]
fn how_a_file_is_split_changes_nothing() {
    let mut log = "time,speed,altitude,brake_bar,current,soc\n".to_owned();
    for i in 0..500 {
        let soc = if i % 10 == 3 {
            format!("{}", 0.5 + f64::from(i) * 1e-4)
        } else {
            String::new()
        };
        log.push_str(&format!(
            "{},{},{},0,-1,{soc}\n",
            f64::from(i) * 0.1,
            10 + i % 3,
            500 - i / 10
        ));
    }
    let file = file(log);
    let all = |most: usize| {
        let mut reader = LogReader::open(file.path(), &options(CHARGE)).unwrap();
        let mut soc = Vec::new();
        let mut times = Vec::new();
        while let Some(b) = reader.next_batch(most).unwrap() {
            assert!(b.len() <= most);
            times.extend(b.time_ms.iter().copied());
            soc.extend((0..b.len()).map(|i| b.state_of_charge.get(i).copied()));
        }
        (times, soc)
    };
    assert_eq!(all(7), all(300));
    assert_eq!(all(1), all(300));
}

/// A good log of so many rows.
fn long(rows: u32) -> String {
    let mut log = "time,speed,altitude,brake_bar,current\n".to_owned();
    for i in 0..rows {
        log.push_str(&format!("{i},{}.5,500,0,-1\n", i % 50));
    }
    log
}

#[test]
fn reading_ahead_gives_the_same_batches_in_order() {
    let file = file(long(10_000));
    let (expected, report, _) = all_of(file.path(), &options(CHARGE), 300, true);
    let mut reader = LogReader::open(file.path(), &options(CHARGE)).unwrap();
    let mut times = Vec::new();
    let read: Result<(), AheadError<()>> = reader.read_ahead(300, |batch| {
        times.push(
            batch
                .time_ms
                .iter()
                .map(|t| t.cast_unsigned())
                .collect::<Vec<_>>(),
        );
        Ok(())
    });
    assert!(read.is_ok(), "{read:?}");
    assert_eq!(
        times,
        expected.into_iter().map(|b| b[0].clone()).collect::<Vec<_>>()
    );
    assert_eq!(reader.report(), &report);
}

#[test]
fn work_that_fails_ends_the_reading() {
    let file = file(long(10_000));
    let mut reader = LogReader::open(file.path(), &options(CHARGE)).unwrap();
    let mut batches = 0;
    let read = reader.read_ahead(10, |_| {
        batches += 1;
        if batches == 3 { Err("enough") } else { Ok(()) }
    });
    assert!(matches!(read, Err(AheadError::Work("enough"))), "{read:?}");
    assert_eq!(batches, 3);
}

#[test]
fn the_first_error_of_the_file_counts_whoever_finds_it() {
    let file = file(format!("{}x,1,1,0,0\n", long(1005)));
    let open = || LogReader::open(file.path(), &options(CHARGE)).unwrap();
    let mut rows = 0;
    let read: Result<(), AheadError<()>> = open().read_ahead(100, |batch| {
        rows += batch.len();
        Ok(())
    });
    let Err(AheadError::Import(error)) = read else {
        panic!("{read:?}");
    };
    assert_eq!((rows, error.problems[0].line), (1005, Some(1007)));
    let read = open().read_ahead(100, |batch| if batch.len() < 100 { Err(()) } else { Ok(()) });
    assert!(matches!(read, Err(AheadError::Work(()))), "{read:?}");
}

#[test]
fn a_file_is_known_by_its_first_bytes() {
    let error = read("PAR1 but nothing more", CHARGE).unwrap_err();
    assert!(
        error.problems[0].what.contains("cannot be read as Parquet"),
        "{error}"
    );
    assert!(error.problems[0].help.contains("cut off"), "{error}");
}
