//! Compiles the schema with a compiler written in Rust, so that no `protoc` is needed, and keeps the descriptor
//! set for server reflection.

use std::{env, error::Error, fs, path::PathBuf};

use prost::Message as _;

const FILES: &[&str] = &[
    "coldbrake/v1/alarm.proto",
    "coldbrake/v1/telemetry.proto",
    "coldbrake/v1/model.proto",
    "coldbrake/v1/fleet.proto",
    "coldbrake/v1/descent.proto",
    "coldbrake/v1/grade.proto",
    "coldbrake/v1/operations.proto",
    "coldbrake/v1/comparison.proto",
    "coldbrake/v1/trend.proto",
    "coldbrake/v1/brake.proto",
];

fn main() -> Result<(), Box<dyn Error>> {
    for file in FILES {
        println!("cargo::rerun-if-changed={file}");
    }
    let descriptors = protox::compile(FILES, ["."])?;
    let out = PathBuf::from(env::var("OUT_DIR")?);
    fs::write(out.join("coldbrake_v1.binpb"), descriptors.encode_to_vec())?;
    tonic_prost_build::configure()
        .build_transport(true)
        .codec_path("crate::buffers::SmallBuffers")
        .compile_fds(descriptors)?;
    Ok(())
}
