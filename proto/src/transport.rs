//! How messages of the services become bytes and back.
//!
//! The long streams of vehicles get small buffers, because a server holds one of them for every vehicle, and batches are
//! read into messages that were used before, so that reading one allocates nothing.

#![allow(
    clippy::vec_box,
    reason = "the boxes are what is kept: a request holds its batch in one"
)]

use std::{
    any::{Any, TypeId},
    cell::RefCell,
    marker::PhantomData,
};

use prost::{DecodeError, Message, bytes::Buf};
use tonic::{
    Status,
    codec::{BufferSettings, Codec, DecodeBuf, Decoder, EncodeBuf, Encoder},
};

use crate::v1::{SampleBatch, StreamSamplesRequest, StreamSamplesResponse, stream_samples_request};

/// Buffer of a vehicle's stream, one each way, bytes. A message of 5 s fits; a longer one lets it grow. The transport would
/// take 8 KiB.
const STREAM_BUFFER: usize = 1 << 10;
/// Bytes that are gathered before they go out, as the transport has it by itself.
const YIELD_AT: usize = 32 << 10;
/// What a request with a batch begins with: field 2, of a length that follows.
const BATCH_KEY: u8 = 2 << 3 | 2;
/// Most messages kept by a thread.
const MOST_SPARE: usize = 256;
/// Messages with more room than this for samples are not kept: one large batch must not be paid for ever.
const MOST_ROOM: usize = 1_024;

thread_local! {
    static SPARE: RefCell<Vec<Box<SampleBatch>>> = const { RefCell::new(Vec::new()) };
}

/// Returns an empty message, with the room of one that was used before if there is any.
fn spare() -> Box<SampleBatch> {
    SPARE.with_borrow_mut(Vec::pop).unwrap_or_default()
}

/// Keeps a message whose batch has been taken, for the next one that this thread reads.
pub fn keep(mut batch: Box<SampleBatch>) {
    let room = batch.speed_cm_per_s.capacity().max(batch.time_ms.capacity());
    if room > MOST_ROOM {
        return;
    }
    batch.clear();
    SPARE.with_borrow_mut(|spare| {
        if spare.len() < MOST_SPARE {
            spare.push(batch);
        }
    });
}

/// The codec of all services: `application/grpc+proto`.
#[derive(Clone, Debug)]
pub struct MessageCodec<T, U>(PhantomData<(T, U)>);

impl<T, U> Default for MessageCodec<T, U> {
    fn default() -> Self {
        Self(PhantomData)
    }
}

impl<T, U> Codec for MessageCodec<T, U>
where
    T: Message + Send + 'static,
    U: Message + Default + Send + 'static,
{
    type Encode = T;
    type Decode = U;
    type Encoder = Writer<T>;
    type Decoder = Reader<U>;

    fn encoder(&mut self) -> Self::Encoder {
        Writer(PhantomData)
    }

    fn decoder(&mut self) -> Self::Decoder {
        Reader(PhantomData)
    }
}

/// Writes messages.
#[derive(Clone, Debug)]
pub struct Writer<T>(PhantomData<T>);

impl<T: Message + 'static> Encoder for Writer<T> {
    type Item = T;
    type Error = Status;

    fn encode(&mut self, item: T, buffer: &mut EncodeBuf<'_>) -> Result<(), Status> {
        item.encode(buffer)
            .map_err(|error| Status::internal(format!("the answer cannot be written: {error}")))
    }

    fn buffer_settings(&self) -> BufferSettings {
        settings::<T>()
    }
}

/// Reads messages.
#[derive(Clone, Debug)]
pub struct Reader<U>(PhantomData<U>);

impl<U: Message + Default + 'static> Decoder for Reader<U> {
    type Item = U;
    type Error = Status;

    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<U>, Status> {
        read_message(buffer)
            .map(Some)
            .map_err(|error| Status::internal(error.to_string()))
    }

    fn buffer_settings(&self) -> BufferSettings {
        settings::<U>()
    }
}

/// Reads a message. That of a vehicle's stream with a batch takes the room of one that was kept.
///
/// # Errors
/// The bytes are no such message.
pub fn read_message<U: Message + Default + 'static>(buffer: &mut impl Buf) -> Result<U, DecodeError> {
    let mut item = U::default();
    if buffer.chunk().first() == Some(&BATCH_KEY)
        && let Some(request) = (&mut item as &mut dyn Any).downcast_mut::<StreamSamplesRequest>()
    {
        // What the field holds is merged into what is there.
        request.message = Some(stream_samples_request::Message::Batch(spare()));
    }
    item.merge(buffer)?;
    Ok(item)
}

fn settings<T: 'static>() -> BufferSettings {
    let this = TypeId::of::<T>();
    if this == TypeId::of::<StreamSamplesRequest>() || this == TypeId::of::<StreamSamplesResponse>() {
        BufferSettings::new(STREAM_BUFFER, YIELD_AT)
    } else {
        BufferSettings::default()
    }
}

#[cfg(test)]
mod tests;
