//! Whether the wheel of a drum feels the engine fire, once a working cycle and at the cycle's place of the wheel's turn.
//!
//! What holds engine and drum together passes the engine's working cycle on. A clutch that slips passes on what its
//! plates grip and no more, an engine in another gear fires elsewhere, and one that does not fire does neither: the
//! drum goes on smoothly, and its speed is not the engine's over the drive's ratio. From the drum's acceleration alone
//! that can't be told.
//!
//! A torque that swings by the same share of a steady torque moves the wheel by an angle that falls with the square of
//! the speed: over it, what is felt is the same all along, and what the wheel's own errors add is told by that.
//!
//! ```
//! // A drum of 24 teeth gains 20 rad/s²; three times a turn it feels the engine fire, but for the first 4 s.
//! use leverarm_filters::firing::unfelt_s;
//! use leverarm_filters::full_throttle::Wheel;
//! use leverarm_filters::teeth::ToothTrain;
//!
//! let angle = |tooth: i64| std::f64::consts::TAU / 24.0 * tooth as f64;
//! let time_s = |tooth: i64| {
//!     let omega = (30_f64.powi(2) + 40.0 * angle(tooth)).sqrt();
//!     let steady_s = (omega - 30.0) / 20.0;
//!     let swing_rad = 5.0 * (3.0 * angle(tooth)).cos() / omega.powi(2);
//!     steady_s + if steady_s > 4.0 { swing_rad / omega } else { 0.0 }
//! };
//! let train = ToothTrain {
//!     time_s: (0..2000).map(time_s).collect(),
//!     index: (0..2000).collect(),
//!     ..ToothTrain::default()
//! };
//! let wheel = Wheel { teeth_per_turn: 24, cycles_per_turn: 3.0 };
//! let (from_s, to_s) = unfelt_s(&train, wheel).expect("a stretch without");
//! assert!(from_s < 0.1 && (to_s - 4.0).abs() < 0.4);
//! ```

use std::ops::Range;

use nalgebra::{Cholesky, Complex, DMatrix, DVector, Dyn};

use crate::convert::floor_to_usize;
use crate::full_throttle::Wheel;
use crate::teeth::ToothTrain;

/// Working cycles of a window, and windows at most.
const CYCLES: f64 = 8.0;
const WINDOWS_MAX: f64 = 60.0;
/// Harmonics of the working cycle: four cylinders that fire evenly show the fourth.
const HARMONICS: u32 = 4;
/// The wheel's own smooth motion within a window is a polynomial of so many terms.
const SMOOTH_TERMS: usize = 5;
/// Orders of the wheel's turn nearer to each other, or to a whole one, are one: so exact is a window of a few turns.
const SAME_ORDER: f64 = 0.03;
/// Windows on each side that tell what is felt, more than a drive takes to pass its resonance, and windows at least in
/// which nothing is (this and the shares below: by reasoning, no source).
const FELT_MIN: usize = 5;
const UNFELT_MIN: usize = 2;
/// Windows after and before such a change that may be neither: none, or those of a change of gear.
const BESIDE_CHANGE: [(usize, usize); 2] = [(0, 0), (2, 1)];
/// Tooth errors that windows tell by less than this share are left to the harmonics.
const RIDGE: f64 = 1e-3;
/// What is felt less than this share of what it is beside is not felt at all.
const UNFELT_SHARE: f64 = 0.2;
/// What is felt more than this share of what it is beside is felt as well.
const FELT_SHARE: f64 = 0.5;
/// What is felt stands out from what windows scatter by so many standard deviations.
const FELT_SIGMA: f64 = 3.0;
/// A stretch that feels nothing explains all but this share of what a steady engine leaves.
const LEFT_SHARE: f64 = 0.33;
/// The same between two stretches that may feel it differently, as chance finds one sooner.
const LEFT_BETWEEN_SHARE: f64 = 0.1;
/// Engines after and before a stretch in which nothing is felt are the same one.
const SAME_ENGINE: f64 = 1.6;

/// A stretch of teeth with the engine's harmonics in it.
struct Window {
    from_s: f64,
    to_s: f64,
    omega: f64,
    /// How far the wheel has turned at its middle.
    turned_rad: f64,
    /// Swing of each harmonic, times the speed squared.
    swings: Vec<Complex<f64>>,
}

/// From when to when, in s, the wheel of a drum does not feel the engine fire although it does before or after; of a
/// train that is all full throttle. `None` also where nothing is felt at all, or teeth are too few to tell.
#[must_use]
pub fn unfelt_s(train: &ToothTrain, wheel: Wheel) -> Option<(f64, f64)> {
    let orders = orders(wheel);
    let windows = windows(train, wheel, &orders)?;
    let harmonics: Vec<Harmonic> = Harmonic::all(&windows, &orders).collect();
    let unfelt = harmonics.iter().filter_map(Harmonic::unfelt);
    let (_, (from, to)) = unfelt.min_by(|a, b| a.0.total_cmp(&b.0))?;
    // What passes on none of the torque's swing passes on no harmonic of it.
    if harmonics.iter().any(|it| it.is_felt_within(from, to)) {
        return None;
    }
    let (first, last) = (windows.first()?, windows.last()?);
    // A window that feels half of it is none of either.
    let before = from.checked_sub(1).and_then(|k| windows.get(k));
    let quarter = |it: &Window| 0.25 * (it.to_s - it.from_s);
    Some((
        before.map_or(first.from_s, |it| it.to_s - quarter(it)),
        windows
            .get(to)
            .map_or(last.to_s, |it| it.from_s + quarter(it)),
    ))
}

/// Whether the wheel feels the engine fire after a break in the rise, from when to when in s, as it does before: then the
/// same gear is in.
#[must_use]
pub fn is_felt_after(train: &ToothTrain, wheel: Wheel, (from_s, to_s): (f64, f64)) -> bool {
    let orders = orders(wheel);
    let Some(windows) = windows(train, wheel, &orders) else {
        return false;
    };
    let (before, after): (Vec<usize>, Vec<usize>) = (0..windows.len())
        .filter(|k| windows[*k].to_s <= from_s || windows[*k].from_s >= to_s)
        .partition(|k| windows[*k].to_s <= from_s);
    if before.len() < FELT_MIN || after.len() < FELT_MIN {
        return false;
    }
    let counted = [before, after.clone()].concat();
    Harmonic::all(&windows, &orders).any(|harmonic| {
        let left = |which: &dyn Fn(usize) -> Option<usize>| {
            harmonic.least_squares(&counted, 1, which).map(|it| it.0)
        };
        let steady = left(&|_| Some(0));
        let gone = left(&|k| (!after.contains(&k)).then_some(0));
        steady
            .zip(gone)
            .is_some_and(|(steady, gone)| steady < LEFT_SHARE * gone)
    })
}

/// A harmonic over the windows.
struct Harmonic {
    swings: Vec<Complex<f64>>,
    /// Where the wheel's own errors look like it: what they add to each, but for one factor.
    own_errors: Option<Vec<Complex<f64>>>,
}

impl Harmonic {
    fn all(windows: &[Window], orders: &[f64]) -> impl Iterator<Item = Self> {
        let orders = orders.iter().enumerate();
        orders.map(|(number, order)| Self::new(windows, number, *order))
    }

    fn new(windows: &[Window], number: usize, order: f64) -> Self {
        let apart = order.round() - order;
        // They stay at the same teeth, where the cycle moves on.
        let of_errors = |it: &Window| {
            let size = (it.omega / windows[0].omega).powi(2);
            Complex::from_polar(size, apart * it.turned_rad)
        };
        Self {
            swings: windows.iter().map(|it| it.swings[number]).collect(),
            own_errors: (apart.abs() < SAME_ORDER).then(|| windows.iter().map(of_errors).collect()),
        }
    }
}

/// Orders of the wheel's turn of the engine's harmonics that teeth can tell from each other and from a steady motion.
fn orders(wheel: Wheel) -> Vec<f64> {
    let teeth = f64::from(wheel.teeth_per_turn.max(1));
    let seen_as = |order: f64| {
        let turned = (order / teeth).fract();
        teeth * turned.min(1.0 - turned)
    };
    let mut found: Vec<f64> = Vec::new();
    for harmonic in 1..=HARMONICS {
        let order = f64::from(harmonic) * wheel.cycles_per_turn;
        let alone = |other: &f64| (seen_as(*other) - seen_as(order)).abs() > SAME_ORDER * teeth;
        let told = seen_as(order) > SAME_ORDER * teeth && 0.5 * teeth - seen_as(order) > SAME_ORDER;
        if told && found.iter().all(alone) {
            found.push(order);
        }
    }
    found
}

/// The harmonics in successive windows; the wheel's tooth errors are taken out as far as they repeat with its turn.
fn windows(train: &ToothTrain, wheel: Wheel, orders: &[f64]) -> Option<Vec<Window>> {
    let teeth = wheel.teeth_per_turn.max(1) as usize;
    let (first, last) = (*train.index.first()?, *train.index.last()?);
    let per_cycle = teeth as f64 / wheel.cycles_per_turn;
    if orders.is_empty() || !per_cycle.is_finite() {
        return None;
    }
    let cycles = CYCLES.max((last - first) as f64 / per_cycle / WINDOWS_MAX);
    let unknowns = SMOOTH_TERMS + 2 * orders.len();
    let length = floor_to_usize(cycles * per_cycle)
        .max(2 * teeth)
        .max(2 * unknowns);
    let mut rows = Vec::new();
    let mut from = 0;
    while let Some(end) = train
        .index
        .get(from)
        .map(|index| index + i64::try_from(length).unwrap_or(i64::MAX))
        .filter(|end| *end <= last)
    {
        let to = train.index.partition_point(|index| *index < end);
        if 4 * (to - from) > 3 * length {
            rows.push(Rows::new(train, from..to, teeth, orders)?);
        }
        from = to.max(from + 1);
    }
    let errors_rad = tooth_errors(&rows, teeth)?;
    let found: Vec<Window> = rows.iter().map(|it| it.window(&errors_rad)).collect();
    (found.len() >= FELT_MIN + UNFELT_MIN).then_some(found)
}

/// The teeth of a window: what they are made of, and how far the wheel had turned.
struct Rows {
    from_s: f64,
    to_s: f64,
    columns: DMatrix<f64>,
    factor: Cholesky<f64, Dyn>,
    turned_rad: DVector<f64>,
    /// The same at its middle, since the train's first tooth.
    middle_rad: f64,
    /// Which tooth of the wheel each is.
    places: Vec<usize>,
}

impl Rows {
    fn new(train: &ToothTrain, range: Range<usize>, teeth: usize, orders: &[f64]) -> Option<Self> {
        let (times, index) = (&train.time_s[range.clone()], &train.index[range]);
        let (from_s, to_s) = (*times.first()?, *times.last()?);
        let half_s = 0.5 * (to_s - from_s);
        let pitch = std::f64::consts::TAU / teeth as f64;
        let unknowns = SMOOTH_TERMS + 2 * orders.len();
        let columns = DMatrix::from_fn(times.len(), unknowns, |tooth, column| {
            if column < SMOOTH_TERMS {
                let x = (times[tooth] - from_s) / half_s - 1.0;
                return (0..column).map(|_| x).product();
            }
            let harmonic = column - SMOOTH_TERMS;
            // Angles count from the same tooth in every window.
            let (sin, cos) = (pitch * index[tooth] as f64 * orders[harmonic / 2]).sin_cos();
            if harmonic.is_multiple_of(2) { cos } else { sin }
        });
        let place = |index: &i64| usize::try_from(index.rem_euclid(teeth as i64)).unwrap_or(0);
        Some(Self {
            from_s,
            to_s,
            factor: columns.tr_mul(&columns).cholesky()?,
            columns,
            turned_rad: DVector::from_fn(times.len(), |tooth, _| {
                pitch * (index[tooth] - index[0]) as f64
            }),
            middle_rad: 0.5 * pitch * (index.first()? + index.last()?) as f64,
            places: index.iter().map(place).collect(),
        })
    }

    fn solved(&self, turned_rad: &DVector<f64>) -> DVector<f64> {
        self.factor.solve(&self.columns.tr_mul(turned_rad))
    }

    fn window(&self, errors_rad: &DVector<f64>) -> Window {
        let without = DVector::from_fn(self.places.len(), |tooth, _| {
            self.turned_rad[tooth] - errors_rad[self.places[tooth]]
        });
        let solved = self.solved(&without);
        let omega = 2.0 * solved[1] / (self.to_s - self.from_s);
        let harmonics = solved.as_slice().get(SMOOTH_TERMS..).unwrap_or(&[]);
        let swings = harmonics
            .chunks_exact(2)
            .map(|it| Complex::new(it[0], -it[1]) * omega.powi(2));
        Window {
            from_s: self.from_s,
            to_s: self.to_s,
            omega,
            turned_rad: self.middle_rad,
            swings: swings.collect(),
        }
    }
}

/// The wheel's tooth errors by least squares over all windows, each of which has a motion and harmonics of its own. What
/// can't be told from a harmonic stays in it.
fn tooth_errors(windows: &[Rows], teeth: usize) -> Option<DVector<f64>> {
    let mut normal = DMatrix::<f64>::zeros(teeth, teeth);
    let mut right = DVector::<f64>::zeros(teeth);
    for rows in windows {
        let which = DMatrix::from_fn(rows.places.len(), teeth, |tooth, place| {
            f64::from(u8::from(rows.places[tooth] == place))
        });
        let explained = rows.factor.solve(&rows.columns.tr_mul(&which));
        let left = &which - &rows.columns * explained;
        normal += left.tr_mul(&which);
        right += left.tr_mul(&rows.turned_rad);
    }
    let ridge = RIDGE * normal.trace() / teeth as f64;
    for place in 0..teeth {
        normal[(place, place)] += ridge;
    }
    Some(normal.cholesky()?.solve(&right))
}

impl Harmonic {
    /// Between which windows it is not felt, and what that leaves of what a steady engine leaves.
    fn unfelt(&self) -> Option<(f64, (usize, usize))> {
        let n = self.swings.len();
        let mut best: Option<(f64, (usize, usize))> = None;
        for (after, before) in BESIDE_CHANGE {
            if best.is_some() {
                break;
            }
            for from in (0..n).filter(|from| *from == 0 || *from >= FELT_MIN) {
                for to in (from + UNFELT_MIN..=n).filter(|to| *to == n || n - to >= FELT_MIN) {
                    let inner = (
                        from + if from > 0 { after } else { 0 },
                        to.saturating_sub(if to < n { before } else { 0 }),
                    );
                    let twice = from > 0 && to < n;
                    if to - from == n || inner.1 < inner.0 + UNFELT_MIN || twice && after > 0 {
                        continue;
                    }
                    // An engine's torque changes over the rise, and fast teeth scatter more: what is felt is what is felt beside.
                    // What the wheel's own errors add is told by the whole rise.
                    let beside = match self.own_errors {
                        Some(_) => n,
                        None => FELT_MIN.max(to - from),
                    };
                    let side = |k: usize| match k {
                        k if k + beside < from || k >= to + beside => Side::Neither,
                        k if k < from => Side::Felt(0),
                        k if k >= to => Side::Felt(usize::from(from > 0)),
                        k if (inner.0..inner.1).contains(&k) => Side::Unfelt,
                        _ => Side::Neither,
                    };
                    if let Some(share) = Split::new(self, side).and_then(|it| it.share())
                        && best.is_none_or(|(least, _)| share < least)
                    {
                        best = Some((share, (from, to)));
                    }
                }
            }
        }
        best
    }

    /// Whether it is felt within these windows much as beside them, where it can't be the wheel's own errors.
    fn is_felt_within(&self, from: usize, to: usize) -> bool {
        let (before, rest) = self.swings.split_at(from);
        let (within, after) = rest.split_at(to - from);
        let mean = |of: &mut dyn Iterator<Item = &Complex<f64>>| {
            let (sum, count) = of.fold((Complex::default(), 0.0), |(sum, n), it| {
                (sum + it, n + 1.0)
            });
            sum / count
        };
        let felt = mean(&mut within.iter());
        // Of neighbours: the torque may change over the rise.
        let steps = within.windows(2).map(|it| 0.5 * (it[1] - it[0]).norm_sqr());
        let scatter = steps.sum::<f64>() / (within.len() - 1).max(1) as f64;
        let beside = mean(&mut before.iter().chain(after));
        self.own_errors.is_none()
            && felt.norm() > FELT_SIGMA * scatter.sqrt()
            && felt.norm() > FELT_SHARE * beside.norm()
    }
}

/// What a window is taken for.
#[derive(Clone, Copy, PartialEq)]
enum Side {
    /// The harmonic is felt as in all others of this number.
    Felt(usize),
    Unfelt,
    /// The throttle, or what slips, moves within it.
    Neither,
}

/// Windows that feel a harmonic, and those that do not.
struct Split {
    /// Sum of squares that is left, and that a harmonic which is felt all along leaves.
    left: f64,
    left_steady: f64,
    felt: Vec<Complex<f64>>,
    unfelt: Complex<f64>,
    freedom: usize,
}

impl Split {
    fn new(harmonic: &Harmonic, side: impl Fn(usize) -> Side) -> Option<Self> {
        let all = 0..harmonic.swings.len();
        let counted: Vec<usize> = all.clone().filter(|k| side(*k) != Side::Neither).collect();
        let sides = all.filter_map(|k| match side(k) {
            Side::Felt(number) => Some(number + 1),
            _ => None,
        });
        let sides = sides.max()?;
        let steady = harmonic.least_squares(&counted, 1, |_| Some(0))?;
        let split = harmonic.least_squares(&counted, sides, |k| match side(k) {
            Side::Felt(number) => Some(number),
            _ => None,
        })?;
        let own_errors = split.1.get(sides).copied().unwrap_or_default();
        let unfelt: Vec<Complex<f64>> = counted
            .iter()
            .filter(|k| side(**k) == Side::Unfelt)
            .map(|k| harmonic.swings[*k] - own_errors * harmonic.of_errors(*k))
            .collect();
        Some(Self {
            left: split.0,
            left_steady: steady.0,
            felt: split.1.into_iter().take(sides).collect(),
            unfelt: unfelt.iter().sum::<Complex<f64>>() / unfelt.len() as f64,
            freedom: counted.len().saturating_sub(sides + 1).max(1),
        })
    }

    /// What is left as a share of what a steady engine leaves, where the harmonic surely goes missing.
    fn share(&self) -> Option<f64> {
        let sizes = self.felt.iter().map(|it| it.norm());
        let (least, greatest) = sizes.fold((f64::INFINITY, 0.0), |(low, high), it| {
            (f64::min(low, it), f64::max(high, it))
        });
        let sigma = (self.left / self.freedom as f64).sqrt();
        let left_share = match self.felt.len() {
            1 => LEFT_SHARE,
            _ => LEFT_BETWEEN_SHARE,
        };
        let goes_missing = self.unfelt.norm() < UNFELT_SHARE * least
            && least > FELT_SIGMA * sigma
            && greatest < SAME_ENGINE * least
            && self.left < left_share * self.left_steady;
        goes_missing.then_some(self.left / self.left_steady)
    }
}

impl Harmonic {
    /// What the wheel's own errors add in a window, but for a factor.
    fn of_errors(&self, window: usize) -> Complex<f64> {
        let own = self.own_errors.as_ref();
        own.map_or_else(Complex::default, |own| own[window])
    }

    /// Least squares over the `counted` windows of one of several constants, or nothing, in each, and of the wheel's own
    /// errors: the sum of squares that is left, and the constants with the factor of the errors after them.
    fn least_squares(
        &self,
        counted: &[usize],
        constants: usize,
        which: impl Fn(usize) -> Option<usize>,
    ) -> Option<(f64, Vec<Complex<f64>>)> {
        let unknowns = constants + usize::from(self.own_errors.is_some());
        let rows = DMatrix::from_fn(counted.len(), unknowns, |row, column| {
            if column < constants {
                Complex::from(f64::from(u8::from(which(counted[row]) == Some(column))))
            } else {
                self.of_errors(counted[row])
            }
        });
        let values = DVector::from_iterator(counted.len(), counted.iter().map(|k| self.swings[*k]));
        let solved = rows.ad_mul(&rows).cholesky()?.solve(&rows.ad_mul(&values));
        let left = (&values - &rows * &solved).norm_squared();
        Some((left, solved.as_slice().to_vec()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What holds engine and drum together over a pull of six seconds.
    #[derive(Clone, Copy)]
    struct Drive {
        teeth: u32,
        cycles_per_turn: f64,
        /// When the drum feels another ratio, or nothing (0), from when to when.
        otherwise: (f64, f64, f64),
        /// Strength of the engine over time.
        torque: fn(f64) -> f64,
        /// Where the teeth are off their places, as a share of a pitch.
        tooth_errors: f64,
    }

    const CHAIN: Drive = Drive {
        teeth: 8,
        cycles_per_turn: 3.0,
        otherwise: (9.0, 9.0, 0.0),
        torque: |_| 1.0,
        tooth_errors: 0.003,
    };

    /// A single cylinder turns a drum from 50 rad/s by 16 rad/s²: the torque of its cycle swings by one and a half times its
    /// mean at the cycle's own frequency and by as much less at each multiple (from memory, and that a clutch which slips
    /// passes on what its plates grip: any textbook of machine parts).
    fn felt(drive: Drive) -> Option<(f64, f64)> {
        let (train, wheel) = turned(drive);
        unfelt_s(&train, wheel)
    }

    fn turned(drive: Drive) -> (ToothTrain, Wheel) {
        let pitch = std::f64::consts::TAU / f64::from(drive.teeth);
        let (mut omega, mut theta, mut engine, mut next) = (50.0, 0.0, 0.0, 1_i64);
        let mut train = ToothTrain::default();
        let dt = 1e-5;
        for step in 0..600_000 {
            let t = f64::from(step) * dt;
            let (from_s, to_s, ratio) = drive.otherwise;
            let share = if (from_s..to_s).contains(&t) {
                ratio
            } else {
                1.0
            };
            engine += share * drive.cycles_per_turn * omega * dt;
            let swing = |harmonic: f64| 1.5 * (harmonic * engine).cos() / harmonic;
            let cycle = if share > 0.0 {
                1.0 + swing(1.0) + swing(2.0) + swing(3.0)
            } else {
                1.0
            };
            omega += 16.0 * (drive.torque)(t) * cycle * dt;
            theta += omega * dt;
            let place = next.rem_euclid(i64::from(drive.teeth)) as f64;
            let errors = (2.4 * place).sin() + (10.0 * pitch * place).cos();
            let tooth = pitch * (next as f64 + drive.tooth_errors * errors);
            if theta >= tooth {
                train.time_s.push(t - (theta - tooth) / omega);
                train.index.push(next);
                next += 1;
            }
        }
        let wheel = Wheel {
            teeth_per_turn: drive.teeth,
            cycles_per_turn: drive.cycles_per_turn,
        };
        (train, wheel)
    }

    /// The throttle let go for a moment, and another gear: in the one the engine is felt after it as before.
    #[test]
    fn the_same_gear_after_a_break_is_felt() {
        let closed = |t: f64| if (2.5..2.8).contains(&t) { -0.3 } else { 1.0 };
        for (teeth, cycles_per_turn) in [(8, 2.43), (8, 3.0), (60, 2.43), (36, 1.9)] {
            for (ratio, same) in [(1.0, true), (0.75, false), (1.3, false)] {
                let (train, wheel) = turned(Drive {
                    teeth,
                    cycles_per_turn,
                    otherwise: (2.6, 9.0, ratio),
                    torque: closed,
                    ..CHAIN
                });
                let felt = is_felt_after(&train, wheel, (2.5, 2.9));
                assert_eq!(felt, same, "{teeth}, {cycles_per_turn}, {ratio}");
            }
        }
    }

    #[test]
    fn a_clutch_that_slips_is_not_felt() {
        for (teeth, cycles_per_turn) in [(4, 2.7), (8, 3.0), (8, 2.43), (60, 3.0), (36, 1.9)] {
            for otherwise in [(0.0, 2.0, 0.0), (3.5, 9.0, 0.0), (2.0, 3.5, 0.0)] {
                let drive = Drive {
                    teeth,
                    cycles_per_turn,
                    otherwise,
                    ..CHAIN
                };
                let (from_s, to_s) = felt(drive).unwrap_or((9.0, 9.0));
                let case = format!("{teeth}, {cycles_per_turn}, {otherwise:?}: {from_s} to {to_s}");
                assert!((from_s - otherwise.0).abs() < 0.4, "{case}");
                assert!((to_s - otherwise.1.min(6.0)).abs() < 0.4, "{case}");
            }
        }
    }

    /// The torque of an engine may halve over a pull (common practice, no source): what is felt then differs by more than a
    /// short slip takes of it.
    #[test]
    fn a_clutch_that_slips_for_a_moment_is_not_felt() {
        for (teeth, cycles_per_turn) in [(4, 2.7), (8, 2.43), (60, 2.43), (36, 1.9)] {
            for otherwise in [(0.0, 0.9, 0.0), (5.3, 9.0, 0.0)] {
                let drive = Drive {
                    teeth,
                    cycles_per_turn,
                    otherwise,
                    torque: |t| 1.2 - 0.12 * t,
                    ..CHAIN
                };
                let (from_s, to_s) = felt(drive).unwrap_or((9.0, 9.0));
                let case = format!("{teeth}, {cycles_per_turn}, {otherwise:?}: {from_s} to {to_s}");
                assert!((from_s - otherwise.0).abs() < 0.4, "{case}");
                assert!((to_s - otherwise.1.min(6.0)).abs() < 0.4, "{case}");
            }
        }
    }

    #[test]
    fn another_gear_is_felt_elsewhere() {
        let shifted = |t: f64| if (3.5..3.75).contains(&t) { -0.3 } else { 1.0 };
        for ratio in [0.75, 0.8, 1.3] {
            for (teeth, cycles_per_turn) in [(8, 2.43), (60, 2.43), (36, 1.9)] {
                let drive = Drive {
                    teeth,
                    cycles_per_turn,
                    otherwise: (3.5, 9.0, ratio),
                    torque: shifted,
                    ..CHAIN
                };
                let (from_s, _) = felt(drive).unwrap_or((9.0, 9.0));
                assert!(
                    (from_s - 3.5).abs() < 0.4,
                    "{ratio}, {teeth}, {cycles_per_turn}: {from_s}"
                );
            }
        }
    }

    /// A chain that holds, a two-stroke that comes onto its pipe, a hole, a wheel with bad teeth: nothing is missing.
    #[test]
    fn an_engine_that_is_felt_all_along_is_left_alone() {
        let pipe = |t: f64| 0.33 + 0.67 / (1.0 + (-(t - 3.0) / 0.2).exp());
        let hole = |t: f64| 1.0 - 0.6 * (-((t - 3.0) / 0.4_f64).powi(2)).exp();
        for teeth in [4, 8, 60] {
            for cycles_per_turn in [2.7, 3.0, 5.2] {
                for torque in [CHAIN.torque, pipe, hole] {
                    for tooth_errors in [0.0, 0.02] {
                        let drive = Drive {
                            teeth,
                            cycles_per_turn,
                            torque,
                            tooth_errors,
                            ..CHAIN
                        };
                        assert_eq!(
                            felt(drive),
                            None,
                            "{teeth}, {cycles_per_turn}, {tooth_errors}"
                        );
                    }
                }
            }
        }
    }
    /// A harmonic beside a whole order of the wheel's turn, and a torque that falls far off: the tooth errors of that order
    /// pass through all places of the cycle over the pull.
    #[test]
    fn tooth_errors_beside_a_harmonic_take_none_of_it() {
        for cycles_per_turn in [3.327, 3.331, 3.335, 3.339] {
            for tooth_errors in [0.0, 0.0003, 0.001, 0.003] {
                let drive = Drive {
                    teeth: 60,
                    cycles_per_turn,
                    torque: |t| 1.2 - 0.17 * t,
                    tooth_errors,
                    ..CHAIN
                };
                assert_eq!(felt(drive), None, "{cycles_per_turn}, {tooth_errors}");
            }
        }
    }
}
