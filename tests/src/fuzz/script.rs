//! Bytes as a list of orders: how an input of a fuzzer says what to build.

/// The part of an input that is not read yet. Reading past its end gives zeros and empty slices, so that every input
/// means something.
#[derive(Clone, Copy, Debug)]
pub struct Script<'a>(pub &'a [u8]);

impl<'a> Script<'a> {
    /// Returns whether all has been read.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Returns the next byte.
    pub fn byte(&mut self) -> u8 {
        self.take(1).first().copied().unwrap_or(0)
    }

    /// Returns the next `n` bytes, fewer at the end.
    pub fn take(&mut self, n: usize) -> &'a [u8] {
        let (head, rest) = self.0.split_at(n.min(self.0.len()));
        self.0 = rest;
        head
    }

    /// Returns the next bytes with their number, two bytes, before them.
    pub fn chunk(&mut self) -> &'a [u8] {
        let n = usize::from(self.number::<2>() as u16);
        self.take(n)
    }

    /// Returns the next `N` bytes, at most 8, as a number, the most significant first.
    pub fn number<const N: usize>(&mut self) -> u64 {
        (0..N).fold(0, |n, _| n << 8 | u64::from(self.byte()))
    }
}

/// Appends bytes the way [`Script::chunk`] reads them.
pub fn push_chunk(script: &mut Vec<u8>, bytes: &[u8]) {
    let n = u16::try_from(bytes.len()).expect("chunks of seeds are short");
    script.extend_from_slice(&n.to_be_bytes());
    script.extend_from_slice(bytes);
}

/// Turns over one bit of some bytes, which one is told by a number. Returns whether there was one.
pub fn flip(bytes: &mut [u8], place: u64) -> bool {
    let Some(bits) = (bytes.len() as u64).checked_mul(8).filter(|n| *n > 0) else {
        return false;
    };
    let bit = place % bits;
    bytes[(bit / 8) as usize] ^= 1 << (bit % 8);
    true
}
