//! How smooth the curve is, how unlike the cycles are and how noisy the timing: by restricted maximum
//! likelihood, and what its uncertainty does to the curve.

use super::model::{Layout, NULL_SPACE, Normal, Roughness, Smoothness, WorkRow};
use crate::bspline::{ORDER, even};
use crate::envelope::{Envelope, Factor};
use nalgebra::{DMatrix, DVector, SymmetricEigen};

/// What is taken of a segment's work beforehand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Work {
    /// It scatters as that of the others.
    Scatters,
    /// A drive that swings adds to it.
    Swings,
    /// Nothing: it jumped.
    Jumped,
}

impl Work {
    /// Its weight over that of one that scatters.
    fn weight(self) -> f64 {
        match self {
            Self::Scatters => 1.0,
            // A drive damped by 0.02 makes 25 times as much of it.
            Self::Swings => 1.0 / (25.0 * 25.0),
            Self::Jumped => 1e-7,
        }
    }
}

/// The equations at one linearisation.
pub(super) struct System<'a> {
    layout: &'a Layout,
    normal: &'a Normal,
    roughness: &'a Roughness,
    cycles: Cycles<'a>,
    ridge: &'a [f64],
    target: &'a [f64],
    /// What of each segment's work the one before does not tell, scaled to the scatter of the work.
    work: Vec<Vec<(usize, f64)>>,
    work_matrix: Envelope,
}

/// What is held of the cycles' work.
#[derive(Clone, Copy)]
pub(super) struct Cycles<'a> {
    pub(super) rows: &'a [WorkRow],
    /// What is taken of each segment's.
    pub(super) kinds: &'a [Work],
    /// Correlation of the work of neighbouring segments.
    pub(super) correlation: f64,
}

/// Correlation of neighbours before the teeth speak, and its scatter: residual gas correlates cycles by up to 0.5 either
/// way (common practice, no source), any of it as likely, and a segment that begins within a cycle shares it with the
/// one before.
const CORRELATION: (f64, f64) = (0.0, 0.3);
const CORRELATION_MAX: f64 = 0.5;
const CORRELATION_STEP: f64 = 0.15;

/// Scatter of the work of engines' cycles before the teeth speak, as logarithms of mean and factor:
/// healthy engines have 1 to 4 %, ones near misfire 10 %, and several cylinders together less
/// (J. Heywood, "Internal Combustion Engine Fundamentals", 1988, ch. 9.4, from memory). Few teeth
/// could else take all of it for the curve.
const COV: (f64, f64) = (-4.2, 1.5);

impl Cycles<'_> {
    /// Whether a segment follows one that tells something of it.
    fn is_led(&self, segment: usize) -> bool {
        segment > 0 && self.kinds[segment - 1..=segment] == [Work::Scatters; 2]
    }

    fn work(&self) -> Vec<Vec<(usize, f64)>> {
        let rho = self.correlation;
        let scale = 1.0 / (1.0 - rho * rho).sqrt();
        (0..self.rows.len())
            .map(|i| {
                let own = &self.rows[i].row;
                if !self.is_led(i) || rho == 0.0 {
                    return own.clone();
                }
                let mut row: Vec<(usize, f64)> =
                    own.iter().map(|(at, v)| (*at, scale * v)).collect();
                for (at, v) in &self.rows[i - 1].row {
                    match row.iter_mut().find(|(other, _)| other == at) {
                        Some((_, sum)) => *sum -= scale * rho * v,
                        None => row.push((*at, -scale * rho * v)),
                    }
                }
                row
            })
            .collect()
    }

    /// Minus twice the logarithm of what correlation and scatter add to the density.
    fn criterion(&self, cov: f64) -> f64 {
        if self.rows.is_empty() {
            return 0.0;
        }
        let led = (0..self.rows.len()).filter(|i| self.is_led(*i)).count() as f64;
        let (mean, spread) = CORRELATION;
        led * (1.0 - self.correlation.powi(2)).ln()
            + ((self.correlation - mean) / spread).powi(2)
            + unlike_engines(cov)
    }
}

/// Minus twice the logarithm of what is known of the scatter of the cycles' work before the teeth speak.
fn unlike_engines(cov: f64) -> f64 {
    ((cov.ln() - COV.0) / COV.1).powi(2)
}

/// Logarithms of the weights of roughness and of the cycles' work.
pub(super) type Weights = [f64; 2];

pub(super) struct Solved {
    pub(super) solution: Vec<f64>,
    pub(super) factor: Factor,
    pub(super) noise_s: f64,
    /// Minus twice the restricted log likelihood, but for a constant.
    pub(super) criterion: f64,
}

/// A solution that may be the one.
pub(super) struct Likely {
    pub(super) solved: Solved,
    pub(super) inverse: Envelope,
    /// What smoothing moved the unknowns by, as far as the solution itself tells.
    pub(super) flattened: Vec<f64>,
    /// The same less what the flattening of the solution takes from it.
    pub(super) unflattened: Vec<f64>,
    /// Effective number of parameters of the smooth part.
    pub(super) parameters: f64,
    /// By how much the trace of the equations' matrix times its inverse is off the number of unknowns: what rounding
    /// adds to, or takes from, the number of parameters.
    pub(super) rounding: f64,
    /// Weight of the roughness.
    weight: f64,
}

/// Where the likelihood is greatest, and how it falls off.
#[derive(Debug, Clone, Copy)]
pub(super) struct Best {
    pub(super) at: Weights,
    /// Standard deviation of each weight's logarithm.
    pub(super) deviation: [f64; 2],
    /// By how much the second's likeliest moves with the first.
    pub(super) follows: f64,
    pub(super) criterion: f64,
}

/// What the solutions take for the scatter of the cycles' work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scatter {
    /// There is none: the cycles are all alike, or no part of the fit.
    None,
    /// The likeliest.
    Known,
    /// All that is likely: it is averaged over.
    Averaged,
}

impl<'a> System<'a> {
    pub(super) fn new(
        layout: &'a Layout,
        normal: &'a Normal,
        roughness: &'a Roughness,
        cycles: Cycles<'a>,
        (ridge, target): (&'a [f64], &'a [f64]),
    ) -> Self {
        let work = cycles.work();
        let mut work_matrix = normal.a.zeros_alike();
        for (row, kind) in work.iter().zip(cycles.kinds) {
            work_matrix.add_square(row, kind.weight());
        }
        Self {
            layout,
            normal,
            roughness,
            cycles,
            work,
            ridge,
            target,
            work_matrix,
        }
    }

    pub(super) fn solve(&self, weights: Weights) -> Option<Solved> {
        let [lambda, kappa] = weights.map(f64::exp);
        let mut matrix = self.normal.a.clone();
        matrix.add(lambda, &self.roughness.matrix);
        if !self.work.is_empty() {
            matrix.add(kappa, &self.work_matrix);
        }
        let mut right = self.normal.b.clone();
        for (value, offset) in right.iter_mut().zip(&self.roughness.offset) {
            *value -= lambda * offset;
        }
        for (i, ridge) in self.ridge.iter().enumerate() {
            *matrix.at_mut(i, i) += ridge;
            right[i] += ridge * self.target[i];
        }
        let factor = matrix.factor_steadied()?;
        let solution = factor.solve(&right);
        let product = self.normal.a.times(&solution);
        let fit: f64 = self.normal.rr
            + solution
                .iter()
                .zip(product.iter().zip(&self.normal.b))
                .map(|(x, (ax, b))| x * (ax - 2.0 * b))
                .sum::<f64>();
        if fit <= 0.0 {
            return None; // lost to rounding: the weight is out of any sensible range
        }
        let shrink: f64 = (0..self.ridge.len())
            .map(|i| self.ridge[i] * (solution[i] - self.target[i]).powi(2))
            .sum();
        let work: f64 = self
            .work
            .iter()
            .zip(self.cycles.kinds)
            .map(|(row, kind)| {
                let work: f64 = row.iter().map(|(at, v)| v * solution[*at]).sum();
                kind.weight() * work.powi(2)
            })
            .sum();
        let deviance = fit + lambda * self.roughness.after(&solution) + kappa * work + shrink;
        let free = (self.normal.rows - NULL_SPACE as f64).max(1.0);
        // Where the cycles explain all, the teeth don't tell it: it can't be less than the timer's.
        let noise_s = (deviance / free).sqrt().max(self.normal.least_noise_s);
        let variance = noise_s * noise_s;
        let rank = self.layout.spline_at.len().saturating_sub(NULL_SPACE) as f64;
        let criterion = free * variance.ln() + deviance / variance + factor.log_det()
            - rank * weights[0]
            - self.roughness.log_det
            - self.scattering() * weights[1]
            + self.cycles.criterion(noise_s * (-0.5 * weights[1]).exp());
        Some(Solved {
            noise_s,
            solution,
            factor,
            criterion,
        })
    }

    fn scattering(&self) -> f64 {
        let kinds = self.cycles.kinds.iter();
        kinds.filter(|it| **it == Work::Scatters).count() as f64
    }

    fn criterion(&self, weights: Weights) -> f64 {
        self.solve(weights)
            .map_or(f64::INFINITY, |solved| solved.criterion)
    }

    pub(super) fn smoothness(&self) -> Smoothness {
        self.roughness.smoothness
    }

    /// The weights that make the teeth most likely, from `before` on.
    pub(super) fn search(&self, before: Weights) -> Best {
        let both = !self.work.is_empty();
        let found = descend(before, both, |weights| self.criterion(weights));
        if found.criterion.is_finite() {
            return found;
        }
        descend(self.scan(None), both, |weights| self.criterion(weights))
    }

    /// The correlation of neighbouring segments' work that makes the teeth most likely, with the
    /// weights held: a step of Newton's method from the one in hand.
    pub(super) fn correlation(&self, weights: Weights) -> f64 {
        let rho = self.cycles.correlation;
        let at = |correlation: f64| {
            let cycles = Cycles {
                correlation,
                ..self.cycles
            };
            Self::new(
                self.layout,
                self.normal,
                self.roughness,
                cycles,
                (self.ridge, self.target),
            )
            .criterion(weights)
        };
        let (less, here, more) = (
            at(rho - CORRELATION_STEP),
            at(rho),
            at(rho + CORRELATION_STEP),
        );
        let (slope, bend) = (more - less, more + less - 2.0 * here);
        let step = if bend > 0.0 {
            -0.5 * slope / bend
        } else {
            -slope.signum()
        };
        let found = rho + CORRELATION_STEP * step.clamp(-2.0, 2.0);
        if found.is_finite() {
            found.clamp(-CORRELATION_MAX, CORRELATION_MAX)
        } else {
            rho
        }
    }

    /// The solution at the best weights, or at the nearest less smooth that rounding allows.
    pub(super) fn solve_near(&self, best: &Best) -> Option<Solved> {
        (0..10).find_map(|i| self.solve([best.at[0] - f64::from(i), best.at[1]]))
    }

    /// Weights to begin a search with. What another kind of roughness found for the cycles' work
    /// holds here too.
    pub(super) fn scan(&self, log_kappa: Option<f64>) -> Weights {
        // As rough as the motion in hand with 3 us of timing noise, and smoother.
        let rough = self.roughness.after(&vec![0.0; self.normal.b.len()]);
        let natural = (1e-11 * self.layout.spline_at.len() as f64 / rough).ln();
        let kappas = match log_kappa {
            Some(kappa) => vec![kappa],
            None if self.work.is_empty() => vec![0.0],
            // Timing noise over scatter of the cycles' work, squared: 1 to 50 us over 0.1 to 20 %.
            None => even(-23.0, -11.0, 3),
        };
        let mut best = (f64::INFINITY, [natural, kappas[0]]);
        for x in even(natural - 4.0, natural + 12.0, 5) {
            for y in &kappas {
                let value = self.criterion([x, *y]);
                if value < best.0 {
                    best = (value, [x, *y]);
                }
            }
        }
        best.1
    }

    /// Scatter of the cycles' work, over its mean.
    fn cov(&self, weights: Weights) -> Option<f64> {
        Some(self.solve(weights)?.noise_s * (-0.5 * weights[1]).exp())
    }

    /// Relative standard deviation of the scatter of the cycles' work: its weight is over the timing noise, which
    /// may be known less well.
    pub(super) fn cov_deviation(&self, best: &Best) -> f64 {
        let [rough, scatter] = best.at;
        let far = best.deviation[1];
        let [less, more] = [far, -far].map(|far| self.cov([rough, scatter + far]));
        match less.zip(more) {
            Some((less, more)) => 0.5 * (more / less).ln().abs(),
            None => 0.5 * far,
        }
    }

    /// How far the weight of the cycles' work is from the best where the cycles are as good as all alike.
    fn to_alike(&self, best: &Best) -> Option<f64> {
        Some(2.0 * (self.cov(best.at)? / COV_OF_ALIKE).ln())
    }

    /// Logarithm of how many times likelier the teeth are if the cycles are all alike than if their work scatters as
    /// engines' does: the ratio of the two evidences (H. Jeffreys, "Theory of Probability", 1961, ch. 5, from memory), that
    /// of the scatter by Laplace's approximation around the best.
    fn alike(&self, best: &Best) -> Option<f64> {
        let [rough, scatter] = best.at;
        let solved = self.solve([rough, scatter + self.to_alike(best)?])?;
        // One hypothesis has no scatter to be known beforehand, the other has its probability spread over all of it.
        let alike = solved.criterion - unlike_engines(COV_OF_ALIKE);
        let spread = 2.0 * COV.1 / best.deviation[1];
        Some(0.5 * (best.criterion - alike) + spread.ln())
    }

    pub(super) fn scatter(&self, best: &Best) -> Scatter {
        let undisturbed = self.cycles.kinds.iter().all(|it| *it == Work::Scatters);
        if self.work.is_empty()
            || undisturbed && self.alike(best).is_some_and(|it| it > STRONG.ln())
        {
            Scatter::None
        } else if best.deviation[1] < SCATTER_KNOWN {
            Scatter::Known
        } else {
            Scatter::Averaged
        }
    }

    /// Solutions at weights around the best.
    pub(super) fn around(&self, best: &Best, scatter: Scatter) -> Vec<Likely> {
        let [rough, uncertain] = best.deviation;
        // What is left of the scatter's uncertainty at a known roughness.
        let left = (uncertain.powi(2) - (best.follows * rough).powi(2)).max(0.0);
        let (steps, sides): (&[f64], &[f64]) = match scatter {
            Scatter::None | Scatter::Known => (&[-1.8, -0.9, 0.0, 0.9, 1.8], &[0.0]),
            Scatter::Averaged => (&[-1.5, 0.0, 1.5], &[-1.5, 0.0, 1.5]),
        };
        let alike = match scatter {
            Scatter::None if !self.work.is_empty() => self.to_alike(best).unwrap_or_default(),
            _ => 0.0,
        };
        let points = sides.iter().flat_map(|side| {
            steps.iter().map(move |step| {
                let x = step * rough;
                [x, best.follows * x + side * left.sqrt() + alike]
            })
        });
        let likely: Vec<Likely> = points.filter_map(|p| self.likely(best, p)).collect();
        if !likely.is_empty() {
            return likely;
        }
        let further = (3..10).find_map(|i| self.likely(best, [-f64::from(i), 0.0]));
        further.into_iter().collect()
    }

    fn likely(&self, best: &Best, step: Weights) -> Option<Likely> {
        let x = best.at[0] + step[0];
        let solved = self.solve([x, best.at[1] + step[1]])?;
        let inverse = solved.factor.inverse();
        let held = x.exp() * inverse.trace_product(&self.roughness.matrix);
        let scatter = (best.at[1] + step[1]).exp() * inverse.trace_product(&self.work_matrix);
        let ridges = self.ridge.iter().enumerate();
        let steadied: f64 = ridges.map(|(i, ridge)| ridge * inverse.at(i, i)).sum();
        let unknowns = inverse.trace_product(&self.normal.a) + held + scatter + steadied;
        let held_back = self.roughness.pull(&solved.solution);
        let mut flattened = solved.factor.solve(&held_back);
        flattened.iter_mut().for_each(|value| *value *= -x.exp());
        // The solution is flattened itself: what smoothing does to that comes on top.
        let mut of_flattened = solved
            .factor
            .solve(&self.roughness.matrix.times(&flattened));
        for (value, more) in of_flattened.iter_mut().zip(&flattened) {
            *value = x.exp() * *value + more;
        }
        Some(Likely {
            flattened,
            unflattened: of_flattened,
            parameters: self.layout.spline_at.len() as f64 - held,
            rounding: (unknowns - inverse.len() as f64).abs(),
            inverse,
            solved,
            weight: x.exp(),
        })
    }
}

/// What smoothing is expected to move the smooth part by, and how much of that it seems to do.
pub(super) struct Bias {
    /// Expected square of it, over the timing noise's, by coefficients of the smooth part.
    pub(super) expected: DMatrix<f64>,
    /// What noise moves them by once what smoothing moved them by is taken away ([`Likely::unflattened`]), over the
    /// timing noise: so much for each of as many independent draws.
    pub(super) by_noise: DMatrix<f64>,
    /// What it seems to be over that.
    pub(super) share: f64,
}

/// Expectations count for so many degrees of freedom beside what the curve says itself.
const EXPECTED_FREEDOM: f64 = 0.1;

impl System<'_> {
    /// Roughness of one weight everywhere is what the band is worked out from, and half of the band's
    /// variance is what smoothing hides of it. A curve that bends evenly has less to hide at the same
    /// roughness, one with a kink more: by how much is told by what smoothing would move the curve
    /// itself by, less what noise makes of that, over its expectation.
    ///
    /// `rows` give the points that are looked at, by first coefficient and derivative. `None` where
    /// rounding leaves nothing to work with.
    pub(super) fn bias(&self, likely: &Likely, rows: &[(usize, [f64; ORDER])]) -> Option<Bias> {
        let at = &self.layout.spline_at;
        let n = at.len();
        let mut unit = vec![0.0; self.layout.len()];
        let mut inverse = DMatrix::zeros(n, n);
        for (j, position) in at.iter().enumerate() {
            unit[*position] = 1.0;
            let column = likely.solved.factor.solve(&unit);
            unit[*position] = 0.0;
            for (i, position) in at.iter().enumerate() {
                inverse[(i, j)] = column[*position];
            }
        }
        let root = root(inverse)?;
        // Directions that smoothing holds back each by itself, from not at all (0) to wholly (1).
        let held = self.roughness.of_columns(at, &root) * likely.weight;
        let held = SymmetricEigen::try_new(held, f64::EPSILON, 10_000)?;
        let directions = root * held.eigenvectors;
        let back = held.eigenvalues.map(|share| share.clamp(0.0, 1.0));
        let variance = likely.solved.noise_s.powi(2);
        let mut looked_at = DMatrix::<f64>::zeros(n, n);
        let mut seen = 0.0;
        for (first, row) in rows {
            let row = DVector::from_column_slice(row);
            let along = directions.rows(*first, ORDER).tr_mul(&row);
            let square = along.norm_squared().max(f64::MIN_POSITIVE);
            let moved = (0..ORDER).map(|i| row[i] * likely.flattened[at[first + i]]);
            seen += moved.sum::<f64>().powi(2) / (variance * square);
            looked_at.ger(1.0 / square, &along, &along, 1.0);
        }
        let scatter = back.map(|e| e * (1.0 - e));
        let (mut from_noise, mut from_all, mut spread) = (0.0, 0.0, 0.0);
        for i in 0..n {
            from_all += looked_at[(i, i)] * scatter[i];
            from_noise += looked_at[(i, i)] * scatter[i] * back[i];
            for j in 0..n {
                spread += looked_at[(i, j)].powi(2) * scatter[i] * scatter[j];
            }
        }
        let expected = from_all - from_noise;
        let freedom = expected * expected / spread;
        let share = ((seen - from_noise) / expected).max(0.0);
        Some(Bias {
            share: (freedom * share + EXPECTED_FREEDOM) / (freedom + EXPECTED_FREEDOM),
            expected: &directions * DMatrix::from_diagonal(&back) * directions.transpose(),
            by_noise: &directions
                * DMatrix::from_diagonal(&back.map(|e| (1.0 + e + e * e) * (1.0 - e).sqrt())),
        })
    }
}

/// A square root of a covariance of which some directions are so well known that they drown in rounding: as
/// large as that leaves them.
fn root(covariance: DMatrix<f64>) -> Option<DMatrix<f64>> {
    let size = covariance.diagonal().map(f64::sqrt);
    let n = covariance.nrows();
    let alike = DMatrix::from_fn(n, n, |i, j| {
        0.5 * (covariance[(i, j)] + covariance[(j, i)]) / (size[i] * size[j])
    });
    let root = [0.0, 1e-14, 1e-13, 1e-12, 1e-11, 1e-10]
        .into_iter()
        .find_map(|more| (&alike + DMatrix::identity(n, n) * more).cholesky())?;
    Some(DMatrix::from_diagonal(&size) * root.unpack())
}

/// The share of the probability that each solution has.
pub(super) fn shares(solved: &[Likely]) -> Vec<f64> {
    let criteria = solved.iter().map(|s| s.solved.criterion);
    let least = criteria.clone().fold(f64::INFINITY, f64::min);
    let likely: Vec<f64> = criteria.map(|c| (-0.5 * (c - least)).exp()).collect();
    let sum: f64 = likely.iter().sum();
    likely.into_iter().map(|share| share / sum).collect()
}

impl WorkRow {
    /// Work lacking in the segment, over a cycle's and the root of their number.
    pub(super) fn of(&self, solution: &[f64]) -> f64 {
        self.row.iter().map(|(at, v)| v * solution[*at]).sum()
    }
}

/// Distance of the points that the shape of the likelihood is taken from.
const STEP: f64 = 0.7;
const ROUNDS: usize = 8;
/// The scatter of the cycles' work is known well enough where its weight's logarithm is to so much; else it is
/// averaged over.
const SCATTER_KNOWN: f64 = 0.6;
/// What drives no cylinders, as an electric motor, has cycles that are all alike. They are taken to be where the teeth say so
/// strongly: so many times likelier (H. Jeffreys, "Theory of Probability", 1961, app. B, from memory).
const STRONG: f64 = 10.0;
/// As good as no scatter, beside any that teeth tell from none.
const COV_OF_ALIKE: f64 = 1e-5;
/// Widest standard deviation of a weight's logarithm that is believed.
const DEVIATION_MAX: f64 = 3.0;

/// Newton's method on two logarithms (or the first alone) with differences for derivatives.
fn descend(start: Weights, both: bool, mut f: impl FnMut(Weights) -> f64) -> Best {
    let mut at = start;
    let mut value = f(at);
    let mut deviation = [DEVIATION_MAX, DEVIATION_MAX];
    let mut follows = 0.0;
    for _ in 0..ROUNDS {
        let mut best = (value, at);
        let mut look = |point: Weights| {
            let found = f(point);
            if found < best.0 {
                best = (found, point);
            }
            found
        };
        let (mut slope, mut bend, mut cross) = ([0.0; 2], [1.0; 2], 0.0);
        for axis in 0..=usize::from(both) {
            let moved = |step: f64| {
                let mut point = at;
                point[axis] += step;
                point
            };
            let (less, more) = (look(moved(-STEP)), look(moved(STEP)));
            slope[axis] = (more - less) / (2.0 * STEP);
            bend[axis] = (more + less - 2.0 * value) / (STEP * STEP);
        }
        if both {
            let side = [-slope[0].signum() * STEP, -slope[1].signum() * STEP];
            let corner = look([at[0] + side[0], at[1] + side[1]]);
            let straight: f64 = (0..2)
                .map(|i| side[i] * slope[i] + 0.5 * side[i] * side[i] * bend[i])
                .sum();
            cross = (corner - value - straight) / (side[0] * side[1]);
        }
        let determinant = bend[0] * bend[1] - cross * cross;
        // By itself at first, in case that the two together are no bowl.
        for (deviation, bend) in deviation.iter_mut().zip(bend) {
            *deviation = (2.0 / bend.max(f64::MIN_POSITIVE))
                .sqrt()
                .min(DEVIATION_MAX);
        }
        let convex = bend[0] > 1e-3 && bend[1] > 1e-3 && determinant > 0.0;
        let wanted = if convex {
            deviation = [bend[1], bend[0]]
                .map(|other| (2.0 * other / determinant).sqrt().min(DEVIATION_MAX));
            follows = (-cross / bend[1]).clamp(-3.0, 3.0);
            [
                (cross * slope[1] - bend[1] * slope[0]) / determinant,
                (cross * slope[0] - bend[0] * slope[1]) / determinant,
            ]
        } else {
            slope.map(|s| {
                if s.abs() > 1e-3 {
                    -2.0 * s.signum()
                } else {
                    0.0
                }
            })
        };
        let step = wanted.map(|w| {
            if w.is_finite() {
                w.clamp(-3.0, 3.0)
            } else {
                0.0
            }
        });
        let to = [at[0] + step[0], if both { at[1] + step[1] } else { at[1] }];
        look(to);
        let gained = value - best.0;
        (value, at) = best;
        if gained < 0.02 {
            break;
        }
    }
    Best {
        at,
        deviation,
        follows,
        criterion: value,
    }
}
