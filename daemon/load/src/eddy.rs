//! Torque of an eddy-current brake over speed.
//!
//! Two published models, both from memory. They agree that torque rises straight from rest and has a peak; they differ
//! beyond it, where measured brakes fall more slowly than Smythe's and about as Wouterse's.

use std::f64::consts::PI;

/// Permeability of free space, H/m.
const MU_0: f64 = 4e-7 * PI;

/// A disc that turns between the poles of a magnet: W. Smythe, "On Eddy Currents in a Rotating Disk", AIEE
/// Transactions 61 (1942), 681-684.
///
/// T(ω) = D γ R² Φ₀² ω / (R + β² γ² ω²)²; the disc's currents work against the magnet's flux.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Smythe {
    /// Conductivity of the disc times its thickness γ, S.
    pub sheet_conductance_s: f64,
    /// Reluctance R of the magnet, in the unit of (β γ ω)².
    pub reluctance: f64,
    /// Geometry β of the back-acting flux.
    pub beta: f64,
    /// Geometry D of the torque.
    pub geometry: f64,
    /// Flux Φ₀ at rest, Wb.
    pub flux_wb: f64,
}

impl Smythe {
    /// Torque at a speed.
    #[must_use]
    pub fn torque_nm(&self, speed_rad_per_s: f64) -> f64 {
        let back = (self.beta * self.sheet_conductance_s * speed_rad_per_s).powi(2);
        self.geometry
            * self.sheet_conductance_s
            * (self.reluctance * self.flux_wb).powi(2)
            * speed_rad_per_s
            / (self.reluctance + back).powi(2)
    }

    /// Speed of the greatest torque: where (β γ ω)² = R / 3.
    #[must_use]
    pub fn critical_rad_per_s(&self) -> f64 {
        (self.reluctance / 3.0).sqrt() / (self.beta * self.sheet_conductance_s)
    }
}

/// Round soft-iron poles far apart on a disc: J. Wouterse, "Critical torque and speed of eddy current brake with
/// widely separated soft iron poles", IEE Proceedings B 138 (1991), 153-158.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wouterse {
    /// Diameter of a pole, m.
    pub pole_diameter_m: f64,
    /// Distance of its centre from the disc's, m.
    pub pole_radius_m: f64,
    /// Radius of the disc, m.
    pub disc_radius_m: f64,
    /// Thickness of the disc, m.
    pub disc_thickness_m: f64,
    /// Its resistivity, Ω·m.
    pub resistivity_ohm_m: f64,
    /// Air gap between the poles, the disc's thickness included, m.
    pub gap_m: f64,
    /// Flux density in the gap at rest, T.
    pub field_t: f64,
    /// Poles.
    pub poles: f64,
}

impl Wouterse {
    /// Share of the loop's resistance that lies under the pole: c = ½ (1 − ¼ / ((1 + r/A)² ((A − r)/D)²)).
    fn return_path(&self) -> f64 {
        let (disc, place) = (self.disc_radius_m, self.pole_radius_m);
        let edge = (1.0 + place / disc) * (disc - place) / self.pole_diameter_m;
        0.5 * (1.0 - 0.25 / edge.powi(2))
    }

    fn pole_area_m2(&self) -> f64 {
        PI / 4.0 * self.pole_diameter_m.powi(2)
    }

    /// Drag per speed of the disc under a pole, far below the critical speed: π/4 D² d B² c / ρ, N·s/m.
    #[must_use]
    pub fn low_speed_n_s_per_m(&self) -> f64 {
        self.pole_area_m2() * self.disc_thickness_m * self.field_t.powi(2) * self.return_path()
            / self.resistivity_ohm_m
    }

    /// Speed under the pole where the drag is greatest: 2/μ₀ · √(1/c) · ρ/d · √(x/D), m/s.
    #[must_use]
    pub fn critical_m_per_s(&self) -> f64 {
        2.0 / MU_0 / self.return_path().sqrt() * self.resistivity_ohm_m / self.disc_thickness_m
            * (self.gap_m / self.pole_diameter_m).sqrt()
    }

    /// Greatest drag of a pole: 1/μ₀ · √c · π/4 D² B² · √(x/D), N.
    #[must_use]
    pub fn greatest_n(&self) -> f64 {
        self.return_path().sqrt() / MU_0
            * self.pole_area_m2()
            * self.field_t.powi(2)
            * (self.gap_m / self.pole_diameter_m).sqrt()
    }

    /// Torque of all poles: each drags with F = F̂ · 2 / (v_k/v + v/v_k).
    #[must_use]
    pub fn torque_nm(&self, speed_rad_per_s: f64) -> f64 {
        let speed = speed_rad_per_s * self.pole_radius_m / self.critical_m_per_s();
        self.poles * self.pole_radius_m * self.greatest_n() * 2.0 * speed / (1.0 + speed * speed)
    }
}
