//! Payloads: what boards and hosts say.

use crate::frame::sealed::Payload;
use crate::frame::{Body, EncodeError, FRAME_BYTES_MAX, Fields, Frame, encode};
use crate::load::{LoadArm, LoadCommand, LoadDemand, LoadGains, LoadMap, LoadStatus};

/// Kind bytes. Boards use 0x01 to 0x7F, hosts 0x81 to 0xFF.
pub mod kind {
    /// Board: who and what it is.
    pub const HELLO: u8 = 0x01;
    /// Board: times of pickup teeth.
    pub const TEETH: u8 = 0x02;
    /// Board: one force sample.
    pub const FORCE: u8 = 0x03;
    /// Board: one scan of analog channels.
    pub const ANALOG: u8 = 0x04;
    /// Board: one temperature sample.
    pub const TEMPERATURE: u8 = 0x05;
    /// Board: state of the cut output, error counts, limits in force.
    pub const STATUS: u8 = 0x06;
    /// Board: the cut output was just switched.
    pub const CUT: u8 = 0x07;
    /// Board: state of the load.
    pub const LOAD: u8 = 0x08;
    /// Host: alive and fit to guard.
    pub const HEARTBEAT: u8 = 0x81;
    /// Host: limits the board is to guard by itself.
    pub const LIMITS: u8 = 0x82;
    /// Host: cut now.
    pub const HOST_CUT: u8 = 0x83;
    /// Host: end a cut.
    pub const RELEASE: u8 = 0x84;
    /// Host: say hello.
    pub const IDENTIFY: u8 = 0x85;
    /// Host: the absorber's map.
    pub const LOAD_MAP: u8 = 0x86;
    /// Host: gains and limits of the load's loop.
    pub const LOAD_GAINS: u8 = 0x87;
    /// Host: what the load is to do.
    pub const LOAD_DEMAND: u8 = 0x88;
    /// Host: load may be put on, or not.
    pub const LOAD_ARM: u8 = 0x89;
}

/// Lowest tick rate a hello may name, hertz. Below it a tooth's time is too coarse to be of use.
pub const TICK_HZ_MIN: u32 = 100_000;

/// Highest tick rate a hello may name, hertz. Above it teeth that are still frequent are too far
/// apart for a 16 bit delta, take a frame each, and fill the link.
pub const TICK_HZ_MAX: u32 = 50_000_000;

/// Counts of a temperature sensor that is broken or not connected. Above every limit.
pub const TEMPERATURE_UNREADABLE: i32 = i32::MAX;

/// Why a sound frame's content could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ParseError {
    /// The kind is unknown in this direction, perhaps newer than this receiver.
    #[error("unknown kind 0x{kind:02x}")]
    UnknownKind {
        /// Kind that came.
        kind: u8,
    },
    /// The payload ends within a field.
    #[error("payload of kind 0x{kind:02x}: expected at least {expected} bytes, found {found}")]
    TooShort {
        /// Kind of the frame.
        kind: u8,
        /// Bytes needed up to the field that is cut off.
        expected: usize,
        /// Bytes of payload.
        found: usize,
    },
    /// The payload's list does not end on a whole item.
    #[error("payload of kind 0x{kind:02x}: {found} bytes end within a {item_bytes} byte item")]
    PartialItem {
        /// Kind of the frame.
        kind: u8,
        /// Length of an item.
        item_bytes: usize,
        /// Bytes of payload.
        found: usize,
    },
    /// A field's value is not allowed.
    #[error("{field} of kind 0x{kind:02x}: expected {expected}, found {found}")]
    BadField {
        /// Kind of the frame.
        kind: u8,
        /// Name of the field in the specification.
        field: &'static str,
        /// What is allowed.
        expected: &'static str,
        /// What came.
        found: u32,
    },
}

/// What a channel measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChannelKind {
    /// Tooth pickup.
    Teeth,
    /// Force transducer.
    Force,
    /// Analog input.
    Analog,
    /// Temperature sensor.
    Temperature,
    /// No input, but a loop that holds a load; its rate is the loop's steps a second.
    Load,
    /// No input, but the board's word that it is simulated.
    Simulated,
    /// A kind newer than this crate, with its number.
    Unknown(u8),
}

impl ChannelKind {
    const fn from_wire(number: u8) -> Self {
        match number {
            1 => Self::Teeth,
            2 => Self::Force,
            3 => Self::Analog,
            4 => Self::Temperature,
            5 => Self::Load,
            255 => Self::Simulated,
            unknown => Self::Unknown(unknown),
        }
    }

    const fn to_wire(self) -> u8 {
        match self {
            Self::Teeth => 1,
            Self::Force => 2,
            Self::Analog => 3,
            Self::Temperature => 4,
            Self::Load => 5,
            Self::Simulated => 255,
            Self::Unknown(number) => number,
        }
    }
}

/// One channel of a board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Channel {
    /// What it measures.
    pub kind: ChannelKind,
    /// Its number among channels of that kind.
    pub number: u8,
    /// Samples per second; 0: sent as events occur.
    pub rate_hz: u16,
}

impl Channel {
    /// An input with its rate.
    #[must_use]
    pub const fn new(kind: ChannelKind, number: u8, rate_hz: u16) -> Self {
        Self {
            kind,
            number,
            rate_hz,
        }
    }

    /// As in [`Hello::channels`].
    #[must_use]
    pub const fn to_bytes(self) -> [u8; 4] {
        let [rate_low, rate_high] = self.rate_hz.to_le_bytes();
        [self.kind.to_wire(), self.number, rate_low, rate_high]
    }

    /// From [`Hello::channels`].
    #[must_use]
    pub const fn from_bytes([kind, number, rate_low, rate_high]: [u8; 4]) -> Self {
        Self {
            kind: ChannelKind::from_wire(kind),
            number,
            rate_hz: u16::from_le_bytes([rate_low, rate_high]),
        }
    }
}

/// Who and what a board is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hello<'a> {
    /// Unique to the board, and always the same.
    pub board_id: u64,
    /// Different after each start.
    pub boot: u16,
    /// Firmware version: major, minor, patch.
    pub firmware: [u8; 3],
    /// Ticks per second, [`TICK_HZ_MIN`] to [`TICK_HZ_MAX`].
    pub tick_hz: u32,
    /// Channels as on the wire, see [`Channel::to_bytes`]; at most 56 fit.
    pub channels: &'a [[u8; 4]],
}

impl<'a> Hello<'a> {
    /// The channels.
    pub fn channels(&self) -> impl ExactSizeIterator<Item = Channel> + use<'a> {
        self.channels.iter().copied().map(Channel::from_bytes)
    }

    /// Whether the board says that it is simulated: no engine turns behind it.
    #[must_use]
    pub fn is_simulated(&self) -> bool {
        self.channels().any(|it| it.kind == ChannelKind::Simulated)
    }

    /// Steps a second of the loop that holds a load; none where the board lists no such loop.
    #[must_use]
    pub fn load_rate_hz(&self) -> Option<u16> {
        let mut channels = self.channels();
        let load = channels.find(|it| it.kind == ChannelKind::Load && it.number == 0);
        load.map(|it| it.rate_hz).filter(|rate| *rate > 0)
    }
}

/// Times of successive teeth of one pickup. The frame's tick is the time of the first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Teeth<'a> {
    /// Pickup number; 0 is the one the overspeed limit guards.
    pub pickup: u8,
    /// Running number of the first tooth since the board started, modulo 2^32: a lost frame loses
    /// times, but no angle.
    pub first_tooth: u32,
    /// Ticks from each tooth to the next, little endian as on the wire. One fewer than teeth; at
    /// most 119 fit. [`TeethBatch`](crate::TeethBatch) makes them.
    pub deltas: &'a [[u8; 2]],
}

impl<'a> Teeth<'a> {
    /// Ticks from each tooth to the next.
    pub fn deltas(&self) -> impl ExactSizeIterator<Item = u16> + use<'a> {
        self.deltas.iter().copied().map(u16::from_le_bytes)
    }

    /// Tick of every tooth, given the first's, which came with the message.
    pub fn ticks(&self, first_tick: u64) -> impl Iterator<Item = u64> + use<'a> {
        let later = self.deltas().scan(first_tick, |tick, delta| {
            *tick = tick.wrapping_add(u64::from(delta));
            Some(*tick)
        });
        core::iter::once(first_tick).chain(later)
    }

    /// Number of teeth.
    #[must_use]
    #[expect(
        clippy::len_without_is_empty,
        reason = "a frame holds at least one tooth"
    )]
    pub const fn len(&self) -> usize {
        self.deltas.len() + 1
    }
}

/// One scan of consecutive analog channels, all at the frame's tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Analog<'a> {
    /// Number of the first channel.
    pub first_channel: u8,
    /// Counts of that channel and the following, `i16` little endian as on the wire.
    pub counts: &'a [[u8; 2]],
}

impl<'a> Analog<'a> {
    /// Counts of the first channel and the following.
    pub fn counts(&self) -> impl ExactSizeIterator<Item = i16> + use<'a> {
        self.counts.iter().copied().map(i16::from_le_bytes)
    }
}

/// State of the cut output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BoardState {
    /// The engine may run.
    Running,
    /// The engine is cut.
    Cut,
}

/// Why a board cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CutCause {
    /// The host said so.
    HostCommand,
    /// Teeth came too fast.
    Overspeed,
    /// The host went silent.
    HeartbeatLost,
    /// A temperature passed its limit.
    OverTemperature,
    /// The board's self-test failed.
    SelfTestFailure,
    /// The board was reset by its watchdog, or in any other way than by power-on.
    WatchdogReset,
    /// Teeth of pickup 0 were missed: its period jumped by a whole factor.
    Miscounting,
    /// The load was lost, or could not hold the engine.
    Load,
    /// Another cause, or one newer than this crate.
    Other,
}

impl CutCause {
    const fn from_wire(number: u8) -> Self {
        match number {
            1 => Self::HostCommand,
            2 => Self::Overspeed,
            3 => Self::HeartbeatLost,
            4 => Self::OverTemperature,
            5 => Self::SelfTestFailure,
            6 => Self::WatchdogReset,
            8 => Self::Miscounting,
            9 => Self::Load,
            _ => Self::Other,
        }
    }

    const fn to_wire(self) -> u8 {
        match self {
            Self::HostCommand => 1,
            Self::Overspeed => 2,
            Self::HeartbeatLost => 3,
            Self::OverTemperature => 4,
            Self::SelfTestFailure => 5,
            Self::WatchdogReset => 6,
            Self::Other => 7,
            Self::Miscounting => 8,
            Self::Load => 9,
        }
    }
}

/// A temperature at which the board cuts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TemperatureLimit {
    /// Temperature channel.
    pub channel: u8,
    /// Highest counts allowed.
    pub counts_max: i32,
}

impl TemperatureLimit {
    /// The limit of a channel.
    #[must_use]
    pub const fn new(channel: u8, counts_max: i32) -> Self {
        Self {
            channel,
            counts_max,
        }
    }
}

/// At most four temperature limits.
pub type TemperatureLimits = heapless::Vec<TemperatureLimit, 4>;

/// What the board guards by itself. The default guards nothing, as after a start.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Limits {
    /// Shortest time between teeth of pickup 0, in ticks; 0: no limit.
    pub tooth_period_ticks_min: u32,
    /// Successive shorter periods that make the board cut; 0 counts as 1.
    pub short_periods_to_cut: u8,
    /// Longest time between heartbeats, milliseconds; 0: not guarded.
    pub heartbeat_timeout_ms: u16,
    /// Temperatures.
    pub temperatures: TemperatureLimits,
}

impl Limits {
    fn parse(kind: u8, fields: &mut Fields<'_>) -> Result<Self, ParseError> {
        let mut limits = Self {
            tooth_period_ticks_min: fields.u32()?,
            short_periods_to_cut: fields.u8()?,
            heartbeat_timeout_ms: fields.u16()?,
            temperatures: TemperatureLimits::new(),
        };
        let n = fields.u8()?;
        for _ in 0..n {
            let limit = TemperatureLimit::new(fields.u8()?, fields.i32()?);
            limits
                .temperatures
                .push(limit)
                .map_err(|_limit| ParseError::BadField {
                    kind,
                    field: "n",
                    expected: "at most 4",
                    found: u32::from(n),
                })?;
        }
        Ok(limits)
    }

    fn write(&self, body: &mut Body) {
        body.put(&self.tooth_period_ticks_min.to_le_bytes());
        body.put(&[self.short_periods_to_cut]);
        body.put(&self.heartbeat_timeout_ms.to_le_bytes());
        #[expect(clippy::cast_possible_truncation, reason = "the list holds at most 4")]
        body.put(&[self.temperatures.len() as u8]);
        for limit in &self.temperatures {
            body.put(&[limit.channel]);
            body.put(&limit.counts_max.to_le_bytes());
        }
    }
}

/// State of the cut output, error counts, limits in force.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Status {
    /// State of the cut output.
    pub state: BoardState,
    /// Number of the latest cut since the board started; 0: none.
    pub cut_id: u16,
    /// Why that cut was; `None` if there was none.
    pub cause: Option<CutCause>,
    /// Pickup edges the board could not record since it started.
    pub captures_lost: u32,
    /// Frames from the host that were damaged or unreadable since the board started.
    pub receive_errors: u32,
    /// What the board guards by itself now.
    pub limits: Limits,
}

impl Status {
    /// Of a board that runs, was never cut and lost nothing.
    #[must_use]
    pub const fn running(limits: Limits) -> Self {
        Self {
            state: BoardState::Running,
            cut_id: 0,
            cause: None,
            captures_lost: 0,
            receive_errors: 0,
            limits,
        }
    }
}

/// What a board sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BoardMessage<'a> {
    /// Who and what it is.
    Hello(Hello<'a>),
    /// Times of pickup teeth.
    Teeth(Teeth<'a>),
    /// One force sample.
    Force {
        /// Force channel.
        channel: u8,
        /// Converter counts.
        counts: i32,
    },
    /// One scan of analog channels.
    Analog(Analog<'a>),
    /// One temperature sample.
    Temperature {
        /// Temperature channel.
        channel: u8,
        /// Converter counts, rising with temperature; or [`TEMPERATURE_UNREADABLE`].
        counts: i32,
    },
    /// State of the cut output, error counts, limits in force.
    Status(Status),
    /// The cut output was just switched, at the frame's tick.
    Cut {
        /// Number of this cut since the board started, from 1.
        cut_id: u16,
        /// Why.
        cause: CutCause,
    },
    /// State of the load.
    Load(LoadStatus),
}

impl<'a> BoardMessage<'a> {
    /// Reads a board's frame.
    ///
    /// # Errors
    /// The kind is unknown, or the payload breaks its layout.
    pub fn parse(frame: &Frame<'a>) -> Result<Self, ParseError> {
        let mut fields = Fields::of(frame);
        Ok(match frame.kind {
            kind::HELLO => Self::Hello(Hello {
                board_id: fields.u64()?,
                boot: fields.u16()?,
                firmware: fields.three()?,
                tick_hz: tick_hz(fields.u32()?)?,
                channels: {
                    let n = fields.u8()?;
                    fields.items(n)?
                },
            }),
            kind::TEETH => Self::Teeth(Teeth {
                pickup: fields.u8()?,
                first_tooth: fields.u32()?,
                deltas: fields.rest()?,
            }),
            kind::FORCE => Self::Force {
                channel: fields.u8()?,
                counts: fields.i32()?,
            },
            kind::ANALOG => Self::Analog(Analog {
                first_channel: fields.u8()?,
                counts: fields.rest()?,
            }),
            kind::TEMPERATURE => Self::Temperature {
                channel: fields.u8()?,
                counts: fields.i32()?,
            },
            kind::STATUS => Self::Status(Status {
                state: state(fields.u8()?)?,
                cut_id: fields.u16()?,
                cause: match fields.u8()? {
                    0 => None,
                    cause => Some(CutCause::from_wire(cause)),
                },
                captures_lost: fields.u32()?,
                receive_errors: fields.u32()?,
                limits: Limits::parse(kind::STATUS, &mut fields)?,
            }),
            kind::CUT => Self::Cut {
                cut_id: fields.u16()?,
                cause: CutCause::from_wire(fields.u8()?),
            },
            kind::LOAD => Self::Load(LoadStatus::parse(&mut fields)?),
            kind => return Err(ParseError::UnknownKind { kind }),
        })
    }

    /// Encodes one frame, delimiter included, and returns its length. [`FrameWriter`] also keeps
    /// the number.
    ///
    /// [`FrameWriter`]: crate::FrameWriter
    ///
    /// # Errors
    /// The payload does not fit: too many deltas, counts or channels.
    pub fn encode(
        &self,
        seq: u16,
        tick: u32,
        out: &mut [u8; FRAME_BYTES_MAX],
    ) -> Result<usize, EncodeError> {
        encode(self, seq, tick, out)
    }
}

fn tick_hz(found: u32) -> Result<u32, ParseError> {
    if (TICK_HZ_MIN..=TICK_HZ_MAX).contains(&found) {
        return Ok(found);
    }
    let expected = "100 kHz to 50 MHz";
    Err(ParseError::BadField {
        kind: kind::HELLO,
        field: "tick_hz",
        expected,
        found,
    })
}

fn state(found: u8) -> Result<BoardState, ParseError> {
    match found {
        0 => Ok(BoardState::Running),
        1 => Ok(BoardState::Cut),
        // Neither running nor a confirmed cut may be read out of a state not understood.
        _ => Err(ParseError::BadField {
            kind: kind::STATUS,
            field: "state",
            expected: "0 or 1",
            found: u32::from(found),
        }),
    }
}

impl Payload for BoardMessage<'_> {
    fn kind(&self) -> u8 {
        match self {
            Self::Hello(_) => kind::HELLO,
            Self::Teeth(_) => kind::TEETH,
            Self::Force { .. } => kind::FORCE,
            Self::Analog(_) => kind::ANALOG,
            Self::Temperature { .. } => kind::TEMPERATURE,
            Self::Status(_) => kind::STATUS,
            Self::Cut { .. } => kind::CUT,
            Self::Load(_) => kind::LOAD,
        }
    }

    fn write(&self, body: &mut Body) {
        match self {
            Self::Hello(hello) => {
                body.put(&hello.board_id.to_le_bytes());
                body.put(&hello.boot.to_le_bytes());
                body.put(&hello.firmware);
                body.put(&hello.tick_hz.to_le_bytes());
                // A list too long for this byte is too long for the frame, which refuses it.
                body.put(&[u8::try_from(hello.channels.len()).unwrap_or(u8::MAX)]);
                body.put(hello.channels.as_flattened());
            }
            Self::Teeth(teeth) => {
                body.put(&[teeth.pickup]);
                body.put(&teeth.first_tooth.to_le_bytes());
                body.put(teeth.deltas.as_flattened());
            }
            Self::Force { channel, counts } | Self::Temperature { channel, counts } => {
                body.put(&[*channel]);
                body.put(&counts.to_le_bytes());
            }
            Self::Analog(analog) => {
                body.put(&[analog.first_channel]);
                body.put(analog.counts.as_flattened());
            }
            Self::Status(status) => {
                body.put(&[match status.state {
                    BoardState::Running => 0,
                    BoardState::Cut => 1,
                }]);
                body.put(&status.cut_id.to_le_bytes());
                body.put(&[status.cause.map_or(0, CutCause::to_wire)]);
                body.put(&status.captures_lost.to_le_bytes());
                body.put(&status.receive_errors.to_le_bytes());
                status.limits.write(body);
            }
            Self::Cut { cut_id, cause } => {
                body.put(&cut_id.to_le_bytes());
                body.put(&[cause.to_wire()]);
            }
            Self::Load(status) => status.write(body),
        }
    }
}

/// What a host sends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HostMessage {
    /// Alive and fit to guard.
    Heartbeat,
    /// Limits the board is to guard by itself.
    Limits(Limits),
    /// Cut now.
    Cut {
        /// The host's own number for why; boards do not interpret it.
        reason: u8,
    },
    /// End a cut.
    Release {
        /// The cut meant: a release of any other has no effect.
        cut_id: u16,
    },
    /// Say hello.
    Identify,
    /// Something about the load.
    Load(LoadCommand),
}

impl HostMessage {
    /// Reads a host's frame.
    ///
    /// # Errors
    /// The kind is unknown, or the payload breaks its layout.
    pub fn parse(frame: &Frame<'_>) -> Result<Self, ParseError> {
        let mut fields = Fields::of(frame);
        Ok(match frame.kind {
            kind::HEARTBEAT => Self::Heartbeat,
            kind::LIMITS => Self::Limits(Limits::parse(kind::LIMITS, &mut fields)?),
            kind::HOST_CUT => Self::Cut {
                reason: fields.u8()?,
            },
            kind::RELEASE => Self::Release {
                cut_id: fields.u16()?,
            },
            kind::IDENTIFY => Self::Identify,
            kind::LOAD_MAP => Self::Load(LoadCommand::Map(LoadMap::parse(&mut fields)?)),
            kind::LOAD_GAINS => Self::Load(LoadCommand::Gains(LoadGains::parse(&mut fields)?)),
            kind::LOAD_DEMAND => Self::Load(LoadCommand::Demand(LoadDemand::parse(&mut fields)?)),
            kind::LOAD_ARM => Self::Load(LoadCommand::Arm(LoadArm::parse(&mut fields)?)),
            kind => return Err(ParseError::UnknownKind { kind }),
        })
    }

    /// Encodes one frame, delimiter included, and returns its length. [`FrameWriter`] also keeps
    /// the number.
    ///
    /// [`FrameWriter`]: crate::FrameWriter
    ///
    /// # Errors
    /// None in practice: every host message fits.
    pub fn encode(
        &self,
        seq: u16,
        host_ms: u32,
        out: &mut [u8; FRAME_BYTES_MAX],
    ) -> Result<usize, EncodeError> {
        encode(self, seq, host_ms, out)
    }
}

impl Payload for HostMessage {
    fn kind(&self) -> u8 {
        match self {
            Self::Heartbeat => kind::HEARTBEAT,
            Self::Limits(_) => kind::LIMITS,
            Self::Cut { .. } => kind::HOST_CUT,
            Self::Release { .. } => kind::RELEASE,
            Self::Identify => kind::IDENTIFY,
            Self::Load(command) => command.kind(),
        }
    }

    fn write(&self, body: &mut Body) {
        match self {
            Self::Heartbeat | Self::Identify => {}
            Self::Limits(limits) => limits.write(body),
            Self::Cut { reason } => body.put(&[*reason]),
            Self::Release { cut_id } => body.put(&cut_id.to_le_bytes()),
            Self::Load(command) => command.write(body),
        }
    }
}
