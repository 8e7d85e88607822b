//! What each step of the simulation is given, and passes on.

/// Length of a step, s.
pub(super) const STEP_S: f64 = 50e-6;

/// What the person and the board do to the stand.
#[derive(Clone, Copy, Debug)]
pub(super) struct Controls {
    /// Throttle opening, 0–1.
    pub(super) throttle: f64,
    /// Whether the engine may fire.
    pub(super) ignition: bool,
    /// Whether the clutch takes up or holds.
    pub(super) clutch: bool,
    /// Brake torque at the drum, N·m.
    pub(super) brake_nm: f64,
}

/// Mean and instantaneous torque at the crank.
#[derive(Clone, Copy, Debug)]
pub(super) struct EngineTorque {
    /// Firing torque without ripple, N·m, ≥ 0.
    pub(super) firing_nm: f64,
    /// Net torque at this crank angle, N·m.
    pub(super) now_nm: f64,
    /// The same of a mean cycle without its ripple.
    pub(super) mean_nm: f64,
    /// Work of the gas over that at full throttle, the idle stop included, 0–1; 0 without ignition.
    pub(super) opening: f64,
}
