//! Descents: listing, one with its profile, as they are recorded, and as distributions.

use std::{
    pin::Pin,
    sync::{Arc, atomic::Ordering::Relaxed},
};

use coldbrake_engine::{Metric, ids::is_identifier};
use coldbrake_proto::{
    convert,
    v1::{
        self, GetDescentRequest, GetDescentResponse, GetDistributionRequest, GetDistributionResponse,
        ListDescentsRequest, ListDescentsResponse, Quantile, WatchDescentsRequest, WatchDescentsResponse,
        descent_service_server::DescentService,
    },
};
use tokio::sync::{Semaphore, broadcast::error::RecvError, mpsc};
use tokio_stream::{Stream, wrappers::ReceiverStream};
use tonic::{Request, Response, Status};

use super::{
    Reader,
    page::{self, LOOKS_PER_PAGE, Listing},
};
use crate::{
    shared::Shared,
    status::Refusal,
    store::{DescentFilter, HistogramQuery},
};

/// Quantiles of a distribution, as fractions.
const QUANTILES: [f64; 10] = [0.01, 0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95, 0.99, 1.0];

/// Descents that wait for a watcher beside the backlog that all share.
const WATCH_QUEUE: usize = 16;

/// Answers about descents.
#[derive(Clone)]
pub(crate) struct Descents {
    shared: Arc<Shared>,
    reader: Reader,
    watchers: Arc<Semaphore>,
}

impl Descents {
    pub(crate) fn new(shared: Arc<Shared>, reader: Reader) -> Self {
        let watchers = Arc::new(Semaphore::new(shared.config.limits.watchers));
        Self {
            shared,
            reader,
            watchers,
        }
    }
}

#[tonic::async_trait]
impl DescentService for Descents {
    type WatchDescentsStream = Pin<Box<dyn Stream<Item = Result<WatchDescentsResponse, Status>> + Send>>;

    async fn list_descents(
        &self,
        request: Request<ListDescentsRequest>,
    ) -> Result<Response<ListDescentsResponse>, Status> {
        let request = request.into_inner();
        let size = page::size(request.page_size)?;
        let filter = filter(request.filter)?;
        let listing = Listing::new("descents", &filter);
        let mut cursor = listing.cursor(&request.page_token)?;
        let (descents, next) = self
            .reader
            .read(move |store, caller| {
                let mut rows = Vec::new();
                for _ in 0..LOOKS_PER_PAGE {
                    let found = store.descents(&filter, cursor.as_deref(), size - rows.len())?;
                    rows.extend(found.rows.iter().map(convert::descent_to_wire));
                    cursor = found.next;
                    if cursor.is_none() || rows.len() >= size || caller.is_gone() {
                        break;
                    }
                }
                Ok((rows, cursor))
            })
            .await?;
        let next_page_token = listing.token(next.as_deref());
        Ok(Response::new(ListDescentsResponse {
            descents,
            next_page_token,
        }))
    }

    async fn get_descent(
        &self,
        request: Request<GetDescentRequest>,
    ) -> Result<Response<GetDescentResponse>, Status> {
        let GetDescentRequest { vehicle, descent } = request.into_inner();
        if !is_identifier(&vehicle) {
            return Err(Refusal::field("vehicle", coldbrake_engine::ids::IDENTIFIER_RULE).into());
        }
        if descent.is_empty() {
            return Err(Refusal::field("descent", "is empty: give the identifier of a descent").into());
        }
        let name = format!("{descent} of vehicle {vehicle}");
        let found = self
            .reader
            .read(move |store, _| Ok(store.descent(&vehicle, &descent)?))
            .await?;
        let (descent, profile) = found.ok_or(Refusal::NotFound {
            kind: "descent",
            name,
        })?;
        Ok(Response::new(GetDescentResponse {
            descent: Some(convert::descent_to_wire(&descent)),
            profile: convert::profile_to_wire(&profile),
        }))
    }

    async fn watch_descents(
        &self,
        request: Request<WatchDescentsRequest>,
    ) -> Result<Response<Self::WatchDescentsStream>, Status> {
        let mut filter = filter(request.into_inner().filter)?;
        (filter.start_time_ms, filter.end_time_ms) = (None, None);
        if self.shared.draining.is_cancelled() {
            return Err(Refusal::Draining.into());
        }
        let limit = self.shared.config.limits.watchers;
        let place = Arc::clone(&self.watchers)
            .try_acquire_owned()
            .map_err(|_| Refusal::TooManyWatchers(limit))
            .inspect_err(|refusal| self.shared.meters.refused_call(refusal.reason()))?;
        let mut recorded = self.shared.recorded.subscribe();
        let draining = self.shared.draining.clone();
        let shared = Arc::clone(&self.shared);
        let (sender, outbox) = mpsc::channel(WATCH_QUEUE);
        tokio::spawn(async move {
            let _place = place;
            let mut skipped_count = 0;
            loop {
                let next = tokio::select! {
                    biased;
                    () = sender.closed() => return,
                    next = recorded.recv() => next,
                    () = draining.cancelled() => Err(RecvError::Closed),
                };
                match next {
                    Ok(descent) if filter.matches(&descent) => {
                        let descent = Some(convert::descent_to_wire(&descent));
                        let message = WatchDescentsResponse {
                            descent,
                            skipped_count,
                        };
                        skipped_count = 0;
                        if sender.send(Ok(message)).await.is_err() {
                            return;
                        }
                    }
                    Ok(_) => {}
                    // Which ones is not known any more, so neither whether the filter meant them: all are counted.
                    Err(RecvError::Lagged(n)) => {
                        shared.counters.skipped_descents.fetch_add(n, Relaxed);
                        skipped_count += i64::try_from(n).unwrap_or(i64::MAX);
                    }
                    Err(RecvError::Closed) => {
                        let _ = sender.send(Err(Refusal::Draining.into())).await;
                        return;
                    }
                }
            }
        });
        Ok(Response::new(Box::pin(ReceiverStream::new(outbox))))
    }

    async fn get_distribution(
        &self,
        request: Request<GetDistributionRequest>,
    ) -> Result<Response<GetDistributionResponse>, Status> {
        let request = request.into_inner();
        let metric = metric("metric", &request.metric)?;
        days(request.first_day, request.last_day)?;
        let query = HistogramQuery {
            metric,
            vehicle_class: request.vehicle_class,
            software_version: request.software_version,
            grade: request.grade,
            first_day: request.first_day,
            last_day: request.last_day,
        };
        let merged = self
            .reader
            .read(move |store, _| Ok(store.histogram(&query)?))
            .await?;
        let (scale, histogram) = (metric.scale(), merged.histogram);
        let quantiles = QUANTILES
            .iter()
            .filter_map(|&fraction| {
                histogram
                    .quantile(fraction)
                    .map(|value| Quantile { fraction, value })
            })
            .collect();
        Ok(Response::new(GetDistributionResponse {
            metric: scale.name.to_owned(),
            unit: scale.unit.to_owned(),
            stored_unit: scale.stored_unit.to_owned(),
            count: i64::try_from(histogram.count()).unwrap_or(i64::MAX),
            clamped_count: i64::try_from(histogram.clamped()).unwrap_or(i64::MAX),
            mean: histogram.mean(),
            quantiles,
            histogram_v2: histogram.to_v2(),
            merged_count: i32::try_from(merged.merged).unwrap_or(i32::MAX),
        }))
    }
}

/// Reads the name of a metric.
pub(super) fn metric(field: &str, name: &str) -> Result<Metric, Refusal> {
    Metric::from_name(name).ok_or_else(|| {
        let known: Vec<_> = Metric::ALL.iter().map(|m| m.name()).collect();
        Refusal::field(field, format!("is `{name}`: give one of {}", known.join(", ")))
    })
}

/// Checks a range of days.
pub(super) fn days(first: Option<i32>, last: Option<i32>) -> Result<(), Refusal> {
    match (first, last) {
        (Some(first), Some(last)) if first > last => {
            let text = format!("is {last}, before `first_day` {first}: give the same day or a later one");
            Err(Refusal::field("last_day", text))
        }
        _ => Ok(()),
    }
}

/// Reads which descents are meant.
pub(super) fn filter(wire: Option<v1::DescentFilter>) -> Result<DescentFilter, Refusal> {
    let wire = wire.unwrap_or_default();
    if let (Some(start), Some(end)) = (wire.start_time_ms, wire.end_time_ms)
        && end <= start
    {
        let text = format!("is {end}, not after `start_time_ms` {start}: nothing could be found");
        return Err(Refusal::field("filter.end_time_ms", text));
    }
    if wire.min_drop_m.is_some_and(|m| !m.is_finite()) {
        return Err(Refusal::field(
            "filter.min_drop_m",
            "is not a number: give metres",
        ));
    }
    Ok(DescentFilter {
        vehicle: wire.vehicle,
        vehicle_class: wire.vehicle_class,
        software_version: wire.software_version,
        grade: wire.grade,
        start_time_ms: wire.start_time_ms,
        end_time_ms: wire.end_time_ms,
        min_drop_m: wire.min_drop_m,
    })
}
