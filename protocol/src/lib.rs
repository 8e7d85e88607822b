//! Frames between an acquisition board and the host.
//!
//! `SPEC.md` beside this crate is the definition; this is one implementation of it. The crate
//! takes bytes and host times and gives messages: no port, no clock, no allocation. Nothing in it
//! panics, whatever bytes arrive, and [`Counters`] account for every byte fed.
//!
//! - A host reads a board with [`BoardReader`] and writes with [`FrameWriter`].
//! - A board, real or simulated, reads the host with [`Decoder`] and [`HostMessage::parse`], and
//!   writes with [`FrameWriter`], gathering teeth in a [`TeethBatch`].
//! - [`LineDecoder`] and [`LineWriter`] do the same for the plain-text form. [`BoardReader`] finds
//!   out by itself which form a board speaks; [`HostWriter`] writes in either, or in both.
//!
//! ```
//! use leverarm_protocol::{BoardMessage, BoardReader, FrameWriter, Reading};
//!
//! // The board sends, the line splits, the host reads.
//! let mut board = FrameWriter::new();
//! let bytes = board.write(16_000, &BoardMessage::Force { channel: 0, counts: -42 })?;
//! let (some, rest) = bytes.split_at(5);
//!
//! let mut host = BoardReader::new();
//! let mut counts_read = None;
//! for (host_us, piece) in [(1_000, some), (1_100, rest)] {
//!     host.feed(host_us, piece, &mut |reading| match reading {
//!         Reading::Message { message: BoardMessage::Force { counts, .. }, .. } => {
//!             counts_read = Some(counts);
//!         }
//!         other => panic!("{other:?}"),
//!     });
//! }
//! assert_eq!(counts_read, Some(-42));
//! # Ok::<(), leverarm_protocol::EncodeError>(())
//! ```
#![no_std]
// Indexing is the usual way for wire code to panic; tests may.
#![warn(
    clippy::indexing_slicing,
    clippy::string_slice,
    clippy::panic,
    clippy::expect_used
)]

mod decoder;
mod fault;
mod frame;
mod host;
mod line;
mod load;
mod message;
mod reader;
mod sequence;
mod teeth;
mod ticks;

pub use decoder::Decoder;
pub use fault::{Counters, LinkFault};
pub use frame::{
    BODY_BYTES_MAX, EncodeError, FRAME_BYTES_MAX, Frame, FrameWriter, Message, PAYLOAD_BYTES_MAX,
    VERSION, crc16,
};
pub use host::HostWriter;
pub use line::{LINE_BYTES_MAX, LineDecoder, LineWriter};
pub use load::{
    LoadArm, LoadCommand, LoadDemand, LoadGains, LoadMap, LoadMode, LoadStatus, LoadWhy,
};
pub use message::{
    Analog, BoardMessage, BoardState, Channel, ChannelKind, CutCause, Hello, HostMessage, Limits,
    ParseError, Status, TEMPERATURE_UNREADABLE, TICK_HZ_MAX, TICK_HZ_MIN, Teeth, TemperatureLimit,
    TemperatureLimits, kind,
};
pub use reader::{BoardReader, Form, Reading};
pub use teeth::{TEETH_PER_FRAME_MAX, TeethBatch};
pub use ticks::TickUnwrapper;
