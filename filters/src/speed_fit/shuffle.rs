//! Shuffle: drum and engine swing against each other on chain, belt or tyre, at one frequency that
//! does not follow the speed. It shows as a narrow line in what the smooth motion leaves.

use std::f64::consts::TAU;
use std::ops::Range;

use super::Damping;
use super::model::joined;
use crate::bspline::even;
use crate::convert::floor_to_usize;
use crate::envelope::Envelope;

/// Frequencies looked at, Hz. Below them a swing can't be told from the curve.
const LOWEST_HZ: f64 = 4.0;
pub(super) const HIGHEST_HZ: f64 = 45.0;
/// Bands that it is looked for in, by their middle, and so many times that up and down.
pub(super) const BANDS_HZ: [f64; 4] = [6.0, 11.0, 20.0, 36.0];
pub(super) const BAND_WITHIN: f64 = 1.5;
/// Width of the bins that teeth are gathered in, over the period of the highest frequency.
const BINS_A_SWING: f64 = 3.0;
/// A line stands out from the level beside it by so much in power: the greatest of some hundred of
/// pure noise reaches 10.
pub(super) const LINE_OVER_LEVEL: f64 = 15.0;
/// … by so much where the working cycles may be the reason.
pub(super) const LINE_AMONG_CYCLES: f64 = 30.0;
/// … and by so much where it may be all but hidden: one of pure noise in some dozens does.
pub(super) const LINE_WEAK: f64 = 5.0;
/// Swing of the acceleration over its mean below which nobody needs to know.
const SWING_MIN: f64 = 0.02;
/// The swing's size may change over so many of its periods.
const NODES_SWINGS: f64 = 1.0;
const NODE_S_MIN: f64 = 0.12;
/// Nodes of a swing that comes and goes, at most: its cost grows with their square.
const NODES_WITHIN_MAX: f64 = 24.0;

/// Teeth are looked at in pieces of this length at most: a swing that an opening throttle starts does not
/// last longer, and the cost grows with a piece's square.
const PIECE_S: f64 = 10.0;

/// A frequency at which the wheel swings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Swinging {
    pub(super) hz: f64,
    pub(super) sure: Sure,
    pub(super) damping: Option<Damping>,
}

/// How sure it is that the drive swings: to be counted with, less will do than to be told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Sure {
    Counted,
    /// By the shape of all that swings: a few misfires, of which each swings by as much as all else, may have it too.
    Shape,
    /// By a narrow line.
    Line,
}

impl Swinging {
    /// Of which no more is known than about where it is.
    pub(super) const fn counted(hz: f64) -> Self {
        Self {
            hz,
            sure: Sure::Counted,
            damping: None,
        }
    }
}

/// A narrow line, and by how many times what it has to it stands out.
pub(super) struct Line {
    pub(super) hz: f64,
    pub(super) over: f64,
}

/// Angles that are left of the teeth, in pieces.
pub(super) struct Left {
    piece: Piece,
    binned: Vec<Vec<f64>>,
    /// Frequency, and the swing of the acceleration at it, squared, of each piece.
    swings: Vec<Vec<(f64, f64)>>,
}

impl Left {
    /// `None` of too few teeth, or too short a time.
    pub(super) fn new(times_s: &[f64], angles_rad: &[f64]) -> Option<Self> {
        let (first, last) = (times_s.first()?, times_s.last()?);
        // Below half the rate of the slowest teeth, a missed one here and there apart.
        let mut intervals: Vec<f64> = times_s.windows(2).map(|w| w[1] - w[0]).collect();
        let most = intervals.len() * 98 / 100;
        let slowest = *intervals.select_nth_unstable_by(most, f64::total_cmp).1;
        let pieces = ((last - first) / PIECE_S).ceil().max(1.0);
        let piece = Piece {
            duration_s: (last - first) / pieces,
            highest_hz: HIGHEST_HZ.min(0.45 / slowest.max(1e-9)),
        };
        if piece.duration_s < 0.8 || piece.count() < 40 {
            return None;
        }
        let binned: Vec<Vec<f64>> = (0..floor_to_usize(pieces))
            .map(|i| first + piece.duration_s * i as f64)
            .map(|from_s| piece.binned(from_s, times_s, angles_rad))
            .collect();
        Some(Self {
            swings: binned.iter().map(|values| piece.swings(values)).collect(),
            binned,
            piece,
        })
    }

    /// The line among these frequencies that stands out most from the level beside it, where one does by as many times as a
    /// line of its frequency has to.
    pub(super) fn line(
        &self,
        alpha_mean: f64,
        least_over: impl Fn(f64) -> f64 + Copy,
        among_hz: &Range<f64>,
    ) -> Option<Line> {
        self.swings
            .iter()
            .filter_map(|swings| line(swings, alpha_mean, least_over, among_hz))
            .max_by(|a, b| a.over.total_cmp(&b.over))
    }

    /// With the damping that its line tells.
    pub(super) fn of_line(&self, hz: f64) -> Swinging {
        let spectrum = Spectrum::of(&self.piece, &self.binned);
        Swinging {
            hz,
            sure: Sure::Line,
            damping: spectrum.damping(hz),
        }
    }

    /// A resonance that the scatter of the cycles' work keeps going, where the shape of all that is left shows one.
    pub(super) fn of_scatter(&self, among_hz: &Range<f64>) -> Option<Swinging> {
        let spectrum = Spectrum::of(&self.piece, &self.binned);
        let (hz, sure) = spectrum.resonance(&self.piece, among_hz)?;
        let is_told = sure != Sure::Counted;
        Some(Swinging {
            hz,
            sure,
            damping: is_told.then(|| spectrum.damping(hz)).flatten(),
        })
    }
}

/// How a piece of the teeth is looked at.
struct Piece {
    duration_s: f64,
    highest_hz: f64,
}

impl Piece {
    fn step_hz(&self) -> f64 {
        0.5 / self.duration_s
    }

    fn count(&self) -> usize {
        floor_to_usize((self.highest_hz - LOWEST_HZ) / self.step_hz())
    }

    fn bin_s(&self) -> f64 {
        1.0 / (BINS_A_SWING * self.highest_hz)
    }

    /// Mean angles over short times; 0 where no tooth is.
    fn binned(&self, from_s: f64, times_s: &[f64], angles_rad: &[f64]) -> Vec<f64> {
        let bin_s = self.bin_s();
        let mut bins = vec![(0.0, 0.0); floor_to_usize(self.duration_s / bin_s) + 1];
        let first = times_s.partition_point(|time| *time < from_s);
        for (time, angle) in times_s.iter().zip(angles_rad).skip(first) {
            let Some(bin) = bins.get_mut(floor_to_usize((time - from_s) / bin_s)) else {
                break;
            };
            *bin = (bin.0 + angle, bin.1 + 1.0);
        }
        bins.iter()
            .map(|(sum, n)| sum / f64::max(*n, 1.0))
            .collect()
    }

    /// Frequency, and the swing of the acceleration at it, squared.
    fn swings(&self, values: &[f64]) -> Vec<(f64, f64)> {
        let filled = values.iter().filter(|value| **value != 0.0).count() as f64;
        (0..self.count())
            .map(|i| {
                let hz = LOWEST_HZ + self.step_hz() * i as f64;
                let (sin, cos) = (TAU * hz * self.bin_s()).sin_cos();
                let (mut at, mut sum) = ((1.0, 0.0), (0.0, 0.0));
                for value in values {
                    sum = (sum.0 + value * at.0, sum.1 + value * at.1);
                    at = (at.0 * cos - at.1 * sin, at.1 * cos + at.0 * sin);
                }
                let swing = 2.0 * sum.0.hypot(sum.1) / filled * (TAU * hz).powi(2);
                (hz, swing * swing)
            })
            .collect()
    }
}

/// The line that stands out most, if it does.
fn line(
    lines: &[(f64, f64)],
    alpha_mean: f64,
    least_over: impl Fn(f64) -> f64 + Copy,
    among_hz: &Range<f64>,
) -> Option<Line> {
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
    let stands_out = |i: usize| over_level(i) / least_over(lines[i].0);
    let weakest = (SWING_MIN * alpha_mean).powi(2);
    let (best, over) = (1..lines.len() - 1)
        .filter(|i| among_hz.contains(&lines[*i].0))
        .filter(|i| lines[*i].1 > weakest.max(lines[i - 1].1).max(lines[i + 1].1))
        .map(|i| (i, stands_out(i)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (hz, power) = lines[best];
    let (left, right) = (lines[best - 1].1, lines[best + 1].1);
    let bend = left + right - 2.0 * power;
    let shift = if bend < 0.0 {
        0.5 * (left - right) / bend
    } else {
        0.0
    };
    let step_hz = lines[1].0 - lines[0].0;
    (over > 1.0).then_some(Line {
        hz: hz + shift.clamp(-1.0, 1.0) * step_hz,
        over,
    })
}

/// Frequencies and damping ratios of drives that are tried.
const RESONANCES: usize = 36;
const DAMPINGS: [f64; 4] = [0.02, 0.05, 0.1, 0.2];
/// Frequency at which timing noise weighs as much as the cycles' scatter, from the lowest over the highest
/// that is looked at.
const NOISES: usize = 9;
/// Frequencies at which what lasts for a while fades to half.
const FADINGS: usize = 12;
/// Dampings that are tried for a frequency that is known, and how far that may be off.
const DAMPING_RANGE: (f64, f64) = (0.005, 0.5);
const DAMPINGS_TRIED: usize = 20;
const OWN_WITHIN: f64 = 1.06;
const OWN_TRIED: usize = 7;
/// Power of its line over what is beside it, and so many that are tried.
const HEIGHTS: (f64, f64) = (2.0, 2e4);
const HEIGHTS_TRIED: usize = 6;
/// It is looked at from its frequency over this up to so many times it.
const BESIDE: f64 = 2.5;
/// Damping of which the logarithm is less certain is not told.
const DAMPING_TOLD: f64 = 0.95;
/// Damping ratio of a drive at most: a tyre that slips (common practice, no source).
pub(super) const DAMPING_MAX: f64 = 0.3;
/// Uncertainty of the logarithm that comes on top: what the curve and the cycles leave is not white (found in simulation).
const DAMPING_BY_MODEL: f64 = 0.3;
/// Lines beside each other that tell one thing, of a piece that fades in and out.
const LINES_ALIKE: f64 = 3.0;

/// Powers of what swings, with what a drive and the timing are expected to make of them.
///
/// White noise of the torque moves the wheel's acceleration as an oscillator passes it on; the timing's noise rises with
/// the frequency's square. By their likelihood over frequencies (P. Whittle, 1953, from memory).
struct Spectrum {
    hz: Vec<f64>,
    powers: Vec<f64>,
    /// What each line tells, in lines that tell by themselves.
    told: f64,
    noise_hz: Vec<f64>,
}

impl Spectrum {
    fn of(piece: &Piece, binned: &[Vec<f64>]) -> Self {
        let mut powers = vec![0.0; piece.count()];
        for values in binned {
            // Fades in and out, or else what is slow and large leaks into all of it.
            let n = values.len() as f64;
            let faded: Vec<f64> = values
                .iter()
                .enumerate()
                .map(|(i, value)| value * (1.0 - (TAU * (i as f64 + 0.5) / n).cos()))
                .collect();
            for (power, (_, more)) in powers.iter_mut().zip(piece.swings(&faded)) {
                *power += more / binned.len() as f64;
            }
        }
        let (from_hz, to_hz) = (0.5 * LOWEST_HZ, 3.0 * piece.highest_hz);
        Self {
            hz: (0..powers.len())
                .map(|i| LOWEST_HZ + piece.step_hz() * i as f64)
                .collect(),
            powers,
            told: binned.len() as f64 / LINES_ALIKE,
            noise_hz: geometric(from_hz, to_hz, NOISES),
        }
    }

    /// Minus twice the logarithm of the likelihood, the size of all of it being the likeliest.
    fn criterion(&self, passed: &[f64]) -> f64 {
        let of_noise = |noise_hz: &f64| {
            let (mut sum, mut logs) = (0.0, 0.0);
            for ((hz, power), passed) in self.hz.iter().zip(&self.powers).zip(passed) {
                let expected = passed + (hz / noise_hz).powi(4);
                sum += power / expected;
                logs += expected.ln();
            }
            let n = self.powers.len() as f64;
            2.0 * self.told * (n * (sum / n).ln() + logs)
        };
        let criteria = self.noise_hz.iter().map(of_noise);
        criteria.fold(f64::INFINITY, f64::min)
    }

    /// What a drive of this frequency and damping passes on of white noise.
    fn passed(&self, own_hz: f64, damping: f64) -> Vec<f64> {
        let passed = |hz: &f64| {
            let over = (hz / own_hz).powi(2);
            let damped = 4.0 * damping * damping * over;
            (1.0 + damped) / ((1.0 - over).powi(2) + damped)
        };
        self.hz.iter().map(passed).collect()
    }

    /// The frequency of a drive through which the scatter of the cycles' work swings the wheel, Hz; `None` where a
    /// rigid one is as likely, with as much against each of the oscillator's two unknowns as G. Schwarz has it (1978, from
    /// memory). It is told where it is likelier by as many times more as frequencies were tried: chance had that many
    /// times to make one of them look likely.
    fn resonance(&self, piece: &Piece, among_hz: &Range<f64>) -> Option<(f64, Sure)> {
        let rigid = self.criterion(&vec![1.0; self.hz.len()]);
        let own = geometric(1.1 * LOWEST_HZ, 0.95 * piece.highest_hz, RESONANCES);
        let tried = own
            .into_iter()
            .filter(|own_hz| among_hz.contains(own_hz))
            .flat_map(|own_hz| DAMPINGS.map(|damping| (own_hz, damping)))
            .map(|(own_hz, damping)| (own_hz, self.criterion(&self.passed(own_hz, damping))));
        let (own_hz, best) = tried.min_by(|a, b| a.1.total_cmp(&b.1))?;
        let against = 2.0 * (self.told * self.powers.len() as f64).ln();
        // Work that goes on for a while, in cycles that are alike or bursts of misfires, fades without a drive, too.
        let faded = geometric(0.5 * LOWEST_HZ, 2.0 * piece.highest_hz, FADINGS)
            .into_iter()
            .map(|own| {
                let passed = |hz: &f64| 1.0 / (1.0 + (hz / own).powi(2));
                self.criterion(&self.hz.iter().map(passed).collect::<Vec<f64>>())
            });
        let faded = faded.fold(f64::INFINITY, f64::min);
        // What only fades is no drive: taken for one, it would hide what it is of the cycles' scatter.
        let over = rigid.min(faded) - best - against;
        let sure = if over > 2.0 * (RESONANCES as f64).ln() {
            Sure::Shape
        } else {
            Sure::Counted
        };
        (over > 0.0).then_some((own_hz, sure))
    }

    /// Powers beside a frequency alone.
    fn beside(&self, about_hz: f64) -> Self {
        let near = |hz: f64| (about_hz / BESIDE..about_hz * BESIDE).contains(&hz);
        let lines = self
            .hz
            .iter()
            .zip(&self.powers)
            .filter(|(hz, _)| near(**hz));
        let (hz, powers) = lines.unzip();
        Self {
            hz,
            powers,
            told: self.told,
            noise_hz: self.noise_hz.clone(),
        }
    }

    /// Damping of a drive of about this frequency: how wide its line is, and not how high, since an opening throttle swings it
    /// by any amount. What goes on all along shows the drive's own width; what dies away from the start of a piece, which fades
    /// in with the square of the time, the cube of that line. As likely beforehand in any decade.
    fn damping(&self, about_hz: f64) -> Option<Damping> {
        let own = geometric(about_hz / OWN_WITHIN, about_hz * OWN_WITHIN, OWN_TRIED);
        let tried = geometric(DAMPING_RANGE.0, DAMPING_RANGE.1, DAMPINGS_TRIED);
        let near = self.beside(about_hz);
        let heights = geometric(HEIGHTS.0, HEIGHTS.1, HEIGHTS_TRIED);
        let of_line = |own_hz: f64, damping: f64, power: i32| {
            let line: Vec<f64> = near
                .passed(own_hz, damping)
                .iter()
                .map(|passed| (passed * 4.0 * damping * damping).powi(power))
                .collect();
            let line = spread(&line);
            let of_height = heights.iter().map(|height| {
                let expected: Vec<f64> = line.iter().map(|line| 1.0 + height * line).collect();
                near.criterion(&expected)
            });
            of_height.fold(f64::INFINITY, f64::min)
        };
        let criteria: Vec<f64> = tried
            .iter()
            .map(|damping| {
                let of_own = own
                    .iter()
                    .map(|own_hz| of_line(*own_hz, *damping, 1).min(of_line(*own_hz, *damping, 3)));
                of_own.fold(f64::INFINITY, f64::min)
            })
            .collect();
        let least = criteria.iter().copied().fold(f64::INFINITY, f64::min);
        let likely: Vec<f64> = criteria
            .iter()
            .map(|c| (-0.5 * (c - least)).exp())
            .collect();
        let sum: f64 = likely.iter().sum();
        let mean_of = |of: &dyn Fn(f64) -> f64| {
            let weighed = tried
                .iter()
                .zip(&likely)
                .map(|(x, share)| share * of(x.ln()));
            weighed.sum::<f64>() / sum
        };
        let mean = mean_of(&|x| x);
        let uncertainty = mean_of(&|x| (x - mean).powi(2)).sqrt();
        let is_told = uncertainty < DAMPING_TOLD && mean.exp() < DAMPING_MAX;
        is_told.then_some(Damping {
            ratio: mean.exp(),
            relative_uncertainty: uncertainty.hypot(DAMPING_BY_MODEL),
        })
    }
}

/// Powers as a piece that fades in and out shows them, lines half its own width apart (F. J. Harris, "On the use of windows
/// for harmonic analysis", 1978, from memory).
fn spread(powers: &[f64]) -> Vec<f64> {
    const WINDOW: [f64; 7] = [0.029, 0.25, 0.72, 1.0, 0.72, 0.25, 0.029];
    let last = powers.len().saturating_sub(1);
    let at = |i: usize| {
        let beside = WINDOW.iter().enumerate();
        let sums = beside.map(|(j, w)| w * powers[(i + j).saturating_sub(3).min(last)]);
        sums.sum::<f64>() / WINDOW.iter().sum::<f64>()
    };
    (0..powers.len()).map(at).collect()
}

/// So many values between two, each so many times the one before.
fn geometric(from: f64, to: f64, count: usize) -> Vec<f64> {
    let logarithms = even(from.ln(), to.ln(), count);
    logarithms.into_iter().map(f64::exp).collect()
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

    /// From when to when the wheel's speed swings by more than is said for an instant, in rad/s, with a node more
    /// on each side.
    pub(super) fn beyond(
        &self,
        coefficients: &[f64],
        most_rad_per_s: impl Fn(f64) -> f64,
    ) -> Vec<(f64, f64)> {
        let spans = coefficients.chunks(2).enumerate().map(|(node, swing)| {
            let swing_rad_per_s = TAU * self.hz * swing[0].hypot(swing[1]);
            (self.nodes.reach_s(node), swing_rad_per_s)
        });
        let beyond = spans.filter(|((from_s, to_s), swing_rad_per_s)| {
            *swing_rad_per_s > most_rad_per_s(0.5 * (from_s + to_s))
        });
        joined(beyond.map(|(span, _)| span), 0.0)
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

    /// Greatest swing of the acceleration, with the frequency from how the phase goes on from node to node.
    pub(super) fn measured(&self, coefficients: &[f64], jumps_s: &[f64]) -> Measured {
        let calm = |(node, _): &(usize, &[f64])| {
            let (from_s, to_s) = self.nodes.reach_s(*node);
            !jumps_s.iter().any(|jump_s| (from_s..to_s).contains(jump_s))
        };
        let nodes = coefficients.chunks(2).enumerate().filter(calm);
        let nodes = nodes.map(|(_, c)| c[0].hypot(c[1]));
        let (along, across, _) = Self::goes_on(coefficients);
        let hz = self.hz - across.atan2(along) / (TAU * self.nodes.node_s);
        Measured {
            hz,
            swing_rad_per_s2: nodes.fold(0.0, f64::max) * (TAU * hz).powi(2),
        }
    }
}

/// What a swing is like.
#[derive(Debug, Clone, Copy)]
pub(super) struct Measured {
    pub(super) hz: f64,
    pub(super) swing_rad_per_s2: f64,
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
