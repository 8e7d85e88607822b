//! Stored chunks of one connection back to samples: counts, and what they mean, each with its time.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use leverarm_config::{Channel, Pickup, Quantity, Shaft, Source, Stand};
use leverarm_filters::teeth::{Edge, ToothKind, ToothTracker};
use leverarm_protocol::{
    BoardMessage, BoardReader, LinkFault, Reading, TEMPERATURE_UNREADABLE, Teeth,
};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use crate::board_time::TickClock;
use crate::pulses::{inputs, period_counts};
use crate::store::Chunk;

/// A turn of a wheel that takes longer is no speed.
const TURN_S_MAX: f64 = 2.0;
/// A wheel without an edge for this long has stopped.
const STANDSTILL_S: f64 = 0.5;

/// What a series of live points is about.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Series {
    /// Name of the channel, as the stand file has it.
    pub(crate) channel: String,
    /// What it measures, as in the measurement's name.
    pub(crate) quantity: &'static str,
    /// Unit at the end of the fields' names, with its underscore; empty for a plain number.
    pub(crate) unit: &'static str,
}

/// The series of a stand, in the order in which [`Samples`] numbers them.
pub(crate) fn series(stand: &Stand) -> Vec<Series> {
    let speed = |shaft: Shaft| Series {
        channel: format!("{} speed", shaft.name()),
        quantity: "speed",
        unit: "_rpm",
    };
    let cell = stand.load_cell.as_ref().map(|_| Series {
        channel: "load cell".to_owned(),
        quantity: "force",
        unit: "_n",
    });
    let channels = stand.channels.iter().map(|channel| {
        let (quantity, unit) = quantity_names(channel.quantity);
        Series {
            channel: channel.name.clone(),
            quantity,
            unit,
        }
    });
    [speed(Shaft::Drum), speed(Shaft::Engine)]
        .into_iter()
        .chain(cell)
        .chain(channels)
        .collect()
}

fn quantity_names(quantity: Quantity) -> (&'static str, &'static str) {
    match quantity {
        Quantity::Temperature => ("temperature", "_k"),
        Quantity::Pressure => ("pressure", "_pa"),
        Quantity::Fraction => ("fraction", ""),
        Quantity::Number => ("number", ""),
        Quantity::Voltage => ("voltage", "_v"),
        Quantity::Force => ("force", "_n"),
        Quantity::Length => ("length", "_m"),
        Quantity::Speed => ("linear_speed", "_m_per_s"),
        Quantity::MassFlow => ("mass_flow", "_kg_per_s"),
        Quantity::VolumeFlow => ("volume_flow", "_m3_per_s"),
        Quantity::Mass => ("mass", "_kg"),
    }
}

/// A wheel, and where in its last turn it is.
#[derive(Debug)]
struct Wheel {
    pickup: Pickup,
    tracker: ToothTracker,
    last_edge: Option<Edge>,
    /// The teeth of the last turn: index and tick.
    turn: VecDeque<(i64, u64)>,
    /// Series that this wheel's speed goes to, with the factor of the drive.
    series: Vec<(usize, f64)>,
}

impl Wheel {
    /// Speed in rad/s over the turn that ends with this edge.
    fn push(&mut self, edge: Edge, tick_hz: f64) -> Option<f64> {
        // A frame that was late or came twice: its teeth are in the turn's count already.
        if self.last_edge.is_some_and(|last| edge.tick <= last.tick) {
            return None;
        }
        self.last_edge = Some(edge);
        let tooth = self.tracker.push(edge);
        match tooth.kind {
            ToothKind::Extra => return None,
            ToothKind::First | ToothKind::Relocked => self.turn.clear(),
            ToothKind::Regular | ToothKind::Irregular { .. } | ToothKind::AfterMissed { .. } => {}
        }
        let teeth = i64::from(self.pickup.teeth);
        self.turn.push_back((tooth.index, tooth.tick));
        while self
            .turn
            .front()
            .is_some_and(|(index, _)| *index < tooth.index - teeth)
        {
            self.turn.pop_front();
        }
        let (index, tick) = self.turn.front()?;
        let seconds = tooth.tick.saturating_sub(*tick) as f64 / tick_hz;
        (*index == tooth.index - teeth && seconds > 0.0 && seconds <= TURN_S_MAX)
            .then(|| TAU / seconds)
    }
}

/// A sample, in SI but for speeds, which are in rpm; `None` where the sensor can't be right.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Sample {
    /// Which series of [`series`].
    pub(crate) series: usize,
    /// When, on the board.
    pub(crate) tick: u64,
    /// When, microseconds since 1970.
    pub(crate) wall_us: i64,
    /// The board's counts; none for a speed, and where the board reported the sensor as broken.
    pub(crate) counts: Option<i32>,
    /// Its value.
    pub(crate) value: Option<f64>,
}

/// What a chunk holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Seen {
    /// A sample.
    Sample(Sample),
    /// Something wrong with the bytes.
    Fault(LinkFault),
}

/// Decodes the chunks of one connection, in order.
///
/// What comes of a chunk depends on nothing that lies more than
/// [`CHUNKS_REMEMBERED`](crate::board_time::CHUNKS_REMEMBERED) chunks back, so that a reader may begin
/// anywhere, that many chunks early, and find the same samples again.
#[derive(Debug)]
pub(crate) struct Samples {
    reader: BoardReader,
    clock: TickClock,
    tick_hz: f64,
    /// Ticks of the live run minus ticks of this reader.
    shift: i64,
    wheels: Vec<Wheel>,
    channels: Vec<(Channel, usize)>,
    /// Latest believable value by channel, for cold junctions.
    latest: Vec<Option<f64>>,
    /// Inputs that count a flow meter's pulses, each with the tick of its last.
    pulses: Vec<(u8, Option<u64>)>,
    /// Channel of the load cell, its series, newtons per count, counts without load.
    cell: Option<(u8, usize, f64, f64)>,
}

impl Samples {
    pub(crate) fn new(stand: &Stand, tick_hz: u32, wall_ahead_us: Option<i64>) -> Self {
        let hz = f64::from(tick_hz);
        let source_of = |shaft: Shaft| {
            let own = stand.pickups.iter().position(|p| p.shaft == shaft);
            own.unwrap_or(0)
        };
        let wheels = stand.pickups.iter().enumerate().map(|(index, pickup)| {
            let shafts = [(0, Shaft::Drum), (1, Shaft::Engine)];
            let fed = shafts
                .into_iter()
                .filter(|(_, shaft)| source_of(*shaft) == index);
            Wheel {
                pickup: *pickup,
                tracker: ToothTracker::new(hz, u32::from(pickup.teeth), STANDSTILL_S),
                last_edge: None,
                turn: VecDeque::new(),
                series: fed
                    .map(|(series, shaft)| {
                        let factor = stand.drive.speed_rad_per_s(1.0, pickup.shaft, shaft);
                        (series, factor / RAD_PER_S_PER_RPM)
                    })
                    .collect(),
            }
        });
        let first_channel = 2 + usize::from(stand.load_cell.is_some());
        Self {
            reader: BoardReader::new(),
            clock: TickClock::new(tick_hz, wall_ahead_us),
            tick_hz: hz,
            shift: 0,
            wheels: wheels.collect(),
            channels: stand
                .channels
                .iter()
                .cloned()
                .zip(first_channel..)
                .collect(),
            latest: vec![None; stand.channels.len()],
            pulses: inputs(stand).map(|number| (number, None)).collect(),
            cell: stand.load_cell.as_ref().map(|cell| {
                let newton_per_count = cell.newton_per_count.value * cell.sign;
                (cell.channel, 2, newton_per_count, cell.zero_counts)
            }),
        }
    }

    /// When a tick was, on the host's monotonic clock.
    pub(crate) fn mono_us(&self, tick: u64) -> Option<i64> {
        self.clock.mono_us(tick)
    }

    /// Gives everything in a chunk to `sink`.
    pub(crate) fn feed(&mut self, chunk: &Chunk, sink: &mut impl FnMut(Seen)) {
        self.clock.saw(chunk);
        let Self {
            reader,
            clock,
            tick_hz,
            shift,
            wheels,
            channels,
            latest,
            pulses,
            cell,
        } = self;
        // The reader's ticks count from where it began; the chunk knows the live run's.
        let mut first = chunk.tick_first;
        reader.feed(chunk.mono_us_last, &chunk.bytes, &mut |reading| {
            let (tick, message) = match reading {
                Reading::Message { tick, message, .. } => (tick, message),
                Reading::Fault(fault) => return sink(Seen::Fault(fault)),
            };
            if let Some(live) = first.take() {
                *shift = live.wrapping_sub(tick).cast_signed();
            }
            let tick = tick.wrapping_add_signed(*shift);
            let mut put = |tick: u64, series: usize, counts: Option<i32>, value: Option<f64>| {
                if let Some(wall_us) = clock.wall_us(tick) {
                    sink(Seen::Sample(Sample {
                        series,
                        tick,
                        wall_us,
                        counts,
                        value,
                    }));
                }
            };
            let mut channel = |source: Source, counts: Option<i32>| {
                convert(channels, latest, source, counts, &mut |series, value| {
                    put(tick, series, counts, value);
                });
            };
            match &message {
                BoardMessage::Analog(scan) => {
                    for (offset, counts) in (0_u8..).zip(scan.counts()) {
                        let source = Source::Analog(scan.first_channel.saturating_add(offset));
                        channel(source, Some(i32::from(counts)));
                    }
                }
                BoardMessage::Temperature {
                    channel: number,
                    counts,
                } => {
                    let counts = (*counts != TEMPERATURE_UNREADABLE).then_some(*counts);
                    channel(Source::Temperature(*number), counts);
                }
                BoardMessage::Teeth(teeth) if pulses.iter().any(|p| p.0 == teeth.pickup) => {
                    for tick in teeth.ticks(tick) {
                        let last = pulses.iter_mut().find(|p| p.0 == teeth.pickup);
                        let before = last.and_then(|(_, last)| last.replace(tick));
                        if let Some(counts) =
                            before.and_then(|before| period_counts(before, tick, *tick_hz))
                        {
                            let source = Source::Pulses(teeth.pickup);
                            convert(
                                channels,
                                latest,
                                source,
                                Some(counts),
                                &mut |series, value| {
                                    put(tick, series, Some(counts), value);
                                },
                            );
                        }
                    }
                }
                BoardMessage::Teeth(teeth) => {
                    speeds(wheels, teeth, tick, *tick_hz, &mut |tick, series, rpm| {
                        put(tick, series, None, Some(rpm));
                    });
                }
                BoardMessage::Force {
                    channel: number,
                    counts,
                } => {
                    if let Some((own, series, newton_per_count, zero_counts)) = cell
                        && own == number
                    {
                        let newton = (f64::from(*counts) - *zero_counts) * *newton_per_count;
                        put(tick, *series, Some(*counts), Some(newton));
                    }
                }
                BoardMessage::Hello(_) | BoardMessage::Status(_) | BoardMessage::Cut { .. } => {}
            }
        });
    }
}

/// Speeds of the shafts that a pickup's teeth tell of.
fn speeds(
    wheels: &mut [Wheel],
    teeth: &Teeth<'_>,
    first_tick: u64,
    tick_hz: f64,
    put: &mut impl FnMut(u64, usize, f64),
) {
    let Some(wheel) = wheels
        .iter_mut()
        .find(|wheel| wheel.pickup.channel == teeth.pickup)
    else {
        return;
    };
    let first_tooth = u64::from(teeth.first_tooth);
    for (number, tick) in (first_tooth..).zip(teeth.ticks(first_tick)) {
        if let Some(rad_per_s) = wheel.push(Edge { tick, number }, tick_hz) {
            for (series, rpm_per_rad_per_s) in &wheel.series {
                put(tick, *series, rad_per_s * rpm_per_rad_per_s);
            }
        }
    }
}

/// Counts of a source in SI, for the channel that has this source.
fn convert(
    channels: &[(Channel, usize)],
    latest: &mut [Option<f64>],
    source: Source,
    counts: Option<i32>,
    put: &mut impl FnMut(usize, Option<f64>),
) {
    for (index, (channel, series)) in channels.iter().enumerate() {
        if channel.source != source {
            continue;
        }
        let cold = channel
            .cold_junction
            .and_then(|id| latest.get(id.0).copied().flatten());
        let value = counts
            .and_then(|counts| channel.law.si(f64::from(counts), cold).ok())
            .filter(|si| {
                si.is_finite()
                    && channel
                        .expected_si
                        .is_none_or(|(low, high)| (low..=high).contains(si))
            });
        if let Some(slot) = latest.get_mut(index) {
            *slot = value;
        }
        put(*series, value);
    }
}
