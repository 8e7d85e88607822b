//! Speeds over whole turns, in which the spacing of the teeth cancels.

use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::sync::Arc;

use leverarm_config::{Pickup, Shaft, Signal};
use leverarm_filters::teeth::{Edge, ToothKind, ToothTracker};
use leverarm_protocol::BoardMessage;

use super::{CalibratedStand, Sample, Value};

/// A turn of a wheel that takes longer is no speed.
const TURN_S_MAX: f64 = 2.0;
/// A wheel without an edge for this long has stopped.
const STANDSTILL_S: f64 = 0.5;

/// The wheels of a stand on one connection to its board.
#[derive(Debug)]
pub struct Speeds {
    of: Arc<CalibratedStand>,
    tick_hz: f64,
    wheels: Vec<Wheel>,
}

/// A wheel, and where in its last turn it is.
#[derive(Debug)]
struct Wheel {
    pickup: Pickup,
    tracker: ToothTracker,
    last_tick: Option<u64>,
    /// The teeth of the last turn: index and tick.
    turn: VecDeque<(i64, u64)>,
    /// Shafts whose speed is taken from this wheel.
    feeds: Vec<Shaft>,
}

impl Speeds {
    /// Nothing heard yet, from a board with so many ticks a second.
    #[must_use]
    pub fn new(of: Arc<CalibratedStand>, tick_hz: f64) -> Self {
        let pickups = &of.stand().pickups;
        // A shaft without a pickup of its own turns with the first one's, through the drive.
        let source_of = |shaft: Shaft| pickups.iter().position(|p| p.shaft == shaft).unwrap_or(0);
        let wheels = pickups.iter().enumerate().map(|(index, pickup)| {
            let shafts = [Shaft::Drum, Shaft::Engine].into_iter();
            Wheel {
                pickup: *pickup,
                tracker: ToothTracker::new(tick_hz, u32::from(pickup.teeth), STANDSTILL_S),
                last_tick: None,
                turn: VecDeque::new(),
                feeds: shafts.filter(|shaft| source_of(*shaft) == index).collect(),
            }
        });
        Self {
            wheels: wheels.collect(),
            of,
            tick_hz,
        }
    }

    /// Other calibrations of the same stand are in force from now on.
    pub fn calibrated(&mut self, of: Arc<CalibratedStand>) {
        self.of = of;
    }

    /// Takes a message that came at this tick, and gives the speed of each shaft over each turn that
    /// ends in it to `sink`, in rad/s.
    pub fn take(&mut self, tick: u64, message: &BoardMessage<'_>, sink: &mut impl FnMut(Sample)) {
        let BoardMessage::Teeth(teeth) = message else {
            return;
        };
        let mut wheels = self.wheels.iter_mut();
        let Some(wheel) = wheels.find(|wheel| wheel.pickup.channel == teeth.pickup) else {
            return;
        };
        for (number, tick) in (u64::from(teeth.first_tooth)..).zip(teeth.ticks(tick)) {
            let Some(rad_per_s) = wheel.push(Edge { tick, number }, self.tick_hz) else {
                continue;
            };
            for shaft in &wheel.feeds {
                let speed = self
                    .of
                    .speed_rad_per_s(rad_per_s, wheel.pickup.shaft, *shaft);
                sink(Sample {
                    signal: Signal::Speed(*shaft),
                    tick,
                    counts: None,
                    value: Value::Good(speed),
                });
            }
        }
    }
}

impl Wheel {
    /// Speed in rad/s over the turn that ends with this edge.
    fn push(&mut self, edge: Edge, tick_hz: f64) -> Option<f64> {
        // A frame that was late or came twice: its teeth are in the turn's count already.
        if self.last_tick.is_some_and(|last| edge.tick <= last) {
            return None;
        }
        self.last_tick = Some(edge.tick);
        let tooth = self.tracker.push(edge);
        match tooth.kind {
            ToothKind::Extra => return None,
            ToothKind::First | ToothKind::Relocked => self.turn.clear(),
            ToothKind::Regular | ToothKind::Irregular { .. } | ToothKind::AfterMissed { .. } => {}
        }
        let teeth = i64::from(self.pickup.teeth);
        self.turn.push_back((tooth.index, tooth.tick));
        let before = |(index, _): &(i64, u64)| *index < tooth.index - teeth;
        while self.turn.front().is_some_and(before) {
            self.turn.pop_front();
        }
        let (index, tick) = self.turn.front()?;
        let seconds = tooth.tick.saturating_sub(*tick) as f64 / tick_hz;
        (*index == tooth.index - teeth && seconds > 0.0 && seconds <= TURN_S_MAX)
            .then(|| TAU / seconds)
    }
}
