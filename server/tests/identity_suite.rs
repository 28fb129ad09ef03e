//! Who may come in and do what, over real TLS: certificates of every kind against every call.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "helpers of tests fail as tests do"
)]

#[path = "identity/audit.rs"]
mod audit;
#[path = "identity/authority.rs"]
mod authority;
#[path = "identity/calls.rs"]
mod calls;
#[path = "identity/handshakes.rs"]
mod handshakes;
#[path = "identity/reload.rs"]
mod reload;
#[path = "identity/traces.rs"]
mod traces;
