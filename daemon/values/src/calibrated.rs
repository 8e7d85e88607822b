//! What the counts of a stand mean.

use leverarm_config::{Channel, ChannelId, NoLoad, Shaft, Stand};
use leverarm_load::absorber::Absorber;
use leverarm_load::controller::Settings;
use leverarm_load::settings::{Task, settings};
use leverarm_torque::reduce::{LoadCellModel, ReductionModel};

use crate::calibration::{Calibration, LoadTuning};
use crate::model;
use crate::value::{Lost, Value};

/// A stand file with the calibrations in force.
#[derive(Debug, Clone)]
pub struct CalibratedStand {
    stand: Stand,
    model: ReductionModel,
    cell: Option<LoadCellModel>,
    load_tuning: Option<LoadTuning>,
}

/// What the board's loop is set for, and to.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadSettings {
    /// The absorber, its lag as measured last.
    pub absorber: Absorber,
    /// The loop's task, inertia and firmness as measured last.
    pub task: Task,
    /// The settings that follow.
    pub made: Settings,
}

impl CalibratedStand {
    /// A stand as measured last.
    #[must_use]
    pub fn new(stand: Stand, calibration: &Calibration) -> Self {
        Self {
            model: model::model(&stand, calibration),
            cell: model::load_cell_model(&stand, calibration),
            load_tuning: calibration
                .load_tuning_of(&stand)
                .filter(|(_, changed)| changed.is_empty())
                .map(|(tuning, _)| tuning.clone()),
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

    /// What the board's loop is to be set to, at so many steps and ticks a second.
    ///
    /// # Errors
    /// What is lacking.
    pub fn load_settings(&self, rate_hz: u16, tick_hz: u32) -> Result<LoadSettings, NoLoad> {
        let stated = self.stand.absorber.as_ref().ok_or(NoLoad::NoAbsorber)?;
        let mut absorber = stated.absorber.clone();
        let stated_kg_m2 = self.inertia_kg_m2();
        let task = |inertia_kg_m2| self.stand.load_task(rate_hz, tick_hz, inertia_kg_m2, 1.0);
        let task = match &self.load_tuning {
            Some(tuned) => {
                absorber.follows = absorber.follows.with_lag(tuned.lag_s.value());
                let found_kg_m2 = tuned.inertia_kg_m2.value();
                let before = if stated_kg_m2 > 0.0 {
                    stated_kg_m2
                } else {
                    found_kg_m2
                };
                task(before)?.tuned(found_kg_m2, tuned.firmness)
            }
            None => task(stated_kg_m2)?,
        };
        let made = settings(&absorber, &task);
        Ok(LoadSettings {
            absorber,
            task,
            made,
        })
    }

    /// Inertia of all that turns, at the absorber, by stand file and calibration of the drum; 0 where the drum's is not known.
    #[must_use]
    pub fn inertia_kg_m2(&self) -> f64 {
        let ratio = self.model.engine_per_drum.value();
        match &self.model.drum_inertia_kg_m2 {
            Some(drum) if drum.value() > 0.0 => {
                drum.value() + ratio * ratio * self.model.engine_inertia_kg_m2.value()
            }
            _ => 0.0,
        }
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
