//! The line between board and host, and everything that happens to bytes on it.
//!
//! The board's own line gives its bytes at the baud rate. Here each frame gets its sensor faults,
//! still sound, then the faults of the link, then its latency. What the host says takes its time by
//! the baud rate as well.

use std::collections::VecDeque;

use leverarm_protocol::{
    BoardMessage, Decoder, FRAME_BYTES_MAX, Frame, Limits, TEMPERATURE_UNREADABLE, Teeth, VERSION,
    kind,
};

use super::chance::{Chance, Stream};
use super::plan::FaultKind;
use crate::whole;

/// A late frame comes after so many later ones at most, well within what a receiver can tell.
const LATE_FRAMES_MAX: u64 = 6;

/// A delay grows to so much at most.
const DELAY_US_MAX: u64 = 2_500_000;

/// From the board to the host.
#[derive(Debug)]
pub(super) struct Down {
    chance: Chance,
    latency_us: (u64, u64),
    /// Longer than that, now.
    delay_us: u64,
    tick_offset: u32,
    head: Option<u8>,
    air: Option<u8>,
    segment: Vec<u8>,
    /// On their way, soonest first.
    on_way: VecDeque<(u64, Vec<u8>)>,
    /// A late frame, and how many still overtake it.
    held: Option<(u64, Vec<u8>)>,
    /// The air's counts since they stuck.
    stuck: Option<i32>,
    /// What was done lately.
    done: Vec<Injected>,
    /// What the board last said it guards by itself.
    limits: Limits,
}

/// What was done to a frame or a byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Injected {
    Damaged,
    Dropped,
    Doubled,
    Late,
}

impl Down {
    pub(super) fn new(
        seed: u64,
        latency_us: (u64, u64),
        tick_offset: u32,
        (head, air): (Option<u8>, Option<u8>),
    ) -> Self {
        Self {
            chance: Chance::new(seed, Stream::Down),
            latency_us,
            delay_us: 0,
            tick_offset,
            head,
            air,
            segment: Vec::new(),
            on_way: VecDeque::new(),
            held: None,
            stuck: None,
            done: Vec::new(),
            limits: Limits::default(),
        }
    }

    /// What the board guards by itself, as it said itself before anything happened to its words.
    pub(super) fn limits(&self) -> &Limits {
        &self.limits
    }

    /// How much later than its latency the line now brings what is sent.
    pub(super) fn delay_us(&self) -> u64 {
        self.delay_us
    }

    /// Takes the delay of this time.
    pub(super) fn delay(&mut self, now_us: u64, faults: &[FaultKind]) {
        self.delay_us = 0;
        for fault in faults {
            if let FaultKind::LinkDelayed {
                from_us,
                jump_us,
                s_per_s,
            } = *fault
            {
                let for_us = now_us.saturating_sub(from_us) as f64;
                let grown_us = whole(for_us * s_per_s);
                self.delay_us = (jump_us + grown_us).min(DELAY_US_MAX);
            }
        }
    }

    /// Bytes left the board.
    pub(super) fn send(&mut self, now_us: u64, bytes: &[u8], faults: &[FaultKind]) {
        for piece in bytes.split_inclusive(|byte| *byte == 0) {
            self.segment.extend_from_slice(piece);
            if piece.ends_with(&[0]) {
                let segment = std::mem::take(&mut self.segment);
                let frame = self.with_sensor_faults(&segment, faults);
                self.frame(now_us, frame, faults);
            }
        }
    }

    /// Bytes out of nowhere.
    pub(super) fn garbage(&mut self, now_us: u64, bytes: u64) {
        let garbage: Vec<u8> = (0..bytes).map(|_| self.chance.byte()).collect();
        self.note_if(garbage.iter().any(|byte| *byte != 0), Injected::Damaged);
        self.put(now_us, garbage);
    }

    /// What was injected since the last call.
    pub(super) fn take_injected(&mut self) -> Vec<Injected> {
        std::mem::take(&mut self.done)
    }

    /// Bytes that have come by now.
    pub(super) fn deliver(&mut self, now_us: u64, faults: &[FaultKind]) -> Vec<u8> {
        let mut heard = Vec::new();
        if faults.contains(&FaultKind::HoldBack) {
            return heard;
        }
        let come = self.on_way.partition_point(|(due_us, _)| *due_us <= now_us);
        for (_, bytes) in self.on_way.drain(..come) {
            heard.extend(bytes);
        }
        heard
    }

    fn with_sensor_faults(&mut self, segment: &[u8], faults: &[FaultKind]) -> Vec<u8> {
        let mut decoder = Decoder::new();
        let mut changed = None;
        decoder.feed(segment, &mut |result| {
            if let Ok(frame) = result {
                changed = self.changed(&frame, faults);
            }
        });
        changed.unwrap_or_else(|| segment.to_vec())
    }

    /// The same frame as a board with these sensors would send it, number and place kept.
    fn changed(&mut self, frame: &Frame<'_>, faults: &[FaultKind]) -> Option<Vec<u8>> {
        let has = |kind: FaultKind| faults.contains(&kind);
        let mut message = BoardMessage::parse(frame).ok()?;
        match &mut message {
            BoardMessage::Status(status) => self.limits = status.limits.clone(),
            BoardMessage::Teeth(Teeth { pickup: 0, .. }) if has(FaultKind::PickupOpen) => {
                // Its teeth become a frame that says nothing, since nothing is lost on the way.
                message = BoardMessage::Force {
                    channel: u8::MAX,
                    counts: 0,
                };
            }
            BoardMessage::Temperature { channel, counts } if Some(*channel) == self.head => {
                if has(FaultKind::HeadOpen) {
                    *counts = TEMPERATURE_UNREADABLE;
                } else if has(FaultKind::HeadClipped) {
                    *counts = i32::from(i16::MAX);
                }
            }
            BoardMessage::Temperature { channel, counts } if Some(*channel) == self.air => {
                if has(FaultKind::AirHot) {
                    *counts = 90 * 128;
                } else if has(FaultKind::AirStuck) {
                    *counts = *self.stuck.get_or_insert(*counts);
                } else {
                    self.stuck = None;
                }
            }
            BoardMessage::Force { counts, .. } if has(FaultKind::ForceNoisy) => {
                #[expect(clippy::cast_possible_truncation, reason = "any bits will do")]
                let noise = self.chance.below(1 << 32) as u32;
                *counts = noise.cast_signed();
            }
            BoardMessage::Analog(scan) if has(FaultKind::LambdaClipped) => {
                let counts: Vec<[u8; 2]> = scan
                    .counts
                    .iter()
                    .enumerate()
                    .map(|(input, counts)| {
                        if input == 4 {
                            4_095_i16.to_le_bytes()
                        } else {
                            *counts
                        }
                    })
                    .collect();
                let mut scan = *scan;
                scan.counts = &counts;
                return self.encode(frame, &BoardMessage::Analog(scan));
            }
            _ => {}
        }
        self.encode(frame, &message)
    }

    fn encode(&self, frame: &Frame<'_>, message: &BoardMessage<'_>) -> Option<Vec<u8>> {
        let mut out = [0; FRAME_BYTES_MAX];
        let tick = frame.tick.wrapping_add(self.tick_offset);
        let bytes = message.encode(frame.seq, tick, &mut out).ok()?;
        out.get(..bytes).map(<[u8]>::to_vec)
    }

    /// A frame meets the faults of the link.
    fn frame(&mut self, now_us: u64, frame: Vec<u8>, faults: &[FaultKind]) {
        let is_idle = frame == [0];
        let mut frame = frame;
        for fault in faults {
            match *fault {
                FaultKind::LoseBytes { share } => {
                    let before = frame.len();
                    frame.retain(|_| !self.chance.happens(share));
                    self.note_if(frame.len() != before && !is_idle, Injected::Damaged);
                }
                FaultKind::CorruptBytes { share } => {
                    let mut turned = false;
                    for byte in &mut frame {
                        if self.chance.happens(share) {
                            *byte ^= 1 << self.chance.below(8);
                            turned = true;
                        }
                    }
                    self.note_if(turned, Injected::Damaged);
                }
                FaultKind::DoubleBytes { share } => {
                    let before = frame.len();
                    let doubled = frame.iter().flat_map(|byte| {
                        let times = 1 + usize::from(self.chance.happens(share));
                        std::iter::repeat_n(*byte, times)
                    });
                    frame = doubled.collect();
                    // A second delimiter harms nothing.
                    let harms = frame.len() != before && !frame.ends_with(&[0, 0]);
                    self.note_if(harms, Injected::Damaged);
                }
                FaultKind::DropFrames { share } if !is_idle && self.chance.happens(share) => {
                    self.done.push(Injected::Dropped);
                    return;
                }
                FaultKind::DoubleFrames { share } if !is_idle && self.chance.happens(share) => {
                    self.done.push(Injected::Doubled);
                    self.put(now_us, frame.clone());
                }
                FaultKind::LateFrames { share }
                    if !is_idle
                        && self.held.is_none()
                        && !is_hello(&frame)
                        && self.chance.happens(share) =>
                {
                    self.done.push(Injected::Late);
                    self.held = Some((self.chance.whole(1, LATE_FRAMES_MAX), frame));
                    return;
                }
                _ => {}
            }
        }
        self.put(now_us, frame);
        if let Some((overtaking, _)) = &mut self.held {
            *overtaking -= 1;
        }
        if let Some((_, late)) = self.held.take_if(|(overtaking, _)| *overtaking == 0) {
            self.put(now_us, late);
        }
    }

    fn note_if(&mut self, happened: bool, what: Injected) {
        if happened {
            self.done.push(what);
        }
    }

    fn put(&mut self, now_us: u64, bytes: Vec<u8>) {
        let (low, high) = self.latency_us;
        let due_us = now_us + self.delay_us + self.chance.whole(low, high);
        let due_us = self
            .on_way
            .back()
            .map_or(due_us, |(last_us, _)| due_us.max(*last_us));
        self.on_way.push_back((due_us, bytes));
    }

    /// The host's port is closed: what comes now is lost, and so is the first part of what is
    /// under way when it opens.
    pub(super) fn opened(&mut self) {
        if let Some((_, first)) = self.on_way.front_mut() {
            let lost = self.chance.below(first.len() as u64 + 1);
            first.drain(..usize::try_from(lost).unwrap_or(0));
        }
    }

    /// The board starts again: what it had sent and not finished ends in the middle.
    pub(super) fn broken_off(&mut self, now_us: u64) {
        let rest = std::mem::take(&mut self.segment);
        if !rest.is_empty() {
            self.put(now_us, rest);
        }
        self.held = None;
        self.limits = Limits::default();
    }
}

/// The first word of a board that has started is not overtaken: a line that is a queue keeps it first,
/// and without it what follows is of no known start.
fn is_hello(frame: &[u8]) -> bool {
    // Behind COBS's first code.
    frame.get(1..3) == Some(&[VERSION, kind::HELLO])
}

/// From the host to the board.
#[derive(Debug)]
pub(super) struct Up {
    chance: Chance,
    latency_us: (u64, u64),
    byte_us: u64,
    free_at_us: u64,
    on_way: VecDeque<(u64, u8)>,
}

impl Up {
    pub(super) fn new(seed: u64, latency_us: (u64, u64), baud: u32) -> Self {
        Self {
            chance: Chance::new(seed, Stream::Up),
            latency_us,
            byte_us: 10_000_000_u64.div_ceil(u64::from(baud.max(1))),
            free_at_us: 0,
            on_way: VecDeque::new(),
        }
    }

    /// Bytes leave the host; true if one was turned.
    pub(super) fn send(&mut self, now_us: u64, bytes: &[u8], faults: &[FaultKind]) -> bool {
        let mut turned = false;
        let (low, high) = self.latency_us;
        self.free_at_us = self.free_at_us.max(now_us + self.chance.whole(low, high));
        for byte in bytes {
            let mut byte = *byte;
            let mut lost = false;
            for fault in faults {
                match *fault {
                    FaultKind::CorruptCommands { share } if self.chance.happens(share) => {
                        byte ^= 1 << self.chance.below(8);
                        turned = true;
                    }
                    FaultKind::LoseCommands { share } => lost |= self.chance.happens(share),
                    _ => {}
                }
            }
            self.free_at_us += self.byte_us;
            if !lost {
                self.on_way.push_back((self.free_at_us, byte));
            }
        }
        turned
    }

    pub(super) fn deliver(&mut self, now_us: u64) -> Vec<u8> {
        let come = self.on_way.partition_point(|(due_us, _)| *due_us <= now_us);
        self.on_way.drain(..come).map(|(_, byte)| byte).collect()
    }

    pub(super) fn closed(&mut self) {
        self.on_way.clear();
    }
}
