//! What is on its way of a stream: which message is next, which are not durable, how many there may be.

use std::collections::VecDeque;

use coldbrake_engine::progress::{Decision, decide, decide_gap};

/// What to do with a message that arrived.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Admission {
    /// Hand it to the owner of the vehicle.
    Forward,
    /// Drop it: it has been applied. The client is owed an acknowledgement.
    Duplicate,
    /// Drop it, and ask the client to go on from the number given.
    Rewind(i64),
    /// Drop it: the client has been asked to go back already.
    Ignore,
    /// The client sends more than it was granted.
    OverCredit,
}

/// Messages of a stream between arrival and durability.
#[derive(Debug)]
pub(super) struct Window {
    credit: usize,
    /// Highest number handed over.
    through: i64,
    /// Highest number known to be durable.
    durable: i64,
    /// Last numbers of messages handed over that are not durable.
    on_their_way: VecDeque<i64>,
    /// Messages that became durable and are not acknowledged.
    owed: usize,
    /// A duplicate arrived: tell again what is durable.
    owed_again: bool,
    /// Messages ignored since the client was asked to go back; `None` when all is in order.
    ignored: Option<usize>,
}

impl Window {
    pub(super) fn new(credit: usize, applied_through: i64, durable_through: i64) -> Self {
        // What an earlier stream had on its way is acknowledged to this one, as one.
        let on_their_way = (applied_through > durable_through)
            .then_some(applied_through)
            .into_iter()
            .collect();
        Self {
            credit,
            through: applied_through,
            durable: durable_through,
            on_their_way,
            owed: 0,
            owed_again: false,
            ignored: None,
        }
    }

    pub(super) fn through(&self) -> i64 {
        self.through
    }

    pub(super) fn durable(&self) -> i64 {
        self.durable
    }

    /// Returns whether everything handed over is durable.
    pub(super) fn is_settled(&self) -> bool {
        self.on_their_way.is_empty()
    }

    /// Returns the number of messages that became durable and are not acknowledged.
    pub(super) fn owed(&self) -> usize {
        self.owed
    }

    /// Returns whether an acknowledgement would tell the client something.
    pub(super) fn owes(&self) -> bool {
        self.owed > 0 || self.owed_again
    }

    /// Returns whether the client has used up its credit.
    pub(super) fn is_used_up(&self) -> bool {
        self.on_their_way.len() + self.owed >= self.credit
    }

    /// Admits a message with one number.
    pub(super) fn admit(&mut self, sequence: i64) -> Admission {
        self.settle(decide(self.through, sequence), sequence)
    }

    /// Admits a declared loss.
    pub(super) fn admit_gap(&mut self, first: i64, last: i64) -> Admission {
        self.settle(decide_gap(self.through, first, last), last)
    }

    fn settle(&mut self, decision: Decision, last: i64) -> Admission {
        match decision {
            Decision::Apply => {
                // What is durable but not acknowledged does not count: the client cannot know yet, and memory holds
                // nothing of it.
                if self.on_their_way.len() >= self.credit {
                    return Admission::OverCredit;
                }
                self.ignored = None;
                self.through = last;
                self.on_their_way.push_back(last);
                Admission::Forward
            }
            Decision::DropDuplicate => {
                self.owed_again = true;
                Admission::Duplicate
            }
            Decision::AskRewind { expected } => match &mut self.ignored {
                // A whole window ignored: the client did not hear, so it is asked once more.
                Some(n) if *n + 1 < self.credit => {
                    *n += 1;
                    Admission::Ignore
                }
                _ => {
                    self.ignored = Some(0);
                    Admission::Rewind(expected)
                }
            },
        }
    }

    /// Notes that everything up to a number is durable.
    pub(super) fn advance(&mut self, through: i64) {
        self.durable = self.durable.max(through);
        while self.on_their_way.front().is_some_and(|n| *n <= through) {
            self.on_their_way.pop_front();
            self.owed += 1;
        }
    }

    /// Notes that the client has been told what is durable.
    pub(super) fn acknowledged(&mut self) {
        self.owed = 0;
        self.owed_again = false;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_in_order_are_forwarded_up_to_the_credit() {
        let mut w = Window::new(3, 0, 0);
        assert_eq!([1, 2, 3].map(|n| w.admit(n)), [Admission::Forward; 3]);
        assert!(w.is_used_up());
        assert_eq!(w.admit(4), Admission::OverCredit);
        w.advance(2);
        assert_eq!((w.owed(), w.is_settled()), (2, false));
        assert_eq!(w.admit(4), Admission::Forward);
    }

    #[test]
    fn one_rewind_is_asked_until_the_expected_arrives() {
        let mut w = Window::new(32, 0, 0);
        assert_eq!(w.admit(1), Admission::Forward);
        assert_eq!(w.admit(3), Admission::Rewind(2));
        assert_eq!([4, 5, 6].map(|n| w.admit(n)), [Admission::Ignore; 3]);
        assert_eq!(w.admit(2), Admission::Forward);
        assert_eq!(w.admit(4), Admission::Rewind(3));
    }

    #[test]
    fn a_client_that_does_not_hear_is_asked_again_once_a_window() {
        let mut w = Window::new(8, 0, 0);
        let rewinds = (0..80).filter(|i| w.admit(2 + i) == Admission::Rewind(1)).count();
        assert_eq!(rewinds, 10);
    }

    #[test]
    fn duplicates_are_owed_an_acknowledgement() {
        let mut w = Window::new(8, 5, 5);
        assert!(!w.owes());
        assert_eq!(w.admit(4), Admission::Duplicate);
        assert!(w.owes() && w.owed() == 0);
        w.acknowledged();
        assert!(!w.owes());
    }

    #[test]
    fn what_an_earlier_stream_had_on_its_way_is_acknowledged_to_the_next() {
        let mut w = Window::new(8, 7, 4);
        assert!(!w.is_settled());
        assert_eq!(w.admit(6), Admission::Duplicate);
        w.advance(7);
        assert_eq!((w.durable(), w.owed(), w.is_settled()), (7, 1, true));
    }

    #[test]
    fn a_declared_loss_moves_on_over_it() {
        let mut w = Window::new(8, 4, 4);
        assert_eq!(w.admit_gap(7, 9), Admission::Rewind(5));
        assert_eq!(w.admit_gap(5, 9), Admission::Forward);
        assert_eq!(w.admit_gap(5, 9), Admission::Duplicate);
        assert_eq!(w.admit(10), Admission::Forward);
        assert_eq!(w.through(), 10);
    }
}
