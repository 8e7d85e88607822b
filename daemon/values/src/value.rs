//! A value, and why it may be lost.

use leverarm_config::Channel;
use leverarm_config::display::DisplayUnits;
use leverarm_torque::sensor::LawError;

/// Why a value can't be right.
#[derive(Debug, Clone, PartialEq)]
pub enum Lost {
    /// The board reports the sensor as broken.
    Unreadable,
    /// The sensor's law has no value for these counts.
    Law(LawError),
    /// It is outside of what the stand file expects.
    Unexpected,
    /// Its samples stay away.
    Silent {
        /// For so long, µs.
        us: u64,
    },
    /// The cold junction of a thermocouple is lost.
    ColdJunction(Box<Self>),
}

/// A value, in SI.
#[derive(Debug, Clone, Default, PartialEq)]
pub enum Value {
    /// Nothing came yet.
    #[default]
    Unknown,
    /// A believable value.
    Good(f64),
    /// The sensor can't be right: why, and the value where there is one.
    Lost(Lost, Option<f64>),
}

impl Value {
    /// The value, believable or not.
    #[must_use]
    pub const fn si(&self) -> Option<f64> {
        match self {
            Self::Good(si) => Some(*si),
            Self::Lost(_, si) => *si,
            Self::Unknown => None,
        }
    }

    /// The value, where it is believable.
    #[must_use]
    pub const fn good(&self) -> Option<f64> {
        match self {
            Self::Good(si) => Some(*si),
            Self::Lost(..) | Self::Unknown => None,
        }
    }

    /// Why the sensor can't be right, in words.
    #[must_use]
    pub fn lost(&self, channel: &Channel, units: &DisplayUnits) -> Option<String> {
        match self {
            Self::Lost(why, si) => Some(why.words(*si, channel, units)),
            Self::Good(_) | Self::Unknown => None,
        }
    }
}

impl Lost {
    fn words(&self, si: Option<f64>, channel: &Channel, units: &DisplayUnits) -> String {
        match (self, si) {
            (Self::Unreadable, _) => "the board reports the sensor as broken".to_owned(),
            (Self::Silent { us }, _) => format!("no sample for {:.1} s", *us as f64 * 1e-6),
            (Self::Law(error), _) => error.to_string(),
            (Self::Unexpected, Some(si)) => {
                let text = channel.quantity.display_unit(units).text(si, 1);
                format!("{text} is outside what is expected")
            }
            (Self::Unexpected, None) => "it is outside what is expected".to_owned(),
            (Self::ColdJunction(why), _) => {
                format!(
                    "its cold junction is lost: {}",
                    why.words(None, channel, units)
                )
            }
        }
    }
}
