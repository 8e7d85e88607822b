//! The envelope: header, CRC, COBS, delimiter.

use crc::{CRC_16_IBM_3740, Crc, Table};

use crate::message::ParseError;

/// Protocol version this crate speaks, the first byte of every frame body.
pub const VERSION: u8 = 1;

/// Longest frame body: header, payload and CRC.
///
/// One byte below a full COBS block, so that COBS adds exactly one byte, and code `0xFF`, the one
/// place where COBS encoders differ, never occurs.
pub const BODY_BYTES_MAX: usize = 253;

/// Version, kind, sequence number, tick.
pub(crate) const HEADER_BYTES: usize = 8;

/// Length of the CRC at the end of the body.
pub(crate) const CRC_BYTES: usize = 2;

/// Shortest frame body: header and CRC, no payload.
pub(crate) const BODY_BYTES_MIN: usize = HEADER_BYTES + CRC_BYTES;

/// Longest payload.
pub const PAYLOAD_BYTES_MAX: usize = BODY_BYTES_MAX - BODY_BYTES_MIN;

/// Longest run of bytes between two delimiters: the body and its one COBS code byte.
pub(crate) const SEGMENT_BYTES_MAX: usize = BODY_BYTES_MAX + 1;

/// Longest frame on the wire, delimiter included.
pub const FRAME_BYTES_MAX: usize = SEGMENT_BYTES_MAX + 1;

/// Ends every frame; COBS keeps it out of everything else.
pub(crate) const DELIMITER: u8 = 0;

// 16 tables of 512 bytes instead of one: with one, CRC and COBS together take 1.7 times as long
// (`cargo bench -p leverarm-protocol` prints both).
static CRC: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_3740);

/// CRC-16/IBM-3740 of `bytes`: polynomial 0x1021, initial value 0xFFFF, no reflection, no final
/// exclusive or. The ASCII bytes `123456789` give 0x29B1.
#[must_use]
pub fn crc16(bytes: &[u8]) -> u16 {
    CRC.checksum(bytes)
}

/// A frame whose CRC and version were right; its kind and payload are not yet looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Frame<'a> {
    /// What the payload holds, see [`kind`](crate::kind).
    pub kind: u8,
    /// Sender's running frame number, modulo 2^16.
    pub seq: u16,
    /// Board frames: board ticks modulo 2^32. Host frames: host milliseconds modulo 2^32.
    pub tick: u32,
    /// Bytes between header and CRC.
    pub payload: &'a [u8],
}

/// A message that can be put into a frame: [`BoardMessage`](crate::BoardMessage) or
/// [`HostMessage`](crate::HostMessage).
pub trait Message: sealed::Payload {}

impl<T: sealed::Payload> Message for T {}

pub(crate) mod sealed {
    /// Kept private: only the kinds of the specification may be sent.
    pub trait Payload {
        /// Kind byte of the frame.
        fn kind(&self) -> u8;
        /// Appends the payload.
        fn write(&self, body: &mut super::Body);
    }
}

/// Why a message could not be put into a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "payload of kind 0x{kind:02x}: at most {payload_bytes_max} bytes fit, found {payload_bytes}"
)]
pub struct EncodeError {
    /// Kind of the message.
    pub kind: u8,
    /// [`PAYLOAD_BYTES_MAX`].
    pub payload_bytes_max: usize,
    /// Bytes the message would need.
    pub payload_bytes: usize,
}

/// A body being written. Writing past the end only counts, so that one check at the end suffices.
#[derive(Debug)]
pub struct Body {
    bytes: [u8; BODY_BYTES_MAX],
    len: usize,
}

impl Body {
    pub(crate) const fn new() -> Self {
        Self {
            bytes: [0; BODY_BYTES_MAX],
            len: 0,
        }
    }

    pub(crate) fn put(&mut self, bytes: &[u8]) {
        let end = self.len.saturating_add(bytes.len());
        if let Some(free) = self.bytes.get_mut(self.len..end) {
            free.copy_from_slice(bytes);
        }
        self.len = end;
    }

    pub(crate) fn written(&self) -> Option<&[u8]> {
        self.bytes.get(..self.len)
    }
}

/// The payload of a message, before it is put into either form.
///
/// # Errors
/// It does not fit.
pub(crate) fn payload_of(message: &impl Message, body: &mut Body) -> Result<(), EncodeError> {
    message.write(body);
    if body.len > PAYLOAD_BYTES_MAX {
        return Err(EncodeError {
            kind: message.kind(),
            payload_bytes_max: PAYLOAD_BYTES_MAX,
            payload_bytes: body.len,
        });
    }
    Ok(())
}

/// Encodes one frame, delimiter included, and returns its length on the wire.
///
/// # Errors
/// The payload does not fit: too many deltas, counts or channels.
pub(crate) fn encode(
    message: &impl Message,
    seq: u16,
    tick: u32,
    out: &mut [u8; FRAME_BYTES_MAX],
) -> Result<usize, EncodeError> {
    let kind = message.kind();
    let mut body = Body::new();
    body.put(&[VERSION, kind]);
    body.put(&seq.to_le_bytes());
    body.put(&tick.to_le_bytes());
    message.write(&mut body);
    let payload_bytes = body.len.saturating_sub(HEADER_BYTES);
    let too_long = EncodeError {
        kind,
        payload_bytes_max: PAYLOAD_BYTES_MAX,
        payload_bytes,
    };

    let crc = crc16(body.written().ok_or(too_long)?);
    body.put(&crc.to_le_bytes());
    let body = body.written().ok_or(too_long)?;
    let segment_bytes =
        cobs::try_encode(body, out).map_err(|cobs::DestBufTooSmallError| too_long)?;
    let end = out.get_mut(segment_bytes).ok_or(too_long)?;
    *end = DELIMITER;
    Ok(segment_bytes + 1)
}

/// Numbers and encodes the frames of one sender.
#[derive(Clone, Debug)]
pub struct FrameWriter {
    next_seq: u16,
    out: [u8; FRAME_BYTES_MAX],
}

impl FrameWriter {
    /// A sender whose first frame has number 0, as a board's has after each start.
    #[must_use]
    pub const fn new() -> Self {
        Self::from_seq(0)
    }

    /// A sender whose first frame has this number.
    #[must_use]
    pub const fn from_seq(next_seq: u16) -> Self {
        Self {
            next_seq,
            out: [0; FRAME_BYTES_MAX],
        }
    }

    /// Number the next frame will have.
    #[must_use]
    pub const fn next_seq(&self) -> u16 {
        self.next_seq
    }

    /// Encodes the next frame and returns its bytes, delimiter included.
    ///
    /// `tick` is board ticks for a board, milliseconds for a host. The number is used up only if
    /// the message fits.
    ///
    /// # Errors
    /// The payload does not fit: too many deltas, counts or channels.
    pub fn write(&mut self, tick: u32, message: &impl Message) -> Result<&[u8], EncodeError> {
        let len = encode(message, self.next_seq, tick, &mut self.out)?;
        self.next_seq = self.next_seq.wrapping_add(1);
        Ok(self.out.get(..len).unwrap_or_default())
    }
}

impl Default for FrameWriter {
    fn default() -> Self {
        Self::new()
    }
}

/// Takes fields off the front of a payload.
pub(crate) struct Fields<'a> {
    kind: u8,
    len: usize,
    rest: &'a [u8],
}

impl<'a> Fields<'a> {
    pub(crate) const fn of(frame: &Frame<'a>) -> Self {
        Self {
            kind: frame.kind,
            len: frame.payload.len(),
            rest: frame.payload,
        }
    }

    pub(crate) const fn kind(&self) -> u8 {
        self.kind
    }

    fn bytes<const N: usize>(&mut self) -> Result<[u8; N], ParseError> {
        let (&field, rest) = self
            .rest
            .split_first_chunk::<N>()
            .ok_or_else(|| self.too_short(N))?;
        self.rest = rest;
        Ok(field)
    }

    const fn too_short(&self, needed: usize) -> ParseError {
        let taken = self.len - self.rest.len();
        ParseError::TooShort {
            kind: self.kind,
            expected: taken + needed,
            found: self.len,
        }
    }

    pub(crate) fn u8(&mut self) -> Result<u8, ParseError> {
        self.bytes().map(u8::from_le_bytes)
    }

    pub(crate) fn u16(&mut self) -> Result<u16, ParseError> {
        self.bytes().map(u16::from_le_bytes)
    }

    pub(crate) fn u32(&mut self) -> Result<u32, ParseError> {
        self.bytes().map(u32::from_le_bytes)
    }

    pub(crate) fn u64(&mut self) -> Result<u64, ParseError> {
        self.bytes().map(u64::from_le_bytes)
    }

    pub(crate) fn i32(&mut self) -> Result<i32, ParseError> {
        self.bytes().map(i32::from_le_bytes)
    }

    pub(crate) fn three(&mut self) -> Result<[u8; 3], ParseError> {
        self.bytes()
    }

    /// The next `count` items of `N` bytes.
    pub(crate) fn items<const N: usize>(&mut self, count: u8) -> Result<&'a [[u8; N]], ParseError> {
        let needed = usize::from(count) * N;
        let (taken, rest) = self
            .rest
            .split_at_checked(needed)
            .ok_or_else(|| self.too_short(needed))?;
        self.rest = rest;
        Ok(taken.as_chunks().0)
    }

    /// Everything that is left, as items of `N` bytes.
    pub(crate) fn rest<const N: usize>(self) -> Result<&'a [[u8; N]], ParseError> {
        match self.rest.as_chunks() {
            (items, []) => Ok(items),
            (_, [..]) => Err(ParseError::PartialItem {
                kind: self.kind,
                item_bytes: N,
                found: self.len,
            }),
        }
    }
}
