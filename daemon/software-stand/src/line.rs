//! The serial line from the board to the host.

use std::collections::VecDeque;

/// Bits of a byte on the line: start, eight, stop.
const BITS_PER_BYTE: u64 = 10;

const NS_PER_S: u64 = 1_000_000_000;

/// Shifts bytes out at the line's rate.
#[derive(Clone, Debug)]
pub(super) struct Line {
    byte_ns: u64,
    /// When the last byte will have left.
    free_at_ns: u64,
    /// Bytes with the times their stop bits end. The board sends only when the line is about to
    /// be free, so never more than a frame and its next.
    bytes: VecDeque<(u64, u8)>,
}

impl Line {
    pub(super) fn new(baud: u32) -> Self {
        Self {
            // Rounded up, so that the line is never faster than its rate.
            byte_ns: (BITS_PER_BYTE * NS_PER_S).div_ceil(u64::from(baud.max(1))),
            free_at_ns: 0,
            bytes: VecDeque::new(),
        }
    }

    /// Whether the last byte will have left before a time.
    pub(super) fn is_free_before(&self, ns: u64) -> bool {
        self.free_at_ns < ns
    }

    /// Sends bytes after those that are on their way.
    pub(super) fn send(&mut self, now_ns: u64, bytes: &[u8]) {
        self.free_at_ns = self.free_at_ns.max(now_ns);
        for &byte in bytes {
            self.free_at_ns += self.byte_ns;
            self.bytes.push_back((self.free_at_ns, byte));
        }
    }

    /// Appends the bytes that have left by a time.
    pub(super) fn deliver(&mut self, until_ns: u64, out: &mut Vec<u8>) {
        let left = self
            .bytes
            .partition_point(|(leaves_ns, _)| *leaves_ns <= until_ns);
        out.extend(self.bytes.drain(..left).map(|(_, byte)| byte));
    }

    /// Loses what is on its way, as a board without power does, even within a byte.
    pub(super) fn lose(&mut self, now_ns: u64) {
        self.bytes.clear();
        self.free_at_ns = now_ns;
    }
}
