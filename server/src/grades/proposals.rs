//! Grades proposed because recent descents without one recur.
//!
//! They are computed when somebody asks and something was recorded since, over a bounded number of the latest descents, and
//! kept on a shelf, so that their identifiers stay.

use std::sync::PoisonError;

use coldbrake_engine::grade::{
    Catalogue, DescentShape, Grade, GradeOutcome, GradeProfile, Position, Proposal, propose,
};
use serde::{Deserialize, Serialize};

use super::{change::Curator, record};
use crate::{
    status::Refusal,
    store::{CommitBatch, DescentFilter, Shelf, ShelfChange, Store},
};

/// Latest descents without a grade that are looked at.
pub(super) const MOST_RECENT: usize = 240;
/// Descents among which they are looked for.
const MOST_LOOKED_AT: usize = 20_000;
/// Descents that make a proposal.
const LEAST_COUNT: usize = 3;
/// Descents named with a proposal.
const EXAMPLES: usize = 5;
/// Descents read at once.
const PAGE: usize = 200;

/// What has been seen when proposals were computed: number of descents, latest descent.
pub(super) type Seen = (u64, Option<(String, String)>, i64);

/// A proposal as it is stored.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct ProposalRecord {
    pub(super) proposal: String,
    pub(super) profile: GradeProfile,
    pub(super) top: Option<Position>,
    pub(super) bottom: Option<Position>,
    pub(super) descents: u32,
    pub(super) vehicles: u32,
    pub(super) misfit_m: f64,
    /// Vehicle and descent, the latest first.
    pub(super) examples: Vec<(String, String)>,
    pub(super) dismissed: bool,
}

impl ProposalRecord {
    pub(super) fn put(&self) -> ShelfChange {
        ShelfChange {
            shelf: Shelf::GradeProposal,
            name: self.proposal.clone(),
            bytes: Some(record::to_bytes(self)),
        }
    }

    pub(super) fn remove(&self) -> ShelfChange {
        ShelfChange {
            shelf: Shelf::GradeProposal,
            name: self.proposal.clone(),
            bytes: None,
        }
    }

    fn as_grade(&self) -> Grade {
        Grade {
            grade: self.proposal.clone(),
            display_name: String::new(),
            profile: self.profile.clone(),
            top: self.top,
            bottom: self.bottom,
        }
    }
}

/// Returns the latest descents that no known grade comes near, the latest first. Blocks.
#[expect(
    clippy::type_complexity,
    reason = "a name and its shape: a type of its own would say no more"
)]
fn unmatched(store: &dyn Store) -> Result<Vec<((String, String), DescentShape)>, Refusal> {
    let filter = DescentFilter {
        grade: Some("-".to_owned()),
        ..DescentFilter::default()
    };
    let (mut found, mut cursor, mut looked) = (Vec::new(), None, 0);
    loop {
        let page = store.descents(&filter, cursor.as_deref(), PAGE)?;
        looked += PAGE;
        for d in page.rows {
            // A grade that fits but does not count would not count under another name either.
            let is_new = d
                .grade_match
                .as_ref()
                .is_none_or(|m| matches!(m.outcome, GradeOutcome::NothingClose | GradeOutcome::Elsewhere));
            if !is_new {
                continue;
            }
            let profile = store.descent(&d.vehicle, &d.descent)?.map(|(_, p)| p);
            if let Some(shape) = profile.and_then(|p| DescentShape::of(&d, &p)) {
                found.push(((d.vehicle, d.descent), shape));
            }
            if found.len() >= MOST_RECENT {
                return Ok(found);
            }
        }
        cursor = page.next;
        if cursor.is_none() || looked >= MOST_LOOKED_AT {
            return Ok(found);
        }
    }
}

/// Returns the proposals as they are now and how many descents they come from. One that is still there keeps its name.
fn compute(
    known: &[ProposalRecord],
    mut recent: Vec<((String, String), DescentShape)>,
) -> (Vec<ProposalRecord>, usize) {
    let looked_at = recent.len();
    let of = |dismissed: bool| {
        let grades = known.iter().filter(|p| p.dismissed == dismissed);
        Catalogue::new(grades.map(ProposalRecord::as_grade).collect()).unwrap_or_default()
    };
    let (dismissed, open) = (of(true), of(false));
    recent.retain(|(_, shape)| dismissed.alike(shape).is_empty());
    let named: Vec<(&str, DescentShape)> = recent
        .iter()
        .map(|((vehicle, _), shape)| (vehicle.as_str(), shape.clone()))
        .collect();
    let mut now: Vec<ProposalRecord> = known.iter().filter(|p| p.dismissed).cloned().collect();
    for found in propose(&named, LEAST_COUNT) {
        let Proposal {
            members,
            vehicles,
            profile,
            top,
            bottom,
            misfit_m,
        } = found;
        let is_taken = |name: &str| now.iter().any(|p| p.proposal == name);
        let before = DescentShape::of_profile(&profile, top, bottom).and_then(|shape| {
            let mut alike = open.alike(&shape).into_iter().map(|g| g.grade.clone());
            alike.find(|name| !is_taken(name))
        });
        let examples: Vec<_> = members
            .iter()
            .filter_map(|i| recent.get(*i))
            .take(EXAMPLES)
            .map(|(name, _)| name.clone())
            .collect();
        let name = before.unwrap_or_else(|| {
            let sum = crc32c::crc32c(&record::to_bytes(&(&examples, &profile)));
            (0..=u32::MAX)
                .map(|n| format!("road-{:08x}", sum.wrapping_add(n)))
                .find(|name| !is_taken(name))
                .unwrap_or_default()
        });
        now.push(ProposalRecord {
            proposal: name,
            profile,
            top,
            bottom,
            descents: u32::try_from(members.len()).unwrap_or(u32::MAX),
            vehicles: u32::try_from(vehicles).unwrap_or(u32::MAX),
            misfit_m,
            examples,
            dismissed: false,
        });
    }
    (now, looked_at)
}

/// Returns what must be written so that the shelf holds `now`.
fn changes(known: &[ProposalRecord], now: &[ProposalRecord]) -> Vec<ShelfChange> {
    let gone = known
        .iter()
        .filter(|p| !now.iter().any(|n| n.proposal == p.proposal));
    let new = now.iter().filter(|n| !known.contains(n));
    gone.map(ProposalRecord::remove)
        .chain(new.map(ProposalRecord::put))
        .collect()
}

impl Curator {
    /// Returns the proposals as they are now, dismissed ones too, and how many descents were looked at.
    pub(super) async fn proposals(&self) -> Result<(Vec<ProposalRecord>, i64), Refusal> {
        let _turn = self.turn.lock().await;
        let last = self
            .computed
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone();
        let (now, shelved, seen) = self
            .reader
            .read(move |store, _| {
                let known: Vec<ProposalRecord> = record::all(store, Shelf::GradeProposal)?;
                let newest = store.descents(&DescentFilter::default(), None, 1)?.rows.pop();
                let mut seen: Seen = (store.stats()?.descents, newest.map(|d| (d.vehicle, d.descent)), 0);
                if let Some(last) = last
                    && (last.0, &last.1) == (seen.0, &seen.1)
                {
                    return Ok((known, Vec::new(), last));
                }
                let (now, looked_at) = compute(&known, unmatched(store)?);
                seen.2 = looked_at as i64;
                let shelved = changes(&known, &now);
                Ok((now, shelved, seen))
            })
            .await?;
        if !shelved.is_empty() {
            self.edit(move |_| {
                Ok(CommitBatch {
                    shelved,
                    ..CommitBatch::default()
                })
            })
            .await?;
        }
        let looked_at = seen.2;
        *self.computed.lock().unwrap_or_else(PoisonError::into_inner) = Some(seen);
        Ok((now, looked_at))
    }
}
