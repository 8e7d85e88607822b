//! The load's output switched to and fro about what holds a speed, so that engine and absorber can be told from what the speed
//! does: first the speed is held and the torque read, then the output goes by a plan. It ends by itself, and the speed is held
//! again. The board needs nothing for it but its modes; its guards and the host's stay as they are.
//!
//! The plan does not look at the speed: a switch that an engine's uneven cycles bring about comes with what they did to the speed,
//! and inertia and lag read from it are out by up to a half. Only the mean follows the speed, slowly and a half late. Long halves
//! tell the inertia, short ones the lag.

use leverarm_load::absorber::{Absorber, Follows};
use leverarm_protocol::LoadStatus;
use leverarm_values::LoadSettings;
use leverarm_vocabulary::load::LoadOrder;

use super::UNIT;

/// The speed has to be held for so long before, s.
const HELD_S: f64 = 1.5;
/// And has to be reached within, s.
const REACHED_S: f64 = 30.0;
/// While it is held it is within this share of its target.
const STEADY: f64 = 0.015;
/// The switching lasts so long, s,
const SWITCHING_S: f64 = 10.0;
/// at most so long, s,
const SWITCHING_S_MAX: f64 = 25.0;
/// and until it was switched so often.
pub(super) const SWITCHES: u32 = 16;
/// Longest half over the absorber's lag, so that its torque gets where its output sends it, and at least, s.
const LONG: (f64, f64) = (2.0, 0.3);
/// Shortest half over the longest, and at least, s.
const SHORT: (f64, f64) = (1.0 / 3.0, 0.1);
/// What the speed changes by in the longest half, a share of it.
const SWING: f64 = 0.04;
/// Switched torque over the mean, at least and at most.
const SWITCHED: (f64, f64) = (0.15, 0.7);
/// A valve is switched by so much of its way at least, so that what it sticks by is little of it.
const WAY_MIN: f64 = 0.06;
/// A speed so far from its target turns it round before its time.
const FAR: f64 = 0.045;
/// A speed this far from its target ends it.
const BAND: f64 = 0.08;
/// Mean torque over the absorber's at full output there, at least and at most: low load.
const LOW: (f64, f64) = (0.02, 0.5);
/// The mean brings the speed back within so long, s,
const BACK_S: f64 = 1.5;
/// and learns of what is lacking within so long, s.
const LEARNS_S: f64 = 4.0;

/// What is to be done.
#[derive(Debug, PartialEq)]
pub(super) enum Next {
    Wait,
    /// Another output.
    Order(LoadOrder),
    /// The first, from which on it is kept.
    Begin(LoadOrder),
    /// All is done.
    Done,
    /// It can't go on.
    GiveUp(String),
}

#[derive(Debug)]
enum Phase {
    Settling {
        since: Option<u64>,
        torque_nm: f64,
        count: f64,
    },
    Switching {
        since: u64,
        switched: u64,
        /// Torque about which it goes now, and that of the next half.
        middle_nm: f64,
        next_nm: f64,
        /// What the mean has learnt.
        held_nm: f64,
        swing_nm: f64,
        brakes: bool,
        /// Longest and shortest half, s.
        halves_s: (f64, f64),
        /// Mean speed of the half before, and the sum and count of those in this one.
        before_rad_per_s: f64,
        speeds: (f64, f64),
    },
}

#[derive(Debug)]
pub(super) struct Relay {
    /// Of the absorber.
    pub(super) target_rad_per_s: f64,
    speed_rad_per_s: Option<f64>,
    absorber: Absorber,
    inertia_kg_m2: f64,
    tick_hz: f64,
    begun: u64,
    phase: Phase,
    pub(super) switches: u32,
}

impl Relay {
    pub(super) fn new(target_rad_per_s: f64, with: LoadSettings, tick: u64, tick_hz: u32) -> Self {
        Self {
            target_rad_per_s,
            speed_rad_per_s: None,
            absorber: with.absorber,
            inertia_kg_m2: with.task.inertia_kg_m2,
            tick_hz: f64::from(tick_hz.max(1)),
            begun: tick,
            phase: Phase::Settling {
                since: None,
                torque_nm: 0.0,
                count: 0.0,
            },
            switches: 0,
        }
    }

    /// Speed of the absorber.
    pub(super) fn speed(&mut self, rad_per_s: f64) {
        self.speed_rad_per_s = Some(rad_per_s);
        if let Phase::Switching { speeds, .. } = &mut self.phase {
            speeds.0 += rad_per_s;
            speeds.1 += 1.0;
        }
    }

    /// Whether it is kept.
    pub(super) fn is_switching(&self) -> bool {
        matches!(self.phase, Phase::Switching { .. })
    }

    pub(super) fn waits_for(&self) -> String {
        match self.phase {
            Phase::Settling { .. } => {
                "the speed to be held, the throttle a quarter to a half open and left so".to_owned()
            }
            Phase::Switching { .. } => {
                format!("the speed's answers: switched {} times", self.switches)
            }
        }
    }

    fn since_s(&self, from: u64, tick: u64) -> f64 {
        tick.saturating_sub(from) as f64 / self.tick_hz
    }

    /// Time passed; what the board says newest.
    pub(super) fn advance(&mut self, tick: u64, status: &LoadStatus) -> Next {
        let Some(speed) = self.speed_rad_per_s else {
            return if self.since_s(self.begun, tick) > REACHED_S {
                Next::GiveUp("no speed of the engine is seen".to_owned())
            } else {
                Next::Wait
            };
        };
        match self.phase {
            Phase::Settling { .. } => self.settle(tick, speed, status),
            Phase::Switching { .. } => self.switch(tick, speed),
        }
    }

    fn settle(&mut self, tick: u64, speed: f64, status: &LoadStatus) -> Next {
        let waited_s = self.since_s(self.begun, tick);
        let tick_hz = self.tick_hz;
        let Phase::Settling {
            since,
            torque_nm,
            count,
        } = &mut self.phase
        else {
            return Next::Wait;
        };
        let demanded_nm = f64::from(status.torque) / UNIT;
        let is_steady =
            (speed / self.target_rad_per_s - 1.0).abs() < STEADY && !status.is_saturated;
        if !is_steady {
            (*since, *torque_nm, *count) = (None, 0.0, 0.0);
            if waited_s > REACHED_S {
                let why = if demanded_nm <= 0.0 {
                    "the engine does not reach the speed without load: open the throttle further, a quarter to a half"
                } else {
                    "the speed was not held: leave the throttle where it is, and look at `leverarm load show`"
                };
                return Next::GiveUp(why.to_owned());
            }
            return Next::Wait;
        }
        *torque_nm += demanded_nm;
        *count += 1.0;
        let from = *since.get_or_insert(tick);
        if (tick.saturating_sub(from) as f64) < HELD_S * tick_hz {
            return Next::Wait;
        }
        let mean_nm = *torque_nm / *count;
        let full_nm = self.absorber.full_torque_nm(self.target_rad_per_s);
        if mean_nm < LOW.0 * full_nm {
            return Next::GiveUp("there is hardly any load to switch: open the throttle further, a quarter to a half".to_owned());
        }
        if mean_nm > LOW.1 * full_nm {
            return Next::GiveUp(format!(
                "the load is not low: {:.0} % of what the absorber has at this speed, expected at most {:.0} %: close the throttle further",
                100.0 * mean_nm / full_nm,
                100.0 * LOW.1
            ));
        }
        let follows = &self.absorber.follows;
        let long_s = (LONG.0 * follows.time_constant_s()).max(LONG.1);
        let change_nm_s = SWING * self.target_rad_per_s * self.inertia_kg_m2;
        let least_nm = match follows {
            Follows::Valve { .. } => WAY_MIN * full_nm,
            Follows::Coil { .. } | Follows::Electronics { .. } => 0.0,
        };
        let swing_nm = (change_nm_s / long_s)
            .max(least_nm)
            .clamp(SWITCHED.0 * mean_nm, SWITCHED.1 * mean_nm);
        let long_s = long_s.min(change_nm_s / swing_nm);
        self.phase = Phase::Switching {
            since: tick,
            switched: tick,
            middle_nm: mean_nm,
            next_nm: mean_nm,
            held_nm: mean_nm,
            swing_nm,
            brakes: true,
            halves_s: (long_s, (SHORT.0 * long_s).max(SHORT.1).min(long_s)),
            before_rad_per_s: self.target_rad_per_s,
            speeds: (0.0, 0.0),
        };
        Next::Begin(self.order())
    }

    fn switch(&mut self, tick: u64, speed: f64) -> Next {
        let off = speed / self.target_rad_per_s - 1.0;
        if off.abs() > BAND {
            return Next::GiveUp(format!(
                "the speed left its band: {:+.0} %, expected at most {:.0} % either way; was the throttle moved?",
                100.0 * off,
                100.0 * BAND
            ));
        }
        let tick_hz = self.tick_hz;
        let full_nm = self.absorber.full_torque_nm(self.target_rad_per_s);
        let (inertia_kg_m2, target) = (self.inertia_kg_m2, self.target_rad_per_s);
        let Phase::Switching {
            since,
            switched,
            middle_nm,
            next_nm,
            held_nm,
            brakes,
            halves_s,
            before_rad_per_s,
            speeds,
            ..
        } = &mut self.phase
        else {
            return Next::Wait;
        };
        let seconds = |from: u64| tick.saturating_sub(from) as f64 / tick_hz;
        let (all_s, half_s) = (seconds(*since), seconds(*switched));
        if all_s > SWITCHING_S && self.switches >= SWITCHES {
            return Next::Done;
        }
        if all_s > SWITCHING_S_MAX {
            return Next::GiveUp(format!(
                "the output was switched {} times in {all_s:.0} s, expected {SWITCHES}: the stand is too slow",
                self.switches
            ));
        }
        // Two long turns, two short ones: the speed goes to and fro about its target.
        let turn_s = |turn: u32| match turn % 4 {
            0 | 1 => halves_s.0,
            _ => halves_s.1,
        };
        let planned_s = if self.switches == 0 {
            turn_s(0) / 2.0
        } else {
            (turn_s(self.switches - 1) + turn_s(self.switches)) / 2.0
        };
        let sign = if *brakes { 1.0 } else { -1.0 };
        if half_s < planned_s && sign * off > -FAR {
            return Next::Wait;
        }
        let mean = if speeds.1 > 0.0 {
            speeds.0 / speeds.1
        } else {
            target
        };
        let away = (*before_rad_per_s + mean) / 2.0 - target;
        *held_nm += inertia_kg_m2 * away / BACK_S * half_s / LEARNS_S;
        *middle_nm = *next_nm;
        *next_nm =
            (*held_nm + inertia_kg_m2 * away / BACK_S).clamp(LOW.0 * full_nm, LOW.1 * full_nm);
        *before_rad_per_s = mean;
        *speeds = (0.0, 0.0);
        *brakes = !*brakes;
        *switched = tick;
        self.switches += 1;
        Next::Order(self.order())
    }

    fn order(&self) -> LoadOrder {
        let full_nm = self.absorber.full_torque_nm(self.target_rad_per_s);
        let torque_nm = match self.phase {
            Phase::Settling { .. } => 0.0,
            Phase::Switching {
                middle_nm,
                swing_nm,
                brakes: true,
                ..
            } => middle_nm + swing_nm,
            Phase::Switching {
                middle_nm,
                swing_nm,
                ..
            } => middle_nm - swing_nm,
        };
        LoadOrder::Output {
            share: self
                .absorber
                .output_for((torque_nm / full_nm).clamp(0.0, 1.0)),
        }
    }
}
