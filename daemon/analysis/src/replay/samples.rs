//! Stored chunks of one connection back to samples: counts, and what they mean, each with its time.

use std::sync::Arc;

use leverarm_config::{Quantity, Shaft, Signal, Stand};
use leverarm_protocol::{BoardReader, LinkFault, Reading};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use super::clock::TickClock;
use leverarm_store::Chunk;
use leverarm_values::{CalibratedStand, Sample, Sensors, Speeds};

/// What a series of live points is about.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Name of the channel, as the stand file has it.
    pub channel: String,
    /// What it measures, as in the measurement's name.
    pub quantity: &'static str,
    /// Unit at the end of the fields' names, with its underscore; empty for a plain number.
    pub unit: &'static str,
}

/// The series of a stand, in the order in which [`Samples`] numbers them: drum, engine, load cell if
/// there is one, channels.
pub fn series(stand: &Stand) -> Vec<Series> {
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
        Series {
            channel: channel.name.clone(),
            quantity: match channel.quantity {
                // "speed" alone is that of a shaft.
                Quantity::Speed => "linear_speed",
                other => other.word(),
            },
            unit: channel.quantity.suffix(),
        }
    });
    [speed(Shaft::Drum), speed(Shaft::Engine)]
        .into_iter()
        .chain(cell)
        .chain(channels)
        .collect()
}

/// A sample, in SI but for speeds, which are in rpm; `None` where the sensor can't be right.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WallSample {
    /// Which series of [`series`].
    pub series: usize,
    /// When, on the board.
    pub tick: u64,
    /// When, microseconds since 1970.
    pub wall_us: i64,
    /// The board's counts; none for a speed, and where the board reported the sensor as broken.
    pub counts: Option<i32>,
    /// Its value.
    pub value: Option<f64>,
}

/// What a chunk holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seen {
    /// A sample.
    Sample(WallSample),
    /// Something wrong with the bytes.
    Fault(LinkFault),
}

/// Decodes the chunks of one connection, in order.
///
/// What comes of a chunk depends on nothing that lies more than
/// [`CHUNKS_REMEMBERED`](super::CHUNKS_REMEMBERED) chunks back, so that a reader may begin
/// anywhere, that many chunks early, and find the same samples again.
#[derive(Debug)]
pub struct Samples {
    reader: BoardReader,
    clock: TickClock,
    /// Ticks of the live run minus ticks of this reader.
    shift: i64,
    sensors: Sensors,
    speeds: Speeds,
    /// Series of the first channel.
    first_channel: usize,
}

impl Samples {
    /// Of a connection of this stand's board; rate and wall clock as for
    /// [`TickClock`](super::TickClock).
    pub fn new(stand: Arc<CalibratedStand>, tick_hz: u32, wall_ahead_us: Option<i64>) -> Self {
        let hz = f64::from(tick_hz);
        Self {
            reader: BoardReader::new(),
            clock: TickClock::new(tick_hz, wall_ahead_us),
            shift: 0,
            first_channel: 2 + usize::from(stand.cell().is_some()),
            sensors: Sensors::new(Arc::clone(&stand), hz),
            speeds: Speeds::new(stand, hz),
        }
    }

    /// When a tick was, on the host's monotonic clock.
    pub fn mono_us(&self, tick: u64) -> Option<i64> {
        self.clock.mono_us(tick)
    }

    /// Other calibrations were in force from the next chunk on.
    pub fn calibrated(&mut self, stand: Arc<CalibratedStand>) {
        self.speeds.calibrated(Arc::clone(&stand));
        self.sensors.calibrated(stand);
    }

    /// Gives everything in a chunk to `sink`.
    pub fn feed(&mut self, chunk: &Chunk, sink: &mut impl FnMut(Seen)) {
        self.clock.saw(chunk);
        let Self {
            reader,
            clock,
            shift,
            sensors,
            speeds,
            first_channel,
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
            let mut put = |sample: Sample| {
                let (series, si_per_shown) = match sample.signal {
                    Signal::Speed(Shaft::Drum) => (0, RAD_PER_S_PER_RPM),
                    Signal::Speed(Shaft::Engine) => (1, RAD_PER_S_PER_RPM),
                    Signal::LoadCell => (2, 1.0),
                    Signal::Channel(id) => (*first_channel + id.0, 1.0),
                    Signal::Board => return,
                };
                if let Some(wall_us) = clock.wall_us(sample.tick) {
                    sink(Seen::Sample(WallSample {
                        series,
                        tick: sample.tick,
                        wall_us,
                        counts: sample.counts,
                        value: sample.value.good().map(|si| si / si_per_shown),
                    }));
                }
            };
            sensors.take(tick, &message, &mut put);
            speeds.take(tick, &message, &mut put);
        });
    }
}
