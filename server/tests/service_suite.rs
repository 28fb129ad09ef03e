//! The service over real loopback gRPC: streams, queries, limits, ends.

#[path = "service/ends.rs"]
mod ends;
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
