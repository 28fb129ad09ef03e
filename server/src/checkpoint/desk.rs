//! What the writer thread remembers between commits. It adds to a commit what follows from the descents in it, so that
//! a descent and its consequences become durable together, once.
//!
//! Only the writer thread has it: what people change goes through it as an [`Edit`], in a commit of its own, and can
//! never cross a descent that is under way.

use super::Reply;
use crate::{
    alarms::Keeper,
    grades::Labels,
    status::Refusal,
    store::{CommitBatch, Store, StoreError},
};

/// Memory of the writer thread.
#[derive(Debug)]
pub(crate) struct Desk {
    /// To which known grade descents belong.
    pub(crate) grades: Labels,
    /// What deserves somebody's attention.
    pub(crate) alarms: Keeper,
}

impl Desk {
    /// Reads what it must know before the first commit. Blocks.
    pub(crate) fn load(store: &dyn Store) -> Result<Self, StoreError> {
        Ok(Self {
            grades: Labels::load(store)?,
            alarms: Keeper::load(store)?,
        })
    }

    /// Adds to a batch what follows from its descents. May be called again for the same descents after
    /// [`Desk::refused`]: the batch then has no named records.
    pub(crate) fn prepare(&mut self, batch: &mut CommitBatch) {
        // First: all else may ask to which grade a descent belongs.
        self.grades.label(&mut batch.descents);
        self.alarms.prepare(batch);
    }

    /// The batch prepared, or edited, last is durable.
    pub(crate) fn written(&mut self) {
        self.grades.written();
        self.alarms.written();
    }

    /// The batch prepared, or edited, last was not written: forgets what it would have changed.
    pub(crate) fn refused(&mut self) {
        self.grades.refused();
        self.alarms.refused();
    }
}

type Act = dyn FnOnce(&mut Desk) -> Result<CommitBatch, Refusal> + Send;

/// A change that a person makes, decided in the order of the commits.
pub(crate) struct Edit {
    act: Box<Act>,
    pub(super) reply: Reply,
}

impl Edit {
    /// Returns an edit. `act` decides what is written, with its audit entry; `reply` hears when that is durable.
    pub(crate) fn new(
        act: impl FnOnce(&mut Desk) -> Result<CommitBatch, Refusal> + Send + 'static,
        reply: Reply,
    ) -> Self {
        Self {
            act: Box::new(act),
            reply,
        }
    }

    pub(super) fn decide(self, desk: &mut Desk) -> (Result<CommitBatch, Refusal>, Reply) {
        ((self.act)(desk), self.reply)
    }
}

impl std::fmt::Debug for Edit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Edit").finish_non_exhaustive()
    }
}
