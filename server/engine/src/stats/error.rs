//! What is wrong with a question.

/// Why a statistic cannot be computed.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum StatsError {
    /// A sample holds too few values for this statistic.
    #[error("{what} holds {count} values, this statistic needs {needed}: gather more observations")]
    TooFew {
        /// Which argument.
        what: &'static str,
        /// How many values it holds.
        count: usize,
        /// How many are needed.
        needed: usize,
    },
    /// A value is infinite or not a number.
    #[error("{what}, value {index} is not a finite number: leave it out")]
    NotFinite {
        /// Which argument.
        what: &'static str,
        /// Position in it, from 0.
        index: usize,
    },
    /// A parameter lies outside what it may be.
    #[error("{what} is {value}: it must be {allowed}")]
    OutOfRange {
        /// Which parameter.
        what: &'static str,
        /// What was given.
        value: f64,
        /// What may be given.
        allowed: &'static str,
    },
    /// The exact distribution would cost too much.
    #[error(
        "the exact distribution is offered up to {limit} values a side, not for {n} and {m}: ask for the approximation"
    )]
    TooLargeForExact {
        /// Values on the first side.
        n: usize,
        /// Values on the second side.
        m: usize,
        /// Largest number offered.
        limit: usize,
    },
}

/// Checks that a sample holds at least `needed` values, all finite.
pub(super) fn check(what: &'static str, values: &[f64], needed: usize) -> Result<(), StatsError> {
    if values.len() < needed {
        return Err(StatsError::TooFew {
            what,
            count: values.len(),
            needed,
        });
    }
    match values.iter().position(|v| !v.is_finite()) {
        Some(index) => Err(StatsError::NotFinite { what, index }),
        None => Ok(()),
    }
}

/// Checks one parameter.
pub(super) fn check_parameter(
    what: &'static str,
    value: f64,
    allowed: &'static str,
    holds: impl FnOnce(f64) -> bool,
) -> Result<(), StatsError> {
    if value.is_finite() && holds(value) {
        Ok(())
    } else {
        Err(StatsError::OutOfRange { what, value, allowed })
    }
}

/// Checks a share that may be neither 0 nor 1, such as a confidence.
pub(super) fn check_share(what: &'static str, value: f64) -> Result<(), StatsError> {
    check_parameter(what, value, "between 0 and 1, both excluded", |v| {
        v > 0.0 && v < 1.0
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn says_which_value_is_wrong() {
        let error = check("sample a", &[1.0, f64::NAN], 1).unwrap_err();
        assert_eq!(
            error.to_string(),
            "sample a, value 1 is not a finite number: leave it out"
        );
        assert!(check_share("confidence", 1.0).is_err());
        assert!(check_share("confidence", f64::NAN).is_err());
        assert_eq!(
            check("sample b", &[], 2).unwrap_err().to_string(),
            "sample b holds 0 values, this statistic needs 2: gather more observations"
        );
    }
}
