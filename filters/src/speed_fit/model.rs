//! The unknowns of the fit and the rows that tie them to the teeth.

use std::collections::HashMap;
use std::ops::Range;

use nalgebra::DMatrix;

use super::shuffle::{DAMPING_MAX, HIGHEST_HZ, Left, Nodes, Sure, Swing, Swinging};
use super::{FitOptions, JITTER_MIN_S, Resonance, Shuffle};
use crate::bspline::{Basis, DEGREE, Local, ORDER, even, interpolate};
use crate::envelope::Envelope;
use crate::teeth::ToothTrain;

/// Dimension of what roughness leaves free: start time, speed, and `alpha` linear in time.
pub(super) const NULL_SPACE: usize = 4;
const CYCLE_HARMONICS: usize = 6;
/// Ways in which the size of a harmonic may change with the speed, and how many times the mean torque an engine's is at
/// most in the second.
const SIZES: usize = 4;
const PULL_MAX: f64 = 4.0;
/// It is taken over so much of the pull on each side, at so many points.
const PULL_REACH: f64 = 0.06;
const PULL_POINTS: usize = 100;
/// Orders that drift apart by fewer swings than this over the stretch can't be told from each other.
const LOCKED_TURNS: f64 = 1.5;
/// Working cycles in a turn of the wheel up to which it is the engine's own.
const ENGINE_CYCLES: f64 = 1.0;
/// … and by more than this they surely are.
const TOLD_TURNS: f64 = 5.0;
/// Windows in which ripple is looked for in the residuals.
const RIPPLE_WINDOW_S: f64 = 0.2;
const RIPPLE_WINDOW_TEETH: usize = 12;
/// Its power over the noise's where it is greatest (the greatest of some dozens of pure noise reaches
/// 5), and where it begins and ends; there it has fallen to this share of the greatest, too.
const RIPPLE_OVER_NOISE: f64 = 12.0;
const RIPPLE_ENDS: f64 = 3.0;
const RIPPLE_ENDS_SHARE: f64 = 0.03;
/// Swing of the speed where the drive's own frequency is met, over the median of the pull (without one
/// it falls with the speed), and the share of it that it begins and ends with: the drive takes a tenth
/// of what it takes in the middle.
const RESONANCE_OVER_MEDIAN: f64 = 2.5;
/// Swing of the acceleration over its mean that an engine's torque gives a rigid drive at most: that of
/// one cylinder (common practice, no source).
const RIGID_SWING: f64 = 3.5;
/// Drum and engine part where the engine's wheel swings with so many times the power of that.
const PARTS: f64 = 2.0;
/// Jitter of a pickup's edges at most (common practice, no source): what is more is the wheel's own.
const JITTER_MAX_S: f64 = 20e-6;
/// Swing of the acceleration over its mean, below which the drive takes next to nothing.
const RESONANCE_OVER_MEAN: f64 = 1.5;
const RESONANCE_ENDS_SHARE: f64 = 0.35;
/// … and with so much of the torque taken by the drive.
const RESONANCE_TAKES: f64 = 0.01;
/// The engine's share of the whole inertia (common practice, no source).
const ENGINE_SHARE: f64 = 0.1;
/// Beyond so many times the swing of a rigid drive the drive is surely none, where it is so for as many windows on end.
const RESONANCE_OVER_ANY: f64 = 2.0;
const WINDOWS_OVER_ANY: usize = 3;
/// … and beyond so many times that of the calmest quarter.
const RESONANCE_OVER_CALM: f64 = 2.0;
/// Noise makes a swing greater by so many standard deviations at most.
const NOISE_SIGMA: f64 = 2.0;
/// The drive's own frequency is within this factor of the one that it is met at.
pub(super) const OWN_HZ_WITHIN: f64 = 1.3;
/// The wander follows what is slower than this share of the drive's own frequency; nearer to it is the shuffle's
/// (found in simulation).
const FOLLOWED_MAX: f64 = 0.65;
/// Damping ratio that a drive is given until it is known: within it the swing is free.
const DAMPING: f64 = 0.1;
/// Swing of the acceleration where it is met, over its median: on a rigid drive it is the engine's torque's,
/// and the part of it that is taken for tooth errors, or the other way round, goes with the speed's square.
const RESONANCE_OVER_RIGID: f64 = 4.0;
/// More than a shuffle swings the drum's acceleration over its mean: an opening throttle makes it less
/// than once, play in the drive twice (common practice, no source).
const SHUFFLE_MAX: f64 = 3.0;
/// Swing of the drum's speed over itself that an opening throttle does not reach (common practice, no source).
const DRIVEN_SHARE: f64 = 0.02;
/// Scatter of the teeth over that of the calmest quarter of the pull.
const RESTLESS: f64 = 3.5;
/// By change alone, or where teeth are too few to follow the swing, misfires look like a resonance, but for how long: that
/// takes more to pass and to die away, with the times before and after it that are looked at in one.
const CHANGES_S_MIN: f64 = 1.2;
/// What jumps at the end of a swing bends the curve for so long beyond it: about half of the smallest feature that a
/// curve shows. A drive that swings, or has play, in step with the engine's cycles lets go of a good part of the torque at once.
const BESIDE_S: f64 = 0.15;
/// A misfire reaches so far into the teeth beside it.
const MISFIRE_S: f64 = 0.06;
/// Segments of the wander at most: cost grows with them, and beyond a few hundred what happens
/// within one is far below the timing noise.
const SEGMENTS_MAX: f64 = 300.0;

/// One harmonic of the working cycle.
#[derive(Debug, Clone)]
struct Harmonic {
    /// Multiple of the working cycle's order.
    multiple: usize,
    amplitude: Amplitude,
}

/// How the size of a harmonic changes along the pull.
#[derive(Debug, Clone)]
enum Amplitude {
    /// So many of the [sizes](Problem::sizes) times what a ripple of one size gives.
    Sizes(usize),
    /// From instant to instant, beside that, while it meets the drive's own frequency.
    Free(Nodes),
}

/// When a harmonic of the working cycle swings the wheel as a rigid drive would not, s on the train's time
/// base: its size and phase change beside the drive's own frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Meeting {
    pub(super) from_s: f64,
    pub(super) to_s: f64,
    /// Where the two meet.
    pub(super) resonance: Option<Resonance>,
}

/// Those of the first harmonics: the others are small.
pub(super) type Meetings = [Option<Meeting>; 2];

/// The frequency at which cycles and drive meet, Hz.
fn met_hz(meetings: &Meetings) -> Option<f64> {
    let resonances = meetings.iter().flatten();
    resonances
        .filter_map(|meeting| meeting.resonance)
        .map(|resonance| resonance.frequency_hz)
        .find(|hz| *hz < HIGHEST_HZ)
}

impl Harmonic {
    fn columns(&self) -> usize {
        2 * match &self.amplitude {
            Amplitude::Sizes(sizes) => *sizes,
            Amplitude::Free(nodes) => nodes.count,
        }
    }
}

/// Which unknowns there are and where they stand in the equations. Spline, wander and shuffle are
/// interleaved along the pull, so that they make a band; tooth errors and ripple are its border.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    /// Position of each coefficient of the smooth part.
    pub(super) spline_at: Vec<usize>,
    /// Position of each coefficient of the wander; the first two are zero, since start time and
    /// start speed belong to the smooth part.
    pub(super) wander_at: Vec<Option<usize>>,
    pub(super) band: usize,
    /// Columns of the tooth errors.
    pub(super) pattern: usize,
    /// Columns of their change with speed.
    pub(super) drift: usize,
    harmonics: Vec<Harmonic>,
    /// Columns of the working cycle's harmonics.
    pub(super) ripple: usize,
    pub(super) swing: Option<Swing>,
    /// Positions of the shuffle's unknowns, cosine and sine by node.
    pub(super) swing_at: Vec<usize>,
    /// Where each row of the band starts.
    first: Vec<usize>,
}

impl Layout {
    pub(super) fn len(&self) -> usize {
        self.band + self.pattern + self.drift + self.ripple
    }

    pub(super) fn pattern_at(&self) -> Range<usize> {
        self.band..self.band + self.pattern
    }

    pub(super) fn drift_at(&self) -> Range<usize> {
        self.pattern_at().end..self.ripple_at().start
    }

    pub(super) fn ripple_at(&self) -> Range<usize> {
        self.len() - self.ripple..self.len()
    }

    /// Which positions belong to the smooth part.
    pub(super) fn is_spline(&self) -> Vec<bool> {
        let mut is_spline = vec![false; self.len()];
        self.spline_at.iter().for_each(|at| is_spline[*at] = true);
        is_spline
    }

    /// What a solution says of the shuffle, cosine and sine by node.
    pub(super) fn swing_of(&self, solution: &[f64]) -> Vec<f64> {
        self.swing_at.iter().map(|at| solution[*at]).collect()
    }

    pub(super) fn matrix(&self) -> Envelope {
        Envelope::new(self.first.clone(), self.len() - self.band)
    }

    /// Positions and values of a derivative of the smooth part.
    pub(super) fn spline_row(&self, local: &Local, row: &[f64; ORDER]) -> Vec<(usize, f64)> {
        let positions = self.spline_at[local.first..local.first + local.order].iter();
        positions.zip(row).map(|(at, v)| (*at, *v)).collect()
    }

    pub(super) fn wander_row<'a>(
        &'a self,
        local: &Local,
        row: &'a [f64; ORDER],
    ) -> impl Iterator<Item = (usize, f64)> + 'a {
        let positions = self.wander_at[local.first..local.first + local.order].iter();
        positions
            .zip(row)
            .filter_map(|(at, v)| at.map(|at| (at, *v)))
    }
}

/// Positions of the unknowns of the band, of spline, wander and shuffle one after the other, and where its
/// rows start. Intervals of the spline hold `per_interval` segments of the wander each; 0 for no wander.
/// `swings` are the intervals that each node of the shuffle reaches over.
fn interleave(
    spline: usize,
    wander: usize,
    per_interval: usize,
    swings: &[Range<usize>],
) -> (Vec<usize>, Vec<usize>) {
    let m = per_interval.max(1);
    // Centre and support of each unknown in segments, the spline's with intervals to spare: its roughness reaches
    // across knots.
    let mut unknowns: Vec<(f64, usize, Range<usize>)> = (0..spline)
        .map(|i| {
            let centre = m as f64 * (i as f64 - 2.0);
            (centre, i, (m * i).saturating_sub(7 * m)..m * (i + 2))
        })
        .collect();
    for j in 2..wander {
        // What one segment's work tells of the next ties the unknowns of both.
        unknowns.push((j as f64 - 0.5, spline + j, j.saturating_sub(3)..j + 1));
    }
    for (node, over) in swings.iter().enumerate() {
        let centre = 0.5 * (m * (over.start + over.end)) as f64;
        for unknown in [2 * node, 2 * node + 1] {
            let reach = m * over.start..m * over.end;
            unknowns.push((centre, spline + wander + unknown, reach));
        }
    }
    unknowns.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut at = vec![0; spline + wander + 2 * swings.len()];
    for (position, (_, unknown, _)) in unknowns.iter().enumerate() {
        at[*unknown] = position;
    }
    let first = unknowns
        .iter()
        .enumerate()
        .map(|(p, (_, _, mine))| {
            let shares = |other: &Range<usize>| other.start < mine.end && mine.start < other.end;
            (0..p).find(|q| shares(&unknowns[*q].2)).unwrap_or(p)
        })
        .collect();
    (at, first)
}

/// The harmonics that can be told from the smooth part and from each other at `N` samples a turn.
fn usable_harmonics(
    options: &FitOptions,
    turns: f64,
    band_cycles: f64,
    meetings: Meetings,
) -> Vec<Harmonic> {
    let Some(cycles_per_turn) = options.cycles_per_turn.filter(|c| *c > 0.0) else {
        return Vec::new();
    };
    let teeth = f64::from(options.teeth_per_turn);
    let mut seen: Vec<f64> = Vec::new();
    let mut harmonics = Vec::new();
    for m in 1..=CYCLE_HARMONICS {
        let order_per_turn = cycles_per_turn * m as f64;
        // Sampled once a tooth, an order shows up folded into [0, N/2].
        let folded = (order_per_turn - teeth * (order_per_turn / teeth).round()).abs();
        let distinct = seen
            .iter()
            .all(|other| (folded - other).abs() * turns > LOCKED_TURNS);
        if folded * turns < band_cycles || !distinct {
            continue;
        }
        seen.push(folded);
        // Tooth errors hold what the pistons' inertia gives where the two can't be told from each other.
        let locked =
            options.teeth_per_turn > 1 && (folded - folded.round()).abs() * turns < LOCKED_TURNS;
        harmonics.push(Harmonic {
            multiple: m,
            amplitude: Amplitude::Sizes(if locked || m > 3 { 2 } else { SIZES }),
        });
        // What changes so quickly needs more room beside the smooth part.
        if let Some(Some(meeting)) = meetings.get(m - 1)
            && folded * turns > 2.0 * band_cycles
        {
            harmonics.push(Harmonic {
                multiple: m,
                amplitude: Amplitude::Free(Nodes::within(meeting.from_s, meeting.to_s)),
            });
        }
    }
    harmonics
}

/// The state of the motion while it is being refined.
pub(super) struct Current {
    pub(super) coefficients: Vec<f64>,
    pub(super) wander: Vec<f64>,
}

/// What is left of a tooth, rad.
struct Swung {
    time_s: f64,
    theta: f64,
    angle: f64,
    omega: f64,
    /// Cosine and sine of what the solution has of the swing, rad.
    rigid: (f64, f64),
}

/// Some teeth on end.
struct Window {
    from_s: f64,
    to_s: f64,
    /// Power that is left at the order: of noise its variance.
    left: f64,
    teeth: f64,
    /// Amplitude in all, nothing where it is no more than noise makes of none, and what it is at most.
    swing_rad: f64,
    may_be_rad: f64,
    /// Speed of the wheel, rad/s.
    omega: f64,
    hz: f64,
}

impl Window {
    fn turned_rad_per_s(&self) -> f64 {
        std::f64::consts::TAU * self.hz
    }

    /// Amplitude of the speed: what the drive takes goes with its square.
    fn of_speed(&self, swing_rad: f64) -> f64 {
        swing_rad * self.turned_rad_per_s()
    }

    fn of_acceleration(&self, swing_rad: f64) -> f64 {
        swing_rad * self.turned_rad_per_s().powi(2)
    }

    fn swing_rad_per_s2(&self) -> f64 {
        self.of_acceleration(self.swing_rad)
    }
}

/// How far a swing at an order can be told from the wheel's tooth errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Told {
    /// It can't be anything else.
    Surely,
    /// By what the fit has of it.
    Fitted,
    /// Only by how it changes: teeth that come at the same place in each cycle have it as their errors.
    Changes,
}

/// When more than noise is left at an order per rad. The engine's own wheel swings many times more than
/// the drum's: then all of it counts as resonance.
fn meeting(
    teeth: &[Swung],
    order: f64,
    alpha: f64,
    on_engine: bool,
    told: Told,
) -> Option<Meeting> {
    let mut windows: Vec<Window> = Vec::new();
    let mut from = 0;
    while let Some(first) = teeth.get(from) {
        let to = teeth
            .partition_point(|tooth| tooth.time_s < first.time_s + RIPPLE_WINDOW_S)
            .max(from + RIPPLE_WINDOW_TEETH);
        let Some(window) = teeth.get(from..to) else {
            break;
        };
        let n = window.len() as f64;
        let sum = window.iter().fold((0.0, 0.0), |sum, tooth| {
            let (sin, cos) = (order * tooth.theta).sin_cos();
            (sum.0 + tooth.angle * cos, sum.1 + tooth.angle * sin)
        });
        let middle = &window[window.len() / 2];
        let rigid = match told {
            Told::Changes => (0.0, 0.0),
            Told::Surely | Told::Fitted => middle.rigid,
        };
        let all = (rigid.0 + 2.0 * sum.0 / n, rigid.1 + 2.0 * sum.1 / n);
        windows.push(Window {
            from_s: first.time_s,
            to_s: window[window.len() - 1].time_s,
            left: (sum.0 * sum.0 + sum.1 * sum.1) / n,
            teeth: n,
            swing_rad: all.0.hypot(all.1),
            may_be_rad: all.0.hypot(all.1),
            omega: middle.omega,
            hz: order * middle.omega / std::f64::consts::TAU,
        });
        from = to;
    }
    let all: f64 = teeth.iter().map(|tooth| tooth.angle.powi(2)).sum();
    let explained: f64 = windows.iter().map(|window| 2.0 * window.left).sum();
    let free = teeth.len() as f64 - 2.0 * windows.len() as f64;
    let turning = teeth.iter().map(|tooth| tooth.omega).sum::<f64>() / teeth.len().max(1) as f64;
    let noise = ((all - explained) / free.max(1.0)).max((JITTER_MIN_S * turning).powi(2));
    for window in &mut windows {
        let by_noise = (4.0 * RIPPLE_ENDS * noise / window.teeth).sqrt();
        if window.swing_rad < by_noise {
            (window.swing_rad, window.may_be_rad) = (0.0, by_noise);
        }
    }
    let (greatest, most) = greatest(&windows, |window| window.left)?;
    let stands_out = most > RIPPLE_OVER_NOISE * noise;
    // What tooth errors may hold of a swing makes it look greater where it is small.
    let takes = match told {
        Told::Changes => f64::INFINITY,
        Told::Surely | Told::Fitted => RESONANCE_TAKES,
    };
    // A brake leaves little of the torque for the acceleration: there the swing is large, but alike all along.
    let swings = windows.iter().map(Window::swing_rad_per_s2);
    let mut seen: Vec<f64> = swings.filter(|swing| *swing > 0.0).collect();
    seen.sort_unstable_by(f64::total_cmp);
    let calm = seen.get(seen.len() / 4).copied().unwrap_or_default();
    let any = (RESONANCE_OVER_ANY * RIGID_SWING * alpha).max(RESONANCE_OVER_CALM * calm);
    // Less what noise makes of it: at high frequencies that is many times the mean acceleration.
    let surely = |window: &Window| {
        let by_noise = NOISE_SIGMA * (2.0 * noise / window.teeth).sqrt();
        window.swing_rad > by_noise
            && (1.0 - by_noise / window.swing_rad) * window.swing_rad_per_s2() > any
    };
    let mut runs = windows.windows(WINDOWS_OVER_ANY);
    let beyond = runs.any(|run| run.iter().all(surely));
    let mut found = if told == Told::Surely && beyond {
        resonance(&windows, (alpha, takes), 0.0, Window::of_acceleration)
    } else if stands_out {
        let over = RESONANCE_OVER_MEDIAN;
        let found = resonance(&windows, (alpha, takes), over, Window::of_speed);
        let sure = told == Told::Surely || on_engine;
        let unlike_rigid = |it: &Resonance| {
            let mut within = windows
                .iter()
                .filter(|w| w.to_s > it.from_s && w.from_s < it.to_s);
            within.any(|w| w.left > RIPPLE_OVER_NOISE * noise)
        };
        found.filter(|it| unlike_rigid(it) && (sure || it.to_s - it.from_s > CHANGES_S_MIN))
    } else if told == Told::Surely {
        // A pull that begins just above the drive's own frequency: the swing fades as the speed rises.
        let over = RESONANCE_OVER_RIGID;
        resonance(&windows, (alpha, takes), over, Window::of_acceleration)
            .filter(|found| found.from_s <= windows[0].from_s)
    } else {
        None
    };
    if !stands_out && found.is_none() {
        return None;
    }
    let ends = (RIPPLE_ENDS * noise).max(RIPPLE_ENDS_SHARE * most);
    let (from_s, to_s) = around(&windows, greatest, |window| window.left > ends);
    let gives = windows[greatest].swing_rad_per_s2() > RIGID_SWING * alpha;
    if on_engine && (found.is_some() || gives) {
        let resonance = found.get_or_insert(Resonance {
            from_s,
            to_s,
            frequency_hz: windows[greatest].hz,
        });
        resonance.from_s = resonance.from_s.min(from_s);
        resonance.to_s = resonance.to_s.max(to_s);
    }
    Some(Meeting {
        from_s,
        to_s,
        resonance: found,
    })
}

/// Where the swing of speed or acceleration is so many times that of the median window, with the windows beside in which the
/// drive takes more than a share of the mean torque.
fn resonance(
    windows: &[Window],
    (alpha_mean, takes_most): (f64, f64),
    over_median: f64,
    of: impl Fn(&Window, f64) -> f64,
) -> Option<Resonance> {
    let swing = |window: &Window| of(window, window.swing_rad);
    let (at, most) = greatest(windows, swing)?;
    let mut may_be: Vec<f64> = windows.iter().map(|it| of(it, it.may_be_rad)).collect();
    let middle = may_be.len() / 2;
    let median = *may_be.select_nth_unstable_by(middle, f64::total_cmp).1;
    let frequency_hz = windows[at].hz;
    let over_mean = windows[at].swing_rad_per_s2() / alpha_mean;
    if over_mean < RESONANCE_OVER_MEAN || most < over_median * median {
        return None;
    }
    // Two inertias on a damped spring: the damper takes the square of how fast the spring winds up, by its
    // damping ratio, which is the swing of a rigid drive over twice the greatest.
    let damping = (0.5 * RIGID_SWING / over_mean).min(DAMPING_MAX);
    let takes = |window: &Window| {
        let own = std::f64::consts::TAU * frequency_hz;
        let wound = window.swing_rad_per_s2() / alpha_mean * window.hz / frequency_hz;
        damping / ENGINE_SHARE * alpha_mean / (own * window.omega) * wound.powi(2)
    };
    let (from_s, to_s) = around(windows, at, |window| {
        swing(window) > RESONANCE_ENDS_SHARE * most || takes(window) > takes_most
    });
    Some(Resonance {
        from_s: from_s - BESIDE_S,
        to_s: to_s + BESIDE_S,
        frequency_hz,
    })
}

fn greatest(windows: &[Window], of: impl Fn(&Window) -> f64) -> Option<(usize, f64)> {
    let sizes = windows.iter().map(of).enumerate();
    sizes.max_by(|a, b| a.1.total_cmp(&b.1))
}

/// From when to when it goes on around a window, with one more on each side: there it grows and fades.
fn around(windows: &[Window], at: usize, goes_on: impl Fn(&Window) -> bool) -> (f64, f64) {
    let before = windows[..at]
        .iter()
        .rev()
        .take_while(|w| goes_on(w))
        .count();
    let after = windows[at + 1..].iter().take_while(|w| goes_on(w)).count();
    let first = (at - before).saturating_sub(1);
    let last = (at + after + 1).min(windows.len() - 1);
    (windows[first].from_s, windows[last].to_s)
}

/// Spans in order, those that are no farther apart than this made one.
pub(super) fn joined(spans: impl Iterator<Item = (f64, f64)>, apart_s: f64) -> Vec<(f64, f64)> {
    let mut all: Vec<(f64, f64)> = Vec::new();
    for (from_s, to_s) in spans {
        match all.last_mut().filter(|last| from_s - last.1 <= apart_s) {
            Some(last) => last.1 = to_s,
            None => all.push((from_s, to_s)),
        }
    }
    all
}

/// Everything that stays the same over the iterations.
pub(super) struct Problem<'a> {
    pub(super) train: &'a ToothTrain,
    pub(super) options: &'a FitOptions,
    pub(super) layout: Layout,
    pub(super) basis: Basis,
    pub(super) wander_basis: Option<Basis>,
    /// Bounds of the segments of the wander, rad.
    pub(super) segments: Vec<f64>,
    locals: Vec<Local>,
    wander_locals: Vec<Local>,
    pub(super) thetas: Vec<f64>,
    /// How strongly the wheel is driven at each tooth, over the mean.
    pulls: Vec<f64>,
    pub(super) scale: SpeedScale,
    pub(super) meetings: Meetings,
    /// The drive's own frequency, where it shows.
    own_hz: Option<f64>,
    shuffle: Option<Swinging>,
}

/// Tooth errors change with speed where their slopes differ by so many standard deviations of what chance makes.
const DRIFT_SIGMA: f64 = 6.0;

/// Which unknowns there are besides the smooth part and tooth errors.
#[derive(Debug, Clone, Copy)]
pub(super) struct Columns {
    /// Intervals of the smooth part.
    pub(super) intervals: usize,
    /// Least number of swings in the stretch that an order of the ripple must show; `None` for no
    /// ripple.
    pub(super) ripple_from: Option<f64>,
    /// Working cycles in a segment of the wander; `None` for no wander.
    pub(super) cycles_a_segment: Option<f64>,
    pub(super) meetings: Meetings,
    /// The drive's shuffle.
    pub(super) shuffle: Option<Swinging>,
    /// Whether the tooth errors change with speed.
    pub(super) drift: bool,
}

/// Normal equations of the residuals against the smooth part in hand.
pub(super) struct Normal {
    pub(super) a: Envelope,
    pub(super) b: Vec<f64>,
    pub(super) rr: f64,
    pub(super) rows: f64,
    /// What the timer's ticks alone make of the timing noise.
    pub(super) least_noise_s: f64,
}

impl Normal {
    /// The same with each tooth counting for less.
    pub(super) fn weighed(mut self, weight: f64) -> Self {
        self.a.scale(weight);
        self.b.iter_mut().for_each(|value| *value *= weight);
        self.rr *= weight;
        self.rows *= weight;
        self
    }

    /// The same with the border and these unknowns of the shuffle known, the teeth having told so many.
    pub(super) fn holding(&self, border: &[f64], swing: &[(usize, f64)], told: f64) -> Self {
        let mut a = self.a.without_border();
        let band = a.len();
        let mut x = vec![0.0; band];
        for (at, value) in swing {
            x[*at] = *value;
        }
        x.extend(border);
        let product = self.a.times(&x);
        let squares = x.iter().zip(product.iter().zip(&self.b));
        let rr = self.rr + squares.map(|(x, (ax, b))| x * (ax - 2.0 * b)).sum::<f64>();
        let mut b: Vec<f64> = (0..band).map(|i| self.b[i] - product[i]).collect();
        for (at, _) in swing {
            a.isolate(*at);
            b[*at] = 0.0;
        }
        Self {
            rr,
            b,
            rows: self.rows - told,
            least_noise_s: self.least_noise_s,
            a,
        }
    }
}

/// What the wander says of the work over one segment, scaled so that it is the work that the
/// engine's cycles lacked there, over the mean work of a cycle and the root of their number.
pub(super) struct WorkRow {
    pub(super) row: Vec<(usize, f64)>,
    /// Working cycles in the segment.
    pub(super) cycles: f64,
    pub(super) theta: f64,
}

impl<'a> Problem<'a> {
    pub(super) fn new(train: &'a ToothTrain, options: &'a FitOptions, columns: Columns) -> Self {
        let pitch = std::f64::consts::TAU / f64::from(options.teeth_per_turn.max(1));
        let thetas: Vec<f64> = train.index.iter().map(|k| pitch * *k as f64).collect();
        let n = thetas.len();
        let points = breakpoints(train, &thetas, columns.intervals + 1);
        let basis = Basis::new(&points);
        let turns = (thetas[n - 1] - thetas[0]) / std::f64::consts::TAU;
        let cycles = options.cycles_per_turn.map_or(0.0, |c| c * turns);
        let per_interval = columns
            .cycles_a_segment
            .filter(|_| cycles >= 8.0)
            .map_or(0, |each| {
                let wanted = (cycles / each).min(SEGMENTS_MAX) / (points.len() - 1) as f64;
                crate::convert::floor_to_usize(wanted.ceil()).max(1)
            });
        let segments = subdivided(&points, per_interval);
        let wander_basis = (per_interval > 0).then(|| Basis::of_degree(2, &segments));
        let harmonics = columns.ripple_from.map_or_else(Vec::new, |from| {
            usable_harmonics(options, turns, from, columns.meetings)
        });
        let swing = columns
            .shuffle
            .map(|found| Swing::new(found.hz, train.time_s[0], train.time_s[n - 1]));
        let wander = wander_basis.as_ref().map_or(0, Basis::len);
        let interval_at = |time_s: f64| {
            let theta = interpolate(&train.time_s, &thetas, time_s);
            let inner = &points[1..points.len() - 1];
            inner.partition_point(|point| *point <= theta)
        };
        let swings: Vec<Range<usize>> = swing
            .iter()
            .flat_map(|swing| (0..swing.nodes.count).map(|node| swing.nodes.reach_s(node)))
            .map(|(from_s, to_s)| interval_at(from_s)..interval_at(to_s) + 1)
            .collect();
        let (mut spline_at, first) = interleave(basis.len(), wander, per_interval, &swings);
        let mut wander_at = spline_at.split_off(basis.len());
        let swing_at = wander_at.split_off(wander);
        let pattern = if options.teeth_per_turn > 1 {
            options.teeth_per_turn as usize
        } else {
            0
        };
        let layout = Layout {
            band: first.len(),
            wander_at: (0..wander)
                .map(|j| (j >= 2).then(|| wander_at[j]))
                .collect(),
            spline_at,
            pattern,
            drift: if columns.drift { pattern } else { 0 },
            ripple: harmonics.iter().map(Harmonic::columns).sum(),
            swing,
            swing_at,
            harmonics,
            first,
        };
        Self {
            train,
            options,
            layout,
            locals: thetas.iter().map(|x| basis.at(*x)).collect(),
            wander_locals: wander_basis
                .iter()
                .flat_map(|basis| thetas.iter().map(|x| basis.at(*x)))
                .collect(),
            basis,
            wander_basis,
            segments,
            scale: speed_scale(train, pitch),
            own_hz: swing.map(|s| s.hz).or(met_hz(&columns.meetings)),
            shuffle: columns.shuffle,
            meetings: columns.meetings,
            pulls: pulls(&train.time_s, &thetas),
            thetas,
        }
    }

    /// The motion that runs straight from tooth to tooth.
    pub(super) fn straight(&self) -> Current {
        let times = &self.train.time_s;
        let greville = self.basis.greville();
        self.smooth(
            greville
                .iter()
                .map(|x| interpolate(&self.thetas, times, *x))
                .collect(),
        )
    }

    fn smooth(&self, coefficients: Vec<f64>) -> Current {
        Current {
            coefficients,
            wander: vec![0.0; self.layout.wander_at.len()],
        }
    }

    /// The motion nearest to that of a coarser basis, by least squares; `None` when singular.
    pub(super) fn refined(&self, coarse: &Basis, coefficients: &[f64]) -> Option<Current> {
        let layout = &self.layout;
        let mut a = layout.matrix();
        let mut b = vec![0.0; layout.len()];
        let (from, to) = (self.thetas[0], self.thetas[self.thetas.len() - 1]);
        for theta in even(from, to, 6 * self.basis.len()) {
            let local = self.basis.at(theta);
            let row = layout.spline_row(&local, &local.derivative[0]);
            let time_s = coarse.at(theta).dot(0, coefficients);
            a.add_square(&row, 1.0);
            row.iter().for_each(|(at, v)| b[*at] += v * time_s);
        }
        let is_spline = layout.is_spline();
        for i in (0..layout.len()).filter(|i| !is_spline[*i]) {
            *a.at_mut(i, i) = 1.0;
        }
        let solution = a.factor()?.solve(&b);
        Some(self.smooth(layout.spline_at.iter().map(|at| solution[*at]).collect()))
    }

    /// Sizes that the ripple of a rigid drive has at tooth `k`, as a time: that of a torque that is the same at all speeds;
    /// of one that follows the engine's, as the gas pressure's does; and of ones that change with the speed and its square, as
    /// what the pistons' inertia gives.
    fn sizes(&self, k: usize, omega: f64) -> [f64; SIZES] {
        let x = (omega - self.scale.middle) / self.scale.half_width;
        let of_one = (self.scale.middle / omega).powi(3);
        let pull = self.pulls[k] - 1.0;
        [of_one, of_one * pull, of_one * x, of_one * x * x]
    }

    /// Values of all ripple columns for tooth `k` at speed `omega`.
    fn ripple_columns(&self, k: usize, omega: f64, ripple: &mut [f64]) {
        if let Some(cycles_per_turn) = self.options.cycles_per_turn.filter(|_| !ripple.is_empty()) {
            let sizes = self.sizes(k, omega);
            let (sin, cos) = (cycles_per_turn * self.thetas[k]).sin_cos();
            // Multiples of the angle by turning on, since a sine is dear.
            let (mut at, mut turned) = ((1.0, 0.0), 0);
            let mut column = 0;
            for harmonic in &self.layout.harmonics {
                while turned < harmonic.multiple {
                    at = (at.0 * cos - at.1 * sin, at.1 * cos + at.0 * sin);
                    turned += 1;
                }
                let columns = &mut ripple[column..column + harmonic.columns()];
                column += harmonic.columns();
                match &harmonic.amplitude {
                    Amplitude::Sizes(_) => {
                        let passed_on = self.passed_on(harmonic.multiple, omega);
                        for (pair, size) in columns.chunks_exact_mut(2).zip(sizes) {
                            let shape = size * passed_on;
                            (pair[0], pair[1]) = (shape * at.0, shape * at.1);
                        }
                    }
                    Amplitude::Free(nodes) => {
                        let scale = self.scale.middle / omega;
                        let turned = (scale * at.0, scale * at.1);
                        columns.fill(0.0);
                        for (column, value) in nodes.columns(self.train.time_s[k], turned) {
                            columns[column] = value;
                        }
                    }
                }
            }
        }
    }

    /// Positions and values of the columns of a tooth's own error for tooth `k` at speed `omega`.
    fn tooth_columns(&self, k: usize, omega: f64) -> impl Iterator<Item = (usize, f64)> {
        let at = |columns: Range<usize>, value| {
            (!columns.is_empty()).then(|| (columns.start + self.tooth(k), value))
        };
        let error = at(self.layout.pattern_at(), 1.0 / omega);
        let drift = at(self.layout.drift_at(), self.slower(omega) / omega);
        error.into_iter().chain(drift)
    }

    /// Which tooth of the wheel it is.
    fn tooth(&self, k: usize) -> usize {
        let tooth = self.train.index[k].rem_euclid(i64::from(self.options.teeth_per_turn));
        usize::try_from(tooth).unwrap_or(0)
    }

    /// How a threshold's place on the rise of a pulse moves with speed: a coil's voltage grows with that, so the place
    /// goes by one over it.
    fn slower(&self, omega: f64) -> f64 {
        self.scale.middle / omega - 1.0
    }

    /// Whether the tooth errors change with speed, each in its own way, beyond chance.
    pub(super) fn drifting(&self, current: &Current, residuals: &[f64], weights: &[bool]) -> bool {
        let mut sums = vec![[0.0; 4]; self.layout.pattern];
        let (mut square, mut n) = (0.0, 0.0);
        if sums.is_empty() {
            return false;
        }
        let teeth = self.layout.pattern;
        let turn = |k: usize| {
            k.saturating_sub(teeth / 2)
                .min(residuals.len().saturating_sub(teeth))
        };
        for k in (0..residuals.len()).filter(|k| weights[*k]) {
            let omega = self.tooth_omega(k, current);
            // Over what the turn around it has in common: that is motion.
            let around: f64 = residuals.iter().skip(turn(k)).take(teeth).sum();
            let residual = residuals[k] - around / teeth as f64;
            let (error, drift) = (1.0 / omega, self.slower(omega) / omega);
            let sum = &mut sums[self.tooth(k)];
            let products = [
                error * error,
                error * drift,
                drift * drift,
                drift * residual,
            ];
            sum.iter_mut().zip(products).for_each(|(sum, v)| *sum += v);
            (square, n) = (square + residual * residual, n + 1.0);
        }
        // What is left of a tooth has no part of its constant error: the pattern took it.
        let slopes: Vec<(f64, f64)> = sums
            .iter()
            .map(|[ee, ed, dd, dr]| (dr, dd - ed * ed / ee))
            .filter(|(_, weight)| *weight > 0.0)
            .map(|(slope, weight)| (slope / weight, weight))
            .collect();
        let weight: f64 = slopes.iter().map(|(_, w)| w).sum();
        let common = slopes.iter().map(|(b, w)| b * w).sum::<f64>() / weight;
        let apart: f64 = slopes.iter().map(|(b, w)| w * (b - common).powi(2)).sum();
        let freedom = slopes.len() as f64 - 1.0;
        freedom > 0.0 && apart / (square / n) > freedom + DRIFT_SIGMA * (2.0 * freedom).sqrt()
    }

    /// What a drive that gives makes of a multiple of the working cycle, over what a rigid one does: more
    /// below its own frequency and the other way round above.
    fn passed_on(&self, multiple: usize, omega: f64) -> f64 {
        let cycles_per_turn = self.options.cycles_per_turn.filter(|_| !self.on_engine());
        let (Some(own_hz), Some(per_turn)) = (self.own_hz, cycles_per_turn) else {
            return 1.0;
        };
        let hz = multiple as f64 * per_turn * omega / std::f64::consts::TAU;
        let over = (hz / own_hz).powi(2);
        let behind = 1.0 - over;
        behind / (behind * behind + 4.0 * DAMPING * DAMPING * over)
    }

    /// By how much more of the scatter of the cycles' work, in variance, a drive that swings passes on to what the
    /// wander of a drum follows, than of what is slow and makes the curve uncertain; 1 for a rigid one. The mean of
    /// `1 / (1 - (f / own)²)²` over the frequencies below those that are the shuffle's: beyond them it passes on less.
    pub(super) fn passed_on_to_wander(&self) -> f64 {
        let drum = self.layout.swing.filter(|_| !self.on_engine());
        let (Some(swing), true) = (drum, self.segments.len() > 1) else {
            return 1.0;
        };
        let times = &self.train.time_s;
        let segments = (self.segments.len() - 1) as f64;
        let followed_hz = 0.5 * segments / (times[times.len() - 1] - times[0]);
        let over = (followed_hz / swing.hz).min(FOLLOWED_MAX);
        0.5 / (1.0 - over * over) + 0.5 * over.atanh() / over
    }

    /// In which segments the drive swings with the cycles: what reaches the drum there says nothing of their scatter.
    pub(super) fn resonant(&self) -> Vec<bool> {
        let resonances = self.meetings.iter().flatten();
        let spans: Vec<(f64, f64)> = resonances
            .filter_map(|meeting| meeting.resonance)
            .map(|it| {
                let at = |time_s| interpolate(&self.train.time_s, &self.thetas, time_s);
                (at(it.from_s), at(it.to_s))
            })
            .collect();
        let within = |bounds: &[f64]| {
            let mut spans = spans.iter();
            spans.any(|(from, to)| bounds[0] < *to && *from < bounds[1])
        };
        self.segments.windows(2).map(within).collect()
    }

    /// Positions and values of the shuffle's columns for tooth `k` at speed `omega`.
    fn swing_columns(&self, k: usize, omega: f64) -> impl Iterator<Item = (usize, f64)> {
        let time_s = self.train.time_s[k];
        let swing = self.layout.swing.iter();
        swing
            .flat_map(move |swing| swing.columns(time_s, 1.0 / omega))
            .map(|(column, value)| (self.layout.swing_at[column], value))
    }

    /// Speed at tooth `k`.
    fn tooth_omega(&self, k: usize, current: &Current) -> f64 {
        let wander = self
            .wander_locals
            .get(k)
            .map_or(0.0, |local| local.dot(1, &current.wander));
        1.0 / (self.locals[k].dot(1, &current.coefficients) + wander).max(1e-9)
    }

    /// Normal equations of the residuals against the spline in hand. The ripple's blocks are kept
    /// apart so that the long inner loops run over contiguous memory.
    pub(super) fn normal(&self, current: &Current, weights: &[bool]) -> Normal {
        let layout = &self.layout;
        let (r, first) = (layout.ripple, layout.ripple_at().start);
        let mut a = layout.matrix();
        let mut b = vec![0.0; layout.len()];
        let (mut rr, mut rows) = (0.0, 0.0);
        let mut ripple = vec![0.0; r];
        let mut ripple_ripple = vec![0.0; r * r];
        let mut other_ripple = vec![0.0; first * r];
        let mut entries: Vec<(usize, f64)> = Vec::with_capacity(2 * ORDER);
        let add = |target: &mut [f64], factor: f64, row: &[f64]| {
            for (t, v) in target.iter_mut().zip(row) {
                *t += factor * v;
            }
        };
        for (k, local) in self.locals.iter().enumerate() {
            if !weights[k] {
                continue;
            }
            let residual = self.train.time_s[k] - local.dot(0, &current.coefficients);
            let omega = self.tooth_omega(k, current);
            self.ripple_columns(k, omega, &mut ripple);
            entries.clear();
            for (i, v) in local.derivative[0].iter().enumerate() {
                entries.push((layout.spline_at[local.first + i], *v));
            }
            if let Some(local) = self.wander_locals.get(k) {
                entries.extend(layout.wander_row(local, &local.derivative[0]));
            }
            entries.extend(self.swing_columns(k, omega));
            entries.extend(self.tooth_columns(k, omega));
            a.add_square(&entries, 1.0);
            for (at, v) in &entries {
                b[*at] += v * residual;
                add(&mut other_ripple[at * r..(at + 1) * r], *v, &ripple);
            }
            for (i, vi) in ripple.iter().enumerate() {
                if *vi == 0.0 {
                    continue; // another node's
                }
                b[first + i] += vi * residual;
                add(&mut ripple_ripple[i * r..i * r + i + 1], *vi, &ripple);
            }
            rr += residual * residual;
            rows += 1.0;
        }
        for i in 0..r {
            for j in 0..=i {
                *a.at_mut(first + i, first + j) = ripple_ripple[i * r + j];
            }
            for j in 0..first {
                *a.at_mut(first + i, j) = other_ripple[j * r + i];
            }
        }
        Normal {
            a,
            b,
            rr,
            rows,
            least_noise_s: self.options.least_noise_s(),
        }
    }

    /// What is left of each tooth's time.
    pub(super) fn residuals(&self, current: &Current, solution: &[f64]) -> Vec<f64> {
        let mut ripple = vec![0.0; self.layout.ripple];
        let first = self.layout.ripple_at().start;
        (0..self.locals.len())
            .map(|k| {
                let omega = self.tooth_omega(k, current);
                self.ripple_columns(k, omega, &mut ripple);
                let of_cycles = ripple.iter().zip(&solution[first..]);
                let swing: f64 = of_cycles.map(|(v, x)| v * x).sum::<f64>()
                    + self
                        .swing_columns(k, omega)
                        .chain(self.tooth_columns(k, omega))
                        .map(|(at, v)| v * solution[at])
                        .sum::<f64>();
                let wander = self
                    .wander_locals
                    .get(k)
                    .map_or(0.0, |local| local.dot(0, &current.wander));
                self.train.time_s[k] - self.locals[k].dot(0, &current.coefficients) - wander - swing
            })
            .collect()
    }

    /// Where more of the working cycle's first harmonics is left in the teeth's times than noise.
    pub(super) fn left_rippling(
        &self,
        current: &Current,
        solution: &[f64],
        residuals: &[f64],
        weights: &[bool],
    ) -> Meetings {
        let Some(cycles_per_turn) = self.options.cycles_per_turn.filter(|c| *c > 0.0) else {
            return Meetings::default();
        };
        std::array::from_fn(|i| {
            // What few teeth can't tell from the smooth motion is left in their times by any engine.
            let mut harmonics = self.layout.harmonics.iter();
            harmonics.find(|it| it.multiple == i + 1)?;
            let kept: Vec<Swung> = (0..residuals.len())
                .filter(|k| weights[*k])
                .map(|k| {
                    let omega = self.tooth_omega(k, current);
                    Swung {
                        time_s: self.train.time_s[k],
                        theta: self.thetas[k],
                        omega,
                        angle: residuals[k] * omega,
                        rigid: self.rigid_swing(i + 1, (k, omega), solution),
                    }
                })
                .collect();
            let order = cycles_per_turn * (i + 1) as f64;
            // Not folded by the teeth, and far from what their errors look like.
            let turns =
                (self.thetas[self.thetas.len() - 1] - self.thetas[0]) / std::f64::consts::TAU;
            let teeth = f64::from(self.options.teeth_per_turn);
            let apart = (order - order.round()).abs() * turns;
            let told = match self.on_engine() {
                true => Told::Fitted,
                false if apart < LOCKED_TURNS => Told::Changes,
                false if 2.0 * order < teeth && apart > TOLD_TURNS => Told::Surely,
                false => Told::Fitted,
            };
            meeting(&kept, order, self.mean_alpha(), self.on_engine(), told)
        })
    }

    /// Cosine and sine of a multiple of the working cycle as the solution has it for a rigid drive, rad.
    fn rigid_swing(
        &self,
        multiple: usize,
        (k, omega): (usize, f64),
        solution: &[f64],
    ) -> (f64, f64) {
        let mut at = self.layout.ripple_at().start;
        for harmonic in &self.layout.harmonics {
            let columns = &solution[at..at + harmonic.columns()];
            at += harmonic.columns();
            if harmonic.multiple == multiple && matches!(harmonic.amplitude, Amplitude::Sizes(_)) {
                let scale = omega * self.passed_on(multiple, omega);
                let sizes = self.sizes(k, omega);
                let pairs = columns.chunks_exact(2).zip(sizes);
                return pairs.fold((0.0, 0.0), |sum, (pair, size)| {
                    let size = scale * size;
                    (sum.0 + size * pair[0], sum.1 + size * pair[1])
                });
            }
        }
        (0.0, 0.0)
    }

    /// Whether the wheel is the engine's own: there the working cycles swing it many times more than a
    /// drum's.
    pub(super) fn on_engine(&self) -> bool {
        let cycles_per_turn = self.options.cycles_per_turn.filter(|c| *c > 0.0);
        cycles_per_turn.is_some_and(|cycles| cycles <= ENGINE_CYCLES)
    }

    /// Times, s, and by how much the engine's own wheel swings around each beyond what a rigid drive lets it,
    /// rad rms; nothing where the drive is rigid, and for a drum's.
    pub(super) fn parting(
        &self,
        current: &Current,
        solution: &[f64],
        weights: &[bool],
        noise_s: f64,
    ) -> (Vec<f64>, Vec<f64>) {
        let Some(per_turn) = self.options.cycles_per_turn.filter(|_| self.on_engine()) else {
            return Default::default();
        };
        let mut without_swing = solution.to_vec();
        without_swing[self.layout.ripple_at()].fill(0.0);
        for at in &self.layout.swing_at {
            without_swing[*at] = 0.0;
        }
        let left = self.residuals(current, &without_swing);
        let kept: Vec<usize> = (0..left.len()).filter(|k| weights[*k]).collect();
        let rigid_rad_per_s2 = RIGID_SWING * self.mean_alpha();
        let (mut times_s, mut swings_rad, mut from) = (Vec::new(), Vec::new(), 0);
        let (mut all, mut of_rigid) = (0.0, 0.0);
        while from < kept.len() {
            let start_s = self.train.time_s[kept[from]];
            let to = kept
                .partition_point(|k| self.train.time_s[*k] < start_s + RIPPLE_WINDOW_S)
                .max(from + RIPPLE_WINDOW_TEETH)
                .min(kept.len());
            let window = &kept[from..to];
            let middle = window[window.len() / 2];
            let omega = self.tooth_omega(middle, current);
            let squares = window.iter().map(|k| (omega * left[*k]).powi(2));
            let jitter_rad = omega * noise_s.min(JITTER_MAX_S);
            let square = squares.sum::<f64>() / window.len() as f64 - jitter_rad * jitter_rad;
            let rigid = 0.5 * (rigid_rad_per_s2 / (per_turn * omega).powi(2)).powi(2);
            times_s.push(self.train.time_s[middle]);
            swings_rad.push((square - rigid).max(0.0).sqrt());
            all += square;
            of_rigid += rigid;
            from = to;
        }
        if all < PARTS * of_rigid {
            return Default::default();
        }
        (times_s, swings_rad)
    }

    /// Whether a swing of so many Hz, and up to so much of the acceleration, is the working cycle or its
    /// second harmonic, which have that frequency somewhere in the stretch, rather than a shuffle.
    pub(super) fn cycles_have(&self, hz: f64, swing_rad_per_s2: f64) -> bool {
        self.cycles_pass(hz, 0.95)
            && (self.on_engine() || swing_rad_per_s2 > SHUFFLE_MAX * self.mean_alpha())
    }

    /// Whether working cycles or their second harmonic have this frequency in the stretch, which begins at such a
    /// share of its least speed; also as few teeth a turn make it look.
    pub(super) fn cycles_pass(&self, hz: f64, from_share: f64) -> bool {
        let order = self.options.cycles_per_turn.unwrap_or(0.0);
        let teeth = f64::from(self.options.teeth_per_turn);
        let folded = |order: f64| (order - teeth * (order / teeth).round()).abs();
        let turns_per_s = |omega: f64| omega / std::f64::consts::TAU;
        let begins = turns_per_s(self.scale.middle - self.scale.half_width);
        let ends = turns_per_s(self.scale.middle + self.scale.half_width);
        let passed = |from_hz: f64, to_hz: f64| (from_share * from_hz..1.05 * to_hz).contains(&hz);
        // They swing the wheel most as the throttle opens.
        passed(
            order * begins.min(turns_per_s(self.scale.least)),
            2.0 * order * ends,
        ) || [order, 2.0 * order]
            .into_iter()
            .map(folded)
            .any(|folded| passed(folded * begins, folded * ends))
    }

    /// What a solution says of the shuffle, where it is sure enough to be told: with jumps in the cycles' work at these
    /// angles, or without. What swings beside those alone is no drive's.
    pub(super) fn shuffle(&self, solution: &[f64], jumps_rad: &[f64]) -> Option<Shuffle> {
        let found = self.shuffle?;
        let told = match found.sure {
            Sure::Line => true,
            Sure::Shape => jumps_rad.is_empty(),
            Sure::Counted => false,
        };
        let swing = self.layout.swing.filter(|_| told)?;
        let jumps_s: Vec<f64> = jumps_rad
            .iter()
            .map(|theta| interpolate(&self.thetas, &self.train.time_s, *theta))
            .collect();
        let measured = swing.measured(&self.layout.swing_of(solution), &jumps_s);
        let dies_away = !self.cycles_pass(measured.hz, 0.95);
        Some(Shuffle {
            frequency_hz: measured.hz,
            damping: found.damping.filter(|_| dies_away),
            swing_rad_per_s2: measured.swing_rad_per_s2,
        })
    }

    /// When the drum's speed swings so much at the drive's own frequency that the engine's swings by a good part
    /// of itself: the engine's cycles, or every second of them, keep it going, and that takes torque.
    pub(super) fn driven_shuffle(&self, solution: &[f64]) -> Vec<Resonance> {
        let Some(swing) = self.layout.swing.filter(|_| !self.on_engine()) else {
            return Vec::new();
        };
        let most = |time_s: f64| {
            let times = &self.train.time_s;
            let n = times.len();
            let at = times.partition_point(|time| *time < time_s).clamp(4, n - 4);
            let (from, to) = (at - 4, at + 3);
            DRIVEN_SHARE * (self.thetas[to] - self.thetas[from]) / (times[to] - times[from])
        };
        let spans = swing.beyond(&self.layout.swing_of(solution), most);
        spans
            .into_iter()
            .map(|(from_s, to_s)| Resonance {
                from_s,
                to_s,
                frequency_hz: swing.hz,
            })
            .collect()
    }

    /// Spans in which what is left of the teeth's times is far more than in the calm of the same pull,
    /// both as time and as angle, s: there the wheel swings in a way that no part of the model follows.
    /// Beside cycles that lack work, as misfires do, which are at these angles, that is no wonder.
    pub(super) fn restless(
        &self,
        current: &Current,
        residuals: &[f64],
        weights: &[bool],
        lacks_rad: &[f64],
    ) -> Vec<(f64, f64)> {
        let lacks_s: Vec<f64> = lacks_rad
            .iter()
            .map(|theta| interpolate(&self.thetas, &self.train.time_s, *theta))
            .collect();
        let kept: Vec<usize> = (0..residuals.len()).filter(|k| weights[*k]).collect();
        let mut windows: Vec<(f64, f64, [f64; 2])> = Vec::new();
        let mut from = 0;
        while from < kept.len() {
            let start_s = self.train.time_s[kept[from]];
            let to = kept
                .partition_point(|k| self.train.time_s[*k] < start_s + RIPPLE_WINDOW_S)
                .max(from + RIPPLE_WINDOW_TEETH);
            let Some(window) = kept.get(from..to) else {
                break;
            };
            let mean = |of: &dyn Fn(usize) -> f64| {
                window.iter().map(|k| of(*k).powi(2)).sum::<f64>() / window.len() as f64
            };
            let squares = [
                mean(&|k| residuals[k]),
                mean(&|k| residuals[k] * self.tooth_omega(k, current)),
            ];
            windows.push((
                start_s,
                self.train.time_s[window[window.len() - 1]],
                squares,
            ));
            from = to;
        }
        if windows.len() < 8 {
            return Vec::new();
        }
        let least = [JITTER_MIN_S, JITTER_MIN_S * self.scale.middle];
        let calm: [f64; 2] = std::array::from_fn(|i| {
            let mut squares: Vec<f64> = windows.iter().map(|window| window.2[i]).collect();
            let quarter = squares.len() / 4;
            let calm = *squares.select_nth_unstable_by(quarter, f64::total_cmp).1;
            calm.max(least[i].powi(2))
        });
        let restless = windows.into_iter().filter(|(from_s, to_s, squares)| {
            // A cycle that does not burn takes its swing with it.
            let lacks = |at_s: &f64| (from_s - MISFIRE_S..to_s + MISFIRE_S).contains(at_s);
            (0..2).all(|i| squares[i] > RESTLESS * RESTLESS * calm[i]) && !lacks_s.iter().any(lacks)
        });
        let beside = |(from_s, to_s, _)| (from_s - BESIDE_S, to_s + BESIDE_S);
        joined(restless.map(beside), 0.0)
    }

    /// What is left of the teeth, to look for a shuffle in.
    pub(super) fn left(&self, current: &Current, left_s: &[f64], weights: &[bool]) -> Option<Left> {
        let kept = || (0..left_s.len()).filter(|k| weights[*k]);
        let times: Vec<f64> = kept().map(|k| self.train.time_s[k]).collect();
        let angles: Vec<f64> = kept()
            .map(|k| left_s[k] * self.tooth_omega(k, current))
            .collect();
        Left::new(&times, &angles)
    }

    /// The frequency at which the cycles met the drive's, which is about that, Hz.
    pub(super) fn met_hz(&self) -> Option<f64> {
        met_hz(&self.meetings).filter(|_| !self.on_engine())
    }

    pub(super) fn meets(&self) -> bool {
        self.meetings != Meetings::default()
    }

    /// Changes of the acceleration at a speed, by first coefficient, at points that lie evenly in time.
    pub(super) fn gradients(&self, current: &Current) -> Vec<(usize, [f64; ORDER])> {
        breakpoints(self.train, &self.thetas, 4 * self.basis.len())
            .into_iter()
            .map(|theta| {
                let first = self.basis.at(theta).first;
                (first, gradient(&self.basis, theta, &current.coefficients))
            })
            .collect()
    }

    /// How far teeth beside each other show what happens within a cycle, over their noise: the time by
    /// which a cycle's work moves them in it, a third of what it does over all of it. `cov_over_noise`
    /// in 1/s.
    pub(super) fn seen_within_cycle(&self, cov_over_noise: f64) -> f64 {
        let Some(per_turn) = self.options.cycles_per_turn.filter(|c| *c > 0.0) else {
            return 0.0;
        };
        let omega = self.scale.middle;
        let cycle_s = std::f64::consts::TAU / (per_turn * omega);
        let teeth = f64::from(self.options.teeth_per_turn) / per_turn;
        let moved = self.mean_alpha() * cycle_s * cycle_s / (3.0 * omega);
        cov_over_noise * moved * teeth.sqrt()
    }

    /// Spectral density of the wheel's acceleration, rad²/s³, that cycles of such a scatter make.
    pub(super) fn cycles_density(&self, cov: f64) -> f64 {
        let per_turn = self.options.cycles_per_turn.filter(|c| *c > 0.0);
        let cycles_per_s = per_turn.unwrap_or(1.0) * self.scale.middle / std::f64::consts::TAU;
        (cov * self.mean_alpha()).powi(2) / cycles_per_s
    }

    /// Mean acceleration of the stretch, never negative.
    pub(super) fn mean_alpha(&self) -> f64 {
        let n = self.thetas.len();
        let time_s = self.train.time_s[n - 1] - self.train.time_s[0];
        (2.0 * self.scale.half_width * 8.0 / 7.0 / time_s).max(1e-9)
    }

    /// The rows of the cycles' work.
    ///
    /// The smooth part has the work that the engine does all along, the wheel the energy of that less what its
    /// cycles lacked: of this all stays lost, and the speed is off by ever less. With `eta` the lack of acceleration and
    /// `x = omega wander'`, `wander'' + (3 + 3 x + x²) alpha / omega² wander' = eta / omega³`.
    pub(super) fn work_rows(&self, current: &Current) -> Vec<WorkRow> {
        let (Some(basis), Some(per_turn)) = (&self.wander_basis, self.options.cycles_per_turn)
        else {
            return Vec::new();
        };
        let mean = self.mean_alpha();
        self.segments
            .windows(2)
            .map(|bounds| {
                let theta = 0.5 * (bounds[0] + bounds[1]);
                let cycles = per_turn * (bounds[1] - bounds[0]) / std::f64::consts::TAU;
                let (omega, alpha) = motion(&self.basis, theta, &current.coefficients);
                let scale =
                    omega.powi(3) * cycles.sqrt() / alpha.abs().clamp(0.3 * mean, 3.0 * mean);
                let wander = basis.at(theta);
                let lag = omega * wander.dot(1, &current.wander);
                let fading = alpha / (omega * omega) * (3.0 + lag * (3.0 + lag));
                let mut values = wander.derivative[2];
                for (value, first) in values.iter_mut().zip(&wander.derivative[1]) {
                    *value = scale * (*value + fading * first);
                }
                let row = self.layout.wander_row(&wander, &values).collect();
                WorkRow { row, cycles, theta }
            })
            .collect()
    }
}

pub(super) struct SpeedScale {
    pub(super) middle: f64,
    /// Of a few teeth at either end.
    least: f64,
    half_width: f64,
}

/// `alpha` at an angle is linear in the coefficients for the speed in hand: its row.
pub(super) fn alpha_row(local: &Local, omega: f64) -> [f64; ORDER] {
    let mut row = local.derivative[2];
    for value in &mut row {
        *value *= -omega.powi(3);
    }
    row
}

/// Speed and acceleration of the smooth part at an angle.
pub(super) fn motion(basis: &Basis, theta: f64, coefficients: &[f64]) -> (f64, f64) {
    let local = basis.at(theta);
    let omega = 1.0 / local.dot(1, coefficients).max(1e-9);
    (omega, -local.dot(2, coefficients) * omega.powi(3))
}

/// Change of the acceleration at the speed of an angle with the coefficients there.
pub(super) fn gradient(basis: &Basis, theta: f64, coefficients: &[f64]) -> [f64; ORDER] {
    let local = basis.at(theta);
    let (omega, alpha) = motion(basis, theta, coefficients);
    // d alpha = -omega³ d tau'' - 3 alpha omega d tau'; the wheel's speed, smooth part and wander together, is known.
    let of_slowness = -3.0 * alpha * omega;
    let mut gradient = alpha_row(&local, omega);
    for (g, first) in gradient.iter_mut().zip(&local.derivative[1]) {
        *g += of_slowness * first;
    }
    gradient
}

/// What a curve's roughness is measured by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Smoothness {
    /// The curvature of `alpha` over time: a curve with a kink, a dip or a step here and there.
    Curvature,
    /// The change of the curvature: a curve that bends evenly, as most do.
    CurvatureChange,
}

impl Smoothness {
    /// Derivative of `alpha` over time that counts.
    pub(super) const fn order(self) -> i32 {
        match self {
            Self::Curvature => 2,
            Self::CurvatureChange => 3,
        }
    }
}

/// Points in each interval of the spline at which the curve is looked at.
const POINTS: usize = 4;

/// Share of the curvature itself in [`Smoothness::CurvatureChange`]: next to nothing, but enough to
/// make the two comparable (an even curvature of the size of the curve costs little).
const CURVATURE_SHARE: f64 = 0.1;

/// The roughness of `alpha` and how it changes with the smooth part.
pub(super) struct Roughness {
    pub(super) smoothness: Smoothness,
    rows: Vec<RoughnessRow>,
    pub(super) matrix: Envelope,
    /// What the matrix's rows say of the smooth part in hand.
    pub(super) offset: Vec<f64>,
    /// Logarithm of the matrix's determinant without what it leaves free, but for a constant.
    pub(super) log_det: f64,
}

#[derive(Debug, Clone)]
struct RoughnessRow {
    in_hand: f64,
    change: Vec<(usize, f64)>,
}

impl Roughness {
    /// Half the gradient of the sum of squares after a step.
    pub(super) fn pull(&self, step: &[f64]) -> Vec<f64> {
        let change = self.matrix.times(step);
        change
            .iter()
            .zip(&self.offset)
            .map(|(c, o)| c + o)
            .collect()
    }

    /// The matrix between some columns over the smooth part, whose positions are `at`; by rows, for
    /// the same reason as below.
    pub(super) fn of_columns(&self, at: &[usize], columns: &DMatrix<f64>) -> DMatrix<f64> {
        let mut place = HashMap::new();
        place.extend(at.iter().enumerate().map(|(i, position)| (*position, i)));
        let n = columns.ncols();
        let mut along = DMatrix::zeros(self.rows.len(), n);
        for (r, row) in self.rows.iter().enumerate() {
            for (position, value) in &row.change {
                let Some(i) = place.get(position) else {
                    continue;
                };
                for j in 0..n {
                    along[(r, j)] += value * columns[(*i, j)];
                }
            }
        }
        along.tr_mul(&along)
    }

    /// Sum of squares after a step; by rows, since the quadratic form of a nearly smooth curve
    /// cancels.
    pub(super) fn after(&self, step: &[f64]) -> f64 {
        self.rows
            .iter()
            .map(|row| {
                let change: f64 = row.change.iter().map(|(at, v)| v * step[*at]).sum();
                (row.in_hand + change).powi(2)
            })
            .sum()
    }
}

/// Roughness as the mean square of differences of `alpha` over time, on an even grid; `None` when
/// the motion in hand is none.
pub(super) fn roughness(
    problem: &Problem<'_>,
    current: &Current,
    smoothness: Smoothness,
) -> Option<Roughness> {
    let times = &problem.train.time_s;
    let time = (times[0], times[times.len() - 1]);
    let intervals = problem.basis.len() - DEGREE;
    let count = POINTS * intervals + 1;
    let points: Vec<(usize, f64, [f64; ORDER])> = even(time.0, time.1, count)
        .into_iter()
        .map(|t| {
            // By the smooth part's own time: that of the teeth swings with the engine.
            let seen = interpolate(times, &problem.thetas, t);
            let reach = 0.4 * problem.basis.interval_at(seen);
            let mut theta = seen;
            for _ in 0..3 {
                let local = problem.basis.at(theta);
                let late_s = t - local.dot(0, &current.coefficients);
                let slowness = local.dot(1, &current.coefficients).max(1e-9);
                theta = (theta + late_s / slowness).clamp(seen - reach, seen + reach);
            }
            let local = problem.basis.at(theta);
            let (omega, alpha) = motion(&problem.basis, theta, &current.coefficients);
            // d alpha = -omega³ d tau'' - 3 alpha omega d tau'
            let mut row = alpha_row(&local, omega);
            for (value, first) in row.iter_mut().zip(&local.derivative[1]) {
                *value -= 3.0 * alpha * omega * first;
            }
            (local.first, alpha, row)
        })
        .collect();
    let layout = &problem.layout;
    let mut found = Roughness {
        smoothness,
        rows: Vec::with_capacity(2 * count),
        matrix: layout.matrix(),
        offset: vec![0.0; layout.len()],
        log_det: 0.0,
    };
    let mean = 1.0 / (count as f64).sqrt();
    // Scaled so that the weight does not depend on the length of the pull. Points an interval apart have the same part of
    // what the spline can't follow within one: between neighbours, that would make a level curve look rough.
    let apart = intervals as f64;
    let curvature = [1.0, -2.0, 1.0].map(|w| w * apart.powi(2) * mean);
    match smoothness {
        Smoothness::Curvature => found.add_differences(layout, &points, &curvature, POINTS),
        Smoothness::CurvatureChange => {
            let apart = (POINTS * intervals) as f64;
            let third = [-1.0, 3.0, -3.0, 1.0].map(|w| w * apart.powi(3) * mean);
            found.add_differences(layout, &points, &third, 1);
            let share = curvature.map(|w| w * CURVATURE_SHARE.sqrt());
            found.add_differences(layout, &points, &share, POINTS);
        }
    }
    // The minor without as many unknowns as are left free, far apart: both kinds leave the same free.
    let mut minor = found.matrix.clone();
    let last = layout.spline_at.len() - 1;
    let pinned: [usize; NULL_SPACE] =
        std::array::from_fn(|i| layout.spline_at[i * last / (NULL_SPACE - 1)]);
    for (i, spline) in layout.is_spline().into_iter().enumerate() {
        if !spline || pinned.contains(&i) {
            minor.isolate(i);
        }
    }
    // Five derivatives deep the smallest pivots drown in rounding now and then.
    let factored = minor.factor_steadied()?;
    found.log_det = factored.log_det();
    Some(found)
}

impl Roughness {
    /// Adds the weighted sums over each run of points, every `stride`th.
    fn add_differences(
        &mut self,
        layout: &Layout,
        points: &[(usize, f64, [f64; ORDER])],
        weights: &[f64],
        stride: usize,
    ) {
        for run in points.windows(stride * (weights.len() - 1) + 1) {
            let run = run.iter().step_by(stride);
            let firsts = run.clone().map(|point| point.0);
            let (from, to) = firsts.fold((usize::MAX, 0), |(a, b), f| (a.min(f), b.max(f)));
            if to > from + 3 {
                continue; // a motion still so rough that the points lie unevenly
            }
            let mut window = vec![0.0; to + ORDER - from];
            let mut in_hand = 0.0;
            for ((first, alpha, row), weight) in run.zip(weights) {
                in_hand += weight * alpha;
                for (i, value) in row.iter().enumerate() {
                    window[first - from + i] += weight * value;
                }
            }
            let positions = layout.spline_at[from..].iter();
            let change: Vec<(usize, f64)> = positions.copied().zip(window).collect();
            self.matrix.add_square(&change, 1.0);
            for (at, value) in &change {
                self.offset[*at] += value * in_hand;
            }
            self.rows.push(RoughnessRow { in_hand, change });
        }
    }
}

/// Breakpoints at angles that lie evenly in time, so that every stretch of the pull gets its share.
fn breakpoints(train: &ToothTrain, thetas: &[f64], count: usize) -> Vec<f64> {
    let n = thetas.len();
    let mut points: Vec<f64> = even(train.time_s[0], train.time_s[n - 1], count)
        .into_iter()
        .map(|t| interpolate(&train.time_s, thetas, t))
        .collect();
    points.dedup_by(|b, a| *b - *a < 1e-9);
    points
}

/// Each interval in `parts` even ones; nothing for 0.
fn subdivided(points: &[f64], parts: usize) -> Vec<f64> {
    if parts == 0 {
        return Vec::new();
    }
    let mut all: Vec<f64> = points
        .windows(2)
        .flat_map(|w| {
            let (from, to) = (w[0], w[1]);
            (0..parts).map(move |i| from + (to - from) * i as f64 / parts as f64)
        })
        .collect();
    all.extend(points.last());
    all
}

/// Acceleration around each tooth over the mean, as teeth farther away tell it: what the drive swings is no part of it.
fn pulls(times: &[f64], thetas: &[f64]) -> Vec<f64> {
    let (from_s, to_s) = (times[0], times[times.len() - 1]);
    let reach_s = PULL_REACH * (to_s - from_s);
    let points_s = even(from_s + reach_s, to_s - reach_s, PULL_POINTS);
    let gains: Vec<f64> = points_s
        .iter()
        .map(|at_s| {
            let turned = |time_s: f64| interpolate(times, thetas, time_s);
            turned(at_s + reach_s) - 2.0 * turned(*at_s) + turned(at_s - reach_s)
        })
        .collect();
    let mean = gains.iter().sum::<f64>() / gains.len() as f64;
    let size = gains.iter().map(|gain| gain.abs()).sum::<f64>() / gains.len() as f64;
    if mean.abs() <= 0.5 * size {
        return vec![1.0; times.len()]; // a speed that is held
    }
    let over_mean: Vec<f64> = gains
        .iter()
        .map(|gain| (gain / mean).clamp(0.0, PULL_MAX))
        .collect();
    let at = |time_s: &f64| interpolate(&points_s, &over_mean, *time_s);
    times.iter().map(at).collect()
}

/// Middle and half width of the speeds of the stretch in rad/s, from its first and last eighth.
fn speed_scale(train: &ToothTrain, pitch: f64) -> SpeedScale {
    let n = train.time_s.len();
    let omega = |from: usize, to: usize| {
        let teeth = (train.index[to] - train.index[from]) as f64;
        pitch * teeth / (train.time_s[to] - train.time_s[from])
    };
    let eighth = (n / 8).max(1);
    let (first, last) = (omega(0, eighth), omega(n - 1 - eighth, n - 1));
    let middle = 0.5 * (first + last);
    let few = (n / 64).max(1);
    SpeedScale {
        middle,
        least: omega(0, few).min(omega(n - 1 - few, n - 1)),
        half_width: (0.5 * (last - first)).abs().max(0.05 * middle),
    }
}
