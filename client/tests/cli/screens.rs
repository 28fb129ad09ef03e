//! What the commands show, as pictures: every change of a screen is seen in review.

use crate::fixture::{CSV, JSON, NARROW, View, WIDE, bare, descent, picture, profile};
use coldbrake::command::{
    audit, backup,
    certificates::{self, Issued, Made},
    classes, define, descents, distribution, status, vehicles,
};
use coldbrake_engine::{Metric, MetricHistogram, VehicleClass};
use coldbrake_proto::v1::{
    AuditEntry, BrakeKind, CreateBackupResponse, GetDistributionResponse, GetServerStatusResponse, Quantile,
    Vehicle, VehicleClass as WireClass,
};

/// One picture per view, in one file.
macro_rules! pictures {
    ($name:literal, [$($view:ident),+], $print:expr) => {
        $(insta::assert_snapshot!(
            concat!($name, "_", stringify!($view)).to_lowercase(),
            picture($view, $print)
        );)+
    };
}

/// A terminal of 120 columns: every column of a list is there.
const VAST: View = View { width: 120, ..WIDE };

#[test]
fn one_descent() {
    pictures!("descent", [WIDE, NARROW, JSON, CSV], |p| descents::print_one(
        &descent(),
        &profile(),
        p
    ));
    pictures!("descent_bare", [WIDE], |p| descents::print_one(&bare(), &[], p));
}

/// A reader with a pencil gets the same sums, in every digit, whatever the numbers.
#[test]
fn the_account_can_be_added_up_again() {
    for k in 0..200 {
        let odd = 0.37 + f64::from(k) * 0.0137;
        let mut d = descent();
        for value in [
            &mut d.potential_released_j,
            &mut d.kinetic_released_j,
            &mut d.road_load_j,
            &mut d.available_j.value,
            &mut d.recovered_j.value,
            &mut d.recovered_wheels_j,
            &mut d.discharged_j,
        ] {
            *value *= odd;
        }
        let page = picture(WIDE, |p| descents::print_one(&d, &[], p));
        // Thousandths of a kWh and hundredths of a MJ.
        let (mut sums, mut blocks) = ([0_i64; 2], 0);
        for line in page.lines() {
            let Some((sign, rest)) = line.strip_prefix("  ").and_then(|l| l.split_at_checked(1)) else {
                sums = [0; 2];
                continue;
            };
            let numbers: Vec<i64> = rest
                .split_whitespace()
                .filter(|w| w.contains('.'))
                .filter_map(|w| w.replace('.', "").parse().ok())
                .collect();
            let &[kwh, mj] = numbers.as_slice() else { continue };
            match sign {
                " " => sums = [kwh, mj],
                "+" => sums = [sums[0] + kwh, sums[1] + mj],
                "-" => sums = [sums[0] - kwh, sums[1] - mj],
                "=" => {
                    assert_eq!(sums, [kwh, mj], "{line} in\n{page}");
                    blocks += 1;
                }
                _ => {}
            }
        }
        assert_eq!(blocks, 3, "{page}");
    }
}

#[test]
fn list_of_descents() {
    let rows = [bare(), descent()];
    pictures!("descents", [WIDE, NARROW, VAST, JSON, CSV], |p| {
        descents::print_list(&rows, true, p)
    });
    pictures!("descents_none", [WIDE, JSON, CSV], |p| descents::print_list(
        &[],
        false,
        p
    ));
}

#[test]
fn watched_descents() {
    pictures!("recorded", [WIDE, NARROW, JSON, CSV], |p| {
        descents::print_recorded(&descent(), p)?;
        descents::print_recorded(&bare(), p)
    });
}

/// A histogram of 200 values from `low` on, crowded in the middle, and what a server says about it.
fn answer(metric: Metric, low: f64, span: f64) -> GetDistributionResponse {
    let mut histogram = MetricHistogram::new(metric);
    for i in 0..200 {
        let x = f64::from(i) / 199.0;
        histogram.record(low + span * (0.5 + 4.0 * (x - 0.5).powi(3)));
    }
    let quantiles = [0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 1.0];
    GetDistributionResponse {
        metric: metric.name().to_owned(),
        unit: metric.scale().unit.to_owned(),
        stored_unit: metric.scale().stored_unit.to_owned(),
        count: histogram.count() as i64,
        clamped_count: 0,
        mean: histogram.mean(),
        quantiles: quantiles
            .into_iter()
            .filter_map(|fraction| {
                histogram
                    .quantile(fraction)
                    .map(|value| Quantile { fraction, value })
            })
            .collect(),
        histogram_v2: histogram.to_v2(),
        merged_count: 3,
    }
}

#[test]
fn distributions() {
    let ratio = answer(Metric::RecoveryRatio, 0.58, 0.31);
    pictures!("distribution", [WIDE, NARROW, JSON, CSV], |p| {
        distribution::print(Metric::RecoveryRatio, &ratio, false, p)
    });
    let heat = answer(Metric::BrakeTemperaturePeak, 60.0, 150.0);
    pictures!("distribution_temperature", [WIDE, NARROW], |p| {
        distribution::print(Metric::BrakeTemperaturePeak, &heat, false, p)
    });
    let energy = answer(Metric::Recovered, 2e6, 34e6);
    pictures!("distribution_energy", [WIDE], |p| {
        distribution::print(Metric::Recovered, &energy, false, p)
    });
    let nothing = GetDistributionResponse {
        histogram_v2: MetricHistogram::new(Metric::RecoveryRatio).to_v2(),
        ..GetDistributionResponse::default()
    };
    pictures!("distribution_none", [WIDE, JSON], |p| {
        distribution::print(Metric::RecoveryRatio, &nothing, false, p)
    });
}

#[test]
fn encoded_distribution_is_what_other_languages_read() {
    let ratio = answer(Metric::RecoveryRatio, 0.58, 0.31);
    let (out, err) = crate::fixture::run(WIDE, |p| {
        distribution::print(Metric::RecoveryRatio, &ratio, true, p)
    });
    // The first bytes of every compressed V2 histogram, as base64 (HdrHistogram_py, ENCODING.rst).
    assert!(out.starts_with("HISTF"), "{out}");
    assert_eq!(out.lines().count(), 1);
    assert!(
        err.contains("basis points") && err.contains("200 descents"),
        "{err}"
    );
}

#[test]
fn vehicles_known() {
    let vehicle = Vehicle {
        vehicle: "van-07".into(),
        vehicle_class: "van".into(),
        software_version: "4.2.0".into(),
        brake_kind: BrakeKind::Pressure.into(),
        connected: true,
        last_sample_time_ms: Some(1_773_300_560_000),
        descent_count: 17,
        descending: false,
        refused_batch_count: 1,
        friction_total_j: Some(31.4e6),
        distance_total_m: 412_300.0,
    };
    let unknown = Vehicle {
        vehicle: "truck-2".into(),
        vehicle_class: "truck".into(),
        software_version: "4.1.9".into(),
        connected: false,
        descending: true,
        ..Vehicle::default()
    };
    let both = [unknown, vehicle.clone()];
    pictures!("vehicles", [WIDE, NARROW, JSON, CSV], |p| vehicles::print_list(
        &both, p
    ));
    pictures!("vehicles_none", [WIDE, JSON], |p| vehicles::print_list(&[], p));
    pictures!("vehicle", [WIDE, NARROW, JSON, CSV], |p| vehicles::print_one(
        &vehicle, p
    ));
}

#[test]
fn classes_known() {
    let class: VehicleClass = toml::from_str(classes::TEMPLATE).unwrap();
    let wire = WireClass {
        vehicle_class: class.vehicle_class.clone(),
        display_name: class.display_name.clone(),
        document_toml: toml::to_string(&class).unwrap(),
        mass_kg: class.mass_kg,
        max_recovery_power_w: class.max_recovery_power_w,
        vehicle_count: 12,
    };
    let one = std::slice::from_ref(&wire);
    pictures!("classes", [WIDE, NARROW, JSON, CSV], |p| classes::print_list(
        one, p
    ));
    pictures!("classes_none", [WIDE], |p| classes::print_list(&[], p));
    pictures!("class", [WIDE, JSON, CSV], |p| classes::print_one(&wire, p));
}

#[test]
fn state_of_the_server() {
    let response = GetServerStatusResponse {
        version: "0.1.0".into(),
        start_time_ms: 1_773_299_700_000,
        open_stream_count: 24,
        vehicle_count: 31,
        descent_count: 1_204,
        accepted_sample_count: 18_204_113,
        accepted_batch_count: 51_002,
        duplicate_batch_count: 12,
        refused_batch_count: 1,
        rewind_count: 3,
        commit_count: 9_120,
        store_size_bytes: 44_040_192,
    };
    pictures!("status", [WIDE, NARROW, JSON, CSV], |p| status::print(
        "http://127.0.0.1:7450",
        &response,
        p
    ));
}

#[test]
fn definitions() {
    let args = |name: Option<&str>| define::DefineArgs {
        name: name.map(str::to_owned),
    };
    pictures!("define", [WIDE, NARROW, JSON, CSV], |p| define::run(
        &args(Some("available_j")),
        p
    ));
    pictures!("define_list", [WIDE], |p| define::run(&args(None), p));
}

/// Every page of the help, as `coldbrake ... --help` prints it on a terminal of 100 columns.
#[test]
fn help() {
    let mut root = coldbrake::args::command().term_width(100);
    root.build();
    let mut pages = Vec::new();
    for words in commands(&root, &["coldbrake".to_owned()]) {
        let asked = words.iter().map(String::as_str).chain(["--help"]);
        let page = root.clone().try_get_matches_from(asked).unwrap_err();
        assert!(!page.use_stderr(), "{words:?}: {page}");
        let page = page.to_string();
        // Lines of nothing but spaces are clap's.
        let page = page.lines().map(str::trim_end).collect::<Vec<_>>().join("\n");
        assert!(
            page.lines().all(|l| l.chars().count() <= 100),
            "{words:?}: {page}"
        );
        assert!(
            page.contains("Examples:") || page.contains("Commands:"),
            "{words:?} has no example"
        );
        pages.push(format!("$ {} --help\n{page}", words.join(" ")));
    }
    insta::assert_snapshot!("help", pages.join("\n\n"));
}

/// The words of a command and of all under it.
fn commands(command: &clap::Command, words: &[String]) -> Vec<Vec<String>> {
    let mut all = vec![words.to_vec()];
    for sub in command.get_subcommands().filter(|s| s.get_name() != "help") {
        all.extend(commands(sub, &[words, &[sub.get_name().to_owned()]].concat()));
    }
    all
}

/// The texts of every example must be command lines that this program takes.
#[test]
fn examples_can_be_typed() {
    let root = coldbrake::args::command();
    let mut root = root.clone();
    root.build();
    let mut seen = 0;
    for words in commands(&root, &["coldbrake".to_owned()]) {
        let mut command = &root;
        for word in &words[1..] {
            command = command.find_subcommand(word).unwrap();
        }
        let text = command
            .get_after_help()
            .map(ToString::to_string)
            .unwrap_or_default();
        for line in text
            .replace("\\\n", " ")
            .lines()
            .filter(|l| l.trim_start().starts_with("coldbrake "))
        {
            // A remark stands after three spaces, what a shell does with the output after these signs.
            let line = line.trim_start().split("   ").next().unwrap();
            let line = line.split(['>', '|', ';']).next().unwrap();
            let result = coldbrake::args::Args::read(line.split_whitespace());
            assert!(result.is_ok(), "{line}: {}", result.unwrap_err());
            seen += 1;
        }
    }
    assert!(seen > 20, "{seen}");
}

#[test]
fn backup_written() {
    let made = CreateBackupResponse {
        path: "backups/monday.backup".to_owned(),
        size_bytes: 48_213_511,
        record_count: 612_408,
        vehicle_count: 1_204,
        descent_count: 183_020,
        last_commit: 90_112,
        duration_s: 2.34,
    };
    pictures!("backup", [WIDE, NARROW, JSON, CSV], |p| backup::print(&made, p));
}

#[test]
fn audit_log() {
    let entry = |time_ms, who: &str, action: &str, subject: &str| AuditEntry {
        time_ms,
        who: who.to_owned(),
        action: action.to_owned(),
        subject: subject.to_owned(),
    };
    let entries = [
        entry(
            1_773_300_534_123,
            "person/ines/role/administrator",
            "CreateBackup",
            "/var/lib/coldbrake/backups/monday.backup",
        ),
        entry(
            1_773_299_702_004,
            "person/mira/role/engineer",
            "PutVehicleClass",
            "van",
        ),
        entry(1_773_290_000_000, "local", "CreateGrade", "harrow-pass-east"),
    ];
    pictures!("audit", [WIDE, NARROW, VAST, JSON, CSV], |p| audit::print(
        &entries, true, p
    ));
    pictures!("audit_none", [WIDE, JSON, CSV], |p| audit::print(&[], false, p));
}

#[test]
fn certificates_made() {
    let issued = |stem: &str, holder: &str, is_client, not_after_s| Issued {
        stem: stem.to_owned(),
        holder: holder.to_owned(),
        is_client,
        not_after_s,
        certificate: String::new(),
        key: String::new(),
    };
    let mut made = Made {
        directory: "pki".into(),
        trust_domain: "fleet.example".to_owned(),
        issued: vec![
            issued("authority", "authority of fleet.example", false, 1_807_431_300),
            issued("server", "server localhost, 127.0.0.1, ::1", false, 1_775_895_300),
            issued("vehicle-van-07", "vehicle van-07", true, 1_775_895_300),
            issued("engineer-mira", "engineer mira", true, 1_775_895_300),
        ],
    };
    pictures!("certificates", [WIDE, NARROW, JSON, CSV], |p| {
        certificates::print(&made, p)
    });
    // More of an authority that is there already.
    made.issued.drain(..3);
    pictures!("certificates_more", [WIDE], |p| certificates::print(&made, p));
}
