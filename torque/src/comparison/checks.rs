//! What to know before trusting a comparison: pulls that stand apart, first pulls after a change,
//! setups that scatter differently. Nothing here leaves a pull out.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::figure::Estimate;
use super::scatter::LinearFit;
use super::two_sample::{two_sided_factor, upper_tail};

/// Probability of a false alarm in the whole test below which something is remarked.
const ALARM: f64 = 0.01;

/// How the first pulls after a change differ from the others with the same setup.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FirstPulls {
    /// How many there are, the very first of the test included.
    pub count: usize,
    /// Their mean over all speeds less that of the others, as a share.
    pub relative: Estimate,
    /// Probability of such a difference by chance.
    pub p_value: f64,
}

/// One number for each pull: the mean of its relative curve.
pub(super) fn pull_means(curves: &DMatrix<f64>) -> DMatrix<f64> {
    let points = curves.ncols().max(1) as f64;
    DMatrix::from_iterator(
        curves.nrows(),
        1,
        curves.row_iter().map(|row| row.sum() / points),
    )
}

/// A coefficient of a fit of one number per pull.
#[derive(Debug, Clone, Copy)]
pub(super) struct Coefficient {
    pub(super) estimate: Estimate,
    pub(super) p_value: f64,
}

/// The last coefficient of such a fit; none when the design cannot tell or nothing is left over.
pub(super) fn last_coefficient(
    design: &DMatrix<f64>,
    means: &DMatrix<f64>,
    confidence: f64,
) -> Option<Coefficient> {
    let fit = LinearFit::new(design, means)?;
    if fit.dof == 0 {
        return None;
    }
    let dof = fit.dof as f64;
    let mut weights = DVector::zeros(design.ncols());
    *weights.iter_mut().last()? = 1.0;
    let value = fit.combination(&weights).first().copied()?;
    let variance = fit.residuals.norm_squared() / dof;
    let u = (variance * fit.variance_ratio(&weights)).sqrt();
    Some(Coefficient {
        estimate: Estimate {
            value,
            half_width: u * two_sided_factor(1.0 - confidence, dof),
        },
        p_value: if u > 0.0 {
            2.0 * upper_tail((value / u).abs(), dof)
        } else {
            1.0
        },
    })
}

/// The first pulls after a change against the rest. `setups` is in the order of the pulls.
pub(super) fn first_pulls(
    design: &DMatrix<f64>,
    means: &DMatrix<f64>,
    setups: &[usize],
    confidence: f64,
) -> Option<FirstPulls> {
    let is_first: Vec<f64> = (0..setups.len())
        .map(|i| match i.checked_sub(1) {
            Some(before) if setups[before] == setups[i] => 0.0,
            _ => 1.0,
        })
        .collect();
    let columns = design.ncols();
    let extended = DMatrix::from_fn(design.nrows(), columns + 1, |i, j| {
        if j == columns {
            is_first[i]
        } else {
            design[(i, j)]
        }
    });
    let coefficient = last_coefficient(&extended, means, confidence)?;
    Some(FirstPulls {
        count: is_first.iter().filter(|first| **first > 0.0).count(),
        relative: coefficient.estimate,
        p_value: coefficient.p_value,
    })
}

/// Pulls whose mean stands apart from the others with the same setup, with by how much (as a share):
/// externally studentised residuals, with Bonferroni's allowance for having looked at all of them.
pub(super) fn outliers(design: &DMatrix<f64>, means: &DMatrix<f64>) -> Vec<(usize, f64)> {
    let Some(fit) = LinearFit::new(design, means) else {
        return Vec::new();
    };
    if fit.dof < 2 {
        return Vec::new();
    }
    let pulls = design.nrows();
    let rest = fit.dof as f64 - 1.0;
    let sum = fit.residuals.norm_squared();
    let limit = two_sided_factor(ALARM / pulls as f64, rest);
    (0..pulls)
        .filter_map(|i| {
            let leverage = fit.variance_ratio(&design.row(i).transpose());
            let residual = fit.residuals[(i, 0)];
            // A pull that decides its own fit says nothing about itself.
            let free = 1.0 - leverage;
            if free < 1e-9 {
                return None;
            }
            let others = (sum - residual * residual / free).max(0.0) / rest;
            let apart = residual.abs() > limit * (others * free).sqrt();
            (apart && residual.abs() > 1e-12).then_some((i, residual / free))
        })
        .collect()
}

/// Setups whose pulls scatter more than all others' together: setup and ratio of standard deviations.
/// An F test on the pulls' means, with Bonferroni's allowance.
pub(super) fn uneven_scatter(residual_means: &[f64], setups: &[usize]) -> Vec<(usize, f64)> {
    let count = setups.iter().max().map_or(0, |most| most + 1);
    let of = |setup: usize| {
        let own = setups
            .iter()
            .zip(residual_means)
            .filter(|(s, _)| **s == setup);
        let squares: Vec<f64> = own.map(|(_, r)| r * r).collect();
        (
            squares.len().saturating_sub(1) as f64,
            squares.iter().sum::<f64>(),
        )
    };
    let all: Vec<(f64, f64)> = (0..count).map(of).collect();
    let total = all
        .iter()
        .fold((0.0, 0.0), |sum, x| (sum.0 + x.0, sum.1 + x.1));
    (0..count)
        .filter_map(|setup| {
            let (dof, squares) = *all.get(setup)?;
            let (other_dof, other_squares) = (total.0 - dof, total.1 - squares);
            if dof < 1.0 || other_dof < 1.0 || other_squares <= 0.0 {
                return None;
            }
            let ratio = squares / dof / (other_squares / other_dof);
            let f = FisherSnedecor::new(dof, other_dof).ok()?;
            (f.sf(ratio) < ALARM / count as f64).then(|| (setup, ratio.sqrt()))
        })
        .collect()
}
