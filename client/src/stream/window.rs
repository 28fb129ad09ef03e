//! What a vehicle keeps and sends next: numbers, what is not durable yet, credit. Decides; sends nothing itself.

use std::collections::VecDeque;

use coldbrake_engine::{Batch, BrakeKind};
use coldbrake_proto::{
    codec::{self, Carry},
    v1::SampleBatch,
};

/// The next message of a stream.
#[derive(Clone, Debug, PartialEq)]
#[expect(
    clippy::large_enum_variant,
    reason = "there is one at a time, and nearly all are batches"
)]
pub(crate) enum Outgoing {
    /// Samples.
    Batch(SampleBatch),
    /// Batches that were acknowledged and forgotten, and that the server misses all the same.
    Gap {
        /// First lost number.
        first: i64,
        /// Last lost number.
        last: i64,
    },
    /// End of the session.
    Finish(i64),
}

/// Batches of one session, from the source to durability.
#[derive(Debug)]
pub(crate) struct Window {
    kind: BrakeKind,
    carry: Carry,
    /// Batches that are not known to be durable; the last has the number `next - 1`.
    kept: VecDeque<SampleBatch>,
    /// Number of the next batch of the source.
    next: i64,
    /// Number of the next message to send.
    cursor: i64,
    /// Highest number sent, on whatever call.
    highest_sent: i64,
    durable: i64,
    credit: i64,
    wants_finish: bool,
    source_ended: bool,
}

impl Window {
    pub(crate) fn new(kind: BrakeKind, wants_finish: bool) -> Self {
        Self {
            kind,
            carry: Carry::default(),
            kept: VecDeque::new(),
            next: 1,
            cursor: 1,
            highest_sent: 0,
            durable: 0,
            credit: 0,
            wants_finish,
            source_ended: false,
        }
    }

    /// Number of the first batch kept.
    fn base(&self) -> i64 {
        self.next - self.kept.len() as i64
    }

    pub(crate) fn durable(&self) -> i64 {
        self.durable
    }

    /// Returns the number of messages on their way.
    pub(crate) fn in_flight(&self) -> i64 {
        (self.cursor - 1 - self.durable).max(0)
    }

    /// Returns whether everything, the end of the session included, is durable.
    pub(crate) fn is_done(&self) -> bool {
        let last = if self.wants_finish {
            self.next
        } else {
            self.next - 1
        };
        self.source_ended && self.durable >= last
    }

    /// Returns whether the next batch of the source is wanted: all before it has been sent, and there is credit. What
    /// is durable from an earlier run is passed over without credit.
    pub(crate) fn wants_batch(&self) -> bool {
        !self.source_ended
            && self.cursor >= self.next
            && (self.next <= self.durable || self.in_flight() < self.credit)
    }

    /// Takes the next batch of the source. Returns whether it is new; otherwise it is durable from an earlier run.
    pub(crate) fn push(&mut self, batch: &Batch) -> bool {
        // Even what is durable is encoded: the carried rounding error goes on as it did in the earlier run.
        let message = codec::encode(batch, self.kind, self.next, &mut self.carry);
        self.next += 1;
        let is_new = message.sequence > self.durable;
        if is_new {
            self.kept.push_back(message);
        }
        is_new
    }

    pub(crate) fn end_of_source(&mut self) {
        self.source_ended = true;
    }

    /// Begins a call: the server says what is durable.
    pub(crate) fn opened(&mut self, durable_through: i64, credit: i32) {
        self.durable = durable_through.max(0);
        self.credit = i64::from(credit.max(1));
        self.forget();
        self.cursor = self.durable + 1;
    }

    /// Returns whether there is news.
    pub(crate) fn acknowledged(&mut self, durable_through: i64, credit: i32) -> bool {
        self.credit = i64::from(credit.max(1));
        let is_news = durable_through > self.durable;
        if is_news {
            self.durable = durable_through;
            self.forget();
            self.cursor = self.cursor.max(self.durable + 1);
        }
        is_news
    }

    /// Goes back to a number. Anything but a number that has been sent is a mistake of the server, and is left alone.
    pub(crate) fn rewind(&mut self, expected: i64) {
        if (1..self.cursor).contains(&expected) {
            self.cursor = expected;
        }
    }

    fn forget(&mut self) {
        while self.base() <= self.durable && self.kept.pop_front().is_some() {}
    }

    /// Returns the next message, and whether it has been sent before.
    pub(crate) fn next_outgoing(&mut self) -> Option<(Outgoing, bool)> {
        let base = self.base();
        if self.cursor < base {
            let gap = Outgoing::Gap {
                first: self.cursor,
                last: base - 1,
            };
            self.cursor = base;
            return Some((gap, false));
        }
        if !self.may_send() {
            return None;
        }
        let sequence = self.cursor;
        let message = if sequence < self.next {
            Outgoing::Batch(self.kept.get(usize::try_from(sequence - base).ok()?)?.clone())
        } else {
            Outgoing::Finish(sequence)
        };
        self.cursor += 1;
        let again = sequence <= self.highest_sent;
        self.highest_sent = self.highest_sent.max(sequence);
        Some((message, again))
    }

    /// Returns whether there is a message to send now.
    pub(crate) fn may_send(&self) -> bool {
        let gap = self.cursor < self.base();
        let batch = self.cursor < self.next;
        let finish = self.source_ended && self.wants_finish && self.cursor == self.next;
        gap || (self.in_flight() < self.credit && (batch || finish))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn batch(i: i64) -> Batch {
        Batch {
            time_ms: vec![1_700_000_000_000 + i],
            speed_mps: vec![1.0],
            altitude_m: vec![1.0],
            brake: vec![0.0],
            current_a: vec![0.03],
            ..Batch::default()
        }
    }

    /// Opens, and sends what the credit allows; returns the numbers sent.
    fn pump(w: &mut Window, total: i64) -> Vec<i64> {
        let mut sent = Vec::new();
        loop {
            if let Some((message, _)) = w.next_outgoing() {
                sent.push(match message {
                    Outgoing::Batch(b) => b.sequence,
                    Outgoing::Finish(n) => n,
                    Outgoing::Gap { first, .. } => -first,
                });
            } else if w.wants_batch() {
                if w.next > total {
                    w.end_of_source();
                } else {
                    w.push(&batch(w.next));
                }
            } else {
                return sent;
            }
        }
    }

    #[test]
    fn credit_limits_what_is_on_its_way_and_acknowledgements_free_it() {
        let mut w = Window::new(BrakeKind::Pressure, true);
        w.opened(0, 3);
        assert_eq!(pump(&mut w, 5), [1, 2, 3]);
        assert!(w.acknowledged(2, 3));
        assert_eq!(pump(&mut w, 5), [4, 5]);
        assert!(w.acknowledged(5, 3));
        assert_eq!(pump(&mut w, 5), [6], "the end of the session has the next number");
        assert!(!w.is_done());
        assert!(w.acknowledged(6, 3));
        assert!(w.is_done());
        assert!(w.kept.is_empty());
    }

    #[test]
    fn a_new_call_goes_on_from_what_is_durable() {
        let mut w = Window::new(BrakeKind::Pressure, true);
        w.opened(0, 8);
        assert_eq!(pump(&mut w, 5), [1, 2, 3, 4, 5, 6]);
        w.opened(3, 8);
        assert_eq!(pump(&mut w, 5), [4, 5, 6]);
        w.rewind(5);
        let (message, again) = w.next_outgoing().unwrap();
        assert!(again && matches!(message, Outgoing::Batch(b) if b.sequence == 5));
    }

    #[test]
    fn a_new_run_passes_over_what_is_durable_and_sends_the_same_bytes() {
        let mut first = Window::new(BrakeKind::Pressure, true);
        first.opened(0, 100);
        let mut bytes = Vec::new();
        for i in 1..=9 {
            first.push(&batch(i));
            bytes.push(first.next_outgoing());
        }
        let mut second = Window::new(BrakeKind::Pressure, true);
        second.opened(6, 1);
        while second.wants_batch() {
            second.push(&batch(second.next));
        }
        assert_eq!(second.next_outgoing(), bytes[6].clone());
    }

    #[test]
    fn a_finished_session_has_nothing_left_to_do() {
        let mut w = Window::new(BrakeKind::Pressure, true);
        w.opened(6, 8);
        assert!(pump(&mut w, 5).is_empty());
        assert!(w.is_done());
    }

    #[test]
    fn what_the_server_lost_after_acknowledging_is_declared_as_a_gap() {
        let mut w = Window::new(BrakeKind::Pressure, true);
        w.opened(0, 8);
        pump(&mut w, 5);
        w.acknowledged(4, 8);
        w.opened(1, 8);
        assert_eq!(
            w.next_outgoing(),
            Some((Outgoing::Gap { first: 2, last: 4 }, false))
        );
        assert!(matches!(w.next_outgoing(), Some((Outgoing::Batch(b), true)) if b.sequence == 5));
    }

    #[test]
    fn numbers_that_make_no_sense_are_left_alone() {
        let mut w = Window::new(BrakeKind::Pressure, false);
        w.opened(-3, -1);
        assert_eq!(pump(&mut w, 1), [1]);
        for nonsense in [i64::MIN, -1, 0, 2, i64::MAX] {
            w.rewind(nonsense);
            assert!(pump(&mut w, 1).is_empty(), "{nonsense}");
        }
        assert!(!w.acknowledged(-5, 4));
        assert!(w.acknowledged(1, 4));
        assert!(pump(&mut w, 1).is_empty());
        assert!(w.is_done(), "without a finish the last batch is the end");
    }
}
