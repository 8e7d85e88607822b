//! What the tests of plots share.

use leverarm_plot::{Axis, Range, Series};

/// An axis of this range.
pub(crate) fn axis(label: &str, unit: &str, low: f64, high: f64) -> Axis {
    Axis {
        range: Range::Fixed { low, high },
        ..Axis::new(label, unit)
    }
}

/// A series without a band.
pub(crate) fn series(label: &str, style: usize, points: &[(f64, f64)]) -> Series {
    Series::line(label, points.to_vec(), style)
}
