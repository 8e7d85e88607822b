//! Where in a recorded pull the throttle was fully open.
//!
//! A curve must not be smoothed over the throttle opening or closing: the torque jumps there. The
//! stretch between is found from the acceleration of whole turns, which tooth errors and the
//! engine's working cycle do not disturb.
//!
//! ```
//! // A wheel of 20 teeth: for 4 s its speed rises by 50 rad/s², then the throttle closes.
//! use leverarm_filters::full_throttle::{Wheel, full_throttle};
//! use leverarm_filters::teeth::ToothTrain;
//!
//! let (start, top): (f64, f64) = (20.0, 220.0); // rad/s
//! let time_s = |theta_rad: f64| {
//!     if theta_rad < 480.0 {
//!         ((start * start + 100.0 * theta_rad).sqrt() - start) / 50.0
//!     } else {
//!         4.0 + (top - (top * top - 20.0 * (theta_rad - 480.0)).sqrt()) / 10.0
//!     }
//! };
//! let pitch_rad = std::f64::consts::TAU / 20.0;
//! let train = ToothTrain {
//!     time_s: (0..4000).map(|tooth| time_s(pitch_rad * f64::from(tooth))).collect(),
//!     index: (0..4000).collect(),
//!     ..ToothTrain::default()
//! };
//! let wheel = Wheel { teeth_per_turn: 20, cycles_per_turn: 0.5 };
//! let open = full_throttle(&train, wheel, 50.0).expect("there is a rise");
//! let end_s = train.time_s[open.end];
//! assert!((3.6..=4.0).contains(&end_s), "{end_s}");
//! ```

use std::ops::Range;

use crate::convert::floor_to_usize;
use crate::teeth::ToothTrain;

/// How the wheel relates to the engine's working cycle, for choosing what "whole turns" are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wheel {
    /// Teeth of the wheel.
    pub teeth_per_turn: u32,
    /// Working cycles of the engine per turn of the wheel.
    pub cycles_per_turn: f64,
}

/// Shortest stretch over which a speed is averaged.
const AVERAGE_S_MIN: f64 = 0.04;
/// The throttle counts as open while the acceleration is above this share of what it is well inside
/// the pull.
const OPEN_SHARE: f64 = 0.5;
/// The rise may stop for so long without the throttle having moved: two misfires in a row at low
/// speed, half a swing of the slowest shuffle.
const MOMENT_S: f64 = 0.25;
/// Share of the rise that a speed which is held afterwards may still creep up by, or scatter.
const RISEN: f64 = 0.01;
/// Left out beyond half an averaging length at each end where the throttle moved.
const SETTLE_S: f64 = 0.03;
/// What held the rise back, a throttle that opens slowly or a drive that swings with the engine, lets go over this
/// share of the time that it did.
const SETTLE_SHARE: f64 = 0.2;

/// A throttle that is let go part of the way, or a limiter that cuts part of the firings, takes at
/// least this share of the acceleration at once.
const FALL_SHARE: f64 = 0.2;
/// "At once" is within so long, and within this share of the rise of the speed: an engine's own curve
/// bends over more (common practice, no source).
const FALL_S: f64 = 0.12;
const FALL_SPEED_SHARE: f64 = 0.07;
/// The acceleration before and after a fall is taken over so long, or so many averages that share no
/// tooth.
const BESIDE_FALL_S: f64 = 0.35;
const BESIDE_FALL_AVERAGES: f64 = 4.0;
/// A fall stands out from what averages scatter by so many standard deviations.
const FALL_SIGMA: f64 = 4.0;

/// One whole-turn average.
#[derive(Debug, Clone, Copy)]
struct Average {
    time_s: f64,
    omega: f64,
    alpha: f64,
}

/// Teeth over which to average: whole turns, covering a working cycle and [`AVERAGE_S_MIN`].
fn averaging_teeth(train: &ToothTrain, wheel: Wheel) -> usize {
    let teeth = wheel.teeth_per_turn.max(1) as usize;
    let n = train.time_s.len();
    let rate = (n - 1) as f64 / (train.time_s[n - 1] - train.time_s[0]).max(1e-9);
    let turns_for_cycle = (0.999 / wheel.cycles_per_turn.max(0.05)).ceil().max(1.0);
    let turns_for_time = (AVERAGE_S_MIN * rate / teeth as f64).ceil().max(1.0);
    teeth * floor_to_usize(turns_for_cycle.max(turns_for_time))
}

fn averages(train: &ToothTrain, wheel: Wheel) -> (Vec<Average>, usize) {
    let width = averaging_teeth(train, wheel);
    let pitch = std::f64::consts::TAU / f64::from(wheel.teeth_per_turn.max(1));
    let n = train.time_s.len();
    let mut found = Vec::with_capacity(n.saturating_sub(2 * width));
    for k in 0..n.saturating_sub(2 * width) {
        let (a, b, c) = (k, k + width, k + 2 * width);
        let omega = |from: usize, to: usize| {
            let teeth = (train.index[to] - train.index[from]) as f64;
            pitch * teeth / (train.time_s[to] - train.time_s[from])
        };
        let step = 0.5 * (train.time_s[c] - train.time_s[a]);
        let (first, second) = (omega(a, b), omega(b, c));
        found.push(Average {
            time_s: train.time_s[b],
            omega: 0.5 * (first + second),
            alpha: (second - first) / step,
        });
    }
    (found, width)
}

/// A straight line through accelerations over time, as far as a fall needs it.
struct Line {
    /// At the end that faces the fall.
    alpha: f64,
    /// Variance of that, and how far the averages scatter around the line.
    variance: f64,
}

impl Line {
    /// Of averages that each look at the teeth of `shared` others; `towards` is where the fall is.
    fn through(beside: &[Average], towards_s: f64, shared: f64) -> Option<Self> {
        let n = beside.len() as f64;
        let mean = |of: &dyn Fn(&Average) -> f64| beside.iter().map(of).sum::<f64>() / n;
        let (time, alpha) = (mean(&|a| a.time_s), mean(&|a| a.alpha));
        let spread = mean(&|a| (a.time_s - time).powi(2));
        let slope = mean(&|a| (a.time_s - time) * (a.alpha - alpha)) / spread;
        let off = |a: &Average| a.alpha - alpha - slope * (a.time_s - time);
        let reach = towards_s - time;
        let independent = (n / shared).max(2.5);
        let scatter = mean(&|a| off(a).powi(2)) * independent / (independent - 2.0);
        let line = Self {
            alpha: alpha + slope * reach,
            variance: scatter / independent * (1.0 + reach * reach / spread),
        };
        line.alpha.is_finite().then_some(line)
    }
}

/// Where the acceleration falls at once by a good part, and stays low: the last average before it.
fn fall(rise: &[Average], average_s: f64) -> Option<usize> {
    let beside_s = BESIDE_FALL_S.max(BESIDE_FALL_AVERAGES * average_s);
    let (first, last) = (rise.first()?, rise.last()?);
    let per_average = (rise.len() - 1) as f64 * average_s / (last.time_s - first.time_s);
    let at = |time_s: f64| rise.partition_point(|a| a.time_s < time_s);
    let gap_s = FALL_S + average_s;
    let mut found: Option<(f64, usize, f64)> = None;
    for k in at(first.time_s + beside_s)..at(last.time_s - beside_s - gap_s) {
        let from_s = rise[k].time_s;
        let end = at(from_s + gap_s);
        let before = &rise[at(from_s - beside_s)..k];
        let after = &rise[end..at(from_s + gap_s + beside_s)];
        if before.len() < 3
            || after.len() < 3
            || rise[end].omega - rise[k].omega > FALL_SPEED_SHARE * (last.omega - first.omega)
        {
            continue;
        }
        let middle_s = from_s + 0.5 * gap_s;
        let lines = (
            Line::through(before, middle_s, per_average),
            Line::through(after, middle_s, per_average),
        );
        let (Some(high), Some(low)) = lines else {
            continue;
        };
        let fallen = high.alpha - low.alpha;
        let sigma = (high.variance + low.variance).sqrt();
        if fallen > FALL_SHARE * high.alpha
            && fallen > FALL_SIGMA * sigma
            && found.is_none_or(|(most, ..)| fallen / sigma > most)
        {
            found = Some((fallen / sigma, k, high.alpha));
        }
    }
    let (_, k, before) = found?;
    let mut rest: Vec<f64> = rise[at(rise[k].time_s + gap_s)..]
        .iter()
        .map(|a| a.alpha)
        .collect();
    (median(&mut rest) < (1.0 - 0.5 * FALL_SHARE) * before).then_some(k)
}

fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Positions in the train between which the throttle was fully open: from where the wheel passes
/// `start_omega_rad_per_s` for the last time on the way to its greatest speed, to just before the
/// throttle closed. `None` when there is no such rise.
#[must_use]
pub fn full_throttle(
    train: &ToothTrain,
    wheel: Wheel,
    start_omega_rad_per_s: f64,
) -> Option<Range<usize>> {
    if train.time_s.len() < 8 {
        return None;
    }
    let (averages, width) = averages(train, wheel);
    let peak =
        (0..averages.len()).max_by(|a, b| averages[*a].omega.total_cmp(&averages[*b].omega))?;
    let start = (0..peak)
        .rev()
        .find(|k| averages[*k].omega < start_omega_rad_per_s)
        .map_or(0, |k| k + 1);
    // Where a speed is held after the rise the greatest may be anywhere: the rise is over before.
    let risen = averages[peak].omega - RISEN * (averages[peak].omega - averages[start].omega);
    let top = (start..peak)
        .find(|k| averages[*k].omega >= risen)
        .unwrap_or(peak);
    if top < start + 8 {
        return None;
    }
    let rise = &averages[start..=top];
    // The acceleration well inside the pull, near each end of it.
    let part = |from: f64, to: f64| {
        let at = |share: f64| floor_to_usize(share * rise.len() as f64).min(rise.len() - 1);
        let mut alphas: Vec<f64> = rise[at(from)..=at(to)].iter().map(|a| a.alpha).collect();
        median(&mut alphas)
    };
    let (early, late) = (part(0.1, 0.35), part(0.6, 0.85));
    if early <= 0.0 || late <= 0.0 {
        return None;
    }
    let middle = start + rise.len() / 2;
    // A misfire or the drive's shuffle stops the rise for a moment too; a moved throttle for longer.
    let at_time = |time_s: f64| averages.partition_point(|a| a.time_s < time_s);
    let slow = |from: usize, to: usize, least: f64| {
        let (a, b) = (&averages[from], &averages[to.min(averages.len() - 1)]);
        b.omega - a.omega < least * (b.time_s - a.time_s)
    };
    let opened = (start..middle).rev().find(|k| {
        let least = OPEN_SHARE * early;
        let before = at_time(averages[*k].time_s - MOMENT_S);
        averages[*k].alpha < least && (before == *k || slow(before, *k, least))
    });
    let closed = (middle..averages.len()).find(|k| {
        let least = OPEN_SHARE * late;
        let after = at_time(averages[*k].time_s + MOMENT_S);
        averages[*k].alpha < least && (after == *k || slow(*k, after, least))
    });
    let average_s = 2.0 * width as f64 * (rise[rise.len() - 1].time_s - rise[0].time_s)
        / (rise.len() - 1) as f64;
    let rise_end = closed.map_or(peak, |closed| closed.min(peak));
    let rise_start = opened.map_or(start, |opened| opened + 1);
    let fallen = fall(
        averages.get(rise_start..=rise_end).unwrap_or(&[]),
        average_s,
    );
    let closed = fallen.map(|k| rise_start + k).or(closed);
    let position = |time_s: f64| train.time_s.partition_point(|t| *t < time_s);
    // An average looks one width to each side, so a change shows up to a width early.
    let span = |k: usize, side: usize| {
        let at = position(averages[k].time_s);
        let other = if side == 0 {
            at.saturating_sub(width)
        } else {
            (at + width).min(train.time_s.len() - 1)
        };
        (train.time_s[at] - train.time_s[other]).abs()
    };
    let from = match opened {
        Some(k) => {
            let held_s = averages[k].time_s - averages[start].time_s;
            let settle_s = (SETTLE_SHARE * held_s).clamp(SETTLE_S, MOMENT_S);
            position(averages[k].time_s + 0.7 * span(k, 1) + settle_s)
        }
        None => position(averages[start].time_s),
    };
    let to = match closed {
        Some(k) => position(averages[k].time_s - 0.7 * span(k, 0) - SETTLE_S),
        None => position(averages[peak].time_s),
    };
    (to > from + 8).then_some(from..to)
}

impl ToothTrain {
    /// The part of the train at these positions, on the same time base; faults and gaps are those of
    /// the whole.
    #[must_use]
    pub fn part(&self, range: Range<usize>) -> Self {
        let range = range.start.min(self.time_s.len())..range.end.min(self.time_s.len());
        let time_s = self.time_s[range.clone()].to_vec();
        let bounds = time_s.first().copied().zip(time_s.last().copied());
        Self {
            origin_tick: self.origin_tick,
            index: self.index[range].to_vec(),
            faults: self.faults,
            gaps_s: self
                .gaps_s
                .iter()
                .copied()
                .filter(|gap| bounds.is_some_and(|(a, b)| gap.1 > a && gap.0 < b))
                .collect(),
            time_s,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A wheel that cruises, is accelerated from 1.0 s to 3.0 s, and slows down.
    fn train(teeth: u32) -> ToothTrain {
        accelerated(teeth, 40.0, |t| match t {
            t if t < 1.0 => 0.5,
            t if t < 3.0 => 40.0,
            _ => -10.0,
        })
    }

    /// A wheel under an acceleration over time, integrated finely.
    fn accelerated(teeth: u32, from_omega: f64, alpha: impl Fn(f64) -> f64) -> ToothTrain {
        let pitch = std::f64::consts::TAU / f64::from(teeth);
        let (mut theta, mut omega, mut next) = (0.0, from_omega, 0_i64);
        let mut train = ToothTrain::default();
        let dt = 1e-5;
        for step in 0..700_000 {
            let t = f64::from(step) * dt;
            omega += alpha(t) * dt;
            theta += omega * dt;
            if theta >= pitch * next as f64 {
                train.time_s.push(t - (theta - pitch * next as f64) / omega);
                train.index.push(next);
                next += 1;
            }
        }
        train
    }

    /// From when to when the stretch is, above a speed of the wheel.
    fn stretch(train: &ToothTrain, teeth: u32, start_rad_per_s: f64) -> (f64, f64) {
        let wheel = Wheel {
            teeth_per_turn: teeth,
            cycles_per_turn: 3.0,
        };
        let range = full_throttle(train, wheel, start_rad_per_s).unwrap();
        (train.time_s[range.start], train.time_s[range.end - 1])
    }

    #[test]
    fn the_stretch_ends_before_the_throttle_closes_and_starts_after_it_opens() {
        for teeth in [1, 8, 60] {
            let train = train(teeth);
            let (from, to) = stretch(&train, teeth, 42.0);
            assert!((1.0..1.35).contains(&from), "{teeth}: from {from}");
            assert!((2.8..3.0).contains(&to), "{teeth}: to {to}");
        }
    }

    #[test]
    fn a_misfire_does_not_end_the_stretch() {
        for teeth in [1, 8, 60] {
            let train = accelerated(teeth, 40.0, |t| match t {
                t if t < 1.0 => 0.5,
                t if (2.0..2.07).contains(&t) || (2.4..2.45).contains(&t) => -10.0,
                t if t < 3.0 => 40.0,
                _ => -10.0,
            });
            let (from, to) = stretch(&train, teeth, 42.0);
            assert!((1.0..1.35).contains(&from), "{teeth}: from {from}");
            assert!((2.8..3.0).contains(&to), "{teeth}: to {to}");
        }
    }

    /// Half a throttle leaves more than half of the torque: what is beyond it is no full throttle.
    #[test]
    fn a_throttle_closed_halfway_ends_the_stretch() {
        for (teeth, left) in [(4, 0.65), (8, 0.75), (60, 0.55)] {
            let train = accelerated(teeth, 90.0, |t| match t {
                t if t < 1.0 => 0.5,
                t if t < 4.0 => 25.0,
                t if t < 4.1 => 25.0 - (1.0 - left) * 250.0 * (t - 4.0),
                t if t < 6.0 => 25.0 * left,
                _ => -10.0,
            });
            let (_, to) = stretch(&train, teeth, 92.0);
            assert!((3.7..4.06).contains(&to), "{teeth}: to {to}");
        }
    }

    /// A drum that hardly slows down, as one whose losses are nothing in a rehearsal, or that a governor
    /// holds: its greatest speed may be anywhere on the way that it runs on.
    #[test]
    fn a_speed_that_is_held_after_the_pull_is_no_part_of_it() {
        for teeth in [1, 8, 60] {
            let train = accelerated(teeth, 40.0, |t| match t {
                t if t < 1.0 => 0.5,
                t if t < 3.0 => 40.0,
                t if t < 3.05 => 0.0,
                _ => 0.01,
            });
            let (from, to) = stretch(&train, teeth, 42.0);
            assert!((1.0..1.35).contains(&from), "{teeth}: from {from}");
            assert!((2.8..3.0).contains(&to), "{teeth}: to {to}");
        }
    }

    /// An engine beyond its best speed loses as much, over more of its speeds.
    #[test]
    fn a_curve_that_falls_steeply_goes_on() {
        for teeth in [1, 8, 60] {
            let train = accelerated(teeth, 90.0, |t| match t {
                t if t < 1.0 => 0.5,
                t if t < 4.0 => 25.0,
                t if t < 4.6 => 25.0 - 18.0 * (t - 4.0),
                t if t < 6.0 => 14.2,
                _ => -10.0,
            });
            let (_, to) = stretch(&train, teeth, 92.0);
            assert!((5.7..6.0).contains(&to), "{teeth}: to {to}");
        }
    }

    #[test]
    fn no_rise_no_stretch() {
        let mut flat = train(8);
        flat.time_s.truncate(40);
        flat.index.truncate(40);
        let wheel = Wheel {
            teeth_per_turn: 8,
            cycles_per_turn: 3.0,
        };
        assert_eq!(full_throttle(&flat, wheel, 60.0), None);
    }
}
