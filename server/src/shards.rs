//! Vehicles spread over tasks that each own theirs: no locks where samples pass.
//!
//! A vehicle belongs to the shard `(CRC-32C of its identifier mod 256) mod number of shards`: the 256 partitions stay the
//! same whatever the number of shards or machines.

mod owner;
mod vehicle;

use std::sync::Arc;

use coldbrake_engine::{
    Opening, Violation,
    wear::{Recorded, Service},
};
use coldbrake_proto::v1;
use tokio::{
    sync::{mpsc, oneshot, watch},
    task::JoinSet,
};
use tokio_util::sync::CancellationToken;

use crate::{
    checkpoint::{Progress, Request},
    shared::Shared,
    status::Refusal,
    store::{AuditRecord, ShelfChange},
};

/// Number of partitions that vehicles are hashed onto.
pub const PARTITIONS: u32 = 256;

/// Returns the partition of a vehicle: the same on every machine and in every version.
pub fn partition(vehicle: &str) -> u32 {
    crc32c::crc32c(vehicle.as_bytes()) % PARTITIONS
}

/// What a stream asks of the owner of its vehicle.
#[derive(Debug)]
pub(crate) enum Command {
    Open(Box<Open>),
    Batch {
        vehicle: Arc<str>,
        stream: u64,
        batch: Box<v1::SampleBatch>,
    },
    Gap {
        vehicle: Arc<str>,
        stream: u64,
        first: i64,
        last: i64,
    },
    Finish {
        vehicle: Arc<str>,
        stream: u64,
        sequence: i64,
    },
    Close {
        vehicle: Arc<str>,
        stream: u64,
    },
    /// A service of the brakes: changes the state of a vehicle, whether or not it has a stream.
    Service(Box<ServiceCall>),
}

/// A service of the brakes of a vehicle.
#[derive(Debug)]
pub(crate) struct ServiceCall {
    pub(crate) vehicle: Arc<str>,
    pub(crate) service: Service,
    /// What is written beside the state.
    pub(crate) history: (ShelfChange, AuditRecord),
    /// Hears when it is durable.
    pub(crate) reply: oneshot::Sender<Result<Recorded, Refusal>>,
}

/// A stream that wants to speak for a vehicle.
#[derive(Debug)]
pub(crate) struct Open {
    pub(crate) vehicle: Arc<str>,
    pub(crate) class: Arc<str>,
    pub(crate) opening: Opening,
    pub(crate) link: Link,
    pub(crate) reply: oneshot::Sender<Result<Opened, Refusal>>,
}

/// How the owner of a vehicle reaches its stream.
#[derive(Debug)]
pub(crate) struct Link {
    /// Running number of the stream: the owner listens to the latest only.
    pub(crate) stream: u64,
    /// Cancelled when a newer stream takes over.
    pub(crate) superseded: CancellationToken,
    /// Never waited for: the credit of a stream bounds what is on its way.
    pub(crate) notices: mpsc::Sender<Box<Notice>>,
}

/// What the owner tells a stream of its own accord.
#[derive(Debug)]
pub(crate) enum Notice {
    Rejected {
        sequence: i64,
        violations: Vec<Violation>,
    },
    Ended(Refusal),
}

/// The stream speaks for the vehicle.
#[derive(Debug)]
pub(crate) struct Opened {
    /// Highest sequence number applied in memory.
    pub(crate) applied_through: i64,
    /// What is durable, now and from now on.
    pub(crate) progress: watch::Receiver<Progress>,
}

/// The way to all shards.
#[derive(Clone, Debug)]
pub(crate) struct Shards {
    inboxes: Arc<[mpsc::Sender<Command>]>,
}

impl Shards {
    /// Starts the owners. Each ends when all clones of the way to it are gone and its inbox is empty.
    pub(crate) fn start(
        shared: &Arc<Shared>,
        writer: &mpsc::Sender<Request>,
        tasks: &mut JoinSet<()>,
    ) -> Self {
        let count = shared.config.shard_count();
        let resident = shared.config.resident_vehicles.div_ceil(count);
        let inboxes = (0..count)
            .map(|_| {
                let (way, inbox) = mpsc::channel(shared.config.limits.shard_queue);
                let owner = owner::Owner::new(Arc::clone(shared), writer.clone(), resident);
                tasks.spawn(owner.run(inbox));
                way
            })
            .collect();
        Self { inboxes }
    }

    /// Returns ways to look at how full the inboxes are, which keep no owner from ending.
    pub(crate) fn inboxes(&self) -> Vec<mpsc::WeakSender<Command>> {
        self.inboxes.iter().map(mpsc::Sender::downgrade).collect()
    }

    /// Hands a command to the owner of the vehicle; waits while it is busy.
    pub(crate) async fn send(&self, vehicle: &str, command: Command) -> Result<(), Refusal> {
        let shard = partition(vehicle) as usize % self.inboxes.len();
        self.inboxes[shard]
            .send(command)
            .await
            .map_err(|_| Refusal::Internal("the owner of the vehicle has ended"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn partitions_never_move() {
        // CRC-32C check value of "123456789" is 0xe3069283 (RFC 3720, B.4 uses the same polynomial).
        assert_eq!(partition("123456789"), 0x83);
    }

    #[test]
    fn vehicles_spread_evenly() {
        let mut counts = [0; 4];
        (0..4_000).for_each(|i| counts[partition(&format!("van-{i}")) as usize % 4] += 1);
        assert!(counts.iter().all(|n| (800..1_200).contains(n)), "{counts:?}");
    }
}
