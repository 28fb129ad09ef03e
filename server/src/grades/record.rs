//! Grades as they are stored.

use coldbrake_engine::grade::{Catalogue, Grade};
use serde::{Deserialize, Serialize, de::DeserializeOwned};

use crate::store::{Shelf, Shelved, Store, StoreError};

/// Version of the bytes of a record, which come after it.
const VERSION: u8 = 1;
/// Records read at once.
const PAGE: usize = 500;

/// Where the profile of a grade came from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum Origin {
    /// From a survey that a caller sent, with the form of its file as the caller named it.
    Survey(String),
    /// From one recorded descent.
    Descent {
        /// Vehicle that drove it.
        vehicle: String,
        /// Its identifier.
        descent: String,
    },
    /// From a proposal: the mean of so many descents.
    Proposal {
        /// Number of descents.
        descents: u32,
    },
}

/// A known grade with where it came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct GradeRecord {
    /// The grade.
    pub(crate) grade: Grade,
    /// Where its profile came from.
    pub(crate) origin: Origin,
    /// Who made it known.
    pub(crate) created_by: String,
    /// When, ms since the Unix epoch, UTC.
    pub(crate) create_time_ms: i64,
}

/// Returns a record as bytes, its version first.
pub(crate) fn to_bytes<T: Serialize>(record: &T) -> Vec<u8> {
    let mut bytes = vec![VERSION];
    // Serialising plain data into memory has no way to fail.
    bytes.extend(postcard::to_stdvec(record).unwrap_or_default());
    bytes
}

/// Reads a record. Never panics on foreign bytes.
pub(crate) fn from_bytes<T: DeserializeOwned>(shelf: Shelf, stored: &Shelved) -> Result<T, StoreError> {
    let damaged = |reason: String| StoreError::Damaged {
        what: format!("{} `{}`", shelf.name(), stored.name),
        reason,
    };
    match stored.bytes.split_first() {
        Some((&VERSION, rest)) => match postcard::take_from_bytes(rest) {
            Ok((record, [])) => Ok(record),
            Ok((_, left)) => Err(damaged(format!("{} bytes are left over", left.len()))),
            Err(error) => Err(damaged(error.to_string())),
        },
        Some((&found, _)) if found > VERSION => Err(StoreError::NewerRecord {
            what: format!("{} `{}`", shelf.name(), stored.name),
            found: u32::from(found),
            known: u32::from(VERSION),
        }),
        _ => Err(damaged("it has no version".to_owned())),
    }
}

/// Reads all records of a shelf, in the order of their names. Blocks.
pub(crate) fn all<T: DeserializeOwned>(store: &dyn Store, shelf: Shelf) -> Result<Vec<T>, StoreError> {
    let mut found = Vec::new();
    let mut cursor = None;
    loop {
        let page = store.shelf(shelf, "", cursor.as_deref(), PAGE)?;
        for stored in &page.rows {
            found.push(from_bytes(shelf, stored)?);
        }
        cursor = page.next;
        if cursor.is_none() {
            return Ok(found);
        }
    }
}

/// Reads one grade. Blocks.
pub(crate) fn grade(store: &dyn Store, name: &str) -> Result<Option<GradeRecord>, StoreError> {
    let Some(bytes) = store.shelved(Shelf::Grade, name)? else {
        return Ok(None);
    };
    let name = name.to_owned();
    from_bytes(Shelf::Grade, &Shelved { name, bytes }).map(Some)
}

/// Builds the catalogue of stored grades.
pub(crate) fn catalogue(records: impl Iterator<Item = GradeRecord>) -> Result<Catalogue, StoreError> {
    let grades = records.map(|r| r.grade).collect();
    Catalogue::new(grades).map_err(|problems| StoreError::Damaged {
        what: "the catalogue of grades".to_owned(),
        reason: problems.first().map(ToString::to_string).unwrap_or_default(),
    })
}

#[cfg(test)]
mod tests {
    use coldbrake_engine::grade::GradeProfile;

    use super::*;

    fn record() -> GradeRecord {
        GradeRecord {
            grade: Grade {
                grade: "north-ramp".to_owned(),
                display_name: "North ramp".to_owned(),
                profile: GradeProfile::from_points(&[(0.0, 900.0), (2000.0, 800.0)]).unwrap(),
                top: None,
                bottom: None,
            },
            origin: Origin::Survey("gpx".to_owned()),
            created_by: "local".to_owned(),
            create_time_ms: 7,
        }
    }

    fn read(bytes: Vec<u8>) -> Result<GradeRecord, StoreError> {
        let name = "north-ramp".to_owned();
        from_bytes(Shelf::Grade, &Shelved { name, bytes })
    }

    #[test]
    fn a_record_comes_back() {
        assert_eq!(read(to_bytes(&record())).unwrap(), record());
    }

    #[test]
    fn foreign_bytes_are_named() {
        let good = to_bytes(&record());
        let mut newer = good.clone();
        newer[0] = 9;
        let said = read(newer.clone()).unwrap_err().to_string();
        assert!(
            said.contains("has version 9, this program reads up to 1: start"),
            "{said}"
        );
        let mut longer = good.clone();
        longer.push(0);
        for bad in [Vec::new(), newer, longer, good[..good.len() / 2].to_vec()] {
            let said = read(bad).unwrap_err().to_string();
            assert!(said.starts_with("grade `north-ramp` "), "{said}");
        }
    }
}
