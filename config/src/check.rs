//! What a stand file amounts to, and what looks wrong about it: for `leverarm check FILE`.

mod absorber;
mod cautions;
mod text;

pub use absorber::{AbsorberSummary, LoopAt};
use leverarm_torque::air::{Air, CorrectionFactor};
use leverarm_torque::inertia::{rim_speed_m_per_s, stored_energy_j};
use leverarm_torque::uncertainty::Measured;

use crate::stand::{AirInput, Drum, Pickup, Shaft, Stand, StandKind};

/// Mass of the car that stored energy is likened to.
const CAR_KG: f64 = 1000.0;
/// One start bit, eight data bits, one stop bit.
const BITS_PER_BYTE: f64 = 10.0;
/// A teeth frame apart from its periods: head 8, pickup 1, first tooth 4, check 2, framing 2.
const TEETH_FRAME_BYTES: f64 = 17.0;
/// Bytes of one tooth period.
const TOOTH_BYTES: f64 = 2.0;
/// Tooth periods that fit into one frame.
const TEETH_PER_FRAME_MAX: f64 = 119.0;
/// A board sends its teeth at least about this often, full frame or not (our assumption).
const TEETH_FRAMES_PER_S_MIN: f64 = 50.0;

/// A stand with what follows from its numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary<'s> {
    /// The stand itself.
    pub stand: &'s Stand,
    /// When the first overspeed guard cuts.
    pub at_cut: Option<AtCut>,
    /// Teeth per second of each pickup at the cut.
    pub teeth_per_s: Vec<(Pickup, f64)>,
    /// Part of the serial line that these teeth take, 1 being all of it.
    pub line_use: f64,
    /// Engine torque that just reaches the smallest acceleration of a pull, N·m, without losses.
    pub least_pull_torque_nm: Option<f64>,
    /// Loss torque at the drum at the end of a pull, N·m.
    pub loss_at_end_nm: f64,
    /// What the absorber can hold.
    pub absorber: Option<AbsorberSummary>,
    /// The correction for the air in the file, when all of it is written there.
    pub correction: Option<CorrectionFactor>,
    /// What looks wrong though it breaks no rule.
    pub cautions: Vec<Caution>,
}

/// The stand at the moment of the first overspeed cut.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AtCut {
    /// Speed of the drum.
    pub drum_rad_per_s: f64,
    /// Speed of the engine.
    pub engine_rad_per_s: f64,
    /// Energy of the turning drum.
    pub stored_energy_j: Option<f64>,
    /// Speed at which a car of 1000 kg has that energy.
    pub car_speed_m_per_s: Option<f64>,
    /// Speed of the drum's outermost point.
    pub rim_speed_m_per_s: Option<f64>,
}

/// Something that looks wrong though it breaks no rule.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    /// The section or key it is about.
    pub key: &'static str,
    /// What it is and what would be better.
    pub text: String,
}

impl Stand {
    /// Works out what the stand's numbers amount to.
    #[must_use]
    pub fn summary(&self) -> Summary<'_> {
        let at_cut = self
            .overspeed_cut_rad_per_s(Shaft::Drum)
            .map(|drum_rad_per_s| {
                let drum = self.drum.as_ref();
                let energy =
                    drum.map(|drum| stored_energy_j(drum.inertia_kg_m2.value, drum_rad_per_s));
                let radius_m = drum.and_then(|drum| drum.outer_radius_m);
                AtCut {
                    drum_rad_per_s,
                    engine_rad_per_s: self.drive.speed_rad_per_s(
                        drum_rad_per_s,
                        Shaft::Drum,
                        Shaft::Engine,
                    ),
                    stored_energy_j: energy,
                    car_speed_m_per_s: energy.map(|joule| (2.0 * joule / CAR_KG).sqrt()),
                    rim_speed_m_per_s: radius_m.map(|m| rim_speed_m_per_s(m, drum_rad_per_s)),
                }
            });
        let teeth_per_s: Vec<(Pickup, f64)> = self
            .pickups
            .iter()
            .filter_map(|pickup| Some((*pickup, self.overspeed_cut_teeth_per_s(pickup)?)))
            .collect();
        let bytes_per_s: f64 = teeth_per_s
            .iter()
            .map(|(_, rate)| teeth_bytes_per_s(*rate))
            .sum();
        let ratio = self.drive.engine_per_drum.value;
        let drum_end_rad_per_s = self.pull.end_rad_per_s / ratio;
        let mut summary = Summary {
            stand: self,
            at_cut,
            teeth_per_s,
            line_use: bytes_per_s * BITS_PER_BYTE / f64::from(self.port.baud),
            least_pull_torque_nm: self.measuring_drum().map(|drum| {
                drum.inertia_kg_m2.value * self.pull.acceleration_min_rad_per_s2 / (ratio * ratio)
            }),
            loss_at_end_nm: self.losses.torque_nm(drum_end_rad_per_s),
            absorber: self.absorber_summary(),
            correction: self.entered_air().map(|air| self.correction.factor(&air)),
            cautions: Vec::new(),
        };
        summary.cautions = summary.find_cautions();
        summary
    }

    /// The drum, where torque is worked out from its inertia.
    fn measuring_drum(&self) -> Option<&Drum> {
        self.drum.as_ref().filter(|_| self.kind != StandKind::Brake)
    }

    /// The ambient air, when all of it is written in the file.
    #[must_use]
    pub fn entered_air(&self) -> Option<Air> {
        let entered = |input| match input {
            AirInput::Entered(Measured { value, .. }) => Some(value),
            AirInput::Channel(_) => None,
        };
        let pressure_pa = entered(self.air.pressure_pa)?;
        let temperature_k = entered(self.air.temperature_k)?;
        Air::new(
            pressure_pa,
            temperature_k,
            entered(self.air.relative_humidity)?,
        )
        .ok()
    }
}

/// Bytes that a pickup's teeth take on the line.
fn teeth_bytes_per_s(teeth_per_s: f64) -> f64 {
    let frames_per_s = (teeth_per_s / TEETH_PER_FRAME_MAX).max(TEETH_FRAMES_PER_S_MIN);
    teeth_per_s * TOOTH_BYTES + frames_per_s * TEETH_FRAME_BYTES
}
