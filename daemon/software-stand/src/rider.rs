//! The person at the stand, who makes one pull after another.

use std::collections::VecDeque;

use super::model::StandModel;
use super::noise::{Noise, Stream};
use super::step::{Controls, STEP_S};
use super::torque_curve::rad_per_s;

/// Steps between two looks at the gauges.
pub(super) const STEPS_PER_LOOK: u64 = 20;

/// Time between two looks at the gauges, s.
const LOOK_S: f64 = STEPS_PER_LOOK as f64 * STEP_S;

/// Events kept for a test that doesn't fetch them; the oldest go first.
const EVENTS_MAX: usize = 1_024;

/// What the person does: warm up, then `pulls` times hold the start speed, open the throttle
/// fully up to the end speed (against an absorber, where the stand has one), close it with clutch out and ignition off, let the drum coast, brake
/// it down, pause.
///
/// After a cut the person closes everything, brakes to a standstill, waits for the release and
/// makes that pull again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RiderScript {
    /// Pulls to make.
    pub pulls: u32,
    /// Crank speed while warming up, rad/s.
    pub warm_up_rad_per_s: f64,
    /// Temperature of the head's sensor from which the engine is warm, K.
    pub warm_k: f64,
    /// Crank speed a pull starts from, rad/s.
    pub start_rad_per_s: f64,
    /// Crank speed a pull ends at, rad/s.
    pub end_rad_per_s: f64,
    /// Time the start speed is held, s.
    pub hold_s: f64,
    /// By how much that time scatters, s, rms.
    pub hold_scatter_s: f64,
    /// Time the throttle takes from where it is to fully open, s.
    pub opening_s: f64,
    /// Time the drum coasts freely after a pull, s.
    pub coast_s: f64,
    /// How fast the drum is braked after that, rad/s².
    pub braking_rad_per_s2: f64,
    /// Drum speed from which on it is braked, rad/s; above that it runs out by itself.
    pub braked_below_rad_per_s: f64,
    /// Pause at idle after braking, s.
    pub pause_s: f64,
    /// Time that an absorber takes for the way from start to end speed, s; without one nothing but
    /// inertia holds the engine back.
    pub sweep_s: Option<f64>,
}

impl RiderScript {
    /// Pulls from 3000 to 9000 rev/min, quick enough that nine of them fit in a minute.
    #[must_use]
    pub fn pit_bike(pulls: u32) -> Self {
        Self {
            pulls,
            warm_up_rad_per_s: rad_per_s(2_500.0),
            warm_k: 355.5,
            start_rad_per_s: rad_per_s(3_000.0),
            end_rad_per_s: rad_per_s(9_000.0),
            hold_s: 0.4,
            hold_scatter_s: 0.1,
            opening_s: 0.06,
            coast_s: 0.5,
            braking_rad_per_s2: 80.0,
            braked_below_rad_per_s: f64::INFINITY,
            pause_s: 0.3,
            sweep_s: None,
        }
    }
}

/// What the person did, for tests only: the reduction never sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RiderEvent {
    /// The throttle began to open for a pull.
    PullStarted {
        /// Number of the pull, from 1.
        pull: u32,
        /// Board-independent time since the stand was switched on, s.
        at_s: f64,
    },
    /// The throttle was closed at the end of a pull.
    PullEnded {
        /// Number of the pull, from 1.
        pull: u32,
        /// Time since the stand was switched on, s.
        at_s: f64,
        /// Whether it reached its end speed; if not, a cut ended it and it is made again.
        complete: bool,
        /// The engine's torque in this pull over its torque at standard air.
        torque_factor: f64,
    },
    /// The last pull is made and the drum stands still.
    Done {
        /// Time since the stand was switched on, s.
        at_s: f64,
    },
}

/// What the person sees and hears.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gauges {
    pub(super) now_s: f64,
    pub(super) crank_rad_per_s: f64,
    pub(super) drum_rad_per_s: f64,
    pub(super) sensor_k: f64,
    pub(super) cut: bool,
    pub(super) torque_factor: f64,
}

#[derive(Clone, Copy, Debug)]
enum Phase {
    WarmUp,
    Hold {
        until_s: f64,
    },
    Pull {
        since_s: f64,
    },
    Coast {
        until_s: f64,
    },
    Brake,
    Pause {
        until_s: f64,
    },
    /// Cut by the board: brake to a standstill and wait for the release.
    Stopped,
    /// All pulls made: brake to a standstill.
    LastBrake,
    Done,
}

/// The person, somewhere in the script.
#[derive(Clone, Debug)]
pub(super) struct Rider {
    script: RiderScript,
    phase: Phase,
    pull: u32,
    throttle: f64,
    /// Throttle the speed has needed lately.
    steady_throttle: f64,
    noise: Noise,
    events: VecDeque<RiderEvent>,
}

impl Rider {
    pub(super) fn new(script: RiderScript, seed: u64) -> Self {
        Self {
            script,
            phase: Phase::WarmUp,
            pull: 1,
            throttle: 0.0,
            steady_throttle: 0.0,
            noise: Noise::new(seed, Stream::Rider),
            events: VecDeque::new(),
        }
    }

    pub(super) fn take_events(&mut self) -> Vec<RiderEvent> {
        self.events.drain(..).collect()
    }

    /// Looks at the gauges and moves throttle, clutch, ignition and brake.
    pub(super) fn act(&mut self, model: &StandModel, gauges: &Gauges) -> Controls {
        self.next_phase(model, gauges);
        let braking_nm = if gauges.drum_rad_per_s < self.script.braked_below_rad_per_s {
            self.script.braking_rad_per_s2 * model.drum.inertia_kg_m2
        } else {
            0.0
        };
        let running = |throttle| Controls {
            throttle,
            ignition: true,
            clutch: true,
            brake_nm: 0.0,
        };
        let stopping = |brake_nm| Controls {
            throttle: 0.0,
            ignition: false,
            clutch: false,
            brake_nm,
        };
        match self.phase {
            Phase::WarmUp => running(self.keep_speed(self.script.warm_up_rad_per_s, gauges)),
            Phase::Hold { .. } => running(self.keep_speed(self.script.start_rad_per_s, gauges)),
            Phase::Pull { since_s } => {
                self.throttle = (self.throttle + LOOK_S / self.script.opening_s).min(1.0);
                Controls {
                    brake_nm: self.absorbed_nm(model, gauges, since_s),
                    ..running(self.throttle)
                }
            }
            Phase::Coast { .. } => stopping(0.0),
            Phase::Brake | Phase::Stopped | Phase::LastBrake => stopping(braking_nm),
            Phase::Pause { .. } => Controls {
                ignition: true,
                ..stopping(0.0)
            },
            Phase::Done => Controls {
                ignition: true,
                ..stopping(0.0)
            },
        }
    }

    fn next_phase(&mut self, model: &StandModel, gauges: &Gauges) {
        let Gauges {
            now_s,
            crank_rad_per_s,
            drum_rad_per_s,
            cut,
            ..
        } = *gauges;
        let script = self.script;
        self.phase = match self.phase {
            Phase::Pull { .. } if cut => {
                self.end_pull(gauges, false);
                Phase::Stopped
            }
            Phase::WarmUp | Phase::Hold { .. } | Phase::Pause { .. } if cut => Phase::Stopped,
            Phase::WarmUp if script.pulls == 0 => Phase::LastBrake,
            Phase::WarmUp if gauges.sensor_k >= script.warm_k => self.hold(now_s),
            Phase::Hold { until_s } => {
                let off = (crank_rad_per_s / script.start_rad_per_s - 1.0).abs();
                if off > 0.05 {
                    self.hold(now_s)
                } else if now_s >= until_s {
                    self.note(RiderEvent::PullStarted {
                        pull: self.pull,
                        at_s: now_s,
                    });
                    Phase::Pull { since_s: now_s }
                } else {
                    self.phase
                }
            }
            Phase::Pull { .. } if crank_rad_per_s >= script.end_rad_per_s => {
                self.end_pull(gauges, true);
                self.pull += 1;
                Phase::Coast {
                    until_s: now_s + script.coast_s,
                }
            }
            Phase::Coast { until_s } if now_s >= until_s && self.pull > script.pulls => {
                Phase::LastBrake
            }
            Phase::Coast { until_s } if now_s >= until_s => Phase::Brake,
            Phase::Brake if drum_rad_per_s <= 0.9 * script.start_rad_per_s / model.ratio => {
                Phase::Pause {
                    until_s: now_s + script.pause_s,
                }
            }
            Phase::Pause { until_s } if now_s >= until_s => self.hold(now_s),
            Phase::Stopped if !cut && drum_rad_per_s <= 0.0 => self.hold(now_s),
            Phase::LastBrake if drum_rad_per_s <= 0.0 => {
                self.note(RiderEvent::Done { at_s: now_s });
                Phase::Done
            }
            unchanged => unchanged,
        };
    }

    fn hold(&mut self, now_s: f64) -> Phase {
        let scatter_s = self.noise.normal(self.script.hold_scatter_s);
        Phase::Hold {
            until_s: now_s + (self.script.hold_s + scatter_s).max(0.0),
        }
    }

    /// Throttle that keeps a speed, found by ear: proportional and integral.
    fn keep_speed(&mut self, speed_rad_per_s: f64, gauges: &Gauges) -> f64 {
        const PER_RAD_PER_S: f64 = 0.02;
        const PER_RAD: f64 = 0.02;
        /// Nobody opens further to reach a speed that is to be held.
        const GENTLE: f64 = 0.6;
        let short = speed_rad_per_s - gauges.crank_rad_per_s;
        self.steady_throttle = (self.steady_throttle + PER_RAD * LOOK_S * short).clamp(0.0, GENTLE);
        self.throttle = (self.steady_throttle + PER_RAD_PER_S * short).clamp(0.0, GENTLE);
        self.throttle
    }

    /// What an absorber takes so that the speed rises evenly, N·m at the drum: what the engine gives
    /// by then, and a correction of the speed.
    fn absorbed_nm(&self, model: &StandModel, gauges: &Gauges, since_s: f64) -> f64 {
        /// How quickly it comes back to the speed it should have, 1/s.
        const CORRECTION_PER_S: f64 = 20.0;
        let RiderScript {
            start_rad_per_s,
            end_rad_per_s,
            sweep_s,
            ..
        } = self.script;
        let Some(sweep_s) = sweep_s else {
            return 0.0;
        };
        let rising = (end_rad_per_s - start_rad_per_s) / sweep_s;
        let wanted = start_rad_per_s + rising * (gauges.now_s - since_s);
        let crank = gauges.crank_rad_per_s;
        let engine_nm =
            self.throttle * gauges.torque_factor * model.engine.full_throttle.torque_nm(crank);
        let faster = (rising + CORRECTION_PER_S * (wanted - crank)) / model.ratio;
        let taken_nm = model.ratio * engine_nm
            - model.drum.losses.torque_nm(gauges.drum_rad_per_s)
            - model.locked_inertia_kg_m2() * faster;
        taken_nm.max(0.0)
    }

    fn end_pull(&mut self, gauges: &Gauges, complete: bool) {
        self.note(RiderEvent::PullEnded {
            pull: self.pull,
            at_s: gauges.now_s,
            complete,
            torque_factor: gauges.torque_factor,
        });
    }

    fn note(&mut self, event: RiderEvent) {
        if self.events.len() == EVENTS_MAX {
            self.events.pop_front();
        }
        self.events.push_back(event);
    }
}
