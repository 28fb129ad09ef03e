//! The files of certificates: never written over, keys for their owner alone.

use std::{
    fs::{self, DirBuilder, OpenOptions},
    io::{self, Write as _},
    os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _},
    path::Path,
};

use super::Issued;
use crate::exit::{Code, Failure};

const AUTHORITY: &str = "authority.pem";
const AUTHORITY_KEY: &str = "authority-key.pem";

/// Returns the authority that a directory holds, certificate and key as PEM; `None` where none was made yet.
pub(super) fn authority(directory: &Path) -> Result<Option<(String, String)>, Failure> {
    let read = |name: &str| match fs::read_to_string(directory.join(name)) {
        Ok(text) => Ok(Some(text)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(unreadable(&directory.join(name), &error)),
    };
    match (read(AUTHORITY)?, read(AUTHORITY_KEY)?) {
        (Some(certificate), Some(key)) => Ok(Some((certificate, key))),
        (None, None) => Ok(None),
        (certificate, _) => {
            let missing = if certificate.is_none() {
                AUTHORITY
            } else {
                AUTHORITY_KEY
            };
            let text = format!(
                "{} holds half of an authority: {missing} is missing",
                directory.display()
            );
            Err(Failure::new(Code::BadInput, text).help("bring the file back, or name another directory"))
        }
    }
}

/// Writes certificates and keys. Where one of the files is there already, nothing is written.
pub(super) fn write(directory: &Path, issued: &[Issued]) -> Result<(), Failure> {
    let files: Vec<_> = issued
        .iter()
        .flat_map(|i| {
            [
                (directory.join(i.certificate_file()), &i.certificate, 0o644),
                (directory.join(i.key_file()), &i.key, 0o600),
            ]
        })
        .collect();
    for (place, (path, ..)) in files.iter().enumerate() {
        if path.symlink_metadata().is_ok() {
            return Err(
                Failure::new(Code::BadInput, format!("{} is there already", path.display()))
                    .note("nothing was written")
                    .help("move it away if a new one shall take its place: no file is written over"),
            );
        }
        if files.iter().take(place).any(|(other, ..)| other == path) {
            let text = format!("{} is asked for twice", path.display());
            return Err(Failure::new(Code::Usage, text).note("nothing was written"));
        }
    }
    DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(directory)
        .map_err(|error| unwritable(directory, &error))?;
    for (path, text, mode) in files {
        OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(mode)
            .open(&path)
            .and_then(|mut file| file.write_all(text.as_bytes()))
            .map_err(|error| unwritable(&path, &error))?;
    }
    Ok(())
}

fn unreadable(path: &Path, error: &io::Error) -> Failure {
    Failure::new(
        Code::BadInput,
        format!("{} cannot be read: {error}", path.display()),
    )
    .help("name a directory that you may read")
}

fn unwritable(path: &Path, error: &io::Error) -> Failure {
    Failure::new(
        Code::BadInput,
        format!("{} cannot be written: {error}", path.display()),
    )
    .help("name a directory that you may write")
}
