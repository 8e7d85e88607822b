//! Tooth wheels, their pickups, and the moments of their edges.

use std::f64::consts::TAU;

use super::mechanics::State;
use super::model::{Pickup, PickupFault, Shaft, tooth_angle_rad};
use super::noise::{Noise, Stream};
use super::step::STEP_S;

/// One tooth wheel with its pickup.
#[derive(Clone, Debug)]
pub(super) struct ToothWheel {
    pickup: Pickup,
    /// Angle of each flank within the turn, rad: a tooth's leading one, its trailing one, and so on.
    flanks_rad: Vec<f64>,
    /// The flank that comes next, and in which turn.
    next_flank: usize,
    next_turn: u32,
    /// Whether the tooth before gave no edge since every second one does not.
    skipped: bool,
    edges: Noise,
    interference: Noise,
    sparks: Noise,
    /// Time with sparks until the next burst, s.
    burst_in_s: f64,
    /// Edges to come, soonest first, s.
    pending_s: Vec<f64>,
}

impl ToothWheel {
    pub(super) fn new(pickup: Pickup, index: u8, seed: u64) -> Self {
        let mut positions = Noise::new(seed, Stream::ToothPositions(index));
        let pitch_rad = tooth_angle_rad(1, pickup.teeth);
        let leading_rad = Vec::from_iter((0..pickup.teeth).map(|tooth| {
            // A filed or pressed tooth is never half a pitch off; the tails of the bell are.
            let error = positions.normal(pickup.position_error_rms).clamp(-0.4, 0.4);
            tooth_angle_rad(tooth, pickup.teeth) + error * pitch_rad
        }));
        let following_rad = leading_rad.iter().skip(1).copied();
        let following_rad = following_rad.chain(leading_rad.first().map(|first| first + TAU));
        let flanks_rad = leading_rad
            .iter()
            .zip(following_rad)
            .flat_map(|(leading, next)| [*leading, 0.5 * (leading + next)])
            .collect();
        let mut interference = Noise::new(seed, Stream::Interference(index));
        let burst_in_s = next_burst_s(&pickup, &mut interference);
        let mut wheel = Self {
            pickup,
            flanks_rad,
            // The stand starts just past the leading flank of tooth 0.
            next_flank: 0,
            next_turn: 0,
            skipped: false,
            edges: Noise::new(seed, Stream::Edges(index)),
            interference,
            sparks: Noise::new(seed, Stream::Sparks(index)),
            burst_in_s,
            pending_s: Vec::new(),
        };
        wheel.advance_flank();
        wheel
    }

    /// From now on it is broken in this way, or whole again.
    pub(super) fn fault(&mut self, fault: PickupFault) {
        self.pickup.fault = fault;
    }

    fn advance_flank(&mut self) {
        self.next_flank += 1;
        if self.next_flank >= self.flanks_rad.len() {
            self.next_flank = 0;
            self.next_turn += 1;
        }
    }

    /// Finds the edges of one step of the mechanics that began at `start_s`.
    pub(super) fn turn(&mut self, start_s: f64, from: &State, to: &State, sparks: bool) {
        let passage = Passage::new(from.shaft(self.pickup.shaft), to.shaft(self.pickup.shaft));
        let (_, rad_per_s) = to.shaft(self.pickup.shaft);
        while let Some(&flank_rad) = self.flanks_rad.get(self.next_flank) {
            let target_rad = TAU * f64::from(self.next_turn) + flank_rad;
            if target_rad > passage.end_rad() {
                break;
            }
            if self.gives_edge(rad_per_s) {
                self.edge(start_s + STEP_S * passage.fraction_at(target_rad));
            }
            self.advance_flank();
        }
        if sparks {
            self.interfere(start_s, from, to);
        }
    }

    /// False edges of one step in which the engine turns with its ignition on.
    fn interfere(&mut self, start_s: f64, from: &State, to: &State) {
        let interference = self.pickup.interference;
        if interference.bursts_per_s > 0.0 {
            self.burst_in_s -= STEP_S;
            if self.burst_in_s < 0.0 {
                self.burst_in_s = next_burst_s(&self.pickup, &mut self.interference);
                self.burst(start_s);
            }
        }
        if interference.spark_probability > 0.0 {
            let turns = |crank_rad: f64| ((crank_rad - interference.spark_at_rad) / TAU).floor();
            let spark = turns(to.crank_rad);
            if spark > turns(from.crank_rad) && self.sparks.happens(interference.spark_probability)
            {
                let passage = Passage::new(from.shaft(Shaft::Engine), to.shaft(Shaft::Engine));
                let at_rad = TAU * spark + interference.spark_at_rad;
                self.burst(start_s + STEP_S * passage.fraction_at(at_rad));
            }
        }
    }

    fn burst(&mut self, mut at_s: f64) {
        let interference = self.pickup.interference;
        for _ in 0..interference.edges {
            at_s += self.interference.exponential(interference.spacing_s);
            self.schedule(at_s);
        }
    }

    /// Whether the flank that passes at a speed of the wheel gives an edge.
    fn gives_edge(&mut self, rad_per_s: f64) -> bool {
        let fault = self.pickup.fault;
        let tooth = self.next_flank / 2;
        let is_leading = self.next_flank.is_multiple_of(2);
        let is_gone = tooth < 64 && fault.teeth_gone >> tooth & 1 == 1;
        if is_gone || !is_leading && !fault.both_flanks {
            return false;
        }
        self.skipped = !self.skipped && rad_per_s >= fault.every_second_from_rad_per_s;
        !self.skipped && !fault.is_dead
    }

    /// A tooth passed the pickup: none, one or two edges.
    fn edge(&mut self, passed_s: f64) {
        let Pickup {
            jitter_rms_s,
            missed_probability,
            doubled_probability,
            ..
        } = self.pickup;
        let at_s = passed_s + self.edges.normal(jitter_rms_s);
        let missed = self.edges.happens(missed_probability);
        let doubled = self.edges.happens(doubled_probability);
        if !missed {
            self.schedule(at_s);
        }
        if !missed && doubled {
            self.schedule(at_s + self.pickup.doubled_after_s);
        }
    }

    fn schedule(&mut self, at_s: f64) {
        let place = self
            .pending_s
            .partition_point(|earlier_s| *earlier_s <= at_s);
        self.pending_s.insert(place, at_s);
    }

    /// Takes the edges up to a time, soonest first.
    pub(super) fn edges_until(&mut self, until_s: f64) -> impl Iterator<Item = f64> + '_ {
        let due = self.pending_s.partition_point(|at_s| *at_s <= until_s);
        self.pending_s.drain(..due)
    }
}

fn next_burst_s(pickup: &Pickup, noise: &mut Noise) -> f64 {
    if pickup.interference.bursts_per_s > 0.0 {
        noise.exponential(1.0 / pickup.interference.bursts_per_s)
    } else {
        f64::INFINITY
    }
}

/// A shaft's angle within a step: the cubic that has its angles and speeds at both ends.
///
/// Its error is of fourth order in the step, below 1e-9 rad for any engine of ours.
#[derive(Clone, Copy, Debug)]
struct Passage {
    start_rad: f64,
    /// Coefficients of s, s², s³ with s from 0 to 1 over the step.
    linear: f64,
    square: f64,
    cube: f64,
}

impl Passage {
    fn new((start_rad, start_speed): (f64, f64), (end_rad, end_speed): (f64, f64)) -> Self {
        let turned = end_rad - start_rad;
        let (m0, m1) = (start_speed * STEP_S, end_speed * STEP_S);
        Self {
            start_rad,
            linear: m0,
            square: 3.0 * turned - 2.0 * m0 - m1,
            cube: m0 + m1 - 2.0 * turned,
        }
    }

    fn end_rad(&self) -> f64 {
        self.start_rad + (self.linear + self.square + self.cube)
    }

    /// The fraction of the step at which the shaft reaches an angle within it: Newton's method,
    /// halving the bracket whenever it would leave it.
    fn fraction_at(&self, target_rad: f64) -> f64 {
        /// Of a step: 5e-17 s.
        const CLOSE: f64 = 1e-12;
        let target = target_rad - self.start_rad;
        let (mut low, mut high, mut at) = (0.0, 1.0, 0.5);
        for _ in 0..60 {
            let past = at * (self.linear + at * (self.square + at * self.cube)) - target;
            if past > 0.0 {
                high = at;
            } else {
                low = at;
            }
            let slope = self.linear + at * (2.0 * self.square + at * 3.0 * self.cube);
            let newton = at - past / slope;
            let next = if newton > low && newton < high {
                newton
            } else {
                0.5 * (low + high)
            };
            if (next - at).abs() < CLOSE {
                return next;
            }
            at = next;
        }
        at
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// θ = 3 + 100·t + 2000·t² + 1e6·t³ over a step is a cubic, so it is met exactly.
    #[test]
    fn passage_finds_the_moment_on_a_cubic() {
        let angle = |t: f64| 3.0 + 100.0 * t + 2e3 * t * t + 1e6 * t * t * t;
        let speed = |t: f64| 100.0 + 4e3 * t + 3e6 * t * t;
        let passage = Passage::new((angle(0.0), speed(0.0)), (angle(STEP_S), speed(STEP_S)));
        for fraction in [0.0, 1e-6, 0.25, 0.5, 0.9, 1.0] {
            let found = passage.fraction_at(angle(fraction * STEP_S));
            assert!((found - fraction).abs() < 1e-10, "{found} for {fraction}");
        }
    }

    /// From rest the angle begins flat, where Newton's slope is zero.
    #[test]
    fn passage_starts_from_rest_and_may_stop() {
        let angle = |t: f64| 0.5 * 40.0 * t * t;
        let passage = Passage::new((0.0, 0.0), (angle(STEP_S), 40.0 * STEP_S));
        for fraction in [1e-4, 0.1, 0.7, 1.0] {
            let found = passage.fraction_at(angle(fraction * STEP_S));
            assert!((found - fraction).abs() < 1e-9, "{found} for {fraction}");
        }
        let still = Passage::new((5.0, 0.0), (5.0, 0.0));
        assert!((0.0..=1.0).contains(&still.fraction_at(5.0)));
    }

    /// Sparks leave their edges at one angle of the crank, and none without ignition.
    #[test]
    fn sparks_leave_edges_at_one_angle() {
        let mut pickup = Pickup::perfect(Shaft::Drum, 1);
        pickup.interference = crate::Interference {
            edges: 1,
            spacing_s: 1e-9,
            spark_probability: 1.0,
            spark_at_rad: 1.0,
            ..Default::default()
        };
        let mut wheel = ToothWheel::new(pickup, 0, 3);
        let speed = 400.0;
        let at = |step: u32| State {
            crank_rad: speed * STEP_S * f64::from(step),
            crank_rad_per_s: speed,
            ..State::default()
        };
        let mut edges_s = Vec::new();
        for step in 0..20_000_u32 {
            let start_s = STEP_S * f64::from(step);
            wheel.turn(start_s, &at(step), &at(step + 1), step < 10_000);
            edges_s.extend(wheel.edges_until(start_s + STEP_S));
        }
        // 200 rad in half a second.
        assert_eq!(edges_s.len(), 32);
        for edge_s in edges_s {
            assert!((speed * edge_s - 1.0).rem_euclid(TAU) < 1e-3, "{edge_s}");
        }
    }
}
