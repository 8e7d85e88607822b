//! Mean curves of the setups and how sure they are, from one mixed model of the pulls.
//!
//! A curve is taken apart into an overall factor, a slope over the speeds and a remainder. Each has
//! variances of its own for pull, build, neighbours, drift and day, because these need not have the
//! same shape: a part put back moves the whole curve, combustion its details. The remainder's are the
//! same at all speeds but for a profile.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::ground::FACTOR_PRIOR;
use super::layout::{Effect, Layout, Mounting, Structure, means, session_design};
use super::scatter::{Basis, Scatter, cosine};
use super::two_sample::two_sided_factor;
use crate::mixed::{Certainty, Fit};

/// Cosines of the remainder that tell its variances.
const REST_COSINES: usize = 8;
/// Twice the gain of the log likelihood, from which on an effect in time is shown: by chance one time in 20,
/// for a variance that is zero is estimated as zero every other time (S. G. Self, K.-Y. Liang, *JASA* 82
/// (1987) 605), and χ² of one degree of freedom is above it one time in ten.
const EFFECT_SHOWN: f64 = 2.706;
/// Relative variance told apart from none.
const VARIANCE_FLOOR: f64 = 1e-24;

/// The fits of factor, slope and remainder.
#[derive(Debug)]
pub(super) struct Judge {
    pub(super) layout: Layout,
    pub(super) structure: Structure,
    /// Of the overall factor and of the slope.
    pub(super) low: [Fit; 2],
    /// Of the remainder: what tells its variances, and the remainder itself at every speed with them.
    rest: [Fit; 2],
    /// Correlation of factor and slope.
    correlation: f64,
    /// Variance of the remainder at each speed, in the metric of its fit, smoothed.
    profile: Vec<f64>,
    /// Its power by cosine, from the third on.
    spectrum: Vec<f64>,
    /// Rows less unknowns.
    pub(super) left: usize,
    builds: Option<Builds>,
}

/// Inference on builds: means of mountings, each session with a level and a drift of its own, weighted by
/// the covariance that the mixed model finds. How much they scatter is told by the builds alone, so
/// that there are no more degrees of freedom than builds beyond the unknowns; with as many pulls to each
/// build this is exact, whatever the ratio of builds' to pulls' scatter.
#[derive(Debug)]
struct Builds {
    mountings: Vec<Mounting>,
    design: DMatrix<f64>,
    /// Projects on the combinations that the design can tell.
    told: DMatrix<f64>,
    dof: f64,
    low: [BuildFit; 2],
    rest: BuildFit,
    correlation: f64,
    profile: Vec<f64>,
    spectrum: Vec<f64>,
}

/// Generalised least squares of means of mountings.
#[derive(Debug, Clone)]
pub(super) struct BuildFit {
    pub(super) coefficients: DMatrix<f64>,
    /// (X'V⁻¹X)⁺
    pub(super) phi: DMatrix<f64>,
    /// Residuals' squares in the metric of V over the degrees of freedom, over pairs of responses.
    pub(super) scaled: DMatrix<f64>,
}

impl BuildFit {
    pub(super) fn new(
        design: &DMatrix<f64>,
        covariance: DMatrix<f64>,
        means: &DMatrix<f64>,
        dof: f64,
    ) -> Option<Self> {
        let lower = Cholesky::new(covariance)?.unpack();
        let white_design = lower.solve_lower_triangular(design)?;
        let white = lower.solve_lower_triangular(means)?;
        let inverse = white_design.clone().pseudo_inverse(1e-9).ok()?;
        let coefficients = &inverse * &white;
        let residuals = &white - &white_design * &coefficients;
        Some(Self {
            phi: &inverse * inverse.transpose(),
            scaled: residuals.tr_mul(&residuals) / dof,
            coefficients,
        })
    }

    fn variance(&self, weights: &DVector<f64>) -> f64 {
        weights.dot(&(&self.phi * weights))
    }
}

/// How a contrast scatters along the speeds.
#[derive(Debug, Clone)]
pub(super) struct Spread {
    pub(super) scatter: Scatter,
    /// Of factor and slope, and of the remainder.
    pub(super) dof: [f64; 2],
    of_builds: bool,
}

impl Judge {
    /// Of relative curves, one row a row of the layout; none when the design tells nothing.
    pub(super) fn new(
        basis: &Basis,
        curves: &DMatrix<f64>,
        layout: Layout,
        structure: Structure,
    ) -> Option<Self> {
        let left = layout
            .rows
            .len()
            .checked_sub(layout.unknowns(&structure))
            .filter(|left| *left > 0)?;
        let points = curves.ncols();
        let scores = [&basis.factor, &basis.slope]
            .map(|shape| DMatrix::from_columns(&[curves * DVector::from_column_slice(shape)]));
        let shapes = [&basis.factor, &basis.slope].map(|s| DVector::from_column_slice(s));
        let remainder =
            curves - &scores[0] * shapes[0].transpose() - &scores[1] * shapes[1].transpose();
        let [factor, slope] = &scores;
        let mut structure = shown(&layout, structure, factor);
        let size = plain(&layout, &structure, factor)?.scaled[(0, 0)];
        if let Some(prior) = &mut structure.build {
            // From here on against the scatter of all rows, so that it serves responses of any size.
            let size = size.max(VARIANCE_FLOOR);
            prior.variance *= points as f64 / size;
        }
        let low = [
            fitted(&layout, &structure, factor)?,
            fitted(&layout, &structure, slope)?,
        ];
        let both = DMatrix::from_columns(&[factor.column(0), slope.column(0)]);
        let together = layout
            .model(&structure, &both)
            .fit_known(&low[0].variances)
            .ok()?
            .scaled;
        let product = together[(0, 0)] * together[(1, 1)];
        let correlation = if product > 0.0 {
            together[(0, 1)] / product.sqrt()
        } else {
            0.0
        };
        let cosines: Vec<DVector<f64>> = (2..points)
            .take(REST_COSINES)
            .map(|k| DVector::from_vec(cosine(k, points)))
            .collect();
        let told =
            DMatrix::from_columns(&cosines.iter().map(|c| &remainder * c).collect::<Vec<_>>());
        let variances = fitted(&layout, &structure, &told)?;
        let at_speeds = layout
            .model(&structure, &remainder)
            .fit_known(&variances.variances)
            .ok()?;
        let squares: Vec<f64> = at_speeds.scaled.diagonal().iter().copied().collect();
        let mut profile = basis.smooth(&squares);
        for value in &mut profile {
            *value += VARIANCE_FLOOR;
        }
        let spectrum = spectrum(&at_speeds.scaled, &profile);
        let builds = (structure.effects.len() > 1 && structure.build.is_none())
            .then(|| {
                let variances = [&low[0].variances, &low[1].variances, &variances.variances];
                let parts = [factor, slope, &remainder];
                Builds::new(basis, &layout, &structure, variances, parts)
            })
            .flatten();
        Some(Self {
            builds,
            low,
            rest: [variances, at_speeds],
            correlation,
            profile,
            spectrum,
            left,
            layout,
            structure,
        })
    }

    /// Rows of the layout in the order of the fits' blocks.
    pub(super) fn rows_of_blocks(&self) -> Vec<usize> {
        self.layout.rows_of_blocks(&self.structure)
    }

    /// Speeds.
    pub(super) fn points(&self) -> usize {
        self.profile.len()
    }

    /// `weights` of the setups alone, with room for a drift.
    fn padded(&self, weights: &DVector<f64>) -> DVector<f64> {
        let unknowns = self.layout.unknowns(&self.structure);
        DVector::from_fn(unknowns, |i, _| weights.get(i).copied().unwrap_or(0.0))
    }

    /// The contrast's relative curve.
    pub(super) fn curve(&self, basis: &Basis, weights: &DVector<f64>) -> Vec<f64> {
        let first = |values: Vec<f64>| values.first().copied().unwrap_or(0.0);
        let told = self
            .builds
            .as_ref()
            .and_then(|b| Some((b, b.padded(weights)?)));
        let (factor, slope, rest) = if let Some((builds, weights)) = &told {
            let of = |fit: &BuildFit| -> Vec<f64> {
                fit.coefficients.tr_mul(weights).iter().copied().collect()
            };
            let [factor, slope] = [&builds.low[0], &builds.low[1]].map(|fit| first(of(fit)));
            (factor, slope, of(&builds.rest))
        } else {
            let weights = self.padded(weights);
            let [factor, slope] = [0, 1].map(|i: usize| first(self.low[i].combination(&weights)));
            (factor, slope, self.rest[1].combination(&weights))
        };
        let low = basis.factor.iter().zip(&basis.slope);
        rest.iter()
            .zip(low)
            .map(|(rest, (f, s))| rest + factor * f + slope * s)
            .collect()
    }

    /// How that curve scatters.
    pub(super) fn spread(&self, basis: &Basis, weights: &DVector<f64>) -> Spread {
        if let Some(builds) = &self.builds
            && let Some(padded) = builds.padded(weights)
        {
            let [factor, slope] = [&builds.low[0], &builds.low[1]]
                .map(|fit| fit.variance(&padded) * fit.scaled[(0, 0)]);
            let rest = builds.rest.variance(&padded);
            let dof = self.dof_of_builds(builds, weights, &padded);
            return Spread {
                scatter: scatter(
                    basis,
                    [factor, slope],
                    builds.correlation,
                    &builds.profile,
                    rest,
                ),
                dof: [dof, builds.dof],
                of_builds: true,
            };
        }
        let weights = self.padded(weights);
        let [factor, slope, rest] = [&self.low[0], &self.low[1], &self.rest[0]]
            .map(|fit| self.within_rows(fit.certainty(&weights)));
        Spread {
            scatter: scatter(
                basis,
                [factor.variance, slope.variance],
                self.correlation,
                &self.profile,
                rest.variance,
            ),
            dof: [
                factor.degrees_of_freedom.min(slope.degrees_of_freedom),
                rest.degrees_of_freedom,
            ],
            of_builds: false,
        }
    }

    /// Degrees of freedom of a contrast of builds: those of the builds, but fewer where much of its
    /// variance is the own scatter of a setup's few pulls (Satterthwaite).
    fn dof_of_builds(&self, builds: &Builds, weights: &DVector<f64>, padded: &DVector<f64>) -> f64 {
        let fit = &builds.low[0];
        let whole = fit.variance(padded);
        let pull = self.low[0].variances.first().copied().unwrap_or(0.0);
        let mut inverse = 1.0 / builds.dof;
        for (setup, variance) in self.layout.pull_variance.iter().enumerate() {
            if weights.get(setup).is_none_or(|w| *w == 0.0) || *variance <= 1.0 {
                continue;
            }
            let own = builds.mountings.iter().filter(|m| m.setup == setup);
            let (count, rows) = own.fold((0, 0), |(c, r), m| (c + 1, r + m.rows.len()));
            let excess = pull * (variance - 1.0) / rows.max(1) as f64;
            let share = (excess / whole).min(1.0);
            inverse += share * share / ((rows - count) as f64 + FACTOR_PRIOR);
        }
        inverse.recip()
    }

    fn within_rows(&self, certainty: Certainty) -> Certainty {
        Certainty {
            degrees_of_freedom: certainty.degrees_of_freedom.min(self.left as f64),
            ..certainty
        }
    }

    /// A matrix that turns standard normal deviates into a curve that scatters as told.
    pub(super) fn generator(&self, basis: &Basis, spread: &Spread) -> DMatrix<f64> {
        let of_builds = self.builds.as_ref().filter(|_| spread.of_builds);
        let spectrum = of_builds.map_or(&self.spectrum, |builds| &builds.spectrum);
        spread.scatter.generator(basis, spectrum)
    }

    /// One setup against another by some mountings alone, mean over the speeds: difference and variance,
    /// by the covariance and the scatter of builds that all of them tell; none when they can't tell it.
    pub(super) fn direct(
        &self,
        mountings: &[Mounting],
        curves: &DMatrix<f64>,
        [first, second]: [usize; 2],
    ) -> Option<(f64, f64)> {
        let scatter = self.builds.as_ref()?.low[0].scaled[(0, 0)];
        if mountings.is_empty() {
            return None;
        }
        let design = session_design(mountings, self.layout.count, true);
        let mut asked = DVector::zeros(design.ncols());
        asked[first] = -1.0;
        asked[second] = 1.0;
        let told = design.clone().pseudo_inverse(1e-9).ok()? * &design;
        if (told.tr_mul(&asked) - &asked).amax() > 1e-6 {
            return None;
        }
        let covariance =
            self.layout
                .covariance_of_mountings(mountings, &self.structure, &self.low[0].variances);
        let values = DMatrix::from_columns(&[curves.column_mean()]);
        let fit = BuildFit::new(&design, covariance, &means(mountings, &values), 1.0)?;
        let value = fit.coefficients.column(0).dot(&asked);
        // The factor's basis has length one, so its variance is that of the mean times the speeds.
        Some((
            value,
            fit.variance(&asked) * scatter / curves.ncols() as f64,
        ))
    }

    /// One number a row, judged by the same model.
    pub(super) fn number(&self, values: &DMatrix<f64>) -> Option<Number> {
        let rows = fitted(&self.layout, &self.structure, values)?;
        let builds = self.builds.as_ref().and_then(|builds| {
            let covariance = self.layout.covariance_of_mountings(
                &builds.mountings,
                &self.structure,
                &rows.variances,
            );
            BuildFit::new(
                &builds.design,
                covariance,
                &means(&builds.mountings, values),
                builds.dof,
            )
        });
        Some(Number { rows, builds })
    }

    /// Half width of the confidence interval of a contrast of such a number.
    pub(super) fn half_width(
        &self,
        number: &Number,
        weights: &DVector<f64>,
        confidence: f64,
    ) -> f64 {
        if let (Some(builds), Some(fit)) = (&self.builds, &number.builds)
            && let Some(padded) = builds.padded(weights)
        {
            let dof = self.dof_of_builds(builds, weights, &padded);
            return (fit.variance(&padded) * fit.scaled[(0, 0)]).max(0.0).sqrt()
                * two_sided_factor(1.0 - confidence, dof);
        }
        let certainty = self.within_rows(number.rows.certainty(&self.padded(weights)));
        certainty.variance.max(0.0).sqrt()
            * two_sided_factor(1.0 - confidence, certainty.degrees_of_freedom)
    }
}

/// One number a pull, fitted.
#[derive(Debug, Clone)]
pub(super) struct Number {
    rows: Fit,
    builds: Option<BuildFit>,
}

fn scatter(
    basis: &Basis,
    [factor, slope]: [f64; 2],
    correlation: f64,
    profile: &[f64],
    rest: f64,
) -> Scatter {
    let across = correlation * (factor * slope).sqrt();
    let remainder = profile.iter().map(|v| v * rest).collect();
    Scatter::new(basis, [[factor, across], [across, slope]], remainder)
}

impl Builds {
    fn new(
        basis: &Basis,
        layout: &Layout,
        structure: &Structure,
        variances: [&Vec<f64>; 3],
        parts: [&DMatrix<f64>; 3],
    ) -> Option<Self> {
        let mountings = layout.mountings();
        let design = layout.design_of(&mountings, true);
        let dof = layout.repeated_builds(&mountings);
        if dof == 0 {
            return None;
        }
        let dof = dof as f64;
        let fit = |i: usize, values: &DMatrix<f64>| {
            let covariance = layout.covariance_of_mountings(&mountings, structure, variances[i]);
            BuildFit::new(&design, covariance, &means(&mountings, values), dof)
        };
        let [factor, slope, remainder] = parts;
        let both = DMatrix::from_columns(&[factor.column(0), slope.column(0)]);
        let both = fit(0, &both)?.scaled;
        let product = both[(0, 0)] * both[(1, 1)];
        let correlation = if product > 0.0 {
            both[(0, 1)] / product.sqrt()
        } else {
            0.0
        };
        let rest = fit(2, remainder)?;
        let squares: Vec<f64> = rest.scaled.diagonal().iter().copied().collect();
        let mut profile = basis.smooth(&squares);
        for value in &mut profile {
            *value += VARIANCE_FLOOR;
        }
        Some(Self {
            low: [fit(0, factor)?, fit(1, slope)?],
            correlation,
            spectrum: spectrum(&rest.scaled, &profile),
            profile,
            rest,
            dof,
            told: design.clone().pseudo_inverse(1e-9).ok()? * &design,
            design,
            mountings,
        })
    }

    /// `weights` of the setups alone, with room for the sessions; none when they can't be told.
    fn padded(&self, weights: &DVector<f64>) -> Option<DVector<f64>> {
        let padded = DVector::from_fn(self.design.ncols(), |i, _| {
            weights.get(i).copied().unwrap_or(0.0)
        });
        let back = self.told.tr_mul(&padded);
        ((back - &padded).amax() < 1e-6).then_some(padded)
    }
}

/// Power of curves by cosine, from the third on, under a profile.
pub(super) fn spectrum(covariance: &DMatrix<f64>, profile: &[f64]) -> Vec<f64> {
    let points = profile.len();
    (2..points)
        .map(|k| {
            let cosine = cosine(k, points);
            let flat = cosine.iter().zip(profile).map(|(c, v)| c / v.sqrt());
            let flat = DVector::from_iterator(points, flat);
            flat.dot(&(covariance * &flat)).max(0.0)
        })
        .collect()
}

/// Without the effects in time that the rows do not show. A variance is never below zero, so each that is
/// there in vain takes some of the builds' scatter on average, and bands would be too narrow by it; one that
/// is missed leaves them too wide.
fn shown(layout: &Layout, mut structure: Structure, responses: &DMatrix<f64>) -> Structure {
    let likelihood = |structure: &Structure| {
        let fit = fitted(layout, structure, responses);
        fit.map_or(f64::NEG_INFINITY, |fit| fit.log_likelihood)
    };
    let mut whole = likelihood(&structure);
    for effect in [Effect::WarmUp, Effect::Slope, Effect::Near] {
        let mut without = structure.clone();
        without.effects.retain(|other| *other != effect);
        if without.effects.len() == structure.effects.len() {
            continue;
        }
        let rest = likelihood(&without);
        if 2.0 * (whole - rest) < EFFECT_SHOWN {
            (structure, whole) = (without, rest);
        }
    }
    structure
}

/// With rows that are independent and alike.
fn plain(layout: &Layout, structure: &Structure, responses: &DMatrix<f64>) -> Option<Fit> {
    let mut alone = vec![0.0; structure.effects.len()];
    *alone.first_mut()? = 1.0;
    layout.model(structure, responses).fit_known(&alone).ok()
}

/// Each response in its own size, so that they share variances; a single one is given back in its own.
fn fitted(layout: &Layout, structure: &Structure, responses: &DMatrix<f64>) -> Option<Fit> {
    let plain = plain(layout, structure, responses)?;
    let sizes: Vec<f64> = plain.scaled.diagonal().iter().copied().collect();
    let told: Vec<usize> = (0..sizes.len())
        .filter(|i| sizes[*i] > VARIANCE_FLOOR)
        .collect();
    let single = responses.ncols() == 1;
    if told.is_empty() {
        return Some(if single {
            plain.scaled_by(VARIANCE_FLOOR, 1.0)
        } else {
            plain
        });
    }
    let mut shared = responses.select_columns(&told);
    for (mut column, i) in shared.column_iter_mut().zip(&told) {
        column /= sizes[*i].sqrt();
    }
    let fit = layout.model(structure, &shared).fit().ok()?;
    Some(if single {
        fit.scaled_by(sizes[0], sizes[0].sqrt())
    } else {
        fit
    })
}
