//! Torque lost in the stand (bearings, chain, air), from letting it coast down.
//!
//! Coasting, I dω/dt = −(c₀ + c₁ω + c₂ω²). The fit is linear in the c: either on
//! accelerations, or on the speeds themselves against their own running integrals, which
//! needs no derivative.
//!
//! ```
//! // A drum of 2 kg·m² that coasts down against 1.2 N·m and 0.01 N·m for every rad/s.
//! use leverarm_torque::calibration::losses::{AccelerationSample, Losses, Terms};
//! use leverarm_torque::uncertainty::Measured;
//!
//! let samples: Vec<AccelerationSample> = (0..60)
//!     .map(|n| 150.0 - 2.0 * f64::from(n))
//!     .map(|omega| AccelerationSample {
//!         omega_rad_per_s: omega,
//!         alpha_rad_per_s2: -(1.2 + 0.01 * omega) / 2.0,
//!     })
//!     .collect();
//! let inertia = Measured::new(2.0, 0.01);
//! let losses = Losses::from_accelerations(&samples, inertia, Terms::Linear, None)?;
//! assert!((losses.torque_nm(100.0) - 2.2).abs() < 1e-6);
//! # Ok::<(), leverarm_torque::calibration::losses::LossError>(())
//! ```

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};
use serde::{Deserialize, Serialize};

use super::wander::{self, Fit, Seen};
use crate::{
    regression::{FitError, inflation, least_squares},
    uncertainty::{Assessed, CoverageError, Measured, coverage_factor},
};

/// One acceleration while coasting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AccelerationSample {
    /// Angular speed, positive.
    pub omega_rad_per_s: f64,
    /// Angular acceleration: negative while slowing down.
    pub alpha_rad_per_s2: f64,
}

/// One speed while coasting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpeedSample {
    /// Time, rising.
    pub time_s: f64,
    /// Angular speed, positive.
    pub omega_rad_per_s: f64,
}

/// Terms of the loss.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Terms {
    /// c₀ (dry friction).
    Constant,
    /// c₀ + c₁ω (and viscous friction).
    Linear,
    /// c₀ + c₁ω + c₂ω² (and air drag).
    Quadratic,
}

impl Terms {
    const fn count(self) -> usize {
        match self {
            Self::Constant => 1,
            Self::Linear => 2,
            Self::Quadratic => 3,
        }
    }
}

/// A loss that cannot be told from these samples.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum LossError {
    /// The samples do not carry the model.
    #[error("coast-down: {0}; coast over a wider range of speed or use fewer terms")]
    Fit(#[from] FitError),
    /// A speed that is not positive.
    #[error(
        "coast-down: expected positive speeds, found {found} rad/s; cut the samples at standstill"
    )]
    NotTurning {
        /// Speed found.
        found: f64,
    },
    /// Times that do not rise.
    #[error("coast-down: expected rising times, found {found} s after {before} s")]
    TimeNotRising {
        /// The time before.
        before: f64,
        /// The time found.
        found: f64,
    },
    /// An inertia that is not positive.
    #[error("coast-down: expected a positive inertia, found {found} kg·m²")]
    BadInertia {
        /// Value found.
        found: f64,
    },
    /// A coefficient whose part of the torque is uncertain by more than half of the whole
    /// loss.
    #[error(
        "coast-down: c{power} cannot be told from these samples: its part at {omega_rad_per_s:.1} \
         rad/s is {part_nm:.3} ± {standard_uncertainty_nm:.3} N·m of {loss_nm:.3} N·m lost; coast \
         over a wider range of speed or use fewer terms"
    )]
    NotIdentifiable {
        /// Power of the speed it goes with.
        power: usize,
        /// Highest speed of the samples.
        omega_rad_per_s: f64,
        /// Its part of the torque there.
        part_nm: f64,
        /// Standard uncertainty of that part.
        standard_uncertainty_nm: f64,
        /// Fitted loss there.
        loss_nm: f64,
    },
    /// The stand seems to be driven while it coasts.
    #[error(
        "coast-down: expected a loss at every speed, found {torque_nm:.4} N·m at \
         {omega_rad_per_s:.1} rad/s: something drives the drum, or the sign of the acceleration is \
         wrong"
    )]
    Negative {
        /// Where.
        omega_rad_per_s: f64,
        /// Fitted loss there.
        torque_nm: f64,
    },
    /// Runs that can't be combined.
    #[error(
        "coast-downs: expected speeds that all of them cover, found one that ends at \
         {low_rad_per_s:.1} rad/s and one that starts at {high_rad_per_s:.1} rad/s"
    )]
    NoCommonSpeeds {
        /// Highest speed of one.
        low_rad_per_s: f64,
        /// Lowest speed of another.
        high_rad_per_s: f64,
    },
    /// No coverage factor.
    #[error(transparent)]
    Coverage(#[from] CoverageError),
}

/// The numbers of a fitted loss, to be kept and taken up again.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LossFigures {
    /// c₀ in N·m, c₁ in N·m·s, c₂ in N·m·s².
    pub coefficients: [f64; 3],
    /// Their covariance from the scatter of the fit alone.
    pub covariance: [[f64; 3]; 3],
    /// Terms that were fitted.
    pub terms: Terms,
    /// Inertia that was coasting, kg·m².
    pub inertia_kg_m2: Measured,
    /// Independent samples less unknowns.
    pub degrees_of_freedom: f64,
    /// Range of speed that was fitted, rad/s.
    pub omega_range_rad_per_s: (f64, f64),
    /// Standard deviation of the residuals, in what was fitted.
    pub residual_sd: f64,
    /// Bearing temperature during the coast-down, K.
    pub bearing_temperature_k: Option<f64>,
}

/// Losses of several coast-downs together.
#[derive(Debug, Clone, PartialEq)]
pub struct CombinedLosses {
    /// Their mean, with the scatter between them in its covariance.
    pub losses: Losses,
    /// Standard deviation from run to run, relative to the loss; nothing from a single run.
    pub repeatability: Option<Assessed>,
}

/// Torque lost as a function of speed.
#[derive(Debug, Clone, PartialEq)]
pub struct Losses {
    coefficients: Vector3<f64>,
    /// From the scatter of the fit alone; the inertia's part is apart.
    covariance: Matrix3<f64>,
    terms: Terms,
    inertia_kg_m2: Measured,
    degrees_of_freedom: f64,
    coverage_factor_95: f64,
    /// For a band that holds over the whole curve at once.
    simultaneous_factor_95: f64,
    omega_range_rad_per_s: (f64, f64),
    residual_sd: f64,
    bearing_temperature_k: Option<f64>,
}

/// Two coast-downs of one stand side by side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LossChange {
    /// Speed at which the change is clearest.
    pub omega_rad_per_s: f64,
    /// Loss now less loss then, there.
    pub difference_nm: f64,
    /// Half-width of the 95 % band of the difference, for the whole curve at once.
    pub band_nm: f64,
    /// True when the difference is outside that band: bearings, chain or brake drag have
    /// changed (or their temperature has).
    pub changed: bool,
    /// Bearing temperature now less then; nothing when either is unknown.
    pub temperature_change_k: Option<f64>,
}

impl LossChange {
    /// Temperature change from which losses are not like for like (common practice, no
    /// source).
    pub const TEMPERATURE_CHANGE_K: f64 = 10.0;

    /// What to say about temperature when the two are not like for like.
    #[must_use]
    pub fn temperature_note(&self) -> Option<String> {
        match self.temperature_change_k {
            None => Some(
                "bearing temperature not recorded in both coast-downs: grease drag falls as it warms"
                    .into(),
            ),
            Some(change) if change.abs() >= Self::TEMPERATURE_CHANGE_K => Some(format!(
                "bearings {change:+.0} K against the earlier coast-down: grease drag falls as it \
                 warms, so compare at like temperature"
            )),
            Some(_) => None,
        }
    }
}

impl Losses {
    /// Fits accelerations, in time order.
    ///
    /// # Errors
    /// See [`LossError`].
    pub fn from_accelerations(
        samples: &[AccelerationSample],
        inertia_kg_m2: Measured,
        terms: Terms,
        bearing_temperature_k: Option<f64>,
    ) -> Result<Self, LossError> {
        let omegas: Vec<f64> = samples.iter().map(|s| s.omega_rad_per_s).collect();
        let range = speed_range(&omegas)?;
        let unknowns = terms.count();
        let rows = omegas
            .iter()
            .flat_map(|w| [1.0, *w, w * w].into_iter().take(unknowns));
        let design = DMatrix::from_row_iterator(samples.len(), unknowns, rows);
        let y = DVector::from_iterator(samples.len(), samples.iter().map(|s| -s.alpha_rad_per_s2));
        let fit = least_squares(&design, &y)?;
        // Samples that share errors with their neighbours count for fewer.
        let inflation = inflation(fit.residuals.as_slice());
        let effective = fit.residuals.len() as f64 / inflation;
        let fit = Fit {
            // Residuals that all hang together (a model that does not follow, or no noise at all)
            // leave no independent sample; one is the least that Student's t can work with, and
            // its factor of 12.7 the widest band.
            degrees_of_freedom: (effective - unknowns as f64).max(1.0),
            covariance: inflation * fit.covariance,
            residual_sd: fit.residual_variance.sqrt(),
            coefficients: fit.coefficients,
        };
        Self::from_fit(&fit, 0, range, inertia_kg_m2, terms, bearing_temperature_k)
    }

    /// Fits speeds over time: ω(t) = ω₀ − a₀ t − a₁ ∫ω dt − a₂ ∫ω² dt with aᵢ = cᵢ/I.
    ///
    /// The integrals are trapezoids over the samples, so these should be closer together
    /// than a tenth of the time in which the speed changes much.
    ///
    /// # Errors
    /// See [`LossError`].
    pub fn from_speeds(
        samples: &[SpeedSample],
        inertia_kg_m2: Measured,
        terms: Terms,
        bearing_temperature_k: Option<f64>,
    ) -> Result<Self, LossError> {
        let omegas: Vec<f64> = samples.iter().map(|s| s.omega_rad_per_s).collect();
        let range = speed_range(&omegas)?;
        let unknowns = 1 + terms.count();
        let mut rows = Vec::with_capacity(samples.len() * unknowns);
        let mut integrals = [0.0; 3];
        let mut before: Option<&SpeedSample> = None;
        for sample in samples {
            if let Some(before) = before {
                let dt = sample.time_s - before.time_s;
                let rising = dt > 0.0;
                if !rising {
                    return Err(LossError::TimeNotRising {
                        before: before.time_s,
                        found: sample.time_s,
                    });
                }
                let (a, b) = (before.omega_rad_per_s, sample.omega_rad_per_s);
                let steps = [1.0, 0.5 * (a + b), 0.5 * (a * a + b * b)];
                for (integral, step) in integrals.iter_mut().zip(steps) {
                    *integral += dt * step;
                }
            }
            rows.push(1.0);
            rows.extend(
                integrals
                    .iter()
                    .take(terms.count())
                    .map(|integral| -integral),
            );
            before = Some(sample);
        }
        let design = DMatrix::from_row_iterator(samples.len(), unknowns, rows);
        let times_s: Vec<f64> = samples.iter().map(|s| s.time_s).collect();
        let fit = wander::fit(&design, &DVector::from_vec(omegas), Seen::Speeds, &times_s)?;
        Self::from_fit(&fit, 1, range, inertia_kg_m2, terms, bearing_temperature_k)
    }

    /// Takes the loss terms from a fit, past `skip` other unknowns.
    fn from_fit(
        fit: &Fit,
        skip: usize,
        omega_range_rad_per_s: (f64, f64),
        inertia_kg_m2: Measured,
        terms: Terms,
        bearing_temperature_k: Option<f64>,
    ) -> Result<Self, LossError> {
        let inertia = inertia_kg_m2.value;
        if !(inertia_kg_m2.is_valid() && inertia > 0.0) {
            return Err(LossError::BadInertia { found: inertia });
        }
        let mut coefficients = Vector3::zeros();
        let mut covariance = Matrix3::zeros();
        for i in 0..terms.count() {
            coefficients[i] = inertia * fit.coefficients[skip + i];
            for j in 0..terms.count() {
                covariance[(i, j)] = inertia * inertia * fit.covariance[(skip + i, skip + j)];
            }
        }
        // Looking along a curve of p terms for its clearest difference is about p looks
        // (Bonferroni).
        let simultaneous = 1.0 - 0.05 / terms.count() as f64;
        let degrees_of_freedom = fit.degrees_of_freedom;
        let losses = Self {
            coefficients,
            covariance,
            terms,
            inertia_kg_m2,
            degrees_of_freedom,
            coverage_factor_95: coverage_factor(0.95, degrees_of_freedom)?,
            simultaneous_factor_95: coverage_factor(simultaneous, degrees_of_freedom)?,
            omega_range_rad_per_s,
            residual_sd: fit.residual_sd,
            bearing_temperature_k,
        };
        losses.check()?;
        Ok(losses)
    }

    /// The numbers, to be kept.
    #[must_use]
    pub fn figures(&self) -> LossFigures {
        LossFigures {
            coefficients: self.coefficients(),
            covariance: self.covariance(),
            terms: self.terms,
            inertia_kg_m2: self.inertia_kg_m2,
            degrees_of_freedom: self.degrees_of_freedom,
            omega_range_rad_per_s: self.omega_range_rad_per_s,
            residual_sd: self.residual_sd,
            bearing_temperature_k: self.bearing_temperature_k,
        }
    }

    /// Kept numbers taken up again.
    ///
    /// # Errors
    /// Numbers that no fit can have given: see [`LossError`].
    pub fn from_figures(figures: &LossFigures) -> Result<Self, LossError> {
        let inertia = figures.inertia_kg_m2;
        if !(inertia.is_valid() && inertia.value > 0.0) {
            return Err(LossError::BadInertia {
                found: inertia.value,
            });
        }
        let simultaneous = 1.0 - 0.05 / figures.terms.count() as f64;
        let losses = Self {
            coefficients: figures.coefficients.into(),
            covariance: figures.covariance.into(),
            terms: figures.terms,
            inertia_kg_m2: inertia,
            degrees_of_freedom: figures.degrees_of_freedom,
            coverage_factor_95: coverage_factor(0.95, figures.degrees_of_freedom)?,
            simultaneous_factor_95: coverage_factor(simultaneous, figures.degrees_of_freedom)?,
            omega_range_rad_per_s: figures.omega_range_rad_per_s,
            residual_sd: figures.residual_sd,
            bearing_temperature_k: figures.bearing_temperature_k,
        };
        losses.check()?;
        Ok(losses)
    }

    /// The mean of several coast-downs with the same inertia.
    ///
    /// From run to run the whole loss is taken to grow or shrink by one share (bearings and grease
    /// at another temperature), so that its scatter over a few runs says something about every
    /// speed.
    ///
    /// # Errors
    /// No runs, runs that cover no common speeds, or a mean that no fit can have given.
    pub fn combined(runs: &[Self]) -> Result<CombinedLosses, LossError> {
        let (first, rest) = runs
            .split_first()
            .ok_or(LossError::Fit(FitError::TooFewPoints {
                unknowns: 0,
                points: 0,
            }))?;
        if rest.is_empty() {
            return Ok(CombinedLosses {
                losses: first.clone(),
                repeatability: None,
            });
        }
        let n = runs.len() as f64;
        let coefficients = runs.iter().map(|r| r.coefficients).sum::<Vector3<f64>>() / n;
        let within = runs.iter().map(|r| r.covariance).sum::<Matrix3<f64>>() / (n * n);
        let low = runs
            .iter()
            .map(|r| r.omega_range_rad_per_s.0)
            .fold(0.0, f64::max);
        let ends = runs.iter().map(|r| r.omega_range_rad_per_s.1);
        let high = ends.fold(f64::INFINITY, f64::min);
        let apart = high <= low;
        if apart {
            return Err(LossError::NoCommonSpeeds {
                low_rad_per_s: high,
                high_rad_per_s: low,
            });
        }
        // Each run's share over the mean, averaged over the speeds that all of them have.
        let shares: Vec<f64> = runs
            .iter()
            .map(|run| {
                let at = |i: u8| low + (high - low) * f64::from(i) / 50.0;
                let sum: f64 = (0..=50)
                    .map(|i| run.torque_nm(at(i)) / powers(at(i)).dot(&coefficients))
                    .sum();
                sum / 51.0
            })
            .collect();
        let mean = shares.iter().sum::<f64>() / n;
        let variance = shares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0);
        let between = coefficients * coefficients.transpose() * (variance / n);
        let middle = powers(0.5 * (low + high));
        let part = |covariance: &Matrix3<f64>| middle.dot(&(covariance * middle));
        let (within_u2, between_u2) = (part(&within), part(&between));
        let within_freedom: f64 = runs.iter().map(|r| r.degrees_of_freedom).sum();
        // Welch–Satterthwaite over the two.
        let freedom = (within_u2 + between_u2).powi(2)
            / (within_u2.powi(2) / within_freedom + between_u2.powi(2) / (n - 1.0));
        let temperatures: Vec<f64> = runs
            .iter()
            .filter_map(|r| r.bearing_temperature_k)
            .collect();
        let temperature = temperatures.iter().sum::<f64>() / temperatures.len().max(1) as f64;
        let losses = Self::from_figures(&LossFigures {
            coefficients: coefficients.into(),
            covariance: (within + between).into(),
            degrees_of_freedom: if freedom.is_finite() {
                freedom.max(1.0)
            } else {
                within_freedom
            },
            omega_range_rad_per_s: (low, high),
            residual_sd: runs.iter().map(|r| r.residual_sd).fold(0.0, f64::max),
            bearing_temperature_k: (!temperatures.is_empty()).then_some(temperature),
            ..first.figures()
        })?;
        let repeatability = Assessed::type_a(Measured::new(0.0, variance.sqrt()), n - 1.0);
        Ok(CombinedLosses {
            losses,
            repeatability: Some(repeatability),
        })
    }

    fn check(&self) -> Result<(), LossError> {
        let (_, top) = self.omega_range_rad_per_s;
        for omega_rad_per_s in self.grid() {
            let torque_nm = self.torque_nm(omega_rad_per_s);
            let lost = torque_nm > 0.0;
            if !lost {
                return Err(LossError::Negative {
                    omega_rad_per_s,
                    torque_nm,
                });
            }
        }
        let loss_nm = self.torque_nm(top);
        for (power, (weight, c)) in powers(top).iter().zip(&self.coefficients).enumerate() {
            let standard_uncertainty_nm = weight
                * self
                    .covariance
                    .get((power, power))
                    .map_or(0.0, |v| v.sqrt());
            if standard_uncertainty_nm > 0.5 * loss_nm {
                return Err(LossError::NotIdentifiable {
                    power,
                    omega_rad_per_s: top,
                    part_nm: weight * c,
                    standard_uncertainty_nm,
                    loss_nm,
                });
            }
        }
        Ok(())
    }

    /// Speeds across the fitted range at which to look.
    fn grid(&self) -> impl Iterator<Item = f64> + use<> {
        let (low, high) = self.omega_range_rad_per_s;
        (0..=100_u8).map(move |i| low + (high - low) * f64::from(i) / 100.0)
    }

    /// c₀ in N·m, c₁ in N·m·s, c₂ in N·m·s²; 0 for a term left out.
    #[must_use]
    pub fn coefficients(&self) -> [f64; 3] {
        self.coefficients.into()
    }

    /// Covariance of the coefficients from the scatter of the fit alone: the inertia scales
    /// them all and is counted in [`Self::torque`].
    #[must_use]
    pub fn covariance(&self) -> [[f64; 3]; 3] {
        // Symmetric, so that columns are rows.
        self.covariance.into()
    }

    /// Terms that were fitted.
    #[must_use]
    pub const fn terms(&self) -> Terms {
        self.terms
    }

    /// Inertia that was coasting.
    #[must_use]
    pub const fn inertia_kg_m2(&self) -> Measured {
        self.inertia_kg_m2
    }

    /// Independent samples less unknowns.
    #[must_use]
    pub const fn degrees_of_freedom(&self) -> f64 {
        self.degrees_of_freedom
    }

    /// Range of speed that was fitted; outside it, the losses are an extrapolation.
    #[must_use]
    pub const fn omega_range_rad_per_s(&self) -> (f64, f64) {
        self.omega_range_rad_per_s
    }

    /// Standard deviation of the residuals, in what was fitted: rad/s² or rad/s.
    #[must_use]
    pub const fn residual_sd(&self) -> f64 {
        self.residual_sd
    }

    /// Bearing temperature during the coast-down.
    #[must_use]
    pub const fn bearing_temperature_k(&self) -> Option<f64> {
        self.bearing_temperature_k
    }

    /// Torque lost at a speed.
    #[must_use]
    pub fn torque_nm(&self, omega_rad_per_s: f64) -> f64 {
        powers(omega_rad_per_s).dot(&self.coefficients)
    }

    /// Standard uncertainty from the scatter of the fit alone, without the inertia's.
    ///
    /// A drum's pull takes I·α and the loss from one inertia; its uncertainty is then
    /// counted once, outside.
    #[must_use]
    pub fn fit_standard_uncertainty_nm(&self, omega_rad_per_s: f64) -> f64 {
        let powers = powers(omega_rad_per_s);
        powers.dot(&(self.covariance * powers)).max(0.0).sqrt()
    }

    /// Torque lost with its whole standard uncertainty, the inertia's included.
    #[must_use]
    pub fn torque(&self, omega_rad_per_s: f64) -> Measured {
        let value = self.torque_nm(omega_rad_per_s);
        let from_inertia = value * self.inertia_kg_m2.relative_standard_uncertainty();
        let from_fit = self.fit_standard_uncertainty_nm(omega_rad_per_s);
        Measured::new(value, from_fit.hypot(from_inertia))
    }

    /// Half-width of the 95 % confidence band of the torque lost.
    #[must_use]
    pub fn band_nm(&self, omega_rad_per_s: f64) -> f64 {
        self.coverage_factor_95 * self.torque(omega_rad_per_s).standard_uncertainty
    }

    /// Compares with an earlier coast-down of the same stand, over the speeds that both
    /// covered; nothing when there are none.
    ///
    /// With the same inertia in both, its uncertainty scales both alike and is left out.
    #[must_use]
    pub fn change_since(&self, earlier: &Self) -> Option<LossChange> {
        let (a, b) = (self.omega_range_rad_per_s, earlier.omega_range_rad_per_s);
        let (low, high) = (a.0.max(b.0), a.1.min(b.1));
        let same_inertia = self.inertia_kg_m2 == earlier.inertia_kg_m2;
        let band_nm = |losses: &Self, omega| {
            let u = if same_inertia {
                losses.fit_standard_uncertainty_nm(omega)
            } else {
                losses.torque(omega).standard_uncertainty
            };
            losses.simultaneous_factor_95 * u
        };
        let temperature_change_k = self
            .bearing_temperature_k
            .zip(earlier.bearing_temperature_k)
            .map(|(now, then)| now - then);
        self.grid()
            .chain(earlier.grid())
            .filter(|omega| (low..=high).contains(omega))
            .map(|omega_rad_per_s| {
                let difference_nm =
                    self.torque_nm(omega_rad_per_s) - earlier.torque_nm(omega_rad_per_s);
                let band_nm =
                    band_nm(self, omega_rad_per_s).hypot(band_nm(earlier, omega_rad_per_s));
                LossChange {
                    omega_rad_per_s,
                    difference_nm,
                    band_nm,
                    changed: difference_nm.abs() > band_nm,
                    temperature_change_k,
                }
            })
            .max_by(|a, b| {
                let clarity = |change: &LossChange| change.difference_nm.abs() - change.band_nm;
                clarity(a).total_cmp(&clarity(b))
            })
    }
}

fn powers(omega: f64) -> Vector3<f64> {
    Vector3::new(1.0, omega, omega * omega)
}

fn speed_range(omegas: &[f64]) -> Result<(f64, f64), LossError> {
    omegas
        .iter()
        .try_fold((f64::INFINITY, 0.0_f64), |(low, high), omega| {
            if *omega > 0.0 {
                Ok((low.min(*omega), high.max(*omega)))
            } else {
                Err(LossError::NotTurning { found: *omega })
            }
        })
}
