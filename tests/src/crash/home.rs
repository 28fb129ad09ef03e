//! The place of a store and its server.

use std::{
    fs,
    net::SocketAddr,
    os::unix::fs::FileExt as _,
    path::{Path, PathBuf},
    process::Command,
};

use coldbrake_proto::v1::{PutVehicleClassRequest, fleet_service_client::FleetServiceClient};
use coldbrake_server::fault;
use fastrand::Rng;
use tokio::sync::watch;

use super::{child::Child, dial::Dial, drive::Fleet, fate::Left};

/// Bytes that a disk writes at once.
const BLOCK: usize = 4096;

/// A directory with a store, and the program that serves it.
#[derive(Debug)]
pub struct Home {
    directory: PathBuf,
    program: PathBuf,
    flags: Vec<String>,
    address: watch::Sender<Option<SocketAddr>>,
}

impl Home {
    /// Returns a home in a directory that is made.
    pub fn new(directory: &Path, program: &Path) -> Self {
        fs::create_dir_all(directory.join("synced")).unwrap();
        Self {
            directory: directory.to_owned(),
            program: program.to_owned(),
            flags: Vec::new(),
            address: watch::Sender::new(None),
        }
    }

    /// Adds flags of the server.
    #[must_use]
    pub fn with_flags(mut self, flags: &[&str]) -> Self {
        self.flags.extend(flags.iter().map(|flag| (*flag).to_owned()));
        self
    }

    /// Returns the directory of the store.
    pub fn store(&self) -> PathBuf {
        self.directory.join("store")
    }

    /// Returns where copies of what is synced are kept.
    pub fn synced(&self) -> PathBuf {
        self.directory.join("synced")
    }

    /// Returns the way to its server.
    pub fn dial(&self) -> Dial {
        Dial(self.address.subscribe())
    }

    /// Returns the program with nothing of this process's environment.
    pub fn program(&self) -> Command {
        let mut command = Command::new(&self.program);
        command.env_clear().env("COLDBRAKE_SERVER_ADMIN_LISTEN", "");
        command
    }

    /// Returns the command that serves the store, with faults in the form of `fault::plan`.
    pub fn command(&self, faults: &str) -> Command {
        let mut command = self.program();
        command
            .env(fault::VARIABLE, faults)
            .args([
                "--listen",
                "127.0.0.1:0",
                "--log-format",
                "json",
                "--log-filter",
                "info",
            ])
            .arg("--store-directory")
            .arg(self.store())
            .args(&self.flags);
        command
    }

    /// Starts the server.
    pub fn start(&self, faults: &str) -> Child {
        Child::start(self.command(faults), self.address.clone())
    }

    /// Starts whatever serves the store in its place.
    pub fn start_as(&self, command: Command) -> Child {
        Child::start(command, self.address.clone())
    }

    /// Makes the store, with the classes of a fleet in it.
    pub async fn found(&self, fleet: &Fleet) {
        let mut server = self.start("");
        let mut service = FleetServiceClient::new(self.dial().channel());
        for document_toml in fleet.classes() {
            service
                .put_vehicle_class(PutVehicleClassRequest { document_toml })
                .await
                .unwrap();
        }
        server.end().unwrap();
    }

    /// Lets the program check the store. Returns what it found, if anything.
    pub fn verify(&self) -> Result<(), String> {
        let mut command = self.program();
        command.args(["store", "verify", "--directory"]).arg(self.store());
        let output = command.output().unwrap();
        if output.status.success() {
            return Ok(());
        }
        Err(format!(
            "`store verify` ends with {}: {}{}",
            output.status,
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr),
        ))
    }

    /// Lets the program make a backup of the store, and returns its file.
    pub fn backup(&self) -> PathBuf {
        let file = self.directory.join("backup");
        let mut command = self.program();
        command
            .args(["store", "backup"])
            .arg(&file)
            .arg("--directory")
            .arg(self.store());
        let output = command.output().unwrap();
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        file
    }

    /// Takes the index as it is for synced.
    pub fn note_synced(&self) {
        let kept = self.synced().join("index");
        let _ = fs::remove_dir_all(&kept);
        if self.store().join("index").exists() {
            copy_dir(&self.store().join("index"), &kept);
        }
    }

    /// Takes away what was not synced of the index. The journal's part went away with the process.
    pub fn lose_unsynced(&self, left: Left, rng: &mut Rng) {
        let (index, kept) = (self.store().join("index"), self.synced().join("index"));
        if !kept.exists() {
            return;
        }
        if left == Left::Mixed && index.join("db").exists() {
            mix(&kept.join("db"), &index.join("db"), rng);
        }
        if index.exists() {
            fs::remove_dir_all(&index).unwrap();
        }
        copy_dir(&kept, &index);
    }
}

/// Puts some blocks of a newer file into an older one, as a disk that was stopped in the middle of writing back.
fn mix(older: &Path, newer: &Path, rng: &mut Rng) {
    let bytes = fs::read(newer).unwrap();
    let file = fs::OpenOptions::new().write(true).open(older).unwrap();
    for (number, block) in bytes.chunks(BLOCK).enumerate() {
        if rng.bool() {
            file.write_all_at(block, (number * BLOCK) as u64).unwrap();
        }
    }
}

/// Copies a directory and everything below it.
pub fn copy_dir(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let to = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_dir(&entry.path(), &to);
        } else {
            fs::copy(entry.path(), to).unwrap();
        }
    }
}
