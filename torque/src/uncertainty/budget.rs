//! Uncertainty budget (JCGM 100:2008, clauses 5 and 6, annex G).

use serde::{Deserialize, Serialize};

use super::{CoverageError, coverage_factor};

/// How a standard uncertainty was found (JCGM 100:2008, 4.2 and 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Evaluation {
    /// From the scatter of readings.
    #[serde(rename = "A")]
    TypeA,
    /// By any other means: certificate, handbook, resolution, judgement.
    #[serde(rename = "B")]
    TypeB,
}

impl Evaluation {
    /// The letter it goes by.
    #[must_use]
    pub const fn letter(self) -> &'static str {
        match self {
            Self::TypeA => "A",
            Self::TypeB => "B",
        }
    }
}

/// One input of a budget.
#[derive(Debug, Clone, PartialEq)]
pub struct BudgetLine {
    /// Where the uncertainty comes from.
    pub source: String,
    /// Best estimate of the input.
    pub value: f64,
    /// Unit of `value` and `standard_uncertainty`.
    pub unit: String,
    /// Standard uncertainty, 0 or more.
    pub standard_uncertainty: f64,
    /// Type A or B.
    pub evaluation: Evaluation,
    /// Degrees of freedom, 1 or more; infinite when the uncertainty is taken as known.
    pub degrees_of_freedom: f64,
    /// ∂(result)/∂(input), in the result's unit per the input's.
    pub sensitivity: f64,
    /// True when the same error is in every pull on this stand (its inertia, its
    /// calibration), so that it cancels from a comparison; false when it is drawn again
    /// with each pull.
    pub common: bool,
}

impl BudgetLine {
    /// Signed contribution c·u, in the result's unit.
    fn contribution(&self) -> f64 {
        self.sensitivity * self.standard_uncertainty
    }
}

/// Correlation between two lines, by their places in the budget.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    /// Index of one line.
    pub first: usize,
    /// Index of the other.
    pub second: usize,
    /// Correlation coefficient, −1 to 1.
    pub coefficient: f64,
}

/// Inputs of a result with their uncertainties.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Budget {
    /// The inputs.
    pub lines: Vec<BudgetLine>,
    /// Pairs that are correlated; all others are taken as independent.
    pub correlations: Vec<Correlation>,
}

/// A combined uncertainty or a part of it, in the result's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CombinedUncertainty {
    /// Combined standard uncertainty.
    pub standard_uncertainty: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Coverage factor.
    pub coverage_factor: f64,
    /// Half-width of the interval with the coverage asked for.
    pub expanded_uncertainty: f64,
}

/// What a budget adds up to.
#[derive(Debug, Clone, PartialEq)]
pub struct Combined {
    /// Everything.
    pub total: CombinedUncertainty,
    /// What all pulls on the stand share.
    pub common: CombinedUncertainty,
    /// What is drawn again with each pull.
    pub pull_to_pull: CombinedUncertainty,
    /// Share of the total variance by line, in the order of the lines. They sum to 1 (to 0
    /// when nothing is uncertain); a correlation can make one negative.
    pub shares: Vec<f64>,
    /// Coverage probability of the expanded uncertainties.
    pub coverage_probability: f64,
}

/// A budget that cannot be added up.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BudgetError {
    /// No lines.
    #[error("uncertainty budget: expected at least one line, found none")]
    Empty,
    /// A number of a line that cannot be.
    #[error("uncertainty budget, \"{line}\", {quantity}: expected {expected}, found {found}")]
    BadLine {
        /// Source of the line.
        line: String,
        /// Which number.
        quantity: &'static str,
        /// What it must be.
        expected: &'static str,
        /// What it is.
        found: f64,
    },
    /// A correlation with a line that is not there or with itself, or not within ±1.
    #[error(
        "uncertainty budget: expected a correlation within −1 to 1 between two of {lines} lines, \
         found {coefficient} between lines {first} and {second}"
    )]
    BadCorrelation {
        /// Lines in the budget.
        lines: usize,
        /// First index given.
        first: usize,
        /// Second index given.
        second: usize,
        /// Coefficient given.
        coefficient: f64,
    },
    /// A correlation across the split into common and pull-to-pull.
    #[error(
        "uncertainty budget: \"{common}\" is common to all pulls and \"{other}\" is not, so they \
         cannot be correlated"
    )]
    CorrelationAcrossSplit {
        /// The common line.
        common: String,
        /// The other.
        other: String,
    },
    /// Correlations that contradict each other.
    #[error("uncertainty budget: the correlations contradict each other (variance {variance})")]
    ImpossibleCorrelations {
        /// The negative variance they give.
        variance: f64,
    },
    /// No coverage factor.
    #[error(transparent)]
    Coverage(#[from] CoverageError),
}

impl Budget {
    /// A budget of independent lines.
    #[must_use]
    pub const fn independent(lines: Vec<BudgetLine>) -> Self {
        Self {
            lines,
            correlations: Vec::new(),
        }
    }

    /// Adds up the budget.
    ///
    /// u_c² = Σ (cᵢuᵢ)² + 2 Σ cᵢuᵢ cⱼuⱼ rᵢⱼ (5.2.2), degrees of freedom after
    /// Welch–Satterthwaite (G.2b), k from Student's t (G.3). Correlations enter u_c but
    /// Welch–Satterthwaite has no term for them: with them, the degrees of freedom are an
    /// approximation.
    ///
    /// # Errors
    /// See [`BudgetError`].
    pub fn evaluate(&self, coverage_probability: f64) -> Result<Combined, BudgetError> {
        if self.lines.is_empty() {
            return Err(BudgetError::Empty);
        }
        for line in &self.lines {
            line.check()?;
        }
        // CombinedUncertainty of the variance that belongs to each line: its own, and half of each
        // covariance it takes part in.
        let mut variances: Vec<f64> = self
            .lines
            .iter()
            .map(|line| line.contribution().powi(2))
            .collect();
        for correlation in &self.correlations {
            let covariance = self.covariance(correlation)?;
            for index in [correlation.first, correlation.second] {
                if let Some(variance) = variances.get_mut(index) {
                    *variance += covariance;
                }
            }
        }
        let part = |of: &dyn Fn(&BudgetLine) -> bool| {
            let chosen = self
                .lines
                .iter()
                .zip(&variances)
                .filter(|(line, _)| of(line));
            CombinedUncertainty::of(chosen, coverage_probability)
        };
        let total = part(&|_| true)?;
        let whole = total.standard_uncertainty.powi(2);
        let shares = variances
            .iter()
            .map(|v| if whole > 0.0 { v / whole } else { 0.0 })
            .collect();
        Ok(Combined {
            total,
            common: part(&|line| line.common)?,
            pull_to_pull: part(&|line| !line.common)?,
            shares,
            coverage_probability,
        })
    }

    fn covariance(&self, correlation: &Correlation) -> Result<f64, BudgetError> {
        let &Correlation {
            first,
            second,
            coefficient,
        } = correlation;
        let (Some(a), Some(b), true) = (
            self.lines.get(first),
            self.lines.get(second),
            first != second && (-1.0..=1.0).contains(&coefficient),
        ) else {
            let lines = self.lines.len();
            return Err(BudgetError::BadCorrelation {
                lines,
                first,
                second,
                coefficient,
            });
        };
        if a.common != b.common {
            let (common, other) = if a.common { (a, b) } else { (b, a) };
            return Err(BudgetError::CorrelationAcrossSplit {
                common: common.source.clone(),
                other: other.source.clone(),
            });
        }
        Ok(coefficient * a.contribution() * b.contribution())
    }
}

impl BudgetLine {
    fn check(&self) -> Result<(), BudgetError> {
        let u = self.standard_uncertainty;
        let checks = [
            (
                "value",
                "a finite number",
                self.value,
                self.value.is_finite(),
            ),
            (
                "sensitivity",
                "a finite number",
                self.sensitivity,
                self.sensitivity.is_finite(),
            ),
            (
                "standard uncertainty",
                "0 or more",
                u,
                u.is_finite() && u >= 0.0,
            ),
            (
                "degrees of freedom",
                "1 or more",
                self.degrees_of_freedom,
                self.degrees_of_freedom >= 1.0,
            ),
        ];
        for (quantity, expected, found, good) in checks {
            if !good {
                let line = self.source.clone();
                return Err(BudgetError::BadLine {
                    line,
                    quantity,
                    expected,
                    found,
                });
            }
        }
        Ok(())
    }
}

impl CombinedUncertainty {
    fn of<'a>(
        lines: impl Iterator<Item = (&'a BudgetLine, &'a f64)>,
        coverage_probability: f64,
    ) -> Result<Self, BudgetError> {
        let (mut variance, mut magnitude, mut per_freedom) = (0.0, 0.0, 0.0);
        for (line, share) in lines {
            let own = line.contribution().powi(2);
            variance += share;
            magnitude += own;
            per_freedom += own * own / line.degrees_of_freedom;
        }
        // Full cancellation may round to just below zero.
        if variance < -1e-12 * magnitude {
            return Err(BudgetError::ImpossibleCorrelations { variance });
        }
        let variance = variance.max(0.0);
        // Below 1 only when correlations cancel, where the formula means nothing.
        let degrees_of_freedom = if per_freedom > 0.0 {
            (variance * variance / per_freedom).max(1.0)
        } else {
            f64::INFINITY
        };
        let coverage_factor = coverage_factor(coverage_probability, degrees_of_freedom)?;
        let standard_uncertainty = variance.sqrt();
        Ok(Self {
            standard_uncertainty,
            degrees_of_freedom,
            coverage_factor,
            expanded_uncertainty: coverage_factor * standard_uncertainty,
        })
    }
}
