//! What to do with the next message of a stream: decided here, done elsewhere.

/// What the server does with a numbered message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decision {
    /// It is the next one: apply it.
    Apply,
    /// It has been applied already: drop and count it.
    DropDuplicate,
    /// Something before it is missing: ask the vehicle to go on from the number given.
    AskRewind {
        /// Next sequence number that can be applied.
        expected: i64,
    },
}

/// Decides on a message with number `incoming` when `applied_through` is the highest number applied.
///
/// ```
/// use coldbrake_engine::progress::{Decision, decide};
/// assert_eq!(decide(4, 5), Decision::Apply);
/// assert_eq!(decide(4, 4), Decision::DropDuplicate);
/// assert_eq!(decide(4, 6), Decision::AskRewind { expected: 5 });
/// ```
pub const fn decide(applied_through: i64, incoming: i64) -> Decision {
    let expected = applied_through.saturating_add(1);
    if incoming <= applied_through {
        Decision::DropDuplicate
    } else if incoming == expected {
        Decision::Apply
    } else {
        Decision::AskRewind { expected }
    }
}

/// Decides on a declared loss of the numbers `first` to `last`, inclusive.
///
/// A loss that begins after the expected number leaves something unexplained before it: that is asked for first. The
/// part of a loss that has been applied already is no loss.
pub const fn decide_gap(applied_through: i64, first: i64, last: i64) -> Decision {
    if last <= applied_through {
        return Decision::DropDuplicate;
    }
    if first > applied_through.saturating_add(1) {
        return Decision::AskRewind {
            expected: applied_through.saturating_add(1),
        };
    }
    Decision::Apply
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_declared_from_the_expected_number_is_applied() {
        assert_eq!(decide_gap(4, 5, 9), Decision::Apply);
        assert_eq!(decide_gap(4, 3, 9), Decision::Apply);
        assert_eq!(decide_gap(9, 5, 9), Decision::DropDuplicate);
        assert_eq!(decide_gap(4, 6, 9), Decision::AskRewind { expected: 5 });
    }

    #[test]
    fn the_largest_number_does_not_overflow() {
        assert_eq!(decide(i64::MAX, i64::MAX), Decision::DropDuplicate);
    }
}
