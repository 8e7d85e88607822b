//! One tooth wheel as it turns: teeth, speed for guards, whole turns for pulls.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use leverarm_config::{Pickup, Shaft, Stand};
use leverarm_filters::teeth::{Edge, Tooth, ToothKind, ToothTracker};

/// A wheel without an edge for this long has stopped.
const STANDSTILL_S: f64 = 0.5;
/// Pitches from a start or a new lock before a speed is believed: two false edges beside a wheel at
/// rest are no overspeed. A board asks for as many by default.
const PITCHES_BELIEVED: u32 = 3;
/// After a longer gap the wheel may have stood: its speed is believed anew.
const TEETH_BRIDGED: i64 = 4;
/// Teeth may stay away this long only because of their way here: they wait up to 20 ms for their
/// frame, then for the line.
const UNDER_WAY_S: f64 = 0.05;
/// Teeth that stay away for no longer are not lost yet.
const LOST_TEETH_S: f64 = 0.1;
/// Harder than this nothing stops a drum, or an engine (our judgement, far above any brake).
const DRUM_RAD_PER_S2_MAX: f64 = 500.0;
const ENGINE_RAD_PER_S2_MAX: f64 = 3_000.0;

/// Shortest time over which a whole-turn speed is taken.
const MARK_S_MIN: f64 = 0.02;
const MARKS: usize = 12;
/// Stretch over which the live acceleration is taken.
const SLOPE_S: f64 = 0.25;

/// Whole-turn motion of a wheel, as the pull finder wants it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Mark {
    pub(super) tick: u64,
    /// Speed of the engine, rad/s.
    pub(super) engine_rad_per_s: f64,
    /// Acceleration of the engine, rad/s².
    pub(super) engine_rad_per_s2: f64,
}

pub(super) struct SeenTooth {
    pub(super) tooth: Tooth,
    /// Before this edge the wheel turned so fast that its teeth have to be where they are expected.
    pub(super) was_turning: bool,
    pub(super) mark: Option<Mark>,
}

#[derive(Debug)]
pub(super) struct Wheel {
    pub(super) pickup: Pickup,
    engine_per_wheel: f64,
    tick_hz: f64,
    /// There is one as soon as the tick rate is known.
    tracker: Option<ToothTracker>,
    /// Ticks of the last two pitches.
    pitches: [f64; 2],
    /// Pitches since the tracker began to count, or began anew.
    pitches_counted: u32,
    turns: Turns,
    last_number: u64,
    last_tick: Option<u64>,
    last_us: Option<u64>,
}

impl Wheel {
    pub(super) fn new(pickup: Pickup, stand: &Stand) -> Self {
        let engine_per_wheel = stand
            .drive
            .speed_rad_per_s(1.0, pickup.shaft, Shaft::Engine);
        Self {
            pickup,
            engine_per_wheel,
            tick_hz: 0.0,
            tracker: None,
            pitches: [0.0; 2],
            pitches_counted: 0,
            turns: Turns::new(&pickup),
            last_number: 0,
            last_tick: None,
            last_us: None,
        }
    }

    /// Ticks begin again, and their rate is not known.
    pub(super) fn reset(&mut self) {
        self.tracker = None;
        self.pitches_counted = 0;
        self.turns.marks.clear();
        self.last_tick = None;
    }

    pub(super) fn board(&mut self, tick_hz: f64) {
        self.tick_hz = tick_hz;
        let teeth = u32::from(self.pickup.teeth);
        self.tracker = Some(ToothTracker::new(tick_hz, teeth, STANDSTILL_S));
    }

    /// The next edge; one that comes late, after newer ones, can't be used any more.
    pub(super) fn edge(&mut self, mono_us: u64, edge: Edge) -> Option<SeenTooth> {
        if self.last_tick.is_some_and(|last| edge.tick < last) {
            return None;
        }
        let was_turning = self.outruns_a_stop();
        let tracker = self.tracker.as_mut()?;
        let before = tracker.last();
        let tooth = tracker.push(edge);
        self.last_tick = Some(edge.tick);
        self.last_us = Some(mono_us);
        let mark = match (tooth.kind, before) {
            (ToothKind::Extra, _) => None,
            (ToothKind::First | ToothKind::Relocked, _) | (_, None) => {
                self.begin(&tooth);
                None
            }
            (_, Some(before)) if self.bridges(&before, &tooth, edge.number) => {
                let is_mark = self.turns.tooth(&tooth, self.tick_hz);
                is_mark.then(|| self.motion()).flatten()
            }
            (_, Some(_)) => {
                self.begin(&tooth);
                None
            }
        };
        self.last_number = edge.number;
        Some(SeenTooth {
            tooth,
            was_turning,
            mark,
        })
    }

    fn begin(&mut self, tooth: &Tooth) {
        self.pitches_counted = 0;
        self.turns.begin(tooth);
    }

    /// Takes the way from one tooth to the next into account for the speed that guards see. False
    /// if it is too far to tell how far.
    fn bridges(&mut self, from: &Tooth, to: &Tooth, number: u64) -> bool {
        if matches!(to.kind, ToothKind::Irregular { ratio } if ratio < 1.0) {
            return true; // far too short: a false edge, or the first of many that will be regular
        }
        let ticks = to.tick.saturating_sub(from.tick) as f64;
        let teeth = (to.index - from.index).max(1);
        let is_counted = i64::try_from(number.wrapping_sub(self.last_number)) == Ok(teeth);
        // Teeth that the board did not count were told from the very speed that is in question:
        // they make one long pitch, or a stop.
        if !is_counted && teeth > TEETH_BRIDGED {
            return false;
        }
        let pitch = if is_counted {
            ticks / teeth as f64
        } else {
            ticks
        };
        self.pitches = [pitch, self.pitches[0]];
        self.pitches_counted = self.pitches_counted.saturating_add(1);
        true
    }

    fn motion(&self) -> Option<Mark> {
        let motion = self.turns.motion(self.tick_hz)?;
        let pitch_rad = TAU / f64::from(self.pickup.teeth.max(1));
        Some(Mark {
            tick: motion.tick,
            engine_rad_per_s: motion.teeth_per_s * pitch_rad * self.engine_per_wheel,
            engine_rad_per_s2: motion.teeth_per_s2 * pitch_rad * self.engine_per_wheel,
        })
    }

    /// Speed for guards: that of the slower of the last two pitches. It is there at most two and a
    /// half pitches after the shaft, and one edge in the wrong place, which makes one pitch a little
    /// short, does not show in it.
    pub(super) fn guard_rad_per_s(&self) -> Option<f64> {
        let tracker = self.tracker.as_ref()?;
        let ticks = self.pitches[0].max(self.pitches[1]);
        (self.pitches_counted >= PITCHES_BELIEVED && ticks > 0.0)
            .then(|| tracker.pitch_rad() * self.tick_hz / ticks)
    }

    /// Speed at a board tick, no more than the teeth that stayed away since allow. `None` before
    /// the tick rate is known.
    pub(super) fn rad_per_s_at(&self, tick: u64) -> Option<f64> {
        let under_way = ticks(UNDER_WAY_S, self.tick_hz);
        Some(
            self.tracker
                .as_ref()?
                .omega_at_rad_per_s(tick.saturating_sub(under_way)),
        )
    }

    /// Speed at a host time, by the host's clock alone.
    pub(super) fn rad_per_s_at_host(&self, mono_us: u64) -> Option<f64> {
        self.rad_per_s_at(self.tick_at_host(mono_us))
    }

    /// [`Self::teeth_lost`] by the host's clock alone: true as well when the link is what is lost.
    pub(super) fn teeth_stale(&self, mono_us: u64) -> Option<bool> {
        self.teeth_lost(self.tick_at_host(mono_us))
    }

    fn tick_at_host(&self, mono_us: u64) -> u64 {
        let since_us = mono_us.saturating_sub(self.last_us.unwrap_or(0));
        let since = ticks(since_us as f64 * 1e-6, self.tick_hz);
        self.last_tick.unwrap_or(0).saturating_add(since)
    }

    /// Whether the teeth ended sooner than the shaft can stop, with the newest tick heard from the
    /// board; `None` if no tooth came since ticks began. Once true it stays so until teeth come
    /// again: nothing else can show that the pickup works.
    pub(super) fn teeth_lost(&self, newest_tick: u64) -> Option<bool> {
        let (tracker, last_tick) = (self.tracker.as_ref()?, self.last_tick?);
        let since_s = newest_tick.saturating_sub(last_tick) as f64 / self.tick_hz;
        let patience_s = |mean: f64| LOST_TEETH_S + 3.0 * tracker.pitch_rad() / mean;
        let is_long = self
            .guard_rad_per_s()
            .is_some_and(|mean| since_s > patience_s(mean));
        Some(is_long && self.outruns_a_stop())
    }

    /// Whether the wheel turns too fast to come to rest within one pitch. Slower than that, and so
    /// around each standstill, a long pitch may be a true one and no tooth need be missing.
    fn outruns_a_stop(&self) -> bool {
        let (Some(tracker), Some(mean)) = (&self.tracker, self.guard_rad_per_s()) else {
            return false;
        };
        let pitch_rad = tracker.pitch_rad();
        let stops_within = match self.pickup.shaft {
            Shaft::Drum => DRUM_RAD_PER_S2_MAX,
            Shaft::Engine => ENGINE_RAD_PER_S2_MAX,
        };
        // At the last tooth the speed was the mean over its pitch φ less half of what it lost
        // there, ω = ω̄ − α φ/ω̄ / 2. From there it stops within one pitch if ω² ≤ 2 α φ.
        let at_last = mean - 0.5 * stops_within * pitch_rad / mean;
        at_last > (2.0 * stops_within * pitch_rad).sqrt()
    }

    pub(super) fn last_us(&self) -> Option<u64> {
        self.last_us
    }

    pub(super) fn engine_per_wheel(&self) -> f64 {
        self.engine_per_wheel
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "float `as` saturates, and both factors are positive"
)]
fn ticks(seconds: f64, tick_hz: f64) -> u64 {
    (seconds * tick_hz) as u64
}

/// Marks at whole turns, where the spacing of the teeth cancels.
#[derive(Debug)]
struct Turns {
    /// Teeth of a whole turn, or of the two turns of a working cycle.
    teeth: i64,
    marks: VecDeque<(u64, i64)>,
    /// Index of the tooth before.
    before: i64,
    /// A whole turn went by without a tooth that could mark it.
    overdue: bool,
}

/// A turn between two marks.
#[derive(Clone, Copy)]
struct Turn {
    /// Its end.
    tick: u64,
    middle_s: f64,
    teeth_per_s: f64,
}

struct Motion {
    tick: u64,
    teeth_per_s: f64,
    teeth_per_s2: f64,
}

impl Turns {
    fn new(pickup: &Pickup) -> Self {
        let turns = match pickup.shaft {
            Shaft::Engine => 2,
            Shaft::Drum => 1,
        };
        Self {
            teeth: i64::from(pickup.teeth.max(1)) * turns,
            marks: VecDeque::with_capacity(MARKS),
            before: 0,
            overdue: false,
        }
    }

    fn begin(&mut self, tooth: &Tooth) {
        self.marks.clear();
        self.mark(tooth);
    }

    fn mark(&mut self, tooth: &Tooth) {
        if self.marks.len() == MARKS {
            self.marks.pop_front();
        }
        self.marks.push_back((tooth.tick, tooth.index));
        self.before = tooth.index;
        self.overdue = false;
    }

    /// Takes a tooth; true if it is a mark.
    ///
    /// A mark is the tooth of the mark before, one or more turns on. Where that one was missed, or
    /// is so far off its place that it may be a false edge, the next good one serves, or the same
    /// one a turn later: an incomplete turn is off by the spacing of its teeth, but it is one mark
    /// in a hundred, and none at all for a turn would be worse.
    fn tooth(&mut self, tooth: &Tooth, tick_hz: f64) -> bool {
        let before = std::mem::replace(&mut self.before, tooth.index);
        let Some((tick, index)) = self.marks.back().copied() else {
            self.mark(tooth);
            return false;
        };
        let turned = tooth.index - index;
        let seconds = tooth.tick.saturating_sub(tick) as f64 / tick_hz;
        if turned < self.teeth || seconds < MARK_S_MIN {
            return false;
        }
        let is_good = !matches!(tooth.kind, ToothKind::Irregular { .. });
        let is_whole = turned % self.teeth == 0;
        let passed_whole = (before - index) / self.teeth < turned / self.teeth;
        if is_good && (is_whole || passed_whole || self.overdue) || is_whole && self.overdue {
            self.mark(tooth);
            return true;
        }
        self.overdue |= passed_whole;
        false
    }

    /// The turn that ended so many marks ago.
    fn turn(&self, ago: usize, tick_hz: f64) -> Option<Turn> {
        let newest = self.marks.len().checked_sub(ago + 1)?;
        let (tick, index) = *self.marks.get(newest)?;
        let (from_tick, from_index) = *self.marks.get(newest.checked_sub(1)?)?;
        let ticks = tick.saturating_sub(from_tick).max(1) as f64;
        Some(Turn {
            tick,
            middle_s: (from_tick as f64 + 0.5 * ticks) / tick_hz,
            teeth_per_s: (index - from_index) as f64 * tick_hz / ticks,
        })
    }

    /// A turn with the median speed of itself and its neighbours: a mark out of place makes one
    /// turn too fast and the next too slow, and neither shows.
    fn smooth_turn(&self, ago: usize, tick_hz: f64) -> Option<Turn> {
        let turn = self.turn(ago, tick_hz)?;
        let a = self.turn(ago.checked_sub(1)?, tick_hz)?.teeth_per_s;
        let b = self.turn(ago + 1, tick_hz)?.teeth_per_s;
        Some(Turn {
            teeth_per_s: turn.teeth_per_s.clamp(a.min(b), a.max(b)),
            ..turn
        })
    }

    /// Speed over the turn before the last, and acceleration over [`SLOPE_S`] or what there is.
    fn motion(&self, tick_hz: f64) -> Option<Motion> {
        let newest = self.smooth_turn(1, tick_hz)?;
        let mut oldest = self.smooth_turn(2, tick_hz)?;
        for ago in 3..MARKS {
            if newest.middle_s - oldest.middle_s >= SLOPE_S {
                break;
            }
            let Some(older) = self.smooth_turn(ago, tick_hz) else {
                break;
            };
            oldest = older;
        }
        let seconds = (newest.middle_s - oldest.middle_s).max(1e-6);
        Some(Motion {
            tick: newest.tick,
            teeth_per_s: newest.teeth_per_s,
            teeth_per_s2: (newest.teeth_per_s - oldest.teeth_per_s) / seconds,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: f64 = 1e6;

    /// Speeds up from 20 rad/s by 30 rad/s² for 4 s: marks of a wheel of 8 teeth, with edges as
    /// `edges` makes them of each tooth's number and tick.
    fn marks(edges: impl Fn(u64, u64, u64) -> Vec<u64>) -> Vec<Mark> {
        let stand = leverarm_config::parse("stand.toml", leverarm_config::EXAMPLE_STAND);
        let stand = stand.unwrap_or_else(|errors| panic!("{errors}"));
        let mut wheel = Wheel::new(stand.pickups[0], &stand);
        wheel.board(HZ);
        let when = |tooth: u64| {
            let angle = TAU / 8.0 * tooth as f64;
            (-20.0 + (400.0 + 60.0 * angle).sqrt()) / 30.0
        };
        let tick = |tooth: u64| ticks(when(tooth), HZ);
        let mut marks = Vec::new();
        let mut number = 0;
        for tooth in 0..400 {
            for tick in edges(tooth, tick(tooth), tick(tooth + 1) - tick(tooth)) {
                let seen = wheel.edge(0, Edge { tick, number });
                marks.extend(seen.and_then(|seen| seen.mark));
                number += 1;
            }
        }
        marks
    }

    /// Engine speed and acceleration of the example stand at a mark: the mean over the turn that
    /// ends there, which took T by ω T − α T²/2 = 2π.
    fn check(marks: &[Mark], speed_error: f64) {
        let ratio = 67.0 / 18.0 * 24.0 / 19.0 * 22.0 / 15.0;
        for mark in marks {
            let end_s = mark.tick as f64 / HZ;
            let drum = 20.0 + 30.0 * end_s;
            let turn_s = (drum - (drum * drum - 60.0 * TAU).sqrt()) / 30.0;
            let off = mark.engine_rad_per_s / (ratio * TAU / turn_s) - 1.0;
            assert!(off.abs() < speed_error, "{off} at {end_s} s");
            let slope = mark.engine_rad_per_s2 / (ratio * 30.0);
            assert!((0.5..1.5).contains(&slope), "{slope} at {end_s} s");
        }
    }

    #[test]
    fn whole_turns_tell_the_motion() {
        let marks = marks(|_, tick, _| vec![tick]);
        assert_eq!(marks.len(), 400 / 8 - 4);
        check(&marks, 2e-3);
    }

    #[test]
    fn missed_and_false_teeth_stop_no_marks() {
        // The tooth of a mark is missed: the next one serves.
        let missed = marks(|tooth, tick, _| {
            let gone = tooth.is_multiple_of(80) && tooth > 0;
            if gone { Vec::new() } else { vec![tick] }
        });
        assert!(missed.len() >= 45, "{}", missed.len());
        check(&missed, 0.03);
        // A false edge in the last fifth of the pitch before it passes for it.
        let early = marks(|tooth, tick, pitch| {
            if tooth % 80 == 39 {
                vec![tick, tick + pitch * 85 / 100]
            } else {
                vec![tick]
            }
        });
        assert!(early.len() >= 45, "{}", early.len());
        check(&early, 0.03);
        // One tooth of the wheel is broken off.
        let broken = marks(|tooth, tick, _| {
            if tooth % 8 == 3 {
                Vec::new()
            } else {
                vec![tick]
            }
        });
        assert!(broken.len() >= 45, "{}", broken.len());
        check(&broken, 2e-3);
    }

    /// A wheel that stopped with its last tooth half past the pickup has seen two edges close
    /// together: the gap to the next tooth is not thousands of missed ones.
    #[test]
    fn chatter_at_a_stop_makes_no_speed() {
        let marks = marks(|tooth, tick, _| {
            if tooth == 0 {
                vec![tick, tick + 100, tick + 200]
            } else {
                vec![tick]
            }
        });
        check(&marks, 3e-3);
    }
}
