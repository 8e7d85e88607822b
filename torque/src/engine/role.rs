//! What a channel tells of the engine.

use serde::{Deserialize, Serialize};

/// What a channel tells of the engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Role {
    /// Fuel that flows to the engine.
    FuelFlow,
    /// Fuel left in the tank on its scale: its fall over time is the flow.
    FuelMass,
    /// Pressure of the fuel.
    FuelPressure,
    /// Air that flows to the engine.
    AirFlow,
    /// Air-fuel ratio over the stoichiometric one, in the exhaust.
    Lambda,
    /// Absolute pressure in the intake behind the throttle.
    ManifoldPressure,
    /// How far the pressure in the intake is below the ambient one.
    IntakeDepression,
    /// Temperature of the exhaust gas of one cylinder, counted from 1.
    ExhaustTemperature(u8),
    /// Temperature of the oil.
    OilTemperature,
    /// Pressure of the oil, over ambient.
    OilPressure,
    /// Temperature of the coolant.
    CoolantTemperature,
    /// Pressure in the exhaust, over ambient.
    BackPressure,
    /// Pressure in the crankcase, over ambient.
    CrankcasePressure,
    /// Opening of the throttle, 0 to 1.
    Throttle,
    /// Voltage of the battery.
    Battery,
}

impl Role {
    /// Words of a stand file; the exhaust's cylinder is a key of its own.
    pub const WORDS: [(&str, Self); 15] = [
        ("fuel flow", Self::FuelFlow),
        ("fuel mass", Self::FuelMass),
        ("fuel pressure", Self::FuelPressure),
        ("air flow", Self::AirFlow),
        ("lambda", Self::Lambda),
        ("manifold pressure", Self::ManifoldPressure),
        ("intake depression", Self::IntakeDepression),
        ("exhaust temperature", Self::ExhaustTemperature(1)),
        ("oil temperature", Self::OilTemperature),
        ("oil pressure", Self::OilPressure),
        ("coolant temperature", Self::CoolantTemperature),
        ("exhaust back pressure", Self::BackPressure),
        ("crankcase pressure", Self::CrankcasePressure),
        ("throttle", Self::Throttle),
        ("battery", Self::Battery),
    ];

    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        let known = |role: Self| match role {
            Self::ExhaustTemperature(_) => Self::ExhaustTemperature(1),
            other => other,
        };
        Self::WORDS
            .iter()
            .find(|(_, role)| *role == known(self))
            .map_or("", |(word, _)| word)
    }
}
