//! Pulses of flow meters, which come as edges of a pickup input.

use leverarm_config::{Source, Stand};
use leverarm_torque::sensor::PULSE_PERIOD_S_PER_COUNT;

/// Pickup inputs of a stand that count pulses.
pub fn inputs(stand: &Stand) -> impl Iterator<Item = u8> {
    let sources = stand.channels.iter().map(|channel| channel.source);
    sources.filter_map(|source| match source {
        Source::Pulses(number) => Some(number),
        Source::Analog(_) | Source::Temperature(_) => None,
    })
}

/// Counts of a pulse source: the time from one edge to the next. None when they are no two, or so far
/// apart that nothing flows.
#[must_use]
pub fn period_counts(from_tick: u64, to_tick: u64, tick_hz: f64) -> Option<i32> {
    let ticks = to_tick.checked_sub(from_tick).filter(|ticks| *ticks > 0)?;
    let counts = ticks as f64 / tick_hz / PULSE_PERIOD_S_PER_COUNT;
    let fits = counts >= 1.0 && counts < f64::from(i32::MAX);
    #[expect(clippy::cast_possible_truncation, reason = "within i32")]
    fits.then(|| counts.round() as i32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_period_is_counted_in_tenths_of_microseconds() {
        assert_eq!(period_counts(1_000, 3_000, 2e6), Some(10_000));
        for (from, to) in [(5, 5), (6, 5), (0, 2_000_000_000_000)] {
            assert_eq!(period_counts(from, to, 2e6), None);
        }
    }
}
