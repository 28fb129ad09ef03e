//! From the records of an older store to those of this one.
//!
//! A store is never changed where it stands: the program that wrote it makes a backup, and this program brings the
//! records of the backup up to date while it restores them. So the old store stays what it was until the new one has
//! been checked.

use super::Record;
use crate::store::{StoreError, sled::FORMAT};

/// Turns a record of the format with this number into one of the next; `None` leaves it out.
pub type Step = fn(Record) -> Result<Option<Record>, StoreError>;

/// Steps from each older format to the one after it, by the number that they begin at. There is no older one yet.
pub const STEPS: &[(u32, Step)] = &[];

/// Returns the steps from a format to this program's, in order.
pub fn way(steps: &[(u32, Step)], from: u32, to: u32) -> Result<Vec<Step>, StoreError> {
    if from > to {
        return Err(StoreError::Newer {
            found: from,
            known: to,
        });
    }
    (from..to)
        .map(|format| {
            steps
                .iter()
                .find(|(begin, _)| *begin == format)
                .map(|(_, step)| *step)
                .ok_or(StoreError::Older {
                    found: from,
                    known: to,
                })
        })
        .collect()
}

/// Returns the steps from a format to the one that this program writes.
pub fn way_here(from: u32) -> Result<Vec<Step>, StoreError> {
    way(STEPS, from, FORMAT.0)
}

/// Takes a record along the way.
pub fn take_along(way: &[Step], record: Record) -> Result<Option<Record>, StoreError> {
    let mut record = Some(record);
    for step in way {
        match record {
            Some(old) => record = step(old)?,
            None => return Ok(None),
        }
    }
    Ok(record)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::keys::Key;

    #[test]
    fn a_record_goes_through_every_format_in_between() {
        let append: Step = |mut r| {
            r.bytes.push(1);
            Ok(Some(r))
        };
        let double: Step = |mut r| {
            r.bytes = r.bytes.repeat(2);
            Ok((r.bytes.len() < 8).then_some(r))
        };
        let steps = [(2, double), (1, append)];
        let record = |bytes: &[u8]| Record {
            key: Key::state("van-1"),
            schema: 1,
            bytes: bytes.to_vec(),
        };
        let both = way(&steps, 1, 3).unwrap();
        assert_eq!(
            take_along(&both, record(&[7])).unwrap(),
            Some(record(&[7, 1, 7, 1]))
        );
        assert_eq!(take_along(&both, record(&[7; 5])).unwrap(), None);
        let one = way(&steps, 2, 3).unwrap();
        assert_eq!(take_along(&one, record(&[7])).unwrap(), Some(record(&[7, 7])));
        assert!(way(&steps, 3, 3).unwrap().is_empty());
        assert!(matches!(
            way(&steps, 0, 3),
            Err(StoreError::Older { found: 0, known: 3 })
        ));
        assert!(matches!(
            way(&steps, 4, 3),
            Err(StoreError::Newer { found: 4, known: 3 })
        ));
    }
}
