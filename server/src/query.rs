//! Queries: vehicles, classes, descents, distributions, comparisons, trends, brakes. They read what is durable.

mod brakes;
mod comparison;
mod descents;
mod fleet;
pub(crate) mod page;
mod trend;

use std::sync::{
    Arc,
    atomic::{AtomicBool, Ordering::Relaxed},
};

use tokio::sync::Semaphore;

use crate::{shared::Shared, status::Refusal, store::Store};

pub(crate) use self::{
    brakes::Brakes,
    comparison::Comparisons,
    descents::Descents,
    fleet::FleetQueries,
    page::{LOOKS_PER_PAGE, Listing, size as page_size},
    trend::Trends,
};

/// Reads the store beside the async threads, a bounded number of calls at a time.
#[derive(Clone)]
pub(crate) struct Reader {
    store: Arc<dyn Store>,
    places: Arc<Semaphore>,
}

impl Reader {
    pub(crate) fn new(shared: &Shared) -> Self {
        Self {
            store: Arc::clone(&shared.store),
            places: Arc::clone(&shared.queries),
        }
    }

    /// Runs `read` on a thread that may block. When the caller goes (deadline, cancelled), `read` is told between two
    /// looks into the store, and its place is free only once it has ended.
    pub(crate) async fn read<T: Send + 'static>(
        &self,
        read: impl FnOnce(&dyn Store, &Caller) -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Refusal> {
        let place = Arc::clone(&self.places)
            .acquire_owned()
            .await
            .map_err(|_| Refusal::Internal("queries have ended"))?;
        let store = Arc::clone(&self.store);
        let caller = Caller(Arc::new(AtomicBool::new(false)));
        let gone = GoneOnDrop(Arc::clone(&caller.0));
        let result = tokio::task::spawn_blocking(move || {
            let _place = place;
            read(&*store, &caller)
        })
        .await;
        drop(gone);
        result.unwrap_or_else(|error| {
            tracing::error!(%error, "a query broke down");
            Err(Refusal::Internal("the query broke down"))
        })
    }
}

/// Says whether anybody still waits for the answer.
pub(crate) struct Caller(Arc<AtomicBool>);

impl Caller {
    pub(crate) fn is_gone(&self) -> bool {
        self.0.load(Relaxed)
    }
}

struct GoneOnDrop(Arc<AtomicBool>);

impl Drop for GoneOnDrop {
    fn drop(&mut self) {
        self.0.store(true, Relaxed);
    }
}
