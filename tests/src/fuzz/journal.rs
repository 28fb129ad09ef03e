//! Segments of a journal.

use coldbrake_server::store::journal::{
    frame::{self, RecordKind, SEGMENT_HEAD},
    survey::{self, Segment},
};

use super::script::{Script, flip, push_chunk};

/// Most segments of one input.
const MOST_SEGMENTS: usize = 6;

/// Input: orders that write segments, so that checksums are no wall, and orders that damage what was written.
pub fn run(input: &[u8]) -> bool {
    let segments = written(&mut Script(input));
    let mut found = Vec::new();
    for (first, bytes) in &segments {
        match survey::scan(*first, bytes) {
            Ok(segment) => {
                check(&segment, bytes);
                found.push(segment);
            }
            Err(newer) => assert_ne!(newer.0, frame::VERSION),
        }
    }
    let any = found.iter().any(|s| !s.records.is_empty());
    if found.len() != segments.len() {
        return any;
    }
    let Ok(plan) = survey::plan(&found) else {
        return any;
    };
    assert!(plan.last_commit >= plan.covered);
    assert_eq!(plan.complete, plan.harmless_holes.is_empty());
    for (first, end) in &plan.harmless_holes {
        assert!(first < end && *end <= plan.covered + 1, "{plan:?}");
    }
    // A repaired journal needs no second repair, and says the same.
    if let Some(cut) = plan.cut
        && let Some(((first, bytes), last)) = segments.last().zip(found.last_mut())
    {
        let repaired = if cut == 0 && last.records.is_empty() {
            frame::segment_head(*first)
        } else {
            bytes[..cut].to_vec()
        };
        let again = survey::scan(*first, &repaired).expect("the version has been read before");
        assert_eq!(again.records, last.records, "what is cut off held nothing");
        *last = again;
        let repaired = survey::plan(&found).expect("a journal that was repaired");
        assert_eq!(repaired.cut, None);
        assert_eq!(
            (repaired.last_commit, repaired.last_lsn, repaired.covered),
            (plan.last_commit, plan.last_lsn, plan.covered)
        );
    }
    any
}

fn check(segment: &Segment, bytes: &[u8]) {
    assert_eq!(segment.length, bytes.len());
    assert!(segment.good <= bytes.len().max(SEGMENT_HEAD));
    let mut end = SEGMENT_HEAD;
    let mut before = None;
    for place in &segment.records {
        assert!(place.offset >= end, "records overlap");
        assert!(
            before.is_none_or(|b| b < place.lsn) && place.lsn >= segment.first_lsn,
            "numbers do not ascend"
        );
        before = Some(place.lsn);
        let record = frame::read_record(&bytes[place.offset..]).expect("a record that was found");
        assert_eq!((record.lsn, record.kind), (place.lsn, place.kind));
        let again = frame::record(record.lsn, record.kind, record.payload);
        assert_eq!(
            bytes.get(place.offset..place.offset + again.len()),
            Some(&again[..])
        );
        if let Some(changes) = frame::decode_changes(record.payload) {
            assert_eq!(frame::encode_changes(&changes), record.payload);
        }
        end = place.offset + again.len();
    }
    for (first, end) in &segment.holes {
        assert!(first < end);
        assert!(!segment.records.iter().any(|r| (*first..*end).contains(&r.lsn)));
    }
}

/// Follows the orders of an input.
fn written(script: &mut Script<'_>) -> Vec<(u64, Vec<u8>)> {
    let mut segments: Vec<(u64, Vec<u8>)> = Vec::new();
    let mut next = 1_u64;
    while !script.is_empty() {
        let order = script.byte();
        if segments.is_empty() || order.is_multiple_of(8) {
            if segments.len() == MOST_SEGMENTS {
                break;
            }
            // Mostly where the one before ended.
            let first = match order >> 6 {
                0 => script.number::<8>(),
                1 => next.wrapping_add(script.byte().into()),
                _ => next,
            };
            next = first;
            segments.push((first, frame::segment_head(first)));
            continue;
        }
        let Some((_, bytes)) = segments.last_mut() else {
            break;
        };
        match order % 8 {
            1 | 2 => {
                let kind = [RecordKind::Commit, RecordKind::Checkpoint][usize::from(order % 8 - 1)];
                match order >> 6 {
                    0 => next = script.number::<8>(),
                    1 => next = next.wrapping_add(script.byte().into()),
                    _ => {}
                }
                let payload = if kind == RecordKind::Checkpoint && order & 32 != 0 {
                    next.wrapping_sub(1).to_be_bytes().to_vec()
                } else {
                    script.chunk().to_vec()
                };
                bytes.extend(frame::record(next, kind, &payload));
                next = next.wrapping_add(1);
            }
            3 => bytes.extend_from_slice(script.chunk()),
            4 => drop(flip(bytes, script.number::<2>())),
            5 => bytes.truncate(bytes.len().saturating_sub(script.byte().into())),
            6 => {
                let changes = [(script.chunk().to_vec(), Some(script.chunk().to_vec()))];
                bytes.extend(frame::record(
                    next,
                    RecordKind::Commit,
                    &frame::encode_changes(&changes),
                ));
                next = next.wrapping_add(1);
            }
            _ => *bytes = script.chunk().to_vec(),
        }
    }
    segments
}

/// Journals as the server leaves them, whole, torn and damaged.
pub fn seeds() -> Vec<(String, Vec<u8>)> {
    let commit = |orders: &mut Vec<u8>, text: &[u8]| {
        orders.push(6);
        push_chunk(orders, b"\x10fuzz-1\0\0");
        push_chunk(orders, text);
    };
    // The first order opens the first segment.
    let mut whole = vec![192];
    for text in [&b"one"[..], b"two", b"three"] {
        commit(&mut whole, text);
    }
    let mut second = whole.clone();
    second.extend([192, 2 | 32 | 128]);
    commit(&mut second, b"five");
    let mut torn = second.clone();
    torn.extend([5, 7]);
    let mut flipped = second.clone();
    flipped.extend([4, 1, 30]);
    let mut hole = whole.clone();
    hole.push(1 | 64);
    hole.push(2);
    push_chunk(&mut hole, b"no changes");
    let mut covered = hole.clone();
    covered.push(2 | 32 | 128);
    let mut foreign = vec![7];
    push_chunk(&mut foreign, b"cb-jrnl\n\0\0\0\x02 and more");
    let mut largest = vec![0];
    largest.extend(u64::MAX.to_be_bytes());
    largest.push(1 | 128);
    push_chunk(&mut largest, b"the last number");
    largest.push(1);
    largest.extend(u64::MAX.to_be_bytes());
    push_chunk(&mut largest, b"the last number again");
    [
        ("whole", whole),
        ("second_segment", second),
        ("torn", torn),
        ("flipped", flipped),
        ("hole", hole),
        ("covered_hole", covered),
        ("foreign", foreign),
        ("largest_number", largest),
    ]
    .map(|(name, bytes)| (name.to_owned(), bytes))
    .into()
}
