//! Settings of the loop that follow from absorber, inertia and board.

use super::absorber::{Absorber, Follows, Kind};
use super::controller::{MAP_POINTS, Q8, Q16, SHARES, Settings};

/// What the loop is for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Task {
    /// Steps a second, from the board.
    pub rate_hz: u16,
    /// Ticks a second, from the board.
    pub tick_hz: u32,
    /// Teeth of the absorber's wheel.
    pub teeth: u16,
    /// Turns of the absorber from one firing to the next; where they are uneven, in a working cycle.
    pub turns_per_firing: f64,
    /// Inertia of all that turns, at the absorber, kg·m².
    pub inertia_kg_m2: f64,
    /// The engine's greatest torque at the absorber, N·m.
    pub engine_torque_nm: f64,
    /// Speed of the absorber below which there is no load, rad/s.
    pub stall_rad_per_s: f64,
    /// Speed that torque and road modes don't let it pass, rad/s.
    pub speed_max_rad_per_s: f64,
    /// How firmly the loop corrects: 1 is what suits the absorber, less is softer.
    pub firmness: f64,
}

impl Task {
    /// The same with the inertia that a tuning found: an acceleration over a change of torque by the map, so an absorber weaker than
    /// its map, as a hot one, passes for more inertia. The engine is no weaker for that: it still makes what it made of
    /// the inertia that was stated, if that is more.
    #[must_use]
    pub fn tuned(self, inertia_kg_m2: f64, firmness: f64) -> Self {
        let heavier = (inertia_kg_m2 / self.inertia_kg_m2).max(1.0);
        Self {
            inertia_kg_m2,
            engine_torque_nm: self.engine_torque_nm * heavier,
            firmness,
            ..self
        }
    }

    /// Teeth over which speed is measured: from firing to firing, so that pulses don't show, and at least half a turn, so that
    /// teeth out of place hardly do.
    #[must_use]
    pub fn window_teeth(&self) -> u16 {
        let firings = (0.5 / self.turns_per_firing).ceil().max(1.0);
        let teeth = (firings * self.turns_per_firing * f64::from(self.teeth)).round();
        u16::try_from(whole(teeth)).unwrap_or(u16::MAX).max(1)
    }
}

/// Time constant with which a reference comes near its target, over the absorber's.
const APPROACH: f64 = 2.6;

/// Share of a valve's stroke that is left to do close to the target.
const STROKE_NEAR: f64 = 0.09;

/// How much of an absorber's lag is taken off by driving it harder for a while, and what share of its stroke a valve is given
/// for a usual correction; and how firmly the loop corrects, 1 being the tuning rule's τc = θ: at 1.1 τc is 0.8 θ, at 0.9 1.2 θ.
/// A water valve is moved more gently: what it moves fast, it makes knock.
fn drive_of(absorber: &Absorber) -> (f64, f64, f64) {
    match (absorber.follows, absorber.kind) {
        (Follows::Coil { forcing, .. }, _) => ((3.0 * forcing).clamp(1.0, 12.0), 0.0, 1.1),
        (Follows::Valve { .. }, Kind::Water) => (1.5, 0.15, 0.9),
        (Follows::Valve { .. }, _) => (2.5, 0.1, 1.1),
        (Follows::Electronics { .. }, _) => (1.0, 0.0, 1.1),
    }
}

/// The loop's settings.
#[must_use]
pub fn settings(absorber: &Absorber, task: &Task) -> Settings {
    let rate_hz = f64::from(task.rate_hz);
    let (lag_s, stroke_s, forcing, back) = match absorber.follows {
        Follows::Coil {
            time_constant_s,
            forcing,
            fast_decay,
            ..
        } => (
            time_constant_s,
            0.0,
            forcing,
            if fast_decay { forcing } else { 0.0 },
        ),
        Follows::Valve { stroke_s, fill_s } => (fill_s, stroke_s, 1.0, 0.0),
        Follows::Electronics { time_constant_s } => (time_constant_s, 0.0, 1.0, 0.0),
    };
    let (lead, stroke_share, firmness) = drive_of(absorber);
    let quick_s = lag_s / lead + stroke_s * stroke_share + 2.0 / rate_hz;
    // The loop itself keeps its reference within what a valve's stroke lets it do.
    let near_s = lag_s / lead + stroke_s * STROKE_NEAR + 2.0 / rate_hz;
    let top = absorber.full_torque.last().map_or(1.0, |last| last.0);
    let places: [f64; MAP_POINTS] =
        std::array::from_fn(|place| top * (place as f64 + 1.0) / MAP_POINTS as f64);
    let q16 = |value: f64| whole(value * Q16 as f64);
    let q8 = |value: f64| whole(value * Q8 as f64);
    Settings {
        rate_hz: i64::from(task.rate_hz),
        tick_hz: i64::from(task.tick_hz),
        teeth: i64::from(task.teeth),
        window_teeth: i64::from(task.window_teeth()),
        inertia: whole(task.inertia_kg_m2 * f64::from(1 << 20)).max(1),
        firmness: q8(task.firmness * firmness),
        hold: q16(task.inertia_kg_m2 / (2.0 * quick_s)),
        approach: q8(1.0 / (APPROACH * near_s)),
        lead: q8(lead),
        lag: q8(1.0 / lag_s.max(1.0 / rate_hz)),
        slew: if stroke_s > 0.0 {
            q8(1.0 / stroke_s)
        } else {
            0
        },
        output_min: q16(-back),
        output_max: q16(forcing),
        map_speed: places.map(q16),
        map_torque: places.map(|speed| q16(absorber.full_torque_nm(speed))),
        output_for: std::array::from_fn::<i64, { SHARES + 1 }, _>(|eighth| {
            q16(absorber.output_for((eighth as f64 / SHARES as f64).powi(2)))
        }),
        stall: q16(task.stall_rad_per_s),
        speed_max: q16(task.speed_max_rad_per_s),
        engine_max: q16(task.engine_torque_nm),
        torque_slew: q16(task.engine_torque_nm * 2.0),
        follow: q16(0.1),
        follow_steps: i64::from(task.rate_hz / 75),
    }
}

/// The nearest whole number.
fn whole(value: f64) -> i64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "settings are far within, and a cast saturates"
    )]
    let whole = value.round() as i64;
    whole
}
