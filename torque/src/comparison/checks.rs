//! What to know before trusting a comparison: pulls that stand apart, first pulls after a change,
//! setups that scatter differently. Nothing here leaves a pull out.

use std::collections::BTreeSet;

use nalgebra::{DMatrix, DVector};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use super::Mounted;
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

/// How far a test's drift is from a straight line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bend {
    /// The middle of the test against the straight line between its ends, mean over the speeds, as a
    /// share.
    pub relative: Estimate,
    /// Probability of such a bend by chance.
    pub p_value: f64,
}

/// How alike neighbouring pulls with one mounting are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Correlation of a pull's residual with the next one's, less what chance makes of it on average.
    pub correlation: f64,
    /// Probability of so large a correlation by chance.
    pub p_value: f64,
}

/// Whether the drift along `axis` is bent.
pub(super) fn bend(
    drifting: &DMatrix<f64>,
    axis: &[f64],
    means: &DMatrix<f64>,
    confidence: f64,
) -> Option<Bend> {
    let (first, last) = (axis.first()?, axis.last()?);
    let (middle, half) = (0.5 * (first + last), 0.5 * (last - first));
    let columns = drifting.ncols();
    let bent = DMatrix::from_fn(drifting.nrows(), columns + 1, |i, j| {
        if j == columns {
            // One in the middle, none at the ends.
            1.0 - ((axis[i] - middle) / half).powi(2)
        } else {
            drifting[(i, j)]
        }
    });
    let found = last_coefficient(&bent, means, confidence)?;
    Some(Bend {
        relative: found.estimate,
        p_value: found.p_value,
    })
}

/// Draws that tell how large a correlation chance makes.
const LIKENESS_DRAWS: usize = 999;

/// Correlation of neighbours about their group's mean, over groups of at least three in order of time; by
/// chance as simulated, because residuals about a mean of few are correlated themselves.
pub(super) fn likeness(groups: &[Vec<f64>], seed: u64) -> Option<Likeness> {
    let long: Vec<&Vec<f64>> = groups.iter().filter(|group| group.len() > 2).collect();
    let correlation = |groups: &[Vec<f64>]| -> Option<f64> {
        let (mut products, mut squares) = (0.0, 0.0);
        for group in groups {
            let mean = group.iter().sum::<f64>() / group.len() as f64;
            squares += group.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
            let pairs = group.windows(2);
            products += pairs.map(|p| (p[0] - mean) * (p[1] - mean)).sum::<f64>();
        }
        (squares > 0.0).then(|| products / squares)
    };
    let found = correlation(
        &long
            .iter()
            .map(|group| (*group).clone())
            .collect::<Vec<_>>(),
    )?;
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let drawn: Vec<f64> = (0..LIKENESS_DRAWS)
        .filter_map(|_| {
            let noise = long.iter().map(|group| {
                let each = group.iter().map(|_| StandardNormal.sample(&mut chance));
                each.collect::<Vec<f64>>()
            });
            correlation(&noise.collect::<Vec<_>>())
        })
        .collect();
    let draws = drawn.len() as f64;
    let as_large = drawn.iter().filter(|r| **r >= found).count() as f64;
    Some(Likeness {
        correlation: found - drawn.iter().sum::<f64>() / draws,
        p_value: (as_large + 1.0) / (draws + 1.0),
    })
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
        estimate: Estimate::new(value, u * two_sided_factor(1.0 - confidence, dof)),
        p_value: if u > 0.0 {
            2.0 * upper_tail((value / u).abs(), dof)
        } else {
            1.0
        },
    })
}

/// The first pulls with each mounting against the rest. `mountings` is in the order of the pulls.
pub(super) fn first_pulls(
    design: &DMatrix<f64>,
    means: &DMatrix<f64>,
    mountings: &[Mounted],
    confidence: f64,
) -> Option<FirstPulls> {
    let is_first: Vec<f64> = (0..mountings.len())
        .map(|i| match i.checked_sub(1) {
            Some(before) if mountings[before] == mountings[i] => 0.0,
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

/// Pulls whose mean stands apart from the others of the same mounting, with by how much (as a share):
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

/// Squares of residuals about mountings, and how many are free.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Scatter {
    pub(super) squares: f64,
    pub(super) degrees_of_freedom: f64,
}

impl Scatter {
    pub(super) fn variance(self) -> f64 {
        self.squares / self.degrees_of_freedom
    }
}

/// Of one setup's pulls; residuals, setups and mountings in the order of the pulls.
pub(super) fn own_scatter(
    residual_means: &[f64],
    setups: &[usize],
    mountings: &[Mounted],
    setup: usize,
) -> Scatter {
    let own = (0..setups.len()).filter(|i| setups[*i] == setup);
    let mounted: BTreeSet<Mounted> = own.clone().map(|i| mountings[i]).collect();
    Scatter {
        squares: own.clone().map(|i| residual_means[i].powi(2)).sum(),
        degrees_of_freedom: (own.count() - mounted.len()) as f64,
    }
}

/// Setups whose pulls scatter more than all others' together: setup and ratio of standard deviations.
/// An F test on the pulls' means about their mountings, with Bonferroni's allowance.
pub(super) fn uneven_scatter(
    residual_means: &[f64],
    setups: &[usize],
    mountings: &[Mounted],
) -> Vec<(usize, f64)> {
    let count = setups.iter().max().map_or(0, |most| most + 1);
    let all: Vec<Scatter> = (0..count)
        .map(|setup| own_scatter(residual_means, setups, mountings, setup))
        .collect();
    let sum = |of: &dyn Fn(&Scatter) -> f64| all.iter().map(of).sum::<f64>();
    let squares = sum(&|own| own.squares);
    let degrees_of_freedom = sum(&|own| own.degrees_of_freedom);
    let uneven = all.iter().enumerate().filter_map(|(setup, own)| {
        let others = Scatter {
            squares: squares - own.squares,
            degrees_of_freedom: degrees_of_freedom - own.degrees_of_freedom,
        };
        let free = own.degrees_of_freedom.min(others.degrees_of_freedom);
        if free < 1.0 || others.squares <= 0.0 {
            return None;
        }
        let ratio = own.variance() / others.variance();
        let f = FisherSnedecor::new(own.degrees_of_freedom, others.degrees_of_freedom).ok()?;
        (f.sf(ratio) < ALARM / count as f64).then(|| (setup, ratio.sqrt()))
    });
    uneven.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn groups(chance: &mut ChaCha8Rng, correlation: f64) -> Vec<Vec<f64>> {
        let mut last = 0.0;
        let mut next = || {
            let own: f64 = StandardNormal.sample(chance);
            last = correlation * last + (1.0 - correlation * correlation).sqrt() * own;
            last
        };
        (0..12).map(|_| (0..4).map(|_| next()).collect()).collect()
    }

    #[test]
    fn likeness_alarms_as_often_as_it_says_and_finds_what_is_there() {
        let mut chance = ChaCha8Rng::seed_from_u64(31);
        let mut share = |correlation: f64| {
            let alarms = (0..200_u64)
                .filter(|i| {
                    likeness(&groups(&mut chance, correlation), *i)
                        .unwrap()
                        .p_value
                        < 0.05
                })
                .count();
            alarms as f64 / 200.0
        };
        let (none, some) = (share(0.0), share(0.8));
        assert!((0.005..0.11).contains(&none), "{none}");
        assert!(some > 0.6, "{some}");
        assert!(likeness(&[vec![1.0, 2.0]], 1).is_none());
    }

    #[test]
    fn a_parabola_is_a_bend_and_a_line_is_none() {
        let axis: Vec<f64> = (-5..=5).map(f64::from).collect();
        let drifting = DMatrix::from_fn(11, 2, |i, j| if j == 0 { 1.0 } else { axis[i] });
        let mut chance = ChaCha8Rng::seed_from_u64(32);
        let noise: Vec<f64> = (0..11)
            .map(|_| 1e-4 * Distribution::<f64>::sample(&StandardNormal, &mut chance))
            .collect();
        let of = |height: f64| {
            let means = DMatrix::from_fn(11, 1, |i, _| {
                1.0 + 0.001 * axis[i] + height * (1.0 - (axis[i] / 5.0).powi(2)) + noise[i]
            });
            bend(&drifting, &axis, &means, 0.95).unwrap()
        };
        let bent = of(0.004);
        assert!(
            bent.p_value < 1e-6 && (bent.relative.value - 0.004).abs() < bent.relative.half_width
        );
        assert!(of(0.0).relative.value.abs() < 5e-4);
    }
}
