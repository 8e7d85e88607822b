//! What an absorber can hold against an engine.

use super::absorber::Absorber;

/// A range of absorber speeds, rad/s, lowest first.
pub type Speeds = (f64, f64);

/// Speeds from lowest to highest where it holds, and where the engine stalls it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reach {
    /// Where its torque, cold, is at least the engine's and a tenth.
    pub holds: Vec<Speeds>,
    /// Where the engine is stronger than it.
    pub stalls: Vec<Speeds>,
    /// Engine's greatest power at its shaft, W.
    pub power_w: f64,
}

/// Torque that must be left for control, as a share of the engine's (common practice, no source).
const RESERVE: f64 = 0.1;

/// Holds the engine's torque at the absorber's shaft (rad/s, N·m, speeds rising) against the absorber's, `left` of it
/// being left by heat.
#[must_use]
pub fn reach(absorber: &Absorber, engine: &[(f64, f64)], left: f64) -> Reach {
    const STEPS: u32 = 200;
    let (Some(first), Some(last)) = (engine.first(), engine.last()) else {
        return Reach::default();
    };
    let step = (last.0 - first.0) / f64::from(STEPS);
    let mut found = Reach::default();
    let mut put = |speed: f64| {
        let torque_nm = super::absorber::between(engine, speed);
        let has_nm = absorber.full_torque_nm(speed) * left;
        found.power_w = found.power_w.max(torque_nm * speed);
        if has_nm < torque_nm {
            extend(&mut found.stalls, speed, step);
        } else if has_nm >= torque_nm * (1.0 + RESERVE) {
            extend(&mut found.holds, speed, step);
        }
    };
    for place in 0..=STEPS {
        put(first.0 + step * f64::from(place));
    }
    found
}

/// Makes the last range longer, or begins one.
fn extend(ranges: &mut Vec<Speeds>, speed: f64, step: f64) {
    match ranges.last_mut() {
        Some(last) if speed - last.1 < 1.5 * step => last.1 = speed,
        _ => ranges.push((speed, speed)),
    }
}
