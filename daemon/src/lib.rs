//! Leverarm: acquisition and reduction for home-built dynamometer stands.

pub mod software_stand;
