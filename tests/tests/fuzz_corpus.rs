//! The corpus of the fuzzer on a stable compiler: every stored input, the seeds, and mutations of them all.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test may fail by panicking, and says what it did"
)]

use std::{
    collections::BTreeMap,
    fs,
    panic::{AssertUnwindSafe, catch_unwind},
    time::{Duration, Instant},
};

use coldbrake_tests::fuzz::{TARGETS, Target, corpus, mutate::mutated};
use fastrand::Rng;

/// Largest corpus of all targets together, bytes.
const LARGEST_CORPUS: u64 = 1_000_000;
/// Mutations of a target, and how long they may take: whichever comes first.
const MUTATIONS: u64 = 20_000;
const PATIENCE: Duration = Duration::from_secs(4);

/// Stored inputs by their names, then seeds.
fn inputs(target: &Target) -> BTreeMap<String, Vec<u8>> {
    let stored = fs::read_dir(corpus(target.name)).unwrap().map(|entry| {
        let entry = entry.unwrap();
        let name = entry.file_name().into_string().unwrap();
        (format!("stored {name}"), fs::read(entry.path()).unwrap())
    });
    let seeds = (target.seeds)()
        .into_iter()
        .map(|(name, bytes)| (format!("seed {name}"), bytes));
    stored.chain(seeds).collect()
}

fn run(target: &Target, what: &str, input: &[u8]) -> bool {
    catch_unwind(AssertUnwindSafe(|| (target.run)(input))).unwrap_or_else(|_| {
        let path = std::env::temp_dir().join(format!("coldbrake-fuzz-{}", target.name));
        fs::write(&path, input).unwrap();
        panic!(
            "target {} fails on {what}; the input is in {}: put it into fuzz/corpus/{} once it is understood",
            target.name,
            path.display(),
            target.name
        )
    })
}

fn replay(name: &str) {
    let target = TARGETS.iter().find(|t| t.name == name).unwrap();
    let inputs = inputs(target);
    let mut deep = 0;
    for (what, input) in &inputs {
        deep += usize::from(run(target, what, input));
    }
    for (seed, bytes) in (target.seeds)() {
        run(target, &seed, &bytes);
    }
    // The same mutations on every run; a slow machine tries fewer of them.
    let all: Vec<_> = inputs.into_values().collect();
    let mut rng = Rng::with_seed(20_260_312);
    let began = Instant::now();
    let mut tried = 0;
    let mut deep_mutations = 0;
    while tried < MUTATIONS && began.elapsed() < PATIENCE {
        let input = mutated(&all, &mut rng);
        deep_mutations += u64::from(run(target, &format!("mutation {tried}"), &input));
        tried += 1;
    }
    println!(
        "{name}: {} inputs, {deep} of them past the first checks; {tried} mutations, {deep_mutations} of them",
        all.len()
    );
    assert!(
        2 * deep >= all.len(),
        "of {} inputs only {deep} get past the first checks: make the corpus anew",
        all.len()
    );
    assert!(deep_mutations > 0, "no mutation gets past the first checks");
}

#[test]
fn batches() {
    replay("batches");
}

#[test]
fn state() {
    replay("state");
}

#[test]
fn journal() {
    replay("journal");
}

#[test]
fn values() {
    replay("values");
}

#[test]
fn histogram() {
    replay("histogram");
}

#[test]
fn csv() {
    replay("csv");
}

#[test]
fn backup() {
    replay("backup");
}

#[test]
fn class() {
    replay("class");
}

#[test]
fn the_corpus_is_small_and_every_target_has_a_program() {
    let mut size = 0;
    for target in TARGETS {
        let program = corpus(target.name).join(format!("../../fuzz_targets/{}.rs", target.name));
        assert!(fs::read_to_string(program).unwrap().contains(target.name));
        for entry in fs::read_dir(corpus(target.name)).unwrap() {
            size += entry.unwrap().metadata().unwrap().len();
        }
    }
    assert!(size < LARGEST_CORPUS, "{size} bytes");
}

/// `cargo test -p coldbrake-tests --test fuzz_corpus write_the_seeds -- --ignored` writes the seeds into the corpus, for
/// the fuzzer to begin with.
#[test]
#[ignore = "writes into the repository"]
fn write_the_seeds() {
    for target in TARGETS {
        let directory = corpus(target.name);
        fs::create_dir_all(&directory).unwrap();
        for (name, bytes) in (target.seeds)() {
            fs::write(directory.join(name), bytes).unwrap();
        }
    }
}
