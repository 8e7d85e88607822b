//! Units for people: SI values shown in the units that the stand file chose.

use leverarm_torque::ZERO_CELSIUS_K;

use crate::units::{
    FAHRENHEIT_ZERO_K, HORSEPOWER_MECHANICAL_W, HORSEPOWER_METRIC_W, INCH_OF_MERCURY_PA,
    POUND_FORCE_N, RPM_RAD_PER_S,
};

/// A unit in which a value is shown: shown = (SI − `zero_si`) / `si_per_unit`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DisplayUnit {
    /// Short symbol, as on an axis.
    pub symbol: &'static str,
    /// What the symbol means where that is not plain (there are several horsepowers).
    pub meaning: &'static str,
    /// SI value of one unit.
    pub si_per_unit: f64,
    /// SI value at which this unit reads zero; differs from 0 for °C and °F only.
    pub zero_si: f64,
}

impl DisplayUnit {
    const fn new(symbol: &'static str, meaning: &'static str, si_per_unit: f64) -> Self {
        Self {
            symbol,
            meaning,
            si_per_unit,
            zero_si: 0.0,
        }
    }

    /// The number to show for an SI value.
    #[must_use]
    pub fn number(&self, si: f64) -> f64 {
        (si - self.zero_si) / self.si_per_unit
    }

    /// The number to show for a difference or an uncertainty.
    #[must_use]
    pub fn difference(&self, si: f64) -> f64 {
        si / self.si_per_unit
    }

    /// Number and symbol, `"11.3 N·m"`.
    #[must_use]
    pub fn text(&self, si: f64, decimals: usize) -> String {
        format!("{:.decimals$} {}", self.number(si), self.symbol)
    }
}

/// N·m
pub const NEWTON_METRE: DisplayUnit = DisplayUnit::new("N·m", "newton metre", 1.0);
/// lbf·ft
pub const POUND_FORCE_FOOT: DisplayUnit =
    DisplayUnit::new("lbf·ft", "pound-force foot", POUND_FORCE_N * 0.304_8);
/// kW
pub const KILOWATT: DisplayUnit = DisplayUnit::new("kW", "kilowatt", 1e3);
/// hp
pub const HORSEPOWER_MECHANICAL: DisplayUnit = DisplayUnit::new(
    "hp",
    "mechanical horsepower, 550 ft·lbf/s = 745.7 W",
    HORSEPOWER_MECHANICAL_W,
);
/// PS
pub const HORSEPOWER_METRIC: DisplayUnit = DisplayUnit::new(
    "PS",
    "metric horsepower, 75 kgf·m/s = 735.5 W",
    HORSEPOWER_METRIC_W,
);
/// °C
pub const CELSIUS: DisplayUnit = DisplayUnit {
    symbol: "°C",
    meaning: "degree Celsius",
    si_per_unit: 1.0,
    zero_si: ZERO_CELSIUS_K,
};
/// °F
pub const FAHRENHEIT: DisplayUnit = DisplayUnit {
    symbol: "°F",
    meaning: "degree Fahrenheit",
    si_per_unit: 5.0 / 9.0,
    zero_si: FAHRENHEIT_ZERO_K,
};
/// hPa
pub const HECTOPASCAL: DisplayUnit = DisplayUnit::new("hPa", "hectopascal", 100.0);
/// inHg
pub const INCH_OF_MERCURY: DisplayUnit = DisplayUnit::new(
    "inHg",
    "conventional inch of mercury, 3386.39 Pa",
    INCH_OF_MERCURY_PA,
);
/// rpm
pub const RPM: DisplayUnit = DisplayUnit::new("rpm", "revolutions per minute", RPM_RAD_PER_S);
/// ms
pub const MILLISECOND: DisplayUnit = DisplayUnit::new("ms", "millisecond", 1e-3);
/// m/s
pub const METRE_PER_SECOND: DisplayUnit = DisplayUnit::new("m/s", "metre per second", 1.0);
/// ft/s
pub const FOOT_PER_SECOND: DisplayUnit = DisplayUnit::new("ft/s", "foot per second", 0.304_8);
/// km/h
pub const KILOMETRE_PER_HOUR: DisplayUnit =
    DisplayUnit::new("km/h", "kilometre per hour", 1.0 / 3.6);
/// mph
pub const MILE_PER_HOUR: DisplayUnit = DisplayUnit::new("mph", "mile per hour", 0.447_04);
/// kg·m²
pub const KILOGRAM_METRE_SQUARED: DisplayUnit =
    DisplayUnit::new("kg·m²", "kilogram square metre", 1.0);
/// lb·ft²
pub const POUND_FOOT_SQUARED: DisplayUnit = DisplayUnit::new(
    "lb·ft²",
    "pound square foot",
    0.453_592_37 * 0.304_8 * 0.304_8,
);
/// kg
pub const KILOGRAM: DisplayUnit = DisplayUnit::new("kg", "kilogram", 1.0);
/// lb
pub const POUND: DisplayUnit = DisplayUnit::new("lb", "pound", 0.453_592_37);
/// kJ
pub const KILOJOULE: DisplayUnit = DisplayUnit::new("kJ", "kilojoule", 1e3);
/// ft·lbf
pub const FOOT_POUND_FORCE: DisplayUnit =
    DisplayUnit::new("ft·lbf", "foot pound-force", POUND_FORCE_N * 0.304_8);
/// N
pub const NEWTON: DisplayUnit = DisplayUnit::new("N", "newton", 1.0);
/// lbf
pub const POUND_FORCE: DisplayUnit = DisplayUnit::new("lbf", "pound-force", POUND_FORCE_N);
/// mm
pub const MILLIMETRE: DisplayUnit = DisplayUnit::new("mm", "millimetre", 1e-3);
/// in
pub const INCH: DisplayUnit = DisplayUnit::new("in", "inch", 0.025_4);
/// MPa
pub const MEGAPASCAL: DisplayUnit = DisplayUnit::new("MPa", "megapascal", 1e6);
/// psi
pub const POUND_FORCE_PER_SQUARE_INCH: DisplayUnit = DisplayUnit::new(
    "psi",
    "pound-force per square inch",
    POUND_FORCE_N / (0.025_4 * 0.025_4),
);
/// g·mm
pub const GRAM_MILLIMETRE: DisplayUnit = DisplayUnit::new("g·mm", "gram millimetre", 1e-6);
/// oz·in
pub const OUNCE_INCH: DisplayUnit =
    DisplayUnit::new("oz·in", "ounce inch", 0.453_592_37 / 16.0 * 0.025_4);
/// %
pub const PERCENT: DisplayUnit = DisplayUnit::new("%", "per cent", 0.01);
/// V
pub const VOLT: DisplayUnit = DisplayUnit::new("V", "volt", 1.0);
/// kg/h
pub const KILOGRAM_PER_HOUR: DisplayUnit =
    DisplayUnit::new("kg/h", "kilogram per hour", 1.0 / 3600.0);
/// lb/h
pub const POUND_PER_HOUR: DisplayUnit =
    DisplayUnit::new("lb/h", "pound per hour", 0.453_592_37 / 3600.0);
/// L/min
pub const LITRE_PER_MINUTE: DisplayUnit =
    DisplayUnit::new("L/min", "litre per minute", 1e-3 / 60.0);
/// ft³/min
pub const CUBIC_FOOT_PER_MINUTE: DisplayUnit = DisplayUnit::new(
    "ft³/min",
    "cubic foot per minute",
    0.304_8 * 0.304_8 * 0.304_8 / 60.0,
);
/// kPa
pub const KILOPASCAL: DisplayUnit = DisplayUnit::new("kPa", "kilopascal", 1e3);
/// g/(kW·h)
pub const GRAM_PER_KILOWATT_HOUR: DisplayUnit =
    DisplayUnit::new("g/(kW·h)", "gram per kilowatt hour", 1.0 / 3.6e9);
/// lb/(hp·h)
pub const POUND_PER_HORSEPOWER_HOUR: DisplayUnit = DisplayUnit::new(
    "lb/(hp·h)",
    "pound per mechanical horsepower hour",
    0.453_592_37 / (HORSEPOWER_MECHANICAL_W * 3600.0),
);
/// A plain number.
pub const UNITY: DisplayUnit = DisplayUnit::new("", "a plain number", 1.0);

/// The units in which one stand shows its values.
#[derive(Clone, Copy, Debug, PartialEq)]
#[expect(missing_docs, reason = "each field is the unit of what its name says")]
pub struct DisplayUnits {
    pub torque: DisplayUnit,
    pub power: DisplayUnit,
    pub temperature: DisplayUnit,
    pub pressure: DisplayUnit,
    pub inertia: DisplayUnit,
    pub mass: DisplayUnit,
    pub length: DisplayUnit,
    pub force: DisplayUnit,
    pub energy: DisplayUnit,
    pub stress: DisplayUnit,
    pub unbalance: DisplayUnit,
    pub rim_speed: DisplayUnit,
    pub road_speed: DisplayUnit,
    pub mass_flow: DisplayUnit,
    pub volume_flow: DisplayUnit,
    pub engine_pressure: DisplayUnit,
    pub consumption: DisplayUnit,
}

impl DisplayUnits {
    /// N·m, kW, °C, hPa.
    pub const SI: Self = Self {
        torque: NEWTON_METRE,
        power: KILOWATT,
        temperature: CELSIUS,
        pressure: HECTOPASCAL,
        inertia: KILOGRAM_METRE_SQUARED,
        mass: KILOGRAM,
        length: MILLIMETRE,
        force: NEWTON,
        energy: KILOJOULE,
        stress: MEGAPASCAL,
        unbalance: GRAM_MILLIMETRE,
        rim_speed: METRE_PER_SECOND,
        road_speed: KILOMETRE_PER_HOUR,
        mass_flow: KILOGRAM_PER_HOUR,
        volume_flow: LITRE_PER_MINUTE,
        engine_pressure: KILOPASCAL,
        consumption: GRAM_PER_KILOWATT_HOUR,
    };

    /// lbf·ft, mechanical horsepower, °F, inHg.
    pub const US: Self = Self {
        torque: POUND_FORCE_FOOT,
        power: HORSEPOWER_MECHANICAL,
        temperature: FAHRENHEIT,
        pressure: INCH_OF_MERCURY,
        inertia: POUND_FOOT_SQUARED,
        mass: POUND,
        length: INCH,
        force: POUND_FORCE,
        energy: FOOT_POUND_FORCE,
        stress: POUND_FORCE_PER_SQUARE_INCH,
        unbalance: OUNCE_INCH,
        rim_speed: FOOT_PER_SECOND,
        road_speed: MILE_PER_HOUR,
        mass_flow: POUND_PER_HOUR,
        volume_flow: CUBIC_FOOT_PER_MINUTE,
        engine_pressure: POUND_FORCE_PER_SQUARE_INCH,
        consumption: POUND_PER_HORSEPOWER_HOUR,
    };
}
