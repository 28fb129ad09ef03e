//! Page tokens: the key after which a listing goes on, bound to the listing that gave it.

use serde::Serialize;

use super::{
    DescentFilter, Shelf, StoreError,
    keys::{Key, Kind, Parsed},
};

/// Most rows that one call looks at.
pub const MAX_SCAN: usize = 20_000;

/// Which listing a token belongs to. A token of another listing is refused.
#[derive(Clone, Copy, Debug, Serialize)]
pub enum Listing<'a> {
    /// Vehicles by identifier.
    Vehicles,
    /// Descents, latest start first.
    Descents(&'a DescentFilter),
    /// Audit log, latest entry first.
    Audit,
    /// Records of a shelf whose names begin with a text.
    Shelf(Shelf, &'a str),
}

impl Listing<'_> {
    /// Returns the kind of the keys that the listing walks along.
    fn kind(self) -> Kind {
        match self {
            Self::Vehicles => Kind::Vehicle,
            Self::Descents(filter) if filter.vehicle.is_some() => Kind::DescentOfVehicle,
            Self::Descents(_) => Kind::Descent,
            Self::Audit => Kind::Audit,
            Self::Shelf(..) => Kind::Shelved,
        }
    }

    fn mark(self, key: &[u8]) -> u32 {
        // A listing is a few texts and numbers: writing it into memory has no way to fail.
        crc32c::crc32c_append(
            crc32c::crc32c(key),
            &postcard::to_stdvec(&self).unwrap_or_default(),
        )
    }

    /// Returns the token that goes on after `key`.
    pub fn token(self, key: &Key) -> Vec<u8> {
        let mut token = key.as_bytes().to_vec();
        token.extend_from_slice(&self.mark(key.as_bytes()).to_be_bytes());
        token
    }

    /// Reads a token back into the key after which the listing goes on.
    pub fn resume(self, token: &[u8]) -> Result<(Key, Parsed), StoreError> {
        let (key, mark) = token.split_last_chunk::<4>().ok_or(StoreError::BadCursor)?;
        if u32::from_be_bytes(*mark) != self.mark(key) || key.first() != Some(&(self.kind() as u8)) {
            return Err(StoreError::BadCursor);
        }
        let key = Key::from_bytes(key);
        let parsed = key.parse().ok_or(StoreError::BadCursor)?;
        if let (Self::Descents(filter), Parsed::DescentOfVehicle { vehicle, .. }) = (self, &parsed)
            && filter.vehicle.as_ref() != Some(vehicle)
        {
            return Err(StoreError::BadCursor);
        }
        Ok((key, parsed))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_works_for_its_own_listing_only() {
        let all = DescentFilter::default();
        let one = DescentFilter {
            vehicle: Some("van-1".to_owned()),
            ..DescentFilter::default()
        };
        let two = DescentFilter {
            vehicle: Some("van-2".to_owned()),
            ..DescentFilter::default()
        };
        let key = Key::descent_of_vehicle("van-1", 7, "d");
        let token = Listing::Descents(&one).token(&key);
        assert_eq!(Listing::Descents(&one).resume(&token).unwrap().0, key);
        for other in [
            Listing::Descents(&all),
            Listing::Descents(&two),
            Listing::Vehicles,
            Listing::Audit,
        ] {
            assert!(
                matches!(other.resume(&token), Err(StoreError::BadCursor)),
                "{other:?}"
            );
        }
        for bit in 0..token.len() * 8 {
            let mut bad = token.clone();
            bad[bit / 8] ^= 1 << (bit % 8);
            assert!(Listing::Descents(&one).resume(&bad).is_err());
        }
        assert!(Listing::Descents(&one).resume(&[]).is_err());
        assert!(Listing::Descents(&one).resume(&token[..3]).is_err());
    }
}
