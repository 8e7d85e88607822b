//! What the firmware makes of tooth periods: the protocol's specification, section 6, "Overspeed" and
//! "Miscounting".

/// Two teeth gone make no more long periods in a row.
const GAPS_IN_A_ROW: u8 = 2;

/// Even periods before a jump.
const EVEN_BEFORE: u8 = 4;

/// Long periods after a jump that cut.
const LONG_AFTER: u8 = 3;

/// Whether neither is half as long again as the other.
const fn are_alike(a: u64, b: u64) -> bool {
    a < b + b / 2 && b < a + a / 2
}

/// Counts short periods in a row. A gap of missing teeth neither counts nor starts the count again, if the short
/// periods around it are alike.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Overspeed {
    run: u8,
    count: u8,
    gaps: u8,
    last_short: u64,
}

impl Overspeed {
    /// Takes a period, ticks; whether that makes enough short ones.
    pub(super) fn is_over(&mut self, period: u64, shortest: u32, enough: u8) -> bool {
        let half = self.last_short / 2;
        if period < u64::from(shortest) {
            self.run = self.run.saturating_add(1);
            self.count = if self.run >= enough.max(1) {
                self.run
            } else if are_alike(period, self.last_short) {
                self.count.saturating_add(1)
            } else {
                1
            };
            self.gaps = 0;
            self.last_short = period;
            return self.count >= enough.max(1);
        }
        self.run = 0;
        if self.gaps < GAPS_IN_A_ROW && (3 * half..=7 * half).contains(&period) {
            self.gaps += 1;
        } else {
            self.count = 0;
        }
        false
    }

    /// Whether the last period was short, or a gap after such.
    pub(super) fn is_short(&self) -> bool {
        self.count > 0
    }
}

/// Finds a period that jumps by a whole factor and stays there: teeth are being missed.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Counting {
    even_ticks: u64,
    even: u8,
    long_ticks: u64,
    longs: u8,
}

impl Counting {
    /// Takes a period, ticks; whether teeth are being missed. `shortest` is the limit in force.
    pub(super) fn is_missing(&mut self, period: u64, shortest: u32, tick_hz: u32) -> bool {
        let (even, half) = (self.even_ticks, self.even_ticks / 2);
        if are_alike(period, even) {
            self.even = (self.even + 1).min(EVEN_BEFORE);
            self.even_ticks = period;
            self.longs = 0;
            return false;
        }
        let slowest = (u64::from(shortest) * 8).min(u64::from(tick_hz / 10));
        let is_jump = even <= slowest && (even..=9 * half).contains(&period);
        if self.even < EVEN_BEFORE || !is_jump {
            *self = Self {
                even_ticks: period,
                even: 1,
                ..Self::default()
            };
            return false;
        }
        let is_same = period.abs_diff(self.long_ticks) <= self.long_ticks / 2;
        self.longs = if is_same {
            self.longs.saturating_add(1)
        } else {
            1
        };
        self.long_ticks = period;
        self.was_missing()
    }

    /// Whether teeth were being missed at the last period.
    pub(super) fn was_missing(&self) -> bool {
        self.longs >= LONG_AFTER
    }
}
