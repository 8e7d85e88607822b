//! A recorded byte log, gone through as the live half goes through its port: the same connections,
//! chunks and pulls come out, so that an old session joins the store. Nothing is guarded, and no
//! value is judged: what the board said of a cut is in the log.

use std::sync::Arc;

use leverarm_config::Shaft;
use leverarm_filters::teeth::Edge;
use leverarm_protocol::{BoardMessage, BoardReader, BoardState, LinkFault, Reading, Teeth};
use leverarm_values::{CalibratedStand, NoHello, tick_hz_of_log};

use super::chunks::ChunkBuilder;
use super::pulls::{PullEvent, PullFinder};
use super::signals::Signals;
use super::{HelloData, Now, Record, pieces, pull_record};

/// The records of a byte log, in order: what the live half would have given out while it was
/// recorded, without events.
///
/// `began_wall_us` is when the log begins, microseconds since 1970; all times follow from the board's
/// ticks. `source` stands where the port's path would.
///
/// # Errors
/// When no board says who it is.
pub fn records_of_log(
    of: &Arc<CalibratedStand>,
    bytes: &[u8],
    began_wall_us: i64,
    source: &str,
    sink: &mut impl FnMut(Record),
) -> Result<(), NoHello> {
    let mut log = Log::new(of, tick_hz_of_log(bytes)?, began_wall_us, source);
    log.begin();
    let mut reader = BoardReader::new();
    for piece in pieces(bytes) {
        reader.feed(log.now.mono_us, piece, &mut |reading| log.take(&reading));
        log.piece(piece);
        log.out.drain(..).for_each(&mut *sink);
    }
    log.end("the log ends");
    log.out.drain(..).for_each(sink);
    Ok(())
}

/// Where one has come in a log.
struct Log {
    source: String,
    began_wall_us: i64,
    tick_hz: u32,
    signals: Signals,
    pulls: PullFinder,
    found: Vec<PullEvent>,
    chunks: ChunkBuilder,
    has_hello: bool,
    is_cut: bool,
    /// First tick of the connection, and the time by then.
    origin: Option<(u64, u64)>,
    tick: u64,
    now: Now,
    out: Vec<Record>,
}

impl Log {
    fn new(of: &Arc<CalibratedStand>, tick_hz: u32, began_wall_us: i64, source: &str) -> Self {
        Self {
            source: source.to_owned(),
            began_wall_us,
            tick_hz,
            signals: Signals::new(Arc::clone(of)),
            pulls: PullFinder::new(of.stand()),
            found: Vec::new(),
            chunks: ChunkBuilder::default(),
            has_hello: false,
            is_cut: false,
            origin: None,
            tick: 0,
            now: Now::new(0, began_wall_us),
            out: Vec::new(),
        }
    }

    fn begin(&mut self) {
        self.signals.reset();
        self.chunks.begin();
        (self.has_hello, self.is_cut, self.origin) = (false, false, None);
        self.out.push(Record::Connected {
            port: self.source.clone(),
            now: self.now,
        });
    }

    fn end(&mut self, reason: &str) {
        let broken_off = self.pulls.break_off(self.tick, reason.to_owned());
        self.found.extend(broken_off);
        self.give_pulls();
        let last = self.chunks.take(true).map(Record::Chunk);
        self.out.extend(last);
        self.out.push(Record::Disconnected {
            now: self.now,
            reason: reason.to_owned(),
        });
    }

    fn give_pulls(&mut self) {
        for event in self.found.drain(..) {
            pull_record(&mut self.chunks, self.now, event, &mut self.out);
        }
    }

    fn take(&mut self, reading: &Reading<'_>) {
        let (tick, message) = match reading {
            Reading::Message { tick, message, .. } => (*tick, message),
            Reading::Fault(LinkFault::BoardRestarted) => {
                self.end("the board restarted");
                return self.begin();
            }
            Reading::Fault(_) => return,
        };
        self.tick = self.tick.max(tick);
        let (from, from_us) = *self.origin.get_or_insert((tick, self.now.mono_us));
        let since_us = 1_000_000 * tick.saturating_sub(from) / u64::from(self.tick_hz);
        let mono_us = self.now.mono_us.max(from_us + since_us);
        self.now = Now::new(mono_us, self.began_wall_us.saturating_add_unsigned(mono_us));
        self.chunks.saw_tick(tick);
        match message {
            BoardMessage::Hello(hello) if !self.has_hello => {
                self.has_hello = true;
                self.signals.board(hello, mono_us);
                self.pulls.board(hello.tick_hz);
                self.out.push(Record::Hello(HelloData::of(hello)));
            }
            BoardMessage::Teeth(teeth) if !self.signals.counts_pulses(teeth.pickup) => {
                self.teeth(tick, teeth);
            }
            BoardMessage::Status(status) => self.is_cut = status.state == BoardState::Cut,
            BoardMessage::Cut { .. } => self.is_cut = true,
            BoardMessage::Hello(_)
            | BoardMessage::Teeth(_)
            | BoardMessage::Force { .. }
            | BoardMessage::Analog(_)
            | BoardMessage::Temperature { .. }
            | BoardMessage::Load(_) => {}
        }
        if self.is_cut {
            let ended = self.pulls.cut(self.tick, "the board says so in the log");
            self.found.extend(ended);
        }
    }

    fn teeth(&mut self, tick: u64, teeth: &Teeth<'_>) {
        let is_engine_source = self.signals.speed_source(Shaft::Engine) == Some(teeth.pickup);
        for (number, tick) in (u64::from(teeth.first_tooth)..).zip(teeth.ticks(tick)) {
            self.tick = self.tick.max(tick);
            let edge = Edge { tick, number };
            let seen = self.signals.edge(self.now.mono_us, teeth.pickup, edge);
            let mark = seen.and_then(|seen| seen.mark).filter(|_| is_engine_source);
            let event = mark.and_then(|mark| self.pulls.mark(mark, !self.is_cut));
            self.found.extend(event);
        }
    }

    /// The bytes that were just gone through.
    fn piece(&mut self, bytes: &[u8]) {
        self.chunks.push(self.now, bytes);
        let over = self.pulls.time(self.tick);
        self.found.extend(over);
        self.give_pulls();
        if self.chunks.is_due(self.now) {
            let chunk = self.chunks.take(false).map(Record::Chunk);
            self.out.extend(chunk);
        }
    }
}
