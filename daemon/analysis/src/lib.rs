//! From the store to curves, comparisons and findings: whatever is made of stored bytes, without a
//! thread, a port or a clock.

pub mod board_check;
pub mod calibration;
pub mod comparison;
pub mod csv_text;
pub mod engine;
pub mod exclusion;
pub mod in_force;
pub mod journal;
mod last_word;
pub mod local_time;
pub mod map;
pub mod mounting;
pub mod other_way;
pub mod overlay;
pub mod parts;
pub mod plan;
pub mod reduction;
pub mod replay;
pub mod setup_correction;
pub mod shelf;
#[cfg(test)]
mod stored;
