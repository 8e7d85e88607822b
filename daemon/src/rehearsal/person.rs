//! The person at the throttle of a simulated brake stand: keeps the engine ready, opens it fully once the load holds, and
//! closes it when the load waits for that.

use leverarm_live::Live;
use leverarm_software_stand::RiderScript;

use super::{Rehearsal, RehearsalError};

/// What the person does to the engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Throttle {
    /// Keeps it turning at the start speed, half closed.
    Ready,
    /// A third open and left so, while the load is tuned.
    Part,
    /// Fully open.
    Open,
}

/// How far it is open then.
pub const PART: f64 = 0.35;

impl Throttle {
    /// What a person does who looks at the page.
    #[must_use]
    pub fn by(live: &Live) -> Self {
        let Some(load) = &live.load else {
            return Self::Ready;
        };
        if load.tuning.is_some() {
            return Self::Part;
        }
        let is_closing = load.run.as_ref().is_some_and(|run| run.step > run.steps);
        let holds = load.armed && matches!(load.mode, "speed" | "torque" | "road");
        if holds && !is_closing {
            Self::Open
        } else {
            Self::Ready
        }
    }

    /// Works the simulated stand's throttle, when that is another than before.
    ///
    /// # Errors
    /// When the rehearsal is over.
    pub fn work(
        &mut self,
        wanted: Self,
        rehearsal: &Rehearsal,
        script: RiderScript,
    ) -> Result<(), RehearsalError> {
        if *self == wanted {
            return Ok(());
        }
        *self = wanted;
        match wanted {
            Self::Ready => rehearsal.ride(ready(script)),
            Self::Part => rehearsal.open_throttle(PART),
            Self::Open => rehearsal.open_throttle(1.0),
        }
    }
}

/// Warms up, and then keeps the start speed for ever.
#[must_use]
pub fn ready(script: RiderScript) -> RiderScript {
    RiderScript {
        pulls: u32::MAX,
        hold_s: f64::INFINITY,
        hold_scatter_s: 0.0,
        sweep_s: None,
        ..script
    }
}
