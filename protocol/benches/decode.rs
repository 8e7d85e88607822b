//! How fast a valid stream decodes, beside the bare CRC and COBS of the libraries.
//!
//! Prints one line of `name=value`; the fastest of several rounds counts.

#![expect(clippy::print_stdout, reason = "printing is what it is for")]
#![expect(clippy::unwrap_used, reason = "a bench may stop")]

use std::hint::black_box;
use std::time::Instant;

use crc::{CRC_16_IBM_3740, Crc, Table};
use leverarm_protocol::{
    Analog, BoardMessage, BoardReader, BoardState, CutCause, Decoder, FrameWriter, Limits, Status,
    TeethBatch,
};

/// As a serial port gives them.
const CHUNK_BYTES: usize = 4096;
const ROUNDS: u32 = 15;

fn main() {
    let (stream, frames) = stream();

    let decoder_s = fastest_s(|| {
        let mut decoder = Decoder::new();
        let mut decoded = 0;
        for chunk in stream.chunks(CHUNK_BYTES) {
            decoder.feed(chunk, &mut |frame| {
                black_box(frame.unwrap());
                decoded += 1;
            });
        }
        assert_eq!(decoded, frames);
    });
    let reader_s = fastest_s(|| {
        let mut reader = BoardReader::new();
        for chunk in stream.chunks(CHUNK_BYTES) {
            reader.feed(0, chunk, &mut |reading| {
                black_box(&reading);
            });
        }
        assert_eq!(reader.counters().frames, frames);
    });
    let crc_16: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_3740);
    let libraries_s = fastest_s(|| libraries(&stream, |body| crc_16.checksum(body)));
    let crc_1: Crc<u16, Table<1>> = Crc::<u16, Table<1>>::new(&CRC_16_IBM_3740);
    let one_table_s = fastest_s(|| libraries(&stream, |body| crc_1.checksum(body)));

    let megabytes = f64::from(u32::try_from(stream.len()).unwrap()) / 1e6;
    println!(
        "decode_mb_per_s={:.0} ratio_to_crc_cobs={:.2} reader_mb_per_s={:.0} \
         crc_cobs_mb_per_s={:.0} crc_one_table_cobs_mb_per_s={:.0}",
        megabytes / decoder_s,
        libraries_s / decoder_s,
        megabytes / reader_s,
        megabytes / libraries_s,
        megabytes / one_table_s,
    );
}

/// COBS and CRC by the libraries, and nothing else.
fn libraries(stream: &[u8], checksum: impl Fn(&[u8]) -> u16) {
    let mut body = [0; 256];
    for segment in stream
        .split(|&byte| byte == 0)
        .filter(|segment| !segment.is_empty())
    {
        let len = cobs::decode(segment, &mut body).unwrap().frame_size();
        let (checked, crc) = body[..len].split_last_chunk::<2>().unwrap();
        assert_eq!(checksum(checked), u16::from_le_bytes(*crc));
    }
}

fn fastest_s(mut work: impl FnMut()) -> f64 {
    (0..ROUNDS).fold(f64::INFINITY, |fastest, _| {
        #[expect(clippy::disallowed_methods, reason = "measuring is what it is for")]
        let start = Instant::now();
        work();
        fastest.min(start.elapsed().as_secs_f64())
    })
}

/// A pull seen by a board at 16 MHz: 5,000 to 20,000 teeth a second, force and four analog channels
/// at 500 Hz, status at 10 Hz. Returns the bytes and the number of frames.
fn stream() -> (Vec<u8>, u64) {
    let mut writer = FrameWriter::new();
    let mut bytes = Vec::new();
    let mut send = |tick, message: &BoardMessage<'_>| {
        bytes.extend_from_slice(writer.write(tick, message).unwrap());
    };
    let mut frames = 0;
    let mut batch = TeethBatch::new(0);
    let mut tick = 0_u64;
    let (mut next_sample, mut next_status) = (0, 0);
    let mut sample = 0_i32;
    for tooth in 0..400_000_u64 {
        tick += 3_200 - 2_400 * tooth / 400_000;
        if !batch.push(tick) {
            let (first, message) = batch.message().unwrap();
            send(first, &message);
            frames += 1;
            batch.clear();
            assert!(batch.push(tick));
        }
        let now = u32::try_from(tick & 0xFFFF_FFFF).unwrap();
        if tick >= next_sample {
            next_sample = tick + 32_000;
            sample += 37;
            send(
                now,
                &BoardMessage::Force {
                    channel: 0,
                    counts: 1_000_000 + sample,
                },
            );
            let counts = [3_000_i16, -12, 15_000, 0].map(i16::to_le_bytes);
            send(
                now,
                &BoardMessage::Analog(Analog {
                    first_channel: 0,
                    counts: &counts,
                }),
            );
            frames += 2;
        }
        if tick >= next_status {
            next_status = tick + 1_600_000;
            let status = Status {
                state: BoardState::Running,
                cut_id: 1,
                cause: Some(CutCause::HostCommand),
                captures_lost: 0,
                receive_errors: 2,
                limits: Limits::default(),
            };
            send(now, &BoardMessage::Status(status));
            frames += 1;
        }
    }
    (bytes, frames)
}
