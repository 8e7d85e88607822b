//! What no stand with these numbers can do: how hard its shafts are driven and stopped, and what
//! follows for pickups and overspeed guards. Guards and `leverarm check` share it.

use std::f64::consts::{FRAC_1_SQRT_2, TAU};

use crate::stand::{Guard, Pickup, Shaft, Stand};

/// Greatest mean effective pressure, Pa: twice that of boosted engines. Naturally aspirated ones
/// reach 0.85 to 1.05 MPa, boosted ones 1.25 to 1.7 MPa (Heywood, Internal Combustion Engine
/// Fundamentals, section 2.7, from memory).
pub const MEAN_EFFECTIVE_PRESSURE_PA_MAX: f64 = 3e6;
/// Without displacement or inertia nothing stops a drum harder than this, rad/s² (our judgement).
const DRUM_RAD_PER_S2_MAX: f64 = 500.0;
/// Nothing stops an engine harder, rad/s²: one that stalls against its compression at idle takes a
/// turn (our judgement).
const ENGINE_RAD_PER_S2_MAX: f64 = 3_000.0;
/// Pitches after an overspeed began until two whole ones have passed.
const PITCHES_TO_SEE: f64 = 2.5;
/// With a debounce, a last pitch may begin just before it is over.
const PITCHES_OF_DEBOUNCE: f64 = 1.5;
/// What each gone tooth adds: it hides a pitch before, between or after the two.
const PITCHES_PER_GONE_TOOTH: f64 = 4.5;

/// How late an overspeed guard sees that its limit is passed, by teeth and debounce alone: the way
/// to the cut relay comes on top.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reaction {
    /// From the limit passed to the guard tripped, s.
    pub seconds: f64,
    /// What the guarded shaft gains meanwhile, rad/s, driven as hard as an engine of this
    /// displacement could at [`MEAN_EFFECTIVE_PRESSURE_PA_MAX`]; `None` where that is not known.
    pub gained_rad_per_s: Option<f64>,
}

impl Stand {
    /// The pickup that a shaft's speed is taken from: its own, or the other through the drive.
    #[must_use]
    pub fn speed_pickup(&self, shaft: Shaft) -> Option<&Pickup> {
        let own = self.pickups.iter().find(|pickup| pickup.shaft == shaft);
        own.or_else(|| self.pickups.first())
    }

    /// Torque at the crank that no engine of this displacement makes, N·m: that of
    /// [`MEAN_EFFECTIVE_PRESSURE_PA_MAX`]; `None` without a displacement.
    #[must_use]
    pub fn engine_torque_bound_nm(&self) -> Option<f64> {
        let displacement_m3 = self.engine.displacement_m3?;
        let work_j = MEAN_EFFECTIVE_PRESSURE_PA_MAX * displacement_m3;
        Some(work_j * self.engine.cycles_per_turn / TAU)
    }

    /// Nothing drives the drum harder than this, rad/s²: torque bound through drum and crank.
    #[must_use]
    pub fn drum_gain_bound_rad_per_s2(&self) -> Option<f64> {
        let ratio = self.drive.engine_per_drum.value;
        let drum = self.drum.as_ref()?.inertia_kg_m2.value;
        let inertia = drum + ratio * ratio * self.engine.inertia_kg_m2.value;
        Some(self.engine_torque_bound_nm()? * ratio / inertia)
    }

    /// How much lower the lowest gear is than the one of the ratio, 1 without one.
    #[must_use]
    pub fn lowest_gear(&self) -> f64 {
        let ratio = self.drive.engine_per_drum.value;
        let gears = self.drive.other_gears.iter().map(|gear| gear / ratio);
        gears.fold(1.0, f64::max)
    }

    /// Nothing stops a shaft harder than this, rad/s². For a drum: twice its losses, its brake, and
    /// an engine that holds against it in the lowest gear with the torque bound of the displacement.
    #[must_use]
    pub fn stop_bound_rad_per_s2(&self, shaft: Shaft) -> f64 {
        let drum = || {
            let drum = self.drum.as_ref()?;
            let inertia = drum.inertia_kg_m2.value;
            let brake_nm = drum.brake_torque_nm.unwrap_or(0.0);
            let top_rad_per_s = self.pull.end_rad_per_s / self.drive.engine_per_drum.value;
            let losses_nm = self.losses.torque_nm(top_rad_per_s);
            let ratio = self.drive.engine_per_drum.value * self.lowest_gear();
            let held_nm = self.engine_torque_bound_nm()? * ratio;
            Some((2.0 * losses_nm + brake_nm + held_nm) / inertia)
        };
        match shaft {
            Shaft::Drum => drum().unwrap_or(DRUM_RAD_PER_S2_MAX),
            Shaft::Engine => ENGINE_RAD_PER_S2_MAX,
        }
    }

    /// The speed of a pickup's wheel below which nobody can tell whether its teeth are lost: from
    /// there it may stop within one pitch. rad/s.
    #[must_use]
    pub fn blind_below_rad_per_s(&self, pickup: &Pickup) -> f64 {
        blind_below_rad_per_s(
            self.stop_bound_rad_per_s2(pickup.shaft),
            TAU / f64::from(pickup.teeth.max(1)),
        )
    }

    /// How late an overspeed guard is at most, with so many teeth gone from the wheel it sees;
    /// `None` for any other guard.
    ///
    /// So many teeth can be told from a lower speed only while two of those left are neighbours, or
    /// their gaps differ: not with every second one gone, and not on a wheel with one tooth left.
    #[must_use]
    pub fn overspeed_reaction(&self, guard: &Guard, teeth_gone: u8) -> Option<Reaction> {
        let (shaft, limit_rad_per_s) = guard.overspeed_rad_per_s()?;
        let pickup = self.speed_pickup(shaft)?;
        let wheel_rad_per_s = self
            .drive
            .speed_rad_per_s(limit_rad_per_s, shaft, pickup.shaft);
        let pitch_s = TAU / (f64::from(pickup.teeth.max(1)) * wheel_rad_per_s);
        let debounced = if guard.debounce_ms > 0 {
            PITCHES_OF_DEBOUNCE
        } else {
            0.0
        };
        let gone = PITCHES_PER_GONE_TOOTH * f64::from(teeth_gone);
        let pitches = PITCHES_TO_SEE + debounced + gone;
        let seconds = pitches * pitch_s + 1e-3 * f64::from(guard.debounce_ms);
        let gain = self.drum_gain_bound_rad_per_s2();
        let gain = gain.map(|gain| self.drive.speed_rad_per_s(gain, Shaft::Drum, shaft));
        Some(Reaction {
            seconds,
            gained_rad_per_s: gain.map(|gain| gain * seconds),
        })
    }
}

/// The mean speed over the last pitch, rad/s, below which a wheel may come to rest before its next
/// tooth, when nothing stops it harder than so many rad/s².
///
/// At the last tooth the speed was the mean over its pitch φ less half of what was lost there,
/// ω = ω̄ − α φ/ω̄ / 2. From there it stops within one pitch if ω² ≤ 2 α φ, that is ω̄ ≤ (1 + √2)/√2 · √(α φ).
#[must_use]
pub fn blind_below_rad_per_s(stops_within_rad_per_s2: f64, pitch_rad: f64) -> f64 {
    (1.0 + FRAC_1_SQRT_2) * (stops_within_rad_per_s2 * pitch_rad).sqrt()
}
