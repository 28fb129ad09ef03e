//! Page sizes and page tokens.

use base64::{Engine as _, engine::general_purpose::URL_SAFE_NO_PAD};
use serde::Serialize;

use crate::status::Refusal;

/// Rows of a page when the caller does not say.
const DEFAULT_SIZE: usize = 50;
/// Most rows of a page.
const LARGEST_SIZE: usize = 1_000;
/// Looks into the store for one page: a filter that seldom holds ends a page early, with a token to go on.
pub(crate) const LOOKS_PER_PAGE: usize = 32;

/// Returns the number of rows that is meant.
pub(crate) fn size(wanted: i32) -> Result<usize, Refusal> {
    match usize::try_from(wanted) {
        Ok(0) => Ok(DEFAULT_SIZE),
        Ok(n) => Ok(n.min(LARGEST_SIZE)),
        Err(_) => Err(Refusal::field(
            "page_size",
            format!("is {wanted}: give 0 to {LARGEST_SIZE}; 0 means {DEFAULT_SIZE}"),
        )),
    }
}

/// A listing, told from others by its name and its filter: a token is good for that one only.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Listing(u32);

const VERSION: u8 = 1;

impl Listing {
    pub(crate) fn new(name: &str, filter: &impl Serialize) -> Self {
        // Serialising plain data into memory has no way to fail.
        let bytes = postcard::to_stdvec(&(name, filter)).unwrap_or_default();
        Self(crc32c::crc32c(&bytes))
    }

    /// Returns the token for where the next page begins; empty when there is none.
    pub(crate) fn token(self, next: Option<&[u8]>) -> String {
        let Some(cursor) = next else { return String::new() };
        let mut bytes = vec![VERSION];
        bytes.extend(self.0.to_be_bytes());
        bytes.extend(cursor);
        URL_SAFE_NO_PAD.encode(bytes)
    }

    /// Reads a token back.
    pub(crate) fn cursor(self, token: &str) -> Result<Option<Vec<u8>>, Refusal> {
        if token.is_empty() {
            return Ok(None);
        }
        let bytes = URL_SAFE_NO_PAD.decode(token).map_err(|_| Refusal::BadPageToken)?;
        let Some(([version, listing @ ..], cursor)) = bytes.split_first_chunk::<5>() else {
            return Err(Refusal::BadPageToken);
        };
        if *version != VERSION {
            return Err(Refusal::BadPageToken);
        }
        if *listing != self.0.to_be_bytes() {
            return Err(Refusal::OtherPageToken);
        }
        Ok(Some(cursor.to_vec()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn page_sizes_follow_the_rule() {
        assert_eq!(size(0), Ok(50));
        assert_eq!(size(7), Ok(7));
        assert_eq!(size(5_000), Ok(1_000));
        assert!(matches!(size(-1), Err(Refusal::BadFields(_))));
    }

    #[test]
    fn a_token_is_good_for_its_filter_only() {
        let (a, b) = (Listing::new("descents", &"a"), Listing::new("descents", &"b"));
        let token = a.token(Some(b"\0key"));
        assert_eq!(a.cursor(&token), Ok(Some(b"\0key".to_vec())));
        assert_eq!(b.cursor(&token), Err(Refusal::OtherPageToken));
        assert_eq!(a.token(None), "");
        for bad in ["!", "AA", "AgAAAAAA"] {
            assert_eq!(a.cursor(bad), Err(Refusal::BadPageToken), "{bad}");
        }
    }
}
