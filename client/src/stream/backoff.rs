//! How long to wait before connecting again.

use std::time::Duration;

/// First wait, unless told otherwise.
pub(crate) const FIRST: Duration = Duration::from_millis(200);
const LONGEST: Duration = Duration::from_secs(5);

/// Returns the wait before the attempt after `failures` failures in a row, not yet spread.
pub(crate) fn delay(first: Duration, failures: u32) -> Duration {
    first
        .saturating_mul(2_u32.saturating_pow(failures.saturating_sub(1)))
        .min(LONGEST)
}

/// Spreads a wait by a random factor from 0.5 to 1.5, so that a fleet does not come back all at once.
pub(crate) fn spread(delay: Duration) -> Duration {
    // Without randomness from the system the wait is merely not spread.
    let factor = getrandom::u32().map_or(1.0, |n| 0.5 + f64::from(n) / f64::from(u32::MAX));
    delay.mul_f64(factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_a_limit() {
        assert_eq!(delay(FIRST, 1), FIRST);
        assert_eq!(delay(FIRST, 3), FIRST * 4);
        assert_eq!(delay(FIRST, 20), LONGEST);
        assert_eq!(delay(FIRST, u32::MAX), LONGEST);
    }

    #[test]
    fn waits_are_spread_within_their_bounds() {
        let spread: Vec<_> = (0..200).map(|_| spread(Duration::from_secs(10))).collect();
        assert!(spread.iter().all(|d| (5.0..=15.0).contains(&d.as_secs_f64())));
        assert!(spread.iter().max() > spread.iter().min());
    }
}
