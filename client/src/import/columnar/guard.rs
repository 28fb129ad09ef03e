//! The decoder may panic on some damaged files. Here a panic becomes an error.

use std::{
    cell::Cell,
    panic::{AssertUnwindSafe, catch_unwind},
};

use parquet::errors::{ParquetError, Result};

thread_local! {
    static GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// Returns whether a panic of this thread is about to become an error: then nothing need be said about it.
pub fn is_guarded() -> bool {
    GUARDED.get()
}

/// Runs `f`; an error or a panic in it becomes a text.
///
/// What `f` works on must not be used again after that.
pub(super) fn run<T>(f: impl FnOnce() -> Result<T>) -> std::result::Result<T, String> {
    let before = GUARDED.replace(true);
    let result = catch_unwind(AssertUnwindSafe(f));
    GUARDED.set(before);
    match result {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(ParquetError::General(what) | ParquetError::NYI(what) | ParquetError::EOF(what))) => Err(what),
        Ok(Err(other)) => Err(other.to_string()),
        Err(_) => Err("its parts contradict each other".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_an_error() {
        let list: &[u8] = &[];
        let at = list.len();
        assert!(run(|| Ok(list[at])).is_err());
        assert!(!is_guarded());
        assert_eq!(run(|| Ok(is_guarded())), Ok(true));
    }
}
