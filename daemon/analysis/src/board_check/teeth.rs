//! What a stretch of tooth times tells.

use std::ops::Range;

use leverarm_filters::teeth::Edge;

use super::samples::median;

/// Periods on either side of one that say what is normal around it.
const AROUND: usize = 3;
/// A period is short when it is less than this share of those around it.
const SHORT: f64 = 0.4;
/// It is long, for a tooth that is missing, when it is so many times those around it, and all of
/// them are alike.
const LONG: Range<f64> = 1.6..2.4;
const EVEN: Range<f64> = 0.7..1.4;
/// Every other period being so much longer than those between is both edges of each tooth.
const UNEVEN: f64 = 1.5;
/// So many extra edges for each tooth are no accident.
const DOUBLE_SHARE: f64 = 0.5;
/// Least teeth that are judged.
const TEETH_MIN: usize = 16;

/// How regular the teeth of a pickup come.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Rhythm {
    /// Edges close behind another.
    pub(super) short: usize,
    /// Places where a tooth is missing.
    pub(super) long: usize,
    /// Whether most teeth count twice.
    pub(super) double: bool,
}

impl Rhythm {
    /// Of a shaft that turns steadily, or is turned steadily by hand.
    pub(super) fn of(edges: &[Edge]) -> Self {
        if edges.len() < TEETH_MIN {
            return Self::default();
        }
        // Across a gap in the record nothing is known.
        let follow = |pair: &&[Edge]| pair[1].number == pair[0].number.wrapping_add(1);
        let pairs = edges.windows(2).filter(follow);
        let periods: Vec<f64> = pairs
            .map(|pair| pair[1].tick.saturating_sub(pair[0].tick) as f64)
            .collect();
        let mut rhythm = Self::default();
        for window in periods.windows(2 * AROUND + 1) {
            let mut around = window.to_vec();
            let normal = median(&mut around).unwrap_or_default();
            let here = window.get(AROUND).copied().unwrap_or_default() / normal;
            // Between edges that don't belong there nothing is known to be missing.
            let normals = window.iter().filter(|it| EVEN.contains(&(*it / normal)));
            rhythm.short += usize::from(here < SHORT);
            rhythm.long += usize::from(LONG.contains(&here) && normals.count() == 2 * AROUND);
        }
        let teeth = periods.len().saturating_sub(rhythm.short).max(1);
        rhythm.double = rhythm.short as f64 >= DOUBLE_SHARE * teeth as f64 || is_uneven(&periods);
        if rhythm.double {
            rhythm.long = 0;
        }
        rhythm
    }
}

/// Whether long and short periods alternate.
fn is_uneven(periods: &[f64]) -> bool {
    // Of neighbours, so that a change of speed does not count.
    let mut ratios: Vec<f64> = periods
        .as_chunks::<2>()
        .0
        .iter()
        .filter(|[_, second]| *second > 0.0)
        .map(|[first, second]| first / second)
        .collect();
    median(&mut ratios).is_some_and(|ratio| !(1.0 / UNEVEN..=UNEVEN).contains(&ratio))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Edges after these periods, in turn, 200 of them, at a speed that rises by a half.
    fn edges(periods: &[u64]) -> Vec<Edge> {
        let mut tick = 1000;
        (0..200_u64)
            .map(|number| {
                let period = periods[usize::try_from(number).unwrap() % periods.len()];
                tick += period * (600 - number) / 600;
                Edge { tick, number }
            })
            .collect()
    }

    #[test]
    fn even_teeth_and_irregular_ones_are_fine() {
        for wheel in [
            vec![10_000],
            vec![10_000, 9_500, 10_400, 10_100],
            vec![12_000, 9_000],
        ] {
            assert_eq!(Rhythm::of(&edges(&wheel)), Rhythm::default(), "{wheel:?}");
        }
    }

    #[test]
    fn a_tooth_that_counts_twice_is_told_from_single_edges_and_missing_ones() {
        for bounce in [20, 1_000, 3_500] {
            let rhythm = Rhythm::of(&edges(&[10_000 - bounce, bounce]));
            assert!(rhythm.double, "{bounce}: {rhythm:?}");
        }
        let mut one = vec![10_000; 30];
        one.extend([9_900, 100]);
        let rhythm = Rhythm::of(&edges(&one));
        assert!(!rhythm.double && rhythm.long == 0, "{rhythm:?}");
        assert_eq!(rhythm.short, 6);
        let mut missing = vec![10_000; 30];
        missing.push(20_000);
        let rhythm = Rhythm::of(&edges(&missing));
        assert!(!rhythm.double && rhythm.short == 0, "{rhythm:?}");
        assert_eq!(rhythm.long, 6);
    }

    #[test]
    fn a_hand_that_starts_and_stops_is_no_fault() {
        let periods = [
            900_000, 300_000, 200_000, 150_000, 130_000, 120_000, 118_000,
        ];
        let back = periods.iter().rev();
        let hand: Vec<u64> = periods.iter().chain(back).copied().collect();
        assert_eq!(Rhythm::of(&edges(&hand)), Rhythm::default());
    }
}
