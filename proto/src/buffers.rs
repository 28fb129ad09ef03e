//! How messages are written and read: protobuf, with buffers that begin small. The library's own begin with 8 KiB for each
//! direction of each call, and a server holds thousands of streams whose messages have some hundred bytes. They grow with what
//! comes.

use std::marker::PhantomData;

use prost::Message;
use tonic::codec::{BufferSettings, Codec};
use tonic_prost::{ProstDecoder, ProstEncoder};

/// Bytes that a buffer begins with: a message of a vehicle with fifty samples fits.
const FIRST: usize = 1 << 10;
/// Bytes that are gathered before they go out: as in the library.
const GATHERED: usize = 32 << 10;

/// Protobuf with such buffers.
#[derive(Clone, Copy, Debug)]
pub struct SmallBuffers<T, U>(PhantomData<(T, U)>);

impl<T, U> Default for SmallBuffers<T, U> {
    fn default() -> Self {
        Self(PhantomData)
    }
}

impl<T, U> Codec for SmallBuffers<T, U>
where
    T: Message + Send + 'static,
    U: Message + Default + Send + 'static,
{
    type Encode = T;
    type Decode = U;
    type Encoder = ProstEncoder<T>;
    type Decoder = ProstDecoder<U>;

    fn encoder(&mut self) -> Self::Encoder {
        ProstEncoder::new(BufferSettings::new(FIRST, GATHERED))
    }

    fn decoder(&mut self) -> Self::Decoder {
        ProstDecoder::new(BufferSettings::new(FIRST, GATHERED))
    }
}
