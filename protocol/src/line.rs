//! The plain-text form: lines of words and numbers instead of frames.
//!
//! A line is turned into the frame it stands for and read by the same code, so either form gives
//! the same messages.

use core::fmt::Write as _;

use crate::decoder::{Segment, Segments};
use crate::fault::{Counters, LinkFault};
use crate::frame::{
    Body, EncodeError, Frame, Message, PAYLOAD_BYTES_MAX, SEGMENT_BYTES_MAX, crc16, payload_of,
};
use crate::message::kind;

/// Longest line, with the line feed at its end.
pub const LINE_BYTES_MAX: usize = SEGMENT_BYTES_MAX + 1;

const LINE_FEED: u8 = b'\n';

/// A line that says nothing to the host.
const COMMENT: u8 = b'#';

/// The kind of a word that is none of the protocol's: [`kind`] never uses it.
const KIND_UNKNOWN: u8 = 0;

/// A number on the wire.
#[derive(Clone, Copy)]
enum Number {
    U8,
    U16,
    U32,
    U64,
    I16,
    I32,
}

/// How the numbers of a kind follow each other.
struct Layout {
    kind: u8,
    word: &'static str,
    fixed: &'static [Number],
    list: List,
}

/// What may come any number of times behind the fixed numbers.
enum List {
    None,
    /// Up to the end.
    Bare(Number),
    /// The same, but a frame has their number before them, which a line leaves out.
    Counted(&'static [Number]),
}

use Number::{I16, I32, U8, U16, U32, U64};

const CHANNEL: List = List::Counted(&[U8, U8, U16]);
const TEMPERATURE_LIMIT: List = List::Counted(&[U8, I32]);

#[rustfmt::skip]
const FROM_BOARD: [Layout; 8] = [
    Layout { kind: kind::HELLO, word: "hello", fixed: &[U64, U16, U8, U8, U8, U32], list: CHANNEL },
    Layout { kind: kind::TEETH, word: "teeth", fixed: &[U8, U32], list: List::Bare(U16) },
    Layout { kind: kind::FORCE, word: "force", fixed: &[U8, I32], list: List::None },
    Layout { kind: kind::ANALOG, word: "analog", fixed: &[U8], list: List::Bare(I16) },
    Layout { kind: kind::TEMPERATURE, word: "temperature", fixed: &[U8, I32], list: List::None },
    Layout { kind: kind::STATUS, word: "status", fixed: &[U8, U16, U8, U32, U32, U32, U8, U16], list: TEMPERATURE_LIMIT },
    Layout { kind: kind::CUT, word: "cut", fixed: &[U16, U8], list: List::None },
    Layout { kind: kind::LOAD, word: "load", fixed: &[U16, U8, U8, U8, U8, U8, I32, I32, I32, I32, I32], list: List::None },
];

#[rustfmt::skip]
const FROM_HOST: [Layout; 9] = [
    Layout { kind: kind::HEARTBEAT, word: "heartbeat", fixed: &[], list: List::None },
    Layout { kind: kind::LIMITS, word: "limits", fixed: &[U32, U8, U16], list: TEMPERATURE_LIMIT },
    Layout { kind: kind::HOST_CUT, word: "cut", fixed: &[U8], list: List::None },
    Layout { kind: kind::RELEASE, word: "release", fixed: &[U16], list: List::None },
    Layout { kind: kind::IDENTIFY, word: "identify", fixed: &[], list: List::None },
    Layout { kind: kind::LOAD_MAP, word: "load_map", fixed: &[U16; 25], list: List::None },
    Layout { kind: kind::LOAD_GAINS, word: "load_gains", fixed: &[U16, U16, U16, U32, U16, U32, U32, U16, U32, U32, I32, I32, U32, U32, U32, U32, U32, U16], list: List::None },
    Layout { kind: kind::LOAD_DEMAND, word: "load_demand", fixed: &[U8, I32, I32, I32], list: List::None },
    Layout { kind: kind::LOAD_ARM, word: "load_arm", fixed: &[U8], list: List::None },
];

fn layouts() -> impl Iterator<Item = &'static Layout> {
    FROM_BOARD.iter().chain(&FROM_HOST)
}

impl Number {
    const fn bytes(self) -> usize {
        match self {
            U8 => 1,
            U16 | I16 => 2,
            U32 | I32 => 4,
            U64 => 8,
        }
    }

    /// The number a word is, little endian, if it has this size.
    fn parse(self, word: &str) -> Option<[u8; 16]> {
        let value: i128 = word.parse().ok()?;
        let fits = match self {
            U8 => u8::try_from(value).is_ok(),
            U16 => u16::try_from(value).is_ok(),
            U32 => u32::try_from(value).is_ok(),
            U64 => u64::try_from(value).is_ok(),
            I16 => i16::try_from(value).is_ok(),
            I32 => i32::try_from(value).is_ok(),
        };
        fits.then_some(value.to_le_bytes())
    }

    /// Takes a number of this size off the front of a payload.
    fn take(self, payload: &[u8]) -> Option<(i128, &[u8])> {
        let (field, rest) = payload.split_at_checked(self.bytes())?;
        let sign = match (self, field.last()) {
            (I16 | I32, Some(0x80..)) => 0xFF,
            _ => 0,
        };
        let mut bytes = [sign; 16];
        for (byte, &from) in bytes.iter_mut().zip(field) {
            *byte = from;
        }
        Some((i128::from_le_bytes(bytes), rest))
    }
}

/// Who sent the lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sender {
    Board,
    Host,
}

/// Turns a stream of bytes, split anywhere, into the frames that its lines stand for.
///
/// After damage it is in step again at the next line. Empty lines and comments, which begin with
/// `#`, count as idle bytes.
#[derive(Clone, Debug)]
pub struct LineDecoder {
    sender: Sender,
    segments: Segments,
    payload: [u8; PAYLOAD_BYTES_MAX],
}

impl LineDecoder {
    /// A decoder of a board's lines that has seen no byte.
    #[must_use]
    pub fn from_board() -> Self {
        Self::new(Sender::Board)
    }

    /// A decoder of a host's lines that has seen no byte.
    #[must_use]
    pub fn from_host() -> Self {
        Self::new(Sender::Host)
    }

    fn new(sender: Sender) -> Self {
        Self {
            sender,
            segments: Segments::new(LINE_FEED),
            payload: [0; PAYLOAD_BYTES_MAX],
        }
    }

    /// As [`Decoder::counters`](crate::Decoder::counters). A damaged line counts as `bad_crc`, one
    /// too long as `too_long`.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.segments.counters
    }

    /// Bytes held back because the end of their line has not come.
    #[must_use]
    pub const fn pending_bytes(&self) -> usize {
        self.segments.pending_bytes()
    }

    /// Takes the next bytes and calls `sink` for every line they complete and every fault they
    /// show, in order. How the bytes are split over calls makes no difference.
    pub fn feed(&mut self, bytes: &[u8], sink: &mut impl FnMut(Result<Frame<'_>, LinkFault>)) {
        let Self {
            sender,
            segments,
            payload,
        } = self;
        let layouts: &[Layout] = match sender {
            Sender::Board => &FROM_BOARD,
            Sender::Host => &FROM_HOST,
        };
        let mut copy = |result: Result<Frame<'_>, LinkFault>| match result {
            Ok(line) => match frame_of(layouts, line.payload, payload) {
                Some(frame) => sink(Ok(frame)),
                None => sink(Ok(line)),
            },
            Err(fault) => sink(Err(fault)),
        };
        segments.feed(bytes, decode_line, &mut copy);
    }
}

/// Checks a line. The frame it gives is only a carrier: its payload is the text.
fn decode_line(line: &mut [u8]) -> Segment<'_> {
    let line = match line {
        [before @ .., b'\r'] => before,
        line => line,
    };
    if matches!(line, [] | [COMMENT, ..]) {
        return Segment::Idle;
    }
    let damaged = |computed, received| {
        Segment::Fault(LinkFault::BadCrc {
            bytes: line.len(),
            computed,
            received,
        })
    };
    let Some((checked, [b'*', digits @ ..])) = line
        .len()
        .checked_sub(5)
        .and_then(|at| line.split_at_checked(at))
    else {
        return damaged(crc16(line), 0);
    };
    let digits = str::from_utf8(digits).unwrap_or_default();
    let computed = crc16(checked);
    let received = u16::from_str_radix(digits, 16).unwrap_or(!computed);
    match str::from_utf8(checked) {
        Ok(text) if computed == received => Segment::Frame(Frame {
            kind: KIND_UNKNOWN,
            seq: 0,
            tick: 0,
            payload: text.as_bytes(),
        }),
        _ => damaged(computed, received),
    }
}

/// The frame a sound line stands for; `None` if it does not begin with a word, a sequence number
/// and a tick.
///
/// What comes after a number that is none, or does not fit its field, is left out: the payload is
/// then too short for its kind, and is reported as that.
fn frame_of<'a>(
    layouts: &[Layout],
    line: &[u8],
    payload: &'a mut [u8; PAYLOAD_BYTES_MAX],
) -> Option<Frame<'a>> {
    let text = str::from_utf8(line).ok()?;
    let mut words = text.split_ascii_whitespace();
    let word = words.next()?;
    let seq = words.next()?.parse().ok()?;
    let tick = words.next()?.parse().ok()?;
    let Some(layout) = layouts.iter().find(|layout| layout.word == word) else {
        return Some(Frame {
            kind: KIND_UNKNOWN,
            seq,
            tick,
            payload: &[],
        });
    };
    let mut filler = Filler { payload, len: 0 };
    // Where it breaks off, what was read so far is the payload: too short for its kind.
    let _whole = filler.fill(layout, words);
    let len = filler.len;
    Some(Frame {
        kind: layout.kind,
        seq,
        tick,
        payload: payload.get(..len)?,
    })
}

/// A payload being put together.
struct Filler<'a> {
    payload: &'a mut [u8; PAYLOAD_BYTES_MAX],
    len: usize,
}

impl Filler<'_> {
    /// Takes the numbers of a line. `None` where it broke off.
    fn fill<'w>(
        &mut self,
        layout: &Layout,
        mut words: impl Iterator<Item = &'w str>,
    ) -> Option<()> {
        for &number in layout.fixed {
            self.put(number, words.next()?)?;
        }
        match layout.list {
            // More than is known of: for a later version.
            List::None => Some(()),
            List::Bare(number) => {
                let whole = words.try_for_each(|word| self.put(number, word));
                if whole.is_none() {
                    // A part of an item, so that a list that broke off is not taken for a whole one.
                    self.len = (self.len + 1).min(self.payload.len());
                }
                whole
            }
            List::Counted(item) => {
                let count_at = self.len;
                self.put(U8, "0")?;
                let mut numbers = item.iter().cycle();
                let mut taken = 0_usize;
                let whole = words.try_for_each(|word| {
                    taken += 1;
                    numbers.next().and_then(|&number| self.put(number, word))
                });
                // A part of an item, or one that broke off, is one that is too short.
                let items = taken.div_ceil(item.len());
                let count = self.payload.get_mut(count_at)?;
                *count = u8::try_from(items).unwrap_or(u8::MAX);
                whole
            }
        }
    }

    fn put(&mut self, number: Number, word: &str) -> Option<()> {
        let value = number.parse(word)?;
        let end = self.len + number.bytes();
        let free = self.payload.get_mut(self.len..end)?;
        free.copy_from_slice(value.get(..number.bytes())?);
        self.len = end;
        Some(())
    }
}

/// Numbers and writes the lines of one sender, as [`FrameWriter`](crate::FrameWriter) does frames.
#[derive(Clone, Debug)]
pub struct LineWriter {
    next_seq: u16,
    out: Text,
}

impl LineWriter {
    /// A sender whose first line has number 0.
    #[must_use]
    pub const fn new() -> Self {
        Self::from_seq(0)
    }

    /// A sender whose first line has this number.
    #[must_use]
    pub const fn from_seq(next_seq: u16) -> Self {
        Self {
            next_seq,
            out: Text::new(),
        }
    }

    /// Number the next line will have.
    #[must_use]
    pub const fn next_seq(&self) -> u16 {
        self.next_seq
    }

    /// Writes the next line and returns its bytes, line feed included.
    ///
    /// `tick` is board ticks for a board, milliseconds for a host. The number is used up only if
    /// the message fits.
    ///
    /// # Errors
    /// The message does not fit a line: too many deltas, counts or channels.
    pub fn write(&mut self, tick: u32, message: &impl Message) -> Result<&[u8], EncodeError> {
        let mut body = Body::new();
        payload_of(message, &mut body)?;
        let payload = body.written().unwrap_or_default();
        let too_long = EncodeError {
            kind: message.kind(),
            payload_bytes_max: PAYLOAD_BYTES_MAX,
            payload_bytes: payload.len(),
        };
        self.out.len = 0;
        write_line(message.kind(), self.next_seq, tick, payload, &mut self.out)
            .map_err(|core::fmt::Error| too_long)?;
        self.next_seq = self.next_seq.wrapping_add(1);
        Ok(self.out.written())
    }
}

impl Default for LineWriter {
    fn default() -> Self {
        Self::new()
    }
}

fn write_line(
    kind: u8,
    seq: u16,
    tick: u32,
    payload: &[u8],
    out: &mut Text,
) -> Result<(), core::fmt::Error> {
    let layout = layouts()
        .find(|layout| layout.kind == kind)
        .ok_or(core::fmt::Error)?;
    write!(out, "{} {seq} {tick}", layout.word)?;
    let mut rest = payload;
    let mut number = |number: Number, rest: &mut &[u8]| -> Result<(), core::fmt::Error> {
        let (value, after) = number.take(rest).ok_or(core::fmt::Error)?;
        *rest = after;
        write!(out, " {value}")
    };
    for &field in layout.fixed {
        number(field, &mut rest)?;
    }
    match layout.list {
        List::None => {}
        List::Bare(item) => {
            while !rest.is_empty() {
                number(item, &mut rest)?;
            }
        }
        List::Counted(item) => {
            rest = rest.get(1..).unwrap_or_default();
            for &field in item.iter().cycle() {
                if rest.is_empty() {
                    break;
                }
                number(field, &mut rest)?;
            }
        }
    }
    let crc = crc16(out.written());
    writeln!(out, "*{crc:04x}")
}

/// A line being written.
#[derive(Clone, Debug)]
struct Text {
    bytes: [u8; LINE_BYTES_MAX],
    len: usize,
}

impl Text {
    const fn new() -> Self {
        Self {
            bytes: [0; LINE_BYTES_MAX],
            len: 0,
        }
    }

    fn written(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or_default()
    }
}

impl core::fmt::Write for Text {
    fn write_str(&mut self, text: &str) -> core::fmt::Result {
        let end = self.len + text.len();
        let free = self.bytes.get_mut(self.len..end).ok_or(core::fmt::Error)?;
        free.copy_from_slice(text.as_bytes());
        self.len = end;
        Ok(())
    }
}
