//! Bytes of the journal. Numbers are big-endian.
//!
//! A segment begins with a header: magic (8), version (4), number of its first record (8), CRC32C of these (4). Records
//! follow: magic (4), length of the payload (4), number (8), kind (1), CRC32C (4) over length, number, kind and
//! payload, then the payload.

/// Version of the layout.
pub const VERSION: u32 = 1;

/// Length of the header of a segment.
pub const SEGMENT_HEAD: usize = 24;

/// Length of what stands before the payload of a record.
pub const RECORD_HEAD: usize = 21;

/// Largest payload of a record.
pub const MAX_PAYLOAD: usize = 64 << 20;

const SEGMENT_MAGIC: &[u8; 8] = b"cb-jrnl\n";
const RECORD_MAGIC: &[u8; 4] = b"cbR\x01";

/// What a record holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum RecordKind {
    /// Changes of keys.
    Commit = 1,
    /// Number of the last commit, which is durable in the index too, as all before it.
    Checkpoint = 2,
}

/// A record, checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Record<'a> {
    /// Its number.
    pub lsn: u64,
    /// What it holds.
    pub kind: RecordKind,
    /// What it says.
    pub payload: &'a [u8],
}

/// Beginning of a segment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SegmentHead {
    /// It is whole and of this version.
    Good {
        /// Number of the first record.
        first_lsn: u64,
    },
    /// It is whole and of a newer version.
    Newer {
        /// Its version.
        version: u32,
    },
    /// It is too short or damaged.
    Bad,
}

/// Returns the header of a segment.
pub fn segment_head(first_lsn: u64) -> Vec<u8> {
    let mut head = SEGMENT_MAGIC.to_vec();
    head.extend_from_slice(&VERSION.to_be_bytes());
    head.extend_from_slice(&first_lsn.to_be_bytes());
    head.extend_from_slice(&crc32c::crc32c(&head).to_be_bytes());
    head
}

/// Reads the header of a segment.
pub fn read_segment_head(bytes: &[u8]) -> SegmentHead {
    let read = || {
        let (head, rest) = bytes.split_first_chunk::<20>()?;
        let (crc, _) = rest.split_first_chunk::<4>()?;
        if crc32c::crc32c(head) != u32::from_be_bytes(*crc) {
            return None;
        }
        let (magic, rest) = head.split_first_chunk::<8>()?;
        let (version, rest) = rest.split_first_chunk::<4>()?;
        let (first_lsn, _) = rest.split_first_chunk::<8>()?;
        (magic == SEGMENT_MAGIC).then(|| (u32::from_be_bytes(*version), u64::from_be_bytes(*first_lsn)))
    };
    match read() {
        Some((VERSION, first_lsn)) => SegmentHead::Good { first_lsn },
        Some((version, _)) => SegmentHead::Newer { version },
        None => SegmentHead::Bad,
    }
}

/// Returns a record as bytes.
pub fn record(lsn: u64, kind: RecordKind, payload: &[u8]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(RECORD_HEAD + payload.len());
    bytes.extend_from_slice(RECORD_MAGIC);
    bytes.extend_from_slice(&(payload.len() as u32).to_be_bytes());
    bytes.extend_from_slice(&lsn.to_be_bytes());
    bytes.push(kind as u8);
    let crc = crc32c::crc32c_append(crc32c::crc32c(&bytes[4..]), payload);
    bytes.extend_from_slice(&crc.to_be_bytes());
    bytes.extend_from_slice(payload);
    bytes
}

/// Reads the record at the beginning of `bytes`; `None` when there is no whole one.
pub fn read_record(bytes: &[u8]) -> Option<Record<'_>> {
    let (magic, rest) = bytes.split_first_chunk::<4>()?;
    let (head, rest) = rest.split_first_chunk::<13>()?;
    let (crc, rest) = rest.split_first_chunk::<4>()?;
    let (length, numbers) = head.split_first_chunk::<4>()?;
    let (lsn, kind) = numbers.split_first_chunk::<8>()?;
    let length = u32::from_be_bytes(*length) as usize;
    if magic != RECORD_MAGIC || length > MAX_PAYLOAD {
        return None;
    }
    let payload = rest.get(..length)?;
    let kind = match kind {
        [1] => RecordKind::Commit,
        [2] => RecordKind::Checkpoint,
        _ => return None,
    };
    (crc32c::crc32c_append(crc32c::crc32c(head), payload) == u32::from_be_bytes(*crc)).then(|| Record {
        lsn: u64::from_be_bytes(*lsn),
        kind,
        payload,
    })
}

/// Returns where a record might begin, from `from` on.
pub fn find_magic(bytes: &[u8], from: usize) -> Option<usize> {
    bytes
        .get(from..)?
        .windows(RECORD_MAGIC.len())
        .position(|w| w == RECORD_MAGIC)
        .map(|at| from + at)
}

/// A change of a stored key: its new value, or none to remove it.
pub type Change = (Vec<u8>, Option<Vec<u8>>);

/// Returns changes as bytes: for each the length of the key (2), the key, the length of the value plus one or 0 for a
/// removed key (2), the value.
pub fn encode_changes(changes: &[Change]) -> Vec<u8> {
    let size = changes
        .iter()
        .map(|(k, v)| 4 + k.len() + v.as_ref().map_or(0, Vec::len))
        .sum();
    let mut bytes = Vec::with_capacity(size);
    for (key, value) in changes {
        bytes.extend_from_slice(&(key.len() as u16).to_be_bytes());
        bytes.extend_from_slice(key);
        let length = value.as_ref().map_or(0, |v| v.len() as u16 + 1);
        bytes.extend_from_slice(&length.to_be_bytes());
        bytes.extend_from_slice(value.as_deref().unwrap_or_default());
    }
    bytes
}

/// Reads changes back; `None` for bytes that are no changes.
pub fn decode_changes(mut bytes: &[u8]) -> Option<Vec<Change>> {
    let mut changes = Vec::new();
    while !bytes.is_empty() {
        let (length, rest) = bytes.split_first_chunk::<2>()?;
        let (key, rest) = rest.split_at_checked(usize::from(u16::from_be_bytes(*length)))?;
        let (length, rest) = rest.split_first_chunk::<2>()?;
        let length = usize::from(u16::from_be_bytes(*length));
        let (value, rest) = rest.split_at_checked(length.saturating_sub(1))?;
        changes.push((key.to_vec(), (length > 0).then(|| value.to_vec())));
        bytes = rest;
    }
    Some(changes)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn hex(bytes: &[u8]) -> String {
        bytes
            .iter()
            .flat_map(|b| [b >> 4, b & 15])
            .filter_map(|d| char::from_digit(d.into(), 16))
            .collect()
    }

    /// The layout on disk. A change here is a change of the format: raise its number. Checksums were worked out with
    /// the bitwise definition in RFC 3720.
    #[test]
    fn records_have_these_bytes() {
        assert_eq!(
            hex(&segment_head(7)[..20]),
            "63622d6a726e6c0a000000010000000000000007"
        );
        let bytes = record(3, RecordKind::Commit, b"ab");
        assert_eq!(hex(&bytes[..17]), "6362520100000002000000000000000301");
        assert_eq!(&bytes[21..], b"ab");
        assert_eq!(
            hex(&encode_changes(&[(vec![1], Some(vec![9, 9])), (vec![2], None)])),
            "0001010003090900010200 00".replace(' ', "")
        );
    }

    #[test]
    fn headers_are_read_back_and_newer_ones_are_told_from_damaged_ones() {
        let head = segment_head(7);
        assert_eq!(read_segment_head(&head), SegmentHead::Good { first_lsn: 7 });
        let mut newer = head[..20].to_vec();
        newer[11] = 2;
        newer.extend_from_slice(&crc32c::crc32c(&newer).to_be_bytes());
        assert_eq!(read_segment_head(&newer), SegmentHead::Newer { version: 2 });
        for bit in 0..head.len() * 8 {
            let mut bad = head.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(read_segment_head(&bad), SegmentHead::Bad, "bit {bit}");
        }
    }

    #[test]
    fn every_flipped_bit_and_every_cut_is_found() {
        let bytes = record(9, RecordKind::Commit, b"some changes");
        assert!(read_record(&bytes).is_some());
        for bit in 0..bytes.len() * 8 {
            let mut bad = bytes.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(read_record(&bad), None, "bit {bit}");
        }
        for length in 0..bytes.len() {
            assert_eq!(read_record(&bytes[..length]), None);
        }
    }

    proptest! {
        #[test]
        fn changes_are_read_back(changes in prop::collection::vec(
            (prop::collection::vec(any::<u8>(), 0..20), prop::option::of(prop::collection::vec(any::<u8>(), 0..40))), 0..20,
        )) {
            prop_assert_eq!(decode_changes(&encode_changes(&changes)), Some(changes));
        }

        #[test]
        fn any_bytes_can_be_read(bytes in prop::collection::vec(any::<u8>(), 0..80)) {
            let _ = (decode_changes(&bytes), read_record(&bytes), read_segment_head(&bytes), find_magic(&bytes, 3));
        }
    }
}
