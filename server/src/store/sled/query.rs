//! Reading the index: listings, lookups and sums.

use std::ops::Bound;

use coldbrake_engine::{Descent, ProfilePoint, VehicleClass};

use super::{
    index::{Index, Row},
    resolve::decode_sparse,
};
use crate::store::{
    AuditRecord, DescentFilter, HistogramQuery, Page, Shelf, Shelved, StoreError, VehicleRecord,
    cursor::{Listing, MAX_SCAN},
    keys::{self, Key, Kind, Parsed},
    records::{self, ProfileRecord},
    tally::{self, Slot, SparseTally},
};

/// Histograms that are added before commits are let in between.
const MAX_SUM: usize = 2_000;

pub(super) fn vehicle_state(index: &Index, vehicle: &str) -> Result<Option<Vec<u8>>, StoreError> {
    Ok(index.get(&Key::state(vehicle))?.map(|(_, state)| state))
}

pub(super) fn vehicle(index: &Index, vehicle: &str) -> Result<Option<VehicleRecord>, StoreError> {
    let key = Key::vehicle(vehicle);
    index
        .get(&key)?
        .map(|(schema, record)| records::decode(&key, schema, &record))
        .transpose()
}

pub(super) fn vehicles(
    index: &Index,
    cursor: Option<&[u8]>,
    limit: usize,
) -> Result<Page<VehicleRecord>, StoreError> {
    let prefix = keys::of_kind(Kind::Vehicle);
    let start = start_after(Listing::Vehicles, cursor, &prefix)?;
    page(index.rows(&prefix, start), Listing::Vehicles, limit, |row| {
        decode(&row).map(Some)
    })
}

pub(super) fn classes(index: &Index) -> Result<Vec<VehicleClass>, StoreError> {
    let prefix = keys::of_kind(Kind::Class);
    index
        .rows(&prefix, Bound::Included(prefix.clone()))
        .map(|row| decode(&row?))
        .collect()
}

pub(super) fn audit(
    index: &Index,
    cursor: Option<&[u8]>,
    limit: usize,
) -> Result<Page<AuditRecord>, StoreError> {
    let prefix = keys::of_kind(Kind::Audit);
    let start = start_after(Listing::Audit, cursor, &prefix)?;
    page(index.rows(&prefix, start), Listing::Audit, limit, |row| {
        decode(&row).map(Some)
    })
}

pub(super) fn shelved(index: &Index, shelf: Shelf, name: &str) -> Result<Option<Vec<u8>>, StoreError> {
    let key = Key::shelved(shelf, name);
    index
        .get(&key)?
        .map(|(schema, record)| records::current(&key, schema, record))
        .transpose()
}

pub(super) fn shelf(
    index: &Index,
    shelf: Shelf,
    name_start: &str,
    cursor: Option<&[u8]>,
    limit: usize,
) -> Result<Page<Shelved>, StoreError> {
    let prefix = keys::of_shelf(shelf, name_start);
    let listing = Listing::Shelf(shelf, name_start);
    let start = start_after(listing, cursor, &prefix)?;
    page(index.rows(&prefix, start), listing, limit, |row| {
        let Some(Parsed::Shelved { name, .. }) = row.key.parse() else {
            return Err(StoreError::Damaged {
                what: row.key.to_string(),
                reason: "it is no key of this store".to_owned(),
            });
        };
        let bytes = records::current(&row.key, row.schema, row.record)?;
        Ok(Some(Shelved { name, bytes }))
    })
}

pub(super) fn descents(
    index: &Index,
    filter: &DescentFilter,
    cursor: Option<&[u8]>,
    limit: usize,
) -> Result<Page<Descent>, StoreError> {
    let listing = Listing::Descents(filter);
    let prefix = filter
        .vehicle
        .as_deref()
        .map_or_else(|| keys::of_kind(Kind::Descent), keys::of_vehicle);
    let mut start = start_after(listing, cursor, &prefix)?;
    if cursor.is_none()
        && let Some(end_time_ms) = filter.end_time_ms
    {
        // The end is exclusive, and nothing starts before the earliest time that there is.
        let Some(latest) = end_time_ms.checked_sub(1) else {
            return Ok(Page {
                rows: Vec::new(),
                next: None,
            });
        };
        let mut from = prefix.clone();
        from.extend_from_slice(&keys::newest_first(latest));
        start = Bound::Included(from);
    }
    let in_reach = |row: &Result<Row, StoreError>| match (row, filter.start_time_ms) {
        (Ok(row), Some(earliest)) => start_of(&row.key).is_none_or(|t| t >= earliest),
        _ => true,
    };
    page(
        index.rows(&prefix, start).take_while(in_reach),
        listing,
        limit,
        |row| {
            let descent: Descent = if filter.vehicle.is_some() {
                listed(index, &row.key)?
            } else {
                decode(&row)?
            };
            Ok(filter.matches(&descent).then_some(descent))
        },
    )
}

fn start_of(key: &Key) -> Option<i64> {
    match key.parse()? {
        Parsed::Descent { start_time_ms, .. } | Parsed::DescentOfVehicle { start_time_ms, .. } => {
            Some(start_time_ms)
        }
        _ => None,
    }
}

/// Returns the descent that a listing entry stands for.
fn listed(index: &Index, entry: &Key) -> Result<Descent, StoreError> {
    let damaged = |reason: &str| StoreError::Damaged {
        what: entry.to_string(),
        reason: reason.to_owned(),
    };
    let Some(Parsed::DescentOfVehicle {
        vehicle,
        start_time_ms,
        descent,
    }) = entry.parse()
    else {
        return Err(damaged("it is no key of this store"));
    };
    let key = Key::descent(start_time_ms, &vehicle, &descent);
    let (schema, record) = index
        .get(&key)?
        .ok_or_else(|| damaged("its descent is missing"))?;
    records::decode(&key, schema, &record)
}

pub(super) fn descent(
    index: &Index,
    vehicle: &str,
    descent: &str,
) -> Result<Option<(Descent, Vec<ProfilePoint>)>, StoreError> {
    let profile_key = Key::profile(vehicle, descent);
    let Some((schema, record)) = index.get(&profile_key)? else {
        return Ok(None);
    };
    let ProfileRecord {
        start_time_ms,
        profile,
    } = records::decode(&profile_key, schema, &record)?;
    let key = Key::descent(start_time_ms, vehicle, descent);
    let (schema, record) = index.get(&key)?.ok_or_else(|| StoreError::Damaged {
        what: profile_key.to_string(),
        reason: "its descent is missing".to_owned(),
    })?;
    Ok(Some((records::decode(&key, schema, &record)?, profile)))
}

/// A walk along the histograms that a query means. It is made in steps, so that commits get in between.
#[derive(Debug)]
pub(super) struct Walk<'a> {
    query: &'a HistogramQuery,
    prefix: Vec<u8>,
    from: Bound<Vec<u8>>,
}

impl<'a> Walk<'a> {
    pub(super) fn new(query: &'a HistogramQuery) -> Self {
        let HistogramQuery {
            metric,
            vehicle_class,
            grade,
            software_version,
            first_day,
            ..
        } = query;
        let prefix = keys::of_histograms(
            tally::code_of_metric(*metric),
            vehicle_class.as_deref(),
            grade.as_deref(),
            software_version.as_deref(),
        );
        let mut from = prefix.clone();
        if let ([Some(_), Some(_), Some(_)], Some(day)) =
            ([vehicle_class, grade, software_version], first_day)
        {
            from.extend_from_slice(&keys::ascending_day(*day));
        }
        Self {
            query,
            prefix,
            from: Bound::Included(from),
        }
    }

    /// Hands over the next histograms. Returns whether that was all.
    pub(super) fn step(
        &mut self,
        index: &Index,
        mut take: impl FnMut(Slot, &SparseTally),
    ) -> Result<bool, StoreError> {
        let mut last = None;
        for row in index.rows(&self.prefix, self.from.clone()).take(MAX_SUM) {
            let row = row?;
            let slot = slot_of(&row.key)?;
            if slot.is_meant(self.query) {
                let tally = decode_sparse(&row.key, slot.metric, row.schema, &row.record)?;
                take(slot, &tally);
            }
            last = Some(row.key);
        }
        match last {
            Some(key) => {
                self.from = Bound::Excluded(key.after());
                Ok(false)
            }
            None => Ok(true),
        }
    }
}

/// Returns which histogram a key belongs to.
pub(super) fn slot_of(key: &Key) -> Result<Slot, StoreError> {
    let damaged = |reason: &str| StoreError::Damaged {
        what: key.to_string(),
        reason: reason.to_owned(),
    };
    let Some(Parsed::Histogram {
        metric,
        class,
        grade,
        software_version,
        day,
    }) = key.parse()
    else {
        return Err(damaged("it is no key of this store"));
    };
    let metric = tally::metric_of_code(metric).ok_or_else(|| damaged("its metric is unknown"))?;
    Ok(Slot {
        metric,
        vehicle_class: class,
        grade,
        software_version,
        day,
    })
}

fn decode<T: serde::de::DeserializeOwned>(row: &Row) -> Result<T, StoreError> {
    records::decode(&row.key, row.schema, &row.record)
}

fn start_after(
    listing: Listing<'_>,
    cursor: Option<&[u8]>,
    prefix: &[u8],
) -> Result<Bound<Vec<u8>>, StoreError> {
    match cursor {
        None => Ok(Bound::Included(prefix.to_vec())),
        Some(token) => Ok(Bound::Excluded(listing.resume(token)?.0.after())),
    }
}

/// Takes rows until the page is full or enough have been looked at.
fn page<T>(
    rows: impl Iterator<Item = Result<Row, StoreError>>,
    listing: Listing<'_>,
    limit: usize,
    read: impl Fn(Row) -> Result<Option<T>, StoreError>,
) -> Result<Page<T>, StoreError> {
    let mut taken = Vec::new();
    let mut last = None;
    for (row, seen) in rows.zip(0..) {
        let row = row?;
        if let Some(last) = last
            && (taken.len() >= limit.max(1) || seen >= MAX_SCAN)
        {
            return Ok(Page {
                rows: taken,
                next: Some(listing.token(&last)),
            });
        }
        last = Some(row.key.clone());
        taken.extend(read(row)?);
    }
    Ok(Page {
        rows: taken,
        next: None,
    })
}
