//! Changes of the catalogue, one at a time.
//!
//! Past descents are looked at beside the writer thread, which remembers meanwhile what is recorded. Then the writer decides:
//! it labels what came meanwhile by the new catalogue, and writes grade, labels and the entry of the audit log in one commit.

use std::sync::{Arc, Mutex as PlainMutex, PoisonError};

use coldbrake_engine::alarm::watch::Regrading;
use coldbrake_proto::v1::GradeChange;
use tokio::sync::{Mutex, mpsc, oneshot};

use super::{
    history::History,
    plan::Plan,
    record::{self, GradeRecord},
};
use crate::{
    checkpoint::{self, Desk, Edit},
    query::Reader,
    shared::Shared,
    status::Refusal,
    store::{AuditRecord, CommitBatch, Shelf, ShelfChange, Store},
};

/// Most known grades.
const MAX_GRADES: usize = 10_000;

/// What a person decided.
pub(super) struct Decision {
    /// The catalogue from now on.
    pub(super) records: Vec<GradeRecord>,
    /// The grade concerned, as it is from now on.
    pub(super) grade: Option<GradeRecord>,
    /// What is written.
    pub(super) shelved: Vec<ShelfChange>,
    /// Identifier before and after, where it changes.
    pub(super) renamed: Option<(String, String)>,
    /// Identifier of a grade that is no more.
    pub(super) removed: Option<String>,
}

/// Keeps the catalogue.
#[derive(Clone)]
pub(crate) struct Curator {
    pub(super) shared: Arc<Shared>,
    pub(super) reader: Reader,
    pub(super) writer: mpsc::WeakSender<checkpoint::Request>,
    /// One change at a time.
    pub(super) turn: Arc<Mutex<()>>,
    /// Numbers of descents and of changes for which proposals were last computed.
    pub(super) computed: Arc<PlainMutex<Option<super::proposals::Seen>>>,
}

impl Curator {
    pub(crate) fn new(
        shared: Arc<Shared>,
        reader: Reader,
        writer: mpsc::WeakSender<checkpoint::Request>,
    ) -> Self {
        Self {
            shared,
            reader,
            writer,
            turn: Arc::default(),
            computed: Arc::default(),
        }
    }

    /// Lets the writer decide something, and waits until it is durable.
    pub(super) async fn edit(
        &self,
        act: impl FnOnce(&mut Desk) -> Result<CommitBatch, Refusal> + Send + 'static,
    ) -> Result<(), Refusal> {
        if let Some(refusal) = self.shared.closed() {
            return Err(refusal);
        }
        let (reply, answer) = oneshot::channel();
        let writer = self.writer.upgrade().ok_or(Refusal::Draining)?;
        writer
            .send(checkpoint::Request::Edit(Edit::new(act, reply)))
            .await
            .map_err(|_| Refusal::Draining)?;
        answer.await.map_err(|_| Refusal::Draining)?
    }

    /// Changes the catalogue. Goes on to its end when the caller goes.
    pub(super) async fn change(
        &self,
        audit: AuditRecord,
        decide: impl FnOnce(&dyn Store, Vec<GradeRecord>) -> Result<Decision, Refusal> + Send + 'static,
    ) -> Result<(Option<GradeRecord>, GradeChange), Refusal> {
        let this = self.clone();
        let work = tokio::spawn(async move { this.change_alone(audit, decide).await });
        work.await.unwrap_or_else(|error| {
            tracing::error!(%error, "a change of the known grades broke down");
            Err(Refusal::Internal("the change broke down"))
        })
    }

    async fn change_alone(
        self,
        audit: AuditRecord,
        decide: impl FnOnce(&dyn Store, Vec<GradeRecord>) -> Result<Decision, Refusal> + Send + 'static,
    ) -> Result<(Option<GradeRecord>, GradeChange), Refusal> {
        let _turn = self.turn.lock().await;
        self.edit(|desk| {
            desk.grades.begin_change();
            Ok(CommitBatch::default())
        })
        .await?;
        let draining = self.shared.draining.clone();
        let classes = self.shared.classes.load_full();
        let of_past = Arc::clone(&classes);
        let (decision, catalogue, mut plan, mut history) = self
            .reader
            .read(move |store, _| {
                let decision = decide(store, record::all(store, Shelf::Grade)?)?;
                if decision.records.len() > MAX_GRADES {
                    return Err(Refusal::TooLarge(format!(
                        "there are {MAX_GRADES} known grades already: remove some first"
                    )));
                }
                let catalogue = Arc::new(record::catalogue(decision.records.iter().cloned())?);
                let renamed = names(decision.renamed.as_ref());
                let plan = Plan::of_past(store, &catalogue, renamed, || draining.is_cancelled())?;
                let history = History::of_past(store, &of_past, &plan, || draining.is_cancelled())?;
                Ok((decision, catalogue, plan, history))
            })
            .await?;
        let Decision {
            grade,
            mut shelved,
            renamed,
            removed,
            ..
        } = decision;
        let counts = Arc::new(PlainMutex::new((0, 0)));
        let told = Arc::clone(&counts);
        self.edit(move |desk| {
            let arrived = desk.grades.end_change(Arc::clone(&catalogue)).ok_or_else(|| {
                Refusal::TooLarge(
                    "more descents were recorded during the change than it can take in: try again when less comes in"
                        .to_owned(),
                )
            })?;
            plan.add(&arrived, &catalogue, names(renamed.as_ref()));
            history.add(&arrived, &plan, &classes);
            let (changed, past) = history.into_parts();
            let change = Regrading {
                renamed,
                removed,
                changed,
            };
            shelved.extend(desk.alarms.regrade(&change, &past, &audit.who, audit.time_ms));
            *told.lock().unwrap_or_else(PoisonError::into_inner) = plan.counts();
            Ok(CommitBatch {
                shelved,
                relabels: plan.into_relabels(),
                audit: vec![audit],
                ..CommitBatch::default()
            })
        })
        .await?;
        let (checked_count, relabelled_count) = *counts.lock().unwrap_or_else(PoisonError::into_inner);
        *self.computed.lock().unwrap_or_else(PoisonError::into_inner) = None;
        tracing::info!(checked_count, relabelled_count, "known grades changed");
        Ok((
            grade,
            GradeChange {
                checked_count,
                relabelled_count,
            },
        ))
    }
}

fn names(renamed: Option<&(String, String)>) -> Option<(&str, &str)> {
    renamed.map(|(from, to)| (from.as_str(), to.as_str()))
}
