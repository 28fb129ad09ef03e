//! Comparing software versions: through a real server, on fleets of which the truth is known.

use std::{sync::Arc, time::Duration};

use coldbrake::{command::compare, connect::Server};
use coldbrake_engine::{
    Descent, FinishedDescent,
    record::{Estimate, Flag, Flags, FrictionMethod, StartReason},
};
use coldbrake_proto::v1::{
    CompareVersionsRequest, CompareVersionsResponse, ComparedMetric, ComparisonVerdict, DescentFilter,
};
use coldbrake_server::{
    Config, ServerHandle,
    store::{CommitBatch, MemoryStore, Store as _},
};
use serde_json::Value;

use crate::{
    fixture::{CSV, JSON, NARROW, WIDE, descent, picture},
    program::{fails, program, texts},
    schema::conforms,
};

const DAY_MS: i64 = 86_400_000;

/// Descents of an invented fleet.
#[derive(Default)]
struct Fleet(Vec<Descent>);

/// What a group of descents has in common.
#[derive(Clone, Copy)]
struct Group {
    version: &'static str,
    grade: Option<&'static str>,
    count: u32,
    /// Friction share of the middle descent.
    level: f64,
    /// Spread of the friction share, from the least to the largest.
    spread: f64,
    vehicles: u32,
    mass_kg: f64,
    charge: Option<f64>,
    flags: Flags,
}

impl Group {
    fn new(version: &'static str, grade: &'static str, count: u32, level: f64) -> Self {
        Self {
            version,
            grade: Some(grade),
            count,
            level,
            spread: 0.02,
            vehicles: 5,
            mass_kg: 2_600.0,
            charge: Some(0.7),
            flags: Flags::default(),
        }
    }
}

impl Fleet {
    /// Adds a group; every value differs, none is random.
    fn with(mut self, group: Group) -> Self {
        for i in 0..group.count {
            let number = self.0.len() as i64;
            // A low-discrepancy walk over 0..1 (multiples of the golden ratio), so that groups of any size look alike.
            let place = (f64::from(i) * 0.618_033_988_749_895).fract() - 0.5;
            let share = group.level + group.spread * place;
            let estimate = |value: f64| {
                Some(Estimate {
                    value,
                    low: value,
                    high: value,
                })
            };
            let whole = descent();
            let available = whole.available_j.value;
            self.0.push(Descent {
                descent: format!("d-{number}"),
                vehicle: format!("van-{}", i % group.vehicles),
                software_version: group.version.to_owned(),
                grade: group.grade.map(str::to_owned),
                start_time_ms: whole.start_time_ms + number * DAY_MS / 4,
                friction_share: estimate(share),
                recovery_ratio_wheels: estimate(0.97 - share),
                recovery_ratio: estimate(0.82 - 0.9 * share),
                friction_kj_per_t_100m: Some(share * available * 1e-3 / (2.5 * 6.12)),
                unexplained_kj_per_t_100m: Some(2.0 + place),
                friction_time_share: Some(0.1 + 0.5 * share),
                brake_temperature_peak_c: None,
                mass_kg: group.mass_kg,
                state_of_charge_start: group.charge,
                flags: group.flags,
                ..whole
            });
        }
        self
    }

    fn store(self) -> Arc<MemoryStore> {
        let store = MemoryStore::new();
        let finished = |descent| FinishedDescent {
            descent,
            profile: Vec::new(),
            facts: coldbrake_engine::alarm::watch::Facts::default(),
        };
        store
            .commit(&CommitBatch {
                descents: self.0.into_iter().map(finished).collect(),
                ..CommitBatch::default()
            })
            .unwrap();
        Arc::new(store)
    }
}

/// Runs it, expects an exit code and a failure that says what is wrong; what to do stands in the server's own words.
fn refused(mut command: std::process::Command, code: i32) -> String {
    let output = command.output().unwrap();
    let (out, err) = texts(&output);
    assert!(err.starts_with("error: ") && out.is_empty(), "{out}\n{err}");
    assert_eq!(output.status.code(), Some(code), "{err}");
    err
}

/// A server that knows a fleet.
struct House {
    runtime: tokio::runtime::Runtime,
    server: Option<ServerHandle>,
}

impl House {
    fn of(fleet: Fleet) -> Self {
        let runtime = tokio::runtime::Runtime::new().unwrap();
        let start = ServerHandle::start_with_store(Config::in_process(), fleet.store());
        let server = Some(runtime.block_on(start).unwrap());
        Self { runtime, server }
    }

    fn ask(&self, request: CompareVersionsRequest) -> CompareVersionsResponse {
        let uri = self.server.as_ref().unwrap().uri();
        self.runtime.block_on(async {
            let server = Server::connect(&uri, Duration::from_secs(60)).await.unwrap();
            let answer = server.comparisons().compare_versions(request).await;
            answer.unwrap().into_inner()
        })
    }

    fn command(&self, words: &str) -> std::process::Command {
        let mut command = program(words);
        command.env("COLDBRAKE_SERVER", self.server.as_ref().unwrap().uri());
        command
    }

    /// Runs the program; returns exit code, data and talk.
    fn run(&self, words: &str) -> (i32, String, String) {
        let output = self.command(words).output().unwrap();
        let (out, err) = texts(&output);
        (output.status.code().unwrap(), out, err)
    }

    fn json(&self, words: &str) -> Value {
        let (code, out, err) = self.run(&format!("{words} --format json"));
        assert_eq!(code, 0, "{words}: {err}");
        let document: Value = serde_json::from_str(&out).unwrap();
        conforms(&document);
        document
    }
}

impl Drop for House {
    fn drop(&mut self) {
        if let Some(server) = self.server.take() {
            self.runtime.block_on(server.shutdown());
        }
    }
}

fn request(metrics: &[&str]) -> CompareVersionsRequest {
    CompareVersionsRequest {
        version_a: "4.2.0".to_owned(),
        version_b: "4.3.0".to_owned(),
        metrics: metrics
            .iter()
            .map(|m| ComparedMetric {
                metric: (*m).to_owned(),
                min_effect: None,
            })
            .collect(),
        ..CompareVersionsRequest::default()
    }
}

/// 4.3.0 uses one point of friction less on every grade, and happened to drive the steep one far more often.
fn unlike_mixes() -> Fleet {
    Fleet::default()
        .with(Group::new("4.2.0", "birch-hill", 60, 0.03))
        .with(Group::new("4.2.0", "raven-wall", 12, 0.20))
        .with(Group::new("4.3.0", "birch-hill", 12, 0.02))
        .with(Group::new("4.3.0", "raven-wall", 60, 0.19))
}

/// The paradox that Simpson described (The interpretation of interaction in contingency tables, 1951, from memory): over
/// all descents the new version looks far worse, on every grade it is better.
#[test]
fn another_mix_of_grades_is_not_taken_for_a_difference() {
    let fleet = unlike_mixes();
    let mean = |version: &str| {
        let of_version = fleet.0.iter().filter(|d| d.software_version == version);
        let values: Vec<f64> = of_version.map(|d| d.friction_share.unwrap().value).collect();
        values.iter().sum::<f64>() / values.len() as f64
    };
    let (before, after) = (mean("4.2.0"), mean("4.3.0"));
    assert!(
        after > 2.0 * before,
        "pooled, the new one looks bad: {before} {after}"
    );
    let house = House::of(fleet);
    let answer = house.json("compare 4.2.0 4.3.0 --metric friction_share");
    let m = &answer["metrics"][0];
    assert_eq!(
        (&answer["verdict"], &m["verdict"]),
        (&"better".into(), &"better".into())
    );
    let shift = m["evidence"]["shift"]["value"].as_f64().unwrap();
    assert!((shift + 0.01).abs() < 0.002, "{shift}");
    let low = m["evidence"]["shift"]["low"].as_f64().unwrap();
    let high = m["evidence"]["shift"]["high"].as_f64().unwrap();
    assert!(low <= -0.01 && high < 0.0, "{low} {high}");
    // The medians shown are of evened-out strata: they do not contradict the verdict.
    let median = |side: &str| m["evidence"][side]["median"].as_f64().unwrap();
    assert!(median("b") < median("a"), "{m}");
    assert_eq!(m["stratum_count"], 2);
}

#[test]
fn a_release_gate_tells_by_its_exit_code() {
    let house = House::of(
        unlike_mixes()
            .with(Group::new("4.4.0", "raven-wall", 40, 0.24))
            .with(Group::new("4.5.0", "raven-wall", 4, 0.24))
            .with(Group::new("4.6.0", "raven-wall", 40, 0.191)),
    );
    let gate = |b: &str, more: &str| {
        house.run(&format!(
            "compare 4.3.0 {b} --metric friction_share --gate {more}"
        ))
    };
    let (code, out, err) = gate("4.4.0", "");
    assert_eq!(code, 1, "{err}");
    assert!(out.starts_with("4.4.0 against 4.3.0: worse"), "{out}");
    assert!(
        err.contains("error: 4.4.0 is worse than 4.3.0 in friction_share"),
        "{err}"
    );
    let (code, _, err) = gate("4.5.0", "");
    assert_eq!(code, 8, "{err}");
    assert!(err.contains("too few descents to tell"), "{err}");
    // Nearly alike: no difference of one point, but nobody can promise that there is none of a hundredth of a point.
    assert_eq!(gate("4.6.0", "--min-effect 0.01").0, 0);
    assert_eq!(gate("4.6.0", "--min-effect friction_share=0.0001").0, 8);
    // A rise that is there but smaller than what matters is let through.
    assert_eq!(gate("4.4.0", "--min-effect 0.2").0, 0);
    // The other way round it is better, and without the gate nothing but running counts.
    assert_eq!(
        house.run("compare 4.4.0 4.3.0 --metric friction_share --gate").0,
        0
    );
    assert_eq!(house.run("compare 4.3.0 4.4.0").0, 0);
    // A version that nobody drove is no success of the gate.
    assert_eq!(gate("9.9.9", "").0, 8);
    let err = refused(house.command("compare 4.3.0 4.3.0"), 6);
    assert!(err.contains("give another version"), "{err}");
    fails(
        house.command("compare 4.3.0 4.4.0 --metric drop_m"),
        "no direction",
        2,
    );
    fails(
        house.command("compare 4.3.0 4.4.0 --min-effect 0.1"),
        "which metric",
        2,
    );
    refused(house.command("compare 4.3.0 4.4.0 --confidence 1.5"), 6);
}

#[test]
fn what_is_left_out_is_counted_under_its_reason() {
    let flagged = |flag, group: Group| Group {
        flags: Flags::default().with(flag),
        ..group
    };
    let plain = |version, count| Group::new(version, "raven-wall", count, 0.2);
    let mut fleet = Fleet::default()
        .with(plain("4.2.0", 20))
        .with(plain("4.3.0", 20))
        .with(flagged(Flag::LowCoverage, plain("4.2.0", 3)))
        .with(flagged(Flag::PoorClosure, plain("4.3.0", 2)))
        .with(flagged(Flag::MassAssumed, plain("4.3.0", 1)))
        .with(Group {
            grade: None,
            ..plain("4.3.0", 5)
        })
        .with(Group::new("4.3.0", "birch-hill", 7, 0.02))
        .with(Group {
            charge: Some(0.97),
            ..plain("4.2.0", 6)
        })
        .with(Group {
            charge: Some(0.97),
            ..plain("4.3.0", 1)
        })
        .with(Group {
            mass_kg: 3_300.0,
            ..plain("4.2.0", 4)
        })
        .with(Group::new("4.1.0", "raven-wall", 9, 0.5));
    fleet.0[0].friction_method = Some(FrictionMethod::Balance);
    fleet.0[1].friction_share = None;
    fleet.0[2].start_reason = StartReason::AfterGap;
    let house = House::of(fleet);
    let answer = house.json("compare 4.2.0 4.3.0 --metric friction_share --metric friction_time_share");
    let counts = |list: &Value| -> Vec<(String, i64, i64)> {
        let number = |v: &Value| v.as_i64().unwrap();
        let all = list.as_array().unwrap().iter();
        all.map(|l| {
            (
                l["reason"].as_str().unwrap().to_owned(),
                number(&l["a_count"]),
                number(&l["b_count"]),
            )
        })
        .collect()
    };
    let expected = |rows: &[(&str, i64, i64)]| -> Vec<(String, i64, i64)> {
        rows.iter().map(|(r, a, b)| ((*r).to_owned(), *a, *b)).collect()
    };
    assert_eq!(
        counts(&answer["left_out"]),
        expected(&[
            ("cut_short", 1, 0),
            ("low_coverage", 3, 0),
            ("poor_closure", 0, 2),
            ("no_grade", 0, 5)
        ])
    );
    assert_eq!(
        (&answer["a"]["found_count"], &answer["a"]["compared_count"]),
        (&33.into(), &29.into())
    );
    assert_eq!(
        (&answer["b"]["found_count"], &answer["b"]["compared_count"]),
        (&36.into(), &29.into())
    );
    assert_eq!(answer["b"]["mass_assumed_count"], 1);
    assert_eq!(answer["vehicles_on_both_sides"], 5);
    assert_eq!(
        counts(&answer["metrics"][0]["left_out"]),
        expected(&[
            ("not_known", 1, 0),
            ("friction_by_balance", 1, 0),
            ("one_sided", 4, 7),
            ("small_stratum", 6, 1)
        ])
    );
    // The time with the brake on needs no friction work.
    assert_eq!(
        counts(&answer["metrics"][1]["left_out"]),
        expected(&[("one_sided", 4, 7), ("small_stratum", 6, 1)])
    );
    for m in answer["metrics"].as_array().unwrap() {
        let left_out: i64 = counts(&m["left_out"]).iter().map(|l| l.1).sum();
        assert_eq!(
            m["a_count"].as_i64().unwrap() + left_out,
            29,
            "every descent is accounted for"
        );
    }
    // With those without a grade compared by drop, none is left out for that.
    let by_drop = house.json("compare 4.2.0 4.3.0 --metric friction_share --ungraded by-drop");
    assert!(counts(&by_drop["left_out"]).iter().all(|l| l.0 != "no_grade"));
    let one = house.json("compare 4.2.0 4.3.0 --metric friction_share --grade birch-hill");
    assert_eq!(
        (&one["a"]["found_count"], &one["verdict"]),
        (&0.into(), &"too_few_to_tell".into())
    );
}

/// Thirty descents of one bad vehicle are not thirty vehicles.
#[test]
fn many_descents_of_one_vehicle_are_told_from_many_vehicles() {
    let group = |version, level, count| Group {
        vehicles: 1,
        spread: 0.01,
        ..Group::new(version, "raven-wall", count, level)
    };
    let many = |version, level| Group {
        vehicles: 30,
        ..group(version, level, 90)
    };
    let house = House::of(
        Fleet::default()
            .with(group("4.2.0", 0.10, 30))
            .with(group("4.3.0", 0.13, 30))
            .with(many("5.0.0", 0.10))
            .with(many("5.1.0", 0.13)),
    );
    let drawn = |words: &str| {
        let answer = house.json(words);
        let m = answer["metrics"][0].clone();
        (m["verdict"].clone(), m["drawn_together"][1].clone())
    };
    let (verdict, by_vehicle) = drawn("compare 4.2.0 4.3.0 --metric friction_share");
    assert_eq!(verdict, "worse");
    assert_eq!(
        (&by_vehicle["unit"], &by_vehicle["verdict"]),
        (&"vehicle".into(), &"too_few_to_tell".into())
    );
    assert_eq!(
        (&by_vehicle["a_count"], &by_vehicle["b_count"]),
        (&1.into(), &1.into())
    );
    let (verdict, by_vehicle) = drawn("compare 5.0.0 5.1.0 --metric friction_share");
    assert_eq!(
        (&verdict, &by_vehicle["verdict"]),
        (&"worse".into(), &"worse".into())
    );
    assert_eq!(by_vehicle["a_count"], 30);
    // Within vehicles only pairs of the same vehicle count: 30 strata of three a side.
    let within = house.json("compare 5.0.0 5.1.0 --metric friction_share --within-vehicles");
    assert_eq!(
        (&within["verdict"], &within["metrics"][0]["stratum_count"]),
        (&"worse".into(), &30.into())
    );
    assert!(within["metrics"][0]["strata"][0]["vehicle"].is_string());
}

#[test]
fn too_many_descents_are_refused_and_not_cut() {
    let group = |version, count| Group {
        vehicles: 60,
        ..Group::new(version, "raven-wall", count, 0.2)
    };
    let fleet = || {
        Fleet::default()
            .with(group("4.2.0", 10_000))
            .with(group("4.3.0", 10_001))
    };
    let house = House::of(fleet());
    let words = "compare 4.2.0 4.3.0 --metric friction_share --timeout 300";
    let err = refused(house.command(words), 6);
    assert!(
        err.contains("more than 20000 descents") && err.contains("narrow it"),
        "{err}"
    );
}

#[test]
fn pages() {
    let house = House::of(unlike_mixes().with(Group {
        grade: None,
        ..Group::new("4.3.0", "", 4, 0.1)
    }));
    let answer = house.ask(request(&[]));
    assert_eq!(answer.verdict(), ComparisonVerdict::Better);
    let one = house.ask(CompareVersionsRequest {
        metrics: vec![ComparedMetric {
            metric: "friction_share".to_owned(),
            min_effect: Some(0.005),
        }],
        ..request(&[])
    });
    let nothing = house.ask(CompareVersionsRequest {
        filter: Some(DescentFilter {
            vehicle_class: Some("tram".to_owned()),
            ..DescentFilter::default()
        }),
        ..request(&["friction_share"])
    });
    for (name, view) in [("wide", WIDE), ("narrow", NARROW), ("csv", CSV)] {
        insta::assert_snapshot!(
            format!("compare_{name}"),
            picture(view, |p| compare::print(&answer, false, p))
        );
    }
    for (name, view) in [("wide", WIDE), ("narrow", NARROW), ("json", JSON)] {
        insta::assert_snapshot!(
            format!("compare_one_{name}"),
            picture(view, |p| compare::print(&one, true, p))
        );
    }
    for (name, view) in [("wide", WIDE), ("json", JSON)] {
        insta::assert_snapshot!(
            format!("compare_none_{name}"),
            picture(view, |p| compare::print(&nothing, true, p))
        );
    }
}

mod trend {
    use coldbrake::command::trend::{self, By};
    use coldbrake_engine::Metric;
    use coldbrake_proto::v1::{GetTrendRequest, GetTrendResponse, TrendGrouping};

    use super::*;

    /// Three weeks of descents, the middle one empty.
    fn three_weeks() -> House {
        let mut fleet = Fleet::default()
            .with(Group::new("4.2.0", "birch-hill", 20, 0.05))
            .with(Group::new("4.3.0", "raven-wall", 10, 0.20));
        let monday = 20_521 * DAY_MS;
        for (i, d) in (0_i64..).zip(&mut fleet.0) {
            d.start_time_ms = if i < 20 { monday } else { monday + 14 * DAY_MS } + i * 3_600_000;
        }
        House::of(fleet)
    }

    impl House {
        fn trend(&self, metric: Metric, grouping: TrendGrouping) -> GetTrendResponse {
            let uri = self.server.as_ref().unwrap().uri();
            let request = GetTrendRequest {
                metric: metric.name().to_owned(),
                grouping: grouping.into(),
                ..GetTrendRequest::default()
            };
            self.runtime.block_on(async {
                let server = Server::connect(&uri, Duration::from_secs(60)).await.unwrap();
                server.trends().get_trend(request).await.unwrap().into_inner()
            })
        }
    }

    #[test]
    fn pages() {
        let house = three_weeks();
        let share = Metric::FrictionShare;
        let weeks = house.trend(share, TrendGrouping::Week);
        for (name, view) in [("wide", WIDE), ("narrow", NARROW), ("json", JSON), ("csv", CSV)] {
            let page = picture(view, |p| trend::print(share, By::Week, &weeks, p));
            insta::assert_snapshot!(format!("trend_{name}"), page);
        }
        let versions = house.trend(share, TrendGrouping::SoftwareVersion);
        insta::assert_snapshot!(
            "trend_software_wide",
            picture(WIDE, |p| trend::print(share, By::Software, &versions, p))
        );
    }

    #[test]
    fn every_group_agrees_with_the_distribution_of_its_own() {
        let house = three_weeks();
        for (by, option, names) in [
            ("software", "--software", vec!["4.2.0", "4.3.0"]),
            ("grade", "--grade", vec!["birch-hill", "raven-wall"]),
            ("class", "--class", vec!["van"]),
        ] {
            for metric in ["friction_share", "available_j", "drop_m"] {
                let trend = house.json(&format!("trend {metric} --by {by}"));
                let groups = trend["groups"].as_array().unwrap();
                let found: Vec<&str> = groups.iter().map(|g| g["name"].as_str().unwrap()).collect();
                assert_eq!(found, names);
                for (group, name) in groups.iter().zip(&names) {
                    let alone = house.json(&format!("distribution {metric} {option} {name}"));
                    assert_eq!(group["count"], alone["count"]);
                    let quantile = |fraction: f64| {
                        let all = alone["quantiles"].as_array().unwrap().iter();
                        all.filter(|q| q["fraction"] == fraction)
                            .map(|q| q["value"].clone())
                            .next()
                    };
                    for (field, fraction) in [("p10", 0.1), ("median", 0.5), ("p90", 0.9)] {
                        assert_eq!(
                            Some(group[field].clone()),
                            quantile(fraction),
                            "{metric} {by} {name}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn empty_weeks_and_days_are_shown_as_such() {
        let house = three_weeks();
        let weeks = house.json("trend friction_share");
        let rows: Vec<(&str, i64)> = weeks["groups"]
            .as_array()
            .unwrap()
            .iter()
            .map(|g| (g["name"].as_str().unwrap(), g["count"].as_i64().unwrap()))
            .collect();
        assert_eq!(rows, [("2026-W11", 20), ("2026-W12", 0), ("2026-W13", 10)]);
        assert!(weeks["groups"][1]["median"].is_null());
        let days = house.json("trend friction_share --by day --since 2026-03-09 --until 2026-03-15");
        assert_eq!(days["groups"].as_array().unwrap().len(), 7);
        let none = house.json("trend friction_share --by day --software 9.9.9");
        assert!(none["groups"].as_array().unwrap().is_empty());
        fails(house.command("trend friction_sh"), "no such metric", 2);
        refused(
            house.command("trend friction_share --by day --since 1970-01-01 --until 2026-12-31"),
            6,
        );
    }
}
