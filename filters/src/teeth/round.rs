//! After how many teeth a wheel's errors come round.

use std::f64::consts::TAU;

use super::ToothTrain;

/// A wheel is counted wrongly by so many teeth at most; by a factor shows otherwise.
const MISCOUNTED_MAX: u32 = 8;
const TEETH_MIN: u32 = 4;
/// Turns without which lines can't be told apart.
const TURNS_MIN: usize = 30;
/// Power of the middle one of a wheel's lines, over what is beside them: of teeth without errors it is about 1, and errors of
/// a thousandth of a pitch make it some hundred (found in simulation).
const THERE: f64 = 30.0;
const NOT_THERE: f64 = 3.0;
/// What comes round with the engine's cycles is no wheel's: lines so near are not told apart.
const APART: f64 = 8.0;
/// Intervals so many robust standard deviations off count no more than that.
const CLIPPED_SIGMA: f64 = 6.0;

/// The number of teeth with which their errors surely come round, where they don't with the one that is stated. Errors are
/// in all harmonics of a wheel's turn alike, what engine and drive do is in few.
#[must_use]
pub fn errors_come_round(train: &ToothTrain, stated: u32, cycles_per_turn: f64) -> Option<u32> {
    let signal = Intervals::of(train);
    let turns = |teeth: u32| signal.at.len() / teeth.max(1) as usize;
    if turns(stated + MISCOUNTED_MAX) < TURNS_MIN || signal.lines(stated) > NOT_THERE {
        return None;
    }
    let with_cycles = |teeth: u32| {
        let cycles = f64::from(teeth) * cycles_per_turn / f64::from(stated);
        (cycles - cycles.round()).abs() * (turns(teeth) as f64) < APART
    };
    let others = stated.saturating_sub(MISCOUNTED_MAX).max(TEETH_MIN)..=stated + MISCOUNTED_MAX;
    // Of 60 teeth every fifth line is one of 12 teeth, too.
    others
        .rev()
        .filter(|teeth| {
            !teeth.is_multiple_of(stated) && !stated.is_multiple_of(*teeth) && !with_cycles(*teeth)
        })
        .find(|teeth| signal.lines(*teeth) > THERE)
}

/// By how much each pitch took longer than those beside it, with the angle in pitches; fading in and out.
struct Intervals {
    at: Vec<(f64, f64)>,
}

impl Intervals {
    fn of(train: &ToothTrain) -> Self {
        let pitches: Vec<(f64, f64)> = train
            .time_s
            .windows(4)
            .zip(train.index.windows(4))
            .filter(|(_, index)| index[3] - index[0] == 3)
            .map(|(time, index)| {
                let [before, here, after] = [0, 1, 2].map(|i| (time[i + 1] - time[i]).ln());
                (index[0] as f64, here - 0.5 * (before + after))
            })
            .collect();
        let mut sizes: Vec<f64> = pitches.iter().map(|(_, longer)| longer.abs()).collect();
        let middle = sizes.len() / 2;
        let limit = match sizes.get(middle) {
            Some(_) => {
                CLIPPED_SIGMA * 1.4826 * *sizes.select_nth_unstable_by(middle, f64::total_cmp).1
            }
            None => 0.0,
        };
        let count = pitches.len().max(1) as f64;
        let fading = |i: usize| (0.5 * TAU * i as f64 / count).sin().powi(2);
        Self {
            at: pitches
                .iter()
                .enumerate()
                .map(|(i, (at, longer))| (*at, fading(i) * longer.clamp(-limit, limit)))
                .collect(),
        }
    }

    fn power(&self, per_pitch: f64) -> f64 {
        let turned = |pitches: f64| (TAU * (per_pitch * pitches).fract()).sin_cos();
        let (step_sin, step_cos) = turned(1.0);
        let (mut before, mut sin, mut cos) = (f64::NAN, 0.0, 1.0);
        let mut sum = (0.0, 0.0);
        for (at, longer) in &self.at {
            // By turning on, since a sine is dear.
            (sin, cos) = if *at == before + 1.0 {
                (
                    sin * step_cos + cos * step_sin,
                    cos * step_cos - sin * step_sin,
                )
            } else {
                turned(*at)
            };
            before = *at;
            sum.0 += longer * cos;
            sum.1 += longer * sin;
        }
        sum.0 * sum.0 + sum.1 * sum.1
    }

    /// Power at the middle one of the harmonics of a turn of so many teeth, each over what is beside it.
    fn lines(&self, teeth: u32) -> f64 {
        let at = |line: f64| self.power(line / f64::from(teeth));
        let mut ratios: Vec<f64> = (1..=teeth / 2)
            .map(f64::from)
            .map(|line| {
                let beside: f64 = [-0.5, -0.35, 0.35, 0.5]
                    .map(|off| at(line + off))
                    .iter()
                    .sum();
                4.0 * at(line) / beside.max(f64::MIN_POSITIVE)
            })
            .collect();
        // Of twice as many teeth half of the lines are there.
        let middle = ratios.len().saturating_sub(1) / 2;
        match ratios.get(middle) {
            Some(_) => *ratios.select_nth_unstable_by(middle, f64::total_cmp).1,
            None => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A wheel that turns up from 40 rad/s with 25 rad/s², its teeth off by a share of a pitch and its edges by a
    /// microsecond, under an engine of `cycles` a turn that swings it as one cylinder does.
    fn pull(teeth: i64, off: f64, cycles: f64) -> ToothTrain {
        let pitch = TAU / teeth as f64;
        let error =
            |tooth: i64| off * pitch * ((7 * tooth * tooth + 3 * tooth) as f64 * 1.37).sin();
        let index: Vec<i64> = (0..130 * teeth).collect();
        let time_s = index.iter().map(|k| {
            let theta = pitch * *k as f64;
            let omega = (40_f64.powi(2) + 50.0 * theta).sqrt();
            let swing: f64 = (1..6_u8)
                .map(|m| (f64::from(m) * cycles * theta + 0.4).sin() / f64::from(m).powi(3))
                .sum();
            let jitter_s = 2e-6 * ((0.618_034 * (k * k) as f64).fract() - 0.5);
            (omega - 40.0) / 25.0
                + jitter_s
                + (error(k.rem_euclid(teeth)) + 25.0 / (omega * omega) * swing) / omega
        });
        ToothTrain {
            time_s: time_s.collect(),
            index,
            ..ToothTrain::default()
        }
    }

    /// Truth: the number of teeth that the wheel was made with.
    #[test]
    fn a_wheel_that_is_counted_wrongly_is_told_by_its_errors() {
        for (teeth, stated) in [
            (8, 10),
            (10, 8),
            (8, 6),
            (12, 14),
            (60, 58),
            (60, 61),
            (30, 31),
        ] {
            for cycles in [1.37, 2.71, 3.45] {
                let train = pull(teeth, 0.002, cycles);
                // The engine's cycles in a turn go with the teeth that a turn is taken to have.
                let in_turn = cycles * f64::from(stated) / teeth as f64;
                let found = errors_come_round(&train, stated, in_turn);
                assert_eq!(found.map(i64::from), Some(teeth), "{stated} {cycles}");
            }
        }
    }

    /// Nor is a sound wheel put in doubt, or one without errors, also where cycles come round every few teeth.
    #[test]
    fn a_wheel_that_is_counted_rightly_is_not_put_in_doubt() {
        for teeth in [4, 8, 36, 60] {
            for cycles in [0.5, 1.37, 2.5, 3.2, 3.45, 4.0] {
                for off in [0.0, 0.0005, 0.005] {
                    let train = pull(teeth, off, cycles);
                    let stated = u32::try_from(teeth).unwrap();
                    let found = errors_come_round(&train, stated, cycles);
                    assert_eq!(found, None, "{teeth} {cycles} {off}");
                }
            }
        }
    }
}
