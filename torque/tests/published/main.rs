//! The crate against published standards, textbook examples, certified data sets and general
//! reference libraries. The source stands beside each value.

mod air;
mod common;
mod engine;
mod inertia;
mod load_cell;
mod losses;
mod measured_inertia;
mod norris;
mod regression;
mod sensor;
mod uncertainty;
