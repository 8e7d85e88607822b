//! The few float-to-integer conversions, saturating and in one place.

/// `value` rounded down, as an index; negative and NaN give 0, the rest saturates.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "float `as` saturates and maps NaN to 0, which is what an index wants"
)]
pub(crate) fn floor_to_usize(value: f64) -> usize {
    value.floor() as usize
}

/// `value` rounded to the nearest integer, saturating; NaN gives 0.
#[expect(
    clippy::cast_possible_truncation,
    reason = "float `as` saturates and maps NaN to 0"
)]
pub(crate) fn round_to_i64(value: f64) -> i64 {
    value.round() as i64
}
