//! The Coldbrake server.
//!
//! A batch walks through the rooms in this order: `ingest` (one task a stream: numbers, credit, acknowledgements) →
//! `shards` (the owner of the vehicle decodes and applies it) → `checkpoint` (one writer makes many changes durable
//! together) → [`store`]. Beside it `query` reads what is durable. [`ServerHandle`] starts and ends them all, in this
//! process:
//!
//! ```no_run
//! # async fn example() -> Result<(), coldbrake_server::StartError> {
//! use coldbrake_server::{Config, ServerHandle};
//! let server = ServerHandle::start(Config::in_process()).await?;
//! println!("serving on {}", server.uri());
//! let report = server.shutdown().await;
//! assert!(report.is_clean());
//! # Ok(())
//! # }
//! ```

mod admin;
mod alarms;
mod calls;
mod checkpoint;
pub mod cli;
pub mod config;
mod disk_floor;
pub mod fault;
pub mod files;
mod grades;
pub mod identity;
mod ingest;
pub mod limits;
mod listen;
mod metrics;
mod operations;
mod query;
mod retention;
mod server;
pub mod shards;
mod shared;
pub mod status;
pub mod store;
pub mod store_commands;
pub mod telemetry;
mod traces;
mod vehicle_record;

pub use config::Config;
pub use server::{ServerHandle, ShutdownReport, StartError};
