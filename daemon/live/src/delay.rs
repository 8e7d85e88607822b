//! How late the board's words come: its ticks against the host's clock.
//!
//! Host time minus board time of what is heard is an unknown constant, plus the drift of the board's
//! clock, plus what the way took. The smallest of it, followed at no more than a clock can drift,
//! stands for a way without delay; what is above is the delay. One direction alone can't tell a delay
//! that was there from the first byte on, nor one that grows as slowly as the board's clock may drift.

use std::collections::VecDeque;

use super::whole;

/// A board's clock keeps within this share of its rate (protocol, section 3).
const DRIFT_MAX: f64 = 0.01;
/// Once its drift has been learnt, a clock may still part from it by this share, as a resonator does
/// that gets warm (our judgement, above a ceramic one's 30 ppm per kelvin).
const DRIFT_CHANGE: f64 = 200e-6;
/// The smallest delays of two seconds differ by no more than this without a fault: frames that wait
/// for each other, and adapters that hand on their bytes each 16 ms.
const JITTER_S: f64 = 0.02;
/// The smallest delay of each such stretch takes part in learning the drift.
const BLOCK_S: f64 = 1.0;
const BLOCKS: usize = 60;
/// The delay shown is the smallest of so long: a sample may wait its turn on the board.
const RECENT_S: f64 = 0.1;

/// When the smallest delay would have brought what a tick tells: s, on the host's clock, ahead of the
/// board's.
#[derive(Clone, Copy, Debug)]
struct Floor {
    at_s: f64,
    ahead_s: f64,
    /// Drift of the board's clock, and how much more of it there may be.
    drift: f64,
    slack: f64,
}

impl Floor {
    fn starting(at_s: f64, ahead_s: f64) -> Self {
        Self {
            at_s,
            ahead_s,
            drift: 0.0,
            slack: DRIFT_MAX,
        }
    }

    fn line(&self, at_s: f64) -> f64 {
        self.ahead_s + self.drift * (at_s - self.at_s)
    }

    /// The most that a delay of nothing can come to.
    fn bound(&self, at_s: f64) -> f64 {
        self.ahead_s + (self.drift + self.slack).min(DRIFT_MAX) * (at_s - self.at_s)
    }
}

/// Delay of one board's words on one connection.
#[derive(Debug, Default)]
pub(super) struct Delay {
    /// Newest tick since [`Self::hear`] was called last.
    newest_tick: Option<u64>,
    /// Host time, µs, and tick of the first word.
    origin: Option<(u64, u64)>,
    floor: Option<Floor>,
    /// The floor before one word came that was far too early: a tick out of place, or a clock that
    /// was set.
    before: Option<Floor>,
    /// The least delayed word of the block under way: its begin, time and host time ahead.
    block: Option<(f64, f64, f64)>,
    /// Those of earlier blocks, as long as they were fresh.
    blocks: VecDeque<(f64, f64)>,
    /// Smallest delays of this stretch and the one before, and when this one began.
    recent_s: [f64; 2],
    recent_from_s: f64,
}

impl Delay {
    /// A message, or a tooth in it, has this tick.
    pub(super) fn saw(&mut self, tick: u64) {
        self.newest_tick = self.newest_tick.max(Some(tick));
    }

    /// All that has come by now was seen.
    pub(super) fn hear(&mut self, mono_us: u64, tick_hz: f64) {
        let Some(tick) = self.newest_tick.take().filter(|_| tick_hz > 0.0) else {
            return;
        };
        let (from_us, from_tick) = *self.origin.get_or_insert((mono_us, tick));
        let at_s = mono_us.saturating_sub(from_us) as f64 * 1e-6;
        // Ticks before the first one heard are fine: it may have overtaken them.
        let board_s = (tick as f64 - from_tick as f64) / tick_hz;
        let ahead_s = at_s - board_s;
        self.lower(at_s, ahead_s);
        let delay_s = self
            .floor
            .map_or(0.0, |floor| (ahead_s - floor.bound(at_s)).max(0.0));
        if at_s - self.recent_from_s >= RECENT_S {
            self.recent_s = [delay_s, self.recent_s[0]];
            self.recent_from_s = at_s;
        } else {
            self.recent_s[0] = self.recent_s[0].min(delay_s);
        }
        let (from_s, least_s, least) = *self.block.get_or_insert((at_s, at_s, ahead_s));
        if at_s - from_s >= BLOCK_S {
            self.learn(least_s, least);
            self.block = Some((at_s, at_s, ahead_s));
        } else if ahead_s < least {
            self.block = Some((from_s, at_s, ahead_s));
        }
    }

    /// What comes sooner than ever lowers the floor at once.
    fn lower(&mut self, at_s: f64, ahead_s: f64) {
        let floor = *self
            .floor
            .get_or_insert_with(|| Floor::starting(at_s, ahead_s));
        let early_s = floor.line(at_s) - ahead_s;
        if early_s <= 0.0 {
            return;
        }
        let mut lower = Floor {
            at_s,
            ahead_s,
            ..floor
        };
        if early_s > JITTER_S {
            // All before had waited, or the host slept: what was learnt of the floor is void.
            self.before = Some(floor);
            self.blocks.clear();
            lower.slack = DRIFT_MAX;
        }
        self.floor = Some(lower);
    }

    /// Takes the least delayed word of a block into account, if it was fresh.
    fn learn(&mut self, at_s: f64, ahead_s: f64) {
        let Some(floor) = self.floor else { return };
        if self.before.is_some() && at_s <= floor.at_s {
            return; // it is the one word that came far too early itself: the next block tells
        }
        let before = self.before.take();
        let is_fresh = |floor: &Floor| ahead_s - floor.bound(at_s) <= JITTER_S;
        if !is_fresh(&floor) {
            // Nothing else came as early as that one word did: it was out of place.
            if let Some(before) = before.filter(is_fresh) {
                self.floor = Some(before);
            }
            return;
        }
        if self.blocks.len() == BLOCKS {
            self.blocks.pop_front();
        }
        self.blocks.push_back((at_s, ahead_s));
        let drift = self.drift().unwrap_or(floor.drift);
        let lowest = self.blocks.iter().map(|(t, ahead)| ahead - drift * t);
        let span_s = self
            .blocks
            .front()
            .map_or(0.0, |(first_s, _)| at_s - first_s);
        self.floor = Some(Floor {
            at_s,
            ahead_s: lowest.fold(f64::INFINITY, f64::min) + drift * at_s,
            drift,
            slack: (JITTER_S / span_s).clamp(DRIFT_CHANGE, DRIFT_MAX),
        });
    }

    /// Slope of the line below all blocks that is nearest to them: the edge of their lower convex
    /// hull below their mean time. Delays only ever lift a point, so the line is that of the clock
    /// (Moon, Skelly, Towsley, Estimation and removal of clock skew from network delay measurements,
    /// IEEE INFOCOM 1999; from memory).
    fn drift(&self) -> Option<f64> {
        let count = self.blocks.len();
        let mean_s = self.blocks.iter().map(|(t, _)| t).sum::<f64>() / count as f64;
        let mut hull: Vec<(f64, f64)> = Vec::with_capacity(count);
        for &point in &self.blocks {
            while let [.., a, b] = hull.as_slice()
                && (b.1 - a.1) * (point.0 - a.0) >= (point.1 - a.1) * (b.0 - a.0)
            {
                hull.pop();
            }
            hull.push(point);
        }
        let edge = hull.windows(2).find_map(|pair| match pair {
            [a, b] if b.0 >= mean_s => Some((b.1 - a.1) / (b.0 - a.0)),
            _ => None,
        });
        edge.map(|slope| slope.clamp(-DRIFT_MAX, DRIFT_MAX))
    }

    /// How much later than the smallest delay seen what is heard now comes, µs.
    pub(super) fn us(&self) -> u64 {
        let [now_s, before_s] = self.recent_s;
        whole(now_s.min(before_s) * 1e6)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: f64 = 2e6;

    /// Jitter of a way, s, from a counter: the same each run, without a pattern that a block could
    /// hide.
    fn jitter(n: u64, size_s: f64) -> f64 {
        let mixed = n.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        (mixed >> 40) as f64 / (1u64 << 24) as f64 * size_s
    }

    /// Hears a word each 50 ms from a board whose clock is off by `drift`, over a way that takes
    /// `way_s` of the time; what the delay then is, s, with the time.
    fn heard(drift: f64, seconds: u64, way_s: impl Fn(u64, f64) -> f64) -> Vec<(f64, f64)> {
        let mut delay = Delay::default();
        let mut newest_us = 0;
        let mut told = Vec::new();
        for n in 0..20 * seconds {
            let sent_s = n as f64 * 0.05;
            let tick = (5.0 + sent_s * (1.0 + drift)) * HZ;
            let tick = whole(tick);
            let came_us = whole((100.0 + sent_s + way_s(n, sent_s)) * 1e6);
            newest_us = came_us.max(newest_us); // words keep their order
            delay.saw(tick);
            delay.hear(newest_us, HZ);
            told.push((sent_s, delay.us() as f64 * 1e-6));
        }
        told
    }

    const DRIFTS: [f64; 7] = [0.0, 50e-6, -200e-6, 0.003, -0.005, 0.0095, -0.0095];

    #[test]
    fn drift_and_jitter_are_no_delay() {
        for drift in DRIFTS {
            for size_s in [0.0, 0.002, 0.016, 0.04] {
                let told = heard(drift, 900, |n, _| 0.003 + jitter(n, size_s));
                let most = told.iter().map(|it| it.1).fold(0.0, f64::max);
                assert!(most <= size_s + 0.012, "{drift}, {size_s}: {most}");
            }
        }
    }

    #[test]
    fn a_delay_that_grows_is_told_whatever_the_clock_drifts() {
        for drift in DRIFTS {
            for grows_from_s in [0.0, 3.0, 200.0] {
                let way = |n, t: f64| 0.002 + jitter(n, 0.016) + 0.1 * (t - grows_from_s).max(0.0);
                for (at_s, told_s) in heard(drift, 230, way) {
                    let true_s = 0.1 * (at_s - grows_from_s).max(0.0);
                    let off = told_s - true_s;
                    // The clock may drift by a hundredth either way, a fifth of this growth; what is
                    // told is the smallest of the last 0.2 s.
                    assert!(
                        off <= 0.03 && off >= -0.045 - 0.21 * true_s,
                        "{drift}, from {grows_from_s}: at {at_s} s {told_s} for {true_s}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_learnt_drift_shows_a_slow_growth() {
        // 2 ms each second would be a bad clock from the start on; after a minute it is a delay.
        let way = |n, t: f64| 0.002 + jitter(n, 0.005) + 0.002 * (t - 90.0).max(0.0);
        for drift in DRIFTS {
            let told = heard(drift, 390, way);
            let (_, last_s) = told[told.len() - 1];
            assert!((0.4..0.61).contains(&last_s), "{drift}: {last_s} for 0.6");
        }
    }

    #[test]
    fn a_delay_that_stays_is_not_forgiven_for_minutes() {
        let way = |n, t: f64| jitter(n, 0.016) + if t > 60.0 { 0.4 } else { 0.0 };
        let told = heard(0.004, 400, way);
        assert!(told.iter().all(|(t, s)| *t < 60.3 || *s > 0.25), "{told:?}");
    }

    #[test]
    fn bursts_and_a_loop_that_slept_are_over_at_once() {
        // Everything of 0.4 s comes at its end, each 5 s.
        let way = |n: u64, _| {
            if n % 100 < 8 {
                0.05 * (8 - n % 100) as f64
            } else {
                0.002
            }
        };
        let told = heard(0.001, 60, way);
        assert!(
            told.iter()
                .skip(20)
                .all(|(t, s)| t % 5.0 < 0.5 || *s < 0.01)
        );
        // A host that slept for ten seconds by a clock that stopped meanwhile: what comes is early.
        let mut delay = Delay::default();
        for n in 0..400_u64 {
            let slept = if n >= 200 { 10_000_000 } else { 0 };
            delay.saw((n * 50_000 + slept) * 2);
            delay.hear(50_000 * n, HZ);
            assert_eq!(delay.us(), 0, "{n}");
        }
    }

    #[test]
    fn one_tick_out_of_place_is_forgotten() {
        let mut delay = Delay::default();
        let mut told = Vec::new();
        for n in 0..400_u64 {
            let wrong = if n == 205 { 5_000_000 } else { 0 };
            delay.saw((n * 50_000 + wrong) * 2);
            delay.hear(50_000 * n, HZ);
            told.push(delay.us());
        }
        assert!(told[250..].iter().all(|us| *us < 20_000), "{told:?}");
    }
}
