//! Sequence numbers, on the receiver's side.

/// Frames that may come late and still be told from lost ones.
const WINDOW: u16 = 64;

/// Which of the latest [`WINDOW`] numbers have come.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SequenceWindow {
    newest: u16,
    /// Bit `n`: `newest - n` has come.
    seen: u64,
}

/// Where a number stands to the newest before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Arrival {
    /// After the newest, with this many missing between.
    Ahead { missing: u16 },
    /// Within the window, first time.
    Late,
    /// Within the window, second time.
    Again,
    /// Behind the window, or nearly a whole turn ahead.
    Far { missing: u16 },
}

impl SequenceWindow {
    pub(crate) const fn start(seq: u16) -> Self {
        // Frames from before the first one heard are neither lost nor late: as if heard already.
        Self {
            newest: seq,
            seen: u64::MAX,
        }
    }

    pub(crate) const fn arrival(&self, seq: u16) -> Arrival {
        let ahead = seq.wrapping_sub(self.newest);
        let behind = self.newest.wrapping_sub(seq);
        if behind < WINDOW {
            if self.seen >> behind & 1 == 1 {
                Arrival::Again
            } else {
                Arrival::Late
            }
        } else if ahead < 1 << 15 {
            Arrival::Ahead { missing: ahead - 1 }
        } else {
            Arrival::Far { missing: ahead - 1 }
        }
    }

    pub(crate) const fn accept(&mut self, seq: u16) {
        let behind = self.newest.wrapping_sub(seq);
        if behind < WINDOW {
            self.seen |= 1 << behind;
        } else {
            let ahead = seq.wrapping_sub(self.newest);
            self.seen = if ahead < WINDOW {
                self.seen << ahead | 1
            } else {
                1
            };
            self.newest = seq;
        }
    }
}
