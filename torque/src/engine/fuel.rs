//! What an engine burns.

use crate::uncertainty::Measured;

/// A fuel known by its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FuelKind {
    /// Petrol without ethanol.
    Petrol,
    /// Petrol with 5 % ethanol by volume.
    E5,
    /// Petrol with 10 % ethanol by volume.
    E10,
    /// 85 % ethanol by volume.
    E85,
    /// Ethanol.
    Ethanol,
    /// Methanol.
    Methanol,
    /// Diesel.
    Diesel,
}

/// What has to be known of a fuel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fuel {
    /// Mass of dry air that burns one mass of fuel completely.
    pub stoichiometric_ratio: Measured,
    /// At 15 °C, kg/m³.
    pub density_kg_per_m3: Measured,
    /// Lower heating value, J/kg.
    pub heating_value_j_per_kg: Measured,
}

impl FuelKind {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Petrol,
        Self::E5,
        Self::E10,
        Self::E85,
        Self::Ethanol,
        Self::Methanol,
        Self::Diesel,
    ];

    /// As written in a stand file.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Petrol => "petrol",
            Self::E5 => "e5",
            Self::E10 => "e10",
            Self::E85 => "e85",
            Self::Ethanol => "ethanol",
            Self::Methanol => "methanol",
            Self::Diesel => "diesel",
        }
    }

    /// Its values. Petrol: density: middle of EN 228; stoichiometric ratio 14.7: common practice, Heywood 1988 table D.4 has
    /// 14.6 (from memory); 43.0 MJ/kg: published test fuels have 42.1 and 42.8, Heywood 44.0 (from memory), and the
    /// uncertainty covers them. Blends: by volume, without excess volume. Ethanol and methanol: stoichiometric ratio from the
    /// formula and dry air with 20.95 % oxygen; heating value from the enthalpies of formation (CODATA and NIST, from memory);
    /// density at 15 °C (from memory). Diesel: density: middle of EN 590; 14.5 and 42.6 MJ/kg: Heywood 1988 table D.4 (from
    /// memory).
    #[must_use]
    pub fn fuel(self) -> Fuel {
        let petrol = || {
            Fuel::of(
                Measured::new(14.7, 0.1),
                Measured::within(747.5, 27.5),
                Measured::within(43.0e6, 1.0e6),
            )
        };
        let ethanol = || {
            Fuel::of(
                Measured::new(9.0, 0.02),
                Measured::new(793.0, 2.0),
                Measured::new(26.8e6, 0.1e6),
            )
        };
        match self {
            Self::Petrol => petrol(),
            Self::E5 => petrol().mixed_with(ethanol(), 0.05),
            Self::E10 => petrol().mixed_with(ethanol(), 0.10),
            Self::E85 => petrol().mixed_with(ethanol(), 0.85),
            Self::Ethanol => ethanol(),
            Self::Methanol => Fuel::of(
                Measured::new(6.47, 0.02),
                Measured::new(796.0, 2.0),
                Measured::new(19.9e6, 0.1e6),
            ),
            Self::Diesel => Fuel::of(
                Measured::new(14.5, 0.1),
                Measured::within(832.5, 12.5),
                Measured::new(42.6e6, 0.4e6),
            ),
        }
    }
}

impl Fuel {
    const fn of(
        stoichiometric_ratio: Measured,
        density_kg_per_m3: Measured,
        heating_value_j_per_kg: Measured,
    ) -> Self {
        Self {
            stoichiometric_ratio,
            density_kg_per_m3,
            heating_value_j_per_kg,
        }
    }

    /// This fuel with a share of another in it, by volume. Volumes add; ratio and heating value are
    /// per mass, so they mix by mass. Uncertainties are taken as if both fuels erred alike.
    #[must_use]
    pub fn mixed_with(self, other: Self, volume_share: f64) -> Self {
        let (own, others) = (
            (1.0 - volume_share) * self.density_kg_per_m3.value,
            volume_share * other.density_kg_per_m3.value,
        );
        let mass_share = others / (own + others);
        let mix = |a: Measured, b: Measured, share: f64| {
            let at = |a: f64, b: f64| (1.0 - share) * a + share * b;
            Measured::new(
                at(a.value, b.value),
                at(a.standard_uncertainty, b.standard_uncertainty),
            )
        };
        Self {
            stoichiometric_ratio: mix(
                self.stoichiometric_ratio,
                other.stoichiometric_ratio,
                mass_share,
            ),
            density_kg_per_m3: mix(
                self.density_kg_per_m3,
                other.density_kg_per_m3,
                volume_share,
            ),
            heating_value_j_per_kg: mix(
                self.heating_value_j_per_kg,
                other.heating_value_j_per_kg,
                mass_share,
            ),
        }
    }
}
