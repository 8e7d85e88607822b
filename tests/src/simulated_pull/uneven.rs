//! What keeps a real pull from being smooth: cycles that differ, a drive that gives, an ignition lead
//! beside the pickup's cable.

use std::f64::consts::TAU;

use super::normal;

/// How unlike each other the working cycles of an engine are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cycles {
    /// Cylinders, firing evenly.
    pub cylinders: u32,
    /// Standard deviation of the work of one cylinder's cycle over its mean (COV).
    pub cov: f64,
    /// Correlation of a cylinder's cycle with its next.
    pub correlation: f64,
    /// Share of cycles at which misfiring begins.
    pub misfire_probability: f64,
    /// Cycles in a row that do not burn then, on average, at least 1.
    pub misfire_run: f64,
}

/// Work of a cycle that does not burn, over that of one that does: minus the friction.
const MISFIRE_WORK: f64 = -0.15;

impl Cycles {
    /// One cylinder whose cycles are all alike.
    pub const ALIKE: Self = Self {
        cylinders: 1,
        cov: 0.0,
        correlation: 0.0,
        misfire_probability: 0.0,
        misfire_run: 1.0,
    };

    /// One cylinder whose cycles vary, independent of each other.
    #[must_use]
    pub const fn varying(cov: f64) -> Self {
        Self { cov, ..Self::ALIKE }
    }
}

/// A pickup coil whose voltage grows with speed, and a comparator with a fixed threshold behind it: an edge comes where the
/// rise of a tooth's pulse, a sine, passes it, earlier the faster the wheel turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coil {
    /// Threshold over the mean tooth's greatest voltage at the speed where the throttle opens.
    pub threshold: f64,
    /// By how much a turn's weakest and strongest tooth are off the mean one: the wheel runs out.
    pub runout: f64,
}

impl Coil {
    /// By what angle of a tooth's pitch (2π) the edge comes late; `None` where the pulse stays below the threshold.
    pub(super) fn late_rad(&self, turn_rad: f64, speed: f64) -> Option<f64> {
        let voltage = speed * (1.0 + self.runout * turn_rad.cos());
        (voltage > self.threshold).then(|| (self.threshold / voltage).asin())
    }
}

/// A chain, belt or shaft between drum and engine that gives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drive {
    /// Frequency at which drum and engine swing against each other, Hz.
    pub frequency_hz: f64,
    /// Damping ratio of that.
    pub damping_ratio: f64,
    /// Play at the drum, rad.
    pub lash_rad: f64,
    /// Teeth of the sprocket that pulls the chain, which turns as fast as the drum; 0 where it is pulled evenly.
    pub sprocket_teeth: u32,
}

impl Drive {
    /// By what angle a sprocket is ahead of one that pulls its chain evenly, and that over its own angle: its links lie on
    /// it as sides of a polygon, so the chain's speed goes with the cosine of the angle from a side's middle.
    pub(super) fn polygon(&self, sprocket_rad: f64) -> (f64, f64) {
        if self.sprocket_teeth == 0 {
            return (0.0, 0.0);
        }
        let side = TAU / f64::from(self.sprocket_teeth);
        let from_middle = sprocket_rad - side * (sprocket_rad / side).round();
        let mean = (0.5 * side).sin() / (0.5 * side);
        (
            from_middle.sin() / mean - from_middle,
            from_middle.cos() / mean - 1.0,
        )
    }

    /// Torques of spring and damper at the drum for a twist and its rate, between two inertias.
    pub(super) fn torques_nm(&self, twist: f64, rate: f64, inertias: (f64, f64)) -> (f64, f64) {
        let natural = TAU * self.frequency_hz;
        let reduced = inertias.0 * inertias.1 / (inertias.0 + inertias.1);
        let half = 0.5 * self.lash_rad;
        let wound = twist - twist.clamp(-half, half);
        if half > 0.0 && wound == 0.0 {
            return (0.0, 0.0);
        }
        let damping = 2.0 * self.damping_ratio * natural * rate;
        (reduced * natural * natural * wound, reduced * damping)
    }
}

/// Edges that sparks leave on the pickup's cable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sparks {
    /// Share of the working cycles whose spark does.
    pub probability: f64,
    /// Edges of a burst.
    pub edges: u32,
    /// Mean time between them, s.
    pub spacing_s: f64,
    /// Where in the cycle, as a share of it.
    pub at: f64,
}

impl Sparks {
    /// A cable that picks up nothing.
    pub const NONE: Self = Self {
        probability: 0.0,
        edges: 0,
        spacing_s: 0.0,
        at: 0.0,
    };
}

/// The work of each firing over its mean, drawn as the engine gets there.
pub(super) struct Drawn {
    cycles: Cycles,
    rng: fastrand::Rng,
    scatter: Vec<f64>,
    work: Vec<f64>,
    misfires_left: u32,
}

impl Drawn {
    pub(super) fn new(cycles: Cycles, rng: fastrand::Rng) -> Self {
        Self {
            cycles,
            rng,
            scatter: Vec::new(),
            work: Vec::new(),
            misfires_left: 0,
        }
    }

    /// Work of a firing, counted from the start, over the mean.
    pub(super) fn work(&mut self, firing: f64) -> f64 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "small positive"
        )]
        let firing = firing.max(0.0) as usize;
        while self.work.len() <= firing {
            let fresh = normal(&mut self.rng);
            let rho = self.cycles.correlation;
            let before = self
                .scatter
                .len()
                .checked_sub(self.cycles.cylinders as usize);
            self.scatter.push(before.map_or(fresh, |at| {
                rho * self.scatter[at] + (1.0 - rho * rho).sqrt() * fresh
            }));
            if self.misfires_left == 0 && self.rng.f64() < self.cycles.misfire_probability {
                self.misfires_left = 1;
                while self.rng.f64() > 1.0 / self.cycles.misfire_run {
                    self.misfires_left += 1;
                }
            }
            let burns = self.misfires_left == 0;
            self.misfires_left = self.misfires_left.saturating_sub(1);
            self.work.push(if burns {
                1.0 + self.cycles.cov * self.scatter[self.scatter.len() - 1]
            } else {
                MISFIRE_WORK
            });
        }
        self.work[firing]
    }
}
