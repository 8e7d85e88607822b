//! Speeds averaged over whole turns: tooth errors cancel in them, and so does the working cycle.
//!
//! ```
//! use leverarm_filters::teeth::ToothTrain;
//! use leverarm_torque::turns::turn_speeds;
//!
//! // Four teeth, a turn a second; every fourth tooth is out of its place by a tenth of a pitch.
//! let late_s = |tooth: i32| if tooth % 4 == 1 { 0.025 } else { 0.0 };
//! let train = ToothTrain {
//!     time_s: (0..40).map(|tooth| 0.25 * f64::from(tooth) + late_s(tooth)).collect(),
//!     index: (0..40).collect(),
//!     ..ToothTrain::default()
//! };
//! for turn in turn_speeds(&train, 4, 0.0, 0.5) {
//!     assert!((turn.omega_rad_per_s - std::f64::consts::TAU).abs() < 1e-9);
//! }
//! ```

use leverarm_filters::teeth::ToothTrain;

/// Mean speed over some whole turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TurnSpeed {
    /// First instant, s on the train's time base.
    pub from_s: f64,
    /// Last instant, s.
    pub to_s: f64,
    /// Mean speed between them, rad/s.
    pub omega_rad_per_s: f64,
}

impl TurnSpeed {
    /// The instant that the speed belongs to: exact while the acceleration is steady, s.
    #[must_use]
    pub const fn middle_s(&self) -> f64 {
        0.5 * (self.from_s + self.to_s)
    }
}

/// Speeds over successive stretches, each of so many whole turns that it lasts `shortest_s` and
/// covers a working cycle. Stretches that end in a missed tooth begin again at the next.
///
/// `cycles_per_turn`: working cycles of the engine per turn of the wheel; anything not positive
/// counts as no engine.
#[must_use]
pub fn turn_speeds(
    train: &ToothTrain,
    teeth_per_turn: u32,
    cycles_per_turn: f64,
    shortest_s: f64,
) -> Vec<TurnSpeed> {
    let teeth = i64::from(teeth_per_turn.max(1));
    let pitch = std::f64::consts::TAU / teeth as f64;
    let turns_per_cycle = if cycles_per_turn > 0.0 {
        turns(0.999 / cycles_per_turn)
    } else {
        1
    };
    let mut found = Vec::new();
    let mut at = 0;
    while let (Some(index), Some(from_s)) = (train.index.get(at), train.time_s.get(at)) {
        // The turn in hand says how many are needed at this speed.
        let Some(turn_s) = time_of(train, at, index + teeth).map(|(_, to_s)| to_s - from_s) else {
            at += 1;
            continue;
        };
        let wanted = turns_per_cycle.max(turns(shortest_s / turn_s.max(1e-9)));
        let Some((to, to_s)) = time_of(train, at, index + teeth * wanted) else {
            at += 1;
            continue;
        };
        found.push(TurnSpeed {
            from_s: *from_s,
            to_s,
            omega_rad_per_s: pitch * (teeth * wanted) as f64 / (to_s - from_s),
        });
        at = to;
    }
    found
}

/// Whole turns, at least one, that hold so many.
fn turns(needed: f64) -> i64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "float `as` saturates, and the bounds are small"
    )]
    let whole = needed.ceil().clamp(1.0, 1e6) as i64;
    whole
}

/// Position and time of the tooth with this index, at or after a position.
fn time_of(train: &ToothTrain, after: usize, index: i64) -> Option<(usize, f64)> {
    let rest = train.index.get(after..)?;
    let at = after + rest.binary_search(&index).ok()?;
    Some((at, *train.time_s.get(at)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Teeth of a wheel with a steady acceleration, every second one late by 2 % of a pitch.
    fn train(teeth: u32, omega: f64, alpha: f64, count: u32) -> ToothTrain {
        let pitch = std::f64::consts::TAU / f64::from(teeth);
        let time = |k: u32| {
            let late = if k.is_multiple_of(2) { 0.0 } else { 0.02 };
            let theta = pitch * (f64::from(k) + late);
            (-omega + (omega * omega + 2.0 * alpha * theta).sqrt()) / alpha
        };
        ToothTrain {
            time_s: (0..count).map(time).collect(),
            index: (0..i64::from(count)).collect(),
            ..ToothTrain::default()
        }
    }

    /// ω = ω₀ + α t at the middle of each stretch, whatever the teeth.
    #[test]
    fn tooth_errors_cancel() {
        let train = train(8, 50.0, 10.0, 800);
        let speeds = turn_speeds(&train, 8, 3.0, 0.1);
        assert!(speeds.len() > 20, "{}", speeds.len());
        for speed in speeds {
            let exact = 50.0 + 10.0 * speed.middle_s();
            assert!((speed.omega_rad_per_s - exact).abs() < 1e-9);
            assert!(speed.to_s - speed.from_s >= 0.1);
        }
    }

    #[test]
    fn a_missed_tooth_costs_no_more_than_its_stretch() {
        let mut train = train(8, 50.0, 10.0, 800);
        train.time_s.remove(400);
        train.index.remove(400);
        for speed in turn_speeds(&train, 8, 3.0, 0.1) {
            let exact = 50.0 + 10.0 * speed.middle_s();
            assert!((speed.omega_rad_per_s - exact).abs() < 1e-9);
        }
    }

    #[test]
    fn a_cycle_of_two_turns_is_covered() {
        let train = train(2, 300.0, 1.0, 400);
        let speeds = turn_speeds(&train, 2, 0.5, 0.0);
        let two_turns = 2.0 * std::f64::consts::TAU / 300.0;
        assert!(((speeds[0].to_s - speeds[0].from_s) / two_turns - 1.0).abs() < 1e-3);
    }

    #[test]
    fn too_few_teeth_give_nothing() {
        assert_eq!(turn_speeds(&ToothTrain::default(), 8, 3.0, 0.1), []);
        assert_eq!(turn_speeds(&train(8, 50.0, 1.0, 7), 8, 3.0, 0.1), []);
    }
}
