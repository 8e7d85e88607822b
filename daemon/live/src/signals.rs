//! The latest value of everything that can be watched, in SI.

use std::sync::Arc;

use leverarm_config::{ChannelId, Shaft, Signal, Source};
use leverarm_filters::live::LowPass;
use leverarm_filters::teeth::Edge;
use leverarm_protocol::{BoardMessage, ChannelKind, Hello};
use leverarm_torque::sensor::Law;

use leverarm_values::{CalibratedStand, Lost, Sample, Sensors, Value};

use super::presence::Presence;
use super::wheel::{Mark, SeenTooth, Wheel};

/// A pulse that is late by less than this share of the time between two says nothing.
const PULSE_LATE: f64 = 1.5;
const FORCE_CUTOFF_HZ: f64 = 5.0;

/// The newest value of the load cell or a channel.
#[derive(Debug, Default)]
struct Latest {
    value: Value,
    at_us: Option<u64>,
    presence: Presence,
}

#[derive(Debug)]
pub(super) struct Signals {
    wheels: Vec<Wheel>,
    sensors: Sensors,
    channels: Vec<Latest>,
    /// The load cell, smoothed.
    force: Latest,
    force_low_pass: Option<LowPass>,
    board_us: Option<u64>,
    /// How much later than the smallest delay the board is heard.
    late_us: u64,
    engine_per_drum: f64,
    motion: Option<Mark>,
}

impl Signals {
    pub(super) fn new(of: Arc<CalibratedStand>) -> Self {
        let stand = of.stand();
        let wheels = stand.pickups.iter();
        Self {
            wheels: wheels.map(|pickup| Wheel::new(*pickup, stand)).collect(),
            channels: stand.channels.iter().map(|_| Latest::default()).collect(),
            force: Latest::default(),
            force_low_pass: None,
            board_us: None,
            late_us: 0,
            engine_per_drum: stand.drive.engine_per_drum.value,
            motion: None,
            sensors: Sensors::new(of, 0.0),
        }
    }

    /// Forgets all values: a new connection, or a board that began again. Ages go on, since silence
    /// does not end with them.
    pub(super) fn reset(&mut self) {
        for wheel in &mut self.wheels {
            wheel.reset();
        }
        for channel in &mut self.channels {
            channel.value = Value::Unknown;
            channel.presence = Presence::default();
        }
        self.force.value = Value::Unknown;
        self.force.presence = Presence::default();
        self.late_us = 0;
        self.sensors = Sensors::new(Arc::clone(self.sensors.stand()), 0.0);
        self.motion = None;
    }

    /// Other calibrations are in force: the load cell's filter begins again from the next sample.
    pub(super) fn calibrated(&mut self, of: Arc<CalibratedStand>) {
        self.sensors.calibrated(of);
        self.force.value = Value::Unknown;
    }

    /// The board said what it has. From now on it has to send it.
    pub(super) fn board(&mut self, hello: &Hello<'_>, mono_us: u64) {
        let tick_hz = f64::from(hello.tick_hz);
        let of = Arc::clone(self.sensors.stand());
        for wheel in &mut self.wheels {
            wheel.board(tick_hz);
        }
        let rate_of = |kind, number| {
            let mut listed = hello.channels();
            let listed = listed.find(|c| c.kind == kind && c.number == number);
            listed.map(|c| c.rate_hz)
        };
        for (latest, channel) in self.channels.iter_mut().zip(&of.stand().channels) {
            latest.at_us.get_or_insert(mono_us);
            let rate_hz = match channel.source {
                Source::Analog(number) => rate_of(ChannelKind::Analog, number),
                Source::Temperature(number) => rate_of(ChannelKind::Temperature, number),
                // No flow, no pulses.
                Source::Pulses(_) => Some(0),
            };
            latest.presence.stated(rate_hz, mono_us);
        }
        if let Some(cell) = of.cell_channel() {
            let rate_hz = rate_of(ChannelKind::Force, cell);
            self.force.presence.stated(rate_hz, mono_us);
            self.force.at_us.get_or_insert(mono_us);
            // At a rate too low for the cut-off the samples are shown as they are.
            let rate_hz = rate_hz.map_or(0.0, f64::from);
            self.force_low_pass = LowPass::butterworth(2, FORCE_CUTOFF_HZ, rate_hz).ok();
        }
        self.sensors = Sensors::new(of, tick_hz);
    }

    pub(super) fn tick_hz(&self) -> f64 {
        self.sensors.tick_hz()
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
        self.sensors.counts_pulses(pickup)
    }

    /// The samples of load cell and channels in a message, in order; each counts once it was
    /// [taken](Self::sensed).
    pub(super) fn samples(
        &mut self,
        tick: u64,
        message: &BoardMessage<'_>,
        into: &mut Vec<Sample>,
    ) {
        self.sensors
            .take(tick, message, &mut |sample| into.push(sample));
    }

    /// A sample is the newest of its signal.
    pub(super) fn sensed(&mut self, mono_us: u64, sample: Sample) {
        let (slot, value) = match sample.signal {
            Signal::LoadCell => {
                let is_first = self.force.value == Value::Unknown;
                let value = smoothed(self.force_low_pass.as_mut(), is_first, sample.value);
                (&mut self.force, value)
            }
            Signal::Channel(id) => match self.channels.get_mut(id.0) {
                Some(slot) => (slot, sample.value),
                None => return,
            },
            Signal::Speed(_) | Signal::Board => return,
        };
        slot.value = value;
        slot.at_us = Some(mono_us);
        slot.presence.seen(mono_us);
    }

    /// Newest value of a signal, as it was when it came; lost once its samples stay away while the
    /// board is heard.
    pub(super) fn value(&self, signal: Signal) -> Value {
        if let Some(us) = self.silent_us(signal) {
            return Value::Lost(Lost::Silent { us }, None);
        }
        match signal {
            Signal::Speed(shaft) => self.guard_speed(shaft).map_or(Value::Unknown, Value::Good),
            Signal::LoadCell => self.force.value.clone(),
            Signal::Board => match self.board_us {
                Some(_) => Value::Good(0.0),
                None => Value::Unknown,
            },
            Signal::Channel(id) => self.channel_value(id),
        }
    }

    /// Newest value for people to look at: what pulses tell falls while the next one stays away, as no
    /// flow sends none.
    pub(super) fn value_now(&self, signal: Signal, mono_us: u64) -> Value {
        let value = self.value(signal);
        let Signal::Channel(id) = signal else {
            return value;
        };
        let channel = self.sensors.stand().stand().channel(id);
        let law = channel.map(|channel| channel.law);
        match (law, &value, self.age_ms(signal, mono_us)) {
            (Some(Law::Pulses { per_pulse }), Value::Good(flow), Some(age_ms)) => {
                let at_most = PULSE_LATE * per_pulse / (age_ms * 1e-3);
                Value::Good(flow.min(at_most))
            }
            _ => value,
        }
    }

    /// A thermocouple without news of its cold junction is lost as well.
    fn channel_value(&self, id: ChannelId) -> Value {
        let value = self.channels.get(id.0).map(|channel| channel.value.clone());
        let stand = self.sensors.stand().stand();
        let cold = stand.channel(id).and_then(|channel| channel.cold_junction);
        let silent_us = cold.and_then(|cold| self.silent_us(Signal::Channel(cold)));
        match (silent_us, value) {
            (Some(us), Some(value)) if value != Value::Unknown => {
                let why = Lost::ColdJunction(Box::new(Lost::Silent { us }));
                Value::Lost(why, value.si())
            }
            (_, value) => value.unwrap_or_default(),
        }
    }

    /// For how long the samples of an input have stayed away, if that is too long for its rate.
    pub(super) fn silent_us(&self, signal: Signal) -> Option<u64> {
        let presence = match signal {
            Signal::Channel(id) => &self.channels.get(id.0)?.presence,
            Signal::LoadCell => &self.force.presence,
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
        (self.tick_hz() > 0.0).then(|| (tick as f64 / self.tick_hz() * 1e6).round())
    }

    /// Age of the newest sample of a signal in ms, its way beyond the quickest included; `None` if
    /// none came.
    pub(super) fn age_ms(&self, signal: Signal, mono_us: u64) -> Option<f64> {
        let at_us = match signal {
            Signal::Speed(shaft) => self.wheel_of(shaft)?.last_us(),
            Signal::LoadCell => self.force.at_us,
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

/// What the low-pass makes of a force.
fn smoothed(low_pass: Option<&mut LowPass>, is_first: bool, value: Value) -> Value {
    match (low_pass, value) {
        (Some(low_pass), Value::Good(newton)) => {
            if is_first {
                low_pass.settle(newton);
            }
            Value::Good(low_pass.run(newton))
        }
        (_, value) => value,
    }
}
