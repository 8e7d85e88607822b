//! What the counts of a stand mean.

use leverarm_config::{Channel, ChannelId, Shaft, Stand};
use leverarm_torque::reduce::{LoadCellModel, ReductionModel};

use crate::calibration::Calibration;
use crate::model;
use crate::value::{Lost, Value};

/// A stand file with the calibrations in force.
#[derive(Debug, Clone)]
pub struct CalibratedStand {
    stand: Stand,
    model: ReductionModel,
    cell: Option<LoadCellModel>,
}

impl CalibratedStand {
    /// A stand as measured last.
    #[must_use]
    pub fn new(stand: Stand, calibration: &Calibration) -> Self {
        Self {
            model: model::model(&stand, calibration),
            cell: model::load_cell_model(&stand, calibration),
            stand,
        }
    }

    /// A stand by its file alone.
    #[must_use]
    pub fn uncalibrated(stand: Stand) -> Self {
        Self::new(stand, &Calibration::default())
    }

    /// The stand file.
    #[must_use]
    pub fn stand(&self) -> &Stand {
        &self.stand
    }

    /// Inertia, losses, ratio: what torque is made with.
    #[must_use]
    pub fn model(&self) -> &ReductionModel {
        &self.model
    }

    /// The load cell; none where the stand has none.
    #[must_use]
    pub fn cell(&self) -> Option<&LoadCellModel> {
        self.cell.as_ref()
    }

    /// The board's channel of the load cell.
    #[must_use]
    pub fn cell_channel(&self) -> Option<u8> {
        self.stand.load_cell.as_ref().map(|cell| cell.channel)
    }

    /// Speed of `to` while `from` turns at `rad_per_s`, by the ratio as calibrated.
    #[must_use]
    pub fn speed_rad_per_s(&self, rad_per_s: f64, from: Shaft, to: Shaft) -> f64 {
        let ratio = self.model.engine_per_drum.value();
        match (from, to) {
            (Shaft::Drum, Shaft::Engine) => rad_per_s * ratio,
            (Shaft::Engine, Shaft::Drum) => rad_per_s / ratio,
            (Shaft::Drum, Shaft::Drum) | (Shaft::Engine, Shaft::Engine) => rad_per_s,
        }
    }

    /// What a channel's counts mean; no counts where the board reports the sensor as broken. A
    /// thermocouple takes what its cold junction, a channel too, showed last.
    pub fn channel_value(
        &self,
        channel: &Channel,
        counts: Option<i32>,
        latest: impl Fn(ChannelId) -> Value,
    ) -> Value {
        let Some(counts) = counts else {
            return Value::Lost(Lost::Unreadable, None);
        };
        let cold = channel.cold_junction.map(latest);
        if cold == Some(Value::Unknown) {
            return Value::Unknown; // its first sample is still to come
        }
        let cold_k = cold.as_ref().and_then(Value::si);
        let si = match channel.law.si(f64::from(counts), cold_k) {
            Ok(si) => si,
            Err(error) => return Value::Lost(Lost::Law(error), None),
        };
        // A doubtful value is still given, so that a limit on it holds.
        if let Some(Value::Lost(why, _)) = cold {
            return Value::Lost(Lost::ColdJunction(Box::new(why)), Some(si));
        }
        match channel.expected_si {
            Some((low, high)) if !(low..=high).contains(&si) => {
                Value::Lost(Lost::Unexpected, Some(si))
            }
            _ => Value::Good(si),
        }
    }
}
