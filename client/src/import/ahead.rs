//! Reading ahead: one thread reads the next batches while another works on those before.

use std::{sync::mpsc, thread};

use coldbrake_engine::Batch;

use super::{error::ImportError, reader::LogReader};

/// Batches that may be read before they are asked for.
const AHEAD: usize = 4;

/// Why reading ahead ended before the end of the file.
#[derive(Debug)]
pub enum AheadError<E> {
    /// The file cannot be read on.
    Import(ImportError),
    /// The work on a batch failed.
    Work(E),
}

impl LogReader {
    /// Reads the rest of the file in batches of at most `most` samples on a thread of its own, and works on them here, in
    /// order. Ends with the first error of either in the order of the file: of the work on a batch before that of a row
    /// behind it.
    pub fn read_ahead<E>(
        &mut self,
        most: usize,
        mut work: impl FnMut(&Batch) -> Result<(), E>,
    ) -> Result<(), AheadError<E>> {
        let (full, to_work) = mpsc::sync_channel(AHEAD);
        let (empty, to_fill) = mpsc::sync_channel(AHEAD + 2);
        thread::scope(|scope| {
            let reader = &mut *self;
            let started = thread::Builder::new()
                .name("read".to_owned())
                .spawn_scoped(scope, move || {
                    loop {
                        let mut batch: Batch = to_fill.try_recv().unwrap_or_default();
                        let message = match reader.fill(&mut batch, most) {
                            Ok(true) => Ok(batch),
                            Ok(false) => return,
                            Err(error) => Err(error),
                        };
                        let is_last = message.is_err();
                        // Nobody takes it when the work has failed.
                        if full.send(message).is_err() || is_last {
                            return;
                        }
                    }
                });
            if started.is_err() {
                return None;
            }
            // Gone at the end of the work, whatever end: the reader must not wait for ever.
            let to_work = to_work;
            Some(to_work.iter().try_for_each(|message| {
                let batch = message.map_err(AheadError::Import)?;
                work(&batch).map_err(AheadError::Work)?;
                // Too many empty ones are no loss.
                let _ = empty.try_send(batch);
                Ok(())
            }))
        })
        .unwrap_or_else(|| self.read_and_work(most, work))
    }

    /// The same on this thread alone, where no other can be had.
    fn read_and_work<E>(
        &mut self,
        most: usize,
        mut work: impl FnMut(&Batch) -> Result<(), E>,
    ) -> Result<(), AheadError<E>> {
        let mut batch = Batch::default();
        while self.fill(&mut batch, most).map_err(AheadError::Import)? {
            work(&batch).map_err(AheadError::Work)?;
        }
        Ok(())
    }
}
