//! A store in memory: the plain words of the contract, against which the durable stores are tested.

use std::{
    cmp::Reverse,
    collections::BTreeMap,
    ops::Bound,
    path::Path,
    sync::{PoisonError, RwLock, RwLockReadGuard},
};

use coldbrake_engine::{Descent, FinishedDescent, ProfilePoint, VehicleClass};

use super::{
    AuditRecord, BackupSummary, CommitBatch, DescentFilter, Grouping, Groups, HistogramQuery, Kept,
    MergedHistogram, Page, Relabel, Removal, Removed, Shelf, Shelved, Store, StoreError, StoreStats,
    VehicleRecord,
    cursor::{Listing, MAX_SCAN},
    keys::{Key, Parsed},
    records,
    relabel::last_of_each,
    tally::{self, Slot, SparseTally, Tally},
};

/// A store that forgets everything when it is dropped.
#[derive(Debug, Default)]
pub struct MemoryStore {
    inner: RwLock<Inner>,
}

/// Place of a descent in the listing.
type Place = (Reverse<i64>, String, String);

#[derive(Debug, Default)]
struct Inner {
    commits: u64,
    states: BTreeMap<String, Vec<u8>>,
    vehicles: BTreeMap<String, VehicleRecord>,
    classes: BTreeMap<String, VehicleClass>,
    descents: BTreeMap<Place, FinishedDescent>,
    places: BTreeMap<(String, String), Place>,
    histograms: BTreeMap<Slot, Tally>,
    audit: BTreeMap<Reverse<(u64, u32)>, AuditRecord>,
    shelved: BTreeMap<(Shelf, String), Vec<u8>>,
    kept: Kept,
}

impl MemoryStore {
    /// Returns an empty store.
    pub fn new() -> Self {
        Self::default()
    }

    fn read(&self) -> RwLockReadGuard<'_, Inner> {
        // A commit that panicked half-way cannot be: nothing in it fails after the first change.
        self.inner.read().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Store for MemoryStore {
    fn commit(&self, batch: &CommitBatch) -> Result<(), StoreError> {
        records::check(batch)?;
        if batch.is_empty() {
            return Ok(());
        }
        let mut inner = self.inner.write().unwrap_or_else(PoisonError::into_inner);
        inner.commits += 1;
        inner.states.extend(batch.states.iter().cloned());
        inner
            .vehicles
            .extend(batch.vehicles.iter().map(|v| (v.vehicle.clone(), v.clone())));
        inner
            .classes
            .extend(batch.classes.iter().map(|c| (c.vehicle_class.clone(), c.clone())));
        inner.kept = batch.kept.unwrap_or(inner.kept);
        for removal in &batch.removals {
            inner.take_away(removal);
        }
        for finished in &batch.descents {
            inner.add_descent(finished);
        }
        for relabel in last_of_each(&batch.relabels) {
            inner.relabel(relabel)?;
        }
        let commit = inner.commits;
        inner.audit.extend(
            batch
                .audit
                .iter()
                .zip(0..)
                .map(|(entry, i)| (Reverse((commit, i)), entry.clone())),
        );
        for change in &batch.shelved {
            let key = (change.shelf, change.name.clone());
            match &change.bytes {
                Some(bytes) => inner.shelved.insert(key, bytes.clone()),
                None => inner.shelved.remove(&key),
            };
        }
        Ok(())
    }

    fn vehicle_state(&self, vehicle: &str) -> Result<Option<Vec<u8>>, StoreError> {
        Ok(self.read().states.get(vehicle).cloned())
    }

    fn vehicle(&self, vehicle: &str) -> Result<Option<VehicleRecord>, StoreError> {
        Ok(self.read().vehicles.get(vehicle).cloned())
    }

    fn vehicles(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<VehicleRecord>, StoreError> {
        let after = match cursor.map(|token| Listing::Vehicles.resume(token)).transpose()? {
            Some((_, Parsed::Vehicle { vehicle })) => Bound::Excluded(vehicle),
            Some(_) => return Err(StoreError::BadCursor),
            None => Bound::Unbounded,
        };
        let inner = self.read();
        let rows = inner
            .vehicles
            .range((after, Bound::Unbounded))
            .map(|(_, v)| v.clone());
        Ok(page(
            rows,
            limit,
            |_| true,
            |v| Listing::Vehicles.token(&Key::vehicle(&v.vehicle)),
        ))
    }

    fn classes(&self) -> Result<Vec<VehicleClass>, StoreError> {
        Ok(self.read().classes.values().cloned().collect())
    }

    fn descents(
        &self,
        filter: &DescentFilter,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Descent>, StoreError> {
        let listing = Listing::Descents(filter);
        let after = match cursor.map(|token| listing.resume(token)).transpose()? {
            Some((
                _,
                Parsed::Descent {
                    start_time_ms,
                    vehicle,
                    descent,
                }
                | Parsed::DescentOfVehicle {
                    vehicle,
                    start_time_ms,
                    descent,
                },
            )) => Bound::Excluded((Reverse(start_time_ms), vehicle, descent)),
            Some(_) => return Err(StoreError::BadCursor),
            None => Bound::Unbounded,
        };
        let inner = self.read();
        let in_reach = |d: &Descent| {
            filter.vehicle.as_ref().is_none_or(|v| *v == d.vehicle)
                && filter.start_time_ms.is_none_or(|t| d.start_time_ms >= t)
                && filter.end_time_ms.is_none_or(|t| d.start_time_ms < t)
        };
        let rows = inner
            .descents
            .range((after, Bound::Unbounded))
            .map(|(_, finished)| finished.descent.clone())
            .filter(in_reach);
        Ok(page(
            rows,
            limit,
            |d| filter.matches(d),
            |d| {
                listing.token(&if filter.vehicle.is_some() {
                    Key::descent_of_vehicle(&d.vehicle, d.start_time_ms, &d.descent)
                } else {
                    Key::descent(d.start_time_ms, &d.vehicle, &d.descent)
                })
            },
        ))
    }

    fn descent(
        &self,
        vehicle: &str,
        descent: &str,
    ) -> Result<Option<(Descent, Vec<ProfilePoint>)>, StoreError> {
        let inner = self.read();
        let place = inner.places.get(&(vehicle.to_owned(), descent.to_owned()));
        let found = place.and_then(|place| inner.descents.get(place));
        Ok(found.map(|f| (f.descent.clone(), f.profile.clone())))
    }

    fn histogram(&self, query: &HistogramQuery) -> Result<MergedHistogram, StoreError> {
        let mut sum = Tally::new(query.metric);
        let mut merged = 0;
        for (_, tally) in self
            .read()
            .histograms
            .iter()
            .filter(|(slot, _)| slot.is_meant(query))
        {
            sum.merge(tally);
            merged += 1;
        }
        Ok(sum.into_merged(merged))
    }

    fn histogram_groups(
        &self,
        query: &HistogramQuery,
        grouping: Grouping,
        _most: usize,
    ) -> Result<Groups, StoreError> {
        let mut groups = Groups::new(query.metric, grouping);
        for (slot, tally) in &self.read().histograms {
            if slot.is_meant(query) {
                groups.add(slot.clone(), &SparseTally::of(tally));
            }
        }
        Ok(groups)
    }

    fn audit(&self, cursor: Option<&[u8]>, limit: usize) -> Result<Page<AuditRecord>, StoreError> {
        let after = match cursor.map(|token| Listing::Audit.resume(token)).transpose()? {
            Some((_, Parsed::Audit { lsn, index })) => Bound::Excluded(Reverse((lsn, index))),
            Some(_) => return Err(StoreError::BadCursor),
            None => Bound::Unbounded,
        };
        let inner = self.read();
        let rows = inner.audit.range((after, Bound::Unbounded));
        let found = page(
            rows,
            limit,
            |_| true,
            |(Reverse((lsn, i)), _)| Listing::Audit.token(&Key::audit(*lsn, *i)),
        );
        Ok(Page {
            rows: found.rows.into_iter().map(|(_, entry)| entry.clone()).collect(),
            next: found.next,
        })
    }

    fn shelved(&self, shelf: Shelf, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
        Ok(self.read().shelved.get(&(shelf, name.to_owned())).cloned())
    }

    fn shelf(
        &self,
        shelf: Shelf,
        start: &str,
        cursor: Option<&[u8]>,
        limit: usize,
    ) -> Result<Page<Shelved>, StoreError> {
        let listing = Listing::Shelf(shelf, start);
        let from = match cursor.map(|token| listing.resume(token)).transpose()? {
            Some((_, Parsed::Shelved { name, .. })) => Bound::Excluded((shelf, name)),
            Some(_) => return Err(StoreError::BadCursor),
            None => Bound::Included((shelf, start.to_owned())),
        };
        let inner = self.read();
        let rows = inner
            .shelved
            .range((from, Bound::Unbounded))
            .take_while(|((on, name), _)| *on == shelf && name.starts_with(start))
            .map(|((_, name), bytes)| Shelved {
                name: name.clone(),
                bytes: bytes.clone(),
            });
        Ok(page(
            rows,
            limit,
            |_| true,
            |row| listing.token(&Key::shelved(shelf, &row.name)),
        ))
    }

    fn kept(&self) -> Result<Kept, StoreError> {
        Ok(self.read().kept)
    }

    fn back_up(&self, _file: &Path) -> Result<BackupSummary, StoreError> {
        Err(StoreError::Unsupported(
            "a store in memory cannot be backed up: run the server with store.kind = \"sled\"",
        ))
    }

    fn stats(&self) -> Result<StoreStats, StoreError> {
        let inner = self.read();
        Ok(StoreStats {
            vehicles: inner.states.len() as u64,
            descents: inner.descents.len() as u64,
            histograms: inner.histograms.len() as u64,
            size_bytes: 0,
        })
    }
}

impl Inner {
    fn relabel(&mut self, relabel: &Relabel) -> Result<(), StoreError> {
        let identity = (relabel.vehicle.clone(), relabel.descent.clone());
        let Some(finished) = self
            .places
            .get(&identity)
            .and_then(|place| self.descents.get_mut(place))
        else {
            return Ok(());
        };
        let now = relabel.of(&finished.descent);
        let before = std::mem::replace(&mut finished.descent, now.clone());
        if now.grade == before.grade {
            return Ok(());
        }
        for (moved, comes) in [(now, true), (before, false)] {
            for (slot, value) in tally::increments(&moved) {
                let mut moves = tally::Moves::default();
                if comes { &mut moves.added } else { &mut moves.taken }.push(value);
                let tally = self
                    .histograms
                    .entry(slot.clone())
                    .or_insert_with(|| Tally::new(slot.metric));
                moves.apply(tally).map_err(|reason| StoreError::Damaged {
                    what: slot.key().to_string(),
                    reason,
                })?;
                if tally.count() == 0 {
                    self.histograms.remove(&slot);
                }
            }
        }
        Ok(())
    }

    fn take_away(&mut self, removal: &Removal) {
        let identity = (removal.vehicle.clone(), removal.descent.clone());
        let Some(place) = self.places.get(&identity) else {
            return;
        };
        match removal.what {
            Removed::Profile => {
                if let Some(finished) = self.descents.get_mut(place) {
                    finished.profile = Vec::new();
                }
            }
            Removed::Descent => {
                self.descents.remove(place);
                self.places.remove(&identity);
            }
        }
    }

    fn add_descent(&mut self, finished: &FinishedDescent) {
        let d = &finished.descent;
        let identity = (d.vehicle.clone(), d.descent.clone());
        if self.places.contains_key(&identity) {
            return;
        }
        let place = (Reverse(d.start_time_ms), d.vehicle.clone(), d.descent.clone());
        self.places.insert(identity, place.clone());
        let mut stored = finished.clone();
        if tally::day_of(d.start_time_ms) < self.kept.profiles_from_day {
            stored.profile = Vec::new();
        }
        self.descents.insert(place, stored);
        for (slot, value) in tally::increments(d) {
            let metric = slot.metric;
            self.histograms
                .entry(slot)
                .or_insert_with(|| Tally::new(metric))
                .record(value);
        }
    }
}

/// Takes rows until the page is full or enough have been looked at. A limit of 0 counts as 1.
fn page<T>(
    rows: impl Iterator<Item = T>,
    limit: usize,
    is_meant: impl Fn(&T) -> bool,
    token: impl Fn(&T) -> Vec<u8>,
) -> Page<T> {
    let mut rows = rows.peekable();
    let mut taken = Vec::new();
    for seen in 1.. {
        let Some(row) = rows.next() else { break };
        let next = token(&row);
        if is_meant(&row) {
            taken.push(row);
        }
        if rows.peek().is_some() && (taken.len() >= limit.max(1) || seen >= MAX_SCAN) {
            return Page {
                rows: taken,
                next: Some(next),
            };
        }
    }
    Page {
        rows: taken,
        next: None,
    }
}
