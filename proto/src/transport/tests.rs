use proptest::{collection::vec, prelude::*};
use prost::Message as _;

use super::{MOST_ROOM, keep, read_message, spare};
use crate::v1::{
    DeclareGap, FinishSession, OpenStream, SampleBatch, StreamSamplesRequest,
    stream_samples_request::Message as Up,
};

fn batch(sequence: i64, samples: usize) -> SampleBatch {
    SampleBatch {
        sequence,
        start_time_ms: 5,
        speed_cm_per_s: vec![3; samples],
        altitude_dm: vec![-3; samples],
        slip_control: vec![1; samples],
        ..SampleBatch::default()
    }
}

fn bytes_of(message: Option<Up>) -> Vec<u8> {
    StreamSamplesRequest { message }.encode_to_vec()
}

fn requests() -> impl Strategy<Value = Vec<u8>> {
    let column = || vec(any::<i32>(), 0..40);
    let batches = (
        any::<i64>(),
        any::<i64>(),
        column(),
        column(),
        column(),
        any::<i32>(),
    )
        .prop_map(
            |(sequence, start_time_ms, time_ms, speed_cm_per_s, brake, period_ms)| SampleBatch {
                sequence,
                start_time_ms,
                time_ms,
                speed_cm_per_s,
                brake,
                period_ms,
                ..SampleBatch::default()
            },
        );
    prop_oneof![
        6 => batches.prop_map(|b| bytes_of(Some(Up::Batch(Box::new(b))))),
        1 => any::<i64>().prop_map(|sequence| bytes_of(Some(Up::Finish(FinishSession { sequence })))),
        1 => any::<(i64, i64)>().prop_map(|(first_sequence, last_sequence)| {
            bytes_of(Some(Up::DeclareGap(DeclareGap { first_sequence, last_sequence })))
        }),
        1 => "[a-z]{0,9}".prop_map(|vehicle| bytes_of(Some(Up::Open(OpenStream { vehicle, ..OpenStream::default() })))),
        1 => Just(Vec::new()),
        // A field of a newer schema, alone.
        1 => Just(vec![0xf8, 0x01, 0x07]),
        2 => vec(any::<u8>(), 0..60),
    ]
}

proptest! {
    #[test]
    fn messages_come_out_as_the_library_reads_them(sent in vec(requests(), 1..12)) {
        for bytes in sent {
            let wanted = StreamSamplesRequest::decode(bytes.as_slice()).map_err(|e| e.to_string());
            let got = read_message::<StreamSamplesRequest>(&mut bytes.as_slice()).map_err(|e| e.to_string());
            prop_assert_eq!(&got, &wanted);
            if let Ok(StreamSamplesRequest { message: Some(Up::Batch(batch)) }) = got {
                keep(batch);
            }
        }
    }
}

#[test]
fn a_message_is_used_again() {
    let bytes = bytes_of(Some(Up::Batch(Box::new(batch(1, 50)))));
    let read_one = || match read_message::<StreamSamplesRequest>(&mut bytes.as_slice())
        .unwrap()
        .message
    {
        Some(Up::Batch(batch)) => batch,
        other => panic!("{other:?}"),
    };
    let first = read_one();
    let place = first.speed_cm_per_s.as_ptr();
    keep(first);
    let second = read_one();
    assert_eq!(second.speed_cm_per_s.as_ptr(), place);
    assert_eq!(*second, batch(1, 50));
}

#[test]
fn a_large_message_is_not_kept() {
    keep(Box::new(batch(1, MOST_ROOM + 1)));
    assert_eq!(spare().speed_cm_per_s.capacity(), 0);
}
