//! Helpers for the end-to-end tests.
