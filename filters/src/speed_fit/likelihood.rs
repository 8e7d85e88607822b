//! How smooth the curve is, how unlike the cycles are and how noisy the timing: by restricted maximum
//! likelihood, and what its uncertainty does to the curve.

use super::model::{Layout, NULL_SPACE, Normal, Roughness, Smoothness, WorkRow};
use crate::bspline::even;
use crate::envelope::{Envelope, Factor};

/// Weight of a segment whose work is left free.
const RELEASED: f64 = 1e-7;

/// The equations at one linearisation.
pub(super) struct System<'a> {
    layout: &'a Layout,
    normal: &'a Normal,
    roughness: &'a Roughness,
    work: &'a [WorkRow],
    released: &'a [bool],
    ridge: &'a [f64],
    target: &'a [f64],
    work_matrix: Envelope,
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
    /// Effective number of parameters of the smooth part.
    pub(super) parameters: f64,
}

/// Where the likelihood is greatest, and how it falls off.
#[derive(Debug, Clone, Copy)]
pub(super) struct Best {
    pub(super) at: Weights,
    /// Standard deviation of each weight's logarithm.
    pub(super) deviation: [f64; 2],
    pub(super) criterion: f64,
}

impl<'a> System<'a> {
    pub(super) fn new(
        layout: &'a Layout,
        normal: &'a Normal,
        roughness: &'a Roughness,
        (work, released): (&'a [WorkRow], &'a [bool]),
        (ridge, target): (&'a [f64], &'a [f64]),
    ) -> Self {
        let mut work_matrix = normal.a.zeros_alike();
        for (row, released) in work.iter().zip(released) {
            work_matrix.add_square(&row.row, if *released { RELEASED } else { 1.0 });
        }
        Self {
            layout,
            normal,
            roughness,
            work,
            released,
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
        let factor = matrix.factor()?;
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
            .zip(self.released)
            .map(|(row, released)| {
                let weight = if *released { RELEASED } else { 1.0 };
                weight * row.of(&solution).powi(2)
            })
            .sum();
        let deviance = fit + lambda * self.roughness.after(&solution) + kappa * work + shrink;
        let free = (self.normal.rows - NULL_SPACE as f64).max(1.0);
        let rank = self.layout.spline_at.len().saturating_sub(NULL_SPACE) as f64;
        let criterion = free * deviance.ln() + factor.log_det()
            - rank * weights[0]
            - self.roughness.log_det
            - self.released.iter().filter(|r| !**r).count() as f64 * weights[1];
        Some(Solved {
            noise_s: (deviance / free).sqrt(),
            solution,
            factor,
            criterion,
        })
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

    /// Solutions at weights of roughness around the best.
    pub(super) fn around(&self, best: &Best) -> Vec<Likely> {
        let steps = [-1.8, -0.9, 0.0, 0.9, 1.8].map(|step| step * best.deviation[0]);
        let likely: Vec<Likely> = steps.iter().filter_map(|s| self.likely(best, *s)).collect();
        if !likely.is_empty() {
            return likely;
        }
        let further = (3..10).find_map(|i| self.likely(best, -f64::from(i)));
        further.into_iter().collect()
    }

    fn likely(&self, best: &Best, step: f64) -> Option<Likely> {
        let x = best.at[0] + step;
        let solved = self.solve([x, best.at[1]])?;
        let inverse = solved.factor.inverse();
        let held = x.exp() * inverse.trace_product(&self.roughness.matrix);
        let held_back = self.roughness.pull(&solved.solution);
        let mut flattened = solved.factor.solve(&held_back);
        flattened.iter_mut().for_each(|value| *value *= -x.exp());
        Some(Likely {
            flattened,
            parameters: self.layout.spline_at.len() as f64 - held,
            inverse,
            solved,
        })
    }
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
/// Widest standard deviation of a weight's logarithm that is believed.
const DEVIATION_MAX: f64 = 3.0;

/// Newton's method on two logarithms (or the first alone) with differences for derivatives.
fn descend(start: Weights, both: bool, mut f: impl FnMut(Weights) -> f64) -> Best {
    let mut at = start;
    let mut value = f(at);
    let mut deviation = [DEVIATION_MAX, DEVIATION_MAX];
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
        let convex = bend[0] > 1e-3 && bend[1] > 1e-3 && determinant > 0.0;
        let wanted = if convex {
            deviation = [bend[1], bend[0]]
                .map(|other| (2.0 * other / determinant).sqrt().min(DEVIATION_MAX));
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
        criterion: value,
    }
}
