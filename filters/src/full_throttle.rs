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
//! let end_s = train.time_s[open.range.end];
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
/// A throttle on its way is wholly open, or was, within so long of being half open, and has this share of the acceleration
/// beyond, continued: less than cycles that vary take.
const WHOLLY_OPEN_S: f64 = 0.5;
const WHOLLY_OPEN_SHARE: f64 = 0.87;
/// A hand opens half of the throttle within so long (common practice, no source), and has begun where the acceleration is
/// more than this share above the least on its way.
const HAND_S_MAX: f64 = 1.0;
const HAND_BEGINS_SHARE: f64 = 0.1;
/// An engine in another gear gains speed by this share faster or slower at least.
const GEAR_SHARE: f64 = 0.08;
/// A first part that gains less of the speed was no pull that another gear broke off.
const FIRST_PART_SHARE: f64 = 0.2;
/// One that gains more is enough by itself, where the gear afterwards may be another.
const ENOUGH_SHARE: f64 = 0.45;
/// A change of the acceleration is less than another gear makes where so many standard deviations more would be.
const SAME_GEAR_SIGMA: f64 = 2.0;
/// A throttle or gear on its way takes away the work of so long at least, and of more cycles than misfire in a row (common
/// practice, no source).
const BREAK_S_MIN: f64 = 0.1;
const BREAK_CYCLES: f64 = 6.0;
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
/// A throttle that is let go part of the way and opened again: so long at least and at most, found in such steps. An
/// engine's own hole is wider, and its edges take more of the speeds (common practice, no source).
const SAG_S: (f64, f64) = (0.3, 1.5);
const SAG_STEP_S: f64 = 0.05;
/// It takes at least this share of the acceleration.
const SAG_SHARE: f64 = 0.12;
const SAG_SPEED_SHARE: f64 = 0.06;
/// In a short pull averages blur edges that are as sudden over so much of the speeds, and an engine's own hole looks alike.
const SAG_BLURRED_SHARE: f64 = 0.12;
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
    /// From when to when it looks.
    reach_s: (f64, f64),
}

impl Average {
    fn length_s(&self) -> f64 {
        self.reach_s.1 - self.reach_s.0
    }
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

fn averages(train: &ToothTrain, wheel: Wheel) -> Vec<Average> {
    // Turns are whole by which teeth they end with, also where some were not seen.
    let turned = i64::try_from(averaging_teeth(train, wheel)).unwrap_or(i64::MAX);
    let pitch = std::f64::consts::TAU / f64::from(wheel.teeth_per_turn.max(1));
    let (time_s, index) = (&train.time_s, &train.index);
    let omega = |from: usize, to: usize| {
        pitch * (index[to] - index[from]) as f64 / (time_s[to] - time_s[from])
    };
    let mut found = Vec::with_capacity(index.len());
    let (mut b, mut c) = (0, 0);
    for a in 0..index.len() {
        let end = |turns: i64| index[a].saturating_add(turned.saturating_mul(turns));
        while index.get(b).is_some_and(|it| *it < end(1)) {
            b += 1;
        }
        while index.get(c).is_some_and(|it| *it < end(2)) {
            c += 1;
        }
        if index.get(b) != Some(&end(1)) || index.get(c) != Some(&end(2)) {
            continue;
        }
        let (first, second) = (omega(a, b), omega(b, c));
        found.push(Average {
            time_s: time_s[b],
            omega: 0.5 * (first + second),
            alpha: (second - first) / (0.5 * (time_s[c] - time_s[a])),
            reach_s: (time_s[a], time_s[c]),
        });
    }
    found
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
    let per_average = shared(rise, average_s);
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
    let rest = &rise[at(rise[k].time_s + gap_s)..];
    (median_alpha(rest) < (1.0 - 0.5 * FALL_SHARE) * before).then_some(k)
}

/// Where the acceleration falls at once by a good part, and soon is back at once to what it was: from when to when, in s.
fn sag(rise: &[Average], average_s: f64, sudden: bool) -> Option<Sag> {
    let speed_share = if sudden {
        SAG_SPEED_SHARE
    } else {
        SAG_BLURRED_SHARE
    };
    let beside_s = BESIDE_FALL_S.max(BESIDE_FALL_AVERAGES * average_s);
    let (first, last) = (rise.first()?, rise.last()?);
    let per_average = shared(rise, average_s);
    let at = |time_s: f64| rise.partition_point(|a| a.time_s < time_s);
    let edge_s = FALL_S + average_s;
    let rise_omega = last.omega - first.omega;
    // Line beside an edge, where the speed gains little over it.
    let beside = |edge_at_s: f64, from_s: f64, to_s: f64| {
        let (a, b) = (at(edge_at_s - 0.5 * edge_s), at(edge_at_s + 0.5 * edge_s));
        let at_once = rise.get(b)?.omega - rise.get(a)?.omega < speed_share * rise_omega;
        let beside = rise.get(at(from_s)..at(to_s)).filter(|it| it.len() > 3)?;
        Line::through(beside, edge_at_s, per_average).filter(|_| at_once)
    };
    let mut found: Option<(f64, Sag)> = None;
    // Near the ends half of what is beside it has to do.
    let mut from_s = first.time_s + 0.5 * (beside_s + edge_s);
    while from_s < last.time_s - 0.5 * beside_s - 1.5 * edge_s {
        let high = beside(
            from_s,
            from_s - 0.5 * edge_s - beside_s,
            from_s - 0.5 * edge_s,
        );
        // One misfire lowers all averages that hold it: those inside are more.
        let mut to_s = from_s + SAG_S.0.max(edge_s + (2.0 * average_s).max(AVERAGE_S_MIN));
        while to_s <= from_s + SAG_S.1 && to_s + 0.5 * (edge_s + beside_s) < last.time_s {
            let Some(high) = &high else { break };
            let inside = rise.get(at(from_s + 0.5 * edge_s)..at(to_s - 0.5 * edge_s));
            let after = beside(to_s, to_s + 0.5 * edge_s, to_s + 0.5 * edge_s + beside_s);
            if let Some((after, inside)) = after.zip(inside.filter(|it| it.len() > 3)) {
                // Misfires are low by themselves, not all along.
                let mut alphas: Vec<f64> = inside.iter().map(|a| a.alpha).collect();
                let upper = 3 * alphas.len() / 4;
                let low = *alphas.select_nth_unstable_by(upper, f64::total_cmp).1;
                let least = high.alpha.min(after.alpha);
                let sigma = (2.0 * high.variance.max(after.variance)).sqrt();
                let depth = least - low;
                if depth > (SAG_SHARE * least).max(FALL_SIGMA * sigma)
                    && (high.alpha - after.alpha).abs() < FALL_SHARE * least
                    && found.is_none_or(|(most, _)| depth / sigma > most)
                {
                    let sudden = sudden && depth > FALL_SHARE * least;
                    let sag = Sag {
                        span_s: (from_s, to_s),
                        sudden,
                    };
                    found = Some((depth / sigma, sag));
                }
            }
            to_s += SAG_STEP_S;
        }
        from_s += SAG_STEP_S;
    }
    found.map(|(_, sag)| sag)
}

/// With how many others in a row an average shares teeth.
fn shared(of: &[Average], average_s: f64) -> f64 {
    match of {
        [first, .., last] => (of.len() - 1) as f64 * average_s / (last.time_s - first.time_s),
        _ => 1.0,
    }
}

fn median_alpha(of: &[Average]) -> f64 {
    let mut alphas: Vec<f64> = of.iter().map(|a| a.alpha).collect();
    if alphas.is_empty() {
        return 0.0;
    }
    let middle = alphas.len() / 2;
    *alphas.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Where the throttle was fully open.
#[derive(Debug, Clone, PartialEq)]
pub struct FullThrottle {
    /// Positions in the train.
    pub range: Range<usize>,
    /// Those of the whole rise that it is a part of.
    pub rise: Range<usize>,
    /// The break in the rise next to it, where there is one.
    pub broken: Option<Break>,
    /// Where the acceleration was less for a while.
    pub sag: Option<Sag>,
}

/// A while of less acceleration amid more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sag {
    /// From when to when, in s on the train's base.
    pub span_s: (f64, f64),
    /// From one moment to the next, as no engine's own hole is; otherwise it may be one.
    pub sudden: bool,
}

/// A moment in a rise without acceleration: throttle or clutch, ignition, or a change of gear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Break {
    /// Where it begins, in s on the train's base.
    pub from_s: f64,
    /// Where the speed rises again.
    pub to_s: f64,
    /// At one speed an engine pulls alike, but not in two gears.
    pub gear: Gear,
}

/// Whether the wheel is driven in the same gear after a break.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Gear {
    /// The acceleration is what it was.
    Same,
    /// It surely differs from what it was by this share.
    Another(f64),
    /// Nobody can tell.
    Unknown,
}

/// A train, and its averages.
struct Rise<'a> {
    train: &'a ToothTrain,
    averages: &'a [Average],
    /// What the wheel turns in a working cycle, rad.
    cycle_rad: f64,
}

impl Rise<'_> {
    fn at_time(&self, time_s: f64) -> usize {
        self.averages.partition_point(|a| a.time_s < time_s)
    }

    /// The speed gains less than this acceleration would give it.
    fn is_slow(&self, from: usize, to: usize, least: f64) -> bool {
        let (a, b) = (
            &self.averages[from],
            &self.averages[to.min(self.averages.len() - 1)],
        );
        b.omega - a.omega < least * (b.time_s - a.time_s)
    }

    /// A misfire or the drive's shuffle stops the rise for a moment too; a moved throttle for longer.
    fn stops_at(&self, k: usize, least: f64) -> bool {
        let after = self.at_time(self.averages[k].time_s + MOMENT_S);
        self.averages[k].alpha < least && (after == k || self.is_slow(k, after, least))
    }

    fn begins_after(&self, k: usize, least: f64) -> bool {
        let before = self.at_time(self.averages[k].time_s - MOMENT_S);
        self.averages[k].alpha < least && (before == k || self.is_slow(before, k, least))
    }

    /// The acceleration near the begin and near the end of a stretch.
    fn levels(&self, from: usize, to: usize, early: (f64, f64), late: (f64, f64)) -> (f64, f64) {
        let rise = &self.averages[from..=to];
        let part = |(from, to): (f64, f64)| {
            let at = |share: f64| floor_to_usize(share * rise.len() as f64).min(rise.len() - 1);
            median_alpha(&rise[at(from)..=at(to)])
        };
        (part(early), part(late))
    }

    /// The stretches in which the speed rises: without those where the acceleration is gone, although it was there
    /// before and is there again afterwards.
    fn parts(&self, start: usize, top: usize) -> Vec<(usize, usize)> {
        let (early, late) = self.levels(start, top, (0.05, 0.45), (0.55, 0.95));
        let weaker = if early.min(late) > 0.0 {
            early.min(late)
        } else {
            early.max(late)
        };
        let least = OPEN_SHARE * weaker;
        let mut found = Vec::new();
        let mut from = start;
        let opens = |k: &usize| self.averages[*k].alpha >= least && !self.stops_at(*k, least);
        while let Some(open) = (from..top).find(opens) {
            let end = (open..top)
                .find(|k| self.stops_at(*k, least))
                .unwrap_or(top);
            found.push((open, end));
            from = end.max(open + 1);
        }
        found.dedup_by(|after, before| {
            let moment = !self.is_break(*before, *after);
            if moment {
                before.1 = after.1;
            }
            moment
        });
        found
    }

    /// Misfires, or a drive that swings, lose less of the rise between two stretches than a throttle or a gear on its way.
    fn is_break(&self, before: (usize, usize), after: (usize, usize)) -> bool {
        let (a, b) = (&self.averages[before.1], &self.averages[after.0]);
        let from = self.at_time(a.reach_s.0).max(before.0);
        let to = self.at_time(b.reach_s.1).min(after.1);
        let beside = |from: usize, to: usize| {
            let within = self.averages.get(from..to).filter(|it| it.len() > 3);
            within.map(median_alpha)
        };
        let (a, b) = (&self.averages[from], &self.averages[to]);
        let high = beside(self.at_time(a.time_s - BESIDE_FALL_S).max(before.0), from);
        let low = beside(to, self.at_time(b.time_s + BESIDE_FALL_S).min(after.1));
        let level = match (high, low) {
            (Some(high), Some(low)) => 0.5 * (high + low),
            (one, other) => match one.or(other) {
                Some(level) => level,
                None => return true,
            },
        };
        let lost_s = b.time_s - a.time_s - (b.omega - a.omega) / level;
        lost_s > BREAK_S_MIN.max(BREAK_CYCLES * self.cycle_rad / a.omega)
    }

    /// The break between two stretches.
    fn between(&self, before: (usize, usize), after: (usize, usize)) -> Break {
        let (from_s, to_s) = (
            self.averages[before.1].time_s,
            self.averages[after.0].time_s,
        );
        let middle_s = 0.5 * (from_s + to_s);
        let last = before.1.saturating_sub(1).max(before.0);
        let average_s = self.averages[last].length_s();
        let rise_s = self.averages[after.1].time_s - self.averages[before.0].time_s;
        let beside_s = BESIDE_FALL_S
            .max(BESIDE_FALL_AVERAGES * average_s)
            .max(FALL_SPEED_SHARE * rise_s);
        let settled_s = to_s + average_s + SETTLE_S;
        let (before_to, after_from) = (self.at_time(from_s - average_s), self.at_time(settled_s));
        let stretch = |from: usize, to: usize| self.averages.get(from..to).unwrap_or(&[]);
        // Lines through what is beside it, extended to its middle: by which share they differ, and how far by chance.
        let change = |beside_s: f64| {
            let high = stretch(
                self.at_time(from_s - average_s - beside_s).max(before.0),
                before_to,
            );
            let low = stretch(after_from, self.at_time(settled_s + beside_s).min(after.1));
            if high.len() < 4 || low.len() < 4 {
                return None;
            }
            let a = Line::through(high, middle_s, shared(high, average_s))?;
            let b = Line::through(low, middle_s, shared(low, average_s))?;
            let sigma = (a.variance + b.variance).sqrt() / a.alpha;
            Some((b.alpha / a.alpha - 1.0, sigma))
        };
        // Short ones scatter more, long ones bend with the engine's curve.
        let found = [1.0, 2.0].map(|times| change(times * beside_s));
        let differs =
            |(change, sigma): &(f64, f64)| change.abs() > GEAR_SHARE.max(FALL_SIGMA * sigma);
        let alike =
            |(change, sigma): &(f64, f64)| change.abs() + SAME_GEAR_SIGMA * sigma < GEAR_SHARE;
        let gear = match found[0].filter(differs) {
            Some((change, _)) => Gear::Another(change),
            None if found.iter().flatten().any(alike) => Gear::Same,
            None => Gear::Unknown,
        };
        Break { from_s, to_s, gear }
    }

    fn position(&self, time_s: f64) -> usize {
        self.train.time_s.partition_point(|t| *t < time_s)
    }

    /// The average nearest to one at which the throttle is half open that has what the acceleration is soon after
    /// (`side` 1), or was just before (-1): a slow hand, or a limiter that begins with single firings, takes a while.
    fn wholly_open(&self, half: usize, side: f64) -> usize {
        let half_s = self.averages[half].time_s;
        let at = |after_s: f64| self.at_time(half_s + side * after_s);
        let (a, b) = (at(WHOLLY_OPEN_S), at(2.0 * WHOLLY_OPEN_S));
        let beyond = &self.averages[a.min(b)..a.max(b)];
        let line = Line::through(beyond, half_s, 1.0);
        let level = median_alpha(beyond);
        let enough = WHOLLY_OPEN_SHARE * line.map_or(level, |line| line.alpha.min(level));
        // Of firings that are cut at random some follow each other: the averages beyond have it as well.
        let is_open = |k: &usize| {
            let after = self.at_time(self.averages[*k].time_s + side * MOMENT_S);
            let beyond = &self.averages[after.min(*k)..=after.max(*k).min(self.averages.len() - 1)];
            let mean = beyond.iter().map(|it| it.alpha).sum::<f64>() / beyond.len() as f64;
            self.averages[*k].alpha.min(mean) >= enough
        };
        let found = if side > 0.0 {
            (half..a).find(is_open)
        } else {
            (a..half).rev().find(is_open)
        };
        found.unwrap_or(if beyond.is_empty() { half } else { a })
    }

    /// When a hand that has the throttle half open at an average has it wholly open: it takes as long for the other half,
    /// and a little for what it fills. Where it held no speed before, but let go for a moment after it had brought the engine
    /// there, it begins where it has let go most.
    fn hand_done_s(&self, half: usize, level: f64) -> f64 {
        let half_s = self.averages[half].time_s;
        let alpha = |k: usize| self.averages[k].alpha;
        let mut way = (self.at_time(half_s - HAND_S_MAX)..half)
            .rev()
            .take_while(|k| alpha(*k) < OPEN_SHARE * level);
        let lowest = way.clone().map(alpha).fold(f64::INFINITY, f64::min);
        let begun = way.find(|k| alpha(*k) < lowest.max(0.0) + HAND_BEGINS_SHARE * level);
        let first_half_s = begun.map_or(0.0, |k| half_s - self.averages[k].time_s);
        half_s + (1.0 + SETTLE_SHARE) * first_half_s
    }

    /// What was at full throttle of a part of the rise. `peak` may lie beyond its `top`, and `cut` is whether the part begins
    /// and ends at a break.
    fn open(
        &self,
        start: usize,
        top: usize,
        peak: usize,
        cut: (bool, bool),
    ) -> Option<FullThrottle> {
        let averages = self.averages;
        let rise = &averages[start..=top];
        // The acceleration well inside the pull, near each end of it.
        let (early, late) = self.levels(start, top, (0.1, 0.35), (0.6, 0.85));
        if early <= 0.0 || late <= 0.0 {
            return None;
        }
        let middle = start + rise.len() / 2;
        // A throttle that opens slowly may be half open before the start speed, and not open yet at it.
        let first = self.at_time(averages[start].time_s - MOMENT_S);
        // What gives way for a moment after a good rise opens nothing.
        let least = OPEN_SHARE * early;
        let slow_until = |k: usize| k == first || self.is_slow(first, k, least);
        let opened = (first..middle)
            .rev()
            .find(|k| self.begins_after(*k, least) && slow_until(*k));
        let opened = opened.or(cut.0.then_some(start));
        // An engine that gets strong late is not strong in the middle yet, and wavers on its way.
        let strong = (middle..averages.len()).find(|k| averages[*k].alpha >= late)?;
        let closed = (strong..averages.len()).find(|k| self.stops_at(*k, OPEN_SHARE * late));
        let closed = if cut.1 {
            Some(closed.map_or(peak, |closed| closed.min(peak)))
        } else {
            closed
        };
        let average_s = rise.iter().map(Average::length_s).sum::<f64>() / rise.len() as f64;
        let rise_end = closed.map_or(peak, |closed| closed.min(peak));
        let rise_start = opened.map_or(start, |opened| opened + 1);
        let opened_rise = averages.get(rise_start..=rise_end).unwrap_or(&[]);
        let sags = |sudden| sag(opened_rise, average_s, sudden);
        let sag = sags(true).or_else(|| sags(false));
        // What gives way for a moment only ends nothing.
        let fallen = fall(opened_rise, average_s).map(|k| rise_start + k);
        let fallen = fallen.filter(|k| {
            sag.filter(|it| it.sudden).is_none_or(
                |Sag {
                     span_s: (from_s, to_s),
                     ..
                 }| {
                    !(from_s - BESIDE_FALL_S..to_s).contains(&averages[*k].time_s)
                },
            )
        });
        let closed = fallen.or(closed);
        // A change shows as early as an average looks ahead.
        let begin = self.position(averages[start].time_s);
        let from = match opened {
            Some(k) => {
                let held_s = averages[k].time_s - averages[start].time_s;
                let settle_s = (SETTLE_SHARE * held_s).clamp(SETTLE_S, MOMENT_S);
                let open = self.wholly_open(k, 1.0);
                let ahead_s = averages[k].reach_s.1 - averages[k].time_s;
                let from_s = averages[k].time_s + 0.7 * ahead_s + settle_s;
                let open_s = self.hand_done_s(k, early).max(averages[open].time_s);
                self.position(from_s.max(open_s + SETTLE_S)).max(begin)
            }
            None => begin,
        };
        let to = match closed {
            Some(k) => {
                let open = self.wholly_open(k, -1.0);
                let behind_s = averages[k].time_s - averages[k].reach_s.0;
                let to_s = averages[k].time_s - 0.7 * behind_s - SETTLE_S;
                self.position(to_s.min(averages[open].time_s - SETTLE_S))
            }
            None => self.position(averages[peak].time_s),
        };
        (to > from + 8).then_some(FullThrottle {
            range: from..to,
            rise: from..to,
            broken: None,
            sag,
        })
    }
}

/// The stretch in which the throttle was fully open: from where the wheel passes `start_omega_rad_per_s` for the last
/// time on the way to its greatest speed, to just before the throttle closed. Of a rise that breaks off and goes on it
/// is the greatest part; or the first, where the acceleration is another afterwards. `None` when there is no such rise.
#[must_use]
pub fn full_throttle(
    train: &ToothTrain,
    wheel: Wheel,
    start_omega_rad_per_s: f64,
) -> Option<FullThrottle> {
    if train.time_s.len() < 8 {
        return None;
    }
    let averages = averages(train, wheel);
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
    let rise = Rise {
        train,
        averages: &averages,
        cycle_rad: std::f64::consts::TAU / wheel.cycles_per_turn,
    };
    let mut parts = rise.parts(start, top);
    parts.retain(|(from, to)| *to > from + 8);
    let gain = |part: &(usize, usize)| averages[part.1].omega - averages[part.0].omega;
    let greatest = (0..parts.len()).max_by(|a, b| gain(&parts[*a]).total_cmp(&gain(&parts[*b])))?;
    let broken = |k: usize| Some(rise.between(*parts.get(k)?, *parts.get(k + 1)?));
    let before = greatest.checked_sub(1).and_then(broken);
    // In another gear its speeds would be wrong, and a driver begins in the one that is meant.
    let earlier_share = before.map_or(1.0, |it| match it.gear {
        Gear::Same => 1.0,
        Gear::Another(_) => FIRST_PART_SHARE,
        Gear::Unknown => ENOUGH_SHARE,
    });
    let (part, broken) = match greatest.checked_sub(1) {
        Some(earlier) if gain(&parts[earlier]) > earlier_share * gain(&(start, top)) => {
            (earlier, before)
        }
        _ => {
            let doubted = before.filter(|it| it.gear != Gear::Same);
            (greatest, doubted.or(broken(greatest)).or(before))
        }
    };
    let (from, to) = parts[part];
    let goes_on = part + 1 < parts.len();
    let open = rise.open(
        from,
        if goes_on { to } else { top },
        if goes_on { to } else { peak },
        (from > start, goes_on),
    )?;
    // What a swing of the drive parts for a moment is no break.
    let broken = broken.filter(|it| it.to_s - it.from_s > SETTLE_S);
    let whole = averages[parts[0].0].time_s..averages[top].time_s;
    Some(FullThrottle {
        rise: rise.position(whole.start)..rise.position(whole.end),
        broken,
        ..open
    })
}

impl ToothTrain {
    /// The part of the train at these positions, on the same time base; faults and gaps are those of
    /// the whole.
    #[must_use]
    pub fn part(&self, range: Range<usize>) -> Self {
        let range = range.start.min(self.time_s.len())..range.end.min(self.time_s.len());
        let time_s = self.time_s[range.clone()].to_vec();
        let bounds = time_s.first().copied().zip(time_s.last().copied());
        let within = |gaps: &[(f64, f64)]| {
            let is_within = |gap: &(f64, f64)| bounds.is_some_and(|(a, b)| gap.1 > a && gap.0 < b);
            gaps.iter().copied().filter(is_within).collect()
        };
        Self {
            origin_tick: self.origin_tick,
            index: self.index[range].to_vec(),
            faults: self.faults,
            gaps_s: within(&self.gaps_s),
            doubts_s: within(&self.doubts_s),
            time_s,
        }
    }

    /// The same teeth with time running back from `end_s`, counted from the last one.
    #[must_use]
    pub fn turned_back(&self, end_s: f64) -> Self {
        let count = self.index.last().copied().unwrap_or(0);
        let turned = |(from_s, to_s): &(f64, f64)| (end_s - to_s, end_s - from_s);
        Self {
            origin_tick: self.origin_tick,
            time_s: self.time_s.iter().rev().map(|it| end_s - it).collect(),
            index: self.index.iter().rev().map(|it| count - it).collect(),
            faults: self.faults,
            gaps_s: self.gaps_s.iter().rev().map(turned).collect(),
            doubts_s: self.doubts_s.iter().rev().map(turned).collect(),
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
        let range = full_throttle(train, wheel, start_rad_per_s).unwrap().range;
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

    /// The throttle closed for a moment in the middle of the rise: the greater part of it is left, whichever that is.
    #[test]
    fn a_throttle_let_go_in_the_middle_leaves_the_greater_part() {
        for (teeth, let_go_s) in [(1, 2.0), (8, 2.0), (60, 2.0), (8, 3.6), (60, 3.6)] {
            let train = accelerated(teeth, 60.0, |t| match t {
                t if t < 1.0 => 0.5,
                t if (let_go_s..let_go_s + 0.3).contains(&t) => -8.0,
                t if t < 5.0 => 30.0,
                _ => -10.0,
            });
            let wheel = Wheel {
                teeth_per_turn: teeth,
                cycles_per_turn: 3.0,
            };
            let open = full_throttle(&train, wheel, 62.0).unwrap();
            let (from, to) = (
                train.time_s[open.range.start],
                train.time_s[open.range.end - 1],
            );
            let broken = open.broken.unwrap();
            let case = format!("{teeth} teeth: {from} to {to}, {broken:?}");
            assert!((broken.from_s - let_go_s).abs() < 0.12, "{case}");
            assert!((broken.to_s - let_go_s - 0.3).abs() < 0.12, "{case}");
            assert_eq!(broken.gear, Gear::Same, "{case}");
            if let_go_s < 3.0 {
                assert!(
                    (2.3..2.75).contains(&from) && (4.8..5.0).contains(&to),
                    "{case}"
                );
            } else {
                assert!(
                    (1.0..1.35).contains(&from) && (3.3..3.6).contains(&to),
                    "{case}"
                );
            }
        }
    }

    /// A slow hand is still opening the throttle as the start speed passes; a limiter takes single firings at first.
    #[test]
    fn a_throttle_on_its_way_is_not_open_yet_or_no_more() {
        for teeth in [4, 8, 60] {
            let train = accelerated(teeth, 60.0, |t| match t {
                t if t < 1.0 => 0.0,
                t if t < 2.0 => 30.0 * (t - 1.0),
                t if t < 5.0 => 30.0,
                t if t < 5.4 => 30.0 - 60.0 * (t - 5.0),
                _ => -10.0,
            });
            for start in [61.0, 67.0, 72.0] {
                let (from, to) = stretch(&train, teeth, start);
                assert!((1.75..2.3).contains(&from), "{teeth}, {start}: from {from}");
                assert!((4.75..5.12).contains(&to), "{teeth}, {start}: to {to}");
            }
        }
    }

    /// It takes as long for the second half of the throttle as for the first.
    #[test]
    fn a_hand_that_takes_its_time_is_waited_for() {
        for teeth in [4, 8, 60] {
            let train = accelerated(teeth, 60.0, |t| match t {
                t if t < 1.0 => 0.0,
                t if t < 2.6 => 45.0 * (t - 1.0) / 1.6,
                t if t < 4.0 => 45.0,
                _ => -10.0,
            });
            for start in [61.0, 70.0] {
                let (from, _) = stretch(&train, teeth, start);
                assert!((2.25..2.8).contains(&from), "{teeth}, {start}: from {from}");
            }
        }
    }

    /// A limiter that cuts a third of the firings: some that burn follow each other.
    #[test]
    fn a_limiter_that_cuts_some_firings_ends_the_stretch() {
        for teeth in [1, 8, 60] {
            let train = accelerated(teeth, 60.0, |t| match t {
                t if t < 1.0 => 0.5,
                t if t < 5.0 => 30.0,
                t if t < 5.8 => {
                    let firing = (t / 0.012).floor();
                    let drawn = (firing * 0.618_034).fract();
                    if drawn < 0.6 * (t - 4.7) { -8.0 } else { 30.0 }
                }
                _ => -10.0,
            });
            let (_, to) = stretch(&train, teeth, 62.0);
            assert!((4.5..5.15).contains(&to), "{teeth}: to {to}");
        }
    }

    /// Half a throttle for a moment: both edges are at once, unlike those of a hole in the engine's own curve.
    #[test]
    fn a_throttle_let_go_part_of_the_way_is_told_from_a_hole_of_the_engine() {
        for teeth in [4, 8, 60] {
            let wheel = Wheel {
                teeth_per_turn: teeth,
                cycles_per_turn: 3.0,
            };
            let sag = |alpha: &dyn Fn(f64) -> f64| {
                let train = accelerated(teeth, 90.0, |t| match t {
                    t if t < 0.5 => 0.5,
                    t if t < 6.5 => 25.0 * (1.0 - 0.04 * (t - 3.0).powi(2)) * alpha(t),
                    _ => -10.0,
                });
                full_throttle(&train, wheel, 90.5).unwrap().sag
            };
            for (left, long_s) in [(0.6, 0.4), (0.75, 0.8), (0.65, 1.2)] {
                let sagged = |t: f64| {
                    if (3.0..3.0 + long_s).contains(&t) {
                        left
                    } else {
                        1.0
                    }
                };
                let (from, to) = sag(&sagged).map_or((0.0, 0.0), |it| it.span_s);
                let case = format!("{teeth} teeth, {long_s} s: {from} to {to}");
                assert!(
                    (from - 3.0).abs() < 0.15 && (to - 3.0 - long_s).abs() < 0.25,
                    "{case}"
                );
            }
            // So short a pull blurs the edges: it may have been either.
            let short = accelerated(teeth, 90.0, |t| match t {
                t if t < 0.5 => 0.5,
                t if (1.8..2.3).contains(&t) => 37.0,
                t if t < 3.5 => 50.0,
                _ => -10.0,
            });
            let found = full_throttle(&short, wheel, 90.5).unwrap().sag.unwrap();
            assert!(!found.sudden, "{teeth}: {found:?}");
            let hole = |t: f64| 1.0 - 0.25 * (-((t - 3.5) / 0.5_f64).powi(2)).exp();
            assert_eq!(sag(&hole), None, "{teeth}");
            let misfires = |t: f64| {
                let low = [3.05, 3.3, 3.55, 3.8]
                    .iter()
                    .any(|at| (t - at).abs() < 0.035);
                if low { -0.15 } else { 1.0 }
            };
            assert_eq!(sag(&misfires), None, "{teeth}");
        }
    }

    /// Another gear comes in: what came before it was in the one that is meant, also where it is less.
    #[test]
    fn another_gear_ends_the_stretch() {
        for (teeth, other) in [(1, 0.8), (8, 0.8), (60, 0.8), (8, 1.25)] {
            let train = accelerated(teeth, 60.0, |t| match t {
                t if t < 1.0 => 0.5,
                t if t < 2.6 => 30.0,
                t if t < 2.85 => -2.0,
                t if t < 5.0 => 30.0 * other,
                _ => -10.0,
            });
            let wheel = Wheel {
                teeth_per_turn: teeth,
                cycles_per_turn: 3.0,
            };
            let open = full_throttle(&train, wheel, 62.0).unwrap();
            let to = train.time_s[open.range.end - 1];
            assert!((2.3..2.6).contains(&to), "{teeth}: to {to}");
            let Gear::Another(change) = open.broken.unwrap().gear else {
                panic!("{teeth}, {other}: {:?}", open.broken);
            };
            assert!((change - (other - 1.0)).abs() < 0.05, "{teeth}: {change}");
        }
    }

    /// A two-stroke comes onto its pipe: three times the torque within 800 rpm.
    #[test]
    fn an_engine_that_gets_strong_late_is_not_cut_short() {
        for teeth in [1, 8, 60] {
            for strong_s in [3.5, 4.2] {
                let train = accelerated(teeth, 60.0, |t| match t {
                    t if t < 1.0 => 0.3,
                    t if t < 5.0 => 12.0 + 24.0 / (1.0 + (-(t - strong_s) / 0.12).exp()),
                    _ => -10.0,
                });
                let (from, to) = stretch(&train, teeth, 62.0);
                assert!((1.0..1.5).contains(&from), "{teeth}: from {from}");
                assert!((4.75..5.0).contains(&to), "{teeth}, {strong_s}: to {to}");
            }
        }
    }

    /// A throttle that is half let go for less than some cycles take: the rise before it counts as well.
    #[test]
    fn what_gives_way_for_a_moment_is_no_begin() {
        for teeth in [4, 8, 60] {
            let train = accelerated(teeth, 60.0, |t| match t {
                t if t < 1.0 => 0.3,
                t if (2.4..2.75).contains(&t) => 10.0,
                t if t < 5.0 => 25.0,
                _ => -10.0,
            });
            let wheel = Wheel {
                teeth_per_turn: teeth,
                cycles_per_turn: 1.0,
            };
            let range = full_throttle(&train, wheel, 62.0).unwrap().range;
            let (from, to) = (train.time_s[range.start], train.time_s[range.end - 1]);
            assert!((1.0..1.5).contains(&from), "{teeth}: from {from}");
            assert!((4.7..5.0).contains(&to), "{teeth}: to {to}");
        }
    }

    /// A long pull on a two-stroke with a pipe: it wavers about half of its late torque on the way there.
    #[test]
    fn an_engine_that_wavers_on_its_way_to_its_torque_is_not_cut_short() {
        for teeth in [1, 8, 60] {
            for tenths in 38..56_u8 {
                let onset_s = 0.1 * f64::from(tenths);
                let train = accelerated(teeth, 60.0, |t| match t {
                    t if t < 1.0 => 0.3,
                    t if t < 6.8 => {
                        let drawn = ((t / 0.3).floor() * 0.618_034).fract();
                        (8.0 + 20.0 / (1.0 + (-(t - onset_s) / 0.3).exp())) * (0.7 + 0.6 * drawn)
                    }
                    _ => -10.0,
                });
                let (from, to) = stretch(&train, teeth, 62.0);
                let case = format!("{teeth} teeth, {onset_s} s: {from} to {to}");
                assert!(
                    (1.0..1.7).contains(&from) && (6.3..6.8).contains(&to),
                    "{case}"
                );
            }
        }
    }

    /// A hand brings the engine near the start speed, lets go for a moment and opens: what came before the moment is no part
    /// of its way to full throttle.
    #[test]
    fn a_throttle_that_first_brings_the_engine_to_its_speed_is_not_waited_for() {
        for teeth in [4, 8, 60] {
            for (opening_s, let_go_s) in [(0.06, 0.2), (0.06, 0.3), (0.2, 0.25), (0.4, 0.25)] {
                let opens_s = 1.5 + let_go_s;
                let train = accelerated(teeth, 50.0, |t| match t {
                    t if t < 1.0 => 0.0,
                    t if t < 1.5 => 15.0,
                    t if t < opens_s => 5.0,
                    t if t < opens_s + opening_s => 5.0 + 20.0 * (t - opens_s) / opening_s,
                    t if t < 6.0 => 25.0,
                    _ => -10.0,
                });
                let (from, _) = stretch(&train, teeth, 60.0);
                let late_s = from - opens_s - opening_s;
                let case = format!("{teeth} teeth, {opening_s} s, {let_go_s} s: {late_s} s");
                assert!((-0.06..0.2).contains(&late_s), "{case}");
            }
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
