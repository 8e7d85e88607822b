//! Comparison helpers shared by the tests.

/// Fails unless `found` is within `tolerance` of `expected`.
#[track_caller]
pub(crate) fn close(what: &str, found: f64, expected: f64, tolerance: f64) {
    let difference = (found - expected).abs();
    assert!(
        difference <= tolerance,
        "{what}: expected {expected} ± {tolerance:e}, found {found} (off by {difference:e})"
    );
}

/// Fails unless `found` is within `tolerance` of `expected`, relative to it.
#[track_caller]
pub(crate) fn close_rel(what: &str, found: f64, expected: f64, tolerance: f64) {
    close(what, found, expected, tolerance * expected.abs());
}
