//! What stands in the segments of a journal, and what that means for opening it. Nothing here touches a file.

use super::frame::{self, RecordKind, SEGMENT_HEAD, SegmentHead};

/// Place of a record in its segment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Number of the record.
    pub lsn: u64,
    /// What it holds.
    pub kind: RecordKind,
    /// Where it begins.
    pub offset: usize,
}

/// What was found in one segment.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Segment {
    /// Number that its first record must have, from its name.
    pub first_lsn: u64,
    /// Its records in ascending order.
    pub records: Vec<Place>,
    /// Numbers of records that are missing between others: first, and one more than the last.
    pub holes: Vec<(u64, u64)>,
    /// Length up to the end of the last good record; 0 when not even the header is good.
    pub good: usize,
    /// Length of the file.
    pub length: usize,
    /// Number of the last commit that a checkpoint in it covers.
    pub covered: u64,
}

impl Segment {
    /// Returns the number that the next record would have.
    pub fn next_lsn(&self) -> u64 {
        self.records.last().map_or(self.first_lsn, |r| r.lsn + 1)
    }
}

/// Version of a segment that is newer than this program knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NewerSegment(pub u32);

/// Reads a segment.
///
/// Behind the first bad record, later good ones are looked for: what is only torn off at the end has none, because a
/// record is begun only after the one before is durable.
pub fn scan(first_lsn: u64, bytes: &[u8]) -> Result<Segment, NewerSegment> {
    let mut found = Segment {
        first_lsn,
        records: Vec::new(),
        holes: Vec::new(),
        good: SEGMENT_HEAD,
        length: bytes.len(),
        covered: 0,
    };
    match frame::read_segment_head(bytes) {
        SegmentHead::Newer { version } => return Err(NewerSegment(version)),
        SegmentHead::Good { first_lsn: named } if named == first_lsn => {}
        // The records tell the rest: they carry their own numbers.
        SegmentHead::Good { .. } | SegmentHead::Bad => found.good = 0,
    }
    let mut at = SEGMENT_HEAD;
    while let Some((offset, record)) = next_good(bytes, at, found.next_lsn()) {
        if record.lsn > found.next_lsn() {
            found.holes.push((found.next_lsn(), record.lsn));
        }
        if let (RecordKind::Checkpoint, Some(covered)) = (record.kind, record.payload.first_chunk::<8>()) {
            found.covered = u64::from_be_bytes(*covered);
        }
        found.records.push(Place {
            lsn: record.lsn,
            kind: record.kind,
            offset,
        });
        at = offset + frame::RECORD_HEAD + record.payload.len();
        found.good = at;
    }
    Ok(found)
}

fn next_good(bytes: &[u8], from: usize, expected: u64) -> Option<(usize, frame::Record<'_>)> {
    let mut at = from;
    loop {
        at = frame::find_magic(bytes, at)?;
        match bytes.get(at..).and_then(frame::read_record) {
            Some(record) if record.lsn >= expected => return Some((at, record)),
            _ => at += 1,
        }
    }
}

/// What opening the journal comes to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Number of the last commit that is durable in the index: later ones are replayed.
    pub covered: u64,
    /// Number of the last commit.
    pub last_commit: u64,
    /// Number of the last record.
    pub last_lsn: u64,
    /// Whether every record since the first is there: the index can be built anew.
    pub complete: bool,
    /// Whether nothing has been committed since the last checkpoint: the store was closed properly, or is new.
    pub closed: bool,
    /// Length to which the last segment is cut, when it ends with a torn record.
    pub cut: Option<usize>,
    /// Missing records that the index has all the same.
    pub harmless_holes: Vec<(u64, u64)>,
}

/// Records that are missing and needed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gap {
    /// First missing number.
    pub first: u64,
    /// Last missing number.
    pub last: u64,
}

/// Decides from the segments, ascending, what to do.
pub fn plan(segments: &[Segment]) -> Result<Plan, Gap> {
    let covered = segments.iter().map(|s| s.covered).max().unwrap_or(0);
    let mut next = 1;
    let mut holes = Vec::new();
    for segment in segments {
        if segment.first_lsn < next {
            return Err(Gap {
                first: segment.first_lsn,
                last: next - 1,
            });
        }
        if segment.first_lsn > next {
            holes.push((next, segment.first_lsn));
        }
        holes.extend_from_slice(&segment.holes);
        next = segment.next_lsn();
    }
    if let Some((first, end)) = holes.iter().find(|(_, end)| end - 1 > covered) {
        return Err(Gap {
            first: *first,
            last: end - 1,
        });
    }
    let last = segments.last();
    let closed = match last.and_then(|s| s.records.last()) {
        Some(record) => record.kind == RecordKind::Checkpoint,
        None => next == 1,
    };
    let commits = segments
        .iter()
        .flat_map(|s| &s.records)
        .filter(|r| r.kind == RecordKind::Commit);
    Ok(Plan {
        covered,
        last_commit: commits.map(|r| r.lsn).max().unwrap_or(0).max(covered),
        last_lsn: next - 1,
        complete: holes.is_empty(),
        closed,
        cut: last.filter(|s| s.good < s.length || s.good == 0).map(|s| s.good),
        harmless_holes: holes,
    })
}
