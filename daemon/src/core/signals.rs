//! The latest value of everything that can be watched, in SI.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use leverarm_config::{ChannelId, Pickup, Shaft, Signal, Source, Stand};
use leverarm_filters::live::LowPass;
use leverarm_filters::teeth::{Edge, Tooth, ToothKind, ToothTracker};
use leverarm_protocol::{ChannelKind, Hello};
use leverarm_torque::sensor::Law;

/// A wheel without an edge for this long has stopped.
const STANDSTILL_S: f64 = 0.5;
/// Shortest time over which a whole-turn speed is taken.
const MARK_S_MIN: f64 = 0.02;
const MARKS: usize = 12;
/// Stretch over which the live acceleration is taken.
const SLOPE_S: f64 = 0.25;
const FORCE_CUTOFF_HZ: f64 = 5.0;
/// A drum or engine can't stop within this time: teeth that end sooner are a lost sensor.
const LOST_TEETH_S: f64 = 0.1;
/// Below this speed teeth may well stay away.
const LOST_TEETH_RAD_PER_S: f64 = 20.0;

/// A value as a guard sees it.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    /// Nothing came yet.
    Unknown,
    /// A believable value, SI.
    Good(f64),
    /// The sensor can't be right: why, and the value where there is one.
    Lost(String, Option<f64>),
}

impl Value {
    pub(super) fn si(&self) -> Option<f64> {
        match self {
            Self::Good(value) => Some(*value),
            Self::Lost(_, value) => *value,
            Self::Unknown => None,
        }
    }
}

/// Whole-turn motion of a wheel, as the pull finder wants it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Mark {
    pub(super) tick: u64,
    /// Speed of the engine, rad/s.
    pub(super) engine_rad_per_s: f64,
    /// Acceleration of the engine, rad/s².
    pub(super) engine_rad_per_s2: f64,
}

pub(super) struct SeenTooth {
    pub(super) tooth: Tooth,
    pub(super) mark: Option<Mark>,
}

#[derive(Debug)]
struct Wheel {
    pickup: Pickup,
    engine_per_wheel: f64,
    tracker: Option<ToothTracker>,
    marks: VecDeque<(u64, i64)>,
    last_us: Option<u64>,
    last_tick: u64,
    faults: Vec<(&'static str, u64, u64)>,
}

impl Wheel {
    /// Teeth of `turns` whole turns, enough for a working cycle.
    fn mark_teeth(&self) -> i64 {
        let turns = if self.pickup.shaft == Shaft::Engine {
            2
        } else {
            1
        };
        i64::from(self.pickup.teeth) * turns
    }

    fn mark(&mut self, tooth: &Tooth, tick_hz: f64) -> Option<Mark> {
        let step = self.mark_teeth();
        let Some((tick, index)) = self.marks.back().copied() else {
            self.marks.push_back((tooth.tick, tooth.index));
            return None;
        };
        let teeth = tooth.index - index;
        let seconds = tooth.tick.saturating_sub(tick) as f64 / tick_hz;
        if teeth < step || teeth % step != 0 || seconds < MARK_S_MIN {
            if teeth > step && teeth % step != 0 {
                return None; // a missed tooth: wait for the next whole turn
            }
            return None;
        }
        if self.marks.len() == MARKS {
            self.marks.pop_front();
        }
        self.marks.push_back((tooth.tick, tooth.index));
        self.motion(tick_hz)
    }

    /// Speed over the last mark, and acceleration over [`SLOPE_S`] or what there is.
    fn motion(&self, tick_hz: f64) -> Option<Mark> {
        let pitch = TAU / f64::from(self.pickup.teeth.max(1));
        let n = self.marks.len();
        let omega = |later: usize| {
            let (t1, i1) = self.marks[later];
            let (t0, i0) = self.marks[later - 1];
            let seconds = t1.saturating_sub(t0).max(1) as f64 / tick_hz;
            pitch * (i1 - i0) as f64 / seconds
        };
        let middle = |later: usize| {
            0.5 * (self.marks[later].0 as f64 + self.marks[later - 1].0 as f64) / tick_hz
        };
        if n < 3 {
            return None;
        }
        let newest = n - 1;
        let mut oldest = newest - 1;
        while oldest > 1 && middle(newest) - middle(oldest) < SLOPE_S {
            oldest -= 1;
        }
        let alpha = (omega(newest) - omega(oldest)) / (middle(newest) - middle(oldest)).max(1e-6);
        Some(Mark {
            tick: self.marks[newest].0,
            engine_rad_per_s: omega(newest) * self.engine_per_wheel,
            engine_rad_per_s2: alpha * self.engine_per_wheel,
        })
    }
}

#[derive(Debug)]
struct ChannelState {
    law: Law,
    source: Source,
    cold_junction: Option<ChannelId>,
    expected_si: Option<(f64, f64)>,
    value: Value,
    at_us: Option<u64>,
}

#[derive(Debug)]
struct ForceState {
    channel: u8,
    newton_per_count: f64,
    zero_counts: f64,
    low_pass: Option<LowPass>,
    settled: bool,
    counts: Option<i32>,
    newton: f64,
    at_us: Option<u64>,
}

#[derive(Debug)]
pub(super) struct Signals {
    wheels: Vec<Wheel>,
    channels: Vec<ChannelState>,
    force: Option<ForceState>,
    board_us: Option<u64>,
    tick_hz: f64,
    engine_per_drum: f64,
    motion: Option<Mark>,
}

impl Signals {
    pub(super) fn new(stand: &Stand) -> Self {
        let engine_per_drum = stand.drive.engine_per_drum.value;
        let wheel = |pickup: &Pickup| Wheel {
            pickup: *pickup,
            engine_per_wheel: stand
                .drive
                .speed_rad_per_s(1.0, pickup.shaft, Shaft::Engine),
            tracker: None,
            marks: VecDeque::with_capacity(MARKS),
            last_us: None,
            last_tick: 0,
            faults: Vec::new(),
        };
        let channel = |channel: &leverarm_config::Channel| ChannelState {
            law: channel.law,
            source: channel.source,
            cold_junction: channel.cold_junction,
            expected_si: channel.expected_si,
            value: Value::Unknown,
            at_us: None,
        };
        Self {
            wheels: stand.pickups.iter().map(wheel).collect(),
            channels: stand.channels.iter().map(channel).collect(),
            force: stand.load_cell.as_ref().map(|cell| ForceState {
                channel: cell.channel,
                newton_per_count: cell.newton_per_count.value * cell.sign,
                zero_counts: cell.zero_counts,
                low_pass: None,
                settled: false,
                counts: None,
                newton: 0.0,
                at_us: None,
            }),
            board_us: None,
            tick_hz: 0.0,
            engine_per_drum,
            motion: None,
        }
    }

    /// Forgets all values: a new connection or a board that began anew.
    pub(super) fn reset(&mut self) {
        for wheel in &mut self.wheels {
            wheel.tracker = None;
            wheel.marks.clear();
            wheel.last_us = None;
        }
        for channel in &mut self.channels {
            channel.value = Value::Unknown;
            channel.at_us = None;
        }
        if let Some(force) = &mut self.force {
            force.settled = false;
            force.counts = None;
            force.at_us = None;
        }
        self.board_us = None;
        self.tick_hz = 0.0;
        self.motion = None;
    }

    /// The board said what it has.
    pub(super) fn board(&mut self, stand: &Stand, hello: &Hello<'_>) {
        self.tick_hz = f64::from(hello.tick_hz);
        for wheel in &mut self.wheels {
            let teeth = u32::from(wheel.pickup.teeth);
            wheel.tracker = Some(ToothTracker::new(self.tick_hz, teeth, STANDSTILL_S));
        }
        if let (Some(force), Some(cell)) = (&mut self.force, &stand.load_cell) {
            let rate = hello
                .channels()
                .find(|c| c.kind == ChannelKind::Force && c.number == cell.channel)
                .map_or(0.0, |c| f64::from(c.rate_hz));
            // At a rate too low for the cut-off the samples are shown as they are.
            force.low_pass = LowPass::butterworth(2, FORCE_CUTOFF_HZ, rate).ok();
        }
    }

    pub(super) fn tick_hz(&self) -> f64 {
        self.tick_hz
    }

    pub(super) fn saw_board(&mut self, mono_us: u64) {
        self.board_us = Some(mono_us);
    }

    /// The pickup that a shaft's speed is taken from: its own, or the other through the drive.
    pub(super) fn speed_source(&self, shaft: Shaft) -> Option<u8> {
        let own = self.wheels.iter().find(|w| w.pickup.shaft == shaft);
        own.or_else(|| self.wheels.first())
            .map(|w| w.pickup.channel)
    }

    pub(super) fn tooth(&mut self, mono_us: u64, pickup: u8, edge: Edge) -> Option<SeenTooth> {
        let tick_hz = self.tick_hz;
        let is_engine_source = self.speed_source(Shaft::Engine) == Some(pickup);
        let wheel = self
            .wheels
            .iter_mut()
            .find(|w| w.pickup.channel == pickup)?;
        let tooth = wheel.tracker.as_mut()?.push(edge);
        wheel.last_us = Some(mono_us);
        wheel.last_tick = wheel.last_tick.max(edge.tick);
        let mark = match tooth.kind {
            ToothKind::Extra => None,
            ToothKind::First | ToothKind::Relocked => {
                wheel.marks.clear();
                wheel.mark(&tooth, tick_hz)
            }
            _ => wheel.mark(&tooth, tick_hz),
        };
        if is_engine_source && mark.is_some() {
            self.motion = mark;
        }
        Some(SeenTooth { tooth, mark })
    }

    pub(super) fn count_tooth_fault(
        &mut self,
        pickup: u8,
        kind: &'static str,
        count: u64,
        mono_us: u64,
    ) {
        let Some(wheel) = self.wheels.iter_mut().find(|w| w.pickup.channel == pickup) else {
            return;
        };
        match wheel.faults.iter_mut().find(|f| f.0 == kind) {
            Some(fault) => fault.1 += count,
            None => wheel.faults.push((kind, count, mono_us)),
        }
    }

    pub(super) fn take_tooth_faults(
        &mut self,
        due: &dyn Fn(u64) -> bool,
    ) -> Vec<(u8, &'static str, u64)> {
        let mut taken = Vec::new();
        for wheel in &mut self.wheels {
            let pickup = wheel.pickup.channel;
            wheel.faults.retain(|(kind, count, since_us)| {
                let take = due(*since_us);
                if take {
                    taken.push((pickup, *kind, *count));
                }
                !take
            });
        }
        taken
    }

    /// True when it is the stand's load cell.
    pub(super) fn force(&mut self, mono_us: u64, channel: u8, counts: i32) -> bool {
        let Some(force) = self.force.as_mut().filter(|f| f.channel == channel) else {
            return false;
        };
        let newton = (f64::from(counts) - force.zero_counts) * force.newton_per_count;
        force.newton = match &mut force.low_pass {
            Some(low_pass) => {
                if !force.settled {
                    low_pass.settle(newton);
                }
                low_pass.run(newton)
            }
            None => newton,
        };
        force.settled = true;
        force.counts = Some(counts);
        force.at_us = Some(mono_us);
        true
    }

    /// Takes a sample and returns the channels that have a new value.
    pub(super) fn sample(
        &mut self,
        stand: &Stand,
        mono_us: u64,
        source: Source,
        counts: Option<i32>,
    ) -> Vec<ChannelId> {
        let mut changed = Vec::new();
        for index in 0..self.channels.len() {
            if self.channels[index].source != source {
                continue;
            }
            let cold_k = self.channels[index]
                .cold_junction
                .and_then(|id| self.channels.get(id.0))
                .and_then(|cold| cold.value.si());
            let channel = &mut self.channels[index];
            channel.at_us = Some(mono_us);
            channel.value = match counts {
                None => Value::Lost("the board reports the sensor as broken".to_owned(), None),
                Some(counts) => match channel.law.si(f64::from(counts), cold_k) {
                    Err(error) => Value::Lost(error.to_string(), None),
                    Ok(value) => match channel.expected_si {
                        Some((low, high)) if !(low..=high).contains(&value) => {
                            let unit = stand
                                .channels
                                .get(index)
                                .map(|c| c.quantity.display_unit(&stand.units));
                            let text =
                                unit.map_or_else(|| format!("{value:.3}"), |u| u.text(value, 1));
                            Value::Lost(format!("{text} is outside what is expected"), Some(value))
                        }
                        _ => Value::Good(value),
                    },
                },
            };
            changed.push(ChannelId(index));
        }
        changed
    }

    /// Newest value of a signal, as it was when it came.
    pub(super) fn value(&self, signal: Signal) -> Value {
        match signal {
            Signal::Speed(shaft) => self.guard_speed(shaft).map_or(Value::Unknown, Value::Good),
            Signal::LoadCell => match &self.force {
                Some(force) if force.at_us.is_some() => Value::Good(force.newton),
                _ => Value::Unknown,
            },
            Signal::Board => match self.board_us {
                Some(_) => Value::Good(0.0),
                None => Value::Unknown,
            },
            Signal::Channel(id) => self
                .channels
                .get(id.0)
                .map_or(Value::Unknown, |channel| channel.value.clone()),
        }
    }

    fn wheel_of(&self, shaft: Shaft) -> Option<&Wheel> {
        let source = self.speed_source(shaft)?;
        self.wheels.iter().find(|w| w.pickup.channel == source)
    }

    fn to_shaft(&self, wheel: &Wheel, shaft: Shaft) -> f64 {
        match shaft {
            Shaft::Engine => wheel.engine_per_wheel,
            Shaft::Drum => wheel.engine_per_wheel / self.engine_per_drum,
        }
    }

    /// Speed over the last two pitches: what guards look at.
    fn guard_speed(&self, shaft: Shaft) -> Option<f64> {
        let wheel = self.wheel_of(shaft)?;
        let omega = wheel.tracker.as_ref()?.omega_rad_per_s()?;
        Some(omega * self.to_shaft(wheel, shaft))
    }

    /// Speed now: falls when teeth stay away. `None` before the first hello.
    pub(super) fn speed_now(&self, shaft: Shaft, mono_us: u64) -> Option<f64> {
        let wheel = self.wheel_of(shaft)?;
        let tracker = wheel.tracker.as_ref()?;
        let since_us = mono_us.saturating_sub(wheel.last_us.unwrap_or(0));
        let now_tick = wheel
            .last_tick
            .saturating_add(ticks(since_us, self.tick_hz));
        Some(tracker.omega_at_rad_per_s(now_tick) * self.to_shaft(wheel, shaft))
    }

    /// Whether a shaft's teeth ended sooner than it can stop.
    pub(super) fn teeth_lost(&self, shaft: Shaft, mono_us: u64) -> bool {
        let Some(wheel) = self.wheel_of(shaft) else {
            return false;
        };
        let (Some(tracker), Some(last_us)) = (&wheel.tracker, wheel.last_us) else {
            return false;
        };
        let Some(omega) = tracker.omega_rad_per_s() else {
            return false;
        };
        let since_s = mono_us.saturating_sub(last_us) as f64 * 1e-6;
        let pitches = since_s * omega / tracker.pitch_rad();
        // While it still counts as turning; a wheel at standstill is nobody's fault.
        omega > LOST_TEETH_RAD_PER_S
            && pitches > 6.0
            && (LOST_TEETH_S..4.0 * STANDSTILL_S).contains(&since_s)
    }

    /// Age of the newest sample of a signal in ms; `None` if none came.
    pub(super) fn age_ms(&self, signal: Signal, mono_us: u64) -> Option<f64> {
        let at_us = match signal {
            Signal::Speed(shaft) => self.wheel_of(shaft)?.last_us,
            Signal::LoadCell => self.force.as_ref()?.at_us,
            Signal::Board => self.board_us,
            Signal::Channel(id) => self.channels.get(id.0)?.at_us,
        }?;
        Some(mono_us.saturating_sub(at_us) as f64 * 1e-3)
    }

    /// Whole-turn motion of the engine as last seen.
    pub(super) fn motion(&self) -> Option<Mark> {
        self.motion
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "float `as` saturates, and both factors are positive"
)]
fn ticks(us: u64, tick_hz: f64) -> u64 {
    (us as f64 * 1e-6 * tick_hz) as u64
}
