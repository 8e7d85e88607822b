//! Shuffle: drum and engine swing against each other on chain, belt or tyre, at one frequency that
//! does not follow the speed. It shows as a narrow line in what the smooth motion leaves.

use std::f64::consts::TAU;
use std::ops::Range;

use super::Shuffle;
use crate::convert::floor_to_usize;
use crate::envelope::Envelope;

/// Frequencies looked at, Hz. Below them a swing can't be told from the curve.
const LOWEST_HZ: f64 = 4.0;
const HIGHEST_HZ: f64 = 45.0;
/// Width of the bins that teeth are gathered in, over the period of the highest frequency.
const BINS_A_SWING: f64 = 3.0;
/// A line stands out from the level beside it by so much in power: the greatest of some hundred of
/// pure noise reaches 10.
const LINE_OVER_LEVEL: f64 = 15.0;
/// … and by so much where the working cycles may be the reason.
const LINE_AMONG_CYCLES: f64 = 30.0;
/// Swing of the acceleration over its mean below which nobody needs to know.
const SWING_MIN: f64 = 0.02;
/// The swing's size may change over so many of its periods.
const NODES_SWINGS: f64 = 1.0;
const NODE_S_MIN: f64 = 0.12;
/// Nodes of a swing that comes and goes, at most: its cost grows with their square.
const NODES_WITHIN_MAX: f64 = 24.0;

/// The frequency of a narrow line in the angle that is left of each tooth, Hz; `cycles_hz` are those that
/// the working cycles pass.
pub(super) fn find(
    times_s: &[f64],
    angles_rad: &[f64],
    alpha_mean: f64,
    cycles_hz: &Range<f64>,
) -> Option<f64> {
    let (first, last) = (times_s.first()?, times_s.last()?);
    let duration = last - first;
    // Below half the rate of the slowest teeth, a missed one here and there apart.
    let mut intervals: Vec<f64> = times_s.windows(2).map(|w| w[1] - w[0]).collect();
    let most = intervals.len() * 98 / 100;
    let slowest = *intervals.select_nth_unstable_by(most, f64::total_cmp).1;
    let highest = HIGHEST_HZ.min(0.45 / slowest.max(1e-9));
    let step_hz = 0.5 / duration;
    let count = floor_to_usize((highest - LOWEST_HZ) / step_hz);
    if duration < 0.8 || count < 40 {
        return None;
    }
    let bin_s = 1.0 / (BINS_A_SWING * highest);
    let mut bins: Vec<(f64, f64)> = vec![(0.0, 0.0); floor_to_usize(duration / bin_s) + 1];
    for (time, angle) in times_s.iter().zip(angles_rad) {
        let bin = &mut bins[floor_to_usize((time - first) / bin_s)];
        *bin = (bin.0 + angle, bin.1 + 1.0);
    }
    let values: Vec<f64> = bins.iter().map(|(sum, n)| sum / n.max(1.0)).collect();
    let filled = bins.iter().filter(|(_, n)| *n > 0.0).count() as f64;
    let lines: Vec<(f64, f64)> = (0..count)
        .map(|i| {
            let hz = LOWEST_HZ + step_hz * i as f64;
            let (sin, cos) = (TAU * hz * bin_s).sin_cos();
            let (mut at, mut sum) = ((1.0, 0.0), (0.0, 0.0));
            for value in &values {
                sum = (sum.0 + value * at.0, sum.1 + value * at.1);
                at = (at.0 * cos - at.1 * sin, at.1 * cos + at.0 * sin);
            }
            // As a swing of the acceleration.
            let swing = 2.0 * sum.0.hypot(sum.1) / filled * (TAU * hz).powi(2);
            (hz, swing * swing)
        })
        .collect();
    // Over what is beside it, both as a swing of the acceleration and of the angle: timing noise rises
    // steeply in the one, the cycles' scatter falls in the other, and neither may pass for a line.
    let over_level = |i: usize| {
        let (hz, power) = lines[i];
        let beside = lines
            .iter()
            .filter(|(f, _)| (0.6..1.6).contains(&(f / hz)) && (f - hz).abs() > 0.6 + 0.08 * hz);
        let level = |rise: i32| {
            let mut powers: Vec<f64> = beside
                .clone()
                .map(|(f, p)| p * (hz / f).powi(rise))
                .collect();
            if powers.len() < 8 {
                return f64::INFINITY;
            }
            let middle = powers.len() / 2;
            *powers.select_nth_unstable_by(middle, f64::total_cmp).1
        };
        power / level(0).max(level(4))
    };
    let weakest = (SWING_MIN * alpha_mean).powi(2);
    let (best, over) = (1..count - 1)
        .filter(|i| lines[*i].1 > weakest.max(lines[i - 1].1).max(lines[i + 1].1))
        .map(|i| (i, over_level(i)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (hz, power) = lines[best];
    let stands_out = if cycles_hz.contains(&hz) {
        LINE_AMONG_CYCLES
    } else {
        LINE_OVER_LEVEL
    };
    let (left, right) = (lines[best - 1].1, lines[best + 1].1);
    let bend = left + right - 2.0 * power;
    let shift = if bend < 0.0 {
        0.5 * (left - right) / bend
    } else {
        0.0
    };
    (over > stands_out).then_some(hz + shift.clamp(-1.0, 1.0) * step_hz)
}

/// Instants that lie evenly over the pull, between which a swing's size and phase change linearly.
#[derive(Debug, Clone, Copy)]
pub(super) struct Nodes {
    from_s: f64,
    node_s: f64,
    pub(super) count: usize,
}

impl Nodes {
    /// About so far apart, the first and the last at these instants.
    fn new(wanted_s: f64, from_s: f64, to_s: f64) -> Self {
        let wanted_s = wanted_s.max(NODE_S_MIN);
        let intervals = floor_to_usize((to_s - from_s) / wanted_s).max(1);
        Self {
            from_s,
            node_s: (to_s - from_s) / intervals as f64,
            count: intervals + 1,
        }
    }

    /// Between two instants, at which the swing begins and ends.
    pub(super) fn within(from_s: f64, to_s: f64) -> Self {
        let wanted_s = ((to_s - from_s) / NODES_WITHIN_MAX).max(NODE_S_MIN);
        let all = Self::new(wanted_s, from_s, to_s.max(from_s + 2.0 * NODE_S_MIN));
        Self {
            from_s: from_s + all.node_s,
            count: all.count - 2,
            ..all
        }
    }

    /// The columns that are not zero at an instant, cosine and sine by node.
    pub(super) fn columns(
        &self,
        time_s: f64,
        (cos, sin): (f64, f64),
    ) -> impl Iterator<Item = (usize, f64)> + use<> {
        let along = (time_s - self.from_s) / self.node_s;
        let first = floor_to_usize(along.max(0.0));
        (first..(first + 2).min(self.count)).flat_map(move |node| {
            let weight = (1.0 - (along - node as f64).abs()).max(0.0);
            [(2 * node, weight * cos), (2 * node + 1, weight * sin)]
        })
    }

    /// From when to when a node counts.
    pub(super) fn reach_s(&self, node: usize) -> (f64, f64) {
        let at_s = self.from_s + self.node_s * node as f64;
        (at_s - self.node_s, at_s + self.node_s)
    }
}

/// A swing at one frequency.
#[derive(Debug, Clone, Copy)]
pub(super) struct Swing {
    pub(super) hz: f64,
    pub(super) nodes: Nodes,
}

impl Swing {
    pub(super) fn new(hz: f64, from_s: f64, to_s: f64) -> Self {
        Self {
            hz,
            nodes: Nodes::new(NODES_SWINGS / hz, from_s, to_s),
        }
    }

    /// Columns of the angle at an instant, times `scale`.
    pub(super) fn columns(
        &self,
        time_s: f64,
        scale: f64,
    ) -> impl Iterator<Item = (usize, f64)> + use<> {
        let (sin, cos) = (TAU * self.hz * (time_s - self.nodes.from_s)).sin_cos();
        self.nodes.columns(time_s, (scale * cos, scale * sin))
    }

    /// How far size and phase go on from node to node: with the turn of the phase, and what is kept.
    fn goes_on(coefficients: &[f64]) -> (f64, f64, f64) {
        let nodes: Vec<(f64, f64)> = coefficients.chunks(2).map(|c| (c[0], c[1])).collect();
        let (mut along, mut across, mut power) = (0.0, 0.0, 0.0);
        for pair in nodes.windows(2) {
            let ((a, b), (c, d)) = (pair[0], pair[1]);
            along += a * c + b * d;
            across += a * d - b * c;
            power += a * a + b * b;
        }
        (along, across, power)
    }

    /// What is known of the swing before the teeth speak: a damped oscillator that the scatter of the
    /// cycles' work, of this spectral density of the acceleration in rad²/s³, pushes on. Its angle
    /// changes by so much in variance between nodes, beyond what damping takes.
    pub(super) fn oscillator(&self, density: f64) -> Oscillator {
        Oscillator {
            kept: KEPT,
            pushed: 0.5 * density * self.nodes.node_s / (TAU * self.hz).powi(2),
        }
    }

    /// Greatest swing of the acceleration, with frequency and damping ratio from how size and phase
    /// go on from node to node.
    pub(super) fn measured(&self, coefficients: &[f64]) -> Shuffle {
        let nodes: Vec<(f64, f64)> = coefficients.chunks(2).map(|c| (c[0], c[1])).collect();
        let (along, across, power) = Self::goes_on(coefficients);
        let node_s = self.nodes.node_s;
        let hz = self.hz - across.atan2(along) / (TAU * node_s);
        let kept = along.hypot(across) / power;
        let ratio = -kept.ln() / (TAU * hz * node_s);
        let peak = nodes.iter().map(|n| n.0.hypot(n.1)).fold(0.0, f64::max);
        Shuffle {
            frequency_hz: hz,
            damping_ratio: (ratio > 0.0).then_some(ratio),
            swing_rad_per_s2: peak * (TAU * hz).powi(2),
        }
    }
}

/// How a swing goes on from one node to the next.
#[derive(Debug, Clone, Copy)]
pub(super) struct Oscillator {
    /// Share of the swing that is kept.
    kept: f64,
    /// Variance of what comes on top of each unknown, rad².
    pushed: f64,
}

/// What a swing keeps from node to node, before the teeth speak.
const KEPT: f64 = 0.75;
const KEPT_MIN: f64 = 0.3;
/// The push that is expected counts for so many nodes.
const EXPECTED_PUSHES: f64 = 4.0;

impl Oscillator {
    /// Adds what it says of the unknowns at these positions, for a noise of the teeth's times in s.
    pub(super) fn add(&self, matrix: &mut Envelope, at: &[usize], noise_s: f64) {
        let weight = noise_s * noise_s / self.pushed;
        for (before, after) in at.iter().zip(at.iter().skip(2)) {
            matrix.add_square(&[(*before, -self.kept), (*after, 1.0)], weight);
        }
    }

    /// The likelier one for a solution: a step of expectation and maximisation.
    pub(super) fn after(
        &self,
        swing: &[f64],
        at: &[usize],
        variance: f64,
        inverse: &Envelope,
    ) -> Self {
        let (along, _, power) = Swing::goes_on(swing);
        let kept = (along / power.max(f64::MIN_POSITIVE)).clamp(KEPT_MIN, 1.0);
        let mut sum = EXPECTED_PUSHES * self.pushed;
        for i in 2..swing.len() {
            let change = [(at[i - 2], -kept), (at[i], 1.0)];
            let left = variance * inverse.quadratic(&change);
            sum += (swing[i] - kept * swing[i - 2]).powi(2) + left;
        }
        Self {
            kept,
            pushed: sum / (EXPECTED_PUSHES + (swing.len() - 2) as f64),
        }
    }
}
