//! What stands around every stored value, so that damage is found instead of read.
//!
//! A record is cut into pieces of at most [`MAX_VALUE`] bytes: the embedded database keeps larger values in files that
//! it never syncs. Layout of a piece, numbers big-endian:
//!
//! | bytes | meaning |
//! |---|---|
//! | 1 | magic `0xCB` |
//! | 1 | schema version of the record |
//! | 1 | number of pieces of the record, 1 to 254 |
//! | 2 | length of the payload |
//! | 4 | CRC32C over the stored key, the five bytes above and the payload |
//! | … | payload |
//!
//! A record of several pieces ends with the CRC32C of the whole, so that pieces of two versions never pass as one.

use super::{StoreError, keys::Key};

/// Largest stored value, envelope included.
pub const MAX_VALUE: usize = 4096;

/// Largest record. The largest that the design has is a histogram of 25,600 cells that all differ: 230 KiB.
pub const MAX_RECORD: usize = 256 * 1024;

const MAGIC: u8 = 0xCB;
const HEAD: usize = 9;
const MAX_PAYLOAD: usize = MAX_VALUE - HEAD;

/// A stored value that has been checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece<'a> {
    /// Schema version of the record.
    pub schema: u8,
    /// Number of pieces of the record.
    pub pieces: u8,
    /// Payload of this piece.
    pub payload: &'a [u8],
}

/// A stored key with its value.
pub type Stored = (Vec<u8>, Vec<u8>);

/// Cuts a record into stored keys and values.
pub fn seal(key: &Key, schema: u8, record: &[u8]) -> Result<Vec<Stored>, StoreError> {
    if record.len() > MAX_RECORD {
        return Err(StoreError::TooLarge {
            what: key.to_string(),
            bytes: record.len(),
            limit: MAX_RECORD,
        });
    }
    if record.len() <= MAX_PAYLOAD {
        return Ok(vec![seal_piece(key, 0, schema, 1, record)]);
    }
    let mut whole = record.to_vec();
    whole.extend_from_slice(&crc32c::crc32c(record).to_be_bytes());
    let pieces = whole.len().div_ceil(MAX_PAYLOAD) as u8;
    Ok(whole
        .chunks(MAX_PAYLOAD)
        .zip(0..)
        .map(|(payload, number)| seal_piece(key, number, schema, pieces, payload))
        .collect())
}

fn seal_piece(key: &Key, number: u8, schema: u8, pieces: u8, payload: &[u8]) -> Stored {
    let stored_key = key.piece(number);
    let length = (payload.len() as u16).to_be_bytes();
    let head = [MAGIC, schema, pieces, length[0], length[1]];
    let crc = checksum(&stored_key, head, payload);
    let mut value = Vec::with_capacity(HEAD + payload.len());
    value.extend_from_slice(&head);
    value.extend_from_slice(&crc.to_be_bytes());
    value.extend_from_slice(payload);
    (stored_key, value)
}

fn checksum(stored_key: &[u8], head: [u8; 5], payload: &[u8]) -> u32 {
    crc32c::crc32c_append(crc32c::crc32c_append(crc32c::crc32c(stored_key), &head), payload)
}

/// Checks one stored value. The error says what is wrong.
pub fn open<'a>(stored_key: &[u8], value: &'a [u8]) -> Result<Piece<'a>, &'static str> {
    let (head, rest) = value
        .split_first_chunk::<5>()
        .ok_or("it is shorter than an envelope")?;
    let (crc, payload) = rest
        .split_first_chunk::<4>()
        .ok_or("it is shorter than an envelope")?;
    let [magic, schema, pieces, high, low] = *head;
    if magic != MAGIC {
        return Err("it does not begin with the mark of a record");
    }
    if usize::from(u16::from_be_bytes([high, low])) != payload.len() {
        return Err("its length is not the length written");
    }
    if checksum(stored_key, *head, payload) != u32::from_be_bytes(*crc) {
        return Err("its checksum does not match");
    }
    if pieces == 0 || pieces == u8::MAX {
        return Err("its number of pieces is impossible");
    }
    Ok(Piece {
        schema,
        pieces,
        payload,
    })
}

/// Puts the payloads of all pieces of a record together and checks the whole.
pub fn join(payloads: Vec<u8>, pieces: u8) -> Result<Vec<u8>, &'static str> {
    if pieces == 1 {
        return Ok(payloads);
    }
    let (record, crc) = payloads
        .split_last_chunk::<4>()
        .ok_or("it is shorter than its checksum")?;
    if crc32c::crc32c(record) != u32::from_be_bytes(*crc) {
        return Err("its pieces do not belong together");
    }
    let length = record.len();
    let mut record = payloads;
    record.truncate(length);
    Ok(record)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(sealed: &[Stored]) -> Result<Vec<u8>, &'static str> {
        let mut all = Vec::new();
        let mut pieces = 0;
        for (key, value) in sealed {
            let piece = open(key, value)?;
            pieces = piece.pieces;
            all.extend_from_slice(piece.payload);
        }
        join(all, pieces)
    }

    #[test]
    fn a_value_has_these_bytes() {
        let sealed = seal(&Key::class("v"), 1, b"abc").unwrap();
        assert_eq!(sealed.len(), 1);
        assert_eq!(sealed[0].0, [0x12, b'v', 0, 0]);
        // CRC32C of 12 76 00 00 | cb 01 01 00 03 | 61 62 63, worked out bit by bit, apart from the library.
        let crc = slow_crc32c(&[0x12, 0x76, 0, 0, 0xcb, 1, 1, 0, 3, 0x61, 0x62, 0x63]).to_be_bytes();
        assert_eq!(sealed[0].1, [&[0xcb, 1, 1, 0, 3][..], &crc, b"abc"].concat());
    }

    /// RFC 3720, appendix B.4 gives 8a 9136 aa (bytes in reverse) for 32 zero bytes.
    #[test]
    fn the_checksum_is_crc32c() {
        assert_eq!(slow_crc32c(&[0; 32]), 0x8a91_36aa);
        assert_eq!(crc32c::crc32c(&[0; 32]), 0x8a91_36aa);
    }

    fn slow_crc32c(bytes: &[u8]) -> u32 {
        !bytes.iter().fold(u32::MAX, |crc, b| {
            (0..8).fold(crc ^ u32::from(*b), |c, _| {
                if c & 1 == 1 { c >> 1 ^ 0x82f6_3b78 } else { c >> 1 }
            })
        })
    }

    #[test]
    fn records_of_every_size_come_back() {
        let key = Key::state("van-07");
        for size in [
            0,
            1,
            MAX_PAYLOAD - 1,
            MAX_PAYLOAD,
            MAX_PAYLOAD + 1,
            2 * MAX_PAYLOAD - 4,
            50_000,
            MAX_RECORD,
        ] {
            let record: Vec<u8> = (0..size).map(|i| (i * 31 % 251) as u8).collect();
            let sealed = seal(&key, 2, &record).unwrap();
            assert!(sealed.iter().all(|(_, v)| v.len() <= MAX_VALUE));
            assert!(sealed.len() < 255);
            assert_eq!(read(&sealed).unwrap(), record, "{size}");
        }
        let error = seal(&key, 2, &vec![0; MAX_RECORD + 1]).unwrap_err();
        assert!(
            matches!(error, StoreError::TooLarge { bytes, limit, .. } if bytes == limit + 1),
            "{error}"
        );
    }

    #[test]
    fn every_flipped_bit_is_found() {
        let (key, value) = seal(&Key::state("v"), 1, b"payload of a state")
            .unwrap()
            .remove(0);
        for bit in 0..value.len() * 8 {
            let mut bad = value.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            assert!(open(&key, &bad).is_err(), "bit {bit}");
        }
        for length in 0..value.len() {
            assert!(open(&key, &value[..length]).is_err(), "{length} bytes");
        }
        assert!(
            open(&Key::state("w").piece(0), &value).is_err(),
            "under another key"
        );
    }

    #[test]
    fn pieces_of_two_versions_do_not_pass_as_one() {
        let key = Key::state("v");
        let (old, mut new) = (
            seal(&key, 1, &[1; 9000]).unwrap(),
            seal(&key, 1, &[2; 9000]).unwrap(),
        );
        new[1] = old[1].clone();
        assert_eq!(read(&new), Err("its pieces do not belong together"));
    }
}
