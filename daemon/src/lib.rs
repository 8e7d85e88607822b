//! Acquisition daemon for a home-built inertia or brake dynamometer stand.

pub mod core;
pub mod store;
//! Leverarm: acquisition and reduction for home-built dynamometer stands.

pub mod software_stand;
