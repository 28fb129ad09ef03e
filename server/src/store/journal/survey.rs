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
        self.records
            .last()
            .map_or(self.first_lsn, |r| r.lsn.saturating_add(1))
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
        // Behind the largest number that there is, none can follow.
        if found.records.last().is_some_and(|last| last.lsn == u64::MAX) {
            break;
        }
        if record.lsn > found.next_lsn() {
            found.holes.push((found.next_lsn(), record.lsn));
        }
        // One that names a commit at or behind its own number tells nothing: what it may cover is replayed.
        if let (RecordKind::Checkpoint, Some(covered)) = (record.kind, record.payload.first_chunk::<8>())
            && u64::from_be_bytes(*covered) < record.lsn
        {
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{
        super::frame::{record, segment_head},
        *,
    };

    fn segment(first_lsn: u64, records: &[(u64, RecordKind, &[u8])]) -> Vec<u8> {
        let mut bytes = segment_head(first_lsn);
        for (lsn, kind, payload) in records {
            bytes.extend(record(*lsn, *kind, payload));
        }
        bytes
    }

    fn commits(lsns: std::ops::RangeInclusive<u64>) -> Vec<u8> {
        let first = *lsns.start();
        segment(
            first,
            &lsns
                .map(|lsn| (lsn, RecordKind::Commit, &b"some changes"[..]))
                .collect::<Vec<_>>(),
        )
    }

    fn plan_of(segments: &[(u64, Vec<u8>)]) -> Result<Plan, Gap> {
        plan(
            &segments
                .iter()
                .map(|(first, bytes)| scan(*first, bytes).unwrap())
                .collect::<Vec<_>>(),
        )
    }

    #[test]
    fn a_whole_journal_is_replayed_from_the_checkpoint_on() {
        let second = segment(
            4,
            &[
                (4, RecordKind::Checkpoint, &3_u64.to_be_bytes()),
                (5, RecordKind::Commit, b"x"),
            ],
        );
        let plan = plan_of(&[(1, commits(1..=3)), (4, second.clone())]).unwrap();
        assert_eq!(
            plan,
            Plan {
                covered: 3,
                last_commit: 5,
                last_lsn: 5,
                complete: true,
                closed: false,
                cut: None,
                harmless_holes: vec![],
            }
        );
        // Without the first segment it is not complete, but nothing that is needed is missing.
        let plan = plan_of(&[(4, second)]).unwrap();
        assert_eq!(
            (plan.complete, plan.covered, plan.harmless_holes),
            (false, 3, vec![(1, 4)])
        );
    }

    #[test]
    fn the_last_record_cut_off_at_any_byte_is_torn() {
        let (five, six) = (commits(1..=5).len(), commits(1..=6));
        for length in five..six.len() {
            let plan = plan_of(&[(1, six[..length].to_vec())]).unwrap();
            assert_eq!(plan.last_commit, 5);
            assert_eq!(plan.cut, (length > five).then_some(five), "{length}");
        }
        for length in 0..24 {
            let plan = plan_of(&[(1, commits(1..=3)), (4, six[..length].to_vec())]).unwrap();
            assert_eq!((plan.last_commit, plan.cut), (3, Some(0)));
        }
    }

    #[test]
    fn a_bit_flipped_before_other_records_is_damage_and_not_a_torn_end() {
        let bytes = commits(1..=6);
        let last = commits(1..=5).len();
        for at in 24..bytes.len() {
            let mut bad = bytes.clone();
            bad[at] ^= 1 << (at % 8);
            match plan_of(&[(1, bad)]) {
                Ok(plan) => assert_eq!(
                    (plan.last_commit, plan.cut, at >= last),
                    (5, Some(last), true),
                    "{at}"
                ),
                Err(gap) => {
                    let hit = (at - 24) as u64 / 33 + 1;
                    assert_eq!(
                        gap,
                        Gap {
                            first: hit,
                            last: hit
                        },
                        "{at}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_torn_end_before_a_later_segment_is_damage() {
        let whole = commits(1..=3);
        let torn = whole[..whole.len() - 1].to_vec();
        assert_eq!(
            plan_of(&[(1, torn), (4, commits(4..=5))]),
            Err(Gap { first: 3, last: 3 })
        );
        assert_eq!(
            plan_of(&[(1, commits(1..=3)), (5, commits(5..=6))]),
            Err(Gap { first: 4, last: 4 })
        );
        assert_eq!(plan_of(&[(3, commits(3..=4))]), Err(Gap { first: 1, last: 2 }));
        assert_eq!(
            plan_of(&[(1, commits(1..=3)), (3, commits(3..=4))]),
            Err(Gap { first: 3, last: 3 })
        );
    }

    #[test]
    fn damage_that_a_later_checkpoint_covers_is_harmless() {
        let mut bytes = commits(1..=5);
        bytes[60] ^= 4;
        bytes.extend(record(6, RecordKind::Checkpoint, &5_u64.to_be_bytes()));
        let plan = plan_of(&[(1, bytes)]).unwrap();
        assert_eq!(
            (plan.harmless_holes, plan.complete, plan.closed),
            (vec![(2, 3)], false, true)
        );
    }

    #[test]
    fn a_header_that_is_damaged_costs_nothing_as_long_as_the_records_are_good() {
        let mut bytes = commits(1..=3);
        bytes[9] ^= 1;
        let plan = plan_of(&[(1, bytes)]).unwrap();
        assert_eq!((plan.last_commit, plan.complete, plan.cut), (3, true, None));
    }

    #[test]
    fn a_checkpoint_covers_nothing_that_comes_after_it() {
        for covered in [4, 5, u64::MAX] {
            let mut bytes = commits(1..=3);
            bytes.extend(record(4, RecordKind::Checkpoint, &u64::to_be_bytes(covered)));
            let plan = plan_of(&[(1, bytes)]).unwrap();
            assert_eq!((plan.covered, plan.last_commit), (0, 3));
        }
    }

    proptest! {
        #[test]
        fn any_bytes_can_be_surveyed(
            head in any::<bool>(), rest in prop::collection::vec(any::<u8>(), 0..200), first in 0..5_u64,
        ) {
            let mut bytes = if head { segment_head(first) } else { Vec::new() };
            bytes.extend(rest);
            let segment = scan(first, &bytes).unwrap();
            prop_assert!(segment.good <= bytes.len().max(24));
            let _ = plan(&[segment.clone(), segment]);
        }
    }
}
