//! What is said about the load of a brake stand. Section 13 of the specification says what the numbers mean.

use crate::frame::{Body, Fields};
use crate::message::{ParseError, kind};

/// Something with a place in a payload.
trait Wire: Sized {
    fn take(fields: &mut Fields<'_>) -> Result<Self, ParseError>;
    fn put(&self, body: &mut Body);
}

macro_rules! wire_numbers {
    ($($number:ident)*) => {$(
        impl Wire for $number {
            fn take(fields: &mut Fields<'_>) -> Result<Self, ParseError> {
                fields.$number()
            }
            fn put(&self, body: &mut Body) {
                body.put(&self.to_le_bytes());
            }
        }
    )*};
}

wire_numbers!(u8 u16 u32 i32);

impl<T: Wire + Default + Copy> Wire for [T; 8] {
    fn take(fields: &mut Fields<'_>) -> Result<Self, ParseError> {
        let mut all = [T::default(); 8];
        for one in &mut all {
            *one = T::take(fields)?;
        }
        Ok(all)
    }

    fn put(&self, body: &mut Body) {
        for one in self {
            one.put(body);
        }
    }
}

impl Wire for bool {
    fn take(fields: &mut Fields<'_>) -> Result<Self, ParseError> {
        // What is not 0 is yes: a later version may say more.
        Ok(fields.u8()? != 0)
    }

    fn put(&self, body: &mut Body) {
        body.put(&[u8::from(*self)]);
    }
}

/// What the load is to do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LoadMode {
    /// No load.
    #[default]
    Off,
    /// Hold a speed, or go there at a rate.
    Speed,
    /// Hold a torque.
    Torque,
    /// A road's torque over speed.
    Road,
    /// An output, for identification.
    Output,
}

impl Wire for LoadMode {
    fn take(fields: &mut Fields<'_>) -> Result<Self, ParseError> {
        Ok(match fields.u8()? {
            0 => Self::Off,
            1 => Self::Speed,
            2 => Self::Torque,
            3 => Self::Road,
            4 => Self::Output,
            found => {
                return Err(ParseError::BadField {
                    kind: fields.kind(),
                    field: "mode",
                    expected: "0 to 4",
                    found: u32::from(found),
                });
            }
        })
    }

    fn put(&self, body: &mut Body) {
        let number = match self {
            Self::Off => 0,
            Self::Speed => 1,
            Self::Torque => 2,
            Self::Road => 3,
            Self::Output => 4,
        };
        body.put(&[number]);
    }
}

/// Why there is no load, or no more than was.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LoadWhy {
    /// There may be load.
    #[default]
    None,
    /// Nobody armed it since the start or the last end.
    NotArmed,
    /// The engine was cut.
    Cut,
    /// Teeth stopped coming.
    SensorLost,
    /// Too hot.
    TooHot,
    /// Full output, and the speed rose.
    Saturated,
    /// The load was lost.
    LoadLost,
    /// Settings are missing, or can't be worked with.
    NotSet,
    /// Newer than this crate, with its number.
    Unknown(u8),
}

impl Wire for LoadWhy {
    fn take(fields: &mut Fields<'_>) -> Result<Self, ParseError> {
        Ok(match fields.u8()? {
            0 => Self::None,
            1 => Self::NotArmed,
            2 => Self::Cut,
            3 => Self::SensorLost,
            4 => Self::TooHot,
            5 => Self::Saturated,
            6 => Self::LoadLost,
            7 => Self::NotSet,
            unknown => Self::Unknown(unknown),
        })
    }

    fn put(&self, body: &mut Body) {
        let number = match *self {
            Self::None => 0,
            Self::NotArmed => 1,
            Self::Cut => 2,
            Self::SensorLost => 3,
            Self::TooHot => 4,
            Self::Saturated => 5,
            Self::LoadLost => 6,
            Self::NotSet => 7,
            Self::Unknown(number) => number,
        };
        body.put(&[number]);
    }
}

/// A payload that is its fields, one after the other.
macro_rules! payload {
    ($(#[$doc:meta])* $name:ident { $($(#[$of:meta])* $field:ident: $kind:ty,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
        pub struct $name {
            $($(#[$of])* pub $field: $kind,)*
        }

        impl $name {
            pub(crate) fn parse(fields: &mut Fields<'_>) -> Result<Self, ParseError> {
                Ok(Self { $($field: <$kind>::take(fields)?,)* })
            }

            pub(crate) fn write(&self, body: &mut Body) {
                $(self.$field.put(body);)*
            }
        }
    };
}

payload! {
    /// State of the load. Values with 16 bits behind the point are in rad/s, N·m and parts of full load's output.
    LoadStatus {
        /// Number of the settings in force; 0: none.
        settings: u16,
        /// What it does.
        mode: LoadMode,
        /// Whether a person armed it.
        is_armed: bool,
        /// Whether more is asked for than the absorber has, or less than none.
        is_saturated: bool,
        /// Why there is no load, or no more than was.
        why: LoadWhy,
        /// How often it swung since it was armed, and was made softer.
        backed_off: u8,
        /// Output times 65,536.
        output: i32,
        /// Demanded torque times 65,536.
        torque: i32,
        /// Speed of the absorber times 65,536.
        speed: i32,
        /// Speed that it is led along, times 65,536.
        reference: i32,
        /// The engine's torque at the absorber, as the loop sees it, times 65,536.
        engine: i32,
    }
}

payload! {
    /// The absorber's map.
    LoadMap {
        /// Number of these settings, not 0; [`LoadGains`] with the same completes them.
        settings: u16,
        /// Speeds, rad/s times 16, rising, above 0.
        speeds: [u16; 8],
        /// Torques with full output at these, N·m times 16.
        torques: [u16; 8],
        /// Outputs for the squares of eighths of the torque, 1/64, 4/64 to 1, times 32,768, rising.
        outputs: [u16; 8],
    }
}

payload! {
    /// The loop's gains and limits.
    LoadGains {
        /// Number of these settings, not 0; [`LoadMap`] with the same completes them.
        settings: u16,
        /// Teeth of the absorber's wheel.
        teeth: u16,
        /// Teeth over which a speed is measured.
        window_teeth: u16,
        /// Inertia at the absorber, kg·m² times 2²⁰.
        inertia: u32,
        /// Firmness times 256.
        firmness: u16,
        /// N·m per rad/s times 65,536.
        hold: u32,
        /// Approach a second, times 256.
        approach: u32,
        /// Lead times 256.
        lead: u16,
        /// One over the lag, a second, times 256.
        lag: u32,
        /// Ways of the valve a second, times 256; 0: no limit.
        slew: u32,
        /// Least output, times 65,536.
        output_min: i32,
        /// Greatest output, times 65,536.
        output_max: i32,
        /// No load below, rad/s times 65,536.
        stall: u32,
        /// Not passed in torque and road modes, rad/s times 65,536.
        speed_max: u32,
        /// Greatest torque of the engine at the absorber, N·m times 65,536.
        engine_max: u32,
        /// Fastest change of torque, N·m/s times 65,536.
        torque_slew: u32,
        /// How far measured output may be behind, times 65,536.
        follow: u32,
        /// For how many steps.
        follow_steps: u16,
    }
}

payload! {
    /// What the load is to do.
    LoadDemand {
        /// Mode.
        mode: LoadMode,
        /// Speed, torque, output or c₀, times 65,536.
        target: i32,
        /// Greatest acceleration, rad/s² times 65,536, 0: as fast as it goes; or c₁, times 65,536.
        rate: i32,
        /// c₂ times 2³².
        square: i32,
    }
}

payload! {
    /// A person's word.
    LoadArm {
        /// Load may be put on; else it is taken off.
        is_armed: bool,
    }
}

/// What a host says about the load.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LoadCommand {
    /// The absorber's map.
    Map(LoadMap),
    /// Gains and limits.
    Gains(LoadGains),
    /// What to do.
    Demand(LoadDemand),
    /// Whether load may be put on.
    Arm(LoadArm),
}

impl LoadCommand {
    pub(crate) fn kind(&self) -> u8 {
        match self {
            Self::Map(_) => kind::LOAD_MAP,
            Self::Gains(_) => kind::LOAD_GAINS,
            Self::Demand(_) => kind::LOAD_DEMAND,
            Self::Arm(_) => kind::LOAD_ARM,
        }
    }

    pub(crate) fn write(&self, body: &mut Body) {
        match self {
            Self::Map(map) => map.write(body),
            Self::Gains(gains) => gains.write(body),
            Self::Demand(demand) => demand.write(body),
            Self::Arm(arm) => arm.write(body),
        }
    }
}
