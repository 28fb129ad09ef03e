//! Every document for programs is of the form that the schemas in `client/schema` promise (JSON Schema, draft 2020-12).

use std::{collections::BTreeSet, fs, path::PathBuf};

use coldbrake::{
    command::{define, descents, distribution},
    convert::descent_csv_header,
};
use coldbrake_engine::record::{Cause, EndReason, Flag, FrictionMethod, MassSource, StartReason};
use serde_json::{Value, json};

use crate::{
    check::check,
    fixture::{self, JSON, bare, descent, profile},
};

fn directory() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("schema")
}

fn schema(name: &str) -> Value {
    let path = directory().join(format!("{name}.json"));
    let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_str(&text).unwrap()
}

/// Checks a document by the schema that its `format` names.
pub(crate) fn conforms(document: &Value) {
    let format = document["format"].as_str().expect("a document names its format");
    let name = format
        .strip_prefix("coldbrake.")
        .and_then(|f| f.strip_suffix("/1"))
        .unwrap();
    let problems = check(&schema(name), document);
    assert!(problems.is_empty(), "{format}: {problems:#?}");
}

#[test]
fn every_picture_of_a_document_conforms() {
    let pictures = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/cli/snapshots");
    let mut formats = BTreeSet::new();
    for entry in fs::read_dir(pictures).unwrap() {
        let path = entry.unwrap().path();
        if !path.to_string_lossy().ends_with("_json.snap") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        let body = text
            .splitn(3, "---\n")
            .nth(2)
            .unwrap()
            .split("--- stderr")
            .next()
            .unwrap();
        for document in serde_json::Deserializer::from_str(body).into_iter::<Value>() {
            let document = document.unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            conforms(&document);
            formats.insert(document["format"].as_str().unwrap().to_owned());
        }
    }
    assert!(formats.len() >= 8, "{formats:?}");
}

#[test]
fn what_the_commands_print_conforms() {
    let parse = |(out, _): (String, String)| -> Value { serde_json::from_str(&out).unwrap() };
    let rows = [descent(), bare()];
    conforms(&parse(fixture::run(JSON, |p| {
        descents::print_list(&rows, true, p)
    })));
    conforms(&parse(fixture::run(JSON, |p| {
        descents::print_one(&descent(), &profile(), p)
    })));
    conforms(&parse(fixture::run(JSON, |p| {
        define::run(&define::DefineArgs { name: None }, p)
    })));
    conforms(&parse(fixture::run(JSON, distribution::list)));
}

/// The schema names every column and every word, and nothing else.
#[test]
fn the_schema_of_a_descent_is_complete() {
    let schema = schema("descents");
    let properties = &schema["$defs"]["descent"]["properties"];
    let columns: Vec<_> = descent_csv_header()
        .into_iter()
        .filter(|c| properties.get(c).is_none())
        .collect();
    let causes: Vec<_> = Cause::ALL
        .iter()
        .map(|c| format!("friction_{}_j", c.name()))
        .collect();
    assert_eq!(columns, causes, "all other columns stand in the schema");
    let known = descent_csv_header();
    for name in properties.as_object().unwrap().keys() {
        let special = ["friction_by_cause_j", "profile"].contains(&name.as_str());
        assert!(special || known.contains(&name.as_str()), "{name} is no column");
    }
    let words = |list: &Value| -> Vec<String> {
        list.as_array()
            .unwrap()
            .iter()
            .filter_map(|v| v.as_str().map(str::to_owned))
            .collect()
    };
    assert_eq!(
        words(&properties["start_reason"]["enum"]),
        StartReason::ALL.iter().map(|r| r.name()).collect::<Vec<_>>()
    );
    assert_eq!(
        words(&properties["end_reason"]["enum"]),
        EndReason::ALL.iter().map(|r| r.name()).collect::<Vec<_>>()
    );
    assert_eq!(
        words(&properties["mass_source"]["enum"]),
        MassSource::ALL.iter().map(|r| r.name()).collect::<Vec<_>>()
    );
    assert_eq!(
        words(&properties["friction_method"]["enum"]),
        FrictionMethod::ALL.iter().map(|r| r.name()).collect::<Vec<_>>()
    );
    assert_eq!(
        words(&properties["flags"]["items"]["enum"]),
        Flag::ALL.iter().map(|r| r.name()).collect::<Vec<_>>()
    );
}

type Damage = fn(&mut Value);

#[test]
fn a_document_that_breaks_its_promise_is_found_out() {
    let (out, _) = fixture::run(JSON, |p| descents::print_one(&descent(), &profile(), p));
    let good: Value = serde_json::from_str(&out).unwrap();
    let schema = schema("descents");
    assert!(check(&schema, &good).is_empty());
    let damages: [Damage; 9] = [
        |d| d["format"] = json!("coldbrake.descents/2"),
        |d| d["descents"][0]["drop_m"] = json!("612"),
        |d| d["descents"][0]["drop_m"] = Value::Null,
        |d| d["descents"][0]["sample_count"] = json!(1.5),
        |d| d["descents"][0]["flags"] = json!(["unheard_of"]),
        |d| d["descents"][0]["start_time"] = json!("2026-03-12T07:15:02.123+01:00"),
        |d| d["descents"][0]["friction_by_cause_j"]["low_speed"] = json!(-1.0),
        |d| {
            d["descents"][0]
                .as_object_mut()
                .unwrap()
                .remove("recovery_ratio_low");
        },
        |d| {
            d["descents"][0]["profile"][3]
                .as_object_mut()
                .unwrap()
                .remove("altitude_m");
        },
    ];
    for (i, damage) in damages.iter().enumerate() {
        let mut bad = good.clone();
        damage(&mut bad);
        assert_eq!(check(&schema, &bad).len(), 1, "damage {i}");
    }
}

#[test]
fn every_schema_says_what_it_is() {
    let mut seen = 0;
    for entry in fs::read_dir(directory()).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        let schema = schema(&name);
        assert_eq!(
            schema["$schema"], "https://json-schema.org/draft/2020-12/schema",
            "{name}"
        );
        assert_eq!(
            schema["properties"]["format"]["const"],
            format!("coldbrake.{name}/1")
        );
        assert!(
            schema["title"].is_string() && schema["description"].is_string(),
            "{name}"
        );
        seen += 1;
    }
    assert!(seen >= 10, "{seen}");
}
