//! Leverarm: acquisition daemon for a home-built inertia or brake dynamometer stand.
//!
//! Two ways through share every conversion: live, from port bytes to guards, store and live values
//! ([`core`]); and reduced, from stored bytes to curves. `DEVELOPERS.md` has the map.

pub mod board_check;
pub mod calibration;
pub mod clock;
pub mod commands;
pub mod comparison;
pub mod core;
pub mod engine;
pub mod export;
pub(crate) mod files;
pub mod journal;
pub mod overlay;
pub mod parts;
pub mod plan;
pub mod plot;
pub mod reduction;
pub mod rehearsal;
pub mod replay;
pub mod self_test;
pub mod service;
pub mod sheet;
pub mod software_stand;
pub mod store;
pub mod stream;
pub mod values;
