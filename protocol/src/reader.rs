//! Everything a host needs to follow one board: frames, messages, sequence, ticks, restarts.

use crate::decoder::Decoder;
use crate::fault::{Counters, LinkFault};
use crate::frame::Frame;
use crate::line::LineDecoder;
use crate::message::{BoardMessage, Hello};
use crate::sequence::{Arrival, SequenceWindow};
use crate::ticks::TickUnwrapper;

/// Half of all sequence numbers cannot pass in this time: 32,768 frames of at least 12 bytes take
/// 7.8 s at 500,000 baud. A number that far off after less is a restart.
const HALF_TURN_S_MIN: u64 = 5;

/// What came from a board.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Reading<'a> {
    /// A message.
    Message {
        /// Board ticks, extended by [`TickUnwrapper`].
        tick: u64,
        /// Its frame's number.
        seq: u16,
        /// What it says.
        message: BoardMessage<'a>,
    },
    /// Something wrong.
    Fault(LinkFault),
}

/// How a board writes its messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Frames: COBS and a CRC.
    Frames,
    /// Lines of text.
    Lines,
}

/// Reads one board over one connection, whichever form it speaks: the first sound frame or line
/// decides.
///
/// A restart is certain from a hello with another boot number or board. If that hello is lost, it
/// is inferred from ticks or sequence numbers jumping back. That can miss a restart within a board's
/// first second, or after a long silence, so a host asks for a hello after lost frames.
#[derive(Clone, Debug)]
pub struct BoardReader {
    form: Option<Form>,
    frames: Decoder,
    lines: LineDecoder,
    track: Track,
    /// Faults of content and sequence; the decoders count the others.
    content: Counters,
}

impl BoardReader {
    /// A reader that has seen no byte.
    #[must_use]
    pub fn new() -> Self {
        Self {
            form: None,
            frames: Decoder::new(),
            lines: LineDecoder::from_board(),
            track: Track::default(),
            content: Counters::default(),
        }
    }

    /// A reader of a board whose form is known.
    #[must_use]
    pub fn of(form: Form) -> Self {
        Self {
            form: Some(form),
            ..Self::new()
        }
    }

    /// Takes bytes that came at host time `host_us` (microseconds from any fixed origin, never
    /// running back) and calls `sink` for every message and fault, in order.
    ///
    /// As long as the form is not known, what is damaged is reported as if it were frames.
    pub fn feed(&mut self, host_us: u64, bytes: &[u8], sink: &mut impl FnMut(Reading<'_>)) {
        let Self {
            form,
            frames,
            lines,
            track,
            content,
        } = self;
        let mut take = |result: Result<Frame<'_>, LinkFault>| match result {
            Ok(frame) => track.frame(host_us, &frame, &mut |reading| {
                if let Reading::Fault(fault) = reading {
                    content.count(fault);
                }
                sink(reading);
            }),
            Err(fault) => sink(Reading::Fault(fault)),
        };
        let mut rest = bytes;
        while form.is_none() && !rest.is_empty() {
            let ends = |&byte: &u8| byte == 0 || byte == b'\n';
            let end = rest.iter().position(ends).map_or(rest.len(), |at| at + 1);
            let (piece, after) = rest.split_at_checked(end).unwrap_or((rest, &[]));
            rest = after;
            frames.feed(piece, &mut |result| {
                if result.is_ok() {
                    *form = Some(Form::Frames);
                }
                take(result);
            });
            lines.feed(piece, &mut |result| {
                if result.is_ok() && form.is_none() {
                    *form = Some(Form::Lines);
                    take(result);
                }
            });
        }
        match form {
            Some(Form::Lines) => lines.feed(rest, &mut take),
            Some(Form::Frames) | None => frames.feed(rest, &mut take),
        }
    }

    /// The board's form, once known.
    #[must_use]
    pub const fn form(&self) -> Option<Form> {
        self.form
    }

    /// Counts of bytes, frames (or lines) and faults.
    #[must_use]
    pub const fn counters(&self) -> Counters {
        let decoder = match self.form {
            Some(Form::Lines) => self.lines.counters(),
            Some(Form::Frames) | None => self.frames.counters(),
        };
        Counters {
            unknown_kind: self.content.unknown_kind,
            bad_payload: self.content.bad_payload,
            frames_lost: self.content.frames_lost,
            duplicates: self.content.duplicates,
            reordered: self.content.reordered,
            restarts: self.content.restarts,
            ..*decoder
        }
    }

    /// Bytes held back because the end of their frame or line has not come.
    #[must_use]
    pub const fn pending_bytes(&self) -> usize {
        match self.form {
            Some(Form::Lines) => self.lines.pending_bytes(),
            Some(Form::Frames) | None => self.frames.pending_bytes(),
        }
    }

    /// Ticks per second, once a hello has come.
    #[must_use]
    pub const fn tick_hz(&self) -> Option<u32> {
        self.track.ticks.tick_hz()
    }
}

impl Default for BoardReader {
    fn default() -> Self {
        Self::new()
    }
}

/// Which board, and where its sequence and ticks are.
#[derive(Clone, Debug, Default)]
struct Track {
    /// Board and boot number, from the latest hello.
    identity: Option<(u64, u16)>,
    sequence: Option<SequenceWindow>,
    ticks: TickUnwrapper,
}

impl Track {
    fn frame(&mut self, host_us: u64, frame: &Frame<'_>, sink: &mut impl FnMut(Reading<'_>)) {
        let message = BoardMessage::parse(frame);
        let seq = frame.seq;

        let arrival = self.sequence.map(|window| window.arrival(seq));
        let hello = match &message {
            Ok(BoardMessage::Hello(hello)) => Some(hello),
            _ => None,
        };
        let restarted = match (arrival, hello) {
            (None, _) => false,
            (Some(arrival), Some(hello)) => self.is_other_boot(hello, arrival),
            (Some(arrival), None) => self.jumped_back(host_us, frame.tick, arrival),
        };
        if restarted {
            sink(Reading::Fault(LinkFault::BoardRestarted));
            self.identity = None;
            self.sequence = None;
            self.ticks.restart();
        }
        if let Some(hello) = hello {
            self.identity = Some((hello.board_id, hello.boot));
            self.ticks.set_tick_hz(hello.tick_hz);
        }

        match &mut self.sequence {
            None => self.sequence = Some(SequenceWindow::start(seq)),
            Some(window) => {
                match window.arrival(seq) {
                    Arrival::Ahead { missing: 0 } => {}
                    Arrival::Ahead { missing } | Arrival::Far { missing } => {
                        sink(Reading::Fault(LinkFault::FramesLost { count: missing }));
                    }
                    Arrival::Late => sink(Reading::Fault(LinkFault::Reordered { seq })),
                    Arrival::Again => {
                        sink(Reading::Fault(LinkFault::Duplicate { seq }));
                        return;
                    }
                }
                window.accept(seq);
            }
        }

        let tick = self.ticks.extend(frame.tick, host_us);
        match message {
            Ok(message) => sink(Reading::Message { tick, seq, message }),
            Err(error) => sink(Reading::Fault(LinkFault::BadMessage(error))),
        }
    }

    fn is_other_boot(&self, hello: &Hello<'_>, arrival: Arrival) -> bool {
        match self.identity {
            Some(known) => known != (hello.board_id, hello.boot),
            // Nothing to compare with: only its place in the sequence can tell.
            None => !matches!(arrival, Arrival::Ahead { .. }),
        }
    }

    fn jumped_back(&self, host_us: u64, tick: u32, arrival: Arrival) -> bool {
        let placed = self.ticks.place(tick, host_us);
        if !self.ticks.is_continuous(placed, host_us) {
            return true;
        }
        matches!(arrival, Arrival::Far { .. })
            && self
                .ticks
                .seconds_ahead(placed)
                .is_none_or(|s| s < HALF_TURN_S_MIN)
    }
}
