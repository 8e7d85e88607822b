//! Physics of an engine test stand: air, inertia, sensor laws, calibrations and
//! their uncertainty.
//!
//! Everything here is a pure function of its arguments, in SI units with the unit
//! at the end of the name. Temperatures are in kelvin.

pub mod air;
pub mod calibration;
pub mod comparison;
pub mod control_chart;
pub mod curve;
pub mod directions;
pub mod engine;
pub mod inertia;
pub mod map;
pub mod mixed;
pub mod reduce;
pub mod regression;
pub mod sensor;
pub mod size;
pub mod steadiness;
pub mod turns;
pub mod uncertainty;

/// 0 °C in kelvin (exact).
pub const ZERO_CELSIUS_K: f64 = 273.15;

/// Standard acceleration of free fall, m/s² (exact; ISO 80000-3).
pub const STANDARD_GRAVITY_M_PER_S2: f64 = 9.806_65;
