//! Backup files.

use std::path::Path;

use coldbrake_server::store::{
    StoreError,
    backup::{BackupHead, BackupReader, BackupSummary, BackupWriter, Record, migrate},
    keys::Key,
    records::Counts,
};

use super::script::{Script, flip, push_chunk};

const PATH: &str = "fuzz.backup";

/// Input: whether a file follows as it is, or orders that write one and then damage it.
pub fn run(input: &[u8]) -> bool {
    let mut script = Script(input);
    match script.byte() % 3 {
        0 => foreign(script.0),
        1 => written(&mut script),
        _ => framed(&mut script),
    }
}

/// Reads a whole file.
fn read(bytes: &[u8]) -> Result<(BackupSummary, Vec<Record>), StoreError> {
    let mut reader = BackupReader::new(bytes, Path::new(PATH))?;
    let mut records = Vec::new();
    while let Some(record) = reader.next_record()? {
        records.push(record);
    }
    Ok((reader.finish()?, records))
}

fn write(head: BackupHead, records: &[Record]) -> (BackupSummary, Vec<u8>) {
    let mut counts = Counts::default();
    for record in records {
        let kind = record.key.as_bytes().first();
        match kind {
            Some(0x10) => counts.vehicles += 1,
            Some(0x20) => counts.descents += 1,
            Some(0x30) => counts.histograms += 1,
            _ => {}
        }
    }
    let head = BackupHead { counts, ..head };
    let mut writer = BackupWriter::new(Vec::new(), Path::new(PATH), head).expect("memory takes all");
    for record in records {
        writer
            .push(&record.key, record.schema, &record.bytes)
            .expect("memory takes all");
    }
    writer.finish().expect("memory takes all")
}

fn foreign(bytes: &[u8]) -> bool {
    let Ok((summary, records)) = read(bytes) else {
        return BackupReader::new(bytes, Path::new(PATH)).is_ok();
    };
    assert_eq!(summary.bytes, bytes.len() as u64);
    assert_eq!(summary.records, records.len() as u64);
    let (_, again) = write(summary.head.clone(), &records);
    let (other, same) = read(&again).expect("a backup that was written");
    assert_eq!((other.head, same), (summary.head.clone(), records.clone()));
    if let Ok(way) = migrate::way_here(summary.head.format_major) {
        for record in records {
            let _ = migrate::take_along(&way, record);
        }
    }
    true
}

/// A file of records that the input gives; then one bit of it turned, or its end cut off.
fn written(script: &mut Script<'_>) -> bool {
    let (place, cut) = (script.number::<4>(), script.number::<2>());
    let mut records: Vec<Record> = Vec::new();
    while !script.is_empty() && records.len() < 64 {
        let key = Key::from_bytes(script.chunk());
        if records.last().is_some_and(|last| last.key >= key) {
            break;
        }
        let schema = script.byte();
        records.push(Record {
            key,
            schema,
            bytes: script.chunk().to_vec(),
        });
    }
    let (summary, mut bytes) = write(head(), &records);
    let (found, back) = read(&bytes).expect("a backup that was written");
    assert_eq!((found, back), (summary, records));
    if place % 4 == 0 {
        bytes.truncate(bytes.len().saturating_sub(1 + usize::from(cut as u16)));
    } else {
        flip(&mut bytes, place / 4);
    }
    let _ = read(&bytes).map(|_| panic!("damage is found"));
    true
}

/// Blocks that the input gives behind a good head, with checksums that fit: what is behind them must be looked at too.
fn framed(script: &mut Script<'_>) -> bool {
    let writer = BackupWriter::new(Vec::new(), Path::new(PATH), head()).expect("memory takes all");
    let (_, empty) = writer.finish().expect("memory takes all");
    // The end has 21 bytes: mark, two numbers, checksum.
    let mut bytes = empty[..empty.len() - 21].to_vec();
    while !script.is_empty() {
        let mut block = vec![b'B'];
        block.extend_from_slice(&(script.number::<4>() as u32).to_be_bytes());
        block.extend_from_slice(&(script.number::<4>() as u32).to_be_bytes());
        let payload = script.chunk();
        block.extend_from_slice(&(payload.len() as u32).to_be_bytes());
        block.extend_from_slice(payload);
        block.extend_from_slice(&crc32c::crc32c(&block).to_be_bytes());
        bytes.extend(block);
    }
    let _ = read(&bytes);
    true
}

fn head() -> BackupHead {
    BackupHead {
        format_major: 1,
        format_minor: 0,
        program: "0.1.0".to_owned(),
        created_ms: 1_773_122_400_000,
        last_commit: 7,
        counts: Counts::default(),
    }
}

/// A backup of the first format, and orders that write small ones.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let mut orders = vec![1, 0, 0, 1, 5, 0, 9];
    let mut raw = Vec::new();
    for (key, value) in [
        (Key::class("van"), &b"a class"[..]),
        (Key::state("fuzz-1"), b"a state"),
    ]
    .into_iter()
    .rev()
    {
        push_chunk(&mut orders, key.as_bytes());
        orders.push(1);
        push_chunk(&mut orders, value);
        raw.push((key, value));
    }
    let mut torn = orders.clone();
    torn[4] = 4;
    let records: Vec<Record> = raw
        .iter()
        .map(|(key, value)| Record {
            key: key.clone(),
            schema: 1,
            bytes: value.to_vec(),
        })
        .collect();
    let (_, file) = write(head(), &records);
    // The block of the file: behind the head, before the end.
    let (_, empty) = write(head(), &[]);
    let head_length = empty.len() - 21;
    let block = &file[head_length..file.len() - 21];
    let mut framed = vec![2];
    framed.extend_from_slice(&block[1..9]);
    push_chunk(&mut framed, &block[13..block.len() - 4]);
    let fixture = std::fs::read(case_fixture()).unwrap();
    vec![
        ("file".to_owned(), [&[0], &file[..]].concat()),
        ("format_1".to_owned(), [&[0], &fixture[..]].concat()),
        ("orders".to_owned(), orders),
        ("torn".to_owned(), torn),
        ("framed".to_owned(), framed),
    ]
}

fn case_fixture() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../server/tests/data/format_1.backup")
}
