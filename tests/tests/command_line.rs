//! The command line: the contract for scripts, log files that are wrong, and how long a long log takes.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "test code: a panic is how it reports, measured values belong on its output"
)]

use std::{fmt::Write as _, path::Path, time::Instant};

use clap::Parser as _;
use coldbrake::{
    args::{Args, Command},
    command::analyse::{Analysis, analyse},
};
use coldbrake_tests::{
    case::{CASES, Case, reference},
    log,
    program::{Run, run},
};
use serde_json::Value;

const COLUMNS: &str = "time=time_s,speed=speed_mps:m/s,altitude=altitude_m,brake=brake_pressure_bar:bar,\
                       current=pack_current_a,voltage=pack_voltage_v,soc=soc,auxiliary=aux_w";

fn words(file: &Path, class: &str) -> Vec<String> {
    let class = reference(&format!("classes/{class}.toml"));
    [
        "coldbrake",
        "analyse",
        file.to_str().unwrap(),
        "--class",
        class.to_str().unwrap(),
    ]
    .into_iter()
    .chain([
        "--columns",
        COLUMNS,
        "--current",
        "discharge-positive",
        "--start",
        "2026-03-10T06:00:00Z",
    ])
    .chain(["--format", "json"])
    .map(str::to_owned)
    .collect()
}

fn case_file(name: &str) -> std::path::PathBuf {
    reference(&format!("cases/{name}.csv"))
}

fn analysed(words: &[String]) -> Analysis {
    match Args::try_parse_from(words).unwrap().command {
        Command::Analyse(args) => analyse(&args).unwrap(),
        other => panic!("not the command meant: {other:?}"),
    }
}

#[test]
fn a_log_file_gives_what_the_engine_gives_for_its_samples() {
    for name in CASES {
        let case = Case::load(name);
        let of_file = analysed(&words(&case_file(name), &case.class.vehicle_class)).descents;
        let of_samples = log::descents(&case.log, &case.class);
        assert_eq!(of_file.len(), of_samples.len(), "{name}");
        for (a, b) in of_file.iter().map(|f| &f.descent).zip(&of_samples) {
            assert_eq!(
                (a.start_time_ms, a.end_time_ms),
                (b.start_time_ms, b.end_time_ms),
                "{name}"
            );
            for (what, a, b) in [
                ("drop", a.drop_m, b.drop_m),
                ("available", a.available_j.value, b.available_j.value),
                ("recovered", a.recovered_j.value, b.recovered_j.value),
                (
                    "friction",
                    a.friction_j.unwrap().value,
                    b.friction_j.unwrap().value,
                ),
            ] {
                assert!((a - b).abs() <= 1e-9 * b.abs(), "{name}: {what} {a} {b}");
            }
        }
    }
}

#[test]
fn the_program_keeps_the_contract_for_scripts() {
    let name = "r05_power_limited";
    let truth = Case::load(name).truth[0];
    let Run { code, out, err } = run(&words(&case_file(name), "truck_18t")[1..]);
    assert_eq!(code, 0, "{err}");
    let document: Value = serde_json::from_str(&out).unwrap();
    assert!(
        document["format"]
            .as_str()
            .unwrap()
            .starts_with("coldbrake.descents/"),
        "{document}"
    );
    let descents = document["descents"].as_array().unwrap();
    assert_eq!(descents.len(), 1);
    let d = &descents[0];
    let number = |key: &str| d[key].as_f64().unwrap_or_else(|| panic!("{key} is {}", d[key]));
    for (key, truth, bar) in [
        ("available_j", truth.wheel_braking_j, 0.005),
        ("recovered_j", truth.pack_charge_j, 0.002),
        ("friction_j", truth.friction_j, 0.01),
        ("recovery_ratio", truth.recovery_ratio(), 0.005),
        ("friction_share", truth.friction_share(), 0.005),
        ("drop_m", truth.drop_m, 0.001),
        ("distance_m", truth.distance_m, 0.005),
    ] {
        assert!(
            (number(key) / truth - 1.0).abs() < bar,
            "{key}: {} {truth}",
            number(key)
        );
    }
    for key in [
        "available_j",
        "recovered_j",
        "friction_j",
        "recovery_ratio",
        "friction_share",
    ] {
        let (low, high) = (number(&format!("{key}_low")), number(&format!("{key}_high")));
        assert!(low < number(key) && number(key) < high, "{key}: {low} {high}");
    }
    assert_eq!(d["start_time"], "2026-03-10T06:01:20.000Z");
    assert!(d["end_time"].as_str().unwrap().ends_with('Z'));
    for key in ["start_reason", "end_reason"] {
        assert!(!d[key].as_str().unwrap().is_empty());
    }
    assert!(
        d["flags"]
            .as_array()
            .unwrap()
            .contains(&Value::from("mass_assumed"))
    );
    let causes = d["friction_by_cause_j"].as_object().unwrap();
    assert!(causes["power_limited"].as_f64().unwrap() > 0.9 * number("friction_j"));
    // The class has no heat capacities: the temperature is not known, and not 0.
    assert!(d["brake_temperature_peak_c"].is_null() && d.get("brake_temperature_peak_c").is_some());
}

/// Runs `analyse` on a file with this content; it must be refused.
fn refused(content: &[u8], change: impl FnOnce(&mut Vec<String>)) -> String {
    let directory = tempfile::tempdir().unwrap();
    let file = directory.path().join("trip.csv");
    std::fs::write(&file, content).unwrap();
    let mut words = words(&file, "van_2500kg");
    change(&mut words);
    let Run { code, out, err } = run(&words[1..]);
    assert_eq!(code, 6, "a wrong file is exit code 6: {err}");
    assert_eq!(out, "", "no data beside an error");
    assert!(
        err.contains("trip.csv") || err.contains("--current"),
        "names the file: {err}"
    );
    assert!(!err.contains("panicked"), "{err}");
    err
}

#[test]
fn a_wrong_log_file_is_refused_with_its_line_and_what_to_do() {
    let good = std::fs::read_to_string(case_file("r05_power_limited")).unwrap();
    let lines: Vec<&str> = good.lines().collect();

    let err = refused(b"", |_| {});
    assert!(err.contains("empty") || err.contains("0 bytes"), "{err}");

    let err = refused(format!("{}\n", lines[0]).as_bytes(), |_| {});
    assert!(err.contains("row") || err.contains("sample"), "{err}");

    let err = refused(good.replace("pack_current_a", "amps").as_bytes(), |_| {});
    assert!(
        err.contains("pack_current_a"),
        "the missing column is named: {err}"
    );

    let mut cut = lines.clone();
    cut[300] = &lines[300][..20];
    let err = refused(cut.join("\n").as_bytes(), |_| {});
    assert!(err.contains(":301"), "the line is named: {err}");

    let mut word = lines.clone();
    let spoiled = lines[77].replacen(',', ",fast", 1);
    word[77] = &spoiled;
    let err = refused(word.join("\n").as_bytes(), |_| {});
    assert!(err.contains(":78") && err.contains("speed_mps"), "{err}");

    for bad in ["NaN", "inf", "1e9", "-4"] {
        let mut rows: Vec<String> = lines.iter().map(|l| (*l).to_owned()).collect();
        let mut cells: Vec<&str> = lines[50].split(',').collect();
        cells[1] = bad;
        rows[50] = cells.join(",");
        let err = refused(rows.join("\n").as_bytes(), |_| {});
        assert!(err.contains(":51") && err.contains("speed_mps"), "{bad}: {err}");
    }

    let err = refused(good.as_bytes(), |words| {
        let at = words.iter().position(|w| w == "discharge-positive").unwrap();
        words[at] = "charge-positive".to_owned();
    });
    assert!(err.contains("discharge-positive"), "the remedy is named: {err}");

    // km/h read as m/s is out of any vehicle's range somewhere; m/s read as km/h contradicts the altitude.
    let directory = tempfile::tempdir().unwrap();
    let Run { code, err, .. } = run(&words(directory.path(), "van_2500kg")[1..]);
    assert_eq!(code, 6, "{err}");
    assert!(err.contains("directory"), "{err}");

    let Run { code, err, .. } = run(&words(Path::new("no/such/trip.csv"), "van_2500kg")[1..]);
    assert_eq!(code, 6, "{err}");
    assert!(err.contains("no/such/trip.csv"), "{err}");

    let mut wrong_unit = words(&case_file("r05_power_limited"), "truck_18t");
    let at = wrong_unit.iter().position(|w| w == COLUMNS).unwrap();
    wrong_unit[at] = COLUMNS.replace(":m/s", ":furlong/fortnight");
    let Run { code, err, .. } = run(&wrong_unit[1..]);
    assert_eq!(code, 2, "a unit that is none is a wrong command line: {err}");
    assert!(err.contains("furlong"), "{err}");
}

#[test]
fn a_four_hour_log_at_ten_samples_a_second_takes_less_than_a_second() {
    const ROWS: usize = 4 * 3600 * 10;
    let mut text = String::from(
        "time_s,speed_mps,altitude_m,brake_pressure_bar,pack_current_a,pack_voltage_v,soc,aux_w\n",
    );
    // Up and down between 500 and 1,500 m at 15 m/s on 6 %, a descent every 37 minutes.
    for row in 0..ROWS {
        let t = row as f64 / 10.0;
        let phase = (t * 15.0 * 0.06 / 1000.0) % 2.0;
        let (height, current) = if phase < 1.0 {
            (phase, 95.0)
        } else {
            (2.0 - phase, -48.0)
        };
        let _ = writeln!(
            text,
            "{t:.1},15.00,{:.2},0.0,{current:.1},355.0,0.6,600",
            500.0 + 1000.0 * height
        );
    }
    let directory = tempfile::tempdir().unwrap();
    let file = directory.path().join("day.csv");
    std::fs::write(&file, text).unwrap();
    let words = words(&file, "van_2500kg");
    let mut best = f64::INFINITY;
    for _ in 0..5 {
        let begun = Instant::now();
        let found = analysed(&words).descents;
        best = best.min(begun.elapsed().as_secs_f64());
        assert!(found.len() >= 6, "{}", found.len());
    }
    println!("{ROWS} rows in {best:.3} s");
    // The promise is about the optimised program.
    if cfg!(not(debug_assertions)) {
        assert!(best < 1.0, "{best} s");
    }
}
