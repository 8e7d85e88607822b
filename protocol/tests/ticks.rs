//! Extending 32 bit ticks over gaps, reorderings and wrong host times.

#![expect(clippy::unwrap_used, reason = "a test may stop")]

use leverarm_protocol::TickUnwrapper;
use proptest::collection::vec;
use proptest::prelude::*;

const WRAP: u64 = 1 << 32;
const TICK_HZ: u32 = 16_000_000;
const TICKS_PER_US: u64 = 16;

#[expect(
    clippy::cast_possible_truncation,
    reason = "the wire carries the low 32 bits"
)]
fn on_wire(tick: u64) -> u32 {
    tick as u32
}

fn with_rate() -> TickUnwrapper {
    let mut ticks = TickUnwrapper::new();
    ticks.set_tick_hz(TICK_HZ);
    ticks
}

/// What the host's clock shows of `gap` ticks, with an error in parts per thousand.
fn host_us(gap: u64, error_per_mille: i64) -> u64 {
    let exact = i64::try_from(gap / TICKS_PER_US).unwrap();
    u64::try_from(exact + exact / 1000 * error_per_mille).unwrap()
}

proptest! {
    /// Up to 2.4 wraps unseen, with the host's time up to 20 % wrong.
    #[test]
    fn gaps_longer_than_a_wrap(
        start: u32,
        steps in vec((0..WRAP * 12 / 5, -200_i64..=200), 1..40),
    ) {
        let mut ticks = with_rate();
        let (mut truth, mut now_us) = (u64::from(start), 0);
        let origin = ticks.extend(start, now_us);
        for (gap, error_per_mille) in steps {
            truth += gap;
            now_us += host_us(gap, error_per_mille);
            let extended = ticks.extend(on_wire(truth), now_us);
            prop_assert_eq!(extended - origin, truth - u64::from(start));
        }
    }

    /// A week unseen at 0.01 %, many wraps at once.
    #[test]
    fn long_gaps_with_a_good_clock(start: u32, hours in 1_u64..168, error_us in -100_i64..=100) {
        let gap = hours * 3_600 * u64::from(TICK_HZ);
        let mut ticks = with_rate();
        let origin = ticks.extend(start, 0);
        let exact_us = i64::try_from(gap / TICKS_PER_US).unwrap();
        let now_us = u64::try_from(exact_us + exact_us / 1_000_000 * error_us).unwrap();
        let extended = ticks.extend(on_wire(u64::from(start) + gap), now_us);
        prop_assert_eq!(extended - origin, gap);
    }

    /// Frames that carry older ticks come after newer ones, also over a wrap and at the very start.
    #[test]
    fn reordered_ticks_keep_their_place(
        start in prop_oneof![any::<u32>(), 0_u32..1_600_000],
        samples in vec((0_u64..WRAP * 12 / 5, 0_u64..1_600_000, -200_i64..=200), 2..60),
    ) {
        // Each sample is made `gap` after the one before, and comes up to 100 ms late.
        let mut made = u64::from(start);
        let mut coming = Vec::new();
        for (gap, delay, error_per_mille) in samples {
            made += gap;
            coming.push((made + delay, made, error_per_mille));
        }
        coming.sort_unstable();

        let mut ticks = with_rate();
        let (first_at, first_made, _) = coming[0];
        let (mut at, mut now_us) = (first_at, 0);
        let origin = ticks.extend(on_wire(first_made), now_us);
        for &(comes_at, made, error_per_mille) in &coming[1..] {
            now_us += host_us(comes_at - at, error_per_mille);
            at = comes_at;
            let extended = ticks.extend(on_wire(made), now_us);
            prop_assert_eq!(
                i128::from(extended) - i128::from(origin),
                i128::from(made) - i128::from(first_made)
            );
        }
    }

    /// Before a hello there is no rate, and half a wrap is the limit.
    #[test]
    fn without_a_rate_half_a_wrap(start: u32, gaps in vec(0..WRAP / 2, 1..40), now_us: u64) {
        let mut ticks = TickUnwrapper::new();
        let mut truth = u64::from(start);
        let origin = ticks.extend(start, 0);
        for gap in gaps {
            truth += gap;
            prop_assert_eq!(ticks.extend(on_wire(truth), now_us) - origin, truth - u64::from(start));
        }
    }
}

/// The limit stated is where it is: an error of more than half a wrap is a wrap missed.
#[test]
fn half_a_wrap_of_error_is_the_limit() {
    let gap = 10 * WRAP;
    for (error_ticks, missed) in [(WRAP / 2 - 1_600, 0), (WRAP / 2 + 1_600, WRAP)] {
        let mut ticks = with_rate();
        let origin = ticks.extend(0, 0);
        let late = ticks.extend(on_wire(gap), (gap - error_ticks) / TICKS_PER_US);
        assert_eq!(late - origin, gap - missed);
    }
}

/// A frame made just before a wrap may come after the very first one heard, made just after it.
#[test]
fn there_is_room_below_the_first_tick() {
    let mut ticks = with_rate();
    let first = ticks.extend(5, 0);
    let earlier = ticks.extend(u32::MAX - 9, 1_000);
    assert_eq!(first - earlier, 15);
}
