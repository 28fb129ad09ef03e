//! The real programs, as built beside the tests.

use std::{
    path::{Path, PathBuf},
    process::{Command, Output},
    sync::OnceLock,
};

/// Returns the path of `coldbrake`, built if need be in the profile of this test.
pub fn coldbrake() -> &'static Path {
    static PATH: OnceLock<PathBuf> = OnceLock::new();
    PATH.get_or_init(|| {
        // target/PROFILE/deps/TEST
        let test = std::env::current_exe().unwrap();
        let directory = test.parent().and_then(Path::parent).unwrap();
        let mut cargo = Command::new(env!("CARGO"));
        cargo
            .args(["build", "--quiet", "--package", "coldbrake", "--bin", "coldbrake"])
            .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/.."));
        if !cfg!(debug_assertions) {
            cargo.arg("--release");
        }
        assert!(cargo.status().unwrap().success(), "coldbrake cannot be built");
        let program = directory.join("coldbrake");
        assert!(
            program.exists(),
            "{} is not there after the build",
            program.display()
        );
        program
    })
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
