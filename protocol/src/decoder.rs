//! Bytes to frames.

use crate::fault::{Counters, LinkFault};
use crate::frame::{
    BODY_BYTES_MIN, CRC_BYTES, DELIMITER, Frame, SEGMENT_BYTES_MAX, VERSION, crc16,
};

/// Turns a stream of bytes, split anywhere, into frames.
///
/// After damage it is in step again at the next delimiter.
#[derive(Clone, Debug)]
pub struct Decoder {
    segment: [u8; SEGMENT_BYTES_MAX],
    len: usize,
    /// The segment is too long: drop everything up to the next delimiter.
    skipping: bool,
    counters: Counters,
}

impl Decoder {
    /// A decoder that has seen no byte.
    #[must_use]
    pub fn new() -> Self {
        Self {
            segment: [0; SEGMENT_BYTES_MAX],
            len: 0,
            skipping: false,
            counters: Counters::default(),
        }
    }

    /// Counts of bytes, frames and damage. Faults of content and sequence stay 0 here;
    /// [`BoardReader::counters`](crate::BoardReader::counters) has them all.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.counters
    }

    /// Bytes held back because their delimiter has not come.
    #[must_use]
    pub const fn pending_bytes(&self) -> usize {
        self.len
    }

    /// Takes the next bytes and calls `sink` for every frame they complete and every fault they
    /// show, in order. How the bytes are split over calls makes no difference.
    pub fn feed(&mut self, bytes: &[u8], sink: &mut impl FnMut(Result<Frame<'_>, LinkFault>)) {
        self.counters.bytes_received += bytes.len() as u64;
        for piece in bytes.split_inclusive(|&byte| byte == DELIMITER) {
            match piece.split_last() {
                Some((&DELIMITER, before)) => {
                    self.append(before, sink);
                    self.delimiter(sink);
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

    fn delimiter(&mut self, sink: &mut impl FnMut(Result<Frame<'_>, LinkFault>)) {
        let bytes = self.len as u64 + 1;
        let segment = self.segment.get_mut(..self.len).unwrap_or_default();
        self.len = 0;
        if self.skipping {
            self.skipping = false;
            self.counters.bytes_discarded += 1;
        } else if segment.is_empty() {
            self.counters.bytes_idle += 1;
        } else {
            let result = decode_segment(segment);
            match result {
                Ok(_) => {
                    self.counters.frames += 1;
                    self.counters.bytes_in_frames += bytes;
                }
                Err(fault) => {
                    self.counters.bytes_discarded += bytes;
                    self.counters.count(fault);
                }
            }
            sink(result);
        }
    }
}

impl Default for Decoder {
    fn default() -> Self {
        Self::new()
    }
}

fn decode_segment(segment: &mut [u8]) -> Result<Frame<'_>, LinkFault> {
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
