//! A connected board on the bench: who it is, what its inputs read, and what is wrong with the
//! wiring.
//!
//! Pure: bytes go in, a [`Report`] comes out. What it says of wiring is what the samples show;
//! its limits are common practice, no source.

mod samples;
mod teeth;

use leverarm_config::{Source, Stand};
use leverarm_protocol::{
    BoardMessage, BoardReader, BoardState, Channel, ChannelKind, Counters, CutCause, Form, Hello,
    LinkFault, Reading, Status,
};
use leverarm_torque::comparison::words::counted;
use leverarm_torque::reduce::LoadCellModel;
use serde::Serialize;

use crate::replay::Recording;
use leverarm_values::{CalibratedStand, Value};
use samples::{Detrended, noise_between};
use teeth::Rhythm;

/// A sample rate may be off by this share of what the board announced.
const RATE_OFF_MAX: f64 = 0.05;
/// Least samples that are judged.
const SAMPLES_MIN: usize = 16;
/// Ends of the range of a 24-bit converter.
const RAILS_24_BITS: (f64, f64) = (-8_388_608.0, 8_388_607.0);
/// Greatest counts of analog converters of 10 to 16 bits; the least is 0.
const ANALOG_TOPS: [i32; 5] = [1023, 4095, 16_383, 32_767, 8_191];
/// An input that is at its end so often is there for good.
const AT_END_SHARE: f64 = 0.9;
/// The mean of a few samples that is off zero by so many standard deviations of one is a load.
const LOAD_SIGMAS: f64 = 5.0;
/// A load that goes so much further the wrong way than the right one has the wrong sign.
const WRONG_WAY: f64 = 5.0;

/// What a board says of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Identity {
    /// Its number, as sixteen hexadecimal digits.
    pub board_id: String,
    /// Number of its start.
    pub boot: u16,
    /// Version of its firmware.
    pub firmware: String,
    /// Ticks a second.
    pub tick_hz: u32,
    /// "frames", or "lines" of text.
    pub form: &'static str,
}

impl Identity {
    fn of(hello: &Hello<'_>) -> Self {
        let [major, minor, patch] = hello.firmware;
        Self {
            board_id: format!("{:016x}", hello.board_id),
            boot: hello.boot,
            firmware: format!("{major}.{minor}.{patch}"),
            tick_hz: hello.tick_hz,
            form: "frames",
        }
    }
}

/// State of the cut output, and what the board guards by itself.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct State {
    /// Whether the engine is cut.
    pub cut: bool,
    /// Number of the latest cut; 0: none since the start.
    pub cut_id: u16,
    /// Why, in words.
    pub cause: Option<&'static str>,
    /// Least time between teeth of pickup 0, ticks; 0: no limit.
    pub tooth_period_ticks_min: u32,
    /// Longest time without a heartbeat, ms; 0: not guarded.
    pub heartbeat_timeout_ms: u16,
}

/// What was lost on the way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Loss {
    /// Bytes that came.
    pub bytes: u64,
    /// Sound frames, or lines.
    pub frames: u64,
    /// Frames that never came.
    pub frames_lost: u64,
    /// Frames that came damaged.
    pub frames_damaged: u64,
    /// Edges the board had no time for, since this began.
    pub captures_lost: u32,
    /// Messages of the host that came damaged at the board, since this began.
    pub receive_errors: u32,
}

/// One input of the board.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Input {
    /// What it is on the board: "pickup 0", "force 0", "analog 3", "temperature 1".
    pub input: String,
    /// Its name in the stand file.
    pub name: Option<String>,
    /// Teeth or samples that came.
    pub count: usize,
    /// Those a second.
    pub rate_hz: f64,
    /// Samples a second that the board announced; 0: as they occur.
    pub rate_hz_announced: u16,
    /// The newest sample, counts; none of a pickup, nor of a sensor that is open.
    pub counts: Option<i32>,
    /// The newest value with its unit, where the stand file says how.
    pub value: Option<String>,
    /// Mean, counts.
    pub mean_counts: Option<f64>,
    /// Noise about a straight line, counts, rms.
    pub noise_counts_rms: Option<f64>,
    /// Greatest distance from that line, counts.
    pub noise_counts_peak: Option<f64>,
}

/// Kinds of faults, as JSON names them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// Frames are lost or damaged.
    Link,
    /// No teeth.
    NoTeeth,
    /// Each tooth counts twice.
    DoubleTeeth,
    /// Edges between teeth.
    ExtraTeeth,
    /// Teeth are missing.
    MissingTeeth,
    /// Edges the board had no time for.
    CapturesLost,
    /// No samples.
    NoSamples,
    /// Another rate than announced.
    Rate,
    /// 50 or 60 Hz of the mains.
    MainsHum,
    /// Signal wires the wrong way round.
    SwappedPolarity,
    /// At an end of its range.
    Saturated,
    /// A sensor that is open or broken.
    Open,
    /// The value never changes.
    Stuck,
}

/// Something wrong, in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Remark {
    /// What kind of fault.
    pub fault: Fault,
    /// The input, as in [`Input::input`]; none for the link.
    pub input: Option<String>,
    /// What is seen, and what it likely is.
    pub text: String,
}

/// All there is to say of a board after some time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// How long it was listened to, by its own clock, s.
    pub seconds: f64,
    /// Who it is; `None` before its hello.
    pub board: Option<Identity>,
    /// The cut output; `None` before a status.
    pub state: Option<State>,
    /// What was lost.
    pub loss: Loss,
    /// Its inputs, as it announced them.
    pub inputs: Vec<Input>,
    /// What is wrong.
    pub remarks: Vec<Remark>,
}

/// Listens to one board.
#[derive(Debug, Default)]
pub struct BoardCheck {
    reader: BoardReader,
    recording: Recording,
    identity: Option<Identity>,
    channels: Vec<Channel>,
    /// Counts of the first status, which are older than this.
    before: Option<(u32, u32)>,
    status: Option<Status>,
    ticks: Option<(u64, u64)>,
    restarts: u32,
}

impl BoardCheck {
    /// Before the first byte.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes bytes that came from the board at host time `host_us`.
    pub fn feed(&mut self, host_us: u64, bytes: &[u8]) {
        let mut reader = std::mem::take(&mut self.reader);
        reader.feed(host_us, bytes, &mut |reading| self.take(&reading));
        self.reader = reader;
        if let (Some(identity), Some(Form::Lines)) = (&mut self.identity, self.reader.form()) {
            identity.form = "lines";
        }
    }

    /// Learns who the board is from a hello it sent earlier.
    pub fn know(&mut self, hello: &[u8]) {
        let mut identity = None;
        BoardReader::new().feed(0, hello, &mut |reading| {
            if let Reading::Message {
                message: BoardMessage::Hello(hello),
                ..
            } = reading
            {
                identity = Some((Identity::of(&hello), hello.channels().collect()));
            }
        });
        if let Some((identity, channels)) = identity {
            self.identity = Some(identity);
            self.channels = channels;
        }
    }

    /// For how long it was listened to, by its own clock, s; 0 before its hello.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        let (first, last) = self.ticks.unwrap_or_default();
        match &self.identity {
            Some(identity) if identity.tick_hz > 0 => {
                (last - first) as f64 / f64::from(identity.tick_hz)
            }
            _ => 0.0,
        }
    }

    /// The form in which to talk to the board, once known.
    #[must_use]
    pub fn form(&self) -> Option<Form> {
        self.reader.form()
    }

    /// Whether it said who it is.
    #[must_use]
    pub fn is_identified(&self) -> bool {
        self.identity.is_some()
    }

    /// Counts of the link.
    #[must_use]
    pub fn counters(&self) -> Counters {
        self.reader.counters()
    }

    fn take(&mut self, reading: &Reading<'_>) {
        self.recording.take(reading, 0);
        let (tick, message) = match reading {
            Reading::Message { tick, message, .. } => (*tick, message),
            Reading::Fault(LinkFault::BoardRestarted) => {
                // Ticks, teeth and counts begin again, and so does what is judged.
                self.recording = Recording::default();
                self.before = Some((0, 0));
                self.ticks = None;
                self.restarts += 1;
                return;
            }
            Reading::Fault(_) => return,
        };
        let (first, last) = self.ticks.unwrap_or((tick, tick));
        self.ticks = Some((first.min(tick), last.max(tick)));
        match message {
            BoardMessage::Hello(hello) => {
                self.identity = Some(Identity::of(hello));
                self.channels = hello.channels().collect();
            }
            BoardMessage::Status(status) => {
                self.before
                    .get_or_insert((status.captures_lost, status.receive_errors));
                self.status = Some(status.clone());
            }
            _ => {}
        }
    }

    /// What is known by now. The stand file gives names, units and signs.
    #[must_use]
    pub fn report(&self, of: Option<&CalibratedStand>) -> Report {
        let counters = self.reader.counters();
        let (captures_before, errors_before) = self.before.unwrap_or_default();
        let status = self.status.as_ref();
        let loss = Loss {
            bytes: counters.bytes_received,
            frames: counters.frames,
            frames_lost: counters.frames_lost,
            frames_damaged: counters.frames_damaged(),
            captures_lost: status.map_or(0, |it| it.captures_lost.saturating_sub(captures_before)),
            receive_errors: status.map_or(0, |it| it.receive_errors.saturating_sub(errors_before)),
        };
        let tick_hz = self
            .identity
            .as_ref()
            .map_or(0.0, |it| f64::from(it.tick_hz));
        let seconds = self.seconds();
        let mut bench = Bench {
            of,
            stand: of.map(CalibratedStand::stand),
            recording: &self.recording,
            tick_hz,
            seconds,
            turns: self.channels.iter().any(|channel| {
                channel.kind == ChannelKind::Teeth
                    && self.recording.edges_of(channel.number).len() > 2
            }),
            remarks: Vec::new(),
        };
        bench.link(&loss, self.restarts);
        let judged = self.channels.iter().filter(|_| seconds > 0.0);
        let inputs: Vec<Input> = judged.filter_map(|channel| bench.input(*channel)).collect();
        Report {
            seconds,
            board: self.identity.clone(),
            state: status.map(state_of),
            loss,
            inputs,
            remarks: bench.remarks,
        }
    }
}

fn state_of(status: &Status) -> State {
    State {
        cut: status.state == BoardState::Cut,
        cut_id: status.cut_id,
        cause: status.cause.map(|cause| match cause {
            CutCause::HostCommand => "the host said so",
            CutCause::Overspeed => "overspeed",
            CutCause::HeartbeatLost => "lost heartbeat",
            CutCause::OverTemperature => "over-temperature",
            CutCause::SelfTestFailure => "its self-test failed",
            CutCause::WatchdogReset => "a reset",
            CutCause::Miscounting => "teeth missed",
            CutCause::Load => "the load lost",
            CutCause::Other => "other, such as its start",
        }),
        tooth_period_ticks_min: status.limits.tooth_period_ticks_min,
        heartbeat_timeout_ms: status.limits.heartbeat_timeout_ms,
    }
}

/// Looks at the inputs one by one.
struct Bench<'a> {
    of: Option<&'a CalibratedStand>,
    stand: Option<&'a Stand>,
    recording: &'a Recording,
    tick_hz: f64,
    seconds: f64,
    /// Whether any pickup sees something turn.
    turns: bool,
    remarks: Vec<Remark>,
}

impl Bench<'_> {
    fn remark(&mut self, fault: Fault, input: &str, text: String) {
        self.remarks.push(Remark {
            fault,
            input: (!input.is_empty()).then(|| input.to_owned()),
            text,
        });
    }

    fn link(&mut self, loss: &Loss, restarts: u32) {
        if restarts > 0 {
            let text = format!(
                "the board restarted {restarts} times: supply, or a reset when the port opens"
            );
            self.remark(Fault::Link, "", text);
        }
        // The frame in whose middle the port was opened is none.
        if loss.frames_lost > 0 || loss.frames_damaged > 1 {
            let text = format!(
                "{} frames lost and {} damaged of {}: cable, baud rate, or a spark that gets into it",
                loss.frames_lost,
                loss.frames_damaged,
                loss.frames + loss.frames_lost + loss.frames_damaged
            );
            self.remark(Fault::Link, "", text);
        }
        if loss.captures_lost > 0 {
            let text = format!(
                "{} edges came too close behind others to be timed: interference, or a pickup that \
                 bounces",
                loss.captures_lost
            );
            self.remark(Fault::CapturesLost, "", text);
        }
    }

    fn input(&mut self, channel: Channel) -> Option<Input> {
        let number = channel.number;
        let mut input = match channel.kind {
            ChannelKind::Teeth => self.pickup(number),
            ChannelKind::Force => self.force(channel),
            ChannelKind::Analog => self.sensor(channel, Source::Analog(number)),
            ChannelKind::Temperature => self.sensor(channel, Source::Temperature(number)),
            ChannelKind::Load | ChannelKind::Simulated | ChannelKind::Unknown(_) => return None,
        };
        input.rate_hz_announced = channel.rate_hz;
        Some(input)
    }

    fn pickup(&mut self, number: u8) -> Input {
        let input = format!("pickup {number}");
        let edges = self.recording.edges_of(number);
        let rhythm = Rhythm::of(edges);
        let count = edges.len();
        let pickups = self.stand.map_or(&[][..], |stand| &stand.pickups);
        let named = pickups.iter().find(|pickup| pickup.channel == number);
        let name = named.map(|pickup| {
            let shaft = match pickup.shaft {
                leverarm_config::Shaft::Drum => "drum",
                leverarm_config::Shaft::Engine => "engine",
            };
            let teeth = counted(usize::from(pickup.teeth), "tooth", "teeth");
            format!("{shaft}, {teeth}")
        });
        if count == 0 {
            let text = if self.turns {
                "no teeth, though the other pickup sees something turn: supply, pull-up, gap; a VR \
                 sensor needs its conditioner"
            } else {
                "no teeth: right if nothing turns. If it does: supply, pull-up, gap; a VR sensor needs \
                 its conditioner, and some speed"
            };
            self.remark(Fault::NoTeeth, &input, text.to_owned());
        } else if rhythm.double {
            let text = "double teeth: each tooth counts twice. Slow or noisy edges, no hysteresis, a gap \
                        too wide, or both edges of a tooth count";
            self.remark(Fault::DoubleTeeth, &input, text.to_owned());
        } else if rhythm.short > 0 {
            let text = format!(
                "{} extra edges among {count}: more at full throttle is the ignition; else a bolt head \
                 or a burr on the wheel",
                rhythm.short
            );
            self.remark(Fault::ExtraTeeth, &input, text);
        }
        let missing = named.map_or(0, |pickup| pickup.missing);
        let seen_in_a_turn = named.map_or(1, |pickup| (pickup.teeth - missing).max(1));
        // A gap on purpose is there once a turn, and perhaps at both ends of the recording.
        let gaps = match missing {
            0 => 0,
            _ => count / usize::from(seen_in_a_turn) + 1,
        };
        if rhythm.long > gaps {
            let text = format!(
                "teeth missing at {} places among {count}: runout, a short tooth, a gap too wide",
                rhythm.long
            );
            self.remark(Fault::MissingTeeth, &input, text);
        }
        let rate_hz = match edges {
            [first, .., last] if last.tick > first.tick => {
                (count - 1) as f64 * self.tick_hz / (last.tick - first.tick) as f64
            }
            _ => 0.0,
        };
        Input {
            input,
            name,
            count,
            rate_hz,
            value: named.filter(|_| count > 1).map(|_| {
                let turns_per_s = rate_hz / f64::from(seen_in_a_turn);
                format!("{:.0} rpm", 60.0 * turns_per_s)
            }),
            ..Input::default()
        }
    }

    fn force(&mut self, channel: Channel) -> Input {
        let input = format!("force {}", channel.number);
        let samples = self.recording.forces_of(channel.number);
        let of = self
            .of
            .filter(|of| of.cell_channel() == Some(channel.number));
        let cell = of.and_then(CalibratedStand::cell);
        let detrended = Detrended::of(self.in_seconds(samples.iter().copied()));
        self.rate(&input, channel, samples.len());
        let (low, high) = cell
            .and_then(|cell| cell.range_counts)
            .unwrap_or(RAILS_24_BITS);
        let at_end =
            |&&(_, counts): &&(u64, i32)| f64::from(counts) <= low || f64::from(counts) >= high;
        let saturated = samples.iter().filter(at_end).count();
        if saturated > 0 {
            let text = format!(
                "saturated: {saturated} of {} samples are at the end of the converter's range. A signal \
                 wire is off, the excitation is wrong, or the cell is overloaded",
                samples.len()
            );
            self.remark(Fault::Saturated, &input, text);
        } else if samples.len() >= SAMPLES_MIN {
            self.stuck(&input, samples.iter().map(|(_, counts)| *counts));
            let hum = detrended.as_ref().filter(|_| !self.turns);
            if let Some(hum) = hum.and_then(Detrended::hum) {
                let text = format!(
                    "{:.0} Hz of the mains, {:.0} counts high: screen, one ground, distance to cables and \
                     supplies, or an unearthed charger on the computer",
                    hum.mains_hz, hum.amplitude
                );
                self.remark(Fault::MainsHum, &input, text);
            }
            if let Some(cell) = cell {
                self.polarity(&input, cell, samples);
            }
        }
        let noise = detrended.as_ref().map(Detrended::noise);
        let newest = samples.last().map(|(_, counts)| *counts);
        Input {
            input,
            name: cell.map(|_| "load cell".to_owned()),
            count: samples.len(),
            rate_hz: self.rate_of(samples.len()),
            counts: newest,
            value: newest
                .zip(cell.zip(self.stand))
                .map(|(counts, (cell, stand))| {
                    let force_n = cell.force_at_n(f64::from(counts));
                    stand.units.force.text(force_n, 1)
                }),
            mean_counts: noise.map(|noise| noise.mean),
            noise_counts_rms: noise.map(|noise| noise.rms),
            noise_counts_peak: noise.map(|noise| noise.peak),
            ..Input::default()
        }
    }

    /// A load that is on the wrong side of zero.
    fn polarity(&mut self, input: &str, cell: &LoadCellModel, samples: &[(u64, i32)]) {
        let sigma_n = noise_between(samples) * cell.newton_per_count.value().abs();
        // Means of a few, since an engine pulls in pulses.
        let means = samples.chunks_exact(SAMPLES_MIN).map(|few| {
            let sum: f64 = few.iter().map(|(_, counts)| f64::from(*counts)).sum();
            cell.force_at_n(sum / few.len() as f64)
        });
        let ends = |(least, most): (f64, f64), force: f64| (least.min(force), most.max(force));
        let (least, most) = means.fold((f64::INFINITY, f64::NEG_INFINITY), ends);
        let wrong_way = -least > LOAD_SIGMAS * sigma_n && -least > WRONG_WAY * most;
        // At rest a zero that is off looks the same, but it does not come and go.
        if wrong_way && (self.turns || most - least > -0.5 * least) {
            let text = format!(
                "swapped polarity: it reads down to {least:.1} N and never as much above zero. If that was \
                 the engine's pull, the signal wires (or the sign in the stand file) are the wrong way \
                 round; with no load on it, its zero is off: leverarm tare"
            );
            self.remark(Fault::SwappedPolarity, input, text);
        }
    }

    /// What a channel of the stand reads now.
    fn newest(&self, of: &CalibratedStand, named: &leverarm_config::Channel) -> Value {
        match self.recording.samples_of(named.source).last() {
            Some((_, counts)) => of.channel_value(named, *counts, |id| {
                let cold = of.stand().channel(id);
                cold.map_or(Value::Unknown, |cold| self.newest(of, cold))
            }),
            None => Value::Unknown,
        }
    }

    fn sensor(&mut self, channel: Channel, source: Source) -> Input {
        let is_analog = matches!(source, Source::Analog(_));
        let word = if is_analog { "analog" } else { "temperature" };
        let input = format!("{word} {}", channel.number);
        let samples = self.recording.samples_of(source);
        self.rate(&input, channel, samples.len());
        let good: Vec<(u64, i32)> = samples
            .iter()
            .filter_map(|(tick, counts)| Some((*tick, (*counts)?)))
            .collect();
        let named = self.stand.and_then(|stand| {
            let mut channels = stand.channels.iter();
            Some((stand, channels.find(|named| named.source == source)?))
        });
        let newest = samples.last().and_then(|(_, counts)| *counts);
        let value = named
            .zip(self.of)
            .map(|((_, named), of)| self.newest(of, named));
        let value_si = value.as_ref().and_then(Value::si);
        if samples.len() - good.len() > samples.len() / 2 {
            let text = "open: the converter sees no sensor. Plug, broken wire, or not fitted";
            self.remark(Fault::Open, &input, text.to_owned());
        }
        if good.len() >= SAMPLES_MIN && is_analog {
            for end in std::iter::once(0).chain(ANALOG_TOPS) {
                let there = good.iter().filter(|(_, counts)| *counts == end).count();
                if there as f64 >= AT_END_SHARE * good.len() as f64 {
                    let text = format!(
                        "saturated: it stays at {end}, the end of the converter's range. Signal wire, \
                         supply or ground of the sensor, or a sensor of more than 5 V"
                    );
                    self.remark(Fault::Saturated, &input, text);
                }
            }
        }
        if let Some((stand, named)) = named
            && let (Some(si), Some((low, _))) = (value_si, named.expected_si)
            && si < low
            && !is_analog
        {
            let text = format!(
                "swapped polarity: it reads {}, less than anything expected. A thermocouple whose wires \
                 are swapped falls as it gets hot",
                named.quantity.display_unit(&stand.units).text(si, 1)
            );
            self.remark(Fault::SwappedPolarity, &input, text);
        }
        let detrended = Detrended::of(self.in_seconds(good.iter().copied()));
        let noise = detrended.as_ref().map(Detrended::noise);
        Input {
            input,
            name: named.map(|(_, named)| named.name.clone()),
            count: samples.len(),
            rate_hz: self.rate_of(samples.len()),
            counts: newest,
            value: named
                .zip(value_si)
                .map(|((stand, named), si)| named.quantity.display_unit(&stand.units).text(si, 1)),
            mean_counts: noise.map(|noise| noise.mean),
            noise_counts_rms: noise.map(|noise| noise.rms),
            noise_counts_peak: noise.map(|noise| noise.peak),
            ..Input::default()
        }
    }

    fn stuck(&mut self, input: &str, mut counts: impl Iterator<Item = i32>) {
        let Some(first) = counts.next() else { return };
        if counts.all(|counts| counts == first) {
            let text = format!(
                "stuck at {first}: a converter of so many bits is never that quiet. Its data or clock \
                 wire, or its supply"
            );
            self.remark(Fault::Stuck, input, text);
        }
    }

    /// Judges a rate against what the board announced.
    fn rate(&mut self, input: &str, channel: Channel, count: usize) {
        let announced = f64::from(channel.rate_hz);
        if announced <= 0.0 || self.seconds * announced < SAMPLES_MIN as f64 {
            return;
        }
        if count == 0 {
            let text = "no samples: the converter's data and clock wires, and its supply";
            return self.remark(Fault::NoSamples, input, text.to_owned());
        }
        let found = self.rate_of(count);
        // One sample more or less at either end is no fault.
        let off = (found - announced).abs() - 2.0 / self.seconds;
        if off > RATE_OFF_MAX * announced {
            let text = format!(
                "{found:.1} samples a second, though the board announces {announced:.0}: a converter's \
                 rate pin, or the firmware's config.h says another rate"
            );
            self.remark(Fault::Rate, input, text);
        }
    }

    fn rate_of(&self, count: usize) -> f64 {
        count as f64 / self.seconds
    }

    fn in_seconds(
        &self,
        samples: impl Iterator<Item = (u64, i32)>,
    ) -> impl Iterator<Item = (f64, f64)> {
        let tick_hz = self.tick_hz;
        let mut from = None;
        samples.map(move |(tick, counts)| {
            let since = tick - *from.get_or_insert(tick);
            (since as f64 / tick_hz, f64::from(counts))
        })
    }
}
