//! Measuring a moment of inertia, to hold against the one worked out from the drawing.
//!
//! ```
//! // A drum that slows by 3 rad/s² alone and by 2 rad/s² with a ring of 0.5 kg·m² on it: I = 0.5·2/(3 − 2).
//! use leverarm_torque::calibration::inertia::added_ring;
//! use leverarm_torque::uncertainty::Measured;
//!
//! let ring = Measured::new(0.5, 0.001);
//! let drum = added_ring(ring, Measured::new(-3.0, 0.01), Measured::new(-2.0, 0.01))?;
//! assert!((drum.value - 1.0).abs() < 1e-9);
//! # Ok::<(), leverarm_torque::calibration::inertia::InertiaMeasurementError>(())
//! ```

use std::fmt;

use crate::uncertainty::{Measured, propagate};

/// A measurement that gives no inertia.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InertiaMeasurementError {
    /// An input that cannot be.
    #[error(
        "{method}, {quantity}: expected {expected}, found {found} with standard uncertainty \
         {found_uncertainty}"
    )]
    BadInput {
        /// Method.
        method: &'static str,
        /// Which input.
        quantity: &'static str,
        /// What it must be.
        expected: &'static str,
        /// Value found.
        found: f64,
        /// Standard uncertainty found.
        found_uncertainty: f64,
    },
    /// Two runs whose accelerations differ by too little against their uncertainty.
    #[error(
        "{method}: expected two accelerations that differ by more than three times the standard \
         uncertainty {standard_uncertainty} rad/s² of their difference, found {difference} rad/s²"
    )]
    TooAlike {
        /// Method.
        method: &'static str,
        /// Difference of the accelerations.
        difference: f64,
        /// Its standard uncertainty.
        standard_uncertainty: f64,
    },
    /// A value that is not positive.
    #[error(
        "{method}: expected a positive inertia, found {found} kg·m²; the two runs are too alike or mixed up"
    )]
    NotPositive {
        /// Method.
        method: &'static str,
        /// What came out.
        found: f64,
    },
}

type Result<T> = std::result::Result<T, InertiaMeasurementError>;

/// A weight falling on a cord wound on the drum or its shaft.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FallingRun {
    /// Falling mass.
    pub mass_kg: Measured,
    /// Angular acceleration of the drum while it falls.
    pub alpha_rad_per_s2: Measured,
}

/// Result of two falling-weight runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FallingWeight {
    /// Inertia.
    pub inertia_kg_m2: Measured,
    /// Friction torque, taken as the same in both runs. Well below zero means that
    /// something is wrong with a mass, the radius or an acceleration.
    pub friction_nm: Measured,
}

/// Angular acceleration from rest over a drop, 2h/(r t²), for runs timed by hand.
#[must_use]
pub fn alpha_from_drop(height_m: Measured, time_s: Measured, radius_m: Measured) -> Measured {
    propagate([height_m, time_s, radius_m], |[h, t, r]| {
        2.0 * h / (r * t * t)
    })
}

/// Inertia from two weights on the same cord: m r (g − r α) = I α + T, and a constant
/// friction torque T cancels between the runs.
///
/// `radius_m` is to the middle of the cord. The weight's own inertia is in the equation.
///
/// # Errors
/// Inputs that are not positive, or runs that do not give a positive inertia.
pub fn falling_weight(
    runs: [FallingRun; 2],
    radius_m: Measured,
    gravity_m_per_s2: Measured,
) -> Result<FallingWeight> {
    const METHOD: &str = "falling weight";
    let [first, second] = runs;
    let inputs = [
        positive(METHOD, "first mass", first.mass_kg)?,
        positive(METHOD, "first acceleration", first.alpha_rad_per_s2)?,
        positive(METHOD, "second mass", second.mass_kg)?,
        positive(METHOD, "second acceleration", second.alpha_rad_per_s2)?,
        positive(METHOD, "cord radius", radius_m)?,
        positive(METHOD, "gravity", gravity_m_per_s2)?,
    ];
    distinct(METHOD, first.alpha_rad_per_s2, second.alpha_rad_per_s2)?;
    let cord_torque = |mass: f64, alpha: f64, r: f64, g: f64| mass * r * (g - r * alpha);
    let inertia = |[m1, a1, m2, a2, r, g]: [f64; 6]| {
        (cord_torque(m2, a2, r, g) - cord_torque(m1, a1, r, g)) / (a2 - a1)
    };
    let friction = |x: [f64; 6]| {
        let [m1, a1, _, _, r, g] = x;
        cord_torque(m1, a1, r, g) - inertia(x) * a1
    };
    Ok(FallingWeight {
        inertia_kg_m2: result(METHOD, propagate(inputs, inertia))?,
        friction_nm: propagate(inputs, friction),
    })
}

/// Inertia from a known torque: I = T/(α_driven − α_coasting), both accelerations at the
/// same speed, so that the stand's own losses cancel.
///
/// # Errors
/// A torque or a driven acceleration that is not positive, a coasting one that is positive.
pub fn known_torque(
    torque_nm: Measured,
    alpha_driven_rad_per_s2: Measured,
    alpha_coasting_rad_per_s2: Measured,
) -> Result<Measured> {
    const METHOD: &str = "known torque";
    let inputs = [
        positive(METHOD, "torque", torque_nm)?,
        positive(METHOD, "driven acceleration", alpha_driven_rad_per_s2)?,
        slowing(METHOD, "coasting acceleration", alpha_coasting_rad_per_s2)?,
    ];
    result(
        METHOD,
        propagate(inputs, |[torque, driven, coasting]| {
            torque / (driven - coasting)
        }),
    )
}

/// Inertia from coasting down without and with a ring of known inertia, both accelerations
/// at the same speed: I α₁ = (I + I_ring) α₂, so I = I_ring α₂/(α₁ − α₂).
///
/// The losses are taken as the same in both, so the ring must add little drag and load.
///
/// # Errors
/// A ring that is not positive, accelerations that are not negative, or a drum that did
/// not coast longer with the ring.
pub fn added_ring(
    ring_inertia_kg_m2: Measured,
    alpha_without_rad_per_s2: Measured,
    alpha_with_rad_per_s2: Measured,
) -> Result<Measured> {
    const METHOD: &str = "added ring";
    let inputs = [
        positive(METHOD, "ring inertia", ring_inertia_kg_m2)?,
        slowing(
            METHOD,
            "acceleration without the ring",
            alpha_without_rad_per_s2,
        )?,
        slowing(METHOD, "acceleration with the ring", alpha_with_rad_per_s2)?,
    ];
    result(
        METHOD,
        propagate(inputs, |[ring, without, with]| {
            ring * with / (without - with)
        }),
    )
}

/// A computed and a measured inertia side by side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// From the drawing.
    pub computed_kg_m2: Measured,
    /// From the measurement.
    pub measured_kg_m2: Measured,
    /// Measured less computed.
    pub difference_kg_m2: f64,
    /// Expanded uncertainty of the difference, k = 2.
    pub expanded_uncertainty_kg_m2: f64,
}

impl Agreement {
    /// False when the difference is more than the expanded uncertainty explains: a piece is
    /// missing or mistyped, or the measurement is off.
    #[must_use]
    pub fn agrees(&self) -> bool {
        self.difference_kg_m2.abs() <= self.expanded_uncertainty_kg_m2
    }
}

impl fmt::Display for Agreement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let verdict = if self.agrees() { "within" } else { "beyond" };
        write!(
            f,
            "computed {:.4} kg·m², measured {:.4} kg·m²: difference {:+.4} kg·m² ({:+.1} %) is \
             {verdict} the combined expanded uncertainty ±{:.4} kg·m² (k = 2)",
            self.computed_kg_m2.value,
            self.measured_kg_m2.value,
            self.difference_kg_m2,
            100.0 * self.difference_kg_m2 / self.computed_kg_m2.value,
            self.expanded_uncertainty_kg_m2,
        )
    }
}

/// Compares the two, taken as independent.
#[must_use]
pub fn compare(computed_kg_m2: Measured, measured_kg_m2: Measured) -> Agreement {
    let combined = computed_kg_m2
        .standard_uncertainty
        .hypot(measured_kg_m2.standard_uncertainty);
    Agreement {
        computed_kg_m2,
        measured_kg_m2,
        difference_kg_m2: measured_kg_m2.value - computed_kg_m2.value,
        expanded_uncertainty_kg_m2: 2.0 * combined,
    }
}

fn positive(method: &'static str, quantity: &'static str, found: Measured) -> Result<Measured> {
    let known = found.value > 0.0 && 3.0 * found.standard_uncertainty < found.value;
    let expected = "a positive number known to better than a third";
    checked(method, quantity, expected, found, known)
}

fn slowing(method: &'static str, quantity: &'static str, found: Measured) -> Result<Measured> {
    checked(
        method,
        quantity,
        "a negative number (slowing down)",
        found,
        found.value < 0.0,
    )
}

/// First-order propagation says too little about a quotient by a difference that may be
/// zero: refuse it instead.
fn distinct(method: &'static str, a: Measured, b: Measured) -> Result<()> {
    let difference = (a.value - b.value).abs();
    let standard_uncertainty = a.standard_uncertainty.hypot(b.standard_uncertainty);
    if difference > 3.0 * standard_uncertainty {
        Ok(())
    } else {
        Err(InertiaMeasurementError::TooAlike {
            method,
            difference,
            standard_uncertainty,
        })
    }
}

fn checked(
    method: &'static str,
    quantity: &'static str,
    expected: &'static str,
    found: Measured,
    good: bool,
) -> Result<Measured> {
    if good && found.is_valid() {
        Ok(found)
    } else {
        Err(InertiaMeasurementError::BadInput {
            method,
            quantity,
            expected,
            found: found.value,
            found_uncertainty: found.standard_uncertainty,
        })
    }
}

fn result(method: &'static str, inertia: Measured) -> Result<Measured> {
    if inertia.value > 0.0 && inertia.is_valid() {
        Ok(inertia)
    } else {
        Err(InertiaMeasurementError::NotPositive {
            method,
            found: inertia.value,
        })
    }
}
