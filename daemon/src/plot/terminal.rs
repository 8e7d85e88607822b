//! t
use super::Plot;
/// t
pub fn text(_plot: &Plot, _columns: usize, _rows: usize) -> String { String::new() }
