//! Leverarm: acquisition daemon for a home-built inertia or brake dynamometer stand.
//!
//! Two ways through share every conversion: live, from port bytes to guards, store and live values
//! ([`leverarm_live`]); and reduced, from stored bytes to curves ([`leverarm_analysis`]). This is the
//! program around them: threads, ports, page, command line. `DEVELOPERS.md` has the map.

pub mod clock;
pub mod commands;
pub mod export;
pub mod rehearsal;
pub mod self_test;
pub mod service;
pub mod sheet;
pub mod stream;
