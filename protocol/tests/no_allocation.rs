//! Reading frames allocates nothing: counted by an allocator of this test program's own.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use leverarm_protocol::{
    Analog, BoardMessage, BoardReader, Decoder, FrameWriter, HostMessage, TeethBatch,
};

/// Frames of each kind that comes often, some of them damaged.
fn stream() -> Vec<u8> {
    let mut writer = FrameWriter::new();
    let mut bytes = Vec::new();
    let mut batch = TeethBatch::new(0);
    for tick in (0..2_000_000_u64).step_by(250) {
        if !batch.push(tick) {
            let (first, message) = batch.message().unwrap();
            bytes.extend_from_slice(writer.write(first, &message).unwrap());
            batch.clear();
            let counts = [3_000_i16; 16].map(i16::to_le_bytes);
            let now = u32::try_from(tick).unwrap();
            let scan = BoardMessage::Analog(Analog {
                first_channel: 0,
                counts: &counts,
            });
            bytes.extend_from_slice(writer.write(now, &scan).unwrap());
        }
    }
    for at in (50..bytes.len()).step_by(997) {
        bytes[at] ^= 0x10;
    }
    bytes
}

#[test]
fn reading_allocates_nothing() {
    let bytes = stream();
    let (mut decoder, mut reader) = (Decoder::new(), BoardReader::new());
    let (mut frames, mut readings) = (0, 0);
    let allocated = allocation_counter::measure(|| {
        for chunk in bytes.chunks(77) {
            decoder.feed(chunk, &mut |_| frames += 1);
            reader.feed(0, chunk, &mut |_| readings += 1);
        }
    });
    assert!(frames > 100 && readings > 100, "{frames}, {readings}");
    assert_eq!(allocated.count_total, 0, "for {frames} frames");
}

#[test]
fn writing_allocates_nothing() {
    let mut writer = FrameWriter::new();
    let mut sum = 0;
    let allocated = allocation_counter::measure(|| {
        for tick in 0..1000 {
            sum += writer.write(tick, &HostMessage::Heartbeat).unwrap().len();
            sum += writer
                .write(tick, &HostMessage::Cut { reason: 1 })
                .unwrap()
                .len();
        }
    });
    assert!(sum > 20_000, "{sum}");
    assert_eq!(allocated.count_total, 0);
}

/// The counter counts: it could not fail otherwise.
#[test]
fn the_counter_sees_an_allocation() {
    let mut boxed = None;
    let allocated = allocation_counter::measure(|| boxed = Some(Box::new(stream())));
    assert!(boxed.is_some() && allocated.count_total > 1);
}
