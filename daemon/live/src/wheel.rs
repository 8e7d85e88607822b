//! One tooth wheel as it turns: teeth, speed for guards, whole turns for pulls.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use leverarm_config::bounds::blind_below_rad_per_s;
use leverarm_config::{Pickup, Shaft, Stand};
use leverarm_filters::causal::{CausalMotion, CausalSpeed};
use leverarm_filters::teeth::{Edge, Tooth, ToothKind, ToothTracker};

use super::whole;

/// A wheel without an edge for this long has stopped.
const STANDSTILL_S: f64 = 0.5;
/// Pitches from a start or a new lock before a speed is believed: two false edges beside a wheel at
/// rest are no overspeed. A board asks for as many by default.
const PITCHES_BELIEVED: u32 = 3;
/// A shorter interval, over the one expected, is no pitch for guards: two of about a half are a
/// pitch with a false edge in its middle.
const PITCH_SHARE_MIN: f64 = 0.6;
/// After a longer gap the wheel may have stood: its speed is believed again.
const TEETH_BRIDGED: i64 = 4;
/// Teeth may stay away this long only because of their way here: they wait up to 20 ms for their
/// frame, then for the line.
const UNDER_WAY_S: f64 = 0.05;
/// Teeth that stay away for no longer are not lost yet.
const LOST_TEETH_S: f64 = 0.1;
/// So many teeth may be gone from a wheel without that it seems to slow down.
const TEETH_GONE_MAX: u16 = 2;
/// A speed that held for so many pitches is known.
const PITCHES_KNOWN: u32 = 12;
/// Gaps in a row before the one where the tracker takes the lower speed for true: mostly the fourth.
const GAPS_TO_FALL: u32 = 2;
/// Share by which they may differ in length.
const GAP_SHARE: f64 = 0.25;

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
    /// The newest motion of the engine that teeth and model tell, with its uncertainty: for the live
    /// curve. `None` while too little is known.
    pub(super) newest: Option<NewestMotion>,
}

/// Motion of the engine at a tooth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct NewestMotion {
    pub(super) tick: u64,
    /// The engine's.
    pub(super) motion: CausalMotion,
}

pub(super) struct SeenTooth {
    pub(super) tooth: Tooth,
    /// Before this edge the wheel turned so fast that its teeth have to be where they are expected.
    pub(super) was_turning: bool,
    /// The tooth before was out of its place: the pitch after it is again what it was before it. One that
    /// stays changed is a speed that changed.
    pub(super) was_displaced: bool,
    pub(super) mark: Option<Mark>,
    /// The motion of the wheel's shaft behind the mark.
    pub(super) turn: Option<WheelTurn>,
    /// Speed of the wheel before its teeth were a whole number of pitches apart from one to the
    /// next, and after, rad/s: no shaft slows down in such a step.
    pub(super) fell: Option<Change>,
    /// The first speed that is known after teeth that did not fit the one before.
    pub(super) change: Option<Change>,
}

/// Two speeds of a wheel, one known after the other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Change {
    pub(super) from_rad_per_s: f64,
    pub(super) to_rad_per_s: f64,
    /// Time between the two.
    pub(super) seconds: f64,
}

/// A whole turn of a wheel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct WheelTurn {
    /// Its middle, s of the board's time.
    pub(super) at_s: f64,
    pub(super) rad_per_s: f64,
    pub(super) rad_per_s2: f64,
}

/// What is known as gaps begin.
#[derive(Clone, Copy, Debug)]
struct BeforeGaps {
    rad_per_s: f64,
    /// Tick of the tooth before the first gap, and the gap's length.
    tick: u64,
    gap_ticks: f64,
}

#[derive(Debug)]
pub(super) struct Wheel {
    pub(super) pickup: Pickup,
    engine_per_wheel: f64,
    stops_within_rad_per_s2: f64,
    tick_hz: f64,
    /// There is one as soon as the tick rate is known.
    tracker: Option<ToothTracker>,
    /// Ticks of the last two pitches.
    pitches: [f64; 2],
    /// The same, with a gap that nobody counted as one long pitch: the slowest it can have been.
    spans: [f64; 2],
    /// Pitches since the tracker began to count, or began again.
    pitches_counted: u32,
    whole_turns: WholeTurns,
    turns: Turns,
    causal: CausalSpeed,
    /// Gaps in a row, and what was before them.
    gaps: u32,
    before_gaps: Option<BeforeGaps>,
    /// Speed that was known last, rad/s, and its tick.
    known: Option<(f64, u64)>,
    /// The same before the teeth no longer fitted it, until another is known.
    before_relock: Option<(f64, u64)>,
    /// The pitch that made the last tooth an irregular one, and the one that was expected, ticks.
    suspect: Option<(f64, f64)>,
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
            stops_within_rad_per_s2: stand.stop_bound_rad_per_s2(pickup.shaft),
            tick_hz: 0.0,
            tracker: None,
            pitches: [0.0; 2],
            spans: [0.0; 2],
            pitches_counted: 0,
            whole_turns: WholeTurns::new(pickup.teeth),
            turns: Turns::new(&pickup),
            causal: CausalSpeed::new(Some(stand.engine.cycles_per_turn * engine_per_wheel)),
            gaps: 0,
            before_gaps: None,
            known: None,
            before_relock: None,
            suspect: None,
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
        self.gaps = 0;
        (self.known, self.before_relock) = (None, None);
        self.suspect = None;
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
        let speed = self.guard_rad_per_s();
        let known = speed.filter(|_| was_turning && self.pitches_counted >= PITCHES_KNOWN);
        let tracker = self.tracker.as_mut()?;
        let before = tracker.last();
        let tooth = tracker.push(edge);
        self.last_tick = Some(edge.tick);
        self.last_us = Some(mono_us);
        let is_counted = edge.number == self.last_number.wrapping_add(1);
        let fell = match before {
            Some(before) if is_counted => self.fall(&before, &tooth, known),
            _ => {
                self.gaps = 0;
                None
            }
        };
        let was_displaced = self.displaced(before, &tooth, was_turning);
        let is_mark = match (tooth.kind, before) {
            (ToothKind::Extra, _) => false,
            (ToothKind::First | ToothKind::Relocked, _) | (_, None) => {
                self.begin(&tooth);
                false
            }
            (_, Some(before)) if self.bridges(&before, &tooth, edge.number) => {
                let is_mark = self.turns.tooth(&tooth, self.tick_hz);
                if is_mark {
                    let (time_s, theta_rad) = self.place(&tooth);
                    self.causal.mark(time_s, theta_rad);
                }
                is_mark
            }
            (_, Some(_)) => {
                self.begin(&tooth);
                false
            }
        };
        self.last_number = edge.number;
        let change = known.and_then(|to| {
            let (from, tick) = self.before_relock.take()?;
            Some(Change {
                from_rad_per_s: from,
                to_rad_per_s: to,
                seconds: edge.tick.saturating_sub(tick) as f64 / self.tick_hz,
            })
        });
        match tooth.kind {
            ToothKind::First => (self.known, self.before_relock) = (None, None),
            ToothKind::Relocked => self.before_relock = self.before_relock.or(self.known.take()),
            _ => self.known = known.map(|speed| (speed, edge.tick)).or(self.known),
        }
        let motion = is_mark.then(|| self.turns.motion(self.tick_hz)).flatten();
        let pitch_rad = TAU / f64::from(self.pickup.teeth.max(1));
        Some(SeenTooth {
            tooth,
            was_turning,
            was_displaced,
            mark: motion.as_ref().map(|motion| Mark {
                tick: motion.tick,
                engine_rad_per_s: motion.teeth_per_s * pitch_rad * self.engine_per_wheel,
                engine_rad_per_s2: motion.teeth_per_s2 * pitch_rad * self.engine_per_wheel,
                newest: self.newest(&tooth),
            }),
            turn: motion.map(|motion| WheelTurn {
                at_s: motion.at_s,
                rad_per_s: motion.teeth_per_s * pitch_rad,
                rad_per_s2: motion.teeth_per_s2 * pitch_rad,
            }),
            fell,
            change,
        })
    }

    /// Counts gaps of the same length that the board did not count, from a speed that was `known` and
    /// too great to be stopped within a pitch. Where they go on until the tracker takes the lower
    /// speed for true, sooner than the shaft could have slowed down to it, every tooth but one in so
    /// many is missed.
    fn fall(&mut self, from: &Tooth, to: &Tooth, known: Option<f64>) -> Option<Change> {
        let gap_ticks = to.tick.saturating_sub(from.tick) as f64;
        let is_alike = |first: f64| (gap_ticks / first - 1.0).abs() < GAP_SHARE;
        match to.kind {
            ToothKind::Extra => {}
            ToothKind::AfterMissed { .. } => {
                let before = self.before_gaps.filter(|_| self.gaps > 0);
                if before.is_some_and(|before| is_alike(before.gap_ticks)) {
                    self.gaps += 1;
                } else {
                    self.gaps = 1;
                    self.before_gaps = known.map(|rad_per_s| BeforeGaps {
                        rad_per_s,
                        tick: from.tick,
                        gap_ticks,
                    });
                }
            }
            ToothKind::Relocked if self.gaps >= GAPS_TO_FALL => {
                self.gaps = 0;
                let before = self.before_gaps.filter(|it| is_alike(it.gap_ticks))?;
                let pitch_rad = TAU / f64::from(self.pickup.teeth.max(1));
                let now = pitch_rad * self.tick_hz / gap_ticks;
                let seconds = to.tick.saturating_sub(before.tick) as f64 / self.tick_hz;
                // A clutch may drag an engine down as fast as it likes, but not in a step.
                let may_fall = match self.pickup.shaft {
                    Shaft::Drum => self.stops_within_rad_per_s2 * seconds,
                    Shaft::Engine => 0.0,
                };
                return (before.rad_per_s - may_fall > now).then_some(Change {
                    from_rad_per_s: before.rad_per_s,
                    to_rad_per_s: now,
                    seconds,
                });
            }
            _ => self.gaps = 0,
        }
        None
    }

    /// Whether the tooth before was out of its place, judged by the pitch after it.
    fn displaced(&mut self, before: Option<Tooth>, tooth: &Tooth, was_turning: bool) -> bool {
        if tooth.kind == ToothKind::Extra {
            return false;
        }
        // Whole, however many teeth it is said to be: after a false edge halfway that is told from it.
        let pitch = before.map_or(0.0, |before| tooth.tick.saturating_sub(before.tick) as f64);
        let suspect = self.suspect.take();
        if let ToothKind::Irregular { ratio } = tooth.kind
            && was_turning
        {
            self.suspect = Some((pitch, pitch / ratio));
        }
        suspect.is_some_and(|(found, expected)| {
            // Halfway between them in speed, and on the side of what was expected.
            let middle = (found * expected).sqrt();
            (pitch - middle) * (expected - middle) > 0.0
        })
    }

    fn begin(&mut self, tooth: &Tooth) {
        self.pitches_counted = 0;
        self.whole_turns.begin(tooth);
        self.turns.begin(tooth);
        let (time_s, theta_rad) = self.place(tooth);
        self.causal.begin(time_s, theta_rad);
    }

    /// Time and angle of a tooth.
    fn place(&self, tooth: &Tooth) -> (f64, f64) {
        let pitch_rad = TAU / f64::from(self.pickup.teeth.max(1));
        let time_s = tooth.tick as f64 / self.tick_hz;
        (time_s, pitch_rad * tooth.index as f64)
    }

    fn newest(&self, tooth: &Tooth) -> Option<NewestMotion> {
        let of_wheel = self.causal.motion()?;
        let motion = CausalMotion {
            omega_rad_per_s: of_wheel.omega_rad_per_s * self.engine_per_wheel,
            alpha_rad_per_s2: of_wheel.alpha_rad_per_s2 * self.engine_per_wheel,
            alpha_uncertainty_rad_per_s2: of_wheel.alpha_uncertainty_rad_per_s2
                * self.engine_per_wheel,
        };
        let tick = tooth.tick;
        Some(NewestMotion { tick, motion })
    }

    /// Takes the way from one tooth to the next into account for the speed that guards see. False
    /// if it is too far to tell how far.
    fn bridges(&mut self, from: &Tooth, to: &Tooth, number: u64) -> bool {
        let ticks = to.tick.saturating_sub(from.tick) as f64;
        let teeth = (to.index - from.index).max(1);
        let is_counted = i64::try_from(number.wrapping_sub(self.last_number)) == Ok(teeth);
        // Teeth that the board did not count were told from the very speed that is in question.
        if !is_counted && teeth > TEETH_BRIDGED {
            return false;
        }
        let is_false = matches!(to.kind, ToothKind::Irregular { ratio } if ratio < PITCH_SHARE_MIN);
        if !is_false {
            let pitch = if is_counted {
                ticks / teeth as f64
            } else {
                ticks
            };
            self.spans = [pitch, self.spans[0]];
            if is_counted {
                self.pitches = [pitch, self.pitches[0]];
                self.pitches_counted = self.pitches_counted.saturating_add(1);
            }
        }
        self.whole_turns
            .tooth(to, self.pitches[0].max(self.pitches[1]));
        true
    }

    /// Speed for guards: that of the slower of the last two pitches, or of the slower of the last two
    /// whole turns, whichever is faster.
    ///
    /// The pitches are there at most two and a half of them after the shaft, and one edge in the
    /// wrong place, which makes one pitch a little short, does not show in them. The turns are later,
    /// but nothing that returns each turn restarts a debounce in them: no gone tooth, no false edge.
    /// They are no faster than the pitches were within the turn, so that a miscounted gap in them does
    /// no harm.
    pub(super) fn guard_rad_per_s(&self) -> Option<f64> {
        let pitch = self.pitches[0].max(self.pitches[1]);
        self.believed_rad_per_s(match self.whole_turns.slower_pitch_ticks() {
            Some(turn) => pitch.min(turn),
            None => pitch,
        })
    }

    fn believed_rad_per_s(&self, pitch_ticks: f64) -> Option<f64> {
        let tracker = self.tracker.as_ref()?;
        (self.pitches_counted >= PITCHES_BELIEVED && pitch_ticks > 0.0)
            .then(|| tracker.pitch_rad() * self.tick_hz / pitch_ticks)
    }

    /// The least speed that its last teeth can mean.
    fn least_rad_per_s(&self) -> Option<f64> {
        self.believed_rad_per_s(self.spans[0].max(self.spans[1]))
    }

    /// Speed at a board tick, no more than the teeth that stayed away since allow. `None` before
    /// the tick rate is known.
    pub(super) fn rad_per_s_at(&self, tick: u64) -> Option<f64> {
        let tracker = self.tracker.as_ref()?;
        // Where teeth are gone the next one is later.
        let gone = f64::from(TEETH_GONE_MAX.min(self.pickup.teeth.saturating_sub(1)));
        let speed = tracker.omega_rad_per_s();
        let gone_s = speed.map_or(0.0, |speed| gone * tracker.pitch_rad() / speed);
        let later = whole((UNDER_WAY_S + gone_s) * self.tick_hz);
        Some(tracker.omega_at_rad_per_s(tick.saturating_sub(later)))
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
        let since = whole(since_us as f64 * 1e-6 * self.tick_hz);
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
            .least_rad_per_s()
            .is_some_and(|mean| since_s > patience_s(mean));
        Some(is_long && self.outruns_a_stop())
    }

    /// Whether the wheel turns too fast to come to rest within one pitch. Slower than that, and so
    /// around each standstill, a long pitch may be a true one and no tooth need be missing.
    fn outruns_a_stop(&self) -> bool {
        let (Some(tracker), Some(mean)) = (&self.tracker, self.least_rad_per_s()) else {
            return false;
        };
        let step_rad = tracker.pitch_rad() * self.whole_turns.longest_step() as f64;
        mean > blind_below_rad_per_s(self.stops_within_rad_per_s2, step_rad)
    }

    pub(super) fn last_us(&self) -> Option<u64> {
        self.last_us
    }

    pub(super) fn engine_per_wheel(&self) -> f64 {
        self.engine_per_wheel
    }
}

/// Times of whole turns, from each tooth to the same one a turn later.
#[derive(Debug)]
struct WholeTurns {
    teeth: i64,
    /// Tick and index of the teeth of the last turn, oldest first.
    seen: VecDeque<(u64, i64)>,
    /// At each of them, ticks of the longer of the two pitches before it: their least is asked for.
    pitches: Least<f64>,
    /// From each of them to the next, pitches, negated: the most there were is asked for.
    steps: Least<i64>,
    /// Ticks of the last two turns, the newer first, 0 where there is none.
    ticks: [f64; 2],
}

impl WholeTurns {
    fn new(teeth: u16) -> Self {
        let room = usize::from(teeth) + 2;
        Self {
            teeth: i64::from(teeth.max(1)),
            seen: VecDeque::with_capacity(room),
            pitches: Least::new(room),
            steps: Least::new(room),
            ticks: [0.0; 2],
        }
    }

    fn begin(&mut self, tooth: &Tooth) {
        self.seen.clear();
        self.pitches.clear();
        self.steps.clear();
        self.seen.push_back((tooth.tick, tooth.index));
        self.ticks = [0.0; 2];
    }

    fn tooth(&mut self, tooth: &Tooth, pitch: f64) {
        if let Some(&(_, before)) = self.seen.back() {
            self.steps.push(before, before - tooth.index);
        }
        self.seen.push_back((tooth.tick, tooth.index));
        self.pitches.push(tooth.index, pitch);
        let from = tooth.index - self.teeth;
        while let Some(&(tick, index)) = self.seen.front().filter(|(_, index)| *index <= from) {
            if index == from {
                let ticks = tooth.tick.saturating_sub(tick) as f64;
                self.ticks = [ticks, self.ticks[0]];
            }
            self.seen.pop_front();
        }
        self.pitches.forget_through(from);
        self.steps.forget_through(from);
    }

    /// Mean pitch in the longer of the last two turns, in ticks: a false edge that passes for a tooth
    /// makes one turn a little too short, and the next too long. No shorter than the pitches were.
    fn slower_pitch_ticks(&self) -> Option<f64> {
        let [newer, older] = self.ticks;
        let shortest = self.pitches.least().unwrap_or(f64::INFINITY);
        (older > 0.0).then(|| (newer.max(older) / self.teeth as f64).max(shortest))
    }

    /// Pitches from one tooth to the next in the last turn, the most there were, as far as they are
    /// teeth gone from the wheel.
    fn longest_step(&self) -> i64 {
        let longest = self.steps.least().map_or(1, |step| -step);
        longest.clamp(1, i64::from(TEETH_GONE_MAX) + 1)
    }
}

/// The least of the values of a window that moves on, each with its place. What can't become the
/// least any more is dropped at once, so a wheel of many teeth costs no more a tooth than one of few.
#[derive(Debug)]
struct Least<T>(VecDeque<(i64, T)>);

impl<T: Copy + PartialOrd> Least<T> {
    fn new(room: usize) -> Self {
        Self(VecDeque::with_capacity(room))
    }

    fn clear(&mut self) {
        self.0.clear();
    }

    fn push(&mut self, place: i64, value: T) {
        while self.0.back().is_some_and(|(_, kept)| *kept >= value) {
            self.0.pop_back();
        }
        self.0.push_back((place, value));
    }

    fn forget_through(&mut self, place: i64) {
        while self.0.front().is_some_and(|(kept, _)| *kept <= place) {
            self.0.pop_front();
        }
    }

    fn least(&self) -> Option<T> {
        self.0.front().map(|(_, value)| *value)
    }
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
    at_s: f64,
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
            at_s: newest.middle_s,
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
        let tick = |tooth: u64| whole(when(tooth) * HZ);
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

    #[test]
    fn the_least_of_a_window_is_that_of_all_its_values() {
        let mut least = Least::new(4);
        let mut values = Vec::new();
        let mut random = 1_u32;
        for place in 0..500 {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let value = random >> 28;
            values.push(value);
            least.push(place, value);
            least.forget_through(place - 7);
            assert_eq!(least.least(), values.iter().rev().take(7).min().copied());
        }
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
