//! What can go wrong on the link, and the counts of it.

use crate::frame::{BODY_BYTES_MIN, SEGMENT_BYTES_MAX, VERSION};
use crate::message::ParseError;

/// Something wrong on the link. Byte counts are bytes on the wire, without the delimiter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LinkFault {
    /// Bytes were changed or lost within a frame. Usual once after opening a port mid-frame.
    #[error("CRC of a {bytes} byte frame: computed 0x{computed:04x}, received 0x{received:04x}")]
    BadCrc {
        /// Bytes discarded.
        bytes: usize,
        /// CRC of the bytes that came.
        computed: u16,
        /// CRC that came with them.
        received: u16,
    },
    /// The bytes between two delimiters are no COBS encoding. Usual once after opening a port
    /// mid-frame.
    #[error("{bytes} bytes between delimiters are not COBS: the last code points past the end")]
    BadCobs {
        /// Bytes discarded.
        bytes: usize,
    },
    /// No delimiter came in time. Reported once, when the limit is passed; everything up to the
    /// next delimiter is discarded. A wrong baud rate looks like this.
    #[error("no delimiter within {SEGMENT_BYTES_MAX} bytes")]
    TooLong,
    /// Too few bytes between two delimiters to hold header and CRC.
    #[error("frame body: expected at least {BODY_BYTES_MIN} bytes, found {body_bytes}")]
    TooShort {
        /// Length of the body.
        body_bytes: usize,
    },
    /// The sender speaks another version of the protocol.
    #[error("protocol version: expected {VERSION}, found {found}")]
    WrongVersion {
        /// Version that came.
        found: u8,
    },
    /// A sound frame whose content could not be read. It keeps its place in the sequence.
    #[error(transparent)]
    BadMessage(#[from] ParseError),
    /// Frames are missing before this one (modulo 2^16).
    #[error("{count} frames lost")]
    FramesLost {
        /// How many.
        count: u16,
    },
    /// A frame came again; its message is not passed on a second time.
    #[error("frame {seq} came twice")]
    Duplicate {
        /// Its number.
        seq: u16,
    },
    /// A frame came after later ones; its message follows.
    #[error("frame {seq} came late")]
    Reordered {
        /// Its number.
        seq: u16,
    },
    /// The board started again, or is another board: limits, sequence, ticks and tooth numbers
    /// begin again. Ticks before and after have nothing to do with each other.
    #[error("the board restarted")]
    BoardRestarted,
}

/// Counts since the reader was made. They saturate nowhere in practice: 64 bits at 50 kB/s.
///
/// At any time `bytes_received == bytes_in_frames + bytes_discarded + bytes_idle + pending`, with
/// `pending` from [`Decoder::pending_bytes`](crate::Decoder::pending_bytes).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counters {
    /// Every byte fed.
    pub bytes_received: u64,
    /// Bytes of sound frames, delimiters included.
    pub bytes_in_frames: u64,
    /// Bytes of everything else between delimiters, and the delimiter that ended it.
    pub bytes_discarded: u64,
    /// Delimiters with nothing before them, and comments between lines. They are allowed and
    /// harmless.
    pub bytes_idle: u64,
    /// Sound frames.
    pub frames: u64,
    /// [`LinkFault::BadCrc`].
    pub bad_crc: u64,
    /// [`LinkFault::BadCobs`].
    pub bad_cobs: u64,
    /// [`LinkFault::TooLong`].
    pub too_long: u64,
    /// [`LinkFault::TooShort`].
    pub too_short: u64,
    /// [`LinkFault::WrongVersion`].
    pub wrong_version: u64,
    /// [`LinkFault::BadMessage`] with an unknown kind.
    pub unknown_kind: u64,
    /// [`LinkFault::BadMessage`] with a payload that breaks its layout.
    pub bad_payload: u64,
    /// Frames missing from the sequence and not come late since.
    pub frames_lost: u64,
    /// [`LinkFault::Duplicate`].
    pub duplicates: u64,
    /// [`LinkFault::Reordered`].
    pub reordered: u64,
    /// [`LinkFault::BoardRestarted`].
    pub restarts: u64,
}

impl Counters {
    /// Frames that came damaged. A board's `receive_errors` are these, and frames of a known kind
    /// whose payload it could not read.
    #[must_use]
    pub const fn frames_damaged(&self) -> u64 {
        self.bad_crc
            .saturating_add(self.bad_cobs)
            .saturating_add(self.too_long)
            .saturating_add(self.too_short)
            .saturating_add(self.wrong_version)
    }

    pub(crate) const fn count(&mut self, fault: LinkFault) {
        match fault {
            LinkFault::BadCrc { .. } => self.bad_crc += 1,
            LinkFault::BadCobs { .. } => self.bad_cobs += 1,
            LinkFault::TooLong => self.too_long += 1,
            LinkFault::TooShort { .. } => self.too_short += 1,
            LinkFault::WrongVersion { .. } => self.wrong_version += 1,
            LinkFault::BadMessage(ParseError::UnknownKind { .. }) => self.unknown_kind += 1,
            LinkFault::BadMessage(_) => self.bad_payload += 1,
            LinkFault::FramesLost { count } => self.frames_lost += count as u64,
            LinkFault::Duplicate { .. } => self.duplicates += 1,
            LinkFault::Reordered { .. } => {
                self.reordered += 1;
                self.frames_lost = self.frames_lost.saturating_sub(1);
            }
            LinkFault::BoardRestarted => self.restarts += 1,
        }
    }
}
