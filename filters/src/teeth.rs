//! Which tooth is this edge? Edges from the capture input become numbered teeth: missed, doubled
//! and irregular ones are told apart and counted, never silently averaged.
//!
//! [`ToothTracker`] does it edge by edge for guards and live values; [`resolve`] does it for a
//! whole recorded stretch, where it can also look at both sides of a gap.
//!
//! ```
//! // A turn a second, eight teeth, a clock of 1 MHz; the pickup did not see tooth 10.
//! use leverarm_filters::teeth::{Edge, resolve};
//!
//! let seen = (0..40_u64).filter(|tooth| *tooth != 10).zip(0..);
//! let edges: Vec<Edge> = seen.map(|(tooth, number)| Edge { tick: 125_000 * tooth, number }).collect();
//! let train = resolve(&edges, 1e6, 8, 1.0);
//! assert_eq!(train.faults.missed, 1);
//! assert_eq!(train.index[10] - train.index[9], 2);
//! ```

mod candidates;
mod round;

pub use round::errors_come_round;

use crate::convert::{floor_to_usize, round_to_i64};

/// A captured edge of the pickup.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Edge {
    /// Board tick of the edge, unwrapped.
    pub tick: u64,
    /// The board's running number of captured edges. A jump of more than one means that edges were
    /// captured and then lost on the way, so their number is known although their times are not.
    pub number: u64,
}

/// What the tracker makes of an edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ToothKind {
    /// The first edge after standstill: a tooth, but no speed yet.
    First,
    /// One tooth after the last, at the expected time.
    Regular,
    /// One tooth after the last, but early or late by more than three tenths of a pitch.
    Irregular {
        /// Interval over expected interval.
        ratio: f64,
    },
    /// A tooth after `missed` teeth that were not seen.
    AfterMissed {
        /// Teeth that were not seen.
        missed: u32,
    },
    /// Not a tooth: an extra edge too soon after the last one (noise, a damaged tooth).
    Extra,
    /// The speed no longer fits what was tracked: counting starts again from here.
    Relocked,
}

/// A tooth as the tracker reports it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tooth {
    /// When, in board ticks.
    pub tick: u64,
    /// Running tooth index since the tracker's start, missed teeth counted.
    pub index: i64,
    /// What it is.
    pub kind: ToothKind,
}

/// Shortest and longest interval, over the expected one, that still is one pitch. Between them lie
/// the worst wheels (a few per cent), a single-cylinder's speed ripple, and acceleration over one
/// pitch of a one-tooth wheel; outside them lie a half and a double pitch.
const ONE_PITCH: std::ops::RangeInclusive<f64> = 0.5..=1.6;
/// An interval off by more than this share is reported, though accepted.
const IRREGULAR_SHARE: f64 = 0.3;
/// A misfit weighs as much as four fitting teeth: a speed that really jumped to a multiple also puts
/// an edge where one is expected now and then, and must not be hidden by it. The tracker relocks
/// after four misfits in a row, or eleven edges when every second one fits.
const MISFIT_WEIGHT: u32 = 4;
const MISFITS_TO_RELOCK: u32 = 4 * MISFIT_WEIGHT;

/// Intervals that the expected one is made from: a quarter of a turn's, within these bounds.
const RECENT_MIN: usize = 3;
const RECENT_MAX: usize = 16;

/// Streaming tooth tracker. Constant memory and time an edge.
#[derive(Debug, Clone)]
pub struct ToothTracker {
    tick_hz: f64,
    teeth_per_turn: u32,
    standstill_ticks: u64,
    last: Option<Tooth>,
    last_number: u64,
    last_edge_tick: u64,
    /// The latest intervals, newest first.
    recent_ticks: [f64; RECENT_MAX],
    recent_len: usize,
    recent_wanted: usize,
    misfits: u32,
    /// Misfits since the last fitting tooth, as long as all of them were gaps.
    gaps_in_a_row: u32,
}

impl ToothTracker {
    /// A tracker for a wheel of `teeth_per_turn` teeth and a timer of `tick_hz`. A wheel that shows
    /// no edge for `standstill_s` counts as stopped.
    #[must_use]
    pub fn new(tick_hz: f64, teeth_per_turn: u32, standstill_s: f64) -> Self {
        Self {
            tick_hz,
            teeth_per_turn: teeth_per_turn.max(1),
            standstill_ticks: floor_to_usize(standstill_s * tick_hz) as u64,
            last: None,
            last_number: 0,
            last_edge_tick: 0,
            recent_ticks: [0.0; RECENT_MAX],
            recent_len: 0,
            recent_wanted: (teeth_per_turn as usize / 4).clamp(RECENT_MIN, RECENT_MAX),
            misfits: 0,
            gaps_in_a_row: 0,
        }
    }

    /// Forgets everything, as after a board restart; the tooth index goes on.
    pub fn reset(&mut self) {
        self.recent_len = 0;
        self.misfits = 0;
        self.last = None;
    }

    /// What the next interval should be. On a wheel of few teeth the speed changes from pitch to
    /// pitch, and the median of three follows it; on one of many teeth the jitter is what changes,
    /// and a mean takes it out.
    fn expected_ticks(&self) -> Option<f64> {
        let recent = &self.recent_ticks[..self.recent_len];
        match recent {
            [] => None,
            [a, b, c] => Some(a.max(*b).min(a.min(*b).max(*c))),
            _ => Some(recent.iter().sum::<f64>() / recent.len() as f64),
        }
    }

    fn remember(&mut self, interval_ticks: f64) {
        self.recent_ticks.rotate_right(1);
        self.recent_ticks[0] = interval_ticks;
        self.recent_len = (self.recent_len + 1).min(self.recent_wanted);
    }

    /// Takes the next edge. Edges must come in the order of their ticks; one that does not advance
    /// is reported as [`ToothKind::Extra`].
    pub fn push(&mut self, edge: Edge) -> Tooth {
        let tooth = self.classify(edge);
        self.last_number = edge.number;
        self.last_edge_tick = edge.tick;
        if tooth.kind != ToothKind::Extra {
            self.last = Some(tooth);
        }
        tooth
    }

    fn classify(&mut self, edge: Edge) -> Tooth {
        let Some(last) = self.last else {
            self.recent_len = 0;
            return Tooth {
                tick: edge.tick,
                index: 0,
                kind: ToothKind::First,
            };
        };
        let Some(interval) = edge.tick.checked_sub(last.tick).filter(|ticks| *ticks > 0) else {
            return Tooth {
                tick: edge.tick,
                index: last.index,
                kind: ToothKind::Extra,
            };
        };
        let next = |teeth: i64, kind| Tooth {
            tick: edge.tick,
            index: last.index + teeth.max(1),
            kind,
        };
        let lost_edges = edge.number.wrapping_sub(self.last_number).saturating_sub(1);
        let lost_edges = u32::try_from(lost_edges).unwrap_or(0);
        if interval > self.standstill_ticks && lost_edges == 0 {
            self.recent_len = 0;
            self.misfits = 0;
            return next(1, ToothKind::First);
        }
        let interval = interval as f64;
        let Some(expected) = self.expected_ticks() else {
            let teeth = f64::from(lost_edges + 1);
            self.remember(interval / teeth);
            return match lost_edges {
                0 => next(1, ToothKind::Regular),
                missed => next(i64::from(missed) + 1, ToothKind::AfterMissed { missed }),
            };
        };
        let ratio = interval / expected;
        // The first interval after standstill says little: a wheel that starts from rest needs twice
        // as long and more for its first pitch as for its second.
        let fits = if self.recent_len == 1 {
            0.2..=1.6
        } else {
            ONE_PITCH
        };
        if lost_edges == 0 && fits.contains(&ratio) {
            if self.recent_len == 1 && ratio < *ONE_PITCH.start() {
                self.recent_len = 0; // forget it
            }
            // A pitch right after gaps says that teeth are gone from the wheel, and not that the
            // speed fell to a fraction: then every interval would be a gap.
            let forgiven = std::mem::take(&mut self.gaps_in_a_row) * MISFIT_WEIGHT;
            self.misfits = self.misfits.saturating_sub(forgiven.max(1));
            self.remember(interval);
            let kind = if (ratio - 1.0).abs() > IRREGULAR_SHARE {
                ToothKind::Irregular { ratio }
            } else {
                ToothKind::Regular
            };
            return next(1, kind);
        }
        self.misfits += MISFIT_WEIGHT;
        self.gaps_in_a_row = if ratio > *ONE_PITCH.end() {
            self.gaps_in_a_row + 1
        } else {
            0
        };
        if self.misfits >= MISFITS_TO_RELOCK {
            // The latest edge-to-edge time is the best guess left of the pitch.
            let since_edge = edge.tick.saturating_sub(self.last_edge_tick).max(1) as f64;
            self.misfits = 0;
            self.recent_len = 0;
            self.remember(since_edge);
            return next(round_to_i64(interval / since_edge), ToothKind::Relocked);
        }
        if ratio < *ONE_PITCH.start() && lost_edges == 0 {
            return Tooth {
                tick: edge.tick,
                index: last.index,
                kind: ToothKind::Extra,
            };
        }
        // Edges lost on the way are counted by the board; teeth the pickup missed only by time.
        let by_time = round_to_i64(ratio).max(1);
        let by_count = i64::from(lost_edges) + 1;
        let counted = lost_edges > 0 && (ratio / by_count as f64 - 1.0).abs() < 0.25;
        let teeth = if counted { by_count } else { by_time };
        self.remember(interval / teeth as f64);
        if lost_edges > 0 {
            self.misfits = 0;
        }
        match u32::try_from(teeth - 1).unwrap_or(u32::MAX) {
            0 => next(1, ToothKind::Irregular { ratio }),
            missed => next(teeth, ToothKind::AfterMissed { missed }),
        }
    }

    /// Speed of the wheel in rad/s over the last two pitches as they were when the last tooth came;
    /// `None` at standstill. This is the value for guards: it lags by one pitch at most.
    #[must_use]
    pub fn omega_rad_per_s(&self) -> Option<f64> {
        let pitch_ticks = match self.recent_len {
            0 => return None,
            1 => self.recent_ticks[0],
            _ => 0.5 * (self.recent_ticks[0] + self.recent_ticks[1]),
        };
        Some(self.pitch_rad() * self.tick_hz / pitch_ticks)
    }

    /// Speed of the wheel at `now_tick`: with no new tooth the wheel can't be faster than one pitch
    /// in the time since the last, so the value falls instead of freezing. 0 at standstill.
    #[must_use]
    pub fn omega_at_rad_per_s(&self, now_tick: u64) -> f64 {
        let (Some(last), Some(omega)) = (self.last, self.omega_rad_per_s()) else {
            return 0.0;
        };
        let since = now_tick.saturating_sub(last.tick);
        if since > self.standstill_ticks {
            return 0.0;
        }
        let ceiling = 1.5 * self.pitch_rad() * self.tick_hz / (since.max(1) as f64);
        omega.min(ceiling)
    }

    /// Angle from tooth to tooth.
    #[must_use]
    pub fn pitch_rad(&self) -> f64 {
        std::f64::consts::TAU / f64::from(self.teeth_per_turn)
    }

    /// The last accepted tooth.
    #[must_use]
    pub fn last(&self) -> Option<Tooth> {
        self.last
    }
}

/// How many teeth were not what they should be.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ToothFaults {
    /// Teeth that were not seen.
    pub missed: u64,
    /// Edges that were no teeth.
    pub extra: u64,
    /// Teeth early or late by more than three tenths of a pitch.
    pub irregular: u64,
    /// Gaps whose number of teeth could not be told with confidence.
    pub uncertain_gaps: u64,
}

/// Numbered teeth of a recorded stretch.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ToothTrain {
    /// Tick that is time zero.
    pub origin_tick: u64,
    /// Times of the teeth in s after `origin_tick`, increasing.
    pub time_s: Vec<f64>,
    /// Tooth index, increasing; a step of more than one is a gap.
    pub index: Vec<i64>,
    /// What was wrong with them.
    pub faults: ToothFaults,
    /// Stretches without teeth, from and to in s.
    pub gaps_s: Vec<(f64, f64)>,
    /// Those of them whose number of teeth is in doubt.
    pub doubts_s: Vec<(f64, f64)>,
}

/// A wheel of which so many teeth are missed, with gaps in doubt, is seen in part.
const PARTLY_SEEN_MISSED: u64 = 8;
/// So many missed teeth in a row are a gap, whose length must be found from both sides.
const GAP_MISSED_MIN: u32 = 3;

/// A place in the train where teeth were missed.
struct Joint {
    /// Position of the first tooth after it.
    at: usize,
    /// Teeth from the last one before to the first one after, where the board counted them.
    counted: Option<i64>,
    /// Whether it is a gap, or a tooth or two that the intervals beside it should have told.
    gap: bool,
}

/// Numbers the edges of a recorded stretch. Edges that fit neither what comes before nor what comes
/// after are left out first, so that a false edge is not taken for the tooth that follows it. Edges whose tick does not advance are counted as extra.
/// A longer gap is bridged with the speed and acceleration found on both sides of it.
#[must_use]
pub fn resolve(edges: &[Edge], tick_hz: f64, teeth_per_turn: u32, standstill_s: f64) -> ToothTrain {
    numbered(edges, tick_hz, teeth_per_turn, standstill_s).0
}

/// The same for a wheel that is faster at the end than at the begin, not one that starts from rest. Where doubt is left it is
/// done from the end as well: a coil sees few teeth of a slow wheel, and from those alone nobody can say which they are.
#[must_use]
pub fn resolve_pull(
    edges: &[Edge],
    tick_hz: f64,
    teeth_per_turn: u32,
    standstill_s: f64,
) -> ToothTrain {
    let (forwards, doubts) = numbered(edges, tick_hz, teeth_per_turn, standstill_s);
    let is_partly_seen = !doubts.is_empty() && forwards.faults.missed >= PARTLY_SEEN_MISSED;
    let ends = edges.first().zip(edges.last());
    let Some((first, last)) = ends.filter(|_| is_partly_seen) else {
        return forwards;
    };
    let least = reach(teeth_per_turn);
    let turned_back: Vec<Edge> = edges
        .iter()
        .rev()
        .map(|edge| Edge {
            tick: last.tick.saturating_sub(edge.tick),
            number: last.number.wrapping_sub(edge.number),
        })
        .collect();
    let (backwards, doubts_back) = numbered(&turned_back, tick_hz, teeth_per_turn, standstill_s);
    if backwards.faults.uncertain_gaps >= forwards.faults.uncertain_gaps {
        return without_doubtful_ends(forwards, &doubts, least);
    }
    let backwards = without_doubtful_ends(backwards, &doubts_back, least);
    let whole_s = last.tick.saturating_sub(first.tick) as f64 / tick_hz;
    ToothTrain {
        origin_tick: first.tick,
        ..backwards.turned_back(whole_s)
    }
}

/// The train, and the first tooth after each gap of unknown length.
fn numbered(
    edges: &[Edge],
    tick_hz: f64,
    teeth_per_turn: u32,
    standstill_s: f64,
) -> (ToothTrain, Vec<usize>) {
    let mut tracker = ToothTracker::new(tick_hz, teeth_per_turn, standstill_s);
    let mut train = ToothTrain {
        origin_tick: edges.first().map_or(0, |edge| edge.tick),
        ..ToothTrain::default()
    };
    let teeth = candidates::without_noise(edges, standstill_s * tick_hz);
    train.faults.extra = (edges.len() - teeth.len()) as u64;
    let edges = teeth.as_slice();
    let mut joints: Vec<Joint> = Vec::new();
    let mut previous_number = edges.first().map_or(0, |edge| edge.number);
    for edge in edges {
        let tooth = tracker.push(*edge);
        let by_count = edge.number.wrapping_sub(previous_number);
        match tooth.kind {
            ToothKind::Extra => {
                train.faults.extra += 1;
                continue;
            }
            ToothKind::Irregular { .. } => train.faults.irregular += 1,
            ToothKind::AfterMissed { missed } => {
                train.faults.missed += u64::from(missed);
                let counted = i64::try_from(by_count).ok().filter(|n| *n > 1);
                let gap = missed >= GAP_MISSED_MIN;
                joints.push(Joint {
                    at: train.time_s.len(),
                    counted,
                    gap,
                });
            }
            ToothKind::Relocked => {
                joints.push(Joint {
                    at: train.time_s.len(),
                    counted: None,
                    gap: true,
                });
            }
            ToothKind::First | ToothKind::Regular => {}
        }
        previous_number = edge.number;
        train
            .time_s
            .push(edge.tick.saturating_sub(train.origin_tick) as f64 / tick_hz);
        train.index.push(tooth.index);
    }
    let ends: Vec<usize> = joints
        .iter()
        .map(|j| j.at)
        .skip(1)
        .chain([train.index.len()])
        .collect();
    let mut start = 0;
    let mut doubts = Vec::new();
    for (joint, end) in joints.into_iter().zip(ends) {
        if joint.at > 0 && !bridge(&mut train, start, &joint, end, teeth_per_turn) {
            doubts.push(joint.at);
            let gap_s = (train.time_s[joint.at - 1], train.time_s[joint.at]);
            train.doubts_s.push(gap_s);
        }
        start = joint.at;
    }
    (train, doubts)
}

/// A train without what lies at its ends beyond a gap of unknown length, where that is too little to mean anything.
fn without_doubtful_ends(train: ToothTrain, doubts: &[usize], least: usize) -> ToothTrain {
    let n = train.time_s.len();
    let near = |end: usize, at: &usize| at.abs_diff(end) < least;
    let from = doubts
        .iter()
        .fold(0, |from, at| if near(from, at) { *at } else { from });
    let to = doubts
        .iter()
        .rev()
        .fold(n, |to, at| if near(to, at) { *at } else { to });
    if from == 0 && to == n || from + least > to {
        return train;
    }
    train.part(from..to)
}

/// Teeth on each side of a joint from which the motion there is taken.
fn reach(teeth_per_turn: u32) -> usize {
    (2 * teeth_per_turn as usize).clamp(6, 120)
}

/// Corrects the tooth count over a joint between the segments `start..joint.at` and `joint.at..end`; `false` where
/// that of a gap stays in doubt.
fn bridge(
    train: &mut ToothTrain,
    start: usize,
    joint: &Joint,
    end: usize,
    teeth_per_turn: u32,
) -> bool {
    let at = joint.at;
    let (t0, t1) = (train.time_s[at - 1], train.time_s[at]);
    if joint.gap {
        train.gaps_s.push((t0, t1));
    }
    let reach = reach(teeth_per_turn);
    let left = local_motion(train, at.saturating_sub(reach).max(start)..at, t0);
    let right = local_motion(train, at..(at + reach).min(end), t1);
    let (Some(left), Some(right)) = (left, right) else {
        train.faults.uncertain_gaps += u64::from(joint.gap);
        return !joint.gap;
    };
    // Hermite: the angle over the joint from speed and acceleration at both ends, against what the
    // fitted ends say with the count in hand.
    let gap = t1 - t0;
    let teeth =
        0.5 * gap * (left.rate + right.rate) + gap * gap * (left.slope - right.slope) / 12.0;
    let correction = teeth - (right.index - left.index);
    let was = train.index[at] - train.index[at - 1];
    let by_board = joint.counted.map(|n| n - was);
    let by_board = by_board.filter(|n| (*n as f64 - correction).abs() < 0.02 * teeth + 1.0);
    let certain = by_board.is_some() || (correction - correction.round()).abs() < 0.3;
    let shift = by_board.unwrap_or_else(|| round_to_i64(correction).max(1 - was));
    if joint.gap {
        train.faults.uncertain_gaps += u64::from(!certain);
    } else if !certain || left.teeth.min(right.teeth) < 12 {
        return true; // too little beside it to overrule the intervals
    }
    if shift != 0 {
        train.index[at..]
            .iter_mut()
            .for_each(|index| *index += shift);
    }
    train.faults.missed = train.faults.missed.saturating_add_signed(shift);
    certain || !joint.gap
}

/// Tooth index, teeth per second and its slope at a time, and how many teeth say so.
struct Motion {
    index: f64,
    rate: f64,
    slope: f64,
    teeth: usize,
}

/// Quadratic least squares of tooth index over time around `at_s`.
fn local_motion(train: &ToothTrain, range: std::ops::Range<usize>, at_s: f64) -> Option<Motion> {
    let teeth = range.len();
    if teeth < 4 {
        return None;
    }
    let base = train.index[range.start];
    let scale = (train.time_s[range.end - 1] - train.time_s[range.start]).max(f64::MIN_POSITIVE);
    let mut normal = nalgebra::Matrix3::<f64>::zeros();
    let mut right = nalgebra::Vector3::<f64>::zeros();
    for i in range {
        let x = (train.time_s[i] - at_s) / scale;
        let row = nalgebra::Vector3::new(1.0, x, x * x);
        normal += row * row.transpose();
        right += row * (train.index[i] - base) as f64;
    }
    let solved = normal.cholesky()?.solve(&right);
    Some(Motion {
        index: base as f64 + solved[0],
        rate: solved[1] / scale,
        slope: 2.0 * solved[2] / (scale * scale),
        teeth,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: f64 = 2e6;

    /// Tooth times of a constant acceleration: theta = w0 t + a t²/2, exact.
    fn ramp(teeth: u32, w0: f64, a: f64, count: usize) -> Vec<f64> {
        let pitch = std::f64::consts::TAU / f64::from(teeth);
        (0..count)
            .map(|k| {
                let theta = pitch * k as f64;
                (-w0 + (w0 * w0 + 2.0 * a * theta).sqrt()) / a
            })
            .collect()
    }

    fn edges(times_s: &[f64]) -> Vec<Edge> {
        times_s
            .iter()
            .enumerate()
            .map(|(k, t)| Edge {
                tick: round_to_i64(t * HZ).unsigned_abs(),
                number: k as u64,
            })
            .collect()
    }

    #[test]
    fn clean_ramp_has_no_faults_and_consecutive_indices() {
        let train = resolve(&edges(&ramp(8, 40.0, 20.0, 400)), HZ, 8, 1.0);
        assert_eq!(train.faults, ToothFaults::default());
        assert_eq!(train.index, (0..400).collect::<Vec<i64>>());
    }

    #[test]
    fn missed_and_doubled_teeth_keep_the_count() {
        let times = ramp(8, 40.0, 20.0, 400);
        let mut seen: Vec<f64> = times.clone();
        seen.remove(200);
        seen.remove(100);
        seen.insert(50, times[49] + 0.3 * (times[50] - times[49]));
        let train = resolve(&edges(&seen), HZ, 8, 1.0);
        assert_eq!((train.faults.missed, train.faults.extra), (2, 1));
        assert_eq!(train.index.last(), Some(&399));
    }

    #[test]
    fn a_late_false_edge_still_keeps_the_count() {
        let times = ramp(8, 40.0, 20.0, 400);
        let mut seen = times.clone();
        seen.insert(50, times[49] + 0.75 * (times[50] - times[49]));
        let train = resolve(&edges(&seen), HZ, 8, 1.0);
        assert_eq!(train.index.last(), Some(&399));
        assert_eq!(train.faults.extra, 1);
    }

    #[test]
    fn a_dropout_of_100_ms_is_bridged_exactly() {
        for (teeth, w0, a) in [(8, 40.0, 20.0), (60, 120.0, 35.0), (1, 300.0, 200.0)] {
            let times = ramp(teeth, w0, a, 60 * teeth as usize);
            let from = times[times.len() / 2];
            let seen: Vec<f64> = times
                .iter()
                .copied()
                .filter(|t| *t < from || *t > from + 0.1)
                .collect();
            let train = resolve(&edges(&seen), HZ, teeth, 1.0);
            assert_eq!(
                train.index.last(),
                Some(&(times.len() as i64 - 1)),
                "{teeth} teeth"
            );
            assert_eq!(train.faults.uncertain_gaps, 0);
        }
    }

    /// A coil's voltage grows with speed (Faraday's law) and falls with the gap: before a wheel that runs out, a slow one
    /// shows the nearest teeth alone.
    #[test]
    fn a_coil_that_sees_few_teeth_of_a_slow_wheel_counts_from_the_fast_end() {
        for least in [43.5, 45.5, 50.0] {
            let (mut seen, mut truth) = (Vec::new(), Vec::new());
            let cruise_s = std::f64::consts::TAU / 8.0 / 35.0;
            let rise = ramp(8, 35.0, 16.0, 900);
            let cruise = (0..80).map(|k| cruise_s * f64::from(k));
            let times = cruise.chain(rise.iter().map(|t| 80.0 * cruise_s + t));
            for (k, t) in times.enumerate() {
                let omega = 35.0 + 16.0 * (t - 80.0 * cruise_s).max(0.0);
                let place = std::f64::consts::TAU * (k % 8) as f64 / 8.0;
                if omega * (1.0 + 0.35 * place.cos()) > least {
                    seen.push(t);
                    truth.push(k as i64);
                }
            }
            let train = resolve_pull(&edges(&seen), HZ, 8, 1.0);
            let origin_s = train.origin_tick as f64 / HZ;
            let place = |t: f64| seen.partition_point(|it| *it < origin_s + t - 2.0 / HZ);
            let counted = train.time_s.iter().zip(&train.index);
            let off: Vec<i64> = counted.map(|(t, index)| index - truth[place(*t)]).collect();
            assert!(
                off.len() + 80 > seen.len(),
                "{least}: {} of {}",
                off.len(),
                seen.len()
            );
            let wrong = off.iter().filter(|it| **it != off[off.len() - 1]).count();
            assert_eq!(wrong, 0, "{least}: {off:?}");
        }
    }

    #[test]
    fn lost_frames_are_counted_by_the_board() {
        let mut all = edges(&ramp(8, 40.0, 20.0, 400));
        all.drain(100..220);
        let train = resolve(&all, HZ, 8, 1.0);
        assert_eq!(train.index.last(), Some(&399));
        assert_eq!(train.gaps_s.len(), 1);
    }

    #[test]
    fn a_real_jump_in_speed_is_not_rejected_for_ever() {
        // A clutch lets go: the speed is a multiple of what it was from one tooth to the next.
        for multiple in [2.0, 2.5, 3.0, 5.0] {
            let mut times: Vec<f64> = (0..50).map(|k| 0.01 * f64::from(k)).collect();
            for _ in 0..14 {
                times.push(times[times.len() - 1] + 0.01 / multiple);
            }
            let mut tracker = ToothTracker::new(HZ, 8, 1.0);
            for edge in edges(&times) {
                tracker.push(edge);
            }
            let omega = tracker.omega_rad_per_s().unwrap();
            let expected = std::f64::consts::TAU / 8.0 * 100.0 * multiple;
            assert!((omega / expected - 1.0).abs() < 1e-3, "{omega} {expected}");
        }
    }

    #[test]
    fn a_start_from_rest_is_not_taken_for_extra_edges() {
        for teeth in [1, 8, 36] {
            // Constant acceleration from standstill: tooth k comes at the root of k and of how near the first one stood.
            for nearest in [1.0, 0.5, 0.1, 0.02, 0.001] {
                let late = |k: i32| if k % 2 == 0 { 0.0 } else { 0.02 };
                let time_s = |k: i32| 0.4 * (f64::from(k) + late(k) + nearest).sqrt();
                let times: Vec<f64> = (0..80).map(time_s).collect();
                let train = resolve(&edges(&times), HZ, teeth, 1.0);
                let case = format!("{teeth} teeth, {nearest}");
                assert_eq!(train.index, (0..80).collect::<Vec<i64>>(), "{case}");
                assert_eq!((train.faults.missed, train.faults.extra), (0, 0), "{case}");
            }
        }
    }

    #[test]
    fn speed_falls_when_teeth_stop_coming() {
        let mut tracker = ToothTracker::new(HZ, 8, 0.5);
        for edge in edges(&ramp(8, 40.0, 1e-9, 50)) {
            tracker.push(edge);
        }
        let last = tracker.last().unwrap().tick;
        assert!((tracker.omega_at_rad_per_s(last) / 40.0 - 1.0).abs() < 1e-3);
        assert!(tracker.omega_at_rad_per_s(last + 400_000) < 6.0);
        assert_eq!(
            tracker.omega_at_rad_per_s(last + 2_000_000).to_bits(),
            0.0_f64.to_bits()
        );
    }
}
