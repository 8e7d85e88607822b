//! The latest value of everything that can be watched, in SI.

use leverarm_config::{ChannelId, Pickup, Shaft, Signal, Source, Stand};
use leverarm_filters::live::LowPass;
use leverarm_filters::teeth::Edge;
use leverarm_protocol::{ChannelKind, Hello};
use leverarm_torque::reduce::LoadCellModel;
use leverarm_torque::sensor::Law;

use crate::pulses::{inputs, period_counts};

use super::presence::Presence;
use super::wheel::{Mark, SeenTooth, Wheel};

const FORCE_CUTOFF_HZ: f64 = 5.0;

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

#[derive(Debug)]
struct ChannelState {
    law: Law,
    source: Source,
    cold_junction: Option<ChannelId>,
    expected_si: Option<(f64, f64)>,
    value: Value,
    at_us: Option<u64>,
    presence: Presence,
}

#[derive(Debug)]
struct ForceState {
    channel: u8,
    newton_per_count: f64,
    zero_counts: f64,
    /// As calibrated; stands before the two above.
    calibrated: Option<LoadCellModel>,
    low_pass: Option<LowPass>,
    newton: Option<f64>,
    at_us: Option<u64>,
    presence: Presence,
}

#[derive(Debug)]
pub(super) struct Signals {
    wheels: Vec<Wheel>,
    channels: Vec<ChannelState>,
    force: Option<ForceState>,
    /// Inputs that count a flow meter's pulses, each with the tick of its last.
    pulses: Vec<(u8, Option<u64>)>,
    board_us: Option<u64>,
    /// How much later than the smallest delay the board is heard.
    late_us: u64,
    tick_hz: f64,
    engine_per_drum: f64,
    motion: Option<Mark>,
}

impl Signals {
    pub(super) fn new(stand: &Stand) -> Self {
        let engine_per_drum = stand.drive.engine_per_drum.value;
        let channel = |channel: &leverarm_config::Channel| ChannelState {
            law: channel.law,
            source: channel.source,
            cold_junction: channel.cold_junction,
            expected_si: channel.expected_si,
            value: Value::Unknown,
            at_us: None,
            presence: Presence::default(),
        };
        Self {
            wheels: stand
                .pickups
                .iter()
                .map(|pickup| Wheel::new(*pickup, stand))
                .collect(),
            channels: stand.channels.iter().map(channel).collect(),
            force: stand.load_cell.as_ref().map(|cell| ForceState {
                channel: cell.channel,
                newton_per_count: cell.newton_per_count.value * cell.sign,
                zero_counts: cell.zero_counts,
                calibrated: None,
                low_pass: None,
                newton: None,
                at_us: None,
                presence: Presence::default(),
            }),
            pulses: inputs(stand).map(|number| (number, None)).collect(),
            board_us: None,
            late_us: 0,
            tick_hz: 0.0,
            engine_per_drum,
            motion: None,
        }
    }

    /// Forgets all values: a new connection, or a board that began anew. Ages go on, since silence
    /// does not end with them.
    pub(super) fn reset(&mut self) {
        for wheel in &mut self.wheels {
            wheel.reset();
        }
        for channel in &mut self.channels {
            channel.value = Value::Unknown;
            channel.presence = Presence::default();
        }
        if let Some(force) = &mut self.force {
            force.newton = None;
            force.presence = Presence::default();
        }
        self.late_us = 0;
        for (_, last) in &mut self.pulses {
            *last = None;
        }
        self.tick_hz = 0.0;
        self.motion = None;
    }

    /// The load cell was calibrated: its filter begins anew from the next sample.
    pub(super) fn calibrated(&mut self, model: Option<&LoadCellModel>) {
        if let Some(force) = &mut self.force {
            force.calibrated = model.cloned();
            force.newton = None;
        }
    }

    /// The board said what it has. From now on it has to send it.
    pub(super) fn board(&mut self, stand: &Stand, hello: &Hello<'_>, mono_us: u64) {
        self.tick_hz = f64::from(hello.tick_hz);
        for wheel in &mut self.wheels {
            wheel.board(self.tick_hz);
        }
        let rate_of = |kind, number| {
            let mut listed = hello.channels();
            listed
                .find(|c| c.kind == kind && c.number == number)
                .map(|c| c.rate_hz)
        };
        for channel in &mut self.channels {
            channel.at_us.get_or_insert(mono_us);
            let rate_hz = match channel.source {
                Source::Analog(number) => rate_of(ChannelKind::Analog, number),
                Source::Temperature(number) => rate_of(ChannelKind::Temperature, number),
                // No flow, no pulses.
                Source::Pulses(_) => Some(0),
            };
            channel.presence.stated(rate_hz, mono_us);
        }
        if let (Some(force), Some(cell)) = (&mut self.force, &stand.load_cell) {
            let rate_hz = rate_of(ChannelKind::Force, cell.channel);
            let rate = rate_hz.map_or(0.0, f64::from);
            force.presence.stated(rate_hz, mono_us);
            // At a rate too low for the cut-off the samples are shown as they are.
            force.low_pass = LowPass::butterworth(2, FORCE_CUTOFF_HZ, rate).ok();
            force.at_us.get_or_insert(mono_us);
        }
    }

    pub(super) fn tick_hz(&self) -> f64 {
        self.tick_hz
    }

    pub(super) fn saw_board(&mut self, mono_us: u64) {
        self.board_us = Some(mono_us);
    }

    /// What the board sends is heard so much later than with the smallest delay.
    pub(super) fn comes_late(&mut self, late_us: u64) {
        self.late_us = late_us;
    }

    /// The pickup that a shaft's speed is taken from: its own, or the other through the drive.
    pub(super) fn speed_source(&self, shaft: Shaft) -> Option<u8> {
        let own = self.wheels.iter().find(|w| w.pickup.shaft == shaft);
        own.or_else(|| self.wheels.first())
            .map(|w| w.pickup.channel)
    }

    /// Pickups that have given no teeth since the board's start: nobody knows whether they work.
    pub(super) fn silent_pickups(&self) -> impl Iterator<Item = &Pickup> {
        let silent = self.wheels.iter().filter(|wheel| !wheel.is_alive());
        silent.map(|wheel| &wheel.pickup)
    }

    /// Takes an edge of a pickup; `None` if it is not the stand's or came too late.
    pub(super) fn edge(&mut self, mono_us: u64, pickup: u8, edge: Edge) -> Option<SeenTooth> {
        let is_engine_source = self.speed_source(Shaft::Engine) == Some(pickup);
        let mut wheels = self.wheels.iter_mut();
        let wheel = wheels.find(|w| w.pickup.channel == pickup)?;
        let seen = wheel.edge(mono_us, edge)?;
        if is_engine_source && seen.mark.is_some() {
            self.motion = seen.mark;
        }
        Some(seen)
    }

    /// Whether an input counts pulses rather than teeth.
    pub(super) fn counts_pulses(&self, pickup: u8) -> bool {
        self.pulses.iter().any(|(number, _)| *number == pickup)
    }

    /// Takes a pulse; gives the counts of its source once there were two.
    pub(super) fn pulse(&mut self, pickup: u8, tick: u64) -> Option<i32> {
        let mut pulses = self.pulses.iter_mut();
        let (_, last) = pulses.find(|(number, _)| *number == pickup)?;
        let before = last.replace(tick)?;
        period_counts(before, tick, self.tick_hz)
    }

    /// True when it is the stand's load cell.
    pub(super) fn force(&mut self, mono_us: u64, channel: u8, counts: i32) -> bool {
        let Some(force) = self.force.as_mut().filter(|f| f.channel == channel) else {
            return false;
        };
        let counts = f64::from(counts);
        let newton = force.calibrated.as_ref().map_or_else(
            || (counts - force.zero_counts) * force.newton_per_count,
            |model| model.force_at_n(counts),
        );
        let filtered = match &mut force.low_pass {
            Some(low_pass) => {
                if force.newton.is_none() {
                    low_pass.settle(newton);
                }
                low_pass.run(newton)
            }
            None => newton,
        };
        force.newton = Some(filtered);
        force.at_us = Some(mono_us);
        force.presence.seen(mono_us);
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
            let Some(channel) = self.channels.get(index).filter(|c| c.source == source) else {
                continue;
            };
            let value = self.converted(stand, index, channel, counts);
            if let Some(channel) = self.channels.get_mut(index) {
                channel.at_us = Some(mono_us);
                channel.presence.seen(mono_us);
                channel.value = value;
            }
            changed.push(ChannelId(index));
        }
        changed
    }

    fn converted(
        &self,
        stand: &Stand,
        index: usize,
        channel: &ChannelState,
        counts: Option<i32>,
    ) -> Value {
        let Some(counts) = counts else {
            return Value::Lost("the board reports the sensor as broken".to_owned(), None);
        };
        let cold = channel
            .cold_junction
            .map(|id| self.value(Signal::Channel(id)));
        if cold == Some(Value::Unknown) {
            return Value::Unknown; // its first sample is still to come
        }
        let si = match channel
            .law
            .si(f64::from(counts), cold.as_ref().and_then(Value::si))
        {
            Ok(si) => si,
            Err(error) => return Value::Lost(error.to_string(), None),
        };
        // A doubtful value is still given, so that a limit on it holds.
        if let Some(Value::Lost(why, _)) = cold {
            return Value::Lost(format!("its cold junction is lost: {why}"), Some(si));
        }
        match channel.expected_si {
            Some((low, high)) if !(low..=high).contains(&si) => {
                let channel = stand.channels.get(index);
                let text = channel.map_or_else(
                    || format!("{si:.3}"),
                    |c| c.quantity.display_unit(&stand.units).text(si, 1),
                );
                Value::Lost(format!("{text} is outside what is expected"), Some(si))
            }
            _ => Value::Good(si),
        }
    }

    /// Newest value of a signal, as it was when it came; lost once its samples stay away while the
    /// board is heard.
    pub(super) fn value(&self, signal: Signal) -> Value {
        if let Some(silent_us) = self.silent_us(signal) {
            let why = format!("no sample for {:.1} s", silent_us as f64 * 1e-6);
            return Value::Lost(why, None);
        }
        match signal {
            Signal::Speed(shaft) => self.guard_speed(shaft).map_or(Value::Unknown, Value::Good),
            Signal::LoadCell => {
                let newton = self.force.as_ref().and_then(|force| force.newton);
                newton.map_or(Value::Unknown, Value::Good)
            }
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

    /// For how long the samples of an input have stayed away, if that is too long for its rate.
    pub(super) fn silent_us(&self, signal: Signal) -> Option<u64> {
        let presence = match signal {
            Signal::Channel(id) => &self.channels.get(id.0)?.presence,
            Signal::LoadCell => &self.force.as_ref()?.presence,
            Signal::Speed(_) | Signal::Board => return None,
        };
        presence.silent_us(self.board_us?)
    }

    fn wheel_of(&self, shaft: Shaft) -> Option<&Wheel> {
        let source = self.speed_source(shaft)?;
        self.wheels.iter().find(|w| w.pickup.channel == source)
    }

    fn to_shaft(&self, wheel: &Wheel, shaft: Shaft) -> f64 {
        match shaft {
            Shaft::Engine => wheel.engine_per_wheel(),
            Shaft::Drum => wheel.engine_per_wheel() / self.engine_per_drum,
        }
    }

    /// Speed over the last two pitches: what guards look at.
    fn guard_speed(&self, shaft: Shaft) -> Option<f64> {
        let wheel = self.wheel_of(shaft)?;
        Some(wheel.guard_rad_per_s()? * self.to_shaft(wheel, shaft))
    }

    /// Speed at a board tick: falls when teeth stay away. `None` before the first hello.
    pub(super) fn speed_at(&self, shaft: Shaft, tick: u64) -> Option<f64> {
        let wheel = self.wheel_of(shaft)?;
        Some(wheel.rad_per_s_at(tick)? * self.to_shaft(wheel, shaft))
    }

    /// Speed at a board tick while its pickup is known to work: `None` before its first tooth, and
    /// once its teeth ended sooner than the shaft can stop.
    pub(super) fn known_speed_at(&self, shaft: Shaft, tick: u64) -> Option<f64> {
        let works = self.teeth_lost(shaft, tick) == Some(false);
        self.speed_at(shaft, tick).filter(|_| works)
    }

    /// Speed for people to look at: falls when teeth stay away for whatever reason.
    pub(super) fn speed_now(&self, shaft: Shaft, mono_us: u64) -> Option<f64> {
        let wheel = self.wheel_of(shaft)?;
        Some(wheel.rad_per_s_at_host(mono_us)? * self.to_shaft(wheel, shaft))
    }

    /// Whether a shaft's teeth ended sooner than it can stop; see [`Wheel::teeth_lost`].
    pub(super) fn teeth_lost(&self, shaft: Shaft, newest_tick: u64) -> Option<bool> {
        self.wheel_of(shaft)?.teeth_lost(newest_tick)
    }

    /// Whether a shaft turned when its teeth came last, and they have stayed away for whatever
    /// reason, the link's included.
    pub(super) fn teeth_stale(&self, shaft: Shaft, mono_us: u64) -> bool {
        let lost = self.wheel_of(shaft).and_then(|w| w.teeth_stale(mono_us));
        lost.unwrap_or(false)
    }

    /// Board time in µs at a tick, once the tick rate is known.
    pub(super) fn board_us(&self, tick: u64) -> Option<f64> {
        // Whole ones, so that a debounce is not missed by a rounding.
        (self.tick_hz > 0.0).then(|| (tick as f64 / self.tick_hz * 1e6).round())
    }

    /// Age of the newest sample of a signal in ms, its way beyond the quickest included; `None` if
    /// none came.
    pub(super) fn age_ms(&self, signal: Signal, mono_us: u64) -> Option<f64> {
        let at_us = match signal {
            Signal::Speed(shaft) => self.wheel_of(shaft)?.last_us(),
            Signal::LoadCell => self.force.as_ref()?.at_us,
            Signal::Board => self.board_us,
            Signal::Channel(id) => self.channels.get(id.0)?.at_us,
        }?;
        let age_us = mono_us.saturating_sub(at_us).saturating_add(self.late_us);
        Some(age_us as f64 * 1e-3)
    }

    /// Whole-turn motion of the engine as last seen.
    pub(super) fn motion(&self) -> Option<Mark> {
        self.motion
    }
}
