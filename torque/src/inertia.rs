//! Moment of inertia of a drum from its drawing.
//!
//! A drum is a list of pieces. A piece is a shape, what it is made of, how many there
//! are, how far each one's own axis lies from the spin axis, and whether it is there or
//! cut away: a ring of bolt holes is a removed cylinder on a pitch circle.
//!
//! ```
//! use leverarm_torque::inertia::{Amount, Piece, Shape, drum};
//! use leverarm_torque::uncertainty::Measured;
//!
//! // A steel disc, 600 mm across and 100 mm long: m D²/8.
//! let disc = Piece {
//!     name: "disc".to_owned(),
//!     shape: Shape::Cylinder {
//!         diameter_m: Measured::new(0.6, 0.0005),
//!         length_m: Measured::new(0.1, 0.0005),
//!     },
//!     amount: Amount::Density(Measured::new(7850.0, 20.0)),
//!     offset_m: Measured::exact(0.0),
//!     count: 1,
//!     removed: false,
//! };
//! let total = drum(&[disc])?.total;
//! let expected = total.mass_kg.value * 0.6 * 0.6 / 8.0;
//! assert!((total.inertia_kg_m2.value - expected).abs() < 1e-9);
//! # Ok::<(), leverarm_torque::inertia::InertiaError>(())
//! ```

use std::f64::consts::PI;

use crate::uncertainty::{Measured, contributions};

/// Shape of one piece. The axis named in each is parallel to the spin axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// Solid cylinder: disc, shaft, round bar or round hole. I = m D²/8.
    Cylinder {
        /// Diameter.
        diameter_m: Measured,
        /// Length along the axis.
        length_m: Measured,
    },
    /// Tube, rim or washer. I = m (D² + d²)/8.
    Tube {
        /// Outer diameter.
        outer_diameter_m: Measured,
        /// Inner diameter.
        inner_diameter_m: Measured,
        /// Length along the axis.
        length_m: Measured,
    },
    /// Rectangular plate or bar turning about the axis through its centre along
    /// `thickness_m`. I = m (a² + b²)/12.
    Plate {
        /// One side across the axis.
        width_m: Measured,
        /// The other side across the axis.
        height_m: Measured,
        /// Side along the axis.
        thickness_m: Measured,
    },
    /// Round bar lying across the axis, such as a spoke, its centre on its own axis.
    /// I = m (L²/12 + D²/16).
    CrossBar {
        /// Diameter.
        diameter_m: Measured,
        /// Length across the axis.
        length_m: Measured,
    },
    /// Ball. I = m D²/10.
    Sphere {
        /// Diameter.
        diameter_m: Measured,
    },
    /// A mass so small that only its distance counts; needs [`Amount::Mass`].
    Point,
}

/// How much there is of one piece.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Amount {
    /// Density, kg/m³. The density uncertainties of all pieces of a drum are taken as
    /// wholly correlated: they are usually the same handbook value for the same steel.
    Density(Measured),
    /// Weighed mass of one piece, kg; independent of the others.
    Mass(Measured),
}

/// One kind of piece of a drum.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// What it is, for the listing and for errors.
    pub name: String,
    /// Its shape.
    pub shape: Shape,
    /// Density or mass.
    pub amount: Amount,
    /// Distance of the piece's own axis from the spin axis: half the pitch circle
    /// diameter; 0 when it sits on the spin axis.
    pub offset_m: Measured,
    /// How many such pieces there are, all from the same measurements.
    pub count: u32,
    /// True for material cut away (holes).
    pub removed: bool,
}

/// Mass and moment of inertia of a piece or a drum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inertia {
    /// Mass, kg; negative for a removed piece.
    pub mass_kg: Measured,
    /// Moment of inertia about the spin axis, kg·m²; negative for a removed piece.
    pub inertia_kg_m2: Measured,
}

/// A drum worked out piece by piece.
#[derive(Debug, Clone, PartialEq)]
pub struct Drum {
    /// The sum.
    pub total: Inertia,
    /// Each piece (all of its count together), in the order given.
    pub pieces: Vec<(String, Inertia)>,
}

/// A drum that cannot be built.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum InertiaError {
    /// No pieces.
    #[error("drum: expected at least one piece, found none")]
    Empty,
    /// A size, density or mass that is not a positive number, or with a bad uncertainty.
    #[error(
        "piece \"{piece}\", {quantity}: expected a {expected} number with a standard uncertainty \
         of 0 or more, found {found} ± {found_uncertainty}"
    )]
    BadQuantity {
        /// Piece.
        piece: String,
        /// Which quantity.
        quantity: &'static str,
        /// "positive" or "non-negative".
        expected: &'static str,
        /// Value found.
        found: f64,
        /// Standard uncertainty found.
        found_uncertainty: f64,
    },
    /// A tube whose bore is not smaller than its outside.
    #[error(
        "piece \"{piece}\": expected an inner diameter below the outer {outer_m} m, found {inner_m} m"
    )]
    BoreTooLarge {
        /// Piece.
        piece: String,
        /// Outer diameter.
        outer_m: f64,
        /// Inner diameter.
        inner_m: f64,
    },
    /// A point given by density.
    #[error("piece \"{piece}\": a point has no volume; expected its mass, found a density")]
    PointWithoutMass {
        /// Piece.
        piece: String,
    },
    /// A count of zero.
    #[error("piece \"{piece}\": expected a count of 1 or more, found 0")]
    NoCount {
        /// Piece.
        piece: String,
    },
    /// The pieces cut away weigh more than what is there.
    #[error(
        "drum: expected a positive mass and inertia, found {mass_kg} kg and {inertia_kg_m2} kg·m²"
    )]
    NotPositive {
        /// Mass found.
        mass_kg: f64,
        /// Inertia found.
        inertia_kg_m2: f64,
    },
}

impl Shape {
    /// Name and value of each dimension, padded with exact ones.
    fn dimensions(&self) -> [(&'static str, Measured); 3] {
        const NONE: (&str, Measured) = ("", Measured::exact(1.0));
        match *self {
            Self::Cylinder {
                diameter_m,
                length_m,
            }
            | Self::CrossBar {
                diameter_m,
                length_m,
            } => [("diameter", diameter_m), ("length", length_m), NONE],
            Self::Tube {
                outer_diameter_m,
                inner_diameter_m,
                length_m,
            } => [
                ("outer diameter", outer_diameter_m),
                ("inner diameter", inner_diameter_m),
                ("length", length_m),
            ],
            Self::Plate {
                width_m,
                height_m,
                thickness_m,
            } => [
                ("width", width_m),
                ("height", height_m),
                ("thickness", thickness_m),
            ],
            Self::Sphere { diameter_m } => [("diameter", diameter_m), NONE, NONE],
            Self::Point => [NONE; 3],
        }
    }

    /// Volume, m³, and squared radius of gyration about the own axis, m², for
    /// dimensions in the order of [`Self::dimensions`].
    fn volume_and_gyration(&self, [a, b, c]: [f64; 3]) -> (f64, f64) {
        match self {
            Self::Cylinder { .. } => (PI / 4.0 * a * a * b, a * a / 8.0),
            Self::Tube { .. } => (PI / 4.0 * (a * a - b * b) * c, (a * a + b * b) / 8.0),
            Self::Plate { .. } => (a * b * c, (a * a + b * b) / 12.0),
            Self::CrossBar { .. } => (PI / 4.0 * a * a * b, b * b / 12.0 + a * a / 16.0),
            Self::Sphere { .. } => (PI / 6.0 * a * a * a, a * a / 10.0),
            Self::Point => (0.0, 0.0),
        }
    }
}

/// Mass or inertia of a piece with its contributions kept apart by cause.
struct Contribution {
    value: f64,
    from_density: f64,
    other_variance: f64,
}

impl Contribution {
    fn measured(&self) -> Measured {
        Measured::new(
            self.value,
            self.from_density.hypot(self.other_variance.sqrt()),
        )
    }

    /// Adds parts: density errors are shared and add with sign, the rest in quadrature.
    fn sum<'a>(parts: impl Iterator<Item = &'a Self>) -> Self {
        parts.fold(
            Self {
                value: 0.0,
                from_density: 0.0,
                other_variance: 0.0,
            },
            |sum, part| Self {
                value: sum.value + part.value,
                from_density: sum.from_density + part.from_density,
                other_variance: sum.other_variance + part.other_variance,
            },
        )
    }
}

impl Piece {
    fn check(&self) -> Result<(), InertiaError> {
        let bad = |quantity, expected, found: Measured| InertiaError::BadQuantity {
            piece: self.name.clone(),
            quantity,
            expected,
            found: found.value,
            found_uncertainty: found.standard_uncertainty,
        };
        let (amount_name, amount) = match self.amount {
            Amount::Density(density) => ("density", density),
            Amount::Mass(mass) => ("mass", mass),
        };
        for (quantity, found) in self
            .shape
            .dimensions()
            .into_iter()
            .chain([(amount_name, amount)])
        {
            if !(found.is_valid() && found.value > 0.0) {
                return Err(bad(quantity, "positive", found));
            }
        }
        if !(self.offset_m.is_valid() && self.offset_m.value >= 0.0) {
            return Err(bad("offset", "non-negative", self.offset_m));
        }
        if let Shape::Tube {
            outer_diameter_m,
            inner_diameter_m,
            ..
        } = self.shape
            && inner_diameter_m.value >= outer_diameter_m.value
        {
            return Err(InertiaError::BoreTooLarge {
                piece: self.name.clone(),
                outer_m: outer_diameter_m.value,
                inner_m: inner_diameter_m.value,
            });
        }
        if matches!(
            (self.shape, self.amount),
            (Shape::Point, Amount::Density(_))
        ) {
            return Err(InertiaError::PointWithoutMass {
                piece: self.name.clone(),
            });
        }
        if self.count == 0 {
            return Err(InertiaError::NoCount {
                piece: self.name.clone(),
            });
        }
        Ok(())
    }

    /// Mass part and inertia part of all of the count together. Their dimension errors
    /// are shared (one drill, one drawing), so they scale with the count.
    fn parts(&self) -> (Contribution, Contribution) {
        let (amount, by_density) = match self.amount {
            Amount::Density(density) => (density, true),
            Amount::Mass(mass) => (mass, false),
        };
        let sign = if self.removed { -1.0 } else { 1.0 };
        let number = sign * f64::from(self.count);
        let [(_, a), (_, b), (_, c)] = self.shape.dimensions();
        let inputs = [a, b, c, self.offset_m, amount];
        let part = |of: &dyn Fn(f64, f64, f64) -> f64| {
            let f = |[a, b, c, offset, amount]: [f64; 5]| {
                let (volume, gyration) = self.shape.volume_and_gyration([a, b, c]);
                let mass = if by_density { amount * volume } else { amount };
                number * of(mass, gyration, offset)
            };
            let [a, b, c, offset, from_amount] = contributions(inputs, f);
            let dimensions: f64 = [a, b, c, offset].iter().map(|c| c * c).sum();
            let value = f(inputs.map(|input| input.value));
            if by_density {
                Contribution {
                    value,
                    from_density: from_amount,
                    other_variance: dimensions,
                }
            } else {
                let other_variance = dimensions + from_amount * from_amount;
                Contribution {
                    value,
                    from_density: 0.0,
                    other_variance,
                }
            }
        };
        (
            part(&|mass, _, _| mass),
            // Parallel axis theorem.
            part(&|mass, gyration, offset| mass * (gyration + offset * offset)),
        )
    }
}

/// Adds up a drum from its pieces.
///
/// # Errors
/// The first piece that cannot be, or a sum that is not positive.
pub fn drum(pieces: &[Piece]) -> Result<Drum, InertiaError> {
    if pieces.is_empty() {
        return Err(InertiaError::Empty);
    }
    for piece in pieces {
        piece.check()?;
    }
    let parts: Vec<(Contribution, Contribution)> = pieces.iter().map(Piece::parts).collect();
    let inertia = |mass: &Contribution, inertia: &Contribution| Inertia {
        mass_kg: mass.measured(),
        inertia_kg_m2: inertia.measured(),
    };
    let total = inertia(
        &Contribution::sum(parts.iter().map(|(mass, _)| mass)),
        &Contribution::sum(parts.iter().map(|(_, inertia)| inertia)),
    );
    if !(total.mass_kg.value > 0.0 && total.inertia_kg_m2.value > 0.0) {
        return Err(InertiaError::NotPositive {
            mass_kg: total.mass_kg.value,
            inertia_kg_m2: total.inertia_kg_m2.value,
        });
    }
    let pieces = pieces
        .iter()
        .zip(&parts)
        .map(|(piece, (mass, i))| (piece.name.clone(), inertia(mass, i)))
        .collect();
    Ok(Drum { total, pieces })
}

/// Energy stored in a turning drum, ½ I ω².
#[must_use]
pub fn stored_energy_j(inertia_kg_m2: f64, omega_rad_per_s: f64) -> f64 {
    0.5 * inertia_kg_m2 * omega_rad_per_s * omega_rad_per_s
}

/// Speed of the rim, r ω.
#[must_use]
pub fn rim_speed_m_per_s(radius_m: f64, omega_rad_per_s: f64) -> f64 {
    radius_m * omega_rad_per_s
}
