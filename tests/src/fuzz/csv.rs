//! Log files.

use std::{cell::RefCell, fs::File, io::Write as _, path::PathBuf};

use clap::Parser;
use coldbrake::import::{ImportArgs, ImportError, ImportOptions, ImportReport, LogReader};
use coldbrake_engine::Batch;
use tempfile::TempDir;

use crate::case;

/// Most rows that are read of one input.
const MOST_BATCHES: usize = 2_000;

#[derive(Parser)]
struct Line {
    #[command(flatten)]
    import: ImportArgs,
}

/// Ways to describe a log file.
const DESCRIPTIONS: [&[&str]; 8] = [
    &["--current", "charge-positive"],
    &["--current", "discharge-positive", "--skip-bad-rows"],
    &[],
    &[
        "--current",
        "charge-positive",
        "--start",
        "2026-03-12T07:15:00Z",
        "--skip-bad-rows",
    ],
    &[
        "--current",
        "charge-positive",
        "--separator",
        "semicolon",
        "--decimal",
        "comma",
    ],
    &[
        "--current",
        "discharge-positive",
        "--brake",
        "pedal",
        "--separator",
        "tab",
    ],
    &[
        "--current",
        "discharge-positive",
        "--columns",
        "time=time_s,speed=speed_mps:m/s,altitude=altitude_m,brake=brake_pressure_bar:bar,current=pack_current_a,voltage=pack_voltage_v,soc=soc",
        "--skip-bad-rows",
    ],
    &[
        "--current",
        "charge-positive",
        "--columns",
        "time=t:ms,speed=v:km/h,altitude=h:ft,brake=p:%,current=i:mA,ambient=T:K,mass=m:t",
        "--skip-bad-rows",
    ],
];

thread_local! {
    static ROOM: RefCell<Option<TempDir>> = const { RefCell::new(None) };
}

/// Returns the path of a file that is this thread's own, with the content.
fn file(content: &[u8]) -> PathBuf {
    ROOM.with_borrow_mut(|room| {
        let path = room
            .get_or_insert_with(|| TempDir::new().unwrap())
            .path()
            .join("log.csv");
        File::create(&path).unwrap().write_all(content).unwrap();
        path
    })
}

fn options(choice: u8) -> ImportOptions {
    let words = DESCRIPTIONS[usize::from(choice) % DESCRIPTIONS.len()];
    Line::parse_from(["fuzz", "log.csv"].iter().chain(words))
        .import
        .options()
        .expect("descriptions of log files are right")
}

/// A sample as text, columns that it lacks left out.
type Row = (i64, Vec<Option<f64>>);

fn rows(batch: &Batch, all: &mut Vec<Row>) {
    for (i, t) in batch.time_ms.iter().enumerate() {
        let values = batch.columns().iter().map(|(_, c)| c.get(i).copied()).collect();
        all.push((*t, values));
    }
}

fn read(
    path: &std::path::Path,
    options: &ImportOptions,
    most: usize,
) -> (Vec<Row>, ImportReport, Option<ImportError>) {
    let mut all = Vec::new();
    let mut reader = match LogReader::open(path, options) {
        Ok(reader) => reader,
        Err(error) => return (all, ImportReport::default(), Some(error)),
    };
    for _ in 0..MOST_BATCHES {
        match reader.next_batch(most) {
            Ok(Some(batch)) => {
                assert!(batch.len() <= most);
                assert_eq!(
                    batch.violations(reader.brake_kind()),
                    [],
                    "the engine takes what was read"
                );
                rows(&batch, &mut all);
            }
            Ok(None) => break,
            Err(error) => return (all, reader.report().clone(), Some(error)),
        }
    }
    (all, reader.report().clone(), None)
}

/// Input: which description, then a log file. Reading it in one piece and in small ones must give the same.
pub fn run(input: &[u8]) -> bool {
    let Some((&choice, content)) = input.split_first() else {
        return false;
    };
    let (path, options) = (file(content), options(choice));
    let (at_once, report, error) = read(&path, &options, 4096);
    let (in_parts, _, other) = read(&path, &options, 3);
    assert_eq!(error, other);
    if let Some(error) = &error {
        assert!(!error.problems.is_empty());
        for problem in &error.problems {
            assert!(!problem.what.is_empty() && !problem.help.is_empty(), "{error}");
            if let Some(line) = problem.line {
                let lines = content.iter().filter(|b| **b == b'\n').count() as u64 + 1;
                assert!((1..=lines).contains(&line), "line {line} of {lines}: {error}");
            }
        }
        assert!(
            !error.to_string().chars().any(|c| c.is_control() && c != '\n'),
            "{error:?}"
        );
    } else {
        assert_eq!(at_once, in_parts, "however read");
        assert_eq!(report.rows, at_once.len() as u64);
        assert_eq!(
            report.time_ms,
            at_once.first().zip(at_once.last()).map(|(a, b)| (a.0, b.0))
        );
    }
    assert!(at_once.windows(2).all(|w| w[0].0 < w[1].0), "time goes on");
    !at_once.is_empty()
}

/// Beginnings of the reference cases, and logs written in other ways.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let mut seeds = Vec::new();
    for name in ["r01_alpine_29km", "r06_rolling"] {
        let text = std::fs::read_to_string(case::reference(&format!("cases/{name}.csv"))).unwrap();
        let head: String = text.split_inclusive('\n').take(16).collect();
        seeds.push((name.to_owned(), [&[6], head.as_bytes()].concat()));
    }
    let texts: [(&str, u8, &str); 8] = [
        (
            "plain",
            0,
            "time_s,speed_mps,altitude_m,brake_bar,current_a\n0.0,10,500,0,-5\n0.1,10.1,499.9,1.5,-5.5\n0.2,10.2,499.8,1,-5\n0.3,10.2,499.7,1,-5\n",
        ),
        (
            "of_day",
            0,
            "time,speed,altitude,brake_bar,current,soc\n2026-03-12T07:15:00Z,10,500,0,1,0.5\n2026-03-12T07:15:00.5Z,10,500,0,1,\n2026-03-12T07:15:01+01:00,10,500,0,1,0.4\n",
        ),
        (
            "commas",
            4,
            "time_s;speed_kmh;altitude_m;brake_bar;current_a\n0,0;36,5;500;0;-5\n0,1;36,6;499,9;1,5;-5,5\n0,2;36,6;499,9;1,5;-5,5\n",
        ),
        (
            "units_row",
            1,
            "time,speed,altitude,brake,current\ns,km/h,m,kPa,mA\n0,36,500,100,5000\n1,36,499,100,5000\n2,36,498,200,-\n",
        ),
        (
            "tabs",
            5,
            "time_s\tspeed_mps\taltitude_m\tbrake\tcurrent_a\n0\t10\t500\t12\t1\n1\t10\t500\t12\t1\n",
        ),
        (
            "described",
            7,
            "t,v,h,p,i,T,m\n0,36,1000,10,5000,300,2.5\n100,72,1001,20,-5000,301,\n200,72,x,20,-5000,301,\n300,72,999,20,-5000,301,2.5\n",
        ),
        (
            "quoted",
            1,
            "\u{feff}\"time_s\",\"speed, of the wheels\",speed_mps,altitude_m,brake_bar,current_a\r\n# a remark\r\n0,\"1\",10,500,0,-5\r\n1,\"2\n\",10,499,0,-5\r\n",
        ),
        (
            "started",
            3,
            "time_s,speed_mps,altitude_m,brake_bar,current_a,slip,latitude,longitude\n0,10,500,0,-5,true,46.0,7.0\n1,10,499,0,-5,0,46.1,7.1\nx,1,1,1,1,1,1,1\n2,10,498,0,-5,on,,\n",
        ),
    ];
    for (name, choice, text) in texts {
        seeds.push((name.to_owned(), [&[choice], text.as_bytes()].concat()));
    }
    seeds
}
