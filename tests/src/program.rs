//! The real programs, as built beside the tests.

use std::{
    path::{Path, PathBuf},
    process::{Command, Output},
    sync::OnceLock,
};

/// Returns the path of `coldbrake`, built if need be in the profile of this test.
pub fn coldbrake() -> &'static Path {
    static PATH: OnceLock<PathBuf> = OnceLock::new();
    PATH.get_or_init(|| build("coldbrake", "coldbrake", &[]))
}

/// Returns the path of `coldbrake-server`.
pub fn server() -> &'static Path {
    static PATH: OnceLock<PathBuf> = OnceLock::new();
    PATH.get_or_init(|| build("coldbrake-server", "coldbrake-server", &[]))
}

/// Returns the path of `load`, whose hidden subcommands are processes to measure beside.
pub fn load() -> &'static Path {
    static PATH: OnceLock<PathBuf> = OnceLock::new();
    PATH.get_or_init(|| build("coldbrake-tests", "load", &[]))
}

/// Returns the path of the server in which faults can be asked for. It stands beside the other one and never replaces it.
pub fn server_with_faults() -> &'static Path {
    static PATH: OnceLock<PathBuf> = OnceLock::new();
    PATH.get_or_init(|| {
        build(
            "coldbrake-server",
            "coldbrake-server-faults",
            &["--features", "faults"],
        )
    })
}

fn build(package: &str, name: &str, more: &[&str]) -> PathBuf {
    // target/PROFILE/deps/TEST, or target/PROFILE/PROGRAM
    let this = std::env::current_exe().unwrap();
    let mut directory = this.parent().unwrap();
    if directory.ends_with("deps") {
        directory = directory.parent().unwrap();
    }
    // Whoever has just built all programs says so: building one alone chooses other features, and takes minutes.
    let built = directory.join(name);
    if std::env::var_os("COLDBRAKE_PROGRAMS_ARE_BUILT").is_some() && built.exists() {
        return built;
    }
    let mut cargo = Command::new(env!("CARGO"));
    cargo
        .args(["build", "--quiet", "--package", package, "--bin", name])
        .args(more)
        .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."));
    if !cfg!(debug_assertions) {
        cargo.arg("--release");
    }
    assert!(cargo.status().unwrap().success(), "{name} cannot be built");
    let program = directory.join(name);
    assert!(
        program.exists(),
        "{} is not there after the build",
        program.display()
    );
    program
}

/// What a run of the program brought.
#[derive(Debug)]
pub struct Run {
    /// Exit code.
    pub code: i32,
    /// Data.
    pub out: String,
    /// Talk.
    pub err: String,
}

/// Runs `coldbrake` with nothing of the environment that would change its output.
pub fn run<I: AsRef<std::ffi::OsStr>>(arguments: impl IntoIterator<Item = I>) -> Run {
    let Output {
        status,
        stdout,
        stderr,
    } = Command::new(coldbrake())
        .args(arguments)
        .env_remove("COLDBRAKE_SERVER")
        .env("NO_COLOR", "1")
        .output()
        .unwrap();
    Run {
        code: status.code().expect("ended by itself"),
        out: String::from_utf8(stdout).unwrap(),
        err: String::from_utf8(stderr).unwrap(),
    }
}
