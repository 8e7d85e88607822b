//! Helpers shared by the tests.

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

/// Fails unless `found` is `expected` but for rounding.
#[track_caller]
pub(crate) fn same(what: &str, found: f64, expected: f64) {
    close_rel(what, found, expected, 1e-12);
}

/// The numbers of a table, line by line.
pub(crate) fn rows<const N: usize>(table: &str) -> Vec<[f64; N]> {
    let number = |cell: &str| cell.parse().expect("a number");
    let lines = table.lines().filter(|line| !line.trim().is_empty());
    lines
        .map(|line| line.split_whitespace().map(number).collect::<Vec<f64>>())
        .map(|cells| cells.try_into().expect("cells as named"))
        .collect()
}

/// Seeded noise; a failing test prints its seed.
pub(crate) struct Noise(fastrand::Rng);

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self(fastrand::Rng::with_seed(seed))
    }

    /// Standard normal deviate (Box–Muller).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.0.f64()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.0.f64()).cos()
    }

    /// Rectangular deviate of mean 0 and variance 1.
    pub(crate) fn rectangular(&mut self) -> f64 {
        3.0_f64.sqrt() * (2.0 * self.0.f64() - 1.0)
    }
}
