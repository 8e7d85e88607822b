//! Board ticks: 32 bits on the wire, 64 here.

/// Where the first tick is put: one whole wrap up, so that a reordered frame from just before it
/// still has room below.
const ORIGIN: u64 = 1 << 32;

/// Frames of different kinds overtake each other by the age of what they carry: a teeth frame has
/// the tick of its first tooth. Far above the specification's 100 ms, far below any restart.
const BEHIND_MAX_PER_S: u32 = 4;

/// How far ticks may run ahead of the host's time, seconds: a host that stalled for this long and
/// then reads what was buffered sees board time pass at once.
const AHEAD_MAX_S: u64 = 30;

/// Extends 32 bit ticks to 64 bits.
///
/// The host's time since the newest tick decides how many times the counter wrapped in a gap. Its
/// error, in ticks, must stay below half a wrap, 2^31: at 20 % error that is a gap of 2.5 wraps.
/// Until the tick rate is known, gaps must stay below half a wrap themselves.
///
/// Only differences between results have a meaning.
#[derive(Clone, Debug, Default)]
pub struct TickUnwrapper {
    tick_hz: Option<u32>,
    newest: Option<Newest>,
}

#[derive(Clone, Copy, Debug)]
struct Newest {
    tick: u64,
    host_us: u64,
}

impl TickUnwrapper {
    /// An unwrapper that has seen no tick and knows no rate.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            tick_hz: None,
            newest: None,
        }
    }

    /// Ticks per second, if known.
    #[must_use]
    pub const fn tick_hz(&self) -> Option<u32> {
        self.tick_hz
    }

    /// Sets the ticks per second, from a hello.
    pub const fn set_tick_hz(&mut self, tick_hz: u32) {
        self.tick_hz = Some(tick_hz);
    }

    /// Extends a tick that came at host time `host_us`, microseconds from any fixed origin.
    ///
    /// A tick somewhat older than the newest is put before it.
    pub fn extend(&mut self, tick: u32, host_us: u64) -> u64 {
        let extended = self.place(tick, host_us);
        self.advance(extended, host_us);
        extended
    }

    /// Of all extended ticks that end in these 32 bits, the one nearest to what the host's time
    /// lets expect.
    pub(crate) fn place(&self, tick: u32, host_us: u64) -> u64 {
        let Some(newest) = self.newest else {
            return ORIGIN + u64::from(tick);
        };
        let expected = newest
            .tick
            .saturating_add(self.ticks_since(newest, host_us));
        let error = tick.wrapping_sub(low_32_bits(expected)).cast_signed();
        expected.saturating_add_signed(i64::from(error))
    }

    pub(crate) fn advance(&mut self, extended: u64, host_us: u64) {
        if self.newest.is_none_or(|newest| extended > newest.tick) {
            self.newest = Some(Newest {
                tick: extended,
                host_us,
            });
        }
    }

    /// Whether one board, running on, can have sent this tick now. Always true while too little is
    /// known to say no.
    pub(crate) fn is_continuous(&self, extended: u64, host_us: u64) -> bool {
        let (Some(newest), Some(tick_hz)) = (self.newest, self.tick_hz) else {
            return true;
        };
        let behind_max = u64::from(tick_hz / BEHIND_MAX_PER_S);
        let ahead_max = AHEAD_MAX_S * u64::from(tick_hz);
        let expected = newest
            .tick
            .saturating_add(self.ticks_since(newest, host_us));
        let earliest = newest.tick.saturating_sub(behind_max);
        let latest = expected.saturating_add(ahead_max);
        (earliest..=latest).contains(&extended)
    }

    /// Seconds by which `extended` is ahead of the newest tick; 0 if behind, `None` without a rate.
    pub(crate) fn seconds_ahead(&self, extended: u64) -> Option<u64> {
        let (newest, tick_hz) = (self.newest?, self.tick_hz?);
        extended
            .saturating_sub(newest.tick)
            .checked_div(u64::from(tick_hz))
    }

    /// Forgets all ticks, keeps the rate.
    pub(crate) const fn restart(&mut self) {
        self.newest = None;
    }

    fn ticks_since(&self, newest: Newest, host_us: u64) -> u64 {
        const US_PER_S: u64 = 1_000_000;
        let elapsed_us = host_us.saturating_sub(newest.host_us);
        let tick_hz = u64::from(self.tick_hz.unwrap_or(0));
        // In two parts: the product of microseconds and hertz overflows after two days at 100 MHz.
        let whole = (elapsed_us / US_PER_S).saturating_mul(tick_hz);
        whole.saturating_add(elapsed_us % US_PER_S * tick_hz / US_PER_S)
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "the low bits are what goes over the wire"
)]
pub(crate) const fn low_32_bits(tick: u64) -> u32 {
    tick as u32
}
