//! Models that can't be simulated.

/// Why a model can't be simulated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ModelError {
    /// A curve needs two points.
    #[error("torque curve: at least 2 points expected, {found} found")]
    TooFewPoints {
        /// Points given.
        found: usize,
    },
    /// A curve's speeds must rise and its values be finite.
    #[error("torque curve: finite points with rising speeds expected")]
    PointsNotRising,
    /// A value is outside its range.
    #[error("{what}: {expected} expected, {found} found")]
    OutOfRange {
        /// The field.
        what: &'static str,
        /// The rule.
        expected: &'static str,
        /// The value.
        found: f64,
    },
    /// More channels of a kind than a frame can number or carry.
    #[error("{what}: at most {at_most} expected, {found} found")]
    TooMany {
        /// The kind of channel.
        what: &'static str,
        /// The most there can be.
        at_most: usize,
        /// How many there are.
        found: usize,
    },
}
