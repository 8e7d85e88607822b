//! Gathering teeth into frames, on the board's side.

use crate::frame::PAYLOAD_BYTES_MAX;
use crate::message::{BoardMessage, Teeth};

/// Pickup and running number, before the deltas.
const FIXED_BYTES: usize = 5;

const DELTAS_MAX: usize = (PAYLOAD_BYTES_MAX - FIXED_BYTES) / 2;

/// Most teeth a frame holds.
pub const TEETH_PER_FRAME_MAX: usize = DELTAS_MAX + 1;

/// Teeth of one pickup waiting for their frame.
///
/// When [`push`](Self::push) refuses a tooth, or the first one has waited long enough (20 ms by
/// the specification), send [`message`](Self::message) and [`clear`](Self::clear).
#[derive(Clone, Debug)]
pub struct TeethBatch {
    pickup: u8,
    first_tooth: u32,
    /// Ticks of the first and the last tooth.
    span: Option<(u64, u64)>,
    deltas: heapless::Vec<[u8; 2], DELTAS_MAX>,
}

impl TeethBatch {
    /// An empty batch; the next tooth will have number 0.
    #[must_use]
    pub const fn new(pickup: u8) -> Self {
        Self {
            pickup,
            first_tooth: 0,
            span: None,
            deltas: heapless::Vec::new(),
        }
    }

    /// Adds a tooth, or returns `false` because it belongs in the next frame: this one is full, or
    /// the tooth is 65,536 ticks or more after the last one, or before it.
    #[must_use]
    pub fn push(&mut self, tick: u64) -> bool {
        let Some((first, last)) = self.span else {
            self.span = Some((tick, tick));
            return true;
        };
        let delta = tick
            .checked_sub(last)
            .and_then(|delta| u16::try_from(delta).ok());
        let fits = delta.is_some_and(|delta| self.deltas.push(delta.to_le_bytes()).is_ok());
        if fits {
            self.span = Some((first, tick));
        }
        fits
    }

    /// Tick of the first tooth, if there is one.
    #[must_use]
    pub fn first_tick(&self) -> Option<u64> {
        self.span.map(|(first, _)| first)
    }

    /// The frame's tick and message; `None` while empty.
    #[must_use]
    pub fn message(&self) -> Option<(u32, BoardMessage<'_>)> {
        let (first, _) = self.span?;
        let teeth = Teeth {
            pickup: self.pickup,
            first_tooth: self.first_tooth,
            deltas: &self.deltas,
        };
        Some((crate::ticks::low_32_bits(first), BoardMessage::Teeth(teeth)))
    }

    /// Empties the batch; tooth numbers run on.
    pub fn clear(&mut self) {
        if self.span.take().is_some() {
            #[expect(
                clippy::cast_possible_truncation,
                reason = "at most DELTAS_MAX, below 2^32"
            )]
            let teeth = self.deltas.len() as u32 + 1;
            self.first_tooth = self.first_tooth.wrapping_add(teeth);
        }
        self.deltas.clear();
    }
}
