//! A fleet that streams, and a server as a child process that is watched from outside: for measuring and for stress.
//!
//! The vehicles are cheap on purpose: their samples are encoded beforehand, only number and time are new in each message.
//! Credit, rewinds and acknowledgements are kept to as a vehicle must.

pub mod bare;
pub mod child;
pub mod fleet;
pub mod growth;
pub mod hold;
pub mod memory;
pub mod peer;
pub mod pki;
pub mod probe;
pub mod restart;
pub mod road;
pub mod slow;
pub mod steady;
pub mod trials;
mod vehicle;
