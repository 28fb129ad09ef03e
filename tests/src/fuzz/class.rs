//! Class files.

use coldbrake_engine::{Policy, VehicleClass, VehicleState};

use super::batches::{declared, drive};

/// Input: text of a class file. What is accepted comes through its own text, and gives numbers only.
pub fn run(input: &[u8]) -> bool {
    let Some(class) = std::str::from_utf8(input)
        .ok()
        .and_then(|text| toml::from_str::<VehicleClass>(text).ok())
    else {
        return false;
    };
    let problems = class.problems();
    for problem in &problems {
        assert!(
            !problem.field.is_empty() && !problem.description.is_empty(),
            "{problem:?}"
        );
    }
    if !problems.is_empty() {
        return false;
    }
    let text = toml::to_string(&class).expect("a class that was read");
    assert_eq!(toml::from_str::<VehicleClass>(&text).as_ref(), Ok(&class));
    let policy = Policy::default();
    for choice in 0..4 {
        let mut state = VehicleState::new("fuzz-1", declared(choice).0);
        let mut finished = state.apply(&drive(), &class, &policy).finished;
        finished.extend(state.finish(&class, &policy).finished);
        for f in &finished {
            // A number that is none is not equal to itself.
            assert_eq!(f, &f.clone(), "{class:?}");
        }
    }
    true
}

/// The class files of the reference vehicles, of the demo and of the template.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    [
        "reference/classes/truck_18t.toml",
        "reference/classes/van_2500kg.toml",
        "../client/src/demo/classes/bus-18t.toml",
        "../client/src/command/classes/template.toml",
    ]
    .map(|path| {
        let path = root.join(path);
        let name = path
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        (name, std::fs::read(&path).unwrap())
    })
    .into()
}
