//! The database panics on some damaged files. Here a panic becomes an error.

use std::{any::Any, panic::AssertUnwindSafe};

use crate::store::StoreError;

/// Runs `f`; a panic in it becomes [`StoreError::Damaged`].
///
/// What `f` works on must not be trusted after that: reads are safe to repeat, a writer stops for good.
pub(super) fn catch<T>(action: &str, f: impl FnOnce() -> Result<T, StoreError>) -> Result<T, StoreError> {
    std::panic::catch_unwind(AssertUnwindSafe(f)).unwrap_or_else(|panic| {
        Err(StoreError::Damaged {
            what: "index".to_owned(),
            reason: format!("the database gave up ({action}: {})", panic_text(&*panic)),
        })
    })
}

/// Returns what a panic said.
pub(super) fn panic_text(panic: &(dyn Any + Send)) -> String {
    panic
        .downcast_ref::<String>()
        .cloned()
        .or_else(|| panic.downcast_ref::<&str>().map(|&s| s.to_owned()))
        .unwrap_or_else(|| "a panic without a text".to_owned())
}
