//! One set of tests for every store: the contract of `Store`, word for word.

#![allow(clippy::unwrap_used, reason = "a test fails by it")]

#[path = "support/store.rs"]
mod support;

use coldbrake_engine::{Metric, MetricHistogram};
use coldbrake_server::store::{
    CommitBatch, DescentFilter, Group, Grouping, HistogramQuery, Kept, MemoryStore, Removal, Removed, Shelf,
    ShelfChange, SledOptions, SledStore, Store, StoreError, StoreStats,
};
use proptest::prelude::*;
use support::{
    DAY_MS, NOON_MS, audit, class, descent, dump, finished, pages, relabel, shelve, typical, vehicle,
};

fn with_both(test: impl Fn(&dyn Store)) {
    test(&MemoryStore::new());
    let dir = tempfile::tempdir().unwrap();
    test(&SledStore::open(dir.path(), &SledOptions::default()).unwrap());
}

fn descents_only(descents: Vec<coldbrake_engine::FinishedDescent>) -> CommitBatch {
    CommitBatch {
        descents,
        ..CommitBatch::default()
    }
}

fn query(metric: Metric) -> HistogramQuery {
    HistogramQuery {
        metric,
        vehicle_class: None,
        software_version: None,
        grade: None,
        first_day: None,
        last_day: None,
    }
}

fn all(store: &dyn Store, filter: &DescentFilter, limit: usize) -> Vec<String> {
    pages(|cursor| {
        let page = store.descents(filter, cursor, limit).unwrap();
        assert!(page.rows.len() <= limit.max(1));
        (page.rows.into_iter().map(|d| d.descent).collect(), page.next)
    })
}

#[test]
fn an_empty_store_has_nothing_and_says_so() {
    with_both(|store| {
        assert_eq!(store.vehicle_state("van-1").unwrap(), None);
        assert_eq!(store.vehicle("van-1").unwrap(), None);
        assert_eq!(store.descent("van-1", "d").unwrap(), None);
        assert!(store.vehicles(None, 10).unwrap().rows.is_empty());
        assert_eq!(
            store.descents(&DescentFilter::default(), None, 10).unwrap().next,
            None
        );
        assert!(store.classes().unwrap().is_empty());
        for metric in Metric::ALL {
            let sum = store.histogram(&query(metric)).unwrap();
            assert_eq!((sum.histogram.count(), sum.merged, sum.clamped), (0, 0, 0));
        }
        assert_eq!(store.stats().unwrap().descents, 0);
        store.commit(&CommitBatch::default()).unwrap();
    });
}

#[test]
fn a_commit_is_there_when_it_returns_and_the_last_one_counts() {
    with_both(|store| {
        for (k, size) in [(1, 10), (2, 9000), (3, 20), (4, 4087), (5, 4088), (6, 0)] {
            store
                .commit(&CommitBatch {
                    states: vec![("van-1".to_owned(), vec![k as u8; size])],
                    vehicles: vec![vehicle("van-1", k)],
                    classes: vec![class("van", 2000.0 + f64::from(k))],
                    audit: vec![audit(k)],
                    ..CommitBatch::default()
                })
                .unwrap();
            assert_eq!(store.vehicle_state("van-1").unwrap(), Some(vec![k as u8; size]));
            assert_eq!(store.vehicle("van-1").unwrap(), Some(vehicle("van-1", k)));
            assert_eq!(store.classes().unwrap(), [class("van", 2000.0 + f64::from(k))]);
            assert_eq!(store.audit(None, 1).unwrap().rows, [audit(k)]);
        }
        assert_eq!(store.stats().unwrap().vehicles, 1);
    });
}

#[test]
fn within_a_batch_the_last_record_counts_and_the_first_descent() {
    with_both(|store| {
        let mut again = finished("van-1", 7, NOON_MS);
        again.descent.drop_m = 1.0;
        store
            .commit(&CommitBatch {
                states: vec![
                    ("van-1".to_owned(), vec![1; 9000]),
                    ("van-1".to_owned(), vec![2; 5]),
                ],
                vehicles: vec![vehicle("van-1", 1), vehicle("van-1", 2)],
                descents: vec![finished("van-1", 7, NOON_MS), again],
                ..CommitBatch::default()
            })
            .unwrap();
        assert_eq!(store.vehicle_state("van-1").unwrap(), Some(vec![2; 5]));
        assert_eq!(store.vehicle("van-1").unwrap(), Some(vehicle("van-1", 2)));
        let stats = store.stats().unwrap();
        assert_eq!((stats.vehicles, stats.descents), (1, 1));
        let found = store.descents(&DescentFilter::default(), None, 9).unwrap().rows;
        assert_eq!(found, [descent("van-1", 7, NOON_MS)]);
    });
}

#[test]
fn a_descent_is_counted_once_however_often_it_is_committed() {
    with_both(|store| {
        for _ in 0..3 {
            store
                .commit(&descents_only(vec![
                    finished("van-1", 4, NOON_MS),
                    finished("van-2", 4, NOON_MS),
                ]))
                .unwrap();
        }
        assert_eq!(
            store.histogram(&query(Metric::Drop)).unwrap().histogram.count(),
            2
        );
        assert_eq!(store.stats().unwrap().descents, 2);
        assert_eq!(all(store, &DescentFilter::default(), 10).len(), 2);
    });
}

#[test]
fn descents_come_newest_first_and_every_filter_holds() {
    let mut rows = Vec::new();
    for k in 0..60 {
        let name = ["van-1", "van-10", "van-2", "a"][k as usize % 4];
        // Some start at the same moment, some before 1970.
        let start = [NOON_MS, -5 * DAY_MS, NOON_MS + DAY_MS][k as usize % 3] + i64::from(k / 6) * 1000;
        rows.push(finished(name, k, start));
    }
    let filters = [
        DescentFilter::default(),
        DescentFilter {
            vehicle: Some("van-1".to_owned()),
            ..DescentFilter::default()
        },
        DescentFilter {
            vehicle: Some("nobody".to_owned()),
            ..DescentFilter::default()
        },
        DescentFilter {
            vehicle_class: Some("truck".to_owned()),
            ..DescentFilter::default()
        },
        DescentFilter {
            software_version: Some("4.2.0".to_owned()),
            ..DescentFilter::default()
        },
        DescentFilter {
            grade: Some("-".to_owned()),
            ..DescentFilter::default()
        },
        DescentFilter {
            grade: Some("north-ramp".to_owned()),
            ..DescentFilter::default()
        },
        DescentFilter {
            min_drop_m: Some(130.5),
            ..DescentFilter::default()
        },
        DescentFilter {
            start_time_ms: Some(NOON_MS),
            end_time_ms: Some(NOON_MS),
            ..DescentFilter::default()
        },
        DescentFilter {
            start_time_ms: Some(NOON_MS),
            end_time_ms: Some(NOON_MS + 1),
            ..DescentFilter::default()
        },
        DescentFilter {
            start_time_ms: Some(NOON_MS + 2000),
            ..DescentFilter::default()
        },
        DescentFilter {
            end_time_ms: Some(NOON_MS),
            ..DescentFilter::default()
        },
        DescentFilter {
            end_time_ms: Some(i64::MIN),
            ..DescentFilter::default()
        },
        DescentFilter {
            start_time_ms: Some(i64::MIN),
            end_time_ms: Some(i64::MAX),
            ..DescentFilter::default()
        },
        DescentFilter {
            vehicle: Some("van-10".to_owned()),
            start_time_ms: Some(-6 * DAY_MS),
            end_time_ms: Some(NOON_MS + 4000),
            ..DescentFilter::default()
        },
    ];
    with_both(|store| {
        for part in rows.chunks(7) {
            store.commit(&descents_only(part.to_vec())).unwrap();
        }
        for filter in &filters {
            let mut expected: Vec<_> = rows
                .iter()
                .map(|f| &f.descent)
                .filter(|d| filter.matches(d))
                .collect();
            expected.sort_by_key(|d| (std::cmp::Reverse(d.start_time_ms), &d.vehicle, &d.descent));
            let expected: Vec<_> = expected.into_iter().map(|d| d.descent.clone()).collect();
            for limit in [0, 1, 7, 1000] {
                assert_eq!(all(store, filter, limit), expected, "{filter:?} {limit}");
            }
        }
    });
}

#[test]
fn a_listing_goes_on_where_it_was_while_rows_are_added() {
    with_both(|store| {
        let at = |k: u32| finished("van-1", k, NOON_MS + i64::from(k) * 1000);
        store
            .commit(&descents_only((0..10).map(|k| at(2 * k)).collect()))
            .unwrap();
        for filter in [
            DescentFilter::default(),
            DescentFilter {
                vehicle: Some("van-1".to_owned()),
                ..DescentFilter::default()
            },
        ] {
            let first = store.descents(&filter, None, 4).unwrap();
            // One newer than everything seen, one between what was seen, one still to come.
            store.commit(&descents_only(vec![at(31), at(17), at(5)])).unwrap();
            let rest = pages(|cursor| {
                let page = store
                    .descents(&filter, cursor.or(first.next.as_deref()), 3)
                    .unwrap();
                (page.rows, page.next)
            });
            let starts: Vec<_> = first
                .rows
                .iter()
                .chain(&rest)
                .map(|d| (d.start_time_ms - NOON_MS) / 1000)
                .collect();
            let mut expected: Vec<i64> = (0..10).map(|k| 2 * k).chain([5]).collect();
            if filter.vehicle.is_some() {
                // The second round begins with the rows of the first.
                expected.extend([31, 17]);
            }
            expected.sort_unstable_by_key(|k| std::cmp::Reverse(*k));
            assert_eq!(starts, expected);
        }
    });
}

#[test]
fn tokens_of_other_listings_and_made_up_ones_are_refused() {
    with_both(|store| {
        for k in 0..3 {
            store.commit(&typical(k)).unwrap();
        }
        let filter = DescentFilter {
            vehicle: Some("van-1".to_owned()),
            ..DescentFilter::default()
        };
        let vehicles = store.vehicles(None, 1).unwrap().next.unwrap();
        let descents = store
            .descents(&DescentFilter::default(), None, 1)
            .unwrap()
            .next
            .unwrap();
        let refused = |found: Result<(), StoreError>| assert!(matches!(found, Err(StoreError::BadCursor)));
        refused(store.descents(&filter, Some(&descents), 1).map(|_| ()));
        refused(store.descents(&filter, Some(&vehicles), 1).map(|_| ()));
        refused(store.vehicles(Some(&descents), 1).map(|_| ()));
        refused(store.audit(Some(&descents), 1).map(|_| ()));
        refused(store.vehicles(Some(b""), 1).map(|_| ()));
        refused(store.vehicles(Some(&[0xff; 40]), 1).map(|_| ()));
    });
}

#[test]
fn vehicles_are_listed_by_identifier() {
    with_both(|store| {
        let names = ["van-10", "van-1", "b", "a.b", "a-b", "a", "a_b", "van-2"];
        let batch = CommitBatch {
            vehicles: names.iter().map(|n| vehicle(n, 1)).collect(),
            ..CommitBatch::default()
        };
        store.commit(&batch).unwrap();
        let mut expected = names;
        expected.sort_unstable();
        for limit in [0, 1, 3, 8, 100] {
            let found = pages(|cursor| {
                let page = store.vehicles(cursor, limit).unwrap();
                (page.rows.into_iter().map(|v| v.vehicle).collect(), page.next)
            });
            assert_eq!(found, expected);
        }
    });
}

/// The sums are worked out here from the descents alone.
#[test]
fn histograms_are_those_of_the_descents_meant() {
    let rows: Vec<_> = (0..120)
        .map(|k| finished("van-1", k, NOON_MS + i64::from(k % 5) * DAY_MS))
        .collect();
    let some = |text: &str| Some(text.to_owned());
    let drop = query(Metric::Drop);
    let queries = [
        query(Metric::RecoveryRatio),
        query(Metric::Friction),
        HistogramQuery {
            vehicle_class: some("van"),
            ..drop.clone()
        },
        HistogramQuery {
            vehicle_class: some("va"),
            ..drop.clone()
        },
        HistogramQuery {
            software_version: some("4.1.0"),
            ..drop.clone()
        },
        HistogramQuery {
            grade: some("-"),
            ..query(Metric::FrictionShare)
        },
        HistogramQuery {
            vehicle_class: some("truck"),
            grade: some("north-ramp"),
            ..drop.clone()
        },
        HistogramQuery {
            first_day: Some(20_001),
            last_day: Some(20_002),
            ..drop.clone()
        },
        HistogramQuery {
            first_day: Some(20_003),
            last_day: Some(20_001),
            ..drop.clone()
        },
        HistogramQuery {
            vehicle_class: some("truck"),
            grade: some("north-ramp"),
            software_version: some("4.1.0"),
            first_day: Some(20_002),
            last_day: Some(20_004),
            ..drop.clone()
        },
    ];
    with_both(|store| {
        for part in rows.chunks(11) {
            store.commit(&descents_only(part.to_vec())).unwrap();
        }
        for query in &queries {
            let same = |want: &Option<String>, have: &str| want.as_ref().is_none_or(|w| w == have);
            let mut expected = MetricHistogram::new(query.metric);
            for d in rows.iter().map(|f| &f.descent) {
                let day = (d.start_time_ms / DAY_MS) as i32;
                if same(&query.vehicle_class, &d.vehicle_class)
                    && same(&query.software_version, &d.software_version)
                    && same(&query.grade, d.grade.as_deref().unwrap_or("-"))
                    && query.first_day.is_none_or(|first| day >= first)
                    && query.last_day.is_none_or(|last| day <= last)
                    && let Some(value) = query.metric.of(d)
                {
                    expected.record(value);
                }
            }
            let found = store.histogram(query).unwrap();
            assert_eq!(found.histogram.to_v2(), expected.to_v2(), "{query:?}");
        }
        let whole = store.histogram(&drop).unwrap();
        assert_eq!(whole.histogram.count(), 120);
        assert!(whole.merged > 1);
    });
}

/// A group is what a query for it alone finds, and all groups together are the whole.
#[test]
fn groups_are_the_sums_that_their_own_queries_find() {
    let rows: Vec<_> = (0..120)
        .map(|k| finished("van-1", k, NOON_MS + i64::from(k % 9) * DAY_MS))
        .collect();
    with_both(|store| {
        for part in rows.chunks(11) {
            store.commit(&descents_only(part.to_vec())).unwrap();
        }
        for metric in [Metric::Drop, Metric::RecoveryRatio, Metric::Available] {
            let whole = store.histogram(&query(metric)).unwrap();
            for grouping in [
                Grouping::Day,
                Grouping::Week,
                Grouping::SoftwareVersion,
                Grouping::VehicleClass,
                Grouping::Grade,
            ] {
                let groups = store.histogram_groups(&query(metric), grouping, 1_000).unwrap();
                assert!(groups.len() > 1, "{grouping:?}");
                let (mut count, mut merged) = (0, 0);
                for (group, sum) in groups.into_merged() {
                    let mut alone = query(metric);
                    match (&group, grouping) {
                        (Group::From(day), Grouping::Week) => {
                            (alone.first_day, alone.last_day) = (Some(*day), Some(day + 6));
                        }
                        (Group::From(day), _) => (alone.first_day, alone.last_day) = (Some(*day), Some(*day)),
                        (Group::Named(name), Grouping::VehicleClass) => {
                            alone.vehicle_class = Some(name.clone());
                        }
                        (Group::Named(name), Grouping::Grade) => alone.grade = Some(name.clone()),
                        (Group::Named(name), _) => alone.software_version = Some(name.clone()),
                    }
                    assert_eq!(sum, store.histogram(&alone).unwrap(), "{group:?}");
                    count += sum.histogram.count();
                    merged += sum.merged;
                }
                assert_eq!((count, merged), (whole.histogram.count(), whole.merged));
            }
        }
        // Where there are too many, it may stop.
        let few = store
            .histogram_groups(&query(Metric::Drop), Grouping::Day, 2)
            .unwrap();
        assert!(few.len() > 2);
    });
}

#[test]
fn values_beyond_the_range_stay_counted_over_many_commits() {
    with_both(|store| {
        for k in 0..4 {
            let mut row = finished("van-1", 2 * k, NOON_MS + i64::from(k));
            row.descent.recovery_ratio = Some(support::estimate(if k % 2 == 0 { 5.0 } else { 0.5 }));
            store.commit(&descents_only(vec![row])).unwrap();
        }
        let found = store.histogram(&query(Metric::RecoveryRatio)).unwrap();
        assert_eq!((found.histogram.count(), found.clamped), (4, 2));
    });
}

#[test]
fn a_histogram_larger_than_a_stored_value_is_kept_whole() {
    let rows: Vec<_> = (0..4000)
        .map(|k: u32| {
            let mut row = finished("van-1", 6 * k, NOON_MS + i64::from(k));
            row.descent.available_j = support::estimate(1.7 * f64::from(k + 1).powf(2.4));
            row.descent.software_version = "1".to_owned();
            row.descent.grade = None;
            row.profile.clear();
            row
        })
        .collect();
    let mut expected = MetricHistogram::new(Metric::Available);
    for row in &rows {
        expected.record(row.descent.available_j.value);
    }
    assert!(expected.to_v2().len() > 4096, "{} bytes", expected.to_v2().len());
    with_both(|store| {
        for part in rows.chunks(500) {
            store.commit(&descents_only(part.to_vec())).unwrap();
        }
        let found = store.histogram(&query(Metric::Available)).unwrap();
        assert_eq!(found.histogram.to_v2(), expected.to_v2());
        assert_eq!(found.merged, 1);
    });
}

#[test]
fn a_search_that_finds_nothing_looks_at_a_bounded_number_of_rows_at_a_time() {
    const ROWS: u32 = 20_400;
    let at = |k: u32| {
        let mut row = finished("van-1", 6 * (k % 50), NOON_MS + i64::from(k));
        row.descent.descent = format!("d{k}");
        row.profile.clear();
        row
    };
    let batches: Vec<_> = (0..ROWS / 5100)
        .map(|n| descents_only((n * 5100..(n + 1) * 5100).map(at).collect()))
        .collect();
    with_both(|store| {
        for batch in &batches {
            store.commit(batch).unwrap();
        }
        let filter = DescentFilter {
            grade: Some("nowhere".to_owned()),
            ..DescentFilter::default()
        };
        let first = store.descents(&filter, None, 10).unwrap();
        assert!(first.rows.is_empty() && first.next.is_some());
        let second = store.descents(&filter, first.next.as_deref(), 10).unwrap();
        assert!(second.rows.is_empty() && second.next.is_none());
        let filter = DescentFilter {
            end_time_ms: Some(NOON_MS + 1),
            ..DescentFilter::default()
        };
        assert_eq!(
            store.descents(&filter, None, 10).unwrap().rows.len(),
            1,
            "a time range is sought, not searched"
        );
    });
}

#[test]
fn what_cannot_be_stored_is_refused_as_a_whole() {
    with_both(|store| {
        store.commit(&typical(0)).unwrap();
        let before = dump(store);
        let good = typical(2);
        let states = |name: &str, size: usize| CommitBatch {
            states: vec![(name.to_owned(), vec![0; size])],
            ..good.clone()
        };
        let mut odd = finished("van-1", 8, NOON_MS);
        odd.descent.software_version = "4\0".to_owned();
        let refused = [
            states("", 1),
            states("a\0b", 1),
            states("van-1", 300_000),
            descents_only(vec![odd]),
        ];
        for batch in refused {
            let error = store.commit(&batch).unwrap_err();
            assert!(
                matches!(error, StoreError::BadKey { .. } | StoreError::TooLarge { .. }),
                "{error}"
            );
        }
        assert_eq!(dump(store), before);
        store.commit(&good).unwrap();
    });
}

#[test]
fn readers_see_commits_whole_and_in_order() {
    with_both(|store| {
        let done = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|scope| {
            let reader = scope.spawn(|| {
                let mut last = 0;
                let mut reads = 0;
                while !done.load(std::sync::atomic::Ordering::Acquire) || reads < 5 {
                    // Every commit adds one descent and one to each record: a descent that is seen has its record.
                    let count = store
                        .descents(&DescentFilter::default(), None, 1000)
                        .unwrap()
                        .rows
                        .len() as u64;
                    let record = store.vehicle("van-1").unwrap().map_or(0, |v| v.descent_count);
                    assert!(record >= count && count >= last, "{last} {count} {record}");
                    last = count;
                    reads += 1;
                }
            });
            for k in 1..=40 {
                store
                    .commit(&CommitBatch {
                        states: vec![("van-1".to_owned(), vec![k as u8; 9000])],
                        vehicles: vec![vehicle("van-1", k)],
                        descents: vec![finished("van-1", k, NOON_MS + i64::from(k))],
                        ..CommitBatch::default()
                    })
                    .unwrap();
            }
            done.store(true, std::sync::atomic::Ordering::Release);
            reader.join().unwrap();
        });
        assert_eq!(store.stats().unwrap().descents, 40);
    });
}

#[test]
fn named_records_are_put_replaced_listed_and_taken_away() {
    with_both(|store| {
        let commit = |changes: Vec<ShelfChange>| {
            let batch = CommitBatch {
                shelved: changes,
                ..CommitBatch::default()
            };
            store.commit(&batch).unwrap();
        };
        let names = |start: &str, limit: usize| {
            pages(|cursor| {
                let page = store.shelf(Shelf::Grade, start, cursor, limit).unwrap();
                (page.rows.into_iter().map(|r| r.name).collect(), page.next)
            })
        };
        let put = |name: &str, k: u32| shelve(Shelf::Grade, name, Some(k));
        commit(vec![
            put("b-10", 3),
            put("b-1", 1),
            put("a", 2),
            shelve(Shelf::Alarm, "a", Some(1)),
        ]);
        assert_eq!(names("", 1), ["a", "b-1", "b-10"]);
        assert_eq!(names("b-", 9), ["b-1", "b-10"]);
        assert_eq!(store.shelved(Shelf::Grade, "b-10").unwrap(), Some(vec![3; 9000]));
        assert_eq!(store.shelved(Shelf::Outbox, "a").unwrap(), None);
        // Shorter than before, away and back again, and away for good.
        commit(vec![put("b-10", 1), shelve(Shelf::Grade, "a", None), put("a", 1)]);
        assert_eq!(store.shelved(Shelf::Grade, "b-10").unwrap(), Some(vec![1; 3000]));
        assert_eq!(store.shelved(Shelf::Grade, "a").unwrap(), Some(vec![1; 3000]));
        commit(vec![
            put("a", 3),
            shelve(Shelf::Grade, "a", None),
            shelve(Shelf::Grade, "none", None),
        ]);
        assert_eq!(names("", 9), ["b-1", "b-10"]);
        assert_eq!(store.shelved(Shelf::Alarm, "a").unwrap(), Some(vec![1; 3000]));
        let token = store.shelf(Shelf::Grade, "", None, 1).unwrap().next.unwrap();
        for (shelf, start) in [(Shelf::Alarm, ""), (Shelf::Grade, "b")] {
            let refused = store.shelf(shelf, start, Some(&token), 1);
            assert!(matches!(refused, Err(StoreError::BadCursor)), "{shelf:?} {start}");
        }
        let bad = CommitBatch {
            shelved: vec![put("", 1)],
            ..CommitBatch::default()
        };
        assert!(matches!(store.commit(&bad), Err(StoreError::BadKey { .. })));
    });
}

#[test]
fn what_is_too_old_goes_and_what_was_counted_of_it_stays_counted() {
    let day = |n: i64| NOON_MS + n * DAY_MS;
    let removal = |k: u32, what| Removal {
        vehicle: "van-1".to_owned(),
        descent: descent("van-1", k, day(k.into())).descent,
        what,
    };
    let test = |store: &dyn Store| {
        let old = (1..=4).map(|k| finished("van-1", k, day(k.into()))).collect();
        store.commit(&descents_only(old)).unwrap();
        let counted = store.histogram(&query(Metric::Drop)).unwrap();
        let kept = Kept {
            descents_from_day: 20_002,
            profiles_from_day: 20_004,
            profiles_gone_before_day: 20_003,
        };
        store
            .commit(&CommitBatch {
                removals: vec![
                    removal(1, Removed::Descent),
                    removal(1, Removed::Descent),
                    removal(2, Removed::Profile),
                    removal(9, Removed::Descent),
                ],
                kept: Some(kept),
                ..CommitBatch::default()
            })
            .unwrap();
        assert_eq!(store.kept().unwrap(), kept);
        assert_eq!(store.stats().unwrap().descents, 3);
        assert_eq!(
            store
                .descent("van-1", &removal(1, Removed::Descent).descent)
                .unwrap(),
            None
        );
        let by_vehicle = DescentFilter {
            vehicle: Some("van-1".to_owned()),
            ..DescentFilter::default()
        };
        for filter in [by_vehicle, DescentFilter::default()] {
            assert_eq!(all(store, &filter, 9).len(), 3);
        }
        let (whole, profile) = store
            .descent("van-1", &removal(2, Removed::Profile).descent)
            .unwrap()
            .unwrap();
        assert_eq!((whole, profile), (descent("van-1", 2, day(2)), vec![]));
        assert_eq!(store.histogram(&query(Metric::Drop)).unwrap(), counted);
        // One that comes late is stored without its profile, one that is young with it.
        store
            .commit(&descents_only(vec![
                finished("van-2", 5, day(3)),
                finished("van-2", 6, day(4)),
            ]))
            .unwrap();
        let profile_of = |k: u32| {
            let found = store
                .descent("van-2", &descent("van-2", k, day(i64::from(k) - 2)).descent)
                .unwrap();
            found.unwrap().1
        };
        assert!(profile_of(5).is_empty());
        assert_eq!(profile_of(6), finished("van-2", 6, day(4)).profile);
        assert_eq!(
            store.histogram(&query(Metric::Drop)).unwrap().histogram.count(),
            counted.histogram.count() + 2
        );
    };
    test(&MemoryStore::new());
    let dir = tempfile::tempdir().unwrap();
    let store = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
    test(&store);
    let report = store.verify().unwrap();
    assert!(report.is_sound(), "{:?}", report.findings);
}

#[test]
fn what_goes_without_being_noted_is_found() {
    let dir = tempfile::tempdir().unwrap();
    let store = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
    store
        .commit(&descents_only(vec![finished("van-1", 1, NOON_MS)]))
        .unwrap();
    let removals = vec![Removal {
        vehicle: "van-1".to_owned(),
        descent: descent("van-1", 1, NOON_MS).descent,
        what: Removed::Descent,
    }];
    store
        .commit(&CommitBatch {
            removals,
            ..CommitBatch::default()
        })
        .unwrap();
    assert!(!store.verify().unwrap().is_sound());
}

#[test]
fn a_new_label_moves_the_descent_and_its_counts_in_one_commit() {
    with_both(|store| {
        // Number 1 is labelled "north-ramp" from the beginning, number 2 is not labelled.
        store
            .commit(&descents_only(vec![
                finished("van-1", 1, NOON_MS),
                finished("van-1", 2, NOON_MS + 1),
            ]))
            .unwrap();
        let before = store.stats().unwrap();
        let count = |grade: &str| {
            let found = store
                .histogram(&HistogramQuery {
                    grade: Some(grade.to_owned()),
                    ..query(Metric::Drop)
                })
                .unwrap();
            (found.histogram.count(), found.merged)
        };
        assert_eq!(
            (count("north-ramp"), count("-"), count("x")),
            ((1, 1), (1, 1), (0, 0))
        );
        store
            .commit(&CommitBatch {
                relabels: vec![
                    relabel("van-1", 2, NOON_MS + 1, Some("y")),
                    relabel("van-1", 1, NOON_MS, Some("x")),
                    // The last one counts; what is not there is passed over.
                    relabel("van-1", 2, NOON_MS + 1, Some("x")),
                    relabel("van-9", 2, NOON_MS + 1, Some("x")),
                ],
                ..CommitBatch::default()
            })
            .unwrap();
        assert_eq!(
            (count("north-ramp"), count("-"), count("y")),
            ((0, 0), (0, 0), (0, 0))
        );
        assert_eq!(count("x"), (2, 2), "two classes, a histogram each");
        assert_eq!(
            store.stats().unwrap(),
            StoreStats {
                size_bytes: store.stats().unwrap().size_bytes,
                ..before
            }
        );
        let (d, profile) = store.descent("van-1", &format!("{NOON_MS}-1")).unwrap().unwrap();
        assert_eq!(d.grade.as_deref(), Some("x"));
        assert_eq!(d.grade_match.unwrap().score, Some(0.9));
        assert_eq!(profile.len(), 1);
        let filter = DescentFilter {
            grade: Some("x".to_owned()),
            ..DescentFilter::default()
        };
        assert_eq!(all(store, &filter, 9).len(), 2);
        let bad = CommitBatch {
            relabels: vec![relabel("van-1", 1, NOON_MS, Some("a\0b"))],
            ..CommitBatch::default()
        };
        assert!(matches!(store.commit(&bad), Err(StoreError::BadKey { .. })));
    });
}

#[test]
fn values_beyond_the_range_move_with_their_descent() {
    with_both(|store| {
        let mut high = finished("van-1", 2, NOON_MS);
        high.descent.recovery_ratio = Some(support::estimate(9.0));
        store
            .commit(&descents_only(vec![high, finished("van-1", 4, NOON_MS + 1)]))
            .unwrap();
        store
            .commit(&CommitBatch {
                relabels: vec![relabel("van-1", 2, NOON_MS, Some("x"))],
                ..CommitBatch::default()
            })
            .unwrap();
        for (grade, clamped) in [("-", 0), ("x", 1)] {
            let found = store
                .histogram(&HistogramQuery {
                    grade: Some(grade.to_owned()),
                    ..query(Metric::RecoveryRatio)
                })
                .unwrap();
            assert_eq!((found.histogram.count(), found.clamped), (1, clamped), "{grade}");
        }
    });
}

#[test]
fn a_batch_of_thousands_of_keys_is_one_commit() {
    with_both(|store| {
        let batch = CommitBatch {
            states: (0..1500).map(|k| (format!("van-{k}"), vec![1; 50])).collect(),
            vehicles: (0..1500).map(|k| vehicle(&format!("van-{k}"), k)).collect(),
            ..CommitBatch::default()
        };
        store.commit(&batch).unwrap();
        assert_eq!(store.stats().unwrap().vehicles, 1500);
        assert_eq!(store.vehicle_state("van-1499").unwrap(), Some(vec![1; 50]));
    });
}

/// Labels that come and go, as (vehicle, number, day, label).
fn changes() -> impl Strategy<Value = Vec<Vec<(usize, u32, i64, usize)>>> {
    let change = (0..8_usize, 0..12_u32, 0..4_i64, 0..4_usize);
    prop::collection::vec(prop::collection::vec(change, 0..12), 0..6)
}

fn batches() -> impl Strategy<Value = Vec<CommitBatch>> {
    let state = (0..8_usize, prop::collection::vec(any::<u8>(), 0..9000))
        .prop_map(|(name, bytes)| (support::NAMES[name].to_owned(), bytes));
    let record = (0..8_usize, any::<u8>()).prop_map(|(name, k)| vehicle(support::NAMES[name], k.into()));
    let done = (0..8_usize, 0..12_u32, 0..4_i64)
        .prop_map(|(name, k, day)| finished(support::NAMES[name], k, NOON_MS + (day - 2) * 15_000 * DAY_MS));
    let batch = (
        prop::collection::vec(state, 0..4),
        prop::collection::vec(record, 0..4),
        prop::collection::vec(done, 0..6),
        prop::collection::vec(
            (0..3_u8).prop_map(|k| class(&format!("class-{k}"), 2000.0 + f64::from(k))),
            0..2,
        ),
        prop::collection::vec((0..9_u32).prop_map(audit), 0..3),
        prop::collection::vec(
            (0..2_usize, 0..3_u8, prop::option::of(0..4_u32))
                .prop_map(|(shelf, n, k)| shelve(Shelf::ALL[shelf], &format!("n-{n}"), k)),
            0..4,
        ),
        prop::collection::vec(
            (0..8_usize, 0..12_u32, 0..4_i64, 0..2_usize).prop_map(|(name, k, day, label)| {
                let start = NOON_MS + (day - 2) * 15_000 * DAY_MS;
                relabel(support::NAMES[name], k, start, [None, Some("x")][label])
            }),
            0..4,
        ),
    )
        .prop_map(
            |(states, vehicles, descents, classes, audit, shelved, relabels)| CommitBatch {
                states,
                vehicles,
                // They must not be among the descents.
                relabels: relabels
                    .into_iter()
                    .filter(|r: &coldbrake_server::store::Relabel| {
                        !descents
                            .iter()
                            .any(|f| (&f.descent.vehicle, &f.descent.descent) == (&r.vehicle, &r.descent))
                    })
                    .collect(),
                descents,
                classes,
                audit,
                shelved,
                ..CommitBatch::default()
            },
        );
    prop::collection::vec(batch, 1..8)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 8, max_shrink_iters: 60, ..ProptestConfig::default() })]

    /// In whatever order labels change, what is left is what labelling once would have given.
    #[test]
    fn labels_that_changed_are_as_good_as_new_ones(changes in changes()) {
        let labels = [None, Some("north-ramp"), Some("south-ramp"), Some("x")];
        let start = |day: i64| NOON_MS + (day - 2) * DAY_MS;
        let every = || (0..8_usize).flat_map(|n| (0..12_u32).map(move |k| (n, k, i64::from(k) % 4)));
        let stored = || every().map(|(n, k, day)| finished(support::NAMES[n], k, start(day))).collect();
        let mut last = std::collections::BTreeMap::new();
        for (n, k, day, label) in changes.iter().flatten() {
            last.insert((*n, *k, *day), labels[*label]);
        }
        let mut anew: Vec<coldbrake_engine::FinishedDescent> = stored();
        for (finished, key) in anew.iter_mut().zip(every()) {
            if let Some(label) = last.get(&key) {
                let (n, k, day) = key;
                finished.descent = relabel(support::NAMES[n], k, start(day), *label).of(&finished.descent);
            }
        }
        let fresh = MemoryStore::new();
        fresh.commit(&descents_only(anew)).unwrap();
        let dir = tempfile::tempdir().unwrap();
        let memory = MemoryStore::new();
        let sled = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
        for store in [&memory as &dyn Store, &sled] {
            store.commit(&descents_only(stored())).unwrap();
            for batch in &changes {
                let relabels = batch
                    .iter()
                    .map(|(n, k, day, label)| relabel(support::NAMES[*n], *k, start(*day), labels[*label]))
                    .collect();
                store.commit(&CommitBatch { relabels, ..CommitBatch::default() }).unwrap();
            }
            prop_assert_eq!(dump(store), dump(&fresh));
        }
        let report = sled.verify().unwrap();
        prop_assert!(report.is_sound(), "{:?}", report.findings);
    }

    /// Whatever is committed, both stores tell the same, also after the durable one was opened again.
    #[test]
    fn both_stores_tell_the_same(batches in batches()) {
        let dir = tempfile::tempdir().unwrap();
        let memory = MemoryStore::new();
        let sled = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
        for batch in &batches {
            memory.commit(batch).unwrap();
            sled.commit(batch).unwrap();
        }
        prop_assert_eq!(dump(&sled), dump(&memory));
        let report = sled.verify().unwrap();
        prop_assert!(report.is_sound(), "{:?}", report.findings);
        sled.close().unwrap();
        let sled = SledStore::open(dir.path(), &SledOptions::default()).unwrap();
        prop_assert_eq!(sled.open_report(), &coldbrake_server::store::sled::OpenReport::default());
        prop_assert_eq!(dump(&sled), dump(&memory));
    }
}
