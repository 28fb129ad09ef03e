//! The short way and the general one must agree: in every bit, and in every word of an error.

use std::fmt::Write as _;

use proptest::prelude::*;

use crate::import::{
    digits::number,
    tests::{CHARGE, all_of, file, options},
};

/// What both ways make of a file, cut into batches of at most `most`.
fn same_both_ways(content: &[u8], args: &[&str], most: usize) -> Result<(), TestCaseError> {
    let file = file(content);
    let short = all_of(file.path(), &options(args), most, true);
    let general = all_of(file.path(), &options(args), most, false);
    prop_assert_eq!(short, general, "{:?}", String::from_utf8_lossy(content));
    Ok(())
}

/// A cell: digits and how many of them are shown, or something else.
#[derive(Clone, Debug)]
enum Cell {
    Plain(u32, usize),
    Other(String),
}

fn cell() -> impl Strategy<Value = Cell> {
    prop_oneof![
        200 => (0..1000_u32, 0..7_usize).prop_map(|(n, d)| Cell::Plain(n, d)),
        8 => Just(Cell::Other(String::new())),
        2 => (-5_000_000..5_000_000_i64, 0..7_usize)
            .prop_map(|(n, d)| Cell::Other(format!("{:.d$}", n as f64 / 1000.0))),
        4 => prop::sample::select(vec![
            "0", "-0", "-0.0", "+7", ".5", "5.", ".", "-", "1e1", "1E-1", "007", "0000000000000000000000001",
            "12345678901234567890", "9007199254740993", "0.30000000000000004", "0.1000000000000000055511151231257827",
            "1.5.2", "1,5", "12,25", "NaN", "nan", "n/a", "null", "inf", "true", "off", "x", " 3 ", "3 ", " 3", "\t4",
            "\"5\"", "\"1,5\"", "\"a\"\"b\"", "5\"", "\"two\nlines\"", "#6", "\u{fc}", "\u{0}", "12\u{0}5", "120", "121",
        ])
        .prop_map(|text| Cell::Other(text.to_owned())),
    ]
}

/// The cell in a column of this name: a plain one is good there.
fn written(cell: Cell, name: &str) -> String {
    match cell {
        Cell::Other(text) => text,
        Cell::Plain(n, _) if name == "slip" || name == "brake" => (n % 2).to_string(),
        Cell::Plain(n, d) => {
            let sign = if name.starts_with("current") && n % 3 == 0 || name.ends_with("Torque") {
                -1.0
            } else {
                1.0
            };
            let scale = if name.starts_with("soc") { 1000.0 } else { 31.0 };
            format!("{:.d$}", sign * f64::from(n) / scale)
        }
    }
}

/// A time that nearly always goes on.
fn time() -> impl Strategy<Value = String> {
    prop_oneof![
        60 => Just(String::from("go on")),
        1 => prop::sample::select(vec!["", "4102444800000", "4e12", "0", "5", "1e3", "x", "70000", "1770000000000", "2026-03-12T07:15:00Z", "\"9\""])
            .prop_map(str::to_owned),
    ]
}

const HEADERS: [&str; 4] = [
    "time,speed,altitude,brake_bar,current,soc",
    "note;soc;current;brake_bar;time_ms;altitude;speed;ambient",
    "time\tspeed_kmh\taltitude_ft\tbrake\tcurrent_ma\tslip\tambient",
    "time_s,Vehicle.MotionManagement.Brake.Axle.Row1.Wheel.Left.Torque,speed,altitude,current,\
         Vehicle.MotionManagement.Brake.Axle.Row1.Wheel.Right.Torque",
];

const ARGUMENTS: [&[&str]; 6] = [
    CHARGE,
    &["--current=charge-positive", "--skip-bad-rows"],
    &["--current=charge-positive", "--skip-bad-rows", "--brake=pedal"],
    &[
        "--current=charge-positive",
        "--skip-bad-rows",
        "--brake=applied",
        "--decimal=comma",
    ],
    &[
        "--current=charge-positive",
        "--skip-bad-rows",
        "--brake=torque",
        "--start=2026-03-12T07:15:00Z",
    ],
    &[
        "--current=charge-positive",
        "--skip-bad-rows",
        "--columns=voltage=speed:V",
    ],
];

fn log() -> impl Strategy<Value = Vec<u8>> {
    let row = (time(), prop::collection::vec(cell(), 8), 0..400_u16);
    (
        0..HEADERS.len(),
        prop::collection::vec(row, 0..120),
        any::<bool>(),
        0..12_usize,
        0..4_u8,
    )
        .prop_map(|(header, rows, windows, cut, times)| {
            let names = HEADERS[header];
            let separator = names
                .chars()
                .find(|c| ",;\t".contains(*c))
                .unwrap_or(',')
                .to_string();
            let end = if windows { "\r\n" } else { "\n" };
            let at = names
                .split(&*separator)
                .position(|name| name.starts_with("time"))
                .unwrap_or(0);
            let mut text = format!("{names}{end}");
            for (i, (time, cells, odd)) in rows.into_iter().enumerate() {
                let mut cells: Vec<_> = cells
                    .into_iter()
                    .zip(names.split(&*separator))
                    .map(|(cell, name)| written(cell, name))
                    .collect();
                // Most cells of the text separated by semicolons have decimal commas.
                if separator == ";" && i % 60 != 59 {
                    for cell in &mut cells {
                        *cell = cell.replace('.', ",");
                    }
                }
                cells[at] = match (time.as_str(), times) {
                    ("go on", 0) => i.to_string(),
                    ("go on", 1) => (1_770_000_000_000_i64 + 100 * i as i64).to_string(),
                    ("go on", 2) => format!("2026-03-12T07:{:02}:{:02}", i / 60, i % 60),
                    ("go on", _) => format!("{}", i as f64 * 0.125),
                    (other, _) => other.to_owned(),
                };
                match odd {
                    0 => drop(cells.pop()),
                    1 => cells.push("1".to_owned()),
                    2 => cells.push(String::new()),
                    3 => text.push_str(end),
                    4 => text.push_str("# a remark\n"),
                    5 => text.push('\r'),
                    6 => text.push_str("  \n"),
                    8..12 => text.push('#'),
                    _ => {}
                }
                let _ = write!(
                    text,
                    "{}{}",
                    cells.join(&separator),
                    if odd == 7 { "\r" } else { end }
                );
            }
            let left = text.len().saturating_sub(cut.saturating_sub(4));
            let mut bytes = text.into_bytes();
            bytes.truncate(left);
            bytes
        })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn both_ways_read_the_same(
        log in log(),
        arguments in 0..ARGUMENTS.len(),
        most in prop::sample::select(vec![1_usize, 3, 7, 4096]),
    ) {
        same_both_ways(&log, ARGUMENTS[arguments], most)?;
    }

    /// What the standard library makes of the same digits.
    #[test]
    fn a_short_number_is_the_double_nearest_to_it(digits in "-?[0-9]{0,12}([.][0-9]{0,12})?", behind in "[,;\n]") {
        let text = format!("{digits}{behind} and at least eight bytes more");
        if let Some((value, end)) = number(text.as_bytes(), 0, b'.') {
            prop_assert_eq!(end, digits.len());
            prop_assert_eq!(value.to_bits(), digits.parse::<f64>().unwrap().to_bits());
        }
    }
}

#[test]
fn numbers_of_up_to_fifteen_digits_go_the_short_way() {
    for text in [
        "0",
        "7",
        "-12.345",
        "2400.123",
        "372.1",
        "1770000000000",
        "0.4123",
        "123456.789012345",
        "-.5",
        "5.",
        "1234567.8",
        "12345678.12345678",
    ] {
        let bytes = format!("{text},");
        let (value, end) = number(bytes.as_bytes(), 0, b'.').unwrap();
        assert_eq!(
            (value.to_bits(), end),
            (text.parse::<f64>().unwrap().to_bits(), text.len()),
            "{text}"
        );
    }
    for text in [
        "",
        "-",
        ".",
        "--1",
        "+1",
        "1e3",
        "x",
        "12345678901234567890",
        "99999999999999999",
    ] {
        let bytes = format!("{text},");
        let read = number(bytes.as_bytes(), 0, b'.');
        assert!(read.is_none_or(|(_, end)| end < text.len()), "{text}: {read:?}");
    }
}

/// A plain log of `rows` rows of some 40 bytes.
fn plain_log(rows: u32, end: &str) -> String {
    let mut log = format!("time,speed,altitude,brake_bar,current,soc,note{end}");
    for i in 0..rows {
        let t = f64::from(i);
        let _ = write!(
            log,
            "{:.1},{:.3},{:.2},{},{:.2},0.5,{i}{end}",
            t * 0.1,
            10.0 + (t * 0.01).sin(),
            500.0 - 0.1 * (t * 0.01),
            i % 3,
            -5.0 + (t * 0.3).cos()
        );
    }
    log
}

#[test]
fn plain_rows_go_the_short_way_over_the_ends_of_blocks() {
    for end in ["\n", "\r\n"] {
        let log = plain_log(40_000, end);
        assert!(log.len() > 5 << 18, "several blocks are read");
        let file = file(&log);
        let short = all_of(file.path(), &options(CHARGE), 4096, true);
        assert_eq!(
            short,
            all_of(file.path(), &options(CHARGE), 4096, false),
            "{end:?}"
        );
        let mut reader = crate::import::LogReader::open(file.path(), &options(CHARGE)).unwrap();
        while reader.next_batch(300).unwrap().is_some() {}
        assert_eq!(
            (reader.report().rows, reader.rows_looked_at()),
            (40_000, 1),
            "{end:?}"
        );
    }
}

#[test]
fn a_row_longer_than_a_block_is_read() {
    let mut log = plain_log(3, "\n");
    log.push_str(&format!("10,1,1,0,0,0.5,{}\n", "x".repeat(1 << 19)));
    log.push_str("11,1,1,0,0,0.5,short\n");
    let file = file(&log);
    let short = all_of(file.path(), &options(CHARGE), 4096, true);
    assert_eq!(short.1.rows, 5);
    assert_eq!(short, all_of(file.path(), &options(CHARGE), 4096, false));
}

#[test]
fn a_comma_between_cells_is_no_decimal_sign() {
    let file =
        file("time,speed,altitude,brake_bar,current\n0,1,2,0,5\n1,1,2,0,5\n2,5,1,5,2,5,0,5,5,5\n3,1,2,0,5\n");
    let options = options(&["--current=charge-positive", "--decimal=comma", "--skip-bad-rows"]);
    let short = all_of(file.path(), &options, 4096, true);
    assert_eq!((short.1.rows, short.1.skipped), (3, 1));
    assert_eq!(short, all_of(file.path(), &options, 4096, false));
}
