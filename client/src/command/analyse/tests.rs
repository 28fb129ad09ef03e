use std::io::Write as _;

use clap::Parser;

use super::*;

#[derive(Parser)]
struct Cli {
    #[command(flatten)]
    analyse: AnalyseArgs,
}

const CLASS: &str = "\
vehicle_class = \"van-2500\"
mass_kg = 2500.0
rolling_coefficient = 0.0095
drag_area_m2 = 1.2
max_recovery_power_w = 100e3
nominal_voltage_v = 360.0
brake_force_per_bar_n = 400.0
";

/// A descent of 6 % from 1500 m at 15 m/s, one sample a second: the current charges on the way down and drives on the
/// flat after it. `sign` turns it.
fn log(sign: f64) -> String {
    let mut text = "time_s,speed_mps,altitude_m,brake_bar,I_batt,voltage_v\n".to_owned();
    for i in 0..1200 {
        let t = f64::from(i);
        let down = (100.0..900.0).contains(&t);
        let altitude = 1500.0 - 0.06 * 15.0 * (t.clamp(100.0, 900.0) - 100.0);
        let current = if down { 25.0 } else { -20.0 };
        text.push_str(&format!("{t},15,{altitude},0,{},360\n", sign * current));
    }
    text
}

fn file(content: &str, suffix: &str) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::with_suffix(suffix).unwrap();
    file.write_all(content.as_bytes()).unwrap();
    file
}

fn run_with(log: &str, class: &str, more: &[&str]) -> Result<Analysis, Failure> {
    let (log, class) = (file(log, ".csv"), file(class, ".toml"));
    let (log, class) = (log.path().to_str().unwrap(), class.path().to_str().unwrap());
    let args = ["test", log, "--class", class, "--columns", "current=I_batt:A"];
    analyse(&Cli::parse_from(args.iter().chain(more)).analyse)
}

#[test]
fn a_log_becomes_descents() {
    let analysis = run_with(&log(1.0), CLASS, &["--current=charge-positive"]).unwrap();
    assert_eq!(analysis.descents.len(), 1);
    let d = &analysis.descents[0].descent;
    assert!((d.drop_m - 720.0).abs() < 2.0, "{}", d.drop_m);
    // 25 A at 360 V for 800 s.
    assert!(
        (d.recovered_j.value - 25.0 * 360.0 * 800.0).abs() < 0.01 * 7.2e6,
        "{:?}",
        d.recovered_j
    );
    let json = document(&analysis, false);
    assert_eq!(json["format"], "coldbrake.descents/1");
    assert_eq!(json["log"]["rows"], 1200);
    assert_eq!(json["descents"][0]["vehicle_class"], "van-2500");
    assert!(json["descents"][0].get("profile").is_none());
    assert!(document(&analysis, true)["descents"][0]["profile"].is_array());
}

#[test]
fn the_other_sign_gives_the_same_when_it_is_declared() {
    let a = run_with(&log(1.0), CLASS, &["--current=charge-positive"]).unwrap();
    let b = run_with(&log(-1.0), CLASS, &["--current=discharge-positive"]).unwrap();
    assert_eq!(document(&a, true), document(&b, true));
}

#[test]
fn a_sign_that_contradicts_the_motion_is_refused_with_the_fix() {
    let failure = run_with(&log(-1.0), CLASS, &["--current=charge-positive"]).unwrap_err();
    assert_eq!(failure.code, Code::BadInput);
    assert!(
        failure
            .message
            .contains("column `I_batt`: the current contradicts the motion"),
        "{}",
        failure.message
    );
    assert!(
        failure.helps[0].contains("--current discharge-positive"),
        "{:?}",
        failure.helps
    );
}

#[test]
fn every_problem_of_class_and_policy_is_shown() {
    let failure = run_with(
        &log(1.0),
        &CLASS.replace("2500.0", "1.0").replace("100e3", "1.0"),
        &[],
    )
    .unwrap_err();
    assert_eq!(
        (failure.code, failure.notes.len()),
        (Code::BadInput, 2),
        "{failure:?}"
    );
    let policy = file("confirm_drop_m = 1.0\nend_climb_m = 0.0\n", ".toml");
    let failure = run_with(
        &log(1.0),
        CLASS,
        &[
            "--current=charge-positive",
            "--policy",
            policy.path().to_str().unwrap(),
        ],
    )
    .unwrap_err();
    assert_eq!(failure.notes.len(), 2, "{failure:?}");
    let policy = file("confirm_drop_m = 100.0\nconfirm = 3\n", ".toml");
    let failure = run_with(
        &log(1.0),
        CLASS,
        &[
            "--current=charge-positive",
            "--policy",
            policy.path().to_str().unwrap(),
        ],
    )
    .unwrap_err();
    assert!(failure.message.contains("line 2"), "{failure:?}");
}

#[test]
fn mistakes_in_the_log_keep_their_place_and_their_help() {
    let broken = log(1.0).replace("\n7,15,", "\n7,fast,");
    let failure = run_with(&broken, CLASS, &["--current=charge-positive"]).unwrap_err();
    assert_eq!(failure.code, Code::BadInput);
    assert!(
        failure
            .message
            .contains(".csv:9: column `speed_mps`: `fast` is not a number"),
        "{}",
        failure.message
    );
    assert!(failure.helps[0].contains("--skip-bad-rows"));
    let failure = run_with(&log(1.0), CLASS, &["--columns=speed=v,altitude=h"]).unwrap_err();
    assert_eq!(failure.notes.len(), 3, "two columns and the sign: {failure:?}");
}

#[test]
fn a_declared_mass_is_used() {
    let analysis = run_with(&log(1.0), CLASS, &["--current=charge-positive", "--mass=3000"]).unwrap();
    assert!((analysis.descents[0].descent.mass_kg - 3000.0).abs() < 1e-9);
    assert!(Cli::try_parse_from(["test", "x", "--class", "y", "--mass", "5"]).is_err());
}
