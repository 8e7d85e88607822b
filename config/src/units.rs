//! Quantities written with their unit (`"300 mm"`, `"0.02 N*m/(rad/s)"`) turned into SI.
//!
//! Angle and counts are base dimensions of their own here. So `"10 Hz"` is no speed of rotation
//! (it would silently be 10 rad/s), and a load-cell scale has to say *per count*.
//! Pounds and kilograms are masses; the forces are `lbf` and `kgf`.

use std::f64::consts::PI;
use std::fmt;

use leverarm_torque::uncertainty::Measured;
use leverarm_torque::{STANDARD_GRAVITY_M_PER_S2, ZERO_CELSIUS_K};

/// Longest text accepted as a quantity; it also bounds how deep its brackets can nest.
const TEXT_BYTES_MAX: usize = 120;

const INCH_M: f64 = 0.025_4;
const FOOT_M: f64 = 0.304_8;
const POUND_KG: f64 = 0.453_592_37;
pub(crate) const POUND_FORCE_N: f64 = POUND_KG * STANDARD_GRAVITY_M_PER_S2;

/// Mechanical horsepower, W: 550 ft·lbf/s (NIST SP 811, B.8).
pub const HORSEPOWER_MECHANICAL_W: f64 = 550.0 * FOOT_M * POUND_FORCE_N;
/// Metric horsepower, W: 75 kgf·m/s (NIST SP 811, B.8).
pub const HORSEPOWER_METRIC_W: f64 = 75.0 * STANDARD_GRAVITY_M_PER_S2;
/// Conventional inch of mercury, Pa: 13 595.1 kg/m³ under standard gravity (NIST SP 811, B.8).
pub const INCH_OF_MERCURY_PA: f64 = 13_595.1 * STANDARD_GRAVITY_M_PER_S2 * INCH_M;
/// Conventional inch of water, Pa (NIST SP 811, B.8).
const INCH_OF_WATER_PA: f64 = 249.088_9;
/// 0 °F in kelvin: t °F = (t + 459.67)·5/9 K.
pub(crate) const FAHRENHEIT_ZERO_K: f64 = 459.67 * 5.0 / 9.0;
/// One revolution per minute, rad/s.
pub const RPM_RAD_PER_S: f64 = 2.0 * PI / 60.0;
/// Exponents of metre, kilogram, second, ampere, kelvin, radian and count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dimension([i8; 7]);

impl Dimension {
    const NONE: Self = Self([0; 7]);

    const fn new(m: i8, kg: i8, s: i8) -> Self {
        Self([m, kg, s, 0, 0, 0, 0])
    }

    const fn ampere(mut self, exponent: i8) -> Self {
        self.0[3] = exponent;
        self
    }

    const fn kelvin(mut self, exponent: i8) -> Self {
        self.0[4] = exponent;
        self
    }

    const fn radian(mut self, exponent: i8) -> Self {
        self.0[5] = exponent;
        self
    }

    const fn count(mut self, exponent: i8) -> Self {
        self.0[6] = exponent;
        self
    }

    fn combine(self, other: Self, power: i8) -> Option<Self> {
        let mut sum = self.0;
        for (exponent, more) in sum.iter_mut().zip(other.0) {
            *exponent = exponent.checked_add(more.checked_mul(power)?)?;
        }
        Some(Self(sum))
    }

    /// This dimension per count.
    pub(crate) fn per_count(self) -> Self {
        let mut per_count = self;
        per_count.0[6] = per_count.0[6].saturating_sub(1);
        per_count
    }
}

/// What a quantity is: its name for messages, a good example, and the dimension its unit must have.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Kind {
    /// With its article: "a length".
    pub noun: &'static str,
    /// A well-formed quantity of this kind.
    pub example: &'static str,
    /// The dimension that the unit must have.
    pub dimension: Dimension,
    /// How the number is meant.
    pub form: Form,
}

/// How the number of a quantity is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// So many times the unit.
    Amount,
    /// A point on the unit's scale, which may have a zero of its own (°C).
    Point,
    /// A number that needs no unit.
    Number,
}

impl Kind {
    /// The rise of this in a second.
    pub(crate) fn per_second(&self) -> Self {
        let dimension = self
            .dimension
            .combine(DURATION.dimension, -1)
            .unwrap_or(self.dimension);
        let known = AMOUNTS.iter().find(|kind| kind.dimension == dimension);
        known.copied().unwrap_or(Self {
            noun: "a rise per second",
            example: "12 kPa/s",
            dimension,
            form: Form::Amount,
        })
    }
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident = $noun:literal, $example:literal, $dimension:expr;)*) => {
        $($(#[$doc])* pub const $name: Kind = Kind {
            noun: $noun,
            example: $example,
            dimension: $dimension,
            form: Form::Amount,
        };)*
        /// Kinds of amounts, for naming what a unit measures.
        const AMOUNTS: &[Kind] = &[$($name),*];
    };
}

kinds! {
    /// m
    LENGTH = "a length", "300 mm", Dimension::new(1, 0, 0);
    /// kg
    MASS = "a mass", "12.5 kg", Dimension::new(0, 1, 0);
    /// s
    DURATION = "a time", "250 ms", Dimension::new(0, 0, 1);
    /// kg/m³
    DENSITY = "a density", "7850 kg/m^3", Dimension::new(-3, 1, 0);
    /// m³
    VOLUME = "a volume", "140 cm^3", Dimension::new(3, 0, 0);
    /// kg·m²
    INERTIA = "a moment of inertia", "3.20 +/- 0.02 kg*m^2", Dimension::new(2, 1, 0);
    /// N
    FORCE = "a force", "120 N", Dimension::new(1, 1, -2);
    /// N·m
    TORQUE = "a torque", "0.5 N*m", Dimension::new(2, 1, -2);
    /// W
    POWER = "a power", "7.5 kW", Dimension::new(2, 1, -3);
    /// J/K
    HEAT_CAPACITY = "a heat capacity", "6 kJ/K", Dimension::new(2, 1, -2).kelvin(-1);
    /// Pa
    PRESSURE = "a pressure", "1008 hPa", Dimension::new(-1, 1, -2);
    /// K/s
    HEATING_RATE = "a rate of heating", "5 K/s", Dimension::new(0, 0, -1).kelvin(1);
    /// rad
    ANGLE = "an angle", "1 turn", Dimension::NONE.radian(1);
    /// rad/s
    ROTATION = "a speed of rotation", "9500 rpm", Dimension::new(0, 0, -1).radian(1);
    /// rad/s²
    ROTATION_RATE = "an angular acceleration", "100 rpm/s", Dimension::new(0, 0, -2).radian(1);
    /// m/s
    SPEED = "a speed", "50 km/h", Dimension::new(1, 0, -1);
    /// m/s²
    ACCELERATION = "an acceleration", "9.81 m/s^2", Dimension::new(1, 0, -2);
    /// 1/s
    FREQUENCY = "a frequency", "10 Hz", Dimension::new(0, 0, -1);
    /// N·m/(rad/s)
    LOSS_LINEAR = "a loss in proportion to speed", "0.002 N*m/(rad/s)",
        Dimension::new(2, 1, -1).radian(-1);
    /// N·m/(rad/s)²
    LOSS_QUADRATIC = "a loss in proportion to speed squared", "8e-6 N*m/(rad/s)^2",
        Dimension::new(2, 1, 0).radian(-2);
    /// V
    VOLTAGE = "a voltage", "5 V", Dimension::new(2, 1, -3).ampere(-1);
    /// Ω
    RESISTANCE = "a resistance", "10 kohm", Dimension::new(2, 1, -3).ampere(-2);
    /// kg/s
    MASS_FLOW = "a mass flow", "12 kg/h", Dimension::new(0, 1, -1);
    /// m³/s
    VOLUME_FLOW = "a volume flow", "20 L/min", Dimension::new(3, 0, -1);
    /// J/kg
    HEATING_VALUE = "a heating value", "43.4 MJ/kg", Dimension::new(2, 0, -2);
    /// 1, written with % or as "0.45 1"
    FRACTION = "a fraction", "45 %", Dimension::NONE;
    /// N/count
    FORCE_PER_COUNT = "a force per count", "0.000214 N/count", Dimension::new(1, 1, -2).count(-1);
    /// kg/count
    MASS_PER_COUNT = "a mass per count", "0.0000218 kg/count", Dimension::new(0, 1, 0).count(-1);
    /// Pa/count
    PRESSURE_PER_COUNT = "a pressure per count", "0.61 Pa/count",
        Dimension::new(-1, 1, -2).count(-1);
    /// V/count
    VOLTAGE_PER_COUNT = "a voltage per count", "7.8125 uV/count",
        Dimension::new(2, 1, -3).ampere(-1).count(-1);
    /// Ω/count
    RESISTANCE_PER_COUNT = "a resistance per count", "0.0125 ohm/count",
        Dimension::new(2, 1, -3).ampere(-2).count(-1);
}

/// K
pub const TEMPERATURE: Kind = Kind {
    noun: "a temperature",
    example: "180 degC",
    dimension: Dimension::NONE.kelvin(1),
    form: Form::Point,
};

/// A pure number: written without a unit, with an uncertainty in the same numbers or in %.
pub const RATIO: Kind = Kind {
    noun: "a ratio",
    example: "6.9 +/- 0.05",
    dimension: Dimension::NONE,
    form: Form::Number,
};

struct Unit {
    symbol: &'static str,
    si: f64,
    dimension: Dimension,
    /// Takes SI prefixes.
    prefixes: bool,
}

const fn unit(symbol: &'static str, si: f64, dimension: Dimension) -> Unit {
    Unit {
        symbol,
        si,
        dimension,
        prefixes: false,
    }
}

const fn prefixed(symbol: &'static str, si: f64, dimension: Dimension) -> Unit {
    Unit {
        symbol,
        si,
        dimension,
        prefixes: true,
    }
}

const ROTATION_PER_S: Dimension = ROTATION.dimension;

/// Factors: NIST SP 811, appendix B.8 (the pound, the foot and standard gravity are exact).
static UNITS: &[Unit] = &[
    unit("1", 1.0, Dimension::NONE),
    unit("%", 0.01, Dimension::NONE),
    unit("count", 1.0, Dimension::NONE.count(1)),
    unit("counts", 1.0, Dimension::NONE.count(1)),
    prefixed("m", 1.0, LENGTH.dimension),
    unit("in", INCH_M, LENGTH.dimension),
    unit("ft", FOOT_M, LENGTH.dimension),
    unit("mi", 5280.0 * FOOT_M, LENGTH.dimension),
    prefixed("g", 1e-3, MASS.dimension),
    unit("lb", POUND_KG, MASS.dimension),
    unit("oz", POUND_KG / 16.0, MASS.dimension),
    unit("slug", POUND_FORCE_N / FOOT_M, MASS.dimension),
    prefixed("s", 1.0, DURATION.dimension),
    unit("min", 60.0, DURATION.dimension),
    unit("h", 3600.0, DURATION.dimension),
    prefixed("Hz", 1.0, FREQUENCY.dimension),
    unit("rad", 1.0, ANGLE.dimension),
    unit("deg", PI / 180.0, ANGLE.dimension),
    unit("turn", 2.0 * PI, ANGLE.dimension),
    unit("rev", 2.0 * PI, ANGLE.dimension),
    unit("rpm", RPM_RAD_PER_S, ROTATION_PER_S),
    unit("mph", 5280.0 * FOOT_M / 3600.0, SPEED.dimension),
    prefixed("L", 1e-3, VOLUME.dimension),
    prefixed("l", 1e-3, VOLUME.dimension),
    unit("cc", 1e-6, VOLUME.dimension),
    unit(
        "cfm",
        FOOT_M * FOOT_M * FOOT_M / 60.0,
        VOLUME_FLOW.dimension,
    ),
    prefixed("N", 1.0, FORCE.dimension),
    unit("lbf", POUND_FORCE_N, FORCE.dimension),
    unit("kgf", STANDARD_GRAVITY_M_PER_S2, FORCE.dimension),
    unit("Nm", 1.0, TORQUE.dimension),
    prefixed("W", 1.0, POWER.dimension),
    unit("hp", HORSEPOWER_MECHANICAL_W, POWER.dimension),
    unit("PS", HORSEPOWER_METRIC_W, POWER.dimension),
    prefixed("Pa", 1.0, PRESSURE.dimension),
    prefixed("bar", 1e5, PRESSURE.dimension),
    unit("atm", 101_325.0, PRESSURE.dimension),
    unit("psi", POUND_FORCE_N / (INCH_M * INCH_M), PRESSURE.dimension),
    unit("inHg", INCH_OF_MERCURY_PA, PRESSURE.dimension),
    unit("mmHg", INCH_OF_MERCURY_PA / 25.4, PRESSURE.dimension),
    unit("inH2O", INCH_OF_WATER_PA, PRESSURE.dimension),
    unit("mmH2O", INCH_OF_WATER_PA / 25.4, PRESSURE.dimension),
    unit("Torr", 101_325.0 / 760.0, PRESSURE.dimension),
    prefixed("K", 1.0, TEMPERATURE.dimension),
    // As amounts; for points on their scales see `zero_si`.
    unit("degC", 1.0, TEMPERATURE.dimension),
    unit("degF", 5.0 / 9.0, TEMPERATURE.dimension),
    prefixed("A", 1.0, Dimension::NONE.ampere(1)),
    prefixed("V", 1.0, VOLTAGE.dimension),
    prefixed("ohm", 1.0, RESISTANCE.dimension),
    prefixed("J", 1.0, TORQUE.dimension),
];

const PREFIXES: &[(&str, f64)] = &[
    ("u", 1e-6),
    ("µ", 1e-6),
    ("μ", 1e-6),
    ("m", 1e-3),
    ("c", 1e-2),
    ("d", 1e-1),
    ("h", 1e2),
    ("k", 1e3),
    ("M", 1e6),
];

/// Other spellings of a symbol.
const SPELLINGS: &[(&str, &str)] = &[("°C", "degC"), ("°F", "degF"), ("Ω", "ohm"), ("Ω", "ohm")];

/// Why a text is not the quantity that was wanted.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum QuantityError {
    /// Nothing at the start reads as a number.
    #[error("it doesn't start with a number")]
    NotANumber,
    /// `1,5`: commas are refused since readers disagree on what they mean.
    #[error("write the decimals after a point, and no comma")]
    Comma,
    /// The number is too large for a 64-bit float.
    #[error("the number is too large")]
    NotFinite,
    /// The text is far longer than any quantity.
    #[error("a quantity has at most {TEXT_BYTES_MAX} bytes")]
    TooLong,
    /// A bare number.
    #[error("the unit is missing")]
    NoUnit,
    /// A symbol that stands for no unit.
    #[error("there is no unit \"{symbol}\"{}", nearest.map(|n| format!("; did you mean \"{n}\"?")).unwrap_or_default())]
    UnknownUnit {
        /// The symbol as written.
        symbol: String,
        /// The closest known symbol, when one is close.
        nearest: Option<&'static str>,
    },
    /// The unit's arithmetic doesn't read.
    #[error("the unit \"{unit}\" doesn't read: {why}")]
    UnitSyntax {
        /// The whole unit as written.
        unit: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// A unit of something else.
    #[error("\"{unit}\" is {}{}", found.unwrap_or("a unit of something else"), advice.map(|a| format!("; {a}")).unwrap_or_default())]
    WrongDimension {
        /// The unit as written.
        unit: String,
        /// What the unit measures, when it has a name here.
        found: Option<&'static str>,
        /// How such a mix-up is usually put right.
        advice: Option<&'static str>,
    },
    /// What follows `+/-` doesn't do.
    #[error("the uncertainty after \"+/-\" doesn't read: {0}")]
    Uncertainty(&'static str),
    /// A plain value was wanted.
    #[error("no uncertainty can be given here")]
    UnwantedUncertainty,
}

/// Reads a quantity of `kind`, in SI.
///
/// # Errors
/// Says what keeps `text` from being one.
///
/// ```
/// use leverarm_config::units::{self, LENGTH, TEMPERATURE};
/// assert_eq!(units::quantity("250 mm", &LENGTH), Ok(0.25));
/// assert_eq!(units::quantity("180 degC", &TEMPERATURE), Ok(453.15));
/// assert!(units::quantity("300", &LENGTH).is_err());
/// ```
pub fn quantity(text: &str, kind: &Kind) -> Result<f64, QuantityError> {
    if split_uncertainty(text).1.is_some() {
        return Err(QuantityError::UnwantedUncertainty);
    }
    Ok(measured(text, kind)?.value)
}

/// Reads a quantity of `kind` with its standard uncertainty (0 when none is written), in SI.
///
/// `"3.20 +/- 0.02 kg*m^2"`, `"3.20 ± 0.02 kg*m^2"`, `"250 mm +/- 0.5 mm"`, `"250 mm +/- 0.2 %"`:
/// what follows the sign is one standard deviation, not a maximum.
///
/// # Errors
/// Says what keeps `text` from being one.
pub fn measured(text: &str, kind: &Kind) -> Result<Measured, QuantityError> {
    if text.len() > TEXT_BYTES_MAX {
        return Err(QuantityError::TooLong);
    }
    let (value_text, uncertainty_text) = split_uncertainty(text);
    let (number, value_unit) = leading_number(value_text)?;
    let Some(uncertainty_text) = uncertainty_text else {
        let unit = wanted_unit(value_unit, kind)?;
        return Ok(Measured::exact(finite(
            number * unit.si + zero_si(value_unit, kind),
        )?));
    };

    let (spread, spread_unit) = leading_number(uncertainty_text)
        .map_err(|_error| QuantityError::Uncertainty("a number has to follow"))?;
    if spread < 0.0 {
        return Err(QuantityError::Uncertainty("it can't be negative"));
    }
    let is_ratio = kind.form == Form::Number;
    let relative = spread_unit == "%"
        && (is_ratio || (!value_unit.is_empty() && kind.dimension != Dimension::NONE));
    // A unit written once, at the end, holds for both numbers.
    let value_unit = match value_unit {
        "" if !relative => spread_unit,
        own => own,
    };
    let unit = wanted_unit(value_unit, kind)?;
    let value = finite(number * unit.si + zero_si(value_unit, kind))?;
    let standard_uncertainty = if relative {
        if kind.form == Form::Point {
            return Err(QuantityError::Uncertainty(
                "a temperature has no percentage",
            ));
        }
        value.abs() * spread / 100.0
    } else if spread_unit.is_empty() {
        spread * unit.si
    } else {
        spread * wanted_unit(spread_unit, kind)?.si
    };
    Ok(Measured::new(value, finite(standard_uncertainty)?))
}

fn split_uncertainty(text: &str) -> (&str, Option<&str>) {
    match text.split_once("+/-").or_else(|| text.split_once('±')) {
        Some((value, uncertainty)) => (value, Some(uncertainty)),
        None => (text, None),
    }
}

/// Reads a number whose unit is any that `accept` takes, with that unit: for scales whose unit
/// itself says what is measured.
pub(crate) fn any_quantity(text: &str) -> Result<(f64, Dimension, &str), QuantityError> {
    if text.len() > TEXT_BYTES_MAX {
        return Err(QuantityError::TooLong);
    }
    let (number, unit_text) = leading_number(text)?;
    if unit_text.is_empty() {
        return Err(QuantityError::NoUnit);
    }
    let unit = Scale::parse(unit_text)?;
    Ok((finite(number * unit.si)?, unit.dimension, unit_text))
}

fn finite(value: f64) -> Result<f64, QuantityError> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(QuantityError::NotFinite)
    }
}

/// Splits `" 12.5 kg"` into 12.5 and `"kg"`.
fn leading_number(text: &str) -> Result<(f64, &str), QuantityError> {
    let text = text.trim();
    // The minus sign of typeset text.
    let (sign, digits) = match text.strip_prefix('−') {
        Some(rest) => (-1.0, rest),
        None => (1.0, text),
    };
    let bytes = digits.as_bytes();
    let digit_run = |from: usize| {
        bytes
            .iter()
            .skip(from)
            .take_while(|byte| byte.is_ascii_digit())
            .count()
    };
    let signed = |at: usize| usize::from(matches!(bytes.get(at), Some(b'+' | b'-')));
    let mut end = if sign > 0.0 { signed(0) } else { 0 };
    end += digit_run(end);
    if bytes.get(end) == Some(&b'.') {
        end += 1 + digit_run(end + 1);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let exponent = end + 1 + signed(end + 1);
        let run = digit_run(exponent);
        if run > 0 {
            end = exponent + run;
        }
    }
    let (number, rest) = digits.split_at_checked(end).unwrap_or((digits, ""));
    let Ok(value) = number.parse::<f64>() else {
        return Err(QuantityError::NotANumber);
    };
    if rest.starts_with(',') {
        return Err(QuantityError::Comma);
    }
    Ok((sign * finite(value)?, rest.trim()))
}

fn wanted_unit(text: &str, kind: &Kind) -> Result<Scale, QuantityError> {
    if text.is_empty() {
        return if kind.form == Form::Number {
            Ok(Scale::ONE)
        } else {
            Err(QuantityError::NoUnit)
        };
    }
    let unit = Scale::parse(text)?;
    if unit.dimension == kind.dimension {
        return Ok(unit);
    }
    let found = AMOUNTS
        .iter()
        .chain([&TEMPERATURE])
        .find(|known| known.dimension == unit.dimension);
    Err(QuantityError::WrongDimension {
        unit: text.to_owned(),
        found: found.map(|known| known.noun),
        advice: advice(unit.dimension, kind.dimension),
    })
}

/// The usual mix-ups of units.
fn advice(found: Dimension, wanted: Dimension) -> Option<&'static str> {
    let times = |other: Dimension, power| found.combine(other, power) == Some(wanted);
    if times(ACCELERATION.dimension, 1) {
        Some("lb and kg are masses, the forces are lbf, kgf and N")
    } else if times(ACCELERATION.dimension, -1) {
        Some("lbf, kgf and N are forces, the masses are lb and kg")
    } else if (-2..=2).any(|power| times(ANGLE.dimension, power)) {
        Some("angle counts: a speed of rotation is in rpm, turn/s or rad/s")
    } else if times(Dimension::NONE.count(1), -1) {
        Some("say it per count, as in N/count")
    } else {
        None
    }
}

/// SI value of the zero of a scale.
fn zero_si(unit: &str, kind: &Kind) -> f64 {
    match (kind.form, unit) {
        (Form::Point, "degC" | "°C") => ZERO_CELSIUS_K,
        (Form::Point, "degF" | "°F") => FAHRENHEIT_ZERO_K,
        _ => 0.0,
    }
}

/// A unit worked out: its SI value and its dimension.
#[derive(Clone, Copy, Debug)]
struct Scale {
    si: f64,
    dimension: Dimension,
}

impl Scale {
    const ONE: Self = Self {
        si: 1.0,
        dimension: Dimension::NONE,
    };

    fn parse(text: &str) -> Result<Self, QuantityError> {
        let mut parser = UnitParser {
            whole: text,
            rest: text,
        };
        let scale = parser.product()?;
        if !parser.rest.is_empty() {
            return Err(parser.fault("a closing bracket has no opening one"));
        }
        Ok(scale)
    }

    fn combine(self, other: Self, power: i8) -> Option<Self> {
        Some(Self {
            si: self.si * other.si.powi(i32::from(power)),
            dimension: self.dimension.combine(other.dimension, power)?,
        })
    }
}

struct UnitParser<'t> {
    whole: &'t str,
    rest: &'t str,
}

impl UnitParser<'_> {
    fn fault(&self, why: &'static str) -> QuantityError {
        QuantityError::UnitSyntax {
            unit: self.whole.to_owned(),
            why,
        }
    }

    fn skip(&mut self, wanted: &[char]) -> bool {
        match self.rest.strip_prefix(wanted) {
            Some(rest) => {
                self.rest = rest.trim_start();
                true
            }
            None => false,
        }
    }

    /// Factors joined by `*`, `·`, a space or `/`, up to a closing bracket or the end.
    fn product(&mut self) -> Result<Scale, QuantityError> {
        let mut product = self.factor()?;
        let mut divided = false;
        while !self.rest.is_empty() && !self.rest.starts_with(')') {
            let power = if self.skip(&['/']) {
                divided = true;
                -1
            } else {
                self.skip(&['*', '·', '⋅', '×']);
                // ISO 80000-1, 7.1.3: no product after a slash without brackets.
                if divided {
                    return Err(self.fault("after a slash, put the product in brackets"));
                }
                1
            };
            let factor = self.factor()?;
            product = product
                .combine(factor, power)
                .ok_or_else(|| self.fault("an exponent is too large"))?;
        }
        Ok(product)
    }

    fn factor(&mut self) -> Result<Scale, QuantityError> {
        let base = if self.skip(&['(']) {
            let inner = self.product()?;
            if !self.skip(&[')']) {
                return Err(self.fault("a bracket isn't closed"));
            }
            inner
        } else {
            self.symbol()?
        };
        let power = self.exponent()?;
        self.rest = self.rest.trim_start();
        Scale::ONE
            .combine(base, power)
            .ok_or_else(|| self.fault("an exponent is too large"))
    }

    fn symbol(&mut self) -> Result<Scale, QuantityError> {
        let is_symbol = |c: char| c.is_alphabetic() && !"²³¹⁻".contains(c) || "%°".contains(c);
        let end = if self.rest.starts_with('1') {
            1
        } else {
            self.rest.find(|c| !is_symbol(c)).unwrap_or(self.rest.len())
        };
        let (symbol, rest) = self.rest.split_at_checked(end).unwrap_or((self.rest, ""));
        if symbol.is_empty() {
            return Err(self.fault("join units with *, · or /, as in N*m/(rad/s)"));
        }
        self.rest = rest;
        look_up(symbol)
    }

    /// `^2`, `^-1`, `²`, `⁻¹`; 1 when there is none.
    fn exponent(&mut self) -> Result<i8, QuantityError> {
        let (digits, rest): (String, &str) = if let Some(rest) = self.rest.strip_prefix('^') {
            let end = rest
                .char_indices()
                .find(|&(at, c)| !(c.is_ascii_digit() || (at == 0 && c == '-')))
                .map_or(rest.len(), |(at, _)| at);
            let (digits, rest) = rest.split_at_checked(end).unwrap_or((rest, ""));
            (digits.to_owned(), rest)
        } else {
            const RAISED: &[(char, char)] =
                &[('⁻', '-'), ('¹', '1'), ('²', '2'), ('³', '3'), ('⁴', '4')];
            let plain = |c: char| RAISED.iter().find(|(raised, _)| *raised == c).map(|p| p.1);
            let digits: String = self.rest.chars().map_while(plain).collect();
            if digits.is_empty() {
                return Ok(1);
            }
            (digits, self.rest.trim_start_matches(|c| plain(c).is_some()))
        };
        let power = digits
            .parse::<i8>()
            .ok()
            .filter(|power| (-9..=9).contains(power))
            .ok_or_else(|| self.fault("an exponent is a whole number from -9 to 9"))?;
        self.rest = rest;
        Ok(power)
    }
}

fn look_up(symbol: &str) -> Result<Scale, QuantityError> {
    let plain = SPELLINGS.iter().find_map(|(prefix_symbol, plain)| {
        symbol
            .strip_suffix(prefix_symbol)
            .map(|prefix| format!("{prefix}{plain}"))
    });
    let plain = plain.as_deref().unwrap_or(symbol);
    let scale = |unit: &Unit, prefix: f64| Scale {
        si: prefix * unit.si,
        dimension: unit.dimension,
    };
    if let Some(unit) = UNITS.iter().find(|unit| unit.symbol == plain) {
        return Ok(scale(unit, 1.0));
    }
    for (prefix, factor) in PREFIXES {
        let Some(bare) = plain.strip_prefix(prefix) else {
            continue;
        };
        if let Some(unit) = UNITS
            .iter()
            .find(|unit| unit.prefixes && unit.symbol == bare)
        {
            return Ok(scale(unit, *factor));
        }
    }
    let known = UNITS
        .iter()
        .map(|unit| unit.symbol)
        .filter(|known| known.len() > 1);
    // Nobody means the coulomb or the farad.
    let meant = match symbol.to_lowercase().as_str() {
        "c" | "celsius" => Some("degC"),
        "f" | "fahrenheit" => Some("degF"),
        _ => nearest(symbol, known),
    };
    Err(QuantityError::UnknownUnit {
        symbol: symbol.to_owned(),
        nearest: meant,
    })
}

/// The known word closest to `word`, when it is close enough to be a slip of the fingers.
pub(crate) fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let folded = word.to_lowercase();
    let slips_max = (word.chars().count() / 3).max(1);
    known
        .into_iter()
        .map(|candidate| {
            (
                strsim::damerau_levenshtein(&folded, &candidate.to_lowercase()),
                candidate,
            )
        })
        .filter(|(slips, _)| *slips <= slips_max)
        .min_by_key(|(slips, _)| *slips)
        .map(|(_, candidate)| candidate)
}

impl fmt::Display for Kind {
    /// `a length such as "300 mm"`
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} such as \"{}\"", self.noun, self.example)
    }
}
