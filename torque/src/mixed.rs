//! Linear mixed models: variance components by restricted maximum likelihood, and what they leave of
//! the certainty of a contrast.
//!
//! `y = X β + e`, `cov e = V = Σ σ²ᵢ Kᵢ` with known kernels `Kᵢ`. Rows fall into blocks between which
//! nothing is correlated; several responses may share β's design and the variances.
//!
//! - The variances are those of greatest restricted likelihood (H. D. Patterson, R. Thompson,
//!   *Biometrika* 58 (1971) 545), by Fisher's scoring with the expected information
//!   `½ tr(P Kᵢ P Kⱼ)`.
//! - A contrast's variance has the correction for small samples, and its degrees of freedom, of
//!   M. G. Kenward, J. H. Roger, *Biometrics* 53 (1997) 983: for a single contrast these are
//!   Satterthwaite's, from the information.
//! - What is known beforehand of a variance enters as a scaled inverse χ² with its degrees of freedom.
//!
//! A part mounted three times, with two pulls each. An analysis of variance finds 0.02 within a
//! mounting, the mean square, and (0.18 − 0.02)/2 = 0.08 between them:
//!
//! ```
//! use leverarm_torque::mixed::{Block, Bound, Component, MixedError, Model};
//! use nalgebra::DMatrix;
//!
//! let mounting = |pulls_nm: [f64; 2]| Block {
//!     design: DMatrix::from_element(2, 1, 1.0),
//!     kernels: vec![DMatrix::identity(2, 2), DMatrix::from_element(2, 2, 1.0)],
//!     responses: DMatrix::from_column_slice(2, 1, &pulls_nm),
//! };
//! let model = Model {
//!     blocks: [[10.0, 10.2], [10.6, 10.8], [10.3, 10.5]].map(mounting).to_vec(),
//!     components: vec![Component::new(Bound::NonNegative); 2],
//! };
//! let fit = model.fit()?;
//! assert!((fit.coefficients[(0, 0)] - 10.4).abs() < 1e-9);
//! assert!((fit.variances[0] - 0.02).abs() < 1e-4 && (fit.variances[1] - 0.08).abs() < 1e-4);
//! # Ok::<(), MixedError>(())
//! ```

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

/// Scoring steps at most.
const STEPS_MAX: usize = 60;
/// A step that raises the log likelihood by less, or promises less, ends the search.
const LIKELIHOOD_STEP: f64 = 1e-8;
/// Halvings of a step that leads out of what is possible, or down.
const HALVINGS_MAX: usize = 30;
/// Share of the total variance that stands in for none.
const VARIANCE_FLOOR: f64 = 1e-10;

/// Where a variance may lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bound {
    /// Zero or more.
    NonNegative,
    /// Below zero too, as long as V stays a covariance: then the variance of a mean of a group is
    /// estimated without bias, as an analysis of variance does.
    Free,
}

/// What is known of a variance beforehand: as if from so many degrees of freedom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// The variance.
    pub variance: f64,
    /// Degrees of freedom it is worth.
    pub degrees_of_freedom: f64,
}

/// A component of the variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Component {
    /// Where its variance may lie.
    pub bound: Bound,
    /// What is known of it beforehand.
    pub prior: Option<Prior>,
}

impl Component {
    /// Nothing known beforehand.
    #[must_use]
    pub const fn new(bound: Bound) -> Self {
        Self { bound, prior: None }
    }
}

/// Rows that are correlated with no others.
#[derive(Debug, Clone)]
pub struct Block {
    /// A row a value, a column an unknown of β.
    pub design: DMatrix<f64>,
    /// A kernel a component.
    pub kernels: Vec<DMatrix<f64>>,
    /// A row a value, a column a response.
    pub responses: DMatrix<f64>,
}

/// The blocks and the components that they share.
#[derive(Debug, Clone)]
pub struct Model {
    /// The blocks.
    pub blocks: Vec<Block>,
    /// The components; the first is the one of single values and has to make V positive definite.
    pub components: Vec<Component>,
}

/// Why a model could not be fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MixedError {
    /// Blocks of different shape.
    #[error("the blocks of a mixed model differ in their unknowns, components or responses")]
    Shape,
    /// X tells its unknowns not apart.
    #[error("the design cannot tell its unknowns apart")]
    Rank,
    /// Nothing is left over.
    #[error("no values are left over for the variances")]
    NoDegreesOfFreedom,
}

/// A fitted model.
#[derive(Debug, Clone)]
pub struct Fit {
    /// A variance a component.
    pub variances: Vec<f64>,
    /// A row an unknown, a column a response.
    pub coefficients: DMatrix<f64>,
    /// Restricted log likelihood, without its constant; with what is known beforehand.
    pub log_likelihood: f64,
    /// Responses' sum of `y'Pz` over pairs of responses, over the degrees of freedom: their
    /// covariance in the metric of V.
    pub scaled: DMatrix<f64>,
    /// Residual of each row of the first response when it is predicted by all others, over its standard
    /// deviation; in the order of the blocks.
    pub deletion: Vec<f64>,
    /// Inverse of the information on the variances that are not at their bound; zero for those.
    variance_covariance: DMatrix<f64>,
    /// Φ = (X'V⁻¹X)⁻¹
    phi: DMatrix<f64>,
    /// Kenward's and Roger's Λ: Φ is too small by 2 Λ.
    lambda: DMatrix<f64>,
    /// X'V⁻¹KᵢV⁻¹X
    slopes: Vec<DMatrix<f64>>,
}

/// How sure a contrast of β is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Certainty {
    /// Variance, corrected for small samples.
    pub variance: f64,
    /// Degrees of freedom, at least 1; may be broken.
    pub degrees_of_freedom: f64,
}

impl Fit {
    /// How sure `weights' β` is.
    #[must_use]
    pub fn certainty(&self, weights: &DVector<f64>) -> Certainty {
        let plain = weights.dot(&(&self.phi * weights));
        let correction = 2.0 * weights.dot(&(&self.lambda * weights));
        let turned = &self.phi * weights;
        let gradient = DVector::from_iterator(
            self.slopes.len(),
            self.slopes
                .iter()
                .map(|slope| turned.dot(&(slope * &turned))),
        );
        let spread = gradient.dot(&(&self.variance_covariance * &gradient));
        Certainty {
            variance: plain + correction.max(0.0),
            degrees_of_freedom: if spread > 0.0 {
                (2.0 * plain * plain / spread).max(1.0)
            } else {
                f64::INFINITY
            },
        }
    }

    /// The fit with variances `factor` times and coefficients `size` times as large.
    #[must_use]
    pub fn scaled_by(mut self, factor: f64, size: f64) -> Self {
        for variance in &mut self.variances {
            *variance *= factor;
        }
        self.coefficients *= size;
        self.variance_covariance *= factor * factor;
        self.phi *= factor;
        self.lambda *= factor;
        for slope in &mut self.slopes {
            *slope /= factor * factor;
        }
        self
    }

    /// `weights' β` of each response.
    #[must_use]
    pub fn combination(&self, weights: &DVector<f64>) -> Vec<f64> {
        self.coefficients.tr_mul(weights).iter().copied().collect()
    }
}

impl Model {
    /// The fit of greatest restricted likelihood.
    ///
    /// # Errors
    /// See [`MixedError`].
    pub fn fit(&self) -> Result<Fit, MixedError> {
        let shape = self.shape()?;
        let mut theta = self.start(&shape)?;
        let mut state = self.state(&theta, &shape).ok_or(MixedError::Rank)?;
        for _ in 0..STEPS_MAX {
            let floor = VARIANCE_FLOOR * theta.iter().map(|v| v.abs()).sum::<f64>();
            let free: Vec<usize> = (0..theta.len())
                .filter(|i| {
                    let held = self.components[*i].bound == Bound::NonNegative
                        && theta[*i] <= floor
                        && state.score[*i] <= 0.0;
                    !held && state.information[(*i, *i)] > 0.0
                })
                .collect();
            let Some(step) = solved(&state.information, &state.score, &free) else {
                break;
            };
            // What the step gains at best, were the likelihood a parabola.
            let promised: f64 = step
                .iter()
                .zip(state.score.iter())
                .map(|(s, u)| s * u)
                .sum();
            if 0.5 * promised < LIKELIHOOD_STEP {
                break;
            }
            let Some((next, at)) = self.climb(&theta, &step, &state, &shape) else {
                break;
            };
            let gain = at.log_likelihood - state.log_likelihood;
            (theta, state) = (next, at);
            if gain < LIKELIHOOD_STEP {
                break;
            }
        }
        Ok(self.finish(theta, &state, &shape))
    }

    /// The state at given variances, without search.
    ///
    /// # Errors
    /// See [`MixedError`].
    pub fn fit_known(&self, variances: &[f64]) -> Result<Fit, MixedError> {
        let shape = self.shape()?;
        if variances.len() != self.components.len() {
            return Err(MixedError::Shape);
        }
        let state = self.state(variances, &shape).ok_or(MixedError::Rank)?;
        let mut fit = self.finish(variances.to_vec(), &state, &shape);
        // Nothing was estimated, so nothing is uncertain.
        fit.variance_covariance.fill(0.0);
        fit.lambda.fill(0.0);
        Ok(fit)
    }

    fn shape(&self) -> Result<Shape, MixedError> {
        let first = self.blocks.first().ok_or(MixedError::Shape)?;
        let unknowns = first.design.ncols();
        let responses = first.responses.ncols();
        let fits = |block: &Block| {
            let rows = block.design.nrows();
            block.design.ncols() == unknowns
                && block.responses.shape() == (rows, responses)
                && block.kernels.len() == self.components.len()
                && block.kernels.iter().all(|k| k.shape() == (rows, rows))
        };
        if self.components.is_empty() || !self.blocks.iter().all(fits) {
            return Err(MixedError::Shape);
        }
        let rows: usize = self.blocks.iter().map(|block| block.design.nrows()).sum();
        let left = rows.saturating_sub(unknowns);
        if left == 0 || responses == 0 {
            return Err(MixedError::NoDegreesOfFreedom);
        }
        Ok(Shape {
            unknowns,
            responses,
            left,
        })
    }

    /// All of the variance in single values, then shared among the components that the values tell of.
    fn start(&self, shape: &Shape) -> Result<Vec<f64>, MixedError> {
        let mut theta = vec![0.0; self.components.len()];
        theta[0] = 1.0;
        let alone = self.state(&theta, shape).ok_or(MixedError::Rank)?;
        let total = (alone.squares.trace() / (shape.left * shape.responses) as f64).max(1e-300);
        let told: Vec<usize> = (1..theta.len())
            .filter(|i| alone.information[(*i, *i)] > 0.0 || self.components[*i].prior.is_some())
            .collect();
        theta[0] = 0.5 * total;
        for i in &told {
            theta[*i] = match self.components[*i].prior {
                Some(prior) => prior.variance,
                None => 0.5 * total / told.len() as f64,
            };
        }
        Ok(theta)
    }

    /// The longest of the halved steps that stays possible and does not lead down.
    fn climb(
        &self,
        theta: &[f64],
        step: &[f64],
        from: &State,
        shape: &Shape,
    ) -> Option<(Vec<f64>, State)> {
        let mut length = 1.0;
        for _ in 0..HALVINGS_MAX {
            let next: Vec<f64> = theta
                .iter()
                .zip(step)
                .zip(&self.components)
                .map(|((value, step), component)| {
                    let next = value + length * step;
                    match component.bound {
                        // What is known beforehand keeps a variance off zero.
                        Bound::NonNegative if component.prior.is_some() => next.max(0.2 * value),
                        Bound::NonNegative => next.max(0.0),
                        Bound::Free => next,
                    }
                })
                .collect();
            if next.first().is_some_and(|single| *single > 0.0)
                && let Some(state) = self.state(&next, shape)
                && state.log_likelihood >= from.log_likelihood
            {
                return Some((next, state));
            }
            length *= 0.5;
        }
        None
    }

    /// Likelihood, score and information at these variances; none where V is no covariance.
    fn state(&self, theta: &[f64], shape: &Shape) -> Option<State> {
        let (unknowns, count) = (shape.unknowns, theta.len());
        let mut log_determinant = 0.0;
        let mut normal = DMatrix::<f64>::zeros(unknowns, unknowns);
        let mut right = DMatrix::<f64>::zeros(unknowns, shape.responses);
        let mut weighted = Vec::with_capacity(self.blocks.len());
        for block in &self.blocks {
            let rows = block.design.nrows();
            let mut v = DMatrix::<f64>::zeros(rows, rows);
            for (kernel, variance) in block.kernels.iter().zip(theta) {
                if *variance != 0.0 {
                    v += kernel * *variance;
                }
            }
            let cholesky = Cholesky::new(v)?;
            log_determinant += 2.0 * log_diagonal(&cholesky)?;
            let inverse = cholesky.inverse();
            let design = &inverse * &block.design;
            normal += block.design.tr_mul(&design);
            right += design.tr_mul(&block.responses);
            weighted.push((inverse, design));
        }
        let cholesky = Cholesky::new(normal)?;
        log_determinant += 2.0 * log_diagonal(&cholesky)?;
        let phi = cholesky.inverse();
        let coefficients = cholesky.solve(&right);
        let mut squares = DMatrix::<f64>::zeros(shape.responses, shape.responses);
        let mut deletion = Vec::new();
        let mut traces = DMatrix::<f64>::zeros(count, count);
        let mut single_traces = DVector::<f64>::zeros(count);
        let mut forms = DVector::<f64>::zeros(count);
        let mut slopes = vec![DMatrix::<f64>::zeros(unknowns, unknowns); count];
        let mut products = vec![DMatrix::<f64>::zeros(unknowns, unknowns); count * count];
        for (block, (inverse, design)) in self.blocks.iter().zip(&weighted) {
            let residual = &block.responses - &block.design * &coefficients;
            let projected = inverse * &residual;
            squares += residual.tr_mul(&projected);
            let own = inverse.diagonal() - (design * &phi).component_mul(design).column_sum();
            let apart = projected.column(0);
            deletion.extend(
                apart
                    .iter()
                    .zip(&own)
                    .map(|(r, p)| r / p.max(1e-300).sqrt()),
            );
            let turned: Vec<DMatrix<f64>> = block
                .kernels
                .iter()
                .map(|kernel| inverse * kernel)
                .collect();
            // KᵢV⁻¹X and V⁻¹KᵢV⁻¹X
            let seen: Vec<DMatrix<f64>> = block.kernels.iter().map(|k| k * design).collect();
            let designs: Vec<DMatrix<f64>> = seen.iter().map(|k| inverse * k).collect();
            let turned_back: Vec<DMatrix<f64>> = turned.iter().map(DMatrix::transpose).collect();
            for (i, kernel) in block.kernels.iter().enumerate() {
                single_traces[i] += turned[i].trace();
                forms[i] += (kernel * &projected).dot(&projected);
                slopes[i] += block.design.tr_mul(&designs[i]);
                for j in i..count {
                    traces[(i, j)] += turned[i].dot(&turned_back[j]);
                    // X'V⁻¹KᵢV⁻¹KⱼV⁻¹X
                    products[i * count + j] += seen[i].tr_mul(&designs[j]);
                }
            }
        }
        let responses = shape.responses as f64;
        let turned: Vec<DMatrix<f64>> = slopes.iter().map(|slope| &phi * slope).collect();
        let mut information = DMatrix::<f64>::zeros(count, count);
        let mut score = DVector::<f64>::zeros(count);
        for i in 0..count {
            score[i] = 0.5 * (forms[i] - responses * (single_traces[i] - turned[i].trace()));
            for j in i..count {
                let trace: f64 = traces[(i, j)]
                    - 2.0 * phi.dot(&products[i * count + j].transpose())
                    + turned[i].dot(&turned[j].transpose());
                information[(i, j)] = 0.5 * responses * trace;
                information[(j, i)] = information[(i, j)];
            }
        }
        let mut log_likelihood = -0.5 * (responses * log_determinant + squares.trace());
        for (i, component) in self.components.iter().enumerate() {
            // At zero, where only the search starts from, what is known beforehand says nothing yet.
            let Some(prior) = component.prior.filter(|_| theta[i] > 0.0) else {
                continue;
            };
            let (nu, ratio) = (prior.degrees_of_freedom, prior.variance / theta[i]);
            log_likelihood -= 0.5 * nu * (theta[i].ln() + ratio);
            score[i] += 0.5 * nu * (ratio - 1.0) / theta[i];
            information[(i, i)] += 0.5 * nu / (theta[i] * theta[i]);
        }
        log_likelihood.is_finite().then_some(State {
            log_likelihood,
            score,
            information,
            coefficients,
            squares,
            deletion,
            phi,
            slopes,
            products,
        })
    }

    fn finish(&self, variances: Vec<f64>, state: &State, shape: &Shape) -> Fit {
        let count = variances.len();
        let floor = VARIANCE_FLOOR * variances.iter().map(|v| v.abs()).sum::<f64>();
        let free: Vec<usize> = (0..count)
            .filter(|i| {
                let at_bound =
                    self.components[*i].bound == Bound::NonNegative && variances[*i] <= floor;
                !at_bound && state.information[(*i, *i)] > 0.0
            })
            .collect();
        let variance_covariance = inverted(&state.information, &free, count);
        let mut sum = DMatrix::zeros(shape.unknowns, shape.unknowns);
        for i in &free {
            for j in &free {
                let weight = variance_covariance[(*i, *j)];
                let product = if i <= j {
                    state.products[i * count + j].clone()
                } else {
                    state.products[j * count + i].transpose()
                };
                sum += (product - &state.slopes[*i] * &state.phi * &state.slopes[*j]) * weight;
            }
        }
        Fit {
            lambda: &state.phi * sum * &state.phi,
            scaled: &state.squares / shape.left as f64,
            variances,
            deletion: state.deletion.clone(),
            coefficients: state.coefficients.clone(),
            log_likelihood: state.log_likelihood,
            variance_covariance,
            phi: state.phi.clone(),
            slopes: state.slopes.clone(),
        }
    }
}

struct Shape {
    unknowns: usize,
    responses: usize,
    /// Rows less unknowns.
    left: usize,
}

struct State {
    log_likelihood: f64,
    score: DVector<f64>,
    information: DMatrix<f64>,
    coefficients: DMatrix<f64>,
    /// y'Py over pairs of responses.
    squares: DMatrix<f64>,
    deletion: Vec<f64>,
    phi: DMatrix<f64>,
    slopes: Vec<DMatrix<f64>>,
    products: Vec<DMatrix<f64>>,
}

/// Half the log determinant; none unless every pivot is clear of zero.
pub(crate) fn log_diagonal(cholesky: &Cholesky<f64, Dyn>) -> Option<f64> {
    let diagonal = cholesky.l_dirty().diagonal();
    let (low, high) = (diagonal.min(), diagonal.max());
    (low > 1e-9 * high && high.is_finite()).then(|| diagonal.iter().map(|x| x.ln()).sum())
}

fn part(matrix: &DMatrix<f64>, free: &[usize]) -> DMatrix<f64> {
    DMatrix::from_fn(free.len(), free.len(), |i, j| matrix[(free[i], free[j])])
}

/// Generalised inverse of the free part: components that the values don't tell apart share.
fn inverted(information: &DMatrix<f64>, free: &[usize], count: usize) -> DMatrix<f64> {
    let part = part(information, free);
    // Scaled, so that components of any size count alike.
    let scale: Vec<f64> = part.diagonal().iter().map(|x| x.sqrt().recip()).collect();
    let unit = DMatrix::from_fn(free.len(), free.len(), |i, j| {
        part[(i, j)] * scale[i] * scale[j]
    });
    let mut whole = DMatrix::zeros(count, count);
    if free.is_empty() || !unit.iter().all(|x| x.is_finite()) {
        return whole;
    }
    if let Ok(inverse) = unit.pseudo_inverse(1e-8) {
        for (i, row) in free.iter().enumerate() {
            for (j, column) in free.iter().enumerate() {
                whole[(*row, *column)] = inverse[(i, j)] * scale[i] * scale[j];
            }
        }
    }
    whole
}

fn solved(information: &DMatrix<f64>, score: &DVector<f64>, free: &[usize]) -> Option<Vec<f64>> {
    if free.is_empty() {
        return None;
    }
    let step = inverted(information, free, score.len()) * score;
    step.iter()
        .all(|x| x.is_finite())
        .then(|| step.iter().copied().collect())
}
