//! Stored keys and values: their envelopes, their records, and the page tokens made of keys.

use coldbrake_engine::{Descent, VehicleClass};
use coldbrake_server::store::{
    AuditRecord, DescentFilter, VehicleRecord,
    cursor::Listing,
    envelope::{self, MAX_VALUE},
    keys::{Key, Kind, Parsed},
    records::{self, Counts, ProfileRecord, SCHEMA},
};
use serde::{Serialize, de::DeserializeOwned};

use super::script::{Script, flip, push_chunk};
use crate::{case::Case, log};

/// Input: what to do, a key, then bytes of a value or of a record.
pub fn run(input: &[u8]) -> bool {
    let mut script = Script(input);
    let order = script.byte();
    let key = Key::from_bytes(script.chunk());
    let shown = key.to_string();
    let parsed = key.parse();
    assert_eq!(parsed.is_none(), shown.starts_with("unknown key"), "{shown}");
    if let Some(parsed) = parsed.clone() {
        assert_eq!(rebuilt(parsed), key, "a key says all of itself");
    }
    assert_eq!(Key::from_stored(&key.piece(order)), Some((key.clone(), order)));
    match order % 4 {
        0 => open(&key, &mut script),
        1 => seal(&key, order, &mut script),
        2 => token(&key, script.0),
        _ => record(&key, script.0),
    }
}

fn rebuilt(parsed: Parsed) -> Key {
    match parsed {
        Parsed::Meta { name } => Key::meta(&name),
        Parsed::State { vehicle } => Key::state(&vehicle),
        Parsed::Vehicle { vehicle } => Key::vehicle(&vehicle),
        Parsed::Class { class } => Key::class(&class),
        Parsed::Descent {
            start_time_ms,
            vehicle,
            descent,
        } => Key::descent(start_time_ms, &vehicle, &descent),
        Parsed::DescentOfVehicle {
            vehicle,
            start_time_ms,
            descent,
        } => Key::descent_of_vehicle(&vehicle, start_time_ms, &descent),
        Parsed::Profile { vehicle, descent } => Key::profile(&vehicle, &descent),
        Parsed::Histogram {
            metric,
            class,
            grade,
            software_version,
            day,
        } => Key::histogram(metric, &class, &grade, &software_version, day),
        Parsed::Audit { lsn, index } => Key::audit(lsn, index),
        Parsed::Shelved { shelf, name } => Key::shelved(shelf, &name),
    }
}

/// A value from anywhere; with the mark and the checksum of its own in every other case.
fn open(key: &Key, script: &mut Script<'_>) -> bool {
    let stored = key.piece(0);
    let value = script.0;
    let Ok(piece) = envelope::open(&stored, value) else {
        return false;
    };
    let payload = piece.payload.to_vec();
    if piece.pieces == 1 {
        assert_eq!(envelope::join(payload.clone(), 1).as_ref(), Ok(&payload));
        if value.len() <= MAX_VALUE {
            let sealed = envelope::seal(key, piece.schema, &payload).expect("a record that is small");
            assert_eq!(sealed, [(stored, value.to_vec())], "an envelope has one form");
        }
    } else if let Ok(whole) = envelope::join(payload.clone(), piece.pieces) {
        assert_eq!(payload.len(), whole.len() + 4);
    }
    true
}

/// A record of any size into pieces and back, then one bit turned, a piece lost, two pieces changed round.
fn seal(key: &Key, schema: u8, script: &mut Script<'_>) -> bool {
    let (place, copies) = (script.number::<4>(), script.byte());
    let mut record = script.0.to_vec();
    for _ in 0..copies % 8 {
        record.extend_from_within(..record.len().min(4_000));
    }
    let Ok(mut sealed) = envelope::seal(key, schema, &record) else {
        assert!(record.len() > envelope::MAX_RECORD);
        return false;
    };
    assert!(sealed.iter().all(|(_, value)| value.len() <= MAX_VALUE));
    assert_eq!(read(&sealed).as_deref(), Some(&record[..]));
    let n = sealed.len();
    match place % 3 {
        0 if n > 1 => drop(sealed.remove(place as usize / 3 % n)),
        1 if n > 1 => {
            let (a, b) = (place as usize / 3 % n, (place as usize / 3 + 1) % n);
            let moved = sealed[a].1.clone();
            sealed[a].1 = std::mem::replace(&mut sealed[b].1, moved);
        }
        _ => drop(flip(&mut sealed[place as usize % n].1, place / 3)),
    }
    assert_eq!(read(&sealed), None, "damage is found");
    true
}

/// Reads the pieces of a record as a store does.
fn read(sealed: &[(Vec<u8>, Vec<u8>)]) -> Option<Vec<u8>> {
    let mut payloads = Vec::new();
    let mut pieces = 0;
    for (key, value) in sealed {
        let piece = envelope::open(key, value).ok()?;
        pieces = piece.pieces;
        payloads.extend_from_slice(piece.payload);
    }
    (usize::from(pieces) == sealed.len()).then_some(())?;
    envelope::join(payloads, pieces).ok()
}

/// Page tokens come from the network.
fn token(key: &Key, bytes: &[u8]) -> bool {
    let one = DescentFilter {
        vehicle: Some("fuzz-1".to_owned()),
        ..DescentFilter::default()
    };
    let all = DescentFilter::default();
    let listings = [
        Listing::Vehicles,
        Listing::Audit,
        Listing::Descents(&all),
        Listing::Descents(&one),
    ];
    let mut good = false;
    for listing in listings {
        for token in [bytes, &listing.token(key)] {
            if let Ok((resumed, parsed)) = listing.resume(token) {
                assert_eq!(rebuilt(parsed), resumed);
                assert_eq!(listing.token(&resumed), token);
                good = true;
            }
        }
    }
    good
}

/// A record from anywhere, by the kind of its key.
fn record(key: &Key, bytes: &[u8]) -> bool {
    let kind = key.as_bytes().first().copied();
    let of = |kinds: Kind| kind == Some(kinds as u8);
    if of(Kind::Vehicle) {
        read_again::<VehicleRecord>(key, bytes)
    } else if of(Kind::Class) {
        read_again::<VehicleClass>(key, bytes)
    } else if of(Kind::Descent) {
        read_again::<Descent>(key, bytes)
    } else if of(Kind::Profile) {
        read_again::<ProfileRecord>(key, bytes)
    } else if of(Kind::Audit) {
        read_again::<AuditRecord>(key, bytes)
    } else {
        read_again::<Counts>(key, bytes)
    }
}

fn read_again<T: Serialize + DeserializeOwned>(key: &Key, bytes: &[u8]) -> bool {
    let Ok(record) = records::decode::<T>(key, SCHEMA, bytes) else {
        return false;
    };
    let written = records::encode(key, &record).expect("a record that was read");
    let again: T = records::decode(key, SCHEMA, &written).expect("a record that was written");
    assert_eq!(
        records::encode(key, &again).expect("a record that was read"),
        written
    );
    assert!(
        records::decode::<T>(key, SCHEMA.wrapping_add(1), bytes).is_err(),
        "another schema is not read as this one"
    );
    true
}

/// Keys of every kind, with a value, a record or a token.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let case = Case::load("r01_alpine_29km");
    let finished = log::run(
        &case.log,
        &case.class,
        log::opening(),
        &coldbrake_engine::Policy::default(),
    );
    let descent = &finished[0].descent;
    let profile = ProfileRecord {
        start_time_ms: descent.start_time_ms,
        profile: finished[0].profile.iter().take(20).copied().collect(),
    };
    let listed = Key::descent(descent.start_time_ms, &descent.vehicle, &descent.descent);
    let keys = [
        Key::meta("applied"),
        Key::state("fuzz-1"),
        Key::vehicle("fuzz-1"),
        Key::class("van"),
        listed.clone(),
        Key::descent_of_vehicle("fuzz-1", descent.start_time_ms, "d"),
        Key::profile("fuzz-1", "d"),
        Key::histogram(9, "van", "-", "4.2.0", 19_675),
        Key::audit(7, 1),
        Key::shelved(coldbrake_server::store::Shelf::Alarm, "a"),
    ];
    let input = |order: u8, key: &Key, rest: &[u8]| {
        let mut bytes = vec![order];
        push_chunk(&mut bytes, key.as_bytes());
        bytes.extend_from_slice(rest);
        bytes
    };
    let mut seeds = Vec::new();
    for (i, key) in keys.iter().enumerate() {
        let sealed = envelope::seal(key, SCHEMA, b"a record").expect("a small record");
        seeds.push((format!("value_{i}"), input(0, key, &sealed[0].1)));
        seeds.push((format!("token_{i}"), input(2, key, b"no token")));
    }
    for (name, order) in [("lost", 1), ("changed_round", 5), ("flipped", 9)] {
        let mut rest = vec![0, 0, 0, order / 4, 3];
        rest.extend((0..3_000).map(|i| (i % 251) as u8));
        seeds.push((format!("pieces_{name}"), input(order, &keys[1], &rest)));
    }
    let encoded = [
        (
            "descent",
            listed.clone(),
            records::encode(&listed, descent).expect("a record"),
        ),
        (
            "profile",
            keys[6].clone(),
            records::encode(&keys[6], &profile).expect("a record"),
        ),
        (
            "class",
            keys[3].clone(),
            records::encode(&keys[3], &case.class).expect("a record"),
        ),
        (
            "counts",
            keys[0].clone(),
            records::encode(&keys[0], &Counts::default()).expect("a record"),
        ),
    ];
    for (name, key, bytes) in encoded {
        seeds.push((format!("record_{name}"), input(3, &key, &bytes)));
    }
    seeds
}
