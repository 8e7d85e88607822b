//! Acquisition daemon for a home-built inertia or brake dynamometer stand.

pub mod core;
pub mod store;
