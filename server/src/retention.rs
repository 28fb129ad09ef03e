//! Lets descents and profiles go when they are old enough.
//!
//! What goes, goes through the writer thread like everything else, some at a time. The day from which on everything is
//! kept is noted first: whatever is interrupted, the store never claims to have what it has not.

use std::{sync::Arc, time::Duration};

use tokio::sync::{mpsc, oneshot};

use crate::{
    checkpoint::{self, Edit},
    config::RetentionConfig,
    shared::{Counters, Shared},
    status::Refusal,
    store::{CommitBatch, DescentFilter, Kept, Removal, Removed, Store, tally::day_of},
};

/// How often it is looked for what is too old. Days change once a day; a server that was off catches up soon.
const EVERY: Duration = Duration::from_secs(3_600);
/// Descents that go at once, and the time between: samples come first.
const AT_ONCE: usize = 100;
const BETWEEN: Duration = Duration::from_millis(20);
const DAY_MS: i64 = 86_400_000;

/// Returns what is to be kept on a day. What has gone does not come back when the configuration keeps longer.
fn plan(config: RetentionConfig, today: i32, kept: Kept) -> Kept {
    let from = |days: u32| match i32::try_from(days) {
        Ok(0) | Err(_) => i32::MIN,
        Ok(days) => today.saturating_sub(days),
    };
    let descents_from_day = kept.descents_from_day.max(from(config.descent_days));
    Kept {
        descents_from_day,
        profiles_from_day: kept
            .profiles_from_day
            .max(from(config.profile_days))
            .max(descents_from_day),
        profiles_gone_before_day: kept.profiles_gone_before_day,
    }
}

/// Looks for what is too old for as long as the server runs.
pub(crate) async fn run(shared: Arc<Shared>, writer: mpsc::WeakSender<checkpoint::Request>) {
    let config = shared.config.retention;
    if config.descent_days == 0 && config.profile_days == 0 {
        return;
    }
    let mut tick = tokio::time::interval(EVERY);
    loop {
        tick.tick().await;
        let today = day_of(jiff::Timestamp::now().as_millisecond());
        if let Err(refusal) = sweep(&shared, &writer, config, today).await {
            tracing::warn!(
                reason = refusal.reason(),
                "what is too old could not go: {refusal}"
            );
        }
    }
}

/// Lets go what is too old on a day.
async fn sweep(
    shared: &Arc<Shared>,
    writer: &mpsc::WeakSender<checkpoint::Request>,
    config: RetentionConfig,
    today: i32,
) -> Result<(), Refusal> {
    let known = read(shared, |store| Ok(store.kept()?)).await?;
    let kept = plan(config, today, known);
    if kept != known {
        write(writer, Vec::new(), Some(kept)).await?;
    }
    let mut descents = 0;
    if kept.descents_from_day > i32::MIN {
        let old = before(kept.descents_from_day);
        loop {
            // Those listed go: the next are listed from the beginning.
            let filter = old.clone();
            let rows = read(shared, move |store| {
                Ok(store.descents(&filter, None, AT_ONCE)?.rows)
            })
            .await?;
            if rows.is_empty() {
                break;
            }
            let going: Vec<_> = rows
                .into_iter()
                .map(|d| removal(d.vehicle, d.descent, Removed::Descent))
                .collect();
            descents += going.len();
            write(writer, going, None).await?;
            tokio::time::sleep(BETWEEN).await;
        }
    }
    let mut profiles = 0;
    if kept.profiles_from_day > kept.profiles_gone_before_day {
        let mut filter = before(kept.profiles_from_day);
        if kept.profiles_gone_before_day > i32::MIN {
            filter.start_time_ms = Some(i64::from(kept.profiles_gone_before_day) * DAY_MS);
        }
        let mut cursor: Option<Vec<u8>> = None;
        loop {
            let (filter, from) = (filter.clone(), cursor.take());
            let page = read(shared, move |store| {
                Ok(store.descents(&filter, from.as_deref(), AT_ONCE)?)
            })
            .await?;
            let going: Vec<_> = page
                .rows
                .into_iter()
                .map(|d| removal(d.vehicle, d.descent, Removed::Profile))
                .collect();
            profiles += going.len();
            if !going.is_empty() {
                write(writer, going, None).await?;
            }
            cursor = page.next;
            if cursor.is_none() {
                break;
            }
            tokio::time::sleep(BETWEEN).await;
        }
        let done = Kept {
            profiles_gone_before_day: kept.profiles_from_day,
            ..kept
        };
        write(writer, Vec::new(), Some(done)).await?;
    }
    let counters = &shared.counters;
    for (n, counter) in [
        (descents, &counters.removed_descents),
        (profiles, &counters.removed_profiles),
    ] {
        counter.fetch_add(n as u64, std::sync::atomic::Ordering::Relaxed);
    }
    Counters::add(&counters.retention_sweeps);
    if descents + profiles > 0 {
        tracing::info!(descents, profiles, "what was too old has gone");
    }
    Ok(())
}

/// Means descents that started before a day.
fn before(day: i32) -> DescentFilter {
    DescentFilter {
        end_time_ms: Some(i64::from(day) * DAY_MS),
        ..DescentFilter::default()
    }
}

fn removal(vehicle: String, descent: String, what: Removed) -> Removal {
    Removal {
        vehicle,
        descent,
        what,
    }
}

async fn read<T: Send + 'static>(
    shared: &Arc<Shared>,
    read: impl FnOnce(&dyn Store) -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Refusal> {
    let store = Arc::clone(&shared.store);
    tokio::task::spawn_blocking(move || read(&*store))
        .await
        .map_err(|_| Refusal::Internal("the store broke down"))?
}

async fn write(
    writer: &mpsc::WeakSender<checkpoint::Request>,
    removals: Vec<Removal>,
    kept: Option<Kept>,
) -> Result<(), Refusal> {
    let batch = CommitBatch {
        removals,
        kept,
        ..CommitBatch::default()
    };
    let (reply, answer) = oneshot::channel();
    writer
        .upgrade()
        .ok_or(Refusal::Draining)?
        .send(checkpoint::Request::Edit(Edit::new(move |_| Ok(batch), reply)))
        .await
        .map_err(|_| Refusal::Draining)?;
    answer.await.map_err(|_| Refusal::Draining)?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_counted_back_from_today_and_never_forward_again() {
        let config = |descent_days, profile_days| RetentionConfig {
            descent_days,
            profile_days,
        };
        let all = Kept::default();
        assert_eq!(plan(config(0, 0), 20_000, all), all);
        let kept = plan(config(100, 10), 20_000, all);
        assert_eq!((kept.descents_from_day, kept.profiles_from_day), (19_900, 19_990));
        assert_eq!(plan(config(365, 30), 20_001, kept), kept);
        // A profile never outlives its descent.
        let kept = plan(config(100, 500), 20_000, all);
        assert_eq!(kept.profiles_from_day, 19_900);
        assert_eq!(plan(config(u32::MAX, 0), 20_000, all), all);
    }
}
