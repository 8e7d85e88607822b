//! The person at the throttle of a simulated brake stand: keeps the engine ready, opens it once the load holds, as far as a list
//! asks for, and closes it when the load waits for that.

use leverarm_live::Live;
use leverarm_software_stand::RiderScript;

use super::{Rehearsal, RehearsalError};

/// What the person does to the engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Throttle {
    /// Keeps it turning at the start speed, half closed.
    Ready,
    /// Held open so far, 0 to 1.
    Open(f64),
}

/// How far it is open while the load is tuned.
pub const PART: f64 = 0.35;

impl Throttle {
    /// What a person does who looks at the page.
    #[must_use]
    pub fn by(live: &Live) -> Self {
        let Some(load) = &live.load else {
            return Self::Ready;
        };
        if load.tuning.is_some() {
            return Self::Open(PART);
        }
        let is_closing = load.run.as_ref().is_some_and(|run| run.step > run.steps);
        let holds = load.armed && matches!(load.mode, "speed" | "torque" | "road");
        if holds && !is_closing {
            let asked = load.run.as_ref().and_then(|run| run.throttle);
            Self::Open(asked.unwrap_or(1.0))
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
            Self::Open(opening) => rehearsal.open_throttle(opening),
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
