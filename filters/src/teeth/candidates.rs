//! Which edges of a recorded stretch are teeth, looking both ways: of all ways through the edges the
//! one whose intervals fit best to one pitch, or to a few where teeth were missed.
//!
//! Dynamic programming over the edges (R. Bellman, 1957; the Viterbi form).

use super::Edge;

/// Intervals on each side that tell the pitch: more than a burst of noise holds.
const BESIDE: usize = 12;
/// Edges that one way may leave out in a row.
const BURST_MAX: usize = 8;
/// Teeth that one way may miss in a row.
const MISSED_MAX: f64 = 3.0;
/// How unlike intervals of one pitch may be, as a share of it: tooth errors, the engine's swing, and
/// the change of speed over [`BESIDE`] pitches. In squares of this the others count.
const SPREAD: f64 = 0.12;
const LEFT_OUT: f64 = 8.0;
/// Where there is one false edge there are often more.
const LEFT_OUT_TOO: f64 = 2.0;
const MISSED: f64 = 8.0;
const MISFIT_MAX: f64 = 20.0;
const BEYOND_MAX: f64 = 100.0;
/// So much longer than the one before may an interval of a wheel be that speeds up: tooth errors (common practice: a few
/// per cent, no source).
const LONGER_MAX: f64 = 1.1;
/// Intervals that change by no more than this from one to the next need no second look.
const EVEN: std::ops::RangeInclusive<f64> = 0.75..=1.33;

/// The edges without those that are no teeth; the numbers of the rest close up, and what the board
/// lost is still missing from them.
pub(super) fn without_noise(edges: &[Edge], standstill_ticks: f64) -> Vec<Edge> {
    let mut kept = Vec::with_capacity(edges.len());
    let mut dropped = 0;
    let mut start = 0;
    for end in 1..=edges.len() {
        let broken = end == edges.len() || {
            let (before, after) = (edges[end - 1], edges[end]);
            let ticks = after.tick.saturating_sub(before.tick) as f64;
            let lost = after.number != before.number.wrapping_add(1);
            ticks > standstill_ticks || lost && !is_short(&edges[start..end], ticks)
        };
        if !broken {
            continue;
        }
        let stretch = &edges[start..end];
        for (edge, is_tooth) in stretch.iter().zip(teeth(stretch)) {
            if is_tooth {
                kept.push(Edge {
                    number: edge.number.wrapping_sub(dropped),
                    ..*edge
                });
            } else {
                dropped += 1;
            }
        }
        start = end;
    }
    kept
}

/// Whether a time after a stretch is one that teeth may be missed in without breaking it: what a board
/// loses because edges come too close to each other is noise.
fn is_short(stretch: &[Edge], ticks: f64) -> bool {
    let from = stretch.len().saturating_sub(BESIDE + 1);
    let before = intervals(&stretch[from..]);
    before.len() == BESIDE && ticks < (MISSED_MAX + 1.0) * median(&before)
}

fn intervals(edges: &[Edge]) -> Vec<f64> {
    edges
        .windows(2)
        .map(|pair| pair[1].tick.saturating_sub(pair[0].tick) as f64)
        .collect()
}

/// Whether each edge of an unbroken stretch is a tooth; the first and the last are taken for one.
fn teeth(edges: &[Edge]) -> Vec<bool> {
    let n = edges.len();
    let intervals = intervals(edges);
    let even = intervals
        .windows(2)
        .all(|pair| EVEN.contains(&(pair[1] / pair[0])));
    if even || n < BESIDE {
        return vec![true; n];
    }
    // The pitch after each edge; before an edge it is that of so many edges earlier.
    let pitches: Vec<f64> = (0..=intervals.len().saturating_sub(BESIDE))
        .map(|k| median(&intervals[k..(k + BESIDE).min(intervals.len())]))
        .collect();
    let from_rest = teeth_from_rest(&intervals, pitches[0]);
    let last = pitches.len() - 1;
    let pitch = |edge: usize| {
        let before = pitches[edge.saturating_sub(BESIDE).min(last)];
        (before, pitches[edge.min(last)])
    };
    let mut cost = vec![f64::INFINITY; n];
    let mut from = vec![0; n];
    cost[0] = 0.0;
    for to in 1..n {
        let (before, after) = pitch(to);
        let earliest = if to <= from_rest {
            to - 1
        } else {
            to.saturating_sub(BURST_MAX + 1).max(from_rest)
        };
        for start in earliest..to {
            let ticks = edges[to].tick.saturating_sub(edges[start].tick) as f64;
            let misfit = if EVEN.contains(&(before / after)) {
                step_cost(ticks / (before * after).sqrt())
            } else {
                step_cost(ticks / before).min(step_cost(ticks / after)) // the speed jumps here
            };
            // Two gaps are none the likelier for the teeth between them being noise; at an end it may be a wheel that starts
            // from rest or comes to it.
            let is_end = start == 0 || to == n - 1;
            let gap = if is_end {
                0.0
            } else {
                gap_cost(ticks / before.max(after))
            };
            let left_out = match to - start - 1 {
                0 => 0.0,
                edges => LEFT_OUT + LEFT_OUT_TOO * (edges - 1) as f64,
            };
            let whole = cost[start] + misfit + gap + left_out;
            if whole < cost[to] {
                (cost[to], from[to]) = (whole, start);
            }
        }
    }
    let mut is_tooth = vec![false; n];
    let mut at = n - 1;
    while at > 0 {
        is_tooth[at] = true;
        at = from[at];
    }
    is_tooth[0] = true;
    is_tooth
}

/// The last of the edges that are a wheel's which starts from rest, 0 without one: at first a pitch takes it several times as
/// long as a dozen pitches later, but each takes no longer than the one before. A false edge parts an interval in two: the second
/// part or the next interval is longer than what is before it.
fn teeth_from_rest(intervals: &[f64], pitch: f64) -> usize {
    if intervals[0] < *EVEN.end() * pitch {
        return 0;
    }
    let early = &intervals[..intervals.len().min(BESIDE)];
    let longer = early
        .windows(2)
        .position(|pair| pair[1] > LONGER_MAX * pair[0]);
    longer.map_or(early.len(), |at| at.saturating_sub(1))
}

/// What an interval of so many pitches costs.
fn step_cost(pitches: f64) -> f64 {
    let teeth = pitches.round().clamp(1.0, MISSED_MAX + 1.0);
    let off = ((pitches - teeth) / SPREAD).powi(2);
    (off + MISSED * (teeth - 1.0)).min(MISFIT_MAX)
}

/// What every tooth costs that is missed beyond those of [`step_cost`].
fn gap_cost(pitches: f64) -> f64 {
    MISSED * (pitches - MISSED_MAX - 1.0).clamp(0.0, BEYOND_MAX)
}

fn median(values: &[f64]) -> f64 {
    let mut sorted: Vec<f64> = values.to_vec();
    let middle = sorted.len() / 2;
    *sorted.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Teeth of a wheel that speeds up by 1 % a pitch, in ticks.
    fn teeth_at(count: usize) -> Vec<f64> {
        (0..count)
            .map(|k| 1e6 * (1.0 - 0.99_f64.powi(i32::try_from(k).unwrap())))
            .collect()
    }

    fn edges(times: &[f64]) -> Vec<Edge> {
        let numbered = times.iter().zip(0_u64..);
        numbered
            .map(|(t, number)| Edge {
                tick: crate::convert::round_to_i64(*t).unsigned_abs(),
                number,
            })
            .collect()
    }

    #[test]
    fn a_false_edge_anywhere_between_two_teeth_is_the_one_left_out() {
        let teeth = teeth_at(60);
        for share in [0.1, 0.3, 0.45, 0.55, 0.7, 0.85] {
            let mut seen = teeth.clone();
            seen.insert(31, teeth[30] + share * (teeth[31] - teeth[30]));
            let kept = without_noise(&edges(&seen), 1e6);
            assert_eq!(kept, edges(&teeth), "at {share} of a pitch");
        }
    }

    #[test]
    fn bursts_and_doubles_go_and_missed_teeth_stay_missed() {
        let mut teeth = teeth_at(80);
        let mut seen = teeth.clone();
        for share in [0.2, 0.35, 0.6, 0.8] {
            seen.insert(31, teeth[30] + share * (teeth[31] - teeth[30]));
        }
        seen.push(teeth[50] + 30.0);
        seen.sort_by(f64::total_cmp);
        seen.retain(|t| *t != teeth[20] && *t != teeth[60]);
        teeth.remove(60);
        teeth.remove(20);
        assert_eq!(without_noise(&edges(&seen), 1e6), edges(&teeth));
    }

    /// 36-1, 60-2 and 8-1: the gap is no noise.
    #[test]
    fn a_wheel_with_teeth_left_out_on_purpose_keeps_all_others() {
        for (teeth, left_out) in [(36, 1), (60, 2), (8, 1)] {
            let times: Vec<f64> = (0..5 * teeth)
                .filter(|k| k % teeth < teeth - left_out)
                .map(|k| 1000.0 * f64::from(k))
                .collect();
            assert_eq!(without_noise(&edges(&times), 1e6), edges(&times));
        }
    }

    /// Of edges closer than the board can take, it loses some and counts them: what is left of the burst
    /// is noise all the same.
    #[test]
    fn what_a_board_loses_of_a_burst_hides_no_false_edge() {
        let teeth = teeth_at(60);
        let mut seen = teeth.clone();
        for share in [0.5, 0.501, 0.502] {
            seen.insert(31, teeth[30] + share * (teeth[31] - teeth[30]));
        }
        seen.sort_by(f64::total_cmp);
        let mut seen = edges(&seen);
        seen.remove(32);
        let kept = without_noise(&seen, 1e6);
        let ticks = |edges: &[Edge]| edges.iter().map(|e| e.tick).collect::<Vec<_>>();
        assert_eq!(ticks(&kept), ticks(&edges(&teeth)));
    }

    /// Edges lost on the way show in the numbers, which must go on showing it.
    #[test]
    fn lost_edges_stay_counted() {
        let mut all = edges(&teeth_at(60));
        all.drain(20..30);
        assert_eq!(without_noise(&all, 1e6), all);
    }
}
