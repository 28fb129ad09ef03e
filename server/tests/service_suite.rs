//! The service over real loopback gRPC: streams, queries, limits, ends.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    reason = "helpers of tests fail as tests do"
)]
#![allow(
    clippy::items_after_statements,
    reason = "what only one test needs is imported there"
)]

#[path = "service/alarms.rs"]
mod alarms;
#[path = "service/brakes.rs"]
mod brakes;
#[path = "service/ends.rs"]
mod ends;
#[path = "service/grades.rs"]
mod grades;
#[path = "service/limits.rs"]
mod limits;
#[path = "service/program.rs"]
mod program;
#[path = "service/queries.rs"]
mod queries;
#[path = "service/streams.rs"]
mod streams;
#[path = "service/support.rs"]
mod support;
#[path = "service/webhook.rs"]
mod webhook;
