//! How what is calibrated is measured on recorded stretches.

pub mod runs;
pub mod tare;
