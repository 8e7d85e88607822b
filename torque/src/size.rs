//! Choosing a drum: inertia for a wanted pull, a tube that has it, and what that tube stores and
//! bears.
//!
//! A sanity check, not a design approval. The stresses are those of flawless, uniform bodies; drums
//! fail at welds, keyways, holes and bolts, from fatigue. Drums and guards belong to licensed
//! engineers.
//!
//! ```
//! use leverarm_torque::size::WantedPull;
//!
//! // 10 N·m for 5 s from 0 to 100 rad/s turn 0.5 kg·m² at the crank; twice as slow it weighs 4 times.
//! let pull = WantedPull {
//!     torque_mean_nm: 10.0,
//!     start_rad_per_s: 0.0,
//!     end_rad_per_s: 100.0,
//!     ratio: 2.0,
//!     duration_s: 5.0,
//!     engine_inertia_kg_m2: 0.0,
//! };
//! assert!((pull.drum_inertia_kg_m2()? - 2.0).abs() < 1e-12);
//! # Ok::<(), leverarm_torque::size::SizeError>(())
//! ```

use std::f64::consts::PI;

use crate::inertia::{rim_speed_m_per_s, stored_energy_j};

/// Poisson's ratio of steel.
pub const POISSON_STEEL: f64 = 0.3;

/// A quantity that no drum can have.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{quantity}: expected {expected}, found {found}")]
pub struct SizeError {
    /// Which quantity.
    pub quantity: &'static str,
    /// What is allowed.
    pub expected: &'static str,
    /// Value found.
    pub found: f64,
}

fn positive(quantity: &'static str, value: f64) -> Result<f64, SizeError> {
    check(
        quantity,
        "a positive number",
        value,
        value.is_finite() && value > 0.0,
    )
}

fn check(
    quantity: &'static str,
    expected: &'static str,
    found: f64,
    holds: bool,
) -> Result<f64, SizeError> {
    if holds {
        Ok(found)
    } else {
        Err(SizeError {
            quantity,
            expected,
            found,
        })
    }
}

/// A full-throttle pull as one would like it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WantedPull {
    /// Engine torque over the range, on average, N·m.
    pub torque_mean_nm: f64,
    /// Engine speed at its start, rad/s, 0 or more.
    pub start_rad_per_s: f64,
    /// Engine speed at its end, rad/s, above the start.
    pub end_rad_per_s: f64,
    /// Engine turns per drum turn.
    pub ratio: f64,
    /// How long it should take, s.
    pub duration_s: f64,
    /// Inertia of everything that turns with the engine, about the crank, kg·m², 0 or more.
    pub engine_inertia_kg_m2: f64,
}

impl WantedPull {
    /// Drum inertia that makes the pull last so long, kg·m².
    ///
    /// I = i² (T t / (ω₂ − ω₁) − I_engine): the engine turns i times as fast as the drum, so the
    /// drum weighs on it with I / i². Losses are left out; they make the pull longer.
    ///
    /// # Errors
    /// A quantity out of its range, or an engine that alone takes longer than wanted.
    pub fn drum_inertia_kg_m2(&self) -> Result<f64, SizeError> {
        let torque = positive("mean torque", self.torque_mean_nm)?;
        let ratio = positive("ratio", self.ratio)?;
        let duration = positive("duration of the pull", self.duration_s)?;
        let start = self.start_rad_per_s;
        check(
            "speed at the start",
            "0 or more",
            start,
            start.is_finite() && start >= 0.0,
        )?;
        let end = positive("speed at the end", self.end_rad_per_s)?;
        check(
            "speed at the end",
            "more than at the start",
            end,
            end > start,
        )?;
        let engine = self.engine_inertia_kg_m2;
        let at_crank = torque * duration / (end - start);
        check(
            "inertia of the engine",
            "0 or more, and below what the whole pull asks for",
            engine,
            engine >= 0.0 && engine < at_crank,
        )?;
        Ok(ratio * ratio * (at_crank - engine))
    }

    /// Drum speed at the end of the pull, rad/s.
    #[must_use]
    pub fn drum_end_rad_per_s(&self) -> f64 {
        self.end_rad_per_s / self.ratio
    }
}

/// A plain tube, the rim of a drum. End plates and shaft come on top and add to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tube {
    /// Outer diameter, m.
    pub outer_diameter_m: f64,
    /// Inner diameter, m.
    pub inner_diameter_m: f64,
    /// Length, m.
    pub length_m: f64,
    /// Density, kg/m³.
    pub density_kg_per_m3: f64,
}

impl Tube {
    /// The tube of this cross-section that has an inertia: I = π/32 ρ L (D⁴ − d⁴).
    ///
    /// # Errors
    /// A quantity that is not positive, or a wall as thick as the radius.
    pub fn with_inertia(
        inertia_kg_m2: f64,
        outer_diameter_m: f64,
        wall_m: f64,
        density_kg_per_m3: f64,
    ) -> Result<Self, SizeError> {
        let inertia = positive("inertia", inertia_kg_m2)?;
        let outer = positive("outer diameter", outer_diameter_m)?;
        let wall = positive("wall", wall_m)?;
        check("wall", "less than the radius", wall, wall < outer / 2.0)?;
        let density = positive("density", density_kg_per_m3)?;
        let inner = outer - 2.0 * wall;
        let per_length = PI / 32.0 * density * (outer.powi(4) - inner.powi(4));
        Ok(Self {
            outer_diameter_m: outer,
            inner_diameter_m: inner,
            length_m: inertia / per_length,
            density_kg_per_m3: density,
        })
    }

    /// Mass, kg: π/4 ρ L (D² − d²).
    #[must_use]
    pub fn mass_kg(&self) -> f64 {
        let (outer, inner) = (self.outer_diameter_m, self.inner_diameter_m);
        PI / 4.0 * self.density_kg_per_m3 * self.length_m * (outer * outer - inner * inner)
    }

    /// Moment of inertia, kg·m²: m (D² + d²) / 8.
    #[must_use]
    pub fn inertia_kg_m2(&self) -> f64 {
        let (outer, inner) = (self.outer_diameter_m, self.inner_diameter_m);
        self.mass_kg() * (outer * outer + inner * inner) / 8.0
    }

    /// What it stores and bears at a speed, rad/s.
    #[must_use]
    pub fn at(&self, omega_rad_per_s: f64) -> TubeAtSpeed {
        let (outer_m, inner_m) = (self.outer_diameter_m / 2.0, self.inner_diameter_m / 2.0);
        let density = self.density_kg_per_m3;
        let mean_speed = rim_speed_m_per_s((outer_m + inner_m) / 2.0, omega_rad_per_s);
        TubeAtSpeed {
            energy_j: stored_energy_j(self.inertia_kg_m2(), omega_rad_per_s),
            rim_speed_m_per_s: rim_speed_m_per_s(outer_m, omega_rad_per_s),
            thin_ring_pa: thin_ring_stress_pa(density, mean_speed),
            solid_disc_pa: solid_disc_stress_pa(density, omega_rad_per_s, outer_m, POISSON_STEEL),
            bore_hoop_pa: bored_disc_hoop_stress_pa(
                density,
                omega_rad_per_s,
                inner_m,
                outer_m,
                POISSON_STEEL,
            ),
        }
    }
}

/// What a tube stores and bears at one speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TubeAtSpeed {
    /// Stored energy, J.
    pub energy_j: f64,
    /// Speed of its outside, m/s.
    pub rim_speed_m_per_s: f64,
    /// Hoop stress as a thin ring of its mean radius, Pa.
    pub thin_ring_pa: f64,
    /// Stress at the centre of a solid disc of its outer diameter, Pa: what an end plate without
    /// a bore would bear.
    pub solid_disc_pa: f64,
    /// Greatest hoop stress, at the bore, Pa, with steel's Poisson's ratio. The one to look at.
    pub bore_hoop_pa: f64,
}

/// Hoop stress of a thin ring, ρ v², Pa, with v the speed of its mean radius.
///
/// Source: Mechanical Engineer's Data Handbook, flywheels; the same in Roark's Formulas for Stress
/// and Strain.
#[must_use]
pub fn thin_ring_stress_pa(density_kg_per_m3: f64, speed_m_per_s: f64) -> f64 {
    density_kg_per_m3 * speed_m_per_s * speed_m_per_s
}

/// Greatest stress of a solid disc, at its centre, radial and hoop alike:
/// (3 + ν)/8 · ρ ω² R², Pa.
///
/// Source: Mechanical Engineer's Data Handbook, solid disc; Shigley's Mechanical Engineering
/// Design, stresses in rotating rings.
#[must_use]
pub fn solid_disc_stress_pa(
    density_kg_per_m3: f64,
    omega_rad_per_s: f64,
    radius_m: f64,
    poisson: f64,
) -> f64 {
    (3.0 + poisson) / 8.0 * density_kg_per_m3 * (omega_rad_per_s * radius_m).powi(2)
}

/// Greatest hoop stress of a disc or tube with a bore, at the bore:
/// (3 + ν)/4 · ρ ω² (b² + (1 − ν)/(3 + ν) a²), Pa, with radii a < b.
///
/// As the bore shrinks to nothing this becomes twice a solid disc's; as the wall does, a thin
/// ring's. Source: Shigley and Roark, rotating rings.
#[must_use]
pub fn bored_disc_hoop_stress_pa(
    density_kg_per_m3: f64,
    omega_rad_per_s: f64,
    bore_radius_m: f64,
    radius_m: f64,
    poisson: f64,
) -> f64 {
    let radii =
        radius_m * radius_m + (1.0 - poisson) / (3.0 + poisson) * bore_radius_m * bore_radius_m;
    (3.0 + poisson) / 4.0 * density_kg_per_m3 * omega_rad_per_s * omega_rad_per_s * radii
}

/// Permissible residual unbalance of a rigid rotor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unbalance {
    /// For each kilogram of it, kg·m/kg: how far its centre of mass may lie from the axis, m.
    pub eccentricity_m: f64,
    /// Of the whole rotor, kg·m.
    pub unbalance_kg_m: f64,
}

/// Permissible unbalance by ISO 21940-11: the eccentricity times the speed is the balance quality
/// grade, so e = G / ω and U = m e. Grades are named in mm/s; here they are in m/s (G 6.3: 0.0063).
///
/// # Errors
/// A quantity that is not positive.
pub fn permissible_unbalance(
    mass_kg: f64,
    omega_rad_per_s: f64,
    grade_m_per_s: f64,
) -> Result<Unbalance, SizeError> {
    let mass = positive("mass", mass_kg)?;
    let omega = positive("speed", omega_rad_per_s)?;
    let eccentricity_m = positive("balance quality grade", grade_m_per_s)? / omega;
    Ok(Unbalance {
        eccentricity_m,
        unbalance_kg_m: mass * eccentricity_m,
    })
}
