//! What the loop of the load is told of a stand.

use leverarm_load::settings::Task;

use crate::stand::{Shaft, Stand};

/// Below this share of a pull's start speed there is no load, where the file does not say.
const STALL_SHARE: f64 = 0.5;
/// An engine may be so much stronger than its file says.
const STRONGER: f64 = 1.2;

/// Why a stand's load can't be commanded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoLoad {
    /// It has no absorber.
    #[error("the stand file has no [absorber], so there is no load to command")]
    NoAbsorber,
    /// Its inertia is not known.
    #[error("the absorber's own inertia is not known (key drum.inertia), so its loop has no gains")]
    NoInertia,
    /// Its speed is not read where the board's loop needs it.
    #[error("the loop needs a pickup on the absorber's shaft, on the board's input 0")]
    NoPickup,
}

impl Stand {
    /// What the board's loop is for on this stand, at so many steps and ticks a second. `inertia_kg_m2` is that of all that
    /// turns, at the absorber, as measured last.
    ///
    /// # Errors
    /// See [`NoLoad`].
    pub fn load_task(
        &self,
        rate_hz: u16,
        tick_hz: u32,
        inertia_kg_m2: f64,
        firmness: f64,
    ) -> Result<Task, NoLoad> {
        let stated = self.absorber.as_ref().ok_or(NoLoad::NoAbsorber)?;
        if inertia_kg_m2.is_nan() || inertia_kg_m2 <= 0.0 {
            return Err(NoLoad::NoInertia);
        }
        let on_absorber = |it: &&crate::stand::Pickup| it.channel == 0 && it.shaft == Shaft::Drum;
        let pickup = self
            .pickups
            .iter()
            .find(on_absorber)
            .ok_or(NoLoad::NoPickup)?;
        let ratio = self.drive.engine_per_drum.value;
        let engine = stated.engine_torque.iter().map(|point| point.1 * ratio);
        let engine_nm = engine.fold(0.0, f64::max);
        let absorber = stated.absorber.full_torque.iter().map(|point| point.1);
        let firings_per_turn = self.engine.cycles_per_turn * f64::from(self.engine.cylinders);
        Ok(Task {
            rate_hz,
            tick_hz,
            teeth: pickup.teeth,
            turns_per_firing: 1.0 / firings_per_turn / ratio,
            inertia_kg_m2,
            engine_torque_nm: if engine_nm > 0.0 {
                STRONGER * engine_nm
            } else {
                absorber.fold(0.0, f64::max)
            },
            stall_rad_per_s: stated
                .stall_rad_per_s
                .unwrap_or(STALL_SHARE * self.pull.start_rad_per_s)
                / ratio,
            speed_max_rad_per_s: self.pull.end_rad_per_s / ratio,
            firmness,
        })
    }
}
