//! How many streams each vehicle's certificate has: one that leaked, or a vehicle gone wrong, must not take the places of
//! all others.

use std::{
    collections::HashMap,
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use crate::{identity::Peer, status::Refusal};

type Counts = HashMap<Arc<str>, usize>;

/// Streams by the vehicle that the certificate names. Touched when a stream begins or ends.
#[derive(Clone, Debug, Default)]
pub(super) struct Identities(Arc<Mutex<Counts>>);

impl Identities {
    /// Takes a place for a stream; it is free again when it is dropped. Callers without a certificate are not told apart,
    /// and not limited here.
    pub(super) fn admit(&self, peer: &Peer, limit: usize) -> Result<Option<Place>, Refusal> {
        let Peer::Vehicle { name } = peer else {
            return Ok(None);
        };
        let name: Arc<str> = Arc::from(&**name);
        let mut counts = lock(&self.0);
        let count = counts.entry(Arc::clone(&name)).or_default();
        if *count >= limit {
            return Err(Refusal::TooManyStreamsOfOne {
                name: peer.to_string(),
                limit,
            });
        }
        *count += 1;
        Ok(Some(Place {
            counts: Arc::clone(&self.0),
            name,
        }))
    }
}

/// The place of one stream.
#[derive(Debug)]
pub(super) struct Place {
    counts: Arc<Mutex<Counts>>,
    name: Arc<str>,
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut counts = lock(&self.counts);
        if let Some(count) = counts.get_mut(&self.name) {
            *count -= 1;
            if *count == 0 {
                counts.remove(&self.name);
            }
        }
    }
}

fn lock(counts: &Mutex<Counts>) -> MutexGuard<'_, Counts> {
    counts.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_certificate_takes_no_more_than_its_share_and_gives_it_back() {
        let identities = Identities::default();
        let van = |name: &str| Peer::Vehicle { name: name.into() };
        let first = identities.admit(&van("van-1"), 2).unwrap();
        let _second = identities.admit(&van("van-1"), 2).unwrap();
        let refusal = identities.admit(&van("van-1"), 2).unwrap_err();
        assert_eq!(refusal.reason(), "IDENTITY_STREAM_LIMIT_REACHED");
        assert!(
            refusal.to_string().contains("vehicle/van-1")
                && refusal.to_string().contains("limits.streams_per_identity"),
            "{refusal}"
        );
        // Another one is not held up, and a place comes free.
        drop(identities.admit(&van("van-2"), 2).unwrap());
        drop(first);
        identities.admit(&van("van-1"), 2).unwrap();
        assert_eq!(lock(&identities.0).len(), 1);
        for _ in 0..5 {
            assert!(identities.admit(&Peer::Local, 1).unwrap().is_none());
        }
    }
}
