//! Bytes to frames.

use crate::fault::{Counters, LinkFault};
use crate::frame::{
    BODY_BYTES_MIN, CRC_BYTES, DELIMITER, Frame, SEGMENT_BYTES_MAX, VERSION, crc16,
};

/// Bytes gathered up to a delimiter, with a limit, and the counts of what became of them.
#[derive(Clone, Debug)]
pub(crate) struct Segments {
    delimiter: u8,
    segment: [u8; SEGMENT_BYTES_MAX],
    len: usize,
    /// The segment is too long: drop everything up to the next delimiter.
    skipping: bool,
    pub(crate) counters: Counters,
}

/// What a segment turned out to be.
pub(crate) enum Segment<'a> {
    /// Nothing: allowed, and passed over.
    Idle,
    /// A frame.
    Frame(Frame<'a>),
    /// Damaged.
    Fault(LinkFault),
}

impl Segments {
    pub(crate) fn new(delimiter: u8) -> Self {
        Self {
            delimiter,
            segment: [0; SEGMENT_BYTES_MAX],
            len: 0,
            skipping: false,
            counters: Counters::default(),
        }
    }

    pub(crate) const fn pending_bytes(&self) -> usize {
        self.len
    }

    pub(crate) fn feed<F>(
        &mut self,
        bytes: &[u8],
        mut decode: F,
        sink: &mut impl FnMut(Result<Frame<'_>, LinkFault>),
    ) where
        F: for<'a> FnMut(&'a mut [u8]) -> Segment<'a>,
    {
        let delimiter = self.delimiter;
        self.counters.bytes_received += bytes.len() as u64;
        for piece in bytes.split_inclusive(|&byte| byte == delimiter) {
            match piece.split_last() {
                Some((&last, before)) if last == delimiter => {
                    self.append(before, sink);
                    self.delimiter(&mut decode, sink);
                }
                _ => self.append(piece, sink),
            }
        }
    }

    fn append(&mut self, bytes: &[u8], sink: &mut impl FnMut(Result<Frame<'_>, LinkFault>)) {
        if self.skipping {
            self.counters.bytes_discarded += bytes.len() as u64;
            return;
        }
        let end = self.len + bytes.len();
        if let Some(free) = self.segment.get_mut(self.len..end) {
            free.copy_from_slice(bytes);
            self.len = end;
        } else {
            self.counters.bytes_discarded += end as u64;
            self.len = 0;
            self.skipping = true;
            self.counters.count(LinkFault::TooLong);
            sink(Err(LinkFault::TooLong));
        }
    }

    fn delimiter<F>(&mut self, decode: &mut F, sink: &mut impl FnMut(Result<Frame<'_>, LinkFault>))
    where
        F: for<'a> FnMut(&'a mut [u8]) -> Segment<'a>,
    {
        let bytes = self.len as u64 + 1;
        let segment = self.segment.get_mut(..self.len).unwrap_or_default();
        self.len = 0;
        if self.skipping {
            self.skipping = false;
            self.counters.bytes_discarded += 1;
            return;
        }
        match decode(segment) {
            Segment::Idle => self.counters.bytes_idle += bytes,
            Segment::Frame(frame) => {
                self.counters.frames += 1;
                self.counters.bytes_in_frames += bytes;
                sink(Ok(frame));
            }
            Segment::Fault(fault) => {
                self.counters.bytes_discarded += bytes;
                self.counters.count(fault);
                sink(Err(fault));
            }
        }
    }
}

/// Turns a stream of bytes, split anywhere, into frames.
///
/// After damage it is in step again at the next delimiter.
#[derive(Clone, Debug)]
pub struct Decoder {
    segments: Segments,
}

impl Decoder {
    /// A decoder that has seen no byte.
    #[must_use]
    pub fn new() -> Self {
        Self {
            segments: Segments::new(DELIMITER),
        }
    }

    /// Counts of bytes, frames and damage. Faults of content and sequence stay 0 here;
    /// [`BoardReader::counters`](crate::BoardReader::counters) has them all.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.segments.counters
    }

    /// Bytes held back because their delimiter has not come.
    #[must_use]
    pub const fn pending_bytes(&self) -> usize {
        self.segments.pending_bytes()
    }

    /// Takes the next bytes and calls `sink` for every frame they complete and every fault they
    /// show, in order. How the bytes are split over calls makes no difference.
    pub fn feed(&mut self, bytes: &[u8], sink: &mut impl FnMut(Result<Frame<'_>, LinkFault>)) {
        self.segments.feed(bytes, decode_segment, sink);
    }
}

impl Default for Decoder {
    fn default() -> Self {
        Self::new()
    }
}

fn decode_segment(segment: &mut [u8]) -> Segment<'_> {
    if segment.is_empty() {
        return Segment::Idle;
    }
    match decode_frame(segment) {
        Ok(frame) => Segment::Frame(frame),
        Err(fault) => Segment::Fault(fault),
    }
}

fn decode_frame(segment: &mut [u8]) -> Result<Frame<'_>, LinkFault> {
    let bytes = segment.len();
    let body_bytes =
        cobs::decode_in_place(segment).map_err(|_reason| LinkFault::BadCobs { bytes })?;
    let body = segment.get(..body_bytes).unwrap_or_default();
    let too_short = LinkFault::TooShort {
        body_bytes: body.len(),
    };
    if body.len() < BODY_BYTES_MIN {
        return Err(too_short);
    }
    let (checked, &crc) = body.split_last_chunk::<CRC_BYTES>().ok_or(too_short)?;
    let (computed, received) = (crc16(checked), u16::from_le_bytes(crc));
    if computed != received {
        return Err(LinkFault::BadCrc {
            bytes,
            computed,
            received,
        });
    }
    match *checked {
        [VERSION, kind, s0, s1, t0, t1, t2, t3, ref payload @ ..] => Ok(Frame {
            kind,
            seq: u16::from_le_bytes([s0, s1]),
            tick: u32::from_le_bytes([t0, t1, t2, t3]),
            payload,
        }),
        [found, ..] => Err(LinkFault::WrongVersion { found }),
        [] => Err(too_short),
    }
}
