//! Stub.

pub mod plot;
