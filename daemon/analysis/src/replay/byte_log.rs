//! Stored chunks as one byte log that can be read by itself.

use leverarm_protocol::{BoardMessage, BoardReader, Form, FrameWriter, Hello, LineWriter, Reading};
use leverarm_store::{Chunk, ConnectionRecord};

/// Whether the board of a connection says that it is simulated: what it recorded is a rehearsal.
#[must_use]
pub fn is_simulated(connection: &ConnectionRecord) -> bool {
    kept_hello(connection, |hello| hello.is_simulated()).unwrap_or(false)
}

/// What the kept hello of a connection says; none without one.
pub(crate) fn kept_hello<T>(
    connection: &ConnectionRecord,
    read: impl Fn(&Hello<'_>) -> T,
) -> Option<T> {
    let mut found = None;
    BoardReader::new().feed(0, &connection.hello.as_ref()?.frame, &mut |reading| {
        if let Reading::Message {
            message: BoardMessage::Hello(hello),
            ..
        } = reading
        {
            found = Some(read(&hello));
        }
    });
    found
}

/// The bytes of chunks of one connection, oldest first, as they came from the board. A stretch from
/// the middle of a connection has no hello in it: the one that was kept is put in front, in the
/// board's own form and as if it had been sent just before.
#[must_use]
pub fn byte_log<'a>(
    connection: &ConnectionRecord,
    chunks: impl Iterator<Item = &'a Chunk>,
) -> Vec<u8> {
    let mut bytes = Vec::new();
    for chunk in chunks {
        bytes.extend_from_slice(&chunk.bytes);
    }
    let mut first = None;
    let mut reader = BoardReader::new();
    reader.feed(0, &bytes, &mut |reading| {
        if let Reading::Message { tick, seq, .. } = reading {
            first.get_or_insert((tick, seq));
        }
    });
    let (Some((tick, seq)), Some(kept)) = (first, &connection.hello) else {
        return bytes;
    };
    if reader.tick_hz().is_some() {
        return bytes;
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "ticks of the wire wrap by design"
    )]
    let (tick, seq) = (tick as u32, seq.wrapping_sub(1));
    let mut log = Vec::new();
    BoardReader::new().feed(0, &kept.frame, &mut |reading| {
        let Reading::Message { message, .. } = reading else {
            return;
        };
        if let BoardMessage::Hello(_) = message {
            let (mut frames, mut lines) = (FrameWriter::from_seq(seq), LineWriter::from_seq(seq));
            let hello = match reader.form() {
                Some(Form::Lines) => lines.write(tick, &message),
                Some(Form::Frames) | None => frames.write(tick, &message),
            };
            // It came in a frame, and so fits one.
            log.extend_from_slice(hello.unwrap_or_default());
        }
    });
    log.extend_from_slice(&bytes);
    log
}

#[cfg(test)]
mod tests {
    use leverarm_protocol::{Channel, ChannelKind, Hello as BoardHello};
    use leverarm_store::{ChunkId, ConnectionId, Hello};

    use super::*;

    /// A stretch from the middle of a connection in each form: as it was, behind the hello.
    #[test]
    fn a_stretch_gets_its_hello_in_the_boards_own_form() {
        let channel = Channel::new(ChannelKind::Force, 0, 80);
        let message = BoardMessage::Hello(BoardHello {
            board_id: 0xB0,
            boot: 3,
            firmware: [1, 0, 0],
            tick_hz: 2_000_000,
            channels: &[channel.to_bytes()],
        });
        let frame = FrameWriter::new().write(0, &message).unwrap().to_vec();
        let connection = ConnectionRecord {
            id: ConnectionId::new(1),
            port: "a port".to_owned(),
            opened_wall_us: 0,
            opened_mono_us: 0,
            hello: Some(Hello {
                frame,
                tick_hz: 2_000_000,
                board_id: 0xB0,
                boot: 3,
            }),
            closed_wall_us: None,
            closed_reason: None,
            stand: None,
        };
        let force = BoardMessage::Force {
            channel: 0,
            counts: -42,
        };
        let lines = LineWriter::from_seq(0).write(7, &force).unwrap().to_vec();
        let frames = FrameWriter::from_seq(0).write(7, &force).unwrap().to_vec();
        for bytes in [lines, frames] {
            let chunk = |bytes: &[u8]| Chunk {
                id: ChunkId::new(1),
                connection: connection.id,
                seq: 0,
                mono_us_first: 0,
                mono_us_last: 0,
                wall_us_first: 0,
                tick_first: Some(7),
                bytes: bytes.to_vec(),
            };
            let log = byte_log(&connection, std::iter::once(&chunk(&bytes)));
            assert!(log.ends_with(&bytes));
            let mut reader = BoardReader::new();
            let mut messages = 0;
            reader.feed(0, &log, &mut |reading| {
                let Reading::Message { tick, .. } = reading else {
                    panic!("{reading:?}");
                };
                assert_eq!(tick % (1 << 32), 7);
                messages += 1;
            });
            assert_eq!((messages, reader.tick_hz()), (2, Some(2_000_000)));
            let once = byte_log(&connection, std::iter::once(&chunk(&log)));
            assert_eq!(once, log, "a hello is there already");
        }
    }
}
